//! The values of a document: texts, words, numbers, weights.

use std::ops::Range;

use super::{DeValue, Reader, Value, list, nearest, shown, unprintable};
use crate::language::{Sentence, phrase};
use crate::mass::{Decimal, Mass, MassError, Unit};
use crate::text::alike::is_invisible;

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

impl<'i> Reader<'i> {
    /// A text without control characters, trimmed, not empty.
    pub fn text(&mut self, value: &Value<'i>, key: &str, form: Form) -> Option<String> {
        let Some(text) = value.get_ref().as_str() else {
            self.wrong_kind(value, key, phrase!("a text"), phrase!("Put it in quotes"));
            return None;
        };
        let text = text.replace("\r\n", "\n");
        let broken = |c: char| c == '\n' && form != Form::Line;
        if let Some(bad) = text.chars().find(|&c| unprintable(c) && !broken(c)) {
            let message = phrase!(
                "\"{key}\" holds the control character {character}",
                key,
                character = code_point(bad)
            );
            self.report(
                &value.span(),
                message,
                phrase!("Remove it; write plain text"),
            );
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
            let message = phrase!(
                "\"{key}\" has {length} characters; {most} is the most",
                key,
                length,
                most = most.to_string()
            );
            self.report(&value.span(), message, phrase!("Shorten it"));
            return None;
        }
        if is_invisible(&text) && form != Form::Paragraphs {
            self.report(
                &value.span(),
                phrase!("\"{key}\" is empty", key),
                phrase!("Fill it in or remove it"),
            );
            return None;
        }
        Some(text)
    }

    /// A text of one line.
    pub fn line(&mut self, value: &Value<'i>, key: &str) -> Option<String> {
        self.text(value, key, Form::Line)
    }

    /// A text that may be broken in the file.
    pub fn folded(&mut self, value: &Value<'i>, key: &str) -> Option<String> {
        self.text(value, key, Form::Folded)
    }

    /// `true` or `false`.
    pub fn boolean(&mut self, value: &Value<'i>, key: &str) -> Option<bool> {
        let flag = value.get_ref().as_bool();
        if flag.is_none() {
            self.wrong_kind(
                value,
                key,
                phrase!("true or false"),
                phrase!("Write it without quotes"),
            );
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
                phrase!("one of {choices}", choices = list(&words)),
                phrase!("Put it in quotes"),
            );
            return None;
        };
        let found = choices.iter().find(|(word, _)| *word == text);
        if found.is_none() {
            let message = phrase!("\"{text}\" is no {key}", text = shown(text), key);
            let remedy = match nearest(text, &words) {
                Some(near) => phrase!(
                    "Write \"{near}\"; the choices are {choices}",
                    near,
                    choices = list(&words)
                ),
                None => phrase!("Write one of {choices}", choices = list(&words)),
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
                    phrase!("a plain decimal number"),
                    phrase!("Write for example 12.5"),
                );
                return None;
            }
        };
        let complaint = match plain_number(source) {
            Ok(()) => match Decimal::parse(source.as_bytes()) {
                Ok(decimal) => return Some(decimal),
                Err(MassError::OutOfRange) => phrase!("has more than 18 digits"),
                Err(MassError::NotANumber | MassError::Unit | MassError::Either { .. }) => {
                    phrase!("is not a plain decimal number")
                }
            },
            Err(complaint) => complaint,
        };
        let message = phrase!(
            "\"{key}\" is {typed_in_file}, which {complaint}",
            key,
            typed_in_file = shown(source),
            complaint
        );
        let bare = source.strip_suffix('%').map(str::trim_end);
        let remedy = if let Some(number) = bare.filter(|number| plain_number(number).is_ok()) {
            phrase!(
                "Write the number alone: {number_in_file}",
                number_in_file = shown(number)
            )
        } else if source.contains(',') {
            point_remedy(source)
        } else {
            phrase!(
                "Write a plain decimal number such as {number_in_file}",
                number_in_file = "12.5"
            )
        };
        self.report(&value.span(), message, remedy);
        None
    }

    /// A mass in grams written without its unit.
    pub fn grams(&mut self, value: &Value<'i>, key: &str) -> Option<Mass> {
        let decimal = self.decimal(value, key)?;
        if decimal.decimals > 9 {
            let message = phrase!("\"{key}\" is finer than a nanogram", key);
            self.report(
                &value.span(),
                message,
                phrase!("Write at most nine decimals"),
            );
            return None;
        }
        match decimal.in_unit(Unit::Gram) {
            Ok(mass) => Some(mass),
            Err(e) => {
                self.report(
                    &value.span(),
                    phrase!("\"{key}\" is {why}", key, why = e),
                    phrase!("Write fewer grams"),
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
                phrase!("a weight with its unit"),
                phrase!(
                    "Write for example {text_in_file}",
                    text_in_file = format!("\"{example}\"")
                ),
            );
            return None;
        };
        let complaint = match Mass::parse_with_unit(text) {
            Ok(mass) if mass > Mass::ZERO => return Some(mass),
            Ok(_) => phrase!("must be more than nothing"),
            Err(e) => phrase!("is wrong: {why}", why = e),
        };
        let message = phrase!(
            "\"{key}\": \"{mass_in_file}\" {complaint}",
            key,
            mass_in_file = shown(text),
            complaint
        );
        self.report(
            &value.span(),
            message,
            phrase!(
                "Write for example {text_in_file}",
                text_in_file = format!("\"{example}\"")
            ),
        );
        None
    }

    /// A whole number within a range; hexadecimal is accepted.
    pub fn whole(&mut self, value: &Value<'i>, key: &str, range: Range<u32>) -> Option<u32> {
        let DeValue::Integer(integer) = value.get_ref() else {
            self.wrong_kind(
                value,
                key,
                phrase!("a whole number"),
                phrase!("Write it without quotes and point"),
            );
            return None;
        };
        let number = u32::from_str_radix(integer.as_str(), integer.radix()).ok();
        let number = number.filter(|n| range.contains(n));
        if number.is_none() {
            let source = shown(self.source(&value.span()));
            let message = phrase!("\"{key}\" is {source}, which is out of range", key, source);
            self.report(
                &value.span(),
                message,
                phrase!(
                    "Write a whole number from {least} to {most}",
                    least = range.start,
                    most = range.end.saturating_sub(1)
                ),
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
            let message = phrase!("\"{key}\" is {source}, which is out of range", key, source);
            self.report(
                &value.span(),
                message,
                phrase!(
                    "Write a number from {least} to {most}",
                    least = least.to_string(),
                    most = most.to_string()
                ),
            );
            return None;
        }
        Some(number)
    }
}

/// What to write for a number with a comma. The number itself is given only where one comma cannot
/// have parted thousands.
pub(super) fn point_remedy(number: &str) -> Sentence {
    let point_in_file = phrase!("a decimal point and no comma: ");
    match number.trim().split_once(',') {
        Some((whole, part))
            if part.len() != 3 && plain_number(&format!("{whole}.{part}")).is_ok() =>
        {
            phrase!(
                "Write {point_in_file}{number_in_file}",
                point_in_file,
                number_in_file = format!("{whole}.{part}"),
            )
        }
        Some(_) | None => phrase!(
            "Write {point_in_file}{number_in_file}, and 1000 without a mark for thousands",
            point_in_file,
            number_in_file = "12.5",
        ),
    }
}

/// Checks for digits with at most one point, an optional plus before them.
fn plain_number(source: &str) -> Result<(), Sentence> {
    let digits = source.strip_prefix('+').unwrap_or(source);
    let lower = digits.to_ascii_lowercase();
    if lower.ends_with("nan") || lower.ends_with("inf") {
        return Err(phrase!("is not a number that can be weighed"));
    }
    if source.starts_with('-') {
        return Err(phrase!("is negative"));
    }
    if digits.contains('_') {
        return Err(phrase!("has digit groups"));
    }
    if lower.starts_with("0x") || lower.starts_with("0o") || lower.starts_with("0b") {
        return Err(phrase!("is not decimal"));
    }
    if digits.contains(',') {
        return Err(phrase!(
            "has a comma, which could mean thousands or decimals"
        ));
    }
    if lower.contains('e') && lower.starts_with(|c: char| c.is_ascii_digit()) {
        return Err(phrase!("has an exponent"));
    }
    let mut parts = digits.split('.');
    let whole = parts.next().unwrap_or("");
    let part = parts.next().unwrap_or("0");
    let all_digits = |s: &str| !s.is_empty() && s.bytes().all(|b| b.is_ascii_digit());
    if !all_digits(whole) || !all_digits(part) || parts.next().is_some() {
        return Err(phrase!("is not a plain decimal number"));
    }
    Ok(())
}

fn code_point(c: char) -> String {
    format!("U+{:04X}", u32::from(c))
}
