//! From percent to grams: the plan of one batch.
//!
//! Every target is what its scale can show, and the targets sum to the batch exactly. That needs a
//! rule for the rest:
//!
//! - With a `balance` every other target is its exact share rounded to the nearest step of its scale,
//!   and the balance takes the rest. It is off by at most half a step for each other ingredient.
//! - Without one the method of the largest remainder is used: all shares are rounded down, and the
//!   steps still missing go to the ingredients that lost most. Each is within 1 d of its exact share.
//! - Where scales of different readability share a plan, the steps on the finer ones are rounded to the
//!   nearest and the method is used among the steps on the coarsest one. One of these gets a target
//!   finer than its scale can show. Each is within 1 d, or within 2 d where the roundings on the finer
//!   scales together come near a whole step of the coarse one.
//!
//! A batch that is no multiple of the finest readability in use (2 oz on a gram scale) is rounded to it.

use std::sync::Arc;

use super::contents::{Known, Limited, limited};
use super::remedy::Part;
use super::{
    Deviation, Formula, Ingredient, Percent, Plan, PlannedPart, PlannedPhase, Share, Step,
    Tolerance,
};
use crate::language::{Sentence, Slot, phrase, shown_as_told};
use crate::mass::Mass;
use crate::metrology::{Feasibility, ScaleAbility, StepLimits, feasibility_of};

/// How much to make.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum BatchSize {
    Batch(Mass),
    /// A number of jars with the net fill of each.
    Jars {
        count: u32,
        fill: Mass,
    },
    /// The same out of a batch of its own size: what is left over is lost in bowl and jars.
    JarsOf {
        count: u32,
        fill: Mass,
        batch: Mass,
    },
}

impl BatchSize {
    /// The largest batch that is believed: 1 t.
    pub const LARGEST: Mass = Mass::from_g(1_000_000);

    /// The mass of the whole batch.
    ///
    /// # Errors
    /// [`PlanError::BatchSize`] unless the amount is positive and at most 1 t.
    pub fn total(self) -> Result<Mass, PlanError> {
        let (mass, positive) = match self {
            BatchSize::Batch(mass) => (mass, mass > Mass::ZERO),
            BatchSize::Jars { count, fill } => {
                (fill * i64::from(count), count > 0 && fill > Mass::ZERO)
            }
            BatchSize::JarsOf { count, fill, batch } => {
                (batch, count > 0 && fill > Mass::ZERO && batch > Mass::ZERO)
            }
        };
        if !positive {
            return Err(PlanError::BatchSize(phrase!(
                "A batch must weigh more than nothing"
            )));
        }
        if mass > BatchSize::LARGEST {
            // Not the sum itself: beyond the range of a mass it is only the end of that range.
            return Err(PlanError::BatchSize(phrase!(
                "A batch of more than 1 t (1000 kg) is not taken"
            )));
        }
        Ok(mass)
    }
}

/// Why there is no plan. Shown as what is wrong and what to do.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum PlanError {
    BatchSize(Sentence),
    Filling(Sentence),
    NoScale,
    TooLittle {
        ingredient: String,
        share: String,
        step: String,
        batch: String,
    },
    TooHeavy {
        ingredient: String,
        load: String,
    },
    EmptyPasses {
        ingredient: String,
        under: String,
        target: String,
    },
}

impl PlanError {
    /// What is wrong and what to do.
    pub fn told(&self) -> Sentence {
        let number = |written: &String| Slot::number(written.as_str());
        match self {
            PlanError::BatchSize(why) => {
                phrase!(
                    "{why}. Write for example 440g, or 8 jars of 55g.",
                    why = why.clone()
                )
            }
            PlanError::Filling(why) => phrase!("{why}.", why = why.clone()),
            PlanError::NoScale => phrase!("No scale is set up yet."),
            PlanError::TooLittle {
                ingredient,
                share,
                step,
                batch,
            } => phrase!(
                "\"{ingredient}\" would be {share} g, and its scale shows steps of {step} g. Make at least {batch} g, use a finer scale, or blend it into a larger part first.",
                ingredient,
                share = number(share),
                step = number(step),
                batch = number(batch),
            ),
            PlanError::TooHeavy { ingredient, load } => phrase!(
                "\"{ingredient}\" brings {load} g onto the scale, and no scale carries that. Make a smaller batch, or weigh it in parts as ingredients of their own.",
                ingredient,
                load = number(load),
            ),
            PlanError::EmptyPasses {
                ingredient,
                under,
                target,
            } => phrase!(
                "The tolerance of \"{ingredient}\" allows {under} g under, and its target is {target} g: an empty vessel would pass. Write a smaller tolerance or make a larger batch.",
                ingredient,
                under = number(under),
                target = number(target),
            ),
        }
    }
}

shown_as_told!(PlanError);

impl std::error::Error for PlanError {}

impl Plan {
    /// Brings `formula` to grams for `amount`, each step on the scale that can prove it: the first in
    /// the order given that carries the load and proves the tolerance with the `guard` factor; if none
    /// does, the finest that carries it ([`Plan::feasibility`] then says so). Its limits are those that the
    /// formula alone tells; [`Plan::with_limits`] gives it those that reach further.
    ///
    /// # Errors
    /// See [`PlanError`].
    pub fn new(
        formula: &Formula,
        amount: BatchSize,
        scales: &[ScaleAbility],
        guard: f64,
    ) -> Result<Plan, PlanError> {
        let asked = amount.total()?;
        let finest = scales
            .iter()
            .map(|s| s.readability)
            .min()
            .ok_or(PlanError::NoScale)?;
        let shares = formula.shares();
        let mut drafts = Vec::new();
        let mut poured = Mass::ZERO;
        for (ingredient, &share) in formula.ingredients().zip(&shares) {
            let exact = share.of(asked);
            let load = load(ingredient, exact, poured);
            poured += exact;
            let limits = tolerance_limits(&ingredient.tolerance, exact);
            let moved = ingredient.vessel.moves();
            let scale = choose(scales, limits, load, guard, moved).ok_or(PlanError::TooHeavy {
                ingredient: ingredient.name.clone(),
                load: load.grams(finest).to_string(),
            })?;
            let d = scales.get(scale).map_or(finest, |s| s.readability);
            let balance = ingredient.share == Share::Balance;
            drafts.push(Draft {
                share,
                d,
                scale,
                balance,
                target: Mass::ZERO,
            });
        }
        let used = drafts.iter().map(|draft| draft.d).min().unwrap_or(finest);
        let batch = asked.round_to(used);
        round_all(&mut drafts, batch);
        let steps = steps(formula, &drafts, batch)?;
        let parts = (formula.ingredients().zip(&shares).zip(&steps))
            .map(|((ingredient, &share), step)| part(ingredient, share, step))
            .collect();
        Ok(Plan {
            batch,
            jars: match amount {
                BatchSize::Batch(_) => None,
                BatchSize::Jars { count, fill } | BatchSize::JarsOf { count, fill, .. } => {
                    Some((count, fill))
                }
            },
            formula: formula.name.clone(),
            version: formula.version.clone(),
            phases: formula
                .phases
                .iter()
                .map(|phase| PlannedPhase {
                    name: phase.name.clone(),
                    mix: phase.mix.clone(),
                })
                .collect(),
            steps,
            parts,
            limits: limited(formula, &Known::default()),
            filling: None,
        })
    }

    /// The same plan, held to what else is known of what is in it.
    #[must_use]
    pub fn with_limits(self, limits: Vec<Limited>) -> Plan {
        Plan { limits, ..self }
    }

    /// A sentence where the batch is not what was `asked` for, since the scales cannot show that.
    pub fn rounding(&self, asked: BatchSize) -> Option<Sentence> {
        let asked = asked.total().ok().filter(|asked| *asked != self.batch)?;
        let exact = |mass: Mass| mass.grams(Mass::from_g(1));
        Some(phrase!(
            "the batch is {grams} g instead of {asked} g, since its scales show no finer steps",
            grams = exact(self.batch),
            asked = exact(asked),
        ))
    }

    /// Whether each step can be proven on its scale, in the order of the steps. `None` for a step
    /// whose scale is not in `scales`.
    pub fn feasibility(&self, scales: &[ScaleAbility], guard: f64) -> Vec<Option<Feasibility>> {
        let one = |step: &Arc<Step>| Some(step.feasibility(scales.get(step.scale)?, guard));
        self.steps.iter().map(one).collect()
    }
}

impl Step {
    /// Whether it can be proven on `scale`.
    pub fn feasibility(&self, scale: &ScaleAbility, guard: f64) -> Feasibility {
        feasibility_of(self.limits(), scale, guard, self.vessel.moves())
    }

    /// Target and tolerance limits of this step.
    pub fn limits(&self) -> StepLimits {
        StepLimits {
            target: self.target,
            lowest: self.lowest,
            highest: self.highest,
        }
    }
}

fn part(ingredient: &Ingredient, share: Percent, step: &Step) -> PlannedPart {
    PlannedPart {
        name: ingredient.name.clone(),
        premix: ingredient.premix.clone(),
        share,
        bounds: Part::new(ingredient, share, step.target, Mass::ZERO),
        target: step.target,
        under: step.target - step.lowest,
        over: step.highest - step.target,
    }
}

/// What the scale carries at the end of the step, vessels apart, since their weights are not known
/// when planning. A bowl may hold everything that came before it.
fn load(ingredient: &Ingredient, exact: Mass, poured: Mass) -> Mass {
    match ingredient.vessel {
        super::VesselWay::Bowl => poured + exact,
        super::VesselWay::Beaker | super::VesselWay::Difference | super::VesselWay::Jar => exact,
    }
}

/// The tolerance limits around `target`; rounded inward to a nanogram.
pub fn tolerance_limits(tolerance: &Tolerance, target: Mass) -> StepLimits {
    StepLimits {
        target,
        lowest: target - allowed(tolerance.under, target),
        highest: target + allowed(tolerance.over, target),
    }
}

/// The wider of a side's percent and grams.
fn allowed(side: Deviation, target: Mass) -> Mass {
    let percent = match (side.percent, side.mass) {
        (None, None) => Some(Tolerance::DEFAULT_PERCENT),
        (percent, _) => percent,
    };
    let of_target = |percent: Percent| {
        let ng = i128::from(target.ng()) * i128::from(percent.0);
        Mass::from_ng(ng.div_euclid(i128::from(Percent::HUNDRED.0)) as i64)
    };
    percent
        .map_or(Mass::ZERO, of_target)
        .max(side.mass.unwrap_or(Mass::ZERO))
}

fn choose(
    scales: &[ScaleAbility],
    limits: StepLimits,
    load: Mass,
    guard: f64,
    moved: bool,
) -> Option<usize> {
    let able = |(_, scale): &(usize, &ScaleAbility)| scale.capacity.is_none_or(|c| load <= c);
    // Where a scale's step is coarser than the target itself, its window says nothing.
    let proves = |(_, scale): &(usize, &ScaleAbility)| {
        let target = limits.target.round_to(scale.readability);
        let limits = StepLimits { target, ..limits };
        feasibility_of(limits, scale, guard, moved).window.proven
    };
    let mut carrying = scales.iter().enumerate().filter(able);
    let finest = || {
        scales
            .iter()
            .enumerate()
            .filter(able)
            .min_by_key(|(_, s)| s.readability)
    };
    carrying
        .find(proves)
        .or_else(finest)
        .map(|(index, _)| index)
}

/// A step before it is written out.
struct Draft {
    share: Percent,
    /// Readability of its scale.
    d: Mass,
    scale: usize,
    balance: bool,
    target: Mass,
}

impl Draft {
    /// The exact share as a numerator over 10¹¹ ng: it fits, 10¹¹ × 10¹⁵ ng.
    fn exact(&self, batch: Mass) -> i128 {
        i128::from(self.share.0) * i128::from(batch.ng())
    }

    /// How many whole steps of d the exact share holds, and what is left of it.
    fn whole_steps(&self, batch: Mass) -> (i64, i128) {
        let step = i128::from(self.d.ng().max(1)) * i128::from(Percent::HUNDRED.0);
        let exact = self.exact(batch);
        ((exact.div_euclid(step)) as i64, exact.rem_euclid(step))
    }

    /// The exact share rounded to the nearest step, halves to even.
    fn nearest(&self, batch: Mass) -> Mass {
        let (steps, rest) = self.whole_steps(batch);
        let step = i128::from(self.d.ng().max(1)) * i128::from(Percent::HUNDRED.0);
        let up = rest * 2 > step || (rest * 2 == step && steps % 2 != 0);
        self.d * (steps + i64::from(up))
    }
}

/// Sets every target; see the module's text.
fn round_all(drafts: &mut [Draft], batch: Mass) {
    let coarsest = drafts
        .iter()
        .map(|draft| draft.d)
        .max()
        .unwrap_or(Mass::ZERO);
    let has_balance = drafts.iter().any(|draft| draft.balance);
    let mut left = batch;
    for draft in drafts.iter_mut() {
        if (has_balance && !draft.balance) || (!has_balance && draft.d < coarsest) {
            draft.target = draft.nearest(batch);
            left -= draft.target;
        }
    }
    if has_balance {
        for draft in drafts.iter_mut().filter(|draft| draft.balance) {
            draft.target = left;
        }
        return;
    }
    let mut group: Vec<&mut Draft> = drafts.iter_mut().filter(|d| d.d == coarsest).collect();
    for draft in &mut group {
        draft.target = coarsest * draft.whole_steps(batch).0;
        left -= draft.target;
    }
    // Stable: among equal remainders the earlier ingredient gets the step.
    group.sort_by_key(|draft| std::cmp::Reverse(draft.whole_steps(batch).1));
    for draft in &mut group {
        // The last to get something may get less than a whole step: what its scale cannot show.
        let more = left.min(coarsest).max(Mass::ZERO);
        draft.target += more;
        left -= more;
    }
    if let Some(heaviest) = group.iter_mut().max_by_key(|draft| draft.target) {
        heaviest.target += left;
    }
}

fn steps(formula: &Formula, drafts: &[Draft], batch: Mass) -> Result<Vec<Arc<Step>>, PlanError> {
    let mut steps = Vec::new();
    let mut drafts = drafts.iter();
    for (phase, group) in formula.phases.iter().enumerate() {
        for (i, ingredient) in group.ingredients.iter().enumerate() {
            let Some(draft) = drafts.next() else { break };
            checked(ingredient, draft, batch)?;
            let limits = tolerance_limits(&ingredient.tolerance, draft.target);
            steps.push(Arc::new(Step {
                number: steps.len() + 1,
                phase,
                part: steps.len(),
                ingredient: ingredient.name.clone(),
                target: draft.target,
                lowest: limits.lowest,
                highest: limits.highest,
                vessel: ingredient.vessel,
                caution: ingredient.caution.clone(),
                lot_required: ingredient.lot_required,
                last_of_phase: i + 1 == group.ingredients.len(),
                scale: draft.scale,
            }));
        }
    }
    Ok(steps)
}

fn checked(ingredient: &Ingredient, draft: &Draft, batch: Mass) -> Result<(), PlanError> {
    let name = ingredient.name.clone();
    if draft.target < draft.d.max(Mass::from_ng(1)) {
        // The smallest batch that gives it one step: d × 100 / percent, rounded up to a gram.
        let need = i128::from(draft.d.ng()) * i128::from(Percent::HUNDRED.0);
        let need = need / i128::from(draft.share.0.max(1));
        let need = Mass::from_ng(i64::try_from(need).unwrap_or(i64::MAX)).ceil_to(Mass::from_g(1));
        return Err(PlanError::TooLittle {
            ingredient: name,
            share: draft.share.of(batch).grams_rounded(6).to_string(),
            step: draft.d.grams(draft.d).to_string(),
            batch: need.grams(Mass::from_g(1)).to_string(),
        });
    }
    let under = allowed(ingredient.tolerance.under, draft.target);
    if under >= draft.target {
        return Err(PlanError::EmptyPasses {
            ingredient: name,
            under: under.grams(draft.d).to_string(),
            target: draft.target.grams(draft.d).to_string(),
        });
    }
    Ok(())
}
