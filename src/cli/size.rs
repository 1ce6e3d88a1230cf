//! The amount to make: `--batch 500g`, or `--jars 8 --fill 55g`; `--allowance 3%` for losses.

use clap::Args;

use super::value::{ValueError, pointed};
use crate::formula::allowance::Allowance;
use crate::formula::plan::{BatchSize, PlanError};
use crate::mass::{Mass, MassError};

/// A mass as it was typed, with a decimal point, and what it means.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Typed {
    pub text: String,
    pub mass: Mass,
}

/// The two ways to say how much; neither is asked for here.
#[derive(Debug, Clone, Args)]
pub struct SizeArgs {
    /// Mass of the whole batch with its unit, for example 500g, 1.2kg or 16oz
    #[arg(long, value_name = "MASS", value_parser = typed, conflicts_with_all = ["jars", "fill"])]
    pub batch: Option<Typed>,
    /// Number of jars; say the fill of each with --fill
    #[arg(long, value_name = "COUNT", requires = "fill",
          value_parser = jars)]
    pub jars: Option<u32>,
    /// Net fill of one jar with its unit, for example 55g
    #[arg(long, value_name = "MASS", value_parser = typed, requires = "jars")]
    pub fill: Option<Typed>,
    /// Make so much more for what sticks to bowl and jars, for example 3% (at most 50%)
    #[arg(long, value_name = "PERCENT", value_parser = allowance, allow_hyphen_values = true)]
    pub allowance: Option<TypedAllowance>,
}

/// An allowance as it was typed, with a decimal point, and what it means.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TypedAllowance {
    pub text: String,
    pub allowance: Allowance,
}

impl SizeArgs {
    /// The amount, where one was given, without the allowance.
    pub fn asked(&self) -> Option<BatchSize> {
        let jars = || {
            let (count, fill) = (self.jars?, self.fill.as_ref()?.mass);
            Some(BatchSize::Jars { count, fill })
        };
        let batch = self.batch.as_ref();
        batch
            .map(|batch| BatchSize::Batch(batch.mass))
            .or_else(jars)
    }

    /// The amount, where one was given, the allowance on top.
    ///
    /// # Errors
    /// When it is more than can be made.
    pub fn amount(&self) -> Result<Option<BatchSize>, PlanError> {
        let with = |asked: BatchSize| asked.with(self.allowance());
        self.asked().map(with).transpose()
    }

    /// The allowance; none where none was given.
    pub fn allowance(&self) -> Allowance {
        let typed = self.allowance.as_ref();
        typed.map_or(Allowance::NONE, |typed| typed.allowance)
    }
}

/// The group of which exactly one must be given.
pub fn required() -> clap::ArgGroup {
    clap::ArgGroup::new("size")
        .args(["batch", "jars"])
        .required(true)
}

pub(super) fn jars(text: &str) -> Result<u32, ValueError> {
    match text.parse() {
        Ok(count) if count > 0 => Ok(count),
        _ => Err(ValueError::Jars),
    }
}

fn allowance(text: &str) -> Result<TypedAllowance, ValueError> {
    let text = pointed(text);
    let allowance = text.parse().map_err(ValueError::Allowance)?;
    Ok(TypedAllowance {
        text: text.into_owned(),
        allowance,
    })
}

pub(super) fn typed(text: &str) -> Result<Typed, ValueError> {
    let text = pointed(text);
    let mass = Mass::parse_with_unit(&text).map_err(ValueError::Mass)?;
    if mass <= Mass::ZERO {
        return Err(ValueError::Nothing);
    }
    if mass > BatchSize::LARGEST {
        return Err(ValueError::Mass(MassError::OutOfRange));
    }
    Ok(Typed {
        text: text.into_owned(),
        mass,
    })
}
