//! Before `bismar lot LOT` goes to the daemon: where the step's ingredient is a premix, its lot must be a
//! finished batch of the premix's formula.

use std::path::Path;

use serde_json::Value;

use super::Failure;
use super::lots::StoreArgs;
use crate::batch::{record, resume};
use crate::formula::Formula;
use crate::lots::stock::Made;

/// Why `lot` is not the premix that the step under way wants, by the daemon's `status` and the logs at
/// their usual place. Where the batch's log is not found there (a daemon with another folder), nothing is
/// held against the lot.
///
/// # Errors
/// When the logs cannot be read.
pub fn refusal(lot: &str, status: &Value) -> Result<Option<String>, Failure> {
    let status = &status["status"];
    let (Some(formula), Some(ingredient)) =
        (status["formula"].as_str(), status["ingredient"].as_str())
    else {
        return Ok(None);
    };
    let usual = StoreArgs {
        lots: None,
        logs: None,
    };
    // A word at the bench does not fail for a configuration that was spoilt meanwhile.
    let Ok(folder) = usual.logs_dir() else {
        return Ok(None);
    };
    let Some(premix) = premix_of(&folder, formula, ingredient)? else {
        return Ok(None);
    };
    let path = folder.join(format!("{lot}.csv"));
    let inside = Path::new(lot).file_name() == Some(lot.as_ref());
    let made = match inside && path.exists() {
        true => Made::of(&record::read(&path)?),
        false => None,
    };
    Ok(match made {
        Some(made) if made.formula == premix => None,
        Some(made) => Some(format!(
            "{ingredient} is a premix, a batch of \"{premix}\", and {lot} is one of \"{}\"",
            made.formula
        )),
        None => Some(format!(
            "{ingredient} is a premix, and no finished batch of \"{premix}\" is named {lot}"
        )),
    })
}

/// The premix that the ingredient of the newest batch under way is.
fn premix_of(folder: &Path, formula: &str, ingredient: &str) -> Result<Option<String>, Failure> {
    let open = resume::list_open(folder)?.open;
    let texts = open.into_iter().filter_map(|(_, log)| log.opening);
    // It was read when the batch was begun.
    let formulas = texts.filter_map(|opening| Formula::parse(&opening.text, "the log").ok());
    let mut same = formulas.filter(|one| one.name == formula);
    Ok(same.next().and_then(|one| {
        let mut all = one.phases.into_iter().flat_map(|phase| phase.ingredients);
        all.find(|one| one.name == ingredient)?.premix
    }))
}
