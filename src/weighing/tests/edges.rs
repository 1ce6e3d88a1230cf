//! Where a rule ends: what is just not enough, and what is the last of its kind.

use super::*;
use crate::weighing::phrases;
use crate::weighing::pour::{AfterFlow, Rate, landing_weight};
use crate::weighing::wander::Wander;

/// What was poured and is taken out again to the last grain is nothing to keep.
#[test]
fn what_was_taken_out_again_to_the_last_grain_cannot_be_kept() {
    let mut b = Bench::one("Salt", "12.00");
    b.hold(2.0).land(150.0).hold(1.5).pour(158.0, 3.0).hold(2.0);
    b.pour(150.0, 3.0).hold(2.0).say(Command::Next).hold(1.0);
    b.say(Command::Keep);
    b.expect(&[]);
    b.pour(162.0, 3.0).hold(2.5);
    b.expect(&["12.00"]);
}

/// The bowl of the last step is lifted before the batch closes, also where nothing is to be mixed; before
/// that it stays.
#[test]
fn a_bowl_without_mixing_is_lifted_after_its_last_step_only() {
    let steps = vec![
        step(1, "Oil", "20.00", VesselWay::Bowl),
        step(2, "Wax", "10.00", VesselWay::Bowl),
    ];
    let mut b = Bench::new(plan(steps, None));
    b.hold(2.0).land(300.0).hold(1.5).pour(320.0, 4.0).hold(4.0);
    b.expect(&["20.00"]);
    b.expect_cue(CueKind::Add);
    b.pour(330.0, 4.0).hold(4.0);
    b.expect(&["20.00", "10.00"]);
    b.expect_cue(CueKind::Lift);
    assert_eq!(b.closed, None);
    b.land(0.0).hold(2.0);
    assert_eq!(b.closed, Some(true));
}

/// A key after the record moves the frame once more: what drips in then is recorded, with two more readings
/// behind it (u² = n·(s²/2 + d²/12); DEVELOPERS.md).
#[test]
fn a_key_after_the_record_widens_what_a_late_drop_claims() {
    let mut b = Bench::one("Syrup", "12.00");
    b.hold(2.0).land(150.0).hold(1.5).jump(0.0).hold(1.5);
    b.pour(11.95, 4.0).hold(2.0);
    b.expect(&["11.95"]);
    b.jump(0.0).hold(1.5).pour(0.09, 2.0).hold(3.0);
    b.expect(&["11.95", "12.04"]);
    let claimed = |row: usize| b.rows[row].uncertainty.expect("a claim");
    assert!(claimed(1) > claimed(0), "{:?} {:?}", claimed(0), claimed(1));
}

/// A bowl holds what was weighed before: nobody is told to empty it. One that is new to the batch may be.
#[test]
fn a_bowl_with_earlier_ingredients_is_never_to_be_emptied() {
    for vessel in [VesselWay::Bowl, VesselWay::Beaker, VesselWay::Jar] {
        for afresh in [false, true] {
            for often in [false, true] {
                let said = phrases::unsure(&step(2, "Wax", "10.00", vessel), afresh, often);
                let told = said.contains("empty");
                let holds = vessel == VesselWay::Bowl && !afresh;
                assert_eq!(
                    told,
                    !holds && !often,
                    "{vessel:?} {afresh} {often}: {said}"
                );
            }
        }
        let said = phrases::same_again(&step(2, "Wax", "10.00", vessel), false);
        assert!(!said.contains("empty") && said.contains("no Wax"), "{said}");
    }
}

/// What was seen to and fro under the last load counts half after 90 s, less a step of the scale for rounding.
#[test]
fn a_restlessness_of_the_last_load_counts_half_after_ninety_seconds() {
    let d = Mass::from_mg(10);
    let mut wander = Wander::default();
    let mut at = 0;
    let mut shown = 20_000;
    for target in [20_000, 20_010, 20_000] {
        // Slowly, as a draught does; each crest rests for two seconds.
        for _ in 0..25 {
            shown += (target - shown).clamp(-2, 2);
            at += 100;
            wander.push(Moment::from_millis(at), d * shown, d);
        }
    }
    assert_eq!(wander.amount(d), g("0.09"));
    wander.reset();
    for (after, left) in [(0, 0.09), (90, 0.04), (180, 0.015), (3600, 0.0)] {
        let mut later = wander.clone();
        later.push(Moment::from_millis(at + after * 1000), g("150"), d);
        let found = later.amount(d).to_g_f64();
        assert!((found - left).abs() < 1e-6, "{after} s: {found}");
    }
}

/// The slope of the least-squares line, worked by hand: n·Σtw − Σt·Σw over n·Σt² − (Σt)².
#[test]
fn the_rate_of_a_pour_is_the_slope_of_its_last_half_second() {
    let rate = |readings: &[(u64, &str)]| {
        let mut rate = Rate::default();
        for &(ms, grams) in readings {
            rate.push(Moment::from_millis(ms), g(grams));
        }
        rate.grams_per_second()
    };
    assert_eq!(rate(&[]), 0.0);
    assert_eq!(rate(&[(100, "5")]), 0.0);
    assert_eq!(rate(&[(100, "5"), (100, "6")]), 0.0, "no time passed");
    // (3·0.7 − 0.4·3) / (3·0.1 − 0.16)
    let uneven = rate(&[(1000, "7"), (1100, "8"), (1300, "9")]);
    assert!((uneven - 0.9 / 0.14).abs() < 1e-9, "{uneven}");
    let falls = rate(&[(0, "10"), (200, "9"), (400, "8")]);
    assert!((falls + 5.0).abs() < 1e-9, "{falls}");
    // What is older than half a second does not count, but the last three always do.
    let turned = rate(&[(0, "0"), (101, "9"), (550, "10"), (580, "11"), (601, "12")]);
    let last = rate(&[(550, "10"), (580, "11"), (601, "12")]);
    assert!((turned - last).abs() > 1.0, "half a second is still within");
    let turned = rate(&[(0, "0"), (49, "9"), (550, "10"), (580, "11"), (601, "12")]);
    assert!((turned - last).abs() < 1e-9, "{turned} {last}");
    let slow = rate(&[(0, "0"), (1000, "1"), (2000, "2"), (3000, "6")]);
    assert!((slow - 2.5).abs() < 1e-9, "{slow}");
}

/// 4 g/s for 0.25 s of filter and 0.35 s of reaction are 2.4 g, and 0.5 g fall after.
#[test]
fn where_a_pour_will_land_is_what_is_still_to_come() {
    let lands = |rate, after| landing_weight(g("90"), rate, 0.25, 0.35, after);
    assert_eq!(lands(4.0, 0.5), g("92.9"));
    assert_eq!(lands(4.0, -0.5), g("92.4"), "nothing flows back up");
    assert_eq!(lands(-4.0, 0.5), g("90.5"));
    assert_eq!(lands(0.0, 0.0), g("90"));
}

/// The first stop counts half; then each as one of up to four. Nothing below zero or above 5 g is believed.
#[test]
fn what_falls_after_the_hand_stops_is_learned_from_stop_to_stop() {
    let mut flow = AfterFlow::default();
    let mut learn = |predicted: &str, rest: &str| {
        flow.learn(g(predicted), g(rest));
        (flow.grams() * 1e6).round() / 1e6
    };
    assert_eq!(learn("98", "100"), 1.0);
    // Predicted with the 1 g known so far, and right: so it is 1 g.
    assert_eq!(learn("100", "100"), 1.0);
    assert_eq!(learn("97", "100"), 2.0);
    assert_eq!(learn("98", "100"), 2.5);
    assert_eq!(learn("98", "100"), 3.0);
    assert_eq!(learn("80", "100"), 3.5, "5 g at most");
    assert_eq!(learn("100", "80"), 2.625, "none at least");
}
