//! A batch as a table of 80 columns: the part that `bismar check` and `bismar plan` have in common.

use std::fmt::Write as _;

use super::{heads, number, said};
use crate::formula::VesselWay;
use crate::language::{Sentence, Term, counted, phrase, term};
use crate::mass::Mass;
use crate::text::columns::Column::{Left as L, Right as R};
use crate::text::columns::{Column, cut, fold, line, width};
use crate::workshop::planning::{OnPaper, StepOnPaper};

const WIDTH: usize = 80;

/// Name, version and size of the batch.
pub(super) fn heading(text: &mut String, paper: &OnPaper) {
    let (formula, plan) = (&paper.formula, &paper.plan);
    let (name, version) = (&formula.name, &formula.version);
    let title = match version.as_str() {
        "" => name.as_str().into(),
        _ => phrase!("{name}, version {version}", name, version),
    };
    paragraph(text, "", &said(title));
    let jars = plan.jars.map_or(Sentence::none(), |(count, fill)| {
        phrase!(
            " = {jars} × {fill} g",
            jars = counted::jars(count.into()),
            fill = fill.grams(Mass::from_g(1))
        )
    });
    let steps = counted::steps(plan.steps.len());
    let spare = paper.spare().map_or(Sentence::none(), |spare| {
        phrase!(
            " and {spare} g for losses",
            spare = spare.grams(Mass::from_g(1))
        )
    });
    let size = phrase!(
        "Batch {batch} g{jars}{spare}, {steps}",
        batch = plan.batch.grams(Mass::from_g(1)),
        jars,
        spare,
        steps,
    );
    paragraph(text, "", &said(size));
    text.push('\n');
}

/// The steps in phases and order of weighing, with what is done at the end of each phase.
pub(super) fn table(text: &mut String, paper: &OnPaper) {
    let heads = heads([
        term!("ingredient"),
        term!("percent"),
        term!("target g"),
        term!("window g"),
        term!("vessel"),
        term!("scale"),
    ]);
    let [ingredient, percent, target, window, vessel, scale] = heads.each_ref();
    row(
        text,
        ["", ingredient, percent, target, window, vessel, scale],
    );
    let mut phase = None;
    for (step, planned) in paper.steps().zip(&paper.plan.steps) {
        if phase.replace(planned.phase) != Some(planned.phase) {
            paragraph(text, "", step.phase.unwrap_or_default());
        }
        step_row(text, &step, planned.vessel);
        if let Some(mix) = step.mix {
            paragraph(text, "    ", &said(phrase!("then: {mix}", mix)));
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
    let own = step.step.to_string();
    let name = fold(step.ingredient, INGREDIENT);
    let window = step.low.as_ref().zip(step.high.as_ref());
    let window = window.map_or(String::new(), |(low, high)| {
        let mark = if step.proven { "" } else { "?" };
        format!("{} – {}{mark}", number(low), number(high))
    });
    let vessel = said(way(vessel));
    let scale = said(step.scale.clone());
    let scale = cut(&scale, SCALE);
    let (last, before) = name
        .split_last()
        .map_or(("", &[][..]), |(l, b)| (l.as_str(), b));
    for (i, piece) in before.iter().enumerate() {
        row(
            text,
            [if i == 0 { &own } else { "" }, piece, "", "", "", "", ""],
        );
    }
    let first = if before.is_empty() {
        own
    } else {
        String::new()
    };
    let percent = number(&step.percent);
    row(
        text,
        [
            &first,
            last,
            &percent,
            &number(&step.target),
            &window,
            &vessel,
            scale,
        ],
    );
}

/// How a step is weighed, as short as a column of a table has it.
pub(super) const fn way(vessel: VesselWay) -> Term {
    match vessel {
        VesselWay::Beaker | VesselWay::Jar => term!("beaker"),
        VesselWay::Bowl => term!("bowl"),
        VesselWay::Difference => term!("diff."),
    }
}

/// A paragraph folded to the width, later lines set in under the first.
pub(super) fn paragraph(text: &mut String, lead: &str, words: &str) {
    let indent = " ".repeat(width(lead));
    for (i, line) in fold(words, WIDTH - width(lead)).iter().enumerate() {
        let _ = writeln!(text, "{}{line}", if i == 0 { lead } else { &indent });
    }
}
