//! The plan of filling jars out of a batch that is made.

use std::sync::Arc;

use super::plan::PlanError;
use super::{Plan, PlannedPhase, Step, VesselWay};
use crate::language::{Sentence, phrase, remark};
use crate::mass::Mass;
use crate::metrology::ScaleAbility;
use crate::metrology::prepackage::{Filling, Rule};

/// The name of the one phase of a filling, in the log.
pub fn phase() -> Sentence {
    remark!("Filling")
}
/// More jars than this are not planned at once.
pub const MOST_JARS: usize = 2_000;

/// How jars are filled.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Fill {
    /// The net content on the label: what a jar holds at least.
    pub nominal: Mass,
    /// How much more than that is let in.
    pub over: Mass,
    pub rule: Rule,
    /// What there is to fill: the batch less what was filled before.
    pub made: Mass,
    /// The number of the first jar of this filling: earlier ones of the batch count before it.
    pub first: usize,
    /// The number of the last jar that is planned.
    pub last: usize,
}

impl Fill {
    /// What is let in over the label where nothing else is said: 2 %, and 0.2 g at least. Common
    /// practice, no source.
    pub fn usual_over(nominal: Mass) -> Mass {
        nominal.ratio(1, 50).max(Mass::from_mg(200))
    }

    /// How many jars of `nominal` there are in `made`.
    pub fn hold(nominal: Mass, made: Mass) -> usize {
        usize::try_from(made.ng().max(0) / nominal.ng().max(1)).unwrap_or(0)
    }

    /// What is poured for: the middle between the label and the most that is let in. Each jar then
    /// holds what its label says, and the running mean does too.
    pub fn aim(&self) -> Mass {
        aim(self.nominal, self.over)
    }

    /// The same where nothing else is said of `over`.
    pub fn usual_aim(nominal: Mass) -> Mass {
        aim(nominal, Fill::usual_over(nominal))
    }

    /// How many jars of `nominal` get full out of `there`, each poured to its usual aim and the last to its
    /// label at least. To the last nanogram nothing is ever poured: something must be left.
    pub fn full(nominal: Mass, there: Mass) -> u32 {
        let beyond_the_last = there - nominal;
        if nominal <= Mass::ZERO || beyond_the_last <= Mass::ZERO {
            return 0;
        }
        let others = (beyond_the_last.ng() - 1) / Fill::usual_aim(nominal).ng();
        u32::try_from(others + 1).unwrap_or(u32::MAX)
    }
}

fn aim(nominal: Mass, over: Mass) -> Mass {
    nominal + over.ratio(1, 2)
}

impl Plan {
    /// One step a jar, on the finest scale that carries the fill and shows steps small enough for the
    /// band between label and `over`. `label` names the formula.
    ///
    /// # Errors
    /// [`PlanError::NoScale`]; [`PlanError::Filling`] for a fill that is nothing, a band that no scale
    /// can hit, or for no or too many jars.
    pub fn filling(
        fill: Fill,
        label: &str,
        scales: &[ScaleAbility],
        guard: f64,
    ) -> Result<Plan, PlanError> {
        let wrong = |why: Sentence| Err(PlanError::Filling(why));
        if scales.is_empty() {
            return Err(PlanError::NoScale);
        }
        if fill.nominal <= Mass::ZERO || fill.over <= Mass::ZERO {
            return wrong(phrase!(
                "A jar must hold more than nothing, and a little over must be let in"
            ));
        }
        if Filling::new(fill.nominal, fill.rule).is_none() {
            return wrong(phrase!(
                "{rule} does not cover a jar of {fill} g; give {rule_at_terminal} with the allowable variation that \
                 holds for your label",
                rule = fill.rule.source(),
                fill = fill.nominal.grams(Mass::from_mg(10)),
                rule_at_terminal = "--rule hb133",
            ));
        }
        if fill.last < fill.first || fill.first == 0 {
            return wrong(phrase!("There is not enough left for one jar"));
        }
        if fill.last > MOST_JARS {
            return wrong(phrase!(
                "More than {most} jars are not filled in one batch",
                most = MOST_JARS,
            ));
        }
        let lowest = fill.nominal;
        let highest = fill.nominal + fill.over;
        let limits = crate::metrology::StepLimits {
            target: fill.aim(),
            lowest,
            highest,
        };
        let carries = |scale: &ScaleAbility| scale.capacity.is_none_or(|c| highest <= c);
        let proves = |scale: &ScaleAbility| {
            carries(scale)
                && crate::metrology::feasibility(limits, scale, guard)
                    .window
                    .proven
        };
        let Some(scale) = scales.iter().position(proves) else {
            let finest = scales
                .iter()
                .filter(|s| carries(s))
                .map(|s| s.readability)
                .min();
            return wrong(match finest {
                None => phrase!("No scale carries {load} g", load = highest.grams_rounded(2)),
                Some(d) => phrase!(
                    "No scale can prove a jar between {low} g and {high} g (the finest shows steps of {d} g). Let in \
                     more with {over_at_terminal}",
                    low = lowest.round_to(d).grams(d),
                    high = highest.round_to(d).grams(d),
                    d = d.grams(d),
                    over_at_terminal = "--over",
                ),
            });
        };
        let d = scales.get(scale).map_or(Mass::ZERO, |s| s.readability);
        let target = fill.aim().round_to(d);
        let jar = |number| Step {
            number,
            phase: 0,
            part: 0,
            ingredient: label.to_owned(),
            target,
            lowest,
            highest,
            vessel: VesselWay::Jar,
            caution: None,
            lot_required: false,
            last_of_phase: number == fill.last,
            scale,
        };
        Ok(Plan {
            batch: fill.made,
            jars: Some((
                u32::try_from(fill.last + 1 - fill.first).unwrap_or(u32::MAX),
                fill.nominal,
            )),
            formula: label.to_owned(),
            version: String::new(),
            phases: vec![PlannedPhase {
                name: phase().into(),
                mix: None,
            }],
            steps: (1..=fill.last).map(jar).map(Arc::new).collect(),
            parts: Vec::new(),
            limits: Vec::new(),
            filling: Some(fill),
        })
    }
}
