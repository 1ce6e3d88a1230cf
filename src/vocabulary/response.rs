//! A scale's step response: how its indication follows one load. Learned from landings and lifts.

use serde::{Deserialize, Serialize};

/// See the module's text. A cache of what was seen: a wrong one is unlearned by the next loads.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Response {
    /// From 10 to 90 % of one load, the shortest of late, in seconds: the scale's filter, not the hand.
    pub rise: f64,
    /// Mean arrival time of the late part of one load, in seconds; 0 where none was seen.
    pub tail: f64,
    /// Readings that one load takes on its way, the fewest seen.
    pub on_the_way: u32,
}

impl Response {
    /// Longest rise and tail that are believed, in seconds: no bench scale is slower.
    const LONGEST: f64 = 10.0;

    /// Whether the two are of different filters, as far as a hand sets vessels down alike.
    pub fn is_other_than(&self, other: &Response) -> bool {
        let far = |a: f64, b: f64| (a - b).abs() > 0.1 * a.max(b).max(0.1);
        far(self.rise, other.rise)
            || far(self.tail, other.tail)
            || self.on_the_way != other.on_the_way
    }

    /// `None` where it is none that a scale can have.
    pub fn checked(self) -> Option<Response> {
        let range = 0.0..=Response::LONGEST;
        (range.contains(&self.rise) && range.contains(&self.tail)).then_some(self)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_impossible_response_is_believed() {
        let good = Response {
            rise: 1.2,
            tail: 0.0,
            on_the_way: 12,
        };
        assert_eq!(good.checked(), Some(good));
        for wrong in [-0.1, 10.1, f64::NAN, f64::INFINITY] {
            assert_eq!(
                Response {
                    rise: wrong,
                    ..good
                }
                .checked(),
                None
            );
            assert_eq!(
                Response {
                    tail: wrong,
                    ..good
                }
                .checked(),
                None
            );
        }
    }
}
