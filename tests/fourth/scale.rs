//! The scale: a sprung pan, a converter, a filter, a display and a line. All its habits are from memory.

use std::collections::VecDeque;
use std::f64::consts::TAU;

use fastrand::Rng;

#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Filter {
    /// So many poles, each with this time constant.
    Poles(usize, f64),
    /// Fast while the load is far from what is shown, slow near it (in steps).
    Adaptive(f64, f64, f64),
    /// Median of so many samples, then one pole.
    Median(usize, f64),
    Boxcar(usize),
}

/// When it calls itself steady.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Mark {
    /// Seconds of rest, steps of range.
    After(f64, f64),
    Flicker,
    Never,
    Always,
}

#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Form {
    Comma,
    Sign,
    Reply,
    Question,
}

#[derive(Debug, Clone, Copy, PartialEq)]
pub enum TareKey {
    AtOnce,
    Late(f64),
    AtRest,
}

#[derive(Debug, Clone, Copy)]
pub struct Kind {
    pub name: &'static str,
    /// Readability, grams.
    pub d: f64,
    pub places: usize,
    /// Capacity, grams.
    pub cap: f64,
    pub filter: Filter,
    pub hertz: f64,
    pub mark: Mark,
    pub form: Form,
    /// Steps a second by which the zero follows; whether it follows a tared zero too.
    pub follow: f64,
    pub follow_net: bool,
    /// The display stays at a steady value until it is so many steps away.
    pub holds: f64,
    pub tare: TareKey,
    /// Switched on, it takes up to this part of its capacity for zero.
    pub on_zero: f64,
    pub sleeps: f64,
    /// Of a step, one sigma at 50 samples a second.
    pub noise: f64,
    /// One that bismar is made for: 2 lines a second and more, a display that follows the load, a mark that comes
    /// at rest.
    pub promised: bool,
}

const M: Kind = Kind {
    name: "usual",
    d: 0.01,
    places: 2,
    cap: 600.0,
    filter: Filter::Poles(2, 0.12),
    hertz: 8.0,
    mark: Mark::After(0.8, 1.0),
    form: Form::Comma,
    follow: 0.4,
    follow_net: false,
    holds: 0.0,
    tare: TareKey::AtRest,
    on_zero: 0.1,
    sleeps: f64::INFINITY,
    noise: 0.4,
    promised: true,
};

pub const KINDS: [Kind; 16] = [
    M,
    Kind {
        name: "quick20",
        hertz: 20.0,
        filter: Filter::Boxcar(10),
        mark: Mark::After(0.3, 2.0),
        form: Form::Sign,
        ..M
    },
    Kind {
        name: "slow3pole",
        d: 0.02,
        cap: 1500.0,
        filter: Filter::Poles(3, 0.35),
        hertz: 5.0,
        mark: Mark::After(1.5, 1.0),
        form: Form::Reply,
        ..M
    },
    Kind {
        name: "adaptive",
        filter: Filter::Adaptive(0.06, 0.7, 8.0),
        hertz: 10.0,
        mark: Mark::After(0.5, 1.5),
        follow: 1.0,
        form: Form::Question,
        ..M
    },
    Kind {
        name: "median",
        d: 0.05,
        cap: 2000.0,
        filter: Filter::Median(15, 0.15),
        hertz: 4.0,
        form: Form::Sign,
        tare: TareKey::AtOnce,
        ..M
    },
    Kind {
        name: "kitchen1",
        d: 1.0,
        places: 0,
        cap: 5000.0,
        filter: Filter::Boxcar(20),
        hertz: 4.0,
        form: Form::Comma,
        on_zero: 1.0,
        tare: TareKey::AtOnce,
        noise: 0.15,
        ..M
    },
    Kind {
        name: "tenth",
        d: 0.1,
        places: 1,
        cap: 3000.0,
        filter: Filter::Poles(2, 0.2),
        hertz: 3.0,
        form: Form::Question,
        tare: TareKey::Late(0.9),
        ..M
    },
    Kind {
        name: "pocket",
        d: 0.01,
        cap: 200.0,
        filter: Filter::Adaptive(0.08, 0.5, 5.0),
        hertz: 5.0,
        follow: 1.5,
        sleeps: 90.0,
        on_zero: 1.0,
        form: Form::Sign,
        ..M
    },
    Kind {
        name: "milli",
        d: 0.001,
        places: 3,
        cap: 220.0,
        filter: Filter::Poles(4, 0.25),
        hertz: 6.0,
        mark: Mark::After(1.2, 2.0),
        noise: 0.9,
        form: Form::Reply,
        ..M
    },
    Kind {
        name: "netzero",
        follow: 1.0,
        follow_net: true,
        hertz: 6.0,
        form: Form::Sign,
        tare: TareKey::AtOnce,
        ..M
    },
    Kind {
        name: "early",
        mark: Mark::After(0.12, 4.0),
        filter: Filter::Poles(3, 0.3),
        form: Form::Reply,
        ..M
    },
    Kind {
        name: "flickermark",
        mark: Mark::Flicker,
        form: Form::Question,
        noise: 0.7,
        ..M
    },
    Kind {
        // Whether there is such a scale is not known; a bench that trembles makes one.
        name: "nomark",
        mark: Mark::Never,
        form: Form::Comma,
        hertz: 10.0,
        noise: 0.5,
        ..M
    },
    Kind {
        name: "alwaysmark",
        mark: Mark::Always,
        form: Form::Sign,
        filter: Filter::Poles(2, 0.3),
        hertz: 5.0,
        ..M
    },
    Kind {
        name: "holding",
        holds: 4.0,
        hertz: 5.0,
        form: Form::Comma,
        promised: false,
        ..M
    },
    Kind {
        name: "oneline",
        hertz: 1.0,
        form: Form::Reply,
        promised: false,
        ..M
    },
];

#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Key {
    Tare,
    Zero,
    Unit,
    Power,
}

pub struct Scale {
    pub kind: Kind,
    x: f64,
    v: f64,
    poles: [f64; 4],
    samples: VecDeque<f64>,
    pub seen: f64,
    zero: f64,
    tare: f64,
    shown: f64,
    held: Option<f64>,
    shows: VecDeque<(f64, f64)>,
    pub on: bool,
    ready: f64,
    key: Option<(Key, f64)>,
    pub ounces: bool,
    next: f64,
    woke: f64,
    woke_at: f64,
    /// The converter's own drift, in grams.
    pub drift: f64,
    /// Until when the battery is too low.
    pub weak: f64,
}

impl Scale {
    pub fn new(kind: Kind, phase: f64) -> Scale {
        Scale {
            kind,
            x: 0.0,
            v: 0.0,
            poles: [0.0; 4],
            samples: VecDeque::new(),
            seen: 0.0,
            zero: 0.0,
            tare: 0.0,
            shown: 0.0,
            held: None,
            shows: VecDeque::new(),
            on: true,
            ready: 0.0,
            key: None,
            ounces: false,
            next: phase,
            woke: 0.0,
            woke_at: 0.0,
            drift: 0.0,
            weak: -1.0,
        }
    }

    pub fn press(&mut self, key: Key, t: f64) {
        match key {
            Key::Power => {
                self.on = !self.on;
                self.ready = t + 2.5;
                self.ounces = false;
                self.woke_at = t;
                self.key = self.on.then_some((key, t + 2.4));
            }
            Key::Unit => self.ounces = !self.ounces,
            _ => {
                let late = if let TareKey::Late(s) = self.kind.tare {
                    s
                } else {
                    0.0
                };
                self.key = Some((key, t + late));
            }
        }
    }

    fn range(&self, t: f64, seconds: f64) -> f64 {
        let mut n = 0;
        let (lo, hi) =
            self.shows
                .iter()
                .filter(|s| s.0 > t - seconds)
                .fold((f64::MAX, f64::MIN), |a, s| {
                    n += 1;
                    (a.0.min(s.1), a.1.max(s.1))
                });
        if n < 2 { 0.0 } else { hi - lo }
    }

    pub fn rests(&self, t: f64) -> bool {
        self.range(t, 0.8) <= 1.01 * self.kind.d
    }

    pub fn pass(&mut self, t: f64, dt: f64, force: f64, rng: &mut Rng, out: &mut Vec<Vec<u8>>) {
        let d = self.kind.d;
        let w = TAU * 9.0;
        for _ in 0..4 {
            let h = dt / 4.0;
            self.v += (w * w * (force - self.x) - 2.0 * 0.4 * w * self.v) * h;
            self.x += self.v * h;
        }
        let g = |rng: &mut Rng| (0..6).map(|_| rng.f64()).sum::<f64>() * 1.414 - 4.243;
        let raw = self.x + self.drift + self.kind.noise * d * g(rng);
        let pole = |y: &mut f64, x: f64, tau: f64| *y += (x - *y) * (1.0 - (-dt / tau).exp());
        match self.kind.filter {
            Filter::Poles(n, tau) => {
                let mut x = raw;
                for y in &mut self.poles[..n] {
                    pole(y, x, tau);
                    x = *y;
                }
                self.seen = x;
            }
            Filter::Adaptive(fast, slow, near) => {
                pole(&mut self.poles[0], raw, 0.05);
                let tau = if (self.poles[0] - self.poles[1]).abs() > near * d {
                    fast
                } else {
                    slow
                };
                let x = self.poles[0];
                pole(&mut self.poles[1], x, tau);
                self.seen = self.poles[1];
            }
            Filter::Median(n, tau) => {
                self.samples.push_back(raw);
                if self.samples.len() > n {
                    self.samples.pop_front();
                }
                let mut s: Vec<f64> = self.samples.iter().copied().collect();
                s.sort_by(f64::total_cmp);
                pole(&mut self.poles[0], s[s.len() / 2], tau);
                self.seen = self.poles[0];
            }
            Filter::Boxcar(n) => {
                self.samples.push_back(raw);
                if self.samples.len() > n {
                    self.samples.pop_front();
                }
                let m = self.samples.iter().sum::<f64>() / self.samples.len() as f64;
                pole(&mut self.poles[0], m, 0.06);
                self.seen = self.poles[0];
            }
        }
        if (self.seen - self.woke).abs() > 3.0 * d {
            self.woke = self.seen;
            self.woke_at = t;
        }
        if self.on && t - self.woke_at > self.kind.sleeps {
            self.on = false;
        }
        if !self.on || t < self.ready - 0.2 {
            return;
        }
        let gross = self.seen - self.zero;
        let near = if self.kind.follow_net {
            gross - self.tare
        } else if self.tare == 0.0 {
            gross
        } else {
            f64::MAX
        };
        if near.abs() < 0.5 * d {
            self.zero += near.signum() * (self.kind.follow * d * dt).min(near.abs());
        }
        if let Some((key, at)) = self.key
            && t >= at
        {
            let waits = self.kind.tare == TareKey::AtRest && key != Key::Power && !self.rests(t);
            if waits {
                if t > at + 4.0 {
                    self.key = None;
                }
            } else {
                self.key = None;
                self.held = None;
                match key {
                    Key::Tare => self.tare = (gross / d).round() * d,
                    Key::Zero if gross.abs() < 0.03 * self.kind.cap => {
                        self.zero = self.seen;
                        self.tare = 0.0;
                    }
                    Key::Power => {
                        self.tare = 0.0;
                        if gross.abs() <= self.kind.on_zero * self.kind.cap {
                            self.zero = self.seen;
                        }
                    }
                    _ => {}
                }
            }
        }
        let net = self.seen - self.zero - self.tare;
        // A last digit does not change for less than a good half of a step.
        if (net - self.shown).abs() > 0.56 * d {
            self.shown = (net / d).round() * d;
        }
        self.shows.push_back((t, self.shown));
        while self.shows.front().is_some_and(|s| s.0 < t - 2.0) {
            self.shows.pop_front();
        }
        if self.kind.holds > 0.0 {
            match self.held {
                Some(h) if (self.shown - h).abs() > self.kind.holds * d => self.held = None,
                None if self.range(t, 1.0) < 0.5 * d => self.held = Some(self.shown),
                _ => {}
            }
            if let Some(h) = self.held {
                self.shown = h;
            }
        }
        if t < self.next || t < self.ready {
            return;
        }
        self.next = (self.next + 1.0 / self.kind.hertz).max(t);
        let line = self.line(t, gross, rng);
        out.push(line);
    }

    fn line(&mut self, t: f64, gross: f64, rng: &mut Rng) -> Vec<u8> {
        let d = self.kind.d;
        let steady = match self.kind.mark {
            Mark::After(s, k) => self.range(t, s) <= (k + 0.01) * d,
            Mark::Flicker => self.range(t, 0.8) <= 1.01 * d && rng.u8(..5) > 0,
            Mark::Never => false,
            Mark::Always => true,
        };
        if t < self.weak {
            return match rng.u8(..4) {
                0 => (0..rng.usize(3..20)).map(|_| rng.u8(..)).collect(),
                1 => b"  LO  \r\n".to_vec(),
                2 => {
                    let l = self.text(self.shown, steady);
                    let n = rng.usize(1..l.len());
                    l.as_bytes()[n..].to_vec()
                }
                _ => {
                    let l = self.text(self.shown, false);
                    let n = rng.usize(1..l.len());
                    l.as_bytes()[..n].to_vec()
                }
            };
        }
        if gross > self.kind.cap + 9.0 * d {
            return match self.kind.form {
                Form::Comma => "OL,+99999.9  g\r\n",
                Form::Sign => "      H       \r\n",
                Form::Reply => "S +\r\n",
                Form::Question => "    OL       ?\r\n",
            }
            .into();
        }
        self.text(self.shown, steady).into_bytes()
    }

    fn text(&self, grams: f64, steady: bool) -> String {
        let (n, unit, p) = if self.ounces {
            (grams / 28.349_523_125, "oz", self.kind.places + 2)
        } else {
            (grams, "g", self.kind.places)
        };
        let n = if n.abs() < 1e-9 { 0.0 } else { n };
        let (sign, a) = (if n < 0.0 { '-' } else { '+' }, n.abs());
        match self.kind.form {
            Form::Comma => format!(
                "{},{sign}{a:08.p$} {unit:>2}\r\n",
                if steady { "ST" } else { "US" }
            ),
            Form::Sign => format!("{sign}{a:>9.p$} {:<3}\r\n", if steady { unit } else { "" }),
            Form::Reply => format!("S {} {n:>10.p$} {unit}\r\n", if steady { 'S' } else { 'D' }),
            Form::Question => format!(
                "{n:>10.p$} {unit:<2}   {}\r\n",
                if steady { ' ' } else { '?' }
            ),
        }
    }
}
