//! What whoever asks is told beside the cues: the step, its window, its tare, what comes after, what a scale shows.

use super::*;
use crate::metrology::budget::{Eccentricity, Errors};
use crate::vocabulary::weight::Weight;

fn weight(grams: &str) -> Option<Weight> {
    Some(Weight::new(g(grams), Mass::from_mg(10)))
}

/// Three steps of 20 g, on a scale that shows `empty` of an empty pan.
fn three(empty: f64) -> Bench {
    let steps = ["Salt", "Oil", "Wax"];
    let steps = steps.iter().zip(1..);
    let steps = steps.map(|(name, n)| step(n, name, "20", VesselWay::Beaker));
    let mut b = Bench::new(plan(steps.collect(), Some("Stir")));
    b.empty_pan = empty;
    b
}

#[test]
fn a_step_is_told_with_its_window_and_the_two_that_come_after() {
    let mut b = three(0.0);
    b.hold(2.0);
    let status = b.status();
    assert_eq!(status.formula.as_deref(), Some("Test"));
    assert_eq!((status.step, status.of), (Some(1), Some(3)));
    assert_eq!(status.phase.as_deref(), Some("Dry"));
    assert_eq!(status.ingredient.as_deref(), Some("Salt"));
    assert_eq!((status.lot, status.lot_required), (None, Some(false)));
    assert_eq!((status.state, status.missing), (Some(Stands::Empty), None));
    // 1 % of tolerance less two standard uncertainties (0.022 g), in whole steps.
    assert_eq!(
        (status.low, status.high),
        (weight("19.83"), weight("20.17"))
    );
    let ahead: Vec<&str> = status.ahead.iter().map(|a| a.ingredient.as_str()).collect();
    assert_eq!(ahead, ["Oil", "Wax"]);
    b.say(Command::Lot("S-1".into())).beaker(20.0);
    let status = b.status();
    assert_eq!((status.step, status.ahead.len()), (Some(2), 1));
    assert_eq!(status.lot, None);
    b.beaker(20.0);
    assert_eq!(b.status().ahead, []);
    b.beaker(20.0);
    assert_eq!(b.status().step, None);
}

#[test]
fn what_is_missing_is_told_while_a_vessel_is_tared() {
    let mut b = three(-3.0);
    b.hold(2.0).land(150.0).hold(1.5);
    assert_eq!(b.status().missing, weight("20"));
    b.pour(155.0, 2.0).hold(1.0);
    assert_eq!(b.status().missing, weight("15"));
    b.pour(160.0, 2.0).hold(1.5);
    assert_eq!(b.status().missing, weight("10"));
    b.land(0.0).hold(1.0);
    assert_eq!(
        (b.status().state, b.status().missing),
        (Some(Stands::Away), None)
    );
}

#[test]
fn the_tare_is_told_without_what_the_empty_pan_shows() {
    for empty in [0.0, -3.0, 0.3] {
        let mut b = three(empty);
        b.hold(2.0).land(150.0).hold(1.5);
        assert_eq!(
            b.tares.last(),
            Some(&(Stands::Tared, Some(g("150")))),
            "{empty}"
        );
        b.pour(160.0, 2.0).hold(1.0).land(0.0).hold(1.0);
        assert_eq!(
            b.tares.last(),
            Some(&(Stands::Away, Some(g("150")))),
            "{empty}"
        );
        b.land(160.0).hold(1.5).pour(170.0, 3.0).hold(2.5);
        assert_eq!(b.tares.last(), Some(&(Stands::Lift, None)), "{empty}");
        let row = b.row();
        let masses = (row.tare, row.gross, row.net);
        assert_eq!(masses, (Some(g("150")), Some(g("170")), Some(g("20"))));
    }
}

#[test]
fn what_a_scale_shows_is_told_as_it_shows_it() {
    let mut b = three(-3.0);
    assert_eq!(b.engine.shows(0), None);
    assert_eq!(b.engine.shows(1), None);
    b.hold(2.0);
    let d = Mass::from_mg(10);
    assert_eq!(
        b.engine.shows(0),
        Some((g("-3"), d, Some(Unit::Gram), true))
    );
    b.read(40.0);
    assert_eq!(
        b.engine.shows(0),
        Some((g("37"), d, Some(Unit::Gram), false))
    );
}

/// A window is narrower where the load is moved between its two readings, by what the place is worth.
#[test]
fn a_window_goes_by_how_the_vessel_meets_the_scale() {
    let scale = ScaleSettings {
        capacity: Some(g("600")),
        errors: Errors {
            eccentricity: Some(Eccentricity {
                limit: g("0.06"),
                load: g("200"),
            }),
            ..Errors::default()
        },
        ..scale("bench")
    };
    let width = |way: VesselWay| {
        let plan = plan(vec![step(1, "Oil", "40", way)], None);
        let b = Bench::with(vec![scale.clone()], plan, Progress::default());
        let status = b.status();
        status.high.unwrap().mass - status.low.unwrap().mass
    };
    let stays = width(VesselWay::Beaker);
    assert_eq!(stays, width(VesselWay::Bowl));
    assert!(width(VesselWay::Difference) < stays, "{stays:?}");
}

/// Whoever asks about a batch that is over hears of no scale that would have to speak.
#[test]
fn a_batch_that_is_over_waits_for_no_scale() {
    let mut b = Bench::one("Salt", "20");
    b.hold(2.0);
    assert!(b.engine.deadline().is_some());
    b.beaker(20.0);
    assert_eq!(b.closed, Some(true));
    assert_eq!(b.engine.deadline(), None);
    let faults = b.faults.len();
    b.now += 60_000;
    b.engine.tick(Moment::from_millis(b.now));
    b.drain();
    assert_eq!(b.faults.len(), faults);
    // The line may go as well: that is told, and nobody is asked to do anything.
    let cues = b.cues.len();
    b.engine.handle(0, Input::Lost, Moment::from_millis(b.now));
    b.drain();
    assert_eq!((b.faults.len(), b.cues.len()), (faults + 1, cues));
}

#[test]
fn a_line_that_is_lost_twice_is_told_once() {
    let mut b = Bench::one("Salt", "20");
    b.hold(2.0);
    for _ in 0..2 {
        b.engine.handle(0, Input::Lost, Moment::from_millis(b.now));
        b.drain();
    }
    assert_eq!(b.faults, ["lost"]);
    b.expect_cue(CueKind::Fault);
    assert!(
        b.row().note.contains("line to scale bench lost"),
        "{:?}",
        b.row()
    );
    assert_eq!(b.engine.deadline(), None);
}

/// Whoever looks at the page later reads what was said last, be it a fault or what is to be done.
#[test]
fn what_was_said_last_stands() {
    let mut b = Bench::one("Salt", "12.00");
    let stands = |b: &Bench| {
        let said = b.cues.last().map(|cue| cue.say.to_string());
        assert_eq!(b.status().say.map(|say| say.to_string()), said);
        said.unwrap()
    };
    assert!(stands(&b).starts_with("Place"));
    b.hold(2.0).land(150.0).hold(1.5);
    assert_eq!(stands(&b), "12.00 g to add: Salt.");
    let at = Moment::from_millis(b.now);
    b.engine.handle(0, Input::Overload, at);
    b.drain();
    b.expect_cue(CueKind::Fault);
    stands(&b);
}

/// A row says of which step its scale is, whatever the row is about.
#[test]
fn each_row_tells_the_readability_of_its_scale() {
    let mut coarse = scale("bench");
    coarse.readability = Some(Mass::from_mg(100));
    let mut b = Bench::with(
        vec![coarse],
        stirred_between("120.0", "80.0"),
        Progress::default(),
    );
    b.digit = Mass::from_mg(100);
    b.hold(2.0).land(300.0).hold(1.5).pour(420.0, 4.0).hold(4.0);
    b.hold(1.0).say(Command::Next);
    b.hold(2.0).say(Command::Skip("none left".into())).hold(2.0);
    b.say(Command::Stop).hold(2.0);
    let kinds: Vec<RowKind> = b.rows.iter().map(|row| row.kind).collect();
    for kind in [RowKind::Weighed, RowKind::Mixed, RowKind::Closed] {
        assert!(kinds.contains(&kind), "{kinds:?}");
    }
    for row in &b.rows {
        assert_eq!(row.readability, Mass::from_mg(100), "{row:?}");
    }
}

/// A line that says to be of a minute later, or of an hour ago, was sent now: no gap, and no other tare.
#[test]
fn a_line_of_another_time_is_of_now() {
    for off in [60_000, -3_600_000_i64] {
        let mut b = Bench::one("Salt", "12.00");
        b.now = 4_000_000;
        b.hold(2.0).land(150.0).hold(1.5).pour(156.0, 3.0);
        b.now += 100;
        let stamped = Reading {
            at: Moment::from_millis(b.now.saturating_add_signed(off)),
            weight: g("156.00"),
            digit: b.digit,
            unit: Some(Unit::Gram),
            steady: None,
            shown: None,
        };
        let now = Moment::from_millis(b.now);
        b.engine.handle(0, Input::Reading(stamped), now);
        b.drain();
        b.hold(0.3).pour(162.0, 3.0).hold(2.0);
        let inside = (1, "12.00".to_owned(), Some(Verdict::Inside));
        assert_eq!(b.weighed(), [inside], "{off}");
        assert!(
            b.faults.is_empty() && b.rows[0].uncertainty < Some(g("0.03")),
            "{off}"
        );
    }
}
