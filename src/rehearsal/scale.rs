//! A simulated bench scale: a load goes in, lines come out.
//!
//! load -> filter (lag) -> noise -> less zero and tare -> rounded to d -> a line. Time comes from
//! [`SimScale::advance`]; the same seed and the same calls give the same bytes.

mod keys;

use std::collections::VecDeque;

use super::filter::{Creep, Filter, Lag};
use super::lines::{Display, Face, LineShape, step_in};
use crate::mass::{Mass, Unit};
use crate::time::Moment;

/// What kind of scale it is.
#[derive(Debug, Clone, PartialEq)]
pub struct SimScaleSpec {
    pub shape: LineShape,
    /// Whether the lines tell steady from moving; without it every line looks steady.
    pub stable_flag: bool,
    /// The units the UNIT key walks through; the first is shown at the start. Empty means grams.
    pub units: Vec<Unit>,
    /// Readability d, in the first unit.
    pub d: Mass,
    pub capacity: Mass,
    /// Lines a second, 1 to 50.
    pub rate: f64,
    /// Time constant of the filter in seconds, of each stage where there are two.
    pub tau: f64,
    pub two_stages: bool,
    /// What kind of filter it is; `tau` and `two_stages` are those of [`Filter::Lag`].
    pub filter: Filter,
    /// Standard deviation of the noise of a reading, in d.
    pub noise: f64,
    /// Automatic zero tracking, 0.5 d/s (OIML R 76-1, 4.5.7) unless `tracking_rate` says otherwise.
    pub zero_tracking: bool,
    /// How fast the zero follows, in d a second.
    pub tracking_rate: f64,
    /// Once steady, the display stands still while the load stays within so many d; 0: it never does.
    pub lock: f64,
    /// Seconds without a change after which the scale calls the load steady.
    pub stable_after: f64,
    /// How the weight creeps after loading: share of the load, and time constant in seconds.
    pub creep: Creep,
    /// Zeros shown behind the last digit that counts: a step of 0.1 g shown as 0.10 g.
    pub padding: u8,
    /// How far the zero wanders while the scale warms up, in d; two thirds of it in ten minutes.
    pub warm_drift: f64,
    /// TARE is taken only when steady; the scale waits `tare_wait` for it, then forgets the key.
    pub tare_needs_steady: bool,
    /// Seconds for which a TARE key waits for a steady load.
    pub tare_wait: f64,
    /// Seconds without a change after which it switches itself off.
    pub auto_off: Option<f64>,
    /// Sends a line only when asked for one.
    pub polled: bool,
    pub seed: u64,
}

impl Default for SimScaleSpec {
    /// A bench scale of 600 g by 0.01 g, ten lines a second.
    fn default() -> Self {
        SimScaleSpec {
            shape: LineShape::SignNumberUnit16,
            stable_flag: true,
            units: vec![Unit::Gram, Unit::Ounce],
            d: Mass::from_mg(10),
            capacity: Mass::from_g(600),
            rate: 10.0,
            tau: 0.12,
            two_stages: true,
            filter: Filter::Lag,
            noise: 0.12,
            zero_tracking: true,
            tracking_rate: 0.5,
            lock: 0.0,
            stable_after: 0.6,
            creep: Creep::NONE,
            padding: 0,
            warm_drift: 0.0,
            tare_needs_steady: true,
            tare_wait: 1.0,
            auto_off: None,
            polled: false,
            seed: 1,
        }
    }
}

/// The keys of the scale's panel.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Key {
    Tare,
    Zero,
    Unit,
}

/// From switching on to the first line.
const BOOT_US: u64 = 1_500_000;
/// Share of the capacity that is taken as zero when switching on (OIML R 76-1, T.2.7.2.3 and 4.5.1,
/// from memory), and that the ZERO key takes.
const INITIAL_ZERO: f64 = 0.2;
const ZERO_RANGE: f64 = 0.02;
/// Divisions above the capacity at which the number goes out (OIML R 76-1, 4.2.3, from memory).
const OVER_DIVISIONS: f64 = 9.0;

/// See the module's text. Weights inside are grams as floats: this is physics, not the log.
#[derive(Debug, Clone)]
pub struct SimScale {
    spec: SimScaleSpec,
    rng: fastrand::Rng,
    d: f64,
    capacity: f64,
    now: u64,
    load: f64,
    lag: Lag,
    /// The filtered load, creep included.
    second: f64,
    zero: f64,
    /// The weight at which the display stands still.
    locked: Option<f64>,
    tare: Option<f64>,
    unit: usize,
    on: bool,
    boot_until: u64,
    warm_since: u64,
    samples: u64,
    samples_a_line: u64,
    sample_rate: f64,
    recent: VecDeque<(u64, f64)>,
    steady: bool,
    last_noise: f64,
    tare_pending: Option<u64>,
    asked: Option<u64>,
    typed: Vec<u8>,
    moved_at: u64,
    moved_from: f64,
}

impl SimScale {
    /// A scale that is switched on and empty at [`Moment`] 0. A rate outside 0.5 to 100 lines a
    /// second is brought to the nearer end.
    pub fn new(mut spec: SimScaleSpec) -> SimScale {
        if spec.units.is_empty() {
            spec.units.push(Unit::Gram);
        }
        let rate = if spec.rate.is_finite() {
            spec.rate.clamp(0.5, 100.0)
        } else {
            10.0
        };
        // The scale measures at 20 a second or more, whatever it sends.
        let samples_a_line = (20.0 / rate).ceil().max(1.0) as u64;
        let d = spec.d.ng().max(1) as f64 / 1e9;
        let capacity = spec.capacity.to_g_f64();
        SimScale {
            rng: fastrand::Rng::with_seed(spec.seed),
            d,
            capacity,
            now: 0,
            load: 0.0,
            lag: Lag::default(),
            second: 0.0,
            zero: 0.0,
            locked: None,
            tare: None,
            unit: 0,
            on: true,
            boot_until: 0,
            warm_since: 0,
            samples: 0,
            samples_a_line,
            sample_rate: rate * samples_a_line as f64,
            recent: VecDeque::new(),
            steady: false,
            last_noise: 0.0,
            tare_pending: None,
            asked: None,
            typed: Vec::new(),
            moved_at: 0,
            moved_from: 0.0,
            spec,
        }
    }

    pub fn spec(&self) -> &SimScaleSpec {
        &self.spec
    }

    /// The load on the pan from now on, in grams, transient forces included.
    pub fn set_load(&mut self, grams: f64) {
        self.load = grams;
    }

    /// A battery that runs down makes the readings scatter.
    pub fn set_noise(&mut self, noise: f64) {
        self.spec.noise = noise;
    }

    pub fn is_on(&self) -> bool {
        self.on
    }

    /// The scale's own judgement, whether or not its lines tell it.
    pub fn is_steady(&self) -> bool {
        self.steady
    }

    pub fn unit(&self) -> Unit {
        self.spec
            .units
            .get(self.unit)
            .copied()
            .unwrap_or(Unit::Gram)
    }

    /// Whether a tare of the scale's own is taken off.
    pub fn is_net(&self) -> bool {
        self.tare.is_some()
    }

    /// Lets time pass until `to`, the load standing as it was set; lines are added to `out` with
    /// their times. A `to` in the past does nothing.
    pub fn advance(&mut self, to: Moment, out: &mut Vec<(Moment, Vec<u8>)>) {
        loop {
            let sample_at = ((self.samples + 1) as f64 * 1e6 / self.sample_rate) as u64;
            if sample_at > to.0 {
                break;
            }
            self.flow_to(sample_at);
            self.samples += 1;
            self.sample(out);
        }
        self.flow_to(to.0);
    }

    fn flow_to(&mut self, to: u64) {
        let dt = to.saturating_sub(self.now) as f64 / 1e6;
        self.now = self.now.max(to);
        if dt <= 0.0 {
            return;
        }
        self.second = self.lag.flow(&self.spec, self.d, self.load, dt);
        self.track_zero(dt);
    }

    /// Only at a zero indication, or at gross zero under a tare, when steady, no faster than told.
    fn track_zero(&mut self, dt: f64) {
        if !self.spec.zero_tracking || !self.steady || !self.on {
            return;
        }
        let (half, most) = (0.5 * self.d, self.spec.tracking_rate * self.d * dt);
        let gross = self.gross();
        match &mut self.tare {
            Some(tare) if (gross - *tare).abs() < half => {
                *tare += (gross - *tare).clamp(-most, most);
            }
            Some(_) | None => {
                if gross.abs() < half {
                    self.zero += gross.clamp(-most, most);
                }
            }
        }
    }

    fn drift(&self) -> f64 {
        let warm = self.now.saturating_sub(self.warm_since) as f64 / 600e6;
        self.spec.warm_drift * self.d * (1.0 - (-warm).exp())
    }

    fn gross(&self) -> f64 {
        self.second + self.drift() - self.zero
    }

    fn sample(&mut self, out: &mut Vec<(Moment, Vec<u8>)>) {
        self.last_noise = self.spec.noise * self.d * gauss(&mut self.rng);
        let raw = self.second + self.drift() + self.last_noise;
        self.recent.push_back((self.now, raw));
        let window = (self.spec.stable_after.clamp(0.1, 10.0) * 1e6) as u64;
        let from = self.now.saturating_sub(window);
        while self.recent.front().is_some_and(|&(at, _)| at < from) {
            self.recent.pop_front();
        }
        let (low, high) = self
            .recent
            .iter()
            .fold((f64::MAX, f64::MIN), |(low, high), &(_, raw)| {
                (low.min(raw), high.max(raw))
            });
        // A maker sets the limit so that the scale's own noise passes.
        let limit = self.d * (6.0 * self.spec.noise).max(1.0);
        let covered = self
            .now
            .saturating_sub(self.recent.front().map_or(self.now, |&(at, _)| at));
        self.steady = high - low <= limit && covered >= window * 8 / 10;
        self.lock_display();
        self.switch_itself_off();
        if !self.on || self.now < self.boot_until {
            return;
        }
        self.pending_tare();
        if self.spec.polled {
            self.answer_when_steady(out);
        } else if self.samples.is_multiple_of(self.samples_a_line) {
            out.push((Moment(self.now), self.spec.shape.line(self.display())));
        }
    }

    /// The display stands still from the moment the load is steady until it has moved away.
    fn lock_display(&mut self) {
        let gross = self.gross() + self.last_noise;
        let free = self.spec.lock * self.d;
        self.locked = match self.locked {
            Some(locked) if (gross - locked).abs() <= free => Some(locked),
            Some(_) | None => (free > 0.0 && self.steady).then_some(gross),
        };
    }

    fn switch_itself_off(&mut self) {
        if (self.second - self.moved_from).abs() > 10.0 * self.d {
            self.moved_from = self.second;
            self.moved_at = self.now;
        }
        if let Some(seconds) = self.spec.auto_off
            && self.on
            && self.now.saturating_sub(self.moved_at) as f64 > seconds * 1e6
        {
            self.on = false;
        }
    }

    /// What the display shows now.
    pub fn display(&self) -> Display {
        let gross = self.gross() + self.last_noise;
        if gross > self.capacity + OVER_DIVISIONS * self.d {
            return Display::Over;
        }
        if gross < -(INITIAL_ZERO * self.capacity) - OVER_DIVISIONS * self.d {
            return Display::Under;
        }
        let unit = self.unit();
        let (decimals, counts) = step_in(unit, self.spec.d);
        let step = unit.ng() as f64 / 1e9 / 10f64.powi(i32::from(decimals)) * counts as f64;
        let shown = self.locked.unwrap_or(gross) - self.tare.unwrap_or(0.0);
        let padding = self.spec.padding.min(3);
        let padded = counts * 10i64.pow(u32::from(padding));
        Display::Weight(Face {
            digits: (shown / step).round_ties_even() as i64 * padded,
            decimals: decimals + padding,
            unit,
            steady: self.steady || !self.spec.stable_flag,
            net: self.tare.is_some(),
        })
    }
}

/// A standard normal deviate (Box and Muller, 1958).
pub(super) fn gauss(rng: &mut fastrand::Rng) -> f64 {
    let u = 1.0 - rng.f64();
    let v = rng.f64();
    (-2.0 * u.ln()).sqrt() * (std::f64::consts::TAU * v).cos()
}
