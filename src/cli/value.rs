//! Faults of a value on the command line.

use crate::formula::allowance::AllowanceError;
use crate::formula::plan::BatchSize;
use crate::language::Sentence;
use crate::mass::{Mass, MassError};
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
    /// `1,000g` would be a kilogram to one reader and a gram to another.
    #[error("write a decimal point and no comma, for example 0.5kg")]
    Comma,
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
        MassError::Unit => error.to_string(),
    }
}
