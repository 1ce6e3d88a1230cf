//! The stock of an ingredient: the lots of the list, or the batches of a premix; what a batch would
//! take from them, and what that costs.

use std::collections::HashMap;

use jiff::Timestamp;
use jiff::civil::Date;

use super::price::{Cost, Price};
use super::trace::{ByLot, Use};
use super::{Lot, Refusal};
use crate::journal::batch::summary::Summary;
use crate::mass::Mass;
use crate::text::alike::{same_lot, same_name};

/// A batch of our own that can be an ingredient of others.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Made {
    pub batch: String,
    /// The name of its formula.
    pub formula: String,
    /// All that came into it and not into jars.
    pub mass: Mass,
    pub opened_at: Option<Timestamp>,
}

impl Made {
    /// The batch, when it is complete and the log is as it was written; anything else is not
    /// counted on.
    pub fn of(batch: &Summary) -> Option<Made> {
        let formula = batch.formula.as_ref()?;
        let good = batch.complete && batch.fault.is_none();
        good.then(|| Made {
            batch: batch.batch.clone(),
            formula: formula.clone(),
            // What went into jars is for sale, and no ingredient any more.
            mass: batch.total - batch.jarred,
            opened_at: batch.opened_at,
        })
    }

    /// What is left: what was made less what other batches took from it, under whatever name.
    pub fn left<'u>(&self, uses: impl IntoIterator<Item = &'u Use>) -> Mass {
        let mine = uses
            .into_iter()
            .filter(|used| same_lot(&used.lot, &self.batch));
        self.mass - mine.map(|used| used.net).sum::<Mass>()
    }
}

/// A price that may lack the part of ingredients without one.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Known {
    pub per_kg: Price,
    /// Whether nothing is missing in it; else it is a lower bound.
    pub whole: bool,
}

/// Premixes in premixes are looked into so deep.
const DEEPEST: usize = 8;

/// What a kilogram of a premix cost: the prices of the lots it was made of by what was weighed, through
/// premixes in it.
#[derive(Debug)]
pub struct Prices<'a> {
    lots: &'a [Lot],
    by_batch: HashMap<&'a str, Vec<&'a Use>>,
    made: HashMap<&'a str, Mass>,
}

impl<'a> Prices<'a> {
    pub fn new(lots: &'a [Lot], uses: &'a [Use], made: &'a [Made]) -> Prices<'a> {
        let mut by_batch: HashMap<&str, Vec<&Use>> = HashMap::new();
        for used in uses {
            by_batch.entry(&used.batch).or_default().push(used);
        }
        let made = made.iter().map(|made| (made.batch.as_str(), made.mass));
        Prices {
            lots,
            by_batch,
            made: made.collect(),
        }
    }

    /// The price of a batch; `None` when no part of it has one.
    pub fn of_batch(&self, batch: &str) -> Option<Known> {
        self.within(batch, &mut Vec::new())
    }

    /// `open` holds the batches that are being looked into: one that is a lot of itself has no price.
    fn within<'b>(&'b self, batch: &'b str, open: &mut Vec<&'b str>) -> Option<Known> {
        let mass = *self.made.get(batch)?;
        if open.contains(&batch) || open.len() >= DEEPEST {
            return None;
        }
        open.push(batch);
        let (mut cost, mut any, mut priced) = (Cost::ZERO, false, Mass::ZERO);
        let mut whole = true;
        for used in self.by_batch.get(batch).into_iter().flatten() {
            let named = |l: &&Lot| l.is(&used.lot, &used.ingredient);
            let listed = self.lots.iter().find(named).and_then(|l| l.price_per_kg);
            let known = match listed {
                Some(per_kg) => Some(Known {
                    per_kg,
                    whole: true,
                }),
                None => self.within(&used.lot, open),
            };
            let Some(known) = known else { continue };
            cost = cost.plus(known.per_kg.for_mass(used.net));
            any = true;
            whole &= known.whole;
            priced += used.net;
        }
        open.pop();
        // What is in it without a lot, or from one without a price, has no part in the sum.
        whole &= priced >= mass;
        let per_kg = cost.per_kg(mass).filter(|_| any)?;
        Some(Known { per_kg, whole })
    }
}

/// One lot or batch that an ingredient can be taken from.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Source {
    pub name: String,
    pub best_before: Option<Date>,
    /// `None`: not known.
    pub left: Option<Mass>,
    pub price: Option<Known>,
}

/// All that is on hand of one ingredient, in the order in which it is used up.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Inventory {
    pub sources: Vec<Source>,
    /// What is not counted, and why.
    pub refused: Vec<Refusal>,
}

impl Inventory {
    /// The lots of `ingredient` that may be used on the day `today`: what is best before soonest
    /// first, what has no such day last, else as the list has them.
    pub fn of_lots(ingredient: &str, lots: &[Lot], uses: &ByLot<'_>, today: Date) -> Inventory {
        let mine = lots
            .iter()
            .filter(|lot| same_name(&lot.ingredient, ingredient));
        let found = mine.map(|lot| {
            let left = lot.left(uses.of(&lot.name));
            lot.allows(ingredient, Mass::ZERO, left, today)?;
            let whole = |per_kg| Known {
                per_kg,
                whole: true,
            };
            Ok(Source {
                name: lot.name.clone(),
                best_before: lot.best_before,
                left,
                price: lot.price_per_kg.map(whole),
            })
        });
        Inventory::sorted(found)
    }

    /// The batches of the premix `formula`, oldest first, and lots of the list that are no batch of it, which the
    /// bench takes as well. A lot of the list with a batch's name and the ingredient adds what the log does not know: a
    /// last day, a price, another amount.
    pub fn of_premix(
        ingredient: &str,
        formula: &str,
        made: &[Made],
        (lots, uses, prices): (&[Lot], &ByLot<'_>, &Prices<'_>),
        today: Date,
    ) -> Inventory {
        let mut mine: Vec<&Made> = made
            .iter()
            .filter(|m| same_name(&m.formula, formula))
            .collect();
        mine.sort_by_key(|made| made.opened_at);
        let found = mine.iter().map(|made| {
            let named = |lot: &&Lot| lot.is(&made.batch, ingredient);
            let mut lot = lots.iter().find(named).cloned().unwrap_or_else(|| Lot {
                name: made.batch.clone(),
                ingredient: ingredient.to_owned(),
                ..Lot::default()
            });
            // Under another name it is still the same batch.
            let taken = made.mass - made.left(uses.of(&made.batch));
            let left = lot.amount.unwrap_or(made.mass) - taken;
            lot.allows(ingredient, Mass::ZERO, Some(left), today)?;
            let listed = lot.price_per_kg.take().map(|per_kg| Known {
                per_kg,
                whole: true,
            });
            Ok(Source {
                best_before: lot.best_before,
                left: Some(left),
                price: listed.or_else(|| prices.of_batch(&made.batch)),
                name: lot.name,
            })
        });
        let made = Inventory::sorted(found);
        let others: Vec<Lot> = (lots.iter())
            .filter(|lot| !mine.iter().any(|made| lot.is(&made.batch, ingredient)))
            .cloned()
            .collect();
        let bought = Inventory::of_lots(ingredient, &others, uses, today);
        Inventory::sorted(
            (made.sources.into_iter().chain(bought.sources).map(Ok))
                .chain(made.refused.into_iter().chain(bought.refused).map(Err)),
        )
    }

    fn sorted(found: impl Iterator<Item = Result<Source, Refusal>>) -> Inventory {
        let mut stock = Inventory::default();
        for one in found {
            match one {
                Ok(source) => stock.sources.push(source),
                Err(why) => stock.refused.push(why),
            }
        }
        // Stable; a day before no day.
        let last = |source: &Source| (source.best_before.is_none(), source.best_before);
        stock.sources.sort_by_key(last);
        stock
    }

    /// Takes `needed` from the sources in their order; what is taken is gone for the next step.
    pub fn take(&mut self, needed: Mass) -> Supply {
        let alone = |source: &&Source| source.left.is_none_or(|left| left >= needed);
        let mut supply = Supply {
            alone: self.sources.iter().find(alone).map(|s| s.name.clone()),
            short: needed.max(Mass::ZERO),
            ..Supply::default()
        };
        for source in &mut self.sources {
            if supply.short <= Mass::ZERO {
                break;
            }
            let had = source.left;
            let mass = had.map_or(supply.short, |left| left.min(supply.short));
            if mass <= Mass::ZERO {
                continue;
            }
            supply.short -= mass;
            supply.unsure |= had.is_none();
            source.left = had.map(|left| left - mass);
            supply.takes.push(Take {
                lot: source.name.clone(),
                best_before: source.best_before,
                left: had,
                mass,
                price: source.price,
            });
        }
        supply
    }
}

/// What one step takes from one lot.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Take {
    pub lot: String,
    pub best_before: Option<Date>,
    /// Before it was taken; `None`: not known.
    pub left: Option<Mass>,
    pub mass: Mass,
    pub price: Option<Known>,
}

impl Take {
    pub fn cost(&self) -> Option<Cost> {
        Some(self.price?.per_kg.for_mass(self.mass))
    }
}

/// What one step takes, and what is missing.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Supply {
    pub takes: Vec<Take>,
    /// What is not on hand.
    pub short: Mass,
    /// Whether a lot of unknown amount was counted on.
    pub unsure: bool,
    /// The first lot that is enough by itself: the record of a step names one lot.
    pub alone: Option<String>,
}

impl Supply {
    /// What the priced part costs, and whether that is all of it.
    pub fn cost(&self) -> (Cost, bool) {
        let mut whole = self.short <= Mass::ZERO;
        let mut sum = Cost::ZERO;
        for take in &self.takes {
            sum = sum.plus(take.cost().unwrap_or(Cost::ZERO));
            whole &= take.price.is_some_and(|price| price.whole);
        }
        (sum, whole)
    }
}
