//! Two presses on the pan: a gesture that needs no dry finger and no screen.
//!
//! Each press lifts the indication well above the weight at rest; between the two it comes down
//! again, and after them it rests at the same weight. A bumped bench swings below the weight at rest
//! as well and is no gesture; a third press undoes it.

use crate::mass::Mass;
use crate::scale::Moment;

/// From the first press to rest, at most 5 s.
const LONGEST_US: u64 = 5_000_000;

#[derive(Debug, Clone, Default)]
pub struct Presses {
    rest: Option<Mass>,
    began: Option<Moment>,
    pressed: bool,
    peak: Mass,
    /// The lowest since the last press ended, above the weight at rest.
    valley: Mass,
    readings: u32,
    count: u32,
    void: bool,
}

impl Presses {
    pub fn reset(&mut self) {
        *self = Presses::default();
    }

    /// A press lifts the indication by at least this: 50 d, and 3 g.
    fn least(d: Mass) -> Mass {
        (d * 50).max(Mass::from_g(3))
    }

    /// A reading while the load moves.
    pub fn moving(&mut self, at: Moment, weight: Mass, d: Mass) {
        let Some(rest) = self.rest else { return };
        let above = weight - rest;
        let least = Presses::least(d);
        if above < -(d * 25).max(Mass::from_mg(1500)) {
            self.void = true;
        }
        if self.pressed {
            self.peak = self.peak.max(above);
            self.readings += 1;
            if above < self.peak.ratio(1, 2) {
                self.pressed = false;
                self.valley = above;
                self.void |= self.readings < 2;
                self.count += 1;
            }
        } else if above >= self.valley.max(Mass::ZERO) + least {
            self.pressed = true;
            self.began.get_or_insert(at);
            self.peak = above;
            self.readings = 1;
        } else {
            self.valley = self.valley.min(above);
        }
        if self.began.is_some_and(|began| at.since(began) > LONGEST_US) {
            self.void = true;
        }
    }

    /// The scale says that there is too much on it: a hard press.
    pub fn overload(&mut self, at: Moment, d: Mass) {
        if let Some(rest) = self.rest {
            self.moving(at, rest + Presses::least(d).max(self.peak) * 2, d);
        }
    }

    /// The load is at rest. Returns whether two presses ended here.
    pub fn at_rest(&mut self, weight: Mass, d: Mass) -> bool {
        let same = self.rest.is_some_and(|rest| (weight - rest).abs() <= d * 2);
        let done = same && self.count == 2 && !self.pressed && !self.void;
        *self = Presses {
            rest: Some(weight),
            ..Presses::default()
        };
        done
    }
}
