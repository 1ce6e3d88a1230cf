//! `bismar log verify FILE`: whether a log is as it was written, whether its rows agree with each other, and
//! whether it still holds a head that was noted down.

use std::fmt;
use std::path::{Path, PathBuf};
use std::str::FromStr;

use jiff::SignedDuration;

use crate::journal::batch::agree::Agreement;
use crate::journal::error::LogError;
use crate::journal::format::fault::{BadLine, Fault};
use crate::journal::format::opening::opening_of;
use crate::journal::format::row::CellError;
use crate::journal::name_of;
use crate::journal::read::scan::scan_file;
use crate::language::{Sentence, phrase, shown_as_told};
use crate::vocabulary::entry::RowKind;

/// Rows of one moment are stamped one after the other, by a clock that is nudged all the time.
const SET_BACK: SignedDuration = SignedDuration::from_secs(1);

/// What was noted of a log outside of it, as the batch sheet prints it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Head {
    /// The chain of a row.
    Chain(String),
    /// The SHA-256 of the file up to and including a row.
    File(String),
}

/// A text is no [`Head`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("a head is 16 or 64 hexadecimal digits, as the batch sheet prints it")]
pub struct NotAHead;

impl FromStr for Head {
    type Err = NotAHead;

    /// Capitals, and spaces between groups of digits, are taken.
    fn from_str(text: &str) -> Result<Head, NotAHead> {
        let digits = text.chars().filter(|c| !c.is_whitespace());
        let digits: String = digits.map(|c| c.to_ascii_lowercase()).collect();
        let hex = digits.bytes().all(|byte| byte.is_ascii_hexdigit());
        match digits.len() {
            16 if hex => Ok(Head::Chain(digits)),
            64 if hex => Ok(Head::File(digits)),
            _ => Err(NotAHead),
        }
    }
}

impl fmt::Display for Head {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Head::Chain(digits) | Head::File(digits) => f.write_str(digits),
        }
    }
}

/// Where a log holds a head.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Held {
    pub head: Head,
    /// The line of its row; `None`: nowhere.
    pub line: Option<u64>,
    /// Rows behind that.
    pub more: u64,
}

/// What reading a whole log showed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Report {
    pub path: PathBuf,
    /// The batch the rows name; `None` in a log without rows.
    pub batch: Option<String>,
    /// Good rows, up to the first bad line.
    pub rows: u64,
    /// Whether it holds its formula, against which the weights are held.
    pub formula: bool,
    /// Whether anything is weighed in it.
    pub weighs: bool,
    /// Whether the batch was closed. Rows missing at the very end show only as a log that is not.
    pub closed: bool,
    /// The first line that is not as it was written, or does not agree with the others.
    pub fault: Option<BadLine>,
    /// Whether the file's name is not the batch's: a copy, or renamed. Its rows may be good.
    pub renamed: bool,
    /// How many rows are more than a second before the row above, and the line of the first.
    pub back: u64,
    pub first_back: Option<u64>,
    /// Where the head is that was asked for.
    pub head: Option<Held>,
}

impl Report {
    /// Whether it is of a batch and lacks the rows that open one.
    fn unopened(&self) -> bool {
        !self.formula && self.weighs
    }

    /// Whether every row is as it was written and agrees with those before it, and the head that was asked
    /// for is there. A clock that was set back is no fault.
    pub fn is_ok(&self) -> bool {
        let gone = self.head.as_ref().is_some_and(|held| held.line.is_none());
        self.fault.is_none() && !gone
    }
}

/// Reads the whole log, row by row, changing nothing; of each row only numbers are kept. A row that is being
/// written in this moment can look like a torn end.
///
/// # Errors
/// Only when the file cannot be read; what is wrong inside it is in the report.
pub fn verify(path: &Path) -> Result<Report, LogError> {
    verify_with(path, None)
}

/// As [`verify`]; `head` is looked for too.
///
/// # Errors
/// As [`verify`].
pub fn verify_with(path: &Path, head: Option<&Head>) -> Result<Report, LogError> {
    let mut scan = scan_file(path)?;
    if matches!(head, Some(Head::File(_))) {
        scan = scan.digesting();
    }
    let mut report = Report {
        path: path.to_owned(),
        batch: None,
        rows: 0,
        formula: false,
        weighs: false,
        closed: false,
        fault: None,
        renamed: false,
        back: 0,
        first_back: None,
        head: head.map(|head| Held {
            head: head.clone(),
            line: None,
            more: 0,
        }),
    };
    let mut agreement = Agreement::default();
    let mut last_at = None;
    loop {
        let row = match scan.next_or_fault()? {
            Ok(Some(row)) => row,
            Ok(None) => break,
            Err(bad) => {
                report.fault = Some(bad);
                break;
            }
        };
        report.weighs |= row.kind == RowKind::Weighed;
        report.formula |= opening_of(&row).is_some();
        if let Err(CellError { column, why }) = agreement.add(&row) {
            report.fault = Some(scan.bad(Some(column), Fault::Disagrees { why }));
            break;
        }
        report.rows += 1;
        // The header is line 1.
        let line = report.rows + 1;
        if last_at.is_some_and(|last| row.at.duration_since(last) < -SET_BACK) {
            report.back += 1;
            report.first_back.get_or_insert(line);
        }
        last_at = Some(row.at);
        if let Some(held) = &mut report.head {
            let here = match &held.head {
                Head::Chain(chain) => *chain == row.chain,
                Head::File(digest) => *digest == scan.digest(),
            };
            match held.line {
                Some(_) => held.more += 1,
                None if here => held.line = Some(line),
                None => {}
            }
        }
    }
    report.closed = agreement.is_closed();
    report.batch = scan.batch().map(str::to_owned);
    let other = |batch: &String| *batch != name_of(path);
    report.renamed = report.batch.as_ref().is_some_and(other);
    Ok(report)
}

impl Report {
    /// What it comes to, a line each.
    pub fn told(&self) -> Sentence {
        let path = self.path.display().to_string();
        let rows = match self.rows {
            1 => phrase!("1 row"),
            rows => phrase!("{rows} rows", rows),
        };
        let mut lines = vec![match (&self.fault, self.closed) {
            (Some(bad), _) => phrase!(
                "{bad}\nnot ok: {rows} good before that",
                bad = bad.told(),
                rows,
            ),
            (None, true) => phrase!("{path}: ok, {rows}, batch closed", path = &path, rows),
            (None, false) => phrase!("{path}: ok, {rows}, batch not closed", path = &path, rows),
        }];
        if self.fault.is_none() && self.unopened() {
            lines.push(phrase!(
                "{path}:2: no row opens the batch and holds its formula, as in every log of the daemon: the weights were \
                 held against no plan",
                path = &path,
            ));
        }
        match self.first_back {
            Some(line) if self.back == 1 => lines.push(phrase!(
                "{path}:{line}:at: earlier than the row before (1 row is so): the clock was set back then, or the times \
                 were changed",
                path = &path,
                line = line.to_string(),
            )),
            Some(line) => lines.push(phrase!(
                "{path}:{line}:at: earlier than the row before ({back} rows are so): the clock was set back then, or the \
                 times were changed",
                path = &path,
                line = line.to_string(),
                back = self.back,
            )),
            None => {}
        }
        if let Some(Held { head, line, more }) = &self.head {
            let head = head.to_string();
            lines.push(match (line, more) {
                (Some(_), 0) => phrase!("It ends with the head {head}.", head),
                (Some(line), 1) => phrase!(
                    "It holds the head {head} in line {line}; 1 row was added since.",
                    head,
                    line = *line,
                ),
                (Some(line), more) => phrase!(
                    "It holds the head {head} in line {line}; {more} rows were added since.",
                    head,
                    line = *line,
                    more = *more,
                ),
                (None, _) => phrase!(
                    "{path}:{line}: none of the rows up to here has the head {head}: rows were cut off, or the log was \
                     written anew since that was noted. Compare it with a backup",
                    path = &path,
                    line = (self.rows + 1).to_string(),
                    head,
                ),
            });
        }
        if let Some(batch) = self.batch.as_ref().filter(|_| self.renamed) {
            lines.push(phrase!(
                "the rows are of batch `{batch}`: the file is a copy or was renamed",
                batch,
            ));
        }
        let all = lines.into_iter();
        all.reduce(|all, line| phrase!("{all}\n{line}", all, line))
            .unwrap_or_default()
    }
}

shown_as_told!(Report);
