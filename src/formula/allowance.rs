//! The allowance for losses: how much more is made than goes into the jars.

use std::fmt;
use std::str::FromStr;

use super::plan::{BatchSize, PlanError};
use super::{Percent, Plan};
use crate::mass::{Decimal, Mass};

/// What is made over and above what is asked for, for what sticks to bowl, tools and jars: 0 to 50 %
/// of the amount asked for. The bound is a guard against slips (`30%` for `3.0%`), no rule of the trade.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Allowance(Percent);

impl Allowance {
    pub const NONE: Allowance = Allowance(Percent(0));
    /// The greatest that is taken: 50 %.
    pub const MOST: Allowance = Allowance(Percent(50_000_000_000));

    pub fn percent(self) -> Percent {
        self.0
    }

    /// `mass` with the allowance on top, rounded half to even to a nanogram.
    pub fn on_top_of(self, mass: Mass) -> Mass {
        mass + self.0.of(mass)
    }
}

/// Why a text is no allowance, with what to write.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum AllowanceError {
    #[error("write a decimal point and no comma, for example 2.5%")]
    Comma,
    #[error("write the percent sign, for example 3%")]
    NoSign,
    #[error("not a percentage; write for example 3%")]
    NotANumber,
    #[error("cannot be negative; write for example 3%")]
    Negative,
    #[error("more than 50 %, the most that is taken; write for example 3%")]
    TooMuch,
}

/// Reads `3%`, `2.5 %`. Without its sign a number is refused, since it could be grams.
impl FromStr for Allowance {
    type Err = AllowanceError;

    fn from_str(text: &str) -> Result<Allowance, AllowanceError> {
        if text.contains(',') {
            return Err(AllowanceError::Comma);
        }
        let number = text.trim().strip_suffix('%').map(str::trim);
        let number = number.ok_or(AllowanceError::NoSign)?;
        let decimal = Decimal::parse(number.as_bytes()).map_err(|_| AllowanceError::NotANumber)?;
        if decimal.digits < 0 {
            return Err(AllowanceError::Negative);
        }
        let n = decimal.scaled(9).ok_or(AllowanceError::NotANumber)?;
        match i64::try_from(n).map(Percent) {
            Ok(percent) if percent <= Allowance::MOST.0 => Ok(Allowance(percent)),
            Ok(_) | Err(_) => Err(AllowanceError::TooMuch),
        }
    }
}

impl fmt::Display for Allowance {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} %", self.0.text())
    }
}

impl BatchSize {
    /// This amount made larger by `allowance`; number and fill of the jars stay.
    ///
    /// # Errors
    /// As [`BatchSize::total`]: with the allowance it may be more than 1 t.
    pub fn with(self, allowance: Allowance) -> Result<BatchSize, PlanError> {
        let batch = allowance.on_top_of(self.total()?);
        let jars = match self {
            // As it was asked for, so that a batch without an allowance is what it always was.
            _ if allowance == Allowance::NONE => return Ok(self),
            BatchSize::Batch(_) => None,
            BatchSize::Jars { count, fill } | BatchSize::JarsOf { count, fill, .. } => {
                Some((count, fill))
            }
        };
        let more = BatchSize::opened(batch, jars);
        more.total()?;
        Ok(more)
    }

    /// The amount of a batch that was opened with `batch` and `jars`: the batch may be more than the
    /// jars hold.
    pub fn opened(batch: Mass, jars: Option<(u32, Mass)>) -> BatchSize {
        match jars {
            None => BatchSize::Batch(batch),
            Some((count, fill)) => BatchSize::JarsOf { count, fill, batch },
        }
    }
}

impl Plan {
    /// What the batch is more than its jars hold, where that is not the rounding to a scale with
    /// steps of `d` alone.
    pub fn spare(&self, d: Mass) -> Option<Mass> {
        let (count, fill) = self.jars?;
        let spare = self.batch - fill * i64::from(count);
        (spare * 2 > d).then_some(spare)
    }
}
