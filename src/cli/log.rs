//! `bismar log verify BATCH...`: whether batch logs are as they were written.

use std::path::PathBuf;

use clap::{Args, Subcommand};

use super::history::folder;
use super::{Exit, Failure, Outcome, named, print};
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
        /// The batches by name, or their logs (.csv)
        #[arg(required = true, value_name = "BATCH")]
        batches: Vec<PathBuf>,
        /// Folder of the batch logs (default: that of the configuration)
        #[arg(long, value_name = "FOLDER")]
        logs: Option<PathBuf>,
    },
}

pub fn run(args: &LogArgs) -> Outcome {
    let LogCommand::Verify {
        head,
        batches,
        logs,
    } = &args.command;
    let mut worst = Exit::Done;
    let mut complaints = Vec::new();
    for batch in batches {
        let file = match named::log(batch, || folder(logs.as_deref(), None)) {
            Ok(file) => file,
            Err(failure) => {
                complaints.push(failure.in_a_line());
                worst = Exit::BadInput;
                continue;
            }
        };
        match verify_with(&file, head.as_ref()) {
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
