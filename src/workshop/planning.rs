//! A batch on paper: what `bismar plan`, `bismar check` and the page have in common.

use crate::formula::plan::Amount;
use crate::formula::{Formula, Plan, limits};
use crate::problem::Problems;

/// What is to be known of the formula itself, before any figure; `name` is its file.
///
/// # Errors
/// Where a target is outside the formula's own limits.
pub fn notes(
    formula: &Formula,
    plan: &Plan,
    asked: Amount,
    name: &str,
) -> Result<Vec<String>, Problems> {
    let broken = limits::broken(formula, plan, name);
    if !broken.is_empty() {
        return Err(Problems(broken));
    }
    let mut notes: Vec<String> = Vec::new();
    notes.extend(formula.warnings(name).iter().map(ToString::to_string));
    let exposed = limits::exposed(formula, plan, name);
    notes.extend(exposed.iter().map(ToString::to_string));
    notes.extend(plan.rounding(asked).map(|rounded| format!("{rounded}.")));
    Ok(notes)
}
