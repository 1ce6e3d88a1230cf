//! What is to be said of the steps of a plan before anything is weighed.

use super::cautions::clings;
use super::{Formula, Ingredient, Plan, Step, VesselWay, help};
use crate::mass::Mass;
use crate::metrology::{Feasibility, ScaleAbility};

/// A glass beaker of the size a step needs weighs about this much. Common practice, no source.
const BEAKER: Mass = Mass::from_g(100);

/// What is to be said of each step: what would help where its scale cannot prove it, a narrow window,
/// little room on the scale (only with `room`), what clings to its beaker.
pub fn lines(
    formula: &Formula,
    plan: &Plan,
    scales: &[ScaleAbility],
    guard: f64,
    room: bool,
) -> Vec<String> {
    let steps = plan.steps.iter().zip(formula.ingredients());
    let lines = steps.flat_map(|(step, ingredient)| {
        let remarks = of_step(plan, step, ingredient, scales, guard, room);
        remarks.map(|remark| format!("Step {}, {}: {remark}", step.number, step.ingredient))
    });
    lines.collect()
}

/// What is to be said of one step, of which all knows where it stands.
pub fn of_step(
    plan: &Plan,
    step: &Step,
    ingredient: &Ingredient,
    scales: &[ScaleAbility],
    guard: f64,
    room: bool,
) -> impl Iterator<Item = String> + use<> {
    let remarks = scales.get(step.scale).map(|scale| {
        let found = step.feasibility(scale, guard);
        let further = || help::ways(plan, step, scales, guard);
        [
            unproven(step, scale, &found, further),
            narrow(scale, &found),
            little_room(plan, step, scale).filter(|_| room),
            clinging(step, ingredient),
        ]
    });
    remarks.into_iter().flatten().flatten()
}

fn unproven(
    step: &Step,
    scale: &ScaleAbility,
    found: &Feasibility,
    further: impl Fn() -> Vec<String>,
) -> Option<String> {
    if found.window.proven {
        return None;
    }
    let d = scale.readability;
    let remedy = found.remedy(step.limits(), scale, further())?;
    Some(format!(
        "the scale \"{}\" cannot prove {} to {} g; its net weights are uncertain by ±{} g ({}). {remedy}",
        scale.name,
        step.lowest.round_to(d).grams(d),
        step.highest.round_to(d).grams(d),
        found.uncertainty.told(),
        found.uncertainty.told_coverage(),
    ))
}

fn narrow(scale: &ScaleAbility, found: &Feasibility) -> Option<String> {
    let d = scale.readability;
    let values = (found.window.high - found.window.low).ng() / d.ng().max(1) + 1;
    if !found.window.proven || values >= 3 {
        return None;
    }
    let values = match values {
        1 => "a single value".to_owned(),
        values => format!("only {values} values"),
    };
    Some(format!(
        "the window has {values} to hit at steps of {} g. A larger batch or a finer scale makes it wider.",
        d.grams(d)
    ))
}

fn little_room(plan: &Plan, step: &Step, scale: &ScaleAbility) -> Option<String> {
    let d = scale.readability;
    let left = scale.capacity? - help::load(plan, step);
    if left >= BEAKER {
        return None;
    }
    let (vessel, way) = match step.vessel {
        VesselWay::Bowl => (
            "the bowl, with all that is in it by then",
            " By difference (vessel = \"difference\") only its source stands on the scale.",
        ),
        VesselWay::Beaker | VesselWay::Jar => ("the vessel", ""),
        VesselWay::Difference => ("the source and what stays in it", ""),
    };
    Some(format!(
        "the scale \"{}\" has {} g left for {vessel}.{way}",
        scale.name,
        left.grams(d)
    ))
}

/// By difference and in the bowl the net weight is what left the source; in a beaker what was poured into
/// it, and some of that stays.
fn clinging(step: &Step, ingredient: &Ingredient) -> Option<String> {
    (step.vessel == VesselWay::Beaker && clings(ingredient)).then(|| {
        "what clings to the beaker is weighed and does not get into the batch. Weigh it into the bowl \
         (vessel = \"bowl\"), or by difference from its own bottle (vessel = \"difference\")."
            .to_owned()
    })
}
