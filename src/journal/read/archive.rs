//! All logs of a folder, looked at again and again: what each tells in short is kept in an index, so that a look
//! costs what is new and not what is there.
//!
//! The index is a cache and nothing else. The logs are the only truth: where a log is not just as it was when it
//! was read, or the index is gone, torn, foreign, of another version, cannot be read or cannot be
//! written, the log is read and proved. What it cannot see is told in `index.rs`; `bismar log verify`, the sheet
//! and whoever goes on with a batch read the log itself.

use std::collections::{HashMap, HashSet};
use std::io;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicUsize, Ordering};

use jiff::Timestamp;

use crate::formula::Formula;
use crate::journal::batch::record::Record;
use crate::journal::batch::summary::Summary;
use crate::journal::error::LogError;
use crate::journal::format::fault::BadLine;
use crate::journal::format::line::LineReader;
use crate::journal::read::folder::{all_threads, batches_in, in_threads};
use crate::journal::read::index::{self, Entry, Index, Place, Stamp, Writing};
use crate::journal::read::record;
use crate::journal::read::scan::scan_file;

/// Fewer new records than this are read again the next time: sooner done than the index is written anew.
const WORTH_WRITING: usize = 32;

/// So many logs are looked at before what they tell is shown and goes into the index: not all of it is held.
const BLOCK: usize = 2048;

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

/// How far a look at a folder is.
#[derive(Debug, Default)]
pub struct Progress {
    pub all: AtomicUsize,
    pub read: AtomicUsize,
}

/// What a look at the folder found; each log has a number, by the order of the names.
#[derive(Debug)]
pub struct Look {
    pub paths: Vec<PathBuf>,
    /// The logs that cannot be read, by their order.
    pub unread: Vec<(usize, LogError)>,
    index: Option<Index>,
    /// The index that was written in its place.
    new: Option<Index>,
    /// Where what each log tells is.
    told: Vec<Told>,
}

/// Where what a log tells is.
#[derive(Debug, Default)]
enum Told {
    #[default]
    Nowhere,
    Index(Place),
    /// In the index that is written anew.
    New(Place),
    /// In a record made just now, which the index may keep or not.
    Record(Vec<u8>, bool),
    /// In what no record is made of.
    Whole(Box<Summary>, bool),
}

/// What is done with each batch: its log's number, what it tells, and whether each note of the program in it is
/// understood.
pub type Take<'t> = dyn FnMut(usize, &Summary, bool) + 't;

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
    pub fn each<T>(
        &self,
        threads: usize,
        mut take: impl FnMut(&Summary) -> T,
    ) -> Result<(Vec<T>, Vec<BadLine>), LogError> {
        let mut all = Vec::new();
        let faults = self.add_up(threads, &Progress::default(), &mut |nth, batch| {
            all.push((nth, take(batch)));
        })?;
        Ok((in_order(all), faults))
    }

    /// Shows every batch to `add`, in whatever order, and gives the faults of damaged logs as [`Archive::each`] does.
    ///
    /// # Errors
    /// As [`Archive::each`].
    pub fn add_up(
        &self,
        threads: usize,
        progress: &Progress,
        add: &mut dyn FnMut(usize, &Summary),
    ) -> Result<Vec<BadLine>, LogError> {
        let (_, faults) = self.look_at_all(threads, progress, add)?;
        Ok(faults)
    }

    /// As [`Archive::add_up`], with what can be asked for again.
    ///
    /// # Errors
    /// As [`Archive::each`].
    pub fn look_at_all(
        &self,
        threads: usize,
        progress: &Progress,
        add: &mut dyn FnMut(usize, &Summary),
    ) -> Result<(Look, Vec<BadLine>), LogError> {
        let mut faults = Vec::new();
        let mut look = self.look(threads, progress, &mut |nth, batch, _| {
            faults.extend(batch.fault.clone().map(|fault| (nth, fault)));
            add(nth, batch);
        })?;
        let unread = look.unread.drain(..).next();
        match unread {
            Some((_, error)) => Err(error),
            None => Ok((look, in_order(faults))),
        }
    }

    /// Looks at every log of a batch.
    ///
    /// # Errors
    /// When the folder cannot be read; what is wrong with single logs is in the answer.
    pub fn list_open(&self, threads: usize) -> Result<OpenLogs, LogError> {
        let mut logs = OpenLogs::default();
        let mut done = HashSet::new();
        let look = self.look(
            threads,
            &Progress::default(),
            &mut |nth, batch, understood| {
                if batch.ended && understood && batch.fault.is_none() {
                    done.insert(nth);
                }
            },
        )?;
        for (nth, path) in look.paths.into_iter().enumerate() {
            if done.contains(&nth) {
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
        let index = self.index();
        let mut known = HashMap::new();
        each_known(
            index.as_ref(),
            &paths,
            all_threads(),
            &mut |nth, _, entry| {
                let opened = entry.opened_at();
                known.extend(opened.map(|opened| (nth, opened)));
                opened.is_some()
            },
        );
        let mut logs: Vec<(Option<Timestamp>, PathBuf)> = Vec::with_capacity(paths.len());
        for (nth, path) in paths.into_iter().enumerate() {
            let opened = known.get(&nth).copied().or_else(|| begun(&path));
            logs.push((opened, path));
        }
        logs.sort_by_key(|(opened, _)| *opened);
        logs.reverse();
        Ok(logs.into_iter().map(|(_, path)| path).collect())
    }

    fn index(&self) -> Option<Index> {
        Index::of(&self.logs, self.indexes.as_deref()?)
    }

    /// Shows every batch to `take`, in whatever order: first what the index knows, then what is read by at most
    /// `threads` at a time.
    ///
    /// # Errors
    /// When the folder cannot be read; what is wrong with single logs is in the answer.
    pub fn look(
        &self,
        threads: usize,
        progress: &Progress,
        take: &mut Take<'_>,
    ) -> Result<Look, LogError> {
        let paths = batches_in(&self.logs)?;
        progress.all.store(paths.len(), Ordering::Relaxed);
        let index = self.index();
        let mut told: Vec<Told> = paths.iter().map(|_| Told::Nowhere).collect();
        let mut known = 0;
        let mut batch = Summary::default();
        let records = each_known(index.as_ref(), &paths, threads, &mut |nth, place, entry| {
            let (Some(understood), Some(told)) = (entry.told(&mut batch), told.get_mut(nth)) else {
                return false;
            };
            *told = Told::Index(place);
            known += 1;
            progress.read.fetch_add(1, Ordering::Relaxed);
            take(nth, &batch, understood);
            true
        });
        let unknown: Vec<usize> = (0..)
            .zip(&told)
            .filter(|(_, told)| matches!(told, Told::Nowhere))
            .map(|(nth, _)| nth)
            .collect();
        let mut unread = Vec::new();
        let mut anew = Anew {
            logs: &self.logs,
            indexes: self.indexes.as_deref(),
            old: index.as_ref(),
            changes: records.saturating_sub(known),
            taken_over: 0,
            writing: None,
        };
        for block in unknown.chunks(BLOCK) {
            let read = in_threads(block.len(), threads, Reader::default, |reader, at| {
                let nth = *block.get(at)?;
                let read = reader.read(paths.get(nth)?);
                progress.read.fetch_add(1, Ordering::Relaxed);
                Some((nth, read))
            });
            for (nth, read) in read.into_iter().flatten() {
                match read {
                    Ok(read) => {
                        anew.changes += usize::from(matches!(read, Told::Record(_, true)));
                        read.show(&mut batch, &mut |batch, understood| {
                            take(nth, batch, understood)
                        });
                        if let Some(told) = told.get_mut(nth) {
                            *told = read;
                        }
                    }
                    Err(error) => unread.push((nth, error)),
                }
            }
            let upto = block.last().map_or(0, |nth| nth + 1);
            anew.take_over(told.get_mut(..upto).unwrap_or_default());
        }
        anew.take_over(&mut told);
        let new = anew.done();
        Ok(Look {
            paths,
            unread,
            index,
            new,
            told,
        })
    }
}

impl Look {
    /// Shows the batches whose logs have these numbers again, as they were.
    pub fn again(&self, numbers: impl Iterator<Item = usize>, take: &mut Take<'_>) {
        let (mut batch, mut reader) = (Summary::default(), Reader::default());
        for nth in numbers {
            let mut take = |batch: &Summary, understood| take(nth, batch, understood);
            let (Some(told), Some(path)) = (self.told.get(nth), self.paths.get(nth)) else {
                continue;
            };
            let (index, place) = match told {
                Told::Index(place) => (self.index.as_ref(), *place),
                Told::New(place) => (self.new.as_ref(), *place),
                Told::Record(..) | Told::Whole(..) | Told::Nowhere => {
                    told.show(&mut batch, &mut take);
                    continue;
                }
            };
            let record = index.and_then(|index| index.record(place));
            let shown =
                record.is_some_and(|record| Told::Record(record, true).show(&mut batch, &mut take));
            // Somebody wrote into the index meanwhile, or it did not get to the disk.
            if !shown && let Ok(read) = reader.read(path) {
                read.show(&mut batch, &mut take);
            }
        }
    }
}

/// The index as it is written anew, while the logs are read, in the order of their names.
struct Anew<'a> {
    logs: &'a Path,
    /// `None` where there is no place for it any more.
    indexes: Option<&'a Path>,
    old: Option<&'a Index>,
    /// Records that the old one has not, or has of logs that are not as they were.
    changes: usize,
    /// The logs whose records it has, or that have none.
    taken_over: usize,
    writing: Option<Writing>,
}

impl Anew<'_> {
    /// Takes the records of the first logs that were read, if it is worth it. Without it the next look is as slow as
    /// this one, and as right.
    fn take_over(&mut self, told: &mut [Told]) {
        if let Some(indexes) = self.indexes
            && self.changes >= WORTH_WRITING
            && let Err(error) = self.write(indexes, told)
        {
            tracing::debug!(%error, "the index of the logs is not written");
            self.indexes = None;
        }
    }

    fn write(&mut self, indexes: &Path, told: &mut [Told]) -> io::Result<()> {
        let writing = match &mut self.writing {
            Some(writing) => writing,
            None => self.writing.insert(Writing::begin(self.logs, indexes)?),
        };
        for told in told.iter_mut().skip(self.taken_over) {
            let place = match (&*told, self.old) {
                (Told::Index(place), Some(old)) => writing.put_old(old, *place)?,
                (Told::Record(record, true), _) => writing.put(record)?,
                _ => continue,
            };
            *told = Told::New(place);
        }
        self.taken_over = told.len();
        Ok(())
    }

    /// Puts it in the place of the old one, where it is whole.
    fn done(self) -> Option<Index> {
        let mut writing = self.writing?;
        let placed = match self.indexes {
            Some(indexes) => writing.put_in_place(indexes),
            None => Ok(()),
        };
        if let Err(error) = placed {
            tracing::debug!(%error, "the index of the logs is not written");
        }
        Some(writing.index)
    }
}

impl Told {
    /// Shows what is told here, by way of `batch`; `false` where nothing is.
    fn show(&self, batch: &mut Summary, take: &mut dyn FnMut(&Summary, bool)) -> bool {
        match self {
            Told::Nowhere | Told::Index(_) | Told::New(_) => false,
            Told::Record(record, _) => {
                let understood = Entry::of_record(record).and_then(|entry| entry.told(batch));
                understood
                    .map(|understood| take(batch, understood))
                    .is_some()
            }
            Told::Whole(batch, understood) => {
                take(batch, *understood);
                true
            }
        }
    }
}

/// Each by the number before it, the least first.
fn in_order<T>(mut all: Vec<(usize, T)>) -> Vec<T> {
    all.sort_by_key(|(nth, _)| *nth);
    all.into_iter().map(|(_, one)| one).collect()
}

/// The stamps of files, asked for in blocks: by more than one thread, and not all of them held.
struct Stamps<'p> {
    paths: &'p [PathBuf],
    threads: usize,
    begin: usize,
    block: Vec<Option<Stamp>>,
}

impl Stamps<'_> {
    /// Of the file with this number.
    fn of(&mut self, nth: usize) -> Option<Stamp> {
        if !(self.begin..self.begin + self.block.len()).contains(&nth) {
            self.begin = nth - nth % BLOCK;
            let rest = self.paths.get(self.begin..).unwrap_or_default();
            let asked = rest.get(..BLOCK).unwrap_or(rest);
            let stamp = |(): &mut (), at: usize| Stamp::of(asked.get(at)?);
            self.block = in_threads(asked.len(), self.threads, || (), stamp);
        }
        *self.block.get(nth - self.begin)?
    }
}

/// Shows to `take` what the index has of the logs that are as it has them, the number of each in `paths` first; `take`
/// says whether it reads. Gives how many records the index has.
fn each_known(
    index: Option<&Index>,
    paths: &[PathBuf],
    threads: usize,
    take: &mut dyn FnMut(usize, Place, Entry<'_>) -> bool,
) -> usize {
    let Some(index) = index else { return 0 };
    let mut stamps = Stamps {
        paths,
        threads,
        begin: 0,
        block: Vec::new(),
    };
    // Both are in the order of the names.
    let mut at = 0;
    let name = |at: usize| Some(paths.get(at)?.file_name()?.to_str());
    let mut next = name(at);
    index.each(&mut |place, entry| {
        while let Some(there) = next
            && there.is_none_or(|there| there < entry.name)
        {
            at += 1;
            next = name(at);
        }
        if next == Some(Some(entry.name))
            && let Some(stamp) = stamps.of(at)
            && entry.is_of(stamp)
            && take(at, place, entry)
        {
            // Each log is shown once, however often a foreign index has it.
            at += 1;
            next = name(at);
        }
    })
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
    /// What the log at `path` tells.
    fn read(&mut self, path: &Path) -> Result<Told, LogError> {
        let before = Stamp::of(path);
        let (record, understood) = record::read_by(path, &mut self.lines)?;
        let batch = self.summary(&record);
        let kept =
            before.is_some_and(|before| before.is_settled() && Stamp::of(path) == Some(before));
        let record = before.and_then(|stamp| index::record(path, stamp, &batch, understood));
        Ok(match record {
            Some(record) => Told::Record(record, kept),
            None => Told::Whole(Box::new(batch), understood),
        })
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::journal::store::log::LogFile;
    use crate::vocabulary::entry::{Draft, RowKind};
    use std::io::Write as _;
    use tempfile::TempDir;

    /// A folder of logs and one of indexes.
    struct Bench(TempDir);

    /// What a log's rows say that the formula is, and what the index is made to say of it: so each answer tells who
    /// was asked.
    const BY_LOG: &str = "by the log";
    const BY_INDEX: &str = "by the index";

    fn second(second: i64) -> Timestamp {
        Timestamp::from_second(second).expect("a time")
    }

    fn note(text: &str) -> Draft {
        Draft::new(RowKind::Note, text)
    }

    impl Bench {
        /// With a log of one row for each of `names`.
        fn new(names: &[&str]) -> Bench {
            let bench = Bench(tempfile::tempdir().expect("a folder"));
            std::fs::create_dir(bench.logs()).expect("a folder");
            for name in names {
                bench.log(name, &[note("begun")]);
            }
            bench
        }

        fn logs(&self) -> PathBuf {
            self.0.path().join("logs")
        }

        fn indexes(&self) -> PathBuf {
            self.0.path().join("indexes")
        }

        fn archive(&self) -> Archive {
            Archive::new(&self.logs(), Some(self.indexes()))
        }

        fn path(&self, name: &str) -> PathBuf {
            self.logs().join(format!("{name}.csv"))
        }

        fn log(&self, name: &str, rows: &[Draft]) {
            let mut log = LogFile::create(&self.logs(), name, BY_LOG).expect("a new log");
            for (row, at) in rows.iter().zip(1..) {
                log.append(row, second(at)).expect("a row");
            }
        }

        /// Makes the last line of a log a torn one.
        fn tear(&self, name: &str) {
            let mut log = std::fs::File::options();
            let mut log = log.append(true).open(self.path(name)).expect("a log");
            log.write_all(b"torn").expect("written");
        }

        /// The index as it would be of files that are there, those that are not `kept` gone since.
        fn index(&self, kept: &[&str], gone: usize) {
            let gone: Vec<String> = (0..gone).map(|n| format!("gone-{n:02}")).collect();
            for name in &gone {
                std::fs::write(self.path(name), "").expect("written");
            }
            let mut names: Vec<&str> = gone.iter().map(String::as_str).collect();
            names.extend(kept);
            names.sort_unstable();
            let mut writing = Writing::begin(&self.logs(), &self.indexes()).expect("written");
            for name in names {
                let path = self.path(name);
                let stamp = Stamp::of(&path).expect("a file");
                let batch = Summary {
                    batch: name.into(),
                    label: BY_INDEX.into(),
                    opened_at: Some(second(1_000)),
                    ..Summary::default()
                };
                let record = index::record(&path, stamp, &batch, true);
                writing.put(&record.expect("kept")).expect("written");
            }
            writing.put_in_place(&self.indexes()).expect("written");
            for name in &gone {
                std::fs::remove_file(self.path(name)).expect("removed");
            }
        }

        /// The logs that the index has a record of.
        fn records(&self) -> Vec<String> {
            let mut names = Vec::new();
            let index = self.archive().index().expect("an index");
            index.each(&mut |_, entry| names.push(entry.name.to_owned()));
            names
        }

        /// Who told of each log, in the order of their names.
        fn told(&self) -> Vec<String> {
            let progress = Progress::default();
            let mut told = Vec::new();
            let mut take = |nth, batch: &Summary, _| told.push((nth, batch.label.clone()));
            let look = self.archive().look(2, &progress, &mut take);
            assert_eq!(look.expect("a folder").paths.len(), told.len());
            let all = [&progress.all, &progress.read].map(|count| count.load(Ordering::Relaxed));
            assert_eq!(all, [told.len(); 2], "each counts once");
            in_order(told)
        }
    }

    /// Each log that is as the index has it is told by the index, whatever stands before it, between and behind; all
    /// others tell of themselves.
    #[test]
    fn what_is_as_it_was_is_told_by_the_index_and_all_else_by_its_log() {
        let bench = Bench::new(&["a", "b", "c", "d", "e"]);
        assert_eq!(bench.told(), [BY_LOG; 5]);
        bench.index(&["b", "d"], 0);
        assert_eq!(bench.told(), [BY_LOG, BY_INDEX, BY_LOG, BY_INDEX, BY_LOG]);
        bench.index(&["a", "b", "c", "d", "e"], 2);
        assert_eq!(bench.told(), [BY_INDEX; 5]);
        // An index of another's making has one twice.
        bench.index(&["a", "a", "c"], 0);
        assert_eq!(bench.told(), [BY_INDEX, BY_LOG, BY_INDEX, BY_LOG, BY_LOG]);
        bench.index(&["a", "b", "c", "d", "e"], 2);
        // The one that is written to is the first of all.
        bench.tear("a");
        let all_but_it = [BY_LOG, BY_INDEX, BY_INDEX, BY_INDEX, BY_INDEX];
        assert_eq!(bench.told(), all_but_it);
    }

    /// More logs than are asked for at a time, and than twice as many.
    #[test]
    fn the_index_tells_of_thousands_of_logs() {
        let bench = Bench::new(&[]);
        let names: Vec<String> = (0..2 * BLOCK + 10).map(|n| format!("b-{n:04}")).collect();
        for name in &names {
            std::fs::write(bench.path(name), "").expect("written");
        }
        let names: Vec<&str> = names.iter().map(String::as_str).collect();
        bench.index(&names, 0);
        let told = bench.told();
        assert_eq!(told.len(), names.len());
        assert!(told.iter().all(|by| by == BY_INDEX));
    }

    /// Records of logs that are gone stay until they are worth the writing; what is written anew keeps all others.
    #[test]
    fn an_index_is_written_anew_where_enough_of_it_holds_no_more() {
        let bench = Bench::new(&["a", "b", "c"]);
        bench.index(&["a", "b", "c"], WORTH_WRITING - 1);
        assert_eq!(bench.told(), [BY_INDEX; 3]);
        assert_eq!(bench.records().len(), WORTH_WRITING + 2, "as it was");
        bench.index(&["a", "b", "c"], WORTH_WRITING);
        assert_eq!(bench.told(), [BY_INDEX; 3]);
        assert_eq!(bench.records(), ["a.csv", "b.csv", "c.csv"]);
        assert_eq!(bench.told(), [BY_INDEX; 3]);
    }

    /// The log that was begun last comes first, by what its rows say; where they say nothing, by the file's time.
    #[test]
    fn the_newest_log_comes_first() {
        let bench = Bench::new(&[]);
        for (name, at) in [("a", 20), ("b", 10), ("c", 30)] {
            let log = LogFile::create(&bench.logs(), name, BY_LOG);
            log.expect("a new log")
                .append(&note("begun"), second(at))
                .expect("a row");
        }
        std::fs::write(bench.path("empty"), "").expect("written");
        let newest = || {
            let found = bench.archive().newest().expect("a folder");
            let names = found.iter().filter_map(|path| path.file_stem()?.to_str());
            names.collect::<Vec<_>>().concat()
        };
        assert_eq!(newest(), "emptycab");
        // What the index has need not be read.
        bench.index(&["b"], 0);
        assert_eq!(newest(), "emptybca");
    }

    /// What was looked at is shown again as it was, from where it was found; where the index is not as it was any
    /// more, the log is read.
    #[test]
    fn what_was_looked_at_is_shown_again() {
        let bench = Bench::new(&["a", "b", "c"]);
        bench.tear("c");
        let look = || {
            let take: &mut Take<'_> = &mut |_, _, _| {};
            let look = bench.archive().look(1, &Progress::default(), take);
            look.expect("a folder")
        };
        let again = |look: &Look| {
            let mut told = Vec::new();
            let numbers = [2, 0, 7, 1].into_iter();
            look.again(numbers, &mut |nth, batch, _| {
                told.push((nth, batch.label.clone(), batch.fault.is_some()));
            });
            told
        };
        let wanted = |a: &str| {
            let line = |nth, by: &str, torn| (nth, by.to_owned(), torn);
            vec![
                line(2, BY_LOG, true),
                line(0, a, false),
                line(1, BY_LOG, false),
            ]
        };
        let cut = || {
            let place = std::fs::read_dir(bench.indexes()).expect("a folder");
            for entry in place {
                let file = std::fs::File::options()
                    .write(true)
                    .open(entry.expect("an entry").path());
                file.expect("a file").set_len(0).expect("cut");
            }
        };
        assert_eq!(again(&look()), wanted(BY_LOG));
        // In the index that is there, and in one that is written anew.
        for gone in [0, WORTH_WRITING] {
            bench.index(&["a"], gone);
            let look = look();
            assert_eq!(again(&look), wanted(BY_INDEX));
            cut();
            assert_eq!(again(&look), wanted(BY_LOG));
        }
    }

    /// Open is what has no end; a torn line behind the end opens nothing, and a log with a note that does not read is
    /// told as one that does not, though it is closed.
    #[test]
    fn open_is_what_has_no_end() {
        let bench = Bench::new(&["open"]);
        let closed = || Draft::new(RowKind::Closed, "complete");
        let strange = Draft::new(RowKind::Weighed, "corrects seq 9: typed wrong");
        bench.log("closed", &[closed()]);
        bench.log("torn", &[closed()]);
        bench.tear("torn");
        bench.log("strange", &[strange, note("a remark"), closed()]);
        let found = bench.archive().list_open(1).expect("a folder");
        let open: Vec<&PathBuf> = found.open.iter().map(|(path, _)| path).collect();
        assert_eq!(open, [&bench.path("open")]);
        let [LogError::Bad(bad)] = &found.bad[..] else {
            panic!("{:?}", found.bad);
        };
        assert_eq!((bad.line, bad.column), (2, Some("note")));
        assert!(bad.file.ends_with("strange.csv"), "{}", bad.file);
    }
}
