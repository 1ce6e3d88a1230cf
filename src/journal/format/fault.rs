//! Faults of a line of a log, in words for a person.

use crate::language::{Sentence, phrase, shown_as_told};

/// The first line of a log that is not as it was written; `line` from 1, the header being line 1.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BadLine {
    pub file: String,
    pub line: u64,
    /// The column's name, where the fault is in one cell.
    pub column: Option<&'static str>,
    pub fault: Fault,
}

impl std::error::Error for BadLine {}

impl BadLine {
    /// Whether only the end is missing: a power cut, or a row on its way to the disk.
    pub fn is_torn(&self) -> bool {
        matches!(self.fault, Fault::Torn { .. })
    }
}

impl BadLine {
    /// Where, what and what to do. Files and columns are named the same in every language.
    pub fn told(&self) -> Sentence {
        let mut place = format!("{}:{}:", self.file, self.line);
        if let Some(column) = self.column {
            place.push_str(&format!("{column}:"));
        }
        Sentence::from(place).and(self.fault.told())
    }
}

shown_as_told!(BadLine);

/// What is wrong with the line.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Fault {
    /// The first line is not the log's header.
    Header,
    /// The bytes do not fit the chain: the row was edited.
    Edited,
    /// The chain does not fit and `seq` jumps ahead.
    Missing { expected: u64, found: u64 },
    /// A `seq` that was there before.
    Repeated { expected: u64, found: u64 },
    /// The row names another batch than the log.
    OtherBatch { expected: String, found: String },
    /// The file does not end with a whole row; `bytes` are over.
    Torn { bytes: u64 },
    /// Longer than any row that is written.
    TooLong,
    /// Not text in UTF-8.
    NotText,
    /// Not as many cells as the header has.
    Columns { found: usize },
    /// A cell that does not read.
    Cell { why: Sentence },
    /// The chain fits, and the row does not agree with itself or with the rows before.
    Disagrees { why: Sentence },
}

impl Fault {
    /// What is wrong, and what to do.
    pub fn told(&self) -> Sentence {
        match self {
            Fault::Header => phrase!(
                "this is not the header of a batch log; a spreadsheet may have saved the file anew: take the copy from \
                 before that"
            ),
            Fault::Edited => phrase!(
                "the row was changed after it was written (its chain does not fit); compare it with a backup"
            ),
            Fault::Missing { expected, found } if found - expected == 1 => phrase!(
                "seq {expected} is missing, here is {found}; a row was taken out or changed",
                expected = *expected,
                found = *found,
            ),
            Fault::Missing { expected, found } => phrase!(
                "seq {expected} to {last} are missing, here is {found}; rows were taken out or changed",
                expected = *expected,
                last = found - 1,
                found = *found,
            ),
            Fault::Repeated { expected, found } => phrase!(
                "seq {found} again where {expected} should be; a row was doubled, moved or changed",
                found = *found,
                expected = *expected,
            ),
            Fault::OtherBatch { expected, found } => phrase!(
                "the row is of batch `{found}`, the log is of `{expected}`; if the file was renamed, give it back its \
                 name",
                found,
                expected,
            ),
            Fault::Torn { bytes } => phrase!(
                "torn end: {bytes} bytes that are no whole row, as after a power cut; going on with the batch sets them \
                 aside, no recorded weight is lost",
                bytes = *bytes,
            ),
            Fault::TooLong => phrase!("the line is longer than any row of a batch log"),
            Fault::NotText => phrase!("the line is not text in UTF-8"),
            Fault::Columns { found } => phrase!(
                "{found} cells where a row has {columns}",
                found = *found,
                columns = super::row::COLUMNS.len(),
            ),
            Fault::Cell { why } => why.clone(),
            Fault::Disagrees { why } => phrase!(
                "{why}; bismar writes no such row: somebody changed a row and computed the chain anew. Compare the log \
                 with a backup, or with the batch sheet that was signed",
                why = why.clone(),
            ),
        }
    }
}

shown_as_told!(Fault);
