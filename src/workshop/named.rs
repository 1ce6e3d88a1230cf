//! Formulas and batches by the names that a person gives them: the file that is meant, or what could be.

use std::path::{Path, PathBuf};

use super::{MOST_FILES, formula_files, formulas_in};
use crate::document::shown;
use crate::formula::Formula;
use crate::journal::name_of;
use crate::journal::read::folder::{batches_in, is_own, log_of};
use crate::language::{Sentence, phrase};
use crate::problem::Problem;
use crate::protocol::reply::Refusal;
use crate::text::alike::{nearest, same_name};

/// Why a name is that of no file, or of several.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{what}; {remedy}")]
pub struct Unfound {
    pub what: Sentence,
    /// What to do, or what may be meant.
    pub remedy: Sentence,
}

impl Unfound {
    pub fn told(&self) -> Sentence {
        let (what, remedy) = (self.what.clone(), self.remedy.clone());
        phrase!("{what}; {remedy}", what, remedy)
    }
}

impl From<Unfound> for Refusal {
    fn from(unfound: Unfound) -> Refusal {
        Refusal::new(unfound.told())
    }
}

/// As many names are told of those that may be meant.
pub(super) const TOLD: usize = 3;

/// The file of the folder that holds the formula `name`: its file's name with or without its end, its own name, or
/// that and its version.
///
/// # Errors
/// Where none is called so, with the nearest names; where several are, with each.
pub fn formula(name: &str, folder: &Path) -> Result<PathBuf, Unfound> {
    let files = formula_files(folder);
    let file_of = |path: &Path| {
        path.file_name()
            .unwrap_or_default()
            .to_string_lossy()
            .into_owned()
    };
    if let Some(path) = files.iter().find(|path| file_of(path) == name) {
        return Ok(path.clone());
    }
    let (read, unread) = formulas_in(folder);
    let told = |path: &Path| {
        let formula = read.iter().find(|(one, _)| one == path);
        match formula {
            Some((_, formula)) => format!("{} ({})", file_of(path), formula.label()),
            None => file_of(path),
        }
    };
    // Name and version say which of several it is.
    let versions =
        |one: &&(PathBuf, Formula)| !one.1.version.is_empty() && same_name(&one.1.label(), name);
    let mut versions = read.iter().filter(versions);
    if let (Some((path, _)), None) = (versions.next(), versions.next()) {
        return Ok(path.clone());
    }
    let title = |path: &PathBuf| {
        read.iter()
            .find(|(one, _)| one == path)
            .map(|(_, formula)| formula.name.as_str())
    };
    let is_it = |path: &&PathBuf| {
        same_name(&name_of_file(path), name)
            || title(path).is_some_and(|title| same_name(title, name))
    };
    let found: Vec<&PathBuf> = files.iter().filter(is_it).collect();
    match found[..] {
        [one] => Ok(one.clone()),
        [] => Err(unknown_formula(name, folder, &files, &read, &unread)),
        [.., last] => {
            let which: Vec<String> = found.iter().map(|path| told(path)).collect();
            Err(Unfound {
                what: phrase!(
                    "{found} formulas in {folder} can be meant by \"{name}\": {which}",
                    found = found.len(),
                    folder = folder.display().to_string(),
                    name = shown(name),
                    which = Sentence::listing(&which),
                ),
                remedy: phrase!(
                    "name the file, for example {file}, or the formula with its version",
                    file = file_of(last),
                ),
            })
        }
    }
}

/// The file of the folder that holds the formula `own` as it stands now: of its name, and of its version where several
/// have the name.
///
/// # Errors
/// As [`formula`].
pub fn formula_as_now(own: &Formula, folder: &Path) -> Result<PathBuf, Unfound> {
    formula(&own.label(), folder).or_else(|_| formula(&own.name, folder))
}

fn unknown_formula(
    name: &str,
    folder: &Path,
    files: &[PathBuf],
    read: &[(PathBuf, Formula)],
    unread: &[Problem],
) -> Unfound {
    let read_too = |path: &PathBuf| read.iter().any(|(one, _)| one == path);
    let mut known: Vec<String> = read
        .iter()
        .map(|(_, formula)| formula.name.clone())
        .collect();
    known.extend(
        files
            .iter()
            .filter(|path| !read_too(path))
            .map(|path| name_of_file(path)),
    );
    let what = phrase!(
        "{name}: there is no such file here and no formula of that name in {folder}",
        name = shown(name),
        folder = folder.display().to_string(),
    );
    let closed = std::fs::read_dir(folder).err();
    let closed = closed.filter(|error| error.kind() != std::io::ErrorKind::NotFound);
    let mut remedy = match (
        closed,
        nearest(known.iter().map(String::as_str), name, TOLD),
    ) {
        (Some(error), _) => phrase!(
            "that folder cannot be read: {error}",
            error = error.to_string(),
        ),
        (None, near) if near.is_empty() => {
            phrase!("there is no formula there yet; write one there, or name a formula's file")
        }
        (None, near) => phrase!("the nearest are {names}", names = quoted(&near)),
    };
    if let Some(first) = unread.first() {
        remedy = phrase!(
            "{remedy}. Not looked into: {first}",
            remedy,
            first = first.told()
        );
    }
    if files.len() > MOST_FILES {
        remedy = phrase!(
            "{remedy}. Only the first {most} of {files} files were looked into; any is found by its file's name",
            remedy,
            most = MOST_FILES,
            files = files.len(),
        );
    }
    Unfound { what, remedy }
}

fn name_of_file(path: &Path) -> String {
    path.file_stem()
        .unwrap_or_default()
        .to_string_lossy()
        .into_owned()
}

pub(super) fn quoted(names: &[&str]) -> Sentence {
    Sentence::listing_quoted(names)
}

/// The log of the batch `name` in the folder of the logs.
///
/// # Errors
/// Where no batch is called so, with the nearest names.
pub fn batch(name: &str, logs: &Path) -> Result<PathBuf, Unfound> {
    if let Some(log) = log_of(logs, name) {
        return Ok(log);
    }
    let known = batches(logs);
    let what = phrase!(
        "there is no batch \"{name}\" in {folder}",
        name = shown(name),
        folder = logs.display().to_string(),
    );
    let remedy = match nearest(known.iter().map(String::as_str), name, TOLD) {
        near if near.is_empty() => phrase!("no batch was weighed there yet"),
        near => phrase!("the nearest are {names}", names = quoted(&near)),
    };
    Err(Unfound { what, remedy })
}

/// As [`batch`], to add something to its log.
///
/// # Errors
/// As there; and where another bench weighed it.
pub fn own_batch(name: &str, logs: &Path) -> Result<PathBuf, Unfound> {
    let log = batch(name, logs)?;
    match is_own(logs, &log) {
        true => Ok(log),
        false => Err(Unfound {
            what: phrase!(
                "batch {batch} was weighed at another bench",
                batch = name_of(&log),
            ),
            remedy: phrase!("say it there"),
        }),
    }
}

/// The names by which formulas of a folder can be called without quotation marks: those of their files.
pub fn formulas(folder: &Path) -> Vec<String> {
    formula_files(folder)
        .iter()
        .map(|path| name_of_file(path))
        .collect()
}

/// The names of the batches of a folder, the newest last where their names tell.
pub fn batches(logs: &Path) -> Vec<String> {
    batches_in(logs)
        .unwrap_or_default()
        .iter()
        .map(|log| name_of(log))
        .collect()
}
