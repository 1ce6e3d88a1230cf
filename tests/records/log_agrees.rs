//! `log verify` beyond the chain: what the rows of a log say of each other. Whoever edits a weight and computes
//! the chain anew must still be found out. That no honest log is called wrong is held against all that the worlds of
//! `tests/engine`, `tests/second` and `tests/third` make (`bench_side::agreed`).

use std::path::{Path, PathBuf};

use bismar::formula::amend::{Added, Amendment, Cause, Retarget};
use bismar::formula::filling::{self, Fill};
use bismar::formula::plan::BatchSize;
use bismar::formula::{Formula, Plan};
use bismar::journal::batch::agree::Agreement;
use bismar::journal::format::chain;
use bismar::journal::format::fault::Fault;
use bismar::journal::format::fill_note::note_of;
use bismar::journal::format::opening::Opening;
use bismar::journal::format::row::{COLUMNS, CellError, Row, Stamp};
use bismar::journal::read::verify::verify;
use bismar::mass::{Mass, Unit};
use bismar::metrology::ScaleAbility;
use bismar::metrology::prepackage::Rule;
use bismar::vocabulary::entry::{Draft, RowKind, Verdict, goes_on, lot_named, lot_taken_back};

use crate::bench_side::faults;
use crate::bench_side::logs::{logs_in, weighed_inside};
use crate::bench_side::person::Person;

/// The cells of a log, header and chain left out, as the csv crate reads them.
type Cells = Vec<Vec<String>>;

fn column(name: &str) -> usize {
    COLUMNS.iter().position(|column| *column == name).unwrap()
}

// ---- rows in memory ------------------------------------------------------------------------------

/// Two ingredients of 60 and 40 g, each with a tolerance of 1 %.
const TWO: &str = include_str!("../../fixtures/captures/two_beakers.toml");

fn hundredths(grams: i64) -> Option<Mass> {
    Some(Mass::from_mg(grams * 10))
}

/// A weight as the bench writes it, in hundredths of a gram; its window is all of the tolerance.
fn weight(step: usize, ingredient: &str, target: i64, tare: i64, net: i64) -> Draft {
    Draft {
        phase: "Dry".into(),
        target: hundredths(target),
        low: hundredths(target - target / 100),
        high: hundredths(target + target / 100),
        tare: hundredths(tare),
        gross: hundredths(tare + net),
        uncertainty: Some(Mass::from_mg(15)),
        ..weighed_inside(step, ingredient, "", net * 10)
    }
}

fn closing(note: &str, target: i64, net: i64) -> Draft {
    Draft {
        target: hundredths(target),
        net: hundredths(net),
        readability: Mass::from_mg(10),
        ..Draft::new(RowKind::Closed, note)
    }
}

/// The rows of a batch of 100 g by the formula `text`: the two that open it (0 and 1), and `rows`.
fn rows_of(text: &str, rows: &[Draft]) -> Cells {
    let opening = Opening {
        text: text.to_owned(),
        batch: Mass::from_g(100),
        jars: None,
    };
    let opening = opening.drafts("Two beakers").unwrap();
    let cells = |(seq, draft)| {
        let stamp = Stamp {
            batch: "b",
            seq,
            at: "2026-09-01T09:00:00Z".parse().unwrap(),
            formula: "Two beakers",
        };
        Row::from_draft(draft, stamp).cells().to_vec()
    };
    (1..).zip(opening.iter().chain(rows)).map(cells).collect()
}

/// The first cell of `rows` that does not agree: its row, from 0, its column, and why.
fn wrong(rows: &Cells) -> Option<(usize, CellError)> {
    let mut agreement = Agreement::default();
    rows.iter().enumerate().find_map(|(at, cells)| {
        let chain = ["0123456789abcdef".to_owned()];
        let record = csv::StringRecord::from_iter(cells.iter().chain(&chain));
        let row = Row::from_record(&record).unwrap();
        Some((at, agreement.add(&row).err()?))
    })
}

fn disagrees(rows: &Cells) -> Option<(usize, &'static str)> {
    wrong(rows).map(|(at, wrong)| (at, wrong.column))
}

/// Why a weight has no verdict.
const UNPROVEN: &str = "the scale cannot prove this tolerance";

/// Cells of rows, from 0, with other texts in them, and where that must be found out.
type Edits = [(
    &'static [(usize, &'static str, &'static str)],
    Option<(usize, &'static str)>,
)];

#[track_caller]
fn held_against(rows: &Cells, edits: &Edits) {
    assert_eq!(disagrees(rows), None, "as it was written: {rows:?}");
    for (edits, wanted) in edits {
        let mut rows = rows.clone();
        for (row, name, to) in *edits {
            let cell = &mut rows[*row][column(name)];
            assert_ne!(cell, to, "an edit that is none");
            *cell = (*to).to_owned();
        }
        assert_eq!(disagrees(&rows), *wanted, "{edits:?}");
    }
}

/// How far a number may go before it is called wrong, and that one digit more is. The tolerance is that of the
/// formula; where no scale proves it, two steps of a scale that shows such digits (0.1 g each) more.
#[test]
fn a_weight_is_held_against_its_tolerance_to_the_last_digit() {
    let rows = rows_of(
        TWO,
        &[
            weight(1, "Sea salt", 6000, 10_245, 6001),
            weight(2, "Oat flour", 4000, 10_310, 3999),
            closing("complete", 10_000, 10_000),
        ],
    );
    held_against(
        &rows,
        &[
            (&[(2, "low_g", "59.39")], Some((2, "low_g"))),
            (&[(2, "high_g", "60.61")], Some((2, "high_g"))),
            (&[(3, "low_g", "39.59")], Some((3, "low_g"))),
            (
                &[
                    (2, "low_g", "59.39"),
                    (2, "note", UNPROVEN),
                    (2, "verdict", ""),
                ],
                None,
            ),
            (
                &[
                    (2, "low_g", "59.20"),
                    (2, "high_g", "60.80"),
                    (2, "note", UNPROVEN),
                    (2, "verdict", ""),
                ],
                None,
            ),
            (
                &[
                    (2, "low_g", "59.19"),
                    (2, "note", UNPROVEN),
                    (2, "verdict", ""),
                ],
                Some((2, "low_g")),
            ),
            (
                &[
                    (2, "high_g", "60.81"),
                    (2, "note", UNPROVEN),
                    (2, "verdict", ""),
                ],
                Some((2, "high_g")),
            ),
            (&[(2, "note", UNPROVEN)], Some((2, "verdict"))),
            (&[(2, "readings", "0")], Some((2, "readings"))),
            (&[(2, "readings", "1")], None),
            (&[(2, "verdict", "")], Some((2, "verdict"))),
            (&[(2, "gross_g", "162.47")], Some((2, "net_g"))),
            (&[(2, "deviation_g", "")], Some((2, "deviation_g"))),
            (&[(2, "uncertainty_g", "0.009")], Some((2, "uncertainty_g"))),
            // A scale of two decimals makes none of four.
            (
                &[(2, "uncertainty_g", "0.0150")],
                Some((2, "uncertainty_g")),
            ),
            // The sum, what was asked for, and how many are weighed.
            (
                &[(4, "net_g", "100.01"), (4, "deviation_g", "0.01")],
                Some((4, "net_g")),
            ),
            (
                &[(4, "note", "complete; the last mixing was not confirmed")],
                None,
            ),
            (&[(4, "note", "stopped after 2 of 2 weighings")], None),
            (
                &[(4, "note", "stopped after 1 of 2 weighings")],
                Some((4, "note")),
            ),
            (&[(4, "note", "ended")], Some((4, "note"))),
        ],
    );
    // One of the two weighings, and the sum of that one.
    let short = |note| {
        let one = weight(1, "Sea salt", 6000, 10_245, 6001);
        disagrees(&rows_of(TWO, &[one, closing(note, 10_000, 6001)]))
    };
    assert_eq!(short("stopped after 1 of 2 weighings"), None);
    assert_eq!(short("complete"), Some((3, "note")));
}

/// A plan of 100 g, and 3 g more of its first ingredient before its second step.
fn three_more(later: Vec<Retarget>) -> (Plan, Amendment) {
    let formula = Formula::parse(TWO, "").unwrap();
    let bench = [ScaleAbility::assumed("bench")];
    let plan = Plan::new(&formula, BatchSize::Batch(Mass::from_g(100)), &bench, 2.0).unwrap();
    let change = Amendment {
        cause: Cause::InProportion,
        before: 2,
        add: vec![Added {
            part: 0,
            ng: Mass::from_g(3).ng(),
        }],
        later,
        parts: Vec::new(),
    };
    (plan, change)
}

/// A change under way tells its targets to the nanogram: they are held to it, with the tolerance of what was planned
/// first. What it adds belongs to the phase in which it came.
#[test]
fn a_weight_after_a_change_is_held_against_the_change() {
    let later = Retarget {
        step: 2,
        ng: Mass::from_g(42).ng(),
    };
    let (plan, change) = three_more(vec![later]);
    let more = Draft {
        phase: "Later".into(),
        ..weight(2, "Sea salt", 300, 10_245, 301)
    };
    // 1 % of 40.20 g: two steps of 0.1 g are the room of a target that was rounded to the scale.
    let oats = Draft {
        low: hundredths(4160),
        high: hundredths(4240),
        ..weight(3, "Oat flour", 4200, 10_310, 4201)
    };
    let rows = rows_of(
        TWO,
        &[
            weight(1, "Sea salt", 6000, 10_245, 6001),
            Draft::new(RowKind::Remedy, change.note(&plan, Mass::from_mg(10))),
            more,
            oats,
        ],
    );
    held_against(
        &rows,
        &[
            (
                &[(4, "target_g", "3.01"), (4, "deviation_g", "0.00")],
                Some((4, "target_g")),
            ),
            (&[(4, "ingredient", "Oat flour")], Some((4, "ingredient"))),
            (
                &[(5, "target_g", "42.01"), (5, "deviation_g", "0.00")],
                Some((5, "target_g")),
            ),
            (&[(5, "low_g", "41.59")], Some((5, "low_g"))),
            (&[(5, "high_g", "42.41")], Some((5, "high_g"))),
            (&[(5, "phase", "Later")], Some((5, "phase"))),
        ],
    );
}

/// Of a formula that this version does not read the size is still held: both rows that open the batch tell it.
#[test]
fn the_size_is_held_though_the_formula_is_of_another_version() {
    let text = "[formula]\nname = \"Two beakers\"\nstirred_by = \"moonlight\"\n";
    assert!(Formula::parse(text, "").is_err());
    let rows = rows_of(text, &[weight(1, "Sea salt", 6000, 10_245, 6001)]);
    assert_eq!(disagrees(&rows), None);
    let opened = &rows[0][column("note")];
    assert_eq!(opened.matches("100 g").count(), 1, "{opened}");
    for size in ["110 g", "1100 g", "100 g "] {
        let mut forged = rows.clone();
        forged[0][column("note")] = opened.replace("100 g", size);
        assert_eq!(disagrees(&forged), Some((1, "note")), "{size:?}");
    }
}

/// A batch is opened once, by two rows that belong together, and by the name of the formula that they hold.
#[test]
fn the_rows_that_open_a_batch_stand_together_once() {
    let rows = rows_of(TWO, &[weight(1, "Sea salt", 6000, 10_245, 6001)]);
    let order = |order: &[usize]| {
        let rows: Cells = order.iter().map(|at| rows[*at].clone()).collect();
        disagrees(&rows)
    };
    assert_eq!(order(&[0, 1, 2]), None);
    for (wrong, at) in [
        (&[1, 0, 2][..], 0),
        (&[1, 2], 0),
        (&[0, 2], 1),
        (&[0, 0, 1], 1),
        (&[0, 1, 0], 2),
    ] {
        assert_eq!(order(wrong), Some((at, "kind")), "{wrong:?}");
    }
    let mut renamed = rows.clone();
    for row in &mut renamed {
        row[column("formula")] = "Three beakers".into();
    }
    assert_eq!(disagrees(&renamed).map(|at| at.0), Some(1));
    // One row alone names another.
    renamed[..2].clone_from_slice(&rows[..2]);
    assert_eq!(disagrees(&renamed), Some((2, "formula")));
}

/// What is weighed on top of the last is tared with it: the bowl weighs what it weighed, as sure as both weights are.
/// Where something happened in between, nobody knows what it weighs.
#[test]
fn a_bowl_weighs_what_it_weighed_before() {
    let text = TWO.replace("tolerance =", "vessel = \"bowl\"\ntolerance =");
    let bowl = |step, name, target, tare, net| Draft {
        vessel: "bowl".into(),
        ..weight(step, name, target, tare, net)
    };
    let log = |between: &[Draft], tare| {
        let first = bowl(1, "Sea salt", 6000, 10_245, 6001);
        let second = bowl(2, "Oat flour", 4000, tare, 3999);
        rows_of(&text, &[&[first][..], between, &[second]].concat())
    };
    let lot = Draft {
        ingredient: "Oat flour".into(),
        lot: "L-7".into(),
        ..Draft::new(RowKind::Note, lot_named("Oat flour", "L-7"))
    };
    let named = |mut rows: Cells| {
        let last = rows.len() - 1;
        rows[last][column("lot")] = "L-7".into();
        disagrees(&rows)
    };
    // 16246 in the bowl; each weight is sure to 0.015 g.
    for tare in [16_243, 16_246, 16_249] {
        assert_eq!(disagrees(&log(&[], tare)), None);
        assert_eq!(named(log(std::slice::from_ref(&lot), tare)), None);
    }
    for tare in [16_242, 16_250] {
        assert_eq!(disagrees(&log(&[], tare)), Some((3, "tare_g")));
        assert_eq!(
            named(log(std::slice::from_ref(&lot), tare)),
            Some((4, "tare_g"))
        );
        let remark = Draft::new(RowKind::Note, "the bowl was wiped");
        assert_eq!(disagrees(&log(&[remark], tare)), None);
    }
}

/// A lot that was taken back is none until it is named again; what is said of another ingredient names none.
#[test]
fn a_lot_that_was_taken_back_is_named_again_before_it_is_weighed() {
    let note = |lot: &str, note: String| Draft {
        ingredient: "Sea salt".into(),
        lot: lot.into(),
        ..Draft::new(RowKind::Note, note)
    };
    let named = || note("L-7", lot_named("Sea salt", "L-7"));
    let back = || note("", lot_taken_back("Sea salt"));
    let log = |notes: &[Draft], lot: &str| {
        let salt = Draft {
            lot: lot.into(),
            ..weight(1, "Sea salt", 6000, 10_245, 6001)
        };
        disagrees(&rows_of(TWO, &[notes, &[salt]].concat()))
    };
    assert_eq!(log(&[named()], "L-7"), None);
    assert_eq!(log(&[named(), back()], ""), None);
    assert_eq!(log(&[named(), back(), named()], "L-7"), None);
    // A weight that is set right is of the lot that it was, whichever was named since.
    let other = note("L-8", lot_named("Sea salt", "L-8"));
    let set_right = |lot: &str| {
        let weight = |lot: &str, note: &str| Draft {
            lot: lot.into(),
            note: note.into(),
            ..weight(1, "Sea salt", 6000, 10_245, 6001)
        };
        let anew = weight(lot, "corrects seq 4: by hand");
        let rows = [named(), weight("L-7", ""), other.clone(), anew];
        disagrees(&rows_of(TWO, &rows))
    };
    assert_eq!([set_right("L-7"), set_right("L-8")], [None; 2]);
    assert_eq!(set_right("L-9"), Some((5, "lot")));
    // What stayed of it is of its lot too, and what was taken out of what is weighed is of the one that was named.
    let beside = |kind, lot: &str| {
        let beside = Draft {
            lot: lot.into(),
            kind,
            target: None,
            low: None,
            high: None,
            verdict: None,
            ..weight(1, "Sea salt", 6000, 10_245, 50)
        };
        let salt = Draft {
            lot: "L-7".into(),
            ..weight(1, "Sea salt", 6000, 10_245, 6001)
        };
        disagrees(&rows_of(TWO, &[named(), salt, beside]))
    };
    for kind in [RowKind::Residue, RowKind::TakenOut] {
        assert_eq!(beside(kind, "L-7"), None, "{kind:?}");
        assert_eq!(beside(kind, "L-8"), Some((4, "lot")), "{kind:?}");
    }
    let other = || note("L-7", lot_named("Oat flour", "L-7"));
    let wiped = || note("L-7", "the pan was wiped".into());
    for (notes, lot) in [
        (vec![], "L-7"),
        (vec![named()], ""),
        (vec![named(), back()], "L-7"),
        (vec![other()], "L-7"),
        (vec![wiped()], "L-7"),
        (
            vec![back(), named(), note("", lot_taken_back("Oat flour"))],
            "",
        ),
    ] {
        assert_eq!(
            log(&notes, lot),
            Some((2 + notes.len(), "lot")),
            "{notes:?}"
        );
    }
}

/// A step that a change puts in moves the later ones, be they weighed already: what is said of them has their new number.
#[test]
fn what_was_weighed_has_the_number_that_a_change_gave_it() {
    let (plan, change) = three_more(Vec::new());
    let anew = |step| Draft {
        note: "corrects seq 4: by hand".into(),
        ..weight(step, "Oat flour", 4000, 10_310, 4001)
    };
    let log = |step| {
        let rows = [
            weight(1, "Sea salt", 6000, 10_245, 6001),
            weight(2, "Oat flour", 4000, 10_310, 3999),
            Draft::new(RowKind::Remedy, change.note(&plan, Mass::from_mg(10))),
            anew(step),
        ];
        disagrees(&rows_of(TWO, &rows))
    };
    assert_eq!(log(3), None);
    assert!(log(2).is_some());
    // What the change put in is the same ingredient, and another step.
    let again = |step, target, tare, net| {
        let more = Draft {
            phase: "Later".into(),
            ..weight(2, "Sea salt", 300, 10_245, 301)
        };
        let anew = Draft {
            note: "corrects seq 3: by hand".into(),
            phase: if step == 2 { "Later" } else { "Dry" }.into(),
            ..weight(step, "Sea salt", target, tare, net)
        };
        let rows = [
            weight(1, "Sea salt", 6000, 10_245, 6001),
            Draft::new(RowKind::Remedy, change.note(&plan, Mass::from_mg(10))),
            more,
            anew,
        ];
        disagrees(&rows_of(TWO, &rows))
    };
    assert_eq!(again(1, 6000, 10_245, 6002), None);
    assert_eq!(again(2, 300, 10_245, 302), Some((5, "step")));
}

/// A stopped batch goes on by the row that names what closed it; without that what follows comes after the end.
#[test]
fn after_the_end_a_batch_goes_on_by_its_word_alone() {
    let log = |word: Option<u64>| {
        let word = word.map(|seq| Draft::new(RowKind::Note, goes_on(seq)));
        let rows = [
            vec![weight(1, "Sea salt", 6000, 10_245, 6001)],
            vec![closing("stopped after 1 of 2 weighings", 10_000, 6001)],
            word.into_iter().collect(),
            vec![weight(2, "Oat flour", 4000, 10_310, 3999)],
        ];
        disagrees(&rows_of(TWO, &rows.concat()))
    };
    assert_eq!(log(Some(4)), None);
    assert_eq!(log(Some(3)).map(|at| at.0), Some(5));
    assert_eq!(log(None).map(|at| at.0), Some(4));
    // The size in the closing row is the batch's.
    let sized = |target| {
        let one = weight(1, "Sea salt", 6000, 10_245, 6001);
        disagrees(&rows_of(
            TWO,
            &[one, closing("stopped after 1 of 2 weighings", target, 6001)],
        ))
    };
    assert_eq!(sized(10_000), None);
    assert_eq!(sized(12_000), Some((3, "target_g")));
}

/// A lot is named of what the formula has; what stayed and what was taken out add up to what the note says.
#[test]
fn a_note_agrees_with_the_weight_it_tells_of() {
    let lot = Draft {
        ingredient: "Sea salt".into(),
        lot: "L-7".into(),
        ..Draft::new(RowKind::Note, lot_named("Sea salt", "L-7"))
    };
    let kept_out = Draft {
        lot: "L-7".into(),
        verdict: None,
        uncertainty: None,
        kind: RowKind::TakenOut,
        note: "over-pour of 61.20 g taken back to 60.01 g".into(),
        ..weight(1, "Sea salt", 6000, 10_245, 119)
    };
    let salt = Draft {
        lot: "L-7".into(),
        ..weight(1, "Sea salt", 6000, 10_245, 6001)
    };
    let stayed = Draft {
        lot: "L-7".into(),
        target: None,
        low: None,
        high: None,
        verdict: None,
        kind: RowKind::Residue,
        note: "stayed in the beaker of seq 5; 59.51 g went in".into(),
        ..weight(1, "Sea salt", 6000, 10_245, 50)
    };
    let rows = rows_of(TWO, &[lot, kept_out, salt, stayed]);
    held_against(
        &rows,
        &[
            (
                &[(2, "ingredient", "Clay"), (2, "note", "lot of Clay: L-7")],
                Some((2, "ingredient")),
            ),
            (
                &[(3, "note", "over-pour of 61.21 g taken back to 60.01 g")],
                Some((3, "net_g")),
            ),
            (
                &[(3, "note", "over-pour of 62.20 g taken back to 61.01 g")],
                Some((3, "note")),
            ),
            (
                &[(5, "note", "stayed in the beaker of seq 5; 59.52 g went in")],
                Some((5, "note")),
            ),
            (
                &[(5, "note", "stayed in the beaker of seq 3; 59.51 g went in")],
                Some((5, "note")),
            ),
        ],
    );
}

/// The cells show each bound whole; the note rounds to a microgram, on an ounce scale as well. What was taken back to a
/// bound may stand beyond it there by less than that.
#[test]
fn what_was_taken_back_to_a_bound_is_inside_as_its_note_rounds_it() {
    let oz = |text: &str| Mass::parse(text.as_bytes(), Unit::Ounce).unwrap();
    let (d, low, high, peak) = (oz("0.0005"), oz("2.0960"), oz("2.1375"), oz("2.1500"));
    for (bound, outwards) in [(low, -1), (high, 1)] {
        let told = |micrograms: i64| {
            let by = Mass::from_ng(1_000 * micrograms * outwards);
            let more = peak - bound;
            let (peak, left) = ((peak + by).grams(d), (bound + by).grams(d));
            Draft {
                step: 1,
                phase: "Dry".into(),
                ingredient: "Sea salt".into(),
                low: Some(low),
                high: Some(high),
                net: Some(more),
                unit: Some(Unit::Ounce),
                readability: d,
                ..Draft::new(
                    RowKind::TakenOut,
                    format!("over-pour of {peak} g taken back to {left} g"),
                )
            }
        };
        let shown = bound.grams(d).to_string();
        let shown = Mass::parse(shown.as_bytes(), Unit::Gram).unwrap();
        assert_eq!(
            (shown - bound).ng().signum(),
            outwards,
            "{shown:?} is beyond"
        );
        let disagrees = |micrograms| disagrees(&rows_of(TWO, &[told(micrograms)]));
        assert_eq!(disagrees(0), None);
        assert_eq!(disagrees(2), Some((2, "note")));
    }
}

/// Jars are those of the filling, each against its label; their end tells their sum, their mean and the yield.
#[test]
fn jars_agree_with_their_filling_and_with_its_end() {
    let jar = |number, net| Draft {
        phase: filling::phase().to_string(),
        vessel: "jar".into(),
        low: hundredths(4900),
        high: hundredths(5000),
        kind: RowKind::Filled,
        ..weight(number, "Two beakers", 4900, 12_000, net)
    };
    let fill = Fill {
        nominal: Mass::from_g(49),
        over: Mass::from_g(1),
        rule: Rule::Eu76211,
        made: Mass::from_mg(100_000),
        first: 1,
        last: 2,
    };
    let end = "filling: 2 jars filled, 99.10 g, mean 49.55 g, yield 99.1 %; 0.90 g not in a jar (in the bowl, or lost)";
    let rows = rows_of(
        TWO,
        &[
            weight(1, "Sea salt", 6000, 10_245, 6001),
            weight(2, "Oat flour", 4000, 10_310, 3999),
            closing("complete", 10_000, 10_000),
            Draft::new(RowKind::Note, note_of(&fill)),
            jar(1, 4950),
            jar(2, 4960),
            closing(end, 10_000, 9910),
        ],
    );
    held_against(
        &rows,
        &[
            (&[(6, "step", "3")], Some((6, "step"))),
            (&[(6, "step", "2")], Some((6, "step"))),
            (
                &[(6, "target_g", "48.00"), (6, "deviation_g", "1.50")],
                Some((6, "target_g")),
            ),
            (&[(6, "ingredient", "Oat flour")], Some((6, "ingredient"))),
            (&[(6, "vessel", "beaker")], Some((6, "vessel"))),
            (&[(6, "phase", "Dry")], Some((6, "phase"))),
            (&[(6, "low_g", "48.99")], Some((6, "low_g"))),
            (&[(7, "high_g", "50.01")], Some((7, "high_g"))),
            (
                &[(8, "target_g", "100.01"), (8, "deviation_g", "-0.91")],
                Some((8, "target_g")),
            ),
            (
                &[(
                    8,
                    "note",
                    "filling: 2 jars filled, 99.10 g, mean 49.55 g, yield 99.2 %; 0.90 g not in a jar",
                )],
                Some((8, "note")),
            ),
            (
                &[(
                    8,
                    "note",
                    "filling: 2 jars filled, 99.10 g, mean 49.55 g, yield 99.1 %; 1.90 g not in a jar",
                )],
                Some((8, "note")),
            ),
            // A mean may be told to a step of such a scale, and no further off.
            (
                &[(
                    8,
                    "note",
                    "filling: 2 jars filled, 99.10 g, mean 49.65 g, yield 99.1 %; 0.90 g not in a jar",
                )],
                None,
            ),
            (
                &[(
                    8,
                    "note",
                    "filling: 2 jars filled, 99.10 g, mean 49.66 g, yield 99.1 %; 0.90 g not in a jar",
                )],
                Some((8, "note")),
            ),
            (
                &[(
                    8,
                    "note",
                    "filling: 1 jar filled, 99.10 g, mean 49.55 g, yield 99.1 %; 0.90 g not in a jar",
                )],
                Some((8, "note")),
            ),
        ],
    );
}

/// A check that failed is not made one that passed by a wider window, another class or another weight. What is
/// allowed: OIML R 111-1:2004, Table 1, 100 g of class M1: 5 mg.
#[test]
fn a_scale_check_is_held_against_its_test_weight() {
    let line = "scale-checks,1,2026-11-27T16:55:35.335Z,scale-check,scale checks,,,test weight 100 g M1,,,100.00,\
        99.983428195,100.016571805,0.00,100.60,100.60,0.60,0.012,over,bench,,3,note,6bfaf6ce1fd64a38";
    let cells: Vec<&str> = line.split(',').collect();
    let found = |edits: &[(&str, &'static str)]| {
        let mut cells = cells.clone();
        for (name, to) in edits {
            cells[column(name)] = to;
        }
        let row = Row::from_record(&csv::StringRecord::from(cells)).unwrap();
        Agreement::default().add(&row).map_err(|wrong| wrong.column)
    };
    assert_eq!(found(&[]), Ok(()));
    // 17 mg of both; the uncertainty is written to the milligram.
    assert_eq!(found(&[("low_g", "99.984")]), Ok(()));
    assert_eq!(found(&[("high_g", "100.018")]), Ok(()));
    for (edits, cell) in [
        (&[("low_g", "99.984000001")][..], "low_g"),
        (&[("high_g", "100.018000001")], "high_g"),
        (&[("verdict", "inside")][..], "verdict"),
        (&[("verdict", "")], "verdict"),
        (&[("high_g", "101.00"), ("verdict", "inside")], "high_g"),
        (&[("low_g", "99.95")], "low_g"),
        (&[("ingredient", "test weight 100 g F1")], "low_g"),
        (
            &[("target_g", "100.60"), ("deviation_g", "0.00")],
            "target_g",
        ),
        (
            &[("low_g", ""), ("high_g", ""), ("verdict", "inside")],
            "target_g",
        ),
    ] {
        assert_eq!(found(edits), Err(cell), "{edits:?}");
    }
}

/// What a weight on a scale always has is there, whatever else was emptied with it; what is left out has none of it.
#[test]
fn a_weight_on_a_scale_is_told_whole() {
    let left_out = Draft {
        target: hundredths(4000),
        low: hundredths(3960),
        high: hundredths(4040),
        net: Some(Mass::ZERO),
        verdict: Some(Verdict::Kept),
        note: "skipped: none left".into(),
        ..Draft::new(RowKind::Weighed, "")
    };
    let left_out = Draft {
        step: 2,
        ingredient: "Oat flour".into(),
        readability: Mass::from_mg(10),
        ..left_out
    };
    let stayed = Draft {
        target: None,
        low: None,
        high: None,
        verdict: None,
        kind: RowKind::Residue,
        ..weight(1, "Sea salt", 6000, 10_245, 50)
    };
    let log = |rest: &[Draft]| {
        let salt = weight(1, "Sea salt", 6000, 10_245, 6001);
        rows_of(TWO, &[&[salt], rest].concat())
    };
    held_against(
        &log(&[left_out, stayed]),
        &[
            (&[(2, "ingredient", "")], Some((2, "ingredient"))),
            (&[(2, "step", "")], Some((2, "step"))),
            (&[(2, "vessel", "")], Some((2, "vessel"))),
            (
                &[(2, "target_g", ""), (2, "deviation_g", "")],
                Some((2, "target_g")),
            ),
            (&[(2, "low_g", "")], Some((2, "low_g"))),
            (&[(2, "high_g", "")], Some((2, "high_g"))),
            (&[(2, "tare_g", "")], Some((2, "tare_g"))),
            (&[(2, "gross_g", "")], Some((2, "gross_g"))),
            (
                &[(2, "net_g", ""), (2, "deviation_g", "")],
                Some((2, "net_g")),
            ),
            (&[(2, "uncertainty_g", "")], Some((2, "uncertainty_g"))),
            (&[(2, "scale", "")], Some((2, "scale"))),
            (&[(2, "unit", "")], Some((2, "unit"))),
            (&[(2, "readings", "")], Some((2, "readings"))),
            // One cell that is left tells of a scale.
            (
                &[
                    (2, "tare_g", ""),
                    (2, "gross_g", ""),
                    (2, "uncertainty_g", ""),
                ],
                Some((2, "tare_g")),
            ),
            (
                &[(2, "tare_g", ""), (2, "gross_g", ""), (2, "readings", "")],
                Some((2, "tare_g")),
            ),
            (
                &[
                    (2, "tare_g", ""),
                    (2, "uncertainty_g", ""),
                    (2, "readings", ""),
                ],
                Some((2, "tare_g")),
            ),
            (
                &[
                    (2, "gross_g", ""),
                    (2, "uncertainty_g", ""),
                    (2, "readings", ""),
                ],
                Some((2, "gross_g")),
            ),
            // Without any the first weight is of no scale, and then what follows is of none either.
            (
                &[
                    (2, "tare_g", ""),
                    (2, "gross_g", ""),
                    (2, "uncertainty_g", ""),
                    (2, "readings", ""),
                ],
                Some((4, "readings")),
            ),
            // What was left out weighs nothing, and a person said so.
            (
                &[(3, "net_g", "0.01"), (3, "deviation_g", "-39.99")],
                Some((3, "net_g")),
            ),
            (&[(3, "verdict", "under")], Some((3, "net_g"))),
            (&[(4, "step", "")], None),
            (&[(4, "tare_g", "")], Some((4, "tare_g"))),
        ],
    );
    // A correction is of a scale too; one that only takes a weight back need tell nothing of it, not even its step.
    let anew = Draft {
        note: "corrects seq 3: by hand".into(),
        ..weight(1, "Sea salt", 6000, 10_245, 6002)
    };
    let back = Draft {
        note: "corrects seq 3: by hand".into(),
        ..Draft::new(RowKind::Weighed, "")
    };
    held_against(
        &log(&[anew, back]),
        &[
            (&[(3, "scale", "")], Some((3, "scale"))),
            (
                &[(3, "step", "2"), (3, "ingredient", "")],
                Some((3, "ingredient")),
            ),
            (&[(4, "step", "1")], None),
            (&[(4, "step", "2")], Some((4, "step"))),
        ],
    );
}

/// A log that was put together without the rows that open a batch has its weights in whatever order, and tells of a
/// scale or not; those of no step are no part of the sum.
#[test]
fn a_log_that_was_put_together_otherwise_has_an_order_of_its_own() {
    let by_hand = |step, ingredient: &str, net| Draft {
        step,
        ingredient: ingredient.into(),
        net: hundredths(net),
        readability: Mass::from_mg(10),
        ..Draft::new(RowKind::Weighed, "")
    };
    let anew = |seq, draft: Draft| Draft {
        note: format!("corrects seq {seq}: by hand"),
        ..draft
    };
    let bare = |rows: &[Draft]| disagrees(&rows_of(TWO, rows)[2..].to_vec());
    let end = |net| Draft {
        target: None,
        ..closing("complete", 0, net)
    };
    let log = [
        by_hand(2, "Oat flour", 3999),
        by_hand(1, "Sea salt", 6001),
        by_hand(0, "Clay", 100),
        // One without a number is corrected by one with it, and the other way round.
        anew(5, by_hand(3, "Clay", 101)),
        anew(3, by_hand(0, "Oat flour", 4000)),
    ];
    let and = |net| [&log[..], &[end(net)]].concat();
    assert_eq!(bare(&and(10_001)), None);
    assert_eq!(bare(&and(10_102)), Some((5, "net_g")));
    // So has one that opens the batch, and whose weights were on no scale.
    let none = [by_hand(2, "Oat flour", 3999), by_hand(1, "Sea salt", 6001)];
    assert_eq!(disagrees(&rows_of(TWO, &none)), None);
    // Nor is their uncertainty held to the digits of a scale, or what a person kept to its window.
    let window = |draft: Draft| Draft {
        target: hundredths(6000),
        low: hundredths(5940),
        high: hundredths(6060),
        ..draft
    };
    let sure = Draft {
        uncertainty: Some(Mass::from_ng(1)),
        ..window(by_hand(1, "Sea salt", 6001))
    };
    assert_eq!(bare(std::slice::from_ref(&sure)), None);
    let kept = Draft {
        verdict: Some(Verdict::Kept),
        ..sure.clone()
    };
    assert_eq!(bare(&[kept]), None);
    let at_a_bench = Draft {
        readings: Some(3),
        ..sure
    };
    assert_eq!(bare(&[at_a_bench]), Some((0, "uncertainty_g")));
    // The end of a filling whose beginning it does not tell sums up jars, and no weights.
    let filled = Draft {
        note: "filling: 2 jars filled, 99.10 g".into(),
        ..end(9910)
    };
    assert_eq!(bare(&[by_hand(1, "Sea salt", 6001), filled]), None);
}

/// The bounds of a window are inside it. A person keeps what is outside, or what nothing proves; what a bench proves
/// to be inside is said to be.
#[test]
fn a_verdict_is_that_of_the_window_and_its_bounds_are_inside() {
    let log = |net: i64, edit: &dyn Fn(&mut Draft)| {
        let mut salt = weight(1, "Sea salt", 6000, 10_245, net);
        edit(&mut salt);
        disagrees(&rows_of(TWO, &[salt]))
    };
    let wrong = Some((2, "verdict"));
    for (net, verdict) in [
        (5939, Verdict::Under),
        (5940, Verdict::Inside),
        (6060, Verdict::Inside),
        (6061, Verdict::Over),
    ] {
        for said in [Verdict::Under, Verdict::Inside, Verdict::Over] {
            let found = log(net, &|row| row.verdict = Some(said));
            assert_eq!(found, wrong.filter(|_| said != verdict), "{net} {said:?}");
        }
        let kept = log(net, &|row| row.verdict = Some(Verdict::Kept));
        assert_eq!(kept, wrong.filter(|_| verdict == Verdict::Inside), "{net}");
    }
    for unproven in [UNPROVEN, "tare not proven"] {
        let kept = |row: &mut Draft| {
            row.verdict = Some(Verdict::Kept);
            row.note = unproven.into();
        };
        assert_eq!(log(6001, &kept), None);
    }
    // A window may be one weight wide.
    let narrow = |row: &mut Draft| (row.low, row.high) = (row.target, row.target);
    assert_eq!(log(6000, &narrow), None);
    // A correction may keep what it sets right, or take its verdict away.
    for verdict in [Some(Verdict::Kept), None] {
        let anew = Draft {
            verdict,
            note: "corrects seq 3: by hand".into(),
            ..weight(1, "Sea salt", 6000, 10_245, 6002)
        };
        let salt = weight(1, "Sea salt", 6000, 10_245, 6001);
        assert_eq!(disagrees(&rows_of(TWO, &[salt, anew])), None);
    }
    // What stayed in a beaker is judged by nobody.
    let stayed = |verdict| Draft {
        kind: RowKind::Residue,
        verdict,
        target: None,
        ..weight(1, "Sea salt", 6000, 10_245, 6000)
    };
    for verdict in [Some(Verdict::Kept), None] {
        assert_eq!(disagrees(&rows_of(TWO, &[stayed(verdict)])), None);
    }
}

/// A change adds to steps and ingredients that there are, at the end too, and nothing of no weight; what a later step
/// has weighed already stands behind what it adds.
#[test]
fn a_change_is_of_what_the_batch_has() {
    let salt = || weight(1, "Sea salt", 6000, 10_245, 6001);
    let oats = || weight(2, "Oat flour", 4000, 10_310, 3999);
    let (plan, change) = three_more(Vec::new());
    let row =
        |change: &Amendment| Draft::new(RowKind::Remedy, change.note(&plan, Mass::from_mg(10)));
    let log = |change: &Amendment, then: &[Draft]| {
        let rows = [&[salt(), oats(), row(change)], then].concat();
        disagrees(&rows_of(TWO, &rows))
    };
    let more = |step, net| Draft {
        phase: "Later".into(),
        ..weight(step, "Sea salt", 300, 10_245, net)
    };
    let end = |net| closing("complete", 10_000, net);
    // The second step was weighed, and is the third now.
    assert_eq!(log(&change, &[more(2, 301), end(10_301)]), None);
    assert_eq!(log(&change, &[more(3, 301)]).map(|at| at.0), Some(5));
    assert_eq!(log(&change, &[end(10_000)]), Some((5, "note")));
    let at_the_end = |before| Amendment {
        before,
        ..change.clone()
    };
    assert_eq!(log(&at_the_end(3), &[more(3, 301), end(10_301)]), None);
    for before in [0, 4] {
        let mut rows = rows_of(TWO, &[salt(), oats(), row(&change)]);
        let note = &mut rows[4][column("note")];
        assert_eq!(note.matches("\"before\":2").count(), 1, "{note}");
        *note = note.replace("\"before\":2", &format!("\"before\":{before}"));
        assert_eq!(disagrees(&rows), Some((4, "note")), "{before}");
    }
    let part = |part, ng| Amendment {
        add: vec![Added { part, ng }],
        ..change.clone()
    };
    let mut rows = rows_of(TWO, &[salt(), oats(), row(&change)]);
    let note = &mut rows[4][column("note")];
    assert_eq!(note.matches("\"part\":0").count(), 1, "{note}");
    *note = note.replace("\"part\":0", "\"part\":2");
    assert_eq!(disagrees(&rows), Some((4, "note")));
    assert_eq!(log(&part(0, 0), &[end(10_000)]), None);
    // What stayed of the second step stayed of the third: so much less is to fill.
    let stayed = Draft {
        target: None,
        low: None,
        high: None,
        verdict: None,
        kind: RowKind::Residue,
        ..weight(2, "Oat flour", 4000, 10_310, 50)
    };
    let filling = |made: i64| {
        let fill = Fill {
            made: Mass::from_mg(made * 10),
            ..jars_of_49()
        };
        Draft::new(RowKind::Note, note_of(&fill))
    };
    let of_salt = Draft {
        target: None,
        low: None,
        high: None,
        verdict: None,
        kind: RowKind::Residue,
        ..weight(1, "Sea salt", 6000, 10_245, 20)
    };
    let filled = |made| {
        let rows = [
            salt(),
            of_salt.clone(),
            oats(),
            stayed.clone(),
            row(&change),
            more(2, 301),
            end(10_301),
            filling(made),
        ];
        disagrees(&rows_of(TWO, &rows))
    };
    assert_eq!(filled(10_231), None);
    assert_eq!(filled(10_251), Some((9, "note")));
    // What stays of what was added is of that step, and not of the one that had its number.
    let of_added = Draft {
        ingredient: "Sea salt".into(),
        ..stayed.clone()
    };
    let twice = |made| {
        let rows = [
            salt(),
            oats(),
            stayed.clone(),
            row(&change),
            more(2, 301),
            of_added.clone(),
            end(10_301),
            filling(made),
        ];
        disagrees(&rows_of(TWO, &rows))
    };
    assert_eq!(twice(10_201), None);
    assert_eq!(twice(10_251), Some((9, "note")));
}

/// A remedy plans what its parts add up to; the numbers are told, so that they can be compared.
#[test]
fn what_does_not_agree_is_told_with_its_numbers() {
    let (plan, change) = three_more(Vec::new());
    let change = Amendment {
        parts: vec![Mass::from_g(63).ng(), Mass::from_g(42).ng()],
        ..change
    };
    let row = Draft {
        target: hundredths(10_501),
        readability: Mass::from_mg(10),
        ..Draft::new(RowKind::Remedy, change.note(&plan, Mass::from_mg(10)))
    };
    let rows = rows_of(TWO, &[weight(1, "Sea salt", 6000, 10_245, 6001), row]);
    assert_eq!(
        wrong(&rows).map(|(at, wrong)| (at, wrong.why.to_string())),
        Some((
            3,
            "is not the sum of what its note plans, 105.00 g".to_owned()
        ))
    );
}

/// Of the last, which is no percentage but what is left to a whole, more of the rounding is allowed; after a change its
/// tolerance is that of all that it may come to.
#[test]
fn the_balance_has_the_room_of_all_that_is_rounded_before_it() {
    let text = TWO.replace("percent = 40", "balance = true");
    assert_ne!(text, TWO);
    // Two steps of 0.1 g for each of two weights.
    let log = |step: usize, target| {
        let oats = weight(2, "Oat flour", target, 10_310, target);
        let salt = |target| weight(1, "Sea salt", target, 10_245, target);
        let rows = match step {
            1 => vec![salt(target)],
            _ => vec![salt(6000), oats],
        };
        disagrees(&rows_of(&text, &rows))
    };
    assert_eq!([log(1, 6020), log(2, 4020), log(2, 4040)], [None; 3]);
    assert_eq!(log(1, 6021), Some((2, "target_g")));
    assert_eq!(log(2, 4041), Some((3, "target_g")));
    let later = Retarget {
        step: 2,
        ng: Mass::from_g(50).ng(),
    };
    let (plan, change) = three_more(vec![later]);
    let changed = |low, high| {
        let more = Draft {
            phase: "Later".into(),
            ..weight(2, "Sea salt", 300, 10_245, 301)
        };
        let oats = Draft {
            low: hundredths(low),
            high: hundredths(high),
            ..weight(3, "Oat flour", 5000, 10_310, 5000)
        };
        let rows = [
            weight(1, "Sea salt", 6000, 10_245, 6001),
            Draft::new(RowKind::Remedy, change.note(&plan, Mass::from_mg(10))),
            more,
            oats,
        ];
        disagrees(&rows_of(&text, &rows))
    };
    // 1 % of 50.30 g, three weights by then.
    assert_eq!(changed(4950, 5050), None);
    assert_eq!(changed(4949, 5050), Some((5, "low_g")));
    assert_eq!(changed(4950, 5051), Some((5, "high_g")));
}

/// Of two phases of one name nobody knows which one was mixed; of one, all of it is weighed before.
#[test]
fn what_is_mixed_is_weighed_before() {
    let mixed = |phase: &str| Draft {
        phase: phase.into(),
        ..Draft::new(RowKind::Mixed, "Stir. (confirmed)")
    };
    let log = |second: &str| {
        let text = TWO.replace("name = \"Dry\"", "name = \"Dry\"\nmix = \"Stir.\"");
        let text = text.replace(
            "[[phase.ingredient]]\nname = \"Oat flour\"",
            &format!(
                "[[phase]]\nname = \"{second}\"\nmix = \"Stir.\"\n[[phase.ingredient]]\nname = \"Oat flour\""
            ),
        );
        let salt = weight(1, "Sea salt", 6000, 10_245, 6001);
        let of = |rows: &[Draft]| disagrees(&rows_of(&text, rows));
        (
            of(&[mixed("Dry")]),
            of(&[salt.clone(), mixed("Dry")]),
            of(&[salt, mixed(second)]),
        )
    };
    let early = |at| Some((at, "kind"));
    assert_eq!(log("Wet"), (early(2), None, early(3)));
    assert_eq!(log("Dry"), (None, None, None));
}

/// A size on a scale of whole grams has the room of ten of them: no scale of that kind has a coarser step.
#[test]
fn a_size_in_whole_grams_may_be_ten_off() {
    let log = |target: i64| {
        let end = Draft {
            target: Some(Mass::from_g(target)),
            net: Some(Mass::ZERO),
            readability: Mass::from_g(1),
            ..Draft::new(RowKind::Closed, "stopped after 0 of 2 weighings")
        };
        disagrees(&rows_of(TWO, &[end]))
    };
    assert_eq!([log(90), log(110)], [None; 2]);
    assert_eq!([log(89), log(111)], [Some((2, "target_g")); 2]);
}

/// Jars of 49 g out of 100 g.
fn jars_of_49() -> Fill {
    Fill {
        nominal: Mass::from_g(49),
        over: Mass::from_g(1),
        rule: Rule::Eu76211,
        made: Mass::from_g(100),
        first: 1,
        last: 2,
    }
}

/// A weight may be set right when jars are filled; jars are filled where their filling was begun, and the next filling
/// has what the last one left.
#[test]
fn a_filling_has_what_is_in_no_jar_yet() {
    let jar = |number| Draft {
        phase: filling::phase().to_string(),
        vessel: "jar".into(),
        low: hundredths(4900),
        high: hundredths(5000),
        kind: RowKind::Filled,
        ..weight(number, "Two beakers", 4900, 12_000, 4950)
    };
    let weighed = [
        weight(1, "Sea salt", 6000, 10_245, 6001),
        weight(2, "Oat flour", 4000, 10_310, 3999),
        closing("complete", 10_000, 10_000),
    ];
    let log = |rows: &[Draft]| disagrees(&rows_of(TWO, &[&weighed, rows].concat()));
    let begin = |fill: Fill| Draft::new(RowKind::Note, note_of(&fill));
    let first = || {
        begin(Fill {
            last: 1,
            ..jars_of_49()
        })
    };
    let anew = Draft {
        note: "corrects seq 3: by hand".into(),
        ..weight(1, "Sea salt", 6000, 10_245, 6002)
    };
    assert_eq!(log(&[first(), anew, jar(1)]), None);
    assert_eq!(log(&[jar(1)]), Some((5, "kind")));
    // Nor where the formula is of another version, and no plan says what a row is of.
    let text = "[formula]\nname = \"Two beakers\"\nstirred_by = \"moonlight\"\n";
    let unread = [weighed[0].clone(), weighed[1].clone(), jar(1)];
    assert_eq!(disagrees(&rows_of(text, &unread)), Some((4, "kind")));
    let end = closing(
        "filling: 1 jar filled, 49.50 g, mean 49.50 g, yield 49.5 %; 50.50 g not in a jar",
        10_000,
        4950,
    );
    let again = |made: i64| {
        let second = begin(Fill {
            made: Mass::from_mg(made * 10),
            first: 2,
            ..jars_of_49()
        });
        log(&[first(), jar(1), end.clone(), second])
    };
    assert_eq!(again(5050), None);
    assert_eq!(again(10_000), Some((8, "note")));
}

// ---- the program itself --------------------------------------------------------------------------

fn read(log: &Path) -> Cells {
    let mut reader = csv::Reader::from_path(log).unwrap();
    let rows = reader.records().map(Result::unwrap);
    rows.map(|row| row.iter().take(23).map(str::to_owned).collect())
        .collect()
}

/// Writes the log with every seq and every chain computed anew.
fn write(log: &Path, rows: &Cells) {
    let mut bytes = format!("{}\n", COLUMNS.join(",")).into_bytes();
    let mut previous = chain::start(&rows[0][0]);
    for (seq, row) in (1..).zip(rows) {
        let mut row = row.clone();
        row[column("seq")] = format!("{seq}");
        let mut writer = csv::WriterBuilder::new()
            .terminator(csv::Terminator::Any(b'\n'))
            .from_writer(Vec::new());
        writer.write_record(&row).unwrap();
        let mut body = writer.into_inner().unwrap();
        body.pop();
        previous = chain::link(&previous, &body);
        bytes.extend(body);
        bytes.extend(format!(",{previous}\n").bytes());
    }
    std::fs::write(log, bytes).unwrap();
}

/// One log of the season whose rows are altered.
struct Forged {
    rows: Cells,
    path: PathBuf,
}

impl Forged {
    /// The row of `kind` that is the `nth` from 0.
    fn at(&self, kind: &str, nth: usize) -> usize {
        let rows = self.rows.iter().enumerate();
        let mut of_kind = rows.filter(|(_, row)| row[column("kind")] == kind);
        of_kind.nth(nth).unwrap_or_else(|| panic!("no {kind}")).0
    }

    fn get(&self, row: usize, name: &str) -> &str {
        &self.rows[row][column(name)]
    }

    fn set(&mut self, row: usize, name: &str, to: impl Into<String>) {
        self.rows[row][column(name)] = to.into();
    }

    /// A number of the row, in hundredths of a gram, and more.
    fn add(&mut self, row: usize, names: &[&str], hundredths: i64) {
        for name in names {
            let cell = self.get(row, name);
            let value: f64 = cell.parse().unwrap_or_else(|_| panic!("{name}: {cell:?}"));
            let value = (value * 100.0).round() as i64 + hundredths;
            let sign = if value < 0 { "-" } else { "" };
            let (whole, part) = (value.abs() / 100, value.abs() % 100);
            self.set(row, name, format!("{sign}{whole}.{part:02}"));
        }
    }

    fn replace(&mut self, row: usize, name: &str, from: &str, to: &str) {
        let cell = self.get(row, name).to_owned();
        assert!(cell.contains(from), "{from:?} is not in {cell:?}");
        self.set(row, name, cell.replacen(from, to, 1));
    }

    /// The formula's text edited, with its hash.
    fn formula(&mut self, from: &str, to: &str) {
        let note = self.get(1, "note").to_owned();
        let json = note.strip_prefix("formula ").unwrap();
        let mut note: serde_json::Value = serde_json::from_str(json).unwrap();
        let text = note["text"].as_str().unwrap();
        assert!(text.contains(from), "{text}");
        let text = text.replacen(from, to, 1);
        note["sha256"] = chain::sha256(&text).into();
        note["text"] = text.into();
        self.set(1, "note", format!("formula {note}"));
    }
}

/// The row (from 0) and the column at which it must be found out, after what was forged.
type Forgery = fn(&mut Forged) -> (usize, &'static str);

const BALM: &str = "marram-balm-20260304-0810";
const SOAK: &str = "glasswort-bath-soak-20260306-1033";
const MENDED: &str = "glasswort-bath-soak-20260325-0810";
const SALTS: &str = "tideline-bath-salts-20260311-1033";

/// What somebody may try, and in which log.
fn forgeries() -> Vec<(&'static str, &'static str, Forgery)> {
    vec![
        ("a net weight, with its deviation", BALM, |log| {
            let row = log.at("weighed", 1);
            log.add(row, &["net_g", "deviation_g"], 7);
            (row, "net_g")
        }),
        ("a deviation", BALM, |log| {
            let row = log.at("weighed", 1);
            log.add(row, &["deviation_g"], -5);
            (row, "deviation_g")
        }),
        ("a deviation wiped out", BALM, |log| {
            let row = log.at("weighed", 1);
            log.set(row, "deviation_g", "");
            (row, "deviation_g")
        }),
        ("a whole weight moved out of its window", BALM, |log| {
            let row = log.at("weighed", 2);
            log.add(row, &["gross_g", "net_g", "deviation_g"], 900);
            (row, "verdict")
        }),
        ("a verdict turned", BALM, |log| {
            let row = log.at("weighed", 0);
            log.set(row, "verdict", "over");
            (row, "verdict")
        }),
        ("a verdict wiped out", BALM, |log| {
            let row = log.at("weighed", 0);
            log.set(row, "verdict", "");
            (row, "verdict")
        }),
        (
            "a verdict beside a tolerance that is not proven",
            BALM,
            |log| {
                let row = log.at("weighed", 0);
                log.set(row, "note", "tare not proven: it may be off by 3.00 g");
                (row, "verdict")
            },
        ),
        ("a window wider than the tolerance", BALM, |log| {
            let row = log.at("weighed", 2);
            log.add(row, &["high_g"], 500);
            (row, "high_g")
        }),
        ("the same below", BALM, |log| {
            let row = log.at("weighed", 2);
            log.add(row, &["low_g"], -500);
            (row, "low_g")
        }),
        ("a window upside down", BALM, |log| {
            let row = log.at("weighed", 2);
            log.add(row, &["low_g"], 5000);
            (row, "low_g")
        }),
        ("another target, with all that hangs on it", BALM, |log| {
            let row = log.at("weighed", 2);
            log.add(
                row,
                &["target_g", "low_g", "high_g", "gross_g", "net_g"],
                900,
            );
            (row, "target_g")
        }),
        (
            "the balance's target, with all that hangs on it",
            BALM,
            |log| {
                let row = log.at("weighed", 0);
                let all = ["target_g", "low_g", "high_g", "gross_g", "net_g"];
                log.add(row, &all, 900);
                let end = log.at("closed", 0);
                log.add(end, &["net_g", "deviation_g"], 900);
                (row, "target_g")
            },
        ),
        ("a smaller uncertainty", BALM, |log| {
            let row = log.at("weighed", 1);
            log.set(row, "uncertainty_g", "0.009");
            (row, "uncertainty_g")
        }),
        ("a weight that fits its own row", BALM, |log| {
            let row = log.at("weighed", 2);
            log.add(row, &["gross_g", "net_g", "deviation_g"], -1);
            (log.at("closed", 0), "net_g")
        }),
        ("the size in the closing row", BALM, |log| {
            let row = log.at("closed", 0);
            log.add(row, &["target_g"], 1000);
            log.add(row, &["deviation_g"], -1000);
            (row, "target_g")
        }),
        ("a weighing taken out, with the sum", BALM, |log| {
            let row = log.at("weighed", 3);
            log.rows.remove(row);
            (row + 1, "step")
        }),
        ("the last weighing taken out, with the sum", BALM, |log| {
            let row = log.at("weighed", 4);
            let net: f64 = log.get(row, "net_g").parse().unwrap();
            log.rows.remove(row);
            log.rows.remove(log.at("mixed", 1));
            let end = log.at("closed", 0);
            let less = -(net * 100.0).round() as i64;
            log.add(end, &["net_g", "deviation_g"], less);
            (end, "note")
        }),
        ("a complete batch called stopped", BALM, |log| {
            let row = log.at("closed", 0);
            log.set(row, "note", "stopped after 3 of 5 weighings");
            (row, "note")
        }),
        ("another lot", BALM, |log| {
            let row = log.at("weighed", 1);
            log.set(row, "lot", "SB-000-0");
            (row, "lot")
        }),
        ("the rows that named a lot taken out", BALM, |log| {
            let row = log.at("weighed", 0);
            let lot = log.get(row, "lot").to_owned();
            let note = column("note");
            log.rows
                .retain(|row| !row[note].ends_with(&format!(": {lot}")));
            (log.at("weighed", 0), "lot")
        }),
        ("a correction of no row", BALM, |log| {
            let row = log.at("weighed", 1);
            log.set(row, "note", "corrects seq 99");
            (row, "note")
        }),
        ("a correction of a row that is no weight", BALM, |log| {
            let row = log.at("weighed", 1);
            log.set(row, "note", "corrects seq 2");
            (row, "note")
        }),
        ("a correction of another ingredient", BALM, |log| {
            let (first, row) = (log.at("weighed", 0), log.at("weighed", 1));
            log.set(row, "note", format!("corrects seq {}", first + 1));
            (row, "ingredient")
        }),
        ("another ingredient", BALM, |log| {
            let row = log.at("weighed", 1);
            log.set(row, "ingredient", "Beeswax");
            log.set(row, "lot", "");
            (row, "ingredient")
        }),
        ("another way of weighing", BALM, |log| {
            let row = log.at("weighed", 1);
            log.set(row, "vessel", "difference");
            (row, "vessel")
        }),
        ("a step that there is not", BALM, |log| {
            let row = log.at("weighed", 1);
            log.set(row, "step", "9");
            (row, "step")
        }),
        ("another formula's name in a row", BALM, |log| {
            let row = log.at("weighed", 1);
            log.set(row, "formula", "Marram balm 2");
            (row, "formula")
        }),
        ("the size in the opening row", BALM, |log| {
            log.replace(0, "note", "300 g", "310 g");
            (1, "note")
        }),
        ("the formula's text", BALM, |log| {
            log.replace(1, "note", "percent = 18.0", "percent = 16.0");
            (1, "note")
        }),
        ("the formula's text, with its hash", BALM, |log| {
            log.formula("percent = 18.0", "percent = 16.0");
            (log.at("weighed", 0), "target_g")
        }),
        ("a tolerance in the formula, with its hash", BALM, |log| {
            log.formula(
                "tolerance = { percent = 1.0 }",
                "tolerance = { percent = 0.1 }",
            );
            (log.at("weighed", 0), "low_g")
        }),
        ("a weight put behind the end", BALM, |log| {
            let row = log.rows[log.at("weighed", 1)].clone();
            log.rows.push(row);
            (log.rows.len() - 1, "kind")
        }),
        ("a weight called left out", BALM, |log| {
            let row = log.at("weighed", 1);
            log.set(row, "note", "skipped: none on the shelf");
            (row, "net_g")
        }),
        ("what was taken out of an over-pour", BALM, |log| {
            let row = log.at("taken-out", 0);
            log.add(row, &["net_g"], 10);
            (row, "net_g")
        }),
        ("what was left of an over-pour", BALM, |log| {
            let row = log.at("taken-out", 0);
            log.set(row, "net_g", "0.01");
            log.set(row, "note", "over-pour of 1.71 g taken back to 1.70 g");
            (row, "note")
        }),
        ("the label of a jar", SOAK, |log| {
            let row = log.at("filled", 0);
            log.add(row, &["target_g"], -100);
            log.add(row, &["deviation_g"], 100);
            (row, "target_g")
        }),
        ("the window of a jar", SOAK, |log| {
            let row = log.at("filled", 0);
            log.add(row, &["low_g"], -100);
            (row, "low_g")
        }),
        ("a jar that nobody planned", SOAK, |log| {
            let row = log.at("filled", 0);
            log.set(row, "step", "77");
            (row, "step")
        }),
        ("a short jar without its remark", SOAK, |log| {
            let row = log.at("filled", 0);
            log.add(row, &["gross_g", "net_g", "deviation_g"], -500);
            log.set(row, "verdict", "kept");
            (row, "note")
        }),
        ("a jar that fits its own row", SOAK, |log| {
            let row = log.at("filled", 1);
            log.add(row, &["gross_g", "net_g", "deviation_g"], 1);
            (log.at("closed", 1), "net_g")
        }),
        ("a jar taken out, with the sum", SOAK, |log| {
            let row = log.at("filled", 9);
            let net: f64 = log.get(row, "net_g").parse().unwrap();
            log.rows.remove(row);
            let end = log.at("closed", 1);
            let less = -(net * 100.0).round() as i64;
            log.add(end, &["net_g", "deviation_g"], less);
            (end, "note")
        }),
        ("what there was to fill", SOAK, |log| {
            let row = log.at("closed", 0) + 1;
            log.replace(row, "note", "\"made_ng\":6", "\"made_ng\":7");
            (row, "note")
        }),
        ("what there was to fill, in the last row", SOAK, |log| {
            let row = log.at("closed", 1);
            log.add(row, &["target_g"], 1000);
            log.add(row, &["deviation_g"], -1000);
            (row, "target_g")
        }),
        ("a mean said to be below the label", SOAK, |log| {
            let row = log.at("closed", 1);
            log.replace(
                row,
                "note",
                " (in the bowl",
                "; the mean is below the label (in the bowl",
            );
            (row, "note")
        }),
        ("the beginning of the filling taken out", SOAK, |log| {
            let row = log.at("closed", 0) + 1;
            log.rows.remove(row);
            (log.at("filled", 0), "kind")
        }),
        ("the size after a remedy", MENDED, |log| {
            let row = log.at("remedy", 0);
            log.add(row, &["target_g"], 100);
            (row, "target_g")
        }),
        (
            "a remedy of an ingredient that there is not",
            MENDED,
            |log| {
                let row = log.at("remedy", 0);
                log.replace(row, "note", "\"part\":0", "\"part\":9");
                (row, "note")
            },
        ),
        ("what a remedy adds", MENDED, |log| {
            let row = log.at("remedy", 0);
            log.replace(row, "note", "\"ng\":29440000000", "\"ng\":19440000000");
            let mut later = log.rows.iter().skip(row);
            let weighed = later.position(|row| row[column("kind")] == "weighed");
            (row + weighed.unwrap(), "target_g")
        }),
        ("what stayed in a beaker", SALTS, |log| {
            let row = log.at("residue", 0);
            log.add(row, &["gross_g", "net_g"], -10);
            (row, "note")
        }),
        ("the row that opens the batch gone", BALM, |log| {
            log.rows.remove(0);
            (0, "kind")
        }),
        (
            "the formula gone, with all that is held against it",
            BALM,
            |log| {
                log.rows.remove(1);
                (1, "kind")
            },
        ),
        ("opened once more", BALM, |log| {
            let again = log.rows[0].clone();
            log.rows.insert(3, again);
            (3, "kind")
        }),
        ("the row that closes the weighing gone", SOAK, |log| {
            let row = log.at("closed", 0);
            log.rows.remove(row);
            (row, "note")
        }),
        ("a lot, where no readings bind it", SOAK, |log| {
            let row = log.at("weighed", 0);
            log.set(row, "readings", "");
            log.set(row, "lot", "SB-999-9");
            (row, "readings")
        }),
        ("the first weight without its scale", SOAK, |log| {
            let (row, next) = (log.at("weighed", 0), log.at("weighed", 1));
            for cell in ["tare_g", "gross_g", "uncertainty_g", "readings", "scale"] {
                log.set(row, cell, "");
            }
            (next, "readings")
        }),
        ("a weight without what it was held against", SOAK, |log| {
            let row = log.at("weighed", 1);
            for cell in ["tare_g", "gross_g", "target_g", "deviation_g"] {
                log.set(row, cell, "");
            }
            (row, "target_g")
        }),
        ("a window wiped out, and the verdict", SOAK, |log| {
            let row = log.at("weighed", 1);
            for cell in ["low_g", "high_g", "verdict"] {
                log.set(row, cell, "");
            }
            (row, "low_g")
        }),
        ("a jar's uncertainty wiped out", SOAK, |log| {
            let row = log.at("filled", 1);
            log.set(row, "uncertainty_g", "");
            (row, "uncertainty_g")
        }),
        ("an uncertainty of a finer scale", SOAK, |log| {
            let row = log.at("weighed", 0);
            log.set(row, "uncertainty_g", "0.00012");
            (row, "uncertainty_g")
        }),
        ("an ingredient wiped out", SOAK, |log| {
            let row = log.at("weighed", 1);
            log.set(row, "ingredient", "");
            (row, "ingredient")
        }),
        ("the tare of what went on top in the bowl", BALM, |log| {
            let row = log.at("weighed", 1);
            log.add(row, &["tare_g", "gross_g"], -20000);
            (row, "tare_g")
        }),
        ("a lighter tare, with a heavier net", BALM, |log| {
            let row = log.at("weighed", 1);
            log.add(row, &["tare_g"], -10);
            log.add(row, &["net_g", "deviation_g"], 10);
            let end = log.at("closed", 0);
            log.add(end, &["net_g", "deviation_g"], 10);
            (row, "tare_g")
        }),
        ("a weight inside its window called kept", BALM, |log| {
            let row = log.at("weighed", 0);
            log.set(row, "verdict", "kept");
            (row, "verdict")
        }),
        ("no scale", BALM, |log| {
            let row = log.at("weighed", 0);
            log.set(row, "scale", "");
            (row, "scale")
        }),
        ("no unit", BALM, |log| {
            let row = log.at("weighed", 0);
            log.set(row, "unit", "");
            (row, "unit")
        }),
        ("no readings", BALM, |log| {
            let row = log.at("weighed", 0);
            log.set(row, "readings", "0");
            (row, "readings")
        }),
        ("closed once more", BALM, |log| {
            let again = log.rows[log.at("closed", 0)].clone();
            log.rows.push(again);
            (log.rows.len() - 1, "kind")
        }),
        ("the sum wiped out", BALM, |log| {
            let row = log.at("closed", 0);
            for cell in ["net_g", "target_g", "deviation_g"] {
                log.set(row, cell, "");
            }
            (row, "net_g")
        }),
        ("how it ended wiped out", BALM, |log| {
            let row = log.at("closed", 0);
            log.set(row, "note", "");
            (row, "note")
        }),
        ("the mean of the jars", SOAK, |log| {
            let row = log.at("closed", 1);
            log.replace(row, "note", "mean 60", "mean 63");
            (row, "note")
        }),
        ("the yield of the jars", SOAK, |log| {
            let row = log.at("closed", 1);
            log.replace(row, "note", "yield 9", "yield 8");
            (row, "note")
        }),
        ("what is in no jar", SOAK, |log| {
            let row = log.at("closed", 1);
            log.replace(row, "note", "; 11", "; 1");
            (row, "note")
        }),
        ("a step weighed once more, with the sum", BALM, |log| {
            let row = log.at("weighed", 1);
            let again = log.rows[row].clone();
            log.rows.insert(row + 1, again);
            log.add(row + 1, &["gross_g", "net_g", "deviation_g"], 2);
            let end = log.at("closed", 0);
            log.add(end, &["net_g", "deviation_g"], 2);
            (row + 1, "step")
        }),
        ("a jar filled once more, with the sum", SOAK, |log| {
            let row = log.at("filled", 1);
            let again = log.rows[row].clone();
            log.rows.insert(row + 1, again);
            (row + 1, "step")
        }),
        ("weights in another order", BALM, |log| {
            let (one, other) = (log.at("weighed", 0), log.at("weighed", 2));
            log.rows.swap(one, other);
            log.rows.swap(one - 1, other - 1);
            (one, "step")
        }),
        ("another version in every row", BALM, |log| {
            for row in 0..log.rows.len() {
                log.set(row, "formula", "Marram balm 9");
            }
            log.replace(0, "note", "Marram balm 3", "Marram balm 9");
            (1, "formula")
        }),
        ("another formula in the opening row", BALM, |log| {
            log.replace(0, "note", "Marram balm 3", "Marram balm 9");
            (1, "note")
        }),
        ("the phase of a weight", BALM, |log| {
            let row = log.at("weighed", 1);
            log.set(row, "phase", "Cool down");
            (row, "phase")
        }),
        ("what was taken out of, and by its lot", BALM, |log| {
            let row = log.at("taken-out", 0);
            log.set(row, "ingredient", "Beeswax");
            log.set(row, "lot", "SB-819-1");
            (row, "ingredient")
        }),
        ("the lot of what was taken out", BALM, |log| {
            let row = log.at("taken-out", 0);
            log.set(row, "lot", "SB-000-0");
            (row, "lot")
        }),
        ("the step of what was taken out", BALM, |log| {
            let row = log.at("taken-out", 0);
            log.set(row, "step", "77");
            (row, "step")
        }),
        ("the step of what stayed in a beaker", SALTS, |log| {
            let row = log.at("residue", 0);
            log.set(row, "step", "1");
            (row, "ingredient")
        }),
        ("the lot of what stayed in a beaker", SALTS, |log| {
            let row = log.at("residue", 0);
            log.set(row, "lot", "SB-000-0");
            (row, "lot")
        }),
        ("the step for which a lot was named", BALM, |log| {
            let row = log.at("weighed", 0) - 1;
            log.set(row, "step", "4");
            (row, "ingredient")
        }),
        ("a lot of something that is not in it", BALM, |log| {
            let row = log.at("weighed", 0) - 1;
            for (cell, to) in [
                ("step", ""),
                ("ingredient", "Chalk"),
                ("note", "lot of Chalk: C-1"),
                ("lot", "C-1"),
            ] {
                log.set(row, cell, to);
            }
            (row, "ingredient")
        }),
        ("mixed before it was weighed", BALM, |log| {
            let row = log.at("mixed", 0);
            let mixed = log.rows.remove(row);
            log.rows.insert(2, mixed);
            (2, "kind")
        }),
        ("a phase that was mixed and is none", BALM, |log| {
            let row = log.at("mixed", 0);
            log.set(row, "phase", "Nowhere");
            (row, "phase")
        }),
        ("how it was mixed", BALM, |log| {
            let row = log.at("mixed", 0);
            log.set(row, "note", "Boil hard (confirmed)");
            (row, "note")
        }),
        (
            "the balance's target in a batch that was stopped",
            BALM,
            |log| {
                let row = log.at("weighed", 0);
                let all = ["target_g", "low_g", "high_g", "gross_g", "net_g"];
                log.add(row, &all, 6000);
                (row, "target_g")
            },
        ),
        ("what was filled into a jar", SOAK, |log| {
            let row = log.at("filled", 0);
            log.set(row, "ingredient", "Marram balm 3");
            (row, "ingredient")
        }),
        ("what a jar was", SOAK, |log| {
            let row = log.at("filled", 0);
            log.set(row, "vessel", "bowl");
            (row, "vessel")
        }),
        ("the jar of what was taken out", SOAK, |log| {
            let row = log.at("taken-out", 0);
            log.set(row, "step", "99");
            (row, "step")
        }),
        ("whose beaker it was", SALTS, |log| {
            let row = log.at("residue", 0);
            let note = log.get(row, "note").to_owned();
            let (_, rest) = note.split_once(';').unwrap();
            log.set(row, "note", format!("stayed in the beaker of seq 1;{rest}"));
            (row, "note")
        }),
    ]
}

#[test]
fn a_forged_row_is_found_out_though_its_chain_is_right() {
    let person = Person::new();
    person
        .run(&["demo", "--season", "--log-dir", "season"])
        .ended(0);
    let season = person.path("season");
    for (what, batch, forge) in forgeries() {
        let log = season.join(format!("{batch}.csv"));
        let honest = std::fs::read(&log).unwrap();
        let mut forged = Forged {
            rows: read(&log),
            path: log.clone(),
        };
        write(&log, &forged.rows);
        assert_eq!(
            std::fs::read(&log).unwrap(),
            honest,
            "{what}: written as it was"
        );
        let (row, cell) = forge(&mut forged);
        write(&forged.path, &forged.rows);
        let fault = verify(&log).unwrap().fault;
        let fault = fault.unwrap_or_else(|| panic!("{what}: not found out"));
        let found = (fault.line, fault.column);
        assert_eq!(found, (row as u64 + 2, Some(cell)), "{what}: {fault}");
        assert!(
            matches!(fault.fault, Fault::Disagrees { .. }),
            "{what}: {fault}"
        );
        let said = person
            .run(&["log", "verify", &format!("season/{batch}.csv")])
            .ended(4);
        let place = format!("bismar: season/{batch}.csv:{}:{cell}: ", row + 2);
        assert!(said.err.starts_with(&place), "{what}: {said:?}");
        assert!(
            said.err.contains("Compare the log with a backup"),
            "{said:?}"
        );
        std::fs::write(&log, honest).unwrap();
    }
    // Without both rows that open it, it is told.
    let log = season.join(format!("{BALM}.csv"));
    let honest = std::fs::read(&log).unwrap();
    write(&log, &read(&log)[2..].to_vec());
    let said = person.run(&["log", "verify", &format!("season/{BALM}.csv")]);
    let said = said.ended(0);
    assert!(said.out.contains("held against no plan"), "{said:?}");
    std::fs::write(&log, honest).unwrap();
    // All of them as they were.
    let logs = logs_in(&season);
    let mut words = vec!["log".to_owned(), "verify".to_owned()];
    words.extend(logs.iter().map(|log| log.display().to_string()));
    person.run(&words).ended(0);
    faults::report(
        "rows edited and their chain computed anew",
        "weights, sums, lots, windows, turns, phases, what was mixed, the formula's name or text, jars; seqs and chain are right again",
        format!(
            "{} forgeries, {} honest logs",
            forgeries().len(),
            logs.len()
        ),
        "`log verify` names the row and the cell; every honest log verifies",
        "each was found at its row and cell; no honest log was called wrong",
    );
}

/// A clock that is set right steps back: that is told, with its line, and is no fault.
#[test]
fn a_time_that_runs_back_is_told_and_no_fault() {
    let person = Person::new();
    person
        .run(&["demo", "--season", "--log-dir", "season"])
        .ended(0);
    let log = person.path(&format!("season/{BALM}.csv"));
    let mut rows = read(&log);
    rows[5][column("at")] = "2026-03-04T07:10:58.000Z".into();
    write(&log, &rows);
    let said = person
        .run(&["log", "verify", &log.display().to_string()])
        .ended(0);
    assert!(
        said.out
            .contains(".csv:7:at: earlier than the row before (1 row is so)"),
        "{said:?}"
    );
}
