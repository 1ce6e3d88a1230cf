//! `bismar lots`: which are on hand and how much of it is left; lots added, corrected and taken out.

use std::path::{Path, PathBuf};

use clap::{Args, Subcommand, ValueEnum};
use jiff::civil::Date;

use super::size::{Typed, typed};
use super::value::price;
use super::{Exit, Failure, Outcome, heads, number, print, said, tell};
use crate::config::Config;
use crate::config::paths::Places;
use crate::journal::batch::record::Record;
use crate::journal::format::fault::BadLine;
use crate::journal::read::folder::{all_threads, each_batch};
use crate::language::{phrase, term};
use crate::lots::Lot;
use crate::lots::price::Price;
use crate::lots::shelf::{Listed, listed};
use crate::mass::Mass;
use crate::text::alike::same_lot;
use crate::text::columns::aligned;
use crate::workshop::batches::{stocktake, stocktake_of};
use crate::workshop::store::{self, Change};
use crate::workshop::today;

#[derive(Debug, Args)]
pub struct LotsArgs {
    #[command(subcommand)]
    command: Option<LotsCommand>,
    #[command(flatten)]
    store: StoreArgs,
}

/// Where the lots and the batch logs are.
#[derive(Debug, Args)]
pub struct StoreArgs {
    /// List of lots (default: lots.toml beside config.toml)
    #[arg(long, global = true, value_name = "FILE")]
    pub lots: Option<PathBuf>,
    /// Folder of the batch logs (default: as configured)
    #[arg(long, global = true, value_name = "DIR")]
    pub logs: Option<PathBuf>,
}

#[derive(Debug, Subcommand)]
enum LotsCommand {
    /// Add a lot to the list
    Add(AddArgs),
    /// Correct what the list says of a lot, by a new line below it; shows what changes
    Correct(CorrectArgs),
    /// Take a lot out of the list, by a new line below it; shows what changes
    Remove(WhichArgs),
}

/// Which lot, and why it is changed.
#[derive(Debug, Args)]
struct WhichArgs {
    /// The lot as it stands in the list
    #[arg(value_name = "LOT")]
    name: String,
    /// Its ingredient; needed where several have a lot of the name
    #[arg(long, value_name = "NAME")]
    ingredient: Option<String>,
    /// Why; the list keeps it
    #[arg(long, value_name = "TEXT")]
    reason: String,
    /// Write it; without this it is only shown
    #[arg(long)]
    write: bool,
}

#[derive(Debug, Args)]
struct CorrectArgs {
    #[command(flatten)]
    which: WhichArgs,
    #[command(flatten)]
    told: ToldArgs,
    /// What is not known after all
    #[arg(long, value_name = "WHAT", value_enum)]
    forget: Vec<Forget>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Forget {
    Supplier,
    Opened,
    BestBefore,
    Amount,
    PricePerKg,
}

#[derive(Debug, Args)]
struct AddArgs {
    /// The lot as it stands on the package
    #[arg(value_name = "LOT")]
    name: String,
    /// The ingredient, as formulas name it
    #[arg(long, value_name = "NAME")]
    ingredient: String,
    #[command(flatten)]
    told: ToldArgs,
}

/// What is told of a lot.
#[derive(Debug, Args)]
struct ToldArgs {
    #[arg(long, value_name = "NAME")]
    supplier: Option<String>,
    /// Day it was opened, for example 2026-01-31
    #[arg(long, value_name = "DAY")]
    opened: Option<Date>,
    /// Last day on which it is good
    #[arg(long, value_name = "DAY")]
    best_before: Option<Date>,
    /// Amount when it was opened, with its unit, for example 5kg
    #[arg(long, value_name = "MASS", value_parser = typed)]
    amount: Option<Typed>,
    /// What a kilogram cost, without a currency, for example 12.50
    #[arg(long, value_name = "PRICE", value_parser = price,
          allow_hyphen_values = true)]
    price_per_kg: Option<Price>,
}

pub fn run(args: LotsArgs) -> Outcome {
    let file = args.store.lots_file()?;
    match args.command {
        Some(LotsCommand::Add(lot)) => add(&file, lot),
        Some(LotsCommand::Correct(correct)) => {
            let CorrectArgs {
                which,
                told,
                forget,
            } = correct;
            let is = |lot: &Lot| Some(corrected(lot, told, &forget));
            change(&file, &args.store, &which, is)
        }
        Some(LotsCommand::Remove(which)) => change(&file, &args.store, &which, |_| None),
        None => list(&file, &args.store),
    }
}

impl StoreArgs {
    /// Whether a list was named on the command line.
    pub(super) fn names_lots(&self) -> bool {
        self.lots.is_some()
    }

    pub(super) fn lots_file(&self) -> Result<PathBuf, Failure> {
        let usual = || Places::from_env().lots_file();
        self.lots.clone().or_else(usual).ok_or_else(|| {
            let why = phrase!("the list of lots is not known, since HOME is not set");
            Failure::failed(why).remedy(phrase!("name it with --lots FILE"))
        })
    }

    pub fn logs_dir(&self) -> Result<PathBuf, Failure> {
        match &self.logs {
            Some(dir) => Ok(dir.clone()),
            None => Ok(Config::load(None)?.logs()?),
        }
    }

    /// Every batch of the folder, with its rows. Of a damaged log the rows before the damage count, and it is
    /// said.
    pub fn records(&self) -> Result<Vec<Record>, Failure> {
        told(each_batch(&self.logs_dir()?, all_threads(), |record| {
            record
        })?)
    }
}

pub(super) fn told<T>((all, faults): (T, Vec<BadLine>)) -> Result<T, Failure> {
    let faults: Vec<String> = faults.iter().map(ToString::to_string).collect();
    tell_damage(&faults);
    Ok(all)
}

/// Says what is damaged of logs that are counted.
pub(super) fn tell_damage(faults: &[String]) {
    for fault in faults {
        tell(&said(phrase!(
            "warning: {fault}\n  only the rows before that are counted",
            fault,
        )));
    }
}

fn list(file: &Path, store: &StoreArgs) -> Outcome {
    let lots = store::lots(file)?;
    tell_alike(&lots, file);
    let (stock, elsewhere, faults) = stocktake(&store.logs_dir()?, all_threads())?;
    told(((), faults))?;
    let listed = listed(&lots, &stock, today());
    if listed.is_empty() {
        let example = "bismar lots add S-12 --ingredient \"Sea salt\" --amount 5kg";
        print(&said(phrase!(
            "No lots in {file}. Add one: {example}",
            file = file.display().to_string(),
            example,
        )))?;
        return Ok(Exit::Done);
    }
    print(&table(listed))?;
    for lot in &lots {
        if let Some(words) = elsewhere.said_of(lot) {
            print(&format!("  {}: {}", lot.name, said(words)))?;
        }
    }
    for note in elsewhere.said_of_silence(&lots) {
        tell(&said(phrase!("note: {note}", note)));
    }
    Ok(Exit::Done)
}

/// Says which lots can be taken for another one.
fn tell_alike(lots: &[Lot], file: &Path) {
    for alike in Lot::alike(lots, &file.display().to_string()) {
        tell(&said(phrase!("warning: {alike}", alike = alike.told())));
    }
}

fn table(listed: Vec<Listed>) -> String {
    let [lot, ingredient, supplier, best_before, left] = heads([
        term!("lot"),
        term!("ingredient"),
        term!("supplier"),
        term!("best before"),
        term!("left g"),
    ]);
    let mut rows = vec![[lot, ingredient, supplier, best_before, left, String::new()]];
    let grams = |mass: Mass| number(mass.grams(Mass::from_mg(10)));
    for one in listed {
        let lot = one.lot;
        rows.push([
            lot.name,
            lot.ingredient,
            lot.supplier.unwrap_or_else(|| "-".into()),
            lot.best_before.map_or("-".into(), |day| day.to_string()),
            one.left.map_or_else(|| said(term!("not known")), grams),
            one.refused
                .map_or(String::new(), |why| said(phrase!("refused: {why}", why))),
        ]);
    }
    aligned(&rows, &[4])
}

fn add(file: &Path, args: AddArgs) -> Outcome {
    let lot = Lot {
        name: args.name.trim().to_owned(),
        ingredient: args.ingredient.trim().to_owned(),
        ..Lot::default()
    };
    let lot = corrected(&lot, args.told, &[]);
    store::add(file, &lot)?;
    tell_alike(&store::lots(file)?, file);
    print(&said(phrase!(
        "Lot {lot} of {ingredient} added to {file}",
        lot = &lot.name,
        ingredient = &lot.ingredient,
        file = file.display().to_string(),
    )))?;
    Ok(Exit::Done)
}

/// The lot with what is told of it now, and without what is not known after all.
fn corrected(lot: &Lot, told: ToldArgs, forget: &[Forget]) -> Lot {
    let keeps = |what: Forget| !forget.contains(&what);
    let lot = lot.clone();
    let supplier = lot.supplier.filter(|_| keeps(Forget::Supplier));
    let opened = lot.opened.filter(|_| keeps(Forget::Opened));
    let best_before = lot.best_before.filter(|_| keeps(Forget::BestBefore));
    let amount = lot.amount.filter(|_| keeps(Forget::Amount));
    let price = lot.price_per_kg.filter(|_| keeps(Forget::PricePerKg));
    Lot {
        supplier: told.supplier.or(supplier),
        opened: told.opened.or(opened),
        best_before: told.best_before.or(best_before),
        amount: told.amount.map(|typed| typed.mass).or(amount),
        price_per_kg: told.price_per_kg.or(price),
        ..lot
    }
}

fn change(
    file: &Path,
    store: &StoreArgs,
    which: &WhichArgs,
    made: impl FnOnce(&Lot) -> Option<Lot>,
) -> Outcome {
    let ingredient = match &which.ingredient {
        Some(ingredient) => ingredient.clone(),
        None => only_one(&store::lots(file)?, &which.name, file)?,
    };
    let lot = (which.name.as_str(), ingredient.as_str());
    let (stock, uses, faults) = stocktake_of(&store.logs_dir()?, all_threads(), lot)?;
    told(((), faults))?;
    let change = Change::of(file, lot, made, &which.reason, (&stock, &uses), today())?;
    print(&said(phrase!(
        "Lot {lot} of {ingredient}:",
        lot = &which.name,
        ingredient
    )))?;
    for words in change.words() {
        print(&format!("  {}", said(words)))?;
    }
    if which.write {
        change.write(file)?;
        let file = file.display().to_string();
        print(&said(phrase!("Written below it in {file}", file)))?;
    } else {
        print(&said(phrase!("Nothing is written yet; --write does.")))?;
    }
    Ok(Exit::Done)
}

/// The ingredient of the one lot of that name.
fn only_one(lots: &[Lot], name: &str, file: &Path) -> Result<String, Failure> {
    let named: Vec<&Lot> = lots
        .iter()
        .filter(|lot| same_lot(&lot.name, name))
        .collect();
    match named.as_slice() {
        [lot] => Ok(lot.ingredient.clone()),
        [] => Err(Failure::failed(phrase!(
            "no lot {name} is in {file}",
            name,
            file = file.display().to_string()
        ))
        .remedy(phrase!("`bismar lots` lists those that are"))),
        several => {
            let ingredients = several.iter().map(|lot| lot.ingredient.as_str());
            let ingredients = ingredients.collect::<Vec<_>>().join(", ");
            let why = phrase!(
                "several ingredients have a lot {name}: {ingredients}",
                name,
                ingredients,
            );
            let remedy = phrase!("say which one with --ingredient NAME");
            Err(Failure::usage(why).remedy(remedy))
        }
    }
}
