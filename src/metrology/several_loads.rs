//! A check at several loads: what a scale's gain, its linearity and the place of the load do, each with its
//! own uncertainty.
//!
//! The model is that of [`super::budget`]. The gain is that of the heaviest load; what the others deviate from
//! the line through it and no load is the linearity. Each load is weighed going up and going down, from an empty pan
//! each time. Half of what stands between these two, where it is beyond what the scale scatters, has drifted meanwhile
//! and is added: at the heaviest load to the gain, at the others, less what the gain explains, to the linearity.
//! One load is put down at four places around the middle: two differences across give the slope of a plane, the
//! mean of all four what a bowl-shaped error adds where it is beyond the scatter; else its scatter adds to u.
//!
//! An estimate is what was found, and its standard uncertainty u: scatter and rounding of the weighings, and the
//! limits of the weights (OIML R 111-1:2004, Table 1) as rectangular distributions (JCGM 100:2008, 4.3.7). The
//! half-width that goes into a budget is |found| + √3 u: where nothing was found, a rectangular distribution of
//! that width has the standard uncertainty u itself.

use super::ScaleAbility;
use super::budget::{Eccentricity, Errors};
use super::test_weights::{TestLoad, WeightClass};
use crate::mass::Mass;

/// The fewest loads that tell of a curve.
pub const LEAST_LOADS: usize = 3;

/// A difference beyond so many of its standard uncertainties is more than scatter.
const BEYOND_SCATTER: f64 = 3.0;

/// The net weights of one load, going up and going down.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct AtLoad {
    pub load: TestLoad,
    pub up: Mass,
    pub down: Mass,
}

/// The net weights of one of the loads halfway to the edge: front, right, back, left.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct OffCentre {
    pub load: TestLoad,
    pub nets: [Mass; 4],
}

/// What was found, with its standard uncertainty.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Estimate {
    pub found: f64,
    /// What it went to either side while it was measured, where that is more than scatter.
    pub drift: f64,
    pub u: f64,
}

impl Estimate {
    /// The half-width for a budget.
    pub fn limit(self) -> f64 {
        self.found.abs() + self.drift + 3f64.sqrt() * self.u
    }
}

/// What a check at several loads tells of a scale.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Errored {
    /// As a share of the load.
    pub gain: Estimate,
    /// In grams.
    pub linearity: Estimate,
    /// In grams, with [`Errored::place_load`] on the pan.
    pub place: Estimate,
    pub place_load: Mass,
}

impl Errored {
    /// Whether it showed another weight going down than going up, by more than it scatters.
    pub fn has_drifted(&self) -> bool {
        self.gain.drift > 0.0 || self.linearity.drift > 0.0
    }

    /// From weighings on `scale` with weights of `class`. `None` with fewer than [`LEAST_LOADS`] loads, or with
    /// a load off centre that was not in the middle too.
    pub fn of(
        loads: &[AtLoad],
        off_centre: &OffCentre,
        class: WeightClass,
        scale: &ScaleAbility,
    ) -> Option<Errored> {
        if loads.len() < LEAST_LOADS {
            return None;
        }
        let net = scale.net(super::Uncertainty::TARE_AND_GROSS);
        // An s of few weighings counts for as much more as its factor does.
        let one = net.grams() * net.coverage() / super::Uncertainty::COVERAGE;
        let seen = loads.iter().map(|at| Seen::of(at, class, one));
        let seen: Vec<Seen> = seen.collect::<Option<_>>()?;
        let top = *seen.iter().max_by(|a, b| a.load.total_cmp(&b.load))?;
        let gain = Estimate {
            found: top.off / top.load,
            drift: top.drift(0.0) / top.load,
            u: top.u() / top.load,
        };
        let middle = loads.iter().find(|at| at.load == off_centre.load)?;
        Some(Errored {
            gain,
            linearity: linearity(&seen, top),
            place: place(middle, off_centre, one),
            place_load: off_centre.load.nominal(),
        })
    }

    /// As a scale's budget takes it, rounded up: grams to the milligram, shares to a millionth. The rest is as
    /// in `before`.
    pub fn budgeted(&self, before: Errors) -> Errors {
        Errors {
            linearity: Some(up(self.linearity.limit())),
            // As the percent in the configuration reads: to the last bit.
            sensitivity: Some(self.gain_millionths() as f64 / 1e4 / 100.0),
            eccentricity: Some(Eccentricity {
                limit: up(self.place.limit()),
                load: self.place_load,
            }),
            class: None,
            ..before
        }
    }

    /// The limit of the gain in millionths of the load, rounded up.
    pub fn gain_millionths(&self) -> i64 {
        // What the float holds beyond that is its own noise.
        (self.gain.limit() * 1e6 - 1e-6).ceil().clamp(1.0, 1e6) as i64
    }
}

/// The deviation of one load, with the two parts of its uncertainty, in grams.
#[derive(Debug, Clone, Copy)]
struct Seen {
    load: f64,
    off: f64,
    /// Half of what stands between up and down.
    half: f64,
    scatter: f64,
    weights: f64,
}

impl Seen {
    fn of(at: &AtLoad, class: WeightClass, one: f64) -> Option<Seen> {
        let nominal = at.load.nominal();
        let (up, down) = ((at.up - nominal).to_g_f64(), (at.down - nominal).to_g_f64());
        let load = nominal.to_g_f64();
        (load > 0.0).then_some(Seen {
            load,
            off: (up + down) / 2.0,
            half: (up - down).abs() / 2.0,
            scatter: one / 2f64.sqrt(),
            weights: at.load.permissible_error(class)?.to_g_f64() / 3f64.sqrt(),
        })
    }

    /// What is left of the drift where so much of it is explained.
    fn drift(&self, explained: f64) -> f64 {
        let left = self.half - explained;
        match left > BEYOND_SCATTER * self.scatter {
            true => left,
            false => 0.0,
        }
    }

    fn u(&self) -> f64 {
        self.scatter.hypot(self.weights)
    }
}

/// The largest limit that a load's deviation from the line through the heaviest one gives.
fn linearity(seen: &[Seen], top: Seen) -> Estimate {
    let off = |seen: &Seen| {
        let share = seen.load / top.load;
        Estimate {
            found: seen.off - share * top.off,
            drift: seen.drift(share * top.drift(0.0)),
            u: seen.u().hypot(share * top.u()),
        }
    };
    let below = seen.iter().filter(|seen| seen.load < top.load).map(off);
    let most = below.max_by(|a, b| a.limit().total_cmp(&b.limit()));
    most.unwrap_or(Estimate {
        found: 0.0,
        drift: 0.0,
        u: top.u(),
    })
}

fn place(middle: &AtLoad, off_centre: &OffCentre, one: f64) -> Estimate {
    let [front, right, back, left] = off_centre.nets.map(Mass::to_g_f64);
    let centre = (middle.up.to_g_f64() + middle.down.to_g_f64()) / 2.0;
    let slope = ((right - left) / 2.0).hypot((back - front) / 2.0);
    let bowl = ((front + right + back + left) / 4.0 - centre).abs();
    let (of_slope, of_bowl) = (one / 2f64.sqrt(), one * 0.75f64.sqrt());
    // What is no more than scatter is not found, and may be there as large as that.
    let (found, u) = match bowl > BEYOND_SCATTER * of_bowl {
        true => (slope + bowl, of_slope),
        false => (slope, of_slope.hypot(of_bowl)),
    };
    Estimate {
        found,
        drift: 0.0,
        u,
    }
}

/// Grams rounded up to the milligram, and never nothing.
fn up(grams: f64) -> Mass {
    let milligrams = (grams * 1e3 - 1e-6).ceil().clamp(1.0, 1e6);
    Mass::from_mg(milligrams as i64)
}
