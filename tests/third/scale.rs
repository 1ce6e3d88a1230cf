//! A scale as it may stand on a maker's table: how it follows a load, rounds it, and what it sends.
//!
//! Nothing here is measured: the habits are those of cheap and middling bench scales, from memory.

use std::collections::VecDeque;

use fastrand::Rng;

/// When it sends a line.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Talk {
    Always,
    StableOnly,
    OnChange,
    /// Gross, tare and net, a line each.
    Triple,
}

/// How its lines look.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Form {
    Comma,
    CommaMarked,
    SignUnit,
}

#[derive(Debug, Clone, Copy)]
pub struct Kind {
    pub name: &'static str,
    /// Its smallest step, in grams.
    pub d: f64,
    /// Above so many grams it counts in this step; whether the digit that means nothing is still shown.
    pub coarse: Option<(f64, f64, bool)>,
    pub capacity: f64,
    /// Time constant of its filter, in seconds.
    pub tau: f64,
    /// Seconds between lines.
    pub every: f64,
    pub talk: Talk,
    pub form: Form,
    /// ZERO works up to this part of the capacity.
    pub zero_range: f64,
    /// Switched on it zeroes itself up to this part of the capacity.
    pub power_zero: f64,
    /// Seconds without a change of load until it switches itself off.
    pub auto_off: Option<f64>,
    pub auto_tare: bool,
    /// Part of the load by which it creeps, and over how many seconds.
    pub creep: (f64, f64),
    /// The display stands still while a key is held.
    pub freezes: bool,
    /// Lines are held up for so long now and then, and come all at once.
    pub stall: f64,
    /// It is among those for which README says that they work.
    pub promised: bool,
}

impl Kind {
    /// Whether it has no habit that makes clean work hard.
    pub fn is_plain(&self) -> bool {
        self.promised && self.coarse.is_none()
    }
}

const PLAIN: Kind = Kind {
    name: "plain",
    d: 0.01,
    coarse: None,
    capacity: 1200.0,
    tau: 0.15,
    every: 0.1,
    talk: Talk::Always,
    form: Form::Comma,
    zero_range: 0.02,
    power_zero: 0.1,
    auto_off: None,
    auto_tare: false,
    creep: (0.0, 60.0),
    freezes: true,
    stall: 0.0,
    promised: true,
};

macro_rules! kind {
    ($name:literal, $($what:ident: $is:expr),*) => {
        Kind { name: $name, $($what: $is,)* ..PLAIN }
    };
}

#[rustfmt::skip]
pub const KINDS: [Kind; 15] = [
    PLAIN,
    kind!("stable", talk: Talk::StableOnly, every: 0.2, form: Form::SignUnit, promised: false),
    kind!("stable-slow", talk: Talk::StableOnly, every: 0.2, tau: 0.25, form: Form::SignUnit, promised: false),
    kind!("change", talk: Talk::OnChange, promised: false),
    kind!("two-sec", every: 2.0, promised: false),
    kind!("half-sec", every: 0.5, tau: 0.3),
    kind!("bursts", every: 0.1, stall: 2.0, form: Form::SignUnit),
    kind!("triple", talk: Talk::Triple, every: 0.3, form: Form::CommaMarked),
    kind!("auto-off", auto_off: Some(120.0), power_zero: 1.0, every: 0.2),
    kind!("ranges", coarse: Some((100.0, 0.1, false))),
    kind!("ranges-pad", coarse: Some((100.0, 0.1, true)), form: Form::SignUnit),
    kind!("auto-tare", auto_tare: true, promised: false, form: Form::Comma),
    kind!("wide-zero", zero_range: 0.04, power_zero: 0.2, form: Form::CommaMarked, every: 0.2),
    kind!("creeps", creep: (0.0004, 80.0), tau: 0.3),
    kind!("coarse", d: 0.1, capacity: 3000.0, every: 0.2, form: Form::SignUnit),
];

#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Key {
    Tare,
    Zero,
    Power,
}

#[derive(Debug)]
pub struct Scale {
    pub kind: Kind,
    raw: f64,
    crept: f64,
    /// What the bench's tilt adds.
    pub tilt: f64,
    zero: f64,
    tare: f64,
    pub on: bool,
    ready_at: f64,
    wanted: Option<(Key, f64)>,
    held_until: f64,
    held_line: f64,
    recent: VecDeque<(f64, f64)>,
    next_line: f64,
    last_sent: Option<String>,
    moved_at: f64,
    moved_from: f64,
    armed: bool,
}

impl Scale {
    /// Whether its menu has something to set right.
    pub fn is_oddly_set(&self) -> bool {
        let talks = matches!(self.kind.talk, Talk::Always | Talk::Triple);
        !talks || self.kind.auto_tare || self.kind.every > 0.5
    }

    pub fn new(kind: Kind, preload: f64, phase: f64) -> Scale {
        Scale {
            kind,
            raw: preload,
            crept: 0.0,
            tilt: 0.0,
            zero: preload,
            tare: 0.0,
            on: true,
            ready_at: 0.0,
            wanted: None,
            held_until: -1.0,
            held_line: 0.0,
            recent: VecDeque::new(),
            next_line: phase,
            last_sent: None,
            moved_at: 0.0,
            moved_from: preload,
            armed: true,
        }
    }

    fn step_at(&self, gross: f64) -> f64 {
        match self.kind.coarse {
            Some((limit, d, _)) if gross > limit => d,
            _ => self.kind.d,
        }
    }

    fn round(&self, grams: f64) -> f64 {
        let d = self.step_at(self.raw - self.zero);
        (grams / d).round() * d
    }

    /// What its display shows; `None` while it is off or starting.
    pub fn shows(&self, t: f64) -> Option<f64> {
        if !self.on || t < self.ready_at {
            return None;
        }
        if t < self.held_until {
            return Some(self.held_line);
        }
        Some(self.round(self.raw - self.zero - self.tare))
    }

    pub fn is_still(&self) -> bool {
        let (low, high) = self
            .recent
            .iter()
            .fold((f64::MAX, f64::MIN), |(low, high), (_, v)| {
                (low.min(*v), high.max(*v))
            });
        self.recent.len() > 5 && high - low <= 1.5 * self.step_at(self.raw - self.zero)
    }

    /// A key held for `hold` seconds; it acts when the load is still.
    pub fn press(&mut self, key: Key, t: f64, hold: f64) {
        if key == Key::Power {
            self.on = !self.on;
            self.ready_at = t + 2.0;
            self.wanted = self.on.then_some((Key::Power, t + 2.0));
            self.moved_at = t + 2.0;
            return;
        }
        if self.kind.freezes {
            self.held_line = self.shows(t).unwrap_or(0.0);
            self.held_until = t + hold;
        }
        self.wanted = Some((key, t + hold));
    }

    fn act(&mut self, key: Key) {
        let gross = self.raw - self.zero;
        match key {
            Key::Tare => self.tare = self.round(gross),
            Key::Zero if gross.abs() <= self.kind.zero_range * self.kind.capacity => {
                self.zero = self.raw;
                self.tare = 0.0;
            }
            Key::Zero => {}
            Key::Power => {
                self.tare = 0.0;
                if self.raw.abs() <= self.kind.power_zero * self.kind.capacity {
                    self.zero = self.raw;
                }
            }
        }
    }

    /// `dt` seconds later under `load` grams; the lines that it sends.
    pub fn pass(&mut self, t: f64, dt: f64, load: f64, rng: &mut Rng, out: &mut Vec<String>) {
        let (part, over) = self.kind.creep;
        self.crept += (part * load - self.crept) * dt / over;
        let force = load + self.crept + self.tilt;
        self.raw += (force - self.raw) * (1.0 - (-dt / self.kind.tau).exp());
        self.recent.push_back((t, self.raw));
        while self.recent.front().is_some_and(|(at, _)| *at < t - 0.7) {
            self.recent.pop_front();
        }
        let d = self.kind.d;
        if (self.raw - self.moved_from).abs() > 2.0 * d {
            (self.moved_from, self.moved_at) = (self.raw, t);
        }
        if self.kind.auto_off.is_some_and(|s| t - self.moved_at > s) {
            self.on = false;
        }
        if !self.on {
            return;
        }
        if let Some((key, at)) = self.wanted
            && t >= at
        {
            if self.is_still() || key == Key::Power {
                self.act(key);
                self.wanted = None;
            } else if t > at + 3.0 {
                self.wanted = None;
            }
        }
        let gross = self.raw - self.zero;
        if self.kind.auto_tare && self.is_still() {
            if self.armed && gross > 5.0 {
                self.tare = self.round(gross);
                self.armed = false;
            } else if gross.abs() < 1.0 && !self.armed {
                (self.tare, self.armed) = (0.0, true);
            }
        }
        // The zero follows what creeps, slowly.
        if gross.abs() < 0.5 * d && self.tare == 0.0 {
            self.zero += gross.signum() * (0.3 * d * dt).min(gross.abs());
        }
        if t < self.next_line || t < self.ready_at {
            return;
        }
        self.next_line += self.kind.every;
        if self.next_line < t {
            self.next_line = t + self.kind.every;
        }
        self.line(t, rng, out);
    }

    fn line(&mut self, t: f64, rng: &mut Rng, out: &mut Vec<String>) {
        let d = self.kind.d;
        let noise = (rng.f64() + rng.f64() - 1.0) * 0.5 * d;
        let gross = self.raw - self.zero;
        if gross > self.kind.capacity + 9.0 * d || gross < -0.2 * self.kind.capacity - 9.0 * d {
            out.push(if self.kind.form == Form::SignUnit {
                "+      OL g  \r\n".to_owned()
            } else {
                "OL,+99999.99  g\r\n".to_owned()
            });
            return;
        }
        let still = self.is_still();
        let held = t < self.held_until;
        let value = |grams: f64| self.round(grams + noise);
        let net = if held {
            self.held_line
        } else {
            value(gross - self.tare)
        };
        match self.kind.talk {
            Talk::Triple => {
                let head = if still { "ST" } else { "US" };
                for (mark, grams) in [("GS", value(gross)), ("TR", self.tare), ("NT", net)] {
                    out.push(format!("{head},{mark},{}  g\r\n", self.digits(grams)));
                }
            }
            Talk::StableOnly if !still => {}
            talk => {
                let line = self.form(net, still);
                if talk == Talk::OnChange && self.last_sent.as_ref() == Some(&line) {
                    return;
                }
                self.last_sent = Some(line.clone());
                out.push(line);
            }
        }
    }

    fn digits(&self, grams: f64) -> String {
        let places = match self.kind.coarse {
            Some((limit, _, padded)) if self.raw - self.zero > limit && !padded => 1,
            _ if self.kind.d > 0.05 => 1,
            _ => 2,
        };
        let sign = if grams < -1e-9 { '-' } else { '+' };
        format!("{sign}{:08.places$}", grams.abs())
    }

    fn form(&self, grams: f64, still: bool) -> String {
        let head = if still { "ST" } else { "US" };
        match self.kind.form {
            Form::Comma => format!("{head},{}  g\r\n", self.digits(grams)),
            Form::CommaMarked => {
                let mark = if self.tare == 0.0 { "GS" } else { "NT" };
                format!("{head},{mark},{}  g\r\n", self.digits(grams))
            }
            Form::SignUnit => {
                let digits = self.digits(grams);
                let (sign, number) = digits.split_at(1);
                let number = number.trim_start_matches('0');
                let number = if number.starts_with('.') {
                    format!("0{number}")
                } else {
                    number.to_owned()
                };
                let unit = if still { "g" } else { "" };
                format!("{sign}{number:>9} {unit:<3}\r\n")
            }
        }
    }
}
