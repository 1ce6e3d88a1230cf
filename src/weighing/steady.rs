//! Steadiness of the indication.
//!
//! OIML R 76-1:2006, 4.4.2: equilibrium is stable when what is printed or stored deviates by not
//! more than 1 e from the final value, so that at most two adjacent values show. Our window asks the
//! same of every reading of the last second; the scale's own flag, where it has one and gives it, is asked *too*.

use std::collections::VecDeque;

use crate::mass::Mass;
use crate::time::Moment;

/// Readings further apart than this do not belong to one window: 1.5 s.
const LONGEST_GAP_US: u64 = 1_500_000;
/// As many as the longest window (10 s) holds of a line at 115200 baud (800 a second); bounds the
/// memory. A faster flood than that never rests.
const MOST_READINGS: usize = 8192;

/// A mark that stays away for so long while the window is full says nothing of rest: the scale, or its bench, is such
/// that it never comes. 8 s, four times what a scale takes for it.
const MARK_AWAY_US: u64 = 8_000_000;

/// Two readings that agree may be a chance.
const FEWEST_READINGS: usize = 3;

/// A steady indication.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Level {
    /// The reading nearest to the window's mean: always a value that the scale did show.
    pub weight: Mass,
    /// The readability in force when it was read.
    pub d: Mass,
    /// How many readings it rests on.
    pub readings: u32,
    pub at: Moment,
    /// When the indication became steady.
    pub since: Moment,
}

/// An empty pan that shows the same for 0.4 s tells what lies on it, to a few steps.
pub(super) const FLAT_US: u64 = 400_000;

impl Level {
    /// The readings in a row that agree with this one to a step, `flat` being those before it.
    pub fn go_on(flat: Option<Level>, at: Moment, weight: Mass, d: Mass) -> Level {
        let before = flat.filter(|flat| (weight - flat.weight).abs() <= d);
        Level {
            weight,
            d,
            readings: before.map_or(0, |flat| flat.readings) + 1,
            at,
            since: before.map_or(at, |flat| flat.since),
        }
    }

    /// Whether it is the rest of `before`, some readings later.
    pub fn goes_on_from(&self, before: &Level) -> bool {
        (self.weight, self.d, self.since) == (before.weight, before.d, before.since)
    }

    /// Whether readings agreed for as long as that, at rest or not, where a display `holds` each weight for so many
    /// microseconds.
    pub fn is_flat_for(&self, holds: u64) -> bool {
        let long = FLAT_US + holds * 2;
        self.readings >= FEWEST_READINGS as u32 && self.at.since(self.since) >= long
    }

    /// Whether it is one reading of an indication that never rests.
    pub fn flickers(&self) -> bool {
        self.readings < FEWEST_READINGS as u32
    }
}

/// A stay of the indication that is too restless, or too short, for a rest: readings that keep within a
/// band.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Stand {
    since: Moment,
    at: Moment,
    pub low: Mass,
    pub high: Mass,
    readings: u32,
}

/// 0.6 s, and as long as the scale's filter makes a plateau of what comes and goes.
const STAND_US: u64 = 600_000;

impl Stand {
    /// The stand that goes on with this reading, or begins with it.
    pub fn follow(stand: Option<Stand>, at: Moment, weight: Mass, band: Mass) -> Stand {
        let within = |stand: &Stand| {
            let (low, high) = (stand.low.min(weight), stand.high.max(weight));
            high - low <= band
        };
        match stand.filter(within) {
            Some(stand) => Stand {
                since: stand.since,
                at,
                low: stand.low.min(weight),
                high: stand.high.max(weight),
                readings: stand.readings.saturating_add(1),
            },
            None => Stand {
                since: at,
                at,
                low: weight,
                high: weight,
                readings: 1,
            },
        }
    }

    pub fn since(&self) -> Moment {
        self.since
    }

    /// For 0.6 s and three readings, on a scale that needs `swift` seconds from 10 to 90 % of a load: no
    /// hand on its way stays in place for so long, and no gap in a moving average does.
    pub fn lasts(&self, swift: f64) -> bool {
        let filter = (1.5 * swift.clamp(0.0, 10.0) * 1e6) as u64;
        self.readings >= 3 && self.at.since(self.since) >= STAND_US + filter
    }

    pub fn middle(&self) -> Mass {
        (self.low + self.high).ratio(1, 2)
    }
}

/// Readings in a row that agree to a step, and all of them with the first to two: the end of a slow fall does not,
/// however little it falls from line to line.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Flat {
    pub level: Level,
    first: Mass,
}

impl Flat {
    /// Those that agree with this reading, `flat` being those before it.
    pub fn follow(flat: Option<Flat>, at: Moment, weight: Mass, d: Mass) -> Flat {
        let before = flat.filter(|flat| (weight - flat.first).abs() <= d * 2);
        let level = Level::go_on(before.map(|flat| flat.level), at, weight, d);
        let goes_on = before.filter(|_| level.readings > 1);
        Flat {
            level,
            first: goes_on.map_or(weight, |flat| flat.first),
        }
    }
}

/// The window of the latest readings that lie within one scale interval of each other.
#[derive(Debug, Clone)]
pub struct Steady {
    /// The window, as it was set and in microseconds.
    window: f64,
    window_us: u64,
    run: VecDeque<(Moment, Mass)>,
    /// Of all weights in `run`, in nanograms: whatever comes or goes there is added or taken off (`add`, `drop_first`).
    sum: i128,
    /// No weight in `run` is below or above these.
    lowest: Mass,
    highest: Mass,
    since: Option<Moment>,
    d: Mass,
    /// Since when the window is full and the scale says that it moves.
    unmarked_since: Option<Moment>,
    /// That was so for too long: the mark is not waited for until it is seen again.
    mark_away: bool,
}

fn window_us(seconds: f64) -> u64 {
    (seconds.clamp(0.1, 60.0) * 1e6) as u64
}

impl Steady {
    /// `window` in seconds (0.3 to 10).
    pub fn new(window: f64) -> Steady {
        Steady {
            window,
            window_us: window_us(window),
            run: VecDeque::with_capacity(64),
            sum: 0,
            lowest: Mass::ZERO,
            highest: Mass::ZERO,
            since: None,
            d: Mass::ZERO,
            unmarked_since: None,
            mark_away: false,
        }
    }

    /// A slower scale needs a longer window: what still creeps in is then less than a fifth of d.
    pub fn set_window(&mut self, seconds: f64) {
        if seconds != self.window {
            self.window = seconds;
            self.window_us = window_us(seconds);
        }
    }

    /// Forgets everything: after an overload, a gap, a change of unit or a key press.
    pub fn reset(&mut self) {
        self.run.clear();
        self.sum = 0;
        self.since = None;
        self.unmarked_since = None;
    }

    fn add(&mut self, at: Moment, weight: Mass) {
        self.run.push_back((at, weight));
        self.sum += i128::from(weight.ng());
    }

    fn drop_first(&mut self) {
        if let Some((_, weight)) = self.run.pop_front() {
            self.sum -= i128::from(weight.ng());
        }
    }

    /// Takes a reading; `mark` is the scale's own word, `d` the readability of this reading. One that does not
    /// `count` is never steady. Returns whether the indication is steady now.
    pub fn push(
        &mut self,
        at: Moment,
        weight: Mass,
        d: Mass,
        mark: Option<bool>,
        counts: bool,
    ) -> bool {
        if let Some(&(last, _)) = self.run.back()
            && (at.since(last) > LONGEST_GAP_US || d != self.d)
        {
            self.reset();
        }
        self.d = d;
        self.extend(at, weight);
        let covered = self
            .run
            .front()
            .is_some_and(|&(first, _)| at.since(first) >= self.window_us);
        let still = counts && covered && self.run.len() >= FEWEST_READINGS;
        if self.rests(at, mark, still) {
            self.since.get_or_insert(at);
            self.trim(at);
        } else {
            self.since = None;
        }
        self.since.is_some()
    }

    /// As [`Steady::push`] with what the last reading said once more, where the rest surely goes on. Where it may not,
    /// nothing is taken and `false` given.
    pub fn goes_on(&mut self, at: Moment, mark: Option<bool>) -> bool {
        let (Some(&(first, _)), Some(&(last, weight))) = (self.run.front(), self.run.back()) else {
            return false;
        };
        let sure = self.since.is_some()
            && mark != Some(false)
            && at.since(first) >= self.window_us
            && at.since(last) <= LONGEST_GAP_US
            && (FEWEST_READINGS..MOST_READINGS).contains(&self.run.len());
        if sure {
            self.unmarked_since = None;
            self.mark_away &= mark.is_none();
            self.add(at, weight);
            self.trim(at);
        }
        sure
    }

    /// Whether a window that is `still` is a rest by the scale's own mark.
    fn rests(&mut self, at: Moment, mark: Option<bool>, still: bool) -> bool {
        let held_back = still && mark == Some(false);
        self.unmarked_since = held_back.then(|| self.unmarked_since.unwrap_or(at));
        let since = self.unmarked_since;
        self.mark_away |= since.is_some_and(|since| at.since(since) >= MARK_AWAY_US);
        self.mark_away &= mark != Some(true);
        still && (!held_back || self.mark_away)
    }

    /// Adds the reading and drops, from the old end, whatever is more than 1 d away from it.
    fn extend(&mut self, at: Moment, weight: Mass) {
        if self.run.is_empty() {
            self.lowest = weight;
            self.highest = weight;
        } else {
            let lowest = self.lowest.min(weight);
            let highest = self.highest.max(weight);
            if highest - lowest > self.d {
                self.since = None;
                self.shorten_to_fit(weight);
            } else {
                self.lowest = lowest;
                self.highest = highest;
            }
        }
        self.add(at, weight);
        if self.run.len() > MOST_READINGS {
            self.drop_first();
        }
    }

    fn shorten_to_fit(&mut self, weight: Mass) {
        let (mut lowest, mut highest) = (weight, weight);
        let mut keep = 0;
        for &(_, other) in self.run.iter().rev() {
            let (l, h) = (lowest.min(other), highest.max(other));
            if h - l > self.d {
                break;
            }
            (lowest, highest) = (l, h);
            keep += 1;
        }
        while self.run.len() > keep {
            self.drop_first();
        }
        self.lowest = lowest;
        self.highest = highest;
    }

    /// Drops readings older than the window, so that old ones do not weigh in the mean. Always
    /// keeps enough to cover the window.
    fn trim(&mut self, at: Moment) {
        while self.run.len() > FEWEST_READINGS && at.since(self.run[1].0) >= self.window_us {
            self.drop_first();
        }
    }

    pub fn is_steady(&self) -> bool {
        self.since.is_some()
    }

    /// Of the readings in the window, the newest of those that are as near.
    fn nearest_to_mean(&self) -> Option<Mass> {
        let mean = self.mean();
        let off = |w: &Mass| w.ng().abs_diff(mean);
        let shown = self.run.iter().rev().map(|&(_, w)| w);
        shown.min_by_key(off)
    }

    /// Of the readings in the window, in nanograms.
    fn mean(&self) -> i64 {
        // The mean of so many is as small as they are.
        (self.sum / self.run.len().max(1) as i128) as i64
    }

    /// The steady indication, if there is one now.
    #[inline]
    pub fn level(&self) -> Option<Level> {
        let since = self.since?;
        let &(at, newest) = self.run.back()?;
        let weight = if self.lowest == self.highest {
            // All of them show the same.
            newest
        } else {
            self.nearest_to_mean().unwrap_or(newest)
        };
        Some(Level {
            weight,
            d: self.d,
            readings: self.run.len() as u32,
            at,
            since,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const D: Mass = Mass::from_mg(10);

    fn at(ms: u64) -> Moment {
        Moment::from_millis(10_000 + ms)
    }

    /// The end of a slow fall agrees from line to line, and not with where it began.
    #[test]
    fn what_is_flat_agrees_with_its_first_reading_too() {
        for (steps, readings) in [
            (&[0, 1, 2, 1][..], 4),
            (&[0, 1, 2, 3], 1),
            // A step of two begins anew, and what follows is held against that.
            (&[0, 2, 3], 2),
            (&[0, 2, 3, 4], 3),
            (&[0, 2, 3, 4, 5], 1),
        ] {
            let mut flat = None;
            for (i, &n) in steps.iter().enumerate() {
                flat = Some(Flat::follow(flat, at(i as u64 * 100), D * n, D));
            }
            assert_eq!(
                flat.map(|flat| flat.level.readings),
                Some(readings),
                "{steps:?}"
            );
        }
    }

    /// Three readings of the same, the second so long after the first: whether they are a rest.
    fn rests_over(gap: u64) -> bool {
        let mut steady = Steady::new(1.0);
        let mut rests = false;
        for ms in [0, gap, gap + 500] {
            rests = steady.push(at(ms), D, D, None, true);
        }
        rests
    }

    #[test]
    fn no_rest_goes_over_a_gap_in_the_readings() {
        assert!(rests_over(LONGEST_GAP_US / 1_000));
        assert!(!rests_over(LONGEST_GAP_US / 1_000 + 1));
    }

    #[test]
    fn a_long_window_of_a_fast_scale_keeps_no_more_than_it_may() {
        let mut steady = Steady::new(10.0);
        for i in 0..=MOST_READINGS as u64 * 2 {
            steady.push(Moment(i * 1_000), D, D, None, true);
        }
        let readings = steady.level().map(|level| level.readings as usize);
        assert_eq!(readings, None);
        assert_eq!(steady.run.len(), MOST_READINGS);
    }

    /// A mark that never comes is not waited for, until it is seen again; one that never was is none that is away.
    #[test]
    fn a_mark_that_was_seen_again_is_waited_for() {
        for (mark, waits) in [(Some(true), true), (None, false)] {
            let (mut steady, mut ms) = (Steady::new(1.0), 0);
            let push = |steady: &mut Steady, ms: &mut u64, grams: i64, mark: Option<bool>| {
                *ms += 100;
                steady.push(at(*ms), Mass::from_g(grams), D, mark, true)
            };
            // It rests for ten seconds, and the scale says that it moves.
            for _ in 0..100 {
                push(&mut steady, &mut ms, 150, Some(false));
            }
            assert!(steady.is_steady());
            ms += 100;
            assert!(steady.goes_on(at(ms), mark));
            let mut rests = false;
            for _ in 0..20 {
                rests = push(&mut steady, &mut ms, 160, Some(false));
            }
            assert_eq!(rests, !waits, "{mark:?}");
        }
        let (mut steady, mut rests) = (Steady::new(1.0), false);
        for i in 0..20 {
            steady.push(at(i * 100), D, D, None, true);
        }
        assert!(steady.goes_on(at(2_000), None));
        for i in 21..40 {
            rests = steady.push(at(i * 100), D * 900, D, Some(false), true);
        }
        assert!(!rests);
    }
}
