//! What comes back to the scale, and what is said until it does.

use super::*;

pub fn say(b: &Bench) -> &str {
    b.cues.last().map_or("", |cue| cue.say.as_str())
}

#[track_caller]
pub fn asks(b: &Bench, words: &str) {
    assert!(say(b).contains(words), "{:?}", b.cues.last());
}

/// The line is silent for a while, and then shows so much.
pub fn silent_then(b: &mut Bench, shown: f64) {
    b.now += 20_000;
    b.engine.tick(Moment::from_millis(b.now));
    b.drain();
    b.read(shown);
}

/// A beaker of 150 g that is tared, and the pour that has begun.
fn begun(grams: f64, seconds: f64) -> Bench {
    let mut b = Bench::one("Salt", "12.00");
    b.hold(2.0).land(150.0).hold(1.5);
    b.pour(150.0 + grams, seconds);
    b
}

#[test]
fn a_full_vessel_that_was_to_be_begun_again_is_not_empty() {
    for way in [VesselWay::Beaker, VesselWay::Bowl] {
        let mut b = Bench::new(plan(vec![step(1, "Salt", "12.00", way)], None));
        b.hold(2.0).land(150.0).hold(1.5).pour(163.0, 4.0).hold(2.0);
        b.land(0.0).hold(1.5);
        b.say(Command::Again);
        b.land(163.0).hold(2.0);
        asks(&b, "weighs what it did before");
        // Emptied, it is taken as it is.
        b.land(0.0).hold(1.5).land(150.0).hold(2.0);
        asks(&b, "12.00 g to add");
    }
}

#[test]
fn a_pour_that_had_just_begun_is_not_tared_with_the_vessel() {
    let mut b = begun(2.5, 0.2);
    b.land(0.0).hold(1.5);
    b.expect_cue(CueKind::Place);
    b.land(152.5).hold(2.0);
    asks(&b, "something may have gone in");
    // Nothing went in: it is tared without a word.
    let mut b = begun(2.5, 0.2);
    b.land(0.0).hold(1.5).land(150.0).hold(2.0);
    asks(&b, "12.00 g to add");
}

#[test]
fn what_comes_back_with_much_less_or_more_is_asked_about() {
    for (back, asked) in [(200.4, false), (180.0, true), (240.0, true)] {
        let mut b = Bench::one("Salt", "60.00");
        b.hold(2.0).land(150.0).hold(1.5).pour(200.0, 5.0).hold(1.0);
        b.pour(200.9, 0.3);
        // Within one reading: a key, or a lift, which the empty pan tells.
        b.jump(0.0).hold(2.5);
        b.land(back).hold(2.0);
        let question = say(&b).contains("same");
        assert_eq!(question, asked, "{back}: {:?}", b.cues.last());
    }
}

#[test]
fn more_than_all_of_it_nobody_takes_out() {
    // A lid lay on the beaker when it was tared, and goes while a little is to be taken out.
    let mut b = Bench::one("Salt", "12.00");
    b.hold(2.0).land(168.0).hold(1.5).pour(180.3, 4.0).hold(2.0);
    b.expect_cue(CueKind::TakeOut);
    b.land(162.3).hold(2.0);
    b.expect_cue(CueKind::Choose);
    b.expect(&[]);
}

#[test]
fn a_key_while_the_bowl_is_mixed_moves_what_it_weighed() {
    let steps = || {
        let mut steps = vec![
            step(1, "Oil", "20.00", VesselWay::Bowl),
            step(2, "Wax", "10.00", VesselWay::Bowl),
        ];
        steps[0].last_of_phase = true;
        steps[1].phase = 1;
        let mut plan = plan(steps, Some("Stir"));
        plan.phases.push(PlannedPhase {
            name: "Wet".into(),
            mix: None,
        });
        plan
    };
    let mut b = Bench::new(steps());
    b.flag = Some(Shown::Gross);
    b.hold(2.0).land(300.0).hold(1.5).pour(320.0, 4.0).hold(3.0);
    b.expect_cue(CueKind::Mix);
    b.flag = Some(Shown::Net);
    b.jump(0.0).hold(2.0);
    b.say(Command::Next).hold(0.5);
    asks(&b, "10.00 g to add");
    b.pour(10.0, 4.0).hold(2.0);
    b.expect(&["20.00", "10.00"]);
    assert_eq!(
        b.rows.last().map(|row| row.verdict),
        Some(Some(Verdict::Inside))
    );
}

#[test]
fn what_is_more_in_a_bowl_may_be_of_the_step_whatever_is_said() {
    let steps = vec![
        step(1, "Oil", "20.00", VesselWay::Bowl),
        step(2, "Wax", "10.00", VesselWay::Bowl),
    ];
    let mut b = Bench::new(plan(steps, None));
    b.hold(2.0).land(300.0).hold(1.5).pour(320.0, 4.0).hold(3.0);
    b.land(0.0).hold(2.0).land(326.0).hold(2.0);
    b.expect_cue(CueKind::Choose);
    b.say(Command::Next);
    b.pour(330.0, 4.0).hold(2.0);
    let row = b
        .rows
        .iter()
        .rfind(|row| row.step == 2 && row.net.is_some());
    let row = row.expect("a weight");
    assert_eq!(row.verdict, None);
    assert!(row.uncertainty >= Some(g("6.00")), "{row:?}");
}

#[test]
fn to_take_out_in_vain_three_times_asks_for_the_tare() {
    let mut b = Bench::one("Salt", "12.00");
    b.hold(2.0).land(150.0).hold(1.5).pour(170.0, 4.0).hold(2.0);
    for _ in 0..2 {
        b.expect_cue(CueKind::TakeOut);
        // A spoon goes in and takes nothing along.
        b.pour(172.0, 0.5).pour(170.0, 0.5).hold(2.0);
    }
    asks(&b, "The tare must be seen again");
}

#[test]
fn who_is_too_hasty_is_told_to_lift_and_then_asked_for_the_rest() {
    let mut b = Bench::one("Salt", "12.00");
    b.tau = 400.0;
    b.interval = 200;
    b.hold(2.0)
        .land(150.0)
        .hold(15.0)
        .pour(156.0, 4.0)
        .hold(9.0);
    // What happened meanwhile nobody saw.
    silent_then(&mut b, 161.0);
    b.hold(6.0);
    asks(&b, "The tare must be seen again");
    b.pour(120.0, 0.6).pour(161.0, 0.8).hold(6.0);
    b.pour(40.0, 0.6).pour(161.0, 0.8).hold(6.0);
    asks(&b, "Too soon");
    b.land(0.0).hold(6.0);
    b.expect_cue(CueKind::Place);
}

#[test]
fn a_scale_that_takes_long_says_so_while_a_vessel_lands() {
    let mut b = Bench::one("Salt", "12.00");
    b.tau = 3000.0;
    b.hold(2.0).land(150.0);
    assert!(say(&b).contains("Place an empty beaker"), "{}", say(&b));
    b.read(148.0);
    b.read(149.0);
    for i in 0..14 {
        b.read(149.0 + f64::from(i) * 0.05);
    }
    asks(&b, "comes to rest");
    // Off again before it was: it is asked for once more.
    b.tau = 200.0;
    b.land(0.0).hold(2.0);
    b.expect_cue(CueKind::Place);
}

#[test]
fn while_the_tare_is_lost_no_number_is_told() {
    use crate::vocabulary::status::Status;
    let missing = |b: &Bench| {
        let mut status = Status::default();
        b.engine.status(&mut status);
        status.missing.is_some()
    };
    let mut b = begun(6.0, 3.0);
    b.hold(2.0);
    assert!(missing(&b));
    silent_then(&mut b, 161.0);
    b.hold(2.0);
    asks(&b, "The tare must be seen again");
    assert!(!missing(&b));
}

#[test]
fn a_pour_onto_a_vessel_that_was_tared_unseen_is_no_vessel() {
    let mut b = Bench::one("Salt", "12.00");
    b.hold(2.0).pour(5.0, 4.0).hold(8.0);
    asks(&b, "something may have gone in");
    // What comes faster than anybody pours is a vessel, however slow the scale is.
    let mut b = Bench::one("Salt", "12.00");
    b.tau = 400.0;
    b.interval = 200;
    b.hold(2.0).land(150.0).hold(8.0);
    asks(&b, "12.00 g to add");
}
