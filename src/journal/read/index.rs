//! The index of a folder of logs: of each log that reads from end to end what it tells in short, with the [`Stamp`]
//! of the file it was read from.
//!
//! A plain file, read from end to end: each question needs something of nearly every log, and a look at the files'
//! stamps takes longer than the reading. A database would have to be built and trusted, and save neither. Each
//! record bears a hash of itself; a torn or damaged one ends the reading, and a file without our first record, of
//! another version or of another folder is not read. It is written beside itself and put in its place, by one process
//! at a time.
//!
//! What a stamp shows: a log that was written to, replaced, cut, or edited to the same length, also where its time
//! was set back after that; the system keeps a second time of its own (`st_ctime`, POSIX.1-2024, `sys_stat.h`) that
//! no program can set. What it cannot show: bytes that changed beneath the file system, or on one that keeps no such
//! time of its own; and a change within one tick of the clock, for which a log that was written to in the last
//! seconds is not kept at all.

use std::fs::{DirBuilder, File, Metadata};
use std::io::{self, BufReader, BufWriter, Seek as _, Write as _};
use std::os::unix::fs::{DirBuilderExt as _, FileExt as _, MetadataExt as _, OpenOptionsExt as _};
use std::path::{Path, PathBuf};
use std::time::{SystemTime, UNIX_EPOCH};

use jiff::Timestamp;
use sha2::{Digest as _, Sha256};

use crate::journal::batch::summary::{Step, StepKind, Summary};
use crate::journal::format::cell::Grams;
use crate::mass::Mass;
use crate::vocabulary::entry::Verdict;

/// The format of the records and what they are made of: another number for each change of either.
const FORMAT: &str = "bismar index 3";

/// Longer records are not kept: a log of so many steps is no batch.
const LONGEST: usize = 1 << 20;

/// A record's length in four bytes, the least first, and eight of its SHA-256.
const HEAD: usize = 12;

/// The coarsest times of a file that are in use are 2 s apart (FAT; from memory).
const SETTLED_SECONDS: i64 = 3;

/// What tells a file from another one and from itself at another time: device and number, length, and when its bytes
/// and when anything of it changed, in seconds and nanoseconds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Stamp([i64; 7]);

impl Stamp {
    /// Of the plain file at `path`; `None` where there is none.
    pub(super) fn of(path: &Path) -> Option<Stamp> {
        let about = std::fs::metadata(path).ok().filter(Metadata::is_file)?;
        Some(Stamp([
            about.dev().cast_signed(),
            about.ino().cast_signed(),
            about.size().cast_signed(),
            about.mtime(),
            about.mtime_nsec(),
            about.ctime(),
            about.ctime_nsec(),
        ]))
    }

    /// Whether the file has not been touched in the last seconds, by a clock that agrees with its times. One that is
    /// of the future may change without a new time: the clock was set back.
    pub(super) fn is_settled(self) -> bool {
        let now = SystemTime::now().duration_since(UNIX_EPOCH);
        now.is_ok_and(|now| self.is_settled_at(i64::try_from(now.as_secs()).unwrap_or(i64::MAX)))
    }

    fn is_settled_at(self, now: i64) -> bool {
        let Stamp([_, _, _, written, _, changed, _]) = self;
        now.saturating_sub(written.max(changed)) >= SETTLED_SECONDS
    }
}

/// A record, as it is put together.
#[derive(Default)]
struct Put(Vec<u8>);

/// Whole numbers in groups of seven bits, the least first (LEB128); those with a sign with the sign last (zigzag); texts
/// after their length.
impl Put {
    fn count(&mut self, mut value: u64) {
        while value > 0x7f {
            self.0.push(value as u8 | 0x80);
            value >>= 7;
        }
        self.0.push(value as u8);
    }

    fn number(&mut self, value: i64) {
        self.count(((value << 1) ^ (value >> 63)).cast_unsigned());
    }

    fn text(&mut self, text: &str) {
        self.count(text.len() as u64);
        self.0.extend_from_slice(text.as_bytes());
    }

    fn maybe<T>(&mut self, value: Option<T>, put: impl FnOnce(&mut Put, T)) {
        self.0.push(u8::from(value.is_some()));
        if let Some(value) = value {
            put(self, value);
        }
    }

    fn time(&mut self, at: Timestamp) {
        self.number(at.as_millisecond());
    }

    fn grams(&mut self, grams: Grams) {
        self.number(grams.mass().ng());
        self.0.push(grams.decimals());
    }

    fn step(&mut self, step: &Step) {
        let kind = KINDS.iter().position(|one| *one == step.kind);
        let verdict = |verdict| Verdict::ALL.iter().position(|one| *one == verdict);
        self.count(step.number as u64);
        self.text(&step.ingredient);
        self.text(&step.lot);
        self.time(step.at);
        self.grams(step.net);
        self.maybe(step.target, Put::grams);
        self.maybe(step.residue, Put::grams);
        self.count(kind.unwrap_or(KINDS.len()) as u64);
        self.maybe(step.verdict.and_then(verdict), |put, at| {
            put.count(at as u64)
        });
        self.count(step.over_pours.into());
        self.maybe(step.since, Put::time);
    }

    /// With its head; `None` of one that is too long.
    fn sealed(self) -> Option<Vec<u8>> {
        let Put(body) = self;
        let length = u32::try_from(body.len())
            .ok()
            .filter(|_| body.len() <= LONGEST)?;
        let mut record = length.to_le_bytes().to_vec();
        record.extend(hash(&body));
        record.extend(body);
        Some(record)
    }
}

/// What is left of a record that is being read; `None` of each where it is not as [`Put`] puts it.
struct Left<'b>(&'b [u8]);

impl<'b> Left<'b> {
    fn byte(&mut self) -> Option<u8> {
        let (first, rest) = self.0.split_first()?;
        self.0 = rest;
        Some(*first)
    }

    fn count(&mut self) -> Option<u64> {
        let mut value = 0;
        for place in (0..64).step_by(7) {
            let byte = self.byte()?;
            value |= u64::from(byte & 0x7f).checked_shl(place)?;
            if byte & 0x80 == 0 {
                return Some(value);
            }
        }
        None
    }

    fn size(&mut self) -> Option<usize> {
        usize::try_from(self.count()?).ok()
    }

    fn number(&mut self) -> Option<i64> {
        let value = self.count()?;
        Some((value >> 1).cast_signed() ^ -(value & 1).cast_signed())
    }

    fn text(&mut self) -> Option<&'b str> {
        let length = self.size()?;
        let (text, rest) = self.0.split_at_checked(length)?;
        self.0 = rest;
        std::str::from_utf8(text).ok()
    }

    fn maybe<T>(&mut self, read: impl FnOnce(&mut Self) -> Option<T>) -> Option<Option<T>> {
        match self.byte()? {
            0 => Some(None),
            1 => read(self).map(Some),
            _ => None,
        }
    }

    fn time(&mut self) -> Option<Timestamp> {
        Timestamp::from_millisecond(self.number()?).ok()
    }

    fn grams(&mut self) -> Option<Grams> {
        let mass = Mass::from_ng(self.number()?);
        Grams::of_parts(mass, self.byte()?)
    }

    fn stamp(&mut self) -> Option<Stamp> {
        let mut stamp = [0; 7];
        for part in &mut stamp {
            *part = self.number()?;
        }
        Some(Stamp(stamp))
    }

    fn text_into(&mut self, into: &mut String) -> Option<()> {
        into.clear();
        into.push_str(self.text()?);
        Some(())
    }

    fn maybe_text_into(&mut self, into: &mut Option<String>) -> Option<()> {
        match self.byte()? {
            0 => *into = None,
            1 => self.text_into(into.get_or_insert_default())?,
            _ => return None,
        }
        Some(())
    }

    /// As many as it says into as many that are there, or made.
    fn all_into<T: Default>(
        &mut self,
        into: &mut Vec<T>,
        mut read: impl FnMut(&mut Self, &mut T) -> Option<()>,
    ) -> Option<()> {
        let count = self.size().filter(|count| *count <= self.0.len())?;
        into.resize_with(count, T::default);
        for one in into {
            read(self, one)?;
        }
        Some(())
    }

    fn step_into(&mut self, step: &mut Step) -> Option<()> {
        step.number = self.size()?;
        self.text_into(&mut step.ingredient)?;
        self.text_into(&mut step.lot)?;
        step.at = self.time()?;
        step.net = self.grams()?;
        step.target = self.maybe(Left::grams)?;
        step.residue = self.maybe(Left::grams)?;
        step.kind = *KINDS.get(self.size()?)?;
        step.verdict = self.maybe(|left| Verdict::ALL.get(left.size()?).copied())?;
        step.over_pours = u32::try_from(self.count()?).ok()?;
        step.since = self.maybe(Left::time)?;
        Some(())
    }

    /// A batch into one that is there, so that thousands take no memory anew; and whether each note of the program in
    /// its log is understood. What is there is nothing to go by where this is `None`.
    fn batch_into(&mut self, batch: &mut Summary) -> Option<bool> {
        let flags = self.byte()?;
        let has = |flag: u8| flags & flag != 0;
        self.text_into(&mut batch.batch)?;
        self.text_into(&mut batch.label)?;
        self.maybe_text_into(&mut batch.formula)?;
        self.all_into(&mut batch.premixes, Left::text_into)?;
        batch.opened_at = self.maybe(Left::time)?;
        batch.last_at = self.maybe(Left::time)?;
        batch.ended = has(ENDED);
        batch.complete = has(COMPLETE);
        self.maybe_text_into(&mut batch.incomplete)?;
        batch.total = Mass::from_ng(self.number()?);
        batch.jarred = Mass::from_ng(self.number()?);
        batch.planned_jars = self.maybe(|left| u32::try_from(left.count()?).ok())?;
        self.all_into(&mut batch.jars, |left, jar| {
            *jar = left.size()?;
            Some(())
        })?;
        batch.jars_replaced = has(JARS_REPLACED);
        batch.stopped = has(STOPPED);
        self.all_into(&mut batch.steps, Left::step_into)?;
        batch.fault = None;
        self.0.is_empty().then_some(has(UNDERSTOOD))
    }
}

const ENDED: u8 = 1;
const COMPLETE: u8 = 2;
const UNDERSTOOD: u8 = 4;
const JARS_REPLACED: u8 = 8;
const STOPPED: u8 = 16;

const KINDS: [StepKind; 3] = [StepKind::Planned, StepKind::Added, StepKind::Skipped];

/// The record of the log at `path` that `batch` was made of; `None` where it is not kept: it is damaged, its name is
/// no text, it is too long.
pub(super) fn record(
    path: &Path,
    stamp: Stamp,
    batch: &Summary,
    understood: bool,
) -> Option<Vec<u8>> {
    if batch.fault.is_some() {
        return None;
    }
    let flag = |on: bool, flag: u8| if on { flag } else { 0 };
    let mut told = Put::default();
    told.0.push(
        flag(batch.ended, ENDED)
            | flag(batch.complete, COMPLETE)
            | flag(understood, UNDERSTOOD)
            | flag(batch.jars_replaced, JARS_REPLACED)
            | flag(batch.stopped, STOPPED),
    );
    told.text(&batch.batch);
    told.text(&batch.label);
    told.maybe(batch.formula.as_deref(), Put::text);
    told.count(batch.premixes.len() as u64);
    batch.premixes.iter().for_each(|one| told.text(one));
    told.maybe(batch.opened_at, Put::time);
    told.maybe(batch.last_at, Put::time);
    told.maybe(batch.incomplete.as_deref(), Put::text);
    told.number(batch.total.ng());
    told.number(batch.jarred.ng());
    told.maybe(batch.planned_jars, |put, jars| put.count(jars.into()));
    told.count(batch.jars.len() as u64);
    batch.jars.iter().for_each(|jar| told.count(*jar as u64));
    told.count(batch.steps.len() as u64);
    batch.steps.iter().for_each(|step| told.step(step));
    // What does not come back the same is not kept.
    let mut same = Summary::default();
    let also = Left(&told.0).batch_into(&mut same)?;
    if same != *batch || also != understood {
        return None;
    }
    let mut record = Put::default();
    record.text(path.file_name()?.to_str()?);
    stamp.0.iter().for_each(|part| record.number(*part));
    record.0.extend(told.0);
    record.sealed()
}

/// The first eight bytes of the SHA-256.
fn hash(body: &[u8]) -> [u8; 8] {
    let digest = Sha256::digest(body);
    let mut short = [0; 8];
    short
        .iter_mut()
        .zip(digest)
        .for_each(|(short, byte)| *short = byte);
    short
}

/// The next record's length with its head, its bytes in `body`; `None` at the end and where it is not as it was
/// written.
fn next(input: &mut impl io::Read, body: &mut Vec<u8>) -> Option<usize> {
    let mut head = [0; HEAD];
    input.read_exact(&mut head).ok()?;
    let (length, seal) = head.split_first_chunk::<4>()?;
    let length = usize::try_from(u32::from_le_bytes(*length)).ok()?;
    if length > LONGEST {
        return None;
    }
    body.resize(length, 0);
    input.read_exact(body).ok()?;
    (hash(body) == *seal).then_some(HEAD + length)
}

/// The first record: whose file this is.
fn head(logs: &str) -> Option<Vec<u8>> {
    let mut head = Put::default();
    head.text(FORMAT);
    head.text(env!("CARGO_PKG_VERSION"));
    head.text(logs);
    head.sealed()
}

/// One log as the index has it.
pub(super) struct Entry<'b> {
    /// The name of the log's file.
    pub name: &'b str,
    stamp: Stamp,
    left: Left<'b>,
}

impl<'b> Entry<'b> {
    /// Of a record as [`record`] makes it.
    pub(super) fn of_record(record: &'b [u8]) -> Option<Entry<'b>> {
        Entry::of(record.get(HEAD..)?)
    }

    fn of(body: &'b [u8]) -> Option<Entry<'b>> {
        let mut left = Left(body);
        Some(Entry {
            name: left.text()?,
            stamp: left.stamp()?,
            left,
        })
    }

    /// Whether it was made of the file that has this stamp now.
    pub(super) fn is_of(&self, stamp: Stamp) -> bool {
        self.stamp == stamp
    }

    /// When the batch was opened, where the log tells.
    pub(super) fn opened_at(mut self) -> Option<Timestamp> {
        let left = &mut self.left;
        left.byte()?;
        // The batch and its label.
        left.text()?;
        left.text()?;
        left.maybe(Left::text)?;
        for _ in 0..left.size()? {
            left.text()?;
        }
        left.maybe(Left::time)?
    }

    /// What the log tells, into `batch`, and whether each note of the program in it is understood.
    pub(super) fn told(mut self, batch: &mut Summary) -> Option<bool> {
        self.left.batch_into(batch)
    }
}

/// Where a record stands in the file, and how long it is.
pub(super) type Place = (u64, usize);

/// The index of a folder of logs, open for reading: what is put in its place meanwhile does not touch it.
#[derive(Debug)]
pub(super) struct Index {
    file: File,
    /// How long the first record is.
    begin: u64,
}

impl Index {
    /// The index of the folder `logs` among those in `indexes`; `None` where there is none to be used.
    pub(super) fn of(logs: &Path, indexes: &Path) -> Option<Index> {
        let (logs, path) = place(logs, indexes)?;
        // A pipe would be waited for without end.
        std::fs::metadata(&path).ok().filter(Metadata::is_file)?;
        let file = File::open(&path).ok()?;
        let wanted = head(&logs)?;
        let mut found = vec![0; wanted.len()];
        file.read_exact_at(&mut found, 0).ok()?;
        let begin = wanted.len() as u64;
        (found == wanted).then_some(Index { file, begin })
    }

    /// Hands every record to `take`, up to the first that is not as it was written; gives how many there are.
    pub(super) fn each(&self, take: &mut dyn FnMut(Place, Entry<'_>)) -> usize {
        let mut input = BufReader::with_capacity(1 << 16, &self.file);
        if input.seek(io::SeekFrom::Start(self.begin)).is_err() {
            return 0;
        }
        let (mut body, mut start, mut records) = (Vec::new(), self.begin, 0);
        while let Some(length) = next(&mut input, &mut body) {
            if let Some(entry) = Entry::of(&body) {
                take((start, length), entry);
            }
            records += 1;
            start += length as u64;
        }
        records
    }

    /// The record at `place`; `None` where it is not as it was written.
    pub(super) fn record(&self, (start, length): Place) -> Option<Vec<u8>> {
        let mut record = vec![0; length];
        self.file.read_exact_at(&mut record, start).ok()?;
        let mut body = Vec::new();
        next(&mut record.as_slice(), &mut body)?;
        Some(record)
    }
}

/// An index that is being written, beside the one that is there and stays until this one is whole; one process at a time
/// has it.
pub(super) struct Writing {
    out: BufWriter<File>,
    end: u64,
    copied: Vec<u8>,
    path: PathBuf,
    new: PathBuf,
    /// What is written, to be read.
    pub index: Index,
}

impl Writing {
    /// Of the folder `logs`, among those in `indexes`.
    ///
    /// # Errors
    /// The disk's, and where another process writes it at this moment.
    pub(super) fn begin(logs: &Path, indexes: &Path) -> io::Result<Writing> {
        let no_text = || io::Error::from(io::ErrorKind::InvalidFilename);
        DirBuilder::new()
            .recursive(true)
            .mode(0o700)
            .create(indexes)?;
        let (logs, path) = place(logs, indexes).ok_or_else(no_text)?;
        let new = path.with_added_extension("new");
        let mut options = File::options();
        options.read(true).write(true).create(true).truncate(false);
        let file = options.mode(0o600).open(&new)?;
        // Let go where the file is closed, also by a kill.
        file.try_lock()?;
        // Whoever held it before has put it in its place.
        let (there, ours) = (std::fs::metadata(&new)?, file.metadata()?);
        if (there.dev(), there.ino()) != (ours.dev(), ours.ino()) {
            return Err(io::ErrorKind::ResourceBusy.into());
        }
        file.set_len(0)?;
        let head = head(&logs).ok_or_else(no_text)?;
        let begin = head.len() as u64;
        let index = Index {
            file: file.try_clone()?,
            begin,
        };
        let mut out = BufWriter::with_capacity(1 << 16, file);
        out.write_all(&head)?;
        Ok(Writing {
            out,
            end: begin,
            copied: Vec::new(),
            path,
            new,
            index,
        })
    }

    /// Writes the next record, in the order of the logs' names; gives its place.
    ///
    /// # Errors
    /// The disk's.
    pub(super) fn put(&mut self, record: &[u8]) -> io::Result<Place> {
        self.out.write_all(record)?;
        let start = self.end;
        self.end += record.len() as u64;
        Ok((start, record.len()))
    }

    /// As [`Writing::put`], one of the index that is there.
    ///
    /// # Errors
    /// The disk's.
    pub(super) fn put_old(&mut self, old: &Index, (start, length): Place) -> io::Result<Place> {
        let mut copied = std::mem::take(&mut self.copied);
        copied.resize(length, 0);
        old.file.read_exact_at(&mut copied, start)?;
        let place = self.put(&copied);
        self.copied = copied;
        place
    }

    /// Puts it in the place of the one that is there.
    ///
    /// # Errors
    /// The disk's; what was there stays then.
    pub(super) fn put_in_place(&mut self, indexes: &Path) -> io::Result<()> {
        self.out.flush()?;
        std::fs::rename(&self.new, &self.path)?;
        drop_orphans(indexes);
        Ok(())
    }
}

/// Removes the indexes of folders that are no more.
fn drop_orphans(indexes: &Path) {
    for entry in std::fs::read_dir(indexes).into_iter().flatten().flatten() {
        let path = entry.path();
        if path.extension().is_some_and(|end| end == ENDING)
            && path.is_file()
            && folder_of(&path).is_some_and(|logs| !Path::new(&logs).exists())
        {
            // Another process may have been quicker.
            let _ = std::fs::remove_file(&path);
        }
    }
}

/// The folder that an index is of, whatever version wrote it.
fn folder_of(index: &Path) -> Option<String> {
    let mut body = Vec::new();
    next(&mut File::open(index).ok()?, &mut body)?;
    let mut left = Left(&body);
    left.text()
        .filter(|text| text.starts_with("bismar index "))?;
    left.text()?;
    left.text().map(str::to_owned)
}

const ENDING: &str = "index";

/// The folder of the logs by its one name, and the path of its index.
fn place(logs: &Path, indexes: &Path) -> Option<(String, PathBuf)> {
    let logs = std::fs::canonicalize(logs).ok()?;
    let logs = logs.to_str()?.to_owned();
    let name = u64::from_be_bytes(hash(logs.as_bytes()));
    let path = indexes.join(format!("logs-{name:016x}.{ENDING}"));
    Some((logs, path))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::journal::format::fault::{BadLine, Fault};

    const STAMP: Stamp = Stamp([1, -2, 300, 1_770_000_000, 5, 1_770_000_100, 999_999_999]);

    fn time(seconds: i64) -> Option<Timestamp> {
        Timestamp::from_second(seconds).ok()
    }

    fn grams(mg: i64) -> Grams {
        Grams::of_parts(Mass::from_mg(mg), 2).expect("two decimals")
    }

    /// A batch with something in each place.
    fn batch() -> Summary {
        let step = |number, kind, verdict| Step {
            number,
            ingredient: "Épices, fines".into(),
            lot: "L-7".into(),
            at: Timestamp::UNIX_EPOCH,
            net: grams(-50_010),
            target: Some(grams(50_000)),
            residue: None,
            kind,
            verdict,
            over_pours: 300,
            since: time(-1),
        };
        let mut steps: Vec<Step> = Verdict::ALL
            .iter()
            .map(|verdict| step(1, StepKind::Planned, Some(*verdict)))
            .collect();
        steps.extend([
            step(200, StepKind::Added, None),
            Step {
                residue: Some(grams(0)),
                target: None,
                since: None,
                ..step(0, StepKind::Skipped, None)
            },
        ]);
        Summary {
            batch: "soak-1".into(),
            label: "é".repeat(64),
            formula: Some(String::new()),
            premixes: vec!["Oat mix".into(), "x".repeat(127)],
            opened_at: time(1_770_000_000),
            last_at: time(1_770_000_060),
            ended: true,
            complete: false,
            incomplete: Some("incomplete: Oat flour skipped".into()),
            stopped: true,
            total: Mass::from_ng(i64::MAX),
            jarred: Mass::from_ng(-64),
            planned_jars: Some(u32::MAX),
            jars: vec![1, 2, 127, 128, 16_384],
            jars_replaced: true,
            steps,
            fault: None,
        }
    }

    /// A record gives what was put into it, whatever stood before where it is read to.
    #[test]
    fn what_a_log_tells_comes_back_from_its_record() {
        let path = Path::new("logs/soak-1.csv");
        let plain = Summary::default();
        let of = |change: fn(&mut Summary)| {
            let mut one = Summary::default();
            change(&mut one);
            one
        };
        let batches = [
            batch(),
            plain.clone(),
            of(|one| one.ended = true),
            of(|one| one.complete = true),
            of(|one| one.stopped = true),
            of(|one| one.jars_replaced = true),
            of(|one| one.total = Mass::from_ng(-1)),
            of(|one| one.total = Mass::from_ng(i64::MIN)),
        ];
        let mut read = Summary::default();
        for (batch, understood) in batches
            .iter()
            .flat_map(|batch| [(batch, true), (batch, false)])
        {
            let record = record(path, STAMP, batch, understood).expect("it is kept");
            let entry = || Entry::of_record(&record).expect("an entry");
            assert_eq!(entry().name, "soak-1.csv");
            assert_eq!(entry().opened_at(), batch.opened_at);
            assert_eq!(entry().told(&mut read), Some(understood));
            assert_eq!(read, *batch);
            assert!(entry().is_of(STAMP));
            for part in 0..7 {
                let mut other = STAMP;
                other.0[part] += 1;
                assert!(!entry().is_of(other), "part {part}");
            }
        }
        // Times are kept to the millisecond, as a log has them: one that is finer would not come back.
        let finer = Summary {
            last_at: Timestamp::from_nanosecond(1_770_000_000_000_000_001).ok(),
            ..plain.clone()
        };
        assert!(record(path, STAMP, &finer, true).is_none());
        // A damaged log, and one of more than any batch, has none.
        let damaged = BadLine {
            file: "soak-1.csv".into(),
            line: 2,
            column: None,
            fault: Fault::Edited,
        };
        let long = |label: usize| Summary {
            label: "x".repeat(label),
            ..Summary::default()
        };
        let fault = Some(damaged);
        assert!(record(path, STAMP, &Summary { fault, ..plain }, true).is_none());
        assert!(record(path, STAMP, &long(LONGEST), true).is_none());
        assert!(record(path, STAMP, &long(LONGEST - 100), true).is_some());
    }

    /// As the examples of unsigned LEB128 in DWARF 5 (section 7.6, table 7.7), and those of zigzag in the description of
    /// Protocol Buffers' encoding (both from memory).
    #[test]
    fn numbers_are_written_as_their_publishers_write_them() {
        let put = |write: &dyn Fn(&mut Put)| {
            let mut put = Put::default();
            write(&mut put);
            put.0
        };
        for (value, wanted) in [
            (2, &[2][..]),
            (127, &[127]),
            (128, &[0x80, 1]),
            (129, &[1 + 0x80, 1]),
            (12_857, &[57 + 0x80, 100]),
        ] {
            assert_eq!(put(&|put| put.count(value)), wanted, "{value}");
        }
        for (value, wanted) in [
            (0, 0),
            (-1, 1),
            (1, 2),
            (-2, 3),
            (2_147_483_647, 4_294_967_294),
            (-2_147_483_648, 4_294_967_295),
        ] {
            let as_count = put(&|put| put.count(wanted));
            assert_eq!(put(&|put| put.number(value)), as_count, "{value}");
        }
    }

    /// A record is as long as is kept, and what says that it is longer is read no further, whatever its seal.
    #[test]
    fn a_record_of_more_than_the_longest_is_not_believed() {
        for (length, kept) in [(LONGEST, true), (LONGEST + 1, false)] {
            let body = vec![b'x'; length];
            let mut record = (length as u32).to_le_bytes().to_vec();
            record.extend(hash(&body));
            record.extend(&body);
            assert_eq!(Put(body).sealed(), kept.then(|| record.clone()));
            let found = next(&mut record.as_slice(), &mut Vec::new());
            assert_eq!(found, kept.then_some(HEAD + length));
        }
    }

    /// A log that may still be written to within one tick of its clock is not kept.
    #[test]
    fn a_log_is_settled_some_seconds_after_its_last_change() {
        let settled = |written, changed, now| {
            let stamp = Stamp([1, 2, 3, written, 0, changed, 0]);
            stamp.is_settled_at(now)
        };
        assert!(settled(100, 100, 103) && settled(100, 100, i64::MAX));
        assert!(!settled(100, 100, 102) && !settled(100, 100, 99));
        // Put back in time, or of the future.
        assert!(!settled(0, 100, 102) && !settled(100, 0, 102));
        assert!(!settled(i64::MAX, 0, 102));
    }

    /// An index has the records that were put into it from its first to the first that is not as it was written; it is
    /// there when it is whole, for its own folder alone, and one process writes it at a time.
    #[test]
    fn an_index_is_whole_and_of_its_own_folder() {
        let dir = tempfile::tempdir().expect("a folder");
        let [logs, other, gone, indexes] =
            ["logs", "other", "gone", "cache/indexes"].map(|name| dir.path().join(name));
        for folder in [&logs, &other, &gone] {
            std::fs::create_dir(folder).expect("a folder");
        }
        let records: Vec<Vec<u8>> = ["a.csv", "b.csv", "c.csv"]
            .iter()
            .filter_map(|name| record(Path::new(name), STAMP, &batch(), true))
            .collect();
        let written = |logs: &Path| {
            let mut writing = Writing::begin(logs, &indexes).expect("to be written");
            assert!(Writing::begin(logs, &indexes).is_err(), "one at a time");
            let places: Vec<Place> = records
                .iter()
                .map(|record| writing.put(record).expect("written"))
                .collect();
            assert!(Index::of(logs, &indexes).is_none(), "not whole yet");
            writing.put_in_place(&indexes).expect("in its place");
            places
        };
        written(&gone);
        let foreign = indexes.join("foreign.index");
        std::fs::write(&foreign, "not ours").expect("written");
        let named_otherwise = indexes.join("gone.kept");
        let of_gone = place(&gone, &indexes).expect("a place").1;
        written(&other);
        assert!(of_gone.is_file());
        std::fs::copy(&of_gone, &named_otherwise).expect("copied");
        let folder = indexes.join("folder.index");
        std::fs::create_dir(&folder).expect("a folder");
        std::fs::remove_dir(&gone).expect("removed");
        let places = written(&logs);
        // That of a folder that is no more went with it, and no other.
        assert!(!of_gone.exists() && foreign.exists());
        assert!(named_otherwise.exists() && folder.exists());
        assert!(Index::of(&other, &indexes).is_some());

        let path = place(&logs, &indexes).expect("a place").1;
        let told = || {
            let index = Index::of(&logs, &indexes)?;
            let mut found = Vec::new();
            let count = index.each(&mut |place, entry| found.push((place, entry.name.to_owned())));
            assert_eq!(count, found.len());
            let all = places.iter().map(|place| index.record(*place));
            Some((found, all.collect::<Vec<_>>()))
        };
        let names = ["a.csv", "b.csv", "c.csv"].map(str::to_owned);
        let all: Vec<(Place, String)> = places.iter().copied().zip(names).collect();
        let kept: Vec<Option<Vec<u8>>> = records.iter().cloned().map(Some).collect();
        assert_eq!(told(), Some((all.clone(), kept.clone())));
        // The second is not as it was written.
        let whole = std::fs::read(&path).expect("read");
        let at = places[1].0 as usize + HEAD + 3;
        let mut changed = whole.clone();
        changed[at] ^= 1;
        std::fs::write(&path, &changed).expect("written");
        let first = all[..1].to_vec();
        let without = vec![kept[0].clone(), None, kept[2].clone()];
        assert_eq!(told(), Some((first, without)));
        // Cut, it has what is whole; without its first record, or under another folder's name, nothing.
        std::fs::write(&path, &whole[..whole.len() - 1]).expect("written");
        let (found, _) = told().expect("an index");
        assert_eq!(found, all[..2]);
        std::fs::write(&path, &whole[1..]).expect("written");
        assert_eq!(told(), None);
        let others = place(&other, &indexes).expect("a place").1;
        std::fs::copy(others, &path).expect("copied");
        assert_eq!(told(), None);
    }
}
