//! A TOML file read with the place of everything in it.
//!
//! A [`Reader`] walks the parsed document, gathers every fault it meets (so that a person mends them
//! all in one go) and hands numbers over exactly as they stand in the file: the digits are taken from
//! the source text, never from a float.

mod value;

use std::ops::Range;

pub use self::value::Form;
pub use toml::Spanned;
pub use toml::de::{DeTable, DeValue};

use crate::language::{Sentence, phrase, term};
use crate::problem::{Problem, Problems};
use crate::text::misleads;

/// A value with its place in the text.
pub type Value<'i> = Spanned<DeValue<'i>>;

/// How many faults are gathered. A file of another kind would give hundreds of thousands.
const MOST_PROBLEMS: usize = 200;

/// Byte offsets to line and column.
pub struct Lines<'i> {
    text: &'i str,
    starts: Vec<usize>,
}

impl<'i> Lines<'i> {
    pub fn new(text: &'i str) -> Self {
        let breaks = text.bytes().enumerate().filter(|&(_, b)| b == b'\n');
        let starts = std::iter::once(0)
            .chain(breaks.map(|(i, _)| i + 1))
            .collect();
        Lines { text, starts }
    }

    /// Line and column of a byte offset, both from 1; a column counts characters.
    pub fn place(&self, offset: usize) -> (usize, usize) {
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
        // The line where a comma was told: what else the parser says of it is the echo.
        let mut told = 0;
        let mut listed = false;
        for error in errors.iter().take(5) {
            let at = error.span().map_or(0, |span| span.start);
            let line = reader.lines.place(at).0;
            // What follows a head that was to be doubled is the echo of that.
            let duplicate = error.message().contains("duplicate key");
            if line == told || duplicate && listed {
                continue;
            }
            if duplicate && let Some((head, place)) = single_brackets(text, at) {
                let message = phrase!("[{head}] stands a second time in single brackets", head);
                let remedy = phrase!("Begin each with doubled brackets: [[{head}]]", head);
                reader.report_at(place, message, remedy);
                listed = true;
                continue;
            }
            if let Some((message, remedy, place)) = not_toml(text, at) {
                reader.report_at(place, message, remedy);
                told = line;
                continue;
            }
            if let Some((number, place)) = decimal_comma(text, at) {
                let message = phrase!("the number {number} has a comma", number = shown(number));
                reader.report_at(place, message, value::point_remedy(number));
                told = line;
                continue;
            }
            // The words of the library that reads TOML, which are English, behind ours.
            let detail = error.message().trim().replace('\n', ", ");
            let message = match duplicate {
                true => phrase!("this stands here a second time ({detail})", detail),
                false => phrase!("this cannot be read as TOML ({detail})", detail),
            };
            let remedy = match duplicate {
                true => phrase!("Remove or rename one of the two"),
                false => phrase!("Check quotes, brackets and the equals sign around this place"),
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
        message: impl Into<Sentence>,
        remedy: impl Into<Sentence>,
    ) {
        self.report_at(span.start, message, remedy);
    }

    fn report_at(&mut self, at: usize, message: impl Into<Sentence>, remedy: impl Into<Sentence>) {
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

    /// What was read, where nothing was reported.
    ///
    /// # Errors
    /// Else everything that was.
    pub fn finish<T>(self, read: T) -> Result<T, Problems> {
        match self.clean() {
            true => Ok(read),
            false => Err(self.into_problems()),
        }
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
    pub fn only(&mut self, table: &DeTable<'i>, what: impl Into<Sentence>, known: &[&str]) {
        let what = what.into();
        for (key, _) in table.iter() {
            if self.problems.len() >= MOST_PROBLEMS {
                return;
            }
            if !known.contains(&&**key.get_ref()) {
                let remedy = match nearest(key.get_ref(), known) {
                    Some(near) => phrase!("Write \"{near}\", or remove the key", near),
                    None => phrase!("Remove it; the keys here are {keys}", keys = list(known)),
                };
                let message = phrase!(
                    "{what} has no key \"{key}\"",
                    what = what.clone(),
                    key = shown(key.get_ref())
                );
                self.report(&key.span(), message, remedy);
            }
        }
    }

    /// What `read` makes of a key's value; nothing where the key is not there.
    pub fn get<'t, T>(
        &mut self,
        table: &'t DeTable<'i>,
        key: &str,
        read: impl FnOnce(&mut Self, &'t Value<'i>, &str) -> Option<T>,
    ) -> Option<T> {
        read(self, table.get(key)?, key)
    }

    /// The text of a key that must be there.
    pub fn required_line(
        &mut self,
        table: &DeTable<'i>,
        at: &Range<usize>,
        what: impl Into<Sentence>,
        key: &str,
        example: impl Into<Sentence>,
    ) -> Option<String> {
        let value = self.required(table, at, what, key, example)?;
        self.line(value, key)
    }

    /// The value of a key that must be there.
    pub fn required<'t>(
        &mut self,
        table: &'t DeTable<'i>,
        at: &Range<usize>,
        what: impl Into<Sentence>,
        key: &str,
        example: impl Into<Sentence>,
    ) -> Option<&'t Value<'i>> {
        let value = table.get(key);
        if value.is_none() {
            let message = phrase!("{what} has no \"{key}\"", what = what.into(), key);
            self.report(
                at,
                message,
                phrase!("Add, for example, {example}", example = example.into()),
            );
        }
        value
    }

    fn wrong_kind(&mut self, value: &Value<'i>, key: &str, wanted: Sentence, remedy: Sentence) {
        let found = match value.get_ref() {
            DeValue::String(_) => term!("a string"),
            DeValue::Integer(_) => term!("an integer"),
            DeValue::Float(_) => term!("a float"),
            DeValue::Boolean(_) => term!("a boolean"),
            DeValue::Datetime(_) => term!("a datetime"),
            DeValue::Array(_) => term!("an array"),
            DeValue::Table(_) => term!("a table"),
        };
        let message = phrase!(
            "\"{key}\" must be {wanted}, not {found}",
            key,
            wanted,
            found
        );
        self.report(&value.span(), message, remedy);
    }

    /// A table.
    pub fn table<'t>(&mut self, value: &'t Value<'i>, key: &str) -> Option<&'t DeTable<'i>> {
        let table = value.get_ref().as_table();
        if table.is_none() {
            let example = format!("{key} = {{ ... }}");
            self.wrong_kind(
                value,
                key,
                phrase!("a table"),
                phrase!("Write {example}", example),
            );
        }
        table
    }

    /// The tables of a key, as [`Reader::tables`]; none where the key is not there.
    pub fn list<'t>(
        &mut self,
        table: &'t DeTable<'i>,
        key: &str,
    ) -> Vec<(&'t DeTable<'i>, Range<usize>)> {
        let value = table.get(key);
        value.map_or(Vec::new(), |value| self.tables(value, key))
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
                phrase!("a list of tables"),
                phrase!(
                    "Begin each with doubled brackets, [[{key}]] in place of [{key}]",
                    key
                ),
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
}

/// Where the line after the byte `at` begins, or the end; `None` where `at` is no place in the text.
pub fn next_line(text: &str, at: usize) -> Option<usize> {
    let rest = text.get(at..)?;
    Some(at + rest.find('\n').map_or(rest.len(), |end| end + 1))
}

/// The line that holds the byte `at`, and where it begins.
fn line_at(text: &str, at: usize) -> Option<(usize, &str)> {
    let start = text.get(..at)?.rfind('\n').map_or(0, |end| end + 1);
    Some((start, text.get(start..)?.lines().next()?))
}

/// A head in single brackets on the line of the fault that is one of a list, and where it begins.
fn single_brackets(text: &str, at: usize) -> Option<(&str, usize)> {
    const LISTS: [&str; 6] = ["phase", "ingredient", "substance", "lot", "scale", "vessel"];
    let (start, line) = line_at(text, at)?;
    let head = line.trim().strip_prefix('[')?.split(']').next()?.trim();
    let last = head.rsplit('.').next()?.trim();
    LISTS.contains(&last).then_some((head, start))
}

/// What people write who know no TOML, at the fault `at` in its line: a percent sign, a slash in a day, quotation marks of
/// a text program. What is wrong, what to write, and where it begins.
fn not_toml(text: &str, at: usize) -> Option<(Sentence, Sentence, usize)> {
    const QUOTES: [char; 10] = ['“', '”', '„', '‟', '«', '»', '‘', '’', '‚', '″'];
    let (start, line) = line_at(text, at)?;
    // No person wrote a line longer than this.
    if line.len() > 1000 {
        return None;
    }
    // Within a text or a comment all of it may stand.
    let outside = |end: usize| {
        let before = line.get(..end).unwrap_or_default();
        before.matches('"').count() % 2 == 0 && !before.contains('#')
    };
    let quote = line.find(QUOTES).filter(|&quote| outside(quote));
    if let Some(quote) = quote {
        let mark = line.get(quote..)?.chars().next()?;
        let message = phrase!(
            "{mark} is a quotation mark of a text program",
            mark = mark.to_string()
        );
        let remedy = phrase!("Write \", the straight one, before and after the text");
        return Some((message, remedy, start + quote));
    }
    let value = |c: char| c.is_ascii_digit() || matches!(c, '.' | ',' | '/' | '%' | ' ' | '+');
    for (equals, _) in line.match_indices('=') {
        let after = line.get(equals + 1..)?;
        let begin = equals + 1 + (after.len() - after.trim_start().len());
        let rest = line.get(begin..)?;
        let end = rest.find(|c| !value(c)).unwrap_or(rest.len());
        let written = rest.get(..end)?.trim_end_matches([' ', ',']);
        let near = at >= start + begin && at <= start + begin + end + 1;
        if !near || !outside(begin) || !written.starts_with(|c: char| c.is_ascii_digit()) {
            continue;
        }
        let place = start + begin;
        if let Some(number) = written.strip_suffix('%') {
            let message = phrase!("{written} has a percent sign", written = shown(written));
            let number = number.trim_end();
            let remedy = match number.contains(',') {
                true => value::point_remedy(number),
                false => phrase!(
                    "Write the number alone: {number_in_file}",
                    number_in_file = shown(number)
                ),
            };
            return Some((message, remedy, place));
        }
        if written.contains('/') {
            let message = phrase!(
                "{written} is no day that can be read",
                written = shown(written)
            );
            let remedy = phrase!("Write year, month, day: 2027-12-31");
            return Some((message, remedy, place));
        }
    }
    None
}

/// A bare number with a comma, `= 20,5`, at the fault `at` in its line, and where it begins. TOML's own
/// words for it speak of line ends, or of a key "5".
fn decimal_comma(text: &str, at: usize) -> Option<(&str, usize)> {
    let (start, line) = line_at(text, at)?;
    // No person wrote a line longer than this, and it would take long.
    if line.len() > 1000 {
        return None;
    }
    for (comma, _) in line.match_indices(',') {
        let (before, after) = (line.get(..comma)?, line.get(comma..)?);
        let digits = |c: char| c.is_ascii_digit() || matches!(c, '+' | '-' | '_' | '.');
        let head = before.trim_end_matches(digits);
        let tail = after.trim_start_matches(|c: char| digits(c) || c == ',');
        let end = line.len() - tail.len();
        let number = line.get(head.len()..end)?.trim_end_matches(',');
        let bare = before.len() > head.len()
            && after.get(1..)?.starts_with(|c: char| c.is_ascii_digit())
            && head.trim_end().ends_with('=')
            // Not within a text.
            && head.matches('"').count() % 2 == 0
            && !head.contains('#');
        // The fault stands at the comma, or where a value was wanted for the "key" after it.
        let near =
            start + comma <= at && at <= start + end + (tail.len() - tail.trim_start().len());
        if bare && near {
            return Some((number, start + head.len()));
        }
    }
    None
}

/// What a log's cell would change, so that a name would not be the same there, and a byte order mark.
fn unprintable(c: char) -> bool {
    misleads(c) || c == '\u{feff}'
}

/// A piece of outside text for a message: short, and without control characters.
pub fn shown(text: &str) -> String {
    let clean = |c: char| if unprintable(c) { '\u{fffd}' } else { c };
    let mut shown: String = text.chars().take(40).map(clean).collect();
    if text.chars().nth(40).is_some() {
        shown.push('…');
    }
    shown
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
