//! A weight as it is told: in JSON grams as text, so that no reader's float changes it.

use std::str::FromStr;

use serde::de::Error as _;
use serde::{Deserialize, Deserializer, Serialize, Serializer};

use crate::mass::{Mass, MassError, Unit, decimals_of};

/// The least decimals of a number that belongs to no scale.
const STEP: Mass = Mass::from_mg(10);

/// A mass, and the step whose last decimal its text shows at least.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Weight {
    pub mass: Mass,
    pub step: Mass,
}

impl Weight {
    pub const fn new(mass: Mass, step: Mass) -> Weight {
        Weight { mass, step }
    }

    /// A number that belongs to no scale.
    pub const fn plain(mass: Mass) -> Weight {
        Weight::new(mass, STEP)
    }
}

impl std::fmt::Display for Weight {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        self.mass.grams(self.step).fmt(f)
    }
}

impl Serialize for Weight {
    /// Without the 128-bit arithmetic of [`Mass::grams`] where the mass is a whole number of the step's
    /// last decimal, which a scale's number nearly always is: a reading comes many times a second and a
    /// million times in a replay.
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let decimals = decimals_of(self.step);
        let unit = 10u64.pow(9u32.saturating_sub(u32::from(decimals)));
        let ng = self.mass.ng().unsigned_abs();
        if ng.is_multiple_of(unit) {
            let negative = self.mass.is_negative();
            let digits = Digits::new(negative, ng / unit, usize::from(decimals));
            serializer.serialize_str(digits.as_str())
        } else {
            serializer.collect_str(self)
        }
    }
}

impl FromStr for Weight {
    type Err = MassError;

    /// The step is what the last decimal shows: enough to write the number again as it was.
    fn from_str(text: &str) -> Result<Weight, MassError> {
        let mass = Mass::parse(text.as_bytes(), Unit::Gram)?;
        let decimals = text.split_once('.').map_or(0, |(_, part)| part.len());
        let step = Mass::from_ng(10i64.pow(9 - decimals.min(9) as u32));
        Ok(Weight::new(mass, step))
    }
}

impl<'de> Deserialize<'de> for Weight {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Weight, D::Error> {
        let text = std::borrow::Cow::<str>::deserialize(deserializer)?;
        text.parse().map_err(D::Error::custom)
    }
}

/// Room for every number of a 64-bit count, its sign and its point.
const LONGEST: usize = 32;

/// A plain decimal number.
#[derive(Debug, Clone, Copy)]
pub struct Digits {
    bytes: [u8; LONGEST],
    from: usize,
}

impl Digits {
    /// `value / 10^decimals`; `decimals` is 9 at most.
    pub fn new(negative: bool, value: u64, decimals: usize) -> Digits {
        let mut digits = Digits {
            bytes: [b'0'; LONGEST],
            from: LONGEST,
        };
        let mut rest = value;
        let mut count = 0;
        while rest > 0 || count <= decimals {
            if count == decimals && decimals > 0 {
                digits.push(b'.');
            }
            digits.push(b'0' + (rest % 10) as u8);
            rest /= 10;
            count += 1;
        }
        if negative {
            digits.push(b'-');
        }
        digits
    }

    /// From the last to the first.
    fn push(&mut self, byte: u8) {
        self.from = self.from.saturating_sub(1);
        if let Some(place) = self.bytes.get_mut(self.from) {
            *place = byte;
        }
    }

    pub fn as_bytes(&self) -> &[u8] {
        self.bytes.get(self.from..).unwrap_or_default()
    }

    pub fn as_str(&self) -> &str {
        std::str::from_utf8(self.as_bytes()).unwrap_or_default()
    }
}

#[cfg(test)]
mod tests {
    use crate::vocabulary::weight::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn the_short_way_to_grams_is_the_long_one(
            units in -20_000_000i64..20_000_000,
            exponent in 0u32..10,
            step in prop::sample::select(vec![
                1i64, 10, 1_000_000, 2_000_000, 5_000_000, 10_000_000, 50_000_000, 100_000_000,
                1_000_000_000, 5_000_000_000, 2_834_952_313, 0, -10,
            ]),
        ) {
            let mass = Mass::from_ng(units.saturating_mul(10i64.pow(exponent)));
            prop_assume!(mass.abs() <= Mass::LIMIT);
            let weight = Weight::new(mass, Mass::from_ng(step));
            let json = serde_json::to_string(&weight).unwrap();
            prop_assert_eq!(&json, &format!("\"{weight}\""));
            let back: Weight = serde_json::from_str(&json).unwrap();
            prop_assert_eq!(back.to_string(), weight.to_string());
        }

        #[test]
        fn any_count_has_its_digits(value in any::<u64>(), negative in any::<bool>()) {
            let sign = if negative { "-" } else { "" };
            let six = Digits::new(negative, value, 6);
            let wanted = format!("{sign}{}.{:06}", value / 1_000_000, value % 1_000_000);
            prop_assert_eq!(six.as_str(), wanted);
            let none = Digits::new(negative, value, 0);
            prop_assert_eq!(none.as_str(), format!("{sign}{value}"));
        }
    }
}
