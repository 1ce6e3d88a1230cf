//! `bismar plan FORMULA`: one batch on paper before it is begun. The steps in order of weighing, the
//! vessels that fit, the lots on hand, what it costs, and what is to be done first.

mod store;
mod vessels;

use std::path::PathBuf;

use clap::Args;
use jiff::civil::Date;

use super::lots::{StoreArgs, told};
use super::named::{self, FORMULA};
use super::size::{self, SizeArgs};
use super::value::price;
use super::{Exit, Failure, Outcome, batch_table, check, print};
use crate::config::Config;
use crate::formula::Formula;
use crate::journal::read::folder::all_threads;
use crate::language::phrase;
use crate::lots::price::Price;
use crate::lots::shelf::Shelf;
use crate::workshop::planning::OnPaper;
use crate::workshop::{self, batches, store as on_hand};

#[derive(Debug, Args)]
#[command(group = size::required(), after_help = AFTER_HELP)]
pub struct PlanArgs {
    /// The formula: its name, or its file (.toml)
    #[arg(value_name = FORMULA)]
    formula: PathBuf,
    #[command(flatten)]
    size: SizeArgs,
    /// Another configuration file than ~/.config/bismar/config.toml
    #[arg(long, value_name = "FILE")]
    config: Option<PathBuf>,
    #[command(flatten)]
    store: StoreArgs,
    /// Price of one empty jar with its lid, without a currency, for example 0.80
    #[arg(long, value_name = "PRICE", value_parser = price,
          allow_hyphen_values = true)]
    jar_price: Option<Price>,
    /// The day it is to be made, for the lots that are still good then (default: today)
    #[arg(long, value_name = "DAY")]
    on: Option<Date>,
}

const AFTER_HELP: &str = "\
Exit code 1: a step cannot be proven or fits no known vessel, or something on the list is short.";

/// Prints the plan; see `AFTER_HELP` for the exit code.
///
/// # Errors
/// What is told to the person, with its remedy and exit code.
pub fn run(args: &PlanArgs) -> Outcome {
    if args.jar_price.is_some() && args.size.jars.is_none() {
        return Err(Failure::usage(phrase!(
            "--jar-price needs --jars, for example --jars 8 --fill 55g"
        )));
    }
    let config = super::config::load(args.config.as_deref())?;
    let unsaid = || Failure::usage(phrase!("say how much with --batch or --jars"));
    let amount = args.size.amount()?.ok_or_else(unsaid)?;
    let file = named::formula(&args.formula, args.config.as_deref())?;
    let paper = OnPaper::new(&file, amount, &config)?;
    let (formula, plan) = (&paper.formula, &paper.plan);
    let shelf = shelf(args, &config, formula)?;

    let mut text = check::notes(&paper);
    check::assumption(&mut text, &paper);
    batch_table::heading(&mut text, &paper);
    batch_table::table(&mut text, &paper);
    check::conclusion(&mut text, &paper);
    let logs = args.store.logs.clone().or_else(|| config.logs().ok());
    check::jars_short(&mut text, &paper, logs.as_deref())?;
    check::remarks::remarks(&mut text, &paper, false);
    let fits = vessels::section(&mut text, plan, &paper.scales, &config.vessels);
    let supplies = shelf.supplies(formula, plan);
    let enough = store::section(&mut text, &shelf, formula, plan, &supplies);
    let folder = workshop::folder_of(&file);
    let premix = |name: &str| workshop::formulas_called(name, &folder);
    store::to_do(&mut text, formula, plan, &supplies, premix);
    store::costs(&mut text, plan, &supplies, args.jar_price);
    check::remarks::cautions(&mut text, &paper);
    print(&text)?;
    Ok(match paper.is_proven() && fits && enough {
        true => Exit::Done,
        false => Exit::Failed,
    })
}

/// The lots and the batches on hand.
fn shelf(args: &PlanArgs, config: &Config, formula: &Formula) -> Result<Shelf, Failure> {
    let file = args.store.lots_file()?;
    // A list that was named must be there; at its usual place there may be none yet.
    if args.store.names_lots() && !file.exists() {
        return Err(Failure::bad_input(phrase!(
            "{file}:1:1: there is no such list of lots",
            file = file.display().to_string(),
        ))
        .remedy(phrase!(
            "name the file that `bismar lots add` writes, or leave --lots out"
        )));
    }
    let lots = on_hand::lots(&file)?;
    let logs = match (&args.store.logs, config.logs()) {
        // Without its logs every lot would seem full.
        (Some(dir), _) if !dir.is_dir() => {
            return Err(Failure::failed(phrase!(
                "{folder}: there is no such folder of batch logs",
                folder = dir.display().to_string(),
            ))
            .remedy(phrase!("name the folder of the logs, or leave --logs out")));
        }
        (Some(dir), _) => dir.clone(),
        (None, Ok(dir)) => dir,
        (None, Err(error)) => return Err(error.into()),
    };
    let on = args.on.unwrap_or_else(workshop::today);
    let list = (file.as_path(), lots);
    told(batches::shelf(&logs, all_threads(), list, (formula, on))?)
}
