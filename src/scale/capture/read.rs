//! Reading captures.

use std::fmt;
use std::io::{self, BufRead};

use super::{HEADER, LONGEST_RECORD, Record, seconds};
use crate::time::Moment;
use crate::vocabulary::command::Command;
use crate::vocabulary::command::Way;

/// Why a capture cannot be read further. Displays as `line:column: what; remedy`, to be put after
/// the file's name and a colon.
#[derive(Debug, thiserror::Error)]
pub enum CaptureError {
    #[error("{line}:{column}: {what}; {remedy}")]
    Form {
        /// From 1.
        line: u64,
        /// From 1, in bytes.
        column: usize,
        what: String,
        remedy: &'static str,
    },
    #[error("{line}:1: cannot read on: {source}")]
    Io { line: u64, source: io::Error },
}

/// What is wrong, at a byte offset from the line's beginning.
struct Fault {
    at: usize,
    what: String,
    remedy: &'static str,
}

impl Fault {
    fn new(at: usize, what: impl Into<String>, remedy: &'static str) -> Fault {
        Fault {
            at,
            what: what.into(),
            remedy,
        }
    }
}

/// Reads a capture record by record, from any buffered source, in bounded memory. Not generic over the source:
/// each line of a long capture is to be read by what is optimised here.
pub struct CaptureReader<'r> {
    source: Box<dyn BufRead + 'r>,
    line: u64,
    last: Moment,
    raw: Vec<u8>,
    data: Vec<u8>,
}

impl fmt::Debug for CaptureReader<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("CaptureReader")
            .field("line", &self.line)
            .field("last", &self.last)
            .finish_non_exhaustive()
    }
}

impl<'r> CaptureReader<'r> {
    /// Reads the first line.
    ///
    /// # Errors
    /// When it is not `# bismar capture 1`, or the source fails.
    pub fn new(source: impl BufRead + 'r) -> Result<CaptureReader<'r>, CaptureError> {
        let mut reader = CaptureReader {
            source: Box::new(source),
            line: 0,
            last: Moment::default(),
            raw: Vec::new(),
            data: Vec::new(),
        };
        reader.read_line()?;
        let first = reader
            .raw
            .strip_prefix(b"\xef\xbb\xbf")
            .unwrap_or(&reader.raw);
        if first.trim_ascii_end() != HEADER.as_bytes() {
            return Err(CaptureError::Form {
                line: 1,
                column: 1,
                what: "this is not a capture".into(),
                remedy: "its first line must be `# bismar capture 1`; record one with `bismar capture`",
            });
        }
        Ok(reader)
    }

    /// The number of the line that was read last, from 1.
    pub fn line(&self) -> u64 {
        self.line
    }

    /// The next record, or `None` at the end.
    ///
    /// # Errors
    /// A line that is not of the format, a time before the time of an earlier line, an unknown
    /// command, or a source that fails; each with line, column and remedy.
    pub fn next_record(&mut self) -> Result<Option<Record<'_>>, CaptureError> {
        if !self.read_line()? {
            return Ok(None);
        }
        let line = self.line;
        record(&self.raw, &mut self.last, &mut self.data)
            .map(Some)
            .map_err(|fault| CaptureError::Form {
                line,
                column: fault.at + 1,
                what: fault.what,
                remedy: fault.remedy,
            })
    }

    /// Reads one line into `raw`, without its end. `false` at the end of the source.
    fn read_line(&mut self) -> Result<bool, CaptureError> {
        self.raw.clear();
        let mut any = false;
        loop {
            let chunk = match self.source.fill_buf() {
                Ok(chunk) => chunk,
                Err(error) if error.kind() == io::ErrorKind::Interrupted => continue,
                Err(source) => {
                    return Err(CaptureError::Io {
                        line: self.line + 1,
                        source,
                    });
                }
            };
            if chunk.is_empty() {
                break;
            }
            any = true;
            let end = chunk.iter().position(|&byte| byte == b'\n');
            let part = chunk.get(..end.unwrap_or(chunk.len())).unwrap_or_default();
            if self.raw.len() + part.len() > LONGEST_RECORD {
                return Err(CaptureError::Form {
                    line: self.line + 1,
                    column: LONGEST_RECORD + 1,
                    what: format!("the line is longer than {LONGEST_RECORD} bytes"),
                    remedy: "split it into several records with the same time",
                });
            }
            self.raw.extend_from_slice(part);
            let used = part.len() + usize::from(end.is_some());
            self.source.consume(used);
            if end.is_some() {
                break;
            }
        }
        if any {
            self.line += 1;
            // A text editor may have ended the lines with CR LF; a CR of the scale is escaped.
            if self.raw.last() == Some(&b'\r') {
                self.raw.pop();
            }
        }
        Ok(any)
    }
}

fn record<'a>(raw: &[u8], last: &mut Moment, data: &'a mut Vec<u8>) -> Result<Record<'a>, Fault> {
    if matches!(raw.first(), None | Some(b'#')) || raw.trim_ascii().is_empty() {
        return Ok(Record::Comment);
    }
    let (at, tab) = time(raw)?;
    if at < *last {
        return Err(Fault::new(
            0,
            format!(
                "the time {} is before {}, that of an earlier line",
                seconds(at),
                seconds(*last)
            ),
            "the clock of a capture never steps back: put the lines in order, or record it again",
        ));
    }
    *last = at;
    let begin = tab + 1;
    let body = raw.get(begin..).unwrap_or_default();
    data.clear();
    match body {
        [b'!', command @ ..] => {
            let command = parse_command(command, begin + 1, data)?;
            Ok(Record::Command { at, command })
        }
        bytes => {
            unescape(bytes, begin, data)?;
            Ok(Record::Bytes { at, data })
        }
    }
}

const TIME_REMEDY: &str = "write the seconds since the start, for example 12.345, then one tab";

/// The time, to the microsecond (finer digits are dropped), and the place of the tab after it.
fn time(raw: &[u8]) -> Result<(Moment, usize), Fault> {
    let mut micros: u64 = 0;
    let mut decimals: Option<u32> = None;
    for (at, &byte) in raw.iter().enumerate() {
        match byte {
            b'0'..=b'9' => {
                let places = decimals.unwrap_or(0);
                if places >= 6 {
                    continue;
                }
                micros = micros
                    .checked_mul(10)
                    .and_then(|us| us.checked_add(u64::from(byte - b'0')))
                    .ok_or_else(|| Fault::new(0, "the time is too large", TIME_REMEDY))?;
                decimals = decimals.map(|places| places + 1);
            }
            b'.' if decimals.is_none() && at > 0 => decimals = Some(0),
            b'\t' if at > 0 && raw.get(at - 1) != Some(&b'.') => {
                let moment = micros
                    .checked_mul(10u64.pow(6 - decimals.unwrap_or(0)))
                    .ok_or_else(|| Fault::new(0, "the time is too large", TIME_REMEDY))?;
                return Ok((Moment::from_micros(moment), at));
            }
            _ => {
                return Err(Fault::new(
                    at,
                    "the line begins with no time and tab",
                    TIME_REMEDY,
                ));
            }
        }
    }
    Err(Fault::new(
        raw.len(),
        "the line ends after its time",
        TIME_REMEDY,
    ))
}

const ESCAPE_REMEDY: &str = r"the escapes are \r \n \t \\ and \xHH with two hexadecimal digits";

/// Appends the bytes that `text` stands for. `begin` is its offset in the line.
fn unescape(text: &[u8], begin: usize, out: &mut Vec<u8>) -> Result<(), Fault> {
    let mut i = 0;
    while let Some(rest) = text.get(i..).filter(|rest| !rest.is_empty()) {
        // Nearly all of a line stands for itself.
        let is_plain = |byte: &u8| *byte >= 0x20 && *byte != 0x7f && *byte != b'\\';
        let plain = rest.iter().take_while(|byte| is_plain(byte)).count();
        let (plain, rest) = rest.split_at(plain);
        out.extend_from_slice(plain);
        i += plain.len();
        match rest.first() {
            None => break,
            Some(b'\\') => {}
            Some(byte) => {
                let what = format!("a bare control byte 0x{byte:02x}");
                return Err(Fault::new(begin + i, what, ESCAPE_REMEDY));
            }
        }
        let (value, used) = match text.get(i + 1..).unwrap_or_default() {
            [b'r', ..] => (b'\r', 2),
            [b'n', ..] => (b'\n', 2),
            [b't', ..] => (b'\t', 2),
            [b'\\', ..] => (b'\\', 2),
            [b'"', ..] => (b'"', 2),
            [b'x', high, low, ..] => match (hex(*high), hex(*low)) {
                (Some(high), Some(low)) => (high * 16 + low, 4),
                _ => return Err(Fault::new(begin + i, "an unknown escape", ESCAPE_REMEDY)),
            },
            _ => return Err(Fault::new(begin + i, "an unknown escape", ESCAPE_REMEDY)),
        };
        out.push(value);
        i += used;
    }
    Ok(())
}

fn hex(digit: u8) -> Option<u8> {
    char::from(digit).to_digit(16).map(|value| value as u8)
}

const COMMAND_REMEDY: &str = "the commands are !next, !again, !keep, !stop, !undo, !cancel, !residue, \
     !remedy in-proportion (or least-added, keep), !lot \"X\", !skip \"WHY\" and !note \"X\"";

/// Reads what follows the `!`.
fn parse_command(text: &[u8], begin: usize, scratch: &mut Vec<u8>) -> Result<Command, Fault> {
    let text = text.trim_ascii_end();
    let end = text
        .iter()
        .position(|&byte| byte == b' ')
        .unwrap_or(text.len());
    let (word, rest) = text.split_at(end);
    let plain = match word {
        b"next" => Command::Next,
        b"again" => Command::Again,
        b"keep" => Command::Keep,
        b"stop" => Command::Stop,
        b"undo" => Command::Undo,
        b"cancel" => Command::Cancel,
        b"skip" => return quoted(rest, begin + end, scratch).map(Command::Skip),
        b"lot" => return quoted(rest, begin + end, scratch).map(Command::Lot),
        b"residue" if rest.is_empty() => Command::Residue(None),
        b"residue" => return number(rest, begin + end).map(|step| Command::Residue(Some(step))),
        b"remedy" => return way(rest, begin + end).map(Command::Remedy),
        b"note" => return quoted(rest, begin + end, scratch).map(Command::Note),
        _ => {
            let what = format!("unknown command {:?}", String::from_utf8_lossy(word));
            return Err(Fault::new(begin, what, COMMAND_REMEDY));
        }
    };
    if rest.is_empty() {
        Ok(plain)
    } else {
        let what = "text after a command that takes none";
        Err(Fault::new(begin + end, what, COMMAND_REMEDY))
    }
}

fn number(rest: &[u8], begin: usize) -> Result<usize, Fault> {
    let text = std::str::from_utf8(rest).unwrap_or_default().trim();
    text.parse()
        .map_err(|_| Fault::new(begin, "no step's number", COMMAND_REMEDY))
}

fn way(rest: &[u8], begin: usize) -> Result<Way, Fault> {
    let text = std::str::from_utf8(rest).unwrap_or_default().trim();
    Way::from_word(text).ok_or_else(|| Fault::new(begin, "no way to mend it", COMMAND_REMEDY))
}

/// Reads ` "X"`.
fn quoted(rest: &[u8], begin: usize, scratch: &mut Vec<u8>) -> Result<String, Fault> {
    const REMEDY: &str = "write its text in double quotes, for example !lot \"A-17\"";
    let inner = rest.trim_ascii_start();
    let begin = begin + (rest.len() - inner.len());
    let [b'"', inner @ .., b'"'] = inner else {
        return Err(Fault::new(
            begin,
            "the command's text is not in quotes",
            REMEDY,
        ));
    };
    let mut escaped = false;
    for (i, &byte) in inner.iter().enumerate() {
        match byte {
            b'"' if !escaped => {
                let what = "a quote inside the text";
                return Err(Fault::new(begin + 1 + i, what, "write it as \\\""));
            }
            _ => escaped = byte == b'\\' && !escaped,
        }
    }
    if escaped {
        return Err(Fault::new(
            begin,
            "the command's text has no closing quote",
            REMEDY,
        ));
    }
    unescape(inner, begin + 1, scratch)?;
    String::from_utf8(scratch.clone())
        .map_err(|_| Fault::new(begin + 1, "the text is not UTF-8", "save the file as UTF-8"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[track_caller]
    fn fails(body: &str, place: &str, words: &[&str]) {
        let text = format!("{HEADER}\n{body}");
        let mut reader = CaptureReader::new(text.as_bytes()).unwrap();
        let error = loop {
            match reader.next_record() {
                Ok(Some(_)) => {}
                Ok(None) => panic!("no error in {body:?}"),
                Err(error) => break error.to_string(),
            }
        };
        assert!(error.starts_with(place), "{body:?}: {error}");
        assert!(
            words.iter().all(|word| error.contains(word)),
            "{body:?}: {error}"
        );
    }

    #[test]
    fn records_of_each_kind_are_read() {
        let text = "# bismar capture 1\r\n# a remark\n\n0\t+ 1 g\\r\\n\r\n\
                    0.5\t\\x00\\\\\\t\n1.25\t!next\n1.25\t!lot \"A \\\"7\\\" é\"\n2\t";
        let mut reader = CaptureReader::new(text.as_bytes()).unwrap();
        let mut next = || {
            reader
                .next_record()
                .unwrap()
                .map(|record| format!("{record:?}"))
        };
        let bytes = |us, data: &[u8]| {
            let at = Moment::from_micros(us);
            Some(format!("{:?}", Record::Bytes { at, data }))
        };
        let command = |command| {
            let at = Moment::from_micros(1_250_000);
            Some(format!("{:?}", Record::Command { at, command }))
        };
        assert_eq!(next(), Some("Comment".into()));
        assert_eq!(next(), Some("Comment".into()));
        assert_eq!(next(), bytes(0, b"+ 1 g\r\n"));
        assert_eq!(next(), bytes(500_000, b"\0\\\t"));
        assert_eq!(next(), command(Command::Next));
        assert_eq!(next(), command(Command::Lot("A \"7\" é".into())));
        assert_eq!(next(), bytes(2_000_000, b""));
        assert_eq!(next(), None);
    }

    #[test]
    fn errors_name_line_column_and_remedy() {
        fails(
            "0\ta\n1.5\tb\n1.499999\tc\n",
            "4:1: ",
            &["1.499999", "1.500000", "order"],
        );
        fails("0\ta\\q\n", "2:4: ", &["escape", "\\xHH"]);
        fails("0\ta\\x0", "2:4: ", &["escape"]);
        fails("0\ta\tb\n", "2:4: ", &["control byte 0x09"]);
        fails("0\t!nxt\n", "2:4: ", &["\"nxt\"", "!next"]);
        fails("0\t!next now\n", "2:8: ", &["takes none"]);
        fails("0\t!lot A\n", "2:8: ", &["double quotes"]);
        fails("0\t!lot \"A\n", "2:8: ", &["quotes"]);
        fails("0\t!lot \"A\\\"\n", "2:8: ", &["quote"]);
        fails("0\t!lot \"A\"B\"\n", "2:10: ", &["quote"]);
        fails("1e3\ta\n", "2:2: ", &["12.345"]);
        fails("-1\ta\n", "2:1: ", &["12.345"]);
        fails("1.\ta\n", "2:3: ", &["12.345"]);
        fails("1.5", "2:4: ", &["ends after its time"]);
        fails("99999999999999999999\ta\n", "2:1: ", &["too large"]);
    }

    #[test]
    fn another_first_line_is_refused() {
        for text in ["", "0\ta\n", "# bismar capture 2\n", "\0\0"] {
            let error = CaptureReader::new(text.as_bytes()).unwrap_err().to_string();
            assert!(
                error.starts_with("1:1: ") && error.contains(HEADER),
                "{error}"
            );
        }
    }

    #[test]
    fn a_line_without_an_end_is_refused_in_bounded_memory() {
        let source = HEADER.as_bytes().iter().chain(b"\n0\t").copied();
        let endless = io::Read::chain(
            io::Cursor::new(source.collect::<Vec<u8>>()),
            io::Read::take(io::repeat(b'7'), 1 << 30),
        );
        let mut reader = CaptureReader::new(io::BufReader::new(endless)).unwrap();
        let error = reader.next_record().unwrap_err().to_string();
        assert!(
            error.starts_with("2:") && error.contains("longer"),
            "{error}"
        );
        assert!(reader.raw.capacity() <= 2 * LONGEST_RECORD);
    }
}
