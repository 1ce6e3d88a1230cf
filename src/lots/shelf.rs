//! All that is on hand for a plan: the lots of the list and the batches that are lots of others.

use std::collections::{BTreeMap, HashMap, HashSet};

use jiff::civil::Date;

use super::elsewhere::Elsewhere;
use super::stock::{Inventory, Made, Prices, Supply};
use super::stocktake::Stocktake;
use super::trace::{ByLot, Use};
use super::{Lot, Refusal};
use crate::formula::{Formula, Ingredient, Plan};
use crate::language::{Sentence, Slot, Term, phrase, term};
use crate::mass::Mass;

/// Everything that could go into a batch.
pub struct Shelf {
    file: String,
    lots: Vec<Lot>,
    /// What was taken of each lot, without the batches.
    uses: Vec<Use>,
    /// The batches that an ingredient can be taken from, and what these are made of.
    made: Vec<Made>,
    parts: Vec<Use>,
    /// The day it is to be made.
    on: Date,
}

/// What one step takes, in the order of the steps.
pub struct StepSupply {
    pub supply: Supply,
    /// What was not counted; told with the ingredient's first step only.
    pub refused: Vec<Sentence>,
    /// Whether the list has a lot of it, or it is a premix: what is missing is then known.
    pub known: bool,
}

impl Shelf {
    /// Of the list `file` with its `lots`, what all batches took by `uses` ([`Stocktake::uses`]), and the batches that an
    /// ingredient can be taken from with what these are made of.
    pub fn new(
        (file, lots): (String, Vec<Lot>),
        uses: Vec<Use>,
        (made, parts): (Vec<Made>, Vec<Use>),
        on: Date,
    ) -> Shelf {
        Shelf {
            file,
            lots,
            uses,
            made,
            parts,
            on,
        }
    }

    /// What each step takes; what an earlier step took is gone for a later one.
    pub fn supplies(&self, formula: &Formula, plan: &Plan) -> Vec<StepSupply> {
        let uses = ByLot::new(&self.uses);
        let prices = Prices::new(&self.lots, &self.parts, &self.made);
        let mut stocks: HashMap<(&str, Option<&str>), Inventory> = HashMap::new();
        let both = formula.ingredients().zip(&plan.steps);
        both.map(|(ingredient, step)| {
            let key = (ingredient.name.as_str(), ingredient.premix.as_deref());
            let mut refused = Vec::new();
            let stock = stocks.entry(key).or_insert_with(|| {
                let stock = self.stock(ingredient, (&self.lots, &uses, &prices));
                refused = stock.refused.iter().map(Refusal::told).collect();
                stock
            });
            let listed = !stock.sources.is_empty() || !stock.refused.is_empty();
            StepSupply {
                known: listed || ingredient.premix.is_some(),
                supply: stock.take(step.target),
                refused,
            }
        })
        .collect()
    }

    /// The list's file.
    pub fn file(&self) -> &str {
        &self.file
    }

    /// The day it is to be made.
    pub fn day(&self) -> Date {
        self.on
    }

    /// Whether the list has no lot.
    pub fn is_empty(&self) -> bool {
        self.lots.is_empty()
    }

    fn stock(
        &self,
        ingredient: &Ingredient,
        known: (&[Lot], &ByLot<'_>, &Prices<'_>),
    ) -> Inventory {
        let name = &ingredient.name;
        match &ingredient.premix {
            Some(premix) => Inventory::of_premix(name, premix, &self.made, known, self.on),
            None => Inventory::of_lots(name, known.0, known.1, self.on),
        }
    }
}

impl StepSupply {
    /// Whether nothing is known to be short.
    pub fn is_enough(&self) -> bool {
        !self.known || self.supply.short <= Mass::ZERO
    }

    /// In a few words, whether there is enough of it.
    pub fn state(&self) -> Sentence {
        let short = self.supply.short;
        match (self.known, short > Mass::ZERO) {
            (false, _) => phrase!("no lot in the list"),
            (true, true) => phrase!("{short} g SHORT", short = short.grams(Mass::from_mg(10))),
            (true, false) if self.supply.unsure => phrase!("on hand, how much is not known"),
            (true, false) => phrase!("enough"),
        }
    }

    /// What to do where the step would take from more than one lot.
    pub fn advice(&self) -> Option<Sentence> {
        if self.supply.takes.len() < 2 {
            return None;
        }
        Some(match &self.supply.alone {
            Some(lot) => phrase!(
                "The record of a step names one lot; {lot} alone is enough.",
                lot
            ),
            None => phrase!(
                "The record of a step names one lot, the last one told; write the others down in a remark."
            ),
        })
    }
}

/// The supplier of a batch that is a lot of others.
pub const MADE_HERE: Term = term!("made here");

/// One lot of the store, or one batch that is a lot of others.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Listed {
    pub lot: Lot,
    /// `None`: not known.
    pub left: Option<Mass>,
    /// Why it is not to be used on that day.
    pub refused: Option<Sentence>,
}

/// Every lot of the list in its order, then the batches that are lots of others and are not in it.
pub fn listed(lots: &[Lot], batches: &Stocktake, today: Date) -> Vec<Listed> {
    let uses = batches.uses();
    let premixes = batches.premixes();
    let uses = ByLot::new(&uses);
    let by_name: HashMap<&str, &Made> = premixes
        .iter()
        .map(|made| (made.batch.as_str(), made))
        .collect();
    let listed: HashSet<&str> = lots.iter().map(|lot| lot.name.as_str()).collect();
    let one = |lot: &Lot, left: Option<Mass>| Listed {
        lot: lot.clone(),
        left,
        refused: lot
            .allows(&lot.ingredient, Mass::ZERO, left, today)
            .err()
            .map(|why| why.told()),
    };
    let bought = lots.iter().map(|lot| {
        let premix = by_name.get(lot.name.as_str());
        let left = lot.left(uses.of(&lot.name));
        one(lot, left.or_else(|| Some(premix?.left(uses.of(&lot.name)))))
    });
    let unlisted = premixes
        .iter()
        .filter(|made| !listed.contains(made.batch.as_str()));
    let made = unlisted.map(|made| {
        let lot = Lot {
            name: made.batch.clone(),
            ingredient: made.formula.clone(),
            supplier: Some(MADE_HERE.to_string()),
            ..Lot::default()
        };
        one(&lot, Some(made.left(uses.of(&made.batch))))
    });
    bought.chain(made).collect()
}

/// What is known of the lots `name` of the list, of `ingredient` alone where that is told, for one who asks where they went
/// while no batch here took from them: sentences.
pub fn unused(
    lots: &[Lot],
    (name, ingredient): (&str, Option<&str>),
    (batches, elsewhere): (&Stocktake, &Elsewhere),
    today: Date,
) -> Vec<Sentence> {
    let is = |lot: &Lot| lot.is(name, ingredient.unwrap_or(&lot.ingredient));
    let all = listed(lots, batches, today).into_iter().take(lots.len());
    let mut told = Vec::new();
    for one in all.filter(|one| is(&one.lot)) {
        let (lot, ingredient) = (&one.lot.name, &one.lot.ingredient);
        let mut words = match elsewhere.said_of(&one.lot) {
            None => phrase!(
                "Lot {lot} of {ingredient} is in the list, and no batch took from it.",
                lot,
                ingredient
            ),
            Some(taken) => phrase!(
                "Lot {lot} of {ingredient} is in the list, and no batch of this bench took from it; {taken}.",
                lot,
                ingredient,
                taken
            ),
        };
        if let Some(day) = one.lot.opened {
            words = words.and(phrase!("It was opened on {day}.", day = Slot::day(day)));
        }
        words = words.and(match one.left {
            Some(left) => phrase!(
                "{left} g of it are left.",
                left = left.grams(Mass::from_mg(10))
            ),
            None => phrase!("How much of it is left is not known."),
        });
        if let Some(why) = one.refused {
            words = words.and(phrase!("It is refused: {why}.", why));
        }
        told.push(words);
    }
    told
}

/// What is left of each ingredient's lots that may be used on the day `today`. An ingredient without a
/// lot, or with one whose amount is not known, is not in it.
pub fn on_hand(lots: Vec<Lot>, uses: &[Use], today: Date) -> BTreeMap<String, Mass> {
    let mut sums: BTreeMap<String, Option<Mass>> = BTreeMap::new();
    let uses = ByLot::new(uses);
    for lot in lots {
        let left = lot.left(uses.of(&lot.name));
        let usable = lot.allows(&lot.ingredient, Mass::ZERO, left, today).is_ok();
        let left = match usable {
            true => left,
            false => Some(Mass::ZERO),
        };
        let sum = sums.entry(lot.ingredient).or_insert(Some(Mass::ZERO));
        *sum = sum.zip(left).map(|(sum, left)| sum + left);
    }
    let known = sums
        .into_iter()
        .filter_map(|(name, sum)| Some((name, sum?)));
    known.collect()
}
