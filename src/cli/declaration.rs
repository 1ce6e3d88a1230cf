//! `bismar declaration BATCH`: the ingredients of a batch for its label, by what was weighed.

use std::path::{Path, PathBuf};

use clap::{Args, ValueEnum};

use super::lots::StoreArgs;
use super::named::{self, FORMULA};
use super::size::{Typed, typed};
use super::{Exit, Failure, Outcome, print, tell};
use crate::formula::Formula;
use crate::formula::substances::FILE;
use crate::journal::batch::record::Record;
use crate::journal::read::record;
use crate::label::allergens::{Amount, Stay};
use crate::label::declared::{self, Declared, DeclaredError};
use crate::label::{Rules, ca_net_weight, us_net_weight};
use crate::lots::Lot;
use crate::mass::Mass;
use crate::text::columns::aligned;
use crate::workshop;

const NOTE: &str = "Check the labelling law of the place where it is sold: colours, perfume, \
allergens, warnings and\nthe size of the letters have rules of their own, which this list does not \
know.";

const NOTE_WITH_ALLERGENS: &str = "Check the labelling law of the place where it is sold: colours, \
perfume, warnings and the size of\nthe letters have rules of their own, which this list does not know. \
Allergens are reckoned from what\nsubstances.toml says; what a supplier's document does not name is not in it.";

#[derive(Debug, Args)]
pub struct DeclarationArgs {
    /// The batch's name, or its log (.csv)
    #[arg(value_name = "BATCH")]
    batch: PathBuf,
    /// Whose rule for the small ingredients: at or under 1 % (us; ca, with the fragrance allergens), or
    /// under 1 % (eu, with the fragrance allergens)
    #[arg(long, value_enum, default_value_t = RulesArg::Us)]
    rules: RulesArg,
    /// Take the INCI names from this formula, by its name or its file, instead of the one in the log
    #[arg(long, value_name = FORMULA)]
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
    /// Canada
    Ca,
}

/// A batch as its label needs it.
pub(super) struct Read {
    pub record: Record,
    /// The formula that is named, or else that of its log, where it reads.
    pub formula: Option<Formula>,
    pub declared: Declared,
    pub net: Option<(Mass, &'static str)>,
}

pub fn run(args: &DeclarationArgs) -> Outcome {
    let read = args.read()?;
    print(&report(&read.declared, read.net))?;
    Ok(Exit::Done)
}

impl DeclarationArgs {
    /// Reads the batch and what is in it; says what is incomplete.
    pub(super) fn read(&self) -> Result<Read, Failure> {
        let log = named::log(&self.batch, || self.store.logs_dir())?;
        let records = self.store.records()?;
        let file = log.display().to_string();
        let of_another_folder;
        let record = match records.iter().find(|one| one.file == file) {
            Some(record) => record,
            None => {
                of_another_folder = record::read(&log)?;
                &of_another_folder
            }
        };
        let named = self.formula.as_deref();
        let named = named.map(|typed| named::formula(typed, None)).transpose()?;
        let formula = named.as_deref().map(workshop::formula).transpose()?;
        let rules = match self.rules {
            RulesArg::Us => Rules::Us,
            RulesArg::Eu => Rules::Eu,
            RulesArg::Ca => Rules::Ca,
        };
        let folder = match &named {
            _ if !rules.name_allergens() => None,
            Some(path) => Some(workshop::folder_of(path)),
            None => Some(super::config::load(None)?.formulas()?),
        };
        let list = match &folder {
            Some(folder) => workshop::substances_in(folder)?,
            None => Vec::new(),
        };
        let is_empty = list.is_empty();
        let declared = Declared::of(record, &records, formula.as_ref(), list, rules)?;
        for name in &declared.nameless {
            tell(&format!(
                "warning: the formula has no INCI name for {name}; its own name stands there"
            ));
        }
        for why in &declared.incomplete {
            tell(&format!("warning: {why}"));
        }
        if let Some(folder) = folder {
            for misnamed in workshop::misnamed_in(&folder) {
                tell(&format!("warning: {misnamed}"));
            }
            if !declared.unknown_scents.is_empty() {
                tell(&format!("warning: {}", looked_into(&folder, is_empty)));
            }
        }
        let typed = self.net.as_ref().map(|typed| (typed.mass, "as typed"));
        Ok(Read {
            net: typed.or_else(|| declared::net(record)),
            formula: formula.or_else(|| record.read_formula().and_then(Result::ok)),
            record: record.clone(),
            declared,
        })
    }

    /// The list of lots that goes with the batch.
    pub(super) fn lots(&self) -> Result<Vec<Lot>, Failure> {
        Ok(workshop::store::lots(&self.store.lots_file()?)?)
    }
}

/// Where the maker's list was looked for: the log does not tell where its formula lay.
fn looked_into(folder: &Path, is_empty: bool) -> String {
    let found = match is_empty {
        true => "; there is none, or nothing is in it",
        false => "",
    };
    format!(
        "{FILE} was looked for in {}{found}. If yours lies in another folder, name the formula there with \
         --formula FILE, or that folder as formula_dir in the configuration",
        folder.display()
    )
}

impl From<DeclaredError> for Failure {
    fn from(error: DeclaredError) -> Failure {
        match error {
            DeclaredError::LotOfItself(_) => {
                Failure::failed(error).remedy("correct the lot in its log")
            }
            DeclaredError::NoWeights(_) => Failure::failed(error),
            DeclaredError::Formula(problems) => problems.into(),
        }
    }
}

/// What makes a batch incomplete, on the paper too, and first: who reads only that must not take the list
/// for the formula's.
pub(super) fn not_complete(declared: &Declared) -> String {
    let lines = declared.incomplete.iter();
    lines
        .map(|why| format!("NOT COMPLETE: {why}.\n\n"))
        .collect()
}

fn report(declared: &Declared, net: Option<(Mass, &str)>) -> String {
    let (rule, law) = match declared.rules {
        Rules::Us => ("at or under 1 %", "US, 21 CFR 701.3"),
        Rules::Eu => ("under 1 %", "EU, Regulation 1223/2009 art. 19"),
        Rules::Ca => ("at or under 1 %", "Canada, Cosmetic Regulations s. 21.4(2)"),
    };
    let total = declared.total();
    let mut out = not_complete(declared);
    out.push_str(&format!("INGREDIENTS: {}\n\n", declared.names().join(", ")));
    let mut rows = vec![["INCI", "g", "%", ""].map(String::from)];
    for line in &declared.lines {
        let free = if line.any_order { "any order" } else { "" };
        rows.push([
            line.inci.clone(),
            line.mass.grams_rounded(3).to_string(),
            percent(line.mass, total),
            free.to_owned(),
        ]);
    }
    out.push_str(&aligned(&rows, &[1, 2]));
    if declared.lines.iter().any(|line| line.any_order) {
        out.push_str(&format!(
            "\n\"any order\": {rule}, may follow in any order after the others ({law}).\n"
        ));
    }
    if let Some((found, stay)) = &declared.allergens {
        out.push_str(&allergens_table(declared.rules, found, *stay, total));
    }
    if let Some((mass, from)) = net {
        let (what, text) = match declared.rules {
            Rules::Us | Rules::Eu => ("NET WT", us_net_weight(mass)),
            Rules::Ca => ("Net quantity", ca_net_weight(mass)),
        };
        let text = text.unwrap_or_else(|| "too little for a label".into());
        out.push_str(&format!("{what}: {text}, rounded down ({from})\n"));
    }
    out + match declared.allergens {
        Some(_) => NOTE_WITH_ALLERGENS,
        None => NOTE,
    }
}

/// Canada's list is the EU's as amended from time to time; the years of its two steps are second hand.
const CANADA: &str = "(Canada, Cosmetic Regulations s. 21.4(4), asks for those of the EU's list; a product that was sold \
before\n1 August 2026 may name the older 24 alone until 1 August 2028: second hand)\n";

fn allergens_table(rules: Rules, found: &[Amount], stay: Stay, total: Mass) -> String {
    let mut out = format!(
        "\nFragrance allergens (Regulation 1223/2009, Annex III, with (EU) 2023/1545), named above {}\n",
        stay.words()
    );
    if rules == Rules::Ca {
        out.push_str(CANADA);
    }
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
