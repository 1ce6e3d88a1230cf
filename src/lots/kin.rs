//! Kinship of batches, which took from which, by their names alone: small, so that among a hundred thousand those are
//! found that a trace comes to.

use std::borrow::Cow;
use std::collections::{BTreeSet, HashMap};

use super::named_steps;
use crate::journal::batch::summary::Summary;
use crate::text::alike::{looks_like, nearest, visible};

/// Batches and the lots they took from.
#[derive(Debug, Default)]
pub struct Kin {
    /// By the name as [`visible`] has it.
    numbers: HashMap<String, u32>,
    /// Each batch's number for the asker, and that of its name.
    batches: Vec<(usize, u32)>,
    /// A batch by its place, and the number of a lot it took from.
    taken: Vec<(u32, u32)>,
}

impl Kin {
    /// Adds a batch under a number of the asker's.
    pub fn add(&mut self, nth: usize, batch: &Summary) {
        let place = self.batches.len() as u32;
        let name = self.number(&batch.batch);
        self.batches.push((nth, name));
        let begin = self.taken.len();
        for step in named_steps(batch) {
            let lot = self.number(&step.lot);
            if !self
                .taken
                .iter()
                .skip(begin)
                .any(|(_, other)| *other == lot)
            {
                self.taken.push((place, lot));
            }
        }
    }

    fn number(&mut self, name: &str) -> u32 {
        let name = visible(name);
        if let Some(number) = self.numbers.get(name.as_ref()) {
            return *number;
        }
        let number = self.numbers.len() as u32;
        self.numbers.insert(name.into_owned(), number);
        number
    }

    /// At most `most` names of batches and lots, the nearest to `name` first.
    pub fn nearest(&self, name: &str, most: usize) -> Vec<&str> {
        let mut names: Vec<&str> = self.numbers.keys().map(String::as_str).collect();
        // Those that are equally near stand in one order, whatever was read first.
        names.sort_unstable();
        nearest(names.into_iter().filter(|one| !one.is_empty()), name, most)
    }

    /// Names of batches and lots that are not `name` and can be taken for it by eye, each with the number of the first
    /// batch that has it or took from it; and that of `name`.
    pub fn alike(&self, name: &str) -> (Option<usize>, Vec<(&str, usize)>) {
        let place = |number: u32| {
            let own = self.batches.iter().find(|(_, own)| *own == number);
            let took = || {
                let (at, _) = self.taken.iter().find(|(_, lot)| *lot == number)?;
                self.batches.get(*at as usize)
            };
            own.or_else(took).map(|(nth, _)| *nth)
        };
        let others = self.numbers.iter();
        let others = others.filter(|(other, _)| !other.is_empty() && looks_like(other, name));
        let others = others.filter_map(|(other, number)| Some((other.as_str(), place(*number)?)));
        let mut others: Vec<(&str, usize)> = others.collect();
        others.sort_unstable();
        let own = self.numbers.get(visible(name).as_ref());
        (own.and_then(|number| place(*number)), others)
    }

    /// The batches of these names, those that they are made of, those that took from a lot or batch of these names or
    /// from one that did; by the asker's numbers.
    pub fn of(&self, names: &[&str]) -> BTreeSet<usize> {
        let numbers = names.iter().map(|name| visible(name));
        let wanted: Vec<u32> = numbers
            .filter_map(|name: Cow<'_, str>| self.numbers.get(name.as_ref()).copied())
            .collect();
        let named = |place: u32| self.batches.get(place as usize).map(|(_, name)| *name);
        let places = (0..)
            .zip(&self.batches)
            .map(|(place, (_, name))| (*name, place));
        let mut found = BTreeSet::new();
        // Those of all steps are the most of it: not both at a time.
        {
            let taken = self.taken.iter().map(|(place, lot)| (*lot, *place));
            let by_lot = Groups::new(self.numbers.len(), taken);
            walk(self.numbers.len(), &wanted, |name, next| {
                for place in by_lot.of(name) {
                    found.insert(*place);
                    next.extend(named(*place));
                }
            });
        }
        let by_name = Groups::new(self.numbers.len(), places);
        let lots_of = Groups::new(self.batches.len(), self.taken.iter().copied());
        walk(self.numbers.len(), &wanted, |name, next| {
            for place in by_name.of(name) {
                found.insert(*place);
                next.extend(lots_of.of(*place));
            }
        });
        let asked = |place: u32| self.batches.get(place as usize).map(|(nth, _)| *nth);
        found.into_iter().filter_map(asked).collect()
    }
}

/// Goes from each name to the next ones that `step` gives; to each of `count` names once.
fn walk(count: usize, from: &[u32], mut step: impl FnMut(u32, &mut Vec<u32>)) {
    let mut seen = vec![false; count];
    let (mut waiting, mut next) = (from.to_vec(), Vec::new());
    while let Some(name) = waiting.pop() {
        match seen.get_mut(name as usize) {
            Some(seen) if !*seen => *seen = true,
            Some(_) | None => continue,
        }
        step(name, &mut next);
        waiting.append(&mut next);
    }
}

/// What belongs to each number, all in one place.
struct Groups {
    /// Where those of a number begin; one more for the end.
    begins: Vec<usize>,
    all: Vec<u32>,
}

impl Groups {
    fn new(count: usize, pairs: impl Iterator<Item = (u32, u32)> + Clone) -> Groups {
        let mut begins = vec![0; count + 1];
        for (key, _) in pairs.clone() {
            if let Some(after) = begins.get_mut(key as usize + 1) {
                *after += 1;
            }
        }
        let mut sum = 0;
        for begin in &mut begins {
            sum += *begin;
            *begin = sum;
        }
        let mut all = vec![0; sum];
        let mut free = begins.clone();
        for (key, one) in pairs {
            if let Some(at) = free.get_mut(key as usize)
                && let Some(place) = all.get_mut(*at)
            {
                *place = one;
                *at += 1;
            }
        }
        Groups { begins, all }
    }

    fn of(&self, key: u32) -> &[u32] {
        let key = key as usize;
        let bound = |key: usize| self.begins.get(key).copied().unwrap_or(self.all.len());
        self.all.get(bound(key)..bound(key + 1)).unwrap_or_default()
    }
}
