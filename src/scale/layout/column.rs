//! Columns that several layouts share: numbers, units, and both together.

use super::super::{Line, Reject};
use crate::mass::{Decimal, Unit};

/// Digits with at most one point or comma, and a digit on both sides of it; nothing else.
/// Stricter than [`Decimal::parse`], so that no number can end or begin at the place of a cut.
pub(super) fn number(text: &[u8], negative: bool) -> Result<Decimal, Reject> {
    let mut digits: i64 = 0;
    let mut point = None;
    for (i, &byte) in text.iter().enumerate() {
        match byte {
            b'0'..=b'9' => {
                let digit = i64::from(byte - b'0');
                digits = digits
                    .checked_mul(10)
                    .and_then(|d| d.checked_add(digit))
                    .ok_or(Reject::Form)?;
            }
            b'.' | b',' if point.is_none() && i > 0 && i + 1 < text.len() => point = Some(i),
            _ => return Err(Reject::Form),
        }
    }
    // 18 digits are what `Decimal` can hold.
    if text.is_empty() || text.len() - usize::from(point.is_some()) > 18 {
        return Err(Reject::Form);
    }
    let decimals = point.map_or(0, |at| text.len() - at - 1);
    Ok(Decimal {
        digits: if negative { -digits } else { digits },
        decimals: decimals as u8,
        negative,
    })
}

/// A number that ends its column, with spaces before it.
pub(super) fn right_aligned(column: &[u8], negative: bool) -> Result<Decimal, Reject> {
    number(skip_spaces(column), negative)
}

/// A sign column: `+`, `-` or blank. Gives whether it is negative.
pub(super) fn sign(byte: u8) -> Result<bool, Reject> {
    match byte {
        b'+' | b' ' => Ok(false),
        b'-' => Ok(true),
        _ => Err(Reject::Form),
    }
}

pub(super) fn skip_spaces(text: &[u8]) -> &[u8] {
    let spaces = text.iter().take_while(|&&byte| byte == b' ').count();
    text.get(spaces..).unwrap_or_default()
}

pub(super) fn trim_end(text: &[u8]) -> &[u8] {
    let spaces = text.iter().rev().take_while(|&&byte| byte == b' ').count();
    text.get(..text.len() - spaces).unwrap_or_default()
}

/// A word in the place of a unit: a unit of mass, or something that is not one.
/// Anything but a short word is not the layout's form.
pub(super) fn unit(word: &[u8]) -> Result<Option<Unit>, Reject> {
    let is_word = |&byte: &u8| byte.is_ascii_alphabetic() || matches!(byte, b'%' | b':' | b'/');
    if word.is_empty() || word.len() > 5 || !word.iter().all(is_word) {
        return Err(Reject::Form);
    }
    Ok(Unit::from_symbol(word))
}

/// A number with its unit, as text of free width.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Measure {
    Mass(Decimal, Unit),
    NotAMass,
}

impl Measure {
    /// The line, when it has a mass `weight` gives it.
    pub(super) fn line(self, weight: impl FnOnce(Decimal, Unit) -> Line) -> Line {
        match self {
            Measure::Mass(value, unit) => weight(value, unit),
            Measure::NotAMass => Line::NotAMass,
        }
    }
}

/// Reads `12.34 g`, `-  0.05g`, `+00012.34  g`, `1 lb 3.45 oz`, `1:03.45 lb:oz`; spaces may stand
/// before it, after the sign and before the unit, none after it.
pub(super) fn measure(text: &[u8]) -> Result<Measure, Reject> {
    let (negative, rest) = match skip_spaces(text) {
        [b'-', rest @ ..] => (true, rest),
        [b'+', rest @ ..] => (false, rest),
        rest => (false, rest),
    };
    let (head, rest) = number_part(skip_spaces(rest));
    let (word, rest) = word_part(skip_spaces(rest));
    if let Some(colon) = head.iter().position(|&byte| byte == b':') {
        let (pounds, ounces) = head.split_at(colon);
        let ounces = ounces.get(1..).unwrap_or_default();
        if unit(word)? != Some(Unit::PoundOunce) || !rest.is_empty() {
            return Err(Reject::Form);
        }
        let value = pounds_and_ounces(pounds, ounces, negative)?;
        return Ok(Measure::Mass(value, Unit::PoundOunce));
    }
    if rest.is_empty() {
        let value = number(head, negative)?;
        return match unit(word)? {
            // A whole number of pounds is how `1 lb 3.45 oz` begins; no bench scale shows it alone.
            Some(Unit::Pound) if value.decimals == 0 => Err(Reject::Form),
            // Pounds and ounces are two numbers.
            Some(Unit::PoundOunce) => Err(Reject::Form),
            Some(unit) => Ok(Measure::Mass(value, unit)),
            None => Ok(Measure::NotAMass),
        };
    }
    let (ounces, rest) = number_part(skip_spaces(rest));
    let ounce_word = skip_spaces(rest);
    if unit(word)? != Some(Unit::Pound) || unit(ounce_word)? != Some(Unit::Ounce) {
        return Err(Reject::Form);
    }
    let value = pounds_and_ounces(head, ounces, negative)?;
    Ok(Measure::Mass(value, Unit::PoundOunce))
}

/// Whole pounds and less than 16 ounces, as one number of ounces.
pub(super) fn pounds_and_ounces(
    pounds: &[u8],
    ounces: &[u8],
    negative: bool,
) -> Result<Decimal, Reject> {
    let pounds = number(pounds, false)?;
    let ounces = number(ounces, false)?;
    let scale = 10i64
        .checked_pow(u32::from(ounces.decimals))
        .ok_or(Reject::Form)?;
    if pounds.decimals != 0 || ounces.digits / scale >= 16 {
        return Err(Reject::Form);
    }
    let digits = pounds
        .digits
        .checked_mul(16)
        .and_then(|oz| oz.checked_mul(scale))
        .and_then(|oz| oz.checked_add(ounces.digits))
        .ok_or(Reject::Form)?;
    Ok(Decimal {
        digits: if negative { -digits } else { digits },
        decimals: ounces.decimals,
        negative,
    })
}

fn number_part(text: &[u8]) -> (&[u8], &[u8]) {
    let is_number = |&&byte: &&u8| byte.is_ascii_digit() || matches!(byte, b'.' | b',' | b':');
    text.split_at(text.iter().take_while(is_number).count())
}

fn word_part(text: &[u8]) -> (&[u8], &[u8]) {
    let is_word = |&&byte: &&u8| byte.is_ascii_alphabetic() || matches!(byte, b'%' | b':' | b'/');
    text.split_at(text.iter().take_while(is_word).count())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[track_caller]
    fn check(text: &str, digits: i64, decimals: u8, unit: Unit) {
        let value = Decimal {
            digits,
            decimals,
            negative: text.contains('-'),
        };
        assert_eq!(
            measure(text.as_bytes()),
            Ok(Measure::Mass(value, unit)),
            "{text}"
        );
    }

    #[test]
    fn numbers_with_units_of_free_width() {
        check("12.34 g", 1234, 2, Unit::Gram);
        check("   -0,05g", -5, 2, Unit::Gram);
        check("-0.00 g", 0, 2, Unit::Gram);
        check("+00012.340  KG", 12340, 3, Unit::Kilogram);
        check("12 g", 12, 0, Unit::Gram);
        check("1.5 lb", 15, 1, Unit::Pound);
        // 16 oz in a pound: 1 lb 3.45 oz = 19.45 oz.
        check("1 lb 3.45 oz", 1945, 2, Unit::PoundOunce);
        check("- 1lb 3.45oz", -1945, 2, Unit::PoundOunce);
        check("1:03.45 lb:oz", 1945, 2, Unit::PoundOunce);
    }

    #[test]
    fn what_is_not_whole_is_refused() {
        for text in [
            "",
            "g",
            "12.34",
            "12. g",
            ".5 g",
            "1.2.3 g",
            "12.34 g ",
            "1 2 g",
            "12.34 g 1",
            "1 lb",
            "1 lb 16.0 oz",
            "1.5 lb 3 oz",
            "1 lb 3.45",
            "1:03.45 lb",
            "1:03.45",
            "--1 g",
            "1e3 g",
            "1_000 g",
            "12.34 gS",
            "1234567890123456789 g",
            "3 lb:oz",
            "12.34 g2.34 g",
        ] {
            let heard = measure(text.as_bytes());
            assert!(!matches!(heard, Ok(Measure::Mass(..))), "{text}: {heard:?}");
        }
    }
}
