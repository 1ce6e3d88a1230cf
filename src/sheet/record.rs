//! The rows of one log, sorted by what the sheet says of them.

use crate::formula::Formula;
use crate::journal::batch::record::Record;
use crate::journal::batch::standing::Lacking;
use crate::journal::format::row::Row;
use crate::language::Language;
use crate::metrology::ScaleAbility;

use super::said::Said;

/// One batch as its log has it.
#[derive(Debug, Clone, Default)]
pub struct SheetRecord {
    pub rows: Vec<Row>,
    /// The weighings that hold, the opening and the rest.
    pub log: Record,
    /// `None` where the log has no formula that reads.
    pub formula: Option<Formula>,
    /// Bytes at the file's end that are no whole row.
    pub torn: u64,
    /// The SHA-256 of the file's whole rows; empty where nobody made it.
    pub digest: String,
    /// The scales of the configuration, for their budgets; a log does not hold them.
    pub scales: Vec<ScaleAbility>,
    /// What the sheet is read in; the rows stay as they are.
    pub language: Language,
}

impl SheetRecord {
    /// Sorts the rows of one log, in the order of the file.
    pub fn new(rows: Vec<Row>, torn: u64) -> SheetRecord {
        let log = Record::of_rows(rows.iter().cloned());
        SheetRecord {
            formula: log.read_formula().and_then(Result::ok),
            rows,
            log,
            torn,
            digest: String::new(),
            scales: Vec::new(),
            language: Language::English,
        }
    }

    pub(super) fn said(&self) -> Said {
        Said(self.language)
    }

    /// Rows that a later one corrected.
    pub fn withdrawn(&self) -> impl Iterator<Item = &Row> {
        let replaced = |row: &&Row| self.log.replaced.contains_key(&row.seq);
        self.rows.iter().filter(replaced)
    }

    /// What of the formula has no weight and is not told by a row of its own as left out.
    pub fn missing(&self) -> Vec<Lacking> {
        let formula = self.formula.as_ref();
        let mut lacking = formula.map_or(Vec::new(), |formula| self.log.lacking(formula));
        lacking.retain(|one| one.skipped.is_none());
        lacking
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
