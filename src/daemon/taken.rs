//! The configuration that was taken last, kept in a file of the daemon's own: so that a batch under way goes on
//! after a start at which the file does not read any more, or names another folder for the logs.

use std::path::{Path, PathBuf};

use crate::config::Config;
use crate::files;
use crate::journal::read::folder::all_threads;
use crate::language::Sentence;
use crate::workshop::batches::archive;

/// Where it is kept.
#[derive(Debug, Clone)]
pub struct Taken {
    /// The configuration file as the maker writes it.
    pub source: PathBuf,
    pub copy: PathBuf,
}

/// What the daemon begins with.
#[derive(Debug)]
pub struct Beginning {
    pub config: Config,
    /// What holds as soon as the batch under way is closed.
    pub waiting: Option<Config>,
    /// Why the file as it is now was not taken.
    pub fault: Option<Sentence>,
}

impl Beginning {
    /// Nothing but `config`.
    pub fn with(config: Config) -> Beginning {
        Beginning {
            config,
            waiting: None,
            fault: None,
        }
    }
}

impl Taken {
    /// The file of the configuration that was taken last from this source.
    fn before(&self) -> Option<PathBuf> {
        let text = files::text(&self.copy).ok()?;
        (text.lines().next() == Some(self.head().trim_end())).then(|| self.copy.clone())
    }

    fn head(&self) -> String {
        let source = format!("{:?}", self.source);
        format!(
            "# What bismar took last of {source}, for a start in the middle of a batch. It may be deleted.\n"
        )
    }

    /// `now` is what the file says, or why it does not read, which `told` puts into words; `load` reads
    /// the copy. Blocks.
    ///
    /// # Errors
    /// That of `now`, where no batch is under way with the configuration that was taken last.
    pub fn begin<E>(
        &self,
        now: Result<Config, E>,
        told: impl FnOnce(&E) -> Sentence,
        load: impl FnOnce(&Path) -> Option<Config>,
    ) -> Result<Beginning, E> {
        let before = || self.before().and_then(|copy| load(&copy));
        let (config, waiting, fault) = match now {
            // The logs are looked through only where it may matter: that takes long with many of them.
            Ok(now) => match before().filter(|before| before.log_dir != now.log_dir) {
                Some(before) if has_batch_under_way(&before) && !has_batch_under_way(&now) => {
                    let log_dir = before.log_dir;
                    let held = Config {
                        log_dir,
                        ..now.clone()
                    };
                    (held, Some(now), None)
                }
                Some(_) | None => return Ok(Beginning::with(now)),
            },
            Err(error) => match before().filter(has_batch_under_way) {
                Some(before) => (before, None, Some(told(&error))),
                None => return Err(error),
            },
        };
        Ok(Beginning {
            config,
            waiting,
            fault,
        })
    }

    /// `config` holds from now on. Returns at once: the file is written beside the loop. Needs a running
    /// tokio runtime.
    pub fn keep(&self, config: &Config) {
        let (own, config) = (self.clone(), config.clone());
        tokio::task::spawn_blocking(move || own.write(&config));
    }

    fn write(&self, config: &Config) {
        let Ok(text) = files::text(&self.source) else {
            return;
        };
        // It may be another one by now.
        if Config::parse(&text, "").ok().as_ref() != Some(config) {
            return;
        }
        let text = format!("{}{text}", self.head());
        if files::text(&self.copy).is_ok_and(|there| there == text) {
            return;
        }
        let folder = self.copy.parent().map_or(Ok(()), std::fs::create_dir_all);
        if let Err(error) = folder.and_then(|()| files::replace_unsynced(&self.copy, &text)) {
            let copy = self.copy.display();
            tracing::info!("the configuration is not kept in {copy}: {error}");
        }
    }
}

fn has_batch_under_way(config: &Config) -> bool {
    let logs = config
        .logs()
        .ok()
        .and_then(|logs| archive(&logs).list_open(all_threads()).ok());
    logs.is_some_and(|logs| logs.open.iter().any(|(_, record)| record.opening.is_some()))
}
