//! The standing of a batch: the one answer for the sheet, the lists, the chart, the lots, the jars and the label.

use super::agree::numbers::NOT_PROVABLE;
use super::record::Record;
use crate::formula::Formula;
use crate::formula::amend::Amendment;
use crate::journal::format::cell::clean;
use crate::journal::format::row::Row;
use crate::language::{Sentence, phrase, shown_as_told, term};
use crate::mass::Mass;
use crate::vocabulary::entry::{skip_reason, words_of};

/// How far the weighing of a batch is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Standing {
    /// Not closed.
    Open,
    /// Closed, and something of its formula is not in it: what, where the log tells it.
    Incomplete(Vec<Lacking>),
    /// Closed with a weight of everything.
    Complete,
}

/// A weighing that a batch lacks.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Lacking {
    /// Its number in the formula, from 1.
    pub number: usize,
    pub ingredient: String,
    /// Why it was left out, where a person said so; `None`: it was not weighed.
    pub skipped: Option<String>,
}

impl Standing {
    /// What is to be said where a weight matters; `None` of a complete batch.
    pub fn warning(&self) -> Option<Sentence> {
        match self {
            Standing::Complete => None,
            Standing::Open | Standing::Incomplete(_) => Some(self.told()),
        }
    }

    /// The middle of a sentence.
    pub fn told(&self) -> Sentence {
        match self {
            Standing::Open => term!("open").into(),
            Standing::Complete => term!("complete").into(),
            Standing::Incomplete(lacking) => incomplete(lacking.iter().map(Lacking::told)),
        }
    }
}

shown_as_told!(Standing);

fn incomplete(lacking: impl Iterator<Item = Sentence>) -> Sentence {
    match lacking.reduce(|all, one| phrase!("{all}, {one}", all, one)) {
        None => term!("ended early").into(),
        Some(lacking) => phrase!("incomplete: {lacking}", lacking),
    }
}

impl Lacking {
    /// The ingredient, and how it comes that it is lacking.
    pub fn told(&self) -> Sentence {
        let name = &self.ingredient;
        match self.skipped {
            Some(_) => phrase!("{name} skipped", name),
            None => phrase!("{name} not weighed", name),
        }
    }
}

/// What [`Standing::told`] said in English of an incomplete batch, as a summary keeps it.
pub fn told_of(kept: &str) -> Sentence {
    let Some(names) = kept.strip_prefix("incomplete: ") else {
        return incomplete(std::iter::empty());
    };
    // A name may have a comma of its own.
    let mut lacking = Vec::new();
    let mut name = String::new();
    for part in names.split(", ") {
        if !name.is_empty() {
            name.push_str(", ");
        }
        name.push_str(part);
        if let Some(name) = name.strip_suffix(" skipped") {
            lacking.push(phrase!("{name} skipped", name));
        } else if let Some(name) = name.strip_suffix(" not weighed") {
            lacking.push(phrase!("{name} not weighed", name));
        } else {
            continue;
        }
        name.clear();
    }
    incomplete(lacking.into_iter())
}

/// Why a weighing was left out, where the row says so.
pub fn skipped(row: &Row) -> Option<&str> {
    let nothing = row.net.is_some_and(|net| net.mass() == Mass::ZERO);
    skip_reason(&row.note).filter(|_| nothing)
}

/// A weight without a verdict.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Unproven<'r> {
    /// Why, as its row says it; empty where that says nothing.
    pub why: &'r str,
    /// Whether only its scale is too coarse for the tolerance: weighed again it would be no surer, and it is known as
    /// well as any other.
    pub too_coarse: bool,
}

impl Unproven<'_> {
    /// Whether the weight of a row may be off, and not only too little for its scale.
    pub fn may_be_off(row: &Row) -> bool {
        Unproven::of(row).is_some_and(|found| !found.too_coarse)
    }

    /// Of the row of a weight that holds; `None` where it has a verdict, is none, or was not weighed at a bench.
    pub fn of(row: &Row) -> Option<Unproven<'_>> {
        if row.verdict.is_some() || row.net.is_none() || skipped(row).is_some() {
            return None;
        }
        let (_, why) = words_of(&row.note, &row.ingredient, &row.lot);
        // A row that no bench wrote has no verdict either.
        if why.is_empty() && row.readings.is_none() {
            return None;
        }
        Some(Unproven {
            why,
            too_coarse: why == NOT_PROVABLE,
        })
    }
}

impl Record {
    /// How far it is. What the rows hold counts, not what the closing row calls it: a batch may be stopped
    /// after its last weight, and a step left out in one that came to its end.
    pub fn standing(&self) -> Standing {
        self.standing_by(self.read_formula().and_then(Result::ok).as_ref())
    }

    /// As [`Record::standing`]; `formula` is what [`Record::read_formula`] reads.
    pub(super) fn standing_by(&self, formula: Option<&Formula>) -> Standing {
        if self.closed.is_none() {
            return Standing::Open;
        }
        let lacking = match formula {
            Some(formula) => self.lacking(formula),
            // The closing row is all there is to go by.
            None if !self.is_stopped() => self.left_out(),
            None => return Standing::Incomplete(Vec::new()),
        };
        match lacking.is_empty() {
            true => Standing::Complete,
            false => Standing::Incomplete(lacking),
        }
    }

    /// Whether a person closed it before it came to its end: a mixing may be open, though all is weighed.
    pub fn is_stopped(&self) -> bool {
        let closed = self.closed.as_ref();
        closed.is_some_and(|closed| !closed.note.starts_with("complete"))
    }

    /// Whether it is closed with a weight of everything.
    pub fn is_complete(&self) -> bool {
        self.standing() == Standing::Complete
    }

    /// What of `formula`, that of the batch, and of its remedies has no weight, in the formula's order.
    /// One ingredient may be weighed in several steps, so it goes by names.
    pub fn lacking(&self, formula: &Formula) -> Vec<Lacking> {
        let names: Vec<&str> = formula.ingredients().map(|i| i.name.as_str()).collect();
        let added = self.added(&names);
        let mut lacking = Vec::new();
        for (at, name) in names.iter().enumerate() {
            // All entries of the ingredient at its first one.
            if names.iter().position(|other| other == name) != Some(at) {
                continue;
            }
            let entries = (1..).zip(&names).filter(|(_, other)| *other == name);
            let mut numbers: Vec<usize> = entries.map(|(number, _)| number).collect();
            let seqs: Vec<u64> = added.iter().filter(|a| a.0 == *name).map(|a| a.1).collect();
            // A remedy's are told with the last entry.
            numbers.resize(
                numbers.len() + seqs.len(),
                numbers.last().copied().unwrap_or(0),
            );
            let cleaned = clean(name);
            let weighed = self
                .weighed()
                .filter(|row| row.ingredient == cleaned)
                .count();
            let mut reasons = Vec::new();
            let mut made_good = 0;
            for row in self.steps.values().filter(|row| row.ingredient == cleaned) {
                let Some(reason) = skipped(row) else { continue };
                // A remedy is worked out of what is in the batch: what it adds makes the skip good.
                match seqs.iter().any(|seq| *seq > row.seq) {
                    true => made_good += 1,
                    false => reasons.push(reason.to_owned()),
                }
            }
            let mut reasons = reasons.into_iter();
            let missing = numbers.into_iter().skip(weighed + made_good);
            lacking.extend(missing.map(|number| Lacking {
                number,
                ingredient: (*name).to_owned(),
                skipped: reasons.next(),
            }));
        }
        lacking.sort_by_key(|one| one.number);
        lacking
    }

    /// The names of what remedies added, each with the seq of the row that says so.
    fn added<'n>(&self, names: &[&'n str]) -> Vec<(&'n str, u64)> {
        let mut added = Vec::new();
        for row in &self.remedies {
            let Some(Ok((change, _))) = Amendment::of_note(&row.note) else {
                continue;
            };
            let parts = change.add.iter().filter_map(|add| names.get(add.part));
            added.extend(parts.map(|name| (*name, row.seq)));
        }
        added
    }

    /// The steps that were left out, where there is no formula to go by.
    fn left_out(&self) -> Vec<Lacking> {
        let left_out = self.steps.values().filter_map(|row| {
            Some(Lacking {
                number: row.step,
                ingredient: row.ingredient.clone(),
                skipped: Some(skipped(row)?.to_owned()),
            })
        });
        left_out.collect()
    }
}
