//! A scale on a pty whose line can be made bad, and a hand that does what the cues say.

use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use bismar::rehearsal::pty::PtyLine;
use bismar::vocabulary::cue::{Cue, CueKind};

use super::VESSEL;

/// What the line does.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Line {
    Good,
    Silent,
    /// As when the two ends have different speeds: about as many bytes, none of them meant.
    Garbage,
    /// The first half of each line, then the next one's, with the line's end or without.
    Halves,
    /// As much as goes in, without a line's end.
    FloodOfNoise,
    /// As much as goes in, whole lines of what the pan shows.
    FloodOfLines,
    /// The same line whatever the pan carries.
    Stuck,
    Unplugged,
    /// Good again, on another tty.
    Elsewhere,
}

#[derive(Debug)]
struct Shown {
    line: Line,
    /// What the pan carries, hundredths of a gram.
    load: i64,
    /// What the scale took for zero when it was switched on.
    zero: i64,
    ounces: bool,
    stuck_at: i64,
    sent: u64,
}

/// 25 lines a second of what the pan carries.
pub struct Scale {
    shown: Arc<Mutex<Shown>>,
    stop: Arc<AtomicBool>,
    thread: Option<std::thread::JoinHandle<()>>,
}

impl Scale {
    pub fn start(path: PathBuf) -> Scale {
        let shown = Arc::new(Mutex::new(Shown {
            line: Line::Good,
            load: 0,
            zero: 0,
            ounces: false,
            stuck_at: 0,
            sent: 0,
        }));
        let stop = Arc::new(AtomicBool::new(false));
        let (state, ended) = (Arc::clone(&shown), Arc::clone(&stop));
        // It is there when this returns, however busy the machine is.
        let pty = PtyLine::open(path.clone()).unwrap();
        let thread = std::thread::spawn(move || serve(pty, &path, &state, &ended));
        Scale {
            shown,
            stop,
            thread: Some(thread),
        }
    }

    pub fn set(&self, line: Line) {
        let mut shown = self.shown.lock().unwrap();
        shown.stuck_at = shown.load - shown.zero;
        shown.line = line;
    }

    pub fn put(&self, grams: f64) {
        self.shown.lock().unwrap().load = (grams * 100.0).round() as i64;
    }

    /// Switched on again, the scale calls zero what stands on it.
    pub fn zero_here(&self) {
        let mut shown = self.shown.lock().unwrap();
        shown.zero = shown.load;
    }

    pub fn unit(&self, ounces: bool) {
        self.shown.lock().unwrap().ounces = ounces;
    }

    /// Bytes taken by the line so far.
    pub fn sent(&self) -> u64 {
        self.shown.lock().unwrap().sent
    }
}

impl Drop for Scale {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}

fn text(hundredths: i64, ounces: bool) -> String {
    let sign = if hundredths < 0 { '-' } else { '+' };
    let grams = hundredths.abs() as f64 / 100.0;
    if ounces {
        // A thousandth of an ounce is 28 mg: what a scale of 0.01 g shows then has 0.0005 oz.
        let steps = (grams / 28.349_523_125 / 0.0005).round();
        return format!("{sign} {:>8.4} oz \r\n", steps * 0.0005);
    }
    format!("{sign} {grams:>8.2} g  \r\n")
}

fn serve(mut pty: PtyLine, path: &Path, state: &Mutex<Shown>, stop: &AtomicBool) {
    let first = std::fs::read_link(path).ok();
    let mut others = Vec::new();
    let mut rng = fastrand::Rng::with_seed(7);
    let mut count = 0u64;
    let mut settled = 0.0;
    while !stop.load(Ordering::Relaxed) {
        count += 1;
        let mut shown = state.lock().unwrap();
        // Through the scale's filter, as every load comes and goes.
        settled += (shown.load as f64 - settled) * 0.6;
        let line = text(settled.round() as i64 - shown.zero, shown.ounces);
        match shown.line {
            Line::Unplugged => pty.unplug(),
            Line::Elsewhere => {
                while pty.replug().is_ok() && std::fs::read_link(path).ok() == first {
                    // The name is free again: something else takes it.
                    pty.unplug();
                    let other = path.with_extension(others.len().to_string());
                    others.push(PtyLine::open(other).unwrap());
                }
            }
            Line::Good
            | Line::Silent
            | Line::Garbage
            | Line::Halves
            | Line::FloodOfNoise
            | Line::FloodOfLines
            | Line::Stuck => pty.replug().unwrap(),
        }
        let bytes: Vec<u8> = match shown.line {
            Line::Good | Line::Elsewhere => line.into_bytes(),
            Line::Stuck => text(shown.stuck_at, shown.ounces).into_bytes(),
            Line::Silent | Line::Unplugged => Vec::new(),
            Line::Garbage => (0..line.len()).map(|_| rng.u8(..)).collect(),
            Line::Halves => {
                let end = if count.is_multiple_of(2) { "\r\n" } else { "" };
                let half = &line[..rng.usize(1..line.len() - 2)];
                format!("{half}{end}").into_bytes()
            }
            // 40 kB every 40 ms are 1 MB/s.
            Line::FloodOfNoise => (0..40_000).map(|_| rng.u8(b' '..b'~')).collect(),
            Line::FloodOfLines => line.repeat(40_000 / line.len()).into_bytes(),
        };
        drop(shown);
        let sent = feed(&pty, &bytes);
        shown = state.lock().unwrap();
        shown.sent += sent;
        drop(shown);
        std::thread::sleep(Duration::from_millis(40));
    }
}

/// Writes `bytes` in the pieces that a pty takes; a reader that takes none for 40 ms loses the rest.
fn feed(pty: &PtyLine, bytes: &[u8]) -> u64 {
    let mut rest = bytes;
    let end = Instant::now() + Duration::from_millis(40);
    while !rest.is_empty() && Instant::now() < end {
        let taken = pty.write(&rest[..rest.len().min(2048)]);
        rest = &rest[taken..];
        if taken == 0 {
            std::thread::sleep(Duration::from_micros(500));
        }
    }
    (bytes.len() - rest.len()) as u64
}

#[derive(Debug, Clone, Copy)]
enum Deed {
    /// A clean beaker.
    Place,
    /// The one that was lifted, with what is in it.
    PutBack,
    PourTo(f64),
    Lift,
    /// Says `next`: it is the very same beaker.
    Next,
    /// Says `again`, and takes the beaker off.
    Again,
}

/// A person who does what the cues say, word for word.
pub struct Hand {
    pub step: usize,
    /// What is in the beaker, grams.
    pub holds: f64,
    pub on_pan: bool,
    next: Option<(Instant, Deed)>,
    /// "Lift, wait, put back": the second half of it.
    then_back: bool,
    /// Pouring is what was asked for last.
    pours: bool,
    /// Until then nothing but what is planned is done.
    looks_at: Instant,
}

impl Hand {
    pub fn new() -> Hand {
        Hand {
            step: 0,
            holds: 0.0,
            on_pan: false,
            next: None,
            then_back: false,
            pours: false,
            looks_at: Instant::now(),
        }
    }

    /// Whether it has nothing planned, and now looks at the number to see what is missing.
    pub fn looks(&mut self) -> bool {
        let looks =
            self.on_pan && self.pours && self.next.is_none() && Instant::now() > self.looks_at;
        if looks {
            self.looks_at = Instant::now() + Duration::from_millis(800);
        }
        looks
    }

    pub fn pour_missing(&mut self, missing: f64) {
        if missing.abs() > 0.05 {
            self.soon(50, Deed::PourTo(self.holds + missing));
        }
    }

    fn soon(&mut self, ms: u64, deed: Deed) {
        self.next = Some((Instant::now() + Duration::from_millis(ms), deed));
    }

    /// Stops whatever it was about to do.
    pub fn rest(&mut self) {
        self.next = None;
    }

    pub fn hear(&mut self, cue: &Cue) {
        if cue.kind != CueKind::Fault {
            self.pours = matches!(
                cue.kind,
                CueKind::Add | CueKind::EaseOff | CueKind::Hold | CueKind::TakeOut
            );
        }
        self.looks_at = Instant::now() + Duration::from_millis(1200);
        match cue.kind {
            CueKind::Place => {
                let back = cue.say.contains("back");
                if back && !self.on_pan {
                    self.soon(400, Deed::PutBack);
                } else if !back && !self.on_pan {
                    self.step = cue.step;
                    self.soon(500, Deed::Place);
                } else if !back {
                    self.soon(150, Deed::Lift);
                }
            }
            CueKind::Lift => self.soon(250, Deed::Lift),
            CueKind::Fault if cue.say.contains("Lift the beaker") => {
                self.then_back = true;
                self.soon(250, Deed::Lift);
            }
            CueKind::Choose if cue.say.contains("going by its weight. Say again") => {
                self.soon(250, Deed::Again);
            }
            CueKind::Choose if cue.say.contains("lift it off and take that out first") => {
                self.soon(250, Deed::Lift);
            }
            CueKind::Choose if cue.say.contains("next") => self.soon(250, Deed::Next),
            CueKind::Choose if self.on_pan => self.soon(250, Deed::Lift),
            CueKind::Add
            | CueKind::TakeOut
            | CueKind::EaseOff
            | CueKind::Hold
            | CueKind::Mix
            | CueKind::Choose
            | CueKind::Fault
            | CueKind::Done => {}
        }
    }

    /// Does what is due. Gives the word that is to be said.
    pub fn act(&mut self, scale: &Scale) -> Option<&'static str> {
        let (_, deed) = self.next.filter(|(at, _)| Instant::now() >= *at)?;
        self.next = None;
        match deed {
            Deed::Place => {
                self.holds = 0.0;
                self.on_pan = true;
            }
            Deed::PutBack => self.on_pan = true,
            Deed::PourTo(goal) => {
                let most = (goal - self.holds).clamp(-3.0, 3.0);
                self.holds = ((self.holds + most) * 100.0).round() / 100.0;
                if (goal - self.holds).abs() > 0.005 {
                    self.soon(60, deed);
                }
            }
            Deed::Next => {}
            Deed::Again => self.on_pan = false,
            Deed::Lift => {
                self.on_pan = false;
                if std::mem::take(&mut self.then_back) {
                    self.soon(1500, Deed::PutBack);
                }
            }
        }
        self.show(scale);
        match deed {
            Deed::Next => Some("next"),
            Deed::Again => Some("again"),
            Deed::Place | Deed::PutBack | Deed::PourTo(_) | Deed::Lift => None,
        }
    }

    pub fn show(&self, scale: &Scale) {
        scale.put(if self.on_pan {
            VESSEL + self.holds
        } else {
            0.0
        });
    }

    /// Pours `grams` more without looking.
    pub fn pour_blindly(&mut self, scale: &Scale, grams: f64) {
        if self.on_pan {
            self.holds += grams;
            self.show(scale);
        }
    }
}
