//! A batch as a table of 80 columns: the part that `bismar check` and `bismar plan` have in common.

use std::fmt::Write as _;

use crate::formula::{Formula, Percent, Plan, Step, VesselWay};
use crate::mass::Mass;
use crate::metrology::{Feasibility, ScaleAbility};
use crate::text::columns::Column::{Left as L, Right as R};
use crate::text::columns::{Column, cut, fold, line, width};
use crate::text::counted;

const WIDTH: usize = 80;

/// Name, version and size of the batch.
pub(super) fn heading(formula: &Formula, plan: &Plan, scales: &[ScaleAbility]) -> String {
    let mut text = String::new();
    let version = if formula.version.is_empty() {
        String::new()
    } else {
        format!(", version {}", formula.version)
    };
    paragraph(&mut text, "", &format!("{}{version}", formula.name));
    let jars = plan.jars.map_or(String::new(), |(count, fill)| {
        let jars = counted(count, "jar", "jars");
        format!(" = {jars} × {} g", fill.grams(Mass::from_g(1)))
    });
    let batch = plan.batch.grams(Mass::from_g(1));
    let steps = counted(plan.steps.len(), "step", "steps");
    let finest = scales.iter().map(|scale| scale.readability).min();
    let spare = plan
        .spare(finest.unwrap_or_default())
        .map_or(String::new(), |spare| {
            format!(" and {} g for losses", spare.grams(Mass::from_g(1)))
        });
    paragraph(
        &mut text,
        "",
        &format!("Batch {batch} g{jars}{spare}, {steps}"),
    );
    text.push('\n');
    text
}

/// The steps in phases and order of weighing, with what is done at the end of each phase.
pub(super) fn table(
    text: &mut String,
    formula: &Formula,
    plan: &Plan,
    scales: &[ScaleAbility],
    feasible: &[Option<Feasibility>],
) {
    let shares = formula.shares();
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
    for (i, step) in plan.steps.iter().enumerate() {
        if phase.replace(step.phase) != Some(step.phase) {
            let name = plan.phases.get(step.phase).map_or("", |phase| &phase.name);
            paragraph(text, "", name);
        }
        let share = shares.get(i).copied().unwrap_or_default();
        step_row(
            text,
            step,
            share,
            feasible.get(i).and_then(Option::as_ref),
            scales,
        );
        let mix = plan
            .phases
            .get(step.phase)
            .and_then(|phase| phase.mix.as_ref());
        if let Some(mix) = mix.filter(|_| step.last_of_phase) {
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

fn step_row(
    text: &mut String,
    step: &Step,
    share: Percent,
    feasible: Option<&Feasibility>,
    scales: &[ScaleAbility],
) {
    let scale = scales.get(step.scale);
    let d = scale.map_or(Mass::ZERO, |scale| scale.readability);
    let number = step.number.to_string();
    let name = fold(&step.ingredient, INGREDIENT);
    let window = feasible.map_or(String::new(), |f| {
        let mark = if f.window.proven { "" } else { "?" };
        format!(
            "{} – {}{mark}",
            f.window.low.grams(d),
            f.window.high.grams(d)
        )
    });
    let vessel = match step.vessel {
        VesselWay::Beaker | VesselWay::Jar => "beaker",
        VesselWay::Bowl => "bowl",
        VesselWay::Difference => "diff.",
    };
    let scale = cut(scale.map_or("", |s| &s.name), SCALE);
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
    let target = step.target.grams(d).to_string();
    let mut percent = share.text();
    if percent.len() > PERCENT {
        percent.truncate(PERCENT - 1);
        percent.push('…');
    }
    row(
        text,
        [number, last, &percent, &target, &window, vessel, scale],
    );
}

/// A paragraph folded to the width, later lines set in under the first.
pub(super) fn paragraph(text: &mut String, lead: &str, words: &str) {
    let indent = " ".repeat(width(lead));
    for (i, line) in fold(words, WIDTH - width(lead)).iter().enumerate() {
        let _ = writeln!(text, "{}{line}", if i == 0 { lead } else { &indent });
    }
}
