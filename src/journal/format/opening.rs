//! The two rows that open a batch: `opened`, with a note for a person, and a `note` that holds the
//! formula's text and the batch's size, so that the log alone is enough to go on:
//! `formula {"text":"...","batch_ng":500000000000,"jars":null,"fill_ng":null,"sha256":"..."}`.
//! `jars` and `fill_ng` are both null or both numbers; `sha256` is that of the text.

use serde::{Deserialize, Serialize};

use crate::formula::plan::BatchSize;
use crate::formula::{Formula, Plan};
use crate::journal::format::cell;
use crate::journal::format::chain;
use crate::journal::format::row::{CellError, Row};
use crate::language::{Sentence, phrase, shown_as_told};
use crate::mass::Mass;
use crate::text::harmless_json;
use crate::vocabulary::entry::{Draft, RowKind};

/// What a batch was opened with.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Opening {
    /// The formula's text, byte for byte.
    pub text: String,
    pub batch: Mass,
    /// Number of jars and the fill of each, when the batch was given so.
    pub jars: Option<(u32, Mass)>,
}

/// The formula's text is too long for one cell.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FormulaTooLong {
    pub bytes: usize,
}

impl FormulaTooLong {
    pub fn told(&self) -> Sentence {
        phrase!(
            "the formula takes {bytes} bytes in the log, where {most} fit; shorten its notes",
            bytes = self.bytes,
            most = cell::LONGEST_TEXT,
        )
    }
}

shown_as_told!(FormulaTooLong);

impl std::error::Error for FormulaTooLong {}

#[derive(Serialize, Deserialize)]
struct OpeningNote {
    text: String,
    batch_ng: i64,
    jars: Option<u32>,
    fill_ng: Option<i64>,
    sha256: String,
}

const FORMULA_NOTE: &str = "formula {";

impl Opening {
    /// That of a batch as `plan` has it.
    pub fn of(formula: &Formula, plan: &Plan) -> Opening {
        Opening {
            text: formula.text.clone(),
            batch: plan.batch,
            jars: plan.jars,
        }
    }

    /// The size as it was asked for.
    pub fn amount(&self) -> BatchSize {
        BatchSize::opened(self.batch, self.jars)
    }

    /// The two drafts that open the batch. `label` names the formula for a person.
    ///
    /// # Errors
    /// When the formula's text does not fit a cell.
    pub fn drafts(&self, label: &str) -> Result<[Draft; 2], FormulaTooLong> {
        let note = OpeningNote {
            text: self.text.clone(),
            batch_ng: self.batch.ng(),
            jars: self.jars.map(|(jars, _)| jars),
            fill_ng: self.jars.map(|(_, fill)| fill.ng()),
            sha256: chain::sha256(&self.text),
        };
        // A struct of texts and numbers always has a JSON form.
        let json = serde_json::to_string(&note).unwrap_or_default();
        let json = format!("formula {}", harmless_json(&json));
        if !cell::fits(&json) {
            return Err(FormulaTooLong { bytes: json.len() });
        }
        let size = match self.jars {
            Some((jars, fill)) => format!("{jars} jars of {} g", fill.grams(Mass::from_g(1))),
            None => "one batch".to_owned(),
        };
        let words = format!("{label}: {} g, {size}", self.batch.grams(Mass::from_g(1)));
        Ok([
            Draft::new(RowKind::Opened, words),
            Draft::new(RowKind::Note, json),
        ])
    }
}

/// Reads the opening from a row's note; `None` when the row holds none.
///
/// # Errors
/// Why a note that begins as one is none, in words.
pub fn opening_of(row: &Row) -> Option<Result<Opening, CellError>> {
    if row.kind != RowKind::Note || !row.note.starts_with(FORMULA_NOTE) {
        return None;
    }
    let json = row.note.get(FORMULA_NOTE.len() - 1..)?;
    Some(read(json))
}

fn read(json: &str) -> Result<Opening, CellError> {
    let note: OpeningNote = serde_json::from_str(json).map_err(|e| {
        CellError::of_note(phrase!(
            "the formula in the note does not read: {why}",
            why = e.to_string(),
        ))
    })?;
    if chain::sha256(&note.text) != note.sha256 {
        return Err(CellError::of_note(phrase!(
            "the formula in the note does not fit its sha256"
        )));
    }
    let jars = match (note.jars, note.fill_ng) {
        (Some(jars), Some(fill)) => Some((jars, Mass::from_ng(fill))),
        (None, None) => None,
        (Some(_), None) | (None, Some(_)) => {
            return Err(CellError::of_note(phrase!(
                "the note has jars without fill_ng, or the other way"
            )));
        }
    };
    Ok(Opening {
        text: note.text,
        batch: Mass::from_ng(note.batch_ng),
        jars,
    })
}
