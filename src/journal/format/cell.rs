//! The cells of a row: texts that cannot break a line or run in a spreadsheet, and grams.

use std::fmt;

use crate::mass::{Mass, decimals_of};
use crate::text::misleads;

/// The longest text of a cell in bytes. Some CSV readers refuse fields of more than 131 072
/// characters, so a longer text is cut and ends in [`CUT_MARK`].
pub const LONGEST_TEXT: usize = 131_000;

/// Ends a text that was longer than [`LONGEST_TEXT`].
pub const CUT_MARK: &str = " [cut]";

/// The text as it can stand in a cell: every control character, line end (also U+2028 and U+2029)
/// and bidirectional control (Unicode Standard Annex 9, table 4) is a space, so that one line of
/// the file is one record and reads in one direction; at most [`LONGEST_TEXT`] bytes.
pub fn clean(text: &str) -> String {
    let out = text
        .chars()
        .map(|c| if breaks(c) { ' ' } else { c })
        .collect();
    cut(out, LONGEST_TEXT)
}

fn cut(mut text: String, longest: usize) -> String {
    if text.len() > longest {
        text.truncate(text.floor_char_boundary(longest - CUT_MARK.len()));
        text.push_str(CUT_MARK);
    }
    text
}

/// Whether [`clean`] replaces this character.
pub fn breaks(c: char) -> bool {
    misleads(c)
}

/// What a spreadsheet may take for the end of a cell, whatever stands around it: many are set to
/// semicolons, and then the commas and quotes of a log mean nothing to them. (Tabs are cleaned away.)
const OTHER_SEPARATOR: char = ';';

/// The cleaned text with an apostrophe before each part that a spreadsheet would take for a formula:
/// the text itself, and what follows a semicolon.
pub fn guarded(text: &str) -> String {
    // Only what is little but semicolons and signs grows so far.
    cut(with_apostrophes(&clean(text)), LONGEST_TEXT + 1)
}

/// Whether a cell holds the whole text, with what [`guarded`] puts into it.
pub fn fits(text: &str) -> bool {
    text.len() <= LONGEST_TEXT && with_apostrophes(text).len() <= LONGEST_TEXT + 1
}

fn with_apostrophes(text: &str) -> String {
    let mut out = String::with_capacity(text.len() + 1);
    for (number, part) in text.split(OTHER_SEPARATOR).enumerate() {
        if number > 0 {
            out.push(OTHER_SEPARATOR);
        }
        if runs(part, number) {
            out.push('\'');
        }
        out.push_str(part);
    }
    out
}

/// Undoes [`guarded`].
pub fn unguarded(cell: &str) -> String {
    let mut out = String::with_capacity(cell.len());
    for (number, part) in cell.split(OTHER_SEPARATOR).enumerate() {
        if number > 0 {
            out.push(OTHER_SEPARATOR);
        }
        out.push_str(match part.strip_prefix('\'') {
            Some(rest) if runs(rest, number) => rest,
            _ => part,
        });
    }
    out
}

/// Whether a spreadsheet could run the part: it begins, after spaces and invisible characters, with
/// `= + - @ |` or one of their full-width or small forms, and is not a plain number. Apostrophes at
/// the very front do not count, so that a text that has one of its own gets a second and
/// [`unguarded`] takes off exactly what [`guarded`] put on. Behind a semicolon (`number` > 0) the
/// quotes of the cell do not hold it together, and what follows the cell is part of the number.
fn runs(part: &str, number: usize) -> bool {
    let part = part.trim_start_matches('\'');
    let skipped = |c: char| {
        c.is_whitespace()
            || matches!(c, '\u{200B}'..='\u{200D}' | '\u{2060}' | '\u{FEFF}')
            || (number > 0 && c == '"')
    };
    let body = part.trim_start_matches(skipped);
    body.starts_with([
        '=', '+', '-', '@', '|', '＝', '＋', '－', '＠', '｜', '﹦', '﹢', '﹣', '﹫',
    ]) && (number > 0 || !is_plain_number(body.trim_end()))
}

/// An optional sign, digits, and at most one point with digits after it.
fn is_plain_number(text: &str) -> bool {
    let digits = text.strip_prefix(['+', '-']).unwrap_or(text);
    let (whole, part) = digits.split_once('.').unwrap_or((digits, "0"));
    let all_digits = |s: &str| !s.is_empty() && s.bytes().all(|b| b.is_ascii_digit());
    all_digits(whole) && all_digits(part)
}

/// Grams as they stand in a cell: a mass and how many decimals are written (0 to 9, always enough
/// to show the mass exactly). So `gross − tare = net` and `net − target = deviation` hold in the
/// written digits too, on an ounce scale as on a gram scale.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Grams {
    mass: Mass,
    decimals: u8,
}

impl Grams {
    /// `mass` with the decimals of `readability`, or as many more as show it exactly.
    pub fn new(mass: Mass, readability: Mass) -> Grams {
        Grams::with_decimals(mass, decimals_of(readability))
    }

    /// `mass` rounded away from zero to one decimal more than `readability` has: an uncertainty is
    /// never stated smaller than it is.
    pub fn uncertainty(mass: Mass, readability: Mass) -> Grams {
        let decimals = (decimals_of(readability) + 1).min(9);
        let step = Mass::from_ng(10i64.pow(9 - u32::from(decimals)));
        let mass = if mass.is_negative() {
            mass.floor_to(step)
        } else {
            mass.ceil_to(step)
        };
        Grams::with_decimals(mass, decimals)
    }

    fn with_decimals(mass: Mass, decimals: u8) -> Grams {
        let mut decimals = decimals.min(9);
        while mass.ng() % 10i64.pow(9 - u32::from(decimals)) != 0 {
            decimals += 1;
        }
        Grams { mass, decimals }
    }

    /// `mass` with just so many decimals; `None` where they do not show it exactly, or are more than nine.
    pub fn of_parts(mass: Mass, decimals: u8) -> Option<Grams> {
        let found = Grams::with_decimals(mass, decimals);
        (found.decimals == decimals).then_some(found)
    }

    /// This less `other`, with the decimals of the finer of the two.
    pub fn minus(self, other: Grams) -> Grams {
        Grams::with_decimals(self.mass - other.mass, self.decimals.max(other.decimals))
    }

    pub fn mass(self) -> Mass {
        self.mass
    }

    /// How many are written.
    pub fn decimals(self) -> u8 {
        self.decimals
    }

    /// Reads what [`Grams`]'s `Display` writes: optional minus, digits, at most nine decimals.
    /// `None` for anything else (a plus, a comma, an exponent, spaces, more than an `i64` of
    /// nanograms).
    pub fn parse(cell: &str) -> Option<Grams> {
        if cell.starts_with('+') || !is_plain_number(cell) {
            return None;
        }
        let (whole, part) = cell.split_once('.').unwrap_or((cell, ""));
        let decimals = u8::try_from(part.len()).ok().filter(|d| *d <= 9)?;
        let digits: i128 = format!("{whole}{part}").parse().ok()?;
        let ng = digits.checked_mul(10i128.pow(9 - u32::from(decimals)))?;
        Some(Grams {
            mass: Mass::from_ng(i64::try_from(ng).ok()?),
            decimals,
        })
    }
}

impl fmt::Display for Grams {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.mass.grams_rounded(self.decimals).fmt(f)
    }
}
