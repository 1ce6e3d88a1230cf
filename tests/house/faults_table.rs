//! `tests/FAULTS.md` has the rows that the tests define. With `BISMAR_FAULTS_WRITE` set it is written
//! anew first, from what the tests reported; `.ci/faults` does that after a full run.

use std::collections::BTreeSet;
use std::fmt::Write as _;
use std::fs;
use std::path::{Path, PathBuf};

use crate::bench_side::faults::{LONG_ROWS, ROWS, Row, TABLES, WORKSHOP_ROWS, folder, slug};

fn table() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/FAULTS.md")
}

/// The row that was reported for `fault`.
fn reported(fault: &str) -> Row {
    let path = folder().join(format!("{}.json", slug(fault)));
    let text = fs::read_to_string(&path)
        .unwrap_or_else(|e| panic!("no test reported {fault:?} ({}: {e})", path.display()));
    let row: Row = serde_json::from_str(&text).unwrap();
    assert_eq!(row.fault, fault);
    row
}

/// A row of the long runs as the table has it already, where none was reported now.
fn kept(old: &str, fault: &str) -> Option<String> {
    let begins = format!("| {fault} | ");
    let new = folder().join(format!("{}.json", slug(fault))).exists();
    let line = old.lines().find(|line| line.starts_with(&begins))?;
    (!new).then(|| line.to_owned())
}

fn heading(name: &str) -> String {
    let mut letters = name.chars();
    let first = letters.next().map(|first| first.to_ascii_uppercase());
    first.into_iter().chain(letters).collect()
}

fn cell(text: &str) -> String {
    text.replace('|', "\\|").replace('\n', " ")
}

fn write_table() {
    let cores = std::thread::available_parallelism().map_or(0, usize::from);
    let today = jiff::Timestamp::now().to_string();
    let today = &today[..10];
    let long = LONG_ROWS.len();
    let sizes = if std::env::var_os("BISMAR_FAULTS").is_some() {
        format!("by `.ci/faults`, in full sizes; the last {long} rows only it makes")
    } else {
        format!(
            "in the sizes of `cargo test`; `.ci/faults` runs the full ones, and the last {long} rows only it makes"
        )
    };
    let mut text = format!(
        "# Faults, made and measured\n\n\
         Written from what the tests reported ({sizes}), not by hand. Run of {today}, {cores} cores, \
         Linux. What must hold was asserted by the test before it reported; what was measured is \
         this machine's, beside other work. No real \
         scale and no real plug were at hand: lines are ptys, but for the virtual machine's USB adapter.\n\n\
         | fault | how it is made | cases | what must hold | measured |\n\
         | --- | --- | ---: | --- | --- |\n",
    );
    let old = fs::read_to_string(table()).unwrap_or_default();
    for fault in ROWS.iter().chain(WORKSHOP_ROWS).chain(LONG_ROWS) {
        if let Some(line) = kept(&old, fault).filter(|_| !ROWS.contains(fault)) {
            writeln!(text, "{line}").unwrap();
            continue;
        }
        let row = reported(fault);
        let cells = [&row.fault, &row.how, &row.cases, &row.holds, &row.measured];
        let cells: Vec<String> = cells.map(|text| cell(text)).into();
        writeln!(text, "| {} |", cells.join(" | ")).unwrap();
    }
    for name in TABLES {
        let path = folder().join(format!("{}.md", slug(name)));
        let part = fs::read_to_string(&path)
            .unwrap_or_else(|e| panic!("no test reported {name:?} ({}: {e})", path.display()));
        write!(text, "\n## {}\n\n{part}", heading(name)).unwrap();
    }
    fs::write(table(), text).unwrap();
}

#[test]
fn the_table_has_each_row_that_the_tests_define_and_no_other() {
    if std::env::var_os("BISMAR_FAULTS_WRITE").is_some() {
        write_table();
    }
    let text = fs::read_to_string(table()).expect("tests/FAULTS.md; .ci/faults writes it");
    let mut parts = text.split("\n## ");
    let rows: Vec<Vec<&str>> = parts
        .next()
        .unwrap_or_default()
        .lines()
        .filter(|line| line.starts_with("| "))
        .skip(2)
        .map(|line| line.trim_matches('|').split(" | ").map(str::trim).collect())
        .collect();
    let names: Vec<&str> = rows.iter().map(|row| row[0]).collect();
    let all: Vec<&str> = ROWS
        .iter()
        .chain(WORKSHOP_ROWS)
        .chain(LONG_ROWS)
        .copied()
        .collect();
    assert_eq!(names, all, "`.ci/faults` writes the table anew");
    for row in &rows {
        assert_eq!(row.len(), 5, "{row:?}");
        assert!(row.iter().all(|cell| !cell.is_empty()), "{row:?}");
    }
    let tables: Vec<&str> = parts.collect();
    assert_eq!(tables.len(), TABLES.len());
    for (table, name) in tables.iter().zip(TABLES) {
        let (first, rows) = table.split_once('\n').unwrap();
        assert_eq!(first, heading(name));
        let rows: Vec<usize> = rows
            .lines()
            .filter(|line| line.starts_with('|'))
            .map(|line| line.matches('|').count())
            .collect();
        // Head, rule and at least one row, all as wide as the head.
        assert!(rows.len() > 2, "{name}");
        assert!(rows.iter().all(|columns| *columns == rows[0]), "{name}");
    }
}

#[test]
fn no_two_rows_share_a_file() {
    let all = ROWS.iter().chain(WORKSHOP_ROWS).chain(LONG_ROWS);
    let slugs: BTreeSet<String> = all.map(|fault| slug(fault)).collect();
    assert_eq!(
        slugs.len(),
        ROWS.len() + WORKSHOP_ROWS.len() + LONG_ROWS.len()
    );
}
