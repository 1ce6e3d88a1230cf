//! `bismar begin FORMULA`: begins a batch with the daemon.

use std::path::PathBuf;

use clap::Args;

use super::size::{self, SizeArgs};
use super::{Exit, Outcome, print};
use crate::daemon::client::{self, Client};
use crate::formula::Formula;

#[derive(Debug, Args)]
#[command(group = size::required())]
pub struct BeginArgs {
    /// The formula file (.toml)
    formula: PathBuf,
    #[command(flatten)]
    size: SizeArgs,
}

pub fn run(args: BeginArgs) -> Outcome {
    // Read here too: a fault of the file is told with its place, whether a daemon runs or not.
    Formula::read(&args.formula)?;
    let SizeArgs {
        batch,
        jars,
        fill,
        allowance,
    } = args.size;
    let text = |typed: Option<size::Typed>| typed.map(|typed| typed.text);
    let request = client::begin(&args.formula, text(batch), jars, text(fill))?
        .with_allowance(allowance.map(|typed| typed.text));
    print(&Client::connect()?.say(&request)?)?;
    print("`bismar watch` shows what to do now.")?;
    Ok(Exit::Done)
}
