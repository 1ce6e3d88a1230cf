//! The rows of one log, sorted by what the sheet says of them.

use std::collections::BTreeMap;

use crate::batch::resume::{Opening, corrects, opening_of};
use crate::batch::row::Row;
use crate::formula::Formula;
use crate::weighing::event::RowKind;

/// One batch as its log has it.
#[derive(Debug, Clone, Default)]
pub struct SheetRecord {
    pub rows: Vec<Row>,
    pub opening: Option<Opening>,
    /// `None` where the log has no formula that reads.
    pub formula: Option<Formula>,
    /// The weight that holds for each step.
    pub weighed: BTreeMap<usize, Row>,
    /// The net contents that hold, in order; a corrected one stands at its place.
    pub filled: Vec<Row>,
    /// Rows that a later one corrected.
    pub withdrawn: Vec<Row>,
    pub closed: bool,
    /// Bytes at the file's end that are no whole row.
    pub torn: u64,
}

impl SheetRecord {
    /// Sorts the rows of one log, in the order of the file.
    pub fn new(rows: Vec<Row>, torn: u64) -> SheetRecord {
        let mut record = SheetRecord {
            torn,
            ..SheetRecord::default()
        };
        let mut step_of: BTreeMap<u64, usize> = BTreeMap::new();
        for row in &rows {
            if record.opening.is_none()
                && let Some(Ok(opening)) = opening_of(row)
            {
                record.formula = Formula::parse(&opening.text, "formula").ok();
                record.opening = Some(opening);
            }
            match row.kind {
                RowKind::Weighed => record.weigh(row, &mut step_of),
                RowKind::Filled => record.fill(row),
                RowKind::Closed => record.closed = true,
                RowKind::Opened
                | RowKind::ScaleCheck
                | RowKind::TakenOut
                | RowKind::Remedy
                | RowKind::Mixed
                | RowKind::Residue
                | RowKind::Note => {}
            }
        }
        record.rows = rows;
        record
    }

    /// As the daemon takes it when it goes on with a batch: the last row of a step holds; one that
    /// corrects holds for the step of the row it names, and withdraws it when it has no net weight.
    fn weigh(&mut self, row: &Row, step_of: &mut BTreeMap<u64, usize>) {
        let corrected = corrects(&row.note).and_then(|seq| step_of.get(&seq).copied());
        let step = corrected.unwrap_or(row.step);
        step_of.insert(row.seq, step);
        let before = if row.net.is_some() {
            self.weighed.insert(step, row.clone())
        } else if corrected.is_some() {
            self.weighed.remove(&step)
        } else {
            None
        };
        self.withdrawn.extend(before);
    }

    fn fill(&mut self, row: &Row) {
        let corrected = corrects(&row.note);
        let place = self
            .filled
            .iter()
            .position(|old| Some(old.seq) == corrected);
        match (place, row.net) {
            (Some(place), Some(_)) => {
                if let Some(old) = self.filled.get_mut(place) {
                    let mut row = row.clone();
                    std::mem::swap(old, &mut row);
                    self.withdrawn.push(row);
                }
            }
            (Some(place), None) => self.withdrawn.push(self.filled.remove(place)),
            (None, Some(_)) => self.filled.push(row.clone()),
            (None, None) => {}
        }
    }

    pub fn of_kind(&self, kind: RowKind) -> impl Iterator<Item = &Row> {
        self.rows.iter().filter(move |row| row.kind == kind)
    }

    /// Step numbers and names of the formula's ingredients that have no weight.
    pub fn missing(&self) -> Vec<(usize, &str)> {
        let Some(formula) = &self.formula else {
            return Vec::new();
        };
        let all = formula.phases.iter().flat_map(|phase| &phase.ingredients);
        let all = (1..).zip(all.map(|ingredient| ingredient.name.as_str()));
        all.filter(|(step, _)| !self.weighed.contains_key(step))
            .collect()
    }

    /// The INCI name of an ingredient, where the formula has one.
    pub fn inci(&self, name: &str) -> Option<&str> {
        let phases = &self.formula.as_ref()?.phases;
        let mut all = phases.iter().flat_map(|phase| &phase.ingredients);
        all.find(|ingredient| ingredient.name == name)?
            .inci
            .as_deref()
    }
}
