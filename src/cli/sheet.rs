//! `bismar sheet BATCH`: the batch's record as one HTML page, from its log alone.

use std::fs::OpenOptions;
use std::io::Write as _;
use std::path::{Path, PathBuf};

use clap::Args;

use super::history::folder;
use super::{Exit, Failure, Outcome, language, named, print, said, write};
use crate::config::Config;
use crate::language::phrase;
use crate::sheet::html;
use crate::workshop::batches::sheet_record;

#[derive(Debug, Args)]
pub struct SheetArgs {
    /// The batch's name, or its log (.csv)
    #[arg(value_name = "BATCH")]
    batch: PathBuf,
    /// Where the sheet goes; `-` prints it (default: BATCH.html in this folder)
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
    /// Write over a sheet that is there already
    #[arg(long)]
    force: bool,
    /// Folder of the batch logs (default: that of the configuration)
    #[arg(long, value_name = "FOLDER")]
    logs: Option<PathBuf>,
    /// Another configuration file than ~/.config/bismar/config.toml
    #[arg(long, value_name = "FILE")]
    config: Option<PathBuf>,
}

pub fn run(args: &SheetArgs) -> Outcome {
    let logs = || folder(args.logs.as_deref(), args.config.as_deref());
    let log = named::log(&args.batch, logs)?;
    let mut record = sheet_record(&log)?;
    record.language = language();
    record.scales = match &args.config {
        Some(config) => super::config::load(Some(config))?.abilities(),
        // A sheet needs no configuration that reads.
        None => Config::load(None).map_or_else(|_| Vec::new(), |config| config.abilities()),
    };
    if record.rows.is_empty() {
        return Err(Failure::bad_input(phrase!(
            "{file}: the log has no row yet, so there is no sheet of it",
            file = log.display().to_string(),
        )));
    }
    let page = html(&record);
    let out = match &args.out {
        Some(out) if out.as_os_str() == "-" => {
            write(page.as_bytes())?;
            return Ok(Exit::Done);
        }
        Some(out) => out.clone(),
        None => Path::new(log.file_name().unwrap_or_default()).with_extension("html"),
    };
    save(&out, &page, args.force, "--out")?;
    let file = out.display().to_string();
    print(&said(phrase!("The batch sheet: {file}", file)))?;
    Ok(Exit::Done)
}

/// Writes a page to its file; `option` is where another one is named.
pub(super) fn save(path: &Path, page: &str, force: bool, option: &str) -> Result<(), Failure> {
    let mut options = OpenOptions::new();
    options.write(true);
    if force {
        options.create(true).truncate(true);
    } else {
        options.create_new(true);
    }
    let written = options
        .open(path)
        .and_then(|mut file| file.write_all(page.as_bytes()));
    written.map_err(|error| {
        let failure = Failure::of_file(path, &error);
        if error.kind() == std::io::ErrorKind::AlreadyExists {
            failure.remedy(phrase!(
                "name another file with {option}, or write over it with --force",
                option,
            ))
        } else {
            failure
        }
    })
}
