//! Lines of the simulated scale, as bytes.
//!
//! The shapes are common practice without a published source; no parser's code is used here, so that
//! a mistake in a parser cannot hide behind the same mistake in the simulation.

use crate::mass::{Mass, Unit};

/// The form of the lines a simulated scale sends, each ended by CR LF.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LineShape {
    /// Sign, space, number in 8 columns, space, unit in 3: with CR LF 16 characters. The unit is
    /// left out while the load moves.
    SignNumberUnit16,
    /// `ST,` or `US,`, sign and 8 digits with the point, unit; with `GS,` or `NT,` if `gross_net`.
    CommaHeader { gross_net: bool },
    /// `S S` steady, `S D` moving, number in 10 columns, unit.
    ReplyCode,
    /// Number, unit, and a question mark while the load moves; `N` behind it when the number is net.
    QuestionMark,
}

/// A number as the scale shows it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Face {
    /// All digits shown, read as one integer with the sign.
    pub digits: i64,
    /// How many of them stand after the point.
    pub decimals: u8,
    pub unit: Unit,
    pub steady: bool,
    /// Whether a tare of the scale's own is taken off.
    pub net: bool,
}

/// What stands on the scale's display.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Display {
    Weight(Face),
    /// Above the capacity.
    Over,
    /// Below what the scale can show.
    Under,
}

/// The display step of a scale in `unit`: how many decimals, and how many counts of the last digit
/// one step has. In its own unit a scale shows `d` itself; in another unit the finest power of ten
/// that is not finer than `d`.
pub fn step_in(unit: Unit, d: Mass) -> (u8, i64) {
    let unit_ng = i128::from(unit.ng());
    let d_ng = i128::from(d.ng().max(1));
    for decimals in 0..=6u8 {
        let counts = d_ng * 10i128.pow(u32::from(decimals));
        if counts % unit_ng == 0 {
            return (decimals, i64::try_from(counts / unit_ng).unwrap_or(1));
        }
    }
    let finest = (0..=6u8)
        .rev()
        .find(|&decimals| unit_ng >= d_ng * 10i128.pow(u32::from(decimals)));
    (finest.unwrap_or(0), 1)
}

impl LineShape {
    /// The name of this line layout in the configuration.
    pub const fn layout_name(self) -> &'static str {
        match self {
            LineShape::SignNumberUnit16 => "sign-number-unit-16",
            LineShape::CommaHeader { .. } => "comma-header",
            LineShape::ReplyCode => "reply-code",
            LineShape::QuestionMark => "question-mark",
        }
    }

    /// The line for `display`, with CR LF.
    pub fn line(self, display: Display) -> Vec<u8> {
        let body = match self {
            LineShape::SignNumberUnit16 => sign_number_unit_16(display),
            LineShape::CommaHeader { gross_net } => comma_header(display, gross_net),
            LineShape::ReplyCode => reply_code(display),
            LineShape::QuestionMark => question_mark(display),
        };
        let mut line = body.into_bytes();
        line.extend_from_slice(b"\r\n");
        line
    }
}

/// Digits with the point, without a sign.
fn number(face: &Face) -> String {
    let magnitude = face.digits.unsigned_abs();
    let decimals = usize::from(face.decimals);
    if decimals == 0 {
        return magnitude.to_string();
    }
    let power = 10u64.pow(u32::from(face.decimals));
    format!("{}.{:0decimals$}", magnitude / power, magnitude % power)
}

fn signed(face: &Face) -> String {
    let sign = if face.digits < 0 { "-" } else { "" };
    format!("{sign}{}", number(face))
}

fn sign(face: &Face) -> char {
    if face.digits < 0 { '-' } else { '+' }
}

fn sign_number_unit_16(display: Display) -> String {
    match display {
        Display::Weight(face) => {
            let unit = if face.steady { face.unit.symbol() } else { "" };
            format!("{} {:>8} {unit:<3}", sign(&face), number(&face))
        }
        Display::Over => "       High   ".to_string(),
        Display::Under => "       Low    ".to_string(),
    }
}

fn comma_header(display: Display, gross_net: bool) -> String {
    match display {
        Display::Weight(face) => {
            let status = if face.steady { "ST" } else { "US" };
            let (sign, number, unit) = (sign(&face), number(&face), face.unit.symbol());
            if gross_net {
                let which = if face.net { "NT" } else { "GS" };
                format!("{status},{which},{sign}{number:0>8}{unit:>3}")
            } else {
                format!("{status},{sign}{number:0>8}{unit:>3}")
            }
        }
        Display::Over if gross_net => "OL,GS,+        g".to_string(),
        Display::Over => "OL,+9999999E+19".to_string(),
        Display::Under if gross_net => "OL,GS,-        g".to_string(),
        Display::Under => "OL,-9999999E+19".to_string(),
    }
}

fn reply_code(display: Display) -> String {
    match display {
        Display::Weight(face) => {
            let status = if face.steady { 'S' } else { 'D' };
            format!("S {status} {:>10} {}", signed(&face), face.unit.symbol())
        }
        Display::Over => "S +".to_string(),
        Display::Under => "S -".to_string(),
    }
}

fn question_mark(display: Display) -> String {
    match display {
        Display::Weight(face) => {
            let mark = if face.steady { ' ' } else { '?' };
            let (number, unit) = (signed(&face), face.unit.symbol());
            if face.net {
                format!("{number:>9} {unit:<5}{mark} N")
            } else {
                format!("{number:>10} {unit:<5} {mark}")
            }
        }
        Display::Over => "  OVERLOAD".to_string(),
        Display::Under => " UNDERLOAD".to_string(),
    }
}
