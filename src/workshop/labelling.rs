//! A batch as its label needs it: what is in it, what a package holds, what else the label says.

use std::path::{Path, PathBuf};

use super::config_file::{EditError, replace, with_key};
use super::{QueryError, misnamed_in, substances_in};
use crate::files;
use crate::formula::Formula;
use crate::formula::form::Fields;
use crate::formula::substances::FILE;
use crate::journal::batch::record::Record;
use crate::journal::batch::standing::Unproven;
use crate::journal::read::record;
use crate::label::Rules;
use crate::label::content::Label;
use crate::label::declared::{self, Declared, DeclaredError};
use crate::language::{Sentence, Term, phrase, term};
use crate::lots::Lot;
use crate::mass::Mass;

/// What is asked of a label.
#[derive(Debug)]
pub struct Wanted {
    /// The batch's log.
    pub log: PathBuf,
    pub rules: Rules,
    /// Counts instead of the one in the log.
    pub formula: Option<Formula>,
    /// What one package holds; by the jars of the log where it is not told.
    pub net: Option<Mass>,
    /// Where the maker's list of substances lies. It is read where the rules name allergens.
    pub folder: PathBuf,
}

/// A batch that was read for its label.
#[derive(Debug)]
pub struct Labelled {
    pub record: Record,
    /// The formula that is named, or else that of its log, where it reads.
    pub formula: Option<Formula>,
    pub declared: Declared,
    /// What one package holds, and how that is known.
    pub net: Option<(Mass, Term)>,
    /// What to heed beside what the label itself tells, sentences without their end.
    pub warnings: Vec<Sentence>,
    /// Where the maker's list was looked for, in words, where it does not tell of a scent.
    pub looked_into: Option<Sentence>,
}

/// Why a batch has no label.
impl LabelError {
    pub fn told(&self) -> Sentence {
        match self {
            LabelError::Declared(error) => error.told(),
            LabelError::Query(error) => error.told(),
        }
    }
}

#[derive(Debug, thiserror::Error)]
pub enum LabelError {
    #[error(transparent)]
    Declared(#[from] DeclaredError),
    #[error(transparent)]
    Query(#[from] QueryError),
}

impl Labelled {
    /// Reads the batch out of `records`, all of the workshop; a log of another folder is read besides.
    ///
    /// # Errors
    /// See [`LabelError`].
    pub fn read(wanted: Wanted, records: &[Record]) -> Result<Labelled, LabelError> {
        let file = wanted.log.display().to_string();
        let of_another_folder;
        let record = match records.iter().find(|one| one.file == file) {
            Some(record) => record,
            None => {
                of_another_folder = record::read(&wanted.log).map_err(QueryError::from)?;
                &of_another_folder
            }
        };
        let asks_for_list = wanted.rules.name_allergens();
        let list = substances_in(&wanted.folder).map_err(QueryError::from)?;
        let is_empty = list.is_empty();
        let formula = wanted.formula;
        let declared = Declared::of(record, records, formula.as_ref(), list, wanted.rules)?;
        let mut warnings: Vec<Sentence> = Vec::new();
        let mut looked_into = None;
        if asks_for_list {
            let misnamed = misnamed_in(&wanted.folder);
            warnings.extend(misnamed.iter().map(|one| one.told()));
            // The log does not tell where its formula lay.
            if !declared.unknown_inside.is_empty() {
                let folder = wanted.folder.display().to_string();
                looked_into = Some(match is_empty {
                    true => phrase!(
                        "{file} was looked for in {folder}; there is none, or nothing is in it",
                        file = FILE,
                        folder,
                    ),
                    false => phrase!("{file} was looked for in {folder}", file = FILE, folder),
                });
            }
        }
        let jars = record.filled.iter().filter(|row| Unproven::may_be_off(row));
        warnings.extend(jars.map(|row| {
            phrase!(
                "the weight of jar {jar} is not proven, so what a package holds may be less; the batch's record says why",
                jar = row.step,
            )
        }));
        let typed = wanted.net.map(|net| (net, term!("as typed")));
        Ok(Labelled {
            net: typed.or_else(|| declared::net(record)),
            formula: formula.or_else(|| record.read_formula().and_then(Result::ok)),
            record: record.clone(),
            declared,
            warnings,
            looked_into,
        })
    }

    /// Whose own name stands in the list, sentences without their end. The points of a label tell it as well.
    pub fn nameless(&self) -> impl Iterator<Item = Sentence> {
        self.declared.nameless.iter().map(|name| {
            phrase!(
                "the formula has no INCI name for {name}; its own name stands there",
                name,
            )
        })
    }

    /// The label, with the days of the list of lots, and who answers for the product.
    pub fn label(self, lots: &[Lot], responsible: Option<String>) -> Label {
        let best_before = |ingredient: &str, lot: &str| {
            let found = lots.iter().find(|one| one.is(lot, ingredient))?;
            found.best_before
        };
        Label {
            net: self.net,
            ..Label::new(
                &self.record,
                self.formula.as_ref(),
                self.declared,
                responsible,
                best_before,
            )
        }
    }
}

/// What a label says that no weighing tells, as it is typed. Empty texts are as if they were not there.
#[derive(Debug, Clone, PartialEq, Eq, Default, serde::Serialize, serde::Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Facts {
    pub function: String,
    pub precautions: String,
    pub keeps_months: String,
    pub after_opening_months: String,
}

/// A key of `[label]`, in words.
fn called(key: &str) -> Sentence {
    match key {
        "function" => phrase!("What it is"),
        "precautions" => phrase!("Precautions"),
        "keeps_months" => phrase!("Keeps, months"),
        "after_opening_months" => phrase!("Once opened, months"),
        other => other.into(),
    }
}

impl Facts {
    /// What `formula` tells.
    pub fn of(formula: &Formula) -> Facts {
        let told = formula.labelling.clone();
        let months = |months: Option<u32>| months.map_or(String::new(), |one| one.to_string());
        Facts {
            function: told.function.unwrap_or_default(),
            precautions: told.precautions.unwrap_or_default(),
            keeps_months: months(told.keeps_months),
            after_opening_months: months(told.after_opening_months),
        }
    }

    /// The lines of `[label]`: each key with its value as TOML, `None` for one that is not told.
    fn values(&self) -> Result<[(&'static str, Option<String>); 4], EditError> {
        let some = |text: &str| Some(text.trim().to_owned()).filter(|text| !text.is_empty());
        let quoted = |text: &str| some(text).map(|text| toml::Value::String(text).to_string());
        let months = |what: Term, text: &str| match some(text).map(|text| text.parse::<u32>()) {
            None => Ok(None),
            Some(Ok(months)) if months > 0 => Ok(Some(months.to_string())),
            Some(_) => Err(EditError::Other {
                what: phrase!(
                    "{what}: \"{text}\" is no number of months",
                    what,
                    text = text.trim(),
                ),
                remedy: Some(phrase!("write a whole number, as 18")),
            }),
        };
        Ok([
            ("function", quoted(&self.function)),
            ("precautions", quoted(&self.precautions)),
            ("keeps_months", months(term!("keeps"), &self.keeps_months)?),
            (
                "after_opening_months",
                months(term!("once opened"), &self.after_opening_months)?,
            ),
        ])
    }

    /// Writes them into the formula's file at `path`; all else in it stays as it is.
    ///
    /// # Errors
    /// Where one of them is none, or the file does not read or cannot be written; it stays as it was then.
    pub fn write(&self, path: &Path) -> Result<(), EditError> {
        let cannot = |error: std::io::Error| EditError::io(path, &error);
        let by_hand = || EditError::Other {
            what: phrase!(
                "{file}: the label's part cannot be changed there",
                file = path.display().to_string(),
            ),
            remedy: Some(phrase!("write it under [label] in a text editor")),
        };
        let file = std::fs::canonicalize(path).map_err(cannot)?;
        let before = files::text(&file)?;
        let was = Formula::parse(&before, &path.display().to_string())?;
        let mut text = before.clone();
        for (key, value) in self.values()? {
            text = with_key(&text, "label", key, value.as_deref()).ok_or_else(by_hand)?;
        }
        // What does not read so says why: a text too long, too many months.
        let is = Formula::parse(&text, "").map_err(|faults| faults.of_unwritten(called))?;
        let fields = |text: &str| Fields::read(text, "").ok();
        let same = fields(&before) == fields(&text) && was.substances.len() == is.substances.len();
        match same && Facts::of(&is).values()? == self.values()? {
            true => replace(&file, &before, &text),
            false => Err(by_hand()),
        }
    }
}
