//! The formulas to choose from, and one of them as a batch on paper.

use std::collections::BTreeSet;
use std::path::Path;

use serde_json::{Value, json};

use super::super::context::{Context, threads};
use super::grams;
use crate::display::spoken::said;
use crate::formula::Formula;
use crate::formula::allowance::JarsShort;
use crate::formula::cautions::{self, STANDING};
use crate::formula::form::of_the_form;
use crate::formula::remarks::ReadIn;
use crate::formula::substances::FILE;
use crate::journal::format::chain::sha256;
use crate::language::{Sentence, phrase};
use crate::lots::shelf::StepSupply;
use crate::mass::Mass;
use crate::protocol::request;
use crate::workshop::batches::shelf;
use crate::workshop::planning::{OnPaper, StepOnPaper};
use crate::workshop::{self, QueryError, formula_file, scale_check, today};

/// Of a folder with very many files only the first are told.
const MOST_FORMULAS: usize = 500;

/// The formulas of the folder, by their files' names.
///
/// # Errors
/// When the folder is not known or cannot be read; a missing one is empty.
pub fn formulas(context: &Context) -> Result<Value, QueryError> {
    let folder = context.config().formulas()?;
    let names = names(&folder)
        .map_err(|error| QueryError::Other(format!("{}: {error}", folder.display()).into()))?;
    let more = names.len().saturating_sub(MOST_FORMULAS);
    let one = |name: &String| match workshop::formula(&folder.join(name)) {
        Ok(formula) => json!({
            "file": name,
            "name": formula.name,
            "version": formula.version,
            "ingredients": formula.ingredients().count(),
            "phases": formula.phases.iter().map(|phase| &phase.name).collect::<Vec<_>>(),
        }),
        Err(problems) => json!({ "file": name, "error": bare(&problems.told(), &folder) }),
    };
    let told: Vec<Value> = names.iter().take(MOST_FORMULAS).map(one).collect();
    Ok(json!({ "folder": folder.display().to_string(), "formulas": told, "more": more }))
}

/// What the formulas of the folder are made of, each name once.
pub fn ingredients(context: &Context) -> Vec<String> {
    let all = named(context).into_iter().map(|(name, _)| name);
    let all: BTreeSet<String> = all.collect();
    all.into_iter().collect()
}

/// The same with the INCI names.
pub fn named(context: &Context) -> BTreeSet<(String, Option<String>)> {
    let Ok(folder) = context.config().formulas() else {
        return BTreeSet::new();
    };
    let names = names(&folder).unwrap_or_default();
    let files = names.iter().take(MOST_FORMULAS);
    let formulas: Vec<Formula> = files
        .flat_map(|name| workshop::formula(&folder.join(name)))
        .collect();
    let all = formulas.iter().flat_map(Formula::ingredients);
    all.map(|one| (one.name.clone(), one.inci.clone()))
        .collect()
}

/// The names of the formulas' files; a missing folder has none.
fn names(folder: &Path) -> std::io::Result<Vec<String>> {
    let entries = match std::fs::read_dir(folder) {
        Ok(entries) => entries,
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(Vec::new()),
        Err(error) => return Err(error),
    };
    let mut names: Vec<String> = entries
        .flatten()
        .filter_map(|entry| entry.file_name().into_string().ok())
        .filter(|name| name.ends_with(".toml") && !name.starts_with('.') && name != FILE)
        .collect();
    names.sort();
    Ok(names)
}

/// What is wrong with a formula, with its file's name alone: the page tells the folder elsewhere.
pub fn bare(words: &Sentence, folder: &Path) -> String {
    let folder = format!("{}/", folder.display());
    said(words).replace(&folder, "")
}

/// Which formula, and how much of it; sizes are texts with their unit.
#[derive(Debug, serde::Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Plan {
    formula: String,
    batch: Option<String>,
    jars: Option<u32>,
    fill: Option<String>,
    allowance: Option<String>,
}

/// The steps in grams, whether the scales prove them and the lots are enough, and what to heed.
///
/// # Errors
/// Where the formula, the size, the list of lots or the logs do not read, with what to do.
pub fn plan(context: &Context, asked: &Plan) -> Result<Value, QueryError> {
    let path = context.formula(&asked.formula)?;
    worked_out(context, asked, &path).map_err(|error| match (path.parent(), error) {
        // Its places name the folder.
        (Some(folder), QueryError::File(problems)) => {
            QueryError::Other(bare(&problems.told(), folder).into())
        }
        (_, error) => error,
    })
}

fn worked_out(context: &Context, asked: &Plan, path: &Path) -> Result<Value, QueryError> {
    let config = context.config();
    let amount = request::amount(
        asked.batch.as_deref(),
        asked.jars,
        asked.fill.as_deref(),
        asked.allowance.as_deref(),
    )?;
    let paper = OnPaper::new(path, amount, &config)?;
    let (formula, plan) = (&paper.formula, &paper.plan);
    let folder = path.parent().unwrap_or(path);
    // Of the formula's own file the page knows no line: it is changed in the form.
    let own = path.display().to_string();
    let notes = paper.notes.iter().map(|note| match note.path == own {
        true => said(&formula_file::bare(note)),
        false => bare(&of_the_form(&note.told()), folder),
    });
    let notes = notes.chain(paper.rounded.iter().map(said));
    let file = context.lots_file().unwrap_or_default();
    let list = (file.as_path(), context.lots()?);
    let (shelf, damaged) = shelf(&config.logs()?, threads(), list, (formula, today()))?;
    let damaged: Vec<String> = damaged.iter().map(ToString::to_string).collect();
    let supplies = shelf.supplies(formula, plan);
    let premix_of = |name: &str| {
        let mut all = formula.ingredients();
        all.find(|one| one.name == name)?.premix.as_deref()
    };
    let steps = paper.steps().enumerate().map(|(i, step)| WithLots {
        lots: supplies
            .get(i)
            .map(|found| supply(found, premix_of(step.ingredient))),
        scale: said(&step.scale),
        step,
    });
    let jars = plan
        .jars
        .map(|(count, fill)| json!({ "count": count, "fill": grams(fill) }));
    Ok(json!({
        "file": asked.formula,
        "name": formula.name,
        "version": formula.version,
        "text": sha256(&formula.text),
        "batch": grams(plan.batch),
        "jars": jars,
        "spare": paper.spare().map(grams),
        "short": paper.jars_short(Some(&config.logs()?))?.map(short),
        "steps": steps.collect::<Vec<_>>(),
        "assumed": paper.assumed,
        "uncarried": paper.uncarried(),
        "proven": paper.is_proven(),
        "enough": supplies.iter().all(StepSupply::is_enough),
        "notes": notes.collect::<Vec<_>>(),
        "remarks": paper.remarks(false, ReadIn::Form).iter().map(said).collect::<Vec<_>>(),
        "covers": paper.covers().iter().map(said).collect::<Vec<_>>(),
        "cautions": cautions::lines(formula, &paper.known).iter().map(said).collect::<Vec<_>>(),
        "standing": said(&STANDING.into()),
        "unchecked": unchecked(context, plan)?,
        "damaged": damaged,
    }))
}

/// That not every jar gets full, and the percent for losses with which they do.
fn short(found: JarsShort) -> Value {
    let percent = found.allowance.map(|allowance| allowance.percent().text());
    json!({ "say": said(&found.told()), "percent": percent })
}

#[derive(serde::Serialize)]
struct WithLots<'p> {
    #[serde(flatten)]
    step: StepOnPaper<'p>,
    scale: String,
    lots: Option<Value>,
}

/// What a step takes, and what is short of it. Of a `premix` that is made here.
fn supply(found: &StepSupply, premix: Option<&str>) -> Value {
    let make = premix.filter(|_| !found.is_enough()).map(|premix| {
        phrase!(
            "make {short} g of {premix} first; it is a formula of its own",
            short = found.supply.short.grams(Mass::from_mg(10)),
            premix,
        )
    });
    let takes = found.supply.takes.iter().map(|take| {
        json!({
            "lot": take.lot,
            "best_before": take.best_before.map(|day| day.to_string()),
            "take": grams(take.mass),
            "left": take.left.map(grams),
        })
    });
    let takes: Vec<Value> = takes.collect();
    json!({
        "state": said(&found.state()),
        "enough": found.is_enough(),
        "advice": make.or_else(|| found.advice()).as_ref().map(said),
        "takes": takes,
        "refused": found.refused.iter().map(said).collect::<Vec<_>>(),
    })
}

/// Where the configuration asks for a check of the scales each day: those of the plan without one.
fn unchecked(context: &Context, plan: &crate::formula::Plan) -> Result<Vec<String>, QueryError> {
    let config = context.config();
    if !config.daily_scale_check {
        return Ok(Vec::new());
    }
    let found = scale_check::checked(&config, &config.logs()?, plan)?;
    let refused = found.into_iter().filter(|one| one.refusal().is_some());
    Ok(refused.map(|one| one.scale).collect())
}
