//! Lines with a comma after a two-letter header: `ST,+00012.34  g`, `US,GS,+ 012.40 g`.

use super::super::{Indication, Line, Reject};
use super::{Columns, Layout, column};
use crate::language::{Term, term};
use crate::vocabulary::reading::Shown;

/// `ST,` steady, `US,` unsteady, `OL,` over- or underload, `QT,` pieces; then, on some scales,
/// `GS,` gross, `NT,` net or `TR,` tare; then sign, number and unit. A check of two hexadecimal
/// digits may follow after `*`, `;` or `,`: the exclusive-or or the sum of all bytes before the
/// separator. Common practice, no published source.
#[derive(Debug)]
pub struct CommaHeader;

impl Layout for CommaHeader {
    fn name(&self) -> &'static str {
        "comma-header"
    }
    fn describe(&self) -> Term {
        term!("a header and a comma: `ST,+00012.34  g`, `US,GS,+ 012.40 g`, `OL,`")
    }
    fn columns(&self) -> Columns {
        Columns::OpenEnd
    }
    fn parse(&self, line: &[u8]) -> Result<Line, Reject> {
        let [h1, h2, b',', rest @ ..] = without_check(line)? else {
            return Err(Reject::Form);
        };
        let steady = match &[*h1, *h2] {
            b"ST" => Some(true),
            b"US" => Some(false),
            b"OL" => return overload(rest),
            b"QT" => return pieces(rest),
            _ => return Err(Reject::Form),
        };
        let (shown, tare, field) = match rest {
            [b'G', b'S', b',', field @ ..] => (Some(Shown::Gross), false, field),
            [b'N', b'T', b',', field @ ..] => (Some(Shown::Net), false, field),
            [b'T', b'R', b',', field @ ..] => (None, true, field),
            field => (None, false, field),
        };
        let line = column::measure(field)?.line(|value, unit| {
            Line::Weight(Indication {
                value,
                unit: Some(unit),
                steady,
                shown,
            })
        });
        Ok(if tare { Line::NoWeight } else { line })
    }
}

/// Digits of an overload mean nothing; only its sign does. A line that lost its end may come here
/// too, and gives no weight either way.
fn overload(rest: &[u8]) -> Result<Line, Reject> {
    let field = match rest {
        [b'G', b'S', b',', field @ ..] | [b'N', b'T', b',', field @ ..] => field,
        field => field,
    };
    let fits = |&byte: &u8| {
        byte.is_ascii_alphanumeric() || matches!(byte, b' ' | b'+' | b'-' | b'.' | b'%' | b':')
    };
    if field.len() > 20 || !field.iter().all(fits) {
        return Err(Reject::Form);
    }
    match column::skip_spaces(field) {
        [b'-', ..] => Ok(Line::Underload),
        _ => Ok(Line::Overload),
    }
}

fn pieces(rest: &[u8]) -> Result<Line, Reject> {
    column::measure(rest).map(|_| Line::NotAMass)
}

/// The line without its check, if it has one.
fn without_check(line: &[u8]) -> Result<&[u8], Reject> {
    let [body @ .., b'*' | b';' | b',', high, low] = line else {
        return Ok(line);
    };
    let (Some(high), Some(low)) = (hex(*high), hex(*low)) else {
        return Ok(line);
    };
    let check = high * 16 + low;
    let xor = body.iter().fold(0u8, |sum, byte| sum ^ byte);
    let sum = body.iter().fold(0u8, |sum, byte| sum.wrapping_add(*byte));
    if check == xor || check == sum {
        Ok(body)
    } else {
        Err(Reject::Checksum)
    }
}

fn hex(byte: u8) -> Option<u8> {
    match byte {
        b'0'..=b'9' => Some(byte - b'0'),
        b'A'..=b'F' => Some(byte - b'A' + 10),
        b'a'..=b'f' => Some(byte - b'a' + 10),
        _ => None,
    }
}
