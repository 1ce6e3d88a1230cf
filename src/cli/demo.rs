//! `bismar demo`.

use std::path::PathBuf;

use clap::Args;

use super::{Failure, Outcome};

#[derive(Debug, Args)]
pub struct DemoArgs {
    /// Faster than real time
    #[arg(long)]
    pub fast: bool,
    /// Another course of events
    #[arg(long, value_name = "N")]
    pub seed: Option<u64>,
    /// Where its batch log goes
    #[arg(long, value_name = "FOLDER")]
    pub log_dir: Option<PathBuf>,
}

pub fn run(_args: DemoArgs) -> Outcome {
    Err(Failure::failed("not built into this version"))
}
