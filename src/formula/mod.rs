//! The maker's formula in percent by weight, and the plan of grams that comes out of it.

pub mod allowance;
pub mod amend;
pub mod cautions;
pub mod contents;
pub mod examples;
pub mod filling;
pub mod form;
pub mod help;
pub mod kind;
pub mod limits;
pub mod parse;
mod parts;
pub mod plan;
pub mod remarks;
pub mod remedy;
pub mod room;
mod shares;
pub mod substances;
mod tolerance;

use std::sync::Arc;

use serde::{Deserialize, Serialize};

use self::contents::Limited;
use self::substances::Substance;
use crate::mass::Mass;

/// A share of the batch in percent, exact: a count of 10⁻⁹ %. 100 % is `100_000_000_000`.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default, Serialize, Deserialize,
)]
pub struct Percent(pub i64);

impl Percent {
    pub const HUNDRED: Percent = Percent(100_000_000_000);

    /// This share of `batch`, rounded half to even to a nanogram.
    pub fn of(self, batch: Mass) -> Mass {
        batch.ratio(self.0, Percent::HUNDRED.0)
    }
}

/// Where something stands in a file, both from 1; a column counts characters.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Place {
    pub line: usize,
    pub column: usize,
}

/// A formula as read from its file.
#[derive(Debug, Clone, PartialEq)]
pub struct Formula {
    pub name: String,
    pub version: String,
    pub notes: String,
    pub intended: Use,
    /// What the formula itself tells of its substances.
    pub substances: Vec<Substance>,
    pub labelling: Labelling,
    pub phases: Vec<Phase>,
    /// The file's text, byte for byte: it goes into the batch log, so that the log alone is enough.
    pub text: String,
}

impl Formula {
    /// Name and version, as a log's `formula` column has them.
    pub fn label(&self) -> String {
        let label = format!("{} {}", self.name, self.version);
        label.trim_end().to_owned()
    }
}

/// What the label of the product says that no weighing tells.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Labelling {
    /// What it is, or is for.
    pub function: Option<String>,
    /// Warnings and directions, in the maker's words.
    pub precautions: Option<String>,
    /// How many months it keeps from the day it was made, and once it was opened.
    pub keeps_months: Option<u32>,
    pub after_opening_months: Option<u32>,
}

/// What the product is for: which of the maker's limits holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum Use {
    /// The formula does not say: taken as one that stays on the skin.
    #[default]
    Untold,
    LeaveOn,
    RinseOff,
    /// It goes into other formulas and is no product.
    Premix,
}

impl Use {
    /// The limit that holds of a substance, and whether it is that of what stays on the skin.
    pub fn limit(self, of: &Substance) -> Option<(Percent, bool)> {
        let left_on = of.leave_on.map(|limit| (limit, true));
        let rinsed_off = of.rinse_off.map(|limit| (limit, false));
        match self {
            Use::Untold => left_on.or(rinsed_off),
            Use::LeaveOn => left_on,
            Use::RinseOff => rinsed_off,
            Use::Premix => None,
        }
    }
}

/// A group of ingredients weighed in order, mixed before the next phase.
#[derive(Debug, Clone, PartialEq)]
pub struct Phase {
    pub name: String,
    /// What to do when the phase is weighed; waits for the maker's word.
    pub mix: Option<String>,
    pub ingredients: Vec<Ingredient>,
}

#[derive(Debug, Clone, PartialEq)]
pub struct Ingredient {
    pub name: String,
    pub inci: Option<String>,
    pub share: Share,
    pub tolerance: Tolerance,
    /// The least and the greatest share of the batch that is allowed.
    pub limits: Limits,
    pub vessel: VesselWay,
    pub caution: Option<String>,
    pub lot_required: bool,
    /// The name of the formula that it is a batch of; its lot is then the name of such a batch.
    pub premix: Option<String>,
    /// Where the ingredient begins in the file.
    pub place: Place,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Share {
    Percent(Percent),
    /// What is left to 100 % (q.s.); at most one ingredient of a formula.
    Balance,
}

/// How far a net weight may be from its target, below and above; where a side has both a percent
/// and grams, the wider holds. A side with neither takes [`Tolerance::DEFAULT_PERCENT`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Tolerance {
    pub under: Deviation,
    pub over: Deviation,
}

/// One side of a tolerance.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Deviation {
    /// In percent of the target.
    pub percent: Option<Percent>,
    pub mass: Option<Mass>,
}

impl Tolerance {
    /// The tolerance of an ingredient whose formula names none: 1 % of the target, either way.
    /// Common practice, no source.
    pub const DEFAULT_PERCENT: Percent = Percent(1_000_000_000);
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Limits {
    pub min: Option<Percent>,
    pub max: Option<Percent>,
}

/// The way an ingredient meets the scale.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum VesselWay {
    /// Weighed apart in its own vessel, which is lifted after it.
    #[default]
    Beaker,
    /// Weighed into the mixing vessel, on top of what is in it.
    Bowl,
    /// A source is weighed before and after; the loss is what was given.
    Difference,
    /// A jar that is filled with the product; never a formula's.
    Jar,
}

impl VesselWay {
    /// Whether it is lifted after its weighing, with nothing of another step in it.
    pub const fn is_apart(self) -> bool {
        matches!(self, VesselWay::Beaker | VesselWay::Jar)
    }

    /// Whether it is lifted between the two readings of its net weight.
    pub const fn moves(self) -> bool {
        matches!(self, VesselWay::Difference)
    }

    pub const fn name(self) -> &'static str {
        match self {
            VesselWay::Beaker => "beaker",
            VesselWay::Bowl => "bowl",
            VesselWay::Difference => "difference",
            VesselWay::Jar => "jar",
        }
    }
}

/// A formula brought to grams for one batch.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Plan {
    pub batch: Mass,
    /// Number of jars and the fill of each, when the batch was given so.
    pub jars: Option<(u32, Mass)>,
    pub formula: String,
    pub version: String,
    pub phases: Vec<PlannedPhase>,
    /// In the order of weighing; `steps[i].number == i + 1`.
    /// Shared, so that the engine has a step in hand for each reading without a copy of its texts.
    pub steps: Vec<Arc<Step>>,
    /// The formula's ingredients, in its order; empty where no formula is weighed.
    pub parts: Vec<PlannedPart>,
    /// What has a limit, through premixes too.
    pub limits: Vec<Limited>,
    /// The jars, where the plan is for filling them.
    pub filling: Option<filling::Fill>,
}

/// What one ingredient of the formula is meant to be in the batch.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PlannedPart {
    pub name: String,
    /// The formula whose batches it is taken from.
    pub premix: Option<String>,
    pub share: Percent,
    /// The limits that a remedy keeps, as shares; `held` is not used.
    pub bounds: remedy::Part,
    /// What is to be in the batch, and how much less or more is tolerated.
    pub target: Mass,
    pub under: Mass,
    pub over: Mass,
}

#[derive(Debug, Clone, PartialEq)]
pub struct PlannedPhase {
    pub name: String,
    pub mix: Option<String>,
}

/// One weighing of a plan.
#[derive(Debug, Clone, PartialEq)]
pub struct Step {
    /// From 1.
    pub number: usize,
    /// Index into [`Plan::phases`].
    pub phase: usize,
    /// Index into [`Plan::parts`].
    pub part: usize,
    pub ingredient: String,
    pub target: Mass,
    /// The tolerance limits of the net weight (JCGM 106, 3.3.4), before any guard band.
    pub lowest: Mass,
    pub highest: Mass,
    pub vessel: VesselWay,
    pub caution: Option<String>,
    pub lot_required: bool,
    /// Whether the phase ends with this step.
    pub last_of_phase: bool,
    /// Index of the scale that weighs it.
    pub scale: usize,
}
