//! The row that begins a filling, after the batch's `closed` row: a `note` that holds all that is
//! needed to go on, `filling {"fill_ng":55000000000,...}`.

use serde::{Deserialize, Serialize};

use crate::formula::filling::Fill;
use crate::journal::format::row::{CellError, Row};
use crate::language::phrase;
use crate::mass::Mass;
use crate::metrology::prepackage::Rule;
use crate::vocabulary::entry::RowKind;

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct FillNote {
    fill_ng: i64,
    over_ng: i64,
    rule: String,
    allowable_ng: Option<i64>,
    made_ng: i64,
    first: usize,
    last: usize,
}

const NOTE: &str = "filling {";

/// The note of the row that begins a filling.
pub fn note_of(fill: &Fill) -> String {
    let (rule, allowable) = match fill.rule {
        Rule::Eu76211 => ("eu", None),
        Rule::FPackV => ("de", None),
        Rule::OimlR87 => ("r87", None),
        Rule::Handbook133 {
            allowable_variation,
        } => ("hb133", Some(allowable_variation.ng())),
    };
    let note = FillNote {
        fill_ng: fill.nominal.ng(),
        over_ng: fill.over.ng(),
        rule: rule.to_owned(),
        allowable_ng: allowable,
        made_ng: fill.made.ng(),
        first: fill.first,
        last: fill.last,
    };
    // A struct of texts and numbers always has a JSON form.
    let json = serde_json::to_string(&note).unwrap_or_default();
    format!("filling {json}")
}

/// Reads how jars are filled from a row's note; `None` when the row holds nothing of the kind.
///
/// # Errors
/// Why a note that begins as one is none, in words.
pub fn fill_of(row: &Row) -> Option<Result<Fill, CellError>> {
    if row.kind != RowKind::Note || !row.note.starts_with(NOTE) {
        return None;
    }
    Some(read(row.note.get(NOTE.len() - 1..)?))
}

fn read(json: &str) -> Result<Fill, CellError> {
    let note: FillNote = serde_json::from_str(json).map_err(|e| {
        CellError::of_note(phrase!(
            "how jars are filled does not read: {why}",
            why = e.to_string(),
        ))
    })?;
    let rule = match (note.rule.as_str(), note.allowable_ng) {
        ("eu", None) => Rule::Eu76211,
        ("de", None) => Rule::FPackV,
        ("r87", None) => Rule::OimlR87,
        ("hb133", Some(ng)) => Rule::Handbook133 {
            allowable_variation: Mass::from_ng(ng),
        },
        (rule, _) => {
            let why = phrase!("the rule {rule} for filling jars is not known", rule);
            return Err(CellError::of_note(why));
        }
    };
    Ok(Fill {
        nominal: Mass::from_ng(note.fill_ng),
        over: Mass::from_ng(note.over_ng),
        rule,
        made: Mass::from_ng(note.made_ng),
        first: note.first,
        last: note.last,
    })
}
