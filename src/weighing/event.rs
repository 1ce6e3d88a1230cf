//! Inputs of the weighing engine, and the events that come out of it.

use crate::language::Sentence;
use crate::mass::Mass;
use crate::vocabulary::code::{FaultCode, Stands};
use crate::vocabulary::command::Command;
use crate::vocabulary::cue::Cue;
use crate::vocabulary::entry::{Draft, Verdict};
use crate::vocabulary::reading::Reading;
use crate::vocabulary::reading::ScaleIndex;

/// Something that happened, for [`super::Engine::handle`].
#[derive(Debug, Clone, PartialEq)]
pub enum Input {
    Reading(Reading),
    /// The scale says there is too much on it.
    Overload,
    /// The scale says it is below its range.
    Underload,
    /// The scale spoke, and gave no weight.
    Alive,
    /// It gave a number without a unit, whose weight is not known yet, or no more.
    NoUnit,
    /// A line came that could not be read: what it showed is not known.
    Unread,
    /// The line to the scale is gone (unplugged, switched off).
    Lost,
    /// The line is back.
    Back,
    /// A person's word, from the command line, a shortcut or a notification's button.
    Command(Command),
    /// The shell wrote and synced the row of the draft with this ticket.
    Logged {
        ticket: u64,
        seq: u64,
    },
    /// The shell could not write it; `why` is for a person.
    NotLogged {
        ticket: u64,
        why: Sentence,
    },
}

/// Something the engine says.
#[derive(Debug, Clone, PartialEq)]
pub enum Event {
    /// Tell the maker.
    Cue(Cue),
    /// A reading as the engine sees it (only while somebody listens, see [`super::Engine::set_readings`]).
    Reading(Live),
    /// Write this row, sync it, answer with [`Input::Logged`].
    Log(Box<Draft>),
    /// The row of a weight is on the disk.
    Recorded {
        step: usize,
        ingredient: String,
        net: Mass,
        verdict: Option<Verdict>,
        seq: u64,
        readability: Mass,
    },
    /// A step began.
    Step {
        step: usize,
        of: usize,
        phase: String,
        ingredient: String,
        target: Mass,
        low: Mass,
        high: Mass,
        scale: ScaleIndex,
    },
    /// Something went wrong or came right again.
    Fault {
        scale: Option<ScaleIndex>,
        code: FaultCode,
        over: bool,
    },
    /// Where the step stands with its tare.
    Tare { state: Stands, tare: Option<Mass> },
    /// The batch is over.
    Closed { complete: bool },
}

/// One live reading.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Live {
    pub scale: ScaleIndex,
    /// What the scale shows.
    pub weight: Mass,
    /// Net of the running step, when a vessel is tared.
    pub net: Option<Mass>,
    /// What is still to add (negative: too much).
    pub missing: Option<Mass>,
    pub steady: bool,
    pub readability: Mass,
}
