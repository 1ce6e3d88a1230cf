//! One weighing after another, as a maker would do it, and what can go wrong.

use super::returns::{asks, say};
use super::unanswered::{last_weighed, speaks_without_a_weight};
use super::*;

#[test]
fn own_tare_needs_no_key() {
    let mut b = Bench::one("Salt", "12.00");
    b.hold(2.0).land(150.0).hold(1.5);
    b.expect_cue(CueKind::Add);
    b.pour(162.0, 4.0).hold(2.0);
    b.expect(&["12.00"]);
    assert_eq!(b.rows[0].tare, Some(g("150")));
    assert_eq!(b.rows[0].gross, Some(g("162")));
    assert_eq!(b.closed, None);
    b.land(0.0);
    assert_eq!(b.closed, None, "the empty pan has the last word");
    b.hold(2.0);
    assert_eq!(b.closed, Some(true));
}

#[test]
fn tare_key_then_pour_is_recorded_net() {
    let mut b = Bench::one("Salt", "12.00");
    b.hold(2.0)
        .land(150.0)
        .hold(1.5)
        .jump(0.0)
        .hold(1.5)
        .pour(12.01, 4.0)
        .hold(2.0);
    b.expect(&["12.01"]);
    assert_eq!(b.rows[0].tare, Some(g("150")));
    b.land(-150.0).hold(2.0);
    assert_eq!(b.closed, Some(true));
}

#[test]
fn tare_key_before_our_own_rest_and_a_quick_pour() {
    let mut b = Bench::one("Salt", "12.00");
    b.hold(2.0)
        .land(150.0)
        .jump(0.0)
        .hold(0.4)
        .pour(12.0, 4.0)
        .hold(2.0);
    b.expect(&["12.00"]);
}

#[test]
fn a_scoop_after_a_key_is_recorded_at_the_lift_that_proves_it() {
    let mut b = Bench::one("Salt", "40.00");
    // So quick a scale shows a lift within one reading, as the key does.
    b.tau = 1.0;
    b.hold(2.0)
        .land(150.0)
        .hold(1.5)
        .jump(0.0)
        .hold(1.0)
        .land(37.0)
        .pour(40.0, 1.5)
        .hold(3.0);
    b.expect(&[]);
    b.expect_cue(CueKind::Lift);
    b.land(-150.0);
    b.expect(&["40.00"]);
    assert_eq!(b.closed, Some(true));
}

#[test]
fn another_vessel_after_a_lift_at_once_is_not_taken_for_ingredient() {
    let mut b = Bench::one("Salt", "40.00");
    // So quick a scale shows a lift within one reading, as the key does.
    b.tau = 1.0;
    // The 150 g beaker is lifted within one reading, a 37 g boat takes its place.
    b.hold(2.0)
        .land(150.0)
        .hold(1.5)
        .jump(0.0)
        .hold(1.0)
        .land(37.0)
        .hold(1.5)
        .pour(40.0, 2.0)
        .hold(3.0);
    b.expect(&[]);
    b.land(0.0).hold(2.0);
    b.expect(&[]);
    // Back as it was: what is in it nobody knows.
    b.land(40.0).hold(2.0);
    b.expect(&[]);
    b.land(0.0).hold(2.0);
    b.expect_cue(CueKind::Place);
    b.land(90.0).hold(2.0);
    b.expect_cue(CueKind::Choose);
    // Obeying leads on; a lift within one reading looks like the key, so the word tells.
    b.say(Command::Again).land(0.0).hold(2.0).say(Command::Next);
    b.land(90.0).hold(2.0).pour(130.0, 4.0).hold(2.0);
    b.expect(&["40.00"]);
    assert_eq!(
        b.rows
            .iter()
            .find(|r| r.kind == RowKind::Weighed)
            .unwrap()
            .tare,
        Some(g("90"))
    );
}

#[test]
fn the_same_vessel_back_after_a_lift_at_once_keeps_our_tare() {
    let mut b = Bench::one("Salt", "12.00");
    // So quick a scale shows a lift within one reading, as the key does.
    b.tau = 1.0;
    b.hold(2.0)
        .land(150.0)
        .hold(1.5)
        .jump(0.0)
        .hold(1.0)
        .land(150.0)
        .hold(1.5)
        .pour(162.0, 3.0)
        .hold(2.0);
    b.expect(&["12.00"]);
    assert_eq!(b.rows[0].tare, Some(g("150")));
}

#[test]
fn gross_net_flags_settle_it() {
    let mut b = Bench::one("Salt", "40.00");
    b.flag = Some(Shown::Gross);
    b.hold(2.0).land(150.0).hold(1.5);
    b.flag = Some(Shown::Net);
    b.jump(0.0).hold(1.0).land(40.0).hold(2.0);
    b.expect(&["40.00"]);
}

#[test]
fn key_presses_mid_pour_add_up() {
    let mut b = Bench::one("Salt", "12.00");
    b.hold(2.0)
        .land(150.0)
        .hold(1.5)
        .jump(0.0)
        .hold(1.5)
        .pour(5.0, 3.0)
        .hold(1.5);
    b.jump(0.0).hold(1.5).pour(7.0, 3.0).hold(2.0);
    b.expect(&["12.00"]);
    assert!(
        b.rows[0].uncertainty.unwrap() > g("0.0116"),
        "the carried tare widens U"
    );
}

#[test]
fn an_over_pour_taken_back_is_recorded_with_what_was_taken_out() {
    let mut b = Bench::one("Salt", "12.00");
    b.hold(2.0).land(150.0).hold(1.5).pour(162.6, 3.0).hold(2.0);
    b.expect(&[]);
    b.expect_cue(CueKind::TakeOut);
    b.pour(162.05, 2.0).hold(2.0);
    b.expect(&["12.05"]);
    assert_eq!(b.rows[0].kind, RowKind::TakenOut);
    assert_eq!(b.rows[0].net, Some(g("0.55")));
}

#[test]
fn an_over_pour_can_be_kept() {
    let mut b = Bench::one("Salt", "12.00");
    b.hold(2.0)
        .land(150.0)
        .hold(1.5)
        .pour(162.6, 3.0)
        .hold(2.0)
        .say(Command::Keep);
    assert_eq!(b.weighed(), [(1, "12.60".into(), Some(Verdict::Kept))]);
}

#[test]
fn a_vessel_lifted_too_early_goes_on_when_it_is_back() {
    let mut b = Bench::one("Salt", "12.00");
    b.hold(2.0)
        .land(150.0)
        .hold(1.5)
        .pour(155.0, 3.0)
        .hold(1.5)
        .land(0.0)
        .hold(1.0);
    b.expect_cue(CueKind::Place);
    b.land(155.0).hold(1.5).pour(162.0, 3.0).hold(2.0);
    b.expect(&["12.00"]);
}

#[test]
fn another_vessel_in_its_place_is_asked_about() {
    let mut b = Bench::one("Salt", "12.00");
    b.hold(2.0)
        .land(150.0)
        .hold(1.5)
        .pour(155.0, 3.0)
        .hold(1.5)
        .land(0.0)
        .hold(1.0);
    b.land(151.3).hold(2.0).pour(162.0, 3.0).hold(3.0);
    b.expect(&[]);
    b.expect_cue(CueKind::Choose);
}

#[test]
fn a_pour_before_the_vessel_is_at_rest_is_never_taken_for_its_tare() {
    let mut b = Bench::one("Salt", "12.00");
    b.hold(2.0);
    for (shown, n) in [(120.0, 1), (145.0, 1), (149.5, 1), (149.9, 1)] {
        for _ in 0..n {
            b.read(shown);
        }
    }
    b.pour(156.0, 3.0).hold(2.0).pour(168.0, 3.0).hold(3.0);
    b.expect(&[]);
    b.expect_cue(CueKind::Choose);
}

#[test]
fn drips_after_the_record_correct_it() {
    let mut b = Bench::one("Syrup", "12.00");
    b.hold(2.0)
        .land(150.0)
        .hold(1.5)
        .pour(161.95, 4.0)
        .hold(2.0);
    b.expect(&["11.95"]);
    b.pour(162.04, 2.0).hold(3.0);
    b.expect(&["11.95", "12.04"]);
    assert!(b.rows[1].note.starts_with("corrects seq 1"));
    b.land(0.0);
    assert_eq!(b.recorded.last(), Some(&(1, g("12.04"))));
}

#[test]
fn bumps_and_spikes_record_nothing_wrong() {
    let mut b = Bench::one("Salt", "12.00");
    b.hold(2.0).land(150.0).hold(1.5).pour(158.0, 3.0);
    for k in 0..30 {
        let k = f64::from(k);
        b.read(158.0 + 20.0 * (k * 1.9).sin() * (-k / 8.0).exp());
    }
    b.shown = 158.0;
    b.hold(1.5).pour(162.0, 2.0).hold(2.0);
    b.expect(&["12.00"]);
}

#[test]
fn a_lost_line_with_the_same_weight_goes_on_and_another_weight_is_proven_first() {
    let mut b = Bench::one("Salt", "12.00");
    b.hold(2.0).land(150.0).hold(1.5).pour(155.0, 3.0).hold(1.5);
    b.engine.handle(0, Input::Lost, Moment::from_millis(b.now));
    b.now += 5000;
    b.engine.handle(0, Input::Back, Moment::from_millis(b.now));
    b.hold(1.5);
    // Switched off and on: it zeroed itself with 155 g on the pan.
    b.engine.handle(0, Input::Lost, Moment::from_millis(b.now));
    b.now += 5000;
    b.shown = 0.0;
    b.hold(2.0).pour(7.0, 3.0).hold(3.0);
    b.expect(&[]);
    b.land(-155.0).hold(1.5).land(7.0).hold(1.5);
    // Observation lifted and back with what it had: the sum is known again, without a word.
    b.hold(2.0);
    b.expect(&["12.00"]);
}

#[test]
fn bowl_steps_follow_each_other_without_a_lift() {
    let steps = vec![
        step(1, "Oil", "20.00", VesselWay::Bowl),
        step(2, "Wax", "10.00", VesselWay::Bowl),
    ];
    let mut b = Bench::new(plan(steps, Some("Warm it.")));
    b.hold(2.0).land(300.0).hold(1.5).pour(320.0, 4.0).hold(4.0);
    b.expect(&["20.00"]);
    b.hold(1.0).pour(330.0, 4.0).hold(4.0);
    b.expect(&["20.00", "10.00"]);
    b.expect_cue(CueKind::Mix);
    b.say(Command::Next);
    b.expect_cue(CueKind::Lift);
    assert_eq!(b.closed, None);
    b.land(0.0).hold(2.0);
    assert_eq!(b.closed, Some(true));
}

#[test]
fn bowl_with_a_key_press_before_each_ingredient() {
    let steps = vec![
        step(1, "Oil", "20.00", VesselWay::Bowl),
        step(2, "Wax", "10.00", VesselWay::Bowl),
    ];
    let mut b = Bench::new(plan(steps, None));
    b.hold(2.0)
        .land(300.0)
        .hold(1.5)
        .jump(0.0)
        .hold(1.0)
        .pour(20.0, 4.0)
        .hold(2.0);
    b.jump(0.0).hold(1.0).pour(10.0, 4.0).hold(2.0);
    b.expect(&["20.00", "10.00"]);
}

#[test]
fn difference_weighs_what_left_the_source() {
    let mut b = Bench::new(plan(
        vec![step(1, "Lavender", "4.00", VesselWay::Difference)],
        None,
    ));
    b.hold(2.0)
        .land(80.0)
        .hold(1.5)
        .land(0.0)
        .hold(2.0)
        .land(78.5)
        .hold(2.0);
    b.expect(&[]);
    b.land(0.0).hold(1.0).land(76.01).hold(2.0);
    b.expect(&["3.99"]);
    assert_eq!(b.rows[0].gross, Some(g("80")));
    assert_eq!(b.rows[0].tare, Some(g("76.01")));
}

#[test]
fn two_steps_with_a_mix_advance_by_the_next_vessel() {
    let mut steps = two_beakers();
    steps[0].last_of_phase = true;
    steps[1].phase = 1;
    let mut plan = plan(steps, None);
    plan.phases = vec![
        PlannedPhase {
            name: "Dry".into(),
            mix: Some("Stir.".into()),
        },
        PlannedPhase {
            name: "Wet".into(),
            mix: None,
        },
    ];
    let mut b = Bench::new(plan);
    b.hold(2.0)
        .land(150.0)
        .hold(1.5)
        .pour(162.0, 4.0)
        .hold(2.0)
        .land(0.0)
        .hold(2.0);
    b.expect_cue(CueKind::Mix);
    b.land(90.0).hold(1.5);
    assert!(
        b.rows
            .iter()
            .any(|r| r.kind == RowKind::Mixed && r.phase == "Dry")
    );
    b.pour(98.0, 3.0).hold(2.0).land(0.0).hold(2.0);
    b.expect(&["12.00", "8.00"]);
    assert_eq!(b.closed, Some(true));
}

#[test]
fn two_presses_on_the_pan_say_next() {
    let mut b = Bench::new(plan(
        vec![step(1, "Salt", "12.00", VesselWay::Beaker)],
        Some("Stir."),
    ));
    b.hold(2.0)
        .land(150.0)
        .hold(1.5)
        .pour(162.0, 4.0)
        .hold(2.0)
        .land(0.0)
        .hold(2.0);
    b.expect_cue(CueKind::Mix);
    for shown in [60.0, 90.0, 70.0, 20.0, 4.0, 50.0, 80.0, 30.0, 5.0, 0.4] {
        b.read(shown);
    }
    b.shown = 0.0;
    b.hold(2.0);
    assert_eq!(b.closed, Some(true));
}

#[test]
fn nothing_is_called_recorded_before_it_is_on_the_disk() {
    let mut b = Bench::one("Salt", "12.00");
    b.hold(2.0).land(150.0).hold(1.5);
    b.log_works = false;
    b.pour(162.0, 4.0).hold(2.0);
    assert!(b.recorded.is_empty());
    b.expect_cue(CueKind::Fault);
    assert!(b.faults.contains(&"not-logged"));
}

#[test]
fn a_scale_switched_to_ounces_converts_and_a_too_coarse_one_waits() {
    let mut b = Bench::one("Salt", "12.00");
    b.hold(2.0).land(150.0).hold(1.5).pour(161.0, 3.0).hold(1.0);
    b.unit = Unit::Ounce;
    b.digit = Mass::from_ng(Unit::Ounce.ng() / 100);
    // 0.01 oz is 0.28 g: too coarse for ±0.12 g.
    b.shown = 162.0;
    b.hold(4.0);
    b.expect(&[]);
    b.unit = Unit::Gram;
    b.digit = Mass::from_mg(10);
    b.hold(3.0);
    b.expect(&["12.00"]);
}

#[test]
fn a_batch_that_begins_with_the_vessel_on_the_pan() {
    let mut b = Bench::one("Salt", "12.00");
    b.shown = 150.0;
    b.hold(2.0).pour(162.0, 4.0).hold(2.0);
    b.expect(&["12.00"]);
}

#[test]
fn a_lot_that_is_required_is_waited_for_and_then_stands_in_the_row() {
    let mut steps = vec![step(1, "Salt", "12.00", VesselWay::Beaker)];
    steps[0].lot_required = true;
    let mut b = Bench::new(plan(steps, None));
    b.hold(2.0).land(150.0).hold(1.5).pour(162.0, 4.0).hold(2.0);
    b.expect(&[]);
    // "Keep" is no way round it.
    let kept = b.answer(Command::Keep);
    assert!(kept.contains("Name the lot of Salt."), "{kept}");
    b.hold(0.5).expect(&[]);
    b.say(Command::Lot("S-7".into())).hold(0.5);
    b.expect(&["12.00"]);
    assert!(
        b.rows
            .iter()
            .any(|r| r.kind == RowKind::Weighed && r.lot == "S-7")
    );
}

#[test]
fn commands_that_nothing_waits_for_are_harmless() {
    let mut b = Bench::one("Salt", "12.00");
    b.say(Command::Next)
        .say(Command::Keep)
        .hold(2.0)
        .say(Command::Next)
        .land(150.0)
        .hold(1.5);
    b.say(Command::Next)
        .say(Command::Keep)
        .pour(162.0, 4.0)
        .say(Command::Next)
        .hold(2.0);
    b.say(Command::Next).say(Command::Keep).hold(0.5);
    b.expect(&["12.00"]);
    b.land(0.0).hold(2.0);
    assert_eq!(b.closed, Some(true));
}

#[test]
fn again_throws_a_weighing_away_and_corrects_a_recorded_one() {
    let mut b = Bench::one("Salt", "12.00");
    b.hold(2.0)
        .land(150.0)
        .hold(1.5)
        .pour(162.0, 4.0)
        .hold(2.0)
        .say(Command::Again);
    b.land(0.0)
        .hold(1.5)
        .land(150.0)
        .hold(1.5)
        .pour(162.05, 4.0)
        .hold(2.0);
    b.expect(&["12.00", "12.05"]);
    let last = b.rows.iter().rfind(|r| r.kind == RowKind::Weighed).unwrap();
    assert!(last.note.starts_with("corrects seq 1"), "{}", last.note);
}

#[test]
fn time_that_steps_back_and_repeated_ticks_do_no_harm() {
    let mut b = Bench::one("Salt", "12.00");
    b.hold(2.0).land(150.0).hold(1.5);
    b.engine.tick(Moment::from_millis(1));
    b.engine.tick(Moment::from_millis(1));
    b.pour(162.0, 4.0).hold(2.0);
    b.expect(&["12.00"]);
}

#[test]
fn what_lies_on_the_pan_after_the_last_lift_or_before_the_next_vessel_questions_the_record() {
    // 0.43 g beside the beaker; the next one comes before the pan has rested for a second.
    let two = || {
        let mut b = Bench::new(plan(two_beakers(), None));
        b.hold(2.0).land(150.0).hold(1.5).pour(162.0, 4.0).hold(2.0);
        b
    };
    let mut b = two();
    b.land(0.43).hold(0.7).land(140.0).hold(2.0);
    let about = |b: &Bench| {
        b.rows
            .iter()
            .filter(|row| row.note.contains("stayed on the pan"))
            .count()
    };
    assert_eq!(about(&b), 1, "{:?}", b.rows.last());
    let mut b = two();
    b.land(0.0)
        .hold(2.0)
        .land(140.0)
        .hold(1.5)
        .pour(148.0, 4.0)
        .hold(2.0);
    b.land(0.43).hold(2.0);
    assert_eq!(about(&b), 1, "{:?}", b.rows.last());
    assert_eq!(b.rows.last().unwrap().kind, RowKind::Closed);
    // Switched off at once: it closes all the same.
    let mut b = two();
    b.land(0.0)
        .hold(2.0)
        .land(140.0)
        .hold(1.5)
        .pour(148.0, 4.0)
        .hold(2.0);
    b.land(0.0);
    assert_eq!(b.closed, None);
    b.engine.tick(Moment::from_millis(b.now + 4000));
    b.drain();
    assert_eq!(b.closed, Some(true));
}

#[test]
fn a_pan_that_swings_below_its_end_after_the_lift_speaks_of_the_record_all_the_same() {
    // A sprung pan: within a few lines the load is there, and then it goes 0.15 g beyond for one.
    let springs = |b: &mut Bench, to: f64| {
        let (from, decay) = (b.shown, (-(b.interval as f64) / b.tau).exp());
        for n in 1..5 {
            b.read(to + (from - to) * decay.powi(n));
        }
        for beyond in [0.15, -0.01] {
            b.read(to + beyond * (to - from).signum());
        }
        b.shown = to;
        b.hold(0.5);
    };
    // 0.26 g beside the bowl: what the pan showed of it at first is no empty pan onto which the next vessel came.
    let salt = vec![step(1, "Salt", "12.00", VesselWay::Bowl)];
    for next in [0.26, 0.80] {
        let mut b = Bench::new(plan(salt.clone(), None));
        b.hold(2.0);
        springs(&mut b, 150.0);
        b.hold(1.5).pour(162.0, 4.0).hold(2.0);
        springs(&mut b, 0.26);
        // What is laid there after that is no part of it.
        b.shown = next;
        b.hold(3.0);
        assert_eq!(b.closed, Some(true), "{}", say(&b));
        let row = last_weighed(&b);
        assert!(row.note.contains("0.26 g stayed on the pan"), "{row:?}");
        assert!(row.uncertainty >= Some(g("0.26")), "{row:?}");
        assert!(row.uncertainty < Some(g("0.40")), "{row:?}");
    }
}

#[test]
fn what_one_line_showed_of_the_empty_pan_is_its_zero_to_a_few_steps() {
    // The vessel came at once; after it 0.43 g lie there, by a twentieth of the vessel no more than was not known.
    let mut b = Bench::one("Salt", "12.00");
    b.read(0.0);
    b.land(150.0).hold(1.5).pour(162.0, 4.0).hold(2.0);
    b.land(0.43).hold(3.0);
    let row = last_weighed(&b);
    assert!(row.note.contains("0.43 g stayed on the pan"), "{row:?}");
    // Of lines that had no weight before nobody knows what stood there.
    let mut b = speaks_without_a_weight();
    b.read(0.0);
    b.land(150.0).hold(2.0);
    asks(&b, "Not sure of the tare");
}

#[test]
fn a_zero_that_was_seen_to_move_speaks_of_the_record_before_the_next_one() {
    // The first beaker came at once, and so does the next one, before the pan could show the 0.43 g that lie there. It
    // is off again for a moment: what is seen then is its own zero, and tells of the first.
    let mut b = Bench::new(plan(two_beakers(), None));
    b.read(0.0);
    b.land(150.0).hold(1.5).pour(162.0, 4.0).hold(2.0);
    b.pour(0.43, 0.4).land(140.0).hold(2.0);
    b.pour(0.43, 0.4).hold(0.6);
    b.land(140.0).hold(2.0).pour(148.0, 4.0).hold(3.0);
    b.land(0.43).hold(3.0);
    let about = b
        .rows
        .iter()
        .filter(|row| row.note.contains("stayed on the pan"));
    assert_eq!(about.map(|row| row.step).collect::<Vec<_>>(), [1]);
    assert_eq!(b.closed, Some(true), "{}", say(&b));
}

#[test]
fn the_hand_that_takes_hold_of_the_finished_bowl_presses_for_a_moment() {
    let salt = vec![step(1, "Salt", "12.00", VesselWay::Bowl)];
    for (lines, unsure) in [(1, false), (2, false), (5, true)] {
        let mut b = Bench::new(plan(salt.clone(), Some("Stir.")));
        b.hold(2.0).land(150.0).hold(1.5).pour(162.0, 4.0).hold(6.0);
        b.say(Command::Next);
        b.hold(2.0);
        for _ in 0..lines {
            b.read(162.1);
        }
        b.land(0.0).hold(3.0);
        assert_eq!(b.closed, Some(true), "{}", say(&b));
        let row = last_weighed(&b);
        assert_eq!(row.verdict.is_none(), unsure, "{lines}: {row:?}");
    }
}

#[test]
fn a_key_hides_nothing_of_what_came_after_the_record() {
    // 1.5 g drip in, and TARE is pressed while they do; the lift proves how much stood there.
    let mut b = Bench::one("Salt", "12.00");
    b.hold(2.0).land(150.0).hold(1.5).pour(162.0, 4.0).hold(2.0);
    b.expect_cue(CueKind::Lift);
    b.pour(163.5, 3.0)
        .jump(0.0)
        .hold(0.4)
        .land(-163.5)
        .hold(3.0);
    let row = last_weighed(&b);
    assert!(row.uncertainty >= Some(g("1.5")), "{row:?}");
    // Taken for the lift itself, with more that came after it.
    for (before, after) in [(0.0, 7.0), (0.5, 0.0), (0.0, 0.0)] {
        let mut b = Bench::new(plan(two_beakers(), None));
        b.hold(2.0).land(150.0).hold(1.5).pour(162.0, 4.0).hold(2.0);
        b.expect_cue(CueKind::Lift);
        b.read(162.0 + before);
        b.jump(0.0).pour(after, 3.0).hold(1.0);
        b.land(-162.0 - before).hold(3.0);
        let row = last_weighed(&b);
        let sure = row.uncertainty < Some(g("0.03"));
        assert_eq!(sure, before + after == 0.0, "{before} {after}: {row:?}");
    }
}

#[test]
fn a_finished_bowl_that_is_back_before_the_pan_could_rest_is_looked_at_once_more() {
    // Lifted after the last step, given 1.53 g more off the scale, and put back at once.
    let salt = vec![step(1, "Salt", "12.00", VesselWay::Bowl)];
    let mut b = Bench::new(plan(salt, Some("Stir.")));
    b.hold(2.0).land(150.0).hold(1.5).pour(162.0, 4.0).hold(6.0);
    b.expect_cue(CueKind::Mix);
    b.say(Command::Next);
    b.hold(1.0);
    for shown in [150.0, 110.0, 47.0, 32.0, 68.0] {
        b.read(shown);
    }
    b.land(163.53).hold(2.0);
    b.land(0.0).hold(3.0);
    assert_eq!(b.closed, Some(true), "{}", say(&b));
    let row = last_weighed(&b);
    assert!(
        row.note
            .contains("the bowl changed its weight after the last step"),
        "{row:?}"
    );
    assert!(row.uncertainty >= Some(g("1.53")), "{row:?}");
}

#[test]
fn what_the_empty_pan_had_no_time_to_say_is_said_later_and_of_all_that_it_may_be_about() {
    let steps = |way| vec![step(1, "Salt", "12.00", way), step(2, "Oil", "8.00", way)];
    let about = |b: &Bench| {
        let rows = b.rows.iter();
        let about = rows.filter(|row| row.note.contains("stayed on the pan"));
        about.map(|row| row.step).collect::<Vec<_>>()
    };
    let one = || {
        let mut b = Bench::new(plan(steps(VesselWay::Beaker), None));
        b.hold(2.0).land(150.0).hold(1.5).pour(162.0, 4.0).hold(2.0);
        b
    };
    // The first reading of the next beaker is hardly more than what lies there.
    let mut b = one();
    b.land(0.43).hold(0.7).read(0.9);
    b.land(140.0).hold(2.0);
    assert_eq!(about(&b), [1], "{:?}", b.rows.last());
    // The next beaker comes at once: the pan speaks after it, and of both.
    let mut b = one();
    for falling in [60.0, 12.0, 2.0, 0.6, 0.43] {
        b.read(falling);
    }
    b.land(140.0).hold(1.5).pour(148.0, 4.0).hold(2.0);
    assert!(about(&b).is_empty());
    b.land(0.43).hold(2.0);
    assert_eq!(about(&b), [1, 2], "{:?}", b.rows.last());
    // What dripped beside a source was not weighed out of it into the bowl.
    let mut b = Bench::new(plan(steps(VesselWay::Difference), None));
    b.hold(2.0)
        .land(150.0)
        .hold(1.5)
        .land(0.0)
        .hold(2.0)
        .land(138.0)
        .hold(2.0);
    b.land(0.43).hold(2.0);
    assert_eq!(about(&b), [1], "{:?}", b.rows.last());
}

/// Each record is said with its weight, and with what is to be lifted.
#[test]
fn a_record_is_said_with_what_comes_next() {
    let said = |b: &Bench, words: &str| {
        let found = b.cues.iter().any(|cue| cue.say == words);
        assert!(found, "{words}: {:?}", b.cues.last());
    };
    let mut b = Bench::one("Salt", "12.00");
    b.hold(2.0).land(150.0).hold(1.5).pour(162.0, 4.0).hold(2.0);
    said(&b, "Recorded 12.00 g. Lift the beaker.");
    let oil = step(1, "Oil", "12.00", VesselWay::Difference);
    let mut b = Bench::new(plan(vec![oil], None));
    b.hold(2.0).land(150.0).hold(1.5).land(0.0).hold(2.0);
    b.land(138.0).hold(2.0);
    said(&b, "Recorded 12.00 g. Lift the bottle.");
    let steps = vec![
        step(1, "Oil", "20.00", VesselWay::Bowl),
        step(2, "Wax", "10.00", VesselWay::Bowl),
    ];
    let mut b = Bench::new(plan(steps, None));
    b.hold(2.0).land(300.0).hold(1.5).pour(320.0, 4.0).hold(4.0);
    said(&b, "Recorded 20.00 g.");
    b.pour(330.0, 4.0).hold(4.0);
    said(&b, "Recorded 10.00 g. Lift the bowl.");
    // After the key on so quick a scale only the lift proves it.
    for (pours, words) in [
        (
            40.0,
            "40.00 g, inside. Lift the beaker now: that proves the tare. If it is off the scale already, put it back.",
        ),
        (
            42.0,
            "42.00 g, too much as it seems. Lift the beaker now: that proves the tare. If it is off the scale already, put it back.",
        ),
    ] {
        let mut b = Bench::one("Salt", "40.00");
        b.tau = 1.0;
        b.hold(2.0).land(150.0).hold(1.5).jump(0.0).hold(1.0);
        b.land(37.0).pour(pours, 1.7).hold(3.0);
        said(&b, words);
    }
}

/// Who was asked after the record to take some out, and did, hears that it is enough, though the record's U has
/// grown by what came in.
#[test]
fn what_is_taken_out_after_the_record_is_told() {
    let mut b = Bench::one("Salt", "2.42");
    b.hold(2.0)
        .land(150.0)
        .hold(1.5)
        .pour(152.42, 4.0)
        .hold(2.0);
    b.expect(&["2.42"]);
    b.pour(152.47, 0.5).hold(3.0);
    asks(&b, "2.47 g now: 0.05 g over. Take it out");
    b.pour(152.42, 0.5).hold(3.0);
    asks(&b, "2.42 g now; the record is corrected. Lift the vessel.");
    assert_eq!(last_weighed(&b).net, Some(g("2.42")));
}

/// The next vessel came before the empty pan could say that its zero had moved; by her word it says so later.
#[test]
fn the_pan_that_is_empty_by_a_word_speaks_of_the_record_before() {
    let mut b = Bench::new(plan(
        vec![
            step(1, "Salt", "12.00", VesselWay::Beaker),
            step(2, "Oil", "10.00", VesselWay::Beaker),
        ],
        None,
    ));
    b.hold(2.0).land(150.0).hold(1.5).jump(0.0).hold(1.5);
    b.pour(12.0, 4.0).hold(2.0);
    b.expect(&["12.00"]);
    for shown in [-40.0, -90.0, -116.0, -117.0] {
        b.read(shown);
    }
    b.land(20.0).hold(2.0);
    b.land(-117.0).hold(3.0).say(Command::Again).hold(1.0);
    asks(&b, "Say next if nothing is on it.");
    assert_eq!(last_weighed(&b).verdict, Some(Verdict::Inside));
    b.say(Command::Next).hold(1.0);
    let row = last_weighed(&b);
    assert_eq!((row.step, row.verdict), (1, None), "{row:?}");
    assert!(row.uncertainty >= Some(g("33")), "{row:?}");
}

/// A scale whose mark of rest never comes, as on a bench that trembles, is one without a mark.
#[test]
fn a_mark_that_stays_away_is_not_waited_for_until_it_is_seen_again() {
    let mut b = Bench::one("Salt", "12.00");
    b.steady = Some(false);
    b.hold(7.0).land(150.0).hold(4.0);
    let asked = b.cues.iter().any(|cue| cue.kind == CueKind::Add);
    assert!(!asked, "it is waited for");
    b.hold(7.0);
    b.expect_cue(CueKind::Add);
    b.pour(162.0, 4.0).hold(2.0);
    b.expect(&["12.00"]);
    // One that was seen once is asked for again.
    let mut b = Bench::one("Salt", "12.00");
    b.steady = Some(false);
    b.hold(12.0);
    b.steady = Some(true);
    b.hold(0.5);
    b.steady = Some(false);
    b.land(150.0).hold(4.0);
    let asked = b.cues.iter().any(|cue| cue.kind == CueKind::Add);
    assert!(!asked, "it is waited for");
}

/// On a scale without a filter a quick lift looks as the key does: who lifted is told the way on.
#[test]
fn what_looks_like_the_key_and_was_the_lift_says_what_to_do() {
    let mut b = Bench::one("Salt", "20.00");
    b.tau = 0.05;
    b.hold(2.0).land(150.0).hold(1.5).pour(175.0, 3.0).hold(2.0);
    b.jump(0.0).hold(4.0);
    asks(&b, "If it is off the scale already, put it back.");
    b.jump(175.0).hold(2.0);
    asks(&b, "5.00 g to take out: Salt.");
    b.pour(170.0, 2.0).hold(3.0);
    b.expect(&["20.00"]);
}

/// The net weight goes along with each reading, but not while a vessel comes or goes.
#[test]
fn a_reading_has_a_net_weight_while_a_vessel_stands_there() {
    let mut b = Bench::one("Salt", "12.00");
    b.hold(2.0);
    assert_eq!(b.live, None);
    b.land(150.0).hold(1.5);
    assert_eq!(b.live, Some(g("0.00")));
    b.pour(155.0, 3.0);
    assert_eq!(b.live, Some(g("5.00")));
    b.pour(149.8, 0.3);
    assert_eq!(b.live, Some(-g("0.20")), "20 steps of the scale below");
    b.read(149.79);
    assert_eq!(b.live, None);
    b.pour(162.0, 3.0).hold(2.0);
    b.expect(&["12.00"]);
    assert_eq!(b.live, Some(g("12.00")));
    // Of a source it is what came out, and nothing while all of it is away.
    let mut b = Bench::new(plan(
        vec![step(1, "Oil", "12.00", VesselWay::Difference)],
        None,
    ));
    b.hold(2.0).land(150.0).hold(1.5);
    b.read(126.0);
    let most = g("12.12") * 2;
    assert!(b.live.is_some_and(|net| net == g("24.00") && net < most));
    b.read(150.0 - 24.25);
    assert_eq!(b.live, None);
}

/// Stopped late, it is told at once and with how much is over so far.
#[test]
fn a_pour_that_goes_too_far_is_stopped() {
    let mut b = Bench::one("Salt", "12.00");
    b.hold(2.0).land(150.0).hold(1.5).pour(164.0, 4.0);
    let stop = b.cues.last().unwrap();
    assert_eq!((stop.kind, stop.say.as_str()), (CueKind::Hold, "Stop."));
    let over = -stop.missing.unwrap();
    assert!(over > Mass::ZERO && over < g("2.00"), "{over:?}");
}

/// What fell after the hand stopped is reckoned with the next time the same ingredient is poured.
#[test]
fn the_next_ease_off_comes_as_much_sooner_as_fell_before() {
    let steps = vec![
        step(1, "Syrup", "60.00", VesselWay::Beaker),
        step(2, "Syrup", "60.00", VesselWay::Beaker),
        step(3, "Oil", "60.00", VesselWay::Beaker),
    ];
    let mut b = Bench::new(plan(steps, None));
    let mut eased = vec![];
    for _ in 0..3 {
        b.hold(2.0).land(150.0).hold(1.5);
        while b.cues.last().unwrap().kind != CueKind::EaseOff {
            b.read(b.shown + 0.3);
        }
        eased.push(b.cues.last().unwrap().missing.unwrap());
        // The hand stops at once, and more runs down than the filter and the hand explain.
        b.pour(210.0, 0.6).hold(3.0).land(0.0).hold(2.0);
    }
    b.expect(&["60.00", "60.00", "60.00"]);
    assert!(eased[1] > eased[0], "{eased:?}");
    let other = eased[2] - eased[0];
    assert!(
        other.abs() <= g("0.10"),
        "another ingredient is another flow: {eased:?}"
    );
}

/// The scale shows 0.43 g for half a second after the last lift and is switched off: that must do.
#[test]
fn a_scale_switched_off_after_the_last_lift_has_said_what_it_showed() {
    for (left, rows) in [(0.0, 0), (0.43, 1)] {
        let mut b = Bench::one("Salt", "12.00");
        b.hold(2.0).land(150.0).hold(1.5).pour(162.0, 4.0).hold(2.0);
        for falling in [60.0, 12.0, 2.0, left, left, left, left, left, left, left] {
            b.read(falling);
        }
        assert_eq!(b.closed, None);
        b.engine.tick(Moment::from_millis(b.now + 4000));
        b.drain();
        assert_eq!(b.closed, Some(true));
        let about = b
            .rows
            .iter()
            .filter(|row| row.note.contains("stayed on the pan"));
        assert_eq!(about.count(), rows, "{left}");
    }
}
