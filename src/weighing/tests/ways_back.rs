//! Ways back and out: what is taken back, left out or given up, and what a lot brings with it.

use super::after::{of_beakers, soak};
use super::returns::{asks, say};
use super::*;
use crate::formula::contents::{Limited, Source};
use crate::formula::{Limits, Percent};

/// 20 g salt, then 10 g oil, each in its beaker.
fn two() -> Bench {
    Bench::new(plan(
        vec![
            step(1, "Salt", "20.00", VesselWay::Beaker),
            step(2, "Oil", "10.00", VesselWay::Beaker),
        ],
        None,
    ))
}

/// What `undo` would take back now.
fn undoes(b: &Bench) -> Option<String> {
    b.status().undo.map(|undo| undo.to_string())
}

/// What a step's row without a net weight says.
fn taken_back(b: &Bench) -> Vec<(usize, &str)> {
    let rows = b.rows.iter();
    rows.filter(|row| row.kind == RowKind::Weighed && row.net.is_none())
        .map(|row| (row.step, row.note.as_str()))
        .collect()
}

#[test]
fn what_was_weighed_last_is_taken_back_and_weighed_again() {
    let mut b = two();
    assert_eq!(undoes(&b), None);
    assert!(
        b.answer(Command::Undo)
            .starts_with("Nothing is left to take back")
    );
    b.beaker(20.0);
    assert_eq!(undoes(&b).as_deref(), Some("20.00 g Salt"));
    assert_eq!(
        b.answer(Command::Undo),
        "Salt is to be weighed again; take the 20.00 g out of the batch."
    );
    assert_eq!(
        taken_back(&b),
        [(1, "corrects seq 1; taken back, to be weighed again")]
    );
    // What is to be done with what is in the batch comes first, then the next vessel.
    asks(&b, "Take the 20.00 g Salt out of the batch first.");
    assert_eq!(undoes(&b), None);
    b.beaker(20.0);
    assert_eq!(b.row().step, 1);
    assert!(b.row().note.starts_with("corrects seq 1"), "{:?}", b.row());
    asks(&b, "10.00 g Oil comes next");
    b.beaker(10.0);
    assert_eq!(b.closed, Some(true));
}

#[test]
fn an_empty_beaker_on_the_scale_is_no_weighing_under_way() {
    let mut b = two();
    b.beaker(20.0).land(140.0).hold(1.5);
    b.expect_cue(CueKind::Add);
    b.say(Command::Undo);
    assert_eq!(taken_back(&b).len(), 1);
}

#[test]
fn while_something_is_poured_the_step_before_is_not_taken_back() {
    let mut b = two();
    b.beaker(20.0)
        .land(140.0)
        .hold(1.5)
        .pour(145.0, 2.0)
        .hold(1.0);
    assert!(
        b.answer(Command::Undo)
            .starts_with("A weighing is under way.")
    );
    // Nor while its beaker is off the pan with what is in it.
    b.land(0.0).hold(1.5);
    assert!(
        b.answer(Command::Undo)
            .starts_with("A weighing is under way.")
    );
    assert_eq!(taken_back(&b), []);
    b.land(145.0).hold(1.5).pour(150.0, 2.0).hold(2.0);
    b.expect(&["20.00", "10.00"]);
}

#[test]
fn nothing_is_taken_back_while_it_is_being_written() {
    let mut b = two();
    b.hold(2.0).land(150.0).hold(1.5);
    b.disk_is_slow = true;
    b.pour(170.0, 4.0).hold(3.0);
    assert_eq!(b.waiting.len(), 1);
    assert!(b.answer(Command::Undo).contains("being written"));
    assert_eq!(b.recorded, []);
    b.disk_answers();
    assert_eq!(b.recorded, [(1, g("20"))]);
    b.say(Command::Undo);
    assert_eq!(taken_back(&b).len(), 1);
}

#[test]
fn a_lot_is_taken_back_to_the_one_before_and_then_to_none() {
    let mut b = two();
    b.hold(2.0);
    assert_eq!(
        b.answer(Command::Lot("  ".into())),
        "The lot has no name; nothing changed."
    );
    assert_eq!(b.rows.len(), 0);
    assert_eq!(b.answer(Command::Lot("S-1".into())), "Lot S-1 for Salt.");
    b.say(Command::Lot("S-2".into()));
    assert_eq!(undoes(&b).as_deref(), Some("the lot of Salt"));
    assert_eq!(b.answer(Command::Undo), "The lot of Salt is S-1 again.");
    assert_eq!(b.row().note, "lot of Salt: S-1");
    assert_eq!(b.answer(Command::Undo), "The lot of Salt is taken back.");
    assert_eq!(undoes(&b), None);
    let notes: Vec<usize> = b.rows.iter().map(|row| row.step).collect();
    assert_eq!(notes, [1, 1, 1, 1]);
    b.beaker(20.0);
    assert_eq!(b.row().lot, "");
    b.say(Command::Lot("O-7".into())).beaker(10.0);
    let oil = b
        .rows
        .iter()
        .find(|row| row.kind == RowKind::Weighed && row.step == 2);
    assert_eq!(oil.map(|row| row.lot.as_str()), Some("O-7"));
}

/// The rows of weights of a step: their lots and notes.
pub(super) fn lots_of(b: &Bench, step: usize) -> Vec<(&str, &str)> {
    let rows = b.rows.iter();
    rows.filter(|row| row.kind == RowKind::Weighed && row.step == step)
        .map(|row| (row.lot.as_str(), row.note.as_str()))
        .collect()
}

#[test]
fn a_lot_named_before_the_lift_is_in_the_record_and_goes_out_of_it_again() {
    let mut b = two();
    b.hold(2.0).say(Command::Lot("S-2".into()));
    b.land(150.0).hold(1.5).pour(170.0, 4.0).hold(2.0);
    b.expect(&["20.00"]);
    assert_eq!(
        b.answer(Command::Lot("S-3".into())),
        "Lot S-3 for step 1, Salt; its record is corrected."
    );
    b.hold(0.5);
    assert_eq!(
        lots_of(&b, 1),
        [("S-2", ""), ("S-3", "corrects seq 2; lot of Salt: S-3")],
        "{:?}",
        b.rows
    );
    let (first, second) = (&b.rows[1], b.row());
    assert_eq!(
        (first.net, first.gross, first.uncertainty),
        (second.net, second.gross, second.uncertainty)
    );
    // Lifted, it goes back by a row of its own.
    b.land(0.0).hold(2.0);
    assert_eq!(b.answer(Command::Undo), "The lot of Salt is S-2 again.");
    b.hold(0.5);
    let back = ("S-2", "corrects seq 3; lot of Salt: S-2");
    assert_eq!(lots_of(&b, 1).last(), Some(&back));
    b.say(Command::Lot("O-7".into())).beaker(10.0);
    assert_eq!(lots_of(&b, 2), [("O-7", "")]);
    assert_eq!(b.closed, Some(true));
}

#[test]
fn a_lot_named_while_the_weight_is_written_is_to_be_said_again() {
    let mut b = two();
    b.hold(2.0).land(150.0).hold(1.5);
    b.disk_is_slow = true;
    b.pour(170.0, 4.0).hold(3.0);
    assert!(
        b.answer(Command::Lot("S-1".into()))
            .contains("say the lot again")
    );
    b.disk_answers();
    b.disk_is_slow = false;
    b.say(Command::Lot("S-1".into())).hold(0.5);
    assert_eq!(lots_of(&b, 1).last().map(|row| row.0), Some("S-1"));
    b.say(Command::Undo).hold(0.5);
    assert_eq!(lots_of(&b, 1).last().map(|row| row.0), Some(""));
}

#[test]
fn what_corrects_a_record_keeps_its_lot_whichever_was_named_since() {
    let mut b = Bench::new(plan(
        vec![
            step(1, "Salt", "20.00", VesselWay::Beaker),
            step(2, "Salt", "10.00", VesselWay::Beaker),
        ],
        None,
    ));
    b.hold(2.0).say(Command::Lot("S-1".into())).beaker(20.0);
    b.say(Command::Lot("S-2".into()))
        .say(Command::Undo)
        .hold(0.2);
    b.say(Command::Lot("S-2".into()));
    b.say(Command::Residue(Some(1)))
        .hold(0.5)
        .land(150.31)
        .hold(2.0);
    let stayed = b.rows.iter().find(|row| row.kind == RowKind::Residue);
    assert_eq!(
        stayed.map(|row| row.lot.as_str()),
        Some("S-1"),
        "{:?}",
        b.rows
    );
    b.land(0.0).hold(2.0);
    b.beaker(10.0);
    assert_eq!(lots_of(&b, 2), [("S-2", "")]);
    assert_eq!(lots_of(&b, 1), [("S-1", "")]);
}

#[test]
fn a_step_is_left_out_with_a_reason_and_counts_as_nothing() {
    let mut b = two();
    b.hold(2.0);
    assert!(b.answer(Command::Skip(" ".into())).starts_with("Say why"));
    assert_eq!(
        b.answer(Command::Skip("none left".into())),
        "Salt is left out."
    );
    let row = b.row();
    assert_eq!(
        (
            row.step,
            row.target,
            row.net,
            row.verdict,
            row.note.as_str()
        ),
        (
            1,
            Some(g("20")),
            Some(g("0")),
            Some(Verdict::Kept),
            "skipped: none left"
        )
    );
    asks(&b, "10.00 g Oil comes next");
    // Taken back, it says which row it stands for when it is left out again.
    assert_eq!(undoes(&b).as_deref(), Some("leaving Salt out"));
    assert_eq!(
        b.answer(Command::Undo),
        "Salt is left out no more: its step is open again."
    );
    b.say(Command::Skip("none left".into()));
    assert_eq!(b.row().note, "corrects seq 1; skipped: none left");
    b.beaker(10.0);
    assert_eq!(b.closed, Some(true));
    asks(&b, "Done. 10.00 g weighed in 1 step, 1 left out.");
}

#[test]
fn what_is_on_the_scale_or_recorded_is_not_left_out() {
    let mut b = two();
    b.hold(2.0).land(150.0).hold(1.5).pour(160.0, 2.0).hold(1.0);
    let refused = "Something of this step is on the scale or recorded.";
    assert!(b.answer(Command::Skip("no".into())).starts_with(refused));
    b.land(0.0).hold(1.5);
    assert!(b.answer(Command::Skip("no".into())).starts_with(refused));
    b.land(160.0).hold(1.5).pour(170.0, 2.0).hold(2.5);
    b.expect(&["20.00"]);
    assert!(b.answer(Command::Skip("no".into())).starts_with(refused));
    // A beaker that is only tared may go.
    b.land(0.0).hold(2.0).land(140.0).hold(1.5);
    assert_eq!(b.answer(Command::Skip("no".into())), "Oil is left out.");
}

#[test]
fn a_skip_on_a_slow_disk_is_not_asked_for_twice() {
    let mut b = two();
    b.hold(2.0);
    b.disk_is_slow = true;
    b.say(Command::Skip("none left".into()));
    asks(&b, "10.00 g Oil comes next");
    assert!(b.answer(Command::Undo).contains("being written"));
    b.disk_answers();
    assert_eq!(
        b.answer(Command::Undo),
        "Salt is left out no more: its step is open again."
    );
}

#[test]
fn what_stayed_in_a_beaker_is_taken_back() {
    let mut b = Bench::new(soak());
    b.beaker(60.0).beaker(36.0).say(Command::Residue(None));
    b.land(152.0).hold(2.0);
    asks(&b, "2.00 g Oil are missing");
    assert_eq!(
        undoes(&b).as_deref(),
        Some("what stayed in the beaker of Oil")
    );
    assert_eq!(
        b.answer(Command::Undo),
        "What stayed in the beaker of Oil is taken back."
    );
    let row = b.row();
    assert_eq!((row.kind, row.step, row.net), (RowKind::Residue, 2, None));
    assert_eq!(row.note, "corrects seq 3; taken back");
    // It can be weighed back once more.
    b.land(0.0).hold(2.0);
    b.expect_cue(CueKind::Mix);
    b.say(Command::Residue(None)).land(151.0).hold(2.0);
    assert_eq!(
        (b.row().kind, b.row().net),
        (RowKind::Residue, Some(g("1")))
    );
}

#[test]
fn what_was_begun_besides_the_steps_is_given_up() {
    let nothing = "Nothing was begun that could be given up.";
    let left = "The beaker is left as it is.";
    let mut b = Bench::new(soak());
    assert_eq!(b.answer(Command::Cancel), nothing);
    b.beaker(60.0).beaker(36.0);
    assert_eq!(b.answer(Command::Cancel), nothing);
    b.say(Command::Residue(None));
    asks(
        &b,
        "Put the emptied beaker of Oil on the scale (it weighed 150.00 g empty).",
    );
    assert_eq!(b.answer(Command::Cancel), left);
    b.expect_cue(CueKind::Mix);
    // `next` leaves it too, as long as nothing is missing.
    b.say(Command::Residue(None));
    assert_eq!(b.answer(Command::Next), left);
    b.expect_cue(CueKind::Mix);
    // While its row is on the way neither does; and then what stayed has been told.
    b.say(Command::Residue(None));
    b.disk_is_slow = true;
    b.land(152.0).hold(2.0);
    let moment = "It is being written; a moment.";
    assert_eq!(b.answer(Command::Cancel), moment);
    assert_eq!(b.answer(Command::Next), moment);
    b.disk_answers();
    asks(&b, "2.00 g Oil are missing");
    assert_eq!(b.answer(Command::Cancel), left);
    b.expect_cue(CueKind::Mix);
    assert_eq!(of_beakers(&b), ["60.00", "36.00"]);
}

#[test]
fn an_emptied_beaker_whose_row_is_not_there_yet_stays_a_question() {
    let mut b = Bench::new(soak());
    b.beaker(60.0).beaker(36.0).say(Command::Residue(None));
    b.disk_is_slow = true;
    b.land(150.2).hold(2.0).land(0.0).hold(2.0);
    assert!(say(&b).contains("Put the emptied beaker"), "{}", say(&b));
    b.disk_answers().hold(1.0);
    b.expect_cue(CueKind::Mix);
}

/// Scent of which a substance is limited, by share: half of it as bought, and as its lots say.
fn limited(limits: Limits) -> Bench {
    let mut plan = soak();
    let source = |lot: Option<&str>, percent: i64| Source {
        ingredient: "Scent".into(),
        line: 2,
        name: "Scent".into(),
        lot: lot.map(Into::into),
        share: Percent(Percent::HUNDRED.0 / 100 * percent),
    };
    plan.limits = vec![Limited {
        name: "Camphor".into(),
        limits,
        skin: false,
        told: None,
        from: vec![
            source(None, 50),
            source(Some("RICH"), 90),
            source(Some("POOR"), 20),
        ],
    }];
    let mut b = Bench::new(plan);
    b.beaker(60.0).beaker(36.0).say(Command::Next);
    asks(&b, "Scent comes next");
    b
}

fn percent(share: i64) -> Option<Percent> {
    Some(Percent(Percent::HUNDRED.0 / 100 * share))
}

#[test]
fn a_lot_that_would_break_a_limit_is_told_before_it_is_weighed() {
    // 4 g scent in 100 g: 2 % as bought, 3.6 % and 0.8 % of the two lots.
    let most = Limits {
        min: None,
        max: percent(3),
    };
    let b = limited(most);
    let with = |lot: &str| b.engine.out_of_limits_with("Scent", lot);
    let rich = with("RICH").unwrap();
    assert!(rich.contains("Camphor is 3.6 % of the batch"), "{rich}");
    assert_eq!((with("POOR"), with("ANY"), with("")), (None, None, None));
    let least = Limits {
        min: percent(1),
        max: None,
    };
    let b = limited(least);
    let with = |lot: &str| b.engine.out_of_limits_with("Scent", lot);
    let poor = with("POOR").unwrap();
    assert!(poor.contains("Camphor is 0.8 % of the batch"), "{poor}");
    assert_eq!((with("RICH"), with("ANY")), (None, None));
    // Outside whatever the lot: that is told by the weights, and of a lot only what it adds.
    let b = limited(Limits {
        min: None,
        max: percent(1),
    });
    let with = |lot: &str| b.engine.out_of_limits_with("Scent", lot);
    assert_eq!((with("ANY"), with("POOR")), (None, None));
    assert!(with("RICH").is_some());
}

#[test]
fn a_lot_of_another_ingredient_breaks_no_limit() {
    let mut plan = limited(Limits {
        min: None,
        max: percent(3),
    });
    plan.say(Command::Undo);
    asks(&plan, "Take the 36.00 g Oil out of the batch first.");
    assert_eq!(plan.engine.out_of_limits_with("Oil", "RICH"), None);
}

#[test]
fn weights_that_are_right_do_not_close_a_batch_whose_lot_breaks_a_limit() {
    let mut b = limited(Limits {
        min: None,
        max: percent(3),
    });
    b.say(Command::Lot("RICH".into())).beaker(4.0);
    b.expect_cue(CueKind::Choose);
    asks(&b, "Camphor is 3.6 % of the batch");
    assert_eq!(b.closed, None);
    assert_eq!(b.answer(Command::Next), "The batch is closed as it is.");
    assert_eq!(b.closed, Some(true));
    let mut b = limited(Limits {
        min: None,
        max: percent(3),
    });
    b.say(Command::Lot("POOR".into())).beaker(4.0);
    assert_eq!(b.closed, Some(true));
}

#[test]
fn what_was_set_down_on_a_recorded_beaker_and_taken_off_leaves_the_record_as_it_was() {
    let mut b = two();
    b.hold(2.0).land(150.0).hold(1.5).pour(170.0, 4.0).hold(3.0);
    b.expect(&["20.00"]);
    let first = (b.row().verdict, b.row().uncertainty);
    b.land(250.0).hold(2.5);
    b.expect_cue(CueKind::Lift);
    asks(&b, "more than recorded. Take off what was set down");
    let widened = b.row().clone();
    assert_eq!((widened.step, widened.verdict), (1, None));
    assert!(widened.uncertainty > first.1, "{widened:?}");
    b.land(170.0).hold(2.5);
    assert_eq!(
        (b.row().verdict, b.row().uncertainty),
        first,
        "{:?}",
        b.row()
    );
    assert!(
        b.row().note.contains("what came on top is gone again"),
        "{:?}",
        b.row()
    );
    b.land(0.0).hold(2.0);
    asks(&b, "10.00 g Oil comes next");
}

#[test]
fn a_key_in_the_middle_of_a_pour_costs_two_readings() {
    // Readings of step d with reproducibility d/2 each: u² = n·(d²/2 + d²/12), U = 2u.
    let of = |n: f64| 2.0 * (n * (0.01_f64.powi(2) / 2.0 + 0.01_f64.powi(2) / 12.0)).sqrt();
    let mut b = Bench::one("Salt", "40.00");
    b.hold(2.0).land(150.0).hold(1.5).pour(190.0, 5.0).hold(3.0);
    let plain = b.row().uncertainty.unwrap().to_g_f64();
    assert!((plain - of(2.0)).abs() < 1e-6, "{plain}");
    let mut b = Bench::one("Salt", "40.00");
    b.hold(2.0).land(150.0).hold(1.5).pour(170.0, 4.0).hold(2.0);
    b.jump(0.0)
        .hold(1.5)
        .pour(20.0, 8.0)
        .hold(3.0)
        .land(-170.0)
        .hold(2.0);
    b.expect(&["40.00"]);
    let keyed = b
        .rows
        .iter()
        .find(|row| row.kind == RowKind::Weighed)
        .unwrap();
    let keyed = keyed.uncertainty.unwrap().to_g_f64();
    assert!((keyed - of(4.0)).abs() < 1e-6, "{keyed} {}", of(4.0));
}

/// What is in a bowl cannot be weighed again, and is not offered to be.
#[test]
fn undo_is_not_offered_for_what_came_onto_a_recorded_bowl() {
    let mut b = Bench::new(two_in_a_bowl());
    b.hold(2.0).land(150.0).hold(1.5).pour(170.0, 4.0).hold(3.0);
    b.pour(180.0, 4.0).hold(3.0);
    assert_eq!(b.weighed().len(), 2, "{:?}", b.weighed());
    b.land(230.0).hold(3.0);
    asks(&b, "Take off what was set down, then lift the bowl.");
    let offered = b.cues.last().map(|cue| cue.choices.to_vec());
    assert_eq!(offered, Some(vec![]));
}

/// Something of the next step is in the bowl as the last one is taken back: the bowl is lifted first, and what comes back
/// heavier than it was empty is asked about.
#[test]
fn undo_in_the_middle_of_the_next_pour_asks_for_the_bowl_anew() {
    let mut b = Bench::new(two_in_a_bowl());
    b.hold(2.0).land(150.0).hold(1.5).pour(170.0, 4.0).hold(3.0);
    b.expect_cue(CueKind::Add);
    b.pour(171.5, 0.4).say(Command::Undo);
    asks(
        &b,
        "Take the 20.00 g Oil out of the batch first. Lift everything off the scale",
    );
    b.pour(173.0, 0.4).hold(2.0).land(0.0).hold(2.0);
    asks(&b, "Place the empty bowl");
    b.land(153.0).hold(2.0);
    asks(&b, "Not sure of the tare");
    b.land(0.0).hold(2.0).land(150.0).hold(2.0);
    asks(&b, "20.00 g to add");
}

/// Of a later step taken back the bowl is to be without: what it weighed before is known.
#[test]
fn what_is_left_in_the_bowl_of_a_step_that_was_taken_back_is_asked_about() {
    let undone = || {
        let steps = [
            (1, "Oil", "20.00"),
            (2, "Wax", "10.00"),
            (3, "Talc", "5.00"),
        ];
        let steps = steps.map(|(n, name, target)| step(n, name, target, VesselWay::Bowl));
        let mut b = Bench::new(plan(steps.to_vec(), None));
        b.hold(2.0).land(150.0).hold(1.5).pour(170.0, 4.0).hold(3.0);
        b.pour(180.0, 4.0).hold(3.0);
        asks(&b, "5.00 g to add: Talc");
        b.land(0.0).hold(2.0).say(Command::Undo);
        asks(&b, "Take the 10.00 g Wax out of the batch first.");
        b
    };
    let mut b = undone();
    b.land(174.0).hold(2.0);
    asks(&b, "4.00 g heavier than when the bowl left");
    let mut b = undone();
    b.land(170.0).hold(2.0);
    asks(&b, "10.00 g to add: Wax");
}
