//! Something was done and nothing is heard: no state may leave a person waiting.

use super::returns::{asks, say, silent_then};
use super::*;
use crate::vocabulary::command::Choice;

pub fn source() -> Bench {
    let way = VesselWay::Difference;
    Bench::new(plan(vec![step(1, "Oil", "12.00", way)], None))
}

/// One step in a bowl that is to be stirred, recorded.
pub fn to_be_stirred() -> Bench {
    let bowl = plan(
        vec![step(1, "Salt", "12.00", VesselWay::Bowl)],
        Some("Stir"),
    );
    let mut b = Bench::new(bowl);
    b.hold(2.0).land(150.0).hold(1.5).pour(162.0, 4.0).hold(4.0);
    b.expect_cue(CueKind::Mix);
    b
}

pub fn last_weighed(b: &Bench) -> &Draft {
    let mut rows = b.rows.iter().rev();
    rows.find(|row| row.kind == RowKind::Weighed).unwrap()
}

/// What may be said now, by the last cue.
fn offered(b: &Bench) -> &[Choice] {
    b.cues.last().map_or(&[], |cue| &cue.choices)
}

#[test]
fn a_question_that_another_cue_covered_is_asked_again() {
    let mut step = step(1, "Salt", "12.00", VesselWay::Beaker);
    step.lot_required = true;
    let mut b = Bench::new(plan(vec![step], None));
    b.hold(2.0).land(150.0).hold(1.5).pour(162.0, 4.0).hold(2.0);
    asks(&b, "lot");
    b.pour(163.0, 1.0).hold(2.0);
    b.expect_cue(CueKind::TakeOut);
    b.pour(162.0, 1.0).hold(2.0);
    asks(&b, "lot");
    b.say(Command::Lot("S-1".into())).hold(1.0);
    b.expect(&["12.00"]);
}

#[test]
fn a_vessel_that_the_scale_does_not_show_is_found() {
    // Switched off and on under the beaker, the scale shows zero.
    let mut b = Bench::one("Salt", "12.00");
    b.hold(2.0).pour(150.0, 0.3);
    silent_then(&mut b, 0.0);
    b.hold(3.0);
    b.expect_cue(CueKind::Place);
    // It is put down once more, so briefly that the pan is never seen at rest without it.
    b.read(-60.0);
    b.read(-20.0);
    b.read(0.0);
    b.hold(12.0);
    asks(&b, "Lift everything off the scale");
    b.land(-150.0).hold(2.0);
    b.expect_cue(CueKind::Place);
    // Nobody saw whether that one was empty; another is.
    b.land(0.0).hold(2.0);
    asks(&b, "weighs what it did before");
    b.land(-150.0).hold(2.0).land(-10.0).hold(2.0);
    asks(&b, "12.00 g to add");
    b.pour(2.0, 4.0).hold(2.0);
    b.expect(&["12.00"]);
}

#[test]
fn nobody_is_hurried_where_nothing_was_done() {
    let mut b = Bench::one("Salt", "12.00");
    b.hold(60.0);
    assert_eq!(b.cues.len(), 1, "{:?}", b.cues);
    b.land(150.0).hold(60.0);
    assert_eq!(b.cues.len(), 2, "{:?}", b.cues);
}

#[test]
fn no_source_gives_more_than_it_weighs() {
    let mut b = source();
    b.hold(2.0).land(3.0).hold(2.0);
    asks(&b, "Lift everything off the scale");
    b.land(0.0).hold(2.0).land(150.0).hold(2.0);
    asks(&b, "12.00 g to take from Oil");
    b.land(0.0).hold(2.0).land(138.0).hold(3.0);
    b.expect(&["12.00"]);
}

#[test]
fn a_source_gains_nothing() {
    // A hand was tared, and the source comes onto it.
    let mut b = source();
    b.hold(2.0).land(20.0).hold(2.0);
    asks(&b, "12.00 g to take from Oil");
    b.land(170.0).hold(2.0);
    asks(&b, "Not sure of the source's weight");
    b.land(0.0).hold(2.0).land(150.0).hold(2.0);
    asks(&b, "12.00 g to take from Oil");
    b.land(0.0).hold(2.0).land(138.0).hold(3.0);
    b.expect(&["12.00"]);
}

#[test]
fn nothing_is_called_the_last_of_it_where_nothing_came_out() {
    let mut b = source();
    b.hold(2.0).land(150.0).hold(2.0);
    b.land(0.0).hold(2.0).land(150.0).hold(3.0);
    b.expect_cue(CueKind::Add);
    b.land(0.0).hold(2.0).land(140.0).hold(3.0);
    b.land(0.0).hold(2.0).land(140.0).hold(3.0);
    asks(&b, "missing still");
    b.say(Command::Keep).hold(1.0);
    b.expect(&["10.00"]);
}

/// Too much stands there, and what is taken out changes nothing.
fn in_vain(b: &mut Bench) {
    for _ in 0..2 {
        let stands = b.shown;
        b.pour(stands + 2.0, 0.4).pour(stands, 0.4).hold(2.0);
    }
}

#[test]
fn what_cannot_be_taken_out_is_asked_about_and_kept_as_unsure() {
    let mut b = Bench::one("Salt", "12.00");
    b.hold(2.0).land(150.0).hold(1.5).pour(165.0, 4.0).hold(2.0);
    b.expect_cue(CueKind::TakeOut);
    // Kept before it was asked about, it is a weight like any other.
    let mut kept = Bench::one("Salt", "12.00");
    kept.hold(2.0)
        .land(150.0)
        .hold(1.5)
        .pour(165.0, 4.0)
        .hold(2.0);
    kept.pour(167.0, 0.4).pour(165.0, 0.4).hold(2.0);
    kept.say(Command::Keep).hold(1.0);
    let row = last_weighed(&kept);
    let unsure = row.uncertainty.unwrap();
    assert!(unsure < Mass::from_mg(50), "{unsure:?}");
    in_vain(&mut b);
    asks(&b, "The tare must be seen again");
    b.land(0.0).hold(2.0).land(165.0).hold(2.0);
    b.expect_cue(CueKind::TakeOut);
    in_vain(&mut b);
    assert!(
        say(&b).starts_with("3.00 g too much is there still"),
        "{}",
        say(&b)
    );
    assert_eq!(offered(&b), [Choice::Keep, Choice::Again]);
    // She looked, lifted it, and it is as it was: she is not sent to look for ever.
    b.land(0.0).hold(2.0).land(165.0).hold(3.0);
    asks(&b, "3.00 g too much is there still. Say keep");
    assert_eq!(offered(&b), [Choice::Keep, Choice::Again]);
    b.say(Command::Keep).hold(1.0);
    b.expect(&["15.00"]);
    let row = last_weighed(&b);
    let unsure = row.uncertainty.unwrap();
    assert!(unsure >= Mass::from_g(3), "{unsure:?}");
}

#[test]
fn only_what_will_be_taken_is_offered() {
    // What is over in a bowl with more in it cannot be begun again.
    let steps = |names: [&str; 2]| {
        let mut steps = names.map(|name| step(1, name, "12.00", VesselWay::Bowl));
        steps[1].number = 2;
        steps.to_vec()
    };
    let mut b = Bench::new(plan(steps(["Salt", "Oil"]), None));
    b.hold(2.0).land(150.0).hold(1.5).pour(162.0, 4.0).hold(4.0);
    b.pour(177.0, 4.0).hold(2.0);
    b.expect_cue(CueKind::TakeOut);
    b.land(0.0).hold(2.0);
    assert_eq!(offered(&b), [Choice::Keep], "{}", say(&b));
    assert!(!say(&b).contains("begin again"), "{}", say(&b));
    b.say(Command::Keep).hold(1.0);
    b.expect(&["12.00", "15.00"]);
}

#[test]
fn a_keep_that_has_to_wait_says_what_for() {
    let mut b = source();
    b.hold(2.0).land(150.0).hold(2.0);
    b.land(0.0).hold(2.0).land(137.0).hold(3.0);
    asks(&b, "too much came out");
    b.land(0.0).hold(2.0);
    b.say(Command::Keep);
    asks(&b, "Put the source back");
    b.land(137.0).hold(3.0);
    b.say(Command::Keep).hold(1.0);
    b.expect(&["13.00"]);
}

#[test]
fn what_flickers_is_tared_and_says_how_sure_it_is() {
    // In a draught the scale's own mark of rest never comes; by two steps and by one.
    for (by, told) in [(0.02, true), (0.01, false)] {
        flickers_and_is_tared(by, told);
    }
}

/// `told`: the record says how unsure the tare is; within a step it is as sure as any.
fn flickers_and_is_tared(by: f64, told: bool) {
    let mut steps = ["Salt", "Oil"].map(|name| step(1, name, "120.00", VesselWay::Beaker));
    steps[1].number = 2;
    let mut b = Bench::new(plan(steps.to_vec(), None));
    // How a load comes on this scale is seen in peace.
    b.hold(2.0)
        .land(140.0)
        .hold(1.5)
        .pour(260.0, 8.0)
        .hold(2.0)
        .land(0.0)
        .hold(2.0);
    b.land(150.0);
    let flicker = |b: &mut Bench, around: f64, seconds: usize| {
        for n in 0..seconds * 10 {
            b.read(around + [0.0, by][n % 2]);
        }
    };
    b.steady = Some(false);
    flicker(&mut b, 150.0, 20);
    asks(&b, "120.00 g to add");
    b.steady = None;
    b.pour(270.0, 8.0).hold(3.0);
    b.expect(&["120.00", "120.00"]);
    let row = last_weighed(&b);
    let unsure = row.uncertainty.unwrap();
    assert!(!told || unsure >= Mass::from_mg(20), "{unsure:?}");
    assert_eq!(row.note.contains("tare known to"), told);
}

/// A pour of 120 g that never rests afterwards: one after the other of `over`, in hundredths of a gram, for 40 s.
fn flickering(lot_required: bool, over: [f64; 3]) -> Bench {
    let mut salt = step(1, "Salt", "120.00", VesselWay::Beaker);
    salt.lot_required = lot_required;
    let mut b = Bench::new(plan(vec![salt], None));
    b.hold(2.0).land(150.0).hold(1.5).pour(270.0, 8.0);
    b.steady = Some(false);
    for n in 0..400 {
        b.read(270.0 + over[n % 3] * 0.01);
    }
    b
}

#[test]
fn what_flickers_within_its_window_is_recorded_and_says_how_sure_it_is() {
    let b = flickering(false, [0.0, 2.0, -1.0]);
    let row = last_weighed(&b);
    let (net, unsure) = (row.net.unwrap(), row.uncertainty.unwrap());
    assert!(unsure >= Mass::from_mg(30), "{unsure:?}");
    assert!((net - Mass::from_g(120)).abs() <= unsure, "{net:?}");
    assert_eq!(row.verdict, Some(Verdict::Inside));
    // Where the flicker goes beyond the window it proves nothing.
    let (low, d) = (row.low.unwrap(), Mass::from_mg(10));
    let edge = ((low - Mass::from_g(120)).to_g_f64() * 100.0).round() + 1.0;
    let b = flickering(false, [edge, edge + 2.0, edge - 1.0]);
    let row = last_weighed(&b);
    assert!(row.net.unwrap() <= low + d * 2, "{row:?}");
    assert_eq!(row.verdict, None);
}

#[test]
fn what_flickers_is_asked_for_its_lot_before_it_is_recorded() {
    let b = flickering(true, [0.0, 2.0, -1.0]);
    b.expect(&[]);
    asks(&b, "lot");
}

#[test]
fn what_flickers_widely_takes_a_word() {
    let b = flickering(false, [0.0, 12.0, -12.0]);
    b.expect(&[]);
    asks(&b, "does not come to rest");
}

/// The first of two steps into one bowl is weighed and stirred.
fn stirred() -> Bench {
    let mut steps = ["Salt", "Oil"].map(|name| step(1, name, "12.00", VesselWay::Bowl));
    steps[1].number = 2;
    steps[1].phase = 1;
    steps[0].last_of_phase = true;
    let mut plan = plan(steps.to_vec(), Some("Stir"));
    plan.phases.push(PlannedPhase {
        name: "Wet".into(),
        mix: None,
    });
    let mut b = Bench::new(plan);
    b.hold(2.0).land(150.0).hold(1.5).pour(162.0, 4.0).hold(4.0);
    b.expect_cue(CueKind::Mix);
    b
}

#[test]
fn the_spoon_that_leaves_after_the_word_was_not_poured() {
    let mut b = stirred();
    b.pour(168.0, 0.5);
    b.say(Command::Next);
    // It rests on the rim for a while yet.
    for n in 0..9 {
        b.read(168.0 + 0.3 * f64::from(n % 3));
    }
    b.pour(162.0, 0.4).hold(2.0);
    assert!(!say(&b).contains("less than before"), "{}", say(&b));
    b.pour(174.0, 4.0).hold(2.0);
    b.expect(&["12.00", "12.00"]);
}

#[test]
fn what_is_poured_at_once_after_the_word_counts() {
    let mut b = stirred();
    b.pour(168.0, 0.5);
    b.say(Command::Next);
    b.pour(162.0, 0.3).pour(174.0, 4.0).hold(2.0);
    b.expect(&["12.00", "12.00"]);
}

#[test]
fn a_bowl_that_left_before_it_rested_is_not_lighter() {
    let mut b = to_be_stirred();
    b.pour(171.0, 0.5);
    b.say(Command::Next);
    b.pour(166.0, 0.3).land(0.0).hold(8.0);
    b.expect_cue(CueKind::Done);
    b.expect(&["12.00"]);
}

#[test]
fn a_vessel_too_heavy_for_the_scale_is_to_be_a_lighter_one() {
    let mut b = Bench::one("Salt", "12.00");
    b.hold(2.0).pour(90.0, 0.3);
    b.engine
        .handle(0, Input::Overload, Moment::from_millis(b.now + 100));
    b.drain();
    asks(&b, "place a lighter beaker");
}

/// A scale of 1 g that gives two lines a second through a slow filter.
fn two_a_second() -> Bench {
    let steps = |number| step(number, "Salt", "250.00", VesselWay::Beaker);
    let mut coarse = scale("bench");
    coarse.readability = Some(Mass::from_g(1));
    let plan = plan(vec![steps(1), steps(2)], None);
    let mut b = Bench::with(vec![coarse], plan, Progress::default());
    (b.interval, b.digit, b.tau) = (500, Mass::from_g(1), 600.0);
    b
}

#[test]
fn a_lift_on_lines_that_could_not_be_read_is_no_key() {
    let mut b = two_a_second();
    b.hold(3.0).land(840.0).hold(4.0);
    b.expect_cue(CueKind::Add);
    b.pour(1090.0, 12.0).hold(6.0);
    b.expect_cue(CueKind::Lift);
    // It falls over 568 and -3 g: lines of a length that was not there before, and so of no weight.
    for _ in 0..2 {
        b.now += b.interval;
        let at = Moment::from_millis(b.now);
        b.engine.handle(0, Input::Unread, at);
    }
    b.read(0.0);
    b.hold(3.0);
    asks(&b, "Place an empty beaker");
    b.expect(&["250.00"]);
}

#[test]
fn a_key_on_a_line_that_changed_its_length_is_still_one() {
    let mut b = two_a_second();
    b.hold(3.0).land(840.0).hold(4.0);
    b.expect_cue(CueKind::Add);
    b.pour(900.0, 4.0).hold(3.0);
    b.now += b.interval;
    let at = Moment::from_millis(b.now);
    b.engine.handle(0, Input::Unread, at);
    b.read(0.0);
    b.hold(3.0).pour(190.0, 8.0).hold(6.0);
    assert_eq!(b.recorded.first(), Some(&(1, g("250"))), "{}", say(&b));
}

#[test]
fn a_tare_that_was_in_force_before_anything_was_heard_is_asked_about() {
    let mut b = Bench::one("Salt", "12.00");
    b.flag = Some(Shown::Net);
    b.read(0.18);
    b.hold(2.0);
    asks(&b, "Lift everything off the scale");
    b.land(-143.0).hold(2.0);
    b.expect_cue(CueKind::Place);
    b.land(0.18).hold(2.0);
    asks(&b, "weighs what it did before");
}

/// Its first line has no weight.
pub(super) fn speaks_without_a_weight() -> Bench {
    let mut b = Bench::one("Salt", "12.00");
    b.now += 1500;
    let at = Moment::from_millis(b.now);
    b.engine.handle(0, Input::Alive, at);
    b
}

#[test]
fn what_was_tared_before_the_first_weight_is_found() {
    // Then it shows zero, and what it showed before nobody knows.
    let mut b = speaks_without_a_weight();
    b.read(0.0);
    b.hold(12.0);
    asks(&b, "If the beaker stands on the scale already");
    b.land(-51.26).hold(2.0).land(0.0).hold(2.0);
    asks(&b, "weighs what it did before");
    b.say(Command::Next).hold(0.5);
    asks(&b, "12.00 g to add");
}

#[test]
fn who_is_back_before_the_pan_was_at_rest_hears_that() {
    let mut b = speaks_without_a_weight();
    b.read(0.0);
    b.hold(12.0);
    asks(&b, "If the beaker stands on the scale already");
    b.pour(-51.26, 0.4).pour(0.0, 0.4).hold(10.0);
    assert!(b.cues.iter().any(|cue| cue.say.contains("Too soon")));
    // Where nothing is to be lifted, it is not asked for ever.
    asks(&b, "If the beaker stands on the scale already");
    b.pour(-51.26, 0.4).pour(0.0, 0.4).hold(3.0);
    asks(&b, "Too soon");
    b.land(-51.26).hold(2.0);
    b.expect_cue(CueKind::Place);
    b.land(0.0).hold(2.0);
    asks(&b, "weighs what it did before");
}

#[test]
fn a_source_that_is_off_again_before_it_rested_is_asked_back() {
    let mut b = source();
    b.hold(2.0).land(90.0).hold(2.0);
    b.land(0.0).hold(2.0);
    b.pour(81.0, 0.3).hold(0.5);
    b.expect_cue(CueKind::Hold);
    b.pour(0.0, 0.3).hold(3.0);
    b.expect_cue(CueKind::Place);
}

#[test]
fn what_came_before_the_first_weight_is_not_empty() {
    // Nobody knows what stood there then: a beaker, or one with something in it.
    let mut b = speaks_without_a_weight();
    b.read(61.26);
    b.hold(3.0);
    asks(
        &b,
        "something may have gone in before the beaker was at rest",
    );
    b.land(0.0).hold(2.0).land(51.26).hold(2.0);
    asks(&b, "12.00 g to add");
}

/// A source that stands there for less than a rest, before 5 g of it are taken out.
fn taken_at_once() -> Bench {
    let mut b = source();
    b.hold(2.0).pour(200.0, 0.2).hold(0.5);
    b.pour(195.0, 0.4).hold(2.0);
    asks(&b, "5.00 g lighter than as it was set down");
    assert_eq!(offered(&b), [Choice::Keep, Choice::Next]);
    b
}

#[test]
fn what_left_a_source_before_its_rest_is_asked_about() {
    let mut b = taken_at_once();
    b.say(Command::Keep).hold(0.5);
    asks(&b, "7.00 g to take");
    b.land(0.0).hold(2.0).land(188.0).hold(2.0);
    b.expect(&["12.00"]);
    // It was a cap.
    let mut b = taken_at_once();
    b.say(Command::Next).hold(0.5);
    asks(&b, "12.00 g to take");
    b.land(0.0).hold(2.0).land(183.0).hold(2.0);
    b.expect(&["12.00"]);
    // No lift brings back what was taken out.
    let mut b = taken_at_once();
    b.land(0.0).hold(2.0).land(195.0).hold(2.0);
    asks(&b, "Still not sure of the source's weight. Say next");
    b.say(Command::Next).hold(0.5);
    asks(&b, "12.00 g to take");
}

#[test]
fn a_hand_that_presses_on_a_source_takes_nothing_out() {
    let mut b = source();
    b.hold(2.0).pour(200.0, 0.2);
    for i in 1..8 {
        b.read(200.0 + 20.0 * (f64::from(i) / 8.0 * std::f64::consts::PI).sin());
    }
    b.hold(2.0);
    asks(&b, "12.00 g to take");
}

#[test]
fn what_was_taken_out_after_the_key_is_no_empty_pan() {
    // The zero is only worked out: it was never seen at rest.
    let mut b = Bench::one("Salt", "107.85");
    b.tau = 1.0;
    b.read(0.0);
    b.land(43.48).hold(2.0);
    asks(&b, "107.85 g to add");
    b.pour(156.38, 8.0).hold(2.0);
    b.expect_cue(CueKind::TakeOut);
    b.jump(0.0).hold(0.6).pour(-5.05, 0.6).hold(3.0);
    asks(&b, "Lift the beaker now: that proves the tare");
}

#[test]
fn what_lies_on_the_pan_is_not_the_bowl() {
    let mut steps = ["Salt", "Oil"].map(|name| step(1, name, "97.60", VesselWay::Bowl));
    steps[1].number = 2;
    let mut b = Bench::new(plan(steps.to_vec(), None));
    b.hold(2.0).land(350.0).hold(1.5).pour(447.6, 8.0).hold(4.0);
    b.pour(545.2, 8.0).hold(2.0);
    b.expect_cue(CueKind::Lift);
    // A drop of it lies there, and shows as the pan swings back.
    b.pour(-0.5, 0.5);
    b.read(1.1);
    b.hold(8.0);
    assert_eq!(b.closed, Some(true), "{}", say(&b));
    let row = last_weighed(&b);
    assert!(row.uncertainty < Some(g("3")), "{:?}", row.uncertainty);
}

#[test]
fn what_is_too_much_in_a_bowl_with_more_in_it_cannot_be_begun_again() {
    let mut steps = ["Salt", "Oil"].map(|name| step(1, name, "12.00", VesselWay::Bowl));
    steps[1].number = 2;
    let mut b = Bench::new(plan(steps.to_vec(), None));
    b.hold(2.0).land(150.0).hold(1.5).pour(162.0, 4.0).hold(4.0);
    b.pour(177.0, 4.0).hold(2.0);
    b.expect_cue(CueKind::TakeOut);
    assert_eq!(offered(&b), [Choice::Keep], "{}", say(&b));
}

#[test]
fn drops_that_were_asked_for_are_no_creep() {
    // At 0.5 d a second each second of them is at rest by itself.
    let mut b = two_a_second();
    b.hold(3.0)
        .land(840.0)
        .hold(4.0)
        .pour(1066.0, 12.0)
        .hold(3.0);
    b.expect_cue(CueKind::Add);
    for grams in 1067..=1090 {
        b.shown = f64::from(grams);
        b.hold(2.0);
    }
    b.hold(3.0);
    b.expect_cue(CueKind::Lift);
}

#[test]
fn a_drift_while_more_is_waited_for_widens_the_uncertainty() {
    let mut b = Bench::one("Salt", "60.00");
    b.hold(2.0).land(150.0).hold(3.0).pour(190.0, 4.0).hold(3.0);
    b.expect_cue(CueKind::Add);
    // 0.02 g a minute, a good deal for its time, and what is still missing is less than what she asked for.
    for hundredth in 1..=8 {
        b.shown = 190.0 + f64::from(hundredth) * 0.01;
        b.hold(30.0);
    }
    b.pour(210.0, 4.0).hold(4.0);
    let row = b.row();
    assert!(row.uncertainty > Some(g("0.07")), "{row:?}");
}

#[test]
fn a_vessel_whose_lift_was_taken_for_a_key_is_asked_about() {
    let mut steps = ["Salt", "Oil"].map(|name| step(1, name, "12.00", VesselWay::Beaker));
    steps[1].number = 2;
    let mut b = Bench::new(plan(steps.to_vec(), None));
    // Slowly set down, so that no load seems to come within one reading here.
    b.hold(2.0).land(150.0).hold(1.5).pour(162.0, 4.0).hold(2.0);
    b.expect_cue(CueKind::Lift);
    b.jump(0.0).hold(12.0);
    asks(&b, "say next if nothing is on it");
    b.say(Command::Next).hold(1.0);
    asks(&b, "Place an empty beaker");
    b.expect(&["12.00"]);
}

#[test]
fn a_key_before_the_rest_leaves_nearly_zero() {
    // The tail of a drop goes on below it; no lift is so fast on this scale.
    let mut b = Bench::one("Salt", "26.92");
    b.hold(2.0).land(97.5).hold(1.5).pour(124.4, 6.0);
    b.jump(-0.05).hold(2.0);
    asks(&b, "The tare must be seen again");
}

#[test]
fn who_is_told_to_put_back_what_stands_there_is_told_how() {
    let mut b = Bench::one("Salt", "12.00");
    b.hold(2.0).land(150.0).hold(1.5).pour(158.0, 4.0).hold(2.0);
    b.land(0.0).hold(2.0);
    b.expect_cue(CueKind::Place);
    b.hold(8.0);
    asks(&b, "If the beaker stands on the scale already");
    b.land(158.0).hold(2.0).pour(162.0, 3.0).hold(2.0);
    b.expect(&["12.00"]);
}

#[test]
fn less_than_zero_heard_first_is_a_tared_vessel_and_no_empty_pan() {
    // TARE while it rang: it shows less than it took off.
    let mut b = Bench::one("Salt", "12.00");
    b.read(-22.38);
    b.hold(12.0);
    asks(&b, "If the beaker stands on the scale already");
    b.land(-171.0).hold(2.0).land(-22.38).hold(2.0);
    asks(&b, "12.00 g to add");
}

#[test]
fn a_pan_that_rings_after_the_lift_has_not_been_tared() {
    let mut steps = ["Salt", "Oil"].map(|name| step(1, name, "12.00", VesselWay::Beaker));
    steps[1].number = 2;
    let mut b = Bench::new(plan(steps.to_vec(), None));
    b.hold(2.0).land(110.0).hold(1.5).pour(122.0, 4.0).hold(2.0);
    b.expect_cue(CueKind::Lift);
    for shown in [84.0, -10.3, -25.8, 6.9, 7.9, -3.4, -4.2, 1.5, 0.6, 0.4] {
        b.read(shown);
    }
    b.land(79.0).hold(2.0);
    asks(&b, "12.00 g to add");
}

/// A mark of rest that comes and goes is no movement: who did what was asked and hears nothing is told anew.
#[test]
fn what_flickers_and_is_not_what_was_asked_for_is_told_again() {
    let mut b = Bench::one("Salt", "12.00");
    b.hold(2.0).land(150.0).hold(1.5).pour(156.0, 4.0).hold(2.0);
    b.pour(153.0, 0.3).hold(2.0);
    asks(&b, "3.00 g less than before");
    b.land(0.0).hold(0.1).land(153.0);
    let told = b.cues.len();
    for at in 0..150 {
        // Five readings in a row that rest, and one that does not.
        b.read(if at % 12 == 0 { 153.02 } else { 153.0 });
    }
    assert!(b.cues.len() > told, "{:?}", b.cues.last());
}

/// A drift since the record hides nothing of what is taken out then, as asked.
#[test]
fn some_taken_out_after_a_drift_is_answered() {
    let mut b = Bench::one("Salt", "12.00");
    b.hold(2.0).land(150.0).hold(1.5).pour(162.0, 4.0).hold(2.0);
    b.expect(&["12.00"]);
    // The record follows until it is over, and says so; by then it is as unsure as it went far.
    let mut shown = 162.0;
    while !say(&b).contains("over. Take it out") {
        shown += 0.01;
        b.pour(shown, 0.1).hold(0.9);
    }
    let row = last_weighed(&b).clone();
    let sure = row.uncertainty.unwrap().to_g_f64();
    let told = b.cues.len();
    b.pour(shown + sure * 0.9, 9.0).hold(1.0);
    assert_eq!(b.cues.len(), told, "{:?}", b.cues.last());
    b.pour(shown + sure * 0.2, 0.3).hold(2.0);
    asks(&b, "over. Take it out");
    assert!(b.cues.len() > told, "{:?}", b.cues.last());
    assert!(last_weighed(&b).net > row.net);
}

/// On a scale that tracks its zero a drop is gone before the next one falls: that is told, and what faded is in no
/// record that claims to be sure.
#[test]
fn drops_that_fade_from_the_display_are_told() {
    let mut b = Bench::one("Salt", "12.00");
    b.hold(2.0).land(150.0).hold(1.5).jump(0.0).hold(1.5);
    let drop = |b: &mut Bench| {
        b.pour(0.02, 0.1).hold(1.0);
        b.pour(0.01, 0.1).hold(1.0);
        b.pour(0.0, 0.1).hold(1.0);
    };
    drop(&mut b);
    drop(&mut b);
    b.expect_cue(CueKind::Add);
    drop(&mut b);
    asks(&b, "0.06 g or more dropped in");
    assert_eq!(offered(&b), [Choice::Again]);
    b.pour(12.0, 4.0).hold(3.0);
    let row = last_weighed(&b);
    assert!(row.uncertainty >= Some(g("0.06")), "{row:?}");
    // A hand that touches the rim is off at once.
    let mut b = Bench::one("Salt", "12.00");
    b.hold(2.0).land(150.0).hold(1.5).jump(0.0).hold(1.5);
    for _ in 0..6 {
        b.pour(0.05, 0.1).hold(1.5).jump(0.0).hold(1.0);
    }
    assert!(!b.cues.iter().any(|cue| cue.say.contains("dropped in")));
}

/// Slow drops go through every weight, that of the vessel among them: that is no vessel that comes back.
#[test]
fn drops_that_add_up_to_the_weight_of_the_vessel_are_not_the_vessel() {
    let mut b = Bench::one("Oil", "3.32");
    // The key comes before the rest: it may as well have been a lift.
    b.hold(2.0).pour(3.0, 0.3).hold(0.3).jump(0.0).hold(1.5);
    assert_eq!(b.status().state, Some(Stands::ToCheck));
    for drop in 1..=55 {
        b.pour(0.06 * f64::from(drop), 0.1).hold(1.5);
    }
    b.pour(3.32, 0.1).hold(5.0);
    assert_eq!(
        b.cues
            .iter()
            .filter(|cue| cue.say.contains("3.32 g to add"))
            .count(),
        1
    );
    // No more is recorded than the lift proves.
    asks(&b, "Lift the beaker now: that proves the tare");
    b.land(-3.0).hold(3.0);
    assert_eq!(b.weighed(), []);
}

#[test]
fn an_empty_pan_that_flickers_is_empty_by_a_word() {
    let mut steps = ["Salt", "Oil"].map(|name| step(1, name, "12.00", VesselWay::Beaker));
    steps[1].number = 2;
    let mut b = Bench::new(plan(steps.to_vec(), None));
    b.hold(2.0).land(150.0).hold(1.5).pour(162.0, 4.0).hold(2.0);
    b.jump(0.0).hold(12.0);
    asks(&b, "say next if nothing is on it");
    for _ in 0..8 {
        for shown in [0.0, 0.02, 0.0, -0.02, 0.01] {
            b.read(shown);
        }
    }
    assert_eq!(b.answer(Command::Next), "The scale is taken as empty.");
    asks(&b, "Place an empty beaker");
    // What comes or goes is no flicker.
    b.hold(2.0).land(150.0).hold(2.0).pour(162.0, 4.0).hold(2.0);
    b.jump(0.0).hold(12.0);
    asks(&b, "say next if nothing is on it");
    b.pour(30.0, 3.0);
    assert_ne!(b.answer(Command::Next), "The scale is taken as empty.");
}

#[test]
fn a_vessel_that_falls_on_below_the_key_is_tared_where_it_comes_to() {
    let mut b = Bench::one("Salt", "60.00");
    // A spoon that came with it is taken out.
    b.hold(2.0);
    for shown in [
        60.0, 130.0, 165.0, 178.0, 180.0, 180.0, 180.0, 178.0, 172.4, 156.3, 151.4, 150.6, 150.4,
    ] {
        b.read(shown);
    }
    // 150.00 g; the key took 150.40.
    b.read(0.0);
    for shown in [-0.2, -0.25, -0.3, -0.35, -0.38, -0.39] {
        b.read(shown);
    }
    b.shown = -0.4;
    b.hold(0.6).pour(59.6, 8.0).hold(3.0);
    b.land(-150.4).hold(3.0);
    b.expect(&["60.00"]);
}

/// What a fault stood in place of is said once it is over.
#[test]
fn what_is_too_much_is_said_after_the_unit_is_right_again() {
    let mut b = Bench::one("Salt", "12.00");
    b.hold(2.0).land(150.0).hold(1.5).pour(162.2, 2.0).hold(2.0);
    b.expect_cue(CueKind::TakeOut);
    b.unit = Unit::Ounce;
    b.digit = Mass::from_ng(283_495_231);
    b.hold(1.0).pour(164.0, 0.4).pour(162.2, 0.4).hold(3.0);
    b.unit = Unit::Gram;
    b.digit = Mass::from_mg(10);
    b.hold(3.0);
    b.expect_cue(CueKind::TakeOut);
}
