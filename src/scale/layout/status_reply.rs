//! Answers of two lines in one frame: the weight, then two status characters.

use super::super::frame::Framing;
use super::super::{Indication, Line, Reject};
use super::{Columns, Layout, column};
use crate::language::{Term, term};

/// `LF "   12.34g  " CR LF "S00" CR ETX`. The status characters are digits from 0x30 up whose low
/// bits tell: first bit 0 motion, bit 1 at zero, bits 2 and 3 a memory fault; second bit 0 under,
/// bit 1 over capacity, bits 2 and 3 a fault. Common practice, from memory, no published source.
#[derive(Debug)]
pub struct StatusReply;

impl Layout for StatusReply {
    fn name(&self) -> &'static str {
        "status-reply"
    }
    fn describe(&self) -> Term {
        term!("an answer with weight and status, ended by ETX: `LF    12.34g  CR LF S00 CR ETX`")
    }
    fn framing(&self) -> Framing {
        Framing::Etx
    }
    fn columns(&self) -> Columns {
        // The LF before and the status after the weight show that neither end was cut.
        Columns::Fixed
    }
    fn parse(&self, frame: &[u8]) -> Result<Line, Reject> {
        if frame == b"\n?\r" {
            return Ok(Line::NoWeight);
        }
        let (weight, first, second) = match frame {
            [b'\n', weight @ .., b'\r', b'\n', b'S', first, second, b'\r'] => {
                (weight, *first, *second)
            }
            _ => return Err(Reject::Form),
        };
        let (first, second) = (status(first)?, status(second)?);
        if first & 0b1100 != 0 || second & 0b1100 != 0 {
            return Ok(Line::NoWeight);
        }
        match (second & 0b10 != 0, second & 0b01 != 0) {
            (true, true) => return Err(Reject::Form),
            (true, false) => return Ok(Line::Overload),
            (false, true) => return Ok(Line::Underload),
            (false, false) => {}
        }
        Ok(
            column::measure(column::trim_end(weight))?.line(|value, unit| {
                Line::Weight(Indication {
                    value,
                    unit: Some(unit),
                    steady: Some(first & 0b1 == 0),
                    shown: None,
                })
            }),
        )
    }
}

fn status(byte: u8) -> Result<u8, Reject> {
    match byte {
        0x30..=0x3f => Ok(byte - 0x30),
        _ => Err(Reject::Form),
    }
}
