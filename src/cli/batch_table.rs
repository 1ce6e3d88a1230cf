//! A batch as a table of 80 columns: the part that `bismar check` and `bismar plan` have in common.

use std::fmt::Write as _;

use crate::formula::VesselWay;
use crate::mass::Mass;
use crate::text::columns::Column::{Left as L, Right as R};
use crate::text::columns::{Column, cut, fold, line, width};
use crate::text::counted;
use crate::workshop::planning::{OnPaper, StepOnPaper};

const WIDTH: usize = 80;

/// Name, version and size of the batch.
pub(super) fn heading(text: &mut String, paper: &OnPaper) {
    let (formula, plan) = (&paper.formula, &paper.plan);
    let version = if formula.version.is_empty() {
        String::new()
    } else {
        format!(", version {}", formula.version)
    };
    paragraph(text, "", &format!("{}{version}", formula.name));
    let jars = plan.jars.map_or(String::new(), |(count, fill)| {
        let jars = counted(count, "jar", "jars");
        format!(" = {jars} × {} g", fill.grams(Mass::from_g(1)))
    });
    let batch = plan.batch.grams(Mass::from_g(1));
    let steps = counted(plan.steps.len(), "step", "steps");
    let spare = paper.spare().map_or(String::new(), |spare| {
        format!(" and {} g for losses", spare.grams(Mass::from_g(1)))
    });
    paragraph(text, "", &format!("Batch {batch} g{jars}{spare}, {steps}"));
    text.push('\n');
}

/// The steps in phases and order of weighing, with what is done at the end of each phase.
pub(super) fn table(text: &mut String, paper: &OnPaper) {
    row(
        text,
        [
            "",
            "ingredient",
            "percent",
            "target g",
            "window g",
            "vessel",
            "scale",
        ],
    );
    let mut phase = None;
    for (step, planned) in paper.steps().zip(&paper.plan.steps) {
        if phase.replace(planned.phase) != Some(planned.phase) {
            paragraph(text, "", step.phase.unwrap_or_default());
        }
        step_row(text, &step, planned.vessel);
        if let Some(mix) = step.mix {
            paragraph(text, "    ", &format!("then: {mix}"));
        }
    }
}

/// With the spaces between them 80.
const COLUMNS: [Column; 7] = [R(3), L(INGREDIENT), R(PERCENT), R(9), R(18), L(6), L(SCALE)];
pub(super) const INGREDIENT: usize = 22;
const PERCENT: usize = 8;
pub(super) const SCALE: usize = 8;

pub(super) fn row(text: &mut String, cells: [&str; 7]) {
    text.push_str(line(1, &COLUMNS, cells).trim_end());
    text.push('\n');
}

fn step_row(text: &mut String, step: &StepOnPaper, vessel: VesselWay) {
    let number = step.step.to_string();
    let name = fold(step.ingredient, INGREDIENT);
    let window = step.low.as_ref().zip(step.high.as_ref());
    let window = window.map_or(String::new(), |(low, high)| {
        let mark = if step.proven { "" } else { "?" };
        format!("{low} – {high}{mark}")
    });
    let vessel = match vessel {
        VesselWay::Beaker | VesselWay::Jar => "beaker",
        VesselWay::Bowl => "bowl",
        VesselWay::Difference => "diff.",
    };
    let scale = cut(step.scale, SCALE);
    let (last, before) = name
        .split_last()
        .map_or(("", &[][..]), |(l, b)| (l.as_str(), b));
    for (i, piece) in before.iter().enumerate() {
        row(
            text,
            [if i == 0 { &number } else { "" }, piece, "", "", "", "", ""],
        );
    }
    let number = if before.is_empty() {
        number.as_str()
    } else {
        ""
    };
    let mut percent = step.percent.clone();
    if percent.len() > PERCENT {
        percent.truncate(PERCENT - 1);
        percent.push('…');
    }
    row(
        text,
        [number, last, &percent, &step.target, &window, vessel, scale],
    );
}

/// A paragraph folded to the width, later lines set in under the first.
pub(super) fn paragraph(text: &mut String, lead: &str, words: &str) {
    let indent = " ".repeat(width(lead));
    for (i, line) in fold(words, WIDTH - width(lead)).iter().enumerate() {
        let _ = writeln!(text, "{}{line}", if i == 0 { lead } else { &indent });
    }
}
