//! Answers of a command letter and a status letter: `S S      12.34 g`.

use super::super::{Indication, Line, Reject};
use super::{Columns, Layout, column};
use crate::language::{Term, term};

/// `S S` steady, `S D` moving, `S I` not now, `S +` overload, `S -` underload; `Z A`, `T S`, `ES`
/// and their like hold no weight. Common practice, no published source.
#[derive(Debug)]
pub struct ReplyCode;

impl Layout for ReplyCode {
    fn name(&self) -> &'static str {
        "reply-code"
    }
    fn describe(&self) -> Term {
        term!(
            "an answer with command and status letters: `S S      12.34 g`, `S D      12.35 g`, `S +`"
        )
    }
    fn columns(&self) -> Columns {
        Columns::OpenEnd
    }
    fn parse(&self, line: &[u8]) -> Result<Line, Reject> {
        if matches!(column::trim_end(line), b"ES" | b"ET" | b"EL") {
            return Ok(Line::NoWeight);
        }
        let at = line
            .iter()
            .position(|&byte| byte == b' ')
            .ok_or(Reject::Form)?;
        let (command, rest) = line.split_at(at);
        let [b' ', status, value @ ..] = rest else {
            return Err(Reject::Form);
        };
        match command {
            b"S" | b"SI" | b"SU" | b"SR" => weight(*status, value),
            b"Z" | b"ZI" | b"T" | b"TI" | b"TA" | b"TAC" => acknowledged(*status, value),
            _ => Err(Reject::Form),
        }
    }
}

fn weight(status: u8, rest: &[u8]) -> Result<Line, Reject> {
    let steady = match status {
        b'S' => true,
        b'D' => false,
        b'I' | b'L' | b'E' if rest.is_empty() => return Ok(Line::NoWeight),
        b'+' if rest.is_empty() => return Ok(Line::Overload),
        b'-' if rest.is_empty() => return Ok(Line::Underload),
        _ => return Err(Reject::Form),
    };
    let [b' ', value @ ..] = rest else {
        return Err(Reject::Form);
    };
    Ok(column::measure(value)?.line(|value, unit| {
        Line::Weight(Indication {
            value,
            unit: Some(unit),
            steady: Some(steady),
            shown: None,
        })
    }))
}

/// TARE and ZERO done or refused, some with the tare's value.
fn acknowledged(status: u8, rest: &[u8]) -> Result<Line, Reject> {
    match (status, rest) {
        (b'A' | b'S' | b'D' | b'I' | b'L' | b'+' | b'-', []) => Ok(Line::NoWeight),
        (b'A' | b'S' | b'D', [b' ', value @ ..]) => column::measure(value).map(|_| Line::NoWeight),
        _ => Err(Reject::Form),
    }
}
