//! The log of the scale checks: `scale-checks.csv` beside the batch logs, with their columns, chain
//! and lock, but no batch's.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use crate::journal::error::LogError;
use crate::journal::format::row::Row;
use crate::journal::name_of;
use crate::journal::read::scan::scan_file;
use crate::journal::store::log::{Found, LogFile};
use crate::vocabulary::entry::RowKind;

/// The log's name, in the place of a batch's.
pub const NAME: &str = "scale-checks";

/// What its `formula` column says.
const LABEL: &str = "scale checks";

/// The log's file in the folder of the logs.
pub fn path(logs: &Path) -> PathBuf {
    logs.join(format!("{NAME}.csv"))
}

/// Whether a file is such a log: nothing that a batch could go on with.
pub fn is_one(path: &Path) -> bool {
    name_of(path) == NAME
}

/// Opens the log for writing, or creates it.
///
/// # Errors
/// As [`LogFile::open`] and [`LogFile::create`]; [`LogError::Locked`] while another check runs.
pub fn open(logs: &Path) -> Result<(LogFile, Option<Found>), LogError> {
    match LogFile::create(logs, NAME, LABEL) {
        Err(LogError::Exists { path }) => {
            let (mut log, found) = LogFile::open(&path)?;
            log.set_formula(LABEL);
            Ok((log, Some(found)))
        }
        created => created.map(|log| (log, None)),
    }
}

/// The last check of each scale that ever had one, by the scale's name.
///
/// # Errors
/// When the log is not as it was written, or cannot be read; a missing one has no checks.
pub fn last(logs: &Path) -> Result<BTreeMap<String, Row>, LogError> {
    let mut last = BTreeMap::new();
    each(logs, |row| {
        if row.verdict.is_some() {
            last.insert(row.scale.clone(), row);
        }
    })?;
    Ok(last)
}

/// Hands each row of the scale checks to `take`, in order of time. Rows of a repeatability run have no verdict.
///
/// # Errors
/// As [`last`].
pub fn each(logs: &Path, mut take: impl FnMut(Row)) -> Result<(), LogError> {
    let path = path(logs);
    if !path.exists() {
        return Ok(());
    }
    let mut scan = scan_file(&path)?;
    while let Some(row) = scan.next_row()? {
        if row.kind == RowKind::ScaleCheck {
            take(row);
        }
    }
    Ok(())
}
