//! Logs of batches, written as the daemon writes them, and what the csv crate reads out of logs.

use std::borrow::Borrow;
use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

use bismar::journal::format::chain;
use bismar::journal::format::opening::Opening;
use bismar::journal::format::row::{Row, Stamp, header};
use bismar::journal::store::log::LogFile;
use bismar::mass::{Mass, Unit};
use bismar::vocabulary::entry::{Draft, RowKind, Verdict};

use jiff::Timestamp;

use super::person::Person;

/// Where the daemon writes a person's logs, below her folder.
pub const LOGS: &str = "home/.local/share/bismar/logs";

/// How a batch began; its rows follow a minute apart.
pub struct Begun<'a> {
    /// The formula's text, and what the rows call it.
    pub formula: &'a str,
    pub label: &'a str,
    pub size: Mass,
    pub jars: Option<(u32, Mass)>,
    pub at: &'a str,
}

impl Begun<'_> {
    /// Writes the log of `batch`: its opening and `rows`. Gives its path.
    #[track_caller]
    pub fn written(&self, folder: &Path, batch: &str, rows: &[Draft]) -> PathBuf {
        let opening = Opening {
            text: self.formula.into(),
            batch: self.size,
            jars: self.jars,
        };
        let opening = opening.drafts(self.label).expect("an opening");
        let begun: jiff::Timestamp = self.at.parse().expect("a time");
        let mut log = LogFile::create(folder, batch, self.label).expect("a new log");
        for (minute, draft) in (0..).zip(opening.iter().chain(rows)) {
            log.append(draft, begun + jiff::SignedDuration::from_mins(minute))
                .expect("a row");
        }
        log.path().to_owned()
    }
}

/// The lines of a log in memory, without the writer, which waits for the disk at each row: its header, and one for each
/// of `rows`, at its time.
pub fn sealed<D: Borrow<Draft>>(
    batch: &str,
    label: &str,
    rows: impl IntoIterator<Item = (Timestamp, D)>,
) -> impl Iterator<Item = Vec<u8>> {
    let mut previous = chain::start(batch);
    let lines = (1..).zip(rows).map(move |(seq, (at, draft))| {
        let stamp = Stamp {
            batch,
            seq,
            at,
            formula: label,
        };
        let row = Row::from_draft(draft.borrow(), stamp).sealed(&previous);
        let line = row.line();
        previous = row.chain;
        line
    });
    std::iter::once(format!("{}\n", header()).into_bytes()).chain(lines)
}

/// A row of a weight, on a scale of 0.01 g.
pub fn weighed(step: usize, ingredient: &str, lot: &str, net_mg: i64) -> Draft {
    Draft {
        step,
        ingredient: ingredient.into(),
        lot: lot.into(),
        net: Some(Mass::from_mg(net_mg)),
        readability: Mass::from_mg(10),
        ..Draft::new(RowKind::Weighed, "")
    }
}

/// As [`weighed`], inside, with what the bench writes of a beaker on its scale.
pub fn weighed_inside(step: usize, ingredient: &str, lot: &str, net_mg: i64) -> Draft {
    Draft {
        vessel: "beaker".into(),
        verdict: Some(Verdict::Inside),
        scale: "bench".into(),
        unit: Some(Unit::Gram),
        readings: Some(10),
        ..weighed(step, ingredient, lot, net_mg)
    }
}

/// The row of a batch that is complete.
pub fn closed() -> Draft {
    Draft::new(RowKind::Closed, "complete")
}

/// The logs in a folder, in the order of their names.
pub fn logs_in(folder: &Path) -> Vec<PathBuf> {
    let entries = fs::read_dir(folder).expect("a folder").map(Result::unwrap);
    let mut logs: Vec<PathBuf> = entries
        .map(|entry| entry.path())
        .filter(|path| path.extension().is_some_and(|end| end == "csv"))
        .collect();
    logs.sort();
    logs
}

/// The rows of a table by the names of its columns, read by the csv crate: those whose line has ended.
/// The daemon may be at the next one, and one write is not one read (they meet at a page's border).
#[track_caller]
pub fn rows(table: &Path) -> Vec<BTreeMap<String, String>> {
    let mut bytes = fs::read(table).unwrap();
    bytes.truncate(
        bytes
            .iter()
            .rposition(|&byte| byte == b'\n')
            .map_or(0, |end| end + 1),
    );
    let mut reader = csv::Reader::from_reader(&bytes[..]);
    reader.deserialize().map(Result::unwrap).collect()
}

/// `column` of the rows of `kind`.
#[track_caller]
pub fn cells(log: &Path, kind: &str, column: &str) -> Vec<String> {
    // A late drop is a correction of its own; what is asked here is the first row of each step.
    let first = |row: &BTreeMap<String, String>| {
        row["kind"] == kind && !row["note"].starts_with("corrects seq")
    };
    let rows = rows(log).into_iter().filter(first);
    rows.map(|row| row[column].clone()).collect()
}

// ---- the program itself --------------------------------------------------------------------------

/// The only log of the person.
#[track_caller]
pub fn only_log(person: &Person) -> PathBuf {
    let mut logs = logs_in(&person.path(LOGS));
    assert_eq!(logs.len(), 1, "{logs:?}");
    logs.remove(0)
}

/// A jar of 60 g, filled with so much.
pub fn jar(number: usize, net_mg: i64) -> Draft {
    Draft {
        step: number,
        target: Some(Mass::from_g(60)),
        net: Some(Mass::from_mg(net_mg)),
        verdict: Some(Verdict::Inside),
        readability: Mass::from_mg(10),
        ..Draft::new(RowKind::Filled, "")
    }
}
