//! Frames that begin with STX: a readable one, and one with status bytes.

use super::super::frame::Framing;
use super::super::{Indication, Line, Reject};
use super::{Columns, Layout, column};
use crate::language::{Term, term};
use crate::mass::{Decimal, Unit};
use crate::vocabulary::reading::Shown;

/// `STX`, polarity, a weight of 7 characters, unit letter, `G` or `N`, status letter; ended by
/// CR LF, CR or ETX. Common practice, from memory, no published source.
#[derive(Debug)]
pub struct Readable;

/// `STX`, three status bytes, six digits of weight, six of tare, CR. Common practice, from memory,
/// no published source; scales differ in the meaning of the status bytes, so compare with the
/// display before use.
#[derive(Debug)]
pub struct StatusBytes;

/// As [`StatusBytes`], with a check byte after the CR: all bytes of the frame with it add up to
/// a multiple of 128. Common practice, from memory, no published source.
#[derive(Debug)]
pub struct StatusBytesChecked;

impl Layout for Readable {
    fn name(&self) -> &'static str {
        "stx-readable"
    }
    fn describe(&self) -> Term {
        term!(
            "STX, sign, 7 characters of weight, unit letter, G or N, status letter: `   12.34GG `"
        )
    }
    fn framing(&self) -> Framing {
        Framing::Stx { check: false }
    }
    fn columns(&self) -> Columns {
        Columns::Fixed
    }
    fn parse(&self, frame: &[u8]) -> Result<Line, Reject> {
        let &[
            0x02,
            polarity,
            w1,
            w2,
            w3,
            w4,
            w5,
            w6,
            w7,
            unit,
            mode,
            status,
        ] = frame
        else {
            return Err(Reject::Form);
        };
        let negative = match polarity {
            b' ' => false,
            b'-' => true,
            _ => return Err(Reject::Form),
        };
        let shown = match mode {
            b'G' => Shown::Gross,
            b'N' => Shown::Net,
            _ => return Err(Reject::Form),
        };
        let unit = match unit {
            b'G' => Some(Unit::Gram),
            b'K' => Some(Unit::Kilogram),
            b'L' => Some(Unit::Pound),
            b'O' => Some(Unit::Ounce),
            // A ton on one scale, a troy ounce on the next.
            b'T' => None,
            _ => return Err(Reject::Form),
        };
        let steady = match status {
            b' ' => Some(true),
            b'M' => Some(false),
            // At zero; whether it rests there, our own window tells.
            b'Z' => None,
            b'O' if negative => return Ok(Line::Underload),
            b'O' => return Ok(Line::Overload),
            b'I' => return Ok(Line::NoWeight),
            _ => return Err(Reject::Form),
        };
        let value = column::right_aligned(&[w1, w2, w3, w4, w5, w6, w7], negative)?;
        let Some(unit) = unit else {
            return Ok(Line::NotAMass);
        };
        Ok(Line::Weight(Indication {
            value,
            unit: Some(unit),
            steady,
            shown: Some(shown),
        }))
    }
}

impl Layout for StatusBytes {
    fn name(&self) -> &'static str {
        "stx-status-bytes"
    }
    fn describe(&self) -> Term {
        term!("STX, three status bytes, six digits of weight, six of tare, CR")
    }
    fn framing(&self) -> Framing {
        Framing::Stx { check: false }
    }
    fn columns(&self) -> Columns {
        Columns::Fixed
    }
    fn parse(&self, frame: &[u8]) -> Result<Line, Reject> {
        status_frame(frame)
    }
}

impl Layout for StatusBytesChecked {
    fn name(&self) -> &'static str {
        "stx-status-bytes-checked"
    }
    fn describe(&self) -> Term {
        term!("STX, three status bytes, six digits of weight, six of tare, CR, a check byte")
    }
    fn framing(&self) -> Framing {
        Framing::Stx { check: true }
    }
    fn columns(&self) -> Columns {
        Columns::Fixed
    }
    fn parse(&self, frame: &[u8]) -> Result<Line, Reject> {
        let [body @ .., b'\r', _check] = frame else {
            return Err(Reject::Form);
        };
        if body.len() != STATUS_FRAME {
            return Err(Reject::Form);
        }
        let sum = frame.iter().fold(0u8, |sum, byte| sum.wrapping_add(*byte));
        if sum & 0x7f != 0 {
            return Err(Reject::Checksum);
        }
        status_frame(body)
    }
}

/// STX, 3 status bytes, 6 digits, 6 digits.
const STATUS_FRAME: usize = 16;

/// Bits 0 to 2 of the first status byte: factor and decimals of the weight.
const POINT: [(i64, u8); 8] = [
    (100, 0),
    (10, 0),
    (1, 0),
    (1, 1),
    (1, 2),
    (1, 3),
    (1, 4),
    (1, 5),
];

fn status_frame(frame: &[u8]) -> Result<Line, Reject> {
    if frame.len() != STATUS_FRAME {
        return Err(Reject::Form);
    }
    let &[0x02, a, b, c, ref digits @ ..] = frame else {
        return Err(Reject::Form);
    };
    // Bit 5 is always 1, bit 7 never: a digit or letter in this place means a cut frame.
    let is_status = |byte: u8| byte & 0b1010_0000 == 0b0010_0000;
    if !is_status(a) || a & 0b0100_0000 != 0 || !is_status(b) || !is_status(c) {
        return Err(Reject::Form);
    }
    let (weight, tare) = digits.split_at(6);
    if !tare.iter().all(|&byte| byte == b' ') {
        column::right_aligned(tare, false)?;
    }
    let negative = b & 0b10 != 0;
    if b & 0b100 != 0 {
        return Ok(if negative {
            Line::Underload
        } else {
            Line::Overload
        });
    }
    // Not yet zeroed after power-on, or the expanded display with another decimal point.
    if b & 0b100_0000 != 0 || c & 0b1_0000 != 0 {
        return Ok(Line::NoWeight);
    }
    let shown_number = column::right_aligned(weight, negative)?;
    let (factor, decimals) = POINT[usize::from(a & 0b111)];
    if shown_number.decimals != 0 {
        return Err(Reject::Form);
    }
    let unit = match (c & 0b111, b & 0b1_0000 != 0) {
        (0, true) => Unit::Kilogram,
        (0, false) => Unit::Pound,
        (1, _) => Unit::Gram,
        (3, _) => Unit::Ounce,
        (4, _) => Unit::TroyOunce,
        _ => return Ok(Line::NotAMass),
    };
    Ok(Line::Weight(Indication {
        value: Decimal {
            digits: shown_number.digits * factor,
            decimals,
            negative,
        },
        unit: Some(unit),
        steady: Some(b & 0b1000 == 0),
        shown: Some(if b & 0b1 != 0 {
            Shown::Net
        } else {
            Shown::Gross
        }),
    }))
}
