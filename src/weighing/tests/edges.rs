//! Where a rule ends: what is just not enough, and what is the last of its kind.

use super::decides::pan;
use super::*;
use crate::weighing::bowl::{can_be_bowl, is_a_pour};
use crate::weighing::pan::Observation;
use crate::weighing::phrases;
use crate::weighing::pour::{AfterFlow, Rate, landing_weight, most_poured};
use crate::weighing::presses::Presses;
use crate::weighing::run::Unrested;
use crate::weighing::sends::{Sends, Setting};
use crate::weighing::state::Dip;
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

#[test]
fn a_fifth_of_it_is_the_bowl_and_twice_the_most_is_a_pour() {
    for (load, is) in [("59.99", false), ("60.00", true)] {
        assert_eq!(can_be_bowl(g(load), g("300")), is, "{load}");
    }
    // More than five steps; 20.20 g is the most that is asked for.
    let oil = step(1, "Oil", "20.00", VesselWay::Bowl);
    let pours = [
        ("0.05", false),
        ("0.06", true),
        ("40.40", true),
        ("40.41", false),
    ];
    for (more, is) in pours {
        assert_eq!(is_a_pour(&oil, g(more), g("0.01")), is, "{more}");
    }
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

/// 50 g a second, for a moment and for a day.
#[test]
fn a_hand_pours_fifty_grams_a_second_at_most() {
    assert_eq!(most_poured(0), Mass::ZERO);
    assert_eq!(most_poured(100_000), g("5"));
    assert_eq!(most_poured(86_400_000_000), g("4320000"));
}

const D: Mass = Mass::from_mg(10);

/// A touch of a tenth of a second is a finger's; a shorter one is a garbled line.
#[test]
fn a_press_takes_a_tenth_of_a_second() {
    let pressed = |ms: u64| {
        let (mut presses, rest) = (Presses::default(), g("150"));
        presses.at_rest(Moment::default(), rest, D);
        for press in [1000, 1400] {
            for (at, weight) in [(0, "150"), (50, "190"), (ms, "150")] {
                presses.moving(Moment::from_millis(press + at), g(weight), D);
            }
        }
        presses.at_rest(Moment::from_millis(2000), rest, D)
    };
    assert!(pressed(100));
    assert!(!pressed(99));
}

/// A line each three seconds is a scale that sends seldom. One that is silent for three seconds now and then is
/// silent at rest; 2.5 s are no such silence.
#[test]
fn a_scale_that_sends_seldom_is_told_from_one_that_is_silent_at_rest() {
    const S: u64 = 1_000_000;
    let mut seldom = Sends::default();
    for line in 1..=6 {
        assert_eq!(seldom.take_due(), None, "{line}");
        seldom.line(Mass::ZERO, 3 * S, true, D);
    }
    assert_eq!(seldom.take_due(), Some(Setting::Seldom(3 * S)));
    let at_rest = |silence: u64| {
        let mut sends = Sends::default();
        for _ in 0..2 {
            sends.line(Mass::ZERO, silence, true, D);
            sends.line(Mass::ZERO, S / 10, false, D);
        }
        sends.take_due()
    };
    assert_eq!(at_rest(3 * S), Some(Setting::AtRest));
    assert_eq!(at_rest(5 * S / 2), None);
}

/// How seldom it sends is believed from the third line, and five seconds at most.
#[test]
fn what_a_scale_that_sends_seldom_is_waited_for_is_five_seconds_at_most() {
    let paused = |lines: usize, silence: u64| {
        let mut sends = Sends::default();
        (0..lines).for_each(|_| sends.line(Mass::ZERO, silence, false, D));
        sends.pause()
    };
    assert_eq!(paused(2, 4_000_000), 0);
    assert_eq!(paused(3, 4_000_000), 4_000_000);
    assert_eq!(paused(3, 9_000_000), 5_000_000);
    // 1.2 s are not seldom.
    assert_eq!(paused(3, 1_200_000), 0);
}

/// What a hand held up is back 0.7 s after it was last half as deep, and twice the filter's lag later.
#[test]
fn what_was_held_up_comes_back_as_fast_as_the_scale_shows_it() {
    let mut dip = Dip::default();
    for ms in [0, 100, 300] {
        dip.follow(Moment::from_millis(ms), Some(g("10")));
    }
    dip.follow(Moment::from_millis(400), Some(g("4")));
    assert_eq!(dip.lasted, g("10"));
    let back = |ms: u64, lag: f64| dip.returns(Moment::from_millis(300 + ms), lag);
    assert!(back(700, 0.0) && !back(701, 0.0));
    assert!(back(1700, 0.5) && !back(1701, 0.5));
}

fn seen(ms: u64, shown: &str) -> Observation {
    let mut pan = pan();
    pan.reading(&Reading {
        at: Moment::from_millis(ms),
        weight: g(shown),
        digit: D,
        unit: Some(Unit::Gram),
        steady: None,
        shown: None,
    })
}

/// Down, up and down again by more than 0.05 g: then that it sways is told, once; a vessel's weight is a hand.
#[test]
fn what_goes_to_and_fro_three_times_is_told_once() {
    let hour = Moment::from_millis(3_600_000);
    let swayed = |shown: &[&str]| {
        let mut it = Unrested::begin(Stands::Landing, &seen(0, "100"));
        for (shown, n) in shown.iter().zip(1..) {
            it.follow(&seen(n * 100, shown), g("0.05"));
        }
        it
    };
    let told = |shown: &[&str]| swayed(shown).is_to_be_told(hour);
    assert!(told(&["100.2", "100", "100.2", "100"]));
    assert!(!told(&["100.2", "100", "100.2"]));
    assert!(
        !told(&["100.05", "100", "100.05", "100"]),
        "by no more than that"
    );
    assert!(!told(&["100.2", "100", "100.2", "150", "149.8"]), "a hand");
    let mut it = swayed(&["100.2", "100", "100.2", "100"]);
    assert!(it.is_to_be_told(hour) && !it.is_to_be_told(hour));
    for (n, shown) in (10..).zip(["150", "149.8", "150", "149.8", "150"]) {
        it.follow(&seen(n * 100, shown), g("0.05"));
    }
    assert!(!it.is_to_be_told(hour), "told once");
}
