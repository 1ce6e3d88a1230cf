//! Repeatability: how far repeated weighings of one load scatter, and the smallest net weight that
//! follows from it.
//!
//! Source: USP <41> Balances, text with the revisions of 1 August 2019 (read in a reproduction): at
//! least ten weighings of one weight; 2 s / smallest net weight at most 0.10 %, which is the smallest
//! net weight of 2000 s; s below 0.41 d counts as 0.41 d, so that nothing is below 820 d. USP <1251> gives further advice and was not read. Both are
//! a yardstick here: they are written for pharmacopoeial work.

use super::{ScaleAbility, Uncertainty};
use crate::mass::Mass;

/// Weighings that USP <41> asks for, at least.
pub const WEIGHINGS: usize = 10;

/// The repeatability requirement of USP <41>: 0.10 %.
pub const USP_FRACTION: f64 = 0.001;

/// What repeated weighings of one load tell.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Repeatability {
    pub count: usize,
    /// Mean net weight in grams.
    pub mean: f64,
    /// Sample standard deviation in grams, divisor n − 1, as it came out.
    pub measured: f64,
    /// Readability d.
    pub d: Mass,
}

impl Repeatability {
    /// From the net weights of one load at readability `d`. `None` with fewer than two weighings.
    pub fn of(nets: &[Mass], d: Mass) -> Option<Repeatability> {
        let first = nets.first()?;
        if nets.len() < 2 {
            return None;
        }
        // Differences to the first are small, so that no digit is lost in a float.
        let n = nets.len() as f64;
        let offsets = || nets.iter().map(|net| (*net - *first).to_g_f64());
        let mean = offsets().sum::<f64>() / n;
        let squares: f64 = offsets().map(|x| (x - mean) * (x - mean)).sum();
        Some(Repeatability {
            count: nets.len(),
            mean: first.to_g_f64() + mean,
            measured: (squares / (n - 1.0)).sqrt(),
            d,
        })
    }

    /// The floor: 0.41 d, in grams.
    pub fn floor(&self) -> f64 {
        Uncertainty::REPEATABILITY_FLOOR * self.d.abs().to_g_f64()
    }

    /// The standard deviation to go by, in grams: as measured, but at least 0.41 d.
    pub fn s(&self) -> f64 {
        self.measured.max(self.floor())
    }

    /// What was measured as a mass, rounded up to a microgram, for the scale's budget; never nothing.
    pub fn budgeted(&self) -> Mass {
        let least = Uncertainty::LEAST_REPEATABILITY * self.d.abs().to_g_f64();
        up(self.measured.max(least), Mass::from_ng(1_000))
    }

    /// The smallest net weight at which 2 s is at most `fraction` of it, rounded up to d. `None` for
    /// a fraction that is not above 0.
    pub fn smallest_net(&self, fraction: f64) -> Option<Mass> {
        smallest_net(self.s(), self.d, fraction)
    }
}

impl ScaleAbility {
    /// The standard deviation to go by for the smallest net weight, in grams: as configured, but at least
    /// 0.41 d; where nothing is, what is assumed.
    pub fn s(&self) -> f64 {
        let d = self.readability.abs().to_g_f64();
        let measured = self.repeatability.map(|s| s.abs().to_g_f64());
        let s = measured.unwrap_or(Uncertainty::ASSUMED_REPEATABILITY * d);
        s.max(Uncertainty::REPEATABILITY_FLOOR * d)
    }

    /// As [`Repeatability::smallest_net`], from what the configuration says of the scale.
    pub fn smallest_net(&self, fraction: f64) -> Option<Mass> {
        smallest_net(self.s(), self.readability, fraction)
    }
}

fn smallest_net(s: f64, d: Mass, fraction: f64) -> Option<Mass> {
    (fraction > 0.0 && fraction.is_finite()).then(|| up(2.0 * s / fraction, d))
}

/// Grams rounded up to a multiple of `step`. What the float holds beyond a picogram is its own noise.
fn up(grams: f64, step: Mass) -> Mass {
    let ng = (grams * 1e9 - 1e-3).ceil();
    Mass::from_ng(ng.clamp(0.0, Mass::LIMIT.ng() as f64) as i64).ceil_to(step)
}
