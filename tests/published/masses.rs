//! Masses, scales and numbers as the published tables write them.

use bismar::mass::Mass;
use bismar::metrology::ScaleAbility;

#[track_caller]
pub fn g(text: &str) -> Mass {
    Mass::parse_with_unit(&format!("{text} g")).unwrap_or_else(|e| panic!("{text}: {e}"))
}

#[track_caller]
pub fn mg(text: &str) -> Mass {
    Mass::parse_with_unit(&format!("{text} mg")).unwrap_or_else(|e| panic!("{text}: {e}"))
}

/// A scale by its readability and capacity in grams.
pub fn scale(name: &str, readability: &str, capacity: Option<&str>) -> ScaleAbility {
    ScaleAbility {
        readability: g(readability),
        capacity: capacity.map(g),
        ..ScaleAbility::assumed(name)
    }
}

#[track_caller]
pub fn near(found: f64, wanted: f64, within: f64) {
    assert!(
        (found - wanted).abs() <= within,
        "{found} is not {wanted} ± {within}"
    );
}
