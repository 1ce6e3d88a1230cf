//! Rate of a pour, and when to say "ease off".

use crate::mass::Mass;
use crate::time::Moment;

/// The rate rests on the readings of the last half second (at least three, at most 64).
const RATE_WINDOW_US: u64 = 500_000;

/// So many of them at most.
const MOST: usize = 64;

/// Rate of change of the indication.
#[derive(Debug, Clone)]
pub struct Rate {
    /// The last readings; the `count`th, from 0, stands at `count` modulo their number. Who asks for the rate looks for
    /// those that count: that is seldom.
    ring: [(Moment, Mass); MOST],
    count: usize,
    /// So many of them, from the newest, show the same.
    same: usize,
}

impl Default for Rate {
    fn default() -> Rate {
        Rate {
            ring: [(Moment::default(), Mass::ZERO); MOST],
            count: 0,
            same: 0,
        }
    }
}

impl Rate {
    pub fn reset(&mut self) {
        self.count = 0;
        self.same = 0;
    }

    pub fn push(&mut self, at: Moment, weight: Mass) {
        let same = self.newest().next().is_some_and(|(_, last)| last == weight);
        self.same = if same { self.same + 1 } else { 1 };
        self.ring[self.count % MOST] = (at, weight);
        self.count += 1;
    }

    /// The last readings, the newest first.
    fn newest(&self) -> impl Iterator<Item = (Moment, Mass)> {
        let last = self.count.saturating_sub(MOST);
        (last..self.count).rev().map(|nth| self.ring[nth % MOST])
    }

    /// Grams a second by least squares; 0 with fewer than two readings.
    pub fn grams_per_second(&self) -> f64 {
        let Some((at, _)) = self.newest().next() else {
            return 0.0;
        };
        let (since, _) = self.ring[(self.count - self.same.min(MOST)) % MOST];
        if self.same >= 3 && at.since(since) > RATE_WINDOW_US {
            // Nor do more of them count than show the same.
            return 0.0;
        }
        let late =
            |&(nth, (t, _)): &(usize, (Moment, Mass))| nth < 3 || at.since(t) <= RATE_WINDOW_US;
        let n = self.newest().enumerate().take_while(late).count();
        // Of what shows the same the sums below come to 0, and nearly every reading does.
        if n < 2 || self.same >= n {
            return 0.0;
        }
        let recent = (self.count - n..self.count).map(|nth| self.ring[nth % MOST]);
        let (t0, w0) = self.ring[(self.count - n) % MOST];
        let (mut st, mut sw, mut stt, mut stw) = (0.0, 0.0, 0.0, 0.0);
        for (t, w) in recent {
            // The same number, and sooner had than from a `u64`.
            let t = t.since(t0) as i64 as f64 / 1e6;
            let w = (w - w0).to_g_f64();
            st += t;
            sw += w;
            stt += t * t;
            stw += t * w;
        }
        let n = n as f64;
        let spread = n * stt - st * st;
        if spread <= 1e-12 {
            0.0
        } else {
            (n * stw - st * sw) / spread
        }
    }
}

/// The most that a hand pours in so many microseconds: 50 g/s.
pub fn most_poured(us: u64) -> Mass {
    Mass::from_ng((us as i64).saturating_mul(50_000))
}

/// What the net weight will be when the hand has stopped: the load already there that the filter
/// does not show yet, what falls in the reaction time, and what is known to fall after.
///
/// `rate` in g/s, `lag` and `reaction` in s, `after_flow` in g.
pub fn landing_weight(net: Mass, rate: f64, lag: f64, reaction: f64, after_flow: f64) -> Mass {
    let more = rate.max(0.0) * (lag + reaction) + after_flow.max(0.0);
    net + Mass::from_g_f64(more).unwrap_or(Mass::ZERO)
}

/// No more than `about`, to its first two digits, but no finer than `d`.
pub fn two_digits(about: Mass, d: Mass) -> Mass {
    let tens = std::iter::successors(Some(d), |&step| Some(step * 10));
    let coarse = tens.take(12).take_while(|&step| step * 10 <= about).last();
    about.floor_to(coarse.unwrap_or(d))
}

/// What keeps falling after the hand stops, learned for one ingredient.
#[derive(Debug, Clone, Copy, Default)]
pub struct AfterFlow {
    grams: f64,
    seen: u32,
}

impl AfterFlow {
    pub fn grams(self) -> f64 {
        self.grams
    }

    /// Learns from one stop: `predicted` against where the weight came to rest.
    pub fn learn(&mut self, predicted: Mass, rest: Mass) {
        let miss = (rest - predicted).to_g_f64() + self.grams;
        self.seen = (self.seen + 1).min(4);
        let miss = miss.clamp(0.0, 5.0);
        self.grams += (miss - self.grams) / f64::from(self.seen.max(2));
    }
}
