//! A premix: an amount too small for the scale is blended into a larger one first, and so much more of
//! the blend is weighed.
//!
//! With the blend within ±b of each of its two weights, its share is within (1+b)/(1−b) of what it
//! should be; with its own weight within ±a the delivered amount is at most (1+a)(1+b)/(1−b) of its
//! target. With a = f/(2 + 1.5 f) and b = a/2 that never exceeds 1 + f, nor falls below 1 − f: for
//! f = 2a/(1 − 1.5a), (1+a)(1+a/2)/(1−a/2) ≤ (1+a/2)/(1−1.5a) is 1 − a/2 − 1.5a² ≤ 1 − a/2. The blend is
//! taken as even throughout.

use super::{ScaleAbility, StepLimits};
use crate::mass::Mass;

/// A blend with which a scale proves a step that it cannot prove directly.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Premix {
    /// How much of the ingredient goes into the blend.
    pub part: Mass,
    /// How much of the carrier, an ingredient of the formula that it mixes with.
    pub carrier: Mass,
    /// How many times as much of the blend is weighed.
    pub times: i64,
    /// The blend that is weighed in place of the target.
    pub weigh: Mass,
    /// The carrier that comes in with it, to be left out elsewhere in the formula.
    pub carried: Mass,
    /// The tolerance of each of the blend's two weights, in millionths of it.
    pub blend_tolerance: i64,
    /// The tolerance of the blend's weight, in millionths of it.
    pub weigh_tolerance: i64,
}

/// Times as much as the target; more is not proposed.
const TIMES: [i64; 6] = [2, 5, 10, 20, 50, 100];
/// More of a blend is not made for a small dose at a bench. Common practice, no source.
const LARGEST: Mass = Mass::from_g(1000);
const MILLION: i64 = 1_000_000;

impl Premix {
    /// The smallest dilution with which `scale` proves all three weights, each with room for ±1 d.
    /// `None` where one side of the tolerance allows nothing, none of `TIMES` does, or it
    /// would be more than a kilogram.
    pub fn of(step: StepLimits, scale: &ScaleAbility, guard: f64) -> Option<Premix> {
        let narrow = (step.target - step.lowest).min(step.highest - step.target);
        let fraction = narrow.to_g_f64() / step.target.to_g_f64();
        if !(fraction > 0.0 && fraction < 1.0) {
            return None;
        }
        let d = scale.readability;
        let room = |mass: Mass| scale.planned(mass).band(guard).ceil_to(d) + d;
        let weigh_tolerance = two_digits(fraction / (2.0 + 1.5 * fraction))?;
        let blend_tolerance = two_digits(weigh_tolerance as f64 / MILLION as f64 / 2.0)?;
        let enough = |mass: Mass, tolerance: i64| mass.ratio(tolerance, MILLION) >= room(mass);
        let times = TIMES
            .into_iter()
            .find(|&times| enough(step.target * times, weigh_tolerance))?;
        let part = round_amounts().find(|&part| enough(part, blend_tolerance))?;
        let carrier = part * (times - 1);
        // Whatever its vessel weighs, the carrier alone must fit.
        if scale.capacity.is_some_and(|capacity| carrier > capacity) || part + carrier > LARGEST {
            return None;
        }
        Some(Premix {
            part,
            carrier,
            times,
            weigh: step.target * times,
            carried: step.target * (times - 1),
            blend_tolerance,
            weigh_tolerance,
        })
    }
}

/// 1, 2 and 5 times a power of ten, from 0.1 g to 5 kg: amounts that are easily weighed.
fn round_amounts() -> impl Iterator<Item = Mass> {
    [100i64, 1_000, 10_000, 100_000, 1_000_000]
        .into_iter()
        .flat_map(|mg| [mg, 2 * mg, 5 * mg])
        .map(Mass::from_mg)
}

/// A fraction in millionths, rounded down to two digits; `None` for less than ten millionths.
fn two_digits(fraction: f64) -> Option<i64> {
    let millionths = (fraction * MILLION as f64).floor() as i64;
    let mut step = 1;
    while millionths / step >= 100 {
        step *= 10;
    }
    Some(millionths / step * step).filter(|&found| found >= 10)
}
