//! The log file: rows are added at its end, synced one by one, and never touched again.
//!
//! A row is written with one `write` and then synced (`fdatasync`); only after that it counts.
//! Whatever fails before that is cut off again, so the file holds whole rows only, and the caller
//! tries again with the same draft.
//!
//! Files of a batch, all with mode 0600, since a log holds the formula: `<batch>.csv`;
//! `<batch>.lock`, held locked while the log is open for writing (it stays, empty of meaning, when
//! it is not); `<batch>.torn`, only after a power cut, with the bytes that were no whole row.

use std::fs::{DirBuilder, File, Metadata, OpenOptions};
use std::io::{self, BufReader, Read, Seek, SeekFrom, Write};
use std::os::fd::AsRawFd;
use std::os::unix::fs::{DirBuilderExt, FileExt, MetadataExt, OpenOptionsExt};
use std::path::{Path, PathBuf};

use jiff::Timestamp;

use crate::formula::Formula;
use crate::journal::batch::record::Record;
use crate::journal::error::LogError;
use crate::journal::format::chain;
use crate::journal::format::fault::{BadLine, Fault};
use crate::journal::format::names::{new_batch_name, safe_batch_name};
use crate::journal::format::opening::Opening;
use crate::journal::format::row::{Row, Stamp, header};
use crate::journal::name_of;
use crate::journal::read::record::strictly;
use crate::journal::read::scan::{Scan, may_be_held};
use crate::journal::store::lock::{Lock, beside, lock};
use crate::journal::store::spill::Tail;
use crate::language::{Sentence, Term, remark, shown_as_told, term};
use crate::vocabulary::entry::Draft;

/// A batch log open for writing, with its lock held.
#[derive(Debug)]
pub struct LogFile {
    path: PathBuf,
    file: File,
    lock: Lock,
    batch: String,
    formula: String,
    /// Bytes of the header and of all rows that count.
    length: u64,
    /// All of that, as it was written: another program may write over the file.
    copy: Vec<u8>,
    /// Where the last line that counts begins, to find it again after a disk fault.
    last_line: usize,
    /// A copy of this length was rescued already.
    rescued: Option<u64>,
    previous: String,
    next_seq: u64,
    /// The draft of the last row and its seq.
    last: Option<(Draft, u64)>,
    /// A line that was begun and failed; while this is set the file must be looked at again.
    failed: Option<Vec<u8>>,
    /// Whether a row counts only once it is synced; not so in a replay.
    each_synced: bool,
}

/// What [`LogFile::open`] found.
#[derive(Debug)]
pub struct Found {
    pub torn: Option<TornEnd>,
    pub record: Record,
}

/// A torn end that was set aside.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TornEnd {
    pub bytes: u64,
    /// The file they were added to.
    pub kept_in: PathBuf,
}

impl TornEnd {
    pub fn told(&self) -> Sentence {
        remark!(
            "{bytes} bytes at the log's end were no whole row (a power cut) and were set aside in {name}",
            bytes = self.bytes,
            name = self.kept_in.display().to_string(),
        )
    }
}

shown_as_told!(TornEnd);

impl LogFile {
    /// Creates `<dir>/<batch>.csv` with its header, synced, file and folder. The folder is created
    /// where it is missing. `formula` is the label of the `formula` column.
    ///
    /// # Errors
    /// [`LogError::Exists`], [`LogError::Locked`] or the disk's error; no log is left behind then.
    pub fn create(dir: &Path, batch: &str, formula: &str) -> Result<LogFile, LogError> {
        make_folder(dir)?;
        LogFile::create_at(
            &dir.join(format!("{}.csv", safe_batch_name(batch))),
            formula,
        )
    }

    /// As [`LogFile::create`] with a new name from the formula's and the time, `-2`, `-3`, ...
    /// added while the name is taken.
    ///
    /// # Errors
    /// The disk's error, or [`LogError::Exists`] after 999 names.
    pub fn create_unique(dir: &Path, formula: &str, at: Timestamp) -> Result<LogFile, LogError> {
        let name = new_batch_name(formula, at);
        let mut result = LogFile::create(dir, &name, formula);
        for n in 2..1000 {
            match result {
                Err(LogError::Exists { .. } | LogError::Locked { .. }) => {
                    result = LogFile::create(dir, &format!("{name}-{n}"), formula);
                }
                other => return other,
            }
        }
        result
    }

    /// As [`LogFile::create`] at a path of the caller's choice in an existing folder; the batch is
    /// named after the file ([`crate::journal::name_of`]).
    ///
    /// # Errors
    /// As [`LogFile::create`].
    pub fn create_at(path: &Path, formula: &str) -> Result<LogFile, LogError> {
        LogFile::create_named(path, &name_of(path), formula, true)
    }

    /// As [`LogFile::create_at`] for a replay, which can be done again: no row is synced before
    /// [`LogFile::sync`] syncs all of them. The batch's name is not the file's: such a log verifies, but
    /// nothing goes on with it.
    ///
    /// # Errors
    /// As [`LogFile::create`].
    pub fn create_replayed(path: &Path, batch: &str, formula: &str) -> Result<LogFile, LogError> {
        LogFile::create_named(path, batch, formula, false)
    }

    fn create_named(
        path: &Path,
        batch: &str,
        formula: &str,
        each_synced: bool,
    ) -> Result<LogFile, LogError> {
        let batch = safe_batch_name(batch);
        let lock = lock(path)?;
        let file = match open_options().create_new(true).open(path) {
            Ok(file) => file,
            Err(e) if e.kind() == io::ErrorKind::AlreadyExists => {
                return Err(LogError::Exists {
                    path: path.to_owned(),
                });
            }
            Err(e) => return Err(LogError::io(path, term!("create the log"))(e)),
        };
        let mut log = LogFile {
            path: path.to_owned(),
            file,
            lock,
            previous: chain::start(&batch),
            batch,
            formula: formula.to_owned(),
            length: 0,
            copy: Vec::new(),
            last_line: 0,
            rescued: None,
            next_seq: 1,
            last: None,
            failed: None,
            each_synced,
        };
        if let Err(error) = log.write_header() {
            // Created by this call, and without a row.
            let _ = std::fs::remove_file(path);
            return Err(error);
        }
        Ok(log)
    }

    /// A batch begins: a new log as of [`LogFile::create_unique`], with its opening on the disk.
    ///
    /// # Errors
    /// As [`LogFile::create_unique`] and [`LogFile::write_opening`]; no log is left behind then.
    pub fn begin(
        dir: &Path,
        formula: &Formula,
        opening: &Opening,
        at: Timestamp,
    ) -> Result<LogFile, LogError> {
        let mut log = LogFile::create_unique(dir, &formula.name, at)?;
        let label = formula.label();
        log.set_formula(&label);
        log.write_opening(opening, &label, at).inspect_err(|_| {
            // Created by this call.
            let _ = std::fs::remove_file(&log.path);
        })?;
        Ok(log)
    }

    /// Adds the two rows that open a batch; `words` name the formula for a person.
    ///
    /// # Errors
    /// The formula is too long for a row; as [`LogFile::append`].
    pub fn write_opening(
        &mut self,
        opening: &Opening,
        words: &str,
        at: Timestamp,
    ) -> Result<(), LogError> {
        for draft in &opening.drafts(words)? {
            self.append(draft, at)?;
        }
        Ok(())
    }

    /// Opens a log to go on with it: takes the lock, proves every row, and sets a torn end aside.
    ///
    /// # Errors
    /// [`LogError::Locked`]; [`LogError::Bad`] when a row is not as it was written or the file does
    /// not bear its batch's name: then nothing is changed; the disk's error.
    pub fn open(path: &Path) -> Result<(LogFile, Found), LogError> {
        may_be_held(path)?;
        let lock = lock(path)?;
        let file = open_options()
            .open(path)
            .map_err(LogError::io(path, term!("open the log")))?;
        let mut scan = Scan::new(path, BufReader::new(&file));
        let record = strictly(path, &mut scan)?;
        let batch = name_of(path);
        if let Some(found) = scan.batch().filter(|found| *found != batch) {
            return Err(BadLine {
                file: path.display().to_string(),
                line: 2,
                column: Some("batch"),
                fault: Fault::OtherBatch {
                    expected: batch,
                    found: found.to_owned(),
                },
            }
            .into());
        }
        let (torn, has_header, last_length) = (scan.torn(), scan.has_header(), scan.last_length());
        let previous = match scan.batch() {
            Some(_) => scan.chain().to_owned(),
            None => chain::start(&batch),
        };
        let (length, next_seq) = (scan.good_end(), scan.next_seq());
        let mut log = LogFile {
            path: path.to_owned(),
            file,
            lock,
            batch,
            formula: record.formula.clone(),
            length,
            copy: vec![0; length as usize],
            last_line: (length - last_length) as usize,
            rescued: None,
            previous,
            next_seq,
            last: None,
            failed: None,
            each_synced: true,
        };
        log.file
            .read_exact_at(&mut log.copy, 0)
            .map_err(LogError::io(path, term!("read the log")))?;
        let torn = if torn > 0 {
            Some(log.set_aside(torn)?)
        } else {
            None
        };
        if !has_header {
            log.write_header()?;
        }
        Ok((log, Found { torn, record }))
    }

    /// Adds a row and syncs it; gives its seq. The same draft again, right after it was written,
    /// gives the same seq and writes nothing.
    ///
    /// # Errors
    /// The disk's error, or [`LogError::Changed`]. The row does not count then; call again with the
    /// same draft, later.
    pub fn append(&mut self, draft: &Draft, at: Timestamp) -> Result<u64, LogError> {
        if let Some((last, seq)) = &self.last
            && last == draft
        {
            return Ok(*seq);
        }
        self.make_ready()?;
        let seq = self.next_seq;
        let stamp = Stamp {
            batch: &self.batch,
            seq,
            at,
            formula: &self.formula,
        };
        let mut row = Row::from_draft(draft, stamp);
        let line = row.seal(&self.previous);
        self.write_line(line)?;
        self.previous = row.chain;
        self.next_seq += 1;
        self.last = Some((draft.clone(), seq));
        Ok(seq)
    }

    /// Adds a row that was sealed for this place in the log, and syncs it.
    ///
    /// # Errors
    /// [`LogError::OtherRow`] when it is not the log's next row; as [`LogFile::append`].
    pub fn append_sealed(&mut self, row: &Row) -> Result<(), LogError> {
        let fits = row.batch == self.batch
            && row.seq == self.next_seq
            && chain::link(&self.previous, &row.body()) == row.chain;
        if !fits {
            return Err(LogError::OtherRow {
                path: self.path.clone(),
                seq: row.seq,
            });
        }
        self.make_ready()?;
        self.write_line(row.line())?;
        self.previous.clone_from(&row.chain);
        self.next_seq += 1;
        self.last = None;
        Ok(())
    }

    /// Where the rows to come would go on.
    pub fn tail(&self) -> Tail {
        Tail {
            batch: self.batch.clone(),
            formula: self.formula.clone(),
            previous: self.previous.clone(),
            next_seq: self.next_seq,
        }
    }

    /// The label of the `formula` column of the rows to come.
    pub fn set_formula(&mut self, formula: &str) {
        formula.clone_into(&mut self.formula);
    }

    pub fn path(&self) -> &Path {
        &self.path
    }

    pub fn batch(&self) -> &str {
        &self.batch
    }

    fn write_header(&mut self) -> Result<(), LogError> {
        self.write_line(format!("{}\n", header()).into_bytes())?;
        match self.each_synced {
            true => self.sync(),
            false => Ok(()),
        }
    }

    /// Syncs the log and its name in the folder.
    ///
    /// # Errors
    /// The disk's.
    pub fn sync(&self) -> Result<(), LogError> {
        self.file
            .sync_all()
            .map_err(LogError::io(&self.path, term!("sync the log")))?;
        sync_folder(&self.path)
    }

    fn write_line(&mut self, line: Vec<u8>) -> Result<(), LogError> {
        let written = self
            .file
            .write_all(&line)
            .map_err(LogError::io(&self.path, term!("write a row")))
            .and_then(|()| match self.each_synced {
                true => self
                    .file
                    .sync_data()
                    .map_err(LogError::io(&self.path, term!("sync a row to the disk"))),
                false => Ok(()),
            });
        if let Err(error) = written {
            // What cannot be cut now is cut by `make_ready` before the next row.
            let _ = self
                .file
                .set_len(self.length)
                .and_then(|()| self.file.sync_all());
            self.failed = Some(line);
            return Err(error);
        }
        self.length += line.len() as u64;
        self.last_line = self.copy.len();
        self.copy.extend_from_slice(&line);
        Ok(())
    }

    /// Makes sure that the file at the path is still ours and ends with the last row that counts.
    fn make_ready(&mut self) -> Result<(), LogError> {
        let ours = self
            .file
            .metadata()
            .map_err(LogError::io(&self.path, term!("look at the log")))?;
        match std::fs::metadata(&self.path) {
            Ok(there) if (there.dev(), there.ino()) == (ours.dev(), ours.ino()) => {}
            Ok(_) if self.is_put_back()? => {}
            Ok(_) => return Err(self.changed(term!("another file was put in the log's place"))),
            Err(e) if e.kind() == io::ErrorKind::NotFound => self.write_back()?,
            Err(e) => return Err(LogError::io(&self.path, term!("look at the log"))(e)),
        }
        if self.failed.is_some() {
            self.look_again()?;
        }
        let length = self
            .file
            .metadata()
            .map_err(LogError::io(&self.path, term!("look at the log")))?
            .len();
        if length != self.length {
            return Err(self.changed(term!("another program changed the log's length")));
        }
        self.failed = None;
        Ok(())
    }

    /// Whether the file at the path, which is not the one that was opened, holds just the rows that
    /// count: someone put a copy of it back. Then that is the log from now on.
    fn is_put_back(&mut self) -> Result<bool, LogError> {
        let failed = |e| LogError::io(&self.path, term!("look at the log"))(e);
        let file = open_options().open(&self.path).map_err(failed)?;
        let length = file.metadata().map_err(failed)?.len();
        if length != self.length || !self.lock.is_beside(&self.path) {
            return Ok(false);
        }
        let mut there = vec![0; self.copy.len()];
        file.read_exact_at(&mut there, 0).map_err(failed)?;
        let same = there == self.copy;
        if same {
            file.sync_all().map_err(failed)?;
            self.file = file;
        }
        Ok(same)
    }

    /// After a failed write or sync: opens the file anew, finds the last row that counts, and cuts
    /// off what is left of the failed one. A sync that failed once may report success the next time
    /// although the disk has nothing, so the row is always written anew, never only synced again.
    fn look_again(&mut self) -> Result<(), LogError> {
        let path = self.path.clone();
        let cannot_read = |e| LogError::io(&path, term!("read the log"))(e);
        let file = open_options()
            .open(&self.path)
            .map_err(LogError::io(&self.path, term!("open the log")))?;
        let length = file.metadata().map_err(cannot_read)?.len();
        if length < self.length {
            return Err(self.changed(term!("the log is shorter than what was written")));
        }
        let counted = self.copy.get(self.last_line..).unwrap_or_default();
        let mut last_line = vec![0; counted.len()];
        file.read_exact_at(&mut last_line, self.last_line as u64)
            .map_err(cannot_read)?;
        if last_line != counted {
            return Err(self.changed(term!("the last row is not as it was written")));
        }
        let mut over = Vec::new();
        let mut reader = &file;
        reader
            .seek(SeekFrom::Start(self.length))
            .map_err(cannot_read)?;
        let failed = self.failed.as_deref().unwrap_or_default();
        reader
            .take(failed.len() as u64 + 1)
            .read_to_end(&mut over)
            .map_err(cannot_read)?;
        if !failed.starts_with(&over) {
            return Err(self.changed(term!("another program added to the log")));
        }
        file.set_len(self.length)
            .and_then(|()| file.sync_all())
            .map_err(LogError::io(
                &self.path,
                term!("cut off a row that was not written whole"),
            ))?;
        self.file = file;
        Ok(())
    }

    /// The file was deleted while open, perhaps with its folder: writes all rows that count to its
    /// place. One that still exists elsewhere stays the only one: two logs of a batch would each
    /// be right up to a point, and nobody could tell which.
    fn write_back(&mut self) -> Result<(), LogError> {
        let failed =
            |e| LogError::io(&self.path, term!("write the log back, which was deleted,"))(e);
        let ours = self.file.metadata().map_err(failed)?;
        if ours.nlink() > 0 {
            return Err(LogError::Moved {
                path: self.path.clone(),
                to: place_of(&self.file, &ours),
            });
        }
        if let Some(folder) = self.path.parent().filter(|folder| !folder.exists()) {
            make_folder(folder)?;
        }
        if !self.lock.is_beside(&self.path) {
            self.lock = lock(&self.path)?;
        }
        let mut old = &self.file;
        old.seek(SeekFrom::Start(0)).map_err(failed)?;
        let mut new = open_options()
            .create_new(true)
            .open(&self.path)
            .map_err(failed)?;
        let copied = io::copy(&mut old.take(self.length), &mut new)
            .and_then(|n| {
                if n == self.length {
                    Ok(())
                } else {
                    Err(io::ErrorKind::UnexpectedEof.into())
                }
            })
            .and_then(|()| new.sync_all());
        if let Err(e) = copied {
            // Created by this call; the rows are still in the old file.
            let _ = std::fs::remove_file(&self.path);
            return Err(failed(e));
        }
        sync_folder(&self.path)?;
        self.file = new;
        tracing::warn!(log = %self.path.display(), "the log was deleted, and is written back");
        Ok(())
    }

    fn changed(&mut self, what: Term) -> LogError {
        LogError::Changed {
            path: self.path.clone(),
            what,
            rescued_in: self.rescue(),
        }
    }

    /// Writes the log as it was beside the one that another program made of it. Once for each length:
    /// the rows that wait are tried again and again.
    fn rescue(&mut self) -> Option<PathBuf> {
        let place = beside(&self.path, "rescued");
        if self.rescued != Some(self.length) {
            let _ = std::fs::remove_file(&place);
            let mut file = open_options().create_new(true).open(&place).ok()?;
            file.write_all(&self.copy)
                .and_then(|()| file.sync_all())
                .ok()?;
            sync_folder(&place).ok()?;
            self.rescued = Some(self.length);
            tracing::error!(copy = %place.display(), "the log was changed by another program");
        }
        Some(place)
    }

    /// Adds what is after the last whole row to `<batch>.torn`, synced, and only then cuts it off.
    fn set_aside(&mut self, bytes: u64) -> Result<TornEnd, LogError> {
        let kept_in = beside(&self.path, "torn");
        let failed = |e| LogError::io(&kept_in, term!("set the torn end of the log aside"))(e);
        let mut aside = open_options().create(true).open(&kept_in).map_err(failed)?;
        let mut log = &self.file;
        log.seek(SeekFrom::Start(self.length)).map_err(failed)?;
        io::copy(&mut log, &mut aside)
            .and_then(|_| aside.write_all(b"\n"))
            .and_then(|()| aside.sync_all())
            .map_err(failed)?;
        sync_folder(&kept_in)?;
        self.file
            .set_len(self.length)
            .and_then(|()| self.file.sync_all())
            .map_err(LogError::io(&self.path, term!("cut off the torn end")))?;
        Ok(TornEnd { bytes, kept_in })
    }
}

fn make_folder(dir: &Path) -> Result<(), LogError> {
    DirBuilder::new()
        .recursive(true)
        .mode(0o700)
        .create(dir)
        .map_err(LogError::io(dir, term!("create the folder of the logs")))
}

/// Where an open file, with the metadata `ours`, stands now, as far as the system tells.
fn place_of(file: &File, ours: &Metadata) -> Option<PathBuf> {
    let place = std::fs::read_link(format!("/proc/self/fd/{}", file.as_raw_fd())).ok()?;
    let there = std::fs::metadata(&place).ok()?;
    ((there.dev(), there.ino()) == (ours.dev(), ours.ino())).then_some(place)
}

fn open_options() -> OpenOptions {
    let mut options = OpenOptions::new();
    options.read(true).append(true).mode(0o600);
    options
}

/// Syncs the folder of a file, so that the file's name survives a power cut too.
pub(in crate::journal) fn sync_folder(path: &Path) -> Result<(), LogError> {
    let folder = match path.parent() {
        Some(folder) if !folder.as_os_str().is_empty() => folder,
        _ => Path::new("."),
    };
    File::open(folder)
        .and_then(|folder| folder.sync_all())
        .map_err(LogError::io(folder, term!("sync the folder of the log")))
}
