//! The shape of a change of load: did something land on the pan, or was it poured?
//!
//! A vessel that is set down arrives at once and the indication follows it as the scale's filter
//! lets it: what is still missing shrinks by the same factor in every equal time. A pour lasts. The
//! measure is the mean time by which the load arrived: the area under "what is still missing",
//! divided by what was missing at its beginning. For a first-order filter that is its time constant,
//! for a steady pour half of the pour's duration.

use super::pour::most_poured;
use crate::mass::Mass;
use crate::scale::Moment;

/// Readings kept; when full, every second one is dropped, so a long pour keeps its shape.
const MOST_POINTS: usize = 512;

/// The readings since the load was last at rest.
#[derive(Debug, Clone, Default)]
pub struct Trace {
    points: Vec<(Moment, Mass)>,
    /// Keep one reading in `1 << thin`.
    thin: u32,
    count: u32,
}

impl Trace {
    /// Begins anew at a load at rest.
    pub fn begin(&mut self, at: Moment, weight: Mass) {
        self.points.clear();
        self.points.push((at, weight));
        self.thin = 0;
        self.count = 0;
    }

    pub fn push(&mut self, at: Moment, weight: Mass) {
        self.count = self.count.wrapping_add(1);
        if self.count & ((1 << self.thin) - 1) != 0 {
            return;
        }
        if self.points.len() >= MOST_POINTS {
            let mut keep = false;
            self.points.retain(|_| {
                keep = !keep;
                keep
            });
            self.thin = (self.thin + 1).min(16);
        }
        self.points.push((at, weight));
    }

    /// The shape of the rise from `start` to `end`, both as shown; `d` is the readability.
    pub fn rise(&self, start: Mass, end: Mass, d: Mass) -> Rise {
        let span = end - start;
        let slow = self.mean_arrival(end, span, 0.8, d);
        let tail = [0.5, 0.15, 0.05, 0.015, 0.005]
            .into_iter()
            .chain([25, 12].map(|n| (d * n).to_g_f64() / span.to_g_f64().max(1e-9)))
            .map(|part| self.mean_arrival(end, span, part, d))
            .fold(0.0, f64::max);
        Rise {
            body: slow,
            seen: self.missing_at_first(end, span, 0.8) >= span.ratio(3, 10),
            tail,
            early: self.mean_arrival(end, span, 0.15, d),
            stepped: self.is_stepped(end, span, d),
            leapt: self.leaps(d),
        }
    }

    /// Whether more came between two readings than a hand pours.
    fn leaps(&self, d: Mass) -> bool {
        self.points.windows(2).any(|pair| {
            let most = most_poured(pair[1].0.since(pair[0].0)) + d * 20;
            pair[1].1 - pair[0].1 > most
        })
    }

    /// Whether it stood still for 0.3 s with most of the load there, and then rose once more: no filter
    /// does that.
    fn is_stepped(&self, end: Mass, span: Mass, d: Mass) -> bool {
        let mut since: Option<(Moment, Mass)> = None;
        self.points.iter().any(|&(at, weight)| {
            let missing = end - weight;
            if missing <= d * 5 || missing > span.ratio(1, 2) {
                since = None;
                return false;
            }
            match since {
                Some((then, old)) if (weight - old).abs() <= d => at.since(then) >= 300_000,
                Some(_) | None => {
                    since = Some((at, weight));
                    false
                }
            }
        })
    }

    /// What was missing at the first reading of the last `part`: little, when most of the load came
    /// between two readings.
    fn missing_at_first(&self, end: Mass, span: Mass, part: f64) -> Mass {
        let limit = Mass::from_ng((span.ng() as f64 * part) as i64);
        let first = self
            .points
            .iter()
            .rposition(|&(_, w)| end - w > limit)
            .map_or(0, |i| i + 1);
        self.points
            .get(first)
            .map_or(Mass::ZERO, |&(_, weight)| end - weight)
    }

    /// Mean arrival time in seconds of the last `part` (0 to 1) of the rise: 0 when it came within
    /// one reading.
    fn mean_arrival(&self, end: Mass, span: Mass, part: f64, d: Mass) -> f64 {
        let limit = Mass::from_ng((span.ng() as f64 * part) as i64);
        let floor = d * 2;
        // The first reading after the last one that missed more than this part.
        let first = self
            .points
            .iter()
            .rposition(|&(_, w)| end - w > limit)
            .map_or(0, |i| i + 1);
        let tail = self.points.get(first..).unwrap_or_default();
        let Some(&(_, begin)) = tail.first() else {
            return 0.0;
        };
        let missing_at_first = end - begin;
        if missing_at_first < d * 4 {
            return 0.0;
        }
        let missing = |w: Mass| -> f64 {
            let m = end - w;
            if m > floor { m.to_g_f64() } else { 0.0 }
        };
        let area: f64 = tail
            .windows(2)
            .map(|p| (missing(p[0].1) + missing(p[1].1)) / 2.0 * p[1].0.since(p[0].0) as f64 / 1e6)
            .sum();
        area / missing_at_first.to_g_f64()
    }
}

/// Mean arrival times of a rise, in seconds.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Rise {
    /// Of the main part (all but the first fifth).
    pub body: f64,
    /// Whether readings show the main part as it came.
    pub seen: bool,
    /// The longest among the late parts: a pour that began before the vessel was at rest shows here.
    pub tail: f64,
    /// Of the last 15 %: the filter's time constant when something landed.
    pub early: f64,
    /// It stood still on its way.
    pub stepped: bool,
    /// A part of it came faster than a pour.
    pub leapt: bool,
}

impl Rise {
    /// Whether it has the shape of a vessel set down, on a scale whose filter has time constant
    /// `lag` (seconds).
    pub fn is_landing(&self, lag: f64) -> bool {
        let follows = self.tail <= 2.5 * self.body.max(lag / 2.0) + 0.15;
        follows
            && !self.stepped
            && self.tail <= (2.0 * lag + 0.2).clamp(0.5, 0.7)
            && self.body <= 0.7
    }

    /// Whether it can only be a pour: longer than any hand takes to set something down.
    pub fn is_pour(&self) -> bool {
        self.body >= 0.9 && self.seen && !self.leapt
    }
}
