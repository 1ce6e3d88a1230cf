//! The values of a document: texts, words, numbers, weights.

use std::ops::Range;

use super::{DeValue, Reader, Value, list, nearest, shown, unprintable};
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
        if is_invisible(&text) && form != Form::Paragraphs {
            self.report(
                &value.span(),
                format!("\"{key}\" is empty"),
                "Fill it in or remove it",
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
        let bare = source.strip_suffix('%').map(str::trim_end);
        let remedy = if let Some(number) = bare.filter(|number| plain_number(number).is_ok()) {
            format!("Write the number alone: {}", shown(number))
        } else if source.contains(',') {
            point_remedy(source)
        } else {
            "Write a plain decimal number such as 12.5".to_owned()
        };
        self.report(&value.span(), message, remedy);
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

/// What to write for a number with a comma. The number itself is given only where one comma cannot
/// have parted thousands.
pub(super) fn point_remedy(number: &str) -> String {
    let example = match number.trim().split_once(',') {
        Some((whole, part))
            if part.len() != 3 && plain_number(&format!("{whole}.{part}")).is_ok() =>
        {
            format!("{whole}.{part}")
        }
        Some(_) | None => "12.5, and 1000 without a mark for thousands".to_owned(),
    };
    format!("Write a decimal point and no comma: {example}")
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

fn code_point(c: char) -> String {
    format!("U+{:04X}", u32::from(c))
}
