//! Entries of the batch log, before the log adds its own columns.

use std::collections::BTreeMap;

use crate::language::remark::joined;
use crate::language::{Sentence, remark};
use crate::mass::{Mass, Unit};
use crate::time::Moment;

/// A row the engine wants in the log. The shell adds batch, seq, time of day and chain.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Draft {
    /// Comes back in [`crate::weighing::event::Input::Logged`]; 0 in a row that no engine asked for.
    pub ticket: u64,
    pub at: Moment,
    pub kind: RowKind,
    /// Step number from 1; 0 for none.
    pub step: usize,
    pub phase: String,
    pub ingredient: String,
    pub lot: String,
    pub vessel: String,
    pub target: Option<Mass>,
    pub low: Option<Mass>,
    pub high: Option<Mass>,
    pub tare: Option<Mass>,
    pub gross: Option<Mass>,
    pub net: Option<Mass>,
    /// Expanded uncertainty (about 95 %) of the net weight.
    pub uncertainty: Option<Mass>,
    pub verdict: Option<Verdict>,
    /// The scale's name; empty for none.
    pub scale: String,
    pub unit: Option<Unit>,
    /// How many readings the steady weight rests on.
    pub readings: Option<u32>,
    /// The readability in which the row's grams are written.
    pub readability: Mass,
    pub note: String,
}

impl Draft {
    /// A row with nothing but a note.
    pub fn new(kind: RowKind, note: impl Into<String>) -> Draft {
        Draft {
            kind,
            note: note.into(),
            ..Draft::default()
        }
    }
}

/// The log's `kind` column.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum RowKind {
    Opened,
    ScaleCheck,
    Weighed,
    TakenOut,
    Remedy,
    Mixed,
    Residue,
    Filled,
    #[default]
    Note,
    Closed,
}

impl RowKind {
    pub const ALL: [RowKind; 10] = [
        RowKind::Opened,
        RowKind::ScaleCheck,
        RowKind::Weighed,
        RowKind::TakenOut,
        RowKind::Remedy,
        RowKind::Mixed,
        RowKind::Residue,
        RowKind::Filled,
        RowKind::Note,
        RowKind::Closed,
    ];

    pub const fn name(self) -> &'static str {
        match self {
            RowKind::Opened => "opened",
            RowKind::ScaleCheck => "scale-check",
            RowKind::Weighed => "weighed",
            RowKind::TakenOut => "taken-out",
            RowKind::Remedy => "remedy",
            RowKind::Mixed => "mixed",
            RowKind::Residue => "residue",
            RowKind::Filled => "filled",
            RowKind::Note => "note",
            RowKind::Closed => "closed",
        }
    }

    pub fn from_name(name: &str) -> Option<RowKind> {
        RowKind::ALL.into_iter().find(|kind| kind.name() == name)
    }
}

/// The log's `verdict` column.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Verdict {
    Inside,
    Under,
    Over,
    Kept,
}

impl Verdict {
    pub const ALL: [Verdict; 4] = [
        Verdict::Inside,
        Verdict::Under,
        Verdict::Over,
        Verdict::Kept,
    ];

    pub const fn name(self) -> &'static str {
        match self {
            Verdict::Inside => "inside",
            Verdict::Under => "under",
            Verdict::Over => "over",
            Verdict::Kept => "kept",
        }
    }

    pub fn from_name(name: &str) -> Option<Verdict> {
        Verdict::ALL.into_iter().find(|v| v.name() == name)
    }
}

const CORRECTS: &str = "corrects seq ";

/// The `seq` of the row that one with this note stands in place of: the note begins `corrects seq N`.
pub fn corrects(note: &str) -> Option<u64> {
    Some(corrects_and(note)?.0)
}

/// As [`corrects`], with what the note says behind it.
pub fn corrects_and(note: &str) -> Option<(u64, &str)> {
    let rest = note.strip_prefix(CORRECTS)?;
    let end = rest.find(|c: char| !c.is_ascii_digit());
    let (seq, more) = rest.split_at_checked(end.unwrap_or(rest.len()))?;
    Some((seq.parse().ok()?, more))
}

/// The note of a row that stands in place of row `seq`, and what else it says.
pub fn corrects_note(seq: u64, note: impl Into<Sentence>) -> Sentence {
    joined(remark!("corrects seq {seq}", seq), note.into())
}

/// The note of a row that says a recorded weight, that of row `seq`, to be of another lot; none where that is empty. `words`
/// are those of that row, without what it corrects.
pub fn of_another_lot(seq: u64, ingredient: &str, lot: &str, words: &str) -> String {
    joined(corrects_note(seq, words), lot_now(ingredient, lot).into()).into()
}

/// Whether a row says no more of a weight than that it is of another lot, and what else its note says, without what it
/// corrects.
pub fn words_of<'n>(note: &'n str, ingredient: &str, lot: &str) -> (bool, &'n str) {
    let Some((_, more)) = corrects_and(note) else {
        return (false, note);
    };
    let words = |text: &'n str| text.strip_prefix("; ").unwrap_or(text);
    let before = more.strip_suffix(&lot_now(ingredient, lot));
    match before.and_then(|before| before.strip_suffix("; ")) {
        Some(before) => (true, words(before)),
        None => (false, words(more)),
    }
}

/// What is still to come of an ingredient is of the lot of its newest weight: of `lot`, where that was of `before` and turns
/// out to be of this one, unless another lot was named since. None, where that is empty.
pub fn lot_follows(lots: &mut BTreeMap<String, String>, ingredient: &str, before: &str, lot: &str) {
    if lots.get(ingredient).map_or("", String::as_str) != before {
        return;
    }
    match lot {
        "" => drop(lots.remove(ingredient)),
        lot => drop(lots.insert(ingredient.to_owned(), lot.to_owned())),
    }
}

fn lot_now(ingredient: &str, lot: &str) -> String {
    match lot {
        "" => lot_taken_back(ingredient),
        lot => lot_named(ingredient, lot),
    }
}

/// Why a step was left out, by the note of its row: `skipped: REASON`, behind what it corrects where it does.
pub fn skip_reason(note: &str) -> Option<&str> {
    let own = match note.strip_prefix(CORRECTS) {
        Some(rest) => rest.split_once("; ")?.1,
        None => note,
    };
    own.strip_prefix("skipped: ")
}

/// The note of a row that names an ingredient's lot.
pub fn lot_named(ingredient: &str, lot: &str) -> String {
    remark!("lot of {name}: {lot}", name = ingredient, lot).into()
}

/// The note of a row that takes back an ingredient's lot without naming another.
pub fn lot_taken_back(ingredient: &str) -> String {
    remark!("lot of {name} taken back", name = ingredient).into()
}

/// The note of the row that takes a stopped batch up again: what closed it in the row `seq` counts no more.
pub fn goes_on(seq: u64) -> String {
    remark!(
        "taken up again: that it was ended in row {seq} no longer counts",
        seq
    )
    .into()
}

/// As logs have it that were written before [`goes_on`] had its words of today.
fn went_on(seq: u64) -> String {
    remark!("the batch goes on: seq {seq} did not end it", seq).into()
}

/// The `seq` that a note of [`goes_on`] names, in its words of today or of old logs; `None` of any other note.
pub fn goes_on_after(note: &str) -> Option<u64> {
    let mut numbers = note.split(|c: char| !c.is_ascii_digit());
    let seq = numbers.find_map(|number| number.parse().ok())?;
    // As it is written, and no other way: `007` is somebody's own word.
    (goes_on(seq) == note || went_on(seq) == note).then_some(seq)
}
