//! Bytes in, readings out: a framer, a layout, and what only the neighbours of a line can tell.

use super::frame::{Framer, LONGEST_LINE, Start};
use super::layout::{Chosen, Columns};
use super::{Indication, Line, Reject};
use crate::mass::{Decimal, Mass, Unit};
use crate::time::Moment;
use crate::vocabulary::reading::Reading;

/// What one line came to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Heard {
    Reading(Reading),
    Overload,
    Underload,
    /// The scale answered without a weight.
    NoWeight,
    NotAMass,
    /// A number without a unit before any unit was heard: no weight yet.
    NoUnit,
    Rejected(Reject),
}

/// Turns the bytes of one scale into readings.
///
/// A layout without fixed columns cannot see that a line was cut: `12.34 ozt` without its last
/// byte is `12.34 oz`. So in such a layout a weight counts only when one of the eight weight lines
/// before it had the same length. A change of length costs one reading; a single cut line never
/// becomes a weight.
///
/// ```
/// use bismar_core::scale::decode::{Decoder, Heard};
/// use bismar_core::scale::frame::Start;
/// use bismar_core::scale::layout::{Chosen, by_name};
/// use bismar_core::time::Moment;
///
/// let layout = Chosen::BuiltIn(by_name("sign-number-unit-16").expect("it is built in"));
/// let mut decoder = Decoder::new(layout, Start::LineStart);
/// let mut heard = Vec::new();
/// // Two lines, in pieces as a port gives them.
/// for piece in [&b"+    12.34 g  \r\n+    1"[..], b"2.35 g  \r\n"] {
///     decoder.feed(Moment::default(), piece, |what| heard.push(what));
/// }
/// assert_eq!((heard.len(), decoder.rejected_lines()), (2, 0));
/// assert!(matches!(heard[1], Heard::Reading(reading) if reading.weight.ng() == 12_350_000_000));
/// ```
#[derive(Debug, Clone)]
pub struct Decoder {
    framer: Framer,
    translator: Translator,
}

/// The part of the decoder behind the framer.
#[derive(Debug, Clone)]
struct Translator {
    layout: Chosen,
    columns: Columns,
    lengths: Lengths,
    last_unit: Option<Unit>,
    /// Decimals of the last number that had its unit.
    last_decimals: u8,
    good: u64,
    rejected: u64,
}

impl Decoder {
    pub fn new(layout: Chosen, start: Start) -> Decoder {
        let framing = layout.layout().framing();
        let columns = layout.layout().columns();
        Decoder {
            framer: Framer::new(framing, start),
            translator: Translator {
                layout,
                columns,
                lengths: Lengths::default(),
                last_unit: None,
                last_decimals: 0,
                good: 0,
                rejected: 0,
            },
        }
    }

    /// Forgets the unfinished line and the last unit: the port was opened again, and the scale may
    /// have been switched to another unit meanwhile.
    pub fn restart(&mut self, start: Start) {
        self.framer.restart(start);
        self.translator.last_unit = None;
        self.translator.lengths = Lengths::default();
    }

    /// Takes bytes that arrived at `at`; gives what each line finished by them came to, in order.
    pub fn feed(&mut self, at: Moment, bytes: &[u8], mut each: impl FnMut(Heard)) {
        let Decoder { framer, translator } = self;
        framer.feed(bytes, |line| each(translator.hear(at, line)));
    }

    /// Lines that were understood, with or without a weight.
    pub fn good_lines(&self) -> u64 {
        self.translator.good
    }

    /// Lines that were thrown away.
    pub fn rejected_lines(&self) -> u64 {
        self.translator.rejected
    }
}

impl Translator {
    fn hear(&mut self, at: Moment, line: Result<&[u8], Reject>) -> Heard {
        let heard = match line.and_then(|line| self.translate(at, line)) {
            Ok(heard) => heard,
            Err(reject) => Heard::Rejected(reject),
        };
        match heard {
            Heard::Rejected(_) => self.rejected += 1,
            Heard::Reading(_)
            | Heard::Overload
            | Heard::Underload
            | Heard::NoWeight
            | Heard::NotAMass
            | Heard::NoUnit => self.good += 1,
        }
        heard
    }

    fn translate(&mut self, at: Moment, line: &[u8]) -> Result<Heard, Reject> {
        let indication = match self.layout.layout().parse(line)? {
            Line::Weight(indication) => indication,
            Line::Overload => return Ok(Heard::Overload),
            Line::Underload => return Ok(Heard::Underload),
            Line::NoWeight => return Ok(Heard::NoWeight),
            Line::NotAMass => return Ok(Heard::NotAMass),
        };
        if !self.lengths.admit(line.len(), self.columns) {
            return Err(Reject::Form);
        }
        if indication.unit.is_none() && self.last_unit.is_none() {
            return Ok(Heard::NoUnit);
        }
        let decimals = indication.value.decimals;
        if indication.unit.is_some() {
            self.last_decimals = decimals;
        } else if decimals != self.last_decimals {
            // The display changed its form while the unit is left out: the UNIT key was pressed.
            return Ok(Heard::NoUnit);
        }
        let reading = reading(&indication, at, self.last_unit).ok_or(Reject::Form)?;
        self.last_unit = indication.unit.or(self.last_unit);
        Ok(Heard::Reading(reading))
    }
}

/// The lengths of the last weight lines, 0 for none.
#[derive(Debug, Clone, Copy, Default)]
struct Lengths {
    last: [u8; 8],
    next: usize,
}

impl Lengths {
    fn admit(&mut self, length: usize, columns: Columns) -> bool {
        const { assert!(LONGEST_LINE <= u8::MAX as usize) };
        let length = length.min(usize::from(u8::MAX)) as u8;
        let first = self.last == [0; 8];
        let known = match columns {
            Columns::Fixed => return true,
            Columns::OpenEnd => first || self.last.contains(&length),
            Columns::Open => self.last.contains(&length),
        };
        self.last[self.next % 8] = length;
        self.next = (self.next + 1) % 8;
        known
    }
}

/// An indication as a reading in nanograms.
///
/// Without a unit the number is taken in the last unit heard; the reading's `unit` stays `None`, so
/// that it guides the hand and is never recorded. `None` when no unit is known at all, or the number
/// is beyond ±10 t.
pub fn reading(indication: &Indication, at: Moment, last_unit: Option<Unit>) -> Option<Reading> {
    let unit = indication.unit.or(last_unit)?;
    let (weight, digit) = in_nanograms(indication.value, unit)?;
    Some(Reading {
        at,
        weight,
        digit,
        unit: indication.unit,
        steady: indication.steady,
        shown: indication.shown,
    })
}

/// The number and one step of its last digit.
fn in_nanograms(value: Decimal, unit: Unit) -> Option<(Mass, Mass)> {
    // Where the last digit is a whole number of nanograms, 64-bit arithmetic is exact.
    let power = 10i64.checked_pow(u32::from(value.decimals))?;
    if unit.ng() % power == 0
        && let Some(ng) = value.digits.checked_mul(unit.ng() / power)
        && ng.unsigned_abs() <= Mass::LIMIT.ng().unsigned_abs()
    {
        return Some((Mass::from_ng(ng), Mass::from_ng(unit.ng() / power)));
    }
    Some((value.in_unit(unit).ok()?, value.last_digit(unit)))
}
