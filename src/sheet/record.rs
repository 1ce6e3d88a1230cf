//! The rows of one log, sorted by what the sheet says of them.

use std::path::Path;

use crate::formula::Formula;
use crate::journal::format::row::Row;
use crate::journal::read::record::{Record, StepRecord};

/// One batch as its log has it.
#[derive(Debug, Clone, Default)]
pub struct SheetRecord {
    pub rows: Vec<Row>,
    /// The weighings that hold, the opening and the rest.
    pub log: Record,
    /// `None` where the log has no formula that reads.
    pub formula: Option<Formula>,
    /// The net contents that hold, in order; a corrected one stands at its place.
    pub filled: Vec<Row>,
    /// Rows that a later one corrected.
    pub withdrawn: Vec<Row>,
    /// Bytes at the file's end that are no whole row.
    pub torn: u64,
}

impl SheetRecord {
    /// Sorts the rows of one log, in the order of the file.
    pub fn new(rows: Vec<Row>, torn: u64) -> SheetRecord {
        let log = Record::of_rows(Path::new(""), rows.iter().cloned());
        let mut record = SheetRecord {
            formula: log.read_formula().and_then(Result::ok),
            torn,
            ..SheetRecord::default()
        };
        record.filled = log.filled.clone();
        record.withdrawn = log.refilled.clone();
        let earlier = log.steps.values().flat_map(|step| &step.earlier);
        let earlier = earlier.filter_map(|seq| rows.iter().find(|row| row.seq == *seq));
        record.withdrawn.extend(earlier.cloned());
        record.withdrawn.sort_by_key(|row| row.seq);
        record.log = log;
        record.rows = rows;
        record
    }

    /// The weighings that hold, in the order of their steps.
    pub fn weighed(&self) -> impl Iterator<Item = &StepRecord> {
        self.log.steps.values().filter(|step| step.net.is_some())
    }

    /// Step numbers and names of the formula's ingredients that have no weight.
    pub fn missing(&self) -> Vec<(usize, &str)> {
        let Some(formula) = &self.formula else {
            return Vec::new();
        };
        self.log.unweighed(formula)
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
