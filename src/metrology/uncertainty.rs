//! Standard uncertainty of a net weight.

use super::budget::{Errors, Weighing};
use crate::language::{Sentence, term};
use crate::mass::{Grams, Mass};

/// What a scale can do, as far as a plan needs it.
#[derive(Debug, Clone, PartialEq)]
pub struct ScaleAbility {
    /// The scale's name in the configuration; empty for a usual one where none is configured.
    pub name: String,
    /// Readability d: one step of the last digit.
    pub readability: Mass,
    /// Largest load; `None`: unknown, taken as enough.
    pub capacity: Option<Mass>,
    /// Standard deviation of repeated net weighings; `None`: not measured.
    pub repeatability: Option<Mass>,
    /// What else is told of it.
    pub errors: Errors,
}

impl ScaleAbility {
    /// The readability taken for a scale of which nothing is known yet: 0.01 g.
    pub const ASSUMED_READABILITY: Mass = Mass::from_mg(10);

    /// A scale of which nothing is known yet.
    pub fn assumed(name: &str) -> ScaleAbility {
        ScaleAbility {
            name: name.to_owned(),
            readability: ScaleAbility::ASSUMED_READABILITY,
            capacity: None,
            repeatability: None,
            errors: Errors::default(),
        }
    }

    /// Its name as it is told.
    pub fn told(&self) -> Sentence {
        match self.name.as_str() {
            "" => term!("assumed").into(),
            name => name.into(),
        }
    }

    /// Uncertainty of a net weight that rests on `readings` readings of this scale, as far as it does not
    /// grow with the load.
    pub fn net(&self, readings: u32) -> Uncertainty {
        let weighing = Weighing {
            readings,
            ..Weighing::planned(Mass::ZERO)
        };
        self.budget(&weighing).uncertainty()
    }
}

/// A standard uncertainty in grams, with the factor that makes it an expanded one.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
pub struct Uncertainty {
    u: f64,
    k: f64,
}

impl Uncertainty {
    /// Readings behind an ordinary net weight: the tare and the gross.
    pub const TARE_AND_GROSS: u32 = 2;

    /// Repeatability below which a digital scale is not believed for its smallest net weight, in steps of d
    /// (USP <41>, read in a reproduction). It belongs there, and to what a quiet scale is taken to scatter
    /// while the engine watches it; no budget counts it.
    pub const REPEATABILITY_FLOOR: f64 = 0.41;

    /// The repeatability that a budget takes for a scale of which none was measured, in steps of d: bench
    /// scales are commonly sold with it (common practice, no source).
    pub const ASSUMED_REPEATABILITY: f64 = 1.0;

    /// What a measured repeatability counts at least in a budget, in steps of d: 1/√12. Readings that all
    /// round to one digit tell no scatter below what that digit hides (JCGM 100:2008, F.2.2.1).
    pub const LEAST_REPEATABILITY: f64 = 0.288_675_134_594_812_9;

    /// The coverage factor of about 95 % where nothing rests on few observations (JCGM 100:2008, 6.3.3).
    pub const COVERAGE: f64 = 2.0;

    /// The uncertainty of a net weight on a quiet scale of readability `d`, from scatter and rounding alone;
    /// [`super::budget`] has the rest.
    ///
    /// `repeatability` is the standard deviation of repeated *net* weighings (two readings each), so
    /// that one reading has half its variance; `None` and anything below 0.41 d count as 0.41 d.
    /// Rounding to d adds d²/12 a reading (JCGM 100:2008, F.2.2.1):
    ///
    /// u² = readings × (s²/2 + d²/12)
    ///
    /// `readings` counts the readings that the net weight is made of: 2 (tare and gross), 2 more for
    /// each time the tare was carried over a key press or a lift. Fewer than 1 counts as 1.
    pub fn net(d: Mass, repeatability: Option<Mass>, readings: u32) -> Uncertainty {
        let d = d.abs().to_g_f64();
        let floor = Uncertainty::REPEATABILITY_FLOOR * d;
        let s = repeatability.map_or(floor, |s| s.abs().to_g_f64().max(floor));
        let reading = s * s / 2.0 + d * d / 12.0;
        Uncertainty::with_coverage(
            (f64::from(readings.max(1)) * reading).sqrt(),
            Uncertainty::COVERAGE,
        )
    }

    /// A standard uncertainty known otherwise, in grams. `None` for NaN, infinity or less than 0.
    pub fn from_grams(u: f64) -> Option<Uncertainty> {
        let known = u.is_finite() && u >= 0.0;
        known.then_some(Uncertainty::with_coverage(u, Uncertainty::COVERAGE))
    }

    pub(super) const fn with_coverage(u: f64, k: f64) -> Uncertainty {
        Uncertainty { u, k }
    }

    /// The standard uncertainty u in grams.
    pub const fn grams(self) -> f64 {
        self.u
    }

    /// The coverage factor k.
    pub const fn coverage(self) -> f64 {
        self.k
    }

    /// `k` × u, rounded up to a nanogram. A `k` that is negative or not a number counts as 0.
    pub fn times(self, k: f64) -> Mass {
        let ng = (self.u * k.max(0.0) * 1e9).ceil();
        Mass::from_ng(ng.min(Mass::LIMIT.ng() as f64) as i64)
    }

    /// The standard uncertainty, rounded up to a nanogram.
    pub fn standard(self) -> Mass {
        self.times(1.0)
    }

    /// The expanded uncertainty U = k u (a coverage of about 95 %; JCGM 100:2008, 6.3.3), rounded up.
    pub fn expanded(self) -> Mass {
        self.times(self.k)
    }

    /// The guard band of `guard` standard uncertainties, as wide as many more where u rests on few
    /// observations.
    pub fn band(self, guard: f64) -> Mass {
        self.times(guard * self.k / Uncertainty::COVERAGE)
    }

    /// The factor as a person is told of it: `k = 2`, `k = 2.32`.
    pub fn told_coverage(self) -> String {
        format!("k = {}", self.k)
    }

    /// U in grams as a person is told of it: rounded up to the milligram.
    pub fn told(self) -> Grams {
        self.expanded().ceil_to(Mass::from_mg(1)).grams_rounded(3)
    }
}
