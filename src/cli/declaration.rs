//! `bismar declaration BATCH`: the ingredients of a batch for its label, by what was weighed.

use std::collections::HashMap;
use std::path::PathBuf;

use clap::{Args, ValueEnum};

use super::lots::StoreArgs;
use super::size::{Typed, typed};
use super::{Exit, Failure, Outcome, print, tell};
use crate::formula::kind::{Kind, kinds};
use crate::formula::substances::{Constituent, Substance};
use crate::formula::{Formula, Use};
use crate::journal::batch::record::Record;
use crate::label::allergens::{Amount, Stay, allergen, amounts};
use crate::label::{Line, Rules, declaration, grams_on_label, ounces_on_label};
use crate::mass::Mass;
use crate::text::alike::same_name;
use crate::text::columns::aligned;
use crate::text::listed;
use crate::workshop;

const NOTE: &str = "Check the labelling law of the place where it is sold: colours, perfume, \
allergens, warnings and\nthe size of the letters have rules of their own, which this list does not \
know.";

const NOTE_WITH_ALLERGENS: &str = "Check the labelling law of the place where it is sold: colours, \
perfume, warnings and the size of\nthe letters have rules of their own, which this list does not know. \
Allergens are reckoned from what\nsubstances.toml says; what a supplier's document does not name is not in it.";

#[derive(Debug, Args)]
pub struct DeclarationArgs {
    /// The batch, as its log is named
    #[arg(value_name = "BATCH")]
    batch: String,
    /// Whose rule for the small ingredients: at or under 1 % (us), or under 1 % (eu, with the fragrance
    /// allergens)
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
        list: Vec::new(),
        path: Vec::new(),
        warnings: Vec::new(),
    };
    gathering.gather(record, formula.as_ref(), (1, 1))?;
    let rules = match args.rules {
        RulesArg::Us => Rules::Us,
        RulesArg::Eu => Rules::Eu,
    };
    let stay = match formula
        .as_ref()
        .or(own_formula(record).as_ref())
        .map(|f| f.intended)
    {
        Some(Use::RinseOff) => Stay::RinseOff,
        Some(Use::Untold | Use::LeaveOn | Use::Premix) | None => Stay::LeaveOn,
    };
    let allergens = match rules {
        Rules::Us => None,
        Rules::Eu => {
            let folder = match &args.formula {
                Some(path) => workshop::folder_of(path),
                None => super::config::load(None)?.formulas()?,
            };
            gathering.list.extend(workshop::substances_in(&folder)?);
            Some(gathering.allergens(stay))
        }
    };
    for warning in &gathering.warnings {
        tell(&format!("warning: {warning}"));
    }
    let weights = gathering
        .found
        .iter()
        .map(|found| (found.declared().to_owned(), found.mass));
    let lines = declaration(weights, rules);
    if lines.is_empty() {
        return Err(Failure::failed(format!(
            "batch {} has no weights",
            args.batch
        )));
    }
    let allergens = allergens.as_deref().map(|found| (found, stay));
    print(&report(
        &lines,
        &gathering.warnings,
        rules,
        allergens,
        net(args, record),
    ))?;
    Ok(Exit::Done)
}

/// The formula in the log, where it reads.
fn own_formula(record: &Record) -> Option<Formula> {
    record.read_formula().and_then(Result::ok)
}

/// Walks a batch and the batches that are lots in it.
struct Gathering<'r> {
    batches: &'r HashMap<&'r str, &'r Record>,
    found: Vec<Found>,
    /// What the formulas tell of substances, and the maker's list.
    list: Vec<Substance>,
    /// The batches being walked, outermost first.
    path: Vec<String>,
    /// The batches that are not complete, each once.
    warnings: Vec<String>,
}

/// One thing in the product.
struct Found {
    name: String,
    inci: Option<String>,
    lot: String,
    mass: Mass,
}

impl Found {
    fn declared(&self) -> &str {
        self.inci.as_deref().unwrap_or(&self.name)
    }
}

impl Gathering<'_> {
    /// The fragrance allergens, by what is known of the constituents; a scent of which nothing is known is
    /// among the warnings.
    fn allergens(&mut self, stay: Stay) -> Vec<Amount> {
        let total: Mass = self.found.iter().map(|found| found.mass).sum();
        let mut parts: Vec<(String, Mass)> = Vec::new();
        let mut unknown: Vec<String> = Vec::new();
        for found in &self.found {
            let facts = self
                .list
                .iter()
                .filter(|one| one.is(&found.name, found.inci.as_deref()));
            let facts: Vec<&Substance> = facts.collect();
            let told = facts.iter().flat_map(|one| one.kinds.iter().copied());
            let names = [found.name.as_str()]
                .into_iter()
                .chain(found.inci.as_deref());
            let kinds = kinds(names, told);
            let inside = facts.iter().map(|one| one.constituents_of(&found.lot));
            let inside = inside
                .into_iter()
                .find(|all| !all.is_empty())
                .unwrap_or_default();
            if inside.is_empty() && kinds.contains(&Kind::EssentialOil) && found.mass > Mass::ZERO {
                unknown.push(found.declared().to_owned());
            }
            let share = |one: &Constituent| (one.name.clone(), one.share.of(found.mass));
            parts.extend(inside.iter().map(share));
            parts.push((found.declared().to_owned(), found.mass));
        }
        unknown.sort_unstable();
        unknown.dedup_by(|a, b| same_name(a, b));
        if !unknown.is_empty() {
            self.warnings.push(format!(
                "what fragrance allergens are in {} is not known; write their constituents into substances.toml, from \
                 the supplier's documents",
                listed(&unknown, "and")
            ));
        }
        amounts(
            parts.iter().map(|(name, mass)| (name.as_str(), *mass)),
            total,
            stay,
        )
    }

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
        self.list.extend(
            formula
                .iter()
                .flat_map(|one| one.substances.iter().cloned()),
        );
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
                None => self.found.push(Found {
                    inci: inci(formula, &step.ingredient),
                    name: step.ingredient.clone(),
                    lot: step.lot.clone(),
                    mass,
                }),
            }
        }
        self.path.pop();
        Ok(())
    }
}

/// The INCI name; without one the formula's own stands there, with a warning.
fn inci(formula: Option<&Formula>, ingredient: &str) -> Option<String> {
    let mut all = formula
        .into_iter()
        .flat_map(|f| &f.phases)
        .flat_map(|p| &p.ingredients);
    let found = all
        .find(|one| one.name == ingredient)
        .and_then(|one| one.inci.clone());
    if found.is_none() {
        tell(&format!(
            "warning: the formula has no INCI name for {ingredient}; its own name stands there"
        ));
    }
    found
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

fn report(
    lines: &[Line],
    warnings: &[String],
    rules: Rules,
    allergens: Option<(&[Amount], Stay)>,
    net: Option<(Mass, &str)>,
) -> String {
    let (rule, law) = match rules {
        Rules::Us => ("at or under 1 %", "US, 21 CFR 701.3"),
        Rules::Eu => ("under 1 %", "EU, Regulation 1223/2009 art. 19"),
    };
    let total: Mass = lines.iter().map(|line| line.mass).sum();
    let mut out = String::new();
    // On the paper too, and first: who reads only that must not take the list for the formula's.
    for warning in warnings {
        out.push_str(&format!("NOT COMPLETE: {warning}.\n\n"));
    }
    let allergens_told = allergens.map_or(&[][..], |(found, _)| found);
    out.push_str(&format!(
        "INGREDIENTS: {}\n\n",
        names(lines, allergens_told).join(", ")
    ));
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
    if let Some((found, stay)) = allergens {
        out.push_str(&allergens_table(found, stay, total));
    }
    if let Some((mass, from)) = net {
        let text = ounces_on_label(mass).zip(grams_on_label(mass));
        let text = text.map_or("too little for a label".into(), |(oz, g)| {
            format!("{oz} OZ ({g} g)")
        });
        out.push_str(&format!("NET WT: {text}, rounded down ({from})\n"));
    }
    out + match allergens {
        Some(_) => NOTE_WITH_ALLERGENS,
        None => NOTE,
    }
}

/// The names in descending order of weight, the allergens that must be named among them: each once.
fn names<'l>(lines: &'l [Line], allergens: &[Amount]) -> Vec<&'l str> {
    let mut all: Vec<(Mass, &str)> = lines
        .iter()
        .map(|line| (line.mass, line.inci.as_str()))
        .collect();
    let is_there = |one: &&Amount| {
        let is_it = |line: &Line| allergen(&line.inci) == Some(one.allergen);
        lines.iter().any(is_it)
    };
    let more = allergens
        .iter()
        .filter(|one| one.declared && !is_there(one));
    all.extend(more.map(|one| (one.mass, one.allergen.label)));
    all.sort_by_key(|(mass, _)| std::cmp::Reverse(*mass));
    all.into_iter().map(|(_, name)| name).collect()
}

fn allergens_table(found: &[Amount], stay: Stay, total: Mass) -> String {
    let mut out = format!(
        "\nFragrance allergens (Regulation 1223/2009, Annex III, with (EU) 2023/1545), named above {}\n",
        stay.words()
    );
    if found.is_empty() {
        out.push_str("none by what is known\n\n");
        return out;
    }
    let rows: Vec<[String; 4]> = (found.iter())
        .map(|one| {
            [
                one.allergen.label.to_owned(),
                one.mass.grams_rounded(3).to_string(),
                format!("{:.4}", 100.0 * one.mass.to_g_f64() / total.to_g_f64()),
                if one.declared { "named" } else { "below" }.to_owned(),
            ]
        })
        .collect();
    out.push_str(&aligned(&rows, &[1, 2]));
    out.push('\n');
    out
}

/// For the eye only; the rules compare masses.
fn percent(mass: Mass, total: Mass) -> String {
    format!("{:.3}", 100.0 * mass.to_g_f64() / total.to_g_f64())
}
