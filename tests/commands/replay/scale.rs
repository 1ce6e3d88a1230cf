//! A little model of a scale and of what is done at it, for captures whose truth is known. Its own
//! code throughout: a first-order filter, a little noise, rounding, the keys.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use super::shape::{Face, Shape, line};

/// A session at the scale, written down as a capture.
pub struct Session {
    pub shape: Shape,
    unit: &'static str,
    /// Grams of the unit.
    grams: f64,
    decimals: usize,
    /// Readings a second.
    rate: f64,
    /// Time constant of the filter in seconds.
    lag: f64,
    rng: fastrand::Rng,
    now: u64,
    /// True grams on the pan, without a hand.
    pan: f64,
    filtered: f64,
    /// Grams that the scale takes off by its own TARE or ZERO.
    tare: f64,
    recent: Vec<i64>,
    /// Each line cut over two records.
    pub in_pieces: bool,
    text: String,
    /// What was shown, by its time in microseconds, in grams.
    pub sent: BTreeMap<u64, f64>,
    /// Grams in the vessel on the pan, besides the vessel.
    content: f64,
    vessel: f64,
    /// The true net of each step.
    pub truth: Vec<f64>,
}

impl Session {
    /// A scale of 0.01 g with ten readings a second.
    pub fn new(shape: Shape, seed: u64) -> Session {
        Session {
            shape,
            unit: "g",
            grams: 1.0,
            decimals: 2,
            rate: 10.0,
            lag: 0.12,
            rng: fastrand::Rng::with_seed(seed),
            now: 0,
            pan: 0.0,
            filtered: 0.0,
            tare: 0.0,
            recent: Vec::new(),
            in_pieces: false,
            text: "# bismar capture 1\n".to_owned(),
            sent: BTreeMap::new(),
            content: 0.0,
            vessel: 0.0,
            truth: Vec::new(),
        }
    }

    /// The same in another unit of `grams` each, shown with `decimals`.
    pub fn in_unit(mut self, unit: &'static str, grams: f64, decimals: usize) -> Session {
        (self.unit, self.grams, self.decimals) = (unit, grams, decimals);
        self
    }

    pub fn at_rate(mut self, rate: f64) -> Session {
        self.rate = rate;
        self
    }

    /// The capture's text.
    pub fn capture(&self) -> &str {
        &self.text
    }

    fn step(&self) -> f64 {
        self.grams / 10f64.powi(self.decimals as i32)
    }

    fn pass(&mut self, seconds: f64) {
        self.now += (seconds * 1e6).round() as u64;
    }

    fn record(&mut self, bytes: &[u8]) {
        let (whole, part) = (self.now / 1_000_000, self.now % 1_000_000);
        write!(self.text, "{whole}.{part:06}\t").unwrap();
        for (i, &byte) in bytes.iter().enumerate() {
            match byte {
                // Bare it would begin a command.
                b'!' if i == 0 => self.text.push_str("\\x21"),
                b'\r' => self.text.push_str("\\r"),
                b'\n' => self.text.push_str("\\n"),
                b'\\' => self.text.push_str("\\\\"),
                0x20..0x7f => self.text.push(char::from(byte)),
                other => write!(self.text, "\\x{other:02x}").unwrap(),
            }
        }
        self.text.push('\n');
    }

    fn counts(&mut self, extra: f64) -> i64 {
        let noise = (0..4).map(|_| self.rng.f64() - 0.5).sum::<f64>() * 0.2 * self.step();
        ((self.filtered + extra - self.tare + noise) / self.step()).round() as i64
    }

    /// One reading; `extra` grams press on the pan for this instant only.
    fn read(&mut self, extra: f64) {
        let decay = (-1.0 / self.rate / self.lag).exp();
        self.filtered = self.pan + (self.filtered - self.pan) * decay;
        let counts = self.counts(extra);
        let bytes = self.bytes(counts);
        if self.in_pieces {
            // Before its end, which may be one byte or two.
            let at = self.rng.usize(1..bytes.len() - 1);
            let (head, tail) = bytes.split_at(at);
            self.record(head);
            self.pass(0.004);
            self.record(tail);
            self.sent.insert(self.now, counts as f64 * self.step());
            self.pass(1.0 / self.rate - 0.004);
        } else {
            self.record(&bytes);
            self.sent.insert(self.now, counts as f64 * self.step());
            self.pass(1.0 / self.rate);
        }
    }

    /// The line of a number; at rest when the last 0.5 s agree within one step.
    fn bytes(&mut self, counts: i64) -> Vec<u8> {
        self.recent.push(counts);
        let wanted = (self.rate * 0.5).ceil().max(2.0) as usize;
        if self.recent.len() > wanted {
            self.recent.remove(0);
        }
        let (low, high) = (self.recent.iter().min(), self.recent.iter().max());
        let spread = high.zip(low).map_or(0, |(high, low)| high - low);
        let face = Face {
            counts,
            decimals: self.decimals,
            unit: self.unit,
            steady: self.recent.len() == wanted && spread <= 1,
            net: self.tare != 0.0,
        };
        line(self.shape, face)
    }

    /// The whole line that shows `grams` at rest, without sending it.
    pub fn line_of(&self, grams: f64) -> Vec<u8> {
        let face = Face {
            counts: (grams / self.step()).round() as i64,
            decimals: self.decimals,
            unit: self.unit,
            steady: true,
            net: false,
        };
        line(self.shape, face)
    }

    pub fn wait(&mut self, seconds: f64) -> &mut Session {
        for _ in 0..(seconds * self.rate).round() as usize {
            self.read(0.0);
        }
        self
    }

    /// A vessel with nothing in it.
    pub fn place(&mut self, vessel: f64) -> &mut Session {
        (self.vessel, self.content) = (vessel, 0.0);
        self.put_back()
    }

    /// The vessel that was lifted last, with what is in it.
    pub fn put_back(&mut self) -> &mut Session {
        self.pan = self.vessel + self.content;
        // The hands wait for the cue, which waits for the scale.
        self.wait(3.2)
    }

    pub fn lift(&mut self) -> &mut Session {
        self.pan = 0.0;
        self.wait(2.8)
    }

    /// Pours `grams` (negative: takes out) in `seconds`, slower at the end.
    pub fn pour(&mut self, grams: f64, seconds: f64) -> &mut Session {
        let n = (seconds * self.rate).round().max(2.0) as usize;
        let from = self.content;
        for i in 1..=n {
            let t = i as f64 / n as f64;
            self.content = from + grams * (1.0 - (1.0 - t) * (1.0 - t));
            self.pan = self.vessel + self.content;
            self.read(0.0);
        }
        self.wait(2.5)
    }

    /// Takes `grams` out of the vessel while it is off the pan.
    pub fn take_away(&mut self, grams: f64) -> &mut Session {
        self.content -= grams;
        self
    }

    /// The scale's TARE key: what stands there shows zero.
    pub fn tare_key(&mut self) -> &mut Session {
        self.tare = self.filtered;
        self.recent.clear();
        self.wait(1.8)
    }

    /// What is in the vessel now is the weight of the next step.
    pub fn true_now(&mut self) -> &mut Session {
        self.truth.push(self.content);
        self
    }

    pub fn say(&mut self, command: &str) -> &mut Session {
        let (whole, part) = (self.now / 1_000_000, self.now % 1_000_000);
        writeln!(self.text, "{whole}.{part:06}\t!{command}").unwrap();
        self.wait(0.5)
    }

    /// Bytes that are no reading of this model.
    pub fn raw(&mut self, bytes: &[u8]) -> &mut Session {
        self.record(bytes);
        self.pass(0.001);
        self
    }

    /// No bytes.
    pub fn silent(&mut self, seconds: f64) -> &mut Session {
        self.pass(seconds);
        self.recent.clear();
        self
    }

    /// Off and on again: what stands on the pan is its new zero.
    pub fn power_cycle(&mut self) -> &mut Session {
        self.silent(6.0);
        self.filtered = self.pan;
        self.tare = self.pan;
        self.wait(2.0)
    }

    /// Two presses of a finger from rest.
    pub fn press_twice(&mut self) -> &mut Session {
        for _ in 0..2 {
            for force in [8.0, 30.0, 45.0, 40.0, 12.0] {
                self.read(force);
            }
            self.wait(0.4);
        }
        self.wait(1.8)
    }

    /// A knock on the bench: above and below, and back.
    pub fn bump(&mut self) -> &mut Session {
        for swing in [6.0, -9.0, 5.0, -2.5, 0.8] {
            self.read(swing);
        }
        self.wait(2.0)
    }

    /// UNIT key.
    pub fn switch_unit(&mut self, unit: &'static str, grams: f64, decimals: usize) -> &mut Session {
        (self.unit, self.grams, self.decimals) = (unit, grams, decimals);
        self.recent.clear();
        self.wait(1.5)
    }
}
