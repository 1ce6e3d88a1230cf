//! Cues: what the maker is told.

use super::command::Choice;
use crate::language::Sentence;
use crate::mass::Mass;

/// What a cue asks for. The names are those of the events' `cue` field.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum CueKind {
    Place,
    Add,
    EaseOff,
    Hold,
    TakeOut,
    Lift,
    Mix,
    Choose,
    Fault,
    Done,
}

impl CueKind {
    pub const ALL: [CueKind; 10] = [
        CueKind::Place,
        CueKind::Add,
        CueKind::EaseOff,
        CueKind::Hold,
        CueKind::TakeOut,
        CueKind::Lift,
        CueKind::Mix,
        CueKind::Choose,
        CueKind::Fault,
        CueKind::Done,
    ];

    pub const fn name(self) -> &'static str {
        match self {
            CueKind::Place => "place",
            CueKind::Add => "add",
            CueKind::EaseOff => "ease-off",
            CueKind::Hold => "hold",
            CueKind::TakeOut => "take-out",
            CueKind::Lift => "lift",
            CueKind::Mix => "mix",
            CueKind::Choose => "choose",
            CueKind::Fault => "fault",
            CueKind::Done => "done",
        }
    }
}

/// One thing to tell the maker.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Cue {
    pub kind: CueKind,
    /// The sentence a person reads or hears: a short imperative, the number first when pouring.
    pub say: Sentence,
    /// The step it is about, from 1; 0 outside a step.
    pub step: usize,
    /// What is missing (positive) or too much (negative), where a number belongs to the cue.
    pub missing: Option<Mass>,
    /// The commands that answer it, for buttons; empty when none is asked for.
    pub choices: Vec<Choice>,
    /// Whether it must not be missed (an over-pour, a fault): urgency critical, never transient.
    pub urgent: bool,
    /// So many characters of the sentence are the amount that it begins with, its unit and a space; 0
    /// where it begins with something else. Who shows a live amount beside it can leave them out.
    pub lead: usize,
    /// What else answers it, that takes more than a word.
    pub asks: Option<Ask>,
}

/// An answer that takes more than a word. How it is given each output says in its own way.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Ask {
    /// The lot of the step's ingredient.
    Lot,
    /// One of the remedies for an over-pour.
    Remedy,
    /// Of a newer version.
    #[serde(other)]
    Other,
}
