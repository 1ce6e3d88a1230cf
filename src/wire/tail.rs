//! The logs of a bench as the queue of what is to be sent, and the cursor: how far the broker has acknowledged each.
//!
//! Logs are read only, and only whole rows whose chain is good. A row is handed out once the disk has it: its writer
//! cuts off again what it could not sync, and a row that was sent and then cut off would stand elsewhere for ever.
//! The cursor is a cache: where it is lost or older, rows are sent again, and the gatherer drops doubles.

use std::collections::{BTreeMap, VecDeque};
use std::fs::File;
use std::io::{BufReader, Seek as _, SeekFrom};
use std::os::unix::fs::{FileExt as _, MetadataExt as _};
use std::path::{Path, PathBuf};

use super::message::{Head, is_log};
use crate::files;
use crate::journal::format::row::header;
use crate::journal::read::scan::{Scan, scan_file};

/// The first line of the cursor's file.
const FORMAT: &str = "bismar sent 1";

/// Logs that are looked at each time.
const HOT: usize = 8;

/// How much one look hands out.
#[derive(Debug, Clone, Copy)]
pub struct Most {
    pub rows: usize,
    pub bytes: usize,
}

/// A place in a log, after a row.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Place {
    pub rows: u64,
    /// The chain cell of the last of them; empty where there is none.
    pub chain: String,
    /// Where the last of them ends; 0 where there is none.
    pub bytes: u64,
}

/// A row to send.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Sending {
    pub log: String,
    /// With its line feed.
    pub line: Vec<u8>,
    /// The place after it.
    pub place: Place,
    /// Which file of the name it is of.
    generation: u64,
}

#[derive(Debug, Default)]
struct Log {
    acked: Place,
    /// Where the next row to send begins.
    next: Place,
    /// The farthest that was read.
    known: Place,
    generation: u64,
    /// Whether the file was looked at since the program began.
    looked: bool,
    /// The length at which it was told that it does not read.
    bad_at: Option<u64>,
    /// Whether it was told that the disk fails.
    told: bool,
}

/// See the module's text.
#[derive(Debug)]
pub struct Tail {
    logs: BTreeMap<String, Log>,
    cursor: PathBuf,
    unsaved: bool,
    /// Whether it was told that the cursor cannot be kept.
    told: bool,
    /// The logs that were written to last: a batch under way is among them.
    hot: Vec<String>,
    /// Logs that may have rows to send.
    open: VecDeque<String>,
    listed: bool,
}

impl Tail {
    /// With the cursor of an earlier run, where `cursor` has it.
    pub fn open(cursor: &Path) -> Tail {
        let logs = std::fs::read_to_string(cursor).ok();
        Tail {
            logs: logs.as_deref().map_or_else(BTreeMap::new, cursors),
            cursor: cursor.to_owned(),
            unsaved: false,
            told: false,
            hot: Vec::new(),
            open: VecDeque::new(),
            listed: false,
        }
    }

    /// Looks which logs there are, and which have rows to send: the first is the one that was written to last. Takes
    /// as long as the folder is large.
    pub fn list(&mut self, folder: &Path) {
        let there = logs_in(folder);
        self.hot = there
            .iter()
            .take(HOT)
            .map(|(name, _)| name.clone())
            .collect();
        let open = |(name, bytes): (String, u64)| {
            let log = self.logs.entry(name.clone()).or_default();
            (!log.is_done(bytes)).then_some(name)
        };
        self.open = there.into_iter().filter_map(open).collect();
        self.listed = true;
    }

    /// The next rows to send of the logs in `folder` that the last [`Tail::list`] found, those of a log in their
    /// order. What goes wrong is told and tried again at the next look.
    pub fn look(&mut self, folder: &Path, most: Most) -> Vec<Sending> {
        let mut rows = Vec::new();
        let mut left = most;
        let hot = self.hot.clone();
        let open: Vec<String> = self.open.drain(..).collect();
        let mut names = hot.iter().chain(&open);
        for name in names.by_ref() {
            let path = folder.join(format!("{name}.csv"));
            let Ok(about) = std::fs::metadata(&path) else {
                continue;
            };
            let log = self.logs.entry(name.clone()).or_default();
            if log.is_done(about.len()) {
                continue;
            }
            match log.read(name, &path, &mut left, &mut rows) {
                Ok(()) => log.told = false,
                Err(error) => {
                    // A disk that fails is asked again; a row that does not read stays as it is.
                    let failed = matches!(error, Unsent::Io { .. });
                    log.bad_at = (!failed).then_some(about.len());
                    if !std::mem::replace(&mut log.told, failed) {
                        let row = log.next.rows + 1;
                        tracing::warn!("a log is not sent on from row {row}: {error}");
                    }
                }
            }
            if left.rows == 0 || left.bytes == 0 {
                self.open.push_back(name.clone());
                break;
            }
        }
        self.open.extend(names.cloned());
        rows
    }

    /// Whether the last look found all that there is.
    pub fn is_at_end(&self) -> bool {
        self.listed && self.open.is_empty()
    }

    /// The broker has this row, and all before it in its log.
    pub fn acknowledged(&mut self, log: &str, place: &Place, generation: u64) {
        if let Some(log) = self.logs.get_mut(log)
            && log.generation == generation
            && log.acked.rows < place.rows
        {
            log.acked.clone_from(place);
            self.unsaved = true;
        }
    }

    /// The connection is gone: what was not acknowledged is sent again.
    pub fn rewind(&mut self) {
        for log in self.logs.values_mut() {
            log.next.clone_from(&log.acked);
        }
        self.listed = false;
    }

    /// Sends a log's rows again from the row `from` on. One that is not there has none.
    pub fn again(&mut self, folder: &Path, log: &str, from: u64) {
        let Some(known) = self.logs.get_mut(log) else {
            return;
        };
        if from == 0 || from > known.next.rows {
            return;
        }
        let path = folder.join(format!("{log}.csv"));
        match place_after(&path, from - 1) {
            Ok(place) => {
                known.next = place;
                self.open.push_front(log.to_owned());
            }
            Err(error) => tracing::warn!("a log cannot be sent again: {error}"),
        }
    }

    /// How many rows of a log are known.
    pub fn rows(&self, log: &str) -> u64 {
        self.logs.get(log).map_or(0, |log| log.known.rows)
    }

    /// How far each log goes.
    pub fn heads(&self) -> Vec<Head> {
        let known = self
            .logs
            .iter()
            .filter(|(_, log)| log.looked && log.known.rows > 0);
        let head = |(name, log): (&String, &Log)| Head {
            log: name.clone(),
            rows: log.known.rows,
            chain: log.known.chain.clone(),
        };
        known.map(head).collect()
    }

    /// Writes the cursor where it changed. A disk that is full is told once: it costs nothing but doubles.
    pub fn save(&mut self) {
        if !std::mem::take(&mut self.unsaved) {
            return;
        }
        let mut text = format!("{FORMAT}\n");
        for (name, log) in self.logs.iter().filter(|(_, log)| log.acked.rows > 0) {
            let Place { rows, chain, bytes } = &log.acked;
            text.push_str(&format!("{name} {rows} {chain} {bytes}\n"));
        }
        let written = files::replace_unsynced(&self.cursor, &text);
        if let Err(error) = &written
            && !self.told
        {
            let path = self.cursor.display();
            tracing::warn!(
                "{path}: how far the rows were sent cannot be kept ({error}); after a new start they are sent again"
            );
        }
        self.told = written.is_err();
        self.unsaved |= written.is_err();
    }
}

impl Sending {
    pub fn generation(&self) -> u64 {
        self.generation
    }
}

/// What a cursor's file says; a line that does not read counts for nothing, and its log is sent again.
fn cursors(text: &str) -> BTreeMap<String, Log> {
    let mut lines = text.lines();
    if lines.next() != Some(FORMAT) {
        return BTreeMap::new();
    }
    let read = |line: &str| {
        let cells: Vec<&str> = line.split(' ').collect();
        let [name, rows, chain, bytes] = cells[..] else {
            return None;
        };
        let place = Place {
            rows: rows.parse().ok()?,
            chain: chain.to_owned(),
            bytes: bytes.parse().ok()?,
        };
        let good = is_log(name) && place.rows > 0 && place.bytes > 0 && place.chain.len() == 16;
        good.then(|| {
            let log = Log {
                next: place.clone(),
                known: place.clone(),
                acked: place,
                ..Log::default()
            };
            (name.to_owned(), log)
        })
    };
    lines.filter_map(read).collect()
}

/// The logs of a folder and their lengths, the one first that was written to last.
fn logs_in(folder: &Path) -> Vec<(String, u64)> {
    let Ok(entries) = std::fs::read_dir(folder) else {
        // It is made with the first batch.
        return Vec::new();
    };
    let log = |entry: std::io::Result<std::fs::DirEntry>| {
        let path = entry.ok()?.path();
        let name = path.file_stem()?.to_str()?.to_owned();
        let is_one = path.extension().is_some_and(|end| end == "csv") && is_log(&name);
        let about = std::fs::metadata(&path).ok()?;
        let written = (about.mtime(), about.mtime_nsec());
        (is_one && about.is_file()).then_some((written, name, about.len()))
    };
    let mut logs: Vec<_> = entries.filter_map(log).collect();
    logs.sort_by(|a, b| b.cmp(a));
    logs.into_iter()
        .map(|(_, name, bytes)| (name, bytes))
        .collect()
}

/// Why a log is not sent.
#[derive(Debug, thiserror::Error)]
enum Unsent {
    #[error(transparent)]
    Log(#[from] crate::journal::error::LogError),
    #[error("{}: {source}", path.display())]
    Io {
        path: PathBuf,
        source: std::io::Error,
    },
    #[error("{}: the batch inside is named {batch}, and the file is not", path.display())]
    Named { path: PathBuf, batch: String },
}

/// The place after `rows` rows of a log.
fn place_after(path: &Path, rows: u64) -> Result<Place, Unsent> {
    if rows == 0 {
        return Ok(Place::default());
    }
    let mut scan = scan_file(path)?;
    while scan.next_seq() <= rows && scan.next_row()?.is_some() {}
    Ok(place_of(&scan))
}

fn place_of<R: std::io::BufRead>(scan: &Scan<R>) -> Place {
    Place {
        rows: scan.next_seq() - 1,
        chain: scan.chain().to_owned(),
        bytes: scan.good_end(),
    }
}

impl Log {
    /// Whether a file of this length has nothing more to send.
    fn is_done(&self, bytes: u64) -> bool {
        self.looked && self.next.bytes == bytes || self.bad_at == Some(bytes)
    }

    /// Reads on, as far as `left` goes.
    fn read(
        &mut self,
        name: &str,
        path: &Path,
        left: &mut Most,
        into: &mut Vec<Sending>,
    ) -> Result<(), Unsent> {
        let failed = |source| Unsent::Io {
            path: path.to_owned(),
            source,
        };
        self.bad_at = None;
        let mut file = File::open(path).map_err(failed)?;
        if !self.goes_on(&file) {
            tracing::warn!(
                "{}: the log is not the one that was sent before, or was set back; it is sent from its beginning",
                path.display()
            );
            *self = Log {
                generation: self.generation + 1,
                ..Log::default()
            };
        }
        self.looked = true;
        let begun = into.len();
        let start = self.next.clone();
        let mut scan = match start.rows {
            0 => Scan::new(path, BufReader::new(&file)),
            rows => {
                file.seek(SeekFrom::Start(start.bytes)).map_err(failed)?;
                let input = BufReader::new(&file);
                Scan::after(path, input, name, rows, &start.chain, start.bytes)
            }
        };
        let mut found = Vec::new();
        let mut fault = None;
        while left.rows > found.len() {
            match scan.next_row() {
                Ok(Some(_)) => {}
                Ok(None) => break,
                // The rows before it are good.
                Err(error) => {
                    fault = Some(error);
                    break;
                }
            }
            if let Some(batch) = scan.batch().filter(|batch| *batch != name) {
                let (path, batch) = (path.to_owned(), batch.to_owned());
                return Err(Unsent::Named { path, batch });
            }
            found.push(place_of(&scan));
            let read = scan.good_end() - start.bytes;
            if read as usize >= left.bytes {
                break;
            }
        }
        let at = |place: &Place| place.bytes;
        if let Some(last) = found.last() {
            file.sync_data().map_err(failed)?;
            // What its writer could not sync it has cut off meanwhile.
            let there = file.metadata().map_err(failed)?;
            if there.len() < last.bytes {
                return Ok(());
            }
            let mut from = match start.rows {
                // Where the first row begins: the scan has read the header.
                0 => header().len() as u64 + 1,
                _ => start.bytes,
            };
            for place in &found {
                let mut line = vec![0; (at(place) - from) as usize];
                file.read_exact_at(&mut line, from).map_err(failed)?;
                from = at(place);
                into.push(Sending {
                    log: name.to_owned(),
                    line,
                    place: place.clone(),
                    generation: self.generation,
                });
            }
            left.rows = left.rows.saturating_sub(found.len());
            left.bytes = left
                .bytes
                .saturating_sub((last.bytes - start.bytes) as usize);
            self.next = last.clone();
            if self.known.rows < last.rows {
                self.known = last.clone();
            }
        }
        debug_assert!(into.len() - begun == found.len());
        fault.map_or(Ok(()), |error| Err(error.into()))
    }

    /// Whether the file still has the rows that were sent: the chain of the last one stands for all of them.
    fn goes_on(&self, file: &File) -> bool {
        [&self.next, &self.acked, &self.known]
            .into_iter()
            .all(|place| {
                let mut end = [0; 17];
                place.rows == 0
                    || place.bytes > 17
                        && file.read_exact_at(&mut end, place.bytes - 17).is_ok()
                        && end.strip_suffix(b"\n") == Some(place.chain.as_bytes())
            })
    }
}
