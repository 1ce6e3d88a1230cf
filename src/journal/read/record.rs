//! Logs on the disk, read into what they say of their batches.

use std::io::BufRead;
use std::path::Path;

use crate::journal::batch::record::Record;
use crate::journal::error::LogError;
use crate::journal::format::fault::Fault;
use crate::journal::format::line::LineReader;
use crate::journal::format::row::CellError;
use crate::journal::read::scan::{Scan, scan_to_hold, scan_to_hold_by};

/// Reads a log without its lock and without changing it, to tell of its batch. What follows the first
/// bad line is not read; [`Record::fault`] tells.
///
/// # Errors
/// Only when the file cannot be read, or is larger than any batch's.
pub fn read(path: &Path) -> Result<Record, LogError> {
    Ok(read_by(path, &mut None)?.0)
}

/// As [`read`], and whether each note of the program in it is understood; `lines` goes from log to log, `None` at
/// first.
pub(super) fn read_by(
    path: &Path,
    lines: &mut Option<LineReader>,
) -> Result<(Record, bool), LogError> {
    let mut record = Record::new(path.display());
    let mut scan = scan_to_hold_by(path, lines.take().unwrap_or_else(LineReader::new))?;
    let mut understood = true;
    record.fault = scan.each(|row| {
        // A note that does not read stays a note.
        understood &= record.add(row).is_ok();
    })?;
    // After a line that is none the next may not read either.
    *lines = record.fault.is_none().then(|| scan.into_lines());
    Ok((record, understood))
}

/// As [`read`], no further than the row that holds the formula.
///
/// # Errors
/// When the file cannot be read, or is not as it was written up to there.
pub fn begun(path: &Path) -> Result<Record, LogError> {
    let mut record = Record::new(path.display());
    let mut scan = scan_to_hold(path)?;
    while record.opening.is_none()
        && let Some(row) = scan.next_row()?
    {
        // A note that does not read stays a note.
        let _ = record.add(row);
    }
    Ok(record)
}

/// As [`read`], to go on with its batch: nothing in it may be wrong but a torn end, which is passed over.
///
/// # Errors
/// The first line that is not as it was written, or not to be understood.
pub fn read_strictly(path: &Path) -> Result<Record, LogError> {
    strictly(path, &mut scan_to_hold(path)?)
}

pub(in crate::journal) fn strictly<R: BufRead>(
    path: &Path,
    scan: &mut Scan<R>,
) -> Result<Record, LogError> {
    let mut record = Record::new(path.display());
    while let Some(row) = scan.next_row()? {
        let bad = |CellError { column, why }| scan.bad(Some(column), Fault::Cell { why });
        record.add(row).map_err(bad)?;
    }
    Ok(record)
}
