//! Advice on a lot that a person names for a step, and on the lots for a batch that begins.
//! Pure: what is known of the store comes in.

use jiff::civil::Date;

use super::elsewhere::Elsewhere;
use super::stock::Made;
use super::trace::{ByLot, Use};
use super::{Lot, Refusal};
use crate::formula::Plan;
use crate::language::{Sentence, phrase};
use crate::mass::Mass;
use crate::text::alike::{looks_like, same_lot, same_name};

/// What is known of the store at one time.
#[derive(Debug, Clone)]
pub struct Snapshot {
    /// The list of lots, `None` where nobody keeps one, or why it does not read, with its place.
    pub lots: Result<Option<Vec<Lot>>, Sentence>,
    /// What the logs say was taken, or why that is not known.
    pub uses: Result<Vec<Use>, Unread>,
    /// Logs that are not as they were written; their rows before that count.
    pub damaged: Vec<String>,
    /// The batch of our own that the lot in question names, if it is one.
    pub own: Option<Own>,
    /// Batches of our own that are finished, as far as they were asked for.
    pub made: Vec<Made>,
    /// What other benches took, which is among the uses.
    pub elsewhere: Elsewhere,
    /// The formula whose batches the step in question takes.
    pub premix: Option<String>,
    pub today: Date,
}

/// Why what was taken is not known.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Unread {
    /// It cannot be read.
    #[error("{0}")]
    Failed(Sentence),
    /// It is still being read: nothing speaks against a lot that is in the list.
    #[error("{0}")]
    Late(Sentence),
}

/// A batch of our own that is named as a lot.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Own {
    /// It is not complete, or its log is not as it was written; which, in words.
    Unfinished(Sentence),
    Made(Made),
}

/// A step that a lot is named for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ForStep {
    /// The running batch, where it has a log.
    pub batch: Option<String>,
    pub step: usize,
    pub ingredient: String,
    /// The step's target.
    pub needed: Mass,
}

/// What a batch takes of an ingredient, in all its steps.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Need {
    pub ingredient: String,
    pub needed: Mass,
    pub lot_required: bool,
    /// The formula whose batches it is.
    pub premix: Option<String>,
}

/// What is to be said of a lot that was named.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Advice {
    /// It is taken; a sentence where there is something to know.
    Good(Option<Sentence>),
    /// Why it is not taken without a reason given.
    Against(Sentence),
}

impl Snapshot {
    /// The stock of which nothing can be read, and why.
    pub fn unknown(why: Sentence, today: Date) -> Snapshot {
        Snapshot {
            lots: Err(why.to_owned()),
            uses: Err(Unread::Failed(why)),
            damaged: Vec::new(),
            own: None,
            made: Vec::new(),
            elsewhere: Elsewhere::default(),
            premix: None,
            today,
        }
    }

    /// What to say of the lot named `name` for `step`. A weight that the step has already is left
    /// out: it is weighed anew.
    pub fn advise(&self, name: &str, step: &ForStep) -> Advice {
        if step.batch.as_deref() == Some(name) {
            return Advice::Against(phrase!("{name} is the batch that is being weighed", name));
        }
        let lots = match (&self.lots, &self.own) {
            (Ok(Some(lots)), _) => lots.as_slice(),
            (Ok(None), Some(_)) => &[],
            (Ok(None), None) if self.premix.is_none() => return Advice::Good(None),
            (Ok(None), None) => &[],
            (Err(why), _) => return Advice::Against(why.clone()),
        };
        let named: Vec<&Lot> = lots
            .iter()
            .filter(|lot| same_lot(&lot.name, name))
            .collect();
        let of_it = |lot: &&&Lot| same_name(&lot.ingredient, &step.ingredient);
        if let (Some(own), None) = (&self.own, named.iter().find(of_it)) {
            return self.advise_own(name, own, step);
        }
        let Some(lot) = named.iter().find(of_it).or(named.first()) else {
            return match &self.premix {
                Some(formula) => Advice::Against(phrase!(
                    "{name} is no batch of this bench, and this step takes one of {formula}",
                    name,
                    formula,
                )),
                None => Advice::Good(Some(self.unlisted(name, lots))),
            };
        };
        let mut late = None;
        let left = match (lot.amount, &self.uses) {
            (None, _) => None,
            (Some(_), Ok(uses)) => lot.left(uses.iter().filter(|used| !step.is_of(used))),
            (Some(_), Err(Unread::Failed(why))) if same_name(&lot.ingredient, &step.ingredient) => {
                return Advice::Against(phrase!(
                    "what is left of lot {name} is not known: {why}",
                    name,
                    why = why.clone(),
                ));
            }
            (Some(_), Err(Unread::Late(why))) => {
                late = Some(phrase!(
                    "What is left of lot {name} is not known yet: {why}.",
                    name,
                    why = why.clone(),
                ));
                None
            }
            (Some(_), Err(Unread::Failed(_))) => None,
        };
        match lot.allows(&step.ingredient, step.needed, left, self.today) {
            Ok(()) => Advice::Good(late.or_else(|| self.damage().filter(|_| left.is_some()))),
            Err(why @ Refusal::OtherIngredient { .. }) => {
                let alike = match looks_like(&lot.ingredient, &step.ingredient) {
                    true => phrase!(
                        ": the names only look the same, see line {line} of lots.toml",
                        line = lot.place.line,
                    ),
                    false => Sentence::none(),
                };
                let ingredient = &step.ingredient;
                Advice::Against(phrase!(
                    "{why}, and this step weighs {ingredient}{alike}",
                    why = why.told(),
                    ingredient,
                    alike,
                ))
            }
            Err(why @ (Refusal::Empty { .. } | Refusal::TooLittle { .. })) => {
                let why = self.with_others(lot, &why);
                Advice::Against(match self.damage() {
                    Some(damage) => phrase!("{why} ({damage})", why, damage),
                    None => why,
                })
            }
            Err(why @ (Refusal::Expired { .. } | Refusal::Unfinished { .. })) => {
                Advice::Against(why.told())
            }
        }
    }

    /// The same of a batch of our own.
    fn advise_own(&self, name: &str, own: &Own, step: &ForStep) -> Advice {
        let lot = name.to_owned();
        let made = match own {
            Own::Made(made) => made,
            Own::Unfinished(standing) => {
                let standing = standing.clone();
                return Advice::Against(Refusal::Unfinished { lot, standing }.told());
            }
        };
        if let Some(formula) = self.premix.as_ref().filter(|f| **f != made.formula) {
            return Advice::Against(phrase!(
                "batch {name} is of {of}, and this step takes one of {formula}",
                name,
                of = &made.formula,
                formula,
            ));
        }
        let uses = match &self.uses {
            Ok(uses) => uses,
            Err(Unread::Late(why)) => {
                return Advice::Good(Some(phrase!(
                    "{name} is a batch of this bench; what is left of it is not known yet: {why}.",
                    name,
                    why = why.clone(),
                )));
            }
            Err(Unread::Failed(why)) => {
                return Advice::Against(phrase!(
                    "what is left of batch {name} is not known: {why}",
                    name,
                    why = why.clone(),
                ));
            }
        };
        let left = made.left(uses.iter().filter(|used| !step.is_of(used)));
        let needed = step.needed;
        if left <= Mass::ZERO {
            Advice::Against(Refusal::Empty { lot }.told())
        } else if left < needed {
            Advice::Against(Refusal::TooLittle { lot, left, needed }.told())
        } else {
            let grams = left.grams(Mass::from_mg(10));
            Advice::Good(Some(phrase!(
                "{name} is a batch of this bench; {grams} g are left of it.",
                name,
                grams,
            )))
        }
    }

    fn unlisted(&self, name: &str, lots: &[Lot]) -> Sentence {
        let say = phrase!(
            "Lot {name} is not in lots.toml: nothing is known of it.",
            name
        );
        let alike = |lot: &&Lot| same_name(&lot.name, name) || looks_like(&lot.name, name);
        match lots.iter().find(alike) {
            Some(lot) => say.and(phrase!("If it is lot {lot}, name it so.", lot = &lot.name)),
            None => say,
        }
    }

    /// Why too little is left of a lot, with what other benches took of it.
    fn with_others(&self, lot: &Lot, why: &Refusal) -> Sentence {
        let why = why.told();
        match self.elsewhere.said_of(lot) {
            Some(others) => phrase!("{why}: {others}", why, others),
            None => why,
        }
    }

    /// A sentence about the damaged logs; `None` without any.
    fn damage(&self) -> Option<Sentence> {
        let (first, rest) = self.damaged.split_first()?;
        let more = match rest.len() {
            0 => Sentence::none(),
            more => phrase!(" and {more} more", more),
        };
        Some(phrase!(
            "Of a damaged log{more} only the rows before the damage are counted: {first}",
            more,
            first,
        ))
    }

    /// What to know about the lots before anything is poured, one sentence each.
    pub fn warn(&self, needs: &[Need]) -> Vec<Sentence> {
        let lots = match &self.lots {
            Ok(lots) => lots.as_deref(),
            Err(why) => return vec![phrase!("the lots on hand are not known: {why}", why)],
        };
        let uses = self.uses.as_deref().ok().map(ByLot::new);
        let mut warnings: Vec<Sentence> = needs
            .iter()
            .filter_map(|need| self.without_lot(need, lots, uses.as_ref()))
            .collect();
        match &self.uses {
            Ok(_) => {}
            Err(Unread::Failed(why)) => {
                warnings.push(phrase!(
                    "what is left of the lots is not known: {why}",
                    why = why.clone(),
                ));
            }
            Err(Unread::Late(why)) => {
                warnings.push(phrase!(
                    "what is left of the lots is not known yet: {why}",
                    why = why.clone(),
                ));
            }
        }
        warnings.extend(self.damage());
        let needed = |lot: &&Lot| {
            let mut needs = needs.iter();
            needs.any(|need| same_name(&need.ingredient, &lot.ingredient))
        };
        let lots = lots.into_iter().flatten().filter(needed).cloned();
        let lots: Vec<Lot> = lots.collect();
        warnings.extend(self.elsewhere.said_of_silence(&lots));
        warnings
    }

    /// Says so where no lot on hand may be taken for the whole of `need`.
    fn without_lot(
        &self,
        need: &Need,
        lots: Option<&[Lot]>,
        uses: Option<&ByLot<'_>>,
    ) -> Option<Sentence> {
        let Need {
            ingredient, needed, ..
        } = need;
        if let Some(formula) = &need.premix {
            return self.without_premix(ingredient, *needed, formula, uses?);
        }
        let Some(lots) = lots else {
            return need.lot_required.then(|| {
                phrase!(
                    "{ingredient} needs its lot named; no list of lots is kept to look it up in",
                    ingredient,
                )
            });
        };
        let mut against = Vec::new();
        for lot in lots
            .iter()
            .filter(|lot| same_name(&lot.ingredient, ingredient))
        {
            let left = uses.and_then(|uses| lot.left(uses.of(&lot.name)));
            match lot.allows(ingredient, *needed, left, self.today) {
                Ok(()) => return None,
                Err(why @ (Refusal::Empty { .. } | Refusal::TooLittle { .. })) => {
                    against.push(self.with_others(lot, &why));
                }
                Err(why) => against.push(why.told()),
            }
        }
        let alike = |lot: &&Lot| looks_like(&lot.ingredient, ingredient);
        if against.is_empty()
            && let Some(lot) = lots.iter().find(alike)
        {
            return Some(phrase!(
                "lots.toml has no lot of {ingredient}; that of \"{other}\" in its line {line} only looks like it. If they \
                 are one, write the name alike in formula and list",
                ingredient,
                other = &lot.ingredient,
                line = lot.place.line,
            ));
        }
        if against.is_empty() {
            return need.lot_required.then(|| {
                phrase!(
                    "{ingredient} needs its lot named, and lots.toml has none of it",
                    ingredient,
                )
            });
        }
        let against = against.into_iter();
        let against = against.reduce(|all, why| phrase!("{all}; {why}", all, why));
        Some(phrase!(
            "no lot of {ingredient} on hand is good for all {needed} g of it: {against}",
            ingredient,
            needed = needed.grams(Mass::from_mg(10)),
            against = against.unwrap_or_default(),
        ))
    }
}

impl Snapshot {
    /// Says so where no batch of `formula` has enough left.
    fn without_premix(
        &self,
        ingredient: &str,
        needed: Mass,
        formula: &str,
        uses: &ByLot<'_>,
    ) -> Option<Sentence> {
        let of_it = self
            .made
            .iter()
            .filter(|made| same_name(&made.formula, formula));
        let most = of_it.map(|made| made.left(uses.of(&made.batch))).max();
        let grams = |mass: Mass| mass.grams(Mass::from_mg(10));
        match most {
            Some(left) if left >= needed => None,
            Some(left) => Some(phrase!(
                "{ingredient} takes {needed} g of one batch of {formula}, and no batch has more than {left} g left",
                ingredient,
                needed = grams(needed),
                formula,
                left = grams(left.max(Mass::ZERO)),
            )),
            None => Some(phrase!(
                "{ingredient} is a batch of {formula}, and none is made; weigh one first",
                ingredient,
                formula,
            )),
        }
    }
}

impl ForStep {
    fn is_of(&self, used: &Use) -> bool {
        self.batch.as_ref() == Some(&used.batch) && self.step == used.step
    }
}

impl Need {
    /// What `plan` takes of each ingredient, in the order of its steps.
    pub fn of_plan(plan: &Plan) -> Vec<Need> {
        let mut needs: Vec<Need> = Vec::new();
        for step in &plan.steps {
            match needs
                .iter_mut()
                .find(|need| need.ingredient == step.ingredient)
            {
                Some(need) => {
                    need.needed += step.target;
                    need.lot_required |= step.lot_required;
                }
                None => needs.push(Need {
                    ingredient: step.ingredient.clone(),
                    needed: step.target,
                    lot_required: step.lot_required,
                    premix: plan
                        .parts
                        .get(step.part)
                        .and_then(|part| part.premix.clone()),
                }),
            }
        }
        needs
    }
}
