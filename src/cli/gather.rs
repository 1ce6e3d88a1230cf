//! `bismar gather`: the logs of all benches of a workshop, in one folder.

use std::path::PathBuf;

use clap::Args;

use super::{Exit, Failure, Outcome};
use crate::config::WorkshopConfig;
use crate::config::paths::Places;

#[derive(Debug, Args)]
pub struct GatherArgs {
    /// The folder of the joined logs (default: gather_dir of the configuration)
    #[arg(long, value_name = "FOLDER")]
    to: Option<PathBuf>,
    /// Another configuration file than ~/.config/bismar/config.toml
    #[arg(long, value_name = "FILE")]
    config: Option<PathBuf>,
}

pub fn run(args: &GatherArgs) -> Outcome {
    let config = super::config::load(args.config.as_deref())?;
    let Some(workshop) = config.workshop else {
        return Err(Failure::bad_input("the configuration has no [workshop]")
            .remedy("`bismar config init` prints what it is made of"));
    };
    if workshop.benches.is_empty() {
        return Err(
            Failure::bad_input("[workshop] names no benches whose rows are gathered")
                .remedy("add benches = [\"bench-1\", \"bench-2\"] to it"),
        );
    }
    let usual = || Places::from_env().benches_dir();
    let named = args.to.clone().or_else(|| workshop.gather_dir.clone());
    let Some(folder) = named.or_else(usual) else {
        return Err(Failure::usage(
            "the folder of the joined logs is not known, since HOME is not set",
        )
        .remedy("name it: bismar gather --to FOLDER"));
    };
    gather(&workshop, &folder)?;
    Ok(Exit::Done)
}

#[cfg(feature = "workshop")]
fn gather(workshop: &WorkshopConfig, folder: &std::path::Path) -> Result<(), Failure> {
    use crate::daemon::notify;
    use crate::wire::{gather, settings::Settings};
    notify::start_log();
    let settings = Settings::read(workshop)?;
    let ready = || {
        notify::ready("gathers");
        tracing::info!("gathers into {}", folder.display());
    };
    gather::run(settings, folder, ready)?;
    Ok(())
}

#[cfg(not(feature = "workshop"))]
fn gather(_: &WorkshopConfig, _: &std::path::Path) -> Result<(), Failure> {
    Err(crate::wire::WireError::NotBuilt.into())
}
