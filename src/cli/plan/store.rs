//! The lots on hand for a plan, what is to be done first, and what the batch costs.

use std::fmt::Write as _;
use std::path::PathBuf;

use crate::cli::batch_table::paragraph;
use crate::cli::{heads, number, said};
use crate::formula::{Formula, Ingredient, Plan};
use crate::language::{Sentence, Slot, counted, phrase, term};
use crate::lots::price::{Cost, Price};
use crate::lots::shelf::{Shelf, StepSupply};
use crate::mass::Mass;
use crate::text::columns::Column::{Left as L, Right as R};
use crate::text::columns::{Column, fold, line};
use crate::text::shell_word;

/// All grams here are of lots and need no finer step.
const STEP: Mass = Mass::from_mg(10);

fn grams(mass: Mass) -> String {
    number(mass.grams(STEP))
}

/// Adds what is on hand of each ingredient; gives whether nothing is known to be short.
pub fn section(
    text: &mut String,
    shelf: &Shelf,
    formula: &Formula,
    plan: &Plan,
    supplies: &[StepSupply],
) -> bool {
    let title = phrase!("Lots on hand, {day}", day = Slot::day(shelf.day()));
    let _ = writeln!(text, "\n{}", said(title));
    if shelf.is_empty() {
        let file = shelf.file();
        let none = phrase!(
            "No lots in {file}; `bismar lots add` begins the list.",
            file
        );
        paragraph(text, "", &said(none));
    }
    let heads = heads([
        term!("lot"),
        term!("best before"),
        term!("left g"),
        term!("take g"),
        term!("cost"),
    ]);
    row(text, heads.each_ref().map(String::as_str));
    let steps = formula.ingredients().zip(&plan.steps).zip(supplies);
    for ((ingredient, step), found) in steps {
        let premix = ingredient.premix.as_ref();
        let premix = premix.map_or(Sentence::none(), |premix| {
            phrase!(", a premix ({premix})", premix)
        });
        let line = phrase!(
            "{number}, {name}{premix}: {target} g, {state}",
            number = step.number,
            name = &ingredient.name,
            premix,
            target = step.target.grams(STEP),
            state = found.state(),
        );
        paragraph(text, "", &said(line));
        for take in &found.supply.takes {
            row(
                text,
                [
                    &take.lot,
                    &take.best_before.map_or("-".into(), |day| day.to_string()),
                    &take.left.map_or_else(|| said(term!("not known")), grams),
                    &grams(take.mass),
                    &take.cost().map_or("-".into(), |cost| {
                        let least = take.price.is_some_and(|price| !price.whole);
                        let sign = if least { ">" } else { "" };
                        format!("{sign}{}", number(cost.hundredths(1)))
                    }),
                ],
            );
        }
        if let Some(advice) = found.advice() {
            paragraph(text, "  ", &said(advice));
        }
        for why in &found.refused {
            let why = why.clone();
            paragraph(text, &said(phrase!("  not counted: ")), &said(why));
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
    text.push_str(&said(phrase!("\nFirst\n")));
    for (ingredient, short) in missing {
        let line = match &ingredient.premix {
            None => phrase!(
                "Get {short} g more of {name}.",
                short = short.grams(STEP),
                name = &ingredient.name,
            ),
            Some(name) => {
                let more = short.ceil_to(Mass::from_g(1)).grams(Mass::from_g(1));
                let (file, which) = which(&premix(name));
                phrase!(
                    "Make {short} g more of {name}: {command}{which}",
                    short = short.grams(STEP),
                    name = &ingredient.name,
                    command = format!("bismar plan {file} --batch {more}g"),
                    which,
                )
            }
        };
        paragraph(text, "- ", &said(line));
    }
}

/// What stands for the file of a premix in a command, and what is to be said of it where that is not one file.
fn which(files: &[PathBuf]) -> (String, Sentence) {
    let words: Vec<String> = files
        .iter()
        .map(|file| shell_word(&file.display().to_string()))
        .collect();
    match &words[..] {
        [] => ("PREMIX.toml".to_owned(), Sentence::none()),
        [one] => (one.clone(), Sentence::none()),
        [first @ .., last] => {
            let first = first.join(", ");
            (
                "FORMULA".to_owned(),
                phrase!(
                    ", where FORMULA is {first} or {last}: they have the same name",
                    first,
                    last,
                ),
            )
        }
    }
}

/// What the batch costs, and a jar of it.
pub fn costs(text: &mut String, plan: &Plan, supplies: &[StepSupply], jar_price: Option<Price>) {
    text.push_str(&said(phrase!("\nCost\n")));
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
        let none =
            phrase!("No lot that would be used has a price (price_per_kg in the list of lots).");
        paragraph(text, "", &said(none));
    }
    if !any && jar_price.is_none() {
        return;
    }
    let least = match without.is_empty() {
        true => Sentence::none(),
        false => phrase!("at least "),
    };
    let money = |cost: Cost, pieces: u32| Slot::number(cost.hundredths(pieces).to_string());
    let each = plan.jars.map_or(Sentence::none(), |(count, _)| {
        phrase!(", {each} a jar", each = money(sum, count))
    });
    let jars = plan.jars.zip(jar_price).map(|((count, _), price)| {
        let jars = price.for_pieces(count);
        let all = sum.plus(jars);
        phrase!(
            "; {empty} {jars}; together {least}{all}, {each} a jar",
            empty = counted::empty_jars(count.into()),
            jars = money(jars, 1),
            least = least.clone(),
            all = money(all, 1),
            each = money(all, count),
        )
    });
    let line = phrase!(
        "Ingredients {least}{sum}{each}{jars}.",
        least,
        sum = money(sum, 1),
        each,
        jars = jars.unwrap_or_default(),
    );
    paragraph(text, "", &said(line));
    if !without.is_empty() {
        let line = phrase!(
            "A lower bound: not all of the price is known of {names}.",
            names = without.join(", "),
        );
        paragraph(text, "", &said(line));
    }
}
