//! Bytes in, readings out: a framer, a layout, and what only the neighbours of a line can tell.

use std::collections::VecDeque;

use super::frame::{Framer, LONGEST_LINE, Start};
use super::layout::{Chosen, Columns};
use super::{Indication, Line, Reject};
use crate::mass::{Decimal, Mass, Unit};
use crate::time::Moment;
use crate::vocabulary::reading::{Reading, Shown};

/// What one line came to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Heard {
    Reading(Reading),
    Overload,
    Underload,
    /// The scale answered without a weight.
    NoWeight,
    NotAMass,
    /// A number without a unit before any unit was heard: no weight yet. Once one is, it is told as a reading of its
    /// own time, before the one that has it.
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
    pace: Pace,
    last: Piece,
}

/// What one line says, and how many bytes it had.
#[derive(Debug, Clone, Copy)]
struct Said {
    line: Line,
    length: usize,
}

/// The last bytes that came in one go and were one whole line, with what it said: a scale at rest sends the same line
/// again and again, and most of a day is rest.
#[derive(Debug, Clone, Default)]
struct Piece {
    bytes: Vec<u8>,
    said: Option<Said>,
}

impl Piece {
    fn said(&self, bytes: &[u8]) -> Option<Said> {
        self.said.filter(|_| self.bytes == bytes)
    }

    fn keep(&mut self, bytes: &[u8], said: Option<Said>) {
        self.said = said;
        if said.is_some() {
            self.bytes.clear();
            self.bytes.extend_from_slice(bytes);
        }
    }
}

/// So many numbers without a unit are kept until one is heard.
const MOST_UNITLESS: usize = 512;

/// The part of the decoder behind the framer.
#[derive(Debug, Clone)]
struct Translator {
    layout: Chosen,
    columns: Columns,
    lengths: Lengths,
    turns: Turns,
    last_unit: Option<Unit>,
    /// Decimals of the last number that had its unit.
    last_decimals: u8,
    /// The latest numbers before any unit was heard.
    unitless: VecDeque<(Moment, Indication)>,
    good: u64,
    rejected: u64,
}

impl Decoder {
    pub fn new(layout: Chosen, start: Start) -> Decoder {
        let framing = layout.layout().framing();
        let columns = layout.layout().columns();
        Decoder {
            framer: Framer::new(framing, start),
            pace: Pace::default(),
            last: Piece::default(),
            translator: Translator {
                layout,
                columns,
                lengths: Lengths::default(),
                turns: Turns::default(),
                last_unit: None,
                last_decimals: 0,
                unitless: VecDeque::new(),
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
        self.translator.unitless.clear();
        self.translator.lengths = Lengths::default();
        self.translator.turns = Turns::default();
        self.pace.last = None;
    }

    /// Takes bytes that arrived at `at`; gives what each line finished by them came to, in order. Lines that
    /// the port held back and gave in one go have the moments at which they would have come.
    pub fn feed(&mut self, at: Moment, bytes: &[u8], mut each: impl FnMut(Heard)) {
        let Decoder {
            framer,
            translator,
            pace,
            last,
        } = self;
        let late = pace.arrived(at, bytes);
        let moment = |nth| late.map_or(at, |late| late.of(nth));
        let whole = framer.is_between_lines();
        if whole && let Some(said) = last.said(bytes) {
            return translator.hear(moment(1), Ok(said), &mut each);
        }
        let mut nth = 0;
        let mut only = None;
        framer.feed(bytes, |line| {
            nth += 1;
            let said = line.and_then(|line| translator.read(line));
            only = said.ok();
            translator.hear(moment(nth), said, &mut each);
        });
        let whole = whole && nth == 1 && framer.is_between_lines();
        last.keep(bytes, only.filter(|_| whole));
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
    fn read(&self, line: &[u8]) -> Result<Said, Reject> {
        Ok(Said {
            line: self.layout.layout().parse(line)?,
            length: line.len(),
        })
    }

    fn hear(&mut self, at: Moment, said: Result<Said, Reject>, each: &mut impl FnMut(Heard)) {
        let heard = match said.and_then(|said| self.translate(at, said)) {
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
        if self.last_unit.is_some() && !self.unitless.is_empty() {
            for (at, indication) in std::mem::take(&mut self.unitless) {
                // With other decimals it was of another unit.
                let same = indication.value.decimals == self.last_decimals;
                let earlier = reading(&indication, at, self.last_unit).filter(|_| same);
                each(earlier.map_or(Heard::NoWeight, Heard::Reading));
            }
        }
        each(heard);
    }

    fn translate(&mut self, at: Moment, said: Said) -> Result<Heard, Reject> {
        let indication = match said.line {
            Line::Weight(indication) => indication,
            Line::Overload => return Ok(Heard::Overload),
            Line::Underload => return Ok(Heard::Underload),
            Line::NoWeight => return Ok(Heard::NoWeight),
            Line::NotAMass => return Ok(Heard::NotAMass),
        };
        if !self.lengths.admit(said.length, self.columns) {
            return Err(Reject::Form);
        }
        let zero = indication.value.digits.abs() <= 1;
        let Some(shown) = self.turns.admit(indication.shown, zero) else {
            return Ok(Heard::NoWeight);
        };
        let indication = Indication {
            shown,
            ..indication
        };
        if indication.unit.is_none() && self.last_unit.is_none() {
            if self.unitless.len() >= MOST_UNITLESS {
                self.unitless.pop_front();
            }
            self.unitless.push_back((at, indication));
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

/// Ends of lines: either byte ends one, both together end one.
fn ends_in(bytes: &[u8]) -> u64 {
    let count = |end: u8| bytes.iter().filter(|&&byte| byte == end).count();
    count(b'\n').max(count(b'\r')) as u64
}

/// How often lines come, to tell those that were held back on their way: a computer or an adapter that
/// stood still for two seconds gives the lines of these in one go. All came, in order, only late.
#[derive(Debug, Clone, Copy)]
struct Pace {
    last: Option<Moment>,
    /// From one arrival to the next, µs.
    usual: u64,
}

impl Default for Pace {
    fn default() -> Pace {
        Pace {
            last: None,
            usual: 500_000,
        }
    }
}

/// So many lines that came late, all after `from`.
#[derive(Debug, Clone, Copy)]
struct Late {
    from: Moment,
    gap: u64,
    lines: u64,
}

impl Late {
    /// The moment of the `nth` line, from 1.
    fn of(self, nth: u64) -> Moment {
        let nth = nth.min(self.lines);
        self.from
            .plus_micros(self.gap.saturating_mul(nth) / self.lines.max(1))
    }
}

impl Pace {
    /// Longer than this nothing is held back: 30 s.
    const LONGEST_US: u64 = 30_000_000;

    /// Lines ended in `bytes` at `at`; what they were late by, if they were. At least half of those that were due
    /// must be there, or it was the scale that was silent.
    fn arrived(&mut self, at: Moment, bytes: &[u8]) -> Option<Late> {
        let ends = |byte: &u8| matches!(byte, b'\r' | b'\n');
        if !bytes.iter().rev().any(ends) {
            return None;
        }
        let from = self.last.replace(at)?;
        let gap = at.since(from);
        let usual = self.usual.max(1);
        if gap >= usual.saturating_mul(3) && gap <= Pace::LONGEST_US {
            let (lines, due) = (ends_in(bytes), gap / usual);
            if lines >= 3 && lines * 2 >= due {
                return Some(Late { from, gap, lines });
            }
        }
        // A silence is no pace.
        let most = (self.usual * 2).min(1_000_000);
        self.usual = (self.usual * 7 + gap.clamp(5_000, most)) / 8;
        None
    }
}

/// A scale that sends its gross and its net weight of one moment in lines that take turns: of these only the
/// net ones are its display, and the others would be a jump each. A mark counts when the line before had it
/// too: a key changes it once, and not back within a line. Where it has not changed for long, TARE tells itself by
/// both at once: the mark of net, and zero.
#[derive(Debug, Clone, Copy, Default)]
struct Turns {
    last: Option<Shown>,
    /// Lines with another mark than the one before, less those with the same.
    changes: u8,
    /// Lines with the same mark, in a row.
    same: u8,
}

impl Turns {
    /// Two changes in a row are no hand at a key.
    const TAKEN: u8 = 2;
    /// So many lines in a row with one mark take no turns.
    const LONG: u8 = 8;

    /// The mark as it counts, in a line that shows `zero` or does not; `None` for a line that is not the display.
    fn admit(&mut self, shown: Option<Shown>, zero: bool) -> Option<Option<Shown>> {
        let before = std::mem::replace(&mut self.last, shown);
        let same = self.same;
        self.same = match shown == before {
            true => same.saturating_add(1),
            false => 0,
        };
        if (before, shown) == (Some(Shown::Gross), Some(Shown::Net)) && same >= Turns::LONG && zero
        {
            self.changes = 1;
            return Some(shown);
        }
        self.changes = if before.is_some() && shown.is_some() && before != shown {
            (self.changes + 1).min(2 * Turns::TAKEN)
        } else {
            // One line that is lost does not end it.
            self.changes.saturating_sub(1)
        };
        if self.changes < Turns::TAKEN {
            return Some(shown.filter(|_| shown == before));
        }
        // Its net mark is there without a tare, too.
        (shown != Some(Shown::Gross)).then_some(None)
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

/// The powers of ten that an `i64` holds.
static POWERS: [i64; 19] = {
    let mut powers = [1; 19];
    let mut n = 1;
    while n < powers.len() {
        powers[n] = powers[n - 1] * 10;
        n += 1;
    }
    powers
};

/// The number and one step of its last digit.
fn in_nanograms(value: Decimal, unit: Unit) -> Option<(Mass, Mass)> {
    // Where the last digit is a whole number of nanograms, 64-bit arithmetic is exact.
    let power = *POWERS.get(usize::from(value.decimals))?;
    let (digit, rest) = (unit.ng() / power, unit.ng() % power);
    if rest == 0
        && let Some(ng) = value.digits.checked_mul(digit)
        && ng.unsigned_abs() <= Mass::LIMIT.ng().unsigned_abs()
    {
        return Some((Mass::from_ng(ng), Mass::from_ng(digit)));
    }
    Some((value.in_unit(unit).ok()?, value.last_digit(unit)))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::scale::layout::by_name;

    fn decoder(layout: &str) -> Decoder {
        Decoder::new(Chosen::BuiltIn(by_name(layout).unwrap()), Start::LineStart)
    }

    fn readings(decoder: &mut Decoder, at_ms: u64, bytes: &str) -> Vec<Reading> {
        let mut heard = Vec::new();
        decoder.feed(Moment::from_millis(at_ms), bytes.as_bytes(), |what| {
            if let Heard::Reading(reading) = what {
                heard.push(reading);
            }
        });
        heard
    }

    fn moments(readings: &[Reading]) -> Vec<u64> {
        readings.iter().map(|r| r.at.0 / 1000).collect()
    }

    /// What a scale sends while it moves has no unit: how its first load came is told once it rests.
    #[test]
    fn numbers_before_the_first_unit_are_told_once_it_is_heard() {
        let mut scale = decoder("sign-number-unit-16");
        for (at, line) in [
            (100, "+    0.000"),
            (200, "+     0.00"),
            (300, "+     1.20"),
        ] {
            let heard = readings(&mut scale, at, &format!("{line}    \r\n"));
            assert_eq!(heard, [], "{line}");
        }
        let heard = readings(&mut scale, 400, "+     2.73 g  \r\n");
        // Three decimals were of another unit.
        assert_eq!(moments(&heard), [200, 300, 400]);
        let grams = heard.iter().map(|r| r.weight.ng() / 10_000_000);
        assert_eq!(grams.collect::<Vec<_>>(), [0, 120, 273]);
        let units = heard.iter().map(|r| r.unit);
        assert_eq!(units.collect::<Vec<_>>(), [None, None, Some(Unit::Gram)]);
        let mut count = 0;
        scale.feed(Moment::from_millis(500), b"+     2.73 g  \r\n", |_| {
            count += 1
        });
        assert_eq!((count, scale.good_lines()), (1, 5));
    }

    /// A port gives the same piece twice, with the tail of the one before in front: another number each time.
    #[test]
    fn what_was_kept_of_a_piece_stands_before_the_next_one_though_it_is_the_same() {
        let mut scale = decoder("sign-number-unit-16");
        assert_eq!(readings(&mut scale, 100, "+   1"), []);
        let piece = "12.34 g  \r\n+   2";
        let grams = |heard: Vec<Reading>| {
            let heard = heard.into_iter().map(|r| r.weight.ng() / 10_000_000);
            heard.collect::<Vec<_>>()
        };
        for (at, first) in [(200, 1), (300, 2), (400, 2)] {
            let heard = grams(readings(&mut scale, at, piece));
            assert_eq!(heard, [first * 10_000 + 1_234], "{at}");
        }
    }

    #[test]
    fn lines_that_were_held_back_have_the_moments_at_which_they_would_have_come() {
        let mut scale = decoder("sign-number-unit-16");
        let line = "+    12.34 g  \r\n";
        for n in 1..=60 {
            assert_eq!(moments(&readings(&mut scale, n * 100, line)), [n * 100]);
        }
        // A computer that stood still for a second: ten lines in one go, and a piece of the next.
        let burst = readings(&mut scale, 7_000, &(line.repeat(10) + "+   "));
        assert_eq!(
            moments(&burst),
            (61..=70).map(|n| n * 100).collect::<Vec<_>>()
        );
        assert_eq!(moments(&readings(&mut scale, 7_100, &line[4..])), [7_100]);
        // A scale that was silent for a second and speaks again: nothing was held back.
        assert_eq!(moments(&readings(&mut scale, 8_200, line)), [8_200]);
        assert_eq!(
            moments(&readings(&mut scale, 9_300, &line.repeat(3))),
            [9_300; 3]
        );
        // After an open port nothing is known of the time before.
        scale.restart(Start::LineStart);
        assert_eq!(
            moments(&readings(&mut scale, 20_000, &line.repeat(12))),
            [20_000; 12]
        );
    }

    #[test]
    fn several_lines_for_each_weight_are_no_burst() {
        let mut scale = decoder("sign-number-unit-16");
        let print = "+    12.34 g  \r\n".repeat(4);
        for n in 1..=60 {
            assert_eq!(
                moments(&readings(&mut scale, n * 1000, &print)),
                [n * 1000; 4]
            );
        }
    }

    #[test]
    fn of_gross_and_net_in_turns_the_net_is_the_display() {
        let mut scale = decoder("comma-header");
        let all =
            |net: &str| format!("ST,GS,+00150.00  g\r\nST,TR,+00000.00  g\r\nST,NT,{net}  g\r\n");
        readings(&mut scale, 0, &all("+00150.00"));
        for net in ["+00150.00", "+00000.00", "+00001.00"] {
            let heard = readings(&mut scale, 0, &all(net));
            let shown: Vec<_> = heard
                .iter()
                .map(|r| (r.weight.to_g_f64(), r.shown))
                .collect();
            assert_eq!(shown, [(net.parse().unwrap(), None)]);
        }
        // One line that is lost does not end it; a scale that goes over to one mark is read by it.
        let gross = "ST,GS,+00150.00  g\r\n";
        assert_eq!(readings(&mut scale, 0, &gross.repeat(2)), []);
        let heard = readings(&mut scale, 0, &gross.repeat(4));
        assert_eq!(heard.last().unwrap().shown, Some(Shown::Gross));
    }

    #[test]
    fn net_at_zero_after_many_of_gross_is_the_key_at_once() {
        let lines = |many: usize, net: &str| {
            let mut scale = decoder("comma-header");
            readings(&mut scale, 0, &"ST,GS,+00150.00  g\r\n".repeat(many));
            let heard = readings(&mut scale, 0, &format!("US,NT,{net}  g\r\n").repeat(2));
            heard.iter().map(|r| r.shown).collect::<Vec<_>>()
        };
        let net = Some(Shown::Net);
        assert_eq!(lines(12, "+00000.00"), [net, net]);
        // A garbled mark, and a scale that may begin to take turns.
        assert_eq!(lines(12, "+00151.00"), [None, net]);
        assert_eq!(lines(3, "+00000.00"), [None, net]);
    }

    #[test]
    fn a_key_changes_the_mark_once() {
        let mut scale = decoder("comma-header");
        let marks = |decoder: &mut Decoder, line: &str| -> Vec<_> {
            readings(decoder, 0, &line.repeat(3))
                .iter()
                .map(|r| r.shown)
                .collect()
        };
        let (gross, net) = ("ST,GS,+00150.00  g\r\n", "ST,NT,+00000.02  g\r\n");
        assert_eq!(marks(&mut scale, gross)[1..], [Some(Shown::Gross); 2]);
        assert_eq!(
            marks(&mut scale, net),
            [None, Some(Shown::Net), Some(Shown::Net)]
        );
        assert_eq!(
            marks(&mut scale, gross),
            [None, Some(Shown::Gross), Some(Shown::Gross)]
        );
    }
}
