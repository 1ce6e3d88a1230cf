//! `bismar log verify FILE...`: whether batch logs are as they were written.

use std::path::PathBuf;

use clap::{Args, Subcommand};

use super::{Exit, Failure, Outcome, print};
use crate::journal::read::verify::{Head, verify_with};

#[derive(Debug, Args)]
pub struct LogArgs {
    #[command(subcommand)]
    command: LogCommand,
}

#[derive(Debug, Subcommand)]
enum LogCommand {
    /// Check that no row of a batch log was changed, taken out or put in, and that its rows agree
    Verify {
        /// A head that was noted down, as the batch sheet prints it: does the log still hold it?
        #[arg(long, value_name = "HEX")]
        head: Option<Head>,
        /// Batch logs (.csv)
        #[arg(required = true, value_name = "FILE")]
        files: Vec<PathBuf>,
    },
}

pub fn run(args: &LogArgs) -> Outcome {
    let LogCommand::Verify { head, files } = &args.command;
    let mut worst = Exit::Done;
    let mut complaints = Vec::new();
    for file in files {
        match verify_with(file, head.as_ref()) {
            Ok(report) if report.is_ok() => print(&report.to_string())?,
            Ok(report) => {
                complaints.push(report.to_string());
                worst = Exit::BadInput;
            }
            Err(error) => {
                complaints.push(error.to_string());
                worst = Exit::BadInput;
            }
        }
    }
    if complaints.is_empty() {
        Ok(Exit::Done)
    } else {
        Err(Failure::new(worst, complaints.join("\n")))
    }
}
