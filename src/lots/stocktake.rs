//! A stocktake of the lots over many batches, added up batch by batch: it grows with the lots and the batches, and not
//! with what was weighed.

use std::collections::{HashMap, HashSet};

use super::stock::Made;
use super::trace::Use;
use super::{named_steps, uses_of};
use crate::journal::batch::summary::Summary;
use crate::mass::Mass;

/// What was taken of each lot, and what was made.
#[derive(Debug, Default)]
pub struct Stocktake {
    /// By lot and ingredient as they were named.
    taken: HashMap<String, HashMap<String, Mass>>,
    /// Each with its batch's number.
    made: Vec<(usize, Made)>,
    /// The formulas that another one names as its premix.
    premixes: HashSet<String>,
    /// The batch whose uses are not added up, and those.
    apart: Option<String>,
    uses_apart: Vec<Use>,
}

impl Stocktake {
    /// One that keeps the uses of the batch `apart` as they are.
    pub fn apart(batch: Option<&str>) -> Stocktake {
        Stocktake {
            apart: batch.map(str::to_owned),
            ..Stocktake::default()
        }
    }

    pub fn of(batches: &[Summary]) -> Stocktake {
        let mut all = Stocktake::default();
        for (nth, batch) in batches.iter().enumerate() {
            all.add(nth, batch);
        }
        all
    }

    /// Adds a batch; what was made is told in the order of the numbers.
    pub fn add(&mut self, nth: usize, batch: &Summary) {
        self.made.extend(Made::of(batch).map(|made| (nth, made)));
        for premix in &batch.premixes {
            if !self.premixes.contains(premix) {
                self.premixes.insert(premix.clone());
            }
        }
        if self.apart.as_ref() == Some(&batch.batch) {
            self.uses_apart.extend(uses_of(batch));
            return;
        }
        for step in named_steps(batch) {
            let net = step.net.mass();
            let of_lot = match self.taken.get_mut(&step.lot) {
                Some(of_lot) => of_lot,
                None => self.taken.entry(step.lot.clone()).or_default(),
            };
            match of_lot.get_mut(&step.ingredient) {
                Some(sum) => *sum += net,
                None => {
                    of_lot.insert(step.ingredient.clone(), net);
                }
            }
        }
    }

    /// What was taken, one use for each ingredient of a lot, without a batch; those of the batch apart as they are.
    pub fn uses(&self) -> Vec<Use> {
        let mut uses = self.uses_apart.clone();
        for (lot, of_lot) in &self.taken {
            uses.extend(of_lot.iter().map(|(ingredient, net)| Use {
                batch: String::new(),
                step: 0,
                ingredient: ingredient.clone(),
                lot: lot.clone(),
                net: *net,
                residue: Mass::ZERO,
            }));
        }
        uses
    }

    /// The complete batches that `wanted` wants, in the order of their numbers.
    pub fn made(&self, wanted: impl Fn(&Made) -> bool) -> Vec<Made> {
        let mut made: Vec<&(usize, Made)> =
            self.made.iter().filter(|(_, one)| wanted(one)).collect();
        made.sort_by_key(|(nth, _)| *nth);
        made.into_iter().map(|(_, made)| made.clone()).collect()
    }

    /// The batches that are lots of others: those that others took from, and those of a formula that another
    /// one names as its premix.
    pub fn premixes(&self) -> Vec<Made> {
        let own = |used: &Use, batch: &str| used.lot == batch;
        self.made(|made| {
            self.taken.contains_key(&made.batch)
                || self.uses_apart.iter().any(|used| own(used, &made.batch))
                || self.premixes.contains(&made.formula)
        })
    }
}
