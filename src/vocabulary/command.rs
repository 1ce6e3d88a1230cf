//! A person's words: what can be told to the engine, and what is offered as an answer.

use crate::language::{Term, term};

/// What a person can tell the engine. When nothing waits for it, it does nothing.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Command {
    /// Mixed, seen, go on; or: yes, the vessel is tared.
    Next,
    /// Throw this step's weighing away and begin it anew.
    Again,
    /// Keep the weight that is on the scale although it is outside the window.
    Keep,
    /// The lot of the ingredient of this step.
    Lot(String),
    /// The lot of a step (by its number) that is weighed already: it was forgotten, or is another one.
    LotOf(usize, String),
    /// A remark for the log.
    Note(String),
    /// Change the plan so that an over-pour is mended.
    Remedy(Way),
    /// The emptied beaker of a step (by its number; else the last one) is put back.
    Residue(Option<usize>),
    /// Take back what was done last: a record, a lot, what stayed in a beaker.
    Undo,
    /// Leave this step out, for the reason given.
    Skip(String),
    /// Leave what was begun besides the steps (an emptied beaker that is waited for).
    Cancel,
    /// End the batch here.
    Stop,
}

/// An answer offered with a cue.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Choice {
    Next,
    Again,
    Keep,
    Undo,
    Cancel,
}

impl Choice {
    pub const ALL: [Choice; 5] = [
        Choice::Next,
        Choice::Again,
        Choice::Keep,
        Choice::Undo,
        Choice::Cancel,
    ];

    pub const fn name(self) -> &'static str {
        match self {
            Choice::Next => "next",
            Choice::Again => "again",
            Choice::Keep => "keep",
            Choice::Undo => "undo",
            Choice::Cancel => "cancel",
        }
    }

    /// The command that this answer stands for.
    pub const fn command(self) -> Command {
        match self {
            Choice::Next => Command::Next,
            Choice::Again => Command::Again,
            Choice::Keep => Command::Keep,
            Choice::Undo => Command::Undo,
            Choice::Cancel => Command::Cancel,
        }
    }
}

/// What can be done.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Way {
    Keep,
    InProportion,
    LeastAdded,
}

impl Way {
    pub const ALL: [Way; 3] = [Way::Keep, Way::InProportion, Way::LeastAdded];

    /// The word that chooses it, on the command line and in a capture.
    pub const fn word(self) -> &'static str {
        match self {
            Way::Keep => "keep",
            Way::InProportion => "in-proportion",
            Way::LeastAdded => "least-added",
        }
    }

    pub fn from_word(word: &str) -> Option<Way> {
        Way::ALL.into_iter().find(|way| way.word() == word)
    }

    pub const fn name(self) -> &'static str {
        self.said().english()
    }

    /// Its name in a sentence.
    pub const fn said(self) -> Term {
        match self {
            Way::Keep => term!("keep"),
            Way::InProportion => term!("in proportion"),
            Way::LeastAdded => term!("least added"),
        }
    }
}
