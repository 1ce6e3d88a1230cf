//! Wander: how far the indication strays under a load that does not change.
//!
//! A slow draught moves a 0.01 g scale by several steps and lets it rest at each crest for longer
//! than any window of steadiness. What gives it away is that it comes back: a late drop only adds.
//! It does not begin with the step either: how restless the pan was in the last minutes counts too.

use std::collections::VecDeque;

use crate::mass::Mass;
use crate::time::Moment;

/// How far back one stretch of the same load is looked at: 60 s.
const WINDOW_US: u64 = 60_000_000;
/// The indication is averaged over this time, so that noise is no wander: 0.5 s.
const SLICE_US: u64 = 500_000;
/// How fast it changes is told over this time at least: 0.05 s.
const PACE_US: u64 = 50_000;
/// What the empty pan showed counts for this long: 3 min.
const IDLE_US: u64 = 180_000_000;
/// No scale follows a load in less, by what is known before it was learned: 2 s.
const LEAST_SETTLING_US: u64 = 2_000_000;
/// A restlessness seen earlier counts half after 90 s.
const HALF_LIFE_S: f64 = 90.0;

#[derive(Debug, Clone, Default)]
pub struct Wander {
    slices: Slices,
    /// The slice under way: its beginning, the sum and the count.
    open: Option<(Moment, i128, i64)>,
    newest: Option<(Moment, Mass)>,
    /// The last reading that its speed is told from.
    paced: Option<(Moment, Mass)>,
    /// The wander of earlier stretches, in nanograms, and when it was last looked at.
    before: (f64, Moment),
    /// The pan is empty: what it shows from one time to the next is kept beside all loads.
    pub idle: bool,
    idle_slices: Slices,
    /// When this stretch began, and for how long the scale follows a load after that, in microseconds.
    begun: Option<Moment>,
    settling_us: u64,
    lately: Lately,
}

/// The least and the most that was shown in each slice of the last 3 s, by its beginning, whatever came or went.
#[derive(Debug, Clone, Default)]
struct Lately(VecDeque<(Moment, Mass, Mass)>);

/// So far back what it does now is told: 3 s.
const LATELY_US: u64 = 3_000_000;

impl Lately {
    fn push(&mut self, at: Moment, weight: Mass) {
        match self.0.back_mut() {
            Some((since, low, high)) if at.since(*since) < SLICE_US => {
                *low = weight.min(*low);
                *high = weight.max(*high);
            }
            Some(_) | None => self.0.push_back((at, weight, weight)),
        }
        while self
            .0
            .front()
            .is_some_and(|&(first, ..)| at.since(first) > LATELY_US)
        {
            self.0.pop_front();
        }
    }

    fn range(&self) -> Option<Mass> {
        let low = self.0.iter().map(|&(_, low, _)| low).min()?;
        let high = self.0.iter().map(|&(.., high)| high).max()?;
        (self.0.len() >= 3).then_some(high - low)
    }
}

/// Means of slices, with the time of their last reading, and what they come to.
#[derive(Debug, Clone, Default)]
struct Slices {
    means: VecDeque<(Moment, i64)>,
    /// [`back_and_forth`] of them; each method that changes them works it out anew, twice a second.
    to_and_fro: i64,
}

impl Slices {
    fn push(&mut self, at: Moment, mean: i64) {
        self.means.push_back((at, mean));
        self.to_and_fro = back_and_forth(&self.means);
    }

    fn forget_before(&mut self, now: Moment, longest: u64) {
        let old = |slices: &VecDeque<(Moment, i64)>| {
            slices
                .front()
                .is_some_and(|&(first, _)| now.since(first) > longest)
        };
        if !old(&self.means) {
            return;
        }
        while old(&self.means) {
            self.means.pop_front();
        }
        self.to_and_fro = back_and_forth(&self.means);
    }

    fn clear(&mut self) {
        self.means.clear();
        self.to_and_fro = 0;
    }
}

impl Wander {
    /// A new load: what was seen under the last one is remembered.
    pub fn reset(&mut self) {
        let at = self.newest.map_or(self.before.1, |(at, _)| at);
        let seen = self.slices.to_and_fro;
        self.before = (self.remembered(at).max(seen as f64), at);
        self.forget_stretch();
        self.newest = None;
        self.paced = None;
        self.begun = None;
    }

    /// Another frame: what the empty pan showed before is no measure now.
    pub fn forget_idle(&mut self) {
        self.idle_slices.clear();
    }

    /// The scale follows a load for so many seconds.
    pub fn set_settling(&mut self, seconds: f64) {
        self.settling_us = (seconds.clamp(0.0, 60.0) * 1e6) as u64;
    }

    /// What this stretch showed was a person's doing.
    pub fn forget_stretch(&mut self) {
        self.slices.clear();
        self.open = None;
    }

    /// Takes a reading. A change faster than 30 d a second is no draught but a pour or a bump, and
    /// begins anew.
    pub fn push(&mut self, at: Moment, weight: Mass, d: Mass) {
        self.lately.push(at, weight);
        let (then, last) = *self.paced.get_or_insert((at, weight));
        let tenths = at.since(then) / 100_000;
        if (weight - last).abs() > d * 3 * tenths.max(1) as i64 {
            self.reset();
        }
        // Of lines that come many times in a tenth of a second one alone tells no speed.
        if at.since(then) >= PACE_US || self.newest.is_none() {
            self.paced = Some((at, weight));
        }
        self.newest = Some((at, weight));
        let begun = *self.begun.get_or_insert(at);
        match &mut self.open {
            Some((since, sum, n)) if at.since(*since) < SLICE_US => {
                *sum += i128::from(weight.ng());
                *n += 1;
            }
            Some((_, sum, n)) => {
                let mean = (*sum / i128::from((*n).max(1))) as i64;
                // Until the scale has followed the last load what it shows is the filter's.
                if at.since(begun) > self.settling_us {
                    self.slices.push(at, mean);
                }
                if self.idle && at.since(begun) > self.settling_us.max(LEAST_SETTLING_US) {
                    self.idle_slices.push(at, mean);
                }
                self.open = Some((at, i128::from(weight.ng()), 1));
            }
            None => self.open = Some((at, i128::from(weight.ng()), 1)),
        }
        self.slices.forget_before(at, WINDOW_US);
        self.idle_slices.forget_before(at, IDLE_US);
    }

    fn remembered(&self, at: Moment) -> f64 {
        let (seen, then) = self.before;
        if seen == 0.0 {
            return 0.0;
        }
        seen * (-(at.since(then) as f64 / 1e6) / HALF_LIFE_S * std::f64::consts::LN_2).exp()
    }

    /// What came to rest now stood there with nothing added to it: all that it did once the scale had
    /// followed it is wander, to and fro or not.
    pub fn stood_alone(&mut self) {
        let (Some((now, _)), Some(begun)) = (self.newest, self.begun) else {
            return;
        };
        let settled = |at: Moment| at.since(begun) > self.settling_us.max(LEAST_SETTLING_US);
        let later = self.slices.means.iter().filter(|&&(at, _)| settled(at));
        let weights = later.map(|&(_, weight)| weight);
        let low = weights.clone().min().unwrap_or_default();
        let stray = weights.max().unwrap_or_default() - low;
        self.before = (self.remembered(now).max(stray as f64), now);
    }

    /// From the least to the most that was shown in the last 3 s, where each line may be far from the one before.
    pub fn least_to_most(&self) -> Option<Mass> {
        self.lately.range()
    }

    /// How far the indication went in the last 3 s, where it did not go anywhere for good.
    pub fn lately(&self) -> Option<Mass> {
        let (now, _) = self.newest?;
        let late = self
            .slices
            .means
            .iter()
            .filter(|(at, _)| now.since(*at) <= LATELY_US);
        let weights = late.map(|&(_, weight)| weight);
        if weights.clone().count() < 3 {
            return None;
        }
        Some(Mass::from_ng(weights.clone().max()? - weights.min()?))
    }

    /// Whether [`Wander::amount`] is zero, whatever time it is.
    pub fn is_calm(&self, d: Mass) -> bool {
        let seen = self.slices.to_and_fro.max(self.idle_slices.to_and_fro);
        seen <= d.ng() && self.before.0 <= d.ng() as f64
    }

    /// How far the indication strays on this scale in these minutes, less one step of `d` for
    /// rounding: zero for a quiet scale.
    pub fn amount(&self, d: Mass) -> Mass {
        let seen = self.slices.to_and_fro.max(self.idle_slices.to_and_fro);
        if seen == 0 && self.before.0 == 0.0 {
            return (-d).max(Mass::ZERO);
        }
        let at = self.newest.map_or(self.before.1, |(at, _)| at);
        let seen = (seen as f64).max(self.remembered(at));
        (Mass::from_ng(seen as i64) - d).max(Mass::ZERO)
    }
}

/// The smaller of the greatest rise and the greatest fall: zero for a load that only grows.
fn back_and_forth(slices: &VecDeque<(Moment, i64)>) -> i64 {
    let Some(&(_, first)) = slices.front() else {
        return 0;
    };
    let (mut low, mut high) = (first, first);
    let (mut rise, mut fall) = (0, 0);
    for &(_, weight) in slices {
        low = low.min(weight);
        high = high.max(weight);
        rise = rise.max(weight - low);
        fall = fall.max(high - weight);
    }
    rise.min(fall)
}

#[cfg(test)]
mod tests {
    use super::*;

    const D: Mass = Mass::from_mg(10);

    /// Ten readings a second for so many seconds, which go to and fro by so many steps in four seconds.
    fn sways(wander: &mut Wander, now: &mut u64, seconds: u64, steps: i64) {
        for _ in 0..seconds * 10 {
            let high = *now / 2_000 % 2 == 1;
            let weight = Mass::from_g(150) + D * if high { steps } else { 0 };
            wander.push(Moment::from_millis(*now), weight, D);
            *now += 100;
        }
    }

    /// A draught of a minute ago is none now: the uncertainty of what is weighed then does not hold it. On the empty pan
    /// it counts for three.
    #[test]
    fn a_load_that_comes_is_no_wander_however_often_it_is_told() {
        // 10 g come within a second, told 10, 50 or 200 times in it: what stands there alone has not strayed.
        for line in [100, 20, 5] {
            let mut wander = Wander::default();
            for now in (0..20_000_u64).step_by(line) {
                let come = (now.saturating_sub(5_000)).min(1_000) as i64;
                wander.push(
                    Moment::from_millis(now),
                    Mass::from_mg(10) * come,
                    Mass::from_mg(100),
                );
            }
            wander.stood_alone();
            assert_eq!(wander.amount(Mass::from_mg(100)), Mass::ZERO, "{line} ms");
        }
    }

    #[test]
    fn what_strayed_longer_ago_than_its_time_is_forgotten() {
        for (idle, calm, strays) in [
            (false, 50, true),
            (false, 62, false),
            (true, 62, true),
            (true, 170, true),
            (true, 182, false),
        ] {
            let (mut wander, mut now) = (Wander::default(), 1_000_000);
            wander.idle = idle;
            sways(&mut wander, &mut now, 20, 3);
            assert_eq!(wander.amount(D), D * 2);
            sways(&mut wander, &mut now, calm, 0);
            assert_eq!(wander.amount(D) == D * 2, strays, "{idle} {calm}");
            assert_eq!(wander.amount(D) == Mass::ZERO, !strays, "{idle} {calm}");
        }
    }

    #[test]
    fn a_slice_is_old_once_it_is_further_back_than_that() {
        let mut slices = Slices::default();
        for (at, mean) in [(0, 50), (1, 20), (2, 40), (3, 30)] {
            slices.push(Moment(at), mean);
        }
        assert_eq!(slices.to_and_fro, 20);
        slices.forget_before(Moment(10), 10);
        assert_eq!(slices.means.len(), 4);
        slices.forget_before(Moment(11), 10);
        assert_eq!((slices.means.len(), slices.to_and_fro), (3, 10));
        slices.forget_before(Moment(13), 10);
        assert_eq!((slices.means.len(), slices.to_and_fro), (1, 0));
    }
}
