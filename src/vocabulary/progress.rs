//! Progress of a batch that was begun, and refusals.

use std::collections::{BTreeMap, HashMap};

use super::code::Help;
use super::entry::{Draft, Verdict};
use crate::language::{Sentence, phrase};
use crate::mass::Mass;

/// What a log says of a batch that was begun: enough to go on with it.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Progress {
    /// Net weight recorded for each step so far, by step number; the last correction holds.
    pub weighed: HashMap<usize, Weighed>,
    /// Indices of phases whose mixing was confirmed.
    pub mixed: Vec<usize>,
    /// Lot by ingredient name.
    pub lots: BTreeMap<String, String>,
    /// The row of each step's weight, by step number, without what it corrects.
    pub rows: HashMap<usize, Draft>,
    /// What stayed in the beaker, by step number.
    pub residues: HashMap<usize, Mass>,
    /// What the vessel of a recorded step weighed without its ingredient, by step number.
    pub tares: HashMap<usize, Mass>,
    /// What the bowl weighed with all that was recorded in it, by step number.
    pub bowls: HashMap<usize, Mass>,
    /// The batch was begun before, whatever was recorded of it.
    pub resumed: bool,
    /// Whether a `closed` row was read.
    pub closed: bool,
}

/// One recorded weight of a step.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Weighed {
    pub seq: u64,
    pub net: Mass,
    /// `None` where the weight is too unsure for one.
    pub verdict: Option<Verdict>,
}

/// What is recorded of a step, and of which lot: an empty one is none.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Recorded {
    pub ingredient: String,
    pub lot: String,
    pub net: Mass,
}

impl Weighed {
    /// Whether it tells of a step that was left out: nothing, which no weighing records.
    pub fn is_left_out(&self) -> bool {
        self.net == Mass::ZERO
    }
}

/// How many steps were left out, as it stands behind how many were weighed; nothing where none was.
pub fn left_out_beside(steps: usize) -> Sentence {
    match steps {
        0 => Sentence::none(),
        some => phrase!(", {some} left out", some),
    }
}

/// Why a command was not taken; the text is for a person and says what to do.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{say}")]
pub struct Refused {
    pub say: Sentence,
    pub help: Option<Help>,
}

impl Refused {
    pub fn new(say: impl Into<Sentence>) -> Refused {
        Refused {
            say: say.into(),
            help: None,
        }
    }

    pub fn helped(say: impl Into<Sentence>, help: Help) -> Refused {
        Refused {
            say: say.into(),
            help: Some(help),
        }
    }
}
