//! Alerts besides the batch, for `status`: each stays until it is over.

use super::pending::pending_words;
use super::ports::Kept;
use super::rows::Rows;
use crate::language::{Sentence, phrase};

/// See the module's text.
#[derive(Debug, Default)]
pub struct Alerts {
    /// The unfinished batch that cannot go on; over when a batch begins.
    pub start: Option<Sentence>,
    /// The configuration that was not taken; over when one is.
    pub config: Option<Sentence>,
    /// What the wire between benches has to tell; over when it says so.
    pub workshop: Vec<Sentence>,
    /// Rows of an earlier daemon; over when their file is gone.
    pub kept: Vec<Kept>,
}

impl Alerts {
    /// One line each; `None` where there is no trouble.
    pub fn words(&self, rows: Option<&Rows>) -> Option<Sentence> {
        let kept = self.kept.iter().filter(|kept| kept.path.exists());
        let failed = rows.filter(|rows| rows.failure().is_some());
        (self.start.iter().cloned())
            .chain(kept.map(|kept| kept.say.clone()))
            .chain(self.config.iter().cloned())
            .chain(failed.map(pending_words))
            .chain(self.workshop.iter().cloned())
            .reduce(|all, one| phrase!("{all}\n{one}", all, one))
    }
}
