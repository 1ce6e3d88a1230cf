//! The history of one ingredient or of one formula.

use std::collections::HashSet;
use std::sync::Arc;

use jiff::Timestamp;

pub use crate::journal::batch::summary::StepKind as Kind;
use crate::journal::batch::summary::{Step, Summary};
use crate::journal::format::cell::Grams;
use crate::mass::Mass;
use crate::text::alike::same_name;

/// One weighing that counts: the last of its step in its batch. Small: there are hundreds of thousands.
#[derive(Debug, Clone, PartialEq)]
pub struct Weighing {
    pub ingredient: Arc<str>,
    pub step: u32,
    /// As the log has it; so is the net weight.
    pub target: Grams,
    pub net: Grams,
    /// Times that too much lay at rest in the vessel: `taken-out` rows, and a weight kept above its window.
    pub over_pours: u32,
    pub kind: Kind,
    /// From the row before that ended something (opened, weighed, mixed) to this one, seconds.
    pub seconds: f64,
}

impl Weighing {
    /// Net less target in percent of the target.
    pub fn percent_off(&self) -> f64 {
        let (net, target) = (self.net.mass(), self.target.mass());
        100.0 * (net - target).to_g_f64() / target.to_g_f64()
    }

    /// Net less target with its sign, in the log's own digits.
    pub fn deviation(&self) -> String {
        signed(&self.net.minus(self.target).to_string())
    }
}

/// A batch's weighings, in the order of its steps.
#[derive(Debug, Clone, PartialEq)]
pub struct Gathered {
    pub batch: Box<str>,
    /// Its name and version.
    pub formula: Arc<str>,
    pub weighings: Box<[Weighing]>,
    pub opened: Option<Timestamp>,
    /// As [`Summary::complete`].
    pub complete: bool,
}

/// Names that many weighings and batches have in common, each held once.
#[derive(Debug, Default)]
pub struct Names(HashSet<Arc<str>>);

impl Names {
    /// The name as it is held, and whether it is new.
    pub fn held(&mut self, name: &str) -> (Arc<str>, bool) {
        if let Some(held) = self.0.get(name) {
            return (Arc::clone(held), false);
        }
        let held: Arc<str> = name.into();
        self.0.insert(Arc::clone(&held));
        (held, true)
    }
}

/// The weighings of a batch that hold and tell of an ingredient or a formula `name`. A step without a target has no
/// deviation and is left out, as is one whose weight was withdrawn.
pub fn gathered_of(batch: &Summary, name: &str, names: &mut Names) -> Gathered {
    let of_formula = is_formula(&batch.label, name);
    let wanted = batch.steps.iter();
    let wanted = wanted.filter(|step| of_formula || same_name(&step.ingredient, name));
    Gathered {
        weighings: wanted.filter_map(|step| weighing(step, names)).collect(),
        batch: batch.batch.as_str().into(),
        formula: names.held(&batch.label).0,
        opened: batch.opened_at,
        complete: batch.complete,
    }
}

/// Whether a step is one of those that [`gathered_of`] gives.
pub fn counts(step: &Step) -> bool {
    step.target.is_some_and(|target| target.mass() > Mass::ZERO)
}

fn weighing(step: &Step, names: &mut Names) -> Option<Weighing> {
    let target = step.target.filter(|_| counts(step))?;
    let seconds = |before| step.at.duration_since(before).as_secs_f64();
    Some(Weighing {
        ingredient: names.held(&step.ingredient).0,
        step: u32::try_from(step.number).unwrap_or(u32::MAX),
        target,
        net: step.net,
        over_pours: step.over_pours,
        kind: step.kind,
        seconds: step.since.map_or(0.0, seconds),
    })
}

/// With a plus where it is more than nothing.
pub fn signed(off: &str) -> String {
    let nothing = off.bytes().all(|b| matches!(b, b'0' | b'.'));
    if off.starts_with('-') || nothing {
        off.to_owned()
    } else {
        format!("+{off}")
    }
}

/// Whether a log's formula cell (name and version) is of the formula `name`, in any version; the case
/// of letters does not matter. The whole cell is taken as well.
pub fn is_formula(cell: &str, name: &str) -> bool {
    let same = |text: &str| same_name(text, name);
    same(cell) || same(bare(cell))
}

/// A log's formula cell without its last word, which is the version where there is one.
pub fn bare(cell: &str) -> &str {
    cell.rsplit_once(' ').map_or(cell, |(bare, _)| bare)
}
