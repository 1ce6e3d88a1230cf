//! The jars of a batch that stand, out of its `filled` rows.

use std::collections::{BTreeMap, BTreeSet};

use crate::batch::resume::corrects;
use crate::batch::row::Row;

/// Numbers of the jars that were filled. A correction holds for the jar of the row that it names; one
/// without a net weight withdraws the jar, which may be filled again.
pub fn filled(rows: &[Row]) -> BTreeSet<usize> {
    let mut jar_of: BTreeMap<u64, usize> = BTreeMap::new();
    let mut jars = BTreeSet::new();
    for row in rows {
        let jar = match corrects(&row.note) {
            Some(seq) => jar_of.get(&seq).copied(),
            None => Some(row.step).filter(|jar| *jar > 0),
        };
        let Some(jar) = jar else { continue };
        jar_of.insert(row.seq, jar);
        if row.net.is_some() {
            jars.insert(jar);
        } else {
            jars.remove(&jar);
        }
    }
    jars
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
