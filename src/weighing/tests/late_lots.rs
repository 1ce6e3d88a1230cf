//! A lot that is named, or changed, once its weight is recorded.

use super::ways_back::lots_of;
use super::*;
use crate::vocabulary::progress::Weighed;

/// Salt, oil, and salt once more.
fn salt_twice() -> Vec<Step> {
    vec![
        step(1, "Salt", "20.00", VesselWay::Beaker),
        step(2, "Oil", "10.00", VesselWay::Beaker),
        step(3, "Salt", "5.00", VesselWay::Beaker),
    ]
}

fn late(step: usize, lot: &str) -> Command {
    Command::LotOf(step, lot.to_owned())
}

#[test]
fn a_lot_that_was_forgotten_is_named_steps_later_and_the_weight_stays() {
    let mut b = Bench::new(plan(salt_twice(), None));
    b.hold(2.0).beaker(20.0).beaker(10.0);
    let before = b.rows.len();
    assert_eq!(
        b.answer(late(1, " S-1 ")),
        "Lot S-1 for step 1, Salt; its record is corrected. What comes of it is of lot S-1."
    );
    b.hold(0.2);
    assert_eq!(
        b.rows.len(),
        before + 1,
        "one row, so that no half of it is ever there"
    );
    let first = b.rows.iter().find(|row| row.kind == RowKind::Weighed);
    let (first, now) = (first.cloned().unwrap(), b.row().clone());
    assert_eq!(now.note, "corrects seq 1; lot of Salt: S-1");
    assert_eq!(now.lot, "S-1");
    let same = Draft {
        lot: first.lot.clone(),
        note: first.note.clone(),
        ticket: first.ticket,
        at: first.at,
        ..now
    };
    assert_eq!(same, first);
    // Said twice it is written once.
    assert_eq!(
        b.answer(late(1, "S-1")),
        "Step 1 (Salt) is of lot S-1 already."
    );
    assert_eq!(b.rows.len(), before + 1);
    b.beaker(5.0);
    assert_eq!(lots_of(&b, 3), [("S-1", "")]);
    assert_eq!(b.closed, Some(true));
}

#[test]
fn a_lot_that_was_named_since_stays_for_what_comes() {
    let mut b = Bench::new(plan(salt_twice(), None));
    b.hold(2.0).beaker(20.0).beaker(10.0);
    b.say(Command::Lot("S-2".into()));
    assert_eq!(
        b.answer(late(1, "S-1")),
        "Lot S-1 for step 1, Salt; its record is corrected. What comes of it is of lot S-2."
    );
    b.hold(0.2).beaker(5.0);
    assert_eq!(lots_of(&b, 3), [("S-2", "")]);
    assert_eq!(lots_of(&b, 1).last().map(|row| row.0), Some("S-1"));
}

#[test]
fn a_wrong_lot_of_an_earlier_weight_is_none_of_the_newer_ones() {
    let mut steps = salt_twice();
    steps.push(step(4, "Salt", "3.00", VesselWay::Beaker));
    let mut b = Bench::new(plan(steps, None));
    b.hold(2.0)
        .say(Command::Lot("S-1".into()))
        .beaker(20.0)
        .beaker(10.0)
        .beaker(5.0);
    assert_eq!(
        b.answer(late(1, "S-0")),
        "Lot S-0 for step 1, Salt; its record is corrected. What comes of it is of lot S-1."
    );
    b.hold(0.2);
    assert_eq!(
        b.answer(late(3, "S-0")),
        "Lot S-0 for step 3, Salt; its record is corrected. What comes of it is of lot S-0."
    );
    b.hold(0.2).beaker(3.0);
    assert_eq!(lots_of(&b, 4), [("S-0", "")]);
}

/// The page and the scale's display show what stands there: another step's weight is none of that.
#[test]
fn while_a_weight_stands_to_be_lifted_nothing_else_is_told_as_recorded() {
    let mut b = Bench::new(plan(salt_twice(), None));
    b.hold(2.0).beaker(20.0);
    b.land(150.0).hold(1.5).pour(160.0, 4.0).hold(2.0);
    b.expect(&["20.00", "10.00"]);
    let told = b.recorded.len();
    b.say(late(1, "S-1")).hold(0.5);
    assert_eq!(lots_of(&b, 1).last().map(|row| row.0), Some("S-1"));
    assert_eq!(b.recorded.len(), told);
    b.expect_cue(CueKind::Lift);
    // What names it once more knows the row that holds.
    b.say(late(1, "S-2")).hold(0.5).land(0.0).hold(2.0);
    let notes: Vec<&str> = lots_of(&b, 1).iter().map(|row| row.1).collect();
    assert_eq!(
        notes,
        [
            "",
            "corrects seq 1; lot of Salt: S-1",
            "corrects seq 3; lot of Salt: S-2"
        ]
    );
}

#[test]
fn the_lot_of_a_step_that_waits_is_named_as_ever() {
    let mut b = Bench::new(plan(salt_twice(), None));
    b.hold(2.0);
    assert_eq!(b.answer(late(1, "S-1")), "Lot S-1 for Salt.");
    assert_eq!(b.row().note, "lot of Salt: S-1");
}

#[test]
fn what_has_no_record_has_no_lot_to_change() {
    let mut b = Bench::new(plan(salt_twice(), None));
    b.hold(2.0).beaker(20.0);
    let rows = b.rows.len();
    for (step, says) in [
        (0, "There is no step 0: the steps of this batch are 1 to 3."),
        (4, "There is no step 4: the steps of this batch are 1 to 3."),
        (usize::MAX, "There is no step"),
        (
            3,
            "Step 3 (Salt) is not weighed yet; name its lot when it is there.",
        ),
    ] {
        let said = b.answer(late(step, "L"));
        assert!(said.starts_with(says), "{said}");
    }
    assert_eq!(
        b.answer(late(1, " \u{7} ")),
        "The lot has no name; nothing changed."
    );
    assert_eq!(b.rows.len(), rows);
    b.say(Command::Skip("none left".into()));
    let said = b.answer(late(2, "L"));
    assert!(
        said.contains("being written") || said.contains("was left out"),
        "{said}"
    );
    b.hold(0.5);
    assert_eq!(
        b.answer(late(2, "L")),
        "Step 2 (Oil) was left out: nothing of it has a lot."
    );
}

#[test]
fn undo_takes_a_lot_that_was_named_later_back() {
    let mut b = Bench::new(plan(salt_twice(), None));
    b.hold(2.0).beaker(20.0).beaker(10.0);
    b.say(late(1, "S-1"))
        .hold(0.2)
        .say(late(1, "S-2"))
        .hold(0.2);
    assert_eq!(b.answer(Command::Undo), "The lot of Salt is S-1 again.");
    b.hold(0.2);
    assert_eq!(b.answer(Command::Undo), "The lot of Salt is taken back.");
    b.hold(0.2);
    let all = lots_of(&b, 1);
    let lots: Vec<&str> = all.iter().map(|row| row.0).collect();
    assert_eq!(lots, ["", "S-1", "S-2", "S-1", ""]);
    assert_eq!(
        all.last().map(|row| row.1),
        Some("corrects seq 5; lot of Salt taken back")
    );
    b.beaker(5.0);
    assert_eq!(lots_of(&b, 3), [("", "")]);
}

#[test]
fn while_a_row_of_the_step_is_on_its_way_the_lot_is_to_be_said_again() {
    let mut b = Bench::new(plan(salt_twice(), None));
    b.hold(2.0).beaker(20.0);
    b.disk_is_slow = true;
    b.say(late(1, "S-1"));
    let said = b.answer(late(1, "S-2"));
    assert!(said.contains("say the lot again"), "{said}");
    b.disk_answers();
    b.disk_is_slow = false;
    b.say(late(1, "S-2")).hold(0.2);
    let lots: Vec<&str> = lots_of(&b, 1).iter().map(|row| row.0).collect();
    assert_eq!(lots, ["", "S-1", "S-2"]);
}

#[test]
fn what_the_empty_pan_says_of_a_record_later_keeps_its_new_lot() {
    let mut b = Bench::new(plan(
        vec![step(1, "Salt", "20.00", VesselWay::Beaker)],
        None,
    ));
    b.hold(2.0).land(150.0).hold(1.5).pour(170.0, 4.0).hold(2.0);
    b.expect(&["20.00"]);
    b.say(late(1, "S-1")).hold(0.2);
    // It goes on to drip after the record.
    b.pour(170.12, 1.0).hold(2.0).land(0.0).hold(3.0);
    let all = lots_of(&b, 1);
    assert!(all.len() > 2, "{all:?}");
    assert!(all[1..].iter().all(|row| row.0 == "S-1"), "{all:?}");
    let corrected: Vec<&str> = all[1..].iter().map(|row| row.1).collect();
    assert!(corrected[1].starts_with("corrects seq 2"), "{corrected:?}");
}

#[test]
fn a_batch_that_goes_on_knows_the_rows_of_its_log() {
    let mut b = Bench::new(plan(salt_twice(), None));
    b.hold(2.0).beaker(20.0);
    let row = b.row().clone();
    let weighed = Weighed {
        seq: 7,
        net: g("20"),
        verdict: row.verdict,
    };
    let progress = Progress {
        weighed: [(1, weighed)].into(),
        rows: [(1, row.clone())].into(),
        resumed: true,
        ..Progress::default()
    };
    let mut b = Bench::with(vec![scale("bench")], plan(salt_twice(), None), progress);
    b.hold(1.0);
    assert_eq!(
        b.answer(late(1, "S-1")),
        "Lot S-1 for step 1, Salt; its record is corrected. What comes of it is of lot S-1."
    );
    let now = b.row();
    assert_eq!(now.note, "corrects seq 7; lot of Salt: S-1");
    assert_eq!(
        (now.net, now.gross, now.uncertainty),
        (row.net, row.gross, row.uncertainty)
    );
    // Nothing was done since it was started but this.
    b.hold(0.2).say(Command::Undo).hold(0.2);
    assert_eq!(b.row().lot, "");
}
