//! One bench: scales' bytes and a person's words in, events out. No I/O and no clock, so that the
//! daemon, `replay`, the demo and the tests run the very same code.
//!
//! Calling order: any number of inputs, then [`Bench::poll`] until it gives `None`. A row that comes
//! out as [`Event::Log`] must be written and synced, then answered with [`Bench::logged`] or
//! [`Bench::not_logged`]; only after that does the engine say that a weight is recorded.

use std::collections::HashMap;

use crate::config::Config;
use crate::formula::Plan;
use crate::mass::Mass;
use crate::scale::Moment;
use crate::weighing::event::{Command, Event, ScaleIndex};

/// What a log says of a batch that was begun: enough to go on with it.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Progress {
    /// Net weight recorded for each step so far, by step number; the last correction holds.
    pub weighed: HashMap<usize, Weighed>,
    /// Indices of phases whose mixing was confirmed.
    pub mixed: Vec<usize>,
    /// Lot by ingredient name.
    pub lots: HashMap<String, String>,
    /// Whether a `closed` row was read.
    pub closed: bool,
}

/// One recorded weight of a step.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Weighed {
    pub seq: u64,
    pub net: Mass,
}

/// Why a command was not taken; the text is for a person and says what to do.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{0}")]
pub struct Refused(pub String);

/// See the module's text.
#[derive(Debug)]
pub struct Bench {}

impl Bench {
    /// A bench with the configuration's scales and no batch.
    pub fn new(_config: &Config) -> Bench {
        todo!()
    }
    /// Begins `plan`, or goes on with it where `progress` says that it was begun before.
    pub fn begin(&mut self, _plan: Plan, _progress: Progress, _at: Moment) -> Result<(), Refused> {
        todo!()
    }
    /// Bytes from the scale's line, in any pieces. `at` is when they arrived.
    pub fn bytes(&mut self, _scale: ScaleIndex, _at: Moment, _bytes: &[u8]) {
        todo!()
    }
    /// The line to the scale is gone; the unfinished line is thrown away.
    pub fn lost(&mut self, _scale: ScaleIndex, _at: Moment) {
        todo!()
    }
    /// The line is back; its first, possibly cut, line will be thrown away.
    pub fn back(&mut self, _scale: ScaleIndex, _at: Moment) {
        todo!()
    }
    /// A person's word. `Ok` holds what it did, in one sentence; a command that nothing waits for
    /// is harmless and says so.
    pub fn command(&mut self, _command: Command, _at: Moment) -> Result<String, Refused> {
        todo!()
    }
    pub fn logged(&mut self, _ticket: u64, _seq: u64, _at: Moment) {
        todo!()
    }
    pub fn not_logged(&mut self, _ticket: u64, _why: String, _at: Moment) {
        todo!()
    }
    /// When [`Bench::tick`] is due, if nothing else comes first.
    pub fn deadline(&self) -> Option<Moment> {
        todo!()
    }
    /// Time has passed. Early, late and repeated calls do no harm.
    pub fn tick(&mut self, _at: Moment) {
        todo!()
    }
    /// The next event, in order.
    pub fn poll(&mut self) -> Option<Event> {
        todo!()
    }
    /// Whether [`Event::Reading`] is wanted (a listener is there).
    pub fn set_readings(&mut self, _wanted: bool) {
        todo!()
    }
    /// What is going on, for `bismar status`.
    pub fn status(&self) -> Status {
        todo!()
    }
}

/// What is going on at the bench.
#[derive(Debug, Clone, PartialEq, serde::Serialize, Default)]
pub struct Status {
    pub formula: Option<String>,
    pub step: Option<usize>,
    pub of: Option<usize>,
    pub phase: Option<String>,
    pub ingredient: Option<String>,
    /// Grams, as text.
    pub target: Option<String>,
    pub missing: Option<String>,
    /// The sentence of the last cue.
    pub say: Option<String>,
    pub tare: Option<String>,
    pub scales: Vec<ScaleStatus>,
}

#[derive(Debug, Clone, PartialEq, serde::Serialize, Default)]
pub struct ScaleStatus {
    pub name: String,
    /// open, silent, lost
    pub line: String,
    pub weight: Option<String>,
    pub unit: Option<String>,
    pub steady: bool,
    pub good_lines: u64,
    pub rejected_lines: u64,
}
