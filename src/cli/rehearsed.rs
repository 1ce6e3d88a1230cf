//! A rehearsed batch and its log, in virtual time: what the demo and its season share.

use std::path::Path;

use jiff::{SignedDuration, Timestamp};

use super::Failure;
use crate::bench::Bench;
use crate::config::Config;
use crate::formula::{Formula, Plan};
use crate::journal::error::LogError;
use crate::journal::format::opening::Opening;
use crate::journal::store::log::LogFile;
use crate::language::Sentence;
use crate::rehearsal::stage::Stage;
use crate::rehearsal::trial::{Told, play};
use crate::time::Moment;
use crate::vocabulary::entry::Draft;

/// One log and the day's time at its bench.
pub struct Writing {
    pub log: LogFile,
    /// When the bench's moment 0 was.
    pub start: Timestamp,
    failure: Option<LogError>,
}

impl Writing {
    /// Opens the log of a new batch in `folder`.
    pub fn begin(
        folder: &Path,
        formula: &Formula,
        plan: &Plan,
        start: Timestamp,
    ) -> Result<Writing, Failure> {
        let log = LogFile::begin(folder, formula, &Opening::of(formula, plan), start)?;
        Ok(Writing {
            log,
            start,
            failure: None,
        })
    }

    pub fn at(&self, moment: Moment) -> Timestamp {
        let micros = SignedDuration::from_micros(i64::try_from(moment.0).unwrap_or(0));
        self.start.checked_add(micros).unwrap_or(self.start)
    }

    fn write(&mut self, draft: &Draft) -> Result<u64, Sentence> {
        let at = self.at(draft.at);
        self.log.append(draft, at).map_err(|error| {
            let why = error.told();
            self.failure.get_or_insert(error);
            why
        })
    }

    /// Plays `plan` on `stage` into the log.
    pub fn play(
        &mut self,
        config: &Config,
        plan: Plan,
        stage: &mut Stage,
        told: impl FnMut(Told<'_>),
    ) -> Result<(), Failure> {
        let mut bench = Bench::at_line_start(config).map_err(Failure::theirs)?;
        bench.set_readings(true);
        play(&mut bench, plan, stage, |draft| self.write(draft), told)
            .map_err(|refused| Failure::failed(refused.say))?;
        self.failure
            .take()
            .map_or(Ok(()), |error| Err(error.into()))
    }
}
