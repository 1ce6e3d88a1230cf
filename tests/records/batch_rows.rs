//! What the rows of a batch come to: weights that hold, what stayed, what is in the batch, jars, and where it
//! stood. By hand, from rows in memory; Python reads the same out of real logs in `remedy_log`.

use std::collections::HashMap;

use bismar::formula::amend::{Added, Amendment, Cause};
use bismar::formula::contents::{Limited, Source};
use bismar::formula::filling::Fill;
use bismar::formula::plan::BatchSize;
use bismar::formula::{Formula, Limits, Percent, Plan, VesselWay};
use bismar::journal::batch::composition::{HeldPart, held, shares, strangers};
use bismar::journal::batch::lost::lost;
use bismar::journal::batch::record::Record;
use bismar::journal::batch::residue::usual;
use bismar::journal::batch::standing::{Unproven, told_of};
use bismar::journal::batch::still_open::{OpenPart, StillOpen};
use bismar::journal::batch::summary::{StepKind, Summary};
use bismar::journal::format::cell::{CUT_MARK, LONGEST_TEXT, clean};
use bismar::journal::format::check_note;
use bismar::journal::format::contents_note;
use bismar::journal::format::fault::{BadLine, Fault};
use bismar::journal::format::fill_note::{fill_of, note_of};
use bismar::journal::format::names::{LONGEST_NAME, safe_batch_name};
use bismar::journal::format::opening::{Opening, opening_of};
use bismar::journal::format::row::{CellError, Row, Stamp};
use bismar::mass::Mass;
use bismar::metrology::ScaleAbility;
use bismar::metrology::prepackage::Rule;
use bismar::vocabulary::entry::{Draft, RowKind, Verdict, goes_on, lot_taken_back};
use bismar::vocabulary::progress::Weighed;

const TWO: &str = include_str!("../../fixtures/captures/two_beakers.toml");

fn g(grams: f64) -> Mass {
    Mass::from_g_f64(grams).expect("a mass")
}

fn row(seq: u64, draft: &Draft) -> Row {
    let begun: jiff::Timestamp = "2026-09-01T09:00:00Z".parse().expect("a time");
    let stamp = Stamp {
        batch: "b",
        seq,
        at: begun + jiff::SignedDuration::from_mins(seq as i64),
        formula: "Two beakers",
    };
    Row::from_draft(draft, stamp)
}

/// The record of `drafts`, numbered from 1.
fn record(drafts: &[Draft]) -> Record {
    Record::of_rows((1..).zip(drafts).map(|(seq, draft)| row(seq, draft)))
}

fn of(kind: RowKind, step: usize, ingredient: &str, net: Option<f64>) -> Draft {
    Draft {
        step,
        ingredient: ingredient.into(),
        vessel: "beaker".into(),
        net: net.map(g),
        scale: "bench".into(),
        readability: Mass::from_mg(10),
        ..Draft::new(kind, "")
    }
}

fn weighed(step: usize, ingredient: &str, target: f64, net: f64) -> Draft {
    Draft {
        target: Some(g(target)),
        ..of(RowKind::Weighed, step, ingredient, Some(net))
    }
}

fn correcting(seq: u64, draft: Draft) -> Draft {
    Draft {
        note: format!("corrects seq {seq}: by hand"),
        ..draft
    }
}

fn formula() -> Formula {
    Formula::parse(TWO, "two.toml").expect("a formula")
}

fn plan_of(formula: &Formula) -> Plan {
    let bench = [ScaleAbility::assumed("bench")];
    Plan::new(formula, BatchSize::Batch(g(100.0)), &bench, 2.0).expect("a plan")
}

fn opened() -> Vec<Draft> {
    let opening = Opening {
        text: TWO.to_owned(),
        batch: g(100.0),
        jars: None,
    };
    opening.drafts("Two beakers").expect("fits").to_vec()
}

/// Number and name of what the formula has and nobody weighed.
fn unweighed(rows: &Record, formula: &Formula) -> Vec<(usize, String)> {
    let lacking = rows.lacking(formula).into_iter();
    lacking.map(|one| (one.number, one.ingredient)).collect()
}

// ---- what is in the batch ------------------------------------------------------------------------

/// Ingredient, what was weighed, what came in, what is to come, and the steps of each part.
fn told(parts: &[HeldPart]) -> Vec<(&str, Mass, Mass, Mass, &[usize])> {
    parts
        .iter()
        .map(|part| {
            assert_eq!(part.part.held, part.delivered + part.to_come);
            (
                part.ingredient.as_str(),
                part.weighed,
                part.delivered,
                part.to_come,
                &part.steps[..],
            )
        })
        .collect()
}

#[test]
fn each_ingredient_has_what_was_weighed_less_what_stayed_and_what_is_to_come() {
    let plan = plan_of(&formula());
    let none = held(&Record::default(), &plan);
    let zero = Mass::ZERO;
    assert_eq!(
        told(&none),
        [
            ("Sea salt", zero, zero, g(60.0), &[][..]),
            ("Oat flour", zero, zero, g(40.0), &[][..])
        ]
    );
    assert_eq!(
        (none[0].target, none[0].lowest, none[0].highest),
        (g(60.0), g(59.4), g(60.6))
    );
    assert_eq!((none[0].entries, none[0].vessel), (1, VesselWay::Beaker));
    let rows = record(&[
        weighed(1, "Sea salt", 60.0, 60.5),
        of(RowKind::Residue, 1, "Sea salt", Some(1.0)),
        // The last one counts.
        of(RowKind::Residue, 1, "Sea salt", Some(1.5)),
    ]);
    assert_eq!(
        told(&held(&rows, &plan)),
        [
            ("Sea salt", g(60.5), g(59.0), zero, &[1][..]),
            ("Oat flour", zero, zero, g(40.0), &[][..])
        ]
    );
    assert_eq!(
        (rows.residue(1), rows.residue(2)),
        (rows.residues[1].net, None)
    );
    // More stayed than was weighed: something is wrong with it, and less than nothing is in no batch.
    let wrong = record(&[
        weighed(1, "Sea salt", 60.0, 1.0),
        of(RowKind::Residue, 1, "Sea salt", Some(1.5)),
    ]);
    assert_eq!(held(&wrong, &plan)[0].delivered, zero);
}

/// After a remedy whose numbers the log does not tell, a row is the planned step's where its target is within
/// 1 % of it: another scale since then may round it otherwise.
#[test]
fn a_row_of_a_remedy_is_told_from_the_planned_one_by_its_target() {
    let plan = plan_of(&formula());
    let to_come = |target: Option<f64>| {
        let mut oats = weighed(2, "Oat flour", 0.0, 4.0);
        oats.target = target.map(g);
        let chosen = Draft::new(RowKind::Remedy, "steps {\"steps\":[]}");
        let rows = [weighed(1, "Sea salt", 60.0, 66.0), chosen, oats];
        let parts = held(&record(&rows), &plan);
        assert_eq!(parts[0].to_come, Mass::ZERO);
        assert_eq!(parts[1].delivered, g(4.0));
        parts[1].to_come
    };
    for (target, planned) in [
        (Some(4.0), false),
        (Some(39.59), false),
        (Some(39.6), true),
        (Some(40.4), true),
        (Some(40.41), false),
        (None, true),
    ] {
        let wanted = if planned { Mass::ZERO } else { g(40.0) };
        assert_eq!(to_come(target), wanted, "{target:?}");
    }
}

/// One ingredient in two entries: both targets, both tolerances, and what was weighed of either.
#[test]
fn two_entries_of_an_ingredient_are_one_part() {
    let twice = TWO.replace(
        "name = \"Oat flour\"\npercent = 40",
        "name = \"Oat flour\"\npercent = 30\ntolerance = { percent = 2 }\n[[phase]]\n\
         name = \"Later\"\n[[phase.ingredient]]\nname = \"Sea salt\"\npercent = 10",
    );
    let formula = Formula::parse(&twice, "twice.toml").expect("a formula");
    let plan = plan_of(&formula);
    let rows = record(&[
        weighed(1, "Sea salt", 60.0, 60.1),
        weighed(2, "Oat flour", 30.0, 30.0),
    ]);
    let parts = held(&rows, &plan);
    let zero = Mass::ZERO;
    assert_eq!(
        told(&parts),
        [
            ("Sea salt", g(60.1), g(60.1), g(10.0), &[1][..]),
            ("Oat flour", g(30.0), g(30.0), zero, &[2][..])
        ]
    );
    let salt = &parts[0];
    assert_eq!((salt.entries, salt.target), (2, g(70.0)));
    // 1 % of 60 g and of 10 g.
    assert_eq!((salt.lowest, salt.highest), (g(69.3), g(70.7)));
    assert_eq!(salt.part.share.text(), "70");
    let bounds = (salt.part.low.text(), salt.part.high.text());
    assert_eq!(bounds, ("69.3".to_owned(), "70.7".to_owned()));
    assert_eq!(unweighed(&rows, &formula), [(3, "Sea salt".to_owned())]);
    // The second entry weighed first: the first one is still to come, and not the other way round.
    let late = record(&[weighed(3, "Sea salt", 10.0, 10.0)]);
    assert_eq!(held(&late, &plan)[0].to_come, g(60.0));
    assert_eq!(
        unweighed(&record(&[]), &formula),
        [(1, "Sea salt"), (2, "Oat flour"), (3, "Sea salt")].map(|(n, name)| (n, name.to_owned()))
    );
}

/// Each ingredient is held in the vessel that its own step weighs it in.
#[test]
fn each_ingredient_is_held_in_its_own_vessel() {
    let into = |vessel: &str, name: &str| {
        let percent = format!("{name}\"\npercent =");
        TWO.replace(
            &percent,
            &format!("{name}\"\nvessel = \"{vessel}\"\npercent ="),
        )
    };
    let vessels = |text: &str| {
        let formula = Formula::parse(text, "two.toml").expect("a formula");
        let parts = held(&Record::default(), &plan_of(&formula));
        [parts[0].vessel, parts[1].vessel]
    };
    let (beaker, bowl) = (VesselWay::Beaker, VesselWay::Bowl);
    assert_eq!(vessels(&into("bowl", "Sea salt")), [bowl, beaker]);
    assert_eq!(vessels(&into("bowl", "Oat flour")), [beaker, bowl]);
}

/// Where a lot has a limit of its own it counts with what got in of it; what is still to come is of the lot named last.
#[test]
fn what_is_held_is_told_lot_by_lot() {
    let plan = plan_of(&formula());
    let of_lot = |lot: &str, draft: Draft| Draft {
        lot: lot.into(),
        ..draft
    };
    let told = |rows: &[Draft]| {
        let parts = held(&record(rows), &plan);
        let lots = parts.iter().flat_map(HeldPart::each_lot);
        let lots = lots.map(|one| (one.ingredient.to_owned(), one.lot.to_owned(), one.mass));
        lots.collect::<Vec<_>>()
    };
    let line = |name: &str, lot: &str, grams| (name.to_owned(), lot.to_owned(), g(grams));
    assert_eq!(
        told(&[]),
        [line("Sea salt", "", 60.0), line("Oat flour", "", 40.0)]
    );
    let rows = [
        of_lot("S-1", weighed(1, "Sea salt", 60.0, 60.5)),
        of(RowKind::Residue, 1, "Sea salt", Some(1.5)),
        of_lot("S-2", weighed(3, "Sea salt", 10.0, 10.0)),
    ];
    assert_eq!(
        told(&rows),
        [
            line("Sea salt", "S-1", 59.0),
            line("Sea salt", "S-2", 10.0),
            line("Sea salt", "S-2", 0.0),
            line("Oat flour", "", 40.0),
        ]
    );
}

#[test]
fn what_the_formula_does_not_have_is_a_stranger_once() {
    let rows = record(&[
        weighed(1, "Sea salt", 60.0, 60.0),
        weighed(2, "Clay", 1.0, 1.0),
        weighed(3, "Clay", 1.0, 1.0),
        of(RowKind::Weighed, 4, "Withdrawn", None),
    ]);
    assert_eq!(strangers(&rows, &formula()), ["Clay"]);
    assert_eq!(unweighed(&rows, &formula()), [(2, "Oat flour".to_owned())]);
    assert_eq!(rows.total(), g(62.0));
}

// ---- how far it is -------------------------------------------------------------------------------

fn skipping(step: usize, ingredient: &str, note: &str) -> Draft {
    Draft {
        target: Some(g(40.0)),
        verdict: Some(Verdict::Kept),
        note: note.into(),
        ..of(RowKind::Weighed, step, ingredient, Some(0.0))
    }
}

/// A remedy's row that adds `grams` of the second ingredient before step `before`.
fn more_oats(before: usize, grams: f64) -> Draft {
    let change = Amendment {
        cause: Cause::InProportion,
        before,
        add: vec![Added {
            part: 1,
            ng: g(grams).ng(),
        }],
        later: Vec::new(),
        parts: Vec::new(),
    };
    let note = change.note(&plan_of(&formula()), g(0.01));
    Draft::new(RowKind::Remedy, note)
}

fn closed(note: &str) -> Draft {
    Draft::new(RowKind::Closed, note)
}

#[test]
fn how_far_a_batch_is_goes_by_its_weights_and_not_by_its_closing_words() {
    let salt = || weighed(1, "Sea salt", 60.0, 60.0);
    let oats = |step| weighed(step, "Oat flour", 40.0, 40.0);
    let skip = || skipping(2, "Oat flour", "skipped: none left");
    let back = || correcting(4, of(RowKind::Weighed, 2, "Oat flour", None));
    let (whole, stopped) = (
        || closed("complete"),
        |n| closed(&format!("stopped after {n} of 2 weighings")),
    );
    let again = |note: &str| skipping(2, "Oat flour", note);
    let more = |grams| weighed(3, "Oat flour", grams, grams);
    let cases: [(&str, Vec<Draft>); 13] = [
        ("open", vec![]),
        ("open", vec![salt(), skip()]),
        ("complete", vec![salt(), oats(2), whole()]),
        // Stopped before the last mixing was confirmed.
        ("complete", vec![salt(), oats(2), stopped(2)]),
        (
            "incomplete: Oat flour not weighed",
            vec![salt(), stopped(1)],
        ),
        (
            "incomplete: Sea salt not weighed, Oat flour not weighed",
            vec![stopped(0)],
        ),
        (
            "incomplete: Oat flour skipped",
            vec![salt(), skip(), whole()],
        ),
        // Taken back, and left out once more: the reason stands behind what it corrects.
        (
            "incomplete: Oat flour skipped",
            vec![
                salt(),
                oats(2),
                back(),
                again("corrects seq 4; skipped: spilt"),
                whole(),
            ],
        ),
        // Withdrawn by hand after the end.
        (
            "incomplete: Oat flour not weighed",
            vec![salt(), oats(2), whole(), back()],
        ),
        // What a remedy adds is to be weighed too.
        (
            "incomplete: Oat flour not weighed",
            vec![salt(), oats(2), more_oats(3, 4.0), stopped(2)],
        ),
        (
            "complete",
            vec![salt(), oats(2), more_oats(3, 4.0), more(4.0), whole()],
        ),
        // A remedy that brings in what was left out makes the skip good; one that nobody weighed does not.
        (
            "complete",
            vec![
                salt(),
                skip(),
                whole(),
                more_oats(3, 40.0),
                more(40.0),
                whole(),
            ],
        ),
        (
            "incomplete: Oat flour not weighed",
            vec![salt(), skip(), whole(), more_oats(3, 40.0), stopped(2)],
        ),
    ];
    for (wanted, rows) in cases {
        let rows = record(&[opened(), rows].concat());
        assert_eq!(rows.standing().to_string(), wanted, "{rows:#?}");
        assert_eq!(rows.is_complete(), wanted == "complete");
    }
    // Without the formula the closing row is all there is, and the steps that say it themselves.
    let bare = |rows: &[Draft]| record(rows).standing().to_string();
    assert_eq!(bare(&[salt(), whole()]), "complete");
    assert_eq!(bare(&[salt(), stopped(1)]), "ended early");
    assert_eq!(
        bare(&[salt(), skip(), whole()]),
        "incomplete: Oat flour skipped"
    );
}

/// Nothing of it is in the batch, and the step is done with all the same: no reader takes it for still to come.
#[test]
fn a_skipped_step_weighed_nothing_and_does_not_come_again() {
    let rows = record(&[
        weighed(1, "Sea salt", 60.0, 60.0),
        skipping(2, "Oat flour", "skipped: none left"),
    ]);
    assert_eq!(rows.weighed().count(), 1);
    let plan = plan_of(&formula());
    assert!(rows.progress(&plan).weighed.contains_key(&2));
    assert_eq!(held(&rows, &plan)[1].to_come, Mass::ZERO);
    // A weight of nothing that says nothing of the kind was weighed.
    let kept = record(&[skipping(1, "Sea salt", "kept; skipped: as a remark")]);
    assert_eq!(kept.weighed().count(), 1);
}

/// A weight that the bench could not prove is told with what its row says of it, and may be off unless only its scale is
/// too coarse.
#[test]
fn a_weight_without_a_verdict_says_why() {
    let coarse = "the scale cannot prove this tolerance";
    let row = |verdict, net, note: &str, readings| {
        let draft = Draft {
            verdict,
            readings,
            note: note.into(),
            ..of(RowKind::Weighed, 1, "Sea salt", net)
        };
        row(1, &draft)
    };
    let at_a_bench = |note: &str| row(None, Some(60.0), note, Some(10));
    let why = |row: &Row| {
        let found = Unproven::of(row).map(|found| (found.why.to_owned(), found.too_coarse));
        assert_eq!(
            Unproven::may_be_off(row),
            found.as_ref().is_some_and(|(_, coarse)| !coarse)
        );
        found
    };
    let says = |text: &str, coarse| Some((text.to_owned(), coarse));
    assert_eq!(
        why(&at_a_bench("the tare is unknown")),
        says("the tare is unknown", false)
    );
    assert_eq!(why(&at_a_bench("")), says("", false));
    assert_eq!(why(&at_a_bench(coarse)), says(coarse, true));
    assert_eq!(
        why(&at_a_bench("corrects seq 4; by hand")),
        says("by hand", false)
    );
    // With a verdict, withdrawn, left out, or put into a log by hand there is nothing to prove.
    assert_eq!(
        why(&row(Some(Verdict::Inside), Some(60.0), "", Some(10))),
        None
    );
    assert_eq!(why(&row(None, None, "corrects seq 4; by hand", None)), None);
    assert_eq!(
        why(&row(None, Some(0.0), "skipped: none left", Some(10))),
        None
    );
    assert_eq!(why(&row(None, Some(60.0), "", None)), None);
    let by_hand = row(None, Some(60.0), "read off", None);
    assert_eq!(why(&by_hand), says("read off", false));
}

// ---- what holds, and where it stood --------------------------------------------------------------

#[test]
fn the_size_is_what_was_opened_or_what_a_remedy_made_of_it() {
    let change = |cause, parts: &[f64]| {
        let change = Amendment {
            cause,
            before: 2,
            add: vec![Added {
                part: 0,
                ng: g(1.0).ng(),
            }],
            later: vec![],
            parts: parts.iter().map(|&grams| g(grams).ng()).collect(),
        };
        let note = change.note(&plan_of(&formula()), Mass::from_mg(10));
        Draft::new(RowKind::Remedy, note)
    };
    let mut rows = opened();
    assert_eq!(record(&rows).size(), Some(g(100.0)));
    assert_eq!(record(&[]).size(), None);
    rows.push(change(Cause::InProportion, &[66.0, 44.0]));
    assert_eq!(record(&rows).size(), Some(g(110.0)));
    // What stayed in a beaker makes no other batch of it.
    rows.push(change(Cause::Residue, &[]));
    let record = record(&rows);
    assert_eq!(
        (record.size(), record.amendments.len()),
        (Some(g(110.0)), 2)
    );
    let amount = record.opening.as_ref().expect("an opening").amount();
    let bench = [ScaleAbility::assumed("bench")];
    let plan = record
        .plan(&formula(), amount, &bench, 2.0)
        .expect("a plan");
    assert_eq!((plan.steps.len(), plan.batch), (4, g(110.0)));
}

#[test]
fn a_batch_ends_at_its_row_and_goes_on_with_a_change_or_a_filling() {
    let closed = || Draft::new(RowKind::Closed, "complete");
    let filling = || Draft::new(RowKind::Note, note_of(&fill(Rule::Eu76211)));
    let at = |drafts: &[Draft]| {
        let record = record(drafts);
        let filled = record.filling_closed.as_ref().map(|row| row.seq);
        (record.ended, record.closed.map(|row| row.seq), filled)
    };
    let change = "amended {\"cause\":\"residue\",\"before\":2}";
    let change = || Draft::new(RowKind::Remedy, change);
    assert_eq!(at(&[]), (false, None, None));
    assert_eq!(at(&[closed()]), (true, Some(1), None));
    assert_eq!(at(&[closed(), change()]), (false, None, None));
    assert_eq!(at(&[closed(), change(), closed()]), (true, Some(3), None));
    assert_eq!(at(&[closed(), filling()]), (false, Some(1), None));
    let all = [closed(), filling(), closed()];
    assert_eq!(at(&all), (true, Some(1), Some(3)));
}

/// A correction that names no weight before it is not to be gone on with; without a number it is none.
#[test]
fn a_correction_names_a_weight_before_it() {
    let mut record = record(&[weighed(1, "Sea salt", 60.0, 60.0)]);
    let mut add = |seq, note: &str| -> Result<(), CellError> {
        let draft = Draft {
            note: note.to_owned(),
            ..of(RowKind::Weighed, 0, "", Some(59.0))
        };
        record.add(row(seq, &draft))
    };
    let error = add(2, "corrects seq 7: typed wrong").expect_err("no such row");
    assert_eq!(error.column, "note");
    assert!(error.why.contains("corrects seq 7"), "{}", error.why);
    assert_eq!(add(3, "corrects seq : typed wrong"), Ok(()));
    assert_eq!(add(4, "corrects seq 1"), Ok(()));
    // The correction of a correction is one of the same step.
    assert_eq!(add(5, "corrects seq 4; again"), Ok(()));
    assert_eq!(record.notes.len(), 2);
    let salt = &record.steps[&1];
    assert_eq!((salt.seq, record.steps.len()), (5, 1));
    // What a weighing is of stays as it was; the deviation is that of the new weight.
    assert_eq!(
        (salt.ingredient.as_str(), salt.vessel.as_str()),
        ("Sea salt", "beaker")
    );
    assert_eq!(salt.deviation.map(|off| off.mass()), Some(g(-1.0)));
    assert!(record.replaced.keys().eq(&[1, 4]));
    assert!(
        record
            .replaced
            .values()
            .all(|kind| *kind == RowKind::Weighed)
    );
}

#[test]
fn a_corrected_jar_stands_at_its_place_and_a_withdrawn_one_nowhere() {
    let jar = |step: usize, net| Draft {
        vessel: "jar".into(),
        tare: Some(g(30.0 + step as f64)),
        verdict: (step != 1).then_some(Verdict::Kept),
        ..of(RowKind::Filled, step, "Two", net)
    };
    let record = record(&[
        jar(1, Some(55.1)),
        jar(2, Some(55.2)),
        jar(3, Some(55.3)),
        correcting(2, jar(0, Some(54.0))),
        correcting(3, jar(0, None)),
        // One that nobody numbered is filled, and is none to go on from.
        Draft {
            tare: None,
            ..jar(0, Some(50.0))
        },
    ]);
    let jars: Vec<(usize, Option<Mass>)> = (record.filled.iter())
        .map(|row| (row.step, row.net.map(|net| net.mass())))
        .collect();
    assert_eq!(
        jars,
        [(1, Some(g(55.1))), (2, Some(g(54.0))), (0, Some(g(50.0)))]
    );
    assert_eq!(record.jarred(), g(159.1));
    assert!(record.replaced.keys().eq(&[2, 3]));
    let plan = Plan {
        filling: Some(fill(Rule::Eu76211)),
        ..plan_of(&formula())
    };
    let progress = record.progress(&plan);
    // Where the log has no verdict there is none, and where it has one it is that of the last row.
    let weighed = |seq, net, verdict| Weighed {
        seq,
        net: g(net),
        verdict,
    };
    let wanted = HashMap::from([
        (1, weighed(1, 55.1, None)),
        (2, weighed(4, 54.0, Some(Verdict::Kept))),
    ]);
    assert_eq!(progress.weighed, wanted);
    assert_eq!(progress.tares, HashMap::from([(1, g(31.0)), (2, g(30.0))]));
    assert!(progress.resumed && !progress.closed);
}

/// What a bowl weighed before a step is no vessel's own; what is weighed in no step has no weight to go on from.
#[test]
fn who_goes_on_has_weights_lots_residues_and_the_vessels_own() {
    let tared = |step: usize, vessel: &str, tare: f64| Draft {
        vessel: vessel.into(),
        tare: Some(g(tare)),
        lot: format!("L-{step}"),
        scale: ["", "bench", "fine"][step].to_owned(),
        ..weighed(step, ["", "Sea salt", "Oat flour"][step], 60.0, 60.0)
    };
    let record = record(&[
        tared(1, "beaker", 102.5),
        tared(2, "bowl", 412.0),
        of(RowKind::Residue, 1, "Sea salt", Some(0.4)),
        of(RowKind::Residue, 2, "Oat flour", None),
        Draft::new(RowKind::Closed, "complete"),
    ]);
    let progress = record.progress(&plan_of(&formula()));
    assert_eq!(progress.tares, HashMap::from([(1, g(102.5))]));
    assert_eq!(progress.bowls, HashMap::from([(2, g(472.0))]));
    assert_eq!(progress.residues, HashMap::from([(1, g(0.4))]));
    assert_eq!(progress.weighed.len(), 2);
    assert_eq!(progress.lots["Oat flour"], "L-2");
    assert!(progress.resumed && progress.closed);
    assert!(record.scales().into_iter().eq(["bench", "fine"]));
}

/// What stayed in the beaker is no part of it; what is not whole is rounded up, so that no limit is passed unseen.
#[test]
fn the_shares_are_those_of_what_came_in() {
    let told = |drafts: &[Draft]| {
        let shares = shares(&record(drafts)).into_iter();
        Vec::from_iter(shares.map(|(name, share)| (name, share.text())))
    };
    let (salt, oats) = ("Sea salt".to_owned(), "Oat flour".to_owned());
    let stayed = of(RowKind::Residue, 1, "Sea salt", Some(2.0));
    let both = [
        weighed(1, "Sea salt", 60.0, 62.0),
        weighed(2, "Oat flour", 40.0, 20.0),
        stayed,
    ];
    let want = [(salt.clone(), "75".to_owned()), (oats, "25".to_owned())];
    assert_eq!(told(&both), want);
    let third = told(&[
        weighed(1, "Sea salt", 1.0, 1.0),
        weighed(2, "Oat flour", 2.0, 2.0),
    ]);
    let text = &third[0].1;
    assert!(text.starts_with("33.333") && text.ends_with('4'), "{text}");
    assert_eq!(told(&[]), []);
    assert_eq!(told(&[weighed(1, "Sea salt", 1.0, 0.0)]), []);
}

/// A batch of 100 g, planned in so many jars of so much, with both ingredients weighed.
fn both_weighed(jars: Option<(u32, Mass)>) -> Vec<Draft> {
    let opening = Opening {
        text: TWO.to_owned(),
        batch: g(100.0),
        jars,
    };
    let mut drafts = opening.drafts("Two beakers").expect("fits").to_vec();
    drafts.push(weighed(1, "Sea salt", 60.0, 60.0));
    drafts.push(weighed(2, "Oat flour", 40.0, 40.0));
    drafts
}

/// Its filling: jars of `nominal` grams, and what went into each.
fn filled(nominal: f64, jars: &[f64]) -> Vec<Draft> {
    let how = Fill {
        nominal: g(nominal),
        ..fill(Rule::Eu76211)
    };
    let jar = |(at, &net): (usize, &f64)| of(RowKind::Filled, at, "", Some(net));
    let begins = Draft::new(RowKind::Note, note_of(&how));
    std::iter::once(begins)
        .chain((1..).zip(jars).map(jar))
        .collect()
}

/// Of a batch that was planned in jars and filled to its end, and of no other.
#[test]
fn what_got_into_no_jar_is_lost_where_the_log_tells() {
    let of_jars = |planned: u32, nominal: f64, jars: &[f64], end: bool| {
        let mut drafts = both_weighed(Some((planned, g(48.0))));
        drafts.push(closed("complete"));
        drafts.extend(filled(nominal, jars));
        drafts.extend(end.then(|| closed("complete")));
        lost(&record(&drafts)).map(|share| share.text())
    };
    let two = |jars: &[f64]| of_jars(2, 48.0, jars, true);
    let share = |text: &str| Some(text.to_owned());
    assert_eq!(two(&[48.0, 48.5]), share("3.5"));
    // More than was weighed: the jars' own errors.
    assert_eq!(two(&[48.0, 53.0]), share("0"));
    // A jar is missing: of what is left a part of a jar may have been kept.
    assert_eq!(two(&[48.0]), share("4"));
    assert_eq!(two(&[52.0]), None);
    assert_eq!(two(&[55.0]), None);
    assert_eq!(two(&[4.0]), None);
    assert_eq!(two(&[3.0]), None);
    assert_eq!(two(&[]), None);
    // A jar's worth or more is left: kept, it may be.
    assert_eq!(two(&[26.0, 26.0]), None);
    assert_eq!(two(&[20.0, 25.0]), None);
    assert_eq!(of_jars(2, 50.0, &[48.0, 48.5], true), None);
    assert_eq!(of_jars(2, 48.0, &[48.0, 48.5], false), None);
    // What a remedy or an over-pour made on top was meant for no jar: nobody knows whether it was lost or kept.
    let enlarged = |more: f64, jars: &[f64]| {
        let mut drafts = both_weighed(Some((2, g(48.0))));
        drafts.push(weighed(2, "Oat flour", 40.0, 40.0 + more));
        drafts.push(closed("complete"));
        drafts.extend(filled(48.0, jars));
        drafts.push(closed("complete"));
        lost(&record(&drafts)).map(|share| share.text())
    };
    assert_eq!(enlarged(0.0, &[48.0, 48.0]), share("4"));
    assert_eq!(enlarged(28.0, &[48.0, 48.0]), None);
    assert_eq!(enlarged(28.0, &[48.0]), None);
    // Less than a tenth of a jar is a weight's own error.
    assert_eq!(enlarged(0.8, &[48.0, 48.0]).as_deref(), Some("4.761904761"));
    // All of it, or a share of less than nothing, is no loss but a log that is wrong.
    let made = |salt: f64, oats: f64, jars: &[f64]| {
        let mut drafts = both_weighed(Some((2, g(48.0))));
        drafts.push(weighed(1, "Sea salt", 60.0, salt));
        drafts.push(weighed(2, "Oat flour", 40.0, oats));
        drafts.push(closed("complete"));
        drafts.extend(filled(48.0, jars));
        drafts.push(closed("complete"));
        lost(&record(&drafts)).map(|share| share.text())
    };
    assert_eq!(made(30.0, 10.0, &[0.0, 0.4]), share("99"));
    assert_eq!(made(30.0, 10.0, &[0.0, 0.0]), None);
    assert_eq!(made(-5.0, 1.0, &[0.0, 0.0]), None);
    // Where it went into a jar more, what is left is told.
    assert_eq!(
        enlarged(46.0, &[48.0, 48.0, 48.0]).as_deref(),
        Some("1.369863013")
    );
}

/// A remark beside a closed batch does not open it; what names the row that closed it does.
#[test]
fn a_stopped_batch_goes_on_by_the_row_that_closed_it() {
    let ended = |note: &str| {
        let drafts = [
            closed("stopped after 0 of 2 weighings"),
            Draft::new(RowKind::Note, note),
        ];
        record(&drafts).ended
    };
    assert!(ended("wiped the bench"));
    assert!(!ended(&goes_on(1)));
    assert!(ended(&goes_on(2)));
}

const MIXED_TWICE: &str = "[formula]\nname = \"Soak\"\n[[phase]]\nname = \"Dry\"\nmix = \"Stir.\"\n\
    [[phase.ingredient]]\nname = \"Sea salt\"\npercent = 50\n[[phase.ingredient]]\nname = \"Oat flour\"\npercent = 30\n\
    [[phase]]\nname = \"Wet\"\nmix = \"Stir.\"\n[[phase.ingredient]]\nname = \"Honey\"\npercent = 20\n";

/// By phase; a phase of which nothing is weighed is told whole, and one that is weighed may still be to mix.
#[test]
fn what_is_still_open_is_told_by_phase() {
    let formula = Formula::parse(MIXED_TWICE, "soak.toml").expect("a formula");
    let plan = plan_of(&formula);
    let open = |drafts: &[Draft]| record(drafts).still_open(&plan);
    let part = |phase: &str, names: &[&str]| OpenPart {
        phase: phase.into(),
        ingredients: names.iter().map(|&name| name.to_owned()).collect(),
    };
    let still = |weighed, parts: &[OpenPart], unmixed: Option<&str>| StillOpen {
        weighed,
        left_out: 0,
        of: 3,
        parts: parts.to_vec(),
        unmixed: unmixed.map(str::to_owned),
    };
    let (salt, oats) = (
        || weighed(1, "Sea salt", 50.0, 50.0),
        || weighed(2, "Oat flour", 30.0, 30.0),
    );
    let honey = || weighed(3, "Honey", 20.0, 20.0);
    let mixed = |phase: &str| Draft {
        phase: phase.into(),
        ..Draft::new(RowKind::Mixed, "Stir. (confirmed)")
    };
    let wet = part("Wet", &[]);
    assert_eq!(open(&[]), still(0, &[part("Dry", &[]), wet.clone()], None));
    let half = part("Dry", &["Oat flour"]);
    assert_eq!(open(&[salt()]), still(1, &[half, wet.clone()], None));
    assert_eq!(
        open(&[salt(), oats()]),
        still(2, std::slice::from_ref(&wet), Some("Dry"))
    );
    let dry = [salt(), oats(), mixed("Dry")];
    assert_eq!(open(&dry), still(2, &[wet], None));
    let all = [salt(), oats(), mixed("Dry"), honey()];
    assert_eq!(open(&all), still(3, &[], Some("Wet")));
    // What is left out is done with, and was not weighed.
    let without = [salt(), skipping(2, "Oat flour", "skipped: none left")];
    let left_out = StillOpen {
        left_out: 1,
        ..still(1, &[part("Wet", &[])], Some("Dry"))
    };
    assert_eq!(open(&without), left_out);
}

/// A step's time is counted from what came before it; a step that a remedy put in is no planned one.
#[test]
fn a_summary_tells_each_step_and_since_when() {
    let mut drafts = opened();
    drafts.push(weighed(1, "Sea salt", 60.0, 66.0));
    drafts.push(more_oats(3, 4.0));
    drafts.push(weighed(2, "Oat flour", 40.0, 40.0));
    drafts.push(weighed(3, "Oat flour", 4.0, 4.0));
    let record = record(&drafts);
    let first = opened().len() as u64;
    let at = |seq: u64| Some(row(seq, &drafts[0]).at);
    let steps = record.summary().steps.into_iter();
    let told: Vec<_> = steps.map(|one| (one.number, one.kind, one.since)).collect();
    let want = [
        (1, StepKind::Planned, record.opened_at),
        (2, StepKind::Planned, at(first + 1)),
        (3, StepKind::Added, at(first + 3)),
    ];
    assert_eq!(told, want);
}

/// What was taken out again, and what is over all the same; that of another step, and of a jar of this number, is its own.
#[test]
fn a_summary_counts_how_often_it_was_too_much() {
    let out = |step, name| of(RowKind::TakenOut, step, name, Some(-0.5));
    let times = |net: f64, taken_out: &[Draft]| {
        let mut drafts = opened();
        drafts.extend_from_slice(taken_out);
        drafts.push(Draft {
            high: Some(g(60.6)),
            ..weighed(1, "Sea salt", 60.0, net)
        });
        record(&drafts).summary().steps[0].over_pours
    };
    assert_eq!(times(60.6, &[]), 0);
    assert_eq!(times(60.61, &[]), 1);
    let [salt, oats, jar] = [out(1, "Sea salt"), out(2, "Sea salt"), out(1, "")];
    assert_eq!(times(60.0, std::slice::from_ref(&salt)), 1);
    assert_eq!(times(60.0, &[oats, jar]), 0);
    assert_eq!(times(61.0, &[salt.clone(), salt]), 3);
}

/// A weight that was taken back leaves its lot to what comes in its place, unless that was taken back too; one of
/// another ingredient keeps its own, and so does a weight that holds.
#[test]
fn a_lot_that_was_taken_back_is_gone_from_what_was_taken_back() {
    let lot = |lot: &str, draft: Draft| Draft {
        lot: lot.into(),
        ..draft
    };
    let salt = lot("S-1", weighed(1, "Sea salt", 60.0, 60.0));
    let oats = lot("O-1", weighed(2, "Oat flour", 40.0, 40.0));
    let withdrawn = |seq, draft: &Draft| {
        let gone = Draft {
            net: None,
            ..draft.clone()
        };
        correcting(seq, gone)
    };
    let mut drafts = opened();
    let first = drafts.len() as u64 + 1;
    drafts.extend([salt.clone(), oats.clone()]);
    drafts.extend([withdrawn(first, &salt), withdrawn(first + 1, &oats)]);
    let back = Draft {
        ingredient: "Sea salt".into(),
        ..Draft::new(RowKind::Note, lot_taken_back("Sea salt"))
    };
    let of = |record: &Record| [1, 2].map(|step| record.steps[&step].lot.clone());
    assert_eq!(of(&record(&drafts)), ["S-1", "O-1"]);
    // A remark beside it takes none, nor do the words of it in a row of another kind.
    for other in [
        Draft {
            note: "S-1 is damp".into(),
            ..back.clone()
        },
        Draft {
            kind: RowKind::Mixed,
            ..back.clone()
        },
    ] {
        let mut kept = drafts.clone();
        kept.push(other);
        assert_eq!(of(&record(&kept)), ["S-1", "O-1"]);
    }
    drafts.push(back.clone());
    assert_eq!(of(&record(&drafts)), ["", "O-1"]);
    // The same words beside a weight, or a lot of what holds, take nothing.
    let mut holds = opened();
    holds.extend([salt, oats, back]);
    assert_eq!(of(&record(&holds)), ["S-1", "O-1"]);
    assert_eq!(Record::new("b.csv").file, "b.csv");
}

/// How a batch stands is told where a weight of it matters; a mixing before a step is since when that took.
#[test]
fn a_summary_tells_how_a_batch_stands() {
    let salt = || weighed(1, "Sea salt", 60.0, 60.0);
    let oats = || weighed(2, "Oat flour", 40.0, 40.0);
    let of_rows = |rows: &[Draft]| record(&[opened(), rows.to_vec()].concat());
    let stands = |rows: &[Draft]| {
        let record = of_rows(rows);
        let warning = record
            .standing()
            .warning()
            .map(|warning| warning.to_string());
        (record.summary().complete, warning)
    };
    let says = |text: &str| Some(text.to_owned());
    assert_eq!(stands(&[salt()]), (false, says("open")));
    let short = [salt(), closed("stopped after 1 of 2 weighings")];
    assert_eq!(
        stands(&short),
        (false, says("incomplete: Oat flour not weighed"))
    );
    assert_eq!(stands(&[salt(), oats(), closed("complete")]), (true, None));
    // What a summary keeps of that is read back, whatever the names are.
    for kept in [
        "ended early",
        "incomplete: Oat flour not weighed",
        "incomplete: Salt, fine skipped, Oats, rolled, coarse not weighed",
    ] {
        assert_eq!(told_of(kept).to_string(), kept);
    }
    // The premixes of its formula, each once.
    let of_premix = TWO.replace("\npercent =", "\npremix = \"Oat mix\"\npercent =");
    let formula = Formula::parse(&of_premix, "two.toml").expect("a formula");
    let summary = of_rows(&[salt(), oats()]).summary_by(Some(&formula));
    assert_eq!(summary.premixes, ["Oat mix"]);
    // A weight that was set right is no jar that was.
    let anew = correcting(3, weighed(1, "Sea salt", 60.0, 60.2));
    assert!(!of_rows(&[salt(), anew]).summary().jars_replaced);
    let jar = |seq: Option<u64>| {
        let jar = of(RowKind::Filled, 1, "", Some(48.0));
        seq.map_or(jar.clone(), |seq| correcting(seq, jar))
    };
    let filled = [salt(), oats(), closed("complete")];
    let filling = Draft::new(RowKind::Note, note_of(&fill(Rule::Eu76211)));
    let jars = [&filled[..], &[filling, jar(None), jar(Some(7))]].concat();
    assert!(of_rows(&jars).summary().jars_replaced);
    let mixed = of(RowKind::Mixed, 0, "", None);
    let later = of_rows(&[salt(), mixed.clone(), oats(), mixed]);
    let at = |seq: u64| Some(row(seq, &salt()).at);
    assert_eq!(later.summary().steps[1].since, at(4));
    // A torn end takes nothing from the rows before it; other damage is told.
    for (fault, damaged) in [(Fault::Edited, true), (Fault::Torn { bytes: 7 }, false)] {
        let summary = Summary {
            fault: Some(BadLine {
                file: "b.csv".into(),
                line: 3,
                column: None,
                fault,
            }),
            ..Summary::default()
        };
        assert_eq!(summary.damage().is_some(), damaged);
    }
}

/// What is in no jar once a batch has ended, and whether that fills one more.
#[test]
fn what_is_left_of_a_batch_fills_a_jar_or_does_not() {
    let left = |planned: Option<f64>, filling: Option<f64>, jars: &[f64], end: bool| {
        let mut drafts = both_weighed(planned.map(|nominal| (2, g(nominal))));
        drafts.extend(end.then(|| closed("complete")));
        if let Some(nominal) = filling {
            drafts.extend(filled(nominal, jars));
            drafts.push(closed("complete"));
        }
        let record = record(&drafts);
        (record.jar(), record.rest(), record.is_fillable())
    };
    let told = |jar: Option<f64>, rest: f64, fillable| (jar.map(g), g(rest), fillable);
    assert_eq!(left(None, None, &[], false), told(None, 0.0, false));
    assert_eq!(left(None, None, &[], true), told(None, 100.0, true));
    assert_eq!(
        left(Some(48.0), None, &[], true),
        told(Some(48.0), 100.0, true)
    );
    // The label is that of the filling.
    let two = left(Some(48.0), Some(30.0), &[30.0, 30.5], true);
    assert_eq!(two, told(Some(30.0), 39.5, true));
    let three = left(Some(48.0), Some(30.0), &[30.0, 30.5, 30.0], true);
    assert_eq!(three, told(Some(30.0), 9.5, false));
    let over = left(None, Some(50.0), &[50.0, 50.5], true);
    assert_eq!(over, told(Some(50.0), 0.0, false));
}

#[test]
fn a_check_note_says_how_many_days_ago_it_was() {
    let at = "2026-09-01T09:00:00Z".parse().expect("a time");
    let note = |days| check_note::note_of(at, days, "passed");
    for (days, when) in [
        (-1, "a day that is still to come"),
        (0, "the same day"),
        (1, "the day before"),
        (2, "2 days before"),
    ] {
        let want = format!("checked 2026-09-01T09:00:00.000Z, {when}; passed");
        assert_eq!(note(days), want);
    }
}

// ---- what usually stays --------------------------------------------------------------------------

/// The median of the last ten weighings, three at least; the middle of the two where there are two.
#[test]
fn what_usually_stays_is_the_median_of_the_newest() {
    let of_all = |grams: &[f64]| {
        let stayed = |&net: &f64| of(RowKind::Residue, 1, "Honey", Some(net));
        let record = record(&Vec::from_iter(grams.iter().map(stayed)));
        let found = usual([&record]).get("Honey").copied();
        found.map(|usual| (usual.mass, usual.weighings))
    };
    assert_eq!(of_all(&[]), None);
    assert_eq!(of_all(&[1.0, 2.0]), None);
    assert_eq!(of_all(&[9.0, 1.0, 2.0]), Some((g(2.0), 3)));
    assert_eq!(of_all(&[9.0, 1.0, 2.0, 3.0]), Some((g(2.5), 4)));
    assert_eq!(of_all(&[-1.0, 0.0, 0.0]), None);
    // Ten others since then: the first ones no longer count.
    let mut many = vec![50.0; 8];
    many.extend([1.0; 10]);
    assert_eq!(of_all(&many), Some((g(1.0), 10)));
}

// ---- notes, faults, names ------------------------------------------------------------------------

fn fill(rule: Rule) -> Fill {
    Fill {
        nominal: g(55.0),
        over: g(1.1),
        rule,
        made: g(440.0),
        first: 1,
        last: 8,
    }
}

/// The note of what a formula alone does not tell: read as it was written; a damaged one says so.
#[test]
fn a_note_of_what_is_in_the_formula_is_read_as_it_was_written() {
    let limited = |share: i64, told: Option<&str>| Limited {
        name: "Linalool \u{202e}\"x\"".into(),
        limits: Limits {
            min: None,
            max: Some(Percent(710_000_000)),
        },
        skin: true,
        told: told.map(str::to_owned),
        from: vec![Source {
            ingredient: "Lavender".into(),
            line: 3,
            name: "Linalool".into(),
            lot: Some("LAV-2".into()),
            share: Percent(share),
        }],
    };
    let row = |note: &str| {
        let draft = Draft::new(RowKind::Note, note);
        row(2, &draft)
    };
    let one = limited(31_500_000_000, Some("leave-on limit (substances.toml:4)"));
    let note = contents_note::note_of(std::slice::from_ref(&one))
        .unwrap()
        .unwrap();
    assert_eq!(contents_note::contents_of(&row(&note)), Some(Ok(vec![one])));
    assert_eq!(
        contents_note::contents_of(&row("contents of the jar")),
        None
    );
    assert_eq!(contents_note::note_of(&[]), Ok(None));
    for share in [-1, 100_000_000_001, i64::MIN, i64::MAX] {
        let note = contents_note::note_of(&[limited(share, None)])
            .unwrap()
            .unwrap();
        let read = contents_note::contents_of(&row(&note)).unwrap();
        assert!(
            read.unwrap_err().why.contains("a share that is none"),
            "{share}"
        );
    }
    let torn = contents_note::contents_of(&row("contents [{")).unwrap();
    assert!(torn.unwrap_err().why.contains("does not read"));
    let long = vec![limited(1, None); 2_000];
    let error = contents_note::note_of(&long).unwrap_err();
    assert!(
        error.to_string().contains("take out of substances.toml"),
        "{error}"
    );
}

#[test]
fn the_note_of_a_filling_reads_back_under_each_rule() {
    let typed = Rule::Handbook133 {
        allowable_variation: g(3.6),
    };
    let note = |kind, note: &str| row(1, &Draft::new(kind, note));
    for rule in [Rule::Eu76211, Rule::OimlR87, typed] {
        let text = note_of(&fill(rule));
        assert_eq!(fill_of(&note(RowKind::Note, &text)), Some(Ok(fill(rule))));
        assert_eq!(fill_of(&note(RowKind::Opened, &text)), None);
        assert_eq!(
            record(&[Draft::new(RowKind::Note, text)]).fillings,
            [fill(rule)]
        );
    }
    assert_eq!(fill_of(&note(RowKind::Note, "filling up")), None);
    let eu = note_of(&fill(Rule::Eu76211));
    for (from, to) in [("\"eu\"", "\"uk\""), ("null", "5"), ("\"eu\"", "\"hb133\"")] {
        let wrong = eu.replacen(from, to, 1);
        assert_ne!(wrong, eu);
        let read = fill_of(&note(RowKind::Note, &wrong)).expect("a note of a filling");
        assert!(
            read.is_err_and(|error| error.why.contains("is not known")),
            "{wrong}"
        );
    }
    let torn = fill_of(&note(RowKind::Note, "filling {")).expect("a note of a filling");
    assert!(torn.is_err_and(|error| error.why.contains("does not read")));
}

#[test]
fn the_opening_tells_a_person_the_size_and_reads_back() {
    let opening = |jars| Opening {
        text: TWO.to_owned(),
        batch: g(440.0),
        jars,
    };
    for (jars, words) in [
        (None, "Two: 440 g, one batch"),
        (Some((8, g(55.0))), "Two: 440 g, 8 jars of 55 g"),
    ] {
        let [opened, note] = opening(jars).drafts("Two").expect("fits");
        assert_eq!(
            (opened.kind, opened.note.as_str()),
            (RowKind::Opened, words)
        );
        assert_eq!(opening_of(&row(2, &note)), Some(Ok(opening(jars))));
        let other = Draft {
            kind: RowKind::Mixed,
            ..note.clone()
        };
        assert_eq!(opening_of(&row(2, &other)), None);
        let half = note.note.replace("\"jars\":8", "\"jars\":null");
        let half = half.replace("\"fill_ng\":null", "\"fill_ng\":5");
        let half = opening_of(&row(2, &Draft::new(RowKind::Note, half)));
        assert!(half.expect("an opening").is_err());
    }
    assert_eq!(
        opening_of(&row(2, &Draft::new(RowKind::Note, "formula as before"))),
        None
    );
}

#[test]
fn a_bad_line_is_told_with_its_place_and_what_is_wrong() {
    let said = |column, fault| {
        let bad = BadLine {
            file: "b.csv".into(),
            line: 7,
            column,
            fault,
        };
        bad.to_string()
    };
    let missing = |expected, found| said(None, Fault::Missing { expected, found });
    assert!(missing(3, 4).starts_with("b.csv:7: seq 3 is missing, here is 4;"));
    assert!(missing(5, 8).starts_with("b.csv:7: seq 5 to 7 are missing, here is 8;"));
    let why = "is no unit of mass".into();
    assert_eq!(
        said(Some("unit"), Fault::Cell { why }),
        "b.csv:7:unit: is no unit of mass"
    );
    let repeated = Fault::Repeated {
        expected: 4,
        found: 3,
    };
    assert!(said(None, repeated).contains("seq 3 again where 4 should be"));
    assert!(said(None, Fault::Columns { found: 2 }).ends_with("2 cells where a row has 24"));
    assert!(said(None, Fault::Torn { bytes: 9 }).contains("9 bytes that are no whole row"));
}

#[test]
fn a_long_text_is_cut_between_characters_and_a_long_name_at_its_end() {
    let longest = "ü".repeat(LONGEST_TEXT / 2);
    assert_eq!(clean(&longest), longest);
    let cut = clean(&format!("{longest}ü"));
    assert!(
        cut.ends_with(CUT_MARK) && cut.len() <= LONGEST_TEXT,
        "{}",
        cut.len()
    );
    // No more is lost than there has to be.
    assert!(cut.len() + 1 >= LONGEST_TEXT, "{}", cut.len());
    let name = safe_batch_name(&"n".repeat(LONGEST_NAME + 1));
    assert_eq!(name, "n".repeat(LONGEST_NAME));
}

#[test]
fn a_correction_is_of_the_lot_it_names_and_takes_none_from_another() {
    let of_lot = |lot: &str, draft: Draft| Draft {
        lot: lot.into(),
        ..draft
    };
    let named = |lot: &str| {
        let note = Draft::new(RowKind::Note, format!("lot of Salt: {lot}"));
        of_lot(
            lot,
            Draft {
                ingredient: "Salt".into(),
                ..note
            },
        )
    };
    let salt = |step: usize| weighed(step, "Salt", 50.0, 50.0);
    let lots = |record: &Record| -> Vec<String> {
        record.steps.values().map(|row| row.lot.clone()).collect()
    };
    // Another lot is named before the lift.
    let mut rows = vec![
        named("S-1"),
        of_lot("S-1", salt(1)),
        named("S-2"),
        of_lot("S-2", correcting(2, salt(1))),
    ];
    assert_eq!(lots(&record(&rows)), ["S-2"]);
    // A late word on the first says nothing of what the next is taken from.
    rows.extend([named("S-3"), of_lot("S-2", correcting(4, salt(1))), salt(2)]);
    let both = record(&rows);
    assert_eq!(lots(&both), ["S-2", "S-3"]);
    assert_eq!(both.lots["Salt"], "S-3");
    // A correction without a cell for it leaves the lot as it was.
    rows.push(correcting(6, salt(1)));
    assert_eq!(lots(&record(&rows)), ["S-2", "S-3"]);
    // The only lot is taken back, and the record with it.
    let none = Draft {
        ingredient: "Salt".into(),
        ..Draft::new(RowKind::Note, "lot of Salt taken back")
    };
    let rows = [
        named("S-1"),
        of_lot("S-1", salt(1)),
        none,
        correcting(2, salt(1)),
    ];
    assert_eq!(lots(&record(&rows)), [""]);
}
