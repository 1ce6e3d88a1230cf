//! What the benchmarks put on the line: a simple bench at work, and the formula it works by.

#![allow(dead_code, reason = "each benchmark uses another part")]

use std::fmt::Write as _;

/// An invented formula of `steps` equal parts; 2 % on each side.
pub fn equal_steps(steps: usize) -> String {
    let mut text = "[formula]\nname = \"Bench mix\"\n\n[[phase]]\nname = \"Dry\"\n".to_owned();
    for n in 1..=steps {
        let share = if n == steps {
            "balance = true".to_owned()
        } else {
            // Nine decimals are the most that a formula takes.
            format!("percent = {:.6}", 100.0 / steps as f64)
        };
        write!(
            text,
            "\n[[phase.ingredient]]\nname = \"Salt {n}\"\n{share}\ntolerance = {{ percent = 2.0 }}\n"
        )
        .expect("text");
    }
    text
}

/// A 16-character line; the unit is left out while the load moves.
pub fn line(grams: f64, steady: bool) -> String {
    let sign = if grams < 0.0 { '-' } else { '+' };
    let unit = if steady { "g" } else { "" };
    format!("{sign} {:>8.2} {unit:<3}\r\n", grams.abs())
}

/// How the hands work.
#[derive(Debug, Clone, Copy)]
pub enum Pace {
    /// Many short rests, each long enough for a cue where the steady window is short.
    Restless,
    /// A step in 13 s.
    Brisk,
    /// A step in 50 s.
    Calm,
}

/// What the pan of a bench shows while one step of 100 g after the other is weighed: beaker, a pour
/// with rests on the way, a bit too much, taken out again, lifted. 0.01 g exact, `rate` a second.
pub struct Bench {
    rate: f64,
    shown: f64,
    queue: std::collections::VecDeque<(f64, bool)>,
    begun: usize,
}

impl Bench {
    pub fn new(rate: f64) -> Bench {
        Bench {
            rate,
            shown: 0.0,
            queue: std::collections::VecDeque::new(),
            begun: 0,
        }
    }

    /// Steps whose beaker was lifted again in the lines given so far.
    pub fn steps_done(&self) -> usize {
        self.begun - usize::from(!self.queue.is_empty())
    }

    fn ramp(&mut self, to: f64, seconds: f64) {
        let n = (seconds * self.rate).max(2.0) as usize;
        let from = self.shown;
        for i in 1..=n {
            let grams = from + (to - from) * i as f64 / n as f64;
            self.queue.push_back((grams, i == n));
        }
        self.shown = to;
    }

    fn rest(&mut self, seconds: f64) {
        for _ in 0..(seconds * self.rate) as usize {
            self.queue.push_back((self.shown, true));
        }
    }

    /// One step; `pauses` rests of `rest` seconds on the way up.
    fn step(&mut self, pauses: usize, rest: f64) {
        self.rest(rest + 0.3);
        // A landing through the scale's filter.
        for share in [0.5, 0.8, 0.94, 0.985, 0.998] {
            self.queue.push_back((150.0 * share, false));
        }
        self.shown = 150.0;
        self.rest(rest + 0.3);
        for i in 1..=pauses {
            self.ramp(150.0 + 95.0 * i as f64 / pauses as f64, 0.12);
            self.rest(rest);
        }
        self.ramp(253.0, 0.6);
        self.rest(rest);
        self.ramp(250.0, 0.6);
        self.rest(rest + 1.0);
        for share in [0.6, 0.25, 0.08, 0.02, 0.004] {
            self.queue.push_back((250.0 * share, false));
        }
        self.shown = 0.0;
    }

    /// The next line.
    pub fn next(&mut self, pace: Pace) -> String {
        loop {
            if let Some((grams, steady)) = self.queue.pop_front() {
                return line(grams, steady);
            }
            self.begun += 1;
            match pace {
                Pace::Restless => self.step(20, 0.4),
                Pace::Brisk => self.step(3, 1.4),
                Pace::Calm => self.step(6, 4.5),
            }
        }
    }
}

/// `BISMAR_BENCH_SECONDS`, or what the bench takes by itself.
pub fn seconds(full: u64) -> u64 {
    std::env::var("BISMAR_BENCH_SECONDS")
        .ok()
        .and_then(|text| text.parse().ok())
        .unwrap_or(full)
        .max(2)
}

/// What else the machine is doing: the numbers are worth as much.
pub fn machine() -> String {
    let load = std::fs::read_to_string("/proc/loadavg").unwrap_or_default();
    let load: Vec<&str> = load.split(' ').take(3).collect();
    let cores = std::thread::available_parallelism().map_or(0, usize::from);
    format!("{cores} cores, load {}", load.join(" "))
}
