//! A stocktake of the lots over many batches, added up batch by batch: it grows with the lots and the batches, and not
//! with what was weighed.

use std::collections::{HashMap, HashSet};

use jiff::Timestamp;

use super::stock::Made;
use super::trace::Use;
use super::{named_steps, uses_of};
use crate::journal::batch::summary::Summary;
use crate::mass::Mass;
use crate::text::alike::same_name;

/// What was taken of each lot, and what was made.
#[derive(Debug, Default)]
pub struct Stocktake {
    /// By lot and ingredient as they were named.
    taken: HashMap<String, HashMap<String, Mass>>,
    /// By the formula's name, each with its batch's number; `None` where the batches of that formula are not wanted.
    made: HashMap<String, Option<Vec<(usize, Batch)>>>,
    /// The only formulas whose batches are wanted.
    wanted: Option<Vec<String>>,
    /// The formulas that another one names as its premix.
    premixes: HashSet<String>,
    /// The batch whose uses are not added up, and those.
    apart: Option<String>,
    uses_apart: Vec<Use>,
}

/// As [`Made`], without the formula: there are as many as logs.
#[derive(Debug)]
struct Batch {
    name: Box<str>,
    mass: Mass,
    opened_at: Option<Timestamp>,
}

impl Stocktake {
    /// One that keeps the uses of the batch `apart` as they are, and of what was made the batches of the formulas
    /// `wanted` alone.
    pub fn apart(batch: Option<&str>, wanted: &[String]) -> Stocktake {
        Stocktake {
            apart: batch.map(str::to_owned),
            wanted: Some(wanted.to_vec()),
            ..Stocktake::default()
        }
    }

    /// Adds a batch; what was made is told in the order of the numbers.
    pub fn add(&mut self, nth: usize, batch: &Summary) {
        if let Some(made) = Made::of(batch) {
            let of_formula = self.made.entry(made.formula).or_insert_with_key(|formula| {
                let is_it = |wanted: &Vec<String>| wanted.iter().any(|one| same_name(one, formula));
                self.wanted.as_ref().is_none_or(is_it).then(Vec::new)
            });
            if let Some(of_formula) = of_formula {
                let batch = Batch {
                    name: made.batch.into(),
                    mass: made.mass,
                    opened_at: made.opened_at,
                };
                of_formula.push((nth, batch));
            }
        }
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

    /// The complete batches that are wanted, in the order of their numbers.
    pub fn made(&self) -> Vec<Made> {
        without_numbers(self.made_of(|_, _| true))
    }

    /// The batches that are lots of others: those that others took from, and those of a formula that another
    /// one names as its premix.
    pub fn premixes(&self) -> Vec<Made> {
        without_numbers(self.sources(&[]))
    }

    /// As [`Stocktake::premixes`], with those of the formulas `wanted`; each with its number.
    pub fn sources(&self, wanted: &[&str]) -> Vec<(usize, Made)> {
        let own = |used: &Use, batch: &str| used.lot == batch;
        self.made_of(|formula, batch| {
            self.premixes.contains(formula)
                || self.taken.contains_key(batch)
                || self.uses_apart.iter().any(|used| own(used, batch))
                || wanted.iter().any(|one| same_name(one, formula))
        })
    }

    fn made_of(&self, is_it: impl Fn(&str, &str) -> bool) -> Vec<(usize, Made)> {
        let mut made = Vec::new();
        for (formula, batches) in &self.made {
            let batches = batches.iter().flatten();
            let batches = batches.filter(|(_, batch)| is_it(formula, &batch.name));
            made.extend(batches.map(|(nth, batch)| {
                let batch = Made {
                    batch: batch.name.to_string(),
                    formula: formula.clone(),
                    mass: batch.mass,
                    opened_at: batch.opened_at,
                };
                (*nth, batch)
            }));
        }
        made.sort_by_key(|(nth, _)| *nth);
        made
    }
}

fn without_numbers(made: Vec<(usize, Made)>) -> Vec<Made> {
    made.into_iter().map(|(_, made)| made).collect()
}
