//! The history of one ingredient or of one formula.

use jiff::Timestamp;

pub use crate::journal::batch::summary::StepKind as Kind;
use crate::journal::batch::summary::{Step, Summary};
use crate::mass::Mass;
use crate::text::alike::same_name;
use crate::vocabulary::entry::Verdict;

/// One weighing that counts: the last of its step in its batch.
#[derive(Debug, Clone, PartialEq)]
pub struct Weighing {
    pub batch: String,
    pub formula: String,
    pub ingredient: String,
    pub step: usize,
    pub at: Timestamp,
    pub target: Mass,
    pub net: Mass,
    /// Grams as the log has them.
    pub shown: Shown,
    pub verdict: Option<Verdict>,
    /// Times that too much lay at rest in the vessel: `taken-out` rows, and a weight kept above its window.
    pub over_pours: u32,
    pub kind: Kind,
    /// From the row before that ended something (opened, weighed, mixed) to this one, seconds.
    pub seconds: f64,
}

/// The log's own digits; the deviation with its sign.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Shown {
    pub target: String,
    pub net: String,
    pub deviation: String,
}

impl Weighing {
    /// Net less target in percent of the target.
    pub fn percent_off(&self) -> f64 {
        100.0 * (self.net - self.target).to_g_f64() / self.target.to_g_f64()
    }
}

/// A batch's weighings, in the order of its steps.
#[derive(Debug, Clone, PartialEq)]
pub struct Gathered {
    pub weighings: Vec<Weighing>,
    pub opened: Option<Timestamp>,
    /// As [`Summary::complete`].
    pub complete: bool,
}

/// The weighings of a batch that hold. A step without a target has no deviation and is left out, as
/// is one whose weight was withdrawn.
pub fn gathered(batch: &Summary) -> Gathered {
    of_steps(batch, |_| true)
}

/// As [`gathered`], those alone that tell of an ingredient or a formula `name`.
pub fn gathered_of(batch: &Summary, name: &str) -> Gathered {
    let of_formula = is_formula(&batch.label, name);
    of_steps(batch, |step| {
        of_formula || same_name(&step.ingredient, name)
    })
}

fn of_steps(batch: &Summary, is_wanted: impl Fn(&Step) -> bool) -> Gathered {
    let wanted = batch.steps.iter().filter(|step| is_wanted(step));
    let mut weighings: Vec<Weighing> = wanted.filter_map(|step| weighing(batch, step)).collect();
    // Mostly one; thousands of batches have them.
    weighings.shrink_to_fit();
    Gathered {
        weighings,
        opened: batch.opened_at,
        complete: batch.complete,
    }
}

fn weighing(batch: &Summary, step: &Step) -> Option<Weighing> {
    let (target, net) = (step.target?, step.net);
    if target.mass() <= Mass::ZERO {
        return None;
    }
    let seconds = |before| step.at.duration_since(before).as_secs_f64();
    Some(Weighing {
        batch: batch.batch.clone(),
        formula: batch.label.clone(),
        ingredient: step.ingredient.clone(),
        step: step.number,
        at: step.at,
        target: target.mass(),
        net: net.mass(),
        shown: Shown {
            target: target.to_string(),
            net: net.to_string(),
            deviation: signed(&net.minus(target).to_string()),
        },
        verdict: step.verdict,
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
