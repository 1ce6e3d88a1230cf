//! What the lift and the empty pan after it tell of a record.

use super::returns::asks;
use super::unanswered::last_weighed;
use super::*;

#[test]
fn a_pan_that_was_flat_for_a_moment_is_a_zero_to_a_few_steps() {
    let mut b = Bench::one("Salt", "12.00");
    b.hold(0.7).land(150.0).hold(1.5).pour(162.0, 4.0).hold(3.0);
    asks(&b, "Lift the beaker");
    b.land(0.4).hold(3.0);
    let row = last_weighed(&b);
    assert!(row.uncertainty >= Some(g("0.40")), "{row:?}");
    assert_eq!(row.verdict, None);
}

#[test]
fn what_lay_beside_a_vessel_and_is_cleared_away_may_have_been_weighed_with_it() {
    let mut b = Bench::one("Salt", "12.00");
    b.hold(2.0).land(150.0).hold(1.5).pour(162.0, 4.0).hold(3.0);
    // A spoon stays behind for less than a rest.
    b.pour(10.5, 0.3).hold(0.6).land(0.0).hold(3.0);
    let row = last_weighed(&b);
    assert!(row.uncertainty >= Some(g("10.40")), "{row:?}");
    assert!(
        b.cues
            .iter()
            .any(|cue| cue.say.contains("lay on the scale beside the vessel"))
    );
}

#[test]
fn nothing_is_gained_off_the_pan() {
    let mut b = Bench::one("Salt", "60.00");
    b.hold(2.0).land(150.0).hold(1.5).pour(180.0, 8.0);
    // Lifted while it streamed in slowly, and back with much more.
    b.land(0.0).hold(2.0).land(197.0).hold(3.0);
    asks(&b, "Not as it left");
}
