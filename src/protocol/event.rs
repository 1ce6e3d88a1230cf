//! An event as one line of JSON, both ways: what `subscribe` sends, `replay --events` writes and every
//! client reads.
//!
//! The same events give the same bytes. Masses are grams as text ([`Weight`]).

use std::borrow::Cow;

use serde::{Deserialize, Deserializer, Serialize, Serializer};

use crate::time::Moment;
use crate::vocabulary::code::{FaultCode, Stands};
use crate::vocabulary::command::Choice;
use crate::vocabulary::cue::{self, Ask, CueKind};
use crate::vocabulary::entry::Verdict;
use crate::vocabulary::weight::Weight;

/// One line: an event and when it came out of the engine, in seconds since the session began.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Told<'a> {
    #[serde(with = "seconds")]
    pub at: Moment,
    #[serde(flatten)]
    pub event: Event<'a>,
}

/// What happened. A client of an older version reads [`Event::Other`] where it does not know it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "event", rename_all = "kebab-case")]
pub enum Event<'a> {
    Cue(Cue<'a>),
    Reading(Reading<'a>),
    Recorded(Recorded<'a>),
    Step(Step<'a>),
    Fault(Fault<'a>),
    Tare(Tare<'a>),
    Closed {
        complete: bool,
    },
    #[serde(other, skip_serializing)]
    Other,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Cue<'a> {
    #[serde(rename = "cue")]
    pub kind: CueKind,
    pub say: Cow<'a, str>,
    pub step: usize,
    pub missing: Option<Weight>,
    #[serde(deserialize_with = "known")]
    pub choices: Cow<'a, [Choice]>,
    pub urgent: bool,
    /// So many characters of `say` are the amount that it begins with.
    #[serde(default, skip_serializing_if = "is_none")]
    pub lead: usize,
    /// What else answers it, that takes more than a word.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub asks: Option<Ask>,
}

/// Whether a sentence begins with no amount.
fn is_none(lead: &usize) -> bool {
    *lead == 0
}

/// A reading. `scale` is here and below `None` for one that the configuration does not have.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Reading<'a> {
    pub scale: Option<Cow<'a, str>>,
    pub weight: Weight,
    pub net: Option<Weight>,
    pub missing: Option<Weight>,
    pub steady: bool,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Recorded<'a> {
    pub step: usize,
    pub ingredient: Cow<'a, str>,
    pub net: Weight,
    pub verdict: Option<Verdict>,
    pub seq: u64,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Step<'a> {
    pub step: usize,
    pub of: usize,
    pub phase: Cow<'a, str>,
    pub ingredient: Cow<'a, str>,
    pub target: Weight,
    pub low: Weight,
    pub high: Weight,
    pub scale: Option<Cow<'a, str>>,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Fault<'a> {
    pub scale: Option<Cow<'a, str>>,
    pub code: FaultCode,
    pub over: bool,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Tare<'a> {
    /// For a person.
    pub state: Cow<'a, str>,
    pub tare: Option<Weight>,
    /// The state for a program.
    #[serde(default)]
    pub code: Stands,
}

impl Told<'_> {
    /// Reads one line.
    ///
    /// # Errors
    /// For what is no event of this version.
    pub fn read(line: &[u8]) -> serde_json::Result<Told<'static>> {
        serde_json::from_slice(line)
    }
}

impl From<Cue<'_>> for cue::Cue {
    fn from(told: Cue<'_>) -> cue::Cue {
        cue::Cue {
            kind: told.kind,
            say: told.say.into_owned().into(),
            step: told.step,
            missing: told.missing.map(|missing| missing.mass),
            choices: told.choices.into_owned(),
            urgent: told.urgent,
            lead: told.lead,
            asks: told.asks,
        }
    }
}

impl Recorded<'_> {
    pub fn into_owned(self) -> Recorded<'static> {
        let Recorded {
            step,
            ingredient,
            net,
            verdict,
            seq,
        } = self;
        Recorded {
            step,
            ingredient: Cow::Owned(ingredient.into_owned()),
            net,
            verdict,
            seq,
        }
    }

    /// Whether it tells of a step that was left out: nothing, kept so.
    pub fn is_left_out(&self) -> bool {
        self.verdict == Some(Verdict::Kept) && self.net.mass.ng() == 0
    }
}

/// The answers that this version knows.
fn known<'de, D: Deserializer<'de>>(from: D) -> Result<Cow<'static, [Choice]>, D::Error> {
    let names = Vec::<Cow<str>>::deserialize(from)?;
    let choice = |name: &Cow<str>| Choice::ALL.into_iter().find(|c| c.name() == name.as_ref());
    Ok(names.iter().filter_map(choice).collect())
}

mod seconds {
    use super::*;

    pub fn serialize<S: Serializer>(at: &Moment, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_f64(at.seconds())
    }

    /// Without a time that can be it is as if no time had passed.
    pub fn deserialize<'de, D: Deserializer<'de>>(from: D) -> Result<Moment, D::Error> {
        let seconds = f64::deserialize(from)?;
        Ok(Moment((seconds.clamp(0.0, 1e9) * 1e6).round() as u64))
    }
}
