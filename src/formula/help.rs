//! Help for a step that its scale cannot prove, where it takes the whole formula to tell: a blend
//! made first, or weighing by difference.

use super::remarks::ReadIn;
use super::{Plan, Step, VesselWay};
use crate::language::{Sentence, Slot, phrase};
use crate::mass::Mass;
use crate::metrology::premix::Premix;
use crate::metrology::{ScaleAbility, feasibility_of};

/// Ways to prove `step`, each the middle of a sentence "To prove it: ...". Empty where none is known.
pub fn ways(
    plan: &Plan,
    step: &Step,
    scales: &[ScaleAbility],
    guard: f64,
    read_in: ReadIn,
) -> Vec<Sentence> {
    let by_difference = finer_by_difference(plan, step, scales, guard);
    let by_difference = by_difference.map(|scale| by_difference_on(scale, read_in));
    let premix = scales.get(step.scale).and_then(|scale| {
        let premix = Premix::of(step.limits(), scale, guard)?;
        let carrier = carrier(plan, step, premix.carried)?;
        Some(blend(&premix, carrier, scale.readability))
    });
    by_difference.into_iter().chain(premix).collect()
}

/// What the scale carries at the end of the step, the vessel's own weight apart: a bowl holds all that
/// came before.
pub fn load(plan: &Plan, step: &Step) -> Mass {
    match step.vessel {
        VesselWay::Bowl => plan.steps.iter().take(step.number).map(|s| s.target).sum(),
        VesselWay::Beaker | VesselWay::Difference | VesselWay::Jar => step.target,
    }
}

/// The scale that proves the step and cannot carry the bowl, but carries a source of it.
///
/// By difference a net weight has the same two readings, so on the same scale nothing is gained: it
/// helps only where it takes the load off.
fn finer_by_difference<'s>(
    plan: &Plan,
    step: &Step,
    scales: &'s [ScaleAbility],
    guard: f64,
) -> Option<&'s ScaleAbility> {
    let load = load(plan, step);
    let helps = |scale: &&ScaleAbility| {
        let proves = || {
            feasibility_of(step.limits(), scale, guard, true)
                .window
                .proven
        };
        let carries = |c: Mass| load > c && step.target < c;
        scale.capacity.is_some_and(carries) && proves()
    };
    scales.iter().find(helps)
}

fn by_difference_on(scale: &ScaleAbility, read_in: ReadIn) -> Sentence {
    let capacity = scale.capacity.unwrap_or_default();
    phrase!(
        "weigh it by difference{written} on the scale \"{scale}\", which cannot carry the bowl, with a source that weighs \
         less than {most} g, its bottle included",
        written = read_in.key(VesselWay::Difference),
        scale = scale.told(),
        most = capacity.grams(Mass::from_g(1)),
    )
}

/// The largest other ingredient, where the plan has enough of it to bring the blend's carrier. Whether
/// the two mix only the maker knows.
fn carrier<'p>(plan: &'p Plan, step: &Step, carried: Mass) -> Option<&'p str> {
    let others = plan
        .steps
        .iter()
        .filter(|other| other.ingredient != step.ingredient);
    let largest = others.max_by_key(|other| other.target)?;
    (largest.target >= carried).then_some(largest.ingredient.as_str())
}

fn blend(premix: &Premix, carrier: &str, d: Mass) -> Sentence {
    let gram = Mass::from_g(1);
    phrase!(
        "make a premix: blend {part} g of it evenly into {carrier_grams} g of an ingredient that it mixes with ({carrier} \
         is there in plenty), each to ±{blend} %, then weigh {weigh} g of the blend to ±{to} %, {times} times as much, and \
         leave {left} g of that ingredient out of its own step",
        part = premix.part.grams(gram),
        carrier_grams = premix.carrier.grams(gram),
        carrier,
        blend = Slot::number(percent(premix.blend_tolerance)),
        weigh = premix.weigh.grams(d),
        to = Slot::number(percent(premix.weigh_tolerance)),
        times = premix.times.to_string(),
        left = premix.carried.grams(d),
    )
}

/// Millionths as percent.
fn percent(millionths: i64) -> String {
    super::Percent(millionths * (super::Percent::HUNDRED.0 / 1_000_000)).text()
}
