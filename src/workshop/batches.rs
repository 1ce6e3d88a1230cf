//! The batches of a folder of logs: their sheets, and what they tell together.

use std::path::{Path, PathBuf};

use jiff::Timestamp;

use crate::chart::history::{Gathered, gathered};
use crate::journal::batch::record::Record;
use crate::journal::error::LogError;
use crate::journal::format::names::safe_batch_name;
use crate::journal::format::row::Row;
use crate::journal::read::record;
use crate::journal::read::scale_checks;
use crate::journal::read::scan::scan_file;
use crate::sheet::SheetRecord;

/// The log of the batch named `batch` in the folder of the logs; `None` for a name that is no batch's.
pub fn log_of(logs: &Path, batch: &str) -> Option<PathBuf> {
    let name = batch.strip_suffix(".csv").unwrap_or(batch);
    let path = logs.join(format!("{name}.csv"));
    (safe_batch_name(name) == name && path.is_file() && !scale_checks::is_one(&path))
        .then_some(path)
}

/// The logs of the batches in a folder, the one that was begun last first; those of scale checks are none.
/// A copy that was put back has a new file time: it does not count but where the log tells no time.
///
/// # Errors
/// When the folder cannot be read.
pub fn newest(logs: &Path) -> Result<Vec<PathBuf>, LogError> {
    let mut logs = record::logs_in(logs)?;
    logs.retain(|path| !scale_checks::is_one(path));
    logs.sort_by_cached_key(|path| begun(path));
    logs.reverse();
    Ok(logs)
}

fn begun(path: &Path) -> Option<Timestamp> {
    let first = scan_file(path).and_then(|mut scan| scan.next_row());
    if let Ok(Some(row)) = first {
        return Some(row.at);
    }
    let written = path.metadata().and_then(|m| m.modified()).ok()?;
    Timestamp::try_from(written).ok()
}

/// Every row of a log, and the bytes of a torn end; a fault before that is an error.
fn rows(path: &Path) -> Result<(Vec<Row>, u64), LogError> {
    let mut scan = scan_file(path)?;
    let mut rows = Vec::new();
    while let Some(row) = scan.next_row()? {
        rows.push(row);
    }
    Ok((rows, scan.torn()))
}

/// What the sheet of a log is made of.
///
/// # Errors
/// When the log is not as it was written, or cannot be read.
pub fn sheet_record(path: &Path) -> Result<SheetRecord, LogError> {
    let (rows, torn) = rows(path)?;
    Ok(SheetRecord::new(rows, torn))
}

/// The weighings of every log of the folder in order of time, and the logs that do not read. A torn end
/// takes nothing from the rows before it; any other fault does.
///
/// # Errors
/// When the folder cannot be read.
pub fn gather(folder: &Path) -> Result<(Vec<Gathered>, Vec<LogError>), LogError> {
    let (mut batches, mut bad) = (Vec::new(), Vec::new());
    for path in record::logs_in(folder)? {
        match rows(&path) {
            Ok((rows, _)) => batches.push(gathered(&Record::of_rows(rows))),
            Err(error) => bad.push(error),
        }
    }
    batches.sort_by_key(|batch| batch.opened);
    Ok((batches, bad))
}
