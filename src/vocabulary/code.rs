//! Stable words for programs, apart from the sentences that people read: where a step stands, what went
//! wrong, how the line to a scale is. A program goes by these; sentences may change at any time.

use serde::{Deserialize, Serialize};

use crate::language::{Term, term};

/// Where the running step stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, Default)]
#[serde(rename_all = "kebab-case")]
pub enum Stands {
    Clear,
    Empty,
    Landing,
    Unsure,
    Tared,
    ToCheck,
    ZeroLost,
    Away,
    Stranger,
    Writing,
    Lift,
    Mixing,
    EmptiedBeaker,
    Decision,
    Over,
    /// Of a newer version.
    #[default]
    #[serde(other)]
    Other,
}

impl Stands {
    /// For a person.
    pub const fn said(self) -> Term {
        match self {
            Stands::Clear => term!("lift what is on the scale"),
            Stands::Empty => term!("empty, waiting for a vessel"),
            Stands::Landing => term!("a vessel is coming to rest"),
            Stands::Unsure => term!("not sure of the tare"),
            Stands::Tared => term!("vessel tared"),
            Stands::ToCheck => term!("tare to be checked at the lift"),
            Stands::ZeroLost => term!("zero lost, lift and put back"),
            Stands::Away => term!("vessel lifted, tare remembered"),
            Stands::Stranger => term!("not sure it is the same vessel"),
            Stands::Writing => term!("being recorded"),
            Stands::Lift => term!("recorded, waiting for the lift"),
            Stands::Mixing => term!("mixing"),
            Stands::EmptiedBeaker => term!("waiting for the emptied beaker"),
            Stands::Decision => term!("waiting for a decision"),
            Stands::Over => term!("batch over"),
            Stands::Other => term!("not known to this version"),
        }
    }

    /// The same in English.
    pub const fn words(self) -> &'static str {
        self.said().english()
    }

    /// Whether it is between two weighings: the step that is told is the next one, and is not going on.
    pub const fn is_between(self) -> bool {
        matches!(
            self,
            Stands::Mixing | Stands::EmptiedBeaker | Stands::Decision
        )
    }
}

/// What went wrong, or came right again.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum FaultCode {
    /// No line comes from a scale, or none with a weight.
    Silent,
    /// The line to a scale is gone.
    Lost,
    Overload,
    /// Something was put on a scale that the step is not for.
    WrongScale,
    /// The scale shows another unit.
    Unit,
    /// The tare must be seen again.
    Tare,
    TareLost,
    /// The scale does not come to rest.
    Unsteady,
    /// A row is not on the disk.
    NotLogged,
    /// Something stayed on the pan, or is missing from it.
    Spill,
    /// The configuration was not taken.
    Config,
    /// The subscriber did not keep up and is let go: the last event of a subscription.
    Slow,
    /// Of a newer version.
    #[serde(other)]
    Other,
}

impl FaultCode {
    pub const fn name(self) -> &'static str {
        match self {
            FaultCode::Silent => "silent",
            FaultCode::Lost => "lost",
            FaultCode::Overload => "overload",
            FaultCode::WrongScale => "wrong-scale",
            FaultCode::Unit => "unit",
            FaultCode::Tare => "tare",
            FaultCode::TareLost => "tare-lost",
            FaultCode::Unsteady => "unsteady",
            FaultCode::NotLogged => "not-logged",
            FaultCode::Spill => "spill",
            FaultCode::Config => "config",
            FaultCode::Slow => "slow",
            FaultCode::Other => "other",
        }
    }
}

/// How the line to a scale is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, Default)]
#[serde(rename_all = "kebab-case")]
pub enum LineState {
    Open,
    /// Open, and nothing comes.
    Silent,
    Lost,
    /// Not open yet, or of a newer version.
    #[default]
    #[serde(other)]
    Waiting,
}

/// What helps where a person's word is not taken. How that is done each client says in its own way.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Help {
    /// A batch is to be begun.
    Begin,
    /// The batch under way is to be stopped.
    Stop,
    /// The other remedies are to be looked at.
    Remedies,
    /// The lot is to be given with a reason.
    Despite,
    /// A note is to be written.
    Note,
    /// The scale is to be checked with a test weight.
    ScaleCheck,
    /// What a jar holds is to be given.
    JarFill,
    /// A scale is to be found and written into the configuration.
    FindScale,
    /// Of a newer version.
    #[serde(other)]
    Other,
}
