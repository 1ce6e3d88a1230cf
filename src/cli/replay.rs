//! `bismar replay CAPTURE`.

use std::path::PathBuf;

use clap::Args;

use super::size::{self, SizeArgs};
use super::{Failure, Outcome};

#[derive(Debug, Args)]
#[command(group = size::required())]
pub struct ReplayArgs {
    /// The recorded session (.capture)
    pub capture: PathBuf,
    /// The formula file (.toml)
    #[arg(long)]
    pub formula: PathBuf,
    #[command(flatten)]
    pub size: SizeArgs,
    /// Another configuration file than the usual one
    #[arg(long)]
    pub config: Option<PathBuf>,
    /// Where the batch log goes (.csv)
    #[arg(long, value_name = "OUT.csv")]
    pub log: PathBuf,
    /// Where the events go, one JSON object a line
    #[arg(long, value_name = "OUT.jsonl")]
    pub events: Option<PathBuf>,
    /// The time of day at the capture's beginning, for example 2026-01-01T09:00:00Z
    #[arg(long, value_name = "TIME")]
    pub start: Option<jiff::Timestamp>,
}

pub fn run(_args: ReplayArgs) -> Outcome {
    Err(Failure::failed("not built into this version"))
}
