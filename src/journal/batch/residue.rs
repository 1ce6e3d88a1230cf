//! The usual residue in the beaker of an ingredient, from the batches that weighed it back.

use std::collections::BTreeMap;

use super::record::Record;
use crate::mass::Mass;

/// Fewer weighings than this say nothing yet. Our own choice, no source.
pub const FEWEST: usize = 3;
/// Older weighings than the last so many no longer count: another beaker, another spatula.
const NEWEST: usize = 10;

/// What stays in a beaker: the median, so that one careless emptying does not move it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Usual {
    pub mass: Mass,
    /// The weighings it rests on, from [`FEWEST`] on.
    pub weighings: usize,
}

/// What usually stays, by the ingredient's name, where it was weighed back often enough. Grams, not a
/// share: what stays is a film on the glass, and hardly grows with what was in it (common practice, no
/// source).
pub fn usual<'r>(records: impl IntoIterator<Item = &'r Record>) -> BTreeMap<String, Usual> {
    let rows = records.into_iter().flat_map(|record| &record.residues);
    let mut seen: BTreeMap<&str, Vec<(jiff::Timestamp, Mass)>> = BTreeMap::new();
    for row in rows {
        if let Some(net) = row.net {
            let of = seen.entry(&row.ingredient).or_default();
            of.push((row.at, net.mass()));
        }
    }
    seen.into_iter()
        .filter_map(|(name, mut weighings)| {
            weighings.sort_unstable();
            let newest = weighings.len().saturating_sub(NEWEST);
            let mut masses: Vec<Mass> = weighings.drain(newest..).map(|(_, mass)| mass).collect();
            masses.sort_unstable();
            let count = masses.len();
            let (low, high) = (
                masses.get(count.checked_sub(1)? / 2)?,
                masses.get(count / 2)?,
            );
            let mass = (*low + *high).ratio(1, 2);
            let usual = Usual {
                mass,
                weighings: count,
            };
            (count >= FEWEST && mass > Mass::ZERO).then(|| (name.to_owned(), usual))
        })
        .collect()
}
