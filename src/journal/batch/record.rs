//! One batch, running or closed, as its log alone tells it: what goes on with it, a sheet, a trace or a
//! declaration is made of this.

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::fmt;

use jiff::Timestamp;

use super::standing::skipped;
use crate::formula::Formula;
use crate::formula::amend::Amendment;
use crate::formula::contents::Limited;
use crate::formula::filling::Fill;
use crate::journal::format::cell::Grams;
use crate::journal::format::contents_note::contents_of;
use crate::journal::format::fault::BadLine;
use crate::journal::format::fill_note::fill_of;
use crate::journal::format::opening::{Opening, opening_of};
use crate::journal::format::row::{CellError, Row};
use crate::language::phrase;
use crate::mass::Mass;
use crate::problem::Problems;
use crate::vocabulary::entry::{
    RowKind, corrects, goes_on_after, lot_follows, lot_taken_back, words_of,
};

/// What a log says of its batch, up to its first line that is not as it was written.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Record {
    /// The log's file as errors name it; empty where the rows are of none.
    pub file: String,
    pub batch: String,
    /// The formula's name and version as the `formula` column has them.
    pub formula: String,
    /// The formula's text and the size; `None` when the log ends before them.
    pub opening: Option<Opening>,
    /// The limits that the formula alone does not tell; `None` when the log has none.
    pub limits: Option<Vec<Limited>>,
    /// The row of each step's weighing that holds, by the step, from 1, with what a correction leaves
    /// out. Without a net weight it was withdrawn.
    pub steps: BTreeMap<usize, Row>,
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
    /// The rows of steps and jars that a later one replaced, by their seq.
    pub replaced: BTreeMap<u64, RowKind>,
    /// Without the one that holds the formula.
    pub notes: Vec<Row>,
    /// The lot last named for each ingredient.
    pub lots: BTreeMap<String, String>,
    /// When the row that opened the batch was written, and when the last one was.
    pub opened_at: Option<Timestamp>,
    pub last_at: Option<Timestamp>,
    /// The row that closed the weighing.
    pub closed: Option<Row>,
    /// The row that closed the last filling.
    pub filling_closed: Option<Row>,
    /// Whether nothing is under way: neither the weighing nor a filling.
    pub ended: bool,
    /// Good rows.
    pub rows: u64,
    /// The first line that is not as it was written, a torn end included; `None`: the chain holds
    /// from the first row to the last.
    pub fault: Option<BadLine>,
    /// The row that weighed a step whose lot was named later, by the step.
    weighed_by: BTreeMap<usize, u64>,
    /// The step or jar of each row of a weight, to find what a correction corrects.
    step_of: HashMap<(RowKind, u64), usize>,
}

impl Record {
    /// The record of a log without rows; `file` is for the errors.
    pub fn new(file: impl fmt::Display) -> Record {
        Record {
            file: file.to_string(),
            ..Record::default()
        }
    }

    /// The record of rows that were read already, in the order of the file.
    pub fn of_rows(rows: impl IntoIterator<Item = Row>) -> Record {
        let mut record = Record::default();
        for row in rows {
            // What does not read stays a note.
            let _ = record.add(row);
        }
        record
    }

    /// Whether every row is as it was written and the last one is whole.
    pub fn is_proved(&self) -> bool {
        self.fault.is_none()
    }

    /// The formula as it was when the batch was opened; `None` without an opening.
    pub fn read_formula(&self) -> Option<Result<Formula, Problems>> {
        let text = &self.opening.as_ref()?.text;
        Some(Formula::parse(text, &self.file))
    }

    /// The weighings that hold and have a weight, in the order of their steps. A step that was left out has
    /// none, whatever its row holds.
    pub fn weighed(&self) -> impl Iterator<Item = &Row> {
        self.settled().filter(|row| skipped(row).is_none())
    }

    /// The rows of the steps that are done with, weighed or left out, in the order of the steps.
    pub fn settled(&self) -> impl Iterator<Item = &Row> {
        self.steps.values().filter(|row| row.net.is_some())
    }

    /// The batch size that was planned, or that a remedy made of it.
    pub fn size(&self) -> Option<Mass> {
        let remedy = self.amendments.iter().rev().find(|c| !c.parts.is_empty());
        let amended = remedy.map(|change| change.parts.iter().copied().map(Mass::from_ng).sum());
        amended.or(self.opening.as_ref().map(|opening| opening.batch))
    }

    /// The scales that weighed, by name.
    pub fn scales(&self) -> BTreeSet<&str> {
        let scales = self.steps.values().map(|row| row.scale.as_str());
        scales.filter(|name| !name.is_empty()).collect()
    }

    /// What stayed in the vessel of `step`: the last `residue` row's net weight.
    pub fn residue(&self, step: usize) -> Option<Grams> {
        let mut of_step = self.residues.iter().filter(|row| row.step == step);
        of_step.next_back().and_then(|row| row.net)
    }

    /// What came into the batch in `step`: the net weight less what stayed in the vessel.
    pub fn delivered(&self, step: usize) -> Option<Grams> {
        let net = self.steps.get(&step)?.net?;
        Some(match self.residue(step) {
            Some(residue) => net.minus(residue),
            None => net,
        })
    }

    /// All that came into the batch.
    pub fn total(&self) -> Mass {
        let delivered = self.steps.keys().filter_map(|step| self.delivered(*step));
        delivered.map(Grams::mass).sum()
    }

    /// What a jar of it holds by its label: as they were filled last, else as they were planned.
    pub fn jar(&self) -> Option<Mass> {
        let planned = self.opening.as_ref().and_then(|opening| opening.jars);
        let filled = self.fillings.last().map(|fill| fill.nominal);
        filled.or(planned.map(|(_, fill)| fill))
    }

    /// What is in no jar; nothing while it is under way, or where its log is damaged.
    pub fn rest(&self) -> Mass {
        match self.ended && self.fault.is_none() {
            true => (self.total() - self.jarred()).max(Mass::ZERO),
            false => Mass::ZERO,
        }
    }

    /// Whether what is in no jar is enough for one more like the others.
    pub fn is_fillable(&self) -> bool {
        let rest = self.rest();
        match self.jar() {
            Some(jar) => Fill::hold(jar, rest) > 0,
            None => rest > Mass::ZERO,
        }
    }

    /// All that is in jars.
    pub fn jarred(&self) -> Mass {
        let nets = self.filled.iter().filter_map(|row| row.net);
        nets.map(Grams::mass).sum()
    }

    /// Takes the next row.
    ///
    /// # Errors
    /// A note that is not to be understood, or one that corrects no weight before it. Who goes on with
    /// the batch must stop there; who only tells of it has the row among the notes.
    pub fn add(&mut self, row: Row) -> Result<(), CellError> {
        self.batch.clone_from(&row.batch);
        self.formula.clone_from(&row.formula);
        self.opened_at.get_or_insert(row.at);
        self.last_at = Some(row.at);
        self.rows += 1;
        if row.kind == RowKind::Note && row.note == lot_taken_back(&row.ingredient) {
            self.take_back_lot(&row.ingredient);
        }
        // What corrects a weight is of that weight's lot, which may not be the one named since.
        let step = corrects(&row.note).and_then(|seq| self.step_of.get(&(row.kind, seq)));
        let corrected = step.and_then(|step| self.steps.get(step));
        let restates = corrected.is_some_and(|before| before.lot == row.lot);
        let (relots, _) = words_of(&row.note, &row.ingredient, &row.lot);
        if let Some(before) = corrected.filter(|_| relots) {
            self.follow(&before.clone(), &row.lot);
        } else if !row.lot.is_empty() && !row.ingredient.is_empty() && !restates {
            self.lots.insert(row.ingredient.clone(), row.lot.clone());
        }
        match row.kind {
            RowKind::Weighed | RowKind::Filled => return self.weigh(row),
            RowKind::Remedy => return self.amend(row),
            RowKind::Note => return self.note(row),
            RowKind::Opened => {}
            RowKind::ScaleCheck => self.scale_checks.push(row),
            RowKind::TakenOut => self.taken_out.push(row),
            RowKind::Mixed => self.mixed.push(row),
            RowKind::Residue => self.residues.push(row),
            RowKind::Closed => self.close(row),
        }
        Ok(())
    }

    /// What is still to come of an ingredient is of the lot of its newest weight, also where that is named later, unless
    /// another lot was named since.
    fn follow(&mut self, before: &Row, lot: &str) {
        let same = |row: &&Row| row.ingredient == before.ingredient;
        let newest = self.weighed().filter(same).map(|row| row.step).max();
        if newest == Some(before.step) {
            lot_follows(&mut self.lots, &before.ingredient, &before.lot, lot);
        }
    }

    /// The row that weighed a step: what names its lot later is another one.
    pub(super) fn weighed_by(&self, row: &Row) -> u64 {
        self.weighed_by.get(&row.step).copied().unwrap_or(row.seq)
    }

    /// A weight that was taken back before gives its lot to no weight that comes in its place.
    fn take_back_lot(&mut self, ingredient: &str) {
        self.lots.remove(ingredient);
        let withdrawn = |row: &&mut Row| row.ingredient == ingredient && row.net.is_none();
        for row in self.steps.values_mut().filter(withdrawn) {
            row.lot.clear();
        }
    }

    /// A row holds for its step, or its jar, in place of any before it; one whose note begins
    /// `corrects seq N` for that of row N, whose weight it withdraws when it has none of its own.
    fn weigh(&mut self, mut row: Row) -> Result<(), CellError> {
        let corrected = corrects(&row.note);
        let known = |seq| self.step_of.get(&(row.kind, seq)).copied();
        let step = corrected.map_or(Some(row.step), known);
        if let Some(step) = step {
            self.step_of.insert((row.kind, row.seq), step);
            row.step = step;
        }
        if row.kind == RowKind::Filled {
            self.fill(row, corrected);
        } else if step.is_some_and(|step| step > 0) {
            self.hold(row, corrected.is_some());
        } else {
            self.notes.push(row);
        }
        match corrected.filter(|_| step.is_none()) {
            Some(seq) => {
                let why = phrase!("corrects seq {seq}, which is no weight before it", seq);
                Err(CellError::of_note(why))
            }
            None => Ok(()),
        }
    }

    fn hold(&mut self, mut row: Row, correction: bool) {
        let mut own = String::new();
        let (relots, _) = words_of(&row.note, &row.ingredient, &row.lot);
        let weighed_by = self.weighed_by.remove(&row.step);
        if let Some(mut before) = self.steps.remove(&row.step) {
            self.replaced.insert(before.seq, before.kind);
            if relots {
                // It was weighed when it was.
                row.at = before.at;
                let first = weighed_by.unwrap_or(before.seq);
                self.weighed_by.insert(row.step, first);
                take_what_it_lacks(&mut row, before);
                self.steps.insert(row.step, row);
                return;
            }
            if correction {
                own = std::mem::take(&mut before.lot);
                take_what_it_lacks(&mut row, before);
            }
        }
        // A lot that was taken back is gone from the record too.
        if let Some(last) = self.lots.get(&row.ingredient)
            && row.lot.is_empty()
        {
            row.lot = if own.is_empty() { last.clone() } else { own };
        }
        self.steps.insert(row.step, row);
    }

    fn fill(&mut self, row: Row, corrected: Option<u64>) {
        let is_old = |old: &Row| Some(old.seq) == corrected;
        let place = self.filled.iter().position(is_old);
        if let Some(place) = place {
            let before = self.filled.remove(place);
            self.replaced.insert(before.seq, before.kind);
        }
        if row.net.is_some() {
            let place = place.unwrap_or(self.filled.len());
            self.filled.insert(place, row);
        }
    }

    fn amend(&mut self, row: Row) -> Result<(), CellError> {
        let change = Amendment::of_note(&row.note).map(|read| read.map(|(change, _)| change));
        self.remedies.push(row);
        if let Some(change) = change.transpose().map_err(CellError::of_note)? {
            self.amendments.push(change);
            // A closed batch is opened again for it.
            self.closed = None;
            self.ended = false;
        }
        Ok(())
    }

    fn note(&mut self, row: Row) -> Result<(), CellError> {
        let opening = opening_of(&row).filter(|_| self.opening.is_none());
        if let Some(limits) = contents_of(&row) {
            return match limits {
                Ok(limits) => {
                    self.limits = Some(limits);
                    Ok(())
                }
                Err(error) => {
                    self.notes.push(row);
                    Err(error)
                }
            };
        }
        let read = match (opening, fill_of(&row)) {
            (Some(opening), _) => opening.map(|opening| self.opening = Some(opening)),
            (None, Some(fill)) => fill.map(|fill| {
                self.fillings.push(fill);
                self.ended = false;
            }),
            (None, None) => {
                self.go_on(&row);
                self.notes.push(row);
                return Ok(());
            }
        };
        read.inspect_err(|_| self.notes.push(row))
    }

    /// A stopped batch is taken up again by the row that names what closed it. Where nothing is closed by that row,
    /// the note is somebody's remark.
    fn go_on(&mut self, row: &Row) {
        let closed = self.closed.as_ref().map(|closed| closed.seq);
        let taken_up = closed.is_some() && closed == goes_on_after(&row.note);
        if taken_up && self.ended && self.fillings.is_empty() {
            self.closed = None;
            self.ended = false;
        }
    }

    fn close(&mut self, row: Row) {
        self.ended = true;
        match self.fillings.is_empty() {
            true => self.closed = Some(row),
            false => self.filling_closed = Some(row),
        }
    }
}

/// A correction may hold no more than the new weight: what a weighing is of stays as it was.
fn take_what_it_lacks(row: &mut Row, before: Row) {
    let texts = [
        (&mut row.phase, before.phase),
        (&mut row.ingredient, before.ingredient),
        (&mut row.vessel, before.vessel),
    ];
    for (now, before) in texts {
        if now.is_empty() {
            *now = before;
        }
    }
    row.target = row.target.or(before.target);
    row.low = row.low.or(before.low);
    row.high = row.high.or(before.high);
    let off = || Some(row.net?.minus(row.target?));
    row.deviation = row.deviation.or_else(off);
}
