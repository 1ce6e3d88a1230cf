//! What a scale's budget does to windows and rows, and what it does not do to the eyes of the engine.

use super::*;
use crate::metrology::budget::{Eccentricity, Errors, Weighing};
use crate::metrology::uncertainty::Uncertainty;

fn told(errors: Errors) -> ScaleSettings {
    ScaleSettings {
        capacity: Some(g("600")),
        errors,
        ..scale("bench")
    }
}

fn gain(share: f64) -> ScaleSettings {
    told(Errors {
        sensitivity: Some(share),
        ..Errors::default()
    })
}

fn rest(settings: &ScaleSettings, by: f64) -> Draft {
    let plan = plan(vec![step(1, "Salt", "40", VesselWay::Beaker)], None);
    let mut b = Bench::with(vec![settings.clone()], plan, Progress::default());
    b.hold(2.0).land(150.0).hold(1.5);
    b.pour(190.0, 4.0).hold(2.0);
    b.land(by).hold(4.0);
    assert_eq!(b.closed, Some(true));
    b.rows
        .iter()
        .rfind(|row| row.kind == RowKind::Weighed)
        .unwrap()
        .clone()
}

#[test]
fn a_row_and_its_window_go_by_the_whole_budget() {
    let scale = gain(0.005);
    let row = rest(&scale, 0.0);
    let u = scale.ability().budget(&Weighing {
        tare: Some(g("150")),
        ..Weighing::planned(g("40"))
    });
    assert_eq!(row.uncertainty, Some(u.uncertainty().expanded()));
    // 0.4 g of tolerance less 2 u, u² = (0.2 g)²/3 and a little of rounding and scatter.
    assert_eq!((row.low, row.high), (Some(g("39.84")), Some(g("40.16"))));
    assert_eq!(row.verdict, Some(Verdict::Inside));
}

/// However wrong the gain may be, a little that stayed on the pan is seen as before, and comes on top.
#[test]
fn a_large_budget_does_not_hide_what_stayed_on_the_pan() {
    let (plain, wide) = (told(Errors::default()), gain(0.005));
    for settings in [&plain, &wide] {
        let (clean, left) = (rest(settings, 0.0), rest(settings, 0.03));
        assert!(left.note.contains("stayed on the pan"), "{}", left.note);
        let more = left.uncertainty.unwrap() - clean.uncertainty.unwrap();
        assert_eq!(more, g("0.03"));
    }
}

/// A scale that shows up to 0.03 g more or less with 200 g beside its middle.
fn off_centre() -> ScaleSettings {
    told(Errors {
        eccentricity: Some(Eccentricity {
            limit: g("0.03"),
            load: g("200"),
        }),
        ..Errors::default()
    })
}

/// A source that is lifted between the readings stands in two places, and counts with both loads.
#[test]
fn by_difference_the_place_of_the_source_counts() {
    let scale = off_centre();
    let plan = plan(vec![step(1, "Oil", "40", VesselWay::Difference)], None);
    let mut b = Bench::with(vec![scale.clone()], plan, Progress::default());
    b.land(300.0).hold(2.0).land(0.0).hold(2.0);
    b.land(260.0).hold(3.0).land(0.0).hold(4.0);
    let row = b.rows.iter().find(|row| row.kind == RowKind::Weighed);
    let row = row.unwrap_or_else(|| panic!("{:?}", b.cues.last()));
    let u = scale.ability().budget(&Weighing {
        tare: Some(g("260")),
        moved: true,
        ..Weighing::planned(g("40"))
    });
    assert_eq!(row.uncertainty, Some(u.uncertainty().expanded()));
    assert!(row.uncertainty > Some(g("0.06")));
}

/// A beaker that was off meanwhile may stand in another place, and its tare is two readings older.
#[test]
fn a_beaker_that_was_lifted_in_between_counts_its_place() {
    let scale = off_centre();
    for lifted in [false, true] {
        let plan = plan(vec![step(1, "Salt", "40", VesselWay::Beaker)], None);
        let mut b = Bench::with(vec![scale.clone()], plan, Progress::default());
        b.hold(2.0).land(150.0).hold(1.5).pour(170.0, 2.0).hold(1.5);
        if lifted {
            b.land(0.0).hold(2.0).land(170.0).hold(2.0);
        }
        b.pour(190.0, 3.0).hold(3.0);
        let row = b.rows.iter().find(|row| row.kind == RowKind::Weighed);
        let row = row.unwrap_or_else(|| panic!("{:?}", b.cues.last()));
        let u = scale.ability().budget(&Weighing {
            tare: Some(g("150")),
            moved: lifted,
            readings: Uncertainty::TARE_AND_GROSS + if lifted { 2 } else { 0 },
            ..Weighing::planned(g("40"))
        });
        assert_eq!(row.uncertainty, Some(u.uncertainty().expanded()));
    }
}
