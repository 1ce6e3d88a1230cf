//! The step in which a scale really counts, where its display shows finer digits.
//!
//! A 0.1 g scale that pads a zero, or a 0.01 g scale read in ounces with four decimals, shows digits
//! that prove nothing. The changes of the indication give the true step away.

use crate::mass::{Mass, Unit};

/// Changes that must have been seen before they are believed.
const ENOUGH: u32 = 16;
/// Changes of different sizes that must have been seen before their divisor is.
const ENOUGH_SIZES: u32 = 7;
/// Larger changes are a pour, and say nothing of the step, in digits.
const LARGEST: i64 = 200;
/// Changes of noise alone, in digits: where the step is no whole number of digits, the least counts.
const SMALL: i64 = 6;

#[derive(Debug, Clone, Default)]
pub struct Grain {
    unit: Option<Unit>,
    digit: Mass,
    last: Option<i64>,
    divisor: i64,
    /// Different changes seen, one bit for each size modulo 64: a steady pour makes the same ones.
    sizes: u64,
    least: i64,
    small: u32,
}

impl Grain {
    pub fn push(&mut self, weight: Mass, digit: Mass, unit: Option<Unit>) {
        if unit != self.unit || digit != self.digit || digit.ng() <= 0 {
            *self = Grain {
                unit,
                digit,
                ..Grain::default()
            };
        }
        if digit.ng() <= 0 {
            return;
        }
        // Rounded: a unit's digit is no whole number of nanograms.
        let digits = (weight.ng() as f64 / digit.ng() as f64).round() as i64;
        if let Some(last) = self.last.replace(digits) {
            let change = (digits - last).abs();
            if change > 0 && change <= LARGEST {
                self.divisor = gcd(self.divisor, change);
                self.sizes |= 1 << (change % 64);
                if change <= SMALL {
                    self.least = if self.small == 0 {
                        change
                    } else {
                        self.least.min(change)
                    };
                    self.small += 1;
                }
            }
        }
    }

    /// The step seen, if it is coarser than the last digit.
    pub fn step(&self) -> Option<Mass> {
        let by_divisor = (self.sizes.count_ones() >= ENOUGH_SIZES).then(|| {
            // A scale counts in 1, 2 or 5 (OIML R 76-1:2006, 4.2.2.1).
            let steps = [200, 100, 50, 20, 10, 5, 2];
            let divides = |step: &i64| self.divisor % step == 0;
            steps.into_iter().find(divides).unwrap_or(1)
        });
        let by_least = (self.small >= ENOUGH).then_some(self.least);
        let digits = by_divisor.max(by_least)?;
        (digits >= 2).then(|| self.digit * digits)
    }
}

fn gcd(a: i64, b: i64) -> i64 {
    if b == 0 { a } else { gcd(b, a % b) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_padded_zero_is_no_digit() {
        let mut grain = Grain::default();
        for tenths in [
            0, 3, 5, 11, 18, 4, 5, 9, 20, 21, 20, 21, 22, 21, 22, 23, 25, 24, 25, 24, 30,
        ] {
            let digit = Mass::from_mg(10);
            grain.push(Mass::from_mg(tenths * 100), digit, Some(Unit::Gram));
        }
        assert_eq!(grain.step(), Some(Mass::from_mg(100)));
        grain.push(Mass::from_mg(3010), Mass::from_mg(10), Some(Unit::Gram));
        assert_eq!(grain.step(), None);
    }
}
