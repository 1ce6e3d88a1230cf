//! `bismar trace LOT` and `bismar trace BATCH`: where a lot went, and what a batch is made of.

use std::collections::{BTreeMap, BTreeSet};

use clap::Args;

use super::lots::{StoreArgs, aligned};
use super::{Exit, Failure, Outcome, print};
use crate::batch::record::Record;
use crate::lots::trace::{Reached, Use, Uses};
use crate::lots::uses_of;
use crate::mass::Mass;

#[derive(Debug, Args)]
pub struct TraceArgs {
    /// A lot, or a batch
    #[arg(value_name = "LOT|BATCH")]
    name: String,
    #[command(flatten)]
    store: StoreArgs,
}

pub fn run(args: &TraceArgs) -> Outcome {
    let records = args.store.records()?;
    let uses: Vec<Use> = records.iter().flat_map(uses_of).collect();
    let graph = Uses::new(&uses);
    let forward = graph.forward(&args.name);
    let batches: BTreeMap<&str, &Record> = records
        .iter()
        .map(|record| (record.batch.as_str(), record))
        .collect();
    let mut parts = Vec::new();
    if batches.contains_key(args.name.as_str()) {
        parts.push(made_of(&args.name, &graph.backward(&args.name)));
    } else if forward.is_empty() {
        return Err(Failure::failed(format!(
            "no batch is named {0} and none took from a lot {0}",
            args.name
        ))
        .remedy("write the lot just as it stands in the log; `bismar lots` lists those on hand"));
    }
    if !forward.is_empty() {
        parts.push(went_into(&args.name, &forward, &batches));
    }
    print(&parts.join("\n"))?;
    Ok(Exit::Done)
}

fn grams(mass: Mass) -> String {
    mass.grams(Mass::from_mg(10)).to_string()
}

fn went_into(name: &str, found: &[Reached<'_>], batches: &BTreeMap<&str, &Record>) -> String {
    let mut rows =
        vec![["batch", "step", "ingredient", "from lot", "net g", "jars"].map(String::from)];
    for Reached { used, depth } in found {
        let record = batches.get(used.batch.as_str());
        rows.push([
            format!("{}{}", "  ".repeat(*depth), used.batch),
            used.step.to_string(),
            used.ingredient.clone(),
            used.lot.clone(),
            grams(used.net),
            record.map_or(String::new(), |record| jars(record)),
        ]);
    }
    let reached: BTreeSet<&str> = found.iter().map(|r| r.used.batch.as_str()).collect();
    let plural = if reached.len() == 1 {
        "batch"
    } else {
        "batches"
    };
    format!(
        "{name} reached {} {plural}:\n{}",
        reached.len(),
        aligned(&rows, &[1, 4])
    )
}

/// The jars recorded as filled, or else those that were planned.
fn jars(record: &Record) -> String {
    let planned = record.opening.as_ref().and_then(|opening| opening.jars);
    match (record.filled.len(), planned) {
        (0, Some((jars, _))) => format!("{jars} planned"),
        (0, None) => "-".into(),
        (filled, _) => format!("{filled} filled"),
    }
}

fn made_of(name: &str, found: &[Reached<'_>]) -> String {
    let mut rows = vec![["ingredient", "lot", "in batch", "step", "net g"].map(String::from)];
    for Reached { used, depth } in found {
        rows.push([
            format!("{}{}", "  ".repeat(*depth), used.ingredient),
            used.lot.clone(),
            used.batch.clone(),
            used.step.to_string(),
            grams(used.net),
        ]);
    }
    match found {
        [] => format!("Batch {name} names no lot.\n"),
        _ => format!("Batch {name} is made of:\n{}", aligned(&rows, &[3, 4])),
    }
}
