//! Status: what is going on at the bench, as text and numbers.

use super::code::{LineState, Stands};
use super::weight::Weight;
use crate::language::{Language, Sentence, remark};

/// What is going on at the bench.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize, Default)]
#[serde(default)]
pub struct Status {
    pub formula: Option<String>,
    pub step: Option<usize>,
    pub of: Option<usize>,
    pub phase: Option<String>,
    pub ingredient: Option<String>,
    pub target: Option<Weight>,
    /// The window that is recorded.
    pub low: Option<Weight>,
    pub high: Option<Weight>,
    /// The lot that was named for this step's ingredient.
    pub lot: Option<String>,
    /// Whether the step waits for a lot before it is recorded.
    pub lot_required: Option<bool>,
    /// The steps after this one, at most two.
    pub ahead: Vec<Ahead>,
    pub missing: Option<Weight>,
    /// What the step was recorded with, while its vessel still stands there.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub net: Option<Weight>,
    /// The sentence of the last cue, also of a batch that is over; the others are of one under way.
    pub say: Option<Sentence>,
    /// Where the step stands, for a person.
    pub tare: Option<Sentence>,
    /// The same for a program.
    pub state: Option<Stands>,
    /// What an undo would take back, in words; `None` where nothing is left to take back.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub undo: Option<Sentence>,
    pub scales: Vec<ScaleStatus>,
}

impl Status {
    /// With its sentences as they are shown.
    #[must_use]
    pub fn in_language(mut self, language: Language) -> Status {
        for said in [&mut self.say, &mut self.tare, &mut self.undo] {
            *said = said.take().map(|said| said.put_into(language));
        }
        // That of a remedy is called by bismar.
        self.phase = (self.phase).map(|phase| remark::told(&phase).in_language(language));
        self
    }
}

/// A step that is still to come.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct Ahead {
    pub ingredient: String,
    pub target: Weight,
}

#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize, Default)]
#[serde(default)]
pub struct ScaleStatus {
    pub name: String,
    pub line: LineState,
    /// Whether its repeatability is assumed, since none was measured.
    pub assumed: bool,
    pub weight: Option<Weight>,
    pub unit: Option<String>,
    pub steady: bool,
    pub good_lines: u64,
    pub rejected_lines: u64,
}

/// How one output for cues fares.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct OutputStatus {
    /// `desktop`, `sound` or `speech`.
    pub output: String,
    /// False while it is not working.
    pub ok: bool,
    /// In words, for a person.
    pub state: String,
}
