//! The allowance for losses: how much more is made than goes into the jars.

use std::fmt;
use std::str::FromStr;

use super::filling::Fill;
use super::plan::{BatchSize, PlanError};
use super::{Percent, Plan};
use crate::language::{Sentence, Slot, counted, phrase, shown_as_told};
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
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum AllowanceError {
    Comma,
    NoSign,
    NotANumber,
    Negative,
    TooMuch,
}

impl AllowanceError {
    pub fn told(self) -> Sentence {
        match self {
            AllowanceError::Comma => {
                phrase!("write a decimal point and no comma, for example 2.5%")
            }
            AllowanceError::NoSign => phrase!("write the percent sign, for example 3%"),
            AllowanceError::NotANumber => phrase!("not a percentage; write for example 3%"),
            AllowanceError::Negative => phrase!("cannot be negative; write for example 3%"),
            AllowanceError::TooMuch => {
                phrase!("more than 50 %, the most that is taken; write for example 3%")
            }
        }
    }
}

shown_as_told!(AllowanceError);

impl std::error::Error for AllowanceError {}

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

/// What earlier batches tell of what gets into no jar.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Losses {
    /// Of each batch the share of what was weighed, ascending.
    shares: Vec<Percent>,
    /// The formula that they are of; empty where they are of any.
    formula: String,
}

impl Losses {
    /// Nothing is known yet: so much is taken to be lost, 2 %. Our own choice, no source.
    pub const FIRST: Percent = Percent(2_000_000_000);
    /// Batches of one formula speak for it from so many on; else those of all formulas do. Our own choice, no source.
    pub const OF_ITS_OWN: usize = 3;
    /// Older batches than the last so many no longer count. Our own choice, no source.
    const NEWEST: usize = 20;
    /// Fewer batches than this are few: what nine of ten stay below is between their two greatest.
    const MANY: usize = 10;

    /// The losses of batches, the newest first, with the names of their formulas, for a batch of `formula`; `is_it`
    /// tells whether a name is that one.
    pub fn of(lost: &[(Percent, String)], formula: &str, is_it: impl Fn(&str) -> bool) -> Losses {
        let shares = |all: &mut dyn Iterator<Item = &(Percent, String)>| {
            let newest = all.take(Losses::NEWEST);
            let mut shares: Vec<Percent> = newest.map(|(share, _)| *share).collect();
            shares.sort_unstable();
            shares
        };
        let own = shares(&mut lost.iter().filter(|(_, name)| is_it(name)));
        match own.len() >= Losses::OF_ITS_OWN {
            true => Losses {
                shares: own,
                formula: formula.to_owned(),
            },
            false => Losses {
                shares: shares(&mut lost.iter()),
                formula: String::new(),
            },
        }
    }

    /// What nine of ten batches stay below: the quantile at 0.9, between two batches on the straight line from one
    /// to the next (R. J. Hyndman and Y. Fan, "Sample quantiles in statistical packages", The American
    /// Statistician 50 (1996), definition 7). `None` without a batch.
    pub fn usual(&self) -> Option<Percent> {
        let tenths = 9 * self.shares.len().checked_sub(1)?;
        let below = self.shares.get(tenths / 10)?.0;
        let above = self
            .shares
            .get(tenths / 10 + 1)
            .map_or(below, |share| share.0);
        Some(Percent(below + (above - below) * (tenths % 10) as i64 / 10))
    }

    /// The allowance with which jars of `fill` get full where that much is lost: `aim / fill / (1 - lost) - 1`,
    /// raised to the next half percent. `None` where it would be more than is taken.
    pub fn allowance(&self, fill: Mass) -> Option<Allowance> {
        let kept = Percent::HUNDRED.0 - self.usual().unwrap_or(Losses::FIRST).0;
        if kept <= 0 {
            return None;
        }
        let aim = i128::from(Fill::usual_aim(fill).ng()) * i128::from(Percent::HUNDRED.0);
        let made = aim.checked_div(i128::from(kept))?;
        let more = (made - i128::from(fill.ng())) * i128::from(Percent::HUNDRED.0);
        let more = more.checked_div(i128::from(fill.ng()))?;
        let half = i128::from(Percent::HUNDRED.0 / 200);
        let more = i64::try_from((more / half + 1) * half).ok().map(Percent)?;
        (more <= Allowance::MOST.0).then_some(Allowance(more))
    }

    /// On what the figures rest.
    fn words(&self) -> Sentence {
        let count = self.shares.len();
        let (Some(least), Some(most)) = (self.shares.first(), self.shares.last()) else {
            return phrase!(
                "No batch of yours tells yet how much: fill its jars, and the next plan knows"
            );
        };
        let range = match (tenth(*least), tenth(*most)) {
            (least, most) if least == most => phrase!("{share} %", share = Slot::number(most)),
            (least, most) => phrase!(
                "{least} to {most} %",
                least = Slot::number(least),
                most = Slot::number(most),
            ),
        };
        let few = match count {
            1..Losses::MANY => phrase!(", and that is few to go by"),
            _ => Sentence::none(),
        };
        let formula = self.formula.as_str();
        match (count, formula) {
            (1, _) => phrase!(
                "Of the only batch of yours that tells it {range} got into no jar{few}",
                range,
                few,
            ),
            (_, "") => phrase!(
                "Of your last {count} batches {range} got into no jar{few}",
                count,
                range,
                few,
            ),
            (_, formula) => phrase!(
                "Of your last {count} batches of \"{formula}\" {range} got into no jar{few}",
                count,
                formula,
                range,
                few,
            ),
        }
    }
}

/// To a tenth of a percent, for the eye.
fn tenth(share: Percent) -> String {
    let tenth = Percent::HUNDRED.0 / 1000;
    Percent((share.0 + tenth / 2) / tenth * tenth).text()
}

/// A plan of which not every jar gets full. Shown as the sentences that a person reads; how the allowance is said
/// stands on the page or at the terminal.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct JarsShort {
    pub full: u32,
    pub planned: u32,
    /// With which they do; `None` where that would be more than is taken.
    pub allowance: Option<Allowance>,
    fill: Mass,
    losses: Losses,
}

impl JarsShort {
    /// `None` where every jar gets full as far as `losses` tell, or none are planned.
    pub fn of(plan: &Plan, losses: Losses) -> Option<JarsShort> {
        let (planned, fill) = plan.jars?;
        let lost = losses.usual().unwrap_or_default().of(plan.batch);
        let full = Fill::full(fill, plan.batch - lost);
        (full < planned).then(|| JarsShort {
            full,
            planned,
            allowance: losses.allowance(fill),
            fill,
            losses,
        })
    }
}

impl JarsShort {
    /// How many get full, on what that rests, and what would do.
    pub fn told(&self) -> Sentence {
        let jars = counted::jars(self.planned.into());
        let full = match self.full {
            0 => phrase!("None of {jars} would get full", jars),
            full => phrase!("Only {full} of {jars} would get full", full, jars),
        };
        let short = phrase!(
            "{full}: a jar is filled to about {aim} g, and some stays in bowl and tools. {losses}.",
            full,
            aim = Fill::usual_aim(self.fill).grams_rounded(2),
            losses = self.losses.words(),
        );
        short.and(match self.allowance {
            Some(allowance) => phrase!(
                "An allowance for losses of {allowance} % would do.",
                allowance = Slot::number(allowance.percent().text()),
            ),
            None => phrase!("That is more than an allowance can be: look where it goes."),
        })
    }
}

shown_as_told!(JarsShort);
