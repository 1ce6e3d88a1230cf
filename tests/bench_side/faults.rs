//! The table of faults, `tests/FAULTS.md`: each row is written by the test that makes the fault.
//!
//! A test calls [`report`]; that leaves one file a row in `target/faults`, or in the folder that
//! `BISMAR_FAULTS` names. `.ci/faults` runs all of them in their full sizes into a fresh folder, and
//! `tests/house/faults_table.rs` makes the table of it, and holds the table's rows against [`ROWS`].

use std::fmt::Display;
use std::fs;
use std::io::Write as _;
use std::path::{Path, PathBuf};

/// Every row of the table, in its order. A test that makes a fault of another name fails.
pub const ROWS: &[&str] = &[
    // The line, to the real daemon.
    "plug pulled in a pour",
    "plugged in under another tty name",
    "line at a wrong speed",
    "lines cut in half",
    "flood of 1 MB/s without a line end",
    "flood of 1 MB/s of whole lines",
    "scale falls silent in a pour",
    "scale stuck on one line",
    "unit changed in a pour",
    "port gone for 20 s",
    "line that hangs up again and again",
    "wall clock set back and forth",
    "machine suspended in a pour",
    "daemon stopped for 9 s in a pour",
    "scale switched off and on in a pour",
    // The process and its log.
    "killed at random moments",
    "log's process killed while it appends",
    "log cut at every byte",
    "one byte of the log flipped",
    "zeros at the log's end",
    "log replaced by an old backup",
    "rows edited and their chain computed anew",
    "log larger than any batch",
    "disk full",
    "disk fails to sync",
    // Hands.
    "every fault of the hands and the scale, simulated",
    "careful hands, simulated",
    "deeds in any order",
    "words and deeds in any order",
    "every mishap alone, in the hostile world",
    "all mixed, in the hostile world",
    "each kind of scale without a mishap",
    "obeying from any state",
    "killed, by what is done with the beaker",
    "a day of batches",
    // Whatever is beside the daemon.
    "notification server hangs",
    "session bus dies",
    "subscriber that does not read",
    "malformed requests",
    "no session bus in a batch",
    "session bus dies in a batch and another one comes",
    "notification server hangs in a batch",
    "notification server refuses in a batch",
    "flood of button signals in a batch",
    "sound and speech programs missing, gone, failing, hung or loud",
    "another user at the control socket",
    "1,000 requests with faults in them",
    "200 clients at once",
    "1,000 connections at the page",
    "a gigabyte announced to the page",
    "socket of a killed daemon",
    // Texts from outside.
    "names that steer a terminal",
    "names that are paths, formulas of a spreadsheet, or endless",
    "names that are markup",
    "names that look alike",
    "no file of ours in its place",
];

/// Rows of the tests that need the feature `workshop`.
pub const WORKSHOP_ROWS: &[&str] = &[
    "broker, gatherer and benches killed under load",
    "way to the broker that cuts, doubles and is slow",
    "cable of a bench pulled",
    "bench, gatherer and broker stand still",
    "network between two benches split",
    "disk of the gatherer full",
    "disk of a bench full, with the wire on",
    "clock of a bench years off",
    "rows forged at the broker",
    "stranger at the broker",
    "bench set back to an old copy of its log",
    "bench replaced by another machine",
    "200 connections at the page with all benches",
];

/// Rows behind those, which only `.ci/faults` makes: too long for every run of the tests.
pub const LONG_ROWS: &[&str] = &[
    "ten minutes at four scales",
    "inputs made by a fuzzer",
    "USB serial adapter of a virtual machine",
    "service of an ordinary user, closed in, in a virtual machine",
];

/// Tables of their own behind the rows.
pub const TABLES: &[&str] = &[
    "killed, by what is done with the beaker",
    "the literal worlds, by what goes wrong",
    "the literal worlds, by scale",
];

/// One row.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct Row {
    pub fault: String,
    pub how: String,
    pub cases: String,
    pub holds: String,
    pub measured: String,
}

/// Writes the row of `fault`: `how` it was made, how many `cases` ran, what `holds` (the test has
/// asserted it before it calls this), what was `measured`.
///
/// # Panics
/// When `fault` is no name of [`ROWS`] or [`LONG_ROWS`], or the file cannot be written.
#[track_caller]
pub fn report(fault: &str, how: &str, cases: impl Display, holds: &str, measured: impl Display) {
    let known = [ROWS, WORKSHOP_ROWS, LONG_ROWS];
    assert!(
        known.iter().any(|rows| rows.contains(&fault)),
        "{fault:?} is neither in faults::ROWS nor in the other lists there"
    );
    let row = Row {
        fault: fault.to_owned(),
        how: how.to_owned(),
        cases: cases.to_string(),
        holds: holds.to_owned(),
        measured: measured.to_string(),
    };
    let folder = folder();
    fs::create_dir_all(&folder).expect("the folder of the rows");
    let mut file = tempfile::NamedTempFile::new_in(&folder).expect("a file for the row");
    serde_json::to_writer_pretty(&mut file, &row).expect("the row is written");
    file.persist(folder.join(format!("{}.json", slug(fault))))
        .expect("the row is at its place");
}

/// Leaves the `table` (Markdown, one of [`TABLES`]) that goes behind the rows under its own heading,
/// with a sentence of what made it.
///
/// # Panics
/// When `name` is none of [`TABLES`], or the file cannot be written.
#[track_caller]
pub fn report_table(name: &str, how: &str, table: &str) {
    assert!(TABLES.contains(&name), "{name:?} is not in faults::TABLES");
    let folder = folder();
    fs::create_dir_all(&folder).expect("the folder of the rows");
    let mut file = tempfile::NamedTempFile::new_in(&folder).expect("a file for the table");
    write!(file, "{how}\n\n{table}").expect("the table is written");
    file.persist(folder.join(format!("{}.md", slug(name))))
        .expect("the table is at its place");
}

/// Where the rows are.
pub fn folder() -> PathBuf {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    match std::env::var_os("BISMAR_FAULTS") {
        Some(folder) => root.join(folder),
        None => root.join("target/faults"),
    }
}

pub fn slug(fault: &str) -> String {
    let plain = |c: char| if c.is_ascii_alphanumeric() { c } else { '-' };
    fault.chars().map(plain).collect()
}
