//! `bismar trace LOT` and `bismar trace BATCH`: where a lot went, and what a batch is made of.

use clap::Args;

use super::lots::{StoreArgs, told};
use super::{Exit, Failure, Outcome, heads, number, print, said, tell};
use crate::journal::read::folder::all_threads;
use crate::language::{counted, phrase, term};
use crate::lots::shelf::unused;
use crate::mass::Mass;
use crate::text::columns::{aligned, fold};
use crate::workshop::batches::{archive, stocktake};
use crate::workshop::store;
use crate::workshop::today;
use crate::workshop::tracing::{Step, Trace, TraceError};

#[derive(Debug, Args)]
pub struct TraceArgs {
    /// A lot, or a batch's name
    #[arg(value_name = "LOT|BATCH")]
    name: String,
    /// Only the lot of this ingredient, where several have a lot of the name
    #[arg(long, value_name = "NAME")]
    ingredient: Option<String>,
    #[command(flatten)]
    store: StoreArgs,
}

pub fn run(args: &TraceArgs) -> Outcome {
    let logs = archive(&args.store.logs_dir()?);
    let trace = Trace::of(&args.name, args.ingredient.as_deref(), &logs, all_threads())?;
    let trace = match told(trace)? {
        Ok(trace) => trace,
        Err(error) => return listed(args, error),
    };
    for alike in &trace.alike {
        tell(&said(phrase!("warning: {alike}", alike = alike.clone())));
    }
    let name = trace.name.as_str();
    let mut parts = Vec::new();
    if let Some(found) = &trace.made_of {
        let mut part = made_of(name, found);
        for told in &trace.told {
            part.push_str(&format!("{}\n", said(told.clone())));
        }
        parts.push(part);
    }
    if !trace.reached.is_empty() {
        let mut part = went_into(name, &trace);
        if args.ingredient.is_none() {
            part.push_str(&several(name, &trace.ingredients));
        }
        parts.push(part);
    }
    print(&parts.join("\n"))?;
    Ok(Exit::Done)
}

/// What the list of lots has of a name that no batch took.
fn listed(args: &TraceArgs, error: TraceError) -> Outcome {
    let lots = match args.store.lots_file() {
        Ok(file) => store::lots(&file)?,
        // Without a home there is no list.
        Err(_) => Vec::new(),
    };
    let (batches, elsewhere, _) = stocktake(&args.store.logs_dir()?, all_threads())?;
    let asked = (args.name.as_str(), args.ingredient.as_deref());
    let unused = unused(&lots, asked, (&batches, &elsewhere), today());
    if unused.is_empty() {
        return Err(error.into());
    }
    for words in unused {
        for line in fold(&said(words), COLUMNS) {
            print(&line)?;
        }
    }
    Ok(Exit::Done)
}

/// The columns of a terminal that is not asked.
const COLUMNS: usize = 100;

impl From<TraceError> for Failure {
    fn from(error: TraceError) -> Failure {
        let remedy = match error {
            TraceError::Unknown { .. } => {
                phrase!(
                    "write the lot just as it stands in the log; `bismar lots` lists those on hand"
                )
            }
            TraceError::OtherIngredient { .. } => {
                phrase!("write the ingredient just as it stands in the log")
            }
        };
        Failure::failed(error.told()).remedy(remedy)
    }
}

/// A sentence where the name is that of several ingredients' lots.
fn several(name: &str, ingredients: &[String]) -> String {
    if ingredients.len() < 2 {
        return String::new();
    }
    said(phrase!(
        "{name} was named as the lot of {count} ingredients ({ingredients}); --ingredient NAME follows one of them.\n",
        name,
        count = ingredients.len(),
        ingredients = ingredients.join(", "),
    ))
}

fn grams(mass: Mass) -> String {
    number(mass.grams(Mass::from_mg(10)))
}

fn went_into(name: &str, trace: &Trace) -> String {
    let found = &trace.reached;
    let any_residue = found.iter().any(|step| step.reached().is_some());
    let mut head = heads([
        term!("batch"),
        term!("step"),
        term!("ingredient"),
        term!("from lot"),
        term!("net g"),
        term!("jars"),
        term!("reached it g"),
    ]);
    if !any_residue {
        head[6].clear();
    }
    let mut rows = vec![head];
    for step in found {
        let used = &step.used;
        rows.push([
            format!("{}{}", "  ".repeat(step.depth), used.batch),
            used.step.to_string(),
            used.ingredient.clone(),
            used.lot.clone(),
            // What was taken from the lot is the whole net weight; less came into the batch.
            grams(used.net),
            said(step.jars.words()),
            step.reached().map_or(String::new(), grams),
        ]);
    }
    let (batches, jars) = trace.reach();
    let batches = counted::batches(batches);
    let reached = match jars {
        0 => phrase!("{name} reached {batches}:", name, batches),
        1 => phrase!("{name} reached {batches} and 1 filled jar:", name, batches),
        jars => phrase!(
            "{name} reached {batches} and {jars} filled jars:",
            name,
            batches,
            jars
        ),
    };
    format!("{}\n{}", said(reached), aligned(&rows, &[1, 4, 6]))
}

fn made_of(name: &str, found: &[Step]) -> String {
    let mut rows = vec![heads([
        term!("ingredient"),
        term!("lot"),
        term!("in batch"),
        term!("step"),
        term!("net g"),
    ])];
    for step in found {
        let used = &step.used;
        rows.push([
            format!("{}{}", "  ".repeat(step.depth), used.ingredient),
            used.lot.clone(),
            used.batch.clone(),
            used.step.to_string(),
            grams(used.net),
        ]);
    }
    match found {
        [] => said(phrase!("Batch {name} names no lot.\n", name)),
        _ => {
            let made = said(phrase!("Batch {name} is made of:", name));
            format!("{made}\n{}", aligned(&rows, &[3, 4]))
        }
    }
}
