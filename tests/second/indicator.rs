//! The scale of the second world: a sensor, its filter and its display, written without a look at the engine.
//!
//! All of it is common practice of bench scales, from memory; no published source.

use std::collections::VecDeque;

/// What kind of scale it is. Times in seconds, `d` in grams; what says "in d" is in steps of the display.
#[derive(Clone, Debug)]
pub struct Kind {
    pub name: &'static str,
    pub d: f64,
    pub capacity: f64,
    /// Lines a second.
    pub lines: f64,
    /// Looks of the converter a second.
    pub looks: f64,
    /// The load cell's own frequency (rad/s) and damping.
    pub omega: f64,
    pub damping: f64,
    pub median: bool,
    pub mean_of: usize,
    /// A jump of more than so many d begins the mean anew.
    pub flush: Option<f64>,
    /// Zero tracking in d a second; 0 for none.
    pub tracking: f64,
    pub tracks_tared: bool,
    /// The display moves at most so many grams from one line to the next.
    pub slew: Option<f64>,
    /// How far the value must be from what is shown, in d, before the display moves.
    pub hysteresis: f64,
    /// The mark comes when this long all was within a step, and so much later.
    pub mark_window: f64,
    pub mark_late: f64,
    /// A steady display stands until the weight is so many d away.
    pub latch: Option<f64>,
    pub tare_waits: bool,
    pub noise: f64,
    /// 0: sixteen characters, 1: twenty-two with a label, 2: a pattern without a mark.
    pub layout: u8,
}

pub fn kinds() -> Vec<Kind> {
    let base = Kind {
        name: "fine",
        d: 0.01,
        capacity: 600.0,
        lines: 10.0,
        looks: 40.0,
        omega: 40.0,
        damping: 0.6,
        median: false,
        mean_of: 16,
        flush: None,
        tracking: 0.0,
        tracks_tared: false,
        slew: None,
        hysteresis: 0.5,
        mark_window: 1.0,
        mark_late: 0.0,
        latch: None,
        tare_waits: true,
        noise: 0.3,
        layout: 0,
    };
    vec![
        base.clone(),
        Kind {
            name: "median",
            lines: 5.0,
            looks: 20.0,
            median: true,
            mean_of: 8,
            tracking: 0.5,
            tracks_tared: true,
            noise: 0.5,
            layout: 1,
            ..base.clone()
        },
        Kind {
            name: "kitchen",
            d: 0.1,
            capacity: 3000.0,
            lines: 4.0,
            looks: 20.0,
            omega: 25.0,
            mean_of: 10,
            slew: Some(300.0),
            hysteresis: 0.75,
            latch: Some(1.5),
            tare_waits: false,
            noise: 0.4,
            layout: 2,
            tracking: 0.5,
            ..base.clone()
        },
        Kind {
            name: "coarse",
            d: 1.0,
            capacity: 6000.0,
            lines: 2.0,
            looks: 10.0,
            omega: 12.0,
            damping: 0.8,
            mean_of: 6,
            hysteresis: 0.7,
            tare_waits: false,
            noise: 0.15,
            layout: 2,
            ..base.clone()
        },
        Kind {
            name: "bouncy",
            d: 0.02,
            capacity: 1200.0,
            lines: 8.0,
            looks: 40.0,
            omega: 14.0,
            damping: 0.3,
            mean_of: 6,
            mark_window: 0.4,
            noise: 0.2,
            layout: 0,
            tare_waits: false,
            ..base.clone()
        },
        Kind {
            name: "quick",
            d: 0.05,
            capacity: 2000.0,
            lines: 25.0,
            looks: 50.0,
            omega: 60.0,
            mean_of: 5,
            mark_window: 1.0,
            mark_late: 1.5,
            noise: 0.3,
            layout: 1,
            ..base.clone()
        },
        Kind {
            name: "jumpy",
            lines: 20.0,
            looks: 40.0,
            mean_of: 40,
            flush: Some(25.0),
            noise: 0.6,
            layout: 0,
            tare_waits: true,
            ..base.clone()
        },
        Kind {
            name: "tracker",
            d: 0.1,
            capacity: 2000.0,
            lines: 10.0,
            mean_of: 12,
            tracking: 1.0,
            tracks_tared: true,
            tare_waits: false,
            layout: 1,
            noise: 0.3,
            ..base.clone()
        },
        Kind {
            name: "slow",
            lines: 3.0,
            looks: 12.0,
            omega: 9.0,
            damping: 1.0,
            mean_of: 14,
            mark_window: 1.5,
            noise: 0.5,
            ..base.clone()
        },
    ]
}

#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Key {
    Tare,
    Zero,
    Unit,
}

pub struct Indicator {
    pub kind: Kind,
    x: f64,
    v: f64,
    looks: VecDeque<f64>,
    mean: VecDeque<f64>,
    filtered: f64,
    pub zero: f64,
    pub tare: f64,
    shown: f64,
    past: VecDeque<(f64, f64)>,
    steady_since: Option<f64>,
    pub steady: bool,
    pending_tare: Option<f64>,
    ounces: bool,
    next_look: f64,
    next_line: f64,
    pub is_on: bool,
    booting: Option<f64>,
    /// Drift of the cell in grams, set from outside.
    pub drift: f64,
}

impl Indicator {
    pub fn new(kind: Kind, phase: f64) -> Indicator {
        Indicator {
            kind,
            x: 0.0,
            v: 0.0,
            looks: VecDeque::new(),
            mean: VecDeque::new(),
            filtered: 0.0,
            zero: 0.0,
            tare: 0.0,
            shown: 0.0,
            past: VecDeque::new(),
            steady_since: None,
            steady: false,
            pending_tare: None,
            ounces: false,
            next_look: 0.0,
            next_line: phase,
            is_on: true,
            booting: None,
            drift: 0.0,
        }
    }

    pub fn press(&mut self, key: Key, t: f64) {
        if !self.is_on {
            return;
        }
        match key {
            Key::Tare if self.kind.tare_waits && !self.steady => self.pending_tare = Some(t),
            Key::Tare => self.take_tare(),
            Key::Zero => {
                if (self.filtered - self.zero).abs() < 0.03 * self.kind.capacity {
                    self.zero = self.filtered;
                    self.tare = 0.0;
                    self.restart_display();
                }
            }
            Key::Unit => self.ounces = !self.ounces,
        }
    }

    fn take_tare(&mut self) {
        self.tare = self.filtered - self.zero;
        if self.tare.abs() < 2.0 * self.kind.d {
            self.zero += self.tare;
            self.tare = 0.0;
        }
        self.pending_tare = None;
        self.restart_display();
    }

    fn restart_display(&mut self) {
        self.shown = (self.net() / self.kind.d).round() * self.kind.d;
        self.past.clear();
    }

    fn net(&self) -> f64 {
        self.filtered - self.zero - self.tare
    }

    pub fn off(&mut self) {
        self.is_on = false;
        self.booting = None;
    }

    /// Two seconds of start, then the zero is what lies on it.
    pub fn on(&mut self, t: f64) {
        self.is_on = true;
        self.booting = Some(t + 2.0);
    }

    /// One step of `dt` seconds under the force `f` (grams); a line where one is due.
    pub fn step(&mut self, t: f64, dt: f64, f: f64, rng: &mut fastrand::Rng) -> Option<Vec<u8>> {
        for _ in 0..2 {
            let h = dt / 2.0;
            let w = self.kind.omega;
            let a = w * w * (f - self.x) - 2.0 * self.kind.damping * w * self.v;
            self.v += a * h;
            self.x += self.v * h;
        }
        if !self.is_on {
            self.next_line = t;
            return None;
        }
        if t >= self.next_look {
            self.next_look += 1.0 / self.kind.looks;
            self.look(rng);
        }
        if let Some(end) = self.booting {
            self.next_line = t;
            if t < end {
                return None;
            }
            self.booting = None;
            self.zero = self.filtered;
            self.tare = 0.0;
            self.ounces = false;
            self.restart_display();
        }
        if t < self.next_line {
            return None;
        }
        self.next_line += 1.0 / self.kind.lines;
        Some(self.line(t))
    }

    fn look(&mut self, rng: &mut fastrand::Rng) {
        let d = self.kind.d;
        // The noise of one look is such that the mean has `noise` d / 2.
        let scale = self.kind.noise * d * 0.5 * (self.kind.mean_of as f64).sqrt().min(4.0);
        let raw = self.x + self.drift + scale * gauss(rng);
        self.looks.push_back(raw);
        if self.looks.len() > 5 {
            self.looks.pop_front();
        }
        let sample = if self.kind.median && self.looks.len() == 5 {
            let mut five: Vec<f64> = self.looks.iter().copied().collect();
            five.sort_by(f64::total_cmp);
            five[2]
        } else {
            raw
        };
        if let Some(far) = self.kind.flush
            && (sample - self.filtered).abs() > far * d
        {
            self.mean.clear();
        }
        self.mean.push_back(sample);
        while self.mean.len() > self.kind.mean_of {
            self.mean.pop_front();
        }
        self.filtered = self.mean.iter().sum::<f64>() / self.mean.len() as f64;
        if self.kind.tracking > 0.0 && self.steady {
            let off = if self.kind.tracks_tared {
                self.net()
            } else {
                self.filtered - self.zero
            };
            if (self.kind.tracks_tared || self.tare == 0.0) && off.abs() < 0.5 * d {
                let most = self.kind.tracking * d / self.kind.looks;
                self.zero += off.clamp(-most, most);
            }
        }
    }

    fn line(&mut self, t: f64) -> Vec<u8> {
        let d = self.kind.d;
        let net = self.net();
        self.past.push_back((t, net));
        while self
            .past
            .front()
            .is_some_and(|(at, _)| t - at > self.kind.mark_window + 1e-6)
        {
            self.past.pop_front();
        }
        let low = self.past.iter().map(|p| p.1).fold(f64::INFINITY, f64::min);
        let high = self
            .past
            .iter()
            .map(|p| p.1)
            .fold(f64::NEG_INFINITY, f64::max);
        let full = (self.past.len() as f64) >= (self.kind.mark_window * self.kind.lines).floor();
        if full && high - low <= d {
            let since = *self.steady_since.get_or_insert(t);
            self.steady = t - since >= self.kind.mark_late;
        } else {
            self.steady_since = None;
            self.steady = false;
        }
        if self.pending_tare.is_some_and(|at| t - at > 10.0) {
            self.pending_tare = None;
        }
        if self.pending_tare.is_some() && self.steady {
            self.take_tare();
        }
        let net = self.net();
        let mut goal = net;
        if let Some(most) = self.kind.slew {
            goal = self.shown + (net - self.shown).clamp(-most, most);
        }
        let far = match self.kind.latch {
            Some(latch) if self.steady => latch.max(self.kind.hysteresis),
            _ => self.kind.hysteresis,
        };
        if (goal - self.shown).abs() > far * d {
            self.shown = (goal / d).round() * d;
        }
        self.text()
    }

    fn text(&self) -> Vec<u8> {
        let kind = &self.kind;
        let label = if self.tare == 0.0 { "G" } else { "N" };
        if self.filtered - self.zero > kind.capacity + 9.0 * kind.d {
            return match kind.layout {
                1 => format!("{label:<6}{:<14}\r\n", "High"),
                0 => format!("{:<14}\r\n", "High"),
                _ => "OL\r\n".to_owned(),
            }
            .into_bytes();
        }
        let decimals = (0..4)
            .find(|&n| {
                (kind.d * 10f64.powi(n)).fract().abs() < 1e-6
                    || (kind.d * 10f64.powi(n)).fract() > 0.999_999
            })
            .unwrap_or(4) as usize;
        let (value, decimals, unit) = if self.ounces {
            let step = if kind.d < 0.05 { 0.0005 } else { 0.05 };
            let value = self.shown / 28.349_523_125;
            (
                (value / step).round() * step,
                if kind.d < 0.05 { 4 } else { 2 },
                "oz",
            )
        } else {
            (self.shown, decimals, "g")
        };
        let sign = if value < 0.0 { '-' } else { '+' };
        let number = format!("{:.*}", decimals, value.abs());
        let mark = if self.steady { unit } else { "" };
        match kind.layout {
            1 => format!("{label:<6}{sign}{number:>9} {mark:<3}\r\n"),
            0 => format!("{sign}{number:>9} {mark:<3}\r\n"),
            _ => format!("{sign}{number} {unit}\r\n"),
        }
        .into_bytes()
    }
}

pub fn gauss(rng: &mut fastrand::Rng) -> f64 {
    let u: f64 = rng.f64().max(1e-12);
    (-2.0 * u.ln()).sqrt() * (std::f64::consts::TAU * rng.f64()).cos()
}
