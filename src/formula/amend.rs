//! A plan that changes under way: a remedy after an over-pour, or what stayed in a beaker.
//!
//! The change is written into the log as it is chosen, so that the log alone still tells every step.

use std::collections::BTreeSet;
use std::sync::Arc;

use serde::{Deserialize, Serialize};

use super::remedy::{Part, Remedy};
use super::{Plan, PlannedPhase, Step};
use crate::language::remark::joined;
use crate::language::{Sentence, phrase, remark};
use crate::mass::Mass;
use crate::metrology::ScaleAbility;
use crate::vocabulary::command::Way;

/// Why a plan was changed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Cause {
    /// The others are raised to the formula's proportion.
    InProportion,
    /// The least is added that brings all inside their limits.
    LeastAdded,
    /// What stayed in the beaker is weighed once more.
    Residue,
    /// What usually stays in the beaker is weighed on top.
    Overweigh,
}

impl Cause {
    fn told(self) -> Sentence {
        match self {
            Cause::InProportion => remark!("in proportion"),
            Cause::LeastAdded => remark!("least added"),
            Cause::Residue => remark!("what stayed in the beaker"),
            Cause::Overweigh => remark!("overweigh for the beaker"),
        }
    }
}

/// One change of a plan. Masses are whole nanograms.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Amendment {
    pub cause: Cause,
    /// The number of the step that the added ones take.
    pub before: usize,
    /// Steps to add, in their order.
    #[serde(default)]
    pub add: Vec<Added>,
    /// Steps not weighed yet that get another target, by their number before the change.
    #[serde(default)]
    pub later: Vec<Retarget>,
    /// What is to be of each ingredient in the batch from now on, in the formula's order; empty where
    /// that stays as it was.
    #[serde(default)]
    pub parts: Vec<i64>,
}

/// A step to add.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Added {
    /// Index of the ingredient in the formula, from 0.
    pub part: usize,
    pub ng: i64,
}

/// A step with another target.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Retarget {
    pub step: usize,
    pub ng: i64,
}

/// Why a note that begins as that of an [`Amendment`] is none.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum NotAnAmendment {
    /// It is no JSON of one; why, and where in it.
    #[error("the change of the plan does not read: {0}")]
    Unread(String),
    #[error("the change of the plan is empty")]
    Empty,
}

impl From<NotAnAmendment> for Sentence {
    fn from(error: NotAnAmendment) -> Sentence {
        match error {
            NotAnAmendment::Unread(why) => {
                phrase!("the change of the plan does not read: {why}", why)
            }
            NotAnAmendment::Empty => phrase!("the change of the plan is empty"),
        }
    }
}

const NOTE: &str = "amended {";

impl Amendment {
    /// The text of the log row: for the program, and behind it for a person. `plan` is the one before
    /// the change, `d` the step in which grams are written. [`Amendment::of_note`] reads it.
    pub fn note(&self, plan: &Plan, d: Mass) -> String {
        // A struct of numbers always has a JSON form.
        let json = serde_json::to_string(self).unwrap_or_default();
        format!("amended {json} {}", self.words(plan, d))
    }

    fn words(&self, plan: &Plan, d: Mass) -> String {
        let mut words = self.cause.told();
        for added in &self.add {
            if let Some(part) = plan.parts.get(added.part) {
                let grams = Mass::from_ng(added.ng);
                let more = remark!(
                    "{grams} g {name} more",
                    grams = grams.grams(d),
                    name = &part.name
                );
                words = joined(words, more);
            }
        }
        for later in &self.later {
            if let Some(step) = plan.steps.iter().find(|step| step.number == later.step) {
                let instead = remark!(
                    "{grams} g {name} instead of {was} g",
                    grams = Mass::from_ng(later.ng).grams(d),
                    name = &step.ingredient,
                    was = step.target.grams(d)
                );
                words = joined(words, instead);
            }
        }
        words.into()
    }

    /// The change that a row's note holds, and its words for a person. `None` where it holds none.
    ///
    /// # Errors
    /// Why a note that begins as one is none.
    pub fn of_note(note: &str) -> Option<Result<(Amendment, &str), NotAnAmendment>> {
        let json = note.strip_prefix(NOTE).and(note.get(NOTE.len() - 1..))?;
        let mut read = serde_json::Deserializer::from_str(json).into_iter::<Amendment>();
        Some(match read.next() {
            Some(Ok(change)) => {
                let words = json.get(read.byte_offset()..).unwrap_or_default();
                Ok((change, words.trim()))
            }
            Some(Err(error)) => Err(NotAnAmendment::Unread(error.to_string())),
            None => Err(NotAnAmendment::Empty),
        })
    }
}

/// A row's note without what the program reads of it.
pub fn for_a_person(note: &str) -> &str {
    match Amendment::of_note(note) {
        Some(Ok((_, words))) => words,
        Some(Err(_)) | None => note,
    }
}

impl Plan {
    /// The coarsest readability of the scales it is weighed on: additions are whole steps of it.
    pub fn coarsest_step(&self, scales: &[ScaleAbility]) -> Mass {
        let used = self.steps.iter().filter_map(|step| scales.get(step.scale));
        let coarsest = used.map(|scale| scale.readability).max();
        coarsest.unwrap_or(ScaleAbility::ASSUMED_READABILITY)
    }

    /// The plan after a change. Steps that the change names and the plan lacks are left out: a log
    /// may be damaged, and no weight hangs on it.
    pub fn amended(&self, change: &Amendment) -> Plan {
        let mut plan = self.clone();
        for later in &change.later {
            let target = Mass::from_ng(later.ng);
            if let Some(step) = plan.steps.iter_mut().find(|s| s.number == later.step) {
                let step = Arc::make_mut(step);
                let by = target - step.target;
                step.target += by;
                step.lowest += by;
                step.highest += by;
            }
        }
        let at = change.before.saturating_sub(1).min(plan.steps.len());
        let mut added: Vec<Step> = change
            .add
            .iter()
            .filter_map(|added| plan.more_of(added.part, Mass::from_ng(added.ng)))
            .collect();
        if !added.is_empty() {
            plan.place(change.cause, at, &mut added);
        }
        plan.steps.splice(at..at, added.into_iter().map(Arc::new));
        for (i, step) in plan.steps.iter_mut().enumerate() {
            Arc::make_mut(step).number = i + 1;
        }
        if !change.parts.is_empty() {
            for (part, &ng) in plan.parts.iter_mut().zip(&change.parts) {
                part.target = Mass::from_ng(ng);
            }
            plan.batch = plan.parts.iter().map(|part| part.target).sum();
        }
        plan
    }

    /// What of each part is in the batch: what a step delivered by its number, else its target, which is
    /// still to be weighed.
    pub fn held(&self, delivered: impl Fn(usize) -> Option<Mass>) -> Vec<Part> {
        let one = |step: &Arc<Step>| match delivered(step.number) {
            Some(mass) => mass.max(Mass::ZERO),
            None => step.target,
        };
        let of = |part: usize| self.steps.iter().filter(move |step| step.part == part);
        (self.parts.iter().enumerate())
            .map(|(part, planned)| Part {
                held: of(part).map(one).sum(),
                ..planned.bounds
            })
            .collect()
    }

    /// One more weighing of a part. What is tolerated of the whole is tolerated of the addition,
    /// up to half of it.
    fn more_of(&self, part: usize, mass: Mass) -> Option<Step> {
        let planned = self.parts.get(part)?;
        let like = self.steps.iter().find(|step| step.part == part)?;
        (mass > Mass::ZERO).then(|| Step {
            target: mass,
            lowest: mass - planned.under.min(mass.ratio(1, 2)),
            highest: mass + planned.over,
            last_of_phase: false,
            ..Step::clone(like)
        })
    }

    /// Gives the added steps their phase: a remedy has one of its own, with its mixing; what stayed
    /// in a beaker goes into the phase before.
    fn place(&mut self, cause: Cause, at: usize, added: &mut [Step]) {
        let before = at.checked_sub(1).and_then(|i| self.steps.get_mut(i));
        let before = before.map(Arc::make_mut);
        let phase = match (cause, before) {
            (Cause::Residue, Some(before)) => {
                let phase = before.phase;
                if let Some(last) = added.last_mut() {
                    last.last_of_phase = std::mem::take(&mut before.last_of_phase);
                }
                phase
            }
            _ => {
                let earlier = self.phases.iter().filter(|p| p.name.starts_with(REMEDY));
                let name = match earlier.count() {
                    0 => remark!("Remedy"),
                    n => remark!("Remedy {number}", number = n + 1),
                };
                self.phases.push(PlannedPhase {
                    name: name.into(),
                    mix: Some(remark!("Stir in what was added until even").into()),
                });
                if let Some(last) = added.last_mut() {
                    last.last_of_phase = true;
                }
                self.phases.len() - 1
            }
        };
        for step in added {
            step.phase = phase;
        }
    }
}

const REMEDY: &str = "Remedy";

/// The numbers of the steps that `changes` added, as the last of them left the numbers.
pub fn added_steps(changes: &[Amendment]) -> BTreeSet<usize> {
    let mut added = BTreeSet::new();
    for change in changes {
        let count = change.add.len();
        let moved = |step: usize| {
            if step < change.before {
                step
            } else {
                step.saturating_add(count)
            }
        };
        added = added.into_iter().map(moved).collect();
        added.extend((0..count).map(|nth| change.before.saturating_add(nth)));
    }
    added
}

/// The change that brings `remedy`, worked out for `parts`, into a plan of which `before` is the number of
/// the next step; `is_done` tells by its number whether a step is weighed. What is still to be
/// weighed gets a larger target, the rest is added. `None` where nothing changes.
pub fn change_of(
    remedy: &Remedy,
    parts: &[Part],
    plan: &Plan,
    before: usize,
    is_done: impl Fn(usize) -> bool,
) -> Option<Amendment> {
    let cause = match remedy.way {
        Way::Keep => return None,
        Way::InProportion => Cause::InProportion,
        Way::LeastAdded => Cause::LeastAdded,
    };
    let mut change = Amendment {
        cause,
        before,
        add: Vec::new(),
        later: Vec::new(),
        parts: (parts.iter().zip(&remedy.add))
            .map(|(part, &more)| (part.held + more).ng())
            .collect(),
    };
    for (part, &mass) in remedy.add.iter().enumerate() {
        if mass <= Mass::ZERO {
            continue;
        }
        let to_come = plan
            .steps
            .iter()
            .find(|step| step.part == part && !is_done(step.number));
        match to_come {
            Some(step) => change.later.push(Retarget {
                step: step.number,
                ng: (step.target + mass).ng(),
            }),
            None => change.add.push(Added {
                part,
                ng: mass.ng(),
            }),
        }
    }
    Some(change)
}
