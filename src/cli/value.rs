//! Values on the command line, and their faults.

use std::borrow::Cow;
use std::fmt;

use crate::formula::allowance::AllowanceError;
use crate::formula::plan::BatchSize;
use crate::language::{Sentence, phrase};
use crate::lots::price::{Price, PriceError};
use crate::mass::{Mass, MassError, may_part_thousands, parted_by_comma};
use crate::vocabulary::command::Way;
use crate::workshop::scale_setup::NAME;

/// What to write instead, behind the text and its option, which the command line's reader names.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum ValueError {
    Seed,
    Jars,
    Allowance(AllowanceError),
    Mass(MassError),
    Nothing,
    Seconds,
    Framing,
    Name,
    Way,
    Start,
    /// As [`several_loads::load`](crate::workshop::several_loads::load) says.
    Load(Sentence),
    Class,
}

impl ValueError {
    pub fn told(&self) -> Sentence {
        match self {
            ValueError::Seed => phrase!("write a whole number, for example 9"),
            ValueError::Jars => {
                phrase!("write a whole number of jars from 1 on, for example 8")
            }
            ValueError::Allowance(error) => error.told(),
            ValueError::Mass(error) => mass(*error),
            ValueError::Nothing => phrase!("must be more than nothing"),
            ValueError::Seconds => phrase!("write a number of seconds above 0"),
            ValueError::Framing => {
                phrase!("write it as 8N1, 7E1 or 7O1 (data bits, parity, stop bits)")
            }
            ValueError::Name => NAME.into(),
            ValueError::Way => {
                let ways = Way::ALL.map(Way::word).join(", ");
                phrase!("the ways are {ways}", ways)
            }
            ValueError::Start => {
                phrase!("write date, time and zone, for example 2026-01-01T09:00:00Z")
            }
            ValueError::Load(why) => why.clone(),
            ValueError::Class => phrase!("is not E2, F1, F2 or M1"),
        }
    }
}

/// In English, as the command line's reader has it.
impl fmt::Display for ValueError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.told())
    }
}

impl std::error::Error for ValueError {}

fn mass(error: MassError) -> Sentence {
    match error {
        MassError::OutOfRange => {
            let most = BatchSize::LARGEST.ng() / Mass::from_g(1000).ng();
            phrase!(
                "more than {most} kg, the most that is taken; write for example 500g or 1.2kg",
                most = most.to_string(),
            )
        }
        MassError::NotANumber => {
            phrase!("not a number; write for example 500g, 1.2kg or 16oz")
        }
        MassError::Unit | MassError::Either { .. } => error.into(),
    }
}

/// A number with its decimal comma as a point, as it is typed where people write `7,5g`. What may be a comma for thousands
/// as well stays, to be refused.
pub(super) fn pointed(text: &str) -> Cow<'_, str> {
    let Some((whole, part, rest)) = parted_by_comma(text) else {
        return text.into();
    };
    match may_part_thousands(whole.trim(), part) || part.is_empty() {
        true => text.into(),
        false => format!("{whole}.{rest}").into(),
    }
}

pub(super) fn price(text: &str) -> Result<Price, PriceError> {
    Price::parse(&pointed(text))
}
