//! A number and a unit, with a question mark after them while the load moves.

use super::super::{Indication, Line, Reject};
use super::{Columns, Layout, column};
use crate::language::{Term, term};
use crate::vocabulary::reading::Shown;

/// `     12.34 g     ?`, `    -0.05 g    ? N`, `12.35 g ?`. In the padded form of 18 columns a
/// missing question mark means steady. In a shorter form it may just have been cut off, so nothing
/// is said about steadiness. Common practice, no published source.
#[derive(Debug)]
pub struct QuestionMark;

const PADDED: usize = 18;

impl Layout for QuestionMark {
    fn name(&self) -> &'static str {
        "question-mark"
    }
    fn describe(&self) -> Term {
        term!("number and unit, a question mark while the load moves: `     12.34 g     ?`")
    }
    fn columns(&self) -> Columns {
        Columns::Open
    }
    fn parse(&self, line: &[u8]) -> Result<Line, Reject> {
        let text = column::trim_end(line);
        let (text, shown) = match text {
            [rest @ .., b' ' | b'?', b'N'] => (before(text, rest), Some(Shown::Net)),
            [rest @ .., b' ' | b'?', b'G'] if has_unit(rest) => {
                (before(text, rest), Some(Shown::Gross))
            }
            _ => (text, None),
        };
        let text = column::trim_end(text);
        let (text, moving) = match text {
            [rest @ .., b'?'] => (column::trim_end(rest), true),
            _ => (text, false),
        };
        let steady = match (moving, line.len() == PADDED) {
            (true, _) => Some(false),
            (false, true) => Some(true),
            (false, false) => None,
        };
        Ok(column::measure(text)?.line(|value, unit| {
            Line::Weight(Indication {
                value,
                unit: Some(unit),
                steady,
                shown,
            })
        }))
    }
}

/// All of `text` up to its last letter.
fn before<'a>(text: &'a [u8], rest: &[u8]) -> &'a [u8] {
    text.get(..rest.len() + 1).unwrap_or_default()
}

/// Whether a unit stands in it already: the last `G` of `12.34 G` is grams, that of
/// `12.34 g ? G` means gross.
fn has_unit(text: &[u8]) -> bool {
    text.iter().any(u8::is_ascii_alphabetic)
}
