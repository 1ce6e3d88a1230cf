//! The jars of a batch that stand, out of its `filled` rows.

use std::collections::BTreeSet;

use crate::journal::format::row::Row;

/// Numbers of the jars of a record's `filled`, which knows every correction.
pub fn filled(rows: &[Row]) -> BTreeSet<usize> {
    let jars = rows.iter().map(|row| row.step);
    jars.filter(|jar| *jar > 0).collect()
}

/// Numbers as a person writes them: `1-3, 5`.
pub fn in_words(jars: &BTreeSet<usize>) -> String {
    let mut runs: Vec<(usize, usize)> = Vec::new();
    for &jar in jars {
        match runs.last_mut() {
            Some((_, last)) if *last + 1 == jar => *last = jar,
            Some(_) | None => runs.push((jar, jar)),
        }
    }
    let words = runs.iter().map(|(first, last)| match first == last {
        true => first.to_string(),
        false => format!("{first}-{last}"),
    });
    words.collect::<Vec<_>>().join(", ")
}
