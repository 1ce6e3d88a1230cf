//! `bismar config init`, and how every command reads the configuration.

use std::io;
use std::path::{Path, PathBuf};

use clap::{Args, Subcommand};

use super::failure::find_scale;
use super::{Exit, Failure, Outcome, print, said, tell, write};
use crate::config::paths::Places;
use crate::config::{Config, DEFAULT_FILE};
use crate::document::Reader;
use crate::files;
use crate::language::phrase;
use crate::protocol::client::{Client, ClientError};
use crate::protocol::request::Request;
use crate::scale::layout::{Chosen, LayoutError};

#[derive(Debug, Args)]
pub struct ConfigArgs {
    #[command(subcommand)]
    command: ConfigCommand,
}

#[derive(Debug, Subcommand)]
enum ConfigCommand {
    /// Print a configuration file with every setting explained
    Init {
        /// Write it to its place instead; a file that is there is never overwritten
        #[arg(long)]
        write: bool,
    },
}

pub fn run(args: &ConfigArgs) -> Outcome {
    let ConfigCommand::Init { write: to_file } = &args.command;
    if !to_file {
        write(DEFAULT_FILE.as_bytes())?;
        return Ok(Exit::Done);
    }
    let path = usual_place()?;
    files::create(&path, DEFAULT_FILE).map_err(|error| match error.kind() {
        io::ErrorKind::AlreadyExists => Failure::failed(phrase!(
            "{file} is there already and stays as it is",
            file = path.display().to_string(),
        ))
        .remedy(phrase!("edit it, or move it away first")),
        _ => Failure::of_file(&path, error),
    })?;
    let file = path.display().to_string();
    print(&said(phrase!("Wrote {file}", file)))?;
    Ok(Exit::Done)
}

/// Where the configuration lies unless `--config` names another file.
///
/// # Errors
/// When no home folder is known.
pub(super) fn usual_place() -> Result<PathBuf, Failure> {
    Places::from_env().config_file().ok_or_else(|| {
        Failure::failed(phrase!(
            "the place of the configuration is not known, since HOME is not set"
        ))
        .remedy(phrase!("set HOME, or name the file with --config"))
    })
}

/// Has a daemon that runs take over what was written into the file at `place`, and tells how that went. One that
/// starts later reads it then.
pub(super) fn taken_over(place: &Path) {
    let usual = usual_place().is_ok_and(|usual| usual == place);
    let asked = Client::connect().and_then(|mut client| client.say(&Request::Reload));
    match asked {
        Ok(it) if usual => tell(&said(phrase!("The daemon that runs: {it}", it))),
        Ok(it) => tell(&said(phrase!(
            "The daemon that runs, if with this file: {it}",
            it
        ))),
        Err(ClientError::NoDaemon) => {}
        Err(error) => tell(&said(phrase!(
            "The daemon that runs did not take it over: {error}",
            error = error.told(),
        ))),
    }
}

/// Reads the configuration: `path`, or the file at its usual place, or the defaults. The layouts of
/// its scales are looked at too, so that a [`crate::bench::Bench`] can be made of it.
///
/// # Errors
/// Everything that is wrong with it, with file, line and column (exit code 4).
pub(super) fn load(path: Option<&Path>) -> Result<Config, Failure> {
    let config = Config::load(path)?;
    for (index, scale) in config.scales.iter().enumerate() {
        if let Err(error) = Chosen::from_config(scale) {
            return Err(bad_layout(path, index, &error));
        }
    }
    Ok(config)
}

/// The fault with the place of the scale's layout in the file.
fn bad_layout(path: Option<&Path>, index: usize, error: &LayoutError) -> Failure {
    let place = path.map(Path::to_owned).or_else(|| usual_place().ok());
    let located = place.and_then(|path| {
        let text = files::text(&path).ok()?;
        let (mut reader, root) = Reader::parse(&text, &path.display().to_string()).ok()?;
        let tables = reader.tables(root.get("scale")?, "scale");
        let (table, at) = tables.get(index)?;
        let key = match error {
            LayoutError::Unknown(_) | LayoutError::PatternMissing => "layout",
            LayoutError::PatternUnused(_) | LayoutError::Pattern(_) => "pattern",
            LayoutError::UnitUnused(_) => "unit",
        };
        let span = table.get(key).map_or(at.clone(), |value| value.span());
        reader.report(&span, error.what(), error.remedy());
        Some(reader.into_problems())
    });
    match located {
        Some(problems) => problems.into(),
        None => Failure::theirs(error).with(Exit::BadInput),
    }
}

/// As [`load`], with at least one scale.
///
/// # Errors
/// As [`load`]; a configuration without a scale names `bismar identify`.
pub(super) fn load_with_scales(path: Option<&Path>) -> Result<Config, Failure> {
    let config = load(path)?;
    if !config.scales.is_empty() {
        return Ok(config);
    }
    let place = match path {
        Some(path) => path.to_owned(),
        None => usual_place()?,
    };
    let file = place.display().to_string();
    let none = match place.exists() {
        true => phrase!("{file}: has no [[scale]]", file),
        false => phrase!("{file}: is not there, so no scale is known", file),
    };
    Err(Failure::bad_input(none).remedy(find_scale()))
}
