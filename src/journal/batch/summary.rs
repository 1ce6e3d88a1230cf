//! One batch among thousands: what a lot's way, what is left of it and how weights spread are told from, without
//! the rows. Small, so that it can be kept beside the log it was made of.

use jiff::Timestamp;

use super::record::Record;
use super::standing::{Standing, skipped};
use crate::formula::Formula;
use crate::formula::amend::added_steps;
use crate::journal::format::cell::Grams;
use crate::journal::format::fault::BadLine;
use crate::journal::format::row::Row;
use crate::mass::Mass;
use crate::vocabulary::entry::{RowKind, Verdict};

/// What a log says of its batch, in short.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Summary {
    pub batch: String,
    /// The formula's name and version as the `formula` column has them.
    pub label: String,
    /// The name of the formula in the log, where it reads.
    pub formula: Option<String>,
    /// The formulas whose batches it names as ingredients, where it reads; each once.
    pub premixes: Vec<String>,
    pub opened_at: Option<Timestamp>,
    pub last_at: Option<Timestamp>,
    /// Whether nothing is under way: neither the weighing nor a filling.
    pub ended: bool,
    /// As [`Record::is_complete`].
    pub complete: bool,
    /// How far it is, where it is closed and not complete.
    pub incomplete: Option<String>,
    /// As [`Record::is_stopped`].
    pub stopped: bool,
    /// All that came into it.
    pub total: Mass,
    /// All of it that is in jars.
    pub jarred: Mass,
    pub planned_jars: Option<u32>,
    /// The jars that stand, as their rows number them.
    pub jars: Vec<usize>,
    /// Whether a jar was taken back or corrected.
    pub jars_replaced: bool,
    /// The steps that are done with, in their order.
    pub steps: Vec<Step>,
    /// As [`Record::fault`].
    pub fault: Option<BadLine>,
}

/// One step, weighed or left out, as it holds.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Step {
    pub number: usize,
    pub ingredient: String,
    pub lot: String,
    pub at: Timestamp,
    /// What was taken from the lot.
    pub net: Grams,
    pub target: Option<Grams>,
    /// What of it stayed in the vessel.
    pub residue: Option<Grams>,
    pub kind: StepKind,
    pub verdict: Option<Verdict>,
    /// Times that too much lay at rest in the vessel: `taken-out` rows, and a weight kept above its window.
    pub over_pours: u32,
    /// When what came before it ended: the opening, the step before it, a mixing.
    pub since: Option<Timestamp>,
}

/// What a step is to its formula.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub enum StepKind {
    #[default]
    Planned,
    /// An addition of a remedy, or of what stayed in the beaker: so small that its percent says nothing.
    Added,
    /// It was left out: nothing was weighed that could be off.
    Skipped,
}

impl Summary {
    /// What is wrong with its log but a torn end, which takes nothing from the rows before it.
    pub fn damage(&self) -> Option<&BadLine> {
        self.fault.as_ref().filter(|fault| !fault.is_torn())
    }

    /// The weighings that hold and have a weight.
    pub fn weighed(&self) -> impl Iterator<Item = &Step> {
        self.steps
            .iter()
            .filter(|step| step.kind != StepKind::Skipped)
    }
}

impl Record {
    /// The batch in short.
    pub fn summary(&self) -> Summary {
        self.summary_by(self.read_formula().and_then(Result::ok).as_ref())
    }

    /// As [`Record::summary`]; `formula` is what [`Record::read_formula`] reads.
    pub fn summary_by(&self, formula: Option<&Formula>) -> Summary {
        let standing = self.standing_by(formula);
        let mut premixes: Vec<String> = Vec::new();
        for premix in formula
            .into_iter()
            .flat_map(Formula::ingredients)
            .filter_map(|one| one.premix.as_ref())
        {
            if !premixes.contains(premix) {
                premixes.push(premix.clone());
            }
        }
        let added = added_steps(&self.amendments);
        let step = |row: &Row| {
            Some(Step {
                number: row.step,
                ingredient: row.ingredient.clone(),
                lot: row.lot.clone(),
                at: row.at,
                net: row.net?,
                target: row.target,
                residue: self.residue(row.step),
                kind: match skipped(row) {
                    Some(_) => StepKind::Skipped,
                    None if added.contains(&row.step) => StepKind::Added,
                    None => StepKind::Planned,
                },
                verdict: row.verdict,
                over_pours: self.over_pours(row),
                since: self.since(row),
            })
        };
        Summary {
            batch: self.batch.clone(),
            label: self.formula.clone(),
            formula: formula.map(|formula| formula.name.clone()),
            premixes,
            opened_at: self.opened_at,
            last_at: self.last_at,
            ended: self.ended,
            complete: standing == Standing::Complete,
            incomplete: match &standing {
                Standing::Incomplete(_) => Some(standing.to_string()),
                Standing::Open | Standing::Complete => None,
            },
            stopped: self.is_stopped(),
            total: self.total(),
            jarred: self.jarred(),
            planned_jars: self
                .opening
                .as_ref()
                .and_then(|opening| Some(opening.jars?.0)),
            jars: self.filled.iter().map(|row| row.step).collect(),
            jars_replaced: self.replaced.values().any(|kind| *kind == RowKind::Filled),
            steps: self.steps.values().filter_map(step).collect(),
            fault: self.fault.clone(),
        }
    }

    fn over_pours(&self, step: &Row) -> u32 {
        // A jar has a number of its own, which may be this step's too.
        let of_step = |row: &&Row| row.step == step.step && row.ingredient == step.ingredient;
        let taken_out = self.taken_out.iter().filter(of_step).count();
        let above = step
            .net
            .zip(step.high)
            .is_some_and(|(net, high)| net.mass() > high.mass());
        u32::try_from(taken_out).unwrap_or(u32::MAX - 1) + u32::from(above)
    }

    fn since(&self, step: &Row) -> Option<Timestamp> {
        let seq = self.weighed_by(step);
        let before = |other: &&Row| self.weighed_by(other) < seq;
        let steps = self.steps.values().filter(before);
        let mixed = self.mixed.iter().filter(|row| row.seq < seq);
        let ends = steps.map(|other| other.at).chain(mixed.map(|row| row.at));
        ends.chain(self.opened_at).max()
    }
}
