//! The hard limits of a formula, the least and the greatest percent of the batch, held against what is
//! planned and against what is really in it.
//!
//! Three cases, each with its own consequence:
//!
//! - the formula's own percent is outside its limits: the file is wrong ([`super::parse`]);
//! - the target, rounded to what the scale shows, is outside: [`broken`] by the plan. That is refused,
//!   since it is certain: who pours just what is asked for breaks the limit;
//! - some weight inside the tolerance is outside: [`exposed`] by the plan. That is a note and no refusal:
//!   it need not come so, limit and tolerance are both the maker's own, and what was really poured is
//!   held against the limit by [`outside`].
//!
//! An ingredient that a formula names several times has one limit, the sum of those of its entries; an
//! entry without a `max` of its own counts as its share.

use std::fmt;

use super::cautions::is_essential_oil;
use super::{Formula, Ingredient, Limits, Percent, Plan};
use crate::mass::Mass;
use crate::problem::Problem;
use crate::text::alike::same_name;

/// What is in the batch of one ingredient; several may be of the same.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Held<'a> {
    pub ingredient: &'a str,
    pub mass: Mass,
}

/// Which limit is crossed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Side {
    Under,
    Over,
}

/// An ingredient that is outside a hard limit. Shown as the sentence that a person reads.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Outside {
    pub ingredient: String,
    pub mass: Mass,
    /// Of the whole batch.
    pub total: Mass,
    pub side: Side,
    pub limit: Percent,
    /// Whether it is an essential oil or a fragrance.
    pub scent: bool,
}

impl Outside {
    /// Where the limit comes from, for what may hurt the skin.
    pub fn advice(&self) -> Option<&'static str> {
        (self.scent && self.side == Side::Over).then_some(
            "How much a product may hold is set by the supplier's documents (safety data sheet, IFRA \
             certificate).",
        )
    }
}

impl fmt::Display for Outside {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let step = Mass::from_mg(10);
        write!(
            f,
            "{} is {} % of the batch ({} g of {} g), {} its limit of {} %.",
            self.ingredient,
            percent_beside(self.mass, self.total, self.limit),
            self.mass.grams(step),
            self.total.grams(step),
            match self.side {
                Side::Under => "under",
                Side::Over => "over",
            },
            self.limit.text(),
        )
    }
}

/// Every ingredient of `formula` that is outside its hard limits in a batch of `total`, in the order of
/// the formula. An ingredient of which nothing is held counts as 0 g; what is held of anything else has
/// no limits. Nothing is outside in a batch of nothing.
pub fn outside(formula: &Formula, held: &[Held], total: Mass) -> Vec<Outside> {
    outside_of(&entries(formula), held, total)
}

/// The same for a plan: its parts are the formula's entries.
pub fn outside_in_plan(plan: &Plan, held: &[Held], total: Mass) -> Vec<Outside> {
    let entries: Vec<Entry> = (plan.parts.iter())
        .map(|part| Entry {
            name: &part.name,
            limits: part.limits,
            share: part.share,
            scent: part.scent,
        })
        .collect();
    outside_of(&entries, held, total)
}

fn outside_of(entries: &[Entry], held: &[Held], total: Mass) -> Vec<Outside> {
    let mut found = Vec::new();
    if total <= Mass::ZERO {
        return found;
    }
    for entry in together(entries) {
        let mine = |held: &&Held| same(held.ingredient, entry.name);
        let mass: Mass = held.iter().filter(mine).map(|held| held.mass).sum();
        if let Some((side, limit)) = crossed(mass, total, entry.limits) {
            found.push(Outside {
                ingredient: entry.name.to_owned(),
                mass,
                total,
                side,
                limit,
                scent: entry.scent,
            });
        }
    }
    found
}

/// One line of a formula, as far as its limits go.
#[derive(Debug, Clone, Copy)]
struct Entry<'a> {
    name: &'a str,
    limits: Limits,
    share: Percent,
    scent: bool,
}

/// The targets of `plan`, a plan of `formula`, that are outside a limit; `name` stands for the file.
pub fn broken(formula: &Formula, plan: &Plan, name: &str) -> Vec<Problem> {
    let targets: Vec<Held> = plan
        .steps
        .iter()
        .map(|step| held(&step.ingredient, step.target))
        .collect();
    let outside = outside(formula, &targets, plan.batch);
    let one = |outside: &Outside| {
        let at = formula
            .ingredients()
            .find(|i| i.name == outside.ingredient)?;
        let way = match outside.side {
            Side::Under => "Raise its percent a little",
            Side::Over => "Lower its percent a little",
        };
        Some(Problem {
            path: name.to_owned(),
            line: at.place.line,
            column: at.place.column,
            message: format!(
                "Rounded to what the scale shows, \"{}\" is {} g of {} g, {} %, {} its limit of {} %",
                outside.ingredient,
                outside.mass.grams(Mass::from_mg(10)),
                outside.total.grams(Mass::from_mg(10)),
                percent_beside(outside.mass, outside.total, outside.limit),
                match outside.side {
                    Side::Under => "under",
                    Side::Over => "over",
                },
                outside.limit.text()
            ),
            remedy: format!("{way}, make another batch size, or weigh it on a finer scale"),
        })
    };
    outside.iter().filter_map(one).collect()
}

/// The ingredients of `plan` that can be outside a limit though every weight is inside its tolerance:
/// this one at the end of its tolerance, all others at the far ends of theirs. Those that are
/// [`broken`] are not told again.
pub fn exposed(formula: &Formula, plan: &Plan, name: &str) -> Vec<Problem> {
    let broken = broken(formula, plan, name);
    let mut notes = Vec::new();
    for (ingredient, limits) in by_name(formula) {
        let told = |problem: &&Problem| problem.line == ingredient.place.line;
        if broken.iter().any(|problem| told(&problem)) {
            continue;
        }
        let band = Band::of(plan, &ingredient.name);
        for (side, limit) in [(Side::Under, limits.min), (Side::Over, limits.max)] {
            let Some(limit) = limit else { continue };
            let (end, total) = band.worst(side);
            let only = match side {
                Side::Under => Limits {
                    min: Some(limit),
                    max: None,
                },
                Side::Over => Limits {
                    min: None,
                    max: Some(limit),
                },
            };
            if crossed(end, total, only).is_some() {
                notes.push(Problem {
                    path: name.to_owned(),
                    line: ingredient.place.line,
                    column: ingredient.place.column,
                    message: band.message(&ingredient.name, side, limit),
                    remedy: band.remedy(side, limit),
                });
            }
        }
    }
    notes
}

/// What the tolerances of one ingredient, and of all others, allow.
struct Band {
    target: Mass,
    lowest: Mass,
    highest: Mass,
    others_lowest: Mass,
    others_highest: Mass,
}

impl Band {
    fn of(plan: &Plan, name: &str) -> Band {
        let mut band = Band {
            target: Mass::ZERO,
            lowest: Mass::ZERO,
            highest: Mass::ZERO,
            others_lowest: Mass::ZERO,
            others_highest: Mass::ZERO,
        };
        for step in &plan.steps {
            if same(&step.ingredient, name) {
                band.target += step.target;
                band.lowest += step.lowest;
                band.highest += step.highest;
            } else {
                band.others_lowest += step.lowest;
                band.others_highest += step.highest;
            }
        }
        band
    }

    /// The weight at the end of the tolerance, and the least favourable total that goes with it.
    fn worst(&self, side: Side) -> (Mass, Mass) {
        match side {
            Side::Under => (self.lowest, self.lowest + self.others_highest),
            Side::Over => (self.highest, self.highest + self.others_lowest),
        }
    }

    fn message(&self, name: &str, side: Side, limit: Percent) -> String {
        let (end, total) = self.worst(side);
        let (others, word) = match side {
            Side::Under => ("most", "under"),
            Side::Over => ("least", "over"),
        };
        format!(
            "A weight inside the tolerance of \"{name}\" could be {word} the limit of {} %: {} g, with all \
             else at its {others}, is {} % of the batch",
            limit.text(),
            end.grams(Mass::from_mg(10)),
            percent_beside(end, total, limit),
        )
    }

    /// The tolerance that would keep the limit, where there is room for one, and the percent about which
    /// the present one would.
    fn remedy(&self, side: Side, limit: Percent) -> String {
        let (end, total) = self.worst(side);
        // m / (m + others) = limit, solved for m; toward the target by the rounding.
        let (hundred, limit) = (i128::from(Percent::HUNDRED.0), i128::from(limit.0));
        let others = i128::from((total - end).ng());
        let edge = others * limit / (hundred - limit).max(1);
        let fine = Mass::from_mg(1);
        let edge = Mass::from_ng(edge.clamp(0, i128::from(Mass::LIMIT.ng())) as i64);
        let (room, word, lower) = match side {
            Side::Under => (self.target - edge, "under", "raise"),
            Side::Over => (edge - self.target, "over", "lower"),
        };
        let room = room.floor_to(fine);
        match room > Mass::ZERO {
            true => format!(
                "Narrow its tolerance to {word} = {{ g = {} }} or less, or {lower} its percent",
                room.grams_rounded(3)
            ),
            false => {
                let word = if lower == "raise" { "Raise" } else { "Lower" };
                format!("{word} its percent, so that its tolerance has room beside the limit")
            }
        }
    }
}

fn entries(formula: &Formula) -> Vec<Entry<'_>> {
    (formula.ingredients().zip(formula.shares()))
        .map(|(ingredient, share)| Entry {
            name: &ingredient.name,
            limits: ingredient.limits,
            share,
            scent: is_essential_oil(ingredient),
        })
        .collect()
}

/// Each ingredient once, at its first entry, with the limits of all its entries together.
fn by_name(formula: &Formula) -> Vec<(&Ingredient, Limits)> {
    let first = |entry: &Entry| formula.ingredients().find(|i| same(&i.name, entry.name));
    together(&entries(formula))
        .iter()
        .filter_map(|entry| Some((first(entry)?, entry.limits)))
        .collect()
}

fn together<'a>(entries: &[Entry<'a>]) -> Vec<Entry<'a>> {
    let mut found: Vec<Entry> = Vec::new();
    for entry in entries {
        let Some(sum) = found.iter_mut().find(|first| same(first.name, entry.name)) else {
            found.push(*entry);
            continue;
        };
        let hundred = Percent::HUNDRED.0;
        let add = |a: Percent, b: Percent| Percent((a.0.saturating_add(b.0)).min(hundred));
        sum.limits = Limits {
            min: match (sum.limits.min, entry.limits.min) {
                (None, None) => None,
                (a, b) => Some(add(a.unwrap_or_default(), b.unwrap_or_default())),
            },
            max: match (sum.limits.max, entry.limits.max) {
                (None, None) => None,
                (a, b) => Some(add(a.unwrap_or(sum.share), b.unwrap_or(entry.share))),
            },
        };
        sum.share = add(sum.share, entry.share);
        sum.scent |= entry.scent;
    }
    found
}

fn held(ingredient: &str, mass: Mass) -> Held<'_> {
    Held { ingredient, mass }
}

fn same(a: &str, b: &str) -> bool {
    same_name(a, b)
}

/// The limit that `mass` in a batch of `total` crosses; exact.
fn crossed(mass: Mass, total: Mass, limits: Limits) -> Option<(Side, Percent)> {
    let scaled = i128::from(mass.ng()) * i128::from(Percent::HUNDRED.0);
    let edge = |limit: Percent| i128::from(limit.0) * i128::from(total.ng());
    match limits {
        Limits { max: Some(max), .. } if scaled > edge(max) => Some((Side::Over, max)),
        Limits { min: Some(min), .. } if scaled < edge(min) => Some((Side::Under, min)),
        Limits { .. } => None,
    }
}

/// The share in percent with two decimals, or as many as tell it from the limit beside it.
fn percent_beside(mass: Mass, total: Mass, limit: Percent) -> String {
    let n = i128::from(mass.ng()) * i128::from(Percent::HUNDRED.0);
    let n = n / i128::from(total.ng().max(1));
    let share = Percent(n.clamp(0, i128::from(Percent::HUNDRED.0)) as i64);
    // 10⁻² % is 10⁷ of a percent's counts.
    let rounded = |step: i64| Percent((share.0 + step / 2) / step * step);
    [10_000_000, 1_000_000, 100_000, 10_000, 1_000, 100, 10]
        .map(rounded)
        .into_iter()
        .find(|&shown| shown != limit)
        .unwrap_or(share)
        .text()
}
