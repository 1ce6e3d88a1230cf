//! Wander: how far the indication strays under a load that does not change.
//!
//! A slow draught moves a 0.01 g scale by several steps and lets it rest at each crest for longer
//! than any window of steadiness. What gives it away is that it comes back: a late drop only adds.

use std::collections::VecDeque;

use crate::mass::Mass;
use crate::scale::Moment;

/// How far back it looks: 6 s.
const WINDOW_US: u64 = 6_000_000;
const MOST_READINGS: usize = 400;

#[derive(Debug, Clone, Default)]
pub struct Wander {
    recent: VecDeque<(Moment, Mass)>,
}

impl Wander {
    pub fn reset(&mut self) {
        self.recent.clear();
    }

    /// Takes a reading. A change faster than 30 d a second is no draught but a pour or a bump, and
    /// begins anew: what counts is how quiet it was since.
    pub fn push(&mut self, at: Moment, weight: Mass, d: Mass) {
        let earlier = self
            .recent
            .iter()
            .rev()
            .find(|&&(then, _)| at.since(then) >= 200_000);
        let fast = earlier.or(self.recent.front()).is_some_and(|&(then, old)| {
            let tenths = (at.since(then) / 100_000).max(2) as i64;
            (weight - old).abs() > d * 3 * tenths
        });
        if fast {
            self.recent.clear();
        }
        self.recent.push_back((at, weight));
        while self.recent.len() > MOST_READINGS
            || self
                .recent
                .front()
                .is_some_and(|&(first, _)| at.since(first) > WINDOW_US)
        {
            self.recent.pop_front();
        }
    }

    /// The smaller of the greatest rise and the greatest fall in the window, less one step of `d`
    /// for rounding: zero for a quiet scale, and for a load that only grows.
    pub fn amount(&self, d: Mass) -> Mass {
        let Some(&(_, first)) = self.recent.front() else {
            return Mass::ZERO;
        };
        let (mut low, mut high) = (first, first);
        let (mut rise, mut fall) = (Mass::ZERO, Mass::ZERO);
        for &(_, weight) in &self.recent {
            low = low.min(weight);
            high = high.max(weight);
            rise = rise.max(weight - low);
            fall = fall.max(high - weight);
        }
        (rise.min(fall) - d).max(Mass::ZERO)
    }
}
