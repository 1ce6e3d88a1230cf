//! The lots on hand, and where one went.

use std::collections::BTreeMap;
use std::path::Path;

use serde_json::{Value, json};

use super::super::context::{Context, threads};
use super::{grams, plan};
use crate::display::spoken::said;
use crate::language::Sentence;
use crate::lots::Lot;
use crate::lots::shelf::{Listed, MADE_HERE, listed, unused};
use crate::mass::Mass;
use crate::workshop::batches::{archive, stocktake};
use crate::workshop::tracing::{Step, Trace};
use crate::workshop::{QueryError, today};

/// What the store room shows; there may be as many lots as logs.
#[derive(Debug, serde::Serialize)]
pub struct Store {
    file: String,
    alike: Vec<String>,
    lots: Vec<Shelved>,
    damaged: Vec<String>,
    known: Vec<String>,
}

#[derive(Debug, serde::Serialize)]
struct Shelved {
    lot: String,
    ingredient: String,
    supplier: Option<String>,
    told: BTreeMap<&'static str, Option<String>>,
    corrected: Vec<Corrected>,
    listed: bool,
    best_before: Option<String>,
    left: Option<String>,
    refused: Option<String>,
}

#[derive(Debug, serde::Serialize)]
struct Corrected {
    on: String,
    reason: String,
}

/// Every lot of the list and every batch that is a lot of others, with what is left of each; and what the
/// formulas are made of.
///
/// # Errors
/// Where the list or the logs do not read.
pub fn store(context: &Context) -> Result<Store, QueryError> {
    let lots = context.lots()?;
    let (stock, elsewhere, damaged) = stocktake(&context.config().logs()?, threads())?;
    let shelved = |(n, Listed { lot, left, refused }): (usize, Listed)| {
        // Those of the list come first.
        let listed = n < lots.len();
        let taken = elsewhere.said_of(&lot);
        let corrected = lot.corrected.iter().map(|one| Corrected {
            on: one.on.to_string(),
            reason: one.reason.clone(),
        });
        Shelved {
            told: lot.told().into_iter().collect(),
            corrected: corrected.collect(),
            listed,
            best_before: lot.best_before.map(|day| day.to_string()),
            left: left.map(grams),
            refused: refused.as_ref().map(said),
            supplier: beside(
                match lot.supplier {
                    Some(_) if !listed => Some(said(&MADE_HERE.into())),
                    supplier => supplier,
                },
                taken,
            ),
            lot: lot.name,
            ingredient: lot.ingredient,
        }
    };
    let rows = listed(&lots, &stock, today());
    let rows = rows.into_iter().enumerate().map(shelved).collect();
    let file = context.lots_file()?;
    let alike = alike(&lots, &file);
    Ok(Store {
        file: file.display().to_string(),
        alike: alike.iter().map(|(_, words)| said(words)).collect(),
        lots: rows,
        damaged: damaged.iter().map(ToString::to_string).collect(),
        known: plan::ingredients(context),
    })
}

/// The lots that can be taken for an earlier one, each by its line in the list, with the list's bare name: its folder is
/// told elsewhere.
pub fn alike(lots: &[Lot], file: &Path) -> Vec<(usize, Sentence)> {
    let name = file.file_name().unwrap_or(file.as_os_str());
    let found = Lot::alike(lots, &name.to_string_lossy()).into_iter();
    found.map(|one| (one.line, one.told())).collect()
}

/// What stands below a lot: from whom it is, and what other benches took of it.
fn beside(supplier: Option<String>, taken: Option<Sentence>) -> Option<String> {
    let all = supplier.into_iter().chain(taken.as_ref().map(said));
    all.reduce(|supplier, taken| format!("{supplier}; {taken}"))
}

/// What a trace is asked of.
#[derive(Debug, serde::Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Name {
    name: String,
    /// Only the lot of this ingredient; of each one where it is empty.
    #[serde(default)]
    ingredient: String,
}

/// Where a lot or batch went, and what a batch is made of.
///
/// # Errors
/// Where no log and no lot of the list has the name, or they do not read.
pub fn trace(context: &Context, asked: &Name) -> Result<Value, QueryError> {
    let ingredient = Some(asked.ingredient.trim()).filter(|name| !name.is_empty());
    let logs = archive(&context.config().logs()?);
    let (trace, damaged) = Trace::of(asked.name.trim(), ingredient, &logs, threads())?;
    let damaged: Vec<String> = damaged.iter().map(ToString::to_string).collect();
    let trace = match trace {
        Ok(trace) => trace,
        Err(error) => {
            let (batches, elsewhere, _) = stocktake(&context.config().logs()?, threads())?;
            let took = (&batches, &elsewhere);
            let wanted = (asked.name.trim(), ingredient);
            let unused = unused(&context.lots()?, wanted, took, today());
            if unused.is_empty() {
                return Err(QueryError::Other(error.told()));
            }
            let unused = unused.iter().map(said).collect::<Vec<_>>();
            return Ok(json!({ "unused": unused, "damaged": damaged }));
        }
    };
    let steps = |steps: &[Step]| -> Vec<Value> {
        let one = |step: &Step| {
            json!({
                "batch": step.used.batch,
                "step": step.used.step,
                "ingredient": step.used.ingredient,
                "lot": step.used.lot,
                "net": grams(step.used.net),
                "reached": step.reached().map(|mass: Mass| grams(mass)),
                "depth": step.depth,
                "jars": said(&step.jars.words()),
            })
        };
        steps.iter().map(one).collect()
    };
    let (batches, jars) = trace.reach();
    Ok(json!({
        "name": trace.name,
        "made_of": trace.made_of.as_deref().map(steps),
        "alike": trace.alike.iter().map(said).collect::<Vec<_>>(),
        "told": trace.told.iter().map(said).collect::<Vec<_>>(),
        "reached": steps(&trace.reached),
        "batches": batches,
        "jars": jars,
        "ingredients": trace.ingredients,
        "damaged": damaged,
    }))
}
