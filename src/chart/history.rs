//! What many batches say of one ingredient or of one formula.

use std::collections::BTreeMap;

use jiff::Timestamp;

use crate::batch::row::Row;
use crate::mass::Mass;
use crate::weighing::event::{RowKind, Verdict};

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

/// Takes the rows of one batch in order and gives its weighings.
#[derive(Debug, Default)]
pub struct Gather {
    weighed: BTreeMap<usize, Weighing>,
    /// Step of each weighed row, for the rows that correct one.
    step_of: BTreeMap<u64, usize>,
    over: BTreeMap<usize, u32>,
    since: Option<Timestamp>,
    opened: Option<Timestamp>,
    closed: bool,
}

/// A batch's weighings, in the order of its steps.
#[derive(Debug, Clone, PartialEq)]
pub struct Gathered {
    pub weighings: Vec<Weighing>,
    pub opened: Option<Timestamp>,
    /// Whether the log has its `closed` row.
    pub closed: bool,
}

impl Gather {
    pub fn add(&mut self, row: &Row) {
        match row.kind {
            RowKind::Opened => {
                self.opened.get_or_insert(row.at);
                self.since = Some(row.at);
            }
            RowKind::TakenOut => *self.over.entry(row.step).or_default() += 1,
            RowKind::Mixed => self.since = Some(row.at),
            RowKind::Weighed => self.weigh(row),
            RowKind::Closed => self.closed = true,
            RowKind::ScaleCheck
            | RowKind::Remedy
            | RowKind::Residue
            | RowKind::Filled
            | RowKind::Note => {}
        }
    }

    fn weigh(&mut self, row: &Row) {
        let corrected = crate::batch::resume::corrects(&row.note);
        let step = corrected
            .and_then(|seq| self.step_of.get(&seq).copied())
            .unwrap_or(row.step);
        self.step_of.insert(row.seq, step);
        let (Some(target), Some(net)) = (row.target, row.net) else {
            if corrected.is_some() {
                self.weighed.remove(&step);
            }
            return;
        };
        let since = self.since.replace(row.at).unwrap_or(row.at);
        // Without a target there is no deviation.
        if step == 0 || target.mass() <= Mass::ZERO {
            return;
        }
        let above = row.high.is_some_and(|high| net.mass() > high.mass());
        let weighing = Weighing {
            batch: row.batch.clone(),
            formula: row.formula.clone(),
            ingredient: row.ingredient.clone(),
            step,
            at: row.at,
            target: target.mass(),
            net: net.mass(),
            shown: Shown {
                target: target.to_string(),
                net: net.to_string(),
                deviation: signed(&net.minus(target).to_string()),
            },
            verdict: row.verdict,
            over_pours: u32::from(above),
            seconds: row.at.duration_since(since).as_secs_f64(),
        };
        self.weighed.insert(step, weighing);
    }

    pub fn finish(mut self) -> Gathered {
        for (step, weighing) in &mut self.weighed {
            weighing.over_pours += self.over.get(step).copied().unwrap_or(0);
        }
        Gathered {
            weighings: self.weighed.into_values().collect(),
            opened: self.opened,
            closed: self.closed,
        }
    }
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
    let same = |text: &str| text.to_lowercase() == name.trim().to_lowercase();
    let bare = cell.rsplit_once(' ').map_or(cell, |(bare, _)| bare);
    same(cell) || same(bare)
}
