//! The jars of a batch that stand.

use std::collections::BTreeSet;

/// The jars that stand, of those that have a number.
pub fn filled(jars: &[usize]) -> BTreeSet<usize> {
    jars.iter().copied().filter(|jar| *jar > 0).collect()
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
