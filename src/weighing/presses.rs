//! Two presses on the pan: a gesture that needs no dry finger and no screen.
//!
//! Each press lifts the indication well above the weight at rest; between the two it comes down
//! again, and after them it rests at the same weight. A bumped bench swings below the weight at rest
//! as well and is no gesture; a third press undoes it.

use crate::mass::Mass;
use crate::time::Moment;

/// From the first press to rest, at most 5 s.
const LONGEST_US: u64 = 5_000_000;
const QUIET_US: u64 = 300_000;
/// No finger is quicker than this from touch to release; a garbled line is: 0.1 s.
const SHORTEST_US: u64 = 100_000;

#[derive(Debug, Clone, Default)]
pub struct Presses {
    rest: Option<Mass>,
    /// It has moved since that was at rest.
    moved: bool,
    /// A weight that has not changed for a while, and since when.
    quiet: Option<(Moment, Mass)>,
    began: Option<Moment>,
    pressed: bool,
    peak: Mass,
    /// The last reading before the press.
    since: Moment,
    last: Moment,
    /// The lowest since the last press ended, above the weight at rest.
    valley: Mass,
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
        self.follow_quiet(at, weight, d);
        self.moved = true;
        let Some(rest) = self.rest else { return };
        let above = weight - rest;
        let least = Presses::least(d);
        if above < -(d * 25).max(Mass::from_mg(1500)) {
            self.void = true;
        }
        if self.pressed {
            self.peak = self.peak.max(above);
            if above < self.peak.ratio(1, 2) {
                self.pressed = false;
                self.valley = above;
                self.void |= at.since(self.since) < SHORTEST_US;
                self.count += 1;
            }
        } else if above >= self.valley.max(Mass::ZERO) + least {
            self.pressed = true;
            self.began.get_or_insert(at);
            self.peak = above;
            self.since = self.last;
        } else {
            self.valley = self.valley.min(above);
        }
        if self.began.is_some_and(|began| at.since(began) > LONGEST_US) {
            self.void = true;
        }
        self.last = at;
    }

    /// A hand is quicker than the rule of steadiness: a weight that stayed for 0.3 s is rest enough
    /// to press from.
    fn follow_quiet(&mut self, at: Moment, weight: Mass, d: Mass) {
        let same = self
            .quiet
            .is_some_and(|(_, quiet)| (weight - quiet).abs() <= d * 2);
        if !same {
            self.quiet = Some((at, weight));
        }
        if self.began.is_none()
            && self
                .quiet
                .is_some_and(|(since, _)| at.since(since) >= QUIET_US)
        {
            *self = Presses {
                rest: Some(weight),
                quiet: self.quiet,
                ..Presses::default()
            };
        }
    }

    /// The scale says that there is too much on it: a hard press.
    pub fn overload(&mut self, at: Moment, d: Mass) {
        if let Some(rest) = self.rest {
            self.moving(at, rest + Presses::least(d).max(self.peak) * 2, d);
        }
    }

    /// The load is at rest. Returns whether two presses ended here.
    pub fn at_rest(&mut self, at: Moment, weight: Mass, d: Mass) -> bool {
        if !self.moved {
            self.rest = Some(weight);
            self.last = at;
            return false;
        }
        let soon = self
            .began
            .is_some_and(|began| at.since(began) <= LONGEST_US);
        if self.pressed
            && soon
            && self
                .rest
                .is_some_and(|rest| weight - rest >= Presses::least(d))
        {
            // A hand that presses for so long that the scale comes to rest under it.
            return false;
        }
        let same = self.rest.is_some_and(|rest| (weight - rest).abs() <= d * 2);
        let done = same && self.count == 2 && !self.pressed && !self.void;
        *self = Presses {
            rest: Some(weight),
            last: at,
            ..Presses::default()
        };
        done
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn two_presses_through_a_slow_filter_count_without_a_long_rest_before() {
        let mut presses = Presses::default();
        let d = Mass::from_mg(10);
        let shown = [
            150.0, 60.0, 0.5, 0.04, 0.02, 0.01, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.22, 6.13,
            22.27, 45.43, 67.85, 80.98, 80.2, 71.13, 59.33, 47.57, 37.12, 28.39, 21.38, 15.91,
            11.72, 8.57, 6.22, 4.48, 4.03, 7.84, 16.62, 28.94, 42.2, 53.44, 60.03, 60.14, 54.12,
            45.53, 36.72, 28.77, 22.07, 16.66, 12.42, 9.16, 6.71, 4.87, 3.52, 2.53, 1.81, 0.65,
            0.16, 0.05, 0.01, 0.0,
        ];
        presses.at_rest(Moment::default(), Mass::from_g(150), d);
        for (i, grams) in shown.into_iter().enumerate() {
            let weight = Mass::from_g_f64(grams).unwrap_or_default();
            presses.moving(Moment::from_millis(i as u64 * 40), weight, d);
        }
        let end = Moment::from_millis(2400);
        assert!(presses.at_rest(end, Mass::ZERO, d), "{presses:?}");
    }

    #[test]
    fn two_garbled_lines_of_a_quick_scale_are_no_presses() {
        let spikes = |apart: u64| {
            let (mut presses, d) = (Presses::default(), Mass::from_mg(10));
            let mut done = presses.at_rest(Moment::default(), Mass::from_g(150), d);
            for i in 1..60 {
                let weight = Mass::from_g(if i == 20 || i == 40 { 190 } else { 150 });
                presses.moving(Moment::from_millis(i * apart), weight, d);
            }
            done |= presses.at_rest(Moment::from_millis(60 * apart), Mass::from_g(150), d);
            done
        };
        assert!(!spikes(20));
        // At ten lines a second one reading is all that a touch leaves.
        assert!(spikes(70));
    }

    #[test]
    fn slow_presses_count_and_a_vessel_put_down_for_good_does_not() {
        let d = Mass::from_mg(10);
        let press = |shown: &[(u64, i64, bool)]| {
            let mut presses = Presses::default();
            presses.at_rest(Moment::default(), Mass::from_g(150), d);
            let mut done = false;
            for &(ms, grams, rests) in shown {
                let (at, weight) = (Moment::from_millis(ms), Mass::from_g(grams));
                match rests {
                    true => done |= presses.at_rest(at, weight, d),
                    false => presses.moving(at, weight, d),
                }
            }
            done
        };
        let slow = [
            (1000, 170, false),
            (1100, 190, false),
            (1600, 190, true),
            (1700, 150, false),
            (2000, 180, false),
            (2100, 190, false),
            (2600, 190, true),
            (2700, 150, false),
            (3200, 150, true),
        ];
        assert!(press(&slow));
        // The second one stays, or is taken off after longer than a press.
        assert!(!press(&slow[..7]));
        let mut late = slow;
        late[7].0 = 9000;
        late[8].0 = 9500;
        assert!(!press(&late));
    }

    const D: Mass = Mass::from_mg(10);

    /// What is shown above 150 g, as (milliseconds, centigrams); it has come to rest there after another load, and does
    /// so again half a second after the last of these. Whether that is the gesture.
    fn presses_of(shown: &[(u64, i64)]) -> bool {
        let mut presses = Presses::default();
        let at = |ms: u64| Moment::from_millis(10_000 + ms);
        let weight = |cg: i64| Mass::from_g(150) + Mass::from_mg(cg * 10);
        presses.moving(Moment::from_millis(9_000), Mass::from_g(90), D);
        assert!(!presses.at_rest(at(0), weight(0), D));
        for &(ms, cg) in shown {
            presses.moving(at(ms), weight(cg), D);
        }
        let last = shown[shown.len() - 1].0;
        presses.at_rest(at(last + 500), weight(0), D)
    }

    #[test]
    fn a_press_is_counted_once_it_is_down_by_half_and_between_bounds() {
        let two = [(200, 4_000), (300, 0), (600, 4_000), (700, 0)];
        assert!(presses_of(&two));
        for (shown, gesture) in [
            // A bumped bench swings below by more than 1.5 g.
            ([two[0], (300, -150), two[2], two[3]], true),
            ([two[0], (300, -151), two[2], two[3]], false),
            // A press of 3 g, and less.
            ([(200, 300), two[1], (600, 300), two[3]], true),
            ([(200, 300), two[1], (600, 299), two[3]], false),
            // It lasts for five seconds from the first press.
            ([two[0], two[1], two[2], (5_200, 0)], true),
            ([two[0], two[1], two[2], (5_201, 0)], false),
        ] {
            assert_eq!(presses_of(&shown), gesture, "{shown:?}");
        }
        // What goes down to half of it is the same press still; one that goes lower was let go of.
        assert!(!presses_of(&[
            (200, 4_000),
            (300, 2_000),
            (400, 4_000),
            (500, 0)
        ]));
        assert!(presses_of(&[
            (200, 4_000),
            (300, 1_999),
            (400, 4_000),
            (500, 0)
        ]));
        // A garbled line right after a rest is no press either.
        assert!(!presses_of(&[(20, 4_000), (40, 0), (600, 4_000), (700, 0)]));
        assert!(presses_of(&[(20, 4_000), (100, 0), (600, 4_000), (700, 0)]));
    }

    #[test]
    fn a_hard_press_is_too_much_for_the_scale_and_a_key_between_begins_anew() {
        let press = |presses: &mut Presses, ms: u64| {
            presses.overload(Moment::from_millis(ms), D);
            presses.overload(Moment::from_millis(ms + 100), D);
            presses.moving(Moment::from_millis(ms + 200), Mass::from_g(150), D);
        };
        for reset in [false, true] {
            let mut presses = Presses::default();
            presses.at_rest(Moment::from_millis(10_000), Mass::from_g(150), D);
            press(&mut presses, 10_200);
            press(&mut presses, 10_800);
            if reset {
                presses.reset();
            }
            let done = presses.at_rest(Moment::from_millis(11_500), Mass::from_g(150), D);
            assert_eq!(done, !reset);
        }
    }

    /// What stays after a push is the weight to press from, rest or not.
    #[test]
    fn what_stays_is_pressed_from_anew() {
        let weights = |first: f64| {
            let g = |grams: f64| Mass::from_g_f64(grams).unwrap_or_default();
            let (mut presses, mut now, mut done) = (Presses::default(), 10_000, false);
            presses.at_rest(Moment::from_millis(now), g(150.0), D);
            let mut go = |grams: f64, rests: bool| {
                now += 100;
                match rests {
                    true => done |= presses.at_rest(Moment::from_millis(now), g(grams), D),
                    false => presses.moving(Moment::from_millis(now), g(grams), D),
                }
            };
            go(first, false);
            go(152.5, true);
            for grams in [190.0, 152.5, 152.5, 190.0, 152.5] {
                go(grams, false);
            }
            go(152.5, true);
            done
        };
        // 2.5 g were laid on it, faster or slower.
        assert!(weights(154.0) && weights(151.0));
        // A weight other than nothing that stays for 0.3 s, without a rest.
        let mut presses = Presses::default();
        for i in 0..5 {
            presses.moving(Moment::from_millis(10_000 + i * 100), Mass::from_g(150), D);
        }
        for (ms, grams) in [(500, 190), (600, 150), (800, 190), (900, 150)] {
            presses.moving(Moment::from_millis(10_000 + ms), Mass::from_g(grams), D);
        }
        assert!(presses.at_rest(Moment::from_millis(11_500), Mass::from_g(150), D));
    }
}
