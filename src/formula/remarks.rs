//! Remarks on the steps of a plan before anything is weighed.

use super::cautions;
use super::contents::Known;
use super::{Formula, Plan, Step, VesselWay, help};
use crate::language::{Sentence, phrase};
use crate::mass::Mass;
use crate::metrology::{Feasibility, ScaleAbility};

/// A glass beaker of the size a step needs weighs about this much. Common practice, no source.
const BEAKER: Mass = Mass::from_g(100);

/// Where a remark is read: who has the formula's file before her sees what to write there, who has a form sees fields.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ReadIn {
    File,
    Form,
}

impl ReadIn {
    /// How a way to weigh is written in a file, as it follows its name.
    pub(super) fn key(self, way: VesselWay) -> String {
        match self {
            ReadIn::File => format!(" (vessel = \"{}\")", way.name()),
            ReadIn::Form => String::new(),
        }
    }
}

/// What is to be said of each step: what would help where its scale cannot prove it, a narrow window,
/// little room on the scale (only with `room`), what clings to its beaker.
pub fn lines(
    formula: &Formula,
    known: &Known,
    plan: &Plan,
    scales: &[ScaleAbility],
    guard: f64,
    room: bool,
    read_in: ReadIn,
) -> Vec<Sentence> {
    let steps = plan.steps.iter().zip(cautions::clinging(formula, known));
    let lines = steps.flat_map(|(step, clings)| {
        let remarks = of_step(plan, step, clings, scales, guard, room, read_in);
        remarks.map(|remark| {
            phrase!(
                "Step {number}, {name}: {remark}",
                number = step.number,
                name = &step.ingredient,
                remark,
            )
        })
    });
    lines.collect()
}

/// What is to be said of one step, of which all knows where it stands; of the room on its scale where it is asked for.
/// `clings`: see [`cautions::clinging`].
pub fn of_step(
    plan: &Plan,
    step: &Step,
    clings: bool,
    scales: &[ScaleAbility],
    guard: f64,
    room: bool,
    read_in: ReadIn,
) -> impl Iterator<Item = Sentence> + use<> {
    let remarks = scales.get(step.scale).map(|scale| {
        let found = step.feasibility(scale, guard);
        let further = || help::ways(plan, step, scales, guard, read_in);
        [
            unproven(step, scale, &found, further),
            narrow(scale, &found),
            little_room(plan, step, scale, read_in).filter(|_| room),
            clinging(step, clings, read_in),
        ]
    });
    remarks.into_iter().flatten().flatten()
}

fn unproven(
    step: &Step,
    scale: &ScaleAbility,
    found: &Feasibility,
    further: impl Fn() -> Vec<Sentence>,
) -> Option<Sentence> {
    if found.window.proven {
        return None;
    }
    let d = scale.readability;
    // A tolerance of less than a step would be told as one number.
    let one = |d: Mass| step.lowest.round_to(d) == step.highest.round_to(d);
    let finer = [1, 10, 100, 1000].map(|part| d.ratio(1, part));
    let shown = finer.into_iter().find(|&d| !one(d)).unwrap_or(d);
    let remedy = found.remedy(step.limits(), scale, further())?;
    Some(phrase!(
        "the scale \"{scale}\" cannot prove {low} to {high} g; its net weights are uncertain by ±{u} g ({coverage}). {remedy}",
        scale = scale.told(),
        low = step.lowest.round_to(shown).grams(shown),
        high = step.highest.round_to(shown).grams(shown),
        u = found.uncertainty.told(),
        coverage = found.uncertainty.told_coverage(),
        remedy,
    ))
}

fn narrow(scale: &ScaleAbility, found: &Feasibility) -> Option<Sentence> {
    let d = scale.readability;
    let values = (found.window.high - found.window.low).ng() / d.ng().max(1) + 1;
    if !found.window.proven || values >= 3 {
        return None;
    }
    let values = match values {
        1 => phrase!("a single value"),
        values => phrase!("only {values} values", values = values.to_string()),
    };
    Some(phrase!(
        "the window has {values} to hit at steps of {d} g. A larger batch or a finer scale makes it wider.",
        values,
        d = d.grams(d),
    ))
}

fn little_room(
    plan: &Plan,
    step: &Step,
    scale: &ScaleAbility,
    read_in: ReadIn,
) -> Option<Sentence> {
    let d = scale.readability;
    let left = scale.capacity? - help::load(plan, step);
    if left >= BEAKER {
        return None;
    }
    let (scale, left) = (scale.told(), left.grams(d));
    Some(match step.vessel {
        VesselWay::Bowl => phrase!(
            "the scale \"{scale}\" has {left} g left for the bowl, with all that is in it by then. By difference{written} only \
             its source stands on the scale.",
            scale,
            left,
            written = read_in.key(VesselWay::Difference),
        ),
        VesselWay::Beaker | VesselWay::Jar => {
            phrase!(
                "the scale \"{scale}\" has {left} g left for the vessel.",
                scale,
                left
            )
        }
        VesselWay::Difference => phrase!(
            "the scale \"{scale}\" has {left} g left for the source and what stays in it.",
            scale,
            left,
        ),
    })
}

/// By difference and in the bowl the net weight is what left the source; in a beaker what was poured into
/// it, and some of that stays.
fn clinging(step: &Step, clings: bool, read_in: ReadIn) -> Option<Sentence> {
    (step.vessel == VesselWay::Beaker && clings).then(|| {
        phrase!(
            "what clings to the beaker is weighed and does not get into the batch. Weigh it into the bowl{in_bowl}, \
             or by difference from its own bottle{by_difference}.",
            in_bowl = read_in.key(VesselWay::Bowl),
            by_difference = read_in.key(VesselWay::Difference),
        )
    })
}
