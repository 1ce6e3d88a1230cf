//! The cells of one line after another, by one CSV reader: to make a reader takes longer than to
//! read a line with it, and a folder of logs has many lines.

use std::io::Read;

use csv::StringRecord;

use crate::journal::format::fault::Fault;
use crate::journal::format::row::COLUMNS;

/// Cuts lines into cells. After a line that is none, the next may not read either.
#[derive(Debug)]
pub(in crate::journal) struct LineReader {
    reader: csv::Reader<Line>,
    record: StringRecord,
}

/// What the reader reads: one line with its LF at a time.
#[derive(Debug, Default)]
struct Line {
    bytes: Vec<u8>,
    read: usize,
}

impl LineReader {
    pub fn new() -> LineReader {
        let mut builder = csv::ReaderBuilder::new();
        builder.has_headers(false).flexible(true);
        LineReader {
            reader: builder.from_reader(Line::default()),
            record: StringRecord::new(),
        }
    }

    /// The cells of `line`, which is without its LF.
    ///
    /// # Errors
    /// A line that is not text, or has not as many cells as the log has columns.
    pub fn read(&mut self, line: &[u8]) -> Result<&StringRecord, Fault> {
        let next = self.reader.get_mut();
        next.bytes.clear();
        next.bytes.extend_from_slice(line);
        next.bytes.push(b'\n');
        next.read = 0;
        let found = match self.reader.read_record(&mut self.record) {
            Ok(true) => self.record.len(),
            Ok(false) => 0,
            Err(_) => return Err(Fault::NotText),
        };
        if found == COLUMNS.len() {
            Ok(&self.record)
        } else {
            Err(Fault::Columns { found })
        }
    }
}

impl Read for Line {
    fn read(&mut self, into: &mut [u8]) -> std::io::Result<usize> {
        let mut rest = self.bytes.get(self.read..).unwrap_or_default();
        let read = rest.read(into)?;
        self.read += read;
        Ok(read)
    }
}

#[cfg(test)]
mod tests {
    use crate::journal::format::line::*;

    /// Each line alone by a reader of its own, as RFC 4180 has it: the same cells.
    #[test]
    fn one_reader_gives_what_a_reader_for_each_line_gives() {
        let cells = |first: &str| [first, "\"a \"\"b\"\", c\""].repeat(12).join(",");
        let mut ours = LineReader::new();
        for first in ["x", "", "é", "\" spaces \"", &"long".repeat(5000)] {
            let line = cells(first);
            let mut alone = csv::ReaderBuilder::new();
            let mut alone = alone.has_headers(false).from_reader(line.as_bytes());
            let wanted = alone.records().next().unwrap().unwrap();
            assert_eq!(ours.read(line.as_bytes()).unwrap(), &wanted, "{first:.20}");
        }
        let short = ours.read(b"a,b").unwrap_err();
        assert_eq!(short, Fault::Columns { found: 2 });
        assert_eq!(ours.read(b"a,\xff").unwrap_err(), Fault::NotText);
    }
}
