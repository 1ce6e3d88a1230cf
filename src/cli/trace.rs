//! `bismar trace LOT` and `bismar trace BATCH`: where a lot went, and what a batch is made of.

use std::collections::{BTreeMap, BTreeSet};

use clap::Args;

use super::lots::StoreArgs;
use super::{Exit, Failure, Outcome, print};
use crate::journal::batch::record::Record;
use crate::journal::batch::standing::Standing;
use crate::lots::trace::{Reached, Use, Uses};
use crate::lots::{jars, uses_of};
use crate::mass::Mass;
use crate::text::columns::aligned;
use crate::text::counted;
use crate::vocabulary::entry::RowKind;

#[derive(Debug, Args)]
pub struct TraceArgs {
    /// A lot, or a batch
    #[arg(value_name = "LOT|BATCH")]
    name: String,
    /// Only the lot of this ingredient, where several have a lot of the name
    #[arg(long, value_name = "NAME")]
    ingredient: Option<String>,
    #[command(flatten)]
    store: StoreArgs,
}

/// What a trace needs of a batch.
struct Traced {
    batch: String,
    uses: Vec<Use>,
    told: Told,
    jars: Jars,
}

/// What the table of a batch does not tell.
struct Told {
    unnamed: Vec<String>,
    /// What is to be said where it is closed and not complete.
    incomplete: Option<String>,
}

/// The jars of a batch.
enum Jars {
    None,
    Planned(u32),
    /// Those that stand; none where every one was withdrawn.
    Filled(BTreeSet<usize>),
}

pub fn run(args: &TraceArgs) -> Outcome {
    let name = args.name.as_str();
    let traced = args.store.each_record(|record| Traced::of(&record))?;
    let (mut uses, mut batches) = (Vec::new(), BTreeMap::new());
    let mut told = BTreeMap::new();
    for one in traced {
        uses.extend(one.uses);
        told.insert(one.batch.clone(), one.told);
        batches.insert(one.batch, one.jars);
    }
    let graph = Uses::new(&uses);
    let forward = match &args.ingredient {
        Some(ingredient) => chosen(&graph, name, ingredient)?,
        None => graph.forward(name),
    };
    let mut parts = Vec::new();
    if batches.contains_key(name) {
        let found = graph.backward(name);
        let mut part = made_of(name, &found);
        let lots = found.iter().map(|reached| reached.used.lot.as_str());
        for batch in BTreeSet::from_iter(lots.chain([name])) {
            if let Some(told) = told.get(batch) {
                part.push_str(&told.of(batch));
            }
        }
        parts.push(part);
    } else if forward.is_empty() {
        return Err(Failure::failed(format!(
            "no batch is named {name} and none took from a lot {name}"
        ))
        .remedy("write the lot just as it stands in the log; `bismar lots` lists those on hand"));
    }
    if !forward.is_empty() {
        let mut part = went_into(name, &forward, &batches);
        if args.ingredient.is_none() {
            part.push_str(&several(&graph, name));
        }
        parts.push(part);
    }
    print(&parts.join("\n"))?;
    Ok(Exit::Done)
}

impl Traced {
    fn of(record: &Record) -> Traced {
        let planned = record.opening.as_ref().and_then(|opening| opening.jars);
        let withdrawn = record
            .replaced
            .values()
            .any(|kind| *kind == RowKind::Filled);
        let jars = match (record.filled.as_slice(), planned) {
            ([], _) if withdrawn => Jars::Filled(BTreeSet::new()),
            ([], Some((planned, _))) => Jars::Planned(planned),
            ([], None) => Jars::None,
            (rows, _) => Jars::Filled(jars::filled(rows)),
        };
        Traced {
            batch: record.batch.clone(),
            uses: uses_of(record).collect(),
            told: Told {
                unnamed: unnamed(record),
                incomplete: match record.standing() {
                    standing @ Standing::Incomplete(_) => standing.warning(),
                    Standing::Open | Standing::Complete => None,
                },
            },
            jars,
        }
    }
}

/// The ingredients that were weighed without a lot, with their net grams.
fn unnamed(record: &Record) -> Vec<String> {
    let steps = record.weighed().filter(|step| step.lot.is_empty());
    steps
        .filter_map(|step| {
            let net = grams(step.net?.mass());
            Some(format!("{} ({net} g, step {})", step.ingredient, step.step))
        })
        .collect()
}

impl Told {
    /// Sentences, where the table alone would look whole.
    fn of(&self, batch: &str) -> String {
        let mut text = String::new();
        if !self.unnamed.is_empty() {
            let found = self.unnamed.join(", ");
            text.push_str(&format!("Weighed in {batch} without a lot: {found}.\n"));
        }
        if let Some(incomplete) = &self.incomplete {
            text.push_str(&format!("Batch {batch} is {incomplete}.\n"));
        }
        text
    }
}

/// What took from the lot of one ingredient.
fn chosen<'u>(graph: &Uses<'u>, name: &str, ingredient: &str) -> Result<Vec<Reached<'u>>, Failure> {
    let found = graph.forward_of(name, ingredient);
    let others = graph.ingredients(name);
    if found.is_empty() && !others.is_empty() {
        let others = Vec::from_iter(others).join(", ");
        return Err(Failure::failed(format!(
            "no batch took {ingredient} from a lot {name}; it was named for {others}"
        ))
        .remedy("write the ingredient just as it stands in the log"));
    }
    Ok(found)
}

/// A sentence where the name is that of several ingredients' lots.
fn several(graph: &Uses<'_>, name: &str) -> String {
    let ingredients = graph.ingredients(name);
    if ingredients.len() < 2 {
        return String::new();
    }
    format!(
        "{name} was named as the lot of {} ingredients ({}); --ingredient NAME follows one of them.\n",
        ingredients.len(),
        Vec::from_iter(ingredients).join(", ")
    )
}

fn grams(mass: Mass) -> String {
    mass.grams(Mass::from_mg(10)).to_string()
}

fn went_into(name: &str, found: &[Reached<'_>], batches: &BTreeMap<String, Jars>) -> String {
    let any_residue = found.iter().any(|r| r.used.residue != Mass::ZERO);
    let last = if any_residue { "reached it g" } else { "" };
    let head = [
        "batch",
        "step",
        "ingredient",
        "from lot",
        "net g",
        "jars",
        last,
    ];
    let mut rows = vec![head.map(String::from)];
    for Reached { used, depth } in found {
        // What was taken from the lot is the whole net weight; less came into the batch.
        let reached = match used.residue {
            Mass::ZERO => String::new(),
            residue => grams(used.net - residue),
        };
        rows.push([
            format!("{}{}", "  ".repeat(*depth), used.batch),
            used.step.to_string(),
            used.ingredient.clone(),
            used.lot.clone(),
            grams(used.net),
            batches.get(&used.batch).map_or(String::new(), in_words),
            reached,
        ]);
    }
    let reached: BTreeSet<&str> = found.iter().map(|r| r.used.batch.as_str()).collect();
    format!(
        "{name} reached {}{}:\n{}",
        counted(reached.len(), "batch", "batches"),
        filled_in_all(&reached, batches),
        aligned(&rows, &[1, 4, 6])
    )
}

/// ` and 14 jars` where any were filled.
fn filled_in_all(reached: &BTreeSet<&str>, batches: &BTreeMap<String, Jars>) -> String {
    let jars_of = |batch: &&str| match batches.get(*batch) {
        Some(Jars::Filled(jars)) => jars.len(),
        Some(Jars::Planned(_) | Jars::None) | None => 0,
    };
    match reached.iter().map(jars_of).sum() {
        0 => String::new(),
        count => format!(" and {}", counted(count, "filled jar", "filled jars")),
    }
}

/// The jars recorded as filled, or else those that were planned.
fn in_words(jars: &Jars) -> String {
    match jars {
        Jars::None => "-".into(),
        Jars::Planned(jars) => format!("{jars} planned"),
        Jars::Filled(jars) if jars.is_empty() => "all withdrawn".into(),
        Jars::Filled(jars) if jars.len() == 1 => format!("jar {}", jars::in_words(jars)),
        Jars::Filled(jars) => format!("jars {}", jars::in_words(jars)),
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
