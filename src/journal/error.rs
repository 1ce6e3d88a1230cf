//! What can be wrong with a batch log, in words for a person.

use std::io;
use std::path::{Path, PathBuf};

use super::format::fault::BadLine;
use super::format::opening::FormulaTooLong;

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
    /// More than any batch is, to be held in memory as a whole.
    #[error("{}: has {} MB, where a sheet is made of {} at most: no batch of jars is that large. Look at what fills \
        it; `bismar log verify` reads it in any size", path.display(), bytes / 1_000_000, most / 1_000_000)]
    TooLarge {
        path: PathBuf,
        bytes: u64,
        most: u64,
    },
    /// A batch that cannot begin.
    #[error(transparent)]
    TooLong(#[from] FormulaTooLong),
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
        io::ErrorKind::PermissionDenied => {
            "; look at the rights (`ls -l`) and the owner of the file and its folder"
        }
        io::ErrorKind::ReadOnlyFilesystem => "; the disk is mounted read-only, often after a fault",
        _ => "",
    }
}
