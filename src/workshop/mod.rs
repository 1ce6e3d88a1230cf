//! What the command line and the page both tell of formulas, lots, batches and scales: files in, plain
//! values out. Reads files and so blocks; decides nothing about a weight.

pub mod batches;
pub mod mending;
pub mod planning;
pub mod scale_check;
pub mod store;

use std::path::Path;

use jiff::civil::Date;

use crate::config::Config;
use crate::files;
use crate::formula::Formula;
use crate::formula::plan::PlanError;
use crate::journal::error::LogError;
use crate::metrology::ScaleAbility;
use crate::problem::Problems;
use crate::protocol::reply::Refusal;

/// The name of the scale that is taken where none is configured.
pub const ASSUMED: &str = "assumed";

/// The scales of the bench; a usual one where none is configured, and whether it is that.
pub fn scales(config: &Config) -> (Vec<ScaleAbility>, bool) {
    match config.abilities() {
        scales if scales.is_empty() => (vec![ScaleAbility::assumed(ASSUMED)], true),
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
    #[error("{0}\nNo scale is configured; {d} g is the readability of an assumed one.",
            d = ScaleAbility::ASSUMED_READABILITY.grams(ScaleAbility::ASSUMED_READABILITY))]
    Assumed(PlanError),
    #[error("{0}:3:1: the log ends before its formula")]
    NoFormula(String),
    /// What was asked for is no request.
    #[error(transparent)]
    Refused(#[from] Refusal),
    /// Anything else, in words that say what to do.
    #[error("{0}")]
    Other(String),
}
