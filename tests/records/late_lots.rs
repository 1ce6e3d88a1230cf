//! A lot that is named once its weight is recorded: what the rows fold to, wherever the log ends; that they agree, and
//! that an edit of them shows; what was taken of each lot, and where it went.

use std::fs;
use std::path::{Path, PathBuf};

use bismar::formula::Formula;
use bismar::formula::plan::BatchSize;
use bismar::journal::batch::record::Record;
use bismar::journal::format::chain;
use bismar::journal::format::row::{COLUMNS, Row, Stamp, header};
use bismar::journal::read::record;
use bismar::journal::read::verify::verify;
use bismar::journal::store::log::LogFile;
use bismar::lots::trace::{Use, Uses};
use bismar::lots::{Lot, uses_of};
use bismar::mass::{Mass, Unit};
use bismar::metrology::ScaleAbility;
use bismar::vocabulary::entry::{Draft, RowKind, Verdict, lot_named, of_another_lot};
use jiff::Timestamp;

use crate::bench_side::logs::{Begun, weighed_inside};
use crate::bench_side::person;

/// Salt, flour, and salt once more.
const SOAK: &str = r#"
[formula]
name = "Two salts"
[[phase]]
name = "Dry"
[[phase.ingredient]]
name = "Sea salt"
percent = 50
tolerance = { percent = 1 }
[[phase.ingredient]]
name = "Oat flour"
percent = 30
tolerance = { percent = 1 }
[[phase]]
name = "Late"
[[phase.ingredient]]
name = "Sea salt"
percent = 20
tolerance = { percent = 1 }
"#;

/// A weight as the bench writes it; its window is all of the tolerance.
fn weight(step: usize, ingredient: &str, lot: &str, target_g: i64) -> Draft {
    let target = Mass::from_g(target_g);
    let tare = Mass::from_mg(102_450);
    let net = target + Mass::from_mg(10);
    Draft {
        phase: if step == 3 { "Late" } else { "Dry" }.into(),
        target: Some(target),
        low: Some(target - target.ratio(1, 100)),
        high: Some(target + target.ratio(1, 100)),
        tare: Some(tare),
        gross: Some(tare + net),
        uncertainty: Some(Mass::from_mg(15)),
        ..weighed_inside(step, ingredient, lot, net.ng() / 1_000_000)
    }
}

fn closing() -> Draft {
    Draft {
        target: Some(Mass::from_g(100)),
        net: Some(Mass::from_mg(100_030)),
        readability: Mass::from_mg(10),
        ..Draft::new(RowKind::Closed, "complete")
    }
}

/// The row by which `lot` is named for the weight `of`, recorded in row `seq`.
fn late(seq: u64, of: &Draft, lot: &str) -> Draft {
    Draft {
        lot: lot.into(),
        note: of_another_lot(seq, &of.ingredient, lot, &of.note),
        ..of.clone()
    }
}

fn named(lot: &str) -> Draft {
    Draft {
        step: 1,
        ingredient: "Sea salt".into(),
        lot: lot.into(),
        ..Draft::new(RowKind::Note, lot_named("Sea salt", lot))
    }
}

const BEGUN: Begun = Begun {
    formula: SOAK,
    label: "Two salts",
    size: Mass::from_g(100),
    jars: None,
    at: "2026-09-01T09:00:00Z",
};

fn written(dir: &Path, rows: &[Draft]) -> PathBuf {
    BEGUN.written(dir, "soak-1", rows)
}

fn written_as(dir: &Path, batch: &str, at: &str, rows: &[Draft]) -> PathBuf {
    Begun { at, ..BEGUN }.written(dir, batch, rows)
}

fn agrees(path: &Path) {
    let report = verify(path).unwrap();
    assert!(report.is_ok(), "{}", report.told());
}

fn lots(record: &Record) -> Vec<&str> {
    record.steps.values().map(|row| row.lot.as_str()).collect()
}

#[test]
fn a_lot_is_named_after_the_end_and_all_else_of_the_weight_stays() {
    let dir = tempfile::tempdir().unwrap();
    let rows = [
        weight(1, "Sea salt", "", 50),
        weight(2, "Oat flour", "", 30),
        weight(3, "Sea salt", "", 20),
        closing(),
        late(3, &weight(1, "Sea salt", "", 50), "S-1"),
    ];
    let path = written(dir.path(), &rows);
    agrees(&path);
    let record = record::read(&path).unwrap();
    assert!(record.ended && record.is_complete());
    assert_eq!(lots(&record), ["S-1", "", ""]);
    let (row, first) = (&record.steps[&1], written_first(dir.path()));
    assert_eq!((row.seq, first.seq), (7, 3));
    // When it was weighed, and how long that took, is what it was.
    assert_eq!(row.at, first.at);
    let took = |record: &Record| {
        let steps = record.summary().steps;
        let took = steps
            .into_iter()
            .map(|step| (step.number, step.since, step.at));
        took.collect::<Vec<_>>()
    };
    let before = Record::of_rows(rows_of(&path).into_iter().take(6));
    assert_eq!(took(&record), took(&before));
    assert_eq!(
        (row.net, row.tare, row.gross, row.uncertainty, row.verdict),
        (
            first.net,
            first.tare,
            first.gross,
            first.uncertainty,
            first.verdict
        )
    );
    assert!(record.replaced.contains_key(&3));
}

/// All rows of a log, as they were written.
fn rows_of(path: &Path) -> Vec<Row> {
    let mut reader = csv::Reader::from_path(path).unwrap();
    let rows = reader.records().map(Result::unwrap);
    rows.map(|row| Row::from_record(&row).unwrap()).collect()
}

fn written_first(dir: &Path) -> Row {
    let mut rows = rows_of(&dir.join("soak-1.csv"));
    rows.swap_remove(2)
}

/// What the engine and the log say of what is still to come must be one: else `log verify` calls a good log wrong.
#[test]
fn what_comes_follows_the_newest_weight_alone() {
    let (first, second) = (weight(1, "Sea salt", "", 50), weight(3, "Sea salt", "", 20));
    let flour = weight(2, "Oat flour", "", 30);
    let of = |draft: &Draft, lot: &str| Draft {
        lot: lot.into(),
        ..draft.clone()
    };
    let cases: [(Vec<Draft>, &str, &str); 5] = [
        // None was named: the next is of the same.
        (
            vec![first.clone(), flour.clone(), late(3, &first, "S-1")],
            "S-1",
            "S-1",
        ),
        // Another was named since: that holds.
        (
            vec![first.clone(), named("S-2"), late(3, &first, "S-1")],
            "S-1",
            "S-2",
        ),
        // A wrong one, which the next would be of as well.
        (
            vec![
                named("S-0"),
                of(&first, "S-0"),
                late(4, &of(&first, "S-0"), "S-1"),
            ],
            "S-1",
            "S-1",
        ),
        // It was weighed since.
        (
            vec![
                named("S-0"),
                of(&first, "S-0"),
                flour.clone(),
                of(&second, "S-0"),
                late(4, &of(&first, "S-0"), "S-1"),
            ],
            "S-1",
            "S-0",
        ),
        // Named and taken back again.
        (
            vec![
                first.clone(),
                late(3, &first, "S-1"),
                late(4, &of(&first, "S-1"), ""),
            ],
            "",
            "",
        ),
    ];
    for (mut rows, is, comes) in cases {
        let dir = tempfile::tempdir().unwrap();
        if !rows.iter().any(|row| row.ingredient == "Oat flour") {
            rows.push(flour.clone());
        }
        let weighed = rows.iter().any(|row| row.step == 3);
        if !weighed {
            rows.push(of(&second, comes));
        }
        rows.push(closing());
        let path = written(dir.path(), &rows);
        agrees(&path);
        let record = record::read(&path).unwrap();
        assert_eq!(record.steps[&1].lot, is, "{rows:#?}");
        assert_eq!(record.steps[&3].lot, comes, "{rows:#?}");
        assert_eq!(
            record.lots.get("Sea salt").map_or("", String::as_str),
            comes
        );
        // Another lot for what comes is told by no row.
        if !weighed {
            let dir = tempfile::tempdir().unwrap();
            let at = rows.len() - 2;
            rows[at].lot = "S-9".into();
            let path = written(dir.path(), &rows);
            assert!(!verify(&path).unwrap().is_ok(), "{rows:#?}");
        }
    }
}

/// The salt of the last step is of the lot that the newest weight of it has; a step that was left out has none.
#[test]
fn what_comes_follows_a_weight_and_no_step_that_was_left_out() {
    let last = "[[phase]]\nname = \"Last\"\n[[phase.ingredient]]\nname = \"Sea salt\"\npercent = 8\n\
                tolerance = { percent = 1 }\n";
    let formula = SOAK.replace("percent = 20", "percent = 12") + last;
    let first = weight(1, "Sea salt", "S-0", 50);
    let weighed = weight(3, "Sea salt", "S-0", 12);
    let left_out = Draft {
        tare: None,
        gross: None,
        net: Some(Mass::ZERO),
        uncertainty: None,
        verdict: Some(Verdict::Kept),
        readings: None,
        note: "skipped: it is thick enough".into(),
        ..weighed.clone()
    };
    for (between, comes, wrong) in [(weighed, "S-0", "S-1"), (left_out, "S-1", "S-0")] {
        let agrees = |of_last: &str| {
            let dir = tempfile::tempdir().unwrap();
            let rows = [
                named("S-0"),
                first.clone(),
                weight(2, "Oat flour", "", 30),
                between.clone(),
                late(4, &first, "S-1"),
                Draft {
                    phase: "Last".into(),
                    ..weight(4, "Sea salt", of_last, 8)
                },
            ];
            let begun = Begun {
                formula: &formula,
                ..BEGUN
            };
            let path = begun.written(dir.path(), "soak-1", &rows);
            let before_last = Record::of_rows(rows_of(&path).into_iter().take(7));
            assert_eq!(before_last.lots["Sea salt"], comes);
            verify(&path).unwrap()
        };
        assert!(agrees(comes).is_ok(), "{}", agrees(comes).told());
        let report = agrees(wrong);
        let why = format!("the lot last named for Sea salt is `{comes}`");
        assert!(report.told().contains(&why), "{}", report.told());
    }
}

/// A batch goes on after a kill at any moment: with the lot, or without it and to be named again.
#[test]
fn wherever_the_log_ends_it_folds_to_something_right() {
    let dir = tempfile::tempdir().unwrap();
    let unproven = Draft {
        verdict: None,
        note: "the scale cannot prove this tolerance".into(),
        ..weight(1, "Sea salt", "", 50)
    };
    let why =
        "lot S-0 was best before 2026-01-01; taken all the same: smelt good; lot of Sea salt: S-7";
    let rows = [
        unproven.clone(),
        weight(2, "Oat flour", "", 30),
        Draft::new(RowKind::Note, why),
        late(3, &unproven, "S-0"),
        late(
            6,
            &Draft {
                lot: "S-0".into(),
                ..unproven.clone()
            },
            "S-1",
        ),
    ];
    let whole = fs::read(written(dir.path(), &rows)).unwrap();
    let path = dir.path().join("soak-1.csv");
    let lines: Vec<usize> = whole
        .iter()
        .enumerate()
        .filter(|(_, byte)| **byte == b'\n')
        .map(|(at, _)| at + 1)
        .collect();
    let formula = Formula::parse(SOAK, "").unwrap();
    for end in lines[4]..=whole.len() {
        fs::write(&path, &whole[..end]).unwrap();
        let (log, found) = LogFile::open(&path).unwrap();
        drop(log);
        let record = found.record;
        let lot = match end {
            end if end < lines[6] => "",
            end if end < lines[7] => "S-0",
            _ => "S-1",
        };
        assert_eq!(lots(&record), [lot, ""], "{end}");
        assert_eq!(record.lots.get("Sea salt").map_or("", String::as_str), lot);
        let why = bismar::journal::batch::standing::Unproven::of(&record.steps[&1]).unwrap();
        assert!(why.too_coarse, "{end}: {why:?}");
        // What goes on with it knows the row that it would write again.
        let amount = BatchSize::Batch(Mass::from_g(100));
        let plan = record.plan(&formula, amount, &[ScaleAbility::assumed("bench")], 2.0);
        let progress = record.progress(&plan.unwrap());
        let again = &progress.rows[&1];
        assert_eq!((again.lot.as_str(), &again.note), (lot, &unproven.note));
        let same = Draft {
            lot: String::new(),
            ..again.clone()
        };
        assert_eq!(
            same,
            Draft {
                ticket: 0,
                ..unproven.clone()
            }
        );
        if lines.contains(&end) {
            agrees(&path);
        }
    }
}

/// As [`chain`] has it anew, so that only the rows themselves show the edit.
fn edited(path: &Path, row: usize, column: usize, to: &str) {
    let mut lines: Vec<String> = Vec::new();
    let mut previous = chain::start("soak-1");
    for (at, row_of) in rows_of(path).into_iter().enumerate() {
        let mut cells = row_of.cells().to_vec();
        if at == row {
            cells[column] = to.into();
        }
        let mut out = csv::WriterBuilder::new()
            .terminator(csv::Terminator::Any(b'\n'))
            .from_writer(Vec::new());
        out.write_record(&cells).unwrap();
        let mut body = out.into_inner().unwrap();
        body.pop();
        previous = chain::link(&previous, &body);
        lines.push(format!("{},{previous}\n", String::from_utf8(body).unwrap()));
    }
    fs::write(path, format!("{}\n{}", header(), lines.concat())).unwrap();
}

#[test]
fn an_edit_of_the_row_that_names_a_lot_shows() {
    let column = |name: &str| COLUMNS.iter().position(|one| *one == name).unwrap();
    let first = weight(1, "Sea salt", "", 50);
    for (name, to, found) in [
        ("lot", "S-2", false),
        ("lot", "", false),
        ("note", "corrects seq 3; lot of Sea salt: S-2", false),
        ("note", "corrects seq 4; lot of Sea salt: S-1", false),
        ("note", "corrects seq 3; lot of Oat flour: S-1", false),
        ("readings", "11", true),
    ] {
        let dir = tempfile::tempdir().unwrap();
        let rows = [
            first.clone(),
            weight(2, "Oat flour", "", 30),
            late(3, &first, "S-1"),
        ];
        let path = written(dir.path(), &rows);
        edited(&path, 4, column(name), to);
        assert_eq!(verify(&path).unwrap().is_ok(), found, "{name} {to}");
    }
    // A lot may be called anything, and says nothing of its weight.
    for lot in [
        "tare not proven",
        "the scale cannot prove this tolerance",
        "S-1; =1",
        "x; lot of Sea salt: S-1",
    ] {
        let dir = tempfile::tempdir().unwrap();
        let rows = [
            first.clone(),
            weight(2, "Oat flour", "", 30),
            late(3, &first, lot),
        ];
        let path = written(dir.path(), &rows);
        agrees(&path);
        assert_eq!(record::read(&path).unwrap().steps[&1].lot, lot);
    }
    // Another weight is none that a lot is named of.
    let dir = tempfile::tempdir().unwrap();
    let more = Draft {
        net: first.net.map(|net| net + Mass::from_mg(10)),
        gross: first.gross.map(|gross| gross + Mass::from_mg(10)),
        ..late(3, &first, "S-1")
    };
    let path = written(dir.path(), &[first, weight(2, "Oat flour", "", 30), more]);
    let report = verify(&path).unwrap();
    assert!(
        report.told().contains("changes the weight as well"),
        "{}",
        report.told()
    );
}

#[test]
fn what_was_booked_off_the_wrong_lot_comes_back() {
    let dir = tempfile::tempdir().unwrap();
    let of = |lot: &str| Draft {
        lot: lot.into(),
        ..weight(1, "Sea salt", "", 50)
    };
    let rows = |more: &[Draft]| {
        let begin = [
            named("S-0"),
            of("S-0"),
            weight(2, "Oat flour", "", 30),
            weight(3, "Sea salt", "S-0", 20),
            closing(),
        ];
        [&begin[..], more].concat()
    };
    let left = |path: &Path| {
        let uses: Vec<Use> = uses_of(&record::read(path).unwrap().summary()).collect();
        let lot = |name: &str| Lot {
            name: name.into(),
            ingredient: "Sea salt".into(),
            amount: Some(Mass::from_g(500)),
            ..Lot::default()
        };
        ["S-0", "S-1"].map(|name| {
            lot(name)
                .left(&uses)
                .unwrap()
                .grams(Mass::from_mg(10))
                .to_string()
        })
    };
    let path = written(dir.path(), &rows(&[]));
    assert_eq!(left(&path), ["429.98", "500.00"]);
    fs::remove_file(&path).unwrap();
    let path = written(dir.path(), &rows(&[late(4, &of("S-0"), "S-1")]));
    agrees(&path);
    assert_eq!(left(&path), ["479.99", "449.99"]);
    let uses: Vec<Use> = uses_of(&record::read(&path).unwrap().summary()).collect();
    let uses = Uses::new(&uses);
    let went = |lot: &str| uses.forward(lot).len();
    assert_eq!((went("S-0"), went("S-1")), (1, 1));
}

/// Only its place, its time, its lot and its note are others: what was weighed stands there digit for digit, whatever
/// scale it was on.
#[test]
fn a_weight_that_is_written_again_has_its_cells_as_they_were() {
    let cells = |draft: &Draft| {
        let stamp = Stamp {
            batch: "soak-1",
            seq: 3,
            at: "2026-09-01T09:02:00Z".parse().unwrap(),
            formula: "Two salts",
        };
        Row::from_draft(draft, stamp).cells()
    };
    let again = |cells: &[String]| {
        let chain = ["0123456789abcdef".to_owned()];
        let record = csv::StringRecord::from_iter(cells.iter().chain(&chain));
        Row::from_record(&record).unwrap().draft()
    };
    for (shows, unit) in [
        ("1", Unit::Gram),
        ("0.1", Unit::Gram),
        ("0.01", Unit::Gram),
        ("0.001", Unit::Gram),
        ("0.0005", Unit::Ounce),
    ] {
        let d = Mass::parse(shows.as_bytes(), unit).unwrap();
        let rounded = |mass: Mass| d * (mass.ng() / d.ng());
        let tare = rounded(Mass::from_g(102));
        let weighed = rounded(Mass::from_g(50));
        let weighed = Draft {
            tare: Some(tare),
            gross: Some(tare + weighed),
            net: Some(weighed),
            uncertainty: Some(d.ratio(3, 2)),
            unit: Some(unit),
            readability: d,
            ..weight(1, "Sea salt", "S-0", 50)
        };
        let written = cells(&weighed);
        assert_eq!(cells(&again(&written)), written, "{shows}");
        // Where no uncertainty was written, the weights tell what the scale shows.
        let unsure = cells(&Draft {
            uncertainty: None,
            ..weighed
        });
        assert_eq!(cells(&again(&unsure)), unsure, "{shows}");
    }
}

// ---- the program itself --------------------------------------------------------------------------

/// Its answers, from the disk alone: no daemon runs.
#[test]
fn the_command_writes_it_where_no_daemon_runs_and_all_that_tells_of_the_batch_follows() {
    let home = tempfile::tempdir().unwrap();
    let logs = home.path().join(".local/share/bismar/logs");
    fs::create_dir_all(&logs).unwrap();
    fs::create_dir_all(home.path().join(".config/bismar")).unwrap();
    fs::write(
        home.path().join(".config/bismar/lots.toml"),
        "[[lot]]\nname = \"S-1\"\ningredient = \"Sea salt\"\namount = \"1 kg\"\nbest_before = 2026-09-02\n\
         [[lot]]\nname = \"S-old\"\ningredient = \"Sea salt\"\nbest_before = 2026-08-31\n\
         [[lot]]\nname = \"O-1\"\ningredient = \"Oat flour\"\namount = \"29 g\"\n",
    )
    .unwrap();
    let rows = [
        weight(1, "Sea salt", "", 50),
        weight(2, "Oat flour", "", 30),
        weight(3, "Sea salt", "", 20),
        closing(),
    ];
    let path = written(&logs, &rows);
    let said = |words: &[&str]| person::said(home.path(), words);
    let before = rows_of(&path).len();
    for (words, why) in [
        (
            &["lot", "--step", "9", "S-1"][..],
            "batch soak-1 has no weight of step 9, but of 1, 2, 3",
        ),
        (
            &["lot", "--step", "0", "S-1"],
            "batch soak-1 has no weight of step 0, but of 1, 2, 3",
        ),
        (
            &["lot", "--step", "1", "--batch", "soak-2", "S-1"],
            "there is no batch \"soak-2\"",
        ),
        // Past its day when it was weighed.
        (
            &["lot", "--step", "1", "S-old"],
            "lot S-old was best before 2026-08-31",
        ),
        (
            &["lot", "--step", "1", "O-1"],
            "lot O-1 is of Oat flour, and this step weighs Sea salt",
        ),
        (
            &["lot", "--step", "2", "O-1"],
            "lot O-1 has 29.00 g left by the logs, 30.01 g are needed",
        ),
        (
            &["lot", "--step", "1", "soak-1"],
            "soak-1 is the batch that is being weighed",
        ),
    ] {
        let refused = said(words).ended(1);
        assert!(refused.err.contains(why), "{refused:?}");
    }
    let refused = said(&["lot", "--step", "1", "--batch", "soak-1", "S-old"]).ended(1);
    assert!(
        refused
            .err
            .contains("Remedy: bismar lot --step 1 --batch soak-1 S-old --despite \"REASON\""),
        "{refused:?}"
    );
    said(&["lot", "--batch", "soak-1", "S-1"]).ended(2);
    said(&["lot", "--step", "1", "\u{1}"]).ended(2);
    assert_eq!(rows_of(&path).len(), before, "nothing is written");
    // Today it is past its day; when it was weighed it was not.
    let named = said(&["lot", "--step", "1", "S-1"]).ended(0);
    assert_eq!(
        named.out,
        "Lot S-1 for step 1, Sea salt, of batch soak-1; its record is corrected.\n"
    );
    let named = said(&["lot", "--step", "1", "--batch", "soak-1.csv", "S-1"]).ended(0);
    assert_eq!(
        named.out,
        "Step 1 (Sea salt) of batch soak-1 is of lot S-1 already.\n"
    );
    assert_eq!(rows_of(&path).len(), before + 1);
    let despite = [
        "lot",
        "--step",
        "2",
        "O-1",
        "--despite",
        "the rest of another bag",
    ];
    for _ in 0..2 {
        said(&despite).ended(0);
    }
    assert_eq!(
        rows_of(&path).len(),
        before + 3,
        "said twice it is written once"
    );
    agrees(&path);
    let left = said(&["lots"]).ended(0).out;
    assert!(left.contains("949.99") && left.contains("-1.01"), "{left}");
    for (words, told) in [
        (&["trace", "S-1"][..], "soak-1"),
        (&["trace", "soak-1"], "S-1"),
        (&["trace", "O-1"], "soak-1"),
    ] {
        let trace = said(words).ended(0).out;
        assert!(trace.contains(told), "{trace}");
    }
    said(&["log", "verify", "soak-1"]).ended(0);
    let sheet = said(&["sheet", "soak-1", "--out", "sheet.html"]).ended(0);
    let html = fs::read_to_string(home.path().join("sheet.html")).unwrap_or(sheet.out);
    assert!(
        html.contains("<td>S-1<td") && html.contains("<td>O-1<td"),
        "{html}"
    );
    assert!(html.contains("taken all the same: the rest of another bag"));
    // When it was named is told beside what it took the place of.
    assert!(
        html.contains("in place of row 3, Sea salt of 09:02:00; lot of Sea salt: S-1"),
        "{html}"
    );
    // The time of the weighing stands there, and not that of the word.
    assert!(html.contains("09:02:00"), "{html}");
}

/// Rows that wait for their log in a file of their own would not fit behind it any more.
#[test]
fn a_log_whose_rows_lie_elsewhere_or_that_somebody_writes_takes_none() {
    let home = tempfile::tempdir().unwrap();
    let logs = home.path().join(".local/share/bismar/logs");
    fs::create_dir_all(&logs).unwrap();
    let path = written(&logs, &[weight(1, "Sea salt", "", 50)]);
    let said = |words: &[&str]| person::said(home.path(), words);
    let whole = fs::read(&path).unwrap();
    let (log, _) = LogFile::open(&path).unwrap();
    let refused = said(&["lot", "--step", "1", "S-1"]).ended(1);
    assert!(
        refused
            .err
            .contains("is being written just now; name the lot again"),
        "{refused:?}"
    );
    let spills = home.path().join(".local/state/bismar");
    let late = log
        .tail()
        .rows(&[(weight(2, "Oat flour", "", 30), Timestamp::now())]);
    bismar::journal::store::spill::keep(std::slice::from_ref(&spills), "soak-1", &late).unwrap();
    drop(log);
    let refused = said(&["lot", "--step", "1", "S-1"]).ended(1);
    assert!(
        refused.err.contains("kept in a file of their own"),
        "{refused:?}"
    );
    assert_eq!(fs::read(&path).unwrap(), whole);
    fs::remove_dir_all(&spills).unwrap();
    said(&["lot", "--step", "1", "S-1"]).ended(0);
    agrees(&path);
    assert_eq!(record::read(&path).unwrap().lots["Sea salt"], "S-1");
}

/// A batch that was made later is in none that was weighed before; where a reason goes past that, no look goes round for
/// ever.
#[test]
fn two_batches_that_name_each_other_are_refused_and_end_no_look() {
    let home = tempfile::tempdir().unwrap();
    let logs = home.path().join(".local/share/bismar/logs");
    fs::create_dir_all(&logs).unwrap();
    fs::create_dir_all(home.path().join(".config/bismar")).unwrap();
    fs::write(home.path().join(".config/bismar/lots.toml"), "").unwrap();
    let rows = [
        weight(1, "Sea salt", "", 50),
        weight(2, "Oat flour", "", 30),
        weight(3, "Sea salt", "", 20),
        closing(),
    ];
    written(&logs, &rows);
    let later = written_as(&logs, "soak-2", "2026-09-02T09:00:00Z", &rows);
    let said = |words: &[&str]| person::said(home.path(), words);
    let refused = said(&["lot", "--step", "1", "--batch", "soak-1", "soak-2"]).ended(1);
    let why = "batch soak-2 was begun after this was weighed";
    assert!(refused.err.contains(why), "{refused:?}");
    // Without a name it is the batch that was begun last.
    let named = said(&["lot", "--step", "1", "soak-1"]).ended(0);
    assert!(
        named
            .out
            .contains("of batch soak-2; its record is corrected. soak-1 is a batch of this bench"),
        "{named:?}"
    );
    assert_eq!(record::read(&later).unwrap().steps[&1].lot, "soak-1");
    said(&[
        "lot",
        "--step",
        "1",
        "--batch",
        "soak-1",
        "soak-2",
        "--despite",
        "so it was",
    ])
    .ended(0);
    for words in [
        &["trace", "soak-1"][..],
        &["trace", "soak-2"],
        &["lots"],
        &["declaration", "soak-1"],
        &["label", "soak-1"],
        &["sheet", "soak-2", "--out", "sheet.html"],
        &["history", "Two salts"],
    ] {
        let mut child = person::bismar(home.path())
            .args(words)
            .stdout(std::process::Stdio::null())
            .stderr(std::process::Stdio::null())
            .spawn()
            .unwrap();
        let end = std::time::Instant::now() + std::time::Duration::from_secs(20);
        while child.try_wait().unwrap().is_none() {
            assert!(std::time::Instant::now() < end, "{words:?} goes round");
            std::thread::sleep(std::time::Duration::from_millis(20));
        }
        assert!(child.wait().unwrap().code().is_some(), "{words:?}");
    }
}
