//! A case: what it begins with, and what comes of it.

use std::collections::BTreeMap;

use super::mishap::{Mishap, Planned};
use super::person::{Early, Traits};
use super::room::Track;
use crate::config::Config;
use crate::formula::Plan;
use crate::language::Sentence;
use crate::mass::Mass;
use crate::rehearsal::scale::SimScaleSpec;
use crate::time::Moment;
use crate::vocabulary::command::Command;
use crate::vocabulary::entry::Draft;
use crate::vocabulary::progress::Progress;
use crate::vocabulary::response::Response;
use crate::weighing::event::Event;

/// Everything a case begins with; the same spec gives the same case.
#[derive(Debug, Clone)]
pub struct CaseSpec {
    pub config: Config,
    pub plan: Plan,
    pub scale: SimScaleSpec,
    pub traits: Traits,
    /// Name and empty weight of the clean beakers at hand; a name that begins `known` is that of a
    /// vessel of the configuration.
    pub rack: Vec<(String, Mass)>,
    /// The mixing bowl's empty weight.
    pub bowl: Mass,
    pub planned: Vec<Planned>,
    /// From then on nothing goes wrong any more, no air moves, and the person only obeys.
    pub calm: Option<Moment>,
    pub seed: u64,
    /// What an earlier batch learned of the scale.
    pub known: Option<Response>,
}

/// A row as it came to the disk.
#[derive(Debug, Clone, PartialEq)]
pub struct Written {
    pub seq: u64,
    /// The draft's moment in the time of the room.
    pub at: Moment,
    pub draft: Draft,
}

/// How one step went.
#[derive(Debug, Clone, PartialEq)]
pub struct StepStory {
    pub step: usize,
    pub begun: Moment,
    /// When its weight was first said to be recorded.
    pub recorded: Option<Moment>,
    /// When the next step began, or the case ended.
    pub until: Moment,
    /// Moves from its begin, or from the end of the fault, to the record.
    pub moves: u32,
    pub words: u32,
    /// Seconds from the last pour before the record to the record.
    pub waited: Option<f64>,
}

/// How a case ended.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum End {
    Closed {
        complete: bool,
    },
    /// More than [`super::run::MOST_MOVES`] moves without a weight (once it is calm: without getting
    /// any further); the sentence that stood.
    Stuck(String),
    /// Nothing was said, and the person knew of nothing to do; the sentence that stood.
    Silent(String),
    /// The batch did not begin.
    Refused(Sentence),
    TooLong,
}

/// What came of a case.
#[derive(Debug, Clone)]
pub struct Outcome {
    pub rows: Vec<Written>,
    pub tracks: BTreeMap<usize, Track>,
    pub stories: BTreeMap<usize, StepStory>,
    pub end: End,
    /// The step at which it ended.
    pub ended_in: usize,
    /// Sentences that a literal person could not follow.
    pub unclear: Vec<String>,
    /// Whether the person once had to answer what it could not know.
    pub guessed: bool,
    /// What went wrong, and when.
    pub done: Vec<(Planned, Moment)>,
    /// From when to when something lay where it does not belong.
    pub things: Vec<(Mishap, Moment, Moment)>,
    /// What went in before it was asked for.
    pub early: Vec<Early>,
    pub now: Moment,
    pub lines: u64,
    /// What was learned of the scale.
    pub learned: Option<Response>,
}

/// What happens in a case, for a print-out.
#[derive(Debug)]
pub enum Told<'a> {
    Event(&'a Event),
    Hands(&'a str),
    Word(&'a Command, &'a str),
    /// A row is on the disk.
    Row(&'a Written),
    /// The daemon is killed, or begins anew with this progress.
    Killed,
    Begun(&'a Progress),
    /// Nothing goes wrong from here on.
    Calm,
}
