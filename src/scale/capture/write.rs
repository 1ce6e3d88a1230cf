//! Writing captures.

use std::io::{self, Write};

use super::{HEADER, seconds};
use crate::time::Moment;
use crate::vocabulary::command::Command;

/// Writes a capture. It does not flush; the caller decides when.
#[derive(Debug)]
pub struct CaptureWriter<W> {
    sink: W,
    last: Moment,
    line: Vec<u8>,
}

impl<W: Write> CaptureWriter<W> {
    /// Writes the first line.
    ///
    /// # Errors
    /// When the sink fails, as everywhere here.
    pub fn new(mut sink: W) -> io::Result<CaptureWriter<W>> {
        sink.write_all(HEADER.as_bytes())?;
        sink.write_all(b"\n")?;
        Ok(CaptureWriter {
            sink,
            last: Moment::default(),
            line: Vec::new(),
        })
    }

    /// Bytes that the scale sent. A time before that of the last record is written as that time:
    /// the order of the records is the truth.
    ///
    /// # Errors
    /// What the target of the capture says to the write.
    pub fn bytes(&mut self, at: Moment, data: &[u8]) -> io::Result<()> {
        self.begin(at);
        for (i, &byte) in data.iter().enumerate() {
            let first_or_last = i == 0 || i + 1 == data.len();
            match byte {
                b'\r' => self.line.extend_from_slice(b"\\r"),
                b'\n' => self.line.extend_from_slice(b"\\n"),
                b'\t' => self.line.extend_from_slice(b"\\t"),
                b'\\' => self.line.extend_from_slice(b"\\\\"),
                // A first `!` would be a command; editors take away spaces at a line's end.
                b'!' | b' ' if first_or_last => self.push_hex(byte),
                0x20..=0x7e => self.line.push(byte),
                _ => self.push_hex(byte),
            }
        }
        self.end()
    }

    /// What a person told the daemon.
    ///
    /// # Errors
    /// What the target of the capture says to the write.
    pub fn command(&mut self, at: Moment, command: &Command) -> io::Result<()> {
        self.begin(at);
        match command {
            Command::Next => self.line.extend_from_slice(b"!next"),
            Command::Again => self.line.extend_from_slice(b"!again"),
            Command::Keep => self.line.extend_from_slice(b"!keep"),
            Command::Stop => self.line.extend_from_slice(b"!stop"),
            Command::Undo => self.line.extend_from_slice(b"!undo"),
            Command::Cancel => self.line.extend_from_slice(b"!cancel"),
            Command::Skip(why) => self.push_quoted(b"!skip ", why),
            Command::Residue(None) => self.line.extend_from_slice(b"!residue"),
            Command::Residue(Some(step)) => {
                self.line
                    .extend_from_slice(format!("!residue {step}").as_bytes());
            }
            Command::Remedy(way) => {
                self.line
                    .extend_from_slice(format!("!remedy {}", way.word()).as_bytes());
            }
            Command::Lot(text) => self.push_quoted(b"!lot ", text),
            Command::LotOf(step, text) => {
                self.push_quoted(format!("!lot {step} ").as_bytes(), text);
            }
            Command::Note(text) => self.push_quoted(b"!note ", text),
        }
        self.end()
    }

    /// A remark; line breaks in it become spaces.
    ///
    /// # Errors
    /// What the target of the capture says to the write.
    pub fn comment(&mut self, text: &str) -> io::Result<()> {
        self.line.clear();
        self.line.extend_from_slice(b"# ");
        self.line
            .extend_from_slice(text.replace(['\r', '\n'], " ").as_bytes());
        self.end()
    }

    ///
    /// # Errors
    /// What the target of the capture says to the write.
    pub fn flush(&mut self) -> io::Result<()> {
        self.sink.flush()
    }

    pub fn into_inner(self) -> W {
        self.sink
    }

    fn begin(&mut self, at: Moment) {
        self.last = self.last.max(at);
        self.line.clear();
        self.line.extend_from_slice(seconds(self.last).as_bytes());
        self.line.push(b'\t');
    }

    fn end(&mut self) -> io::Result<()> {
        self.line.push(b'\n');
        self.sink.write_all(&self.line)
    }

    fn push_hex(&mut self, byte: u8) {
        self.line
            .extend_from_slice(format!("\\x{byte:02x}").as_bytes());
    }

    fn push_quoted(&mut self, word: &[u8], text: &str) {
        self.line.extend_from_slice(word);
        self.line.push(b'"');
        for &byte in text.as_bytes() {
            match byte {
                b'\r' => self.line.extend_from_slice(b"\\r"),
                b'\n' => self.line.extend_from_slice(b"\\n"),
                b'\t' => self.line.extend_from_slice(b"\\t"),
                b'\\' | b'"' => self.line.extend_from_slice(&[b'\\', byte]),
                0x20..=0x7e | 0x80.. => self.line.push(byte),
                _ => self.push_hex(byte),
            }
        }
        self.line.push(b'"');
    }
}
