//! The batches of a folder of logs: their sheets, and what they tell together.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use jiff::civil::Date;

use super::elsewhere::elsewhere;
use crate::chart::history::{Gathered, Names, bare, counts, gathered_of};
use crate::config::paths::Places;
use crate::formula::Formula;
use crate::journal::batch::summary::Summary;
use crate::journal::error::LogError;
use crate::journal::format::fault::BadLine;
use crate::journal::read::archive::{Archive, Progress};
use crate::journal::read::folder::all_threads;
use crate::journal::read::scan::scan_to_hold;
use crate::language::{Sentence, phrase};
use crate::lots::elsewhere::Elsewhere;
use crate::lots::shelf::Shelf;
use crate::lots::stock::Made;
use crate::lots::stocktake::Stocktake;
use crate::lots::trace::Use;
use crate::lots::{Lot, uses_of};
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

/// As [`stocktake`], with the uses of the lot `name` of `ingredient` as they are.
///
/// # Errors
/// As [`stocktake`].
pub fn stocktake_of(
    logs: &Path,
    threads: usize,
    (name, ingredient): (&str, &str),
) -> Result<(Stocktake, Vec<Use>, Vec<BadLine>), LogError> {
    let lot = Lot {
        name: name.to_owned(),
        ingredient: ingredient.to_owned(),
        ..Lot::default()
    };
    let (mut stock, mut uses) = (Stocktake::default(), Vec::new());
    let add = &mut |nth, batch: &Summary| {
        stock.add(nth, batch);
        if (batch.weighed()).any(|step| lot.is(&step.lot, &step.ingredient)) {
            uses.push((nth, uses_of(batch).collect::<Vec<_>>()));
        }
    };
    let faults = archive(logs).add_up(threads, &Progress::default(), add)?;
    uses.sort_by_key(|(nth, _)| *nth);
    let elsewhere = elsewhere(logs);
    add_elsewhere(&mut stock, &elsewhere);
    let mut uses: Vec<Use> = uses.into_iter().flat_map(|(_, of)| of).collect();
    uses.extend(elsewhere.batches().iter().flat_map(uses_of));
    uses.retain(|used| lot.is(&used.lot, &used.ingredient));
    Ok((stock, uses, faults))
}

/// What is on hand of the list `file` with its `lots` for a batch of `formula` on the day `on`, by all logs of the folder,
/// and what is damaged of these. At most `threads` read at a time.
///
/// # Errors
/// As [`stocktake`].
pub fn shelf(
    logs: &Path,
    threads: usize,
    (file, lots): (&Path, Vec<Lot>),
    (formula, on): (&Formula, Date),
) -> Result<(Shelf, Vec<BadLine>), LogError> {
    let mut stock = Stocktake::default();
    let add = &mut |nth, batch: &Summary| stock.add(nth, batch);
    let (look, faults) = archive(logs).look_at_all(threads, &Progress::default(), add)?;
    add_elsewhere(&mut stock, &elsewhere(logs));
    let premixes = formula
        .ingredients()
        .filter_map(|one| one.premix.as_deref());
    let (numbers, made): (Vec<usize>, Vec<Made>) = stock
        .sources(&premixes.collect::<Vec<_>>())
        .into_iter()
        .unzip();
    let mut parts = Vec::new();
    let take = &mut |_, batch: &Summary, _| parts.extend(uses_of(batch));
    look.again(numbers.into_iter(), take);
    let list = (file.display().to_string(), lots);
    let shelf = Shelf::new(list, stock.uses(), (made, parts), on);
    Ok((shelf, faults))
}

/// The names of which some log of the folder tells a weighing, of ingredients and of formulas. A torn end takes nothing
/// from the rows before it; any other fault does.
///
/// # Errors
/// When the folder cannot be read.
pub fn told_of(folder: &Path) -> Result<BTreeSet<String>, LogError> {
    let (mut seen, mut told) = (Names::default(), BTreeSet::new());
    archive(folder).look(all_threads(), &Progress::default(), &mut |_, batch, _| {
        if batch.damage().is_some() {
            return;
        }
        let counted = batch.steps.iter().filter(|step| counts(step));
        let mut names = counted.map(|step| step.ingredient.as_str()).peekable();
        let formula = names.peek().map(|_| bare(&batch.label));
        for name in names.chain(formula) {
            if seen.held(name).1 {
                told.insert(name.to_owned());
            }
        }
    })?;
    Ok(told)
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

/// The weighings that the logs of the folder tell of an ingredient or a formula `name`. A torn end takes nothing from
/// the rows before it; any other fault does.
///
/// # Errors
/// When the folder cannot be read.
pub fn gather_of(folder: &Path, name: &str) -> Result<Told, LogError> {
    let (mut seen, mut names) = (Names::default(), Names::default());
    let mut alike = BTreeMap::new();
    let mut own = None;
    let (mut batches, mut bad) = (Vec::new(), Vec::new());
    let take = &mut |nth, batch: &Summary, _| {
        if let Some(fault) = batch.damage() {
            bad.push((nth, LogError::Bad(fault.clone())));
            return;
        }
        let ingredients = batch.steps.iter().map(|step| step.ingredient.as_str());
        for one in ingredients.chain([bare(&batch.label)]) {
            if !seen.held(one).1 {
                continue;
            }
            if same_name(one, name) {
                own.get_or_insert_with(|| batch.batch.clone());
            } else if looks_like(one, name) {
                alike.insert(one.to_owned(), batch.batch.clone());
            }
        }
        let found = gathered_of(batch, name, &mut names);
        if !found.weighings.is_empty() {
            batches.push((nth, found));
        }
    };
    let look = archive(folder).look(all_threads(), &Progress::default(), take)?;
    bad.extend(look.unread);
    bad.sort_by_key(|(nth, _)| *nth);
    // Those of one moment stay in the order of their logs.
    batches.sort_by_key(|(nth, batch)| (batch.opened, *nth));
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
        batches: batches.into_iter().map(|(_, batch)| batch).collect(),
        bad: bad.into_iter().map(|(_, error)| error).collect(),
        alike: alike.collect(),
    })
}
