//! A lot that is named for a step of a batch whose log nobody writes: it is over, or no daemon runs.

use std::path::PathBuf;

use jiff::Timestamp;
use jiff::tz::TimeZone;

use super::lot_lookup::weigh_up;
use super::open::{append, rows_kept};
use super::stock::{StockFiles, snapshot};
use crate::formula::limits::{Held, outside_by_lot};
use crate::journal::batch::record::Record;
use crate::journal::batch::standing::skipped;
use crate::journal::error::LogError;
use crate::journal::format::cell::Grams;
use crate::journal::format::row::Row;
use crate::journal::name_of;
use crate::journal::read::folder::is_own;
use crate::journal::read::record;
use crate::journal::store::log::LogFile;
use crate::journal::store::spill;
use crate::language::{Sentence, phrase};
use crate::lots::advice::{Advice, ForStep, Own};
use crate::mass::Mass;
use crate::protocol::reply::{Refusal, Said};
use crate::vocabulary::entry::{Draft, RowKind, of_another_lot};
use crate::workshop::batches::archive;
use crate::workshop::named;

/// What is said of a step's lot.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LateLot {
    /// The batch's name; without it the one that was begun last.
    pub batch: Option<String>,
    pub step: usize,
    pub lot: String,
    /// Why it is taken whatever speaks against it.
    pub despite: Option<String>,
}

/// Where everything lies that is needed for it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Files {
    /// The folder of the logs.
    pub logs: PathBuf,
    /// The list of lots; `None`: lots are taken as they are named.
    pub lots: Option<PathBuf>,
    /// The folders of rows that could not be written.
    pub kept: Vec<PathBuf>,
}

impl LateLot {
    /// Writes it into the batch's log, where the list of lots and the logs allow it. Blocks.
    ///
    /// # Errors
    /// For a person; nothing is written then.
    pub fn write(&self, files: &Files) -> Result<Said, Refusal> {
        let path = self.log(files)?;
        let batch = name_of(&path);
        if spill::keeps(&files.kept, &batch) {
            return Err(Refusal::new(rows_kept(&batch)));
        }
        let record = record::read_strictly(&path)?;
        let row = self.weighed(&record)?;
        if row.lot == self.lot {
            return Ok(Said::new(self.already(row, &batch)));
        }
        let (note, say) = self.judged(&batch, &record, row, files)?;
        let (mut log, found) = LogFile::open(&path).map_err(|error| match error {
            LogError::Locked { .. } => Refusal::new(phrase!(
                "the log of batch {batch} is being written just now; name the lot again when that is done",
                batch = &batch,
            )),
            error => error.into(),
        })?;
        // It may have got rows meanwhile.
        let row = self.weighed(&found.record)?;
        if row.lot == self.lot {
            return Ok(Said::new(self.already(row, &batch)));
        }
        let draft = row.draft();
        let correction = Draft {
            lot: self.lot.clone(),
            note: of_another_lot(row.seq, &row.ingredient, &self.lot, &draft.note),
            ..draft
        };
        let note = note.map(|note| Draft::new(RowKind::Note, note));
        let rows: Vec<Draft> = note.into_iter().chain([correction]).collect();
        append(&mut log, &rows, Timestamp::now())?;
        let said = phrase!(
            "Lot {lot} for step {number}, {name}, of batch {batch}; its record is corrected.",
            lot = &self.lot,
            number = self.step,
            name = &row.ingredient,
            batch = &batch,
        );
        Ok(Said::new(match say {
            Some(more) => said.and(more),
            None => said,
        }))
    }

    /// The log of the batch that is named, or of the one that was begun last.
    fn log(&self, files: &Files) -> Result<PathBuf, Refusal> {
        let folder = &files.logs;
        if let Some(batch) = &self.batch {
            return Ok(named::own_batch(batch, folder)?);
        }
        let mut logs = archive(folder).newest()?.into_iter();
        logs.find(|log| is_own(folder, log)).ok_or_else(|| {
            Refusal::new(phrase!(
                "there is no batch in {folder} yet",
                folder = folder.display().to_string(),
            ))
        })
    }

    /// What is recorded of the step.
    fn weighed<'r>(&self, record: &'r Record) -> Result<&'r Row, Refusal> {
        let (number, batch) = (self.step, &record.batch);
        let Some(row) = record.steps.get(&number) else {
            let steps: Vec<String> = record.weighed().map(|row| row.step.to_string()).collect();
            return Err(Refusal::new(match steps.as_slice() {
                [] => phrase!(
                    "nothing is weighed in batch {batch}; name the batch that is meant",
                    batch
                ),
                steps => phrase!(
                    "batch {batch} has no weight of step {number}, but of {steps}",
                    batch,
                    number,
                    steps = steps.join(", "),
                ),
            }));
        };
        let name = &row.ingredient;
        if skipped(row).is_some() {
            return Err(Refusal::new(phrase!(
                "Step {number} ({name}) was left out: nothing of it has a lot.",
                number,
                name,
            )));
        }
        match row.net {
            Some(_) => Ok(row),
            None => Err(Refusal::new(phrase!(
                "Step {number} ({name}) was taken back: nothing of it has a lot.",
                number,
                name,
            ))),
        }
    }

    fn already(&self, row: &Row, batch: &str) -> Sentence {
        phrase!(
            "Step {number} ({name}) of batch {batch} is of lot {lot} already.",
            number = self.step,
            name = &row.ingredient,
            batch,
            lot = &self.lot,
        )
    }

    /// As at the bench, on the day when it was weighed.
    fn judged(
        &self,
        batch: &str,
        record: &Record,
        row: &Row,
        files: &Files,
    ) -> Result<(Option<String>, Option<Sentence>), Refusal> {
        let step = ForStep {
            batch: Some(batch.to_owned()),
            step: self.step,
            ingredient: row.ingredient.clone(),
            needed: row.net.map_or(Mass::ZERO, Grams::mass),
        };
        let stock = files.lots.as_ref().map(|list| {
            let files = StockFiles {
                list: list.clone(),
                logs: files.logs.clone(),
            };
            snapshot(&files, &self.lot, &step)
        });
        let advice = match stock {
            None => Advice::Good(None),
            Some(mut stock) => {
                stock.today = TimeZone::system().to_datetime(row.at).date();
                match &stock.own {
                    Some(Own::Made(made)) if made.opened_at > Some(row.at) => {
                        Advice::Against(phrase!(
                            "batch {lot} was begun after this was weighed",
                            lot = &self.lot
                        ))
                    }
                    Some(_) | None => stock.advise(&self.lot, &step),
                }
            }
        };
        let broken = record.ended.then(|| self.out_of_limits(record, row));
        weigh_up(&self.lot, advice, broken.flatten(), self.despite.as_deref())
    }

    /// What of the batch's limits is crossed with the lot.
    fn out_of_limits(&self, record: &Record, row: &Row) -> Option<String> {
        let held = |other: &'_ Row| {
            let mass = record.delivered(other.step);
            mass.map_or(Mass::ZERO, Grams::mass)
        };
        let held: Vec<Held> = record
            .weighed()
            .map(|other| Held {
                ingredient: &other.ingredient,
                lot: match other.step == row.step {
                    true => &self.lot,
                    false => &other.lot,
                },
                mass: held(other),
            })
            .collect();
        let limits = record.limits.as_deref().unwrap_or_default();
        outside_by_lot(limits, &held, record.total(), (&row.ingredient, &self.lot))
    }
}
