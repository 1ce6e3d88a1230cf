//! Reading captures.

use std::fmt;
use std::io::{self, Read};
use std::ops::Range;

use memchr::memchr;

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

/// Reads a capture record by record, from any source, in bounded memory. Not generic over the source, and with a
/// buffer of its own: each line of a long capture is to be read by what is optimised here.
pub struct CaptureReader<'r> {
    source: Box<dyn Read + Send + 'r>,
    /// What was read of the source; `ahead` of it was not looked at yet.
    block: Vec<u8>,
    ahead: Range<usize>,
    line: u64,
    last: Moment,
    data: Unescaped,
}

/// So much is read at once, in bytes; a longer line has the block grow.
const BLOCK: usize = 1 << 16;

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
    pub fn new(source: impl Read + Send + 'r) -> Result<CaptureReader<'r>, CaptureError> {
        let mut reader = CaptureReader {
            source: Box::new(source),
            block: vec![0; BLOCK],
            ahead: 0..0,
            line: 0,
            last: Moment::default(),
            data: Unescaped::default(),
        };
        let first = reader.read_line()?.unwrap_or_default();
        let first = reader.block.get(first).unwrap_or_default();
        let first = first.strip_prefix(b"\xef\xbb\xbf").unwrap_or(first);
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
        let Some(raw) = self.read_line()? else {
            return Ok(None);
        };
        let line = self.line;
        let raw = self.block.get(raw).unwrap_or_default();
        record(raw, &mut self.last, &mut self.data)
            .map(Some)
            .map_err(|fault| CaptureError::Form {
                line,
                column: fault.at + 1,
                what: fault.what,
                remedy: fault.remedy,
            })
    }

    /// The place of the next line in the block, without its end. `None` at the end of the source.
    fn read_line(&mut self) -> Result<Option<Range<usize>>, CaptureError> {
        let mut looked_at = 0;
        let mut ended = false;
        let line = loop {
            let Range { start, end } = self.ahead;
            let rest = self.block.get(start + looked_at..end).unwrap_or_default();
            let newline = memchr(b'\n', rest).map(|at| start + looked_at + at);
            looked_at = end - start;
            let length = newline.map_or(looked_at, |newline| newline - start);
            if length > LONGEST_RECORD {
                return Err(CaptureError::Form {
                    line: self.line + 1,
                    column: LONGEST_RECORD + 1,
                    what: format!("the line is longer than {LONGEST_RECORD} bytes"),
                    remedy: "split it into several records with the same time",
                });
            }
            if let Some(newline) = newline {
                self.ahead.start = newline + 1;
                break start..newline;
            }
            if ended {
                if start == end {
                    return Ok(None);
                }
                self.ahead.start = end;
                break start..end;
            }
            ended = self.read_on()? == 0;
        };
        self.line += 1;
        // A text editor may have ended the lines with CR LF; a CR of the scale is escaped.
        let cr = self.block.get(line.clone()).and_then(<[u8]>::last) == Some(&b'\r');
        Ok(Some(line.start..line.end - usize::from(cr)))
    }

    /// Reads more of the source behind what is ahead, which goes to the block's beginning. Gives how much it was.
    fn read_on(&mut self) -> Result<usize, CaptureError> {
        if self.ahead.start > 0 {
            self.block.copy_within(self.ahead.clone(), 0);
            self.ahead = 0..self.ahead.len();
        }
        if self.ahead.end == self.block.len() {
            self.block.resize(2 * self.block.len(), 0);
        }
        let room = self.block.get_mut(self.ahead.end..).unwrap_or_default();
        loop {
            match self.source.read(room) {
                Ok(read) => {
                    self.ahead.end += read;
                    return Ok(read);
                }
                Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                Err(source) => {
                    return Err(CaptureError::Io {
                        line: self.line + 1,
                        source,
                    });
                }
            }
        }
    }
}

fn record<'a>(raw: &[u8], last: &mut Moment, data: &'a mut Unescaped) -> Result<Record<'a>, Fault> {
    if matches!(raw.first(), None | Some(b'#')) || raw.trim_ascii().is_empty() {
        return Ok(Record::Comment);
    }
    let (at, tab) = written_time(raw).map_or_else(|| time(raw), Ok)?;
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
    match body {
        [b'!', command @ ..] => {
            let command = parse_command(command, begin + 1)?;
            Ok(Record::Command { at, command })
        }
        bytes => {
            let data = data.of(bytes, begin)?;
            Ok(Record::Bytes { at, data })
        }
    }
}

/// The bytes of the last record, with what was written for them: a scale at rest sends the same line again and again.
#[derive(Default)]
struct Unescaped {
    written: Vec<u8>,
    bytes: Vec<u8>,
}

impl Unescaped {
    /// What `written` stands for, which begins at `begin` in its line.
    fn of(&mut self, written: &[u8], begin: usize) -> Result<&[u8], Fault> {
        if self.written != written {
            self.written.clear();
            self.bytes.clear();
            if let Err(fault) = unescape(written, begin, &mut self.bytes) {
                self.bytes.clear();
                return Err(fault);
            }
            self.written.extend_from_slice(written);
        }
        Ok(&self.bytes)
    }
}

const TIME_REMEDY: &str = "write the seconds since the start, for example 12.345, then one tab";

/// As [`time`], of a line as `bismar capture` writes it: up to twelve digits, the point, six digits and the tab.
fn written_time(raw: &[u8]) -> Option<(Moment, usize)> {
    let mut whole: u64 = 0;
    let mut digits = 0;
    while let Some(digit @ b'0'..=b'9') = raw.get(digits) {
        whole = whole * 10 + u64::from(digit - b'0');
        digits += 1;
        if digits > 12 {
            return None;
        }
    }
    let [b'.', decimals @ .., b'\t'] = raw.get(digits..digits + 8)? else {
        return None;
    };
    let mut micros = whole;
    for decimal in decimals {
        let digit = decimal.wrapping_sub(b'0');
        if digit > 9 {
            return None;
        }
        micros = micros * 10 + u64::from(digit);
    }
    (digits > 0).then_some((Moment::from_micros(micros), digits + 7))
}

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

/// Which bytes stand for themselves: all but the backslash and the control characters.
fn is_plain(byte: u8) -> bool {
    byte >= 0x20 && byte != 0x7f && byte != b'\\'
}

/// Appends the bytes that `text` stands for. `begin` is its offset in the line.
fn unescape(text: &[u8], begin: usize, out: &mut Vec<u8>) -> Result<(), Fault> {
    // So nearly every line of a scale is written. All of it is looked at, which takes many bytes at a time.
    if let Some(line) = text.strip_suffix(br"\r\n")
        && line
            .iter()
            .fold(true, |plain, &byte| plain & is_plain(byte))
    {
        out.extend_from_slice(line);
        out.extend_from_slice(b"\r\n");
        return Ok(());
    }
    let mut i = 0;
    while let Some(rest) = text.get(i..).filter(|rest| !rest.is_empty()) {
        let special = rest.iter().position(|byte| !is_plain(*byte));
        let plain = special.unwrap_or(rest.len());
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
     !remedy in-proportion (or least-added, keep), !lot \"X\" (or !lot 2 \"X\", of step 2), !skip \"WHY\" and !note \"X\"";

/// Reads what follows the `!`.
fn parse_command(text: &[u8], begin: usize) -> Result<Command, Fault> {
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
        b"skip" => return quoted(rest, begin + end).map(Command::Skip),
        b"lot" => return lot(rest, begin + end),
        b"residue" if rest.is_empty() => Command::Residue(None),
        b"residue" => return number(rest, begin + end).map(|step| Command::Residue(Some(step))),
        b"remedy" => return way(rest, begin + end).map(Command::Remedy),
        b"note" => return quoted(rest, begin + end).map(Command::Note),
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

/// Reads ` "X"`, or ` 2 "X"` for the step 2.
fn lot(rest: &[u8], begin: usize) -> Result<Command, Fault> {
    let text = rest.iter().position(|&byte| byte == b'"');
    let (step, text) = rest.split_at(text.unwrap_or(0));
    let lot = quoted(text, begin + step.len())?;
    match step.trim_ascii().is_empty() {
        true => Ok(Command::Lot(lot)),
        false => number(step, begin).map(|step| Command::LotOf(step, lot)),
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
fn quoted(rest: &[u8], begin: usize) -> Result<String, Fault> {
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
    let mut text = Vec::with_capacity(inner.len());
    unescape(inner, begin + 1, &mut text)?;
    String::from_utf8(text)
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
    fn a_time_is_the_same_whichever_way_it_is_read() {
        for (text, written) in [
            ("0.000000\t", true),
            ("12.345678\t+ 1 g", true),
            ("999999999999.999999\t", true),
            ("1000000000000.000001\t", false),
            ("12.34567\t", false),
            ("12.3456789\t", false),
            (".123456\t", false),
            ("12.34x678\t", false),
            ("12.345678 ", false),
            ("12,345678\t", false),
            ("12.345678", false),
            ("12\t", false),
            ("", false),
        ] {
            let read = written_time(text.as_bytes());
            assert_eq!(read.is_some(), written, "{text:?}");
            let slowly = time(text.as_bytes()).ok();
            assert!(read.is_none() || read == slowly, "{text:?}: {slowly:?}");
        }
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
        assert!(reader.block.len() <= 2 * LONGEST_RECORD);
    }
}
