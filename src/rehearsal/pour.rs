//! One pour: how a liquid, a powder or drops leave the hand and when they land.

use std::collections::VecDeque;

use super::scale::gauss;
use crate::mass::Mass;

/// How the ingredient comes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Style {
    /// A liquid, or a powder shaken from a bag: fast, then a trickle.
    Stream,
    /// A powder in scoops.
    Scoops,
    /// From a pipette.
    Drops,
}

/// Share of what it wants that a trickle gives in a second.
const TRICKLE: f64 = 0.06;

/// See the module's text. Grams as floats: this is physics, not the log.
#[derive(Debug, Clone)]
pub struct Pour {
    /// What the hand means to give.
    want: f64,
    style: Style,
    /// Grams a second at full flow.
    rate: f64,
    /// What the hand believes it has given, over what it has.
    eye: f64,
    /// The believed share of `want` at which it stops by itself.
    enough: f64,
    /// Whether it slows down towards the end.
    slows: bool,
    /// Seconds in which a slowing hand would give what is left at the flow of the moment.
    slowing: f64,
    given: f64,
    flow: f64,
    wobble: f64,
    stop_at: Option<u64>,
    next_portion: u64,
    portion_until: u64,
    portion_rate: f64,
    /// In the air: when it lands, and how much.
    falling: VecDeque<(u64, f64)>,
    fall_us: u64,
    dripped: bool,
    owed: f64,
    /// Share of its pace that the hand keeps once it was told to ease off.
    eased: f64,
    /// Seconds in which a stream dies away once the hand has stopped.
    tail: f64,
}

impl Pour {
    /// A pour of `want` grams that takes about `seconds` at full flow, then a trickle.
    pub fn new(want: f64, style: Style, seconds: f64, rng: &mut fastrand::Rng) -> Pour {
        let want = want.max(1e-4);
        Pour {
            want,
            style,
            rate: want / seconds.max(0.2) * (0.8 + 0.5 * rng.f64()),
            eye: 1.0 + 0.05 * gauss(rng).clamp(-2.0, 2.0),
            enough: 1.12,
            slows: true,
            slowing: 0.5 + 0.25 * seconds,
            given: 0.0,
            flow: 0.0,
            wobble: 0.0,
            stop_at: None,
            next_portion: 0,
            portion_until: 0,
            portion_rate: 0.0,
            falling: VecDeque::new(),
            fall_us: rng.u64(60_000..180_000),
            dripped: false,
            owed: 0.0,
            eased: 1.0,
            tail: 0.06,
        }
    }

    /// The believed share of what it wants at which the hand stops without a cue.
    pub fn enough(mut self, share: f64) -> Pour {
        self.enough = share;
        self
    }

    /// A hand that neither slows down nor heeds a cue.
    pub fn heedless(mut self) -> Pour {
        self.slows = false;
        self.rate *= 0.6;
        self
    }

    /// Thick and slow: long in the air, long to end.
    pub fn syrup(mut self, rng: &mut fastrand::Rng) -> Pour {
        self.fall_us = rng.u64(250_000..700_000);
        self.tail = 0.15 + 0.35 * rng.f64();
        self
    }

    /// A cue says so: from now on the hand gives `share` of its pace.
    pub fn ease(&mut self, share: f64) {
        self.eased = self.eased.min(share);
    }

    /// A cue says so: the hand stops at `at`, unless it stops before. A heedless one goes on.
    pub fn stop(&mut self, at: u64) {
        if self.slows {
            self.end(at);
        }
    }

    fn end(&mut self, at: u64) {
        self.stop_at = Some(self.stop_at.map_or(at, |stop| stop.min(at)));
    }

    pub fn is_stopped(&self, now: u64) -> bool {
        self.stop_at.is_some_and(|at| at <= now)
    }

    /// What has left the hand so far.
    pub fn given(&self) -> f64 {
        self.given
    }

    /// Lets `dt` microseconds pass until `now`; what lands in them, and whether it is all over.
    pub fn tick(&mut self, now: u64, dt: u64, rng: &mut fastrand::Rng) -> (Mass, bool) {
        let seconds = dt as f64 / 1e6;
        if self.given * self.eye >= self.enough * self.want {
            self.end(now);
        }
        let stopped = self.is_stopped(now);
        let leaving = match self.style {
            Style::Stream => self.stream(seconds, stopped, rng),
            Style::Scoops => self.scoops(now, seconds, stopped, rng),
            Style::Drops => self.drops(now, stopped, rng),
        };
        if leaving > 0.0 {
            self.given += leaving;
            self.falling.push_back((now + self.fall_us, leaving));
        }
        if stopped && !self.dripped {
            self.drips(now, rng);
        }
        while let Some(&(lands, grams)) = self.falling.front()
            && lands <= now
        {
            self.owed += grams;
            self.falling.pop_front();
        }
        let landed = Mass::from_g_f64(self.owed).unwrap_or(Mass::ZERO);
        self.owed -= landed.to_g_f64();
        (
            landed,
            stopped && self.falling.is_empty() && self.flow == 0.0,
        )
    }

    fn stream(&mut self, seconds: f64, stopped: bool, rng: &mut fastrand::Rng) -> f64 {
        self.wobble += (-self.wobble * seconds / 0.3) + 0.17 * (seconds / 0.15).sqrt() * gauss(rng);
        // A hand that looks lets the flow fall with what is left, down to a trickle.
        let left = (self.want - self.given * self.eye).max(0.0);
        let flow = if self.slows {
            (left / self.slowing).clamp(TRICKLE * self.want, self.rate.max(TRICKLE * self.want))
        } else {
            self.rate
        };
        let wanted = if stopped {
            0.0
        } else {
            flow * (1.0 + self.wobble).clamp(0.3, 1.8) * self.eased
        };
        // A stream neither begins nor ends at once.
        let follow = 1.0 - (-seconds / if stopped { self.tail } else { 0.15 }).exp();
        self.flow += (wanted - self.flow) * follow;
        if stopped && self.flow < 0.005 * self.rate {
            self.flow = 0.0;
        }
        self.flow * seconds
    }

    fn scoops(&mut self, now: u64, seconds: f64, stopped: bool, rng: &mut fastrand::Rng) -> f64 {
        if now < self.portion_until {
            return self.portion_rate * seconds;
        }
        if stopped || now < self.next_portion {
            return 0.0;
        }
        let left = (self.want - self.given * self.eye).max(0.0);
        if left < 0.03 * self.want && self.slows {
            self.end(now);
            return 0.0;
        }
        let scoop = if self.slows {
            (self.want * (0.15 + 0.2 * rng.f64())).min(left * (0.55 + 0.4 * rng.f64()))
        } else {
            self.want * (0.08 + 0.07 * rng.f64())
        };
        let scoop = scoop * self.eased;
        let lasts = rng.u64(250_000..500_000);
        self.portion_rate = scoop / (lasts as f64 / 1e6);
        self.portion_until = now + lasts;
        self.next_portion = self.portion_until + rng.u64(250_000..600_000);
        0.0
    }

    fn drops(&mut self, now: u64, stopped: bool, rng: &mut fastrand::Rng) -> f64 {
        if stopped || now < self.next_portion {
            return 0.0;
        }
        self.next_portion = now + rng.u64(120_000..420_000);
        // 20 to 40 drops a millilitre (common practice, no source).
        0.025 + 0.025 * rng.f64()
    }

    /// What still falls after the hand has stopped.
    fn drips(&mut self, now: u64, rng: &mut fastrand::Rng) {
        self.dripped = true;
        if self.style != Style::Stream || rng.f64() < 0.4 {
            return;
        }
        let most = (0.01 * self.want).min(0.05);
        let mut at = now + self.fall_us;
        for _ in 0..rng.u32(1..4) {
            at += rng.u64(150_000..450_000);
            self.falling.push_back((at, most * rng.f64()));
        }
    }
}
