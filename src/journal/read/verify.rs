//! `bismar log verify FILE`: whether a log is as it was written.

use std::fmt;
use std::path::{Path, PathBuf};

use crate::journal::error::LogError;
use crate::journal::format::fault::BadLine;
use crate::journal::name_of;
use crate::journal::read::scan::scan_file;
use crate::text::counted;
use crate::vocabulary::entry::RowKind;

/// What reading a whole log showed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Report {
    pub path: PathBuf,
    /// The batch the rows name; `None` in a log without rows.
    pub batch: Option<String>,
    /// Good rows, up to the first bad line.
    pub rows: u64,
    /// Whether the batch was closed. Rows missing at the very end show only as a log that is not.
    pub closed: bool,
    /// The first line that is not as it was written.
    pub fault: Option<BadLine>,
    /// Whether the file's name is not the batch's: a copy, or renamed. Its rows may be good.
    pub renamed: bool,
}

impl Report {
    /// Whether every row is as it was written.
    pub fn is_ok(&self) -> bool {
        self.fault.is_none()
    }
}

/// Reads the whole log, row by row, in bounded memory, changing nothing. A row that is being
/// written in this moment can look like a torn end.
///
/// # Errors
/// Only when the file cannot be read; what is wrong inside it is in the report.
pub fn verify(path: &Path) -> Result<Report, LogError> {
    let mut scan = scan_file(path)?;
    let mut rows = 0;
    let mut closed = false;
    let fault = scan.each(|row| {
        rows += 1;
        closed |= row.kind == RowKind::Closed;
    })?;
    let batch = scan.batch().map(str::to_owned);
    let renamed = batch.as_ref().is_some_and(|batch| *batch != name_of(path));
    Ok(Report {
        path: path.to_owned(),
        batch,
        rows,
        closed,
        fault,
        renamed,
    })
}

impl fmt::Display for Report {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let rows = counted(self.rows, "row", "rows");
        match &self.fault {
            Some(bad) => write!(f, "{bad}\nnot ok: {rows} good before that")?,
            None => {
                let state = if self.closed { "closed" } else { "not closed" };
                write!(f, "{}: ok, {rows}, batch {state}", self.path.display())?;
            }
        }
        match &self.batch {
            Some(batch) if self.renamed => {
                write!(
                    f,
                    "\nthe rows are of batch `{batch}`: the file is a copy or was renamed"
                )
            }
            _ => Ok(()),
        }
    }
}
