//! All logs of a folder, looked at again and again: what each tells in short is kept in an index, so that a look
//! costs what is new and not what is there.
//!
//! The index is a cache and nothing else. The logs are the only truth: where a log is not just as it was when it
//! was read, or the index is gone, torn, foreign, of another version, cannot be read or cannot be
//! written, the log is read and proved. What it cannot see is told in `index.rs`; `bismar log verify`, the sheet
//! and whoever goes on with a batch read the log itself.

use std::collections::HashMap;
use std::path::{Path, PathBuf};

use jiff::Timestamp;

use crate::formula::Formula;
use crate::journal::batch::record::Record;
use crate::journal::batch::summary::Summary;
use crate::journal::error::LogError;
use crate::journal::format::fault::BadLine;
use crate::journal::format::line::LineReader;
use crate::journal::read::folder::{batches_in, in_threads};
use crate::journal::read::index::{self, Index, Kept, Place, Stamp};
use crate::journal::read::record;
use crate::journal::read::scan::scan_file;

/// Fewer new records than this are read again the next time: sooner done than the index is written anew.
const WORTH_WRITING: usize = 32;

/// A folder of logs, and the folder where its index is kept.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Archive {
    logs: PathBuf,
    /// `None`: every log is read each time.
    indexes: Option<PathBuf>,
}

/// The logs of a folder that have no `closed` row.
#[derive(Debug, Default)]
pub struct OpenLogs {
    /// Newest last row first; a log without rows comes last.
    pub open: Vec<(PathBuf, Record)>,
    /// Logs that do not read.
    pub bad: Vec<LogError>,
}

/// What a look at the folder found, in the order of the logs' names.
struct Look<T> {
    paths: Vec<PathBuf>,
    taken: Vec<Result<T, LogError>>,
}

impl Archive {
    /// The logs in the folder `logs`; `indexes` is where indexes of such folders are kept.
    pub fn new(logs: &Path, indexes: Option<PathBuf>) -> Archive {
        Archive {
            logs: logs.to_owned(),
            indexes,
        }
    }

    /// What `take` makes of every batch, and the faults of damaged logs, of which the rows before the damage
    /// count. At most `threads` read at a time.
    ///
    /// # Errors
    /// When the folder or a log cannot be read.
    pub fn each<T: Send>(
        &self,
        threads: usize,
        take: impl Fn(Summary) -> T + Sync,
    ) -> Result<(Vec<T>, Vec<BadLine>), LogError> {
        let taken = self.each_log(threads, |mut batch| (batch.fault.take(), take(batch)))?;
        let (mut all, mut faults) = (Vec::with_capacity(taken.len()), Vec::new());
        for taken in taken {
            let (fault, taken) = taken?;
            faults.extend(fault);
            all.push(taken);
        }
        Ok((all, faults))
    }

    /// What `take` makes of every batch, and why a log cannot be read.
    ///
    /// # Errors
    /// When the folder cannot be read.
    pub fn each_log<T: Send>(
        &self,
        threads: usize,
        take: impl Fn(Summary) -> T + Sync,
    ) -> Result<Vec<Result<T, LogError>>, LogError> {
        Ok(self.look(threads, |batch, _| take(batch))?.taken)
    }

    /// As [`Archive::each_log`], each with its file, in the order of their names.
    ///
    /// # Errors
    /// As [`Archive::each_log`].
    pub fn each_named<T: Send>(
        &self,
        threads: usize,
        take: impl Fn(Summary) -> T + Sync,
    ) -> Result<impl Iterator<Item = (PathBuf, Result<T, LogError>)>, LogError> {
        let look = self.look(threads, |batch, _| take(batch))?;
        Ok(look.paths.into_iter().zip(look.taken))
    }

    /// Looks at every log of a batch.
    ///
    /// # Errors
    /// When the folder cannot be read; what is wrong with single logs is in the answer.
    pub fn list_open(&self, threads: usize) -> Result<OpenLogs, LogError> {
        let mut logs = OpenLogs::default();
        let done = |batch: Summary, understood| batch.ended && understood && batch.fault.is_none();
        let look = self.look(threads, done)?;
        for (path, done) in look.paths.into_iter().zip(look.taken) {
            if matches!(done, Ok(true)) {
                continue;
            }
            match record::read_strictly(&path) {
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

    /// The logs of the batches, the one that was begun last first.
    /// A copy that was put back has a new file time: it does not count but where the log tells no time.
    ///
    /// # Errors
    /// When the folder cannot be read.
    pub fn newest(&self) -> Result<Vec<PathBuf>, LogError> {
        let paths = batches_in(&self.logs)?;
        let index = self
            .indexes
            .as_deref()
            .and_then(|folder| Index::of(&self.logs, folder));
        let (mut known, _) = known(index.as_ref(), &paths, &|batch: Summary, _| batch.opened_at);
        let mut logs: Vec<(Option<Timestamp>, PathBuf)> = Vec::with_capacity(paths.len());
        for (at, path) in paths.into_iter().enumerate() {
            let opened = known.remove(&at).and_then(|known| known.taken);
            logs.push((opened.or_else(|| begun(&path)), path));
        }
        logs.sort_by_key(|(opened, _)| *opened);
        logs.reverse();
        Ok(logs.into_iter().map(|(_, path)| path).collect())
    }

    /// What `take` makes of every batch, and of whether each note of the program in it is understood.
    fn look<T: Send>(
        &self,
        threads: usize,
        take: impl Fn(Summary, bool) -> T + Sync,
    ) -> Result<Look<T>, LogError> {
        let paths = batches_in(&self.logs)?;
        let index = self
            .indexes
            .as_deref()
            .and_then(|folder| Index::of(&self.logs, folder));
        let (mut known, lines) = known(index.as_ref(), &paths, &take);
        let unknown: Vec<usize> = (0..paths.len())
            .filter(|at| !known.contains_key(at))
            .collect();
        let keeps = self.indexes.is_some();
        let read = in_threads(unknown.len(), threads, Reader::default, |reader, nth| {
            let at = *unknown.get(nth)?;
            Some((at, reader.read(paths.get(at)?, keeps, &take)))
        });
        let mut new = HashMap::new();
        let mut fresh = HashMap::new();
        for (at, read) in read.into_iter().flatten() {
            let taken = read.map(|(taken, line)| {
                new.extend(line.map(|line| (at, line)));
                taken
            });
            fresh.insert(at, taken);
        }
        if let Some(folder) = &self.indexes
            && new.len() + lines.saturating_sub(known.len()) >= WORTH_WRITING
        {
            let lines = (0..paths.len()).filter_map(|at| {
                let old = known.get(&at).map(|known| Kept::Old(known.place));
                old.or_else(|| new.remove(&at).map(Kept::New))
            });
            // Without it the next look is as slow as this one, and as right.
            if let Err(error) = Index::write(&self.logs, folder, index.as_ref(), lines) {
                tracing::debug!(%error, "the index of the logs is not written");
            }
        }
        let mut taken = Vec::with_capacity(paths.len());
        for at in 0..paths.len() {
            let known = known.remove(&at).map(|known| Ok(known.taken));
            taken.extend(known.or_else(|| fresh.remove(&at)));
        }
        Ok(Look { paths, taken })
    }
}

/// What the index knew of a log that is as it was.
struct Known<T> {
    taken: T,
    /// Where its record is.
    place: Place,
}

/// What `take` makes of the batches whose logs are as the index has them, by their place in `paths`; and how many
/// records the index has.
fn known<T>(
    index: Option<&Index>,
    paths: &[PathBuf],
    take: &impl Fn(Summary, bool) -> T,
) -> (HashMap<usize, Known<T>>, usize) {
    let mut known = HashMap::new();
    let Some(index) = index else {
        return (known, 0);
    };
    // Both are in the order of the names.
    let mut at = 0;
    let name = |at: usize| paths.get(at)?.file_name()?.to_str();
    let records = index.each(|place, entry| {
        while name(at).is_some_and(|name| name < entry.name)
            || (at < paths.len() && name(at).is_none())
        {
            at += 1;
        }
        if name(at) == Some(entry.name)
            && let Some(path) = paths.get(at)
            && Stamp::of(path).is_some_and(|stamp| entry.is_of(stamp))
            && let Some((batch, understood)) = entry.told()
        {
            let taken = take(batch, understood);
            known.insert(at, Known { taken, place });
        }
    });
    (known, records)
}

fn begun(path: &Path) -> Option<Timestamp> {
    let first = scan_file(path).and_then(|mut scan| scan.next_row());
    if let Ok(Some(row)) = first {
        return Some(row.at);
    }
    let written = path.metadata().and_then(|m| m.modified()).ok()?;
    Timestamp::try_from(written).ok()
}

/// What one thread keeps from log to log: to make these takes longer than to read a log with them.
#[derive(Default)]
struct Reader {
    lines: Option<LineReader>,
    /// By their texts; `None` for one that does not read.
    formulas: HashMap<String, Option<Formula>>,
}

/// Texts of formulas are kept up to here: a workshop has some dozens, each in some versions.
const MOST_FORMULAS: usize = 256;

impl Reader {
    /// What `take` makes of the log at `path`, and its record for the index where it is wanted and can be kept.
    fn read<T>(
        &mut self,
        path: &Path,
        keep: bool,
        take: &impl Fn(Summary, bool) -> T,
    ) -> Result<(T, Option<Vec<u8>>), LogError> {
        let before = Stamp::of(path);
        let (record, understood) = record::read_by(path, &mut self.lines)?;
        let batch = self.summary(&record);
        let stamp = before.filter(|stamp| keep && stamp.is_settled() && Stamp::of(path) == before);
        let kept = stamp.and_then(|stamp| index::record(path, stamp, &batch, understood));
        Ok((take(batch, understood), kept))
    }

    fn summary(&mut self, record: &Record) -> Summary {
        let Some(opening) = &record.opening else {
            return record.summary_by(None);
        };
        if let Some(formula) = self.formulas.get(&opening.text) {
            return record.summary_by(formula.as_ref());
        }
        if self.formulas.len() >= MOST_FORMULAS {
            self.formulas.clear();
        }
        let formula = record.read_formula().and_then(Result::ok);
        let batch = record.summary_by(formula.as_ref());
        self.formulas.insert(opening.text.clone(), formula);
        batch
    }
}
