//! The lines under the table: what would help, what the scales prove, the cautions.

use super::super::batch_table::{INGREDIENT, SCALE, paragraph, row};
use super::super::{heads, number, said};
use crate::formula::cautions::{self, STANDING};
use crate::formula::remarks::ReadIn;
use crate::language::{Slot, phrase, term};
use crate::metrology::repeatability::USP_FRACTION;
use crate::metrology::{ScaleAbility, Uncertainty};
use crate::text::columns::{cut, width};
use crate::workshop::planning::OnPaper;

/// `room`: whether to tell where a scale has little left for the vessel.
pub fn remarks(text: &mut String, paper: &OnPaper, room: bool) {
    for line in paper.remarks(room, ReadIn::File) {
        paragraph(text, "- ", &said(line));
    }
}

/// From which net weight on each step's scale proves its tolerance, and the yardstick of USP <41>.
pub fn smallest(text: &mut String, paper: &OnPaper) {
    let (steps, feasible) = (&paper.plan.steps, &paper.feasible);
    let title = phrase!("From which net weight on a scale proves a step's tolerance");
    text.push_str(&format!("\n{}\n", said(title)));
    let [ingredient, target, from, scale] = heads([
        term!("ingredient"),
        term!("target g"),
        term!("proven from g"),
        term!("scale"),
    ]);
    row(text, ["", &ingredient, "", &target, &from, "", &scale]);
    for (step, found) in steps.iter().zip(feasible) {
        let (Some(found), Some(scale)) = (found, paper.scales.get(step.scale)) else {
            continue;
        };
        let d = scale.readability;
        let from = found
            .smallest_net
            .map_or("-".to_owned(), |m| number(m.grams(d)));
        let cells = [
            &step.number.to_string(),
            &shortened(&step.ingredient, INGREDIENT),
            "",
            &number(step.target.grams(d)),
            &from,
            "",
            &shortened(&said(scale.told()), SCALE),
        ];
        row(text, cells);
    }
    if feasible
        .iter()
        .flatten()
        .any(|found| found.smallest_net.is_none())
    {
        let line = phrase!(
            "\"-\": the tolerance allows nothing to one side; what can be proven lies beside the target."
        );
        paragraph(text, "", &said(line));
    }
    for (index, scale) in paper.scales.iter().enumerate() {
        if steps.iter().any(|step| step.scale == index) {
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
        None => {
            phrase!("ASSUMED, 1 d, since nothing was measured; `bismar repeatability` does")
        }
        Some(s) if s.to_g_f64() < floor => {
            phrase!("the floor of 0.41 d; what was measured is less")
        }
        Some(_) => phrase!("as measured"),
    };
    let line = phrase!(
        "Yardstick of USP <41>, made for pharmacopoeial work: on \"{scale}\" nothing below {least} g (2 s / 0.10 %). \
         s = {s} g ({origin}).",
        scale = scale.told(),
        least = least.grams(d),
        s = Slot::number(format!("{:.4}", scale.s())),
        origin,
    );
    paragraph(text, "", &said(line));
}

fn shortened(text: &str, columns: usize) -> String {
    match width(text) > columns {
        true => format!("{}…", cut(text, columns - 1)),
        false => text.to_owned(),
    }
}

/// All cautions, and what stands under every list of them.
pub fn cautions(text: &mut String, paper: &OnPaper) {
    let lines = cautions::lines(&paper.formula, &paper.known);
    if lines.is_empty() {
        return;
    }
    text.push_str(&said(phrase!("\nCautions\n")));
    for line in lines {
        paragraph(text, "- ", &said(line));
    }
    paragraph(text, "", &said(STANDING));
}
