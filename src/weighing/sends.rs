//! Ways in which a scale sends that nobody can weigh by, and what has to be set otherwise.

use super::pan::Jump;
use crate::mass::Mass;

/// In what ways a scale sends that nobody can weigh by; each counts how often in a row.
#[derive(Debug, Clone, Copy, Default)]
pub struct Sends {
    /// Lines that came after a long silence.
    seldom: u32,
    /// How long the last was, µs.
    silence: u64,
    /// Loads that came or went without a line, and longer silences.
    at_rest: u32,
    /// What the last jump to zero came from, and jumps that undid the one before.
    zeroed: Mass,
    tares: u32,
    /// How long the weight has been the same, in how many lines, and whether it had risen before.
    same: (u64, u32),
    rose: bool,
    /// For so long a display holds each weight while the load moves, in microseconds; 0 where it does not.
    held: u64,
}

/// What a person has to set otherwise at the scale.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Setting {
    /// It sends a line every so many microseconds.
    Seldom(u64),
    /// It is silent while the weight moves, or while it does not.
    AtRest,
    /// It tares without a key.
    Tares,
}

impl Sends {
    /// A line that comes after this is late for a hand that pours: 1.2 s.
    const SELDOM_US: u64 = 1_200_000;
    /// So long no scale is silent that sends all the time: 2.5 s.
    const LONG_US: u64 = 2_500_000;

    /// No display holds a weight for longer: 1.2 s.
    const HOLDS_US: u64 = 1_200_000;

    pub fn line(&mut self, change: Mass, silence: u64, gap: bool, d: Mass) {
        let moved = change.abs() > (d * 20).max(Mass::from_g(2));
        self.seldom = if silence > Sends::SELDOM_US {
            self.seldom + 1
        } else {
            0
        };
        self.silence = silence;
        if gap && self.seldom < 2 && (moved || silence > Sends::LONG_US) {
            self.at_rest += 1;
        } else if moved && !gap {
            self.at_rest = 0;
        }
    }

    /// What moves by much from one weight to the next, with the same weight said again between, is held by the display.
    /// A key or a lift at once, which says nothing of the display.
    pub fn leapt(&mut self) {
        self.same = (0, 0);
    }

    pub fn follow_display(&mut self, change: Mass, silence: u64, d: Mass) {
        let (lasted, again) = (self.same.0 + silence, self.same.1);
        if change == Mass::ZERO {
            self.same = (lasted, again + 1);
            return;
        }
        let rises = !change.is_negative();
        if change.abs() > d * 5 && rises == self.rose {
            self.held = match again {
                0 => self.held * 3 / 4,
                1.. if lasted <= Sends::HOLDS_US => self.held.max(lasted),
                1.. => self.held,
            };
        }
        self.rose = rises;
        self.same = (0, 0);
    }

    /// For so long a display holds each weight while the load moves: microseconds.
    pub fn holds(&self) -> u64 {
        self.held
    }

    /// Zero out of a load, then zero out of what its lift left below: a hand's keys are no such pair each time.
    pub fn jumped(&mut self, jump: &Jump) {
        let (from, last) = (jump.from, std::mem::replace(&mut self.zeroed, jump.from));
        let pair = jump.to == Mass::ZERO && (from + last).abs() <= from.abs().ratio(1, 10);
        self.tares = if pair && from.abs() > Mass::from_g(5) {
            self.tares + 1
        } else {
            0
        };
    }

    /// The silence between two lines, in microseconds, of a scale that was heard to send as seldom as that.
    pub fn pause(&self) -> u64 {
        match self.seldom {
            0..=2 => 0,
            3.. => self.silence.min(Sends::LONG_US * 2),
        }
    }

    /// Whether something may be to be told with this line.
    pub fn is_due(&self) -> bool {
        self.seldom > 0 || self.at_rest >= 2 || self.tares >= 2
    }

    /// What is to be told with this line: when it has come often enough, and again while it goes on.
    pub fn take_due(&mut self) -> Option<Setting> {
        if self.seldom > 0 && self.seldom.is_multiple_of(6) {
            return Some(Setting::Seldom(self.silence));
        }
        if self.at_rest >= 2 {
            self.at_rest = 0;
            return Some(Setting::AtRest);
        }
        if self.tares >= 2 {
            self.tares = 0;
            return Some(Setting::Tares);
        }
        None
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A scale that is silent while the weight moves, if only for little more than a second: what is to be set there is
    /// told with the second load that came so. More than 2 g are a load.
    #[test]
    fn a_load_that_came_without_a_line_is_told_at_the_second_time() {
        for (mg, told) in [(2_010, true), (2_000, false)] {
            let mut sends = Sends::default();
            for _ in 0..2 {
                assert!(!sends.is_due(), "{mg}");
                sends.line(Mass::from_mg(mg), 1_100_000, true, Mass::from_mg(10));
            }
            assert_eq!(sends.is_due(), told, "{mg}");
            assert_eq!(sends.take_due(), told.then_some(Setting::AtRest), "{mg}");
            assert_eq!(sends.take_due(), None, "{mg}");
        }
    }
}
