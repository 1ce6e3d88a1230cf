//! The lots of the store: what was bought, from whom, how long it is good, how much is left.
//!
//! What is left is never stored: it is the amount less what the batch logs say was weighed. No line of the list is
//! rewritten: a correction stands below what it corrects.

pub mod advice;
pub mod elsewhere;
pub mod jars;
pub mod kin;
mod parse;
pub mod price;
pub mod shelf;
pub mod stock;
pub mod stocktake;
pub mod trace;

use std::borrow::Cow;
use std::collections::HashMap;

use jiff::civil::Date;

use crate::formula::Place;
use crate::journal::batch::summary::{Step, Summary};
use crate::journal::format::cell::Grams;
use crate::language::{Sentence, Slot, phrase, shown_as_told};
use crate::mass::Mass;
use crate::problem::Problem;
use crate::text::alike::{LookAlikes, folded, same_lot, same_name};
use price::Price;
use trace::Use;

/// One lot of an ingredient.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Lot {
    pub name: String,
    pub ingredient: String,
    pub supplier: Option<String>,
    pub opened: Option<Date>,
    /// The last day on which it is good.
    pub best_before: Option<Date>,
    /// What was there when it was opened.
    pub amount: Option<Mass>,
    /// What a kilogram of it cost, in the one currency of the whole list.
    pub price_per_kg: Option<Price>,
    /// Where it begins in its file.
    pub place: Place,
    /// The corrections of it, in their order.
    pub corrected: Vec<Corrected>,
}

/// When and why a lot was corrected.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Corrected {
    pub on: Date,
    pub reason: String,
}

/// Why a lot is not to be used without a reason given.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Refusal {
    /// The lot is of another ingredient.
    OtherIngredient {
        lot: String,
        of: String,
    },
    Expired {
        lot: String,
        best_before: Date,
    },
    Empty {
        lot: String,
    },
    /// It is a batch of our own that is not complete, and how far it is.
    Unfinished {
        lot: String,
        standing: Sentence,
    },
    TooLittle {
        lot: String,
        left: Mass,
        needed: Mass,
    },
}

impl Refusal {
    pub fn told(&self) -> Sentence {
        let step = Mass::from_mg(10);
        match self {
            Refusal::OtherIngredient { lot, of } => phrase!("lot {lot} is of {of}", lot, of),
            Refusal::Expired { lot, best_before } => phrase!(
                "lot {lot} was best before {day}",
                lot,
                day = Slot::day(best_before),
            ),
            Refusal::Empty { lot } => phrase!("lot {lot} is empty by the logs", lot),
            Refusal::Unfinished { lot, standing } => phrase!(
                "lot {lot} is a batch that is not finished ({standing})",
                lot,
                standing = standing.clone(),
            ),
            Refusal::TooLittle { lot, left, needed } => phrase!(
                "lot {lot} has {left} g left by the logs, {needed} g are needed",
                lot,
                left = left.grams(step),
                needed = needed.grams(step),
            ),
        }
    }
}

shown_as_told!(Refusal);

impl Lot {
    /// Whether it is the lot `name` of `ingredient`.
    pub fn is(&self, name: &str, ingredient: &str) -> bool {
        same_lot(&self.name, name) && same_name(&self.ingredient, ingredient)
    }

    /// What may be corrected of it, by the keys of the file; `None` where it is not told.
    pub fn told(&self) -> [(&'static str, Option<String>); 5] {
        let grams = |mass: Mass| format!("{} g", mass.grams(Mass::from_g(1)));
        [
            ("supplier", self.supplier.clone()),
            ("opened", self.opened.map(|day| day.to_string())),
            ("best_before", self.best_before.map(|day| day.to_string())),
            ("amount", self.amount.map(grams)),
            ("price_per_kg", self.price_per_kg.map(|one| one.to_string())),
        ]
    }

    /// The lines that make `is` of this lot, or take it out where that is none, to stand below it in the list; `None`
    /// where nothing differs.
    pub fn correction(&self, is: Option<&Lot>, on: Date, reason: &str) -> Option<String> {
        parse::correction(self, is, on, reason)
    }

    /// The lots of the list `file` that can be taken for an earlier one, or whose ingredient can be taken
    /// for another one: each is told once, with both places.
    pub fn alike(lots: &[Lot], file: &str) -> Vec<Problem> {
        let mut found = Vec::new();
        let mut lots_of: HashMap<Cow<'_, str>, LookAlikes<'_, &Lot>> = HashMap::new();
        let mut ingredients = LookAlikes::default();
        for lot in lots {
            let told = |other: &Lot,
                        message: fn(&str, &str, usize) -> Sentence,
                        name: &str,
                        earlier: &str| Problem {
                path: file.to_owned(),
                line: lot.place.line,
                column: lot.place.column,
                message: message(name, earlier, other.place.line),
                remedy: phrase!("If they are one, write both alike; else tell them apart by name")
                    .to_owned(),
            };
            let ingredient = folded(&lot.ingredient);
            // A name that was told once is known.
            let first = !lots_of.contains_key(&ingredient);
            let of_it = lots_of.entry(ingredient).or_default();
            if let Some(other) = of_it.add(&lot.name, lot) {
                found.push(told(other, like_a_lot, &lot.name, &other.name));
            }
            if let Some(other) = ingredients.add(&lot.ingredient, lot).filter(|_| first) {
                found.push(told(
                    other,
                    like_an_ingredient,
                    &lot.ingredient,
                    &other.ingredient,
                ));
            }
        }
        found
    }

    /// The amount less all that `uses` took from this lot for its ingredient; negative when more was
    /// taken than there was. `None` when the amount is not known.
    pub fn left<'u>(&self, uses: impl IntoIterator<Item = &'u Use>) -> Option<Mass> {
        let mine = |used: &&Use| self.is(&used.lot, &used.ingredient);
        let taken: Mass = uses.into_iter().filter(mine).map(|used| used.net).sum();
        Some(self.amount? - taken)
    }

    /// Whether `needed` of `ingredient` may be taken from this lot on the day `today`, `left` being
    /// what [`Lot::left`] gave. The day of `best_before` is still good (common practice, no
    /// source).
    ///
    /// # Errors
    /// The first reason against it, the gravest first.
    pub fn allows(
        &self,
        ingredient: &str,
        needed: Mass,
        left: Option<Mass>,
        today: Date,
    ) -> Result<(), Refusal> {
        let lot = self.name.clone();
        if !same_name(&self.ingredient, ingredient) {
            let of = self.ingredient.clone();
            return Err(Refusal::OtherIngredient { lot, of });
        }
        if let Some(best_before) = self.best_before.filter(|day| *day < today) {
            return Err(Refusal::Expired { lot, best_before });
        }
        match left {
            Some(left) if left <= Mass::ZERO => Err(Refusal::Empty { lot }),
            Some(left) if left < needed => Err(Refusal::TooLittle { lot, left, needed }),
            Some(_) | None => Ok(()),
        }
    }
}

fn like_a_lot(name: &str, earlier: &str, line: usize) -> Sentence {
    phrase!(
        "the lot \"{name}\" looks like \"{earlier}\" in line {line} and is another one: they are counted apart",
        name,
        earlier,
        line,
    )
}

fn like_an_ingredient(name: &str, earlier: &str, line: usize) -> Sentence {
    phrase!(
        "the ingredient \"{name}\" looks like \"{earlier}\" in line {line} and is another one: they are counted apart",
        name,
        earlier,
        line,
    )
}

/// What a batch took from lots: one use a step that has a lot and a weight. What stayed in a vessel
/// was taken from the lot all the same; of what was left out nothing was.
pub fn uses_of(batch: &Summary) -> impl Iterator<Item = Use> + '_ {
    named_steps(batch).map(|step| Use {
        batch: batch.batch.clone(),
        step: step.number,
        ingredient: step.ingredient.clone(),
        lot: step.lot.clone(),
        net: step.net.mass(),
        residue: step.residue.map_or(Mass::ZERO, Grams::mass),
    })
}

/// The steps of a batch that have a lot and a weight.
fn named_steps(batch: &Summary) -> impl Iterator<Item = &Step> {
    batch.weighed().filter(|step| !step.lot.is_empty())
}
