//! Traces of a lot, and of what a batch is made of, as the command line and the page tell it.

use std::collections::{BTreeMap, BTreeSet};

use super::named::{TOLD, quoted};
use crate::journal::batch::standing;
use crate::journal::batch::summary::Summary;
use crate::journal::error::LogError;
use crate::journal::format::fault::BadLine;
use crate::journal::read::archive::{Archive, Progress};
use crate::language::{Sentence, phrase};
use crate::lots::kin::Kin;
use crate::lots::trace::{Reached, Use, Uses};
use crate::lots::{jars, uses_of};
use crate::mass::Mass;

/// What a trace needs of a batch.
#[derive(Debug)]
struct Traced {
    batch: String,
    uses: Vec<Use>,
    told: Told,
    jars: Jars,
}

/// What the table of a batch does not tell.
#[derive(Debug)]
struct Told {
    unnamed: Vec<Sentence>,
    /// What is to be said where it is closed and not complete.
    incomplete: Option<String>,
}

/// The jars of a batch.
#[derive(Debug, Clone)]
pub enum Jars {
    None,
    Planned(u32),
    /// Those that stand; none where every one was withdrawn.
    Filled(BTreeSet<usize>),
}

/// A step that a trace came to.
#[derive(Debug)]
pub struct Step {
    pub used: Use,
    /// Batches between it and what was asked for: 0 where there is none.
    pub depth: usize,
    /// Those of its batch.
    pub jars: Jars,
}

/// Both ways from one name.
#[derive(Debug)]
pub struct Trace {
    /// The lot or batch that is meant.
    pub name: String,
    /// What the batch of that name is made of; none where no batch has it.
    pub made_of: Option<Vec<Step>>,
    /// What its table does not tell, sentences.
    pub told: Vec<Sentence>,
    /// Other lots and batches that can be taken for it by eye, sentences.
    pub alike: Vec<Sentence>,
    /// What took from the lot or batch of that name.
    pub reached: Vec<Step>,
    /// The ingredients whose lot has that name.
    pub ingredients: Vec<String>,
}

/// Why there is no trace.
#[derive(Debug, thiserror::Error)]
pub enum TraceError {
    #[error("{}", self.told())]
    Unknown {
        name: String,
        /// The nearest names, or that there are none.
        near: Sentence,
    },
    #[error("{}", self.told())]
    OtherIngredient {
        name: String,
        ingredient: String,
        others: Vec<String>,
    },
}

impl TraceError {
    pub fn told(&self) -> Sentence {
        match self {
            TraceError::Unknown { name, near } => phrase!(
                "no batch is named {name} and none took from a lot {name}; {near}",
                name,
                near = near.clone(),
            ),
            TraceError::OtherIngredient {
                name,
                ingredient,
                others,
            } => phrase!(
                "no batch took {ingredient} from a lot {name}; it was named for {others}",
                ingredient,
                name,
                others = others.join(", "),
            ),
        }
    }
}

impl Trace {
    /// Of a lot or batch `name`, a lot of `ingredient` alone where that is told, by all logs of `archive`; and what is
    /// damaged of them. A batch is found by its log's name as well, where no lot has it. At most `threads` read at a
    /// time.
    ///
    /// # Errors
    /// When the folder or a log cannot be read.
    pub fn of(
        name: &str,
        ingredient: Option<&str>,
        archive: &Archive,
        threads: usize,
    ) -> Result<(Result<Trace, TraceError>, Vec<BadLine>), LogError> {
        let (mut kin, mut faults) = (Kin::default(), BTreeMap::new());
        let look = archive.look(threads, &Progress::default(), &mut |nth, batch, _| {
            kin.add(nth, batch);
            faults.extend(batch.fault.clone().map(|fault| (nth, fault)));
        })?;
        let mut traced = Vec::new();
        let take = &mut |_, batch: &Summary, _| traced.push(Traced::of(batch));
        look.again(kin.of(&[name, of_log(name)]).into_iter(), take);
        let mut trace = Trace::of_those(name, ingredient, traced, &kin);
        if let Ok(trace) = &mut trace {
            let (own, others) = kin.alike(&trace.name);
            let log = |nth: usize| look.paths.get(nth).map(|path| path.display().to_string());
            let own = own.and_then(log).unwrap_or_default();
            trace.alike = others
                .into_iter()
                .map(|(other, nth)| {
                    phrase!(
                        "\"{other}\" in {place} looks like \"{name}\" in {own} and is another: each is traced by itself",
                        other,
                        place = log(nth).unwrap_or_default(),
                        name = &trace.name,
                        own = &own,
                    )
                })
                .collect();
        }
        match look.unread.into_iter().next() {
            Some((_, error)) => Err(error),
            None => Ok((trace, faults.into_values().collect())),
        }
    }

    /// As [`Trace::of`], of the batches that it comes to, out of `kin`.
    fn of_those(
        name: &str,
        ingredient: Option<&str>,
        traced: Vec<Traced>,
        kin: &Kin,
    ) -> Result<Trace, TraceError> {
        let (mut uses, mut batches) = (Vec::new(), BTreeMap::new());
        let mut told = BTreeMap::new();
        for one in traced {
            uses.extend(one.uses);
            told.insert(one.batch.clone(), one.told);
            batches.insert(one.batch, one.jars);
        }
        let graph = Uses::new(&uses);
        let of_log = of_log(name);
        let name = match batches.contains_key(of_log) && graph.forward(name).is_empty() {
            true => of_log,
            false => name,
        };
        let others = graph.ingredients(name).into_iter().map(str::to_owned);
        let ingredients: Vec<String> = others.collect();
        let forward = match ingredient {
            Some(ingredient) => graph.forward_of(name, ingredient),
            None => graph.forward(name),
        };
        if let (Some(ingredient), [], [_, ..]) = (ingredient, forward.as_slice(), &*ingredients) {
            return Err(TraceError::OtherIngredient {
                name: name.to_owned(),
                ingredient: ingredient.to_owned(),
                others: ingredients,
            });
        }
        let step = |reached: &Reached<'_>| Step {
            used: reached.used.clone(),
            depth: reached.depth,
            jars: batches
                .get(&reached.used.batch)
                .map_or(Jars::None, Jars::clone),
        };
        let mut sentences = Vec::new();
        let made_of = batches.contains_key(name).then(|| graph.backward(name));
        if let Some(found) = &made_of {
            let lots = found.iter().map(|reached| reached.used.lot.as_str());
            for batch in BTreeSet::from_iter(lots.chain([name])) {
                if let Some(told) = told.get(batch) {
                    sentences.extend(told.of(batch));
                }
            }
        } else if forward.is_empty() {
            return Err(TraceError::Unknown {
                name: name.to_owned(),
                near: match kin.nearest(name, TOLD) {
                    near if near.is_empty() => phrase!("no batch was weighed there yet"),
                    near => phrase!("the nearest are {names}", names = quoted(&near)),
                },
            });
        }
        Ok(Trace {
            name: name.to_owned(),
            made_of: made_of.map(|found| found.iter().map(step).collect()),
            told: sentences,
            alike: Vec::new(),
            reached: forward.iter().map(step).collect(),
            ingredients,
        })
    }

    /// The batches that were reached, and the jars that were filled of them.
    pub fn reach(&self) -> (usize, usize) {
        let by_batch = self
            .reached
            .iter()
            .map(|step| (&step.used.batch, &step.jars));
        let by_batch = BTreeMap::from_iter(by_batch);
        let filled = by_batch.values().map(|jars| match jars {
            Jars::Filled(jars) => jars.len(),
            Jars::Planned(_) | Jars::None => 0,
        });
        (by_batch.len(), filled.sum())
    }
}

/// The name of a batch whose log is named so.
fn of_log(name: &str) -> &str {
    name.strip_suffix(".csv").unwrap_or(name)
}

impl Step {
    /// What of it came into the batch, where that is not all that was taken.
    pub fn reached(&self) -> Option<Mass> {
        let left = self.used.residue;
        (left != Mass::ZERO).then(|| self.used.net - left)
    }
}

impl Traced {
    fn of(batch: &Summary) -> Traced {
        let jars = match (batch.jars.is_empty(), batch.planned_jars) {
            (true, _) if batch.jars_replaced => Jars::Filled(BTreeSet::new()),
            (true, Some(planned)) => Jars::Planned(planned),
            (true, None) => Jars::None,
            (false, _) => Jars::Filled(jars::filled(&batch.jars)),
        };
        Traced {
            batch: batch.batch.clone(),
            uses: uses_of(batch).collect(),
            told: Told {
                unnamed: unnamed(batch),
                incomplete: batch.incomplete.clone(),
            },
            jars,
        }
    }
}

/// The ingredients that were weighed without a lot, with their net grams.
fn unnamed(batch: &Summary) -> Vec<Sentence> {
    let steps = batch.weighed().filter(|step| step.lot.is_empty());
    steps
        .map(|step| {
            let net = step.net.mass().grams(Mass::from_mg(10));
            phrase!(
                "{name} ({net} g, step {step})",
                name = &step.ingredient,
                net,
                step = step.number,
            )
        })
        .collect()
}

impl Told {
    /// Sentences, where the table alone would look whole.
    fn of(&self, batch: &str) -> Vec<Sentence> {
        let mut text = Vec::new();
        let unnamed = self.unnamed.iter().cloned();
        if let Some(found) = unnamed.reduce(|all, one| phrase!("{all}, {one}", all, one)) {
            text.push(phrase!(
                "Weighed in {batch} without a lot: {found}.",
                batch,
                found
            ));
        }
        if let Some(incomplete) = &self.incomplete {
            let incomplete = standing::told_of(incomplete);
            text.push(phrase!("Batch {batch} is {incomplete}.", batch, incomplete));
        }
        text
    }
}

impl Jars {
    /// Those recorded as filled, or else how many were planned.
    pub fn words(&self) -> Sentence {
        match self {
            Jars::None => "-".into(),
            Jars::Planned(jars) => phrase!("{jars} planned", jars = *jars),
            Jars::Filled(jars) if jars.is_empty() => phrase!("all withdrawn"),
            Jars::Filled(jars) if jars.len() == 1 => {
                phrase!("jar {jars}", jars = jars::in_words(jars))
            }
            Jars::Filled(jars) => phrase!("jars {jars}", jars = jars::in_words(jars)),
        }
    }
}
