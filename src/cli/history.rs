//! `bismar history INGREDIENT|FORMULA`: deviations, over-pours, times and the control chart of
//! individuals over all batches of a folder.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

use clap::Args;

use super::{Exit, Failure, Outcome, language, print, said, tell};
use crate::chart::report::report;
use crate::chart::svg::WIDTH;
use crate::journal::error::LogError;
use crate::language::{Language, Sentence, phrase};
use crate::text::alike::nearest;
use crate::workshop::batches::{Told, gather_of, told_of};

#[derive(Debug, Args)]
pub struct HistoryArgs {
    /// An ingredient as the formula names it, or a formula's name, with or without its version
    name: String,
    /// Take the name for a formula's, where an ingredient has the same
    #[arg(long)]
    formula: bool,
    /// Draw the control chart into this file as well
    #[arg(long, value_name = "FILE")]
    svg: Option<PathBuf>,
    /// Folder of the batch logs (default: that of the configuration)
    #[arg(long, value_name = "FOLDER")]
    logs: Option<PathBuf>,
    /// Another configuration file than ~/.config/bismar/config.toml
    #[arg(long, value_name = "FILE")]
    config: Option<PathBuf>,
}

pub fn run(args: &HistoryArgs) -> Outcome {
    let folder = folder(args.logs.as_deref(), args.config.as_deref())?;
    if args.logs.is_none() && !folder.exists() {
        return Err(Failure::failed(phrase!(
            "no batch is weighed yet: there is no batch log to look into"
        ))
        .remedy(phrase!(
            "weigh a batch, or name another folder of batch logs with --logs"
        )));
    }
    // A folder that is not there is a mistyped one here.
    std::fs::read_dir(&folder).map_err(|error| {
        Failure::of_file(&folder, error)
            .remedy(phrase!("name the folder of the batch logs with --logs"))
    })?;
    let Told {
        batches,
        bad,
        alike,
    } = gather_of(&folder, &args.name)?;
    for alike in alike {
        tell(&said(phrase!("warning: {alike}", alike)));
    }
    let Some(report) = report(&batches, &args.name, args.formula, language()) else {
        return Err(unknown(&told_of(&folder)?, &bad, &args.name, &folder));
    };
    print(&report.text)?;
    if let Some(path) = &args.svg {
        match &report.chart {
            Some(chart) => {
                std::fs::write(path, chart.svg(WIDTH, Language::English))
                    .map_err(|e| Failure::of_file(path, e))?;
                let file = path.display().to_string();
                tell(&said(phrase!("The control chart: {file}", file)));
            }
            None => {
                return Err(Failure::failed(phrase!(
                    "there is no control chart of fewer than two batches"
                ))
                .remedy(phrase!("weigh another batch first")));
            }
        }
    }
    match left_out(&bad) {
        Some(bad) => Err(Failure::bad_input(bad).remedy(phrase!(
            "these logs were left out above; `bismar log verify BATCH` tells more"
        ))),
        None => Ok(Exit::Done),
    }
}

/// What is wrong with the logs that do not read.
fn left_out(bad: &[LogError]) -> Option<Sentence> {
    let bad = bad.iter().map(LogError::told);
    bad.reduce(|all, one| phrase!("{all}\n{one}", all, one))
}

/// The folder of the logs: the one named, or the configuration's.
pub fn folder(named: Option<&Path>, config: Option<&Path>) -> Result<PathBuf, Failure> {
    match named {
        Some(folder) => Ok(folder.to_owned()),
        None => Ok(super::config::load(config)?.logs()?),
    }
}

/// Names what there is, the nearest first.
fn unknown(known: &BTreeSet<String>, bad: &[LogError], name: &str, folder: &Path) -> Failure {
    let near = nearest(known.iter().map(String::as_str), name, TOLD);
    let said = phrase!(
        "{folder}: no batch log here tells of \"{name}\"",
        folder = folder.display().to_string(),
        name,
    );
    // What is asked for may stand in one that does not read.
    let failure = Failure::failed(match left_out(bad) {
        Some(bad) => phrase!("{all}\n{one}", all = bad, one = said),
        None => said,
    });
    failure.remedy(match near.is_empty() {
        true => phrase!("weigh a batch first, or name another folder with --logs"),
        false => phrase!("it tells of: {names}", names = near.join(", ")),
    })
}

/// As many names are told of those that may be meant.
const TOLD: usize = 6;
