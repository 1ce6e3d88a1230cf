//! One row of the batch log: from an engine's draft to bytes and back, without files or clocks.
//!
//! CSV after RFC 4180 with a bare LF at the end of a line; no cell ever holds a line end, so one
//! line is one record and a torn line spoils no other.

use csv::StringRecord;
use jiff::Timestamp;

use crate::journal::format::cell::{Grams, guarded, unguarded};
use crate::journal::format::chain;
use crate::language::{Sentence, phrase};
use crate::mass::{Mass, Unit};
use crate::vocabulary::entry::{Draft, RowKind, Verdict, words_of};

/// The columns, in the order of the file.
pub const COLUMNS: [&str; 24] = [
    "batch",
    "seq",
    "at",
    "kind",
    "formula",
    "step",
    "phase",
    "ingredient",
    "lot",
    "vessel",
    "target_g",
    "low_g",
    "high_g",
    "tare_g",
    "gross_g",
    "net_g",
    "deviation_g",
    "uncertainty_g",
    "verdict",
    "scale",
    "unit",
    "readings",
    "note",
    "chain",
];

/// The first line of every log, without its line end.
pub fn header() -> String {
    COLUMNS.join(",")
}

/// Everything a row says. Texts are as given; they are cleaned when written
/// ([`super::cell::clean`]).
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Row {
    pub batch: String,
    /// From 1, without gaps.
    pub seq: u64,
    /// Whole milliseconds, UTC.
    pub at: Timestamp,
    pub kind: RowKind,
    pub formula: String,
    /// From 1; 0 for none, an empty cell.
    pub step: usize,
    pub phase: String,
    pub ingredient: String,
    pub lot: String,
    pub vessel: String,
    pub target: Option<Grams>,
    pub low: Option<Grams>,
    pub high: Option<Grams>,
    pub tare: Option<Grams>,
    pub gross: Option<Grams>,
    pub net: Option<Grams>,
    /// Net less target.
    pub deviation: Option<Grams>,
    /// Expanded uncertainty (about 95 %) of the net weight, rounded up.
    pub uncertainty: Option<Grams>,
    pub verdict: Option<Verdict>,
    pub scale: String,
    /// The unit the scale showed; the row's numbers are in grams always.
    pub unit: Option<Unit>,
    pub readings: Option<u32>,
    pub note: String,
    /// 16 hexadecimal digits, see [`chain`]; empty in a row that is not sealed yet.
    pub chain: String,
}

/// What the log adds to a draft.
#[derive(Debug, Clone, Copy)]
pub struct Stamp<'a> {
    pub batch: &'a str,
    pub seq: u64,
    pub at: Timestamp,
    /// The formula's name and version, as a person reads it.
    pub formula: &'a str,
}

/// A cell that does not read, named by its column.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{column}: {why}")]
pub struct CellError {
    pub column: &'static str,
    pub why: Sentence,
}

impl CellError {
    /// Of a note that is not what it begins as.
    pub fn of_note(why: impl Into<Sentence>) -> CellError {
        CellError {
            column: "note",
            why: why.into(),
        }
    }
}

impl Row {
    /// The row of a draft, not sealed yet.
    pub fn from_draft(draft: &Draft, stamp: Stamp<'_>) -> Row {
        let grams = |mass: Option<Mass>| mass.map(|mass| Grams::new(mass, draft.readability));
        let (target, net) = (grams(draft.target), grams(draft.net));
        Row {
            batch: stamp.batch.to_owned(),
            seq: stamp.seq,
            at: Timestamp::from_millisecond(stamp.at.as_millisecond()).unwrap_or(stamp.at),
            kind: draft.kind,
            formula: stamp.formula.to_owned(),
            step: draft.step,
            phase: draft.phase.clone(),
            ingredient: draft.ingredient.clone(),
            lot: draft.lot.clone(),
            vessel: draft.vessel.clone(),
            target,
            low: grams(draft.low),
            high: grams(draft.high),
            tare: grams(draft.tare),
            gross: grams(draft.gross),
            net,
            deviation: net.zip(target).map(|(net, target)| net.minus(target)),
            uncertainty: draft
                .uncertainty
                .map(|u| Grams::uncertainty(u, draft.readability)),
            verdict: draft.verdict,
            scale: draft.scale.clone(),
            unit: draft.unit,
            readings: draft.readings,
            note: draft.note.clone(),
            chain: String::new(),
        }
    }

    /// The draft that makes this row of a weight again, without what it corrects.
    pub fn draft(&self) -> Draft {
        let mass = |amount: Option<Grams>| amount.map(Grams::mass);
        // As many decimals as the scale has: an uncertainty has one more, and a weight may need more.
        let amounts = [
            self.target,
            self.low,
            self.high,
            self.tare,
            self.gross,
            self.net,
        ];
        let decimals = match self.uncertainty {
            Some(uncertainty) => uncertainty.decimals().saturating_sub(1),
            None => (amounts
                .iter()
                .flatten()
                .map(|amount| amount.decimals())
                .min())
            .unwrap_or(2),
        };
        let (_, words) = words_of(&self.note, &self.ingredient, &self.lot);
        Draft {
            step: self.step,
            phase: self.phase.clone(),
            ingredient: self.ingredient.clone(),
            lot: self.lot.clone(),
            vessel: self.vessel.clone(),
            target: mass(self.target),
            low: mass(self.low),
            high: mass(self.high),
            tare: mass(self.tare),
            gross: mass(self.gross),
            net: mass(self.net),
            uncertainty: mass(self.uncertainty),
            verdict: self.verdict,
            scale: self.scale.clone(),
            unit: self.unit,
            readings: self.readings,
            readability: Mass::from_ng(10i64.pow(9 - u32::from(decimals.min(9)))),
            ..Draft::new(self.kind, words)
        }
    }

    /// The row with its chain cell, after the row (or start value) whose chain is `previous`.
    pub fn sealed(mut self, previous: &str) -> Row {
        self.seal(previous);
        self
    }

    /// The same in place; gives the whole line.
    pub fn seal(&mut self, previous: &str) -> Vec<u8> {
        let body = self.body();
        self.chain = chain::link(previous, &body);
        self.ended(body)
    }

    /// The cells without the chain, as a CSV reader gives them back.
    pub fn cells(&self) -> [String; 23] {
        let grams = |amount: Option<Grams>| amount.map_or(String::new(), |a| a.to_string());
        let step = if self.step == 0 {
            String::new()
        } else {
            self.step.to_string()
        };
        [
            guarded(&self.batch),
            self.seq.to_string(),
            at_cell(self.at),
            self.kind.name().to_owned(),
            guarded(&self.formula),
            step,
            guarded(&self.phase),
            guarded(&self.ingredient),
            guarded(&self.lot),
            guarded(&self.vessel),
            grams(self.target),
            grams(self.low),
            grams(self.high),
            grams(self.tare),
            grams(self.gross),
            grams(self.net),
            grams(self.deviation),
            grams(self.uncertainty),
            self.verdict.map_or(String::new(), |v| v.name().to_owned()),
            guarded(&self.scale),
            self.unit.map_or(String::new(), |u| u.symbol().to_owned()),
            self.readings.map_or(String::new(), |n| n.to_string()),
            guarded(&self.note),
        ]
    }

    /// The line without its last comma and chain: what the chain is a hash of.
    pub fn body(&self) -> Vec<u8> {
        let mut out = csv::WriterBuilder::new()
            .terminator(csv::Terminator::Any(b'\n'))
            // Each row has a writer of its own, and few are longer.
            .buffer_capacity(512)
            .from_writer(Vec::new());
        // Neither can fail: the writer is memory and there is only one record.
        let written = out.write_record(self.cells());
        debug_assert!(written.is_ok());
        let mut body = out.into_inner().unwrap_or_default();
        body.pop();
        body
    }

    /// The whole line, with its chain cell and LF.
    pub fn line(&self) -> Vec<u8> {
        self.ended(self.body())
    }

    fn ended(&self, mut body: Vec<u8>) -> Vec<u8> {
        body.push(b',');
        body.extend_from_slice(self.chain.as_bytes());
        body.push(b'\n');
        body
    }

    /// The row that a CSV record holds.
    ///
    /// # Errors
    /// The first cell that does not read, by its column. A record with too few cells lacks the
    /// cell that is named.
    pub fn from_record(record: &StringRecord) -> Result<Row, CellError> {
        let cells = Cells(record);
        Ok(Row {
            batch: cells.text(0)?,
            seq: cells
                .whole(1)?
                .ok_or_else(|| wrong(1, phrase!("is empty")))?,
            at: cells.at(2)?,
            kind: RowKind::from_name(cells.get(3)?)
                .ok_or_else(|| wrong(3, phrase!("is no kind of row that this version knows")))?,
            formula: cells.text(4)?,
            step: cells.whole(5)?.unwrap_or(0),
            phase: cells.text(6)?,
            ingredient: cells.text(7)?,
            lot: cells.text(8)?,
            vessel: cells.text(9)?,
            target: cells.grams(10)?,
            low: cells.grams(11)?,
            high: cells.grams(12)?,
            tare: cells.grams(13)?,
            gross: cells.grams(14)?,
            net: cells.grams(15)?,
            deviation: cells.grams(16)?,
            uncertainty: cells.grams(17)?,
            verdict: cells.word(
                18,
                Verdict::from_name,
                phrase!("is not inside, under, over or kept"),
            )?,
            scale: cells.text(19)?,
            unit: cells.word(20, unit_of_symbol, phrase!("is no unit of mass"))?,
            readings: cells.whole(21)?,
            note: cells.text(22)?,
            chain: cells.chain(23)?,
        })
    }
}

/// RFC 3339 in UTC with milliseconds: `2026-01-01T09:00:00.000Z`.
fn at_cell(at: Timestamp) -> String {
    format!("{at:.3}")
}

/// Exactly the symbol that is written, not its other spellings.
fn unit_of_symbol(symbol: &str) -> Option<Unit> {
    Unit::ALL.into_iter().find(|unit| unit.symbol() == symbol)
}

fn wrong(column: usize, why: Sentence) -> CellError {
    CellError {
        column: COLUMNS.get(column).copied().unwrap_or("row"),
        why,
    }
}

/// A record's cells by the index of their column.
struct Cells<'a>(&'a StringRecord);

impl<'a> Cells<'a> {
    fn get(&self, column: usize) -> Result<&'a str, CellError> {
        self.0
            .get(column)
            .ok_or_else(|| wrong(column, phrase!("the cell is missing")))
    }

    fn text(&self, column: usize) -> Result<String, CellError> {
        self.get(column).map(unguarded)
    }

    fn whole<T: std::str::FromStr>(&self, column: usize) -> Result<Option<T>, CellError> {
        let cell = self.get(column)?;
        if cell.is_empty() {
            return Ok(None);
        }
        // `parse` alone would take a plus sign.
        let digits = cell.bytes().all(|b| b.is_ascii_digit());
        match cell.parse() {
            Ok(n) if digits => Ok(Some(n)),
            _ => Err(wrong(column, phrase!("is not a whole number in range"))),
        }
    }

    fn grams(&self, column: usize) -> Result<Option<Grams>, CellError> {
        match self.get(column)? {
            "" => Ok(None),
            cell => match Grams::parse(cell) {
                Some(amount) => Ok(Some(amount)),
                None => Err(wrong(
                    column,
                    phrase!("is not grams as a plain decimal number (`12.34`)"),
                )),
            },
        }
    }

    fn word<T>(
        &self,
        column: usize,
        read: impl Fn(&str) -> Option<T>,
        why: Sentence,
    ) -> Result<Option<T>, CellError> {
        match self.get(column)? {
            "" => Ok(None),
            cell => read(cell).map(Some).ok_or_else(|| wrong(column, why)),
        }
    }

    fn at(&self, column: usize) -> Result<Timestamp, CellError> {
        let cell = self.get(column)?;
        match cell.parse::<Timestamp>() {
            Ok(at) if at_cell(at) == cell => Ok(at),
            _ => Err(wrong(
                column,
                phrase!("is not a time as in 2026-01-01T09:00:00.000Z"),
            )),
        }
    }

    fn chain(&self, column: usize) -> Result<String, CellError> {
        let cell = self.get(column)?;
        let hex = |b: u8| matches!(b, b'0'..=b'9' | b'a'..=b'f');
        if cell.len() == 16 && cell.bytes().all(hex) {
            Ok(cell.to_owned())
        } else {
            Err(wrong(
                column,
                phrase!("is not 16 hexadecimal digits in lower case"),
            ))
        }
    }
}
