//! The batches that were made: the list, one record, its sheet, and the chart over many.

use serde_json::{Value, json};

use super::super::context::{self, Context};
use super::{Batch, grams};
use crate::chart::history::{bare, signed};
use crate::chart::report::report;
use crate::chart::svg::WIDTH;
use crate::display::spoken::{language, said};
use crate::formula::amend::for_a_person;
use crate::journal::batch::record::Record;
use crate::journal::batch::standing::{Standing, Unproven, skipped};
use crate::journal::format::cell::Grams;
use crate::journal::format::row::Row;
use crate::journal::read::record;
use crate::language::{phrase, remark, term};
use crate::mass::Mass;
use crate::sheet::html;
use crate::workshop::{QueryError, batches as folder, stopped};

/// Batches told at a time.
const PAGE: usize = 30;

/// The batches from the newest on, `skip` of them left out.
///
/// # Errors
/// When the folder cannot be read; a log that does not read is told in its place.
pub fn batches(context: &Context, skip: usize) -> Result<Value, QueryError> {
    let logs = folder::archive(&context.config().logs()?).newest()?;
    let all = logs.len();
    let told = logs.iter().skip(skip).take(PAGE).map(|path| {
        let name = crate::journal::name_of(path);
        match record::read(path) {
            Ok(record) => json!({
                "batch": name,
                "formula": record.formula,
                "opened": record.opened_at.map(|at| at.to_string()),
                "state": state(&record).1,
                "code": state(&record).0,
                "grams": grams(record.total()),
                "fillable": record.is_fillable(),
                "jars": record.filled.len(),
            }),
            Err(error) => json!({ "batch": name, "error": error.told() }),
        }
    });
    let told: Vec<Value> = told.collect();
    let more = all.saturating_sub(skip.saturating_add(told.len()));
    Ok(json!({ "batches": told, "more": more }))
}

/// How far a batch is: a word for a program, and words for a person.
fn state(record: &Record) -> (&'static str, String) {
    if record.fault.is_some() {
        return ("damaged", said(&term!("its log is damaged").into()));
    }
    let standing = record.standing();
    let code = match &standing {
        Standing::Open => "open",
        Standing::Complete => "complete",
        Standing::Incomplete(_) => "ended-early",
    };
    (code, said(&standing.told()))
}

/// What was weighed in one batch, and what else its log says.
///
/// # Errors
/// Where the log cannot be read.
pub fn record(context: &Context, asked: &Batch) -> Result<Value, QueryError> {
    let record = record::read(&context.log(&asked.batch)?)?;
    let text = |amount: Option<Grams>| amount.map(|amount| amount.to_string());
    let steps = record.steps.values().map(|step| {
        json!({
            "step": step.step,
            "phase": said(&remark::told(&step.phase)),
            "ingredient": step.ingredient,
            "lot": step.lot,
            "target": text(step.target),
            "low": text(step.low),
            "high": text(step.high),
            "net": text(step.net),
            "deviation": text(step.deviation).map(|off| signed(&off)),
            "verdict": step.verdict.map(|verdict| verdict.name()),
            "unproven": unproven(step),
            "skipped": skipped(step).map(|reason| said(&phrase!("skipped: {reason}", reason))),
        })
    });
    let jars = record.filled.iter().map(|row| {
        json!({
            "jar": row.step,
            "net": text(row.net),
            "verdict": row.verdict.map(|verdict| verdict.name()),
            "unproven": unproven(row),
        })
    });
    let notes = record
        .notes
        .iter()
        .map(|row| row.note.as_str())
        .chain(record.remedies.iter().map(|row| for_a_person(&row.note)))
        .map(|note| said(&remark::told(note)));
    let planned = record.opening.as_ref().and_then(|opening| opening.jars);
    let rest = record.rest();
    let planned = planned.map(
        |(count, fill)| json!({ "count": count, "fill": fill.grams(Mass::from_g(1)).to_string() }),
    );
    // The formula itself knows where its name ends; a name without a version may have several words.
    let named = record.read_formula().and_then(Result::ok);
    let named = named.map_or(bare(&record.formula).to_owned(), |formula| formula.name);
    Ok(json!({
        "batch": record.batch,
        "formula": record.formula,
        "bare": named,
        "opened": record.opened_at.map(|at| at.to_string()),
        "closed": record.closed.as_ref().map(|row| row.at.to_string()),
        "state": state(&record).1,
        "code": state(&record).0,
        "fault": record.fault.as_ref().map(|fault| said(&fault.told())),
        "grams": grams(record.total()),
        "weighed": record.total() > Mass::ZERO,
        "rest": (rest > Mass::ZERO).then(|| grams(rest)),
        "jar": record.jar().map(|jar| jar.grams(Mass::from_g(1)).to_string()),
        "fillable": record.is_fillable(),
        "planned": planned,
        "steps": steps.collect::<Vec<_>>(),
        "jars": jars.collect::<Vec<_>>(),
        "notes": notes.collect::<Vec<_>>(),
    }))
}

/// Why a weight has no verdict, and whether it could have one if it was weighed again.
fn unproven(row: &Row) -> Option<Value> {
    let found = Unproven::of(row)?;
    let off = row.uncertainty.filter(|_| !found.too_coarse);
    Some(json!({
        "why": said(&remark::told(found.why)),
        "off": off.map(|off| off.to_string()),
        "again": !found.too_coarse,
    }))
}

/// The sheet of a batch as one HTML document.
///
/// # Errors
/// Where the log is not as it was written, or has no row.
pub fn sheet(context: &Context, asked: &Batch) -> Result<String, QueryError> {
    let path = context.log(&asked.batch)?;
    let mut record = folder::sheet_record(&path)?;
    record.scales = context.config().abilities();
    record.language = language();
    if record.rows.is_empty() {
        let log = path.display().to_string();
        let text = phrase!("{log}: the log has no row yet", log);
        return Err(QueryError::Other(text));
    }
    Ok(html(&record))
}

/// Whose chart: an ingredient's, or a formula's; and how wide it is shown, CSS pixels.
#[derive(Debug, serde::Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Chart {
    name: String,
    #[serde(default)]
    formula: bool,
    width: Option<u32>,
}

/// The control chart over many batches as SVG and in words, and which other names look like the one it is of.
///
/// # Errors
/// Where the logs cannot be read, or fewer than two batches tell of it.
pub fn chart(context: &Context, asked: &Chart) -> Result<Value, QueryError> {
    let told = folder::gather_of(&context.config().logs()?, &asked.name)?;
    let chart = report(&told.batches, &asked.name, asked.formula, language())
        .and_then(|report| report.chart);
    let chart = chart
        .ok_or_else(|| QueryError::Other(phrase!("there is no chart of fewer than two batches")))?;
    let width = asked.width.unwrap_or(WIDTH);
    Ok(json!({
        "svg": chart.svg(width, language()),
        "words": said(&chart.words()),
        "alike": told.alike.iter().map(said).collect::<Vec<_>>(),
    }))
}

/// The batches that were stopped and are not finished, the one that was worked at last first. The one under way is
/// among them.
///
/// # Errors
/// When the folder cannot be read.
pub fn stopped(context: &Context) -> Result<Value, QueryError> {
    let config = context.config();
    let all = stopped::stopped(&config, &config.logs()?, context::threads())?;
    let told = all.into_iter().map(|one| {
        json!({
            "batch": one.batch,
            "formula": one.formula,
            "last": one.last_at.map(|at| at.to_string()),
            "say": said(&one.say),
            "heed": one.heed.iter().map(said).collect::<Vec<_>>(),
            "cannot": one.cannot.as_ref().map(said),
        })
    });
    Ok(json!({ "batches": told.collect::<Vec<_>>() }))
}
