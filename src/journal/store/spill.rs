//! Rows that could not be written to their log when the daemon ended: kept in a file of their own,
//! and taken into the log at the next start.
//!
//! `bismar-unwritten-<batch>.csv` has the log's header and the rows, sealed as the log's next ones.
//! A row's chain holds everything before it, so a row whose chain fits is the log's next row, and
//! one whose chain is in the log already is in the log already: nothing is doubled or forked.

use std::fs::{self, DirBuilder, File, OpenOptions};
use std::io::{self, Read, Write};
use std::os::unix::fs::{DirBuilderExt, MetadataExt, OpenOptionsExt};
use std::path::{Path, PathBuf};

use jiff::Timestamp;

use crate::journal::error::LogError;
use crate::journal::format::names::safe_batch_name;
use crate::journal::format::row::{CellError, Row, Stamp, header};
use crate::journal::read::scan::scan_file;
use crate::journal::store::log::{LogFile, sync_folder};
use crate::language::{Sentence, phrase, shown_as_told, term};
use crate::vocabulary::entry::Draft;

/// How the names of these files begin.
pub const PREFIX: &str = "bismar-unwritten-";

/// More than any queue of rows that a person can fill, in bytes.
const LARGEST: u64 = 64 << 20;

/// Where the next row of a log goes on.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Tail {
    pub batch: String,
    /// The label of the `formula` column.
    pub formula: String,
    /// The chain of the last row, or what stands for it.
    pub previous: String,
    pub next_seq: u64,
}

impl Tail {
    /// `drafts` as the log's next rows, sealed.
    pub fn rows(&self, drafts: &[(Draft, Timestamp)]) -> Vec<Row> {
        let mut previous = self.previous.clone();
        let mut rows = Vec::with_capacity(drafts.len());
        for (seq, (draft, at)) in (self.next_seq..).zip(drafts) {
            let stamp = Stamp {
                batch: &self.batch,
                seq,
                at: *at,
                formula: &self.formula,
            };
            let row = Row::from_draft(draft, stamp).sealed(&previous);
            previous.clone_from(&row.chain);
            rows.push(row);
        }
        rows
    }
}

/// Why a file is not taken for one of kept rows; lines are counted from 1.
#[derive(Debug, thiserror::Error)]
pub enum Unreadable {
    #[error("cannot be read: {0}")]
    Io(#[from] io::Error),
    #[error("its first line is not the header of a batch log")]
    NoHeader,
    #[error("it holds no row")]
    Empty,
    #[error("line {0}: is no row")]
    NoRow(u64),
    #[error("line {0}: {1}")]
    Cell(u64, CellError),
    #[error("line {0}: is not as it was written")]
    Rewritten(u64),
    /// It is not the next row of the one before.
    #[error("line {0}: the row was changed")]
    Changed(u64),
}

/// Why kept rows are not in their log.
#[derive(Debug)]
pub enum SpillError {
    Unreadable {
        path: PathBuf,
        why: Unreadable,
    },
    NoLog {
        path: PathBuf,
        batch: String,
        first: u64,
        last: u64,
        folder: PathBuf,
    },
    Unfit {
        path: PathBuf,
        batch: String,
        seq: u64,
    },
    Log {
        path: PathBuf,
        batch: String,
        error: Box<LogError>,
    },
}

shown_as_told!(SpillError);

impl std::error::Error for SpillError {}

impl SpillError {
    /// Which file, what, and what to do.
    pub fn told(&self) -> Sentence {
        match self {
            SpillError::Unreadable { path, why } => phrase!(
                "{file}: {why}; it is left as it is. Compare it with the log of its batch, and move it away",
                file = path.display().to_string(),
                why = why.to_string(),
            ),
            SpillError::NoLog {
                path,
                batch,
                first,
                last,
                folder,
            } => phrase!(
                "{file}: rows {first} to {last} of batch {batch} are not in its log, which is not in {folder}. Put the \
                 log back there and start the daemon again, and they are added to it",
                file = path.display().to_string(),
                first = *first,
                last = *last,
                batch,
                folder = folder.display().to_string(),
            ),
            SpillError::Unfit { path, batch, seq } => phrase!(
                "{file}: row {seq} of batch {batch} is not in its log and does not fit its end: the log was changed since, \
                 or is a copy. Put the right log back and start the daemon again; or keep both files and move this one \
                 away",
                file = path.display().to_string(),
                seq = *seq,
                batch,
            ),
            SpillError::Log { path, batch, error } => phrase!(
                "{file}: rows of batch {batch} are not in its log yet: {error}. Then start the daemon again, and they are \
                 added to it",
                file = path.display().to_string(),
                batch,
                error = error.told(),
            ),
        }
    }

    /// The batch that must not go on before this is settled; `None` where it is not known.
    pub fn batch(&self) -> Option<&str> {
        match self {
            SpillError::Unreadable { .. } => None,
            SpillError::NoLog { batch, .. }
            | SpillError::Unfit { batch, .. }
            | SpillError::Log { batch, .. } => Some(batch),
        }
    }
}

/// Rows that are in their log now.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TakenIn {
    pub batch: String,
    pub rows: usize,
}

/// Keeps `rows` in a new file of mode 0600, synced, in the first of `folders` that takes it.
///
/// # Errors
/// The last folder's error; nothing is left behind in those that failed.
pub fn keep(folders: &[PathBuf], batch: &str, rows: &[Row]) -> Result<PathBuf, LogError> {
    let mut last = None;
    for folder in folders {
        match keep_in(folder, batch, rows) {
            Ok(path) => return Ok(path),
            Err(error) => {
                tracing::warn!("unwritten rows cannot be kept here: {error}");
                last = Some(error);
            }
        }
    }
    let nowhere = || LogError::Io {
        path: PathBuf::from("-"),
        doing: term!("keep rows without a folder for them"),
        source: io::ErrorKind::NotFound.into(),
    };
    Err(last.unwrap_or_else(nowhere))
}

fn keep_in(folder: &Path, batch: &str, rows: &[Row]) -> Result<PathBuf, LogError> {
    DirBuilder::new()
        .recursive(true)
        .mode(0o700)
        .create(folder)
        .map_err(LogError::io(folder, term!("create the folder")))?;
    let (path, mut file) = new_file(folder, batch)?;
    let mut text = format!("{}\n", header()).into_bytes();
    for row in rows {
        text.extend_from_slice(&row.line());
    }
    let kept = file.write_all(&text).and_then(|()| file.sync_all());
    if let Err(error) = kept {
        // Created by this call.
        let _ = fs::remove_file(&path);
        return Err(LogError::io(
            &path,
            term!("keep the rows that are not in the log"),
        )(error));
    }
    sync_folder(&path)?;
    Ok(path)
}

/// A file that was not there before: in a folder that all may write to, nobody's link is followed.
fn new_file(folder: &Path, batch: &str) -> Result<(PathBuf, File), LogError> {
    let batch = safe_batch_name(batch);
    let mut path = folder.join(format!("{PREFIX}{batch}.csv"));
    for n in 2..1000 {
        let made = OpenOptions::new()
            .write(true)
            .create_new(true)
            .mode(0o600)
            .open(&path);
        match made {
            Ok(file) => return Ok((path, file)),
            Err(error) if error.kind() == io::ErrorKind::AlreadyExists => {
                path = folder.join(format!("{PREFIX}{batch}-{n}.csv"));
            }
            Err(error) => return Err(LogError::io(&path, term!("create the file"))(error)),
        }
    }
    Err(LogError::Exists { path })
}

/// The files of kept rows in `folders` that belong to this user, by name. A folder that is not
/// there or cannot be read has none.
pub fn find(folders: &[PathBuf]) -> Vec<PathBuf> {
    let own = rustix::process::geteuid().as_raw();
    let mut found = Vec::new();
    for entry in folders
        .iter()
        .filter_map(|folder| fs::read_dir(folder).ok())
    {
        for entry in entry.flatten() {
            let name = entry.file_name();
            let name = name.to_string_lossy();
            // Of the entry itself: a link is none of ours.
            let ours = entry
                .metadata()
                .is_ok_and(|meta| meta.is_file() && meta.uid() == own);
            if ours && name.starts_with(PREFIX) && name.ends_with(".csv") {
                found.push(entry.path());
            }
        }
    }
    found.sort();
    found.dedup();
    found
}

/// Whether rows of a batch are kept in one of `folders`: a row that is added to its log would keep them out.
pub fn keeps(folders: &[PathBuf], batch: &str) -> bool {
    let of_it = |row: &Row| row.batch == batch;
    let first = |path: &PathBuf| read(path).is_ok_and(|rows| rows.first().is_some_and(of_it));
    find(folders).iter().any(first)
}

/// Adds the rows of the file `path` that are not there yet to their log in `logs`, synced, and
/// removes the file.
///
/// # Errors
/// As the texts of [`SpillError`] say; the file stays, and the log has only rows that fit.
pub fn take_in(path: &Path, logs: &Path) -> Result<TakenIn, SpillError> {
    let rows = read(path).map_err(|why| SpillError::Unreadable {
        path: path.to_owned(),
        why,
    })?;
    let (Some(first), Some(last)) = (rows.first(), rows.last()) else {
        let why = Unreadable::Empty;
        let path = path.to_owned();
        return Err(SpillError::Unreadable { path, why });
    };
    let batch = first.batch.clone();
    let log = logs.join(format!("{batch}.csv"));
    if !log.exists() {
        return Err(SpillError::NoLog {
            path: path.to_owned(),
            batch,
            first: first.seq,
            last: last.seq,
            folder: logs.to_owned(),
        });
    }
    let added = add(&rows, &log).map_err(|error| match error {
        LogError::OtherRow { seq, .. } => SpillError::Unfit {
            path: path.to_owned(),
            batch: batch.clone(),
            seq,
        },
        error => SpillError::Log {
            path: path.to_owned(),
            batch: batch.clone(),
            error: Box::new(error),
        },
    })?;
    // Where that fails, the next start finds all rows in the log and tries again.
    if let Err(error) = fs::remove_file(path) {
        tracing::warn!(%error, file = %path.display(), "kept rows are in their log; delete the file");
    }
    Ok(TakenIn { batch, rows: added })
}

/// Adds those of `rows` that the log does not have; how many.
fn add(rows: &[Row], path: &Path) -> Result<usize, LogError> {
    let other = |seq| LogError::OtherRow {
        path: path.to_owned(),
        seq,
    };
    let mut waiting = rows.iter().peekable();
    let mut scan = scan_file(path)?;
    while let Some(there) = scan.next_row()? {
        if let Some(row) = waiting.next_if(|row| row.seq == there.seq)
            && row.chain != there.chain
        {
            return Err(other(row.seq));
        }
    }
    if waiting.peek().is_none() {
        return Ok(0);
    }
    let (mut log, found) = LogFile::open(path)?;
    if let Some(torn) = found.torn {
        tracing::warn!(
            "{} bytes at the end of {} were no whole row and were set aside in {}",
            torn.bytes,
            path.display(),
            torn.kept_in.display()
        );
    }
    let mut added = 0;
    for row in waiting {
        log.append_sealed(row)?;
        added += 1;
    }
    Ok(added)
}

/// The rows of a file, each proved against the one before.
fn read(path: &Path) -> Result<Vec<Row>, Unreadable> {
    let mut text = String::new();
    File::open(path)?.take(LARGEST).read_to_string(&mut text)?;
    let mut lines = text.split_inclusive('\n');
    if lines.next().and_then(|line| line.strip_suffix('\n')) != Some(header().as_str()) {
        return Err(Unreadable::NoHeader);
    }
    let mut rows: Vec<Row> = Vec::new();
    for (number, line) in (2u64..).zip(lines) {
        let row = row_of(line, number)?;
        let follows = rows.last().is_none_or(|last| {
            row.seq == last.seq.saturating_add(1)
                && row.batch == last.batch
                && row.clone().sealed(&last.chain).chain == row.chain
        });
        if !follows || row.batch != safe_batch_name(&row.batch) {
            return Err(Unreadable::Changed(number));
        }
        rows.push(row);
    }
    Ok(rows)
}

fn row_of(line: &str, number: u64) -> Result<Row, Unreadable> {
    let mut reader = csv::ReaderBuilder::new()
        .has_headers(false)
        .from_reader(line.as_bytes());
    let record = match reader.records().next() {
        Some(Ok(record)) => record,
        Some(Err(_)) | None => return Err(Unreadable::NoRow(number)),
    };
    let row = Row::from_record(&record).map_err(|error| Unreadable::Cell(number, error))?;
    if row.line() == line.as_bytes() {
        Ok(row)
    } else {
        Err(Unreadable::Rewritten(number))
    }
}
