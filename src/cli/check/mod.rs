//! `bismar check FORMULA`: what the formula means in grams, and whether the bench can prove it.

pub(super) mod remarks;

use std::path::{Path, PathBuf};

use clap::Args;

use self::remarks::{cautions, remarks, smallest};
use super::batch_table::{heading, paragraph, table};
use super::size::SizeArgs;
use super::{Exit, Outcome, print};
use crate::config::Config;
use crate::formula::allowance::Allowance;
use crate::formula::plan::{Amount, PlanError};
use crate::formula::{Formula, Plan};
use crate::mass::Mass;
use crate::metrology::{Feasibility, ScaleAbility, Uncertainty};
use crate::problem::Problems;
use crate::workshop::{self, planning};

/// The batch that is looked at when none is named: grams then read as percents.
const UNNAMED_BATCH: Mass = Mass::from_g(100);

#[derive(Debug, Args)]
pub struct CheckArgs {
    /// The formula file (.toml)
    formula: PathBuf,
    #[command(flatten)]
    size: SizeArgs,
    /// Another configuration file than ~/.config/bismar/config.toml
    #[arg(long, value_name = "FILE")]
    config: Option<PathBuf>,
}

/// Exit code 1 where a step cannot be proven, so that a script can tell.
pub(super) fn command(args: &CheckArgs) -> Outcome {
    let config = super::config::load(args.config.as_deref())?;
    let (asked, allowance) = (args.size.asked(), args.size.allowance());
    let (text, proven) = run(&args.formula, asked, allowance, &config)?;
    print(&text)?;
    Ok(if proven { Exit::Done } else { Exit::Failed })
}

/// Why there is no report.
#[derive(Debug, thiserror::Error)]
pub enum CheckError {
    /// The formula file is wrong, or its targets break its limits at this size (exit code 4).
    #[error(transparent)]
    Formula(#[from] Problems),
    /// The amount or the bench does not fit the formula.
    #[error(transparent)]
    Plan(PlanError),
    /// The same, of the scale that was assumed since none is configured.
    #[error("{0}\nNo scale is configured; {d} g is the readability of an assumed one.",
            d = ScaleAbility::ASSUMED_READABILITY.grams(ScaleAbility::ASSUMED_READABILITY))]
    Assumed(PlanError),
}

/// Reads and checks a formula for an amount and the allowance on top of it. The flag tells whether every
/// step can be proven on its scale.
///
/// # Errors
/// See [`CheckError`].
pub fn run(
    formula_path: &Path,
    amount: Option<Amount>,
    allowance: Allowance,
    config: &Config,
) -> Result<(String, bool), CheckError> {
    let asked = amount.unwrap_or(Amount::Batch(UNNAMED_BATCH));
    let asked = asked.with(allowance).map_err(CheckError::Plan)?;
    let formula = workshop::formula(formula_path)?;
    let (scales, assumed) = workshop::scales(config);
    let guard = config.weighing.guard;
    let plan = Plan::new(&formula, asked, &scales, guard).map_err(|error| match assumed {
        true => CheckError::Assumed(error),
        false => CheckError::Plan(error),
    })?;
    let mut text = notes(&formula, &plan, asked, formula_path)?;
    if amount.is_none() {
        text.push_str(match allowance == Allowance::NONE {
            true => "No --batch or --jars given: figures for 100 g, grams read as percents.\n",
            false => "No --batch or --jars given: figures for 100 g and the allowance.\n",
        });
    }
    if assumed {
        paragraph(&mut text, "", &assumption());
    }
    let proven = plan
        .feasibility(&scales, guard)
        .iter()
        .flatten()
        .all(|f| f.window.proven);
    text.push_str(&report(&formula, &plan, &scales, guard, assumed));
    Ok((text, proven))
}

/// What is to be known of the formula itself, before any figure.
///
/// # Errors
/// [`CheckError::Formula`] where a target is outside the formula's own limits.
pub(super) fn notes(
    formula: &Formula,
    plan: &Plan,
    asked: Amount,
    path: &Path,
) -> Result<String, CheckError> {
    let mut text = String::new();
    for note in planning::notes(formula, plan, asked, &path.display().to_string())? {
        paragraph(&mut text, "", &format!("Note: {note}"));
    }
    Ok(text)
}

/// Which scale the figures are for where none is configured.
pub(super) fn assumption() -> String {
    let scale = ScaleAbility::assumed(workshop::ASSUMED);
    let uncertainty = scale.net(Uncertainty::TARE_AND_GROSS).expanded();
    format!(
        "No scale is configured. The figures are for an assumed one: readability {} g, net weights \
         uncertain by ±{} g (k = 2), any load. Yours may be coarser or carry less; \
         `bismar identify --write` puts it into the configuration.",
        scale.readability.grams(scale.readability),
        uncertainty.ceil_to(Mass::from_mg(1)).grams_rounded(3),
    )
}

/// The whole report as plain text, at most 80 columns wide. `assumed`: the scale is not a real one.
pub fn report(
    formula: &Formula,
    plan: &Plan,
    scales: &[ScaleAbility],
    guard: f64,
    assumed: bool,
) -> String {
    let mut text = heading(formula, plan, scales);
    let feasible = plan.feasibility(scales, guard);
    table(&mut text, formula, plan, scales, &feasible);
    conclusion(&mut text, &feasible, assumed);
    premixes(&mut text, formula);
    remarks(&mut text, formula, plan, scales, guard, true);
    smallest(&mut text, plan, scales, &feasible);
    cautions(&mut text, formula);
    text
}

pub(super) fn conclusion(text: &mut String, feasible: &[Option<Feasibility>], assumed: bool) {
    let unproven = feasible.iter().flatten().any(|f| !f.window.proven);
    text.push('\n');
    paragraph(
        text,
        "",
        match (unproven, assumed) {
            (false, false) => "Every step can be proven on its scale.",
            (false, true) => {
                "On the assumed scale every step could be proven. Whether yours can is not known."
            }
            (true, false) => {
                "Not every step can be proven; \"?\" marks a window that proves nothing."
            }
            (true, true) => {
                "Not every step can be proven on the assumed scale; \"?\" marks a window that proves \
                 nothing."
            }
        },
    );
}

fn premixes(text: &mut String, formula: &Formula) {
    for ingredient in formula.ingredients() {
        let Some(premix) = &ingredient.premix else {
            continue;
        };
        let line = format!(
            "{} is a premix: its lot is the name of a batch of \"{premix}\". `bismar plan` says what \
             is on hand of it.",
            ingredient.name
        );
        paragraph(text, "- ", &line);
    }
}
