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
