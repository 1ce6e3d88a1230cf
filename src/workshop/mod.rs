//! The workshop as the command line and the page both tell it, formulas, lots, batches and scales: files in, plain
//! values out. Reads files and so blocks; decides nothing about a weight.

pub mod batches;
pub mod config_file;
pub mod elsewhere;
pub mod formula_file;
pub mod formula_sheet;
pub mod labelling;
pub mod mending;
pub mod named;
pub mod papers;
pub mod planning;
pub mod repeatability;
pub mod scale_check;
pub mod scale_setup;
pub mod several_loads;
pub mod stopped;
pub mod store;
pub mod tracing;

use std::path::{Path, PathBuf};

use jiff::civil::Date;

use crate::config::Config;
use crate::files;
use crate::formula::Formula;
use crate::formula::contents::{Known, MadeOf, Twins};
use crate::formula::plan::PlanError;
use crate::formula::substances;
use crate::journal::batch::composition::shares;
use crate::journal::error::LogError;
use crate::journal::read::record;
use crate::language::{Sentence, phrase};
use crate::metrology::ScaleAbility;
use crate::problem::{Problem, Problems};
use crate::protocol::reply::Refusal;
use crate::text::alike::same_name;

/// The scales of the bench; a usual one where none is configured, and whether it is that.
pub fn scales(config: &Config) -> (Vec<ScaleAbility>, bool) {
    match config.abilities() {
        scales if scales.is_empty() => (vec![ScaleAbility::assumed("")], true),
        scales => (scales, false),
    }
}

/// Today, as this machine's clock and zone have it.
pub fn today() -> Date {
    jiff::ZonedDateTime::now().date()
}

/// Reads a formula file.
///
/// # Errors
/// Everything that is wrong with it, each with its place; or why it cannot be read.
pub fn formula(path: &Path) -> Result<Formula, Problems> {
    Formula::parse(&files::text(path)?, &path.display().to_string())
}

/// The folder of a formula's file.
pub fn folder_of(path: &Path) -> PathBuf {
    match path.parent() {
        Some(folder) if folder != Path::new("") => folder.to_owned(),
        Some(_) | None => PathBuf::from("."),
    }
}

/// What is known beside the formula of the file `path`: the maker's list and the formulas of its premixes,
/// and of theirs, out of the same folder.
///
/// # Errors
/// Where the list is there and does not read.
pub fn known(path: &Path, formula: &Formula) -> Result<Known, Problems> {
    let folder = folder_of(path);
    let mut known = Known {
        substances: substances_in(&folder)?,
        misnamed: misnamed_in(&folder),
        ..Known::default()
    };
    let mut wanted = premixes_of(formula);
    if wanted.is_empty() {
        return Ok(known);
    }
    let (beside, unread) = formulas_in(&folder);
    while let Some(name) = wanted.pop() {
        let is_it = |premix: &Formula| same_name(&premix.name, &name);
        if is_it(formula) || known.premixes.iter().any(is_it) {
            continue;
        }
        let of_it: Vec<_> = beside.iter().filter(|(_, premix)| is_it(premix)).collect();
        if let [_, _, ..] = of_it[..] {
            let files = of_it.iter().map(|(path, _)| path.display().to_string());
            known.twins.push(Twins {
                files: files.collect(),
                name: name.clone(),
            });
        }
        match of_it.first() {
            Some((_, premix)) => {
                wanted.extend(premixes_of(premix));
                known.premixes.push(premix.clone());
            }
            None => known.unread = unread.clone(),
        }
    }
    Ok(known)
}

/// What the newest batches of these premixes were made of, by the logs of a folder. A log that does not
/// read tells nothing here; `bismar log verify` says why.
///
/// # Errors
/// When the folder cannot be read.
pub fn batches_of(premixes: &[Formula], logs: &Path) -> Result<Vec<MadeOf>, LogError> {
    if premixes.is_empty() {
        return Ok(Vec::new());
    }
    let mut found: Vec<MadeOf> = Vec::new();
    for path in batches::archive(logs).newest()?.iter().take(MOST_LOGS) {
        let Some(record) = record::read(path).ok().filter(|record| record.ended) else {
            continue;
        };
        let formula = record.read_formula().and_then(Result::ok);
        let is_it = |formula: &Formula| {
            premixes
                .iter()
                .any(|one| same_name(&one.name, &formula.name))
        };
        if let Some(formula) = formula.filter(is_it) {
            let of_it = found.iter().filter(|made| made.formula == formula.name);
            if of_it.count() < MOST_BATCHES {
                found.push(MadeOf {
                    lot: record.batch.clone(),
                    shares: shares(&record),
                    formula: formula.name,
                });
            }
        }
    }
    Ok(found)
}

/// The newest ones, so that a begin stays quick and its log short over the years; older batches of a premix
/// count as their formula has them.
const MOST_LOGS: usize = 200;
const MOST_BATCHES: usize = 12;

fn premixes_of(formula: &Formula) -> Vec<String> {
    let all = formula.ingredients();
    all.filter_map(|one| one.premix.clone()).collect()
}

/// The maker's list in a folder of formulas; empty where there is none.
///
/// # Errors
/// Everything that is wrong with it.
pub fn substances_in(folder: &Path) -> Result<Vec<substances::Substance>, Problems> {
    let list = folder.join(substances::FILE);
    // A link that leads nowhere is there: without it her limits would be gone without a word.
    match list.symlink_metadata().is_ok() {
        true => substances::parse(&files::text(&list)?, &list.display().to_string()),
        false => Ok(Vec::new()),
    }
}

/// Files of a folder whose names differ from that of the maker's list only in capitals: they are not read.
pub fn misnamed_in(folder: &Path) -> Vec<Problem> {
    let entries = std::fs::read_dir(folder).into_iter().flatten().flatten();
    let names = entries.filter_map(|entry| entry.file_name().into_string().ok());
    let mut alike: Vec<String> = names
        .filter(|name| name.eq_ignore_ascii_case(substances::FILE))
        .collect();
    alike.sort_unstable();
    let has_it = alike.iter().any(|name| name == substances::FILE);
    // On a disk that does not tell capitals from small letters it was read by that name.
    if !has_it && folder.join(substances::FILE).symlink_metadata().is_ok() {
        return Vec::new();
    }
    let others = alike.iter().filter(|name| *name != substances::FILE);
    let problem = |name: &String| Problem {
        path: folder.join(name).display().to_string(),
        line: 0,
        column: 0,
        message: phrase!(
            "This file is not read; the list of substances is called {name}, in small letters",
            name = substances::FILE
        ),
        remedy: match has_it {
            true => phrase!("Put what it says into that one, and delete it"),
            false => phrase!("Rename it"),
        },
    };
    others.map(problem).collect()
}

/// The files of a folder that hold the formula of this name, in the order of their names; one that does not read
/// is none.
pub fn formulas_called(name: &str, folder: &Path) -> Vec<PathBuf> {
    let read = formulas_in(folder).0.into_iter();
    let called = read.filter(|(_, read)| same_name(&read.name, name));
    called.map(|(path, _)| path).collect()
}

/// The formulas in a folder, in the order of their files' names, and of each file that does not read its first
/// mistake.
fn formulas_in(folder: &Path) -> (Vec<(PathBuf, Formula)>, Vec<Problem>) {
    let (mut read, mut unread) = (Vec::new(), Vec::new());
    // Of a folder with very many files only the first are looked into.
    for path in formula_files(folder).into_iter().take(MOST_FILES) {
        match formula(&path) {
            Ok(formula) => read.push((path, formula)),
            Err(problems) => unread.extend(problems.0.into_iter().next()),
        }
    }
    (read, unread)
}

/// The files of formulas in a folder, in the order of their names; hidden ones are an editor's.
fn formula_files(folder: &Path) -> Vec<PathBuf> {
    let mut paths: Vec<PathBuf> = std::fs::read_dir(folder)
        .map(|entries| entries.flatten().map(|entry| entry.path()).collect())
        .unwrap_or_default();
    paths.sort();
    let hidden = |path: &Path| {
        let name = path.file_name().unwrap_or_default();
        name.as_encoded_bytes().starts_with(b".")
    };
    let toml = |path: &PathBuf| {
        path.extension().is_some_and(|end| end == "toml")
            && !path.ends_with(substances::FILE)
            && !hidden(path)
    };
    let plain = |path: PathBuf| path.strip_prefix("./").map(Path::to_owned).unwrap_or(path);
    paths.into_iter().filter(toml).map(plain).collect()
}

const MOST_FILES: usize = 200;

/// Why something is not told.
#[derive(Debug, thiserror::Error)]
pub enum QueryError {
    #[error(transparent)]
    Log(#[from] LogError),
    /// A file is wrong, at a place that is named.
    #[error(transparent)]
    File(#[from] Problems),
    /// The amount or the bench does not fit the formula.
    #[error(transparent)]
    Plan(#[from] PlanError),
    /// The same, of the scale that was assumed since none is configured.
    #[error("{0}\nNo scale is set up; an assumed one shows steps of {d} g.",
            d = ScaleAbility::ASSUMED_READABILITY.grams(ScaleAbility::ASSUMED_READABILITY))]
    Assumed(PlanError),
    #[error("{}", self.told())]
    NoFormula(String),
    /// A name is that of no file, or of several.
    #[error(transparent)]
    Name(#[from] named::Unfound),
    /// What was asked for is no request.
    #[error(transparent)]
    Refused(#[from] Refusal),
    /// Anything else, in words that say what to do.
    #[error("{0}")]
    Other(Sentence),
}

impl QueryError {
    /// In words that say what to do.
    pub fn told(&self) -> Sentence {
        match self {
            QueryError::Plan(error) => error.told(),
            QueryError::Assumed(error) => {
                let d = ScaleAbility::ASSUMED_READABILITY;
                phrase!(
                    "{why}\nNo scale is set up; an assumed one shows steps of {d} g.",
                    why = error.told(),
                    d = d.grams(d),
                )
            }
            QueryError::Refused(refusal) => refusal.error.clone(),
            QueryError::Other(why) => why.clone(),
            QueryError::File(problems) => problems.told(),
            QueryError::Name(unfound) => unfound.told(),
            QueryError::Log(error) => error.told(),
            QueryError::NoFormula(file) => {
                phrase!("{file}:3:1: the log ends before its formula", file)
            }
        }
    }
}
