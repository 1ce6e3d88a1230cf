//! `bismar declaration BATCH`: the ingredients of a batch for its label, by what was weighed.

use std::collections::HashMap;
use std::path::PathBuf;

use clap::{Args, ValueEnum};

use super::lots::StoreArgs;
use super::size::{Typed, typed};
use super::{Exit, Failure, Outcome, print, tell};
use crate::formula::Formula;
use crate::journal::batch::record::Record;
use crate::label::{Line, Rules, declaration, grams_on_label, ounces_on_label};
use crate::mass::Mass;
use crate::text::columns::aligned;
use crate::workshop;

const NOTE: &str = "Check the labelling law of the place where it is sold: colours, perfume, \
allergens, warnings and\nthe size of the letters have rules of their own, which this list does not \
know.";

#[derive(Debug, Args)]
pub struct DeclarationArgs {
    /// The batch, as its log is named
    #[arg(value_name = "BATCH")]
    batch: String,
    /// Whose rule for the small ingredients: at or under 1 % (us), or under 1 % (eu)
    #[arg(long, value_enum, default_value_t = RulesArg::Us)]
    rules: RulesArg,
    /// Formula file to take the INCI names from, instead of the one in the log
    #[arg(long, value_name = "FILE")]
    formula: Option<PathBuf>,
    /// Net contents of one package, where the log has no jars, for example 55g
    #[arg(long, value_name = "MASS", value_parser = typed)]
    net: Option<Typed>,
    #[command(flatten)]
    store: StoreArgs,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
enum RulesArg {
    Us,
    Eu,
}

pub fn run(args: &DeclarationArgs) -> Outcome {
    let records = args.store.records()?;
    let by_name: HashMap<&str, &Record> = records.iter().map(|r| (r.batch.as_str(), r)).collect();
    let Some(record) = by_name.get(args.batch.as_str()) else {
        let why = format!("no batch is named {}", args.batch);
        return Err(Failure::failed(why).remedy("name it as its log is named, without .csv"));
    };
    let formula = match &args.formula {
        Some(path) => Some(workshop::formula(path)?),
        None => None,
    };
    let mut gathering = Gathering {
        batches: &by_name,
        found: Vec::new(),
        path: Vec::new(),
        warnings: Vec::new(),
    };
    gathering.gather(record, formula.as_ref(), (1, 1))?;
    let rules = match args.rules {
        RulesArg::Us => Rules::Us,
        RulesArg::Eu => Rules::Eu,
    };
    for warning in &gathering.warnings {
        tell(&format!("warning: {warning}"));
    }
    let lines = declaration(gathering.found, rules);
    if lines.is_empty() {
        return Err(Failure::failed(format!(
            "batch {} has no weights",
            args.batch
        )));
    }
    print(&report(
        &lines,
        &gathering.warnings,
        rules,
        net(args, record),
    ))?;
    Ok(Exit::Done)
}

/// Walks a batch and the batches that are lots in it.
struct Gathering<'r> {
    batches: &'r HashMap<&'r str, &'r Record>,
    found: Vec<(String, Mass)>,
    /// The batches being walked, outermost first.
    path: Vec<String>,
    /// The batches that are not complete, each once.
    warnings: Vec<String>,
}

impl Gathering<'_> {
    /// Adds what of `record` is in the product: `part` is taken of whole, two masses in nanograms.
    fn gather(
        &mut self,
        record: &Record,
        formula: Option<&Formula>,
        part: (i64, i64),
    ) -> Result<(), Failure> {
        if self.path.contains(&record.batch) {
            let why = format!("batch {} is a lot of itself", record.batch);
            return Err(Failure::failed(why).remedy("correct the lot in its log"));
        }
        self.path.push(record.batch.clone());
        if let Some(standing) = record.standing().warning() {
            let warning = format!(
                "batch {} is {standing}; what is in it is declared",
                record.batch
            );
            if !self.warnings.contains(&warning) {
                self.warnings.push(warning);
            }
        }
        let own = match formula {
            Some(_) => None,
            None => record.read_formula().transpose()?,
        };
        let formula = formula.or(own.as_ref());
        for step in record.weighed() {
            let Some(mass) = record.delivered(step.step) else {
                continue;
            };
            let mass = mass.mass().ratio(part.0, part.1);
            match self.batches.get(step.lot.as_str()) {
                Some(premix) => {
                    let whole = premix.total();
                    if whole <= Mass::ZERO {
                        return Err(Failure::failed(format!(
                            "premix {} has no weights",
                            step.lot
                        )));
                    }
                    self.gather(premix, None, (mass.ng(), whole.ng()))?;
                }
                None => self.found.push((inci(formula, &step.ingredient), mass)),
            }
        }
        self.path.pop();
        Ok(())
    }
}

/// The INCI name, or the formula's own with a warning.
fn inci(formula: Option<&Formula>, ingredient: &str) -> String {
    let mut all = formula
        .into_iter()
        .flat_map(|f| &f.phases)
        .flat_map(|p| &p.ingredients);
    match all
        .find(|one| one.name == ingredient)
        .and_then(|one| one.inci.clone())
    {
        Some(inci) => inci,
        None => {
            tell(&format!(
                "warning: the formula has no INCI name for {ingredient}; its own name stands there"
            ));
            ingredient.to_owned()
        }
    }
}

/// The least that a package holds: typed, or the lightest filled jar, or the planned fill.
fn net(args: &DeclarationArgs, record: &Record) -> Option<(Mass, &'static str)> {
    if let Some(typed) = &args.net {
        return Some((typed.mass, "as typed"));
    }
    let filled = record
        .filled
        .iter()
        .filter_map(|row| row.net)
        .map(|net| net.mass());
    let planned = record.opening.as_ref().and_then(|opening| opening.jars);
    match filled.min() {
        Some(least) => Some((least, "the lightest jar filled")),
        None => planned.map(|(_, fill)| (fill, "as planned, not weighed")),
    }
}

fn report(lines: &[Line], warnings: &[String], rules: Rules, net: Option<(Mass, &str)>) -> String {
    let (rule, law) = match rules {
        Rules::Us => ("at or under 1 %", "US, 21 CFR 701.3"),
        Rules::Eu => ("under 1 %", "EU, Regulation 1223/2009 art. 19"),
    };
    let names: Vec<&str> = lines.iter().map(|line| line.inci.as_str()).collect();
    let mut out = format!("INGREDIENTS: {}\n\n", names.join(", "));
    // On the paper too: who reads only that must not take the list for the formula's.
    for warning in warnings {
        out.push_str(&format!("NOT COMPLETE: {warning}.\n\n"));
    }
    let total: Mass = lines.iter().map(|line| line.mass).sum();
    let mut rows = vec![["INCI", "g", "%", ""].map(String::from)];
    for line in lines {
        let free = if line.any_order { "any order" } else { "" };
        rows.push([
            line.inci.clone(),
            line.mass.grams_rounded(3).to_string(),
            percent(line.mass, total),
            free.to_owned(),
        ]);
    }
    out.push_str(&aligned(&rows, &[1, 2]));
    out.push_str(&format!(
        "\n\"any order\": {rule}, may follow in any order after the others ({law}).\n"
    ));
    if let Some((mass, from)) = net {
        let text = ounces_on_label(mass).zip(grams_on_label(mass));
        let text = text.map_or("too little for a label".into(), |(oz, g)| {
            format!("{oz} OZ ({g} g)")
        });
        out.push_str(&format!("NET WT: {text}, rounded down ({from})\n"));
    }
    out + NOTE
}

/// For the eye only; the rules compare masses.
fn percent(mass: Mass, total: Mass) -> String {
    format!("{:.3}", 100.0 * mass.to_g_f64() / total.to_g_f64())
}
