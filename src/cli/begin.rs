//! `bismar begin FORMULA`: begins a batch with the daemon.

use std::path::PathBuf;

use clap::Args;

use super::named::{self, FORMULA};
use super::size::{self, SizeArgs};
use super::{Exit, Failure, Outcome, print};
use crate::formula::{Formula, VesselWay};
use crate::journal::batch::residue::{FEWEST, usual};
use crate::journal::format::cell::clean;
use crate::journal::read::record;
use crate::mass::Mass;
use crate::protocol::client;
use crate::protocol::client::Client;
use crate::protocol::request::Overweigh;
use crate::workshop;
use crate::workshop::batches::archive;

#[derive(Debug, Args)]
#[command(group = size::required())]
pub struct BeginArgs {
    /// The formula: its name, or its file (.toml)
    #[arg(value_name = FORMULA)]
    formula: PathBuf,
    #[command(flatten)]
    size: SizeArgs,
    /// Weigh a little more of what stays in its beaker, as learned from the batches that weighed it
    /// back (`bismar residue`)
    #[arg(long)]
    overweigh: bool,
}

/// # Errors
/// What is told to the person, with its remedy and exit code.
pub fn run(args: BeginArgs) -> Outcome {
    // Read here too: a fault of the file is told with its place, whether a daemon runs or not.
    let file = named::formula(&args.formula, None)?;
    let formula = workshop::formula(&file)?;
    let sticky = sticky(&formula, &args.size)?;
    let SizeArgs {
        batch,
        jars,
        fill,
        allowance,
    } = args.size;
    let text = |typed: Option<size::Typed>| typed.map(|typed| typed.text);
    let mut request = client::begin(&file, text(batch), jars, text(fill))?
        .with_allowance(allowance.map(|typed| typed.text));
    if args.overweigh {
        request = request.with_overweigh(sticky.iter().map(|s| s.asked.clone()).collect());
    }
    print(&Client::connect()?.say(&request)?)?;
    for Sticky { words, .. } in &sticky {
        let now = match args.overweigh {
            true => "that much more is weighed",
            false => "begin with --overweigh to weigh that much more",
        };
        print(&format!("Note: {words}; {now}."))?;
    }
    if args.overweigh && sticky.is_empty() {
        print(&format!(
            "Note: no ingredient was weighed back often enough ({FEWEST} times) to weigh more of it."
        ))?;
    }
    print("`bismar watch` shows what to do now.")?;
    Ok(Exit::Done)
}

/// The newest logs, so that a begin stays quick over the years.
const LOGS_LEARNED_FROM: usize = 200;

/// An ingredient of which some stays in its beaker.
struct Sticky {
    asked: Overweigh,
    words: String,
}

/// What the logs know to stay in the beakers of this formula. More than a tenth of what is weighed is no
/// film on the glass, and is left out.
fn sticky(formula: &Formula, size: &SizeArgs) -> Result<Vec<Sticky>, Failure> {
    let folder = super::config::load(None)?.logs()?;
    let mut records = Vec::new();
    for path in archive(&folder).newest()?.iter().take(LOGS_LEARNED_FROM) {
        // A log that does not read teaches nothing; `bismar log verify` says why.
        records.extend(record::read(path).ok());
    }
    let usual = usual(&records);
    let amount = size.amount().ok().flatten();
    let total = amount
        .and_then(|amount| amount.total().ok())
        .unwrap_or_default();
    let shares = formula.shares();
    let steps = (1..).zip(formula.ingredients().zip(&shares));
    Ok(steps
        .filter(|(_, (ingredient, _))| ingredient.vessel == VesselWay::Beaker)
        .filter_map(|(step, (ingredient, share))| {
            let stays = usual.get(&clean(&ingredient.name))?;
            let grams = stays
                .mass
                .round_to(Mass::from_mg(10))
                .grams(Mass::from_mg(10));
            (stays.mass <= share.of(total).ratio(1, 10)).then(|| Sticky {
                asked: Overweigh {
                    step,
                    mass: format!("{grams}g"),
                },
                words: format!(
                    "about {grams} g {} stays in its beaker ({} weighings)",
                    ingredient.name, stays.weighings
                ),
            })
        })
        .collect())
}
