//! Wander: how far the indication strays under a load that does not change.
//!
//! A slow draught moves a 0.01 g scale by several steps and lets it rest at each crest for longer
//! than any window of steadiness. What gives it away is that it comes back: a late drop only adds.
//! It does not begin with the step either: how restless the pan was in the last minutes counts too.

use std::collections::VecDeque;

use crate::mass::Mass;
use crate::scale::Moment;

/// How far back one stretch of the same load is looked at: 60 s.
const WINDOW_US: u64 = 60_000_000;
/// The indication is averaged over this time, so that noise is no wander: 0.5 s.
const SLICE_US: u64 = 500_000;
/// A restlessness seen earlier counts half after 90 s.
const HALF_LIFE_S: f64 = 90.0;

#[derive(Debug, Clone, Default)]
pub struct Wander {
    /// Means of slices, with the time of their last reading.
    slices: VecDeque<(Moment, i64)>,
    /// The slice under way: its beginning, the sum and the count.
    open: Option<(Moment, i128, i64)>,
    newest: Option<(Moment, Mass)>,
    /// The wander of earlier stretches, in nanograms, and when it was last looked at.
    before: (f64, Moment),
}

impl Wander {
    /// A new load: what was seen under the last one is remembered.
    pub fn reset(&mut self) {
        let at = self.newest.map_or(self.before.1, |(at, _)| at);
        let seen = self.back_and_forth();
        self.before = (self.remembered(at).max(seen as f64), at);
        self.slices.clear();
        self.open = None;
        self.newest = None;
    }

    /// Takes a reading. A change faster than 30 d a second is no draught but a pour or a bump, and
    /// begins anew.
    pub fn push(&mut self, at: Moment, weight: Mass, d: Mass) {
        if let Some((then, last)) = self.newest {
            let tenths = (at.since(then) / 100_000).max(1) as i64;
            if (weight - last).abs() > d * 3 * tenths {
                self.reset();
            }
        }
        self.newest = Some((at, weight));
        match &mut self.open {
            Some((since, sum, n)) if at.since(*since) < SLICE_US => {
                *sum += i128::from(weight.ng());
                *n += 1;
            }
            Some((_, sum, n)) => {
                let mean = (*sum / i128::from((*n).max(1))) as i64;
                self.slices.push_back((at, mean));
                self.open = Some((at, i128::from(weight.ng()), 1));
            }
            None => self.open = Some((at, i128::from(weight.ng()), 1)),
        }
        while self
            .slices
            .front()
            .is_some_and(|&(first, _)| at.since(first) > WINDOW_US)
        {
            self.slices.pop_front();
        }
    }

    fn remembered(&self, at: Moment) -> f64 {
        let (seen, then) = self.before;
        seen * (-(at.since(then) as f64 / 1e6) / HALF_LIFE_S * std::f64::consts::LN_2).exp()
    }

    /// The smaller of the greatest rise and the greatest fall of this stretch: zero for a load that
    /// only grows.
    fn back_and_forth(&self) -> i64 {
        let Some(&(_, first)) = self.slices.front() else {
            return 0;
        };
        let (mut low, mut high) = (first, first);
        let (mut rise, mut fall) = (0, 0);
        for &(_, weight) in &self.slices {
            low = low.min(weight);
            high = high.max(weight);
            rise = rise.max(weight - low);
            fall = fall.max(high - weight);
        }
        rise.min(fall)
    }

    /// How far the indication strays on this scale in these minutes, less one step of `d` for
    /// rounding: zero for a quiet scale.
    pub fn amount(&self, d: Mass) -> Mass {
        let at = self.newest.map_or(self.before.1, |(at, _)| at);
        let seen = (self.back_and_forth() as f64).max(self.remembered(at));
        (Mass::from_ng(seen as i64) - d).max(Mass::ZERO)
    }
}
