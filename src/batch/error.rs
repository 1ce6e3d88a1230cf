//! What can be wrong with a batch log, in words for a person.

use std::fmt;
use std::io;
use std::path::{Path, PathBuf};

/// Why a log could not be opened, read or written.
#[derive(Debug, thiserror::Error)]
pub enum LogError {
    #[error("{}: cannot {doing}: {source}{}", path.display(), remedy(source))]
    Io {
        path: PathBuf,
        /// `write the row`, `sync`, ...
        doing: &'static str,
        source: io::Error,
    },
    /// Another process, or another part of this one, has the log open for writing.
    #[error("{}: {} is already writing this log; stop it there, or begin another batch",
        path.display(), holder.map_or("another program".into(), |pid| format!("process {pid}")))]
    Locked { path: PathBuf, holder: Option<u32> },
    #[error("{}: exists already; go on with that batch, or choose another name", path.display())]
    Exists { path: PathBuf },
    #[error("{}: is not a plain file; a batch log is a .csv file", path.display())]
    NotAFile { path: PathBuf },
    /// Something else wrote to the file while it was open here.
    #[error("{}: {what}; nothing is overwritten. Close the other program and put the log back as it \
        was{}; the rows that wait are then written", path.display(), rescued(rescued_in.as_deref()))]
    Changed {
        path: PathBuf,
        what: &'static str,
        /// A copy of the log as it was, where one could be written.
        rescued_in: Option<PathBuf>,
    },
    /// The log was moved while it was open, or its disk was taken out.
    #[error("{}: the log was moved away while it was open{}; no second one is begun. Put it back at \
        its place, and the rows are written", path.display(), moved_to(to.as_deref()))]
    Moved { path: PathBuf, to: Option<PathBuf> },
    /// A row that was kept elsewhere and is not the log's next one.
    #[error("{}: the log does not go on with row {seq}", path.display())]
    OtherRow { path: PathBuf, seq: u64 },
    /// A line that is not the log's next row.
    #[error(transparent)]
    Bad(#[from] BadLine),
}

impl LogError {
    pub(super) fn io(path: &Path, doing: &'static str) -> impl FnOnce(io::Error) -> LogError {
        move |source| LogError::Io {
            path: path.to_owned(),
            doing,
            source,
        }
    }
}

fn rescued(copy: Option<&Path>) -> String {
    copy.map_or(String::new(), |copy| {
        format!(" (a copy of it as it was is in {})", copy.display())
    })
}

fn moved_to(to: Option<&Path>) -> String {
    to.map_or(String::new(), |to| format!(" (to {})", to.display()))
}

fn remedy(error: &io::Error) -> &'static str {
    match error.kind() {
        io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded => "; make room on the disk",
        io::ErrorKind::PermissionDenied => "; check who owns the file and its folder",
        io::ErrorKind::ReadOnlyFilesystem => "; the disk is mounted read-only, often after a fault",
        _ => "",
    }
}

/// The first line of a log that is not as it was written; `line` from 1, the header being line 1.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BadLine {
    pub path: PathBuf,
    pub line: u64,
    /// The column's name, where the fault is in one cell.
    pub column: Option<&'static str>,
    pub fault: Fault,
}

/// What is wrong with the line.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Fault {
    /// The first line is not the log's header.
    Header,
    /// The bytes do not fit the chain: the row was edited.
    Edited,
    /// The chain does not fit and `seq` jumps ahead.
    Missing { expected: u64, found: u64 },
    /// A `seq` that was there before.
    Repeated { expected: u64, found: u64 },
    /// The row names another batch than the log.
    OtherBatch { expected: String, found: String },
    /// The file does not end with a whole row; `bytes` are over.
    Torn { bytes: u64 },
    /// Longer than any row that is written.
    TooLong,
    /// Not text in UTF-8.
    NotText,
    /// Not as many cells as the header has.
    Columns { found: usize },
    /// A cell that does not read.
    Cell { why: String },
}

impl std::error::Error for BadLine {}

impl fmt::Display for BadLine {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}:{}:", self.path.display(), self.line)?;
        if let Some(column) = self.column {
            write!(f, "{column}:")?;
        }
        write!(f, " {}", self.fault)
    }
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Fault::Header => f.write_str(
                "this is not the header of a batch log; a spreadsheet may have saved the file \
                 anew: take the copy from before that",
            ),
            Fault::Edited => f.write_str(
                "the row was changed after it was written (its chain does not fit); compare it \
                 with a backup",
            ),
            Fault::Missing { expected, found } if found - expected == 1 => {
                write!(
                    f,
                    "seq {expected} is missing, here is {found}; a row was taken out or changed"
                )
            }
            Fault::Missing { expected, found } => write!(
                f,
                "seq {expected} to {} are missing, here is {found}; rows were taken out or changed",
                found - 1
            ),
            Fault::Repeated { expected, found } => write!(
                f,
                "seq {found} again where {expected} should be; a row was doubled, moved or changed"
            ),
            Fault::OtherBatch { expected, found } => write!(
                f,
                "the row is of batch `{found}`, the log is of `{expected}`; if the file was \
                 renamed, give it back its name"
            ),
            Fault::Torn { bytes } => write!(
                f,
                "torn end: {bytes} bytes that are no whole row, as after a power cut; going on \
                 with the batch sets them aside, no recorded weight is lost"
            ),
            Fault::TooLong => f.write_str("the line is longer than any row of a batch log"),
            Fault::NotText => f.write_str("the line is not text in UTF-8"),
            Fault::Columns { found } => {
                write!(
                    f,
                    "{found} cells where a row has {}",
                    super::row::COLUMNS.len()
                )
            }
            Fault::Cell { why } => f.write_str(why),
        }
    }
}
