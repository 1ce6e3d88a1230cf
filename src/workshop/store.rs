//! The list of lots: read, added to, and corrected by lines below what they correct.

use std::io::Write as _;
use std::path::Path;

use jiff::civil::Date;

use super::QueryError;
use crate::files;
use crate::language::{Sentence, Slot, counted, phrase};
use crate::lots::Lot;
use crate::lots::shelf::{Listed, listed};
use crate::lots::stocktake::Stocktake;
use crate::lots::trace::Use;
use crate::mass::Mass;
use crate::problem::{Problem, Problems};

/// The lots of the list `file`; `None` where there is no list.
///
/// # Errors
/// Each fault of the list with its place.
pub fn list(file: &Path) -> Result<Option<Vec<Lot>>, Problems> {
    let there = std::fs::symlink_metadata(file);
    if there.is_err_and(|error| error.kind() == std::io::ErrorKind::NotFound) {
        return Ok(None);
    }
    let text = files::text(file)?;
    Lot::parse_all(&text, &file.display().to_string()).map(Some)
}

/// The lots of the list `file`, which need not be there.
///
/// # Errors
/// As [`list`].
pub fn lots(file: &Path) -> Result<Vec<Lot>, QueryError> {
    Ok(list(file)?.unwrap_or_default())
}

/// Adds a lot at the end of the list `file`, which is made where there is none; it is on the disk when
/// this returns.
///
/// # Errors
/// Each fault of the list or of the lot with its place; nothing is written then. Or why it cannot be
/// written.
pub fn add(file: &Path, lot: &Lot) -> Result<(), QueryError> {
    let before = match file.exists() {
        true => files::text(file)?,
        false => String::new(),
    };
    // A fault of the list is told at its place.
    let lots = Lot::parse_all(&before, &file.display().to_string())?;
    if let Some(there) = lots
        .iter()
        .find(|there| there.is(&lot.name, &lot.ingredient))
    {
        let twice = Problem {
            path: String::new(),
            line: 0,
            column: 0,
            message: is_there(there),
            remedy: Sentence::none(),
        };
        return Err(Problems::from(twice).into());
    }
    put_below(file, &before, &lot.to_toml())
}

/// Puts `lines` below the list that reads `before`.
fn put_below(file: &Path, before: &str, lines: &str) -> Result<(), QueryError> {
    let name = file.display().to_string();
    let lines = format!("{}{lines}", gap(before));
    // Nothing is written that would not be read.
    with_below(before, &lines)?;
    append(file, &lines).map_err(|error| {
        let remedy = match error.kind() {
            std::io::ErrorKind::ReadOnlyFilesystem => {
                phrase!("; if the service is closed in, name its folder in closed-in.conf")
            }
            _ => Sentence::none(),
        };
        let error = error.to_string();
        QueryError::Other(phrase!(
            "{name}: cannot write the lot: {error}{remedy}",
            name = &name,
            error,
            remedy,
        ))
    })
}

/// That this lot is in the list, and no other of its name is taken.
pub fn is_there(lot: &Lot) -> Sentence {
    phrase!(
        "a lot {name} is in the list already, of {of}",
        name = &lot.name,
        of = &lot.ingredient,
    )
}

/// The lots of a list that reads `before`, with `lines` below it that are not written yet.
fn with_below(before: &str, lines: &str) -> Result<Vec<Lot>, Problems> {
    Lot::parse_all(&format!("{before}{lines}"), "").map_err(|faults| faults.of_unwritten(named))
}

/// What stands between the text and the lines below it.
fn gap(before: &str) -> &'static str {
    if before.is_empty() || before.ends_with('\n') {
        ""
    } else {
        "\n"
    }
}

fn append(file: &Path, lines: &str) -> std::io::Result<()> {
    if let Some(folder) = file.parent() {
        std::fs::create_dir_all(folder)?;
    }
    let mut options = std::fs::OpenOptions::new();
    let mut out = options.append(true).create(true).open(file)?;
    out.write_all(lines.as_bytes())?;
    out.sync_all()
}

/// A correction of one lot as it would be written, and what it changes.
#[derive(Debug)]
pub struct Change {
    pub was: Listed,
    /// None where the lot is taken out of the list.
    pub is: Option<Listed>,
    /// The batches that took from it, and what they took.
    pub batches: Vec<String>,
    pub taken: Mass,
    /// The list that it was worked out for, and what comes below it.
    before: String,
    lines: String,
}

impl Change {
    /// Of the lot `name` of `ingredient` in the list `file`: `made` gives the lot as it is to be, or none where it is to be
    /// taken out; `stock` and `uses` are what all batches took, and took of that lot. Nothing is written.
    ///
    /// # Errors
    /// Each fault of the list with its place; where it has no such lot; where there is no reason, or nothing changes.
    pub fn of(
        file: &Path,
        (name, ingredient): (&str, &str),
        made: impl FnOnce(&Lot) -> Option<Lot>,
        reason: &str,
        (stock, uses): (&Stocktake, &[Use]),
        today: Date,
    ) -> Result<Change, QueryError> {
        let other = |why: Sentence| Err(QueryError::Other(why));
        let place = file.display().to_string();
        let before = files::text(file)?;
        let lots = Lot::parse_all(&before, &place)?;
        let Some(was) = lots.iter().find(|lot| lot.is(name, ingredient)) else {
            return other(phrase!(
                "no lot {name} of {ingredient} is in {place}; open the list again",
                name,
                ingredient,
                place,
            ));
        };
        let reason = reason.trim();
        if reason.is_empty() {
            return other(phrase!("say why; the list keeps the reason"));
        }
        let is = made(was);
        let Some(lines) = was.correction(is.as_ref(), today, reason) else {
            return other(phrase!(
                "lot {name} of {ingredient} says that already",
                name,
                ingredient,
            ));
        };
        let after = with_below(&before, &format!("{}{lines}", gap(&before)))?;
        let find = |lots: &[Lot]| {
            let mut all = listed(lots, stock, today).into_iter();
            all.find(|one| one.lot.is(name, ingredient) && lots.contains(&one.lot))
        };
        let mut batches: Vec<String> = uses.iter().map(|used| used.batch.clone()).collect();
        batches.dedup();
        let Some(was) = find(&lots) else {
            return other(phrase!(
                "no lot {name} of {ingredient} is in {place}",
                name,
                ingredient,
                place,
            ));
        };
        Ok(Change {
            was,
            is: find(&after),
            taken: uses.iter().map(|used| used.net).sum(),
            batches,
            before,
            lines,
        })
    }

    /// What it changes, a sentence each.
    pub fn words(&self) -> Vec<Sentence> {
        let grams = |left: Option<Mass>| match left {
            Some(left) => phrase!("{left} g", left = left.grams(Mass::from_mg(10))),
            None => phrase!("not known"),
        };
        let mut words = Vec::new();
        match &self.is {
            None => words.push(phrase!(
                "It is taken out of the list and offered no more; its lines stay in the file."
            )),
            Some(is) => {
                let both = self.was.lot.told().into_iter().zip(is.lot.told());
                for ((key, was), (_, is)) in both.filter(|((_, was), (_, is))| was != is) {
                    words.push(phrase!(
                        "{what}: {was}, now {is}.",
                        what = named(key),
                        was = told(key, was),
                        is = told(key, is),
                    ));
                }
                if self.was.left != is.left {
                    let (was, is) = (grams(self.was.left), grams(is.left));
                    words.push(phrase!("Left of it: {was}, now {is}.", was, is));
                }
                match (&self.was.refused, &is.refused) {
                    (None, Some(why)) => {
                        words.push(phrase!("It is refused then: {why}.", why = why.clone()));
                    }
                    (Some(_), None) => words.push(phrase!("It may be used again.")),
                    (Some(_), Some(_)) | (None, None) => {}
                }
            }
        }
        let count = counted::batches(self.batches.len());
        match self.batches.as_slice() {
            [] => words.push(phrase!("No batch took from it.")),
            batches => {
                let names = batches.iter().take(MOST_NAMES).map(String::as_str);
                let names = names.collect::<Vec<_>>().join(", ");
                let more = if batches.len() > MOST_NAMES {
                    ", …"
                } else {
                    ""
                };
                words.push(phrase!(
                    "{count} took {grams} from it ({names}); their records stay as they are.",
                    count,
                    grams = grams(Some(self.taken)),
                    names = format!("{names}{more}"),
                ));
                if self.is.is_none() {
                    words.push(phrase!(
                        "What they took is taken off no other lot, and their labels know its day no more."
                    ));
                }
            }
        }
        words
    }

    /// Writes it below the list.
    ///
    /// # Errors
    /// Where the list says something else by now, or cannot be written; nothing is written then.
    pub fn write(&self, file: &Path) -> Result<(), QueryError> {
        if files::text(file)? != self.before {
            let name = file.display().to_string();
            let why = phrase!("{name} was changed at this very moment; look again", name);
            return Err(QueryError::Other(why));
        }
        put_below(file, &self.before, &self.lines)
    }
}

/// Batches named in a sentence.
const MOST_NAMES: usize = 6;

/// What stands at a key of the list, for a person.
fn told(key: &str, value: Option<String>) -> Slot {
    let Some(value) = value else {
        return phrase!("not known").into();
    };
    match key {
        "opened" | "best_before" => Slot::Day(value),
        // With its unit behind it, or without one.
        "amount" | "price_per_kg" => Slot::Number(value),
        _ => Slot::Text(value),
    }
}

/// A key of the list, in words.
fn named(key: &str) -> Sentence {
    match key {
        "name" | "lot" => phrase!("Lot"),
        "ingredient" => phrase!("Ingredient"),
        "reason" => phrase!("Why"),
        "supplier" => phrase!("Supplier"),
        "opened" => phrase!("Opened on"),
        "best_before" => phrase!("Best before"),
        "amount" => phrase!("Amount"),
        "price_per_kg" => phrase!("Price of a kilogram"),
        other => other.into(),
    }
}
