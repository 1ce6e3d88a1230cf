//! The bench's files, for the answers that are read from them.

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::Arc;

use crate::config::{Config, Held};
use crate::document::shown;
use crate::journal::batch::record::Record;
use crate::journal::read::folder::{all_threads, each_batch};
use crate::language::phrase;
use crate::lots::Lot;
use crate::mass::Mass;
use crate::workshop::mending::on_hand;
use crate::workshop::{QueryError, named, store};

/// The configuration that holds, and the list of lots.
#[derive(Debug, Clone)]
pub struct Context {
    config: Held,
    file: Option<PathBuf>,
    lots: Option<PathBuf>,
}

impl Context {
    /// `file` is the configuration's, `lots` that of the list; `None` where none is kept.
    pub fn new(config: Held, file: Option<PathBuf>, lots: Option<PathBuf>) -> Context {
        Context { config, file, lots }
    }

    /// The configuration's file, which need not be there.
    ///
    /// # Errors
    /// Where its place is not known.
    pub fn config_file(&self) -> Result<PathBuf, QueryError> {
        self.file.clone().ok_or_else(|| {
            QueryError::Other(phrase!(
                "the place of the configuration is not known, since HOME is not set"
            ))
        })
    }

    pub fn held(&self) -> Held {
        self.config.clone()
    }

    pub fn config(&self) -> Arc<Config> {
        self.config.now()
    }

    /// The list's file.
    ///
    /// # Errors
    /// Where there is none.
    pub fn lots_file(&self) -> Result<PathBuf, QueryError> {
        self.lots.clone().ok_or_else(|| {
            QueryError::Other(phrase!(
                "the list of lots is not known, since HOME is not set"
            ))
        })
    }

    /// # Errors
    /// Where the list of lots cannot be read.
    pub fn lots(&self) -> Result<Vec<Lot>, QueryError> {
        match &self.lots {
            Some(file) => store::lots(file),
            None => Ok(Vec::new()),
        }
    }

    /// A formula's file by its name in the folder of the formulas.
    ///
    /// # Errors
    /// For a name that is no file of that folder.
    pub fn formula(&self, name: &str) -> Result<PathBuf, QueryError> {
        let folder = self.config().formulas()?;
        let plain =
            !name.starts_with('.') && name.ends_with(".toml") && !name.contains(['/', '\0']);
        let path = folder.join(name);
        if plain && path.is_file() {
            return Ok(path);
        }
        Err(QueryError::Other(phrase!(
            "there is no formula \"{name}\" in {folder}; open the list again",
            name = shown(name),
            folder = folder.display().to_string(),
        )))
    }

    /// A batch's log by the batch's name.
    ///
    /// # Errors
    /// For a name that is no batch's.
    pub fn log(&self, batch: &str) -> Result<PathBuf, QueryError> {
        Ok(named::batch(batch, &self.config().logs()?)?)
    }

    /// Every batch with its rows, with the faults of damaged logs in words.
    ///
    /// # Errors
    /// When the folder or a log cannot be read.
    pub fn records(&self) -> Result<(Vec<Record>, Vec<String>), QueryError> {
        let folder = self.config().logs()?;
        let (all, faults) = each_batch(&folder, threads(), |record| record)?;
        Ok((all, faults.iter().map(ToString::to_string).collect()))
    }

    /// What is left of the lots that may be used today, `log` counted.
    ///
    /// # Errors
    /// When the list of lots, the folder or a log cannot be read.
    pub fn on_hand(&self, log: &Record) -> Result<BTreeMap<String, Mass>, QueryError> {
        let logs = self.config().logs()?;
        let (on_hand, _) = on_hand(self.lots()?, &logs, log, threads())?;
        Ok(on_hand)
    }
}

/// One processor is left to the daemon's loop.
pub(super) fn threads() -> usize {
    (all_threads() - 1).max(1)
}
