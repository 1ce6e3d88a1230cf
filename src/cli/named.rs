//! Formulas and batches as they are named on the command line: by name, or by their file. `bismar names` lists the
//! names for the completions.

use std::path::{Path, PathBuf};

use clap::{Args, ValueEnum};

use super::{Exit, Failure, Outcome, print};
use crate::config::Config;
use crate::text::shell_word;
use crate::workshop::named::{self, Unfound};

/// The value names of arguments that are a formula, and of those that are a batch: the completions go by them.
pub const FORMULA: &str = "FORMULA";
pub const BATCHES: [&str; 2] = ["BATCH", "LOT|BATCH"];

/// The file of the formula that is meant: what was typed, where it is one, or else the formula of that name in the
/// folder of the configuration `config`.
///
/// # Errors
/// Where neither is there, or several have the name (exit code 4).
pub fn formula(typed: &Path, config: Option<&Path>) -> Result<PathBuf, Failure> {
    match name(typed) {
        Some(name) if !typed.exists() || typed.is_dir() => {
            let folder = super::config::load(config)?.formulas()?;
            named::formula(name, &folder)
                .map_err(|Unfound { what, remedy }| Failure::bad_input(what).remedy(remedy))
        }
        // What is wrong with a file is told when it is read.
        Some(_) | None => Ok(typed.to_owned()),
    }
}

/// The log that is meant: the file that was typed, where it is one (`.csv`, or a path), or else that of the batch of
/// this name in the folder that `logs` gives.
///
/// # Errors
/// Where neither is there.
pub fn log(
    typed: &Path,
    logs: impl FnOnce() -> Result<PathBuf, Failure>,
) -> Result<PathBuf, Failure> {
    let is_log = typed.extension().is_some_and(|end| end == "csv") && typed.exists();
    match name(typed).filter(|_| !is_log) {
        Some(name) => match named::batch(name, &logs()?) {
            // A file of another ending, or a folder: what is wrong with it is told when it is read.
            Err(_) if typed.exists() => Ok(typed.to_owned()),
            found => Ok(found?),
        },
        None => Ok(typed.to_owned()),
    }
}

/// What may be a name: no path.
fn name(typed: &Path) -> Option<&str> {
    typed.to_str().filter(|text| !text.contains('/'))
}

#[derive(Debug, Args)]
pub struct NamesArgs {
    of: Of,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
enum Of {
    Formulas,
    Batches,
}

/// Prints the names that a shell takes for one word without quotation marks; none where the configuration does not
/// read.
///
/// # Errors
/// When they cannot be printed.
pub fn run(args: &NamesArgs) -> Outcome {
    let Ok(config) = Config::load(None) else {
        return Ok(Exit::Done);
    };
    let names = match args.of {
        Of::Formulas => config.formulas().map(|folder| named::formulas(&folder)),
        Of::Batches => config.logs().map(|folder| named::batches(&folder)),
    };
    let mut names = names.unwrap_or_default();
    names.retain(|name| shell_word(name) == *name);
    if !names.is_empty() {
        print(&names.join("\n"))?;
    }
    Ok(Exit::Done)
}
