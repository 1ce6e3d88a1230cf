//! `bismar check FORMULA`: what the formula means in grams, and whether the bench can prove it.

mod budget;
pub(super) mod remarks;

use std::path::{Path, PathBuf};

use clap::Args;

use self::remarks::{cautions, remarks, smallest};
use super::batch_table::{heading, paragraph, table};
use super::named::{self, FORMULA};
use super::size::SizeArgs;
use super::{Exit, Outcome, print, said};
use crate::config::Config;
use crate::formula::Formula;
use crate::formula::allowance::Allowance;
use crate::formula::plan::BatchSize;
use crate::language::phrase;
use crate::mass::Mass;
use crate::metrology::ScaleAbility;
use crate::workshop::QueryError;
use crate::workshop::planning::OnPaper;

/// The batch that is looked at when none is named: grams then read as percents.
const UNNAMED_BATCH: Mass = Mass::from_g(100);

#[derive(Debug, Args)]
pub struct CheckArgs {
    /// The formula: its name, or its file (.toml)
    #[arg(value_name = FORMULA)]
    formula: PathBuf,
    #[command(flatten)]
    size: SizeArgs,
    /// Show what makes up the uncertainty of each step's weight
    #[arg(long)]
    budget: bool,
    /// Another configuration file than ~/.config/bismar/config.toml
    #[arg(long, value_name = "FILE")]
    config: Option<PathBuf>,
}

/// Exit code 1 where a step cannot be proven, so that a script can tell.
pub(super) fn command(args: &CheckArgs) -> Outcome {
    let config = super::config::load(args.config.as_deref())?;
    let (asked, allowance) = (args.size.asked(), args.size.allowance());
    let formula = named::formula(&args.formula, args.config.as_deref())?;
    let (text, proven) = run(&formula, asked, allowance, args.budget, &config)?;
    print(&text)?;
    Ok(if proven { Exit::Done } else { Exit::Failed })
}

/// Reads and checks a formula for an amount and the allowance on top of it, with the budgets of its steps
/// where they are asked for. The flag tells whether every step can be proven on its scale.
///
/// # Errors
/// As [`OnPaper::new`].
pub fn run(
    formula: &Path,
    amount: Option<BatchSize>,
    allowance: Allowance,
    budgets: bool,
    config: &Config,
) -> Result<(String, bool), QueryError> {
    let asked = amount.unwrap_or(BatchSize::Batch(UNNAMED_BATCH));
    let paper = OnPaper::new(formula, asked.with(allowance)?, config)?;
    let mut text = notes(&paper);
    if amount.is_none() {
        let line = match allowance == Allowance::NONE {
            true => {
                phrase!("No --batch or --jars given: figures for 100 g, grams read as percents.")
            }
            false => phrase!("No --batch or --jars given: figures for 100 g and the allowance."),
        };
        paragraph(&mut text, "", &said(line));
    }
    assumption(&mut text, &paper);
    heading(&mut text, &paper);
    table(&mut text, &paper);
    conclusion(&mut text, &paper);
    jars_short(&mut text, &paper, config.logs().ok().as_deref())?;
    premixes(&mut text, &paper.formula);
    remarks(&mut text, &paper, true);
    smallest(&mut text, &paper);
    if budgets {
        budget::budget(&mut text, &paper);
    }
    cautions(&mut text, &paper);
    Ok((text, paper.is_proven()))
}

/// What is to be known of the formula itself, before any figure.
pub(super) fn notes(paper: &OnPaper) -> String {
    let mut text = String::new();
    for note in paper.all_notes() {
        paragraph(&mut text, "", &said(phrase!("Note: {note}", note)));
    }
    text
}

/// Which scale the figures are for where none is configured.
pub(super) fn assumption(text: &mut String, paper: &OnPaper) {
    if !paper.assumed {
        return;
    }
    let scale = ScaleAbility::assumed("");
    let line = phrase!(
        "No scale is set up. The figures are for an assumed one: steps of {d} g, net weights uncertain by ±{u} g \
         ({coverage}), any load. Yours may be coarser or carry less; `bismar identify --write` puts it into the \
         configuration.",
        d = scale.readability.grams(scale.readability),
        u = scale.planned(Mass::ZERO).told(),
        coverage = scale.planned(Mass::ZERO).told_coverage(),
    );
    paragraph(text, "", &said(line));
}

pub(super) fn conclusion(text: &mut String, paper: &OnPaper) {
    text.push('\n');
    paragraph(
        text,
        "",
        &said(match (paper.is_proven(), paper.assumed) {
            (true, false) => phrase!("Every step can be proven on its scale."),
            (true, true) => phrase!(
                "On the assumed scale every step could be proven. Whether yours can is not known."
            ),
            (false, false) => {
                phrase!("Not every step can be proven; \"?\" marks a window that proves nothing.")
            }
            (false, true) => phrase!(
                "Not every step can be proven on the assumed scale; \"?\" marks a window that proves nothing."
            ),
        }),
    );
    for scale in paper.uncarried() {
        let line = phrase!(
            "What the scale \"{scale}\" carries is not known, so nobody can tell whether a step is too heavy for it. Add \
             for example capacity = \"600 g\" to it in the configuration, as its plate has it.",
            scale,
        );
        paragraph(text, "", &said(line));
    }
    for covers in paper.covers() {
        paragraph(text, "", &said(covers));
    }
}

/// Where not every jar gets full, with the words that help; `logs` is the folder of the batch logs, where known.
pub(super) fn jars_short(
    text: &mut String,
    paper: &OnPaper,
    logs: Option<&Path>,
) -> Result<(), QueryError> {
    if let Some(short) = paper.jars_short(logs)? {
        let words = short.allowance.map(|allowance| {
            phrase!(
                "Say --allowance {percent}%.",
                percent = allowance.percent().text()
            )
        });
        paragraph(text, "", &said(short.told().and(words.unwrap_or_default())));
    }
    Ok(())
}

fn premixes(text: &mut String, formula: &Formula) {
    for ingredient in formula.ingredients() {
        let Some(premix) = &ingredient.premix else {
            continue;
        };
        let line = phrase!(
            "{name} is a premix: its lot is the name of a batch of \"{premix}\". `bismar plan` says what is on hand of it.",
            name = &ingredient.name,
            premix,
        );
        paragraph(text, "- ", &said(line));
    }
}
