//! The batches of a folder of logs: their sheets, and what they tell together.

use std::collections::{BTreeMap, HashSet};
use std::path::Path;

use super::elsewhere::elsewhere;
use crate::chart::history::{Gathered, bare, gathered, gathered_of};
use crate::config::paths::Places;
use crate::journal::batch::summary::Summary;
use crate::journal::error::LogError;
use crate::journal::format::fault::BadLine;
use crate::journal::read::archive::{Archive, Progress};
use crate::journal::read::folder::all_threads;
use crate::journal::read::scan::scan_to_hold;
use crate::language::{Sentence, phrase};
use crate::lots::elsewhere::Elsewhere;
use crate::lots::stocktake::Stocktake;
use crate::sheet::SheetRecord;
use crate::text::alike::{looks_like, same_name};

/// What the sheet of a log is made of.
///
/// # Errors
/// When the log is not as it was written, cannot be read, or is larger than a batch's
/// ([`crate::journal::read::scan::LARGEST_LOG`]).
pub fn sheet_record(path: &Path) -> Result<SheetRecord, LogError> {
    let mut scan = scan_to_hold(path)?.digesting();
    let mut rows = Vec::new();
    while let Some(row) = scan.next_row()? {
        rows.push(row);
    }
    let record = SheetRecord::new(rows, scan.torn());
    Ok(SheetRecord {
        digest: scan.digest(),
        ..record
    })
}

/// The logs of a folder, with their index where the user's caches are.
pub fn archive(logs: &Path) -> Archive {
    Archive::new(logs, Places::from_env().cache_dir())
}

/// Adds what other benches took.
pub fn add_elsewhere(stock: &mut Stocktake, elsewhere: &Elsewhere) {
    for batch in elsewhere.batches() {
        // It is none of those that were made here, whose numbers tell their order.
        stock.add(0, &batch);
    }
}

/// What all batches of the folder tell of the lots with what other benches took, that alone, and what is damaged of the
/// logs. At most `threads` read at a time.
///
/// # Errors
/// When the folder or a log cannot be read.
pub fn stocktake(
    logs: &Path,
    threads: usize,
) -> Result<(Stocktake, Elsewhere, Vec<BadLine>), LogError> {
    let mut stock = Stocktake::default();
    let add = &mut |nth, batch: &Summary| stock.add(nth, batch);
    let faults = archive(logs).add_up(threads, &Progress::default(), add)?;
    let elsewhere = elsewhere(logs);
    add_elsewhere(&mut stock, &elsewhere);
    Ok((stock, elsewhere, faults))
}

/// The weighings of every log of the folder in order of time, and the logs that do not read. A torn end
/// takes nothing from the rows before it; any other fault does.
///
/// # Errors
/// When the folder cannot be read.
pub fn gather(folder: &Path) -> Result<(Vec<Gathered>, Vec<LogError>), LogError> {
    gather_by(folder, gathered)
}

/// What the logs of a folder tell of one name.
#[derive(Debug)]
pub struct Told {
    /// In order of time.
    pub batches: Vec<Gathered>,
    /// The logs that do not read.
    pub bad: Vec<LogError>,
    /// Other names there that can be taken for it by eye, sentences.
    pub alike: Vec<Sentence>,
}

/// As [`gather`], of those alone that tell of an ingredient or a formula `name`.
///
/// # Errors
/// As [`gather`].
pub fn gather_of(folder: &Path, name: &str) -> Result<Told, LogError> {
    let mut seen = HashSet::new();
    let mut alike = BTreeMap::new();
    let mut own = None;
    let (batches, bad) = gather_by(folder, |batch| {
        let ingredients = batch.steps.iter().map(|step| step.ingredient.as_str());
        for one in ingredients.chain([bare(&batch.label)]) {
            if seen.contains(one) {
                continue;
            }
            seen.insert(one.to_owned());
            if same_name(one, name) {
                own.get_or_insert_with(|| batch.batch.clone());
            } else if looks_like(one, name) {
                alike.insert(one.to_owned(), batch.batch.clone());
            }
        }
        gathered_of(batch, name)
    })?;
    let own = own.unwrap_or_default();
    let alike = alike.into_iter().map(|(other, batch)| {
        phrase!(
            "\"{other}\" in {place} looks like \"{name}\" in {own} and is another: each is counted by itself",
            other,
            place = batch,
            name,
            own = &own,
        )
    });
    Ok(Told {
        batches,
        bad,
        alike: alike.collect(),
    })
}

fn gather_by(
    folder: &Path,
    mut gathered: impl FnMut(&Summary) -> Gathered,
) -> Result<(Vec<Gathered>, Vec<LogError>), LogError> {
    let (mut batches, mut bad) = (Vec::new(), Vec::new());
    let take = &mut |nth, batch: &Summary, _| match &batch.fault {
        Some(fault) if !fault.is_torn() => bad.push((nth, LogError::Bad(fault.clone()))),
        Some(_) | None => batches.push((nth, gathered(batch))),
    };
    let look = archive(folder).look(all_threads(), &Progress::default(), take)?;
    bad.extend(look.unread);
    bad.sort_by_key(|(nth, _)| *nth);
    // Those of one moment stay in the order of their logs.
    batches.sort_by_key(|(nth, batch)| (batch.opened, *nth));
    let batches = batches.into_iter().map(|(_, batch)| batch).collect();
    Ok((batches, bad.into_iter().map(|(_, error)| error).collect()))
}
