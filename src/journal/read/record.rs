//! One batch, running or closed, as its log alone tells it: what a sheet, a trace or a declaration
//! is made of.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

use jiff::Timestamp;

use crate::formula::Formula;
use crate::formula::amend::Amendment;
use crate::formula::filling::Fill;
use crate::journal::error::{BadLine, LogError};
use crate::journal::format::cell::{Amount, clean};
use crate::journal::format::fill_note::fill_of;
use crate::journal::format::row::Row;
use crate::journal::read::resume::{Opening, corrects, opening_of};
use crate::journal::read::scan::scan_file;
use crate::mass::Mass;
use crate::problem::Problems;
use crate::vocabulary::entry::{RowKind, Verdict};

/// What a log says of its batch, up to its first line that is not as it was written.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Record {
    pub path: PathBuf,
    pub batch: String,
    /// The formula's name and version as the `formula` column has them.
    pub formula: String,
    /// The formula's text and the size; `None` when the log ends before them.
    pub opening: Option<Opening>,
    /// The weighings by their step, from 1, as they stand after every correction.
    pub steps: BTreeMap<usize, StepRecord>,
    pub scale_checks: Vec<Row>,
    pub taken_out: Vec<Row>,
    pub remedies: Vec<Row>,
    pub mixed: Vec<Row>,
    pub residues: Vec<Row>,
    /// Changes of the plan, in the order in which they were chosen.
    pub amendments: Vec<Amendment>,
    /// How jars were filled, one for each time that filling began.
    pub fillings: Vec<Fill>,
    /// The jars as they hold, in their order; a corrected one stands at its place.
    pub filled: Vec<Row>,
    /// Rows of jars that a later one corrected.
    pub refilled: Vec<Row>,
    /// Without the one that holds the formula.
    pub notes: Vec<Row>,
    /// When the row that opened the batch was written, and when the last one was.
    pub opened_at: Option<Timestamp>,
    pub last_at: Option<Timestamp>,
    /// The row that closed the weighing.
    pub closed: Option<Row>,
    /// The row that closed the last filling.
    pub filling_closed: Option<Row>,
    /// Good rows.
    pub rows: u64,
    /// The first line that is not as it was written, a torn end included; `None`: the chain holds
    /// from the first row to the last.
    pub fault: Option<BadLine>,
    /// The lot last named for each ingredient.
    named_lots: BTreeMap<String, String>,
    /// The step of each `weighed` row, to find what a correction corrects.
    step_of: BTreeMap<u64, usize>,
}

/// One step's weighing that holds.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StepRecord {
    pub step: usize,
    pub phase: String,
    pub ingredient: String,
    /// Empty when none was named.
    pub lot: String,
    pub vessel: String,
    pub target: Option<Amount>,
    /// The acceptance window.
    pub low: Option<Amount>,
    pub high: Option<Amount>,
    pub tare: Option<Amount>,
    pub gross: Option<Amount>,
    /// `None` when a correction withdrew the weight.
    pub net: Option<Amount>,
    /// Net less target.
    pub deviation: Option<Amount>,
    /// Expanded (k = 2).
    pub uncertainty: Option<Amount>,
    pub verdict: Option<Verdict>,
    pub scale: String,
    pub note: String,
    /// The row that holds, and when it was written.
    pub seq: u64,
    pub at: Timestamp,
    /// The rows that held before it, oldest first.
    pub earlier: Vec<u64>,
}

impl Record {
    /// Whether every row is as it was written and the last one is whole.
    pub fn is_proved(&self) -> bool {
        self.fault.is_none()
    }

    /// The formula as it was when the batch was opened; `None` without an opening.
    pub fn read_formula(&self) -> Option<Result<Formula, Problems>> {
        let text = &self.opening.as_ref()?.text;
        Some(Formula::parse(text, &self.path.display().to_string()))
    }

    /// The ingredients of `formula`, that of the batch, that have no weight: number in the formula and
    /// name. A remedy weighs an ingredient in a step more, so it goes by names.
    pub fn unweighed<'f>(&self, formula: &'f Formula) -> Vec<(usize, &'f str)> {
        let mut weighed: BTreeMap<&str, usize> = BTreeMap::new();
        for step in self.steps.values().filter(|step| step.net.is_some()) {
            *weighed.entry(&step.ingredient).or_default() += 1;
        }
        let mut missing = Vec::new();
        for (number, ingredient) in (1..).zip(formula.ingredients()) {
            match weighed.get_mut(clean(&ingredient.name).as_str()) {
                Some(count) if *count > 0 => *count -= 1,
                Some(_) | None => missing.push((number, ingredient.name.as_str())),
            }
        }
        missing
    }

    /// The batch size that was planned, or that a remedy made of it.
    pub fn size(&self) -> Option<Mass> {
        let remedy = self.amendments.iter().rev().find(|c| !c.parts.is_empty());
        let amended = remedy.map(|change| change.parts.iter().copied().map(Mass::from_ng).sum());
        amended.or(self.opening.as_ref().map(|opening| opening.batch))
    }

    /// The scales that weighed, by name.
    pub fn scales(&self) -> BTreeSet<&str> {
        let scales = self.steps.values().map(|step| step.scale.as_str());
        scales.filter(|name| !name.is_empty()).collect()
    }

    /// What stayed in the vessel of `step`: the last `residue` row's net weight.
    pub fn residue(&self, step: usize) -> Option<Amount> {
        let mut of_step = self.residues.iter().filter(|row| row.step == step);
        of_step.next_back().and_then(|row| row.net)
    }

    /// What came into the batch in `step`: the net weight less what stayed in the vessel.
    pub fn delivered(&self, step: usize) -> Option<Amount> {
        let net = self.steps.get(&step)?.net?;
        Some(match self.residue(step) {
            Some(residue) => net.minus(residue),
            None => net,
        })
    }

    /// All that came into the batch.
    pub fn total(&self) -> Mass {
        let delivered = self.steps.keys().filter_map(|step| self.delivered(*step));
        delivered.map(Amount::mass).sum()
    }

    /// The record of rows that were read already, in the order of the file.
    pub fn of_rows(path: &Path, rows: impl IntoIterator<Item = Row>) -> Record {
        let mut record = Record {
            path: path.to_owned(),
            ..Record::default()
        };
        for row in rows {
            record.add(row);
        }
        record
    }

    /// Takes the next row. As [`super::resume::Resuming::add`], a `weighed` row holds for its step
    /// in place of any before it, and one whose note begins `corrects seq N` for the step of that
    /// row. A correction of no earlier weight is kept with the notes.
    fn add(&mut self, row: Row) {
        self.batch.clone_from(&row.batch);
        self.formula.clone_from(&row.formula);
        self.opened_at.get_or_insert(row.at);
        self.last_at = Some(row.at);
        self.rows += 1;
        if !row.lot.is_empty() && !row.ingredient.is_empty() {
            self.named_lots
                .insert(row.ingredient.clone(), row.lot.clone());
        }
        match row.kind {
            RowKind::Opened => {}
            RowKind::ScaleCheck => self.scale_checks.push(row),
            RowKind::Weighed => self.weigh(row),
            RowKind::TakenOut => self.taken_out.push(row),
            RowKind::Remedy => {
                if let Some(Ok((change, _))) = Amendment::of_note(&row.note) {
                    self.amendments.push(change);
                    // A closed batch is opened again for it.
                    self.closed = None;
                }
                self.remedies.push(row);
            }
            RowKind::Mixed => self.mixed.push(row),
            RowKind::Residue => self.residues.push(row),
            RowKind::Filled => self.fill(row),
            RowKind::Note => self.note(row),
            RowKind::Closed if self.fillings.is_empty() => self.closed = Some(row),
            RowKind::Closed => self.filling_closed = Some(row),
        }
    }

    fn fill(&mut self, mut row: Row) {
        let corrected = corrects(&row.note);
        let place = |rows: &[Row]| rows.iter().position(|old| Some(old.seq) == corrected);
        match (place(&self.filled), row.net) {
            (Some(place), Some(_)) => {
                if let Some(old) = self.filled.get_mut(place) {
                    row.step = old.step;
                    self.refilled.push(std::mem::replace(old, row));
                }
            }
            (Some(place), None) => self.refilled.push(self.filled.remove(place)),
            (None, Some(_)) => self.filled.push(row),
            (None, None) => {}
        }
    }

    fn note(&mut self, row: Row) {
        match opening_of(&row) {
            Some(Ok(opening)) if self.opening.is_none() => self.opening = Some(opening),
            Some(_) | None => match fill_of(&row) {
                Some(Ok(fill)) => self.fillings.push(fill),
                Some(Err(_)) | None => self.notes.push(row),
            },
        }
    }

    fn weigh(&mut self, row: Row) {
        let corrected = corrects(&row.note);
        let step = match corrected {
            Some(seq) => self.step_of.get(&seq).copied(),
            None => Some(row.step).filter(|step| *step > 0),
        };
        let Some(step) = step else {
            self.notes.push(row);
            return;
        };
        self.step_of.insert(row.seq, step);
        let before = self.steps.remove(&step);
        let mut now = self.step_record(step, row);
        if let Some(mut before) = before {
            now.earlier = std::mem::take(&mut before.earlier);
            now.earlier.push(before.seq);
            if corrected.is_some() {
                now.take_what_it_lacks(before);
            }
        }
        self.steps.insert(step, now);
    }

    fn step_record(&self, step: usize, row: Row) -> StepRecord {
        let lot = match row.lot.is_empty() {
            true => self.named_lots.get(&row.ingredient).cloned(),
            false => Some(row.lot),
        };
        StepRecord {
            step,
            phase: row.phase,
            ingredient: row.ingredient,
            lot: lot.unwrap_or_default(),
            vessel: row.vessel,
            target: row.target,
            low: row.low,
            high: row.high,
            tare: row.tare,
            gross: row.gross,
            net: row.net,
            deviation: row.deviation,
            uncertainty: row.uncertainty,
            verdict: row.verdict,
            scale: row.scale,
            note: row.note,
            seq: row.seq,
            at: row.at,
            earlier: Vec::new(),
        }
    }
}

impl StepRecord {
    /// A correction may hold no more than the new weight: what a weighing is of stays as it was.
    fn take_what_it_lacks(&mut self, before: StepRecord) {
        let texts = [
            (&mut self.phase, before.phase),
            (&mut self.ingredient, before.ingredient),
            (&mut self.lot, before.lot),
            (&mut self.vessel, before.vessel),
        ];
        for (mine, theirs) in texts {
            if mine.is_empty() {
                *mine = theirs;
            }
        }
        self.target = self.target.or(before.target);
        self.low = self.low.or(before.low);
        self.high = self.high.or(before.high);
        self.deviation = self
            .deviation
            .or_else(|| Some(self.net?.minus(self.target?)));
    }
}

/// Reads a log without its lock and without changing it. What follows the first bad line is not
/// read; [`Record::fault`] tells.
///
/// # Errors
/// Only when the file cannot be read.
pub fn read(path: &Path) -> Result<Record, LogError> {
    let mut scan = scan_file(path)?;
    let mut record = Record {
        path: path.to_owned(),
        ..Record::default()
    };
    record.fault = loop {
        match scan.next_row() {
            Ok(Some(row)) => record.add(row),
            Ok(None) if scan.torn() == 0 && !scan.has_header() => break Some(scan.no_header()),
            Ok(None) => break scan.torn_line(),
            Err(LogError::Bad(bad)) => break Some(bad),
            Err(other) => return Err(other),
        }
    };
    Ok(record)
}

/// Every `.csv` file of a folder, by name. A missing folder has none.
///
/// # Errors
/// When the folder cannot be read.
pub fn logs_in(dir: &Path) -> Result<Vec<PathBuf>, LogError> {
    let cannot = |e| LogError::io(dir, "read the folder of the logs")(e);
    let entries = match std::fs::read_dir(dir) {
        Ok(entries) => entries,
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => return Ok(Vec::new()),
        Err(e) => return Err(cannot(e)),
    };
    let mut paths = Vec::new();
    for entry in entries {
        let path = entry.map_err(cannot)?.path();
        if path.extension().is_some_and(|end| end == "csv") {
            paths.push(path);
        }
    }
    paths.sort();
    Ok(paths)
}
