//! Things that lie where they do not belong, and vessels that are exchanged: nothing of that is a weight.

use super::returns::{asks, say};
use super::unanswered::{last_weighed, source, to_be_stirred};
use super::*;

fn tared() -> Bench {
    let mut b = Bench::one("Salt", "12.00");
    b.hold(2.0).land(150.0).hold(1.5);
    b
}

#[test]
fn what_came_in_one_go_may_be_a_thing_to_take_off() {
    let mut b = tared();
    b.pour(161.0, 4.0).hold(2.0).land(182.0).hold(2.0);
    b.expect_cue(CueKind::TakeOut);
    asks(
        &b,
        "20.00 g to take out: Salt. If something was laid there, take that off",
    );
    b.land(161.0).hold(2.0).pour(162.0, 2.0).hold(2.0);
    b.expect(&["12.00"]);
    // What was poured too far is none.
    let mut b = tared();
    b.pour(164.0, 5.0).hold(2.0);
    b.expect_cue(CueKind::TakeOut);
    assert!(!say(&b).contains("laid"), "{}", say(&b));
}

#[test]
fn a_vessel_that_lands_on_what_was_tared_is_no_pour() {
    let mut b = Bench::one("Salt", "400.00");
    // A spoon lies there first, and is tared as the beaker.
    b.hold(2.0).land(12.0).hold(2.0);
    b.expect_cue(CueKind::Add);
    b.land(162.0).hold(2.0);
    asks(&b, "150.00 g came in one go");
    assert_eq!(b.weighed(), []);
}

#[test]
fn what_went_off_while_the_pour_began_leaves_the_record_unsure() {
    let mut b = tared();
    // The spoon that was tared with the beaker goes, and the pour begins before anything rests.
    b.pour(144.0, 0.8).pour(162.0, 5.0).hold(3.0);
    asks(&b, "less than before");
    // Whoever says that it was poured or only pressed has a record that says how little it proves.
    b.say(Command::Next).hold(3.0);
    let row = last_weighed(&b);
    assert_eq!(row.verdict, None);
    assert!(row.uncertainty > Some(g("5.0")), "{:?}", row.uncertainty);
    // A bump swings through within a moment, and is nothing.
    let mut b = tared();
    b.read(140.0);
    b.read(158.0);
    b.pour(162.0, 5.0).hold(3.0);
    b.expect(&["12.00"]);
}

#[test]
fn what_came_in_while_it_stood_below_its_tare_is_no_tare() {
    // A spoon of 18 g was tared with the beaker and goes; drops come in, and rest below the tare.
    let mut b = tared();
    b.pour(132.0, 0.8).pour(144.0, 8.0).hold(3.0);
    asks(&b, "Not as it left");
    assert_eq!(b.weighed(), []);
    // Where nothing came in, the beaker without the spoon is the tare.
    let mut b = tared();
    b.pour(132.0, 0.8).hold(3.0);
    b.expect_cue(CueKind::Add);
    b.pour(144.0, 5.0).hold(3.0);
    b.expect(&["12.00"]);
}

#[test]
fn what_only_presses_on_it_was_never_in_it() {
    // The stroke of a pump pushes 200 g down for a moment, and nothing left the pan.
    let mut b = tared();
    b.pour(350.0, 0.3).pour(156.0, 0.6).hold(2.0);
    b.expect_cue(CueKind::Add);
    b.pour(300.0, 0.3).pour(162.0, 0.6).hold(3.0);
    b.expect(&["12.00"]);
    // Stroke upon stroke, and never at rest: who was told to stop is told to go on between them.
    let mut b = tared();
    b.pour(350.0, 0.3).pour(156.0, 0.4);
    b.expect_cue(CueKind::Hold);
    b.pour(157.0, 1.6);
    b.expect_cue(CueKind::Add);
    b.pour(162.0, 3.0).hold(3.0);
    b.expect(&["12.00"]);
    // A hand that leans on it for seconds is asked about, and it is said what to answer.
    let mut b = tared();
    b.pour(160.0, 2.0).hold(1.0).pour(156.0, 0.5).hold(2.0);
    asks(&b, "or if something only pressed on it while you poured");
    b.say(Command::Next).pour(162.0, 3.0).hold(3.0);
    b.expect(&["12.00"]);
    let noted = b.rows.iter().find(|row| row.kind == RowKind::Note);
    let noted = noted.map(|row| row.note.as_str()).unwrap_or_default();
    assert!(noted.ends_with("6.00 g are in it now"), "{noted}");
}

#[test]
fn a_vessel_exchanged_on_a_slow_scale_is_asked_about() {
    // The display never comes down to the empty pan: 312 g with 162 g in it, then another with as much.
    let mut b = Bench::one("Salt", "200.00");
    b.hold(2.0)
        .land(150.0)
        .hold(1.5)
        .pour(312.0, 12.0)
        .hold(2.0);
    b.pour(100.0, 1.5).pour(330.0, 1.5).hold(3.0);
    asks(&b, "Not as it left");
    // Below the beaker's own weight it was off, however little.
    let mut b = Bench::one("Salt", "200.00");
    b.hold(2.0).land(150.0).hold(1.5).pour(170.0, 8.0).hold(2.0);
    b.pour(140.0, 1.0).hold(0.3).pour(190.0, 1.0).hold(3.0);
    asks(&b, "Not as it left");
}

#[test]
fn a_batch_closes_when_the_stirred_bowl_was_looked_at() {
    // What lay there was weighed with it, and goes as she says that it is mixed.
    let mut b = to_be_stirred();
    b.pour(170.0, 0.5);
    b.say(Command::Next);
    assert_eq!(b.closed, None);
    b.pour(155.0, 0.3).hold(3.0);
    asks(&b, "Lift the bowl");
    b.land(0.0).hold(3.0);
    asks(&b, "Done");
    assert_eq!(b.closed, Some(true));
    assert_eq!(last_weighed(&b).verdict, None);
    // Set down at that moment.
    let mut b = to_be_stirred();
    b.land(0.0).hold(2.0);
    b.say(Command::Next).land(150.0).hold(3.0);
    assert_eq!(b.closed, Some(true));
    assert!(last_weighed(&b).uncertainty > Some(g("11")));
    // Stirred elsewhere: nothing is on the scale, and it closes.
    let mut b = to_be_stirred();
    b.land(0.0).hold(2.0);
    b.say(Command::Next).hold(2.0);
    assert_eq!(b.closed, Some(true));
    b.expect(&["12.00"]);
}

/// A spoon that came with the second pour is on the pan when the bowl is off: it may be in any of the two.
#[test]
fn what_stays_when_a_bowl_is_lifted_leaves_its_newest_record_unsure_too() {
    let steps = vec![
        step(1, "Salt", "12.00", VesselWay::Bowl),
        step(2, "Clay", "40.00", VesselWay::Bowl),
    ];
    let mut b = Bench::new(plan(steps, None));
    b.hold(2.0).land(150.0).hold(1.5).pour(162.0, 4.0).hold(4.0);
    b.pour(202.0, 5.0).hold(1.8);
    b.expect(&["12.00", "40.00"]);
    b.land(25.0).hold(4.0);
    let of = |step: usize| {
        let row = b
            .rows
            .iter()
            .rfind(|row| row.kind == RowKind::Weighed && row.step == step);
        row.map(|row| (row.verdict, row.uncertainty > Some(g("24.9"))))
    };
    assert_eq!((of(1), of(2)), (Some((None, true)), Some((None, true))));
}

#[test]
fn what_lies_beside_a_source_is_no_source() {
    let mut b = source();
    b.hold(2.0).land(207.0).hold(2.0);
    b.expect_cue(CueKind::Add);
    // 200 g and a spoon of 7 g; the bottle is lifted.
    b.land(7.0).hold(2.0);
    asks(&b, "7.00 g lie on the scale beside the source");
    b.land(0.0).hold(2.0).land(188.0).hold(3.0);
    b.expect(&["12.00"]);
}

#[test]
fn a_vessel_that_rests_at_zero_as_it_left_is_itself() {
    // The key took off beaker and content at rest; lifted to prove that, it lands with an overshoot.
    let mut b = tared();
    b.pour(156.32, 3.0).hold(0.3);
    b.jump(0.0).hold(2.0);
    asks(&b, "The tare must be seen again");
    b.land(-156.32).hold(2.0);
    asks(&b, "still to add");
    for shown in [-143.0, -43.6, -8.55, 2.63, 0.49, -0.18, -0.05, 0.0] {
        b.read(shown);
    }
    b.hold(2.0).pour(5.68, 3.0).hold(3.0);
    b.expect(&["12.00"]);
}

#[test]
fn a_hand_that_rests_on_it_before_the_lift_is_no_weight() {
    let mut b = tared();
    b.pour(162.0, 4.0).hold(2.0);
    b.expect(&["12.00"]);
    b.pour(164.0, 0.5).hold(0.5).land(0.0).hold(2.0);
    let row = last_weighed(&b);
    let reaches = row.net.unwrap() - row.uncertainty.unwrap() <= g("12.00");
    assert!(reaches, "{:?} {:?}", row.net, row.uncertainty);
}

#[test]
fn a_key_in_a_pour_is_seen_by_what_no_hand_does() {
    // Below zero, because a key was pressed before: up to exactly zero at once.
    let mut b = Bench::one("Salt", "28.00");
    b.hold(2.0).jump(-295.0).hold(2.0).land(-25.0).hold(2.0);
    b.expect_cue(CueKind::Add);
    b.pour(-22.3, 1.0);
    b.read(0.0);
    b.pour(0.7, 0.5).hold(3.0);
    asks(&b, "The tare must be seen again");
    // Down to what was poured within the same moment, and the pour goes on.
    let mut b = Bench::one("Salt", "400.00");
    b.interval = 500;
    b.hold(2.0).land(150.0).hold(3.0).pour(450.0, 8.0);
    b.read(36.0);
    b.pour(120.0, 3.0).hold(3.0);
    asks(&b, "The tare must be seen again");
}

#[test]
fn what_an_undo_had_taken_out_is_not_asked_for_twice_in_silence() {
    let mut b = Bench::new(plan(
        vec![
            step(1, "Oil", "20.00", VesselWay::Bowl),
            step(2, "Wax", "30.00", VesselWay::Bowl),
        ],
        None,
    ));
    b.hold(2.0).land(100.0).hold(1.5).pour(120.0, 4.0).hold(4.0);
    b.say(Command::Undo);
    // Taken out as told, and poured anew before anything is at rest.
    b.pour(100.0, 0.5);
    for n in 0..8 {
        b.read(100.0 + 0.05 * f64::from(n % 3));
    }
    b.pour(118.0, 2.0).pour(140.0, 4.0).hold(4.0);
    let row = last_weighed(&b);
    assert!(
        row.verdict.is_none() || row.net == Some(g("20.00")),
        "{row:?}"
    );
}

/// A weighing paper lighter than what can be told from a crumb is spoken of, not waited for.
#[test]
fn what_is_too_light_for_a_vessel_is_told() {
    let mut b = Bench::one("Salt", "2.00");
    b.hold(2.0).land(0.61).hold(16.0);
    asks(&b, "Place an empty beaker");
    b.hold(6.0);
    asks(&b, "must weigh more than 1.00 g here");
    b.land(0.0).hold(2.0).land(15.0).hold(2.0);
    asks(&b, "2.00 g to add");
}

/// So much in one go is a swift pour into a light vessel, or the vessel itself on what had lain there: one question, and
/// each answer goes on from what stands there.
#[test]
fn a_swift_pour_into_a_light_vessel_is_no_vessel_by_a_word() {
    let begun = || {
        let mut b = Bench::one("Salt", "101.00");
        b.hold(2.0).land(14.0).hold(1.5);
        b.expect_cue(CueKind::Add);
        b.land(108.0).hold(2.0);
        asks(&b, "94.00 g came in one go.");
        b
    };
    let mut b = begun();
    b.say(Command::Next).hold(1.0);
    asks(&b, "7.00 g to add");
    b.pour(115.0, 3.0).hold(3.0);
    b.expect(&["101.00"]);
    // The next one is about as heavy, and filled as swiftly: nothing is asked.
    let steps = ["Salt", "Clay"].map(|name| step(1, name, "101.00", VesselWay::Beaker));
    let mut b = Bench::new(plan(steps.into(), None));
    b.hold(2.0).land(14.0).hold(1.5).pour(115.0, 9.0).hold(3.0);
    b.land(0.0).hold(1.5).land(15.0).hold(1.5);
    b.land(109.0).hold(2.0);
    asks(&b, "7.00 g to add");
    // It was the vessel, on a lid of 14 g.
    let mut b = begun();
    b.say(Command::Again).hold(1.0);
    asks(&b, "Lift everything off the scale");
    b.land(0.0).hold(1.5).land(94.0).hold(1.5);
    b.expect_cue(CueKind::Add);
    b.pour(195.0, 4.0).hold(3.0);
    b.expect(&["101.00"]);
    // Lifted without a word, and back as it was: it is asked about.
    let mut b = begun();
    b.land(0.0).hold(1.5).land(108.0).hold(1.5);
    b.expect_cue(CueKind::Choose);
    // More than is wanted nobody pours in one go.
    let mut b = Bench::one("Salt", "60.00");
    b.hold(2.0).land(14.0).hold(1.5).land(108.0).hold(2.0);
    asks(&b, "Not sure of the tare");
}
