//! The folder with the logs of all benches, a folder for each: lines taken in, proved and written, byte for byte.
//!
//! A line is added where it goes on with the chain that is there. One that is there already is dropped; one that is too
//! early is asked for with all before it; any other is refused, told, and kept in the bench's `refused.jsonl`. Nothing
//! that was written is ever touched again, but for a torn end that nobody was told of.

use std::collections::{HashMap, HashSet};
use std::fs::{DirBuilder, File, OpenOptions};
use std::io::{BufReader, Read as _, Write as _};
use std::os::unix::fs::{DirBuilderExt as _, OpenOptionsExt as _};
use std::path::{Path, PathBuf};

use serde_json::json;

use super::WireError;
use super::message::{Head, RowMessage, is_id};
use crate::journal::error::LogError;
use crate::journal::format::row::header;
use crate::journal::read::folder::BENCH_ID;
use crate::journal::read::scan::{LONGEST_LINE, Scan};
use crate::language::{Sentence, phrase, term};

/// Logs whose rows are held in memory, by 8 bytes each.
const MOST_LOGS: usize = 2000;

/// The largest record of what was refused, in bytes: a stranger fills no disk.
const LARGEST_RECORD: u64 = 16 << 20;

/// How much of a refused line is kept, in characters.
const KEPT_OF_A_LINE: usize = 4000;

/// What was refused and told, so that it is told once.
const MOST_TOLD: usize = 20_000;

/// What became of a line.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Taken {
    Added,
    /// It is there already, and the same.
    Double,
    /// Rows are missing, up to this one: they are to be asked for.
    Missing {
        until: u64,
    },
    Refused(Refusal),
}

/// Why something was not taken.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Refusal {
    pub log: String,
    pub row: u64,
    pub why: Sentence,
    /// Whether it is told for the first time.
    pub new: bool,
}

/// How far a log goes.
#[derive(Debug, Default)]
struct Held {
    /// The chain of each row, as a number.
    chains: Vec<u64>,
    bytes: u64,
    /// The file does not read on after these rows.
    bad: Option<Sentence>,
    /// A row that came next did not fit: those behind it are not asked for again and again.
    at_odds: bool,
}

/// See the module's text. While it lives nobody else writes into the folder.
#[derive(Debug)]
pub struct Joined {
    folder: PathBuf,
    logs: HashMap<(String, String), Held>,
    told: HashSet<(String, String, u64, String)>,
    /// Benches that are there, with the word of their connection.
    here: HashMap<String, String>,
    /// Files written since the last sync.
    unsynced: HashMap<PathBuf, File>,
    new_names: HashSet<PathBuf>,
    /// Whether files may hold rows that no sync has seen: those of a gatherer that was killed, or whose disk failed.
    unsure: bool,
    lock: File,
}

impl Joined {
    /// Opens the folder, and makes it where it is missing.
    ///
    /// # Errors
    /// When another gatherer has it, or it cannot be made.
    pub fn open(folder: &Path) -> Result<Joined, WireError> {
        make(folder)?;
        let own =
            std::fs::read_dir(folder).map_err(WireError::io(folder, term!("read the folder")))?;
        if own
            .filter_map(Result::ok)
            .any(|entry| entry.path().extension().is_some_and(|end| end == "csv"))
        {
            // What is gathered beside the logs of a bench would count twice there.
            return Err(WireError::OwnLogs(folder.to_owned()));
        }
        let path = folder.join("gather.lock");
        let lock = OpenOptions::new()
            .create(true)
            .truncate(false)
            .write(true)
            .mode(0o600)
            .open(&path)
            .map_err(WireError::io(&path, term!("open the lock")))?;
        match lock.try_lock() {
            Ok(()) => {}
            Err(std::fs::TryLockError::WouldBlock) => {
                return Err(WireError::Held(folder.to_owned()));
            }
            Err(std::fs::TryLockError::Error(error)) => {
                return Err(WireError::io(&path, term!("take the lock"))(error));
            }
        }
        Ok(Joined {
            folder: folder.to_owned(),
            logs: HashMap::new(),
            told: HashSet::new(),
            here: HashMap::new(),
            unsynced: HashMap::new(),
            new_names: HashSet::new(),
            unsure: true,
            lock,
        })
    }

    /// Takes one line in. It counts after [`Joined::sync`].
    ///
    /// # Errors
    /// The disk's; then nothing of what was taken since the last sync counts.
    pub fn take(&mut self, bench: &str, message: &RowMessage) -> Result<Taken, WireError> {
        let RowMessage { log, row, id, line } = message;
        if let Some(why) = self.is_other(bench, id)? {
            return self.refuse(bench, log, *row, why, line).map(Taken::Refused);
        }
        let path = self.path(bench, log);
        let held = self.held(bench, log)?;
        let rows = held.chains.len() as u64;
        if *row > rows + 1 {
            let why = match &held.bad {
                Some(why) => why.clone(),
                None if held.at_odds => phrase!("a row before it did not fit"),
                None => return Ok(Taken::Missing { until: row - 1 }),
            };
            // Told once for all of them.
            return self.refuse(bench, log, 0, why, line).map(Taken::Refused);
        }
        let before = chain_text(held.chains.get((*row as usize).wrapping_sub(2)).copied());
        let chain = match proved(&path, log, *row, &before, line) {
            Ok(chain) => chain,
            Err(Unfit(why)) => {
                held.at_odds |= *row == rows + 1;
                return self.refuse(bench, log, *row, why, line).map(Taken::Refused);
            }
        };
        if let Some(there) = held.chains.get(*row as usize - 1) {
            if *there == chain {
                return Ok(Taken::Double);
            }
            let why = phrase!("another row stands here already; it is kept as it came first");
            return self.refuse(bench, log, *row, why, line).map(Taken::Refused);
        }
        if let Some(why) = held.bad.clone() {
            return self.refuse(bench, log, *row, why, line).map(Taken::Refused);
        }
        let bytes = held.bytes;
        let written = self.write(&path, bytes, line);
        match written {
            Ok(bytes) => {
                let held = self.held(bench, log)?;
                held.chains.push(chain);
                held.bytes = bytes;
                held.at_odds = false;
                Ok(Taken::Added)
            }
            Err(error) => {
                self.forget();
                Err(WireError::io(&path, term!("write a row"))(error))
            }
        }
    }

    /// What a bench says of a log's length, held against what is here: rows to ask for, or that its log was set back.
    ///
    /// # Errors
    /// The disk's.
    pub fn compare(&mut self, bench: &str, id: &str, head: &Head) -> Result<Taken, WireError> {
        if let Some(why) = self.is_other(bench, id)? {
            return self.refuse(bench, "", 0, why, b"").map(Taken::Refused);
        }
        let held = self.held(bench, &head.log)?;
        let rows = held.chains.len() as u64;
        let there = chain_text(
            held.chains
                .get((head.rows as usize).wrapping_sub(1))
                .copied(),
        );
        let why = if let Some(why) = &held.bad {
            why.clone()
        } else if head.rows > rows {
            held.at_odds = false;
            return Ok(Taken::Missing { until: head.rows });
        } else if there != head.chain {
            phrase!("the bench has another row here: its log was replaced")
        } else if head.rows < rows {
            phrase!(
                "the bench has {has} rows and {rows} were gathered: its log was set back",
                has = head.rows,
                rows,
            )
        } else {
            return Ok(Taken::Double);
        };
        self.refuse(bench, &head.log, head.rows, why, b"")
            .map(Taken::Refused)
    }

    /// Whether a bench says that a log of it has more rows than are here.
    ///
    /// # Errors
    /// The disk's.
    pub fn lacks(&mut self, bench: &str, id: &str, head: &Head) -> Result<bool, WireError> {
        // Who a bench is, is not learned from this.
        let known = self.folder.join(bench).join(BENCH_ID).is_file();
        if !known || self.is_other(bench, id)?.is_some() {
            return Ok(false);
        }
        let held = self.held(bench, &head.log)?;
        Ok(held.bad.is_none() && !held.at_odds && head.rows > held.chains.len() as u64)
    }

    /// The row to ask for next where those up to `until` are wanted; `None` where they are here, or do not fit.
    ///
    /// # Errors
    /// The disk's.
    pub fn wanted(&mut self, bench: &str, log: &str, until: u64) -> Result<Option<u64>, WireError> {
        let held = self.held(bench, log)?;
        let rows = held.chains.len() as u64;
        let stops = held.bad.is_some() || held.at_odds;
        Ok((rows < until && !stops).then_some(rows + 1))
    }

    /// Keeps and tells that something was not taken; `row` 0 is none.
    ///
    /// # Errors
    /// The disk's.
    pub fn refuse(
        &mut self,
        bench: &str,
        log: &str,
        row: u64,
        why: Sentence,
        line: &[u8],
    ) -> Result<Refusal, WireError> {
        if self.told.len() >= MOST_TOLD {
            self.told.clear();
        }
        let one = (bench.to_owned(), log.to_owned(), row, why.to_string());
        let new = self.told.insert(one);
        if new {
            let place = match (log, row) {
                ("", _) => String::new(),
                (_, 0) => format!(" {log}:"),
                _ => format!(" {log}, row {row}:"),
            };
            tracing::warn!("refused of {bench}:{place} {why}");
            self.record(bench, log, row, &why, line)?;
        }
        Ok(Refusal {
            log: log.to_owned(),
            row,
            why,
            new,
        })
    }

    fn record(
        &self,
        bench: &str,
        log: &str,
        row: u64,
        why: &str,
        line: &[u8],
    ) -> Result<(), WireError> {
        let folder = self.folder.join(bench);
        make(&folder)?;
        let path = folder.join("refused.jsonl");
        let text: String = String::from_utf8_lossy(line)
            .chars()
            .take(KEPT_OF_A_LINE)
            .collect();
        let at = jiff::Timestamp::now();
        let mut record =
            json!({ "at": format!("{at:.3}"), "log": log, "row": row, "why": why, "line": text })
                .to_string();
        record.push('\n');
        let failed = WireError::io(&path, term!("keep what was refused"));
        let written = OpenOptions::new()
            .create(true)
            .append(true)
            .mode(0o600)
            .open(&path)
            .and_then(|mut file| match file.metadata()?.len() >= LARGEST_RECORD {
                true => Ok(()),
                false => file.write_all(record.as_bytes()),
            });
        written.map_err(failed)
    }

    /// Everything that was taken is on the disk from here on.
    ///
    /// # Errors
    /// The disk's; then nothing of what was taken since the last sync counts.
    pub fn sync(&mut self) -> Result<(), WireError> {
        if self.unsure {
            rustix::fs::syncfs(&self.lock).map_err(|error| {
                WireError::io(&self.folder, term!("sync the disk"))(error.into())
            })?;
            self.unsure = false;
        }
        let files = std::mem::take(&mut self.unsynced);
        let names = std::mem::take(&mut self.new_names);
        let folders = names.into_iter().map(|folder| {
            let opened = File::open(&folder);
            (folder, opened)
        });
        let files = files.into_iter().map(|(path, file)| (path, Ok(file)));
        for (path, file) in files.chain(folders) {
            if let Err(error) = file.and_then(|file| file.sync_all()) {
                self.forget();
                return Err(WireError::io(&path, term!("sync a log to the disk"))(error));
            }
        }
        Ok(())
    }

    /// A bench says that it is there; gives it where its connection is a new one.
    pub fn came(&mut self, bench: &str, connection: &str) -> Option<String> {
        let before = self.here.insert(bench.to_owned(), connection.to_owned());
        if before.is_none() {
            tracing::info!("{bench} is there");
        }
        (before.as_deref() != Some(connection)).then(|| bench.to_owned())
    }

    /// A connection of a bench is gone.
    pub fn left(&mut self, bench: &str, connection: &str) {
        let is_it = self.here.get(bench).is_some_and(|here| here == connection);
        if is_it && self.here.remove(bench).is_some() {
            tracing::info!("{bench} is gone");
        }
    }

    /// What is held in memory is read anew from the files.
    fn forget(&mut self) {
        self.logs.clear();
        self.unsynced.clear();
        self.unsure = true;
    }

    fn path(&self, bench: &str, log: &str) -> PathBuf {
        self.folder.join(bench).join(format!("{log}.csv"))
    }

    /// Why it is another bench that speaks under this name, where it is.
    fn is_other(&self, bench: &str, id: &str) -> Result<Option<Sentence>, WireError> {
        let folder = self.folder.join(bench);
        let path = folder.join(BENCH_ID);
        let mut text = String::new();
        let read = File::open(&path).and_then(|file| file.take(64).read_to_string(&mut text));
        match read {
            Ok(_) if text.trim_end() == id => Ok(None),
            Ok(_) => Ok(Some(phrase!(
                "another bench speaks under this name; where it was replaced on purpose, remove {file} and let it send again",
                file = path.display().to_string(),
            ))),
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => {
                debug_assert!(is_id(id));
                make(&folder)?;
                let failed = WireError::io(&path, term!("keep who the bench is"));
                crate::files::replace(&path, &format!("{id}\n"), 0o600).map_err(failed)?;
                Ok(None)
            }
            Err(error) => Err(WireError::io(&path, term!("read who the bench is"))(error)),
        }
    }

    /// How far a log goes, read from its file where it is not known.
    fn held(&mut self, bench: &str, log: &str) -> Result<&mut Held, WireError> {
        if self.logs.len() >= MOST_LOGS {
            // What is not synced keeps its file.
            self.logs.clear();
        }
        let path = self.path(bench, log);
        match self.logs.entry((bench.to_owned(), log.to_owned())) {
            std::collections::hash_map::Entry::Occupied(known) => Ok(known.into_mut()),
            std::collections::hash_map::Entry::Vacant(place) => {
                Ok(place.insert(Held::read(&path, log)?))
            }
        }
    }

    /// Adds a line to a file that has `bytes`; gives how many it has then.
    fn write(&mut self, path: &Path, bytes: u64, line: &[u8]) -> std::io::Result<u64> {
        let file = match self.unsynced.entry(path.to_owned()) {
            std::collections::hash_map::Entry::Occupied(open) => open.into_mut(),
            std::collections::hash_map::Entry::Vacant(place) => {
                let file = OpenOptions::new()
                    .create(true)
                    .append(true)
                    .mode(0o600)
                    .open(path)?;
                place.insert(file)
            }
        };
        let mut text = Vec::with_capacity(line.len());
        if bytes == 0 {
            text.extend_from_slice(header().as_bytes());
            text.push(b'\n');
            self.new_names.extend(path.parent().map(Path::to_owned));
        }
        text.extend_from_slice(line);
        if file.metadata()?.len() != bytes {
            return Err(std::io::Error::other("somebody else wrote to it"));
        }
        if let Err(error) = file.write_all(&text) {
            // What cannot be cut now is cut when the log is read next.
            let _ = file.set_len(bytes);
            return Err(error);
        }
        Ok(bytes + text.len() as u64)
    }
}

impl Held {
    /// Reads and proves a log that was gathered. A torn end, of a write that nobody was told of, is cut off.
    fn read(path: &Path, log: &str) -> Result<Held, WireError> {
        let file = match OpenOptions::new().read(true).write(true).open(path) {
            Ok(file) => file,
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => {
                return Ok(Held::default());
            }
            Err(error) => {
                return Err(WireError::io(path, term!("read a log that was gathered"))(
                    error,
                ));
            }
        };
        let mut scan = Scan::new(path, BufReader::new(&file));
        let mut held = Held::default();
        loop {
            match scan.next_row() {
                Ok(Some(row)) => held.chains.push(number(&row.chain)),
                Ok(None) => break,
                Err(LogError::Bad(bad)) => {
                    held.bad = Some(phrase!(
                        "the log that was gathered is damaged ({bad}); move it away, and it is gathered anew",
                        bad = bad.told(),
                    ));
                    break;
                }
                Err(LogError::Io {
                    path,
                    doing,
                    source,
                }) => {
                    return Err(WireError::Io {
                        path,
                        doing,
                        source,
                    });
                }
                Err(other) => {
                    return Err(WireError::io(path, term!("read a log that was gathered"))(
                        std::io::Error::other(other),
                    ));
                }
            }
        }
        if held.bad.is_none() && scan.batch().is_some_and(|batch| batch != log) {
            held.bad = Some(phrase!("the file here holds another batch"));
        }
        held.bytes = scan.good_end();
        // A header alone is written again together with the first row.
        if held.chains.is_empty() {
            held.bytes = 0;
        }
        let length = file
            .metadata()
            .map_err(WireError::io(path, term!("read a log that was gathered")))?
            .len();
        if held.bad.is_none() && length > held.bytes {
            file.set_len(held.bytes)
                .map_err(WireError::io(path, term!("cut off a torn row")))?;
        }
        Ok(held)
    }
}

/// Why a line is not the row that it says.
#[derive(Debug)]
struct Unfit(Sentence);

/// The chain of a line that is row `row` of `log`, after the one whose chain is `before`; or why it is not.
fn proved(path: &Path, log: &str, row: u64, before: &str, line: &[u8]) -> Result<u64, Unfit> {
    let whole = line.len() <= LONGEST_LINE
        && line.ends_with(b"\n")
        && line.iter().filter(|byte| **byte == b'\n').count() == 1;
    if !whole {
        return Err(Unfit(phrase!("it is no whole line")));
    }
    // A place of no file: what it says of a fault is without one.
    let mut scan = Scan::after(path, line, log, row - 1, before, 1);
    match scan.next_row() {
        Ok(Some(row)) => Ok(number(&row.chain)),
        Ok(None) => Err(Unfit(phrase!("it is no whole line"))),
        Err(LogError::Bad(bad)) => Err(Unfit(phrase!(
            "it does not go on with the rows before it ({fault})",
            fault = bad.fault.told(),
        ))),
        Err(other) => Err(Unfit(other.told())),
    }
}

/// A chain cell as a number; its reader has found that it is one.
fn number(chain: &str) -> u64 {
    u64::from_str_radix(chain, 16).unwrap_or_default()
}

fn chain_text(chain: Option<u64>) -> String {
    chain.map_or(String::new(), |chain| format!("{chain:016x}"))
}

fn make(folder: &Path) -> Result<(), WireError> {
    DirBuilder::new()
        .recursive(true)
        .mode(0o700)
        .create(folder)
        .map_err(WireError::io(folder, term!("make the folder")))
}
