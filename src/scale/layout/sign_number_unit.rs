//! Lines of a sign, a number and a unit in fixed columns; the unit is missing while the load moves.

use super::super::{Indication, Line, Reject};
use super::{Columns, Layout, column};
use crate::language::{Term, term};
use crate::vocabulary::reading::Shown;

/// 16 characters with CR LF: sign, number in columns 2 to 10, a space, the unit in columns 12 to 14.
/// Common practice, no published source.
#[derive(Debug)]
pub struct Sixteen;

/// 22 characters with CR LF: a label of six columns (`N` net, `G` gross, `T` tare), then as
/// [`Sixteen`]. Common practice, no published source.
#[derive(Debug)]
pub struct TwentyTwo;

const WIDTH: usize = 14;
const LABEL: usize = 6;

impl Layout for Sixteen {
    fn name(&self) -> &'static str {
        "sign-number-unit-16"
    }
    fn describe(&self) -> Term {
        term!("16 characters with the line end: `+   123.45 g  `; no unit while the load moves")
    }
    fn columns(&self) -> Columns {
        Columns::Fixed
    }
    fn parse(&self, line: &[u8]) -> Result<Line, Reject> {
        parse(line, None)
    }
}

impl Layout for TwentyTwo {
    fn name(&self) -> &'static str {
        "sign-number-unit-22"
    }
    fn describe(&self) -> Term {
        term!(
            "22 characters with the line end, a label first: `N     +   123.45 g  `; no unit while the load moves"
        )
    }
    fn columns(&self) -> Columns {
        Columns::Fixed
    }
    fn parse(&self, line: &[u8]) -> Result<Line, Reject> {
        if line.len() != LABEL + WIDTH {
            return Err(Reject::Form);
        }
        let (label, rest) = line.split_at(LABEL);
        let is_label = |&byte: &u8| byte.is_ascii_alphanumeric() || matches!(byte, b'.' | b'#');
        let label = column::trim_end(label);
        if !label.iter().all(is_label) {
            return Err(Reject::Form);
        }
        match label {
            b"" => parse(rest, None),
            b"N" | b"Net" | b"NET" => parse(rest, Some(Shown::Net)),
            b"G" | b"Gross" | b"GROSS" => parse(rest, Some(Shown::Gross)),
            // A tare, a mean, a count: not what lies on the pan now.
            _ => match parse(rest, None)? {
                Line::NotAMass => Ok(Line::NotAMass),
                Line::Weight(_) | Line::Overload | Line::Underload | Line::NoWeight => {
                    Ok(Line::NoWeight)
                }
            },
        }
    }
}

fn parse(line: &[u8], shown: Option<Shown>) -> Result<Line, Reject> {
    if line.len() != WIDTH {
        return Err(Reject::Form);
    }
    let (sign_and_number, rest) = line.split_at(10);
    let Some((&sign, digits)) = sign_and_number.split_first() else {
        return Err(Reject::Form);
    };
    let value =
        match column::sign(sign).and_then(|negative| column::right_aligned(digits, negative)) {
            Ok(value) => value,
            Err(_) => return word(line),
        };
    let [b' ', unit_column @ ..] = rest else {
        return Err(Reject::Form);
    };
    let unit = column::trim_end(unit_column);
    let unit = match unit {
        b"" => None,
        word => match column::unit(word)? {
            Some(unit) => Some(unit),
            None => return Ok(Line::NotAMass),
        },
    };
    Ok(Line::Weight(Indication {
        value,
        unit,
        steady: Some(unit.is_some()),
        shown,
    }))
}

/// A word in the place of number and unit: `High`, `Low`, `Error`.
fn word(line: &[u8]) -> Result<Line, Reject> {
    let text = column::trim_end(column::skip_spaces(line));
    let (letters, code) =
        text.split_at(text.iter().take_while(|b| b.is_ascii_alphabetic()).count());
    let is_code = |&byte: &u8| byte.is_ascii_digit() || matches!(byte, b'.' | b' ' | b'-');
    if letters.is_empty() || !code.iter().all(is_code) {
        return Err(Reject::Form);
    }
    let is = |words: &[&[u8]]| words.iter().any(|word| letters.eq_ignore_ascii_case(word));
    if is(&[b"h", b"hh", b"high", b"over", b"ol"]) {
        Ok(Line::Overload)
    } else if is(&[b"l", b"ll", b"low", b"under", b"ul"]) {
        Ok(Line::Underload)
    } else if is(&[b"err", b"error", b"cal", b"off", b"wait", b"busy"]) {
        Ok(Line::NoWeight)
    } else {
        Err(Reject::Form)
    }
}
