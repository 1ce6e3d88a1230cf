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
//! What has a limit, and what of it is in each ingredient, [`super::contents`] tells.

use std::sync::Arc;

use super::contents::Limited;
use super::remedy::Bound;
use super::{Formula, Limits, Percent, Plan, Step, Use};
use crate::language::{Sentence, Slot, Term, phrase, remark, shown_as_told, term};
use crate::mass::Mass;
use crate::metrology::ScaleAbility;
use crate::problem::Problem;
use crate::text::alike::same_name;

/// What is in the batch of one ingredient; several may be of the same.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Held<'a> {
    pub ingredient: &'a str,
    /// Empty where it is not known.
    pub lot: &'a str,
    pub mass: Mass,
}

/// Which limit is crossed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Side {
    Under,
    Over,
}

/// A substance that is outside a hard limit. Shown as the sentence that a person reads.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Outside {
    /// The ingredient, or the substance that several bring in.
    pub ingredient: String,
    /// The ingredients that bring it in.
    pub sources: Vec<String>,
    /// To the nanogram.
    pub mass: Mass,
    /// Of the whole batch.
    pub total: Mass,
    pub side: Side,
    pub limit: Percent,
    /// Whether its limit comes from a supplier's document.
    pub skin: bool,
    /// Which limit it is, as the maker's list has it; `None`: "its limit".
    words: Option<Sentence>,
    plain: bool,
}

impl Outside {
    fn limit_words(&self) -> Sentence {
        let own = self.words.clone();
        own.unwrap_or_else(|| remark!("its limit"))
    }

    /// Where the limit comes from, for what may hurt the skin.
    pub fn advice(&self) -> Option<Term> {
        (self.skin && self.side == Side::Over).then_some(term!(
            "How much a product may hold is set by the supplier's documents (safety data sheet, IFRA certificate)."
        ))
    }

    /// "1.8 % of the batch (9.00 g of 500.00 g), over its limit of 0.4 %".
    fn figures(&self) -> Sentence {
        // A constituent's weight is no reading: to the milligram.
        let mass = match self.plain {
            true => self.mass,
            false => self.mass.round_to(Mass::from_mg(1)),
        };
        let percent = percent_beside(self.mass, self.total, self.limit);
        let (mass, total) = (mass.grams(STEP), self.total.grams(STEP));
        let (percent, limit) = (Slot::Number(percent), Slot::Number(self.limit.text()));
        let words = self.limit_words();
        match self.side {
            Side::Under => remark!(
                "{percent} % of the batch ({mass} g of {total} g), under {said} of {limit} %",
                percent,
                mass,
                total,
                said = words,
                limit
            ),
            Side::Over => remark!(
                "{percent} % of the batch ({mass} g of {total} g), over {said} of {limit} %",
                percent,
                mass,
                total,
                said = words,
                limit
            ),
        }
    }

    /// Of a target, where the formula's own share is inside.
    fn rounded(&self) -> Sentence {
        let (name, mass, total) = (&self.ingredient, self.mass, self.total);
        let percent = Slot::Number(percent_beside(mass, total, self.limit));
        let (mass, total) = (mass.grams(STEP), total.grams(STEP));
        let words = self.limit_words();
        let limit = Slot::Number(self.limit.text());
        match self.side {
            Side::Under => phrase!(
                "Rounded to what the scale shows, \"{name}\" is {mass} g of {total} g, {percent} %, under {words} of {limit} %",
                name,
                mass,
                total,
                percent,
                words,
                limit,
            ),
            Side::Over => phrase!(
                "Rounded to what the scale shows, \"{name}\" is {mass} g of {total} g, {percent} %, over {words} of {limit} %",
                name,
                mass,
                total,
                percent,
                words,
                limit,
            ),
        }
    }

    /// The sentence that a person reads.
    pub fn told(&self) -> Sentence {
        let (name, figures) = (&self.ingredient, self.figures());
        match self.plain {
            true => remark!("{name} is {said}.", name, said = figures),
            false => remark!(
                "{name} is {said}; it comes with {names}.",
                name,
                said = figures,
                names = self.told_sources()
            ),
        }
    }

    fn told_sources(&self) -> Sentence {
        Sentence::listing_quoted(&self.sources)
    }
}

const STEP: Mass = Mass::from_mg(10);

shown_as_told!(Outside);

/// Everything of `limits` that is outside in a batch of `total`, in their order. What is not held counts
/// as 0 g; what is held of anything else has no limits. Nothing is outside in a batch of nothing.
pub fn outside(limits: &[Limited], held: &[Held], total: Mass) -> Vec<Outside> {
    if total <= Mass::ZERO {
        return Vec::new();
    }
    let one = |limited: &Limited| {
        let sum = held.iter().map(|held| part_of(limited, held)).sum();
        let (side, limit) = crossed(sum, total, limited.limits)?;
        Some(Outside {
            ingredient: limited.name.clone(),
            sources: limited.sources().into_iter().map(str::to_owned).collect(),
            mass: whole(sum),
            total,
            side,
            limit,
            skin: limited.skin,
            words: match side {
                Side::Under => None,
                Side::Over => limited.told.as_ref().map(|_| limited.limit_words()),
            },
            plain: limited.is_plain(),
        })
    };
    limits.iter().filter_map(one).collect()
}

/// What of `limits` is outside because of the lot of one ingredient, which `held` has from it: by the lot's certificate,
/// or by what that batch was made of. One sentence each; what is outside whatever the lot is told by the weights.
pub fn outside_by_lot(
    limits: &[Limited],
    held: &[Held],
    total: Mass,
    (ingredient, lot): (&str, &str),
) -> Option<String> {
    let by_the_lot = |limited: &Limited, side: Side| {
        let its = limited.share_in(ingredient, lot);
        let usual = limited.share_in(ingredient, "");
        match side {
            Side::Over => its > usual,
            Side::Under => its < usual,
        }
    };
    let of_one = |limited: &Limited| {
        let found = outside(std::slice::from_ref(limited), held, total).pop()?;
        by_the_lot(limited, found.side).then(|| found.to_string())
    };
    let sentences: Vec<String> = limits.iter().filter_map(of_one).collect();
    (!sentences.is_empty()).then(|| sentences.join(" "))
}

/// The limits on what several ingredients bring in, as a remedy keeps them; `held` is what there is of
/// each of `names`, in their order.
pub fn bounds(limits: &[Limited], names: &[&str], held: &[Held]) -> Vec<Bound> {
    let one = |limited: &Limited| Bound {
        held: held.iter().map(|held| part_of(limited, held)).sum(),
        shares: (names.iter())
            .map(|name| {
                let lot = held
                    .iter()
                    .rev()
                    .find(|held| same_name(held.ingredient, name));
                limited.share_in(name, lot.map_or("", |held| held.lot))
            })
            .collect(),
        limits: limited.limits,
    };
    limits.iter().map(one).collect()
}

/// How much of the substance is held here, in nanograms times [`Percent::HUNDRED`]; exact.
fn part_of(limited: &Limited, held: &Held) -> i128 {
    let share = limited.share_in(held.ingredient, held.lot);
    i128::from(held.mass.ng()) * i128::from(share.0)
}

fn whole(sum: i128) -> Mass {
    let hundred = i128::from(Percent::HUNDRED.0);
    let ng = (sum + hundred / 2).div_euclid(hundred);
    Mass::from_ng(ng.clamp(0, i128::from(Mass::LIMIT.ng())) as i64)
}

/// The targets of `plan`, a plan of `formula`, that are outside a limit; `name` stands for the file.
pub fn broken(formula: &Formula, plan: &Plan, name: &str) -> Vec<Problem> {
    let targets: Vec<Held> = plan
        .steps
        .iter()
        .map(|step| held(step, step.target))
        .collect();
    let shares = formula.shares();
    let exact: Vec<Held> = (formula.ingredients().zip(&shares))
        .map(|(one, share)| Held {
            ingredient: &one.name,
            lot: "",
            mass: share.of(BIG),
        })
        .collect();
    let by_formula = outside(&plan.limits, &exact, BIG);
    let one = |outside: &Outside| {
        let place = place(formula, &outside.sources);
        let (message, remedy) = match by_formula
            .iter()
            .any(|other| other.ingredient == outside.ingredient)
        {
            true => (
                phrase!(
                    "\"{name}\" comes to {figures}; it comes with {sources}",
                    name = &outside.ingredient,
                    figures = outside.figures(),
                    sources = outside.told_sources(),
                ),
                match outside.side {
                    Side::Under => phrase!("Raise the percent of what brings it in"),
                    Side::Over => {
                        let lower = match formula.intended {
                            Use::Untold => phrase!(
                                "Lower the percent of what brings it in; for what is no product but goes into others {use_in_file}.",
                                use_in_file = phrase!("write use = \"premix\" under [formula]"),
                            ),
                            Use::LeaveOn | Use::RinseOff | Use::Premix => {
                                phrase!("Lower the percent of what brings it in.")
                            }
                        };
                        lower.and(match outside.advice() {
                            Some(advice) => advice.into(),
                            None => phrase!("Correct the limit if it is wrong"),
                        })
                    }
                },
            ),
            false => (
                outside.rounded(),
                match outside.side {
                    Side::Under => phrase!(
                        "Raise its percent a little, make another batch size, or weigh it on a finer scale"
                    ),
                    Side::Over => phrase!(
                        "Lower its percent a little, make another batch size, or weigh it on a finer scale"
                    ),
                },
            ),
        };
        Problem {
            path: name.to_owned(),
            line: place.line,
            column: place.column,
            message,
            remedy,
        }
    };
    outside(&plan.limits, &targets, plan.batch)
        .iter()
        .map(one)
        .collect()
}

/// A batch in which every share is as exact as it is written.
const BIG: Mass = Mass::from_g(1_000);

/// The first line that brings it in; one with a limit of its own before others.
fn place(formula: &Formula, sources: &[String]) -> super::Place {
    let mine = |i: &&super::Ingredient| sources.iter().any(|name| same_name(name, &i.name));
    let mut all = formula.ingredients().filter(mine);
    let first = all.next();
    let limited = first
        .into_iter()
        .chain(all)
        .find(|i| i.limits != Limits::default());
    limited.or(first).map(|i| i.place).unwrap_or_default()
}

/// The limits of `plan` that can be crossed though every weight is inside its tolerance: what brings the
/// substance in is at one end of its tolerance, all else at the other. Those that are [`broken`] are
/// not told again.
pub fn exposed(
    formula: &Formula,
    plan: &Plan,
    scales: &[ScaleAbility],
    name: &str,
) -> Vec<Problem> {
    let targets: Vec<Held> = plan
        .steps
        .iter()
        .map(|step| held(step, step.target))
        .collect();
    let broken = outside(&plan.limits, &targets, plan.batch);
    let mut notes = Vec::new();
    for limited in &plan.limits {
        if broken.iter().any(|one| one.ingredient == limited.name) {
            continue;
        }
        let sources: Vec<String> = limited.sources().into_iter().map(str::to_owned).collect();
        let place = place(formula, &sources);
        let Limits { min, max } = limited.limits;
        for (side, limit) in [(Side::Under, min), (Side::Over, max)] {
            let Some(limit) = limit else { continue };
            let worst = Worst::of(plan, scales, limited, side, limit);
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
            if crossed(worst.sum, worst.total, only).is_some() {
                notes.push(Problem {
                    path: name.to_owned(),
                    line: place.line,
                    column: place.column,
                    message: worst.message(limited, side, limit),
                    remedy: worst.remedy(plan, limited, side, limit),
                });
            }
        }
    }
    notes
}

/// The least favourable weights that the tolerances allow.
struct Worst {
    /// Of the substance, as [`part_of`].
    sum: i128,
    /// Of the batch.
    total: Mass,
    /// The finest step of the scales that weigh what it comes with: no number is told finer.
    step: Mass,
}

impl Worst {
    /// A substance's share grows with what holds more of it than the limit, and falls with all else.
    fn of(
        plan: &Plan,
        scales: &[ScaleAbility],
        limited: &Limited,
        side: Side,
        limit: Percent,
    ) -> Worst {
        let sources = limited.sources();
        let mine = plan
            .steps
            .iter()
            .filter(|step| sources.iter().any(|one| same_name(one, &step.ingredient)));
        let steps = mine.filter_map(|step| Some(scales.get(step.scale)?.readability));
        let mut worst = Worst {
            sum: 0,
            total: Mass::ZERO,
            step: steps.min().unwrap_or(STEP),
        };
        for step in &plan.steps {
            let rich = limited.share_in(&step.ingredient, "") > limit;
            let mass = match (side, rich) {
                (Side::Over, true) | (Side::Under, false) => step.highest,
                (Side::Over, false) | (Side::Under, true) => step.lowest,
            };
            worst.sum += part_of(limited, &held(step, mass));
            worst.total += mass;
        }
        worst
    }

    fn message(&self, limited: &Limited, side: Side, limit: Percent) -> Sentence {
        let (name, mass) = (&limited.name, whole(self.sum));
        let percent = Slot::number(percent_beside(mass, self.total, limit));
        let mass = mass.round_to(self.step).grams(self.step);
        let limit = Slot::number(limit.text());
        let words = limited.limit_words();
        match (limited.is_plain(), side) {
            (true, Side::Under) => phrase!(
                "A weight inside the tolerance of \"{name}\" could be under the limit of {limit} %: {mass} g, with all else \
                 at its most, is {percent} % of the batch",
                name,
                limit,
                mass,
                percent,
            ),
            (true, Side::Over) => phrase!(
                "A weight inside the tolerance of \"{name}\" could be over the limit of {limit} %: {mass} g, with all else \
                 at its least, is {percent} % of the batch",
                name,
                limit,
                mass,
                percent,
            ),
            (false, Side::Under) => phrase!(
                "Weights inside their tolerances could bring \"{name}\" under {words} of {limit} %: {percent} % of the batch",
                name,
                words,
                limit,
                percent,
            ),
            (false, Side::Over) => phrase!(
                "Weights inside their tolerances could bring \"{name}\" over {words} of {limit} %: {percent} % of the batch",
                name,
                words,
                limit,
                percent,
            ),
        }
    }

    /// The tolerance that would keep the limit, where there is room for one, and the percent about which
    /// the present one would.
    fn remedy(&self, plan: &Plan, limited: &Limited, side: Side, limit: Percent) -> Sentence {
        if !limited.is_plain() {
            let sources: Vec<String> = limited.sources().into_iter().map(str::to_owned).collect();
            let sources = Sentence::listing(&sources);
            return match side {
                Side::Under => phrase!(
                    "Narrow the tolerances of {sources}, or raise their percents a little",
                    sources,
                ),
                Side::Over => phrase!(
                    "Narrow the tolerances of {sources}, or lower their percents a little",
                    sources,
                ),
            };
        }
        let mine = |step: &&Arc<Step>| same_name(&step.ingredient, &limited.name);
        let target: Mass = plan.steps.iter().filter(mine).map(|step| step.target).sum();
        // m / (m + others) = limit, solved for m; toward the target by the rounding.
        let (hundred, limit) = (i128::from(Percent::HUNDRED.0), i128::from(limit.0));
        let others = i128::from((self.total - whole(self.sum)).ng());
        let edge = others * limit / (hundred - limit).max(1);
        let edge = Mass::from_ng(edge.clamp(0, i128::from(Mass::LIMIT.ng())) as i64);
        let room = match side {
            Side::Under => target - edge,
            Side::Over => edge - target,
        };
        let room = room.floor_to(self.step);
        // As it is written into the file, with a point.
        let in_file = |key: &str| {
            phrase!(
                "to {key_in_file}{number_in_file}{end_in_file}",
                key_in_file = format!("{key} = {{ g = "),
                number_in_file = room.grams(self.step).to_string(),
                end_in_file = " }",
            )
        };
        match (room > Mass::ZERO, side) {
            (true, Side::Under) => phrase!(
                "Narrow its tolerance {how} or less, or raise its percent",
                how = in_file("under"),
            ),
            (true, Side::Over) => phrase!(
                "Narrow its tolerance {how} or less, or lower its percent",
                how = in_file("over"),
            ),
            (false, Side::Under) => {
                phrase!("Raise its percent, so that its tolerance has room beside the limit")
            }
            (false, Side::Over) => {
                phrase!("Lower its percent, so that its tolerance has room beside the limit")
            }
        }
    }
}

fn held(step: &Step, mass: Mass) -> Held<'_> {
    Held {
        ingredient: &step.ingredient,
        lot: "",
        mass,
    }
}

/// The limit that a sum as of [`part_of`] crosses in a batch of `total`; exact.
pub(super) fn crossed(sum: i128, total: Mass, limits: Limits) -> Option<(Side, Percent)> {
    let edge = |limit: Percent| i128::from(limit.0) * i128::from(total.ng());
    match limits {
        Limits { max: Some(max), .. } if sum > edge(max) => Some((Side::Over, max)),
        Limits { min: Some(min), .. } if sum < edge(min) => Some((Side::Under, min)),
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
