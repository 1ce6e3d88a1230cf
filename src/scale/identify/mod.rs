//! Identification of a scale: its layout, how fine it reads, and what to write into the configuration.
//!
//! Pure: bytes in, findings out. The same code serves `identify`, which listens on a port, and
//! `replay`, which listens to the beginning of a capture.

mod advice;
mod readability;

use super::frame::{Framer, LONGEST_LINE};
use super::layout::{ALL, Layout};
use super::{Indication, Line};
use crate::mass::Unit;
use crate::scale::settings::Parity;
use crate::time::Moment;

pub use advice::{Hint, LineSettings, stanza};
pub use readability::Readability;
use readability::majority;

/// How many bytes and lines are listened to.
const ENOUGH_BYTES: usize = 64 * 1024;
const ENOUGH_LINES: usize = 200;
/// How many weight lines a layout must read before it is believed.
const FEWEST_LINES: usize = 3;
/// Hears the beginning of a stream, in bounded memory.
#[derive(Debug, Clone, Default)]
pub struct Listener {
    heard: Vec<u8>,
    /// Bytes since the last line end; of an endless line only the beginning is kept.
    run: usize,
    ends: usize,
    first: Option<Moment>,
    last: Moment,
}

impl Listener {
    pub fn new() -> Listener {
        Listener::default()
    }

    /// Takes bytes that arrived at `at`; what comes after enough was heard is not kept.
    pub fn hear(&mut self, at: Moment, bytes: &[u8]) {
        for &byte in bytes {
            if self.is_full() {
                return;
            }
            self.first.get_or_insert(at);
            self.last = at;
            match byte {
                0x02 => self.run = 0,
                b'\r' | b'\n' | 0x03 => {
                    self.ends += usize::from(self.run > 0);
                    self.run = 0;
                }
                _ => self.run += 1,
            }
            if self.run <= LONGEST_LINE + 1 {
                self.heard.push(byte);
            }
        }
    }

    /// Whether enough was heard: about 200 lines, or 64 KiB.
    pub fn is_full(&self) -> bool {
        self.heard.len() >= ENOUGH_BYTES || self.ends > ENOUGH_LINES
    }

    /// What was heard so far.
    pub fn findings(&self) -> Findings {
        let mut scores: Vec<Score> = ALL
            .into_iter()
            .map(|layout| score(layout, &self.heard))
            .collect();
        // Stable: of equals the stricter layout stays in front.
        scores.sort_by_key(|score| std::cmp::Reverse(score.rank()));
        let verdict = self.verdict(&scores);
        Findings { scores, verdict }
    }

    fn verdict(&self, scores: &[Score]) -> Verdict {
        let fits = |score: &&Score| {
            score.weights.len() >= FEWEST_LINES && score.weights.len() * 4 >= score.rejected
        };
        let Some(top) = scores.iter().find(fits) else {
            return Verdict::None(self.hint(scores));
        };
        // Lines that a strict layout rejects as cut are whole lines to a loose one. So of those
        // that read about as many weights, the strictest is right: they stand in its order.
        let best = ALL
            .into_iter()
            .filter_map(|layout| {
                scores
                    .iter()
                    .find(|score| score.layout.name() == layout.name())
            })
            .find(|score| fits(score) && score.weights.len() * 4 >= top.weights.len() * 3)
            .unwrap_or(top);
        let rival = scores
            .iter()
            .filter(fits)
            .find(|other| other.rank() == best.rank() && !other.same_weights(best));
        if let Some(rival) = rival {
            return Verdict::None(Hint::Ambiguous(best.layout.name(), rival.layout.name()));
        }
        let (unit, readability) = match majority(&best.weights) {
            Some(readability) => (Some(readability.unit), Some(readability)),
            None => (None, None),
        };
        Verdict::Identified(Identified {
            layout: best.layout,
            unit,
            readability,
            good: best.good(),
            rejected: best.rejected,
            lines_per_second: self.rate(best.good()),
        })
    }

    fn rate(&self, lines: usize) -> Option<f64> {
        let seconds = self.last.since(self.first?) as f64 / 1e6;
        (lines > 1 && seconds > 0.0).then(|| (lines - 1) as f64 / seconds)
    }

    fn hint(&self, scores: &[Score]) -> Hint {
        let count = |is: fn(u8) -> bool| self.heard.iter().filter(|&&byte| is(byte)).count();
        let all = self.heard.len();
        if all == 0 {
            return Hint::Silent;
        }
        let text = |byte: u8| {
            let seven = byte & 0x7f;
            (0x20..0x7f).contains(&seven) || matches!(seven, b'\r' | b'\n' | 0x02 | 0x03)
        };
        let eighth = count(|byte| byte >= 0x80);
        let even = count(|byte| byte.count_ones() % 2 == 0);
        let readable = count(text);
        if eighth * 8 >= all && readable * 20 >= all * 19 {
            if even * 20 >= all * 19 {
                return Hint::SevenBits(Parity::Even);
            }
            if even * 20 <= all {
                return Hint::SevenBits(Parity::Odd);
            }
        }
        let plain = count(|byte| matches!(byte, b'\r' | b'\n' | 0x02 | 0x03 | 0x20..0x7f));
        if plain * 10 < all * 9 {
            return Hint::WrongSpeed;
        }
        match scores.first().map_or(0, Score::good) {
            0 => Hint::UnknownForm,
            good => Hint::TooFew(good),
        }
    }
}

/// How one layout reads what was heard.
#[derive(Debug, Clone)]
pub struct Score {
    pub layout: &'static dyn Layout,
    /// The weights it read, in order.
    pub weights: Vec<Indication>,
    /// Lines it understood that hold no weight (overload, an answer to a command).
    pub others: usize,
    pub rejected: usize,
}

impl Score {
    /// Lines that were understood.
    pub fn good(&self) -> usize {
        self.weights.len() + self.others
    }

    /// More weights and fewer rejects are better.
    fn rank(&self) -> (i64, usize) {
        (
            self.weights.len() as i64 - self.rejected as i64,
            self.weights.len(),
        )
    }

    fn same_weights(&self, other: &Score) -> bool {
        let key = |score: &Score| -> Vec<_> {
            score
                .weights
                .iter()
                .map(|weight| (weight.value, weight.unit))
                .collect()
        };
        key(self) == key(other)
    }
}

fn score(layout: &'static dyn Layout, heard: &[u8]) -> Score {
    let mut score = Score {
        layout,
        weights: Vec::new(),
        others: 0,
        rejected: 0,
    };
    Framer::at_line_start(layout.framing()).feed(heard, |line| {
        if score.good() + score.rejected >= ENOUGH_LINES {
            return;
        }
        match line.and_then(|line| layout.parse(line)) {
            Ok(Line::Weight(weight)) => score.weights.push(weight),
            Ok(Line::Overload | Line::Underload | Line::NoWeight | Line::NotAMass) => {
                score.others += 1;
            }
            Err(_) => score.rejected += 1,
        }
    });
    score
}

/// What came out of listening.
#[derive(Debug, Clone)]
pub struct Findings {
    /// Every layout, the best first.
    pub scores: Vec<Score>,
    pub verdict: Verdict,
}

impl Findings {
    pub fn identified(&self) -> Option<&Identified> {
        match &self.verdict {
            Verdict::Identified(found) => Some(found),
            Verdict::None(_) => None,
        }
    }
}

#[derive(Debug, Clone)]
pub enum Verdict {
    Identified(Identified),
    /// Nothing is clearly right; the hint says why and what to try.
    None(Hint),
}

/// The layout that is clearly right, and what its lines tell.
#[derive(Debug, Clone)]
pub struct Identified {
    pub layout: &'static dyn Layout,
    /// The unit of most weight lines; `None` when no line had one.
    pub unit: Option<Unit>,
    /// The readability of most weight lines; `None` when no line had a unit.
    pub readability: Option<Readability>,
    pub good: usize,
    pub rejected: usize,
    /// Lines a second; `None` when all came in one moment.
    pub lines_per_second: Option<f64>,
}
