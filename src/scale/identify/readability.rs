//! The readability, from the numbers a scale sends.

use std::fmt;

use crate::mass::{Decimal, Mass, Unit};
use crate::scale::Indication;

/// How many different numbers must be multiples of 2 or 5 of the last digit before that step is
/// believed: by chance one in a million for 2.
const ENOUGH_VALUES: usize = 20;

/// The smallest step a scale shows (d in OIML R 76-1), as it writes it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Readability {
    /// 1, 2 or 5 of the last digit.
    pub step: u8,
    /// Digits after the point.
    pub decimals: u8,
    pub unit: Unit,
}

impl Readability {
    /// As a mass, at least 1 ng.
    pub fn mass(self) -> Mass {
        let one = Decimal {
            digits: i64::from(self.step),
            decimals: self.decimals,
            negative: false,
        };
        match one.in_unit(self.unit) {
            Ok(mass) if mass > Mass::ZERO => mass,
            Ok(_) | Err(_) => Mass::from_ng(1),
        }
    }
}

/// As in the configuration: `0.02 g`.
impl fmt::Display for Readability {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let unit = match self.unit {
            Unit::PoundOunce => Unit::Ounce,
            other => other,
        };
        match usize::from(self.decimals) {
            0 => write!(f, "{} {unit}", self.step),
            places => write!(f, "0.{:0places$} {unit}", self.step),
        }
    }
}

/// The unit and the last digit of most lines, so that no single glitch decides; and whether all of
/// those numbers are multiples of 5 or 2.
pub(super) fn majority(weights: &[Indication]) -> Option<Readability> {
    let mut kinds: Vec<((Unit, u8), usize)> = Vec::new();
    for weight in weights {
        let Some(unit) = weight.unit else { continue };
        let kind = (unit, weight.value.decimals);
        match kinds.iter_mut().find(|(known, _)| *known == kind) {
            Some((_, count)) => *count += 1,
            None => kinds.push((kind, 1)),
        }
    }
    // Of equals the first heard.
    let most = kinds.iter().map(|(_, count)| *count).max()?;
    let ((unit, decimals), _) = *kinds.iter().find(|(_, count)| *count == most)?;
    let mut values: Vec<u64> = weights
        .iter()
        .filter(|weight| weight.value.decimals == decimals)
        // Numbers without a unit are of the same scale while it moves.
        .filter(|weight| weight.unit.is_none_or(|other| other == unit))
        .map(|weight| weight.value.digits.unsigned_abs())
        .collect();
    values.sort_unstable();
    values.dedup();
    let step = match values.len() >= ENOUGH_VALUES {
        true if values.iter().all(|value| value % 5 == 0) && !all_tens(&values) => 5,
        true if values.iter().all(|value| value % 2 == 0) && !all_tens(&values) => 2,
        true | false => 1,
    };
    Some(Readability {
        step,
        decimals,
        unit,
    })
}

/// A last digit that is always 0 is padding; nothing is concluded from it.
fn all_tens(values: &[u64]) -> bool {
    values.iter().all(|value| value % 10 == 0)
}
