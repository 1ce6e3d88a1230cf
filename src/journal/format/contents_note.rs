//! The note behind a batch's formula that holds what the formula alone does not tell: the limits of what is
//! in its premixes, and of constituents, `contents [{"name":"Linalool",...}]`.

use crate::formula::Percent;
use crate::formula::contents::Limited;
use crate::journal::format::cell;
use crate::journal::format::row::{CellError, Row};
use crate::language::{Sentence, phrase, shown_as_told};
use crate::text::harmless_json;
use crate::vocabulary::entry::RowKind;

const NOTE: &str = "contents [";

/// What is in the formula is too long for one cell.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ContentsTooLong {
    pub bytes: usize,
}

impl ContentsTooLong {
    pub fn told(&self) -> Sentence {
        phrase!(
            "the limits of what is in the formula take {bytes} bytes in the log, where {most} fit; take out of \
             substances.toml what no limit needs",
            bytes = self.bytes,
            most = cell::LONGEST_TEXT,
        )
    }
}

shown_as_told!(ContentsTooLong);

impl std::error::Error for ContentsTooLong {}

/// The note's text; `None` where the formula alone tells as much.
///
/// # Errors
/// When it does not fit a cell.
pub fn note_of(limits: &[Limited]) -> Result<Option<String>, ContentsTooLong> {
    let alone = |one: &Limited| one.is_plain() && one.told.is_none();
    if limits.iter().all(alone) {
        return Ok(None);
    }
    // A list of structs of texts and numbers always has a JSON form.
    let json = serde_json::to_string(limits).unwrap_or_default();
    let note = format!("contents {}", harmless_json(&json));
    match cell::fits(&note) {
        true => Ok(Some(note)),
        false => Err(ContentsTooLong { bytes: note.len() }),
    }
}

/// Reads the limits from a row's note; `None` when the row holds nothing of the kind.
///
/// # Errors
/// Why a note that begins as one is none, in words.
pub fn contents_of(row: &Row) -> Option<Result<Vec<Limited>, CellError>> {
    if row.kind != RowKind::Note || !row.note.starts_with(NOTE) {
        return None;
    }
    let json = row.note.get(NOTE.len() - 1..)?;
    let read: Result<Vec<Limited>, _> = serde_json::from_str(json);
    let read = read.map_err(|e| {
        CellError::of_note(phrase!(
            "what is in the formula does not read: {why}",
            why = e.to_string(),
        ))
    });
    Some(read.and_then(|limits| match limits.iter().all(is_sound) {
        true => Ok(limits),
        false => Err(CellError::of_note(phrase!(
            "what is in the formula has a share that is none"
        ))),
    }))
}

/// Whether all its shares are from 0 to 100 %.
fn is_sound(one: &Limited) -> bool {
    let shares = one.from.iter().map(|from| from.share);
    let limits = [one.limits.min, one.limits.max].into_iter().flatten();
    let sound = |share: Percent| (Percent(0)..=Percent::HUNDRED).contains(&share);
    shares.chain(limits).all(sound)
}
