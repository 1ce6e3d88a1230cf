//! Logs on the disk, read into what they say of their batches.

use std::io::BufRead;
use std::path::{Path, PathBuf};

use crate::journal::batch::record::Record;
use crate::journal::error::LogError;
use crate::journal::format::fault::Fault;
use crate::journal::format::row::CellError;
use crate::journal::read::scale_checks;
use crate::journal::read::scan::{Scan, scan_file};

/// Reads a log without its lock and without changing it, to tell of its batch. What follows the first
/// bad line is not read; [`Record::fault`] tells.
///
/// # Errors
/// Only when the file cannot be read.
pub fn read(path: &Path) -> Result<Record, LogError> {
    let mut record = Record::new(path.display());
    // A note that does not read stays a note.
    record.fault = scan_file(path)?.each(|row| {
        let _ = record.add(row);
    })?;
    Ok(record)
}

/// As [`read`], to go on with its batch: nothing in it may be wrong but a torn end, which is passed over.
///
/// # Errors
/// The first line that is not as it was written, or not to be understood.
pub fn read_strictly(path: &Path) -> Result<Record, LogError> {
    strictly(path, &mut scan_file(path)?)
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

/// Every `.csv` file of a folder, by name. A missing folder has none.
///
/// # Errors
/// When the folder cannot be read.
pub fn logs_in(dir: &Path) -> Result<Vec<PathBuf>, LogError> {
    let cannot = |e| LogError::io(dir, "read the folder of the logs")(e);
    let entries = match std::fs::read_dir(dir) {
        Ok(entries) => entries,
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => return Ok(Vec::new()),
        Err(e) => return Err(cannot(e)),
    };
    let mut paths = Vec::new();
    for entry in entries {
        let path = entry.map_err(cannot)?.path();
        if path.extension().is_some_and(|end| end == "csv") {
            paths.push(path);
        }
    }
    paths.sort();
    Ok(paths)
}

/// The logs of a folder that have no `closed` row.
#[derive(Debug, Default)]
pub struct OpenLogs {
    /// Newest last row first; a log without rows comes last.
    pub open: Vec<(PathBuf, Record)>,
    /// Logs that do not read.
    pub bad: Vec<LogError>,
}

/// Looks at every log of a batch in a folder. A missing folder has no logs.
///
/// # Errors
/// When the folder cannot be read; what is wrong with single logs is in the answer.
pub fn list_open(dir: &Path) -> Result<OpenLogs, LogError> {
    let mut logs = OpenLogs::default();
    for path in logs_in(dir)? {
        if scale_checks::is_one(&path) {
            continue;
        }
        match read_strictly(&path) {
            Ok(record) if record.ended => {}
            Ok(record) => logs.open.push((path, record)),
            Err(error) => logs.bad.push(error),
        }
    }
    // Those of one moment stay in the order of their names.
    logs.open
        .sort_by_key(|(_, record)| std::cmp::Reverse(record.last_at));
    Ok(logs)
}
