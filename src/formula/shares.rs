//! The shares of a formula: what the balance comes to, and whether all make 100.

use std::collections::HashMap;
use std::ops::Range;

use super::parse::Draft;
use super::tolerance::within_limits;
use super::{Formula, Ingredient, Percent, Share};
use crate::document::{Reader, shown};
use crate::language::{Slot, phrase};
use crate::problem::Problem;
use crate::text::alike::{folded, looks_like, same_name};

impl Formula {
    /// The share of each ingredient in the order of weighing, the balance worked out.
    pub fn shares(&self) -> Vec<Percent> {
        let named = |i: &Ingredient| match i.share {
            Share::Percent(percent) => percent.0,
            Share::Balance => 0,
        };
        let rest = Percent::HUNDRED.0 - self.ingredients().map(named).sum::<i64>();
        self.ingredients()
            .map(|i| match i.share {
                Share::Percent(percent) => percent,
                Share::Balance => Percent(rest),
            })
            .collect()
    }

    /// All ingredients in the order of weighing.
    pub fn ingredients(&self) -> impl Iterator<Item = &Ingredient> {
        self.phases.iter().flat_map(|phase| &phase.ingredients)
    }

    /// What is allowed but worth a second look: an ingredient that stands in more than one phase, or looks
    /// like another.
    pub fn warnings(&self, name: &str) -> Vec<Problem> {
        let mut first = HashMap::new();
        let mut warnings = Vec::new();
        for ingredient in self.ingredients() {
            let key = folded(&ingredient.name);
            let earlier = *first.entry(key).or_insert(ingredient.place);
            if earlier != ingredient.place {
                warnings.push(Problem {
                    path: name.to_owned(),
                    line: ingredient.place.line,
                    column: ingredient.place.column,
                    message: phrase!(
                        "\"{name}\" is weighed twice{in_file}",
                        name = &ingredient.name,
                        in_file = phrase!(", first at line {line}", line = earlier.line),
                    ),
                    remedy: phrase!(
                        "Nothing to do if that is meant; else give each step its own name"
                    )
                    .to_owned(),
                });
            }
        }
        warnings.extend(self.alike(name));
        warnings
    }
}

impl Formula {
    /// Ingredients that can be taken for an earlier one and are another: lots and histories are counted apart.
    fn alike(&self, name: &str) -> Vec<Problem> {
        let all: Vec<&Ingredient> = self.ingredients().collect();
        let mut found = Vec::new();
        for (at, one) in all.iter().enumerate() {
            let before = all.get(..at).unwrap_or_default();
            let like = |other: &&&Ingredient| {
                !same_name(&other.name, &one.name) && looks_like(&other.name, &one.name)
            };
            found.extend(before.iter().find(like).map(|other| Problem {
                path: name.to_owned(),
                line: one.place.line,
                column: one.place.column,
                message: phrase!(
                    "\"{name}\" looks like \"{other}\"{in_file} and is another ingredient",
                    name = &one.name,
                    other = &other.name,
                    in_file = phrase!(" at line {line}", line = other.place.line),
                ),
                remedy: phrase!("If they are one, write both alike; else tell them apart by name"),
            }));
        }
        found
    }
}

impl Percent {
    /// The percentage as text, without needless zeros: `12.5`.
    pub fn text(self) -> String {
        decimal_text(i128::from(self.0))
    }

    /// The same for the eye, where it came by division: to a thousandth of a percent, which of a kilogram is 0.01 g.
    pub fn shown(self) -> String {
        const FINE: i64 = 1_000_000;
        let rounded = (self.0 + FINE / 2) / FINE * FINE;
        Percent(if rounded == 0 { self.0 } else { rounded }).text()
    }
}

/// A count of 10⁻⁹ as decimal text.
pub(super) fn decimal_text(n: i128) -> String {
    let (sign, n) = (if n < 0 { "-" } else { "" }, n.unsigned_abs());
    let (whole, part) = (n / 1_000_000_000, n % 1_000_000_000);
    let part = format!("{part:09}");
    let part = part.trim_end_matches('0');
    let point = if part.is_empty() { "" } else { "." };
    format!("{sign}{whole}{point}{part}")
}

/// Checks that the shares make 100 exactly. The place named is where the running sum goes past 100,
/// or else the last share.
pub(super) fn sum(reader: &mut Reader, draft: &Draft) {
    if !draft.whole {
        return;
    }
    let hundred = i128::from(Percent::HUNDRED.0);
    let mut total: i128 = 0;
    let (mut at, mut past) = (0..0, None);
    let mut balance: Option<(&Ingredient, Range<usize>)> = None;
    for (phase, marks) in &draft.phases {
        for (ingredient, mark) in phase.ingredients.iter().zip(marks) {
            let place = mark.at.clone().unwrap_or(0..0);
            at = place.clone();
            match ingredient.share {
                Share::Percent(percent) => total += i128::from(percent.0),
                Share::Balance if balance.is_some() => {
                    let message = phrase!(
                        "\"{name}\" is a second balance",
                        name = shown(&ingredient.name)
                    );
                    reader.report(
                        &place,
                        message,
                        phrase!("Give it a percent; one balance takes the rest"),
                    );
                }
                Share::Balance => balance = Some((ingredient, place.clone())),
            }
            if total > hundred && past.is_none() {
                past = Some(place);
            }
        }
    }
    let number = |written: String| Slot::number(written);
    let text = decimal_text(total);
    if total > hundred {
        let message = phrase!(
            "The percents sum to {text}, {more} too much",
            text = number(text.clone()),
            more = number(decimal_text(total - hundred))
        );
        reader.report(
            &past.unwrap_or(at),
            message,
            phrase!("Lower one or more so that they make 100"),
        );
    } else if let Some((ingredient, place)) = balance {
        let rest = Percent((hundred - total) as i64);
        if rest.0 == 0 {
            let message = phrase!(
                "The percents sum to {text}, so nothing is left for the balance",
                text = number(text.clone())
            );
            reader.report(
                &place,
                message,
                phrase!("Lower one or more, or remove the balance"),
            );
        } else {
            let what = phrase!("The balance \"{name}\"", name = shown(&ingredient.name));
            within_limits(reader, what, rest, ingredient, &place);
        }
    } else if total < hundred {
        let missing = decimal_text(hundred - total);
        let message = phrase!(
            "The percents sum to {text}, {missing} short of 100",
            text = number(text.clone()),
            missing = number(missing)
        );
        let remedy =
            phrase!("Raise one or more, or give one ingredient balance = true instead of percent");
        reader.report(&at, message, remedy);
    }
}
