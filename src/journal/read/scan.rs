//! Reads a log row by row, proving each, in memory that does not grow with the file.

use std::fs::{File, Metadata};
use std::io::{self, BufRead, BufReader, Read};
use std::path::{Path, PathBuf};

use crate::journal::error::LogError;
use crate::journal::format::chain;
use crate::journal::format::fault::{BadLine, Fault};
use crate::journal::format::line::LineReader;
use crate::journal::format::row::{CellError, Row, header};
use crate::language::term;

/// More than the longest line that can be written: twelve texts of the longest kind, each character
/// a doubled quote.
pub const LONGEST_LINE: usize = 4 << 20;

/// A log being read. After [`Scan::next_row`] gave `None`, [`Scan::torn`] says how many bytes at the
/// end are no whole row.
#[derive(Debug)]
pub struct Scan<R> {
    path: PathBuf,
    input: R,
    buffer: Vec<u8>,
    lines: LineReader,
    /// Lines read.
    line: u64,
    /// Where the last good line ends.
    offset: u64,
    /// How long the last good line is.
    last_length: u64,
    torn: u64,
    header: bool,
    batch: Option<String>,
    previous: String,
    next_seq: u64,
    done: bool,
    /// Of the header and the rows so far, where somebody asked for it.
    digest: Option<chain::FileDigest>,
}

/// Opens a log for reading only, without its lock.
///
/// # Errors
/// When it cannot be opened or is not a plain file (a pipe would be waited for without end).
pub fn scan_file(path: &Path) -> Result<Scan<BufReader<File>>, LogError> {
    plain_file(path)?;
    opened(path, LineReader::new())
}

/// As [`scan_file`], of a log of which more is held than a row.
///
/// # Errors
/// As [`scan_file`], and [`LogError::TooLarge`].
pub fn scan_to_hold(path: &Path) -> Result<Scan<BufReader<File>>, LogError> {
    scan_to_hold_by(path, LineReader::new())
}

/// As [`scan_to_hold`], by a reader of lines that is there already.
pub(super) fn scan_to_hold_by(
    path: &Path,
    lines: LineReader,
) -> Result<Scan<BufReader<File>>, LogError> {
    may_be_held(path)?;
    opened(path, lines)
}

fn opened(path: &Path, lines: LineReader) -> Result<Scan<BufReader<File>>, LogError> {
    let file = File::open(path).map_err(LogError::io(path, term!("open the log")))?;
    Ok(Scan::by(
        path,
        BufReader::with_capacity(1 << 16, file),
        lines,
    ))
}

/// The largest log of which more is held than a row: 70,000 rows. Two thousand jars, the most that are filled of
/// one batch, have a tenth of that. A sheet holds all rows at once, in about twelve times the log's bytes.
pub const LARGEST_LOG: u64 = 16_000_000;

/// Whether what a log holds may be taken into memory.
///
/// # Errors
/// [`LogError::TooLarge`] beyond [`LARGEST_LOG`]; when it is not there or not a plain file.
pub(in crate::journal) fn may_be_held(path: &Path) -> Result<(), LogError> {
    let bytes = plain_file(path)?.len();
    match bytes > LARGEST_LOG {
        true => Err(LogError::TooLarge {
            path: path.to_owned(),
            bytes,
            most: LARGEST_LOG,
        }),
        false => Ok(()),
    }
}

fn plain_file(path: &Path) -> Result<Metadata, LogError> {
    let found = std::fs::metadata(path).map_err(LogError::io(path, term!("open the log")))?;
    if found.is_file() {
        Ok(found)
    } else {
        Err(LogError::NotAFile {
            path: path.to_owned(),
        })
    }
}

impl<R: BufRead> Scan<R> {
    /// Reads `input`; `path` is for the errors.
    pub fn new(path: &Path, input: R) -> Scan<R> {
        Scan::by(path, input, LineReader::new())
    }

    /// Goes on where an earlier reading ended: `input` begins after `rows` good rows of `batch`, whose last chain
    /// cell is `chain`, and after `bytes` of the file.
    pub fn after(
        path: &Path,
        input: R,
        batch: &str,
        rows: u64,
        chain: &str,
        bytes: u64,
    ) -> Scan<R> {
        Scan {
            line: rows.saturating_add(1),
            offset: bytes,
            header: true,
            batch: Some(batch.to_owned()),
            previous: match rows {
                0 => chain::start(batch),
                _ => chain.to_owned(),
            },
            next_seq: rows.saturating_add(1),
            ..Scan::new(path, input)
        }
    }

    /// As [`Scan::new`], by a reader of lines that is there already.
    pub(super) fn by(path: &Path, input: R, lines: LineReader) -> Scan<R> {
        Scan {
            path: path.to_owned(),
            input,
            buffer: Vec::new(),
            lines,
            line: 0,
            offset: 0,
            last_length: 0,
            torn: 0,
            header: false,
            batch: None,
            previous: String::new(),
            next_seq: 1,
            done: false,
            digest: None,
        }
    }

    /// The reader of lines, for another log.
    pub(super) fn into_lines(self) -> LineReader {
        self.lines
    }

    /// Makes the digest of what is read as well.
    pub fn digesting(mut self) -> Scan<R> {
        self.digest = Some(chain::FileDigest::default());
        self
    }

    /// The SHA-256 of the file up to and including the last row; empty where nobody asked for it.
    pub fn digest(&self) -> String {
        let digest = self.digest.as_ref();
        digest.map_or(String::new(), chain::FileDigest::text)
    }

    fn take_in(&mut self) {
        if let Some(digest) = &mut self.digest {
            digest.add(&self.buffer);
        }
    }

    /// The next row, proved against the chain; `None` at the end of the whole rows.
    ///
    /// # Errors
    /// The first line that is not as it was written, or the disk's error. After an error there is
    /// nothing more.
    pub fn next_row(&mut self) -> Result<Option<Row>, LogError> {
        if self.done {
            return Ok(None);
        }
        let row = self.advance();
        self.done = !matches!(row, Ok(Some(_)));
        row
    }

    /// Hands every good row to `take`. Gives the first line that is not as it was written, a torn end
    /// and a missing header included.
    ///
    /// # Errors
    /// Only the disk's.
    pub fn each(&mut self, mut take: impl FnMut(Row)) -> Result<Option<BadLine>, LogError> {
        loop {
            match self.next_or_fault()? {
                Ok(Some(row)) => take(row),
                Ok(None) => return Ok(None),
                Err(bad) => return Ok(Some(bad)),
            }
        }
    }

    /// The next row, or what is wrong there; a torn end and a missing header are wrong too.
    ///
    /// # Errors
    /// Only the disk's.
    pub fn next_or_fault(&mut self) -> Result<Result<Option<Row>, BadLine>, LogError> {
        Ok(match self.next_row() {
            Ok(Some(row)) => Ok(Some(row)),
            Ok(None) if self.torn == 0 && !self.header => Err(self.bad(None, Fault::Header)),
            Ok(None) => self.torn_line().map_or(Ok(None), Err),
            Err(LogError::Bad(bad)) => Err(bad),
            Err(other) => return Err(other),
        })
    }

    fn advance(&mut self) -> Result<Option<Row>, LogError> {
        if self.line == 0 && !self.read_header()? {
            return Ok(None);
        }
        if !self.read_line()? {
            return Ok(None);
        }
        let row = match self.prove() {
            Ok(row) => row,
            Err(_) if self.has_hole() && self.at_end()? => {
                self.torn = self.buffer.len() as u64;
                self.line -= 1;
                return Ok(None);
            }
            Err(bad) => return Err(bad.into()),
        };
        self.take_in();
        self.last_length = self.buffer.len() as u64;
        self.offset += self.last_length;
        self.previous.clone_from(&row.chain);
        self.next_seq = row.seq.saturating_add(1);
        Ok(Some(row))
    }

    /// Whether there is a whole header. A file that was being created when the power went is
    /// empty, the beginning of a header, or zeros.
    fn read_header(&mut self) -> Result<bool, LogError> {
        let header = header();
        if self.read_line()? {
            if self.buffer.strip_suffix(b"\n") != Some(header.as_bytes()) {
                return Err(self.bad(None, Fault::Header).into());
            }
            self.last_length = self.buffer.len() as u64;
            self.offset = self.last_length;
            self.take_in();
            self.header = true;
            return Ok(true);
        }
        self.line = 1;
        let zeros = self.buffer.iter().all(|byte| *byte == 0);
        let begun = header.as_bytes().starts_with(&self.buffer);
        if self.torn == self.buffer.len() as u64 && (zeros || begun) {
            Ok(false)
        } else {
            Err(self.bad(None, Fault::Header).into())
        }
    }

    /// Reads a line with its LF into the buffer; `false` (and `torn` set) when the file ends
    /// before an LF.
    fn read_line(&mut self) -> Result<bool, LogError> {
        self.buffer.clear();
        let limit = LONGEST_LINE as u64;
        let mut limited = (&mut self.input).take(limit);
        limited
            .read_until(b'\n', &mut self.buffer)
            .map_err(LogError::io(&self.path, term!("read the log")))?;
        if self.buffer.ends_with(b"\n") {
            self.line += 1;
            return Ok(true);
        }
        let mut length = self.buffer.len() as u64;
        if length == limit {
            let (more, ended) = skip_line(&mut self.input)
                .map_err(LogError::io(&self.path, term!("read the log")))?;
            length += more;
            if ended {
                self.line += 1;
                return Err(self.bad(None, Fault::TooLong).into());
            }
        }
        self.torn = length;
        Ok(false)
    }

    /// Whether the line has whole sectors of zeros, or a beginning of zeros up to a sector's end.
    /// So a last row looks whose end had reached the disk when the power went, but not all before
    /// it; one flipped byte never does.
    fn has_hole(&self) -> bool {
        const SECTOR: u64 = 512;
        let Some(first) = self.buffer.iter().position(|byte| *byte == 0) else {
            return false;
        };
        let zeros = self
            .buffer
            .iter()
            .skip(first)
            .take_while(|byte| **byte == 0)
            .count();
        let start = self.offset + first as u64;
        let end = start + zeros as u64;
        (first == 0 || start.is_multiple_of(SECTOR)) && end.is_multiple_of(SECTOR)
    }

    fn at_end(&mut self) -> Result<bool, LogError> {
        let rest = self
            .input
            .fill_buf()
            .map_err(LogError::io(&self.path, term!("read the log")))?;
        Ok(rest.is_empty())
    }

    /// The line in the buffer as the row that must come next.
    fn prove(&mut self) -> Result<Row, BadLine> {
        let line = self.buffer.strip_suffix(b"\n").unwrap_or(&self.buffer);
        let read = self.lines.read(line).map(Row::from_record);
        let row = read
            .map_err(|fault| self.bad(None, fault))?
            .map_err(|CellError { column, why }| self.bad(Some(column), Fault::Cell { why }))?;
        let batch = match &self.batch {
            Some(batch) => batch.clone(),
            None => {
                self.previous = chain::start(&row.batch);
                self.batch.insert(row.batch.clone()).clone()
            }
        };
        if row.batch != batch {
            let (expected, found) = (batch, row.batch);
            return Err(self.bad(Some("batch"), Fault::OtherBatch { expected, found }));
        }
        // The chain cell is plain, so the last comma of the line stands before it.
        let body = line
            .get(..line.len().saturating_sub(17))
            .unwrap_or_default();
        let cell = line.get(body.len()..).unwrap_or_default();
        let fits = cell.strip_prefix(b",") == Some(row.chain.as_bytes())
            && chain::link(&self.previous, body) == row.chain;
        let (expected, found) = (self.next_seq, row.seq);
        if found > expected {
            return Err(self.bad(Some("seq"), Fault::Missing { expected, found }));
        }
        if found < expected {
            return Err(self.bad(Some("seq"), Fault::Repeated { expected, found }));
        }
        if !fits {
            return Err(self.bad(None, Fault::Edited));
        }
        Ok(row)
    }

    /// The last line read as a bad one.
    pub(in crate::journal) fn bad(&self, column: Option<&'static str>, fault: Fault) -> BadLine {
        BadLine {
            file: self.path.display().to_string(),
            line: self.line.max(1),
            column,
            fault,
        }
    }

    /// Bytes after the last whole row. Final once [`Scan::next_row`] gave `None`.
    pub fn torn(&self) -> u64 {
        self.torn
    }

    /// The torn end as an error.
    fn torn_line(&self) -> Option<BadLine> {
        let bytes = self.torn;
        (bytes > 0).then(|| BadLine {
            line: if self.header { self.line + 1 } else { 1 },
            ..self.bad(None, Fault::Torn { bytes })
        })
    }

    /// Where the last whole row ends, in bytes from the file's beginning.
    pub fn good_end(&self) -> u64 {
        self.offset
    }

    /// Whether the header was there.
    pub fn has_header(&self) -> bool {
        self.header
    }

    /// The batch that the rows name; `None` before the first.
    pub fn batch(&self) -> Option<&str> {
        self.batch.as_deref()
    }

    /// The `seq` the next row must have.
    pub fn next_seq(&self) -> u64 {
        self.next_seq
    }

    /// The chain cell of the last row; empty before the first.
    pub fn chain(&self) -> &str {
        &self.previous
    }

    /// Length in bytes of the last whole line.
    pub(in crate::journal) fn last_length(&self) -> u64 {
        self.last_length
    }
}

/// Skips to the end of a line: how many bytes, and whether an LF was there.
fn skip_line(input: &mut impl BufRead) -> io::Result<(u64, bool)> {
    let mut skipped = 0;
    loop {
        let bytes = input.fill_buf()?;
        let (n, ended) = match bytes.iter().position(|byte| *byte == b'\n') {
            Some(at) => (at + 1, true),
            None => (bytes.len(), false),
        };
        input.consume(n);
        skipped += n as u64;
        if ended || n == 0 {
            return Ok((skipped, ended));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::journal::store::log::LogFile;
    use crate::vocabulary::entry::{Draft, RowKind};

    /// Who goes on with a log looks after a failed write whether its last row is still there: it must know how long
    /// that is, a torn end behind it or not.
    #[test]
    fn how_long_the_last_whole_line_is() {
        let dir = tempfile::tempdir().expect("a folder");
        let mut log = LogFile::create(dir.path(), "v", "f").expect("a new log");
        let length = || {
            let path = dir.path().join("v.csv");
            let mut scan = scan_file(&path).expect("a log");
            while scan.next_row().expect("as it was written").is_some() {}
            let text = std::fs::read_to_string(path).expect("text");
            let whole = text.rfind('\n').map_or("", |end| &text[..=end]);
            let last = whole.split_inclusive('\n').next_back();
            (scan.last_length() as usize, last.map_or(0, str::len))
        };
        let (header, wanted) = length();
        assert_eq!(header, wanted);
        for note in ["short", "a longer one than that"] {
            let at = jiff::Timestamp::UNIX_EPOCH;
            log.append(&Draft::new(RowKind::Note, note), at)
                .expect("a row");
            let (row, wanted) = length();
            assert_eq!(row, wanted, "{note}");
        }
        let path = dir.path().join("v.csv");
        let mut text = std::fs::read(&path).expect("text");
        text.extend(b"torn");
        std::fs::write(&path, text).expect("written");
        let (row, wanted) = length();
        assert_eq!(row, wanted);
    }
}
