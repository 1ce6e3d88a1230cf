//! `bismar log verify BATCH...`: whether batch logs are as they were written.

use std::path::PathBuf;

use clap::{Args, Subcommand};

use super::history::folder;
use super::{Exit, Failure, Outcome, named, print, said};
use crate::journal::read::verify::{Head, verify_with};
use crate::language::phrase;

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
            Ok(report) if report.is_ok() => print(&said(report.told()))?,
            Ok(report) => {
                complaints.push(report.told());
                worst = Exit::BadInput;
            }
            Err(error) => {
                complaints.push(error.told());
                worst = Exit::BadInput;
            }
        }
    }
    let all = complaints.into_iter();
    match all.reduce(|all, one| phrase!("{all}\n{one}", all, one)) {
        None => Ok(Exit::Done),
        Some(complaints) => Err(Failure::new(worst, complaints)),
    }
}
