//! What stands under the table: what would help, what the scales prove, the cautions.

use super::super::batch_table::{COLUMNS, paragraph, row};
use crate::formula::cautions::{self, STANDING, clings};
use crate::formula::{Formula, Ingredient, Plan, Step, VesselWay, help};
use crate::mass::Mass;
use crate::metrology::repeatability::USP_FRACTION;
use crate::metrology::{Feasibility, ScaleAbility, Uncertainty, feasibility};

/// A glass beaker of the size a step needs weighs about this much. Common practice, no source.
const BEAKER: Mass = Mass::from_g(100);

/// `room`: whether to tell where a scale has little left for the vessel.
pub fn remarks(
    text: &mut String,
    formula: &Formula,
    plan: &Plan,
    scales: &[ScaleAbility],
    guard: f64,
    room: bool,
) {
    for (step, ingredient) in plan.steps.iter().zip(formula.ingredients()) {
        let Some(scale) = scales.get(step.scale) else {
            continue;
        };
        let found = feasibility(step.limits(), scale, guard);
        let further = || help::ways(plan, step, scales, guard);
        let remarks = [
            unproven(step, scale, &found, further),
            narrow(scale, &found),
            little_room(plan, step, scale).filter(|_| room),
            clinging(step, ingredient),
        ];
        for remark in remarks.into_iter().flatten() {
            let whole = format!("Step {}, {}: {remark}", step.number, step.ingredient);
            paragraph(text, "- ", &whole);
        }
    }
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
        "the scale \"{}\" cannot prove {} to {} g; its net weights are uncertain by ±{} g (k = 2). {remedy}",
        scale.name,
        step.lowest.grams(d),
        step.highest.grams(d),
        found
            .uncertainty
            .expanded()
            .ceil_to(Mass::from_mg(1))
            .grams_rounded(3),
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

/// From which net weight on each step's scale proves its tolerance, and the yardstick of USP <41>.
pub fn smallest(
    text: &mut String,
    plan: &Plan,
    scales: &[ScaleAbility],
    feasible: &[Option<Feasibility>],
) {
    text.push_str("\nFrom which net weight on a scale proves a step's tolerance\n");
    row(
        text,
        [
            "",
            "ingredient",
            "",
            "target g",
            "proven from g",
            "",
            "scale",
        ],
    );
    for (step, found) in plan.steps.iter().zip(feasible) {
        let (Some(found), Some(scale)) = (found, scales.get(step.scale)) else {
            continue;
        };
        let d = scale.readability;
        let from = found
            .smallest_net
            .map_or("-".to_owned(), |m| m.grams(d).to_string());
        let cells = [
            &step.number.to_string(),
            &cut(&step.ingredient, COLUMNS[1]),
            "",
            &step.target.grams(d).to_string(),
            &from,
            "",
            &cut(&scale.name, COLUMNS[6]),
        ];
        row(text, cells);
    }
    if feasible
        .iter()
        .flatten()
        .any(|found| found.smallest_net.is_none())
    {
        let line = "\"-\": the tolerance allows nothing to one side; what can be proven lies beside the \
                    target.";
        paragraph(text, "", line);
    }
    for (index, scale) in scales.iter().enumerate() {
        if plan.steps.iter().any(|step| step.scale == index) {
            yardstick(text, scale);
        }
    }
}

fn yardstick(text: &mut String, scale: &ScaleAbility) {
    let Some(least) = scale.smallest_net(USP_FRACTION) else {
        return;
    };
    let d = scale.readability;
    let floor = Uncertainty::REPEATABILITY_FLOOR * d.to_g_f64();
    let origin = match scale.repeatability {
        None => "the floor of 0.41 d, since nothing was measured; `bismar repeatability` does",
        Some(s) if s.to_g_f64() < floor => "the floor of 0.41 d; what was measured is less",
        Some(_) => "as measured",
    };
    let line = format!(
        "Yardstick of USP <41>, made for pharmacopoeial work: on \"{}\" nothing below {} g (2 s / 0.10 %). \
         s = {:.4} g ({origin}).",
        scale.name,
        least.grams(d),
        scale.s(),
    );
    paragraph(text, "", &line);
}

fn cut(text: &str, width: usize) -> String {
    match text.chars().count() > width {
        true => text.chars().take(width - 1).chain(['…']).collect(),
        false => text.to_owned(),
    }
}

/// The maker's own cautions as they are, those of several steps once; then what is usual.
pub fn cautions(text: &mut String, formula: &Formula) {
    let mut own: Vec<(Vec<&str>, &str)> = Vec::new();
    for ingredient in formula.ingredients() {
        let Some(caution) = ingredient.caution.as_deref() else {
            continue;
        };
        match own.iter_mut().find(|(_, text)| *text == caution) {
            Some((names, _)) if names.contains(&ingredient.name.as_str()) => {}
            Some((names, _)) => names.push(&ingredient.name),
            None => own.push((vec![&ingredient.name], caution)),
        }
    }
    let usual = cautions::cautions(formula);
    if own.is_empty() && usual.is_empty() {
        return;
    }
    text.push_str("\nCautions\n");
    for (names, caution) in own {
        paragraph(text, "- ", &format!("{}: {caution}", names.join(", ")));
    }
    for caution in usual {
        let names = caution.ingredients.join(", ");
        paragraph(text, "- ", &format!("{names}: {}", caution.text));
    }
    paragraph(text, "", STANDING);
}
