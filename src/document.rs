//! A TOML file read with the place of everything in it.
//!
//! A [`Reader`] walks the parsed document, gathers every fault it meets (so that a person mends them
//! all in one go) and hands numbers over exactly as they stand in the file: the digits are taken from
//! the source text, never from a float.

use std::io::Read;
use std::ops::Range;
use std::path::Path;

pub use toml::Spanned;
pub use toml::de::{DeTable, DeValue};

use crate::mass::{Decimal, Mass, MassError, Unit};
use crate::problem::{Problem, Problems};

/// A value with its place in the text.
pub type Value<'i> = Spanned<DeValue<'i>>;

/// The largest file that is read. A formula has a few thousand bytes.
const LARGEST_FILE: u64 = 1_000_000;
/// How many faults are gathered. A file of another kind would give hundreds of thousands.
const MOST_PROBLEMS: usize = 200;

/// Reads a whole text file.
///
/// # Errors
/// One problem: the file cannot be read, is larger than 1 MB, or is not UTF-8 (with the place of the
/// first byte that is not).
pub fn read_text(path: &Path) -> Result<String, Problems> {
    let name = path.display().to_string();
    let fail = |message: String, remedy: &str| {
        Problems::from(Problem {
            path: name.clone(),
            line: 0,
            column: 0,
            message,
            remedy: remedy.to_owned(),
        })
    };
    let mut bytes = Vec::new();
    std::fs::File::open(path)
        .and_then(|file| file.take(LARGEST_FILE + 1).read_to_end(&mut bytes))
        .map_err(|e| {
            fail(
                format!("cannot be read: {e}"),
                "Check the path and the file's rights",
            )
        })?;
    if bytes.len() as u64 > LARGEST_FILE {
        return Err(fail(
            "is larger than 1 MB".into(),
            "Name the right file; this one is not of the kind expected",
        ));
    }
    String::from_utf8(bytes).map_err(|e| {
        let valid = e.utf8_error().valid_up_to();
        let good = String::from_utf8_lossy(e.as_bytes().get(..valid).unwrap_or(&[])).into_owned();
        let (line, column) = Lines::new(&good).place(good.len());
        Problems::from(Problem {
            path: name.clone(),
            line,
            column,
            message: "the text is not UTF-8 from here on".into(),
            remedy: "Save the file as UTF-8".into(),
        })
    })
}

/// Byte offsets to line and column.
struct Lines<'i> {
    text: &'i str,
    starts: Vec<usize>,
}

impl<'i> Lines<'i> {
    fn new(text: &'i str) -> Self {
        let breaks = text.bytes().enumerate().filter(|&(_, b)| b == b'\n');
        let starts = std::iter::once(0)
            .chain(breaks.map(|(i, _)| i + 1))
            .collect();
        Lines { text, starts }
    }

    /// Line and column of a byte offset, both from 1; a column counts characters.
    fn place(&self, offset: usize) -> (usize, usize) {
        let line = self.starts.partition_point(|&start| start <= offset);
        let start = self
            .starts
            .get(line.saturating_sub(1))
            .copied()
            .unwrap_or(0);
        let before = self.text.get(start..offset.min(self.text.len()));
        (line.max(1), before.map_or(0, |s| s.chars().count()) + 1)
    }
}

/// How a text may run.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Form {
    /// One line, at most 120 characters: names.
    Line,
    /// May be broken in the file; the breaks become single spaces. At most 2000 characters.
    Folded,
    /// Line breaks are kept. At most 8000 characters.
    Paragraphs,
}

/// See the module's text.
pub struct Reader<'i> {
    name: String,
    text: &'i str,
    lines: Lines<'i>,
    problems: Vec<(usize, Problem)>,
}

impl<'i> Reader<'i> {
    /// Parses `text` as TOML; `name` stands for the file in messages. A byte order mark is skipped.
    ///
    /// # Errors
    /// The faults of the TOML itself, at most five, since what follows the first is often its echo.
    pub fn parse(text: &'i str, name: &str) -> Result<(Reader<'i>, DeTable<'i>), Problems> {
        let text = text.strip_prefix('\u{feff}').unwrap_or(text);
        let mut reader = Reader {
            name: name.to_owned(),
            text,
            lines: Lines::new(text),
            problems: Vec::new(),
        };
        let (table, errors) = DeTable::parse_recoverable(text);
        for error in errors.iter().take(5) {
            let at = error.span().map_or(0, |span| span.start);
            let message = error.message().trim().replace('\n', ", ");
            let remedy = if message.contains("duplicate key") {
                "Remove or rename one of the two"
            } else {
                "Check quotes, brackets and the equals sign around this place"
            };
            reader.report_at(at, message, remedy);
        }
        if errors.is_empty() {
            Ok((reader, table.into_inner()))
        } else {
            Err(reader.into_problems())
        }
    }

    /// Line and column (both from 1) of the start of `span`.
    pub fn place(&self, span: &Range<usize>) -> (usize, usize) {
        self.lines.place(span.start)
    }

    /// The source text of a value, as it stands in the file.
    pub fn source(&self, span: &Range<usize>) -> &'i str {
        self.text.get(span.clone()).unwrap_or("")
    }

    /// Notes a fault at the start of `span`.
    pub fn report(
        &mut self,
        span: &Range<usize>,
        message: impl Into<String>,
        remedy: impl Into<String>,
    ) {
        self.report_at(span.start, message, remedy);
    }

    fn report_at(&mut self, at: usize, message: impl Into<String>, remedy: impl Into<String>) {
        if self.problems.len() >= MOST_PROBLEMS {
            return;
        }
        let (line, column) = self.lines.place(at);
        let problem = Problem {
            path: self.name.clone(),
            line,
            column,
            message: message.into(),
            remedy: remedy.into(),
        };
        self.problems.push((at, problem));
    }

    /// Whether nothing was reported so far.
    pub fn clean(&self) -> bool {
        self.problems.is_empty()
    }

    /// Everything reported, in the order of the file.
    pub fn into_problems(mut self) -> Problems {
        self.problems.sort_by_key(|(at, _)| *at);
        Problems(
            self.problems
                .into_iter()
                .map(|(_, problem)| problem)
                .collect(),
        )
    }

    /// Reports every key of `table` that is not in `known`, with the nearest that is.
    pub fn only(&mut self, table: &DeTable<'i>, what: &str, known: &[&str]) {
        for (key, _) in table.iter() {
            if self.problems.len() >= MOST_PROBLEMS {
                return;
            }
            if !known.contains(&&**key.get_ref()) {
                let remedy = match nearest(key.get_ref(), known) {
                    Some(near) => format!("Write \"{near}\", or remove the key"),
                    None => format!("Remove it; the keys here are {}", list(known)),
                };
                let message = format!("{what} has no key \"{}\"", shown(key.get_ref()));
                self.report(&key.span(), message, remedy);
            }
        }
    }

    /// The value of a key that must be there.
    pub fn required<'t>(
        &mut self,
        table: &'t DeTable<'i>,
        at: &Range<usize>,
        what: &str,
        key: &str,
        example: &str,
    ) -> Option<&'t Value<'i>> {
        let value = table.get(key);
        if value.is_none() {
            let message = format!("{what} has no \"{key}\"");
            self.report(at, message, format!("Add, for example, {example}"));
        }
        value
    }

    fn wrong_kind(&mut self, value: &Value<'i>, key: &str, wanted: &str, remedy: &str) {
        let found = value.get_ref().type_str();
        let message = format!("\"{key}\" must be {wanted}, not {}", article(found));
        self.report(&value.span(), message, remedy);
    }

    /// A table.
    pub fn table<'t>(&mut self, value: &'t Value<'i>, key: &str) -> Option<&'t DeTable<'i>> {
        let table = value.get_ref().as_table();
        if table.is_none() {
            self.wrong_kind(value, key, "a table", &format!("Write {key} = {{ ... }}"));
        }
        table
    }

    /// An array of tables (`[[key]]`), each with the place where it begins.
    pub fn tables<'t>(
        &mut self,
        value: &'t Value<'i>,
        key: &str,
    ) -> Vec<(&'t DeTable<'i>, Range<usize>)> {
        let Some(array) = value.get_ref().as_array() else {
            self.wrong_kind(
                value,
                key,
                "a list of tables",
                &format!("Begin each with doubled brackets, [[{key}]]"),
            );
            return Vec::new();
        };
        let mut tables = Vec::new();
        for item in array.iter() {
            if let Some(table) = self.table(item, key) {
                tables.push((table, item.span()));
            }
        }
        tables
    }

    /// A text without control characters, trimmed, not empty.
    pub fn text(&mut self, value: &Value<'i>, key: &str, form: Form) -> Option<String> {
        let Some(text) = value.get_ref().as_str() else {
            self.wrong_kind(value, key, "a text", "Put it in quotes");
            return None;
        };
        let text = text.replace("\r\n", "\n");
        let broken = |c: char| c == '\n' && form != Form::Line;
        if let Some(bad) = text.chars().find(|&c| unprintable(c) && !broken(c)) {
            let message = format!("\"{key}\" holds the control character {}", code_point(bad));
            self.report(&value.span(), message, "Remove it; write plain text");
            return None;
        }
        let text = match form {
            Form::Line | Form::Paragraphs => text.trim().to_owned(),
            Form::Folded => text.split_whitespace().collect::<Vec<_>>().join(" "),
        };
        let most = match form {
            Form::Line => 120,
            Form::Folded => 2000,
            Form::Paragraphs => 8000,
        };
        let length = text.chars().count();
        if length > most {
            let message = format!("\"{key}\" has {length} characters; {most} is the most");
            self.report(&value.span(), message, "Shorten it");
            return None;
        }
        if text.is_empty() && form != Form::Paragraphs {
            self.report(
                &value.span(),
                format!("\"{key}\" is empty"),
                "Fill it in or remove it",
            );
            return None;
        }
        Some(text)
    }

    /// `true` or `false`.
    pub fn boolean(&mut self, value: &Value<'i>, key: &str) -> Option<bool> {
        let flag = value.get_ref().as_bool();
        if flag.is_none() {
            self.wrong_kind(value, key, "true or false", "Write it without quotes");
        }
        flag
    }

    /// One of a few words.
    pub fn choice<T: Copy>(
        &mut self,
        value: &Value<'i>,
        key: &str,
        choices: &[(&str, T)],
    ) -> Option<T> {
        let words: Vec<&str> = choices.iter().map(|(word, _)| *word).collect();
        let Some(text) = value.get_ref().as_str() else {
            self.wrong_kind(
                value,
                key,
                &format!("one of {}", list(&words)),
                "Put it in quotes",
            );
            return None;
        };
        let found = choices.iter().find(|(word, _)| *word == text);
        if found.is_none() {
            let message = format!("\"{}\" is no {key}", shown(text));
            let remedy = match nearest(text, &words) {
                Some(near) => format!("Write \"{near}\"; the choices are {}", list(&words)),
                None => format!("Write one of {}", list(&words)),
            };
            self.report(&value.span(), message, remedy);
        }
        found.map(|(_, choice)| *choice)
    }

    /// A number that is not negative, exactly as it is written: an integer, a decimal, or either of
    /// them in quotes. No exponent, no digit groups, no `nan` or `inf`, no decimal comma.
    pub fn decimal(&mut self, value: &Value<'i>, key: &str) -> Option<Decimal> {
        let source = match value.get_ref() {
            DeValue::Integer(_) | DeValue::Float(_) => self.source(&value.span()),
            DeValue::String(text) => text.trim(),
            DeValue::Boolean(_) | DeValue::Datetime(_) | DeValue::Array(_) | DeValue::Table(_) => {
                self.wrong_kind(
                    value,
                    key,
                    "a plain decimal number",
                    "Write for example 12.5",
                );
                return None;
            }
        };
        let complaint = match plain_number(source) {
            Ok(()) => match Decimal::parse(source.as_bytes()) {
                Ok(decimal) => return Some(decimal),
                Err(MassError::OutOfRange) => "has more than 18 digits",
                Err(MassError::NotANumber | MassError::Unit) => "is not a plain decimal number",
            },
            Err(complaint) => complaint,
        };
        let message = format!("\"{key}\" is {}, which {complaint}", shown(source));
        self.report(
            &value.span(),
            message,
            "Write a plain decimal number such as 12.5",
        );
        None
    }

    /// A mass in grams written without its unit.
    pub fn grams(&mut self, value: &Value<'i>, key: &str) -> Option<Mass> {
        let decimal = self.decimal(value, key)?;
        if decimal.decimals > 9 {
            let message = format!("\"{key}\" is finer than a nanogram");
            self.report(&value.span(), message, "Write at most nine decimals");
            return None;
        }
        match decimal.in_unit(Unit::Gram) {
            Ok(mass) => Some(mass),
            Err(e) => {
                self.report(
                    &value.span(),
                    format!("\"{key}\" is {e}"),
                    "Write fewer grams",
                );
                None
            }
        }
    }

    /// A positive mass with its unit, as text: `"0.01 g"`.
    pub fn mass(&mut self, value: &Value<'i>, key: &str, example: &str) -> Option<Mass> {
        let Some(text) = value.get_ref().as_str() else {
            self.wrong_kind(
                value,
                key,
                "a weight with its unit",
                &format!("Write for example \"{example}\""),
            );
            return None;
        };
        let complaint = match Mass::parse_with_unit(text) {
            Ok(mass) if mass > Mass::ZERO => return Some(mass),
            Ok(_) => "must be more than nothing".to_owned(),
            Err(e) => format!("is wrong: {e}"),
        };
        let message = format!("\"{key}\": \"{}\" {complaint}", shown(text));
        self.report(
            &value.span(),
            message,
            format!("Write for example \"{example}\""),
        );
        None
    }

    /// A whole number within a range; hexadecimal is accepted.
    pub fn whole(&mut self, value: &Value<'i>, key: &str, range: Range<u32>) -> Option<u32> {
        let DeValue::Integer(integer) = value.get_ref() else {
            self.wrong_kind(
                value,
                key,
                "a whole number",
                "Write it without quotes and point",
            );
            return None;
        };
        let number = u32::from_str_radix(integer.as_str(), integer.radix()).ok();
        let number = number.filter(|n| range.contains(n));
        if number.is_none() {
            let bounds = format!("from {} to {}", range.start, range.end.saturating_sub(1));
            let source = shown(self.source(&value.span()));
            let message = format!("\"{key}\" is {source}, which is out of range");
            self.report(
                &value.span(),
                message,
                format!("Write a whole number {bounds}"),
            );
        }
        number
    }

    /// A time or a factor within a range; these are no weights, a float serves.
    pub fn float(&mut self, value: &Value<'i>, key: &str, least: f64, most: f64) -> Option<f64> {
        let decimal = self.decimal(value, key)?;
        let number = decimal.digits as f64 / 10f64.powi(i32::from(decimal.decimals));
        if !(least..=most).contains(&number) {
            let source = shown(self.source(&value.span()));
            let message = format!("\"{key}\" is {source}, which is out of range");
            self.report(
                &value.span(),
                message,
                format!("Write a number from {least} to {most}"),
            );
            return None;
        }
        Some(number)
    }
}

/// Checks for digits with at most one point, an optional plus before them.
fn plain_number(source: &str) -> Result<(), &'static str> {
    let digits = source.strip_prefix('+').unwrap_or(source);
    let lower = digits.to_ascii_lowercase();
    if lower.ends_with("nan") || lower.ends_with("inf") {
        return Err("is not a number that can be weighed");
    }
    if source.starts_with('-') {
        return Err("is negative");
    }
    if digits.contains('_') {
        return Err("has digit groups");
    }
    if lower.starts_with("0x") || lower.starts_with("0o") || lower.starts_with("0b") {
        return Err("is not decimal");
    }
    if digits.contains(',') {
        return Err("has a comma, which could mean thousands or decimals");
    }
    if lower.contains('e') && lower.starts_with(|c: char| c.is_ascii_digit()) {
        return Err("has an exponent");
    }
    let mut parts = digits.split('.');
    let whole = parts.next().unwrap_or("");
    let part = parts.next().unwrap_or("0");
    let all_digits = |s: &str| !s.is_empty() && s.bytes().all(|b| b.is_ascii_digit());
    if !all_digits(whole) || !all_digits(part) || parts.next().is_some() {
        return Err("is not a plain decimal number");
    }
    Ok(())
}

/// Control characters, and the marks that reorder or break a line where it is printed.
fn unprintable(c: char) -> bool {
    c.is_control()
        || matches!(c, '\u{2028}' | '\u{2029}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}')
        || c == '\u{feff}'
}

fn code_point(c: char) -> String {
    format!("U+{:04X}", u32::from(c))
}

/// A piece of outside text for a message: short, and without control characters.
pub(crate) fn shown(text: &str) -> String {
    let clean = |c: char| if unprintable(c) { '\u{fffd}' } else { c };
    let mut shown: String = text.chars().take(40).map(clean).collect();
    if text.chars().nth(40).is_some() {
        shown.push('…');
    }
    shown
}

fn article(kind: &str) -> String {
    let vowel = kind.starts_with(['a', 'e', 'i', 'o', 'u']);
    format!("{} {kind}", if vowel { "an" } else { "a" })
}

fn list(words: &[&str]) -> String {
    words
        .iter()
        .map(|word| format!("\"{word}\""))
        .collect::<Vec<_>>()
        .join(", ")
}

/// The known word nearest to a mistyped one, if any is near enough to be meant.
fn nearest<'k>(word: &str, known: &[&'k str]) -> Option<&'k str> {
    let word = word.chars().take(40).collect::<String>().to_lowercase();
    let near = |k: &&&str| strsim::damerau_levenshtein(&word, k);
    let best = known.iter().min_by_key(near)?;
    let distance = strsim::damerau_levenshtein(&word, best);
    (distance <= 2.max(best.chars().count() / 3) && distance < best.chars().count())
        .then_some(*best)
}
