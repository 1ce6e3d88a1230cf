//! `check --budget`: what makes the net weights of a formula uncertain on the scales that weigh them.

use super::super::batch_table::paragraph;
use super::super::{heads, number, said};
use crate::formula::Step;
use crate::language::{phrase, term};
use crate::metrology::{Budget, ScaleAbility, Weighing};
use crate::text::columns::Column::{Left as L, Right as R};
use crate::text::columns::{Column, line};
use crate::workshop::planning::OnPaper;

/// With the spaces between them and a bar behind them 80.
const COLUMNS: [Column; 6] = [L(23), L(1), L(11), L(10), R(8), R(4)];
const BAR: usize = 12;

/// Steps whose budget is the same stand together.
struct Group<'p> {
    scale: &'p ScaleAbility,
    moved: bool,
    budget: Budget,
    steps: Vec<&'p Step>,
}

pub(super) fn budget(text: &mut String, paper: &OnPaper) {
    text.push_str(&format!(
        "\n{}\n",
        said(phrase!("Uncertainty budgets of the steps"))
    ));
    for group in groups(paper) {
        head(text, &group);
        let [part, distribution, origin] = heads([term!("part"), term!("as"), term!("from")]);
        cells(text, [&part, "", &distribution, &origin, "u g", "%"], "");
        for part in group.budget.parts() {
            let share = group.budget.share(part);
            let bar = "#".repeat((share * BAR as f64).round() as usize);
            let [name, distribution, origin] =
                heads([part.part.name(), part.distribution, part.origin.name()]);
            let row = [
                name.as_str(),
                part.kind.name(),
                &distribution,
                &origin,
                &number(format!("{:.5}", part.u)),
                &format!("{:.0}", 100.0 * share),
            ];
            cells(text, row, &bar);
        }
    }
    let line = phrase!(
        "A and B: from repeated weighings, or from anything else (JCGM 100). u: standard uncertainty from that part alone, \
         for a net weight in any vessel that the scale carries; %: its share of u². The record's U also has the tare that \
         there was, what was carried over a key or a lift, and unrest."
    );
    text.push('\n');
    paragraph(text, "", &said(line));
}

fn groups(paper: &OnPaper) -> Vec<Group<'_>> {
    let mut groups: Vec<Group<'_>> = Vec::new();
    for step in &paper.plan.steps {
        let Some(scale) = paper.scales.get(step.scale) else {
            continue;
        };
        let moved = step.vessel.moves();
        let budget = scale.budget(&Weighing {
            moved,
            ..Weighing::planned(step.target)
        });
        let same = |group: &&mut Group<'_>| group.scale == scale && group.budget == budget;
        match groups.iter_mut().find(same) {
            Some(group) => group.steps.push(step),
            None => groups.push(Group {
                scale,
                moved,
                budget,
                steps: vec![step],
            }),
        }
    }
    groups
}

fn head(text: &mut String, group: &Group<'_>) {
    let d = group.scale.readability;
    let steps = group.steps.iter().map(|step| {
        let (number, target) = (step.number, step.target.grams(d));
        phrase!("{number} ({target} g)", number, target)
    });
    let steps = steps.reduce(|all, one| phrase!("{all}, {one}", all, one));
    let steps = steps.unwrap_or_default();
    let steps = match group.steps.len() {
        1 => phrase!("Step {step}", step = steps),
        _ => phrase!("Steps {steps}", steps),
    };
    let u = group.budget.uncertainty();
    let (scale, u, coverage) = (group.scale.told(), u.told(), u.told_coverage());
    let line = match group.moved {
        true => phrase!(
            "{steps} on \"{scale}\", by difference: U = {u} g, {coverage}",
            steps,
            scale,
            u,
            coverage,
        ),
        false => phrase!(
            "{steps} on \"{scale}\": U = {u} g, {coverage}",
            steps,
            scale,
            u,
            coverage,
        ),
    };
    text.push('\n');
    paragraph(text, "", &said(line));
}

fn cells(text: &mut String, row: [&str; 6], bar: &str) {
    let row = format!("{} {bar}", line(2, &COLUMNS, row));
    text.push_str(row.trim_end());
    text.push('\n');
}
