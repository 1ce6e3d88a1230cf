//! Errors of a batch log, in words for a person.

use std::io;
use std::path::{Path, PathBuf};

use super::format::fault::BadLine;
use super::format::opening::FormulaTooLong;
use crate::language::{Sentence, Term, phrase, shown_as_told};

/// Why a log could not be opened, read or written.
#[derive(Debug)]
pub enum LogError {
    Io {
        path: PathBuf,
        /// `write the row`, `sync`, ...
        doing: Term,
        source: io::Error,
    },
    /// Another process, or another part of this one, has the log open for writing.
    Locked {
        path: PathBuf,
        holder: Option<u32>,
    },
    Exists {
        path: PathBuf,
    },
    NotAFile {
        path: PathBuf,
    },
    /// Something else wrote to the file while it was open here.
    Changed {
        path: PathBuf,
        what: Term,
        /// A copy of the log as it was, where one could be written.
        rescued_in: Option<PathBuf>,
    },
    /// The log was moved while it was open, or its disk was taken out.
    Moved {
        path: PathBuf,
        to: Option<PathBuf>,
    },
    /// A row that was kept elsewhere and is not the log's next one.
    OtherRow {
        path: PathBuf,
        seq: u64,
    },
    /// More than any batch is, to be held in memory as a whole.
    TooLarge {
        path: PathBuf,
        bytes: u64,
        most: u64,
    },
    /// A batch that cannot begin.
    TooLong(FormulaTooLong),
    /// A line that is not the log's next row.
    Bad(BadLine),
}

impl std::error::Error for LogError {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        match self {
            LogError::Io { source, .. } => Some(source),
            LogError::Locked { .. }
            | LogError::Exists { .. }
            | LogError::NotAFile { .. }
            | LogError::Changed { .. }
            | LogError::Moved { .. }
            | LogError::OtherRow { .. }
            | LogError::TooLarge { .. }
            | LogError::TooLong(_)
            | LogError::Bad(_) => None,
        }
    }
}

impl From<FormulaTooLong> for LogError {
    fn from(error: FormulaTooLong) -> LogError {
        LogError::TooLong(error)
    }
}

impl From<BadLine> for LogError {
    fn from(error: BadLine) -> LogError {
        LogError::Bad(error)
    }
}

impl LogError {
    pub(super) fn io(path: &Path, doing: Term) -> impl FnOnce(io::Error) -> LogError {
        move |source| LogError::Io {
            path: path.to_owned(),
            doing,
            source,
        }
    }

    /// Which file, what, and what to do.
    pub fn told(&self) -> Sentence {
        let shown = |path: &Path| path.display().to_string();
        match self {
            LogError::Io {
                path,
                doing,
                source,
            } => phrase!(
                "{file}: cannot {doing}: {why}{help}",
                file = shown(path),
                doing = *doing,
                why = source.to_string(),
                help = help(source),
            ),
            LogError::Locked { path, holder } => {
                let file = shown(path);
                match holder {
                    Some(holder) => phrase!(
                        "{file}: process {holder} is already writing this log; stop it there, or begin another batch",
                        file,
                        holder = holder.to_string(),
                    ),
                    None => phrase!(
                        "{file}: another program is already writing this log; stop it there, or begin another batch",
                        file,
                    ),
                }
            }
            LogError::Exists { path } => phrase!(
                "{file}: exists already; go on with that batch, or choose another name",
                file = shown(path),
            ),
            LogError::NotAFile { path } => phrase!(
                "{file}: is not a plain file; a batch log is a .csv file",
                file = shown(path),
            ),
            LogError::Changed {
                path,
                what,
                rescued_in,
            } => {
                let (file, what) = (shown(path), *what);
                match rescued_in {
                    Some(copy) => phrase!(
                        "{file}: {what}; nothing is overwritten. Close the other program and put the log back as it was \
                         (a copy of it as it was is in {copy}); the rows that wait are then written",
                        file,
                        what,
                        copy = shown(copy),
                    ),
                    None => phrase!(
                        "{file}: {what}; nothing is overwritten. Close the other program and put the log back as it \
                         was; the rows that wait are then written",
                        file,
                        what,
                    ),
                }
            }
            LogError::Moved { path, to } => {
                let file = shown(path);
                match to {
                    Some(to) => phrase!(
                        "{file}: the log was moved away while it was open (to {to}); no second one is begun. Put it back \
                         at its place, and the rows are written",
                        file,
                        to = shown(to),
                    ),
                    None => phrase!(
                        "{file}: the log was moved away while it was open; no second one is begun. Put it back at its \
                         place, and the rows are written",
                        file,
                    ),
                }
            }
            LogError::OtherRow { path, seq } => phrase!(
                "{file}: the log does not go on with row {seq}",
                file = shown(path),
                seq = *seq,
            ),
            LogError::TooLarge { path, bytes, most } => phrase!(
                "{file}: has {size} MB, where a batch has {most} at most: {verify_at_terminal} reads more. Look at what fills \
                 it, or take it out of this folder",
                file = shown(path),
                size = bytes / 1_000_000,
                most = most / 1_000_000,
                verify_at_terminal =
                    phrase!("nothing but {command}", command = "`bismar log verify`"),
            ),
            LogError::TooLong(error) => error.told(),
            LogError::Bad(bad) => bad.told(),
        }
    }
}

shown_as_told!(LogError);

fn help(error: &io::Error) -> Sentence {
    match error.kind() {
        io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded => {
            phrase!("; make room on the disk")
        }
        io::ErrorKind::PermissionDenied => {
            phrase!("; look at the rights (`ls -l`) and the owner of the file and its folder")
        }
        io::ErrorKind::ReadOnlyFilesystem => {
            phrase!("; the disk is mounted read-only, often after a fault")
        }
        _ => Sentence::none(),
    }
}
