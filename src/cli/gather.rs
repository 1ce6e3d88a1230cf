//! `bismar gather`: the logs of all benches of a workshop, in one folder.

use std::path::PathBuf;

use clap::Args;

use super::{Exit, Failure, Outcome};
use crate::config::paths::Places;
use crate::config::{Config, WorkshopConfig};
use crate::language::phrase;

#[derive(Debug, Args)]
pub struct GatherArgs {
    /// The folder of the joined logs (default: gather_dir of the configuration)
    #[arg(long, value_name = "FOLDER")]
    to: Option<PathBuf>,
    /// Sign what lies in the folder hand_out of the configuration as its next version, for all benches, and end
    #[arg(long)]
    hand_out: bool,
    /// Another configuration file than ~/.config/bismar/config.toml
    #[arg(long, value_name = "FILE")]
    config: Option<PathBuf>,
}

pub fn run(args: &GatherArgs) -> Outcome {
    let config = super::config::load(args.config.as_deref())?;
    let Some(workshop) = config.workshop.clone() else {
        return Err(
            Failure::bad_input(phrase!("the configuration has no [workshop]"))
                .remedy(phrase!("`bismar config init` prints what it is made of")),
        );
    };
    if args.hand_out {
        return hand_out(&workshop);
    }
    if workshop.benches.is_empty() {
        return Err(Failure::bad_input(phrase!(
            "[workshop] names no benches whose rows are gathered"
        ))
        .remedy(phrase!("add benches = [\"bench-1\", \"bench-2\"] to it")));
    }
    let usual = || Places::from_env().benches_dir();
    let named = args.to.clone().or_else(|| workshop.gather_dir.clone());
    let Some(folder) = named.or_else(usual) else {
        return Err(Failure::usage(phrase!(
            "the folder of the joined logs is not known, since HOME is not set"
        ))
        .remedy(phrase!("name it: bismar gather --to FOLDER")));
    };
    super::daemon::spare_memory();
    gather(config, &workshop, &folder)?;
    Ok(Exit::Done)
}

#[cfg(feature = "workshop")]
fn hand_out(workshop: &WorkshopConfig) -> Outcome {
    let Some(folder) = &workshop.hand_out else {
        return Err(
            Failure::bad_input(phrase!("[workshop] names no folder that is handed out")).remedy(
                phrase!("add hand_out = \"~/handed\" to it, and put the formulas there"),
            ),
        );
    };
    let Some(key) = Places::from_env().hand_key() else {
        return Err(Failure::failed(phrase!(
            "the key that signs is not known, since HOME is not set"
        )));
    };
    let handed = crate::wire::hand::hand_out(folder, &key)?;
    let crate::wire::hand::HandedOut {
        version,
        files,
        new,
        by,
    } = handed;
    let folder = folder.display().to_string();
    super::print(&super::said(match new {
        true => phrase!(
            "Version {version} is handed out from {folder}; files: {files}",
            version,
            folder,
            files,
        ),
        false => phrase!(
            "Nothing has changed in {folder} since version {version}",
            folder,
            version,
        ),
    }))?;
    super::print(&super::said(phrase!(
        "Benches that have this in [workshop] take it: handed_by = \"{by}\"",
        by,
    )))?;
    Ok(Exit::Done)
}

#[cfg(not(feature = "workshop"))]
fn hand_out(_: &WorkshopConfig) -> Outcome {
    Err(crate::wire::WireError::NotBuilt.into())
}

#[cfg(feature = "workshop")]
fn gather(
    config: Config,
    workshop: &WorkshopConfig,
    folder: &std::path::Path,
) -> Result<(), Failure> {
    use crate::daemon::{gathering, notify};
    use crate::wire::settings::Settings;
    notify::start_log();
    let settings = Settings::read(workshop)?;
    let ready = || {
        notify::ready("gathers");
        tracing::info!("gathers into {}", folder.display());
    };
    gathering::run(config, settings, folder, ready)?;
    Ok(())
}

#[cfg(not(feature = "workshop"))]
fn gather(_: Config, _: &WorkshopConfig, _: &std::path::Path) -> Result<(), Failure> {
    Err(crate::wire::WireError::NotBuilt.into())
}
