//! What many batches say of one ingredient or of one formula.

use jiff::Timestamp;

use crate::formula::amend::added_steps;
use crate::journal::batch::record::Record;
use crate::journal::batch::standing::skipped;
use crate::journal::format::row::Row;
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

/// What a weighing is to a chart.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    Planned,
    /// An addition of a remedy, or of what stayed in the beaker: so small that its percent says nothing.
    Added,
    /// It was left out: nothing was weighed that could be off.
    Skipped,
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
    /// As [`Record::is_complete`].
    pub complete: bool,
}

/// The weighings of a batch that hold. A step without a target has no deviation and is left out, as
/// is one whose weight was withdrawn.
pub fn gathered(record: &Record) -> Gathered {
    let steps = record.steps.values();
    let added = added_steps(&record.amendments);
    let kind = |step: &Row| match skipped(step) {
        Some(_) => Kind::Skipped,
        None if added.contains(&step.step) => Kind::Added,
        None => Kind::Planned,
    };
    let weighings = steps.filter_map(|step| weighing(record, step, kind(step)));
    Gathered {
        weighings: weighings.collect(),
        opened: record.opened_at,
        complete: record.is_complete(),
    }
}

fn weighing(record: &Record, step: &Row, kind: Kind) -> Option<Weighing> {
    let (target, net) = (step.target?, step.net?);
    if target.mass() <= Mass::ZERO {
        return None;
    }
    // A jar has a number of its own, which may be this step's too.
    let of_step = |row: &&Row| row.step == step.step && row.ingredient == step.ingredient;
    let taken_out = record.taken_out.iter().filter(of_step);
    let above = step.high.is_some_and(|high| net.mass() > high.mass());
    Some(Weighing {
        batch: record.batch.clone(),
        formula: record.formula.clone(),
        ingredient: step.ingredient.clone(),
        step: step.step,
        at: step.at,
        target: target.mass(),
        net: net.mass(),
        shown: Shown {
            target: target.to_string(),
            net: net.to_string(),
            deviation: signed(&net.minus(target).to_string()),
        },
        verdict: step.verdict,
        over_pours: u32::try_from(taken_out.count()).unwrap_or(u32::MAX - 1) + u32::from(above),
        kind,
        seconds: since(record, step)
            .map_or(0.0, |before| step.at.duration_since(before).as_secs_f64()),
    })
}

/// When what came before this weighing ended: the opening, the step before it, a mixing.
fn since(record: &Record, step: &Row) -> Option<Timestamp> {
    let steps = record.steps.values().filter(|other| other.seq < step.seq);
    let mixed = record.mixed.iter().filter(|row| row.seq < step.seq);
    let ends = steps.map(|other| other.at).chain(mixed.map(|row| row.at));
    ends.chain(record.opened_at).max()
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
