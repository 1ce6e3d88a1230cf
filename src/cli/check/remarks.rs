//! What stands under the table: what would help, what the scales prove, the cautions.

use super::super::batch_table::{INGREDIENT, SCALE, paragraph, row};
use crate::formula::cautions::{self, STANDING};
use crate::formula::{Formula, Plan, remarks};
use crate::metrology::repeatability::USP_FRACTION;
use crate::metrology::{Feasibility, ScaleAbility, Uncertainty};
use crate::text::columns::{cut, width};

/// `room`: whether to tell where a scale has little left for the vessel.
pub fn remarks(
    text: &mut String,
    formula: &Formula,
    plan: &Plan,
    scales: &[ScaleAbility],
    guard: f64,
    room: bool,
) {
    for line in remarks::lines(formula, plan, scales, guard, room) {
        paragraph(text, "- ", &line);
    }
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
            &shortened(&step.ingredient, INGREDIENT),
            "",
            &step.target.grams(d).to_string(),
            &from,
            "",
            &shortened(&scale.name, SCALE),
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

fn shortened(text: &str, columns: usize) -> String {
    match width(text) > columns {
        true => format!("{}…", cut(text, columns - 1)),
        false => text.to_owned(),
    }
}

/// All cautions, and what stands under every list of them.
pub fn cautions(text: &mut String, formula: &Formula) {
    let lines = cautions::lines(formula);
    if lines.is_empty() {
        return;
    }
    text.push_str("\nCautions\n");
    for line in lines {
        paragraph(text, "- ", &line);
    }
    paragraph(text, "", STANDING);
}
