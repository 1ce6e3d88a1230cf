//! The batch log read by others: Python's csv module, a spreadsheet library, a shell with
//! sha256sum. And back by ourselves: rows, resume, names, properties.

use std::path::Path;
use std::process::Command;

use bismar::formula::{Plan, PlannedPhase, Step, VesselWay};
use bismar::journal::batch::record::Record;
use bismar::journal::error::LogError;
use bismar::journal::format::cell::{Grams, LONGEST_TEXT, clean, fits, guarded, unguarded};
use bismar::journal::format::chain;
use bismar::journal::format::fault::Fault;
use bismar::journal::format::names::{LONGEST_NAME, new_batch_name, safe_batch_name};
use bismar::journal::format::opening::Opening;
use bismar::journal::format::row::{COLUMNS, Row, Stamp};
use bismar::journal::read::archive::Archive;
use bismar::journal::read::folder::{batches_in, log_of};
use bismar::journal::read::record::{begun, read, read_strictly};
use bismar::journal::read::verify::{Head, verify, verify_with};
use bismar::journal::read::{scale_checks, scan};
use bismar::journal::store::log::LogFile;
use bismar::mass::{Mass, Unit};
use bismar::time::Moment;
use bismar::vocabulary::entry::{Draft, RowKind, Verdict};
use jiff::Timestamp;
use proptest::prelude::*;

use crate::bench_side::{logs, python};

fn at(text: &str) -> Timestamp {
    text.parse().unwrap()
}

fn nine() -> Timestamp {
    at("2026-01-01T09:00:00.0459Z")
}

/// A weighed row of an invented workshop.
fn weighed(step: usize, ingredient: &str, net_mg: i64) -> Draft {
    Draft {
        ticket: step as u64,
        phase: "salts".into(),
        target: Some(Mass::from_mg(30_000)),
        low: Some(Mass::from_mg(29_700)),
        high: Some(Mass::from_mg(30_300)),
        tare: Some(Mass::from_mg(102_450)),
        gross: Some(Mass::from_mg(102_450 + net_mg)),
        uncertainty: Some(Mass::from_ng(11_565_999)),
        ..logs::weighed_inside(step, ingredient, "L-7", net_mg)
    }
}

/// Texts that break careless writers, and how a reader must see them.
const NASTY: [(&str, &str); 37] = [
    ("Salt, fine", "Salt, fine"),
    ("say \"stop\"", "say \"stop\""),
    ("\"=1+1\"", "\"=1+1\""),
    ("two\nlines", "two lines"),
    ("cr\r\nlf", "cr  lf"),
    ("a\u{202E}b\u{2066}c\u{200F}", "a b c "),
    (
        "nul\0 tab\t bell\u{7} nel\u{85} ls\u{2028}",
        "nul  tab  bell  nel  ls ",
    ),
    ("=1+1", "'=1+1"),
    ("  =1+1", "'  =1+1"),
    ("\t=1+1", "' =1+1"),
    ("\r@SUM(A1)", "' @SUM(A1)"),
    ("@x", "'@x"),
    ("-2+3", "'-2+3"),
    ("+49 123", "'+49 123"),
    ("-2.50", "-2.50"),
    ("+3", "+3"),
    ("－1＋2", "'－1＋2"),
    ("＝1", "'＝1"),
    ("'=1", "''=1"),
    ("'quoted'", "'quoted'"),
    ("Sel de Guérande 海塩 🧂", "Sel de Guérande 海塩 🧂"),
    ("", ""),
    (",", ","),
    ("\u{FEFF}=2", "'\u{FEFF}=2"),
    // Behind a semicolon, where a spreadsheet is set to it.
    ("salt;=1+1", "salt;'=1+1"),
    ("salt; \u{200B}@x;;+1;ok", "salt;' \u{200B}@x;;'+1;ok"),
    ("salt;\"=1+1\"", "salt;'\"=1+1\""),
    ("salt\";=1+1;\"", "salt\";'=1+1;\""),
    ("salt;-1", "salt;'-1"),
    ("salt;'=1", "salt;''=1"),
    (";", ";"),
    ("a, b; c's; d-e", "a, b; c's; d-e"),
    ("=1;=2", "'=1;'=2"),
    // A bar calls another program where a spreadsheet still has DDE.
    ("|cmd", "'|cmd"),
    ("\t |cmd", "'  |cmd"),
    ("salt;|cmd", "salt;'|cmd"),
    ("｜1", "'｜1"),
];

/// A log with every nasty text in four text columns; gives the cells that readers must see.
fn nasty_log(dir: &Path) -> (std::path::PathBuf, Vec<Vec<String>>) {
    let formula = "Tideline, \"bath\" salts";
    let mut log = LogFile::create(dir, "nasty", formula).unwrap();
    let mut wanted = vec![COLUMNS[..23].iter().map(|c| (*c).to_owned()).collect()];
    for (i, (text, seen)) in NASTY.iter().enumerate() {
        let mut draft = weighed(i + 1, text, 29_995);
        draft.phase = (*text).into();
        draft.lot = (*text).into();
        draft.note = (*text).into();
        let seq = log.append(&draft, nine()).unwrap().to_string();
        #[rustfmt::skip]
        let row = [
            "nasty", &seq, "2026-01-01T09:00:00.045Z", "weighed", formula, &seq, seen, seen, seen,
            "beaker", "30.00", "29.70", "30.30", "102.45", "132.445", "29.995", "-0.005", "0.012",
            "inside", "bench", "g", "10", seen,
        ];
        wanted.push(row.map(str::to_owned).to_vec());
    }
    (log.path().to_owned(), wanted)
}

/// The JSON that a Python program prints of the file at `path`.
fn json(program: &str, path: &Path) -> serde_json::Value {
    serde_json::from_str(&python::asked(program, [path], b"")).unwrap()
}

fn cells(json: &serde_json::Value) -> Vec<Vec<String>> {
    let row = |row: &serde_json::Value| -> Vec<String> {
        row.as_array()
            .unwrap()
            .iter()
            .map(|c| c.as_str().unwrap().to_owned())
            .collect()
    };
    json.as_array().unwrap().iter().map(row).collect()
}

#[test]
fn python_csv_sees_every_cell_as_it_was_meant() {
    let dir = tempfile::tempdir().unwrap();
    let (path, wanted) = nasty_log(dir.path());
    let program = "
import csv, json, sys
file = open(sys.argv[1], newline='', encoding='utf-8')
print(json.dumps(list(csv.reader(file, strict=True))))";
    let mut found = cells(&json(program, &path));
    for (i, row) in found.iter_mut().enumerate() {
        let chain = row.pop().unwrap();
        assert!(
            if i == 0 {
                chain == "chain"
            } else {
                chain.len() == 16
            },
            "{chain}"
        );
    }
    assert_eq!(found, wanted);
    // One record is one line, and no line ends in CR.
    let text = std::fs::read_to_string(&path).unwrap();
    assert_eq!(text.lines().count(), NASTY.len() + 1);
    assert!(text.ends_with('\n') && !text.contains('\r'));
}

/// The way of a careless hand: CSV into a table library (tablib), out as a workbook, read by a
/// spreadsheet library (openpyxl), where a cell that begins with `=` is a formula (data type `f`).
/// The same way with the raw text shows that the check can fail.
#[test]
fn a_spreadsheet_library_finds_no_formula_and_the_same_texts() {
    let dir = tempfile::tempdir().unwrap();
    let (path, wanted) = nasty_log(dir.path());
    let program = r"
import io, json, sys, tablib, openpyxl
def rows(text):
    sheet = tablib.Dataset().load(text, format='csv')
    book = openpyxl.load_workbook(io.BytesIO(sheet.export('xlsx')))
    return list(book.active.iter_rows())
log = rows(open(sys.argv[1], newline='', encoding='utf-8').read())
raw = rows('a,b\n=1+1,x\n')
print(json.dumps({
    'cells': [['' if c.value is None else str(c.value) for c in row] for row in log],
    'kinds': sorted({c.data_type for row in log for c in row}),
    'raw': sorted({c.data_type for row in raw for c in row}),
}))";
    let json = json(program, &path);
    let has_formula = |kinds: &serde_json::Value| kinds.as_array().unwrap().contains(&"f".into());
    assert!(
        has_formula(&json["raw"]),
        "the library no longer takes =1+1 for a formula"
    );
    assert!(!has_formula(&json["kinds"]), "{}", json["kinds"]);
    let found = cells(&json["cells"]);
    assert_eq!(found.len(), wanted.len());
    for (found, wanted) in found.iter().zip(&wanted).skip(1) {
        for column in [0, 2, 3, 4, 6, 7, 8, 9, 18, 19, 20, 22] {
            assert_eq!(found[column], wanted[column], "{}", COLUMNS[column]);
        }
        // The library may print a number in its own way.
        for column in (10..18).chain([1, 5, 21]) {
            let number = |text: &str| text.parse::<f64>().unwrap();
            assert_eq!(
                number(&found[column]),
                number(&wanted[column]),
                "{}",
                COLUMNS[column]
            );
        }
    }
}

/// A spreadsheet that is set to semicolons sees other cells: the commas and the quotes of a log mean
/// nothing to it. Read so by Python's csv module and, as above, by a table and a spreadsheet library.
#[test]
fn set_to_semicolons_a_spreadsheet_finds_no_formula_either() {
    let dir = tempfile::tempdir().unwrap();
    let (path, _) = nasty_log(dir.path());
    let program = r"
import csv, io, json, sys, tablib, openpyxl
def cells(text, quoting):
    return [c for row in csv.reader(io.StringIO(text, newline=''), delimiter=';', quoting=quoting) for c in row]
def kinds(text):
    rows = list(csv.reader(io.StringIO(text, newline=''), delimiter=';'))
    wide = max(map(len, rows))
    sheet = tablib.Dataset(*[r + [''] * (wide - len(r)) for r in rows])
    book = openpyxl.load_workbook(io.BytesIO(sheet.export('xlsx')))
    return sorted({c.data_type for row in book.active.iter_rows() for c in row})
text = open(sys.argv[1], newline='', encoding='utf-8').read()
print(json.dumps({
    'cells': [cells(text, csv.QUOTE_MINIMAL), cells(text, csv.QUOTE_NONE)],
    'kinds': kinds(text),
    'raw': kinds('nasty,1,salt;=1+1,x\n'),
}))";
    let json = json(program, &path);
    let has_formula = |kinds: &serde_json::Value| kinds.as_array().unwrap().contains(&"f".into());
    assert!(has_formula(&json["raw"]), "{}", json["raw"]);
    assert!(!has_formula(&json["kinds"]), "{}", json["kinds"]);
    for read in cells(&json["cells"]) {
        assert!(read.len() > NASTY.len());
        for cell in read {
            let body = cell.trim_start_matches(|c: char| {
                c.is_whitespace() || matches!(c, '"' | '\u{200B}' | '\u{FEFF}')
            });
            assert!(
                !body.starts_with(['=', '+', '-', '@', '|', '＝', '－', '｜']),
                "{cell:?}"
            );
        }
    }
}

/// What fits is what comes back whole, also where the apostrophes make it longer.
#[test]
fn a_text_that_fits_a_cell_is_not_cut_by_its_apostrophes() {
    for (text, whole) in [
        ("x".repeat(LONGEST_TEXT), true),
        ("=".repeat(LONGEST_TEXT), true),
        ("x".repeat(LONGEST_TEXT + 1), false),
        (";=".repeat(LONGEST_TEXT / 2), false),
        (";=".repeat(LONGEST_TEXT / 3), true),
    ] {
        let cell = guarded(&text);
        assert_eq!(fits(&text), whole, "{}", text.len());
        assert_eq!(unguarded(&cell) == text, whole, "{}", text.len());
        // The reader of 131 072 characters.
        assert!(cell.len() <= 131_072, "{}", cell.len());
    }
}

/// The commands of `src/journal/format/chain.sh`, which the documentation shows, with the real sha256sum.
#[test]
fn the_documented_shell_check_accepts_a_log_and_finds_an_edit() {
    let dir = tempfile::tempdir().unwrap();
    let (path, _) = nasty_log(dir.path());
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("src/journal/format/chain.sh");
    for shell in ["bash", "sh"] {
        let run = |log: &Path| {
            let out = Command::new(shell).arg(&script).arg(log).output();
            out.unwrap_or_else(|e| panic!("{shell} is needed: {e}"))
        };
        let out = run(&path);
        assert!(out.status.success() && out.stdout.is_empty(), "{out:?}");
        let edited = dir.path().join("edited.csv");
        let text = std::fs::read_to_string(&path).unwrap();
        std::fs::write(&edited, text.replacen("29.995", "29.990", 1)).unwrap();
        let out = run(&edited);
        assert!(!out.status.success(), "{out:?}");
        assert!(String::from_utf8_lossy(&out.stdout).starts_with("does not fit: nasty,1,"));
    }
}

/// SHA-256 of "abc": the example of FIPS 180-4 (from memory; `printf abc | sha256sum` agrees).
#[test]
fn sha256_is_the_published_one() {
    let wanted = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";
    assert_eq!(chain::sha256("abc"), wanted);
}

/// Grams: the readability's decimals or finer, never an exponent, never rounded; an uncertainty up.
#[test]
fn grams_are_exact_and_an_uncertainty_is_rounded_up() {
    let text = |ng, d| Grams::new(Mass::from_ng(ng), Mass::from_ng(d)).to_string();
    let rows = [
        (12_340_000_000, 10_000_000, "12.34"),
        (12_300_000_000, 10_000_000, "12.30"),
        (-50_000_000, 10_000_000, "-0.05"),
        (0, 10_000_000, "0.00"),
        (1, 10_000_000, "0.000000001"),
        (5_000_000_000_000, 1_000_000_000, "5000"),
        (10_000_000, 200_000_000, "0.01"),
        // 1 oz = 28.349 523 125 g, exact (NIST Handbook 44, Appendix C).
        (28_349_523_125, 2_834_952_312, "28.349523125"),
        (i64::MIN, 10_000_000, "-9223372036.854775808"),
    ];
    for (ng, d, wanted) in rows {
        assert_eq!(text(ng, d), wanted);
        assert_eq!(Grams::parse(wanted).unwrap().mass(), Mass::from_ng(ng));
    }
    let up = |ng, d| Grams::uncertainty(Mass::from_ng(ng), Mass::from_ng(d)).to_string();
    assert_eq!(up(8_164_965, 10_000_000), "0.009");
    assert_eq!(up(8_000_000, 10_000_000), "0.008");
    assert_eq!(up(8_000_001, 10_000_000), "0.009");
    assert_eq!(up(1, 1_000_000_000), "0.1");
    for wrong in [
        "",
        "+1",
        "1,5",
        "1e3",
        "nan",
        " 1",
        "1.",
        ".5",
        "--1",
        "1.0000000001",
        "1_0",
    ] {
        assert_eq!(Grams::parse(wrong), None, "{wrong:?}");
    }
    assert_eq!(Grams::parse("9223372036.854775808"), None);
}

/// `net − target = deviation` and `gross − tare = net` in the digits of the file, by an independent
/// decimal library, also on an ounce scale.
#[test]
fn written_digits_add_up() {
    use rust_decimal::Decimal;
    let dir = tempfile::tempdir().unwrap();
    let mut log = LogFile::create(dir.path(), "sums", "f").unwrap();
    let mut draft = weighed(1, "Borage oil", 29_990);
    log.append(&draft, nine()).unwrap();
    let oz = |tenths: &str| Mass::parse(tenths.as_bytes(), Unit::Ounce).unwrap();
    draft.tare = Some(oz("3.7"));
    draft.gross = Some(oz("4.8"));
    draft.net = Some(oz("4.8") - oz("3.7"));
    draft.target = Some(Mass::from_ng(31_333_333_333));
    draft.readability = oz("0.1");
    log.append(&draft, nine()).unwrap();
    let text = std::fs::read_to_string(log.path()).unwrap();
    assert_eq!(text.lines().count(), 3);
    for line in text.lines().skip(1) {
        let cells: Vec<&str> = line.split(',').collect();
        let number = |i: usize| cells[i].parse::<Decimal>().unwrap();
        assert_eq!(number(14) - number(13), number(15), "{line}");
        assert_eq!(number(15) - number(10), number(16), "{line}");
    }
}

#[test]
fn a_cell_that_does_not_read_is_named_by_file_line_and_column() {
    let dir = tempfile::tempdir().unwrap();
    let good = {
        let mut log = LogFile::create(dir.path(), "named", "f").unwrap();
        log.append(&weighed(1, "Salt", 30_000), nine()).unwrap();
        std::fs::read_to_string(log.path()).unwrap()
    };
    let cases = [
        (",30.00,29.70", ",3e1,29.70", "target_g"),
        (",weighed,", ",wayed,", "kind"),
        ("T09:00:00.045Z", "T09:00:00Z", "at"),
        (",inside,", ",fine,", "verdict"),
        (",g,10,", ",gram,10,", "unit"),
        (",g,10,", ",g,+10,", "readings"),
    ];
    for (from, to, column) in cases {
        let path = dir.path().join("edited.csv");
        std::fs::write(&path, good.replacen(from, to, 1)).unwrap();
        let bad = verify(&path).unwrap().fault.unwrap();
        assert_eq!(bad.column, Some(column));
        assert!(
            bad.to_string()
                .contains(&format!("edited.csv:2:{column}: ")),
            "{bad}"
        );
    }
}

#[test]
fn verify_says_what_is_wrong() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("v.csv");
    {
        let mut log = LogFile::create_at(&path, "f").unwrap();
        for step in 1..=6 {
            // No row names its lot.
            let draft = Draft {
                lot: String::new(),
                ..weighed(step, "Salt", 30_000)
            };
            log.append(&draft, nine()).unwrap();
        }
    }
    let whole = std::fs::read_to_string(&path).unwrap();
    let lines: Vec<&str> = whole.split_inclusive('\n').collect();
    let check = |name: &str, text: &str| {
        let path = dir.path().join(name);
        std::fs::write(&path, text).unwrap();
        let report = verify(&path).unwrap();
        (
            report.clone(),
            report.fault.map(|bad| (bad.line, bad.fault)),
        )
    };
    let (report, fault) = check("v.csv", &whole);
    assert_eq!(
        (report.rows, fault, report.renamed, report.closed),
        (6, None, false, false)
    );
    let (report, fault) = check("copy.csv", &whole);
    assert!(report.is_ok() && report.renamed && fault.is_none());
    assert!(!report.closed, "{report}");
    let ended = Draft::new(RowKind::Closed, "ended");
    let remark = Draft::new(RowKind::Note, "by hand");
    let rows = sealed(&[remark, ended]).concat();
    let (report, _) = check("v.csv", std::str::from_utf8(&rows).unwrap());
    assert!(report.is_ok() && report.closed, "{report}");
    assert!(report.to_string().contains("batch closed"), "{report}");
    let without = |gone: &[usize]| -> String {
        lines
            .iter()
            .enumerate()
            .filter(|(i, _)| !gone.contains(i))
            .map(|(_, l)| *l)
            .collect()
    };
    let missing = |expected, found| Fault::Missing { expected, found };
    assert_eq!(check("v.csv", &without(&[3])).1, Some((4, missing(3, 4))));
    assert_eq!(
        check("v.csv", &without(&[1, 2])).1,
        Some((2, missing(1, 3)))
    );
    assert_eq!(check("v.csv", &without(&[0])).1, Some((1, Fault::Header)));
    let doubled = whole.replacen(lines[3], &format!("{}{}", lines[3], lines[3]), 1);
    let repeated = Fault::Repeated {
        expected: 4,
        found: 3,
    };
    assert_eq!(check("v.csv", &doubled).1, Some((5, repeated)));
    let edited = whole.replacen("132.45,30.00", "132.44,29.99", 1);
    assert_ne!(edited, whole);
    assert_eq!(check("v.csv", &edited).1, Some((2, Fault::Edited)));
    let other = whole.replacen("\nv,4,", "\nw,4,", 1);
    let fault = Fault::OtherBatch {
        expected: "v".into(),
        found: "w".into(),
    };
    assert_eq!(check("v.csv", &other).1, Some((5, fault)));
    let torn = &whole[..whole.len() - 9];
    assert!(matches!(
        check("v.csv", torn).1,
        Some((7, Fault::Torn { .. }))
    ));
    assert_eq!(check("v.csv", "").1, Some((1, Fault::Header)));
    assert_eq!(
        check("v.csv", &whole.replace('\n', "\r\n")).1,
        Some((1, Fault::Header))
    );
    let long = format!("{}{}\n", lines[0], "x".repeat(scan::LONGEST_LINE * 2));
    assert_eq!(check("v.csv", &long).1, Some((2, Fault::TooLong)));
}

/// A log in memory: its header, and a row for each of `drafts`, of batch `v`.
fn sealed(drafts: &[Draft]) -> Vec<Vec<u8>> {
    logs::sealed("v", "f", drafts.iter().map(|draft| (nine(), draft))).collect()
}

/// What a reader of these bytes is told: the good rows, and the line and the fault of what is wrong. It gets them by
/// and by, as a disk gives them.
fn read_by_and_by(bytes: &[u8]) -> (u64, Option<(u64, Fault)>) {
    let input = std::io::BufReader::with_capacity(1000, bytes);
    let mut scan = scan::Scan::new(Path::new("v.csv"), input);
    let mut rows = 0;
    let bad = scan.each(|_| rows += 1).unwrap();
    (rows, bad.map(|bad| (bad.line, bad.fault)))
}

/// A line of no end, as a file that is no log may have, is not taken into memory; how much of the file is no row is
/// told to the byte all the same.
#[test]
fn a_line_without_end_is_told_with_all_its_bytes() {
    let lines = sealed(&[weighed(1, "Salt", 30_000), weighed(2, "Soda", 30_000)]);
    let [head, first, second] = &lines[..] else {
        panic!("three lines")
    };
    let most = scan::LONGEST_LINE;
    for length in [1, most - 1, most, most + 1, 2 * most + 777] {
        let log = [&head[..], first, &vec![b'x'; length]].concat();
        let bytes = length as u64;
        assert_eq!(read_by_and_by(&log), (1, Some((3, Fault::Torn { bytes }))));
    }
    // With its end it is a line: too long, or no row.
    for (length, long) in [(most - 1, false), (most, true), (2 * most + 777, true)] {
        let log = [&head[..], first, &vec![b'x'; length], b"\n", second].concat();
        let (rows, bad) = read_by_and_by(&log);
        let (line, fault) = bad.unwrap();
        assert_eq!((rows, line, fault == Fault::TooLong), (1, 3, long));
    }
}

/// A log that was being created when the power went is empty, begins as a log does, or is zeros: nothing of anybody's is
/// in it. All else is no log, and is not taken for one.
#[test]
fn what_was_being_created_is_told_from_what_is_no_log() {
    let lines = sealed(&[]);
    let head = &lines[0][..];
    for begun in [&head[..0], &head[..1], &head[..head.len() - 1], &[0; 300]] {
        let bytes = begun.len() as u64;
        let fault = match bytes {
            0 => Fault::Header,
            _ => Fault::Torn { bytes },
        };
        assert_eq!(read_by_and_by(begun), (0, Some((1, fault))));
        let mut scan = scan::Scan::new(Path::new("v.csv"), begun);
        assert_eq!(scan.next_row().unwrap(), None);
        let found = (scan.torn(), scan.has_header(), scan.good_end());
        assert_eq!(found, (bytes, false, 0));
    }
    assert_eq!(read_by_and_by(head), (0, None));
    for other in [b"batch;seq".as_slice(), b"\0\0b", b"x", b"batch\n"] {
        assert_eq!(read_by_and_by(other), (0, Some((1, Fault::Header))));
    }
}

/// Of a last row whole sectors (512 bytes) may not have reached the disk when the power went: it is no row. A hole of any
/// other shape, or before the last row, is damage.
#[test]
fn a_sector_that_did_not_reach_the_disk_is_a_torn_end() {
    let long = Draft {
        note: "x".repeat(2000),
        ..weighed(1, "Salt", 30_000)
    };
    let lines = sealed(&[long.clone(), long]);
    let log = lines.concat();
    let last = lines[2].len();
    let start = log.len() - last;
    let sector = start.next_multiple_of(512);
    let told = |hole: std::ops::Range<usize>| {
        let mut log = log.clone();
        log[hole].fill(0);
        read_by_and_by(&log)
    };
    let torn = (1, Some((3, Fault::Torn { bytes: last as u64 })));
    for hole in [
        start..sector,
        start..sector + 512,
        sector..sector + 512,
        sector + 512..sector + 1536,
    ] {
        assert_eq!(told(hole), torn);
    }
    for hole in [
        sector..sector + 511,
        sector + 1..sector + 512,
        start..sector - 1,
        start + 1..sector,
        sector + 100..sector + 101,
    ] {
        let (rows, bad) = told(hole.clone());
        let (line, fault) = bad.unwrap();
        assert_eq!((rows, line), (1, 3), "{hole:?}");
        assert!(!matches!(fault, Fault::Torn { .. }), "{hole:?}: {fault:?}");
    }
    // The same in the row before.
    let sector = lines[0].len().next_multiple_of(512);
    let (rows, bad) = told(sector..sector + 512);
    let (line, fault) = bad.unwrap();
    assert_eq!((rows, line), (0, 2));
    assert!(!matches!(fault, Fault::Torn { .. }), "{fault:?}");
}

/// Whoever read a log and reads it again needs to prove what is new alone, and is told the same as of the whole.
#[test]
fn a_reading_goes_on_where_the_last_one_ended() {
    let rows: Vec<Draft> = (1..=4).map(|step| weighed(step, "Salt", 30_000)).collect();
    let lines = sealed(&rows);
    let path = Path::new("v.csv");
    for had in 0..=4 {
        let (before, after) = (lines[..=had].concat(), lines[had + 1..].concat());
        let mut first = scan::Scan::new(path, &before[..]);
        assert_eq!(first.each(|_| ()).unwrap(), None);
        let (chain, end) = (first.chain().to_owned(), first.good_end());
        assert_eq!(
            (first.next_seq(), end),
            (had as u64 + 1, before.len() as u64)
        );
        let on = |input: &[u8]| {
            let mut scan = scan::Scan::after(path, input, "v", had as u64, &chain, end);
            let mut seqs = Vec::new();
            let bad = scan.each(|row| seqs.push(row.seq)).unwrap();
            let bad = bad.map(|bad| (bad.line, bad.fault));
            (seqs, bad, scan.good_end(), scan.torn())
        };
        let all = lines.concat().len() as u64;
        assert_eq!(on(&after), ((had as u64 + 1..=4).collect(), None, all, 0));
        if had == 4 {
            continue;
        }
        // A row cut at its end, one edited, one of another batch: at their lines in the whole file.
        let line = had as u64 + 2;
        let torn = on(&lines[had + 1][..50]);
        assert_eq!(
            torn,
            (vec![], Some((line, Fault::Torn { bytes: 50 })), end, 50)
        );
        let text = String::from_utf8(lines[had + 1].clone()).unwrap();
        let edited = on(text.replacen("L-7", "L-8", 1).as_bytes());
        assert_eq!(edited.1, Some((line, Fault::Edited)));
        let (_, other, ..) = on(text.replacen("v,", "w,", 1).as_bytes());
        let (expected, found) = ("v".to_owned(), "w".to_owned());
        assert_eq!(other, Some((line, Fault::OtherBatch { expected, found })));
    }
}

/// What is held of a log grows with it. A file larger than any batch's is refused with its size before a byte of it is
/// read; what is no file is not waited for. To verify one needs no more than a row at a time.
#[test]
fn a_log_that_is_too_large_is_refused_and_verified_all_the_same() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("v.csv");
    let log = sealed(&[Draft::new(RowKind::Note, "by hand")]).concat();
    let of_size = |bytes: u64| {
        std::fs::write(&path, &log).unwrap();
        let file = std::fs::File::options().write(true).open(&path).unwrap();
        file.set_len(bytes).unwrap();
    };
    of_size(scan::LARGEST_LOG);
    assert_eq!(read(&path).unwrap().rows, 1);
    of_size(scan::LARGEST_LOG + 1);
    for refused in [read(&path), read_strictly(&path), begun(&path)] {
        let Err(LogError::TooLarge { bytes, most, .. }) = refused else {
            panic!("{refused:?}")
        };
        assert_eq!((bytes, most), (16_000_001, 16_000_000));
    }
    let report = verify(&path).unwrap();
    let fault = report.fault.map(|bad| (bad.line, bad.fault));
    let bytes = 16_000_001 - log.len() as u64;
    assert_eq!((report.rows, fault), (1, Some((3, Fault::Torn { bytes }))));
    for refused in [read(dir.path()).map(drop), verify(dir.path()).map(drop)] {
        assert!(
            matches!(refused, Err(LogError::NotAFile { .. })),
            "{refused:?}"
        );
    }
}

/// Who asks what a batch is of reads no further than its formula: what is damaged behind that is nothing to it.
#[test]
fn the_beginning_of_a_batch_reads_though_its_end_is_damaged() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("v.csv");
    let opening = hard_opening().drafts("f").unwrap();
    let mut lines = sealed(&[&opening[..], &[weighed(1, "Salt", 30_000)]].concat());
    lines[3] = b"no row\n".to_vec();
    std::fs::write(&path, lines.concat()).unwrap();
    let record = begun(&path).unwrap();
    assert_eq!((record.rows, record.batch.as_str()), (2, "v"));
    assert_eq!(record.opening, Some(hard_opening()));
    assert!(matches!(read_strictly(&path), Err(LogError::Bad(bad)) if bad.line == 4));
    lines[1] = b"no row\n".to_vec();
    std::fs::write(&path, lines.concat()).unwrap();
    assert!(matches!(begun(&path), Err(LogError::Bad(bad)) if bad.line == 2));
}

/// A head noted down from a sheet, in whatever way it was copied, is found at its row, and told to be gone where rows
/// were cut off.
#[test]
fn a_head_is_found_at_its_row_with_what_was_added_since() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("v.csv");
    let lines =
        sealed(&["one", "two", "three", "four"].map(|note| Draft::new(RowKind::Note, note)));
    let write = |lines: &[Vec<u8>]| std::fs::write(&path, lines.concat()).unwrap();
    write(&lines);
    let told = |head: &str| {
        let report = verify_with(&path, Some(&head.parse().unwrap())).unwrap();
        let held = report.head.clone().unwrap();
        (held.line, held.more, report.is_ok(), report.to_string())
    };
    let chain_of = |line: &[u8]| {
        let text = String::from_utf8(line.trim_ascii_end().to_vec()).unwrap();
        text.rsplit(',').next().unwrap().to_owned()
    };
    let ends = [
        "in line 2; 3 rows were added since.",
        "in line 3; 2 rows were added since.",
        "in line 4; 1 row was added since.",
        "It ends with the head",
    ];
    for (row, end) in (1..).zip(ends) {
        let chain = chain_of(&lines[row]);
        let digest = chain::sha256(std::str::from_utf8(&lines[..=row].concat()).unwrap());
        let copied = format!(" {} {}\n", chain[..7].to_uppercase(), &chain[7..]);
        for head in [&chain, &digest, &copied] {
            let (line, more, ok, said) = told(head);
            assert_eq!(
                (line, more, ok),
                (Some(row as u64 + 1), 4 - row as u64, true)
            );
            assert!(said.contains(end), "{said}");
            assert!(
                said.contains(chain.as_str()) || said.contains(&digest),
                "{said}"
            );
        }
    }
    for no_head in [
        "",
        "0123456789abcde",
        "0123456789abcdeg",
        "0123456789abcdef0",
        &"0123456789abcdeg".repeat(4),
    ] {
        assert!(no_head.parse::<Head>().is_err(), "{no_head}");
    }
    let last = chain_of(&lines[4]);
    write(&lines[..4]);
    let (line, more, ok, said) = told(&last);
    assert_eq!((line, more, ok), (None, 0, false));
    assert!(
        said.contains("v.csv:4: none of the rows up to here has the head"),
        "{said}"
    );
}

/// How many times run back, and where the first does; weights without the rows that open a batch were held against no
/// plan. Neither is a fault: both are told.
#[test]
fn what_is_no_fault_and_looks_like_one_is_told() {
    let told = |seconds: &[i64], kind| {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("v.csv");
        let draft = Draft::new(kind, "by hand");
        let at = |second: &i64| nine() + jiff::SignedDuration::from_secs(*second);
        let rows = seconds.iter().map(|second| (at(second), &draft));
        let lines: Vec<Vec<u8>> = logs::sealed("v", "f", rows).collect();
        std::fs::write(&path, lines.concat()).unwrap();
        let report = verify(&path).unwrap();
        assert!(report.is_ok(), "{report}");
        (report.back, report.first_back, report.to_string())
    };
    let (back, first, said) = told(&[10, 9, 20, 17, 16], RowKind::Note);
    assert_eq!((back, first), (1, Some(5)));
    assert!(
        said.contains("v.csv:5:at: earlier than the row before (1 row is so)"),
        "{said}"
    );
    let (back, first, said) = told(&[10, 8, 20, 17, 10], RowKind::Note);
    assert_eq!((back, first), (3, Some(3)));
    assert!(
        said.contains("v.csv:3:at: earlier than the row before (3 rows are so)"),
        "{said}"
    );
    let no_plan = "no row opens the batch";
    assert!(!said.contains(no_plan), "{said}");
    // With the rows that open it, it was held against them.
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("v.csv");
    let opening = hard_opening().drafts("f").unwrap();
    let rows = [&opening[..], &[weighed(1, "Salt", 30_000)]].concat();
    std::fs::write(&path, sealed(&rows).concat()).unwrap();
    let report = verify(&path).unwrap();
    assert!(report.formula && report.weighs);
    assert!(!report.to_string().contains(no_plan), "{report}");
    for weights in 1..=2 {
        let (back, first, said) = told(&[0, 1][..weights], RowKind::Weighed);
        assert_eq!((back, first), (0, None));
        assert!(said.contains(no_plan), "{said}");
    }
}

/// The last check of each scale counts, in the order in which they were written; what was measured of its repeatability
/// is no check, and all other rows are none of either.
#[test]
fn the_last_check_of_each_scale_is_read_from_their_log() {
    let dir = tempfile::tempdir().unwrap();
    let none = scale_checks::last(dir.path()).unwrap();
    assert!(none.is_empty(), "no log yet");
    let check = |scale: &str, verdict, note: &str| Draft {
        scale: scale.into(),
        verdict,
        ..Draft::new(RowKind::ScaleCheck, note)
    };
    let rows = [
        check("bench", Some(Verdict::Over), "first"),
        check("floor", Some(Verdict::Inside), "of the floor"),
        check("bench", Some(Verdict::Inside), "second"),
        check("bench", None, "repeatability"),
        Draft::new(RowKind::Note, "by hand"),
    ];
    for draft in &rows {
        // Opened anew for each, as each run of the program does.
        let (mut log, _) = scale_checks::open(dir.path()).unwrap();
        log.append(draft, nine()).unwrap();
    }
    let mut notes = Vec::new();
    scale_checks::each(dir.path(), |row| notes.push(row.note)).unwrap();
    assert_eq!(notes, ["first", "of the floor", "second", "repeatability"]);
    let last = scale_checks::last(dir.path()).unwrap();
    let last: Vec<(&str, &str)> = last
        .iter()
        .map(|(scale, row)| (&**scale, &*row.note))
        .collect();
    assert_eq!(last, [("bench", "second"), ("floor", "of the floor")]);
    // It is no batch's.
    assert!(batches_in(dir.path()).unwrap().is_empty());
    assert_eq!(log_of(dir.path(), scale_checks::NAME), None);
    // Damaged, it says so and tells of no check.
    let path = scale_checks::path(dir.path());
    let text = std::fs::read_to_string(&path).unwrap();
    std::fs::write(&path, text.replace("second", "sekond")).unwrap();
    let damaged = scale_checks::last(dir.path());
    assert!(matches!(damaged, Err(LogError::Bad(bad)) if bad.line == 4));
}

/// A formula's text with everything a cell would change.
fn hard_opening() -> Opening {
    Opening {
        text:
            "[formula]\r\nname = \"=Tide, \\\"x\\\"\"\n# \u{202E}\u{2028}\u{7f}\t\u{85}\u{1F9C2}'\n"
                .into(),
        batch: Mass::from_g(500),
        jars: Some((8, Mass::from_g(55))),
    }
}

#[test]
fn the_log_alone_tells_where_the_batch_stood() {
    let dir = tempfile::tempdir().unwrap();
    let path = {
        let mut log = LogFile::create_unique(dir.path(), "Tideline bath salts", nine()).unwrap();
        log.write_opening(&hard_opening(), "Tideline", nine())
            .unwrap();
        log.append(&weighed(1, "Salt", 30_010), nine()).unwrap();
        log.append(&weighed(2, "Soda", 29_980), nine()).unwrap();
        let mut mixed = Draft::new(RowKind::Mixed, "mixed");
        mixed.phase = "salts".into();
        log.append(&mixed, nine()).unwrap();
        let mut correction = weighed(1, "Salt", 30_020);
        correction.note = "corrects seq 3: typed wrong".into();
        correction.lot = "L-8".into();
        log.append(&correction, nine()).unwrap();
        log.append(&weighed(3, "Clay", 30_000), nine()).unwrap();
        let mut withdrawn = Draft::new(RowKind::Weighed, "corrects seq 7");
        withdrawn.step = 3;
        log.append(&withdrawn, at("2026-01-01T10:00:00Z")).unwrap();
        log.path().to_owned()
    };
    let (_log, found) = LogFile::open(&path).unwrap();
    let record = found.record;
    assert_eq!(record, read_strictly(&path).unwrap());
    assert_eq!(record.opening, Some(hard_opening()));
    let progress = record.progress(&two_phases());
    let net = |step: usize| progress.weighed.get(&step).map(|w| (w.seq, w.net));
    assert_eq!(net(1), Some((6, Mass::from_mg(30_020))));
    assert_eq!(net(2), Some((4, Mass::from_mg(29_980))));
    assert_eq!(net(3), None);
    assert_eq!(progress.mixed, [0]);
    assert_eq!(progress.lots["Salt"], "L-8");
    assert_eq!(progress.lots["Soda"], "L-7");
    assert!(!progress.closed);
}

/// Two phases of one name; the first has steps 1 and 2.
fn two_phases() -> Plan {
    let step = |number, phase| Step {
        number,
        phase,
        part: 0,
        ingredient: "Salt".into(),
        target: Mass::from_g(30),
        lowest: Mass::from_g(29),
        highest: Mass::from_g(31),
        vessel: VesselWay::Beaker,
        caution: None,
        lot_required: false,
        last_of_phase: number != 1,
        scale: 0,
    };
    let phase = || PlannedPhase {
        name: "salts".into(),
        mix: Some("stir".into()),
    };
    Plan {
        batch: Mass::from_g(90),
        jars: None,
        formula: "Tideline".into(),
        version: "1".into(),
        phases: vec![phase(), phase()],
        steps: [step(1, 0), step(2, 0), step(3, 1)].map(Into::into).into(),
        parts: vec![],
        limits: vec![],
        filling: None,
    }
}

/// Two phases may bear one name: a step decides, and without one the rows take them in order.
#[test]
fn a_mixed_row_belongs_to_the_phase_of_its_step_or_else_of_its_name() {
    let mixed = |rows: &[(usize, &str)]| {
        let row = |(step, phase): &(usize, &str)| {
            let draft = Draft {
                step: *step,
                phase: (*phase).to_owned(),
                ..Draft::new(RowKind::Mixed, "")
            };
            let stamp = Stamp {
                batch: "b",
                seq: 1,
                at: nine(),
                formula: "f",
            };
            Row::from_draft(&draft, stamp)
        };
        Record::of_rows(rows.iter().map(row))
            .progress(&two_phases())
            .mixed
    };
    assert_eq!(mixed(&[(3, "salts")]), [1]);
    assert_eq!(mixed(&[(2, "salts"), (2, "salts")]), [0]);
    assert_eq!(mixed(&[(0, "salts"), (0, "salts"), (0, "salts")]), [0, 1]);
    assert_eq!(mixed(&[(0, "oils"), (9, "oils")]), [0usize; 0]);
}

#[test]
fn open_batches_are_listed_newest_first_and_a_broken_log_is_said() {
    let dir = tempfile::tempdir().unwrap();
    for (name, day, closed) in [("a", 1, false), ("b", 3, false), ("c", 2, true)] {
        let mut log = LogFile::create(dir.path(), name, "f").unwrap();
        let kind = if closed {
            RowKind::Closed
        } else {
            RowKind::Opened
        };
        let time = at(&format!("2026-01-0{day}T09:00:00Z"));
        log.append(&Draft::new(kind, ""), time).unwrap();
    }
    std::fs::write(dir.path().join("d.csv"), "not a log\n").unwrap();
    let list_open = |logs: &Path| Archive::new(logs, None).list_open(1).unwrap();
    let logs = list_open(dir.path());
    let names: Vec<&str> = logs.open.iter().map(|(_, r)| r.batch.as_str()).collect();
    assert_eq!(names, ["b", "a"]);
    assert_eq!(logs.bad.len(), 1);
    assert!(list_open(&dir.path().join("none")).open.is_empty());
}

#[test]
fn a_formula_that_was_tampered_with_or_is_too_long_is_refused() {
    let dir = tempfile::tempdir().unwrap();
    let mut drafts = hard_opening().drafts("Tideline").unwrap();
    drafts[1].note = drafts[1].note.replace("name", "nome");
    let mut log = LogFile::create(dir.path(), "t", "f").unwrap();
    for draft in &drafts {
        log.append(draft, nine()).unwrap();
    }
    let error = read_strictly(log.path()).unwrap_err().to_string();
    let wanted = "t.csv:3:note: the formula in the note does not fit its sha256";
    assert!(error.contains(wanted), "{error}");
    let long = Opening {
        text: "x".repeat(200_000),
        ..hard_opening()
    };
    assert!(long.drafts("f").is_err());
}

#[test]
fn names_are_safe_and_unique() {
    for (text, wanted) in [
        ("../../etc/passwd", "etc-passwd"),
        ("..", "batch"),
        ("", "batch"),
        ("a b/c\\d:ü", "a-b-c-d--"),
        (".hidden", "hidden"),
        ("-rf", "rf"),
        ("A.b_c-9", "A.b_c-9"),
    ] {
        assert_eq!(safe_batch_name(text), wanted);
    }
    let name = new_batch_name("Tideline  bath salts!", nine());
    assert_eq!(name, "tideline-bath-salts-20260101-0900");
    for (formula, batch) in [
        ("Öl-Traum 🌿 süß/herb", "oel-traum-suess-herb-20260101-0900"),
        ("Cre\u{300}me à l’œillet", "creme-a-l-oeillet-20260101-0900"),
        ("МОРЕ", "batch-20260101-0900"),
    ] {
        assert_eq!(new_batch_name(formula, nine()), batch);
    }
    assert!(new_batch_name(&"long ".repeat(99), nine()).len() <= LONGEST_NAME - 4);
    let dir = tempfile::tempdir().unwrap();
    let create = || LogFile::create_unique(dir.path(), "Tideline bath salts", nine()).unwrap();
    let logs = [create(), create(), create()];
    let names = logs.each_ref().map(LogFile::batch);
    assert_eq!(
        names,
        [name.as_str(), &format!("{name}-2"), &format!("{name}-3")]
    );
    let again = LogFile::create(dir.path(), &name, "f").unwrap_err();
    assert!(matches!(again, LogError::Locked { .. }));
    drop(logs);
    let again = LogFile::create(dir.path(), &name, "f").unwrap_err();
    assert!(matches!(again, LogError::Exists { .. }));
}

prop_compose! {
    fn any_draft()(
        texts in prop::array::uniform6(any::<String>()),
        ng in prop::array::uniform7(prop::option::of(any::<i64>())),
        readability in any::<i64>(),
        kind in 0..10usize,
        verdict in prop::option::of(0..4usize),
        unit in prop::option::of(0..9usize),
        (step, readings) in (any::<usize>(), prop::option::of(any::<u32>())),
    ) -> Draft {
        let [phase, ingredient, lot, vessel, scale, note] = texts;
        let mass = ng.map(|ng| ng.map(Mass::from_ng));
        Draft {
            ticket: 1, at: Moment(0), kind: RowKind::ALL[kind], step, phase, ingredient, lot,
            vessel, target: mass[0], low: mass[1], high: mass[2], tare: mass[3], gross: mass[4],
            net: mass[5], uncertainty: mass[6], verdict: verdict.map(|v| Verdict::ALL[v]), scale,
            unit: unit.map(|u| Unit::ALL[u]), readings, readability: Mass::from_ng(readability),
            note,
        }
    }
}

proptest! {
    #[test]
    fn any_row_reads_back(
        draft in any_draft(),
        formula in any::<String>(),
        seq in any::<u64>(),
        ms in -62_000_000_000_000i64..250_000_000_000_000,
    ) {
        let at = Timestamp::from_millisecond(ms).unwrap();
        let row = Row::from_draft(&draft, Stamp { batch: "b", seq, at, formula: &formula });
        let row = row.sealed("p");
        let line = row.line();
        prop_assert_eq!(line.iter().filter(|b| **b == b'\n' || **b == b'\r').count(), 1);
        let mut reader = csv::ReaderBuilder::new().has_headers(false).from_reader(&line[..]);
        let record = reader.records().next().unwrap().unwrap();
        let back = Row::from_record(&record).unwrap();
        prop_assert_eq!(back.line(), line);
        let mut wanted = row;
        for text in [
            &mut wanted.formula, &mut wanted.phase, &mut wanted.ingredient, &mut wanted.lot,
            &mut wanted.vessel, &mut wanted.scale, &mut wanted.note,
        ] {
            *text = clean(text);
        }
        prop_assert_eq!(back, wanted);
    }

    #[test]
    fn the_apostrophe_comes_off_exactly(text in "['=+@| ＝1-9\t;\"-]{0,9}") {
        let cell = guarded(&text);
        prop_assert_eq!(unguarded(&cell), clean(&text));
        let first = cell.trim_start().chars().next();
        let number = cell.trim().parse::<f64>().is_ok();
        let runs = |c: Option<char>| matches!(c, Some('=' | '+' | '-' | '@' | '|' | '＝'));
        let before = cell.split(';').next().unwrap_or_default();
        let number = number || before.trim().parse::<f64>().is_ok();
        prop_assert!(number || !runs(first), "{:?}", cell);
        for part in cell.split(';').skip(1) {
            let body = part.trim_start_matches([' ', '"']);
            prop_assert!(!runs(body.chars().next()), "{:?}", cell);
        }
    }

    #[test]
    fn any_formula_text_comes_back(text in any::<String>(), ng in any::<i64>()) {
        let dir = tempfile::tempdir_in("/dev/shm").or_else(|_| tempfile::tempdir()).unwrap();
        let opening = Opening { text, batch: Mass::from_ng(ng), jars: None };
        let mut log = LogFile::create(dir.path(), "o", "f").unwrap();
        log.write_opening(&opening, "=x", nine()).unwrap();
        prop_assert_eq!(read_strictly(log.path()).unwrap().opening, Some(opening));
    }

    #[test]
    fn names_never_leave_the_folder(text in any::<String>()) {
        let name = safe_batch_name(&text);
        prop_assert!(!name.is_empty() && name.len() <= LONGEST_NAME && !name.starts_with('.'));
        prop_assert!(name.bytes().all(|b| b.is_ascii_alphanumeric() || b"._-".contains(&b)));
        prop_assert_eq!(safe_batch_name(&name), name);
    }
}
