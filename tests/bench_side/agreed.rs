//! Rows of an honest batch, through a log's lines and back: held against each other, the formula and the size of the
//! batch. Whatever the hands did and the scale showed, nothing that the program wrote may be called forged.
#![allow(dead_code, reason = "each test program uses a part")]

use std::fmt::Write as _;

use bismar::formula::filling::Fill;
use bismar::formula::{Formula, Plan, VesselWay};
use bismar::journal::batch::agree::Agreement;
use bismar::journal::format::chain;
use bismar::journal::format::fill_note;
use bismar::journal::format::opening::Opening;
use bismar::journal::format::row::{Row, Stamp};
use bismar::mass::{Mass, Unit};
use bismar::vocabulary::entry::{Draft, RowKind, Verdict};

/// Holds the rows that a bench wrote while it weighed `plan`, each with its seq.
#[track_caller]
pub fn of_plan(case: &str, plan: &Plan, rows: impl IntoIterator<Item = (u64, Draft)>) {
    let text = text_of(plan);
    let formula = Formula::parse(&text, "").unwrap_or_else(|e| panic!("{case}: {e}\n{text}"));
    let batch = match &plan.filling {
        Some(fill) => fill.made,
        None => plan.batch,
    };
    let before = plan.filling.map(filled_from).unwrap_or_default();
    let rows = (1..).zip(before).chain(rows);
    of_formula(case, &formula, batch, rows);
}

/// The same, of a batch of `formula`; rows that open it may be among them.
#[track_caller]
pub fn of_formula(
    case: &str,
    formula: &Formula,
    batch: Mass,
    rows: impl IntoIterator<Item = (u64, Draft)>,
) {
    let label = formula.label();
    let opening = Opening {
        text: formula.text.clone(),
        batch,
        jars: None,
    };
    let opening = opening.drafts(&label).expect("a formula that fits");
    let mut rows = rows.into_iter().peekable();
    let opened = rows
        .peek()
        .is_some_and(|(_, draft)| draft.kind == RowKind::Opened);
    let opening = opening
        .into_iter()
        .filter(|_| !opened)
        .map(|draft| (0, draft));
    let mut agreement = Agreement::default();
    let mut previous = chain::start("case");
    for (seq, draft) in opening.chain(rows) {
        let stamp = Stamp {
            batch: "case",
            seq: seq.max(1),
            at: jiff::Timestamp::UNIX_EPOCH,
            formula: &label,
        };
        let row = Row::from_draft(&draft, stamp).sealed(&previous);
        let line = row.line();
        let mut reader = csv::ReaderBuilder::new();
        let mut reader = reader.has_headers(false).from_reader(&line[..]);
        let read = reader.records().next().expect("a row").expect("a record");
        let row = Row::from_record(&read).expect("a row");
        if let Err(wrong) = agreement.add(&row) {
            let (column, why) = (wrong.column, wrong.why.to_string());
            panic!("{case}: seq {seq}, {column}: {why}\n{draft:?}");
        }
        previous = row.chain;
    }
}

/// A formula of which `plan` is one batch.
fn text_of(plan: &Plan) -> String {
    let grams = |mass: Mass| mass.grams(Mass::from_ng(1)).to_string();
    let mut text = String::new();
    let mut line = |line: String| writeln!(text, "{line}").unwrap();
    line("[formula]".into());
    if let Some(fill) = &plan.filling {
        line(format!("name = {:?}", plan.formula));
        line("[[phase]]\nname = \"All\"\n[[phase.ingredient]]\nname = \"Product\"".into());
        line(format!("parts = \"{}\"", grams(fill.made)));
        return text;
    }
    line(format!(
        "name = {:?}\nversion = {:?}",
        plan.formula, plan.version
    ));
    for (at, phase) in plan.phases.iter().enumerate() {
        line(format!("[[phase]]\nname = {:?}", phase.name));
        if let Some(mix) = &phase.mix {
            line(format!("mix = {mix:?}"));
        }
        for step in plan.steps.iter().filter(|step| step.phase == at) {
            line(format!(
                "[[phase.ingredient]]\nname = {:?}",
                step.ingredient
            ));
            line(format!("parts = \"{}\"", grams(step.target)));
            line(format!("vessel = {:?}", step.vessel.name()));
            line(format!(
                "tolerance = {{ under = {{ g = \"{}\" }}, over = {{ g = \"{}\" }} }}",
                grams(step.target - step.lowest),
                grams(step.highest - step.target)
            ));
        }
    }
    text
}

/// What stands in a log before its jars are filled.
fn filled_from(fill: Fill) -> Vec<Draft> {
    let d = Mass::from_mg(10);
    let weighed = Draft {
        step: 1,
        ingredient: "Product".into(),
        vessel: VesselWay::Beaker.name().into(),
        target: Some(fill.made),
        low: Some(fill.made - d),
        high: Some(fill.made + d),
        tare: Some(Mass::ZERO),
        gross: Some(fill.made),
        net: Some(fill.made),
        uncertainty: Some(d * 3),
        verdict: Some(Verdict::Inside),
        scale: "bench".into(),
        unit: Some(Unit::Gram),
        readings: Some(3),
        readability: Mass::from_ng(1),
        ..Draft::new(RowKind::Weighed, "")
    };
    let closed = Draft {
        target: Some(fill.made),
        net: Some(fill.made),
        readability: Mass::from_ng(1),
        ..Draft::new(RowKind::Closed, "complete")
    };
    vec![
        weighed,
        closed,
        Draft::new(RowKind::Note, fill_note::note_of(&fill)),
    ]
}
