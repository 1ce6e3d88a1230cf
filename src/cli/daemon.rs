//! `bismar daemon`: the real parts, put together.

use std::env;
use std::os::unix::process::CommandExt as _;
use std::path::{Path, PathBuf};
use std::process::Command;

use clap::Args;

use super::config::{load, load_with_scales, usual_place};
use super::{Exit, Failure, Outcome, try_it};
use crate::bench::Bench;
use crate::config::paths::Places;
use crate::config::{Config, Holder};
use crate::daemon::cues::HubCues;
use crate::daemon::open::BatchOpener;
use crate::daemon::taken::{Beginning, Taken};
use crate::daemon::{self, Parts, notify};
use crate::files;
use crate::protocol::socket;
use crate::text::shell_word;

#[derive(Debug, Args)]
pub struct DaemonArgs {
    /// Another configuration file than ~/.config/bismar/config.toml
    #[arg(long, value_name = "FILE")]
    config: Option<PathBuf>,
}

/// What a look at years of logs took is given back with these: by itself glibc keeps for each thread the most it ever
/// held. It reads them where a program begins, and at no other time.
const SPARING: [(&str, &str); 2] = [
    ("MALLOC_ARENA_MAX", "1"),
    ("MALLOC_TRIM_THRESHOLD_", "131072"),
];

/// Begins the program once more as the same process, with [`SPARING`] around it; goes on as it is where one of them is
/// set already, or that cannot be.
pub(super) fn spare_memory() {
    let is_set = |(name, _): &(&str, &str)| env::var_os(name).is_some();
    let (Ok(program), Some(own)) = (env::current_exe(), env::args_os().next()) else {
        return;
    };
    // Under another name runs what was asked to run this: a loader, say.
    let is_own = program.file_name() == Path::new(&own).file_name();
    if cfg!(target_env = "gnu") && is_own && !SPARING.iter().any(is_set) {
        let mut again = Command::new(program);
        let args = env::args_os().skip(1);
        let error = again.arg0(own).args(args).envs(SPARING).exec();
        tracing::debug!(%error, "memory that a look at the logs takes is not given back");
    }
}

pub fn run(args: &DaemonArgs) -> Outcome {
    spare_memory();
    notify::start_log();
    let path = args.config.clone();
    let places = Places::from_env();
    let file = path.as_deref();
    let loaded = load_with_scales(file);
    let taken = taken(path.as_deref(), &places);
    let Beginning {
        config,
        waiting,
        fault,
    } = match &taken {
        Some(taken) => taken.begin(loaded, Failure::in_a_line, |copy| {
            load_with_scales(Some(copy)).ok()
        }),
        None => loaded.map(Beginning::with),
    }
    // A batch under way comes first: it goes on with the scales that the file has lost.
    .or_else(|failure| load_for_the_page(file).map(Beginning::with).ok_or(failure))?;
    let source = path.clone().or_else(|| usual_place().ok());
    if let Some(source) =
        source.filter(|source| config.page.key.is_some() && files::is_open_to_all(source))
    {
        let file = shell_word(&source.display().to_string());
        tracing::warn!(
            "every user of this machine can read the page's key in the configuration; close it: chmod 600 {file}"
        );
    }
    let config = Holder::new(config);
    let socket = socket::default_path()?;
    let opener = BatchOpener::new(config.held())
        .with_spills(places.spill_dirs())
        .with_lots(places.lots_file());
    let parts = Parts {
        opener: Box::new(opener),
        cues: Box::new(HubCues::new(config.held())),
        learned: places.learned_file(),
        waiting,
        fault,
        taken,
        rehearse: Some(try_it::rehearsals(&socket, config.held())),
        managed: true,
        bench: Box::new(bench),
        reload: Box::new(move || {
            let file = path.as_deref();
            load_with_scales(file)
                .or_else(|failure| load_for_the_page(file).ok_or(failure))
                .map_err(|failure| failure.in_a_line())
        }),
        config,
    };
    daemon::run(parts, &socket)?;
    Ok(Exit::Done)
}

/// The configuration where it has no scale yet and turns the page on: the page then says what to do.
fn load_for_the_page(path: Option<&Path>) -> Option<Config> {
    let config = load(path).ok()?;
    (config.scales.is_empty() && config.page.on).then_some(config)
}

/// The bench of a configuration that [`load`] gave.
fn bench(config: &Config) -> Bench {
    // Whatever `load` gives has only layouts that can be made: it makes them.
    #[expect(clippy::expect_used, reason = "checked where the file is read")]
    Bench::new(config).expect("the layouts were checked when the configuration was read")
}

/// What the configuration file is kept by; `None` where no place for that is known.
fn taken(path: Option<&Path>, places: &Places) -> Option<Taken> {
    let source = path.map(Path::to_owned).or_else(|| usual_place().ok())?;
    Some(Taken {
        source: std::path::absolute(source).ok()?,
        copy: places.taken_file()?,
    })
}
