//! What is said of a lot that a person names for a step, and of the lots for a batch that begins.
//! Pure: what is known of the store comes in.

use std::fmt;

use jiff::civil::Date;

use super::trace::Use;
use super::{Lot, Refusal};
use crate::formula::Plan;
use crate::mass::Mass;

/// What is known of the store at one time.
#[derive(Debug, Clone)]
pub struct Stock {
    /// The list of lots, `None` where nobody keeps one, or why it does not read, with its place.
    pub lots: Result<Option<Vec<Lot>>, String>,
    /// What the logs say was taken, or why that is not known.
    pub uses: Result<Vec<Use>, String>,
    /// Logs that are not as they were written; their rows before that count.
    pub damaged: Vec<String>,
    /// Whether the lot in question is the name of a batch.
    pub is_batch: bool,
    pub today: Date,
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
}

/// What is to be said of a lot that was named.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Advice {
    /// It is taken; a sentence where there is something to know.
    Good(Option<String>),
    /// Why it is not taken without a reason given.
    Against(String),
}

impl Stock {
    /// The stock of which nothing can be read, and why.
    pub fn unknown(why: &str, today: Date) -> Stock {
        Stock {
            lots: Err(why.to_owned()),
            uses: Err(why.to_owned()),
            damaged: Vec::new(),
            is_batch: false,
            today,
        }
    }

    /// What to say of the lot named `name` for `step`. A weight that the step has already is left
    /// out: it is weighed anew.
    pub fn advise(&self, name: &str, step: &ForStep) -> Advice {
        if step.batch.as_deref() == Some(name) {
            return Advice::Against(format!("{name} is the batch that is being weighed"));
        }
        let lots = match &self.lots {
            Ok(Some(lots)) => lots.as_slice(),
            Ok(None) => return Advice::Good(None),
            Err(why) => return Advice::Against(why.clone()),
        };
        let named: Vec<&Lot> = lots.iter().filter(|lot| lot.name == name).collect();
        let of_it = |lot: &&&Lot| lot.ingredient == step.ingredient;
        let Some(lot) = named.iter().find(of_it).or(named.first()) else {
            return Advice::Good(Some(self.unlisted(name, lots)));
        };
        let left = match (lot.amount, &self.uses) {
            (None, _) => None,
            (Some(_), Ok(uses)) => lot.left(uses.iter().filter(|used| !step.is_of(used))),
            (Some(_), Err(why)) if lot.ingredient == step.ingredient => {
                return Advice::Against(format!("what is left of lot {name} is not known: {why}"));
            }
            (Some(_), Err(_)) => None,
        };
        match lot.allows(&step.ingredient, step.needed, left, self.today) {
            Ok(()) => Advice::Good(self.damage().filter(|_| left.is_some())),
            Err(why @ Refusal::OtherIngredient { .. }) => {
                Advice::Against(format!("{why}, and this step weighs {}", step.ingredient))
            }
            Err(why @ (Refusal::Empty { .. } | Refusal::TooLittle { .. })) => {
                let damage = self
                    .damage()
                    .map_or(String::new(), |say| format!(" ({say})"));
                Advice::Against(format!("{why}{damage}"))
            }
            Err(why @ Refusal::Expired { .. }) => Advice::Against(why.to_string()),
        }
    }

    fn unlisted(&self, name: &str, lots: &[Lot]) -> String {
        if self.is_batch {
            return format!("{name} is a batch of this bench.");
        }
        let mut say = format!("Lot {name} is not in lots.toml: nothing is known of it.");
        let alike = |lot: &&Lot| lot.name.to_lowercase() == name.to_lowercase();
        if let Some(lot) = lots.iter().find(alike) {
            say.push_str(&format!(" If it is lot {}, name it so.", lot.name));
        }
        say
    }

    /// A sentence about the damaged logs; `None` without any.
    fn damage(&self) -> Option<String> {
        let (first, rest) = self.damaged.split_first()?;
        let more = match rest.len() {
            0 => String::new(),
            more => format!(" and {more} more"),
        };
        Some(format!(
            "Of a damaged log{more} only the rows before the damage are counted: {first}"
        ))
    }

    /// What to know about the lots before anything is poured, one sentence each.
    pub fn warn(&self, needs: &[Need]) -> Vec<String> {
        let lots = match &self.lots {
            Ok(lots) => lots.as_deref(),
            Err(why) => return vec![format!("the lots on hand are not known: {why}")],
        };
        let mut warnings: Vec<String> = needs
            .iter()
            .filter_map(|need| self.without_lot(need, lots))
            .collect();
        if let Err(why) = &self.uses {
            warnings.push(format!("what is left of the lots is not known: {why}"));
        }
        warnings.extend(self.damage());
        warnings
    }

    /// Says so where no lot on hand may be taken for the whole of `need`.
    fn without_lot(&self, need: &Need, lots: Option<&[Lot]>) -> Option<String> {
        let Need {
            ingredient, needed, ..
        } = need;
        let Some(lots) = lots else {
            return need.lot_required.then(|| {
                format!(
                    "{ingredient} needs its lot named; no list of lots is kept to look it up in"
                )
            });
        };
        let mut against = Vec::new();
        for lot in lots.iter().filter(|lot| lot.ingredient == *ingredient) {
            let left = self.uses.as_ref().ok().and_then(|uses| lot.left(uses));
            match lot.allows(ingredient, *needed, left, self.today) {
                Ok(()) => return None,
                Err(why) => against.push(why.to_string()),
            }
        }
        if against.is_empty() {
            return need.lot_required.then(|| {
                format!("{ingredient} needs its lot named, and lots.toml has none of it")
            });
        }
        Some(format!(
            "no lot of {ingredient} on hand is good for all {} g of it: {}",
            needed.grams(Mass::from_mg(10)),
            against.join("; ")
        ))
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
                }),
            }
        }
        needs
    }
}

/// A word as a shell takes it for one argument.
pub struct ShellWord<'a>(pub &'a str);

impl fmt::Display for ShellWord<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let plain = |c: char| c.is_ascii_alphanumeric() || matches!(c, '-' | '_' | '.' | '/');
        if self.0.chars().all(plain) && !self.0.starts_with('-') {
            f.write_str(self.0)
        } else {
            write!(f, "'{}'", self.0.replace('\'', "'\\''"))
        }
    }
}
