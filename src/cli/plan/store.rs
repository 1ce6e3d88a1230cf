//! What is on hand for a plan, what is to be done first, and what the batch costs.

use std::fmt::Write as _;
use std::path::PathBuf;

use crate::cli::batch_table::paragraph;
use crate::formula::{Formula, Ingredient, Plan};
use crate::lots::price::{Cost, Price};
use crate::lots::shelf::{Shelf, StepSupply};
use crate::mass::Mass;
use crate::text::columns::Column::{Left as L, Right as R};
use crate::text::columns::{Column, fold, line};
use crate::text::{counted, listed, shell_word};

/// All grams here are of lots and need no finer step.
const STEP: Mass = Mass::from_mg(10);

fn grams(mass: Mass) -> String {
    mass.grams(STEP).to_string()
}

/// Adds what is on hand of each ingredient; gives whether nothing is known to be short.
pub fn section(
    text: &mut String,
    shelf: &Shelf,
    formula: &Formula,
    plan: &Plan,
    supplies: &[StepSupply],
) -> bool {
    let _ = writeln!(text, "\nLots on hand, {}", shelf.day());
    if shelf.is_empty() {
        let file = shelf.file();
        let none = format!("No lots in {file}; `bismar lots add` begins the list.");
        paragraph(text, "", &none);
    }
    row(text, ["lot", "best before", "left g", "take g", "cost"]);
    let steps = formula.ingredients().zip(&plan.steps).zip(supplies);
    for ((ingredient, step), found) in steps {
        let premix = ingredient.premix.as_ref();
        let premix = premix.map_or(String::new(), |premix| format!(", a premix ({premix})"));
        let line = format!(
            "{}, {}{premix}: {} g, {}",
            step.number,
            ingredient.name,
            grams(step.target),
            found.state()
        );
        paragraph(text, "", &line);
        for take in &found.supply.takes {
            row(
                text,
                [
                    &take.lot,
                    &take.best_before.map_or("-".into(), |day| day.to_string()),
                    &take.left.map_or("not known".into(), grams),
                    &grams(take.mass),
                    &take.cost().map_or("-".into(), |cost| {
                        let least = take.price.is_some_and(|price| !price.whole);
                        let sign = if least { ">" } else { "" };
                        format!("{sign}{}", cost.hundredths(1))
                    }),
                ],
            );
        }
        if let Some(advice) = found.advice() {
            paragraph(text, "  ", &advice);
        }
        for why in &found.refused {
            paragraph(text, "  not counted: ", why);
        }
    }
    supplies.iter().all(StepSupply::is_enough)
}

/// A row of the table of lots; a long name stands on lines of its own.
fn row(text: &mut String, cells: [&str; 5]) {
    let [lot, best_before, left, take, cost] = cells;
    let lines = fold(lot, NAME);
    let (last, before) = lines.split_last().map_or(("", &[][..]), |(l, b)| (l, b));
    for line in before {
        let _ = writeln!(text, "    {line}");
    }
    let cells = [last, best_before, left, take, cost];
    let _ = writeln!(text, "    {}", line(1, &COLUMNS, cells));
}

/// With the margin and the spaces between them 80.
const COLUMNS: [Column; 5] = [L(NAME), L(11), R(9), R(9), R(8)];

const NAME: usize = 35;

/// What is missing, and how it is got; `premix` gives the file of a formula by its name.
pub fn to_do(
    text: &mut String,
    formula: &Formula,
    plan: &Plan,
    supplies: &[StepSupply],
    premix: impl Fn(&str) -> Vec<PathBuf>,
) {
    // By ingredient: it may be weighed in several steps.
    let mut missing: Vec<(&Ingredient, Mass)> = Vec::new();
    let steps = formula.ingredients().zip(&plan.steps).zip(supplies);
    for ((ingredient, _), found) in steps {
        let short = found.supply.short;
        if !found.known || short <= Mass::ZERO {
            continue;
        }
        let same = |one: &&mut (&Ingredient, Mass)| {
            one.0.name == ingredient.name && one.0.premix == ingredient.premix
        };
        match missing.iter_mut().find(same) {
            Some((_, mass)) => *mass += short,
            None => missing.push((ingredient, short)),
        }
    }
    if missing.is_empty() {
        return;
    }
    text.push_str("\nFirst\n");
    for (ingredient, short) in missing {
        let line = match &ingredient.premix {
            None => format!("Get {} g more of {}.", grams(short), ingredient.name),
            Some(name) => {
                let more = short.ceil_to(Mass::from_g(1)).grams(Mass::from_g(1));
                let (file, which) = which(&premix(name));
                format!(
                    "Make {} g more of {}: bismar plan {file} --batch {more}g{which}",
                    grams(short),
                    ingredient.name,
                )
            }
        };
        paragraph(text, "- ", &line);
    }
}

/// What stands for the file of a premix in a command, and what is to be said of it where that is not one file.
fn which(files: &[PathBuf]) -> (String, String) {
    let words: Vec<String> = files
        .iter()
        .map(|file| shell_word(&file.display().to_string()))
        .collect();
    match &words[..] {
        [] => ("PREMIX.toml".to_owned(), String::new()),
        [one] => (one.clone(), String::new()),
        several => {
            let which = listed(several, "or");
            (
                "FORMULA".to_owned(),
                format!(", where FORMULA is {which}: they have the same name"),
            )
        }
    }
}

/// What the batch costs, and a jar of it.
pub fn costs(text: &mut String, plan: &Plan, supplies: &[StepSupply], jar_price: Option<Price>) {
    text.push_str("\nCost\n");
    let (mut sum, mut any, mut without) = (Cost::ZERO, false, Vec::new());
    for (step, found) in plan.steps.iter().zip(supplies) {
        let (cost, whole) = found.supply.cost();
        sum = sum.plus(cost);
        any |= found.supply.takes.iter().any(|take| take.price.is_some());
        if !whole && !without.contains(&step.ingredient.as_str()) {
            without.push(&step.ingredient);
        }
    }
    if !any {
        let none = "No lot that would be used has a price (price_per_kg in the list of lots).";
        paragraph(text, "", none);
    }
    if !any && jar_price.is_none() {
        return;
    }
    let least = if without.is_empty() { "" } else { "at least " };
    let mut line = format!("Ingredients {least}{}", sum.hundredths(1));
    if let Some((count, _)) = plan.jars {
        let _ = write!(line, ", {} a jar", sum.hundredths(count));
        if let Some(price) = jar_price {
            let jars = price.for_pieces(count);
            let all = sum.plus(jars);
            let _ = write!(
                line,
                "; {} {}; together {least}{}, {} a jar",
                counted(count, "empty jar", "empty jars"),
                jars.hundredths(1),
                all.hundredths(1),
                all.hundredths(count)
            );
        }
    }
    line.push('.');
    paragraph(text, "", &line);
    if !without.is_empty() {
        let line = format!(
            "A lower bound: not all of the price is known of {}.",
            without.join(", ")
        );
        paragraph(text, "", &line);
    }
}
