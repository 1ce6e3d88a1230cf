//! The trace of a lot, and what a batch is made of, through premixes: a lot whose name is another
//! batch's name is that batch.

use std::borrow::Cow;
use std::collections::{BTreeMap, BTreeSet, HashMap, HashSet, VecDeque};
use std::iter::Copied;
use std::slice;

use crate::mass::Mass;
use crate::text::alike::{folded, same_name, visible};

/// One step of a batch that took from a lot.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub struct Use {
    pub batch: String,
    pub step: usize,
    pub ingredient: String,
    pub lot: String,
    /// Net weight taken from the lot.
    pub net: Mass,
    /// What of it stayed in the vessel and did not reach the batch.
    pub residue: Mass,
}

/// A use that a trace came to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Reached<'u> {
    pub used: &'u Use,
    /// Batches between it and what was asked for: 0 where there is none.
    pub depth: usize,
}

/// The uses of each lot, so that what is left of many costs no look at every use for each.
#[derive(Debug, Default)]
pub struct ByLot<'u>(ByName<'u>);

impl<'u> ByLot<'u> {
    pub fn new(uses: &'u [Use]) -> ByLot<'u> {
        let mut by_lot = ByName::new();
        for used in uses {
            by_lot.entry(visible(&used.lot)).or_default().push(used);
        }
        ByLot(by_lot)
    }

    /// What took from a lot `name`, of whatever ingredient, in the order of the uses.
    pub fn of<'m>(&'m self, name: &str) -> Copied<slice::Iter<'m, &'u Use>> {
        let found = self
            .0
            .get::<str>(&visible(name))
            .map_or(&[][..], Vec::as_slice);
        found.iter().copied()
    }
}

/// All uses, found by lot and by batch.
#[derive(Debug)]
pub struct Uses<'u> {
    by_lot: ByName<'u>,
    by_batch: ByName<'u>,
}

/// By the name as [`visible`] has it.
type ByName<'u> = HashMap<Cow<'u, str>, Vec<&'u Use>>;

impl<'u> Uses<'u> {
    pub fn new(uses: &'u [Use]) -> Uses<'u> {
        let ByLot(by_lot) = ByLot::new(uses);
        let mut by_batch = ByName::new();
        for used in uses {
            by_batch.entry(visible(&used.batch)).or_default().push(used);
        }
        Uses { by_lot, by_batch }
    }

    /// Every step that took from `lot`, or from a batch that it reached. A premix that names itself
    /// does no harm.
    pub fn forward(&self, lot: &str) -> Vec<Reached<'u>> {
        search(&self.by_lot, lot, |_| true, |used| &used.batch)
    }

    /// As [`Uses::forward`], for one ingredient of those that have a lot of this name. In the batches
    /// that it reached every step counts: they are the same batch under any name.
    pub fn forward_of(&self, lot: &str, ingredient: &str) -> Vec<Reached<'u>> {
        let first = |used: &Use| same_name(&used.ingredient, ingredient);
        search(&self.by_lot, lot, first, |used| &used.batch)
    }

    /// The ingredients of which a step named `lot` as theirs, by name.
    pub fn ingredients(&self, lot: &str) -> BTreeSet<&'u str> {
        let uses = self.by_lot.get(&visible(lot)).into_iter().flatten();
        let named = uses.map(|used| (folded(&used.ingredient), used.ingredient.as_str()));
        BTreeMap::from_iter(named).into_values().collect()
    }

    /// Every step of `batch`, and of the batches that are lots in it.
    pub fn backward(&self, batch: &str) -> Vec<Reached<'u>> {
        search(&self.by_batch, batch, |_| true, |used| &used.lot)
    }
}

/// Breadth first, so each name is met at its least depth, once. Of `from` itself only the uses count
/// that are `first`.
fn search<'u>(
    uses: &ByName<'u>,
    from: &str,
    first: impl Fn(&Use) -> bool,
    next: impl Fn(&'u Use) -> &'u str,
) -> Vec<Reached<'u>> {
    let mut found = Vec::new();
    let mut seen: HashSet<Cow<str>> = HashSet::new();
    let mut waiting = VecDeque::new();
    if let Some((name, _)) = uses.get_key_value(&visible(from)) {
        seen.insert(name.clone());
        waiting.push_back((name.clone(), 0));
    }
    while let Some((name, depth)) = waiting.pop_front() {
        let found_here = uses.get(&name).into_iter().flatten();
        for used in found_here.filter(|used| depth > 0 || first(used)) {
            found.push(Reached { used, depth });
            let next = visible(next(used));
            if seen.insert(next.clone()) {
                waiting.push_back((next, depth + 1));
            }
        }
    }
    found
}
