//! Masses, scales and numbers as the published tables write them.

use bismar::mass::Mass;
use bismar::metrology::{Errors, ScaleAbility};

#[track_caller]
pub fn g(text: &str) -> Mass {
    Mass::parse_with_unit(&format!("{text} g")).unwrap_or_else(|e| panic!("{text}: {e}"))
}

#[track_caller]
pub fn mg(text: &str) -> Mass {
    Mass::parse_with_unit(&format!("{text} mg")).unwrap_or_else(|e| panic!("{text}: {e}"))
}

/// A scale by its readability and capacity in grams. It is a quiet one, and that is well known: s of 0.41 d, so
/// that k is 2.
pub fn scale(name: &str, readability: &str, capacity: Option<&str>) -> ScaleAbility {
    ScaleAbility {
        readability: g(readability),
        capacity: capacity.map(g),
        repeatability: Some(g(readability).ratio(41, 100)),
        errors: well_known(),
        ..ScaleAbility::assumed(name)
    }
}

/// A repeatability of so many weighings that the factor of the uncertainty is 2.
pub fn well_known() -> Errors {
    Errors {
        weighings: Some(100_000),
        ..Errors::default()
    }
}

#[track_caller]
pub fn near(found: f64, wanted: f64, within: f64) {
    assert!(
        (found - wanted).abs() <= within,
        "{found} is not {wanted} ± {within}"
    );
}
