//! Values on the command line, and their faults.

use std::borrow::Cow;

use crate::formula::allowance::AllowanceError;
use crate::formula::plan::BatchSize;
use crate::language::Sentence;
use crate::lots::price::{Price, PriceError};
use crate::mass::{Mass, MassError, may_part_thousands};
use crate::vocabulary::command::Way;
use crate::workshop::scale_setup::NAME;

/// What to write instead, behind the text and its option, which the command line's reader names; in English, as
/// that says all it says.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum ValueError {
    #[error("write a whole number, for example 9")]
    Seed,
    #[error("write a whole number of jars from 1 on, for example 8")]
    Jars,
    #[error("{0}")]
    Allowance(AllowanceError),
    #[error("{}", mass(*.0))]
    Mass(MassError),
    #[error("must be more than nothing")]
    Nothing,
    #[error("write a number of seconds above 0")]
    Seconds,
    #[error("write it as 8N1, 7E1 or 7O1 (data bits, parity, stop bits)")]
    Framing,
    #[error("{}", NAME.english())]
    Name,
    #[error("the ways are {}", Way::ALL.map(Way::word).join(", "))]
    Way,
    #[error("write date, time and zone, for example 2026-01-01T09:00:00Z")]
    Start,
    /// As [`several_loads::load`](crate::workshop::several_loads::load) says.
    #[error("{0}")]
    Load(Sentence),
    #[error("is not E2, F1, F2 or M1")]
    Class,
}

fn mass(error: MassError) -> String {
    match error {
        MassError::OutOfRange => {
            let most = BatchSize::LARGEST.ng() / Mass::from_g(1000).ng();
            format!("more than {most} kg, the most that is taken; write for example 500g or 1.2kg")
        }
        MassError::NotANumber => "not a number; write for example 500g, 1.2kg or 16oz".to_owned(),
        MassError::Unit | MassError::Either { .. } => error.to_string(),
    }
}

/// A number with its decimal comma as a point, as it is typed where people write `7,5g`. What may be a comma for thousands
/// as well stays, to be refused.
pub(super) fn pointed(text: &str) -> Cow<'_, str> {
    let Some((whole, rest)) = text.split_once(',') else {
        return text.into();
    };
    let end = rest.find(|c: char| !c.is_ascii_digit());
    let part = rest.get(..end.unwrap_or(rest.len())).unwrap_or_default();
    match may_part_thousands(whole.trim(), part) || part.is_empty() {
        true => text.into(),
        false => format!("{whole}.{rest}").into(),
    }
}

pub(super) fn price(text: &str) -> Result<Price, PriceError> {
    Price::parse(&pointed(text))
}
