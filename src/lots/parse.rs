//! `lots.toml` to lots, and a lot or a correction to its lines in it.

use std::collections::HashSet;
use std::ops::Range;

use jiff::civil::Date;

use super::price::Price;
use super::{Corrected, Lot};
use crate::document::{DeTable, DeValue, Reader, Value};
use crate::formula::Place;
use crate::language::phrase;
use crate::problem::Problems;
use crate::text::alike::{folded, visible};

const KEYS: [&str; 7] = [
    "name",
    "ingredient",
    "supplier",
    "opened",
    "best_before",
    "amount",
    "price_per_kg",
];
const KEYS_OF_CORRECTION: [&str; 10] = [
    "lot",
    "ingredient",
    "on",
    "reason",
    "removed",
    "supplier",
    "opened",
    "best_before",
    "amount",
    "price_per_kg",
];

impl Lot {
    /// Reads the lots of a file's text as its corrections leave them; `name` stands for the file in messages. A
    /// lot is known by its name and ingredient together.
    ///
    /// # Errors
    /// Everything that is wrong with it, each with its place.
    pub fn parse_all(text: &str, name: &str) -> Result<Vec<Lot>, Problems> {
        let (mut reader, root) = Reader::parse(text, name)?;
        reader.only(&root, phrase!("The list of lots"), &["lot", "correction"]);
        let new = reader.list(&root, "lot").into_iter();
        let mut tables: Vec<_> = new.map(|(table, at)| (table, at, false)).collect();
        let corrections = reader.list(&root, "correction").into_iter();
        tables.extend(corrections.map(|(table, at)| (table, at, true)));
        // A correction is of what stands above it.
        tables.sort_by_key(|(_, at, _)| at.start);
        let mut lots: Vec<Lot> = Vec::new();
        // Where a name comes for the first time no lot above it has to be looked at.
        let mut names = HashSet::new();
        for (table, at, is_correction) in tables {
            if is_correction {
                correct(&mut reader, table, &at, &mut lots);
                continue;
            }
            let Some(lot) = lot(&mut reader, table, &at) else {
                continue;
            };
            let same = |l: &&Lot| l.is(&lot.name, &lot.ingredient);
            let name = (
                visible(&lot.name).into_owned(),
                folded(&lot.ingredient).into_owned(),
            );
            let again = !names.insert(name);
            match lots.iter().filter(|_| again).find(same) {
                Some(first) => reader.report(
                    &at,
                    phrase!(
                        "lot \"{lot}\" of {ingredient} stands in line {line} already",
                        lot = &lot.name,
                        ingredient = &lot.ingredient,
                        line = first.place.line
                    ),
                    phrase!("Remove one of the two, or write what tells them apart into its name"),
                ),
                None => lots.push(lot),
            }
        }
        reader.finish(lots)
    }

    /// The lot's lines in the file, an empty line before them.
    pub fn to_toml(&self) -> String {
        let known = [
            ("name", Some(quoted(&self.name))),
            ("ingredient", Some(quoted(&self.ingredient))),
        ];
        lines("lot", known.into_iter().chain(self.values()))
    }

    /// As [`Lot::told`], each as TOML.
    fn values(&self) -> impl Iterator<Item = (&'static str, Option<String>)> {
        self.told().into_iter().map(|(key, told)| {
            let value = told.map(|told| match key {
                "opened" | "best_before" => told,
                _ => quoted(&told),
            });
            (key, value)
        })
    }
}

/// The lines of a correction that makes `is` of the lot `was`, or takes it out of the list where that is none; an empty
/// line before them. What is known no more is an empty text. `None` where nothing differs.
pub(super) fn correction(was: &Lot, is: Option<&Lot>, on: Date, reason: &str) -> Option<String> {
    let known = [
        ("lot", Some(quoted(&was.name))),
        ("ingredient", Some(quoted(&was.ingredient))),
        ("on", Some(on.to_string())),
        ("reason", Some(quoted(reason))),
    ];
    let changes = match is {
        None => vec![("removed", Some("true".to_owned()))],
        Some(is) => {
            let both = was.values().zip(is.values());
            let changed = both.filter(|((_, old), (_, new))| old != new);
            let told =
                changed.map(|(_, (key, new))| (key, Some(new.unwrap_or_else(|| quoted("")))));
            told.collect()
        }
    };
    let any = !changes.is_empty();
    any.then(|| lines("correction", known.into_iter().chain(changes)))
}

fn quoted(text: &str) -> String {
    toml::Value::String(text.to_owned()).to_string()
}

fn lines(head: &str, values: impl IntoIterator<Item = (&'static str, Option<String>)>) -> String {
    let mut out = format!("\n[[{head}]]\n");
    for (key, value) in values {
        if let Some(value) = value {
            out.push_str(&format!("{key} = {value}\n"));
        }
    }
    out
}

fn lot<'i>(reader: &mut Reader<'i>, table: &DeTable<'i>, at: &Range<usize>) -> Option<Lot> {
    reader.only(table, phrase!("A lot"), &KEYS);
    let name = reader.required_line(table, at, phrase!("The lot"), "name", "name = \"S-12\"");
    let ingredient = reader.required_line(
        table,
        at,
        phrase!("The lot"),
        "ingredient",
        "ingredient = \"Sea salt\"",
    );
    let supplier = reader.get(table, "supplier", Reader::line);
    let mut date = |key: &str| reader.get(table, key, day);
    let (opened, best_before) = (date("opened"), date("best_before"));
    let amount = reader.get(table, "amount", |r, v, k| r.mass(v, k, "1 kg"));
    let price_per_kg = reader.get(table, "price_per_kg", price);
    let (line, column) = reader.place(at);
    Some(Lot {
        name: name?,
        ingredient: ingredient?,
        supplier,
        opened,
        best_before,
        amount,
        price_per_kg,
        place: Place { line, column },
        corrected: Vec::new(),
    })
}

/// Makes of a lot above what a correction says.
fn correct<'i>(
    reader: &mut Reader<'i>,
    table: &DeTable<'i>,
    at: &Range<usize>,
    lots: &mut Vec<Lot>,
) {
    const CHANGES: usize = 5;
    let what = phrase!("The correction");
    reader.only(table, phrase!("A correction"), &KEYS_OF_CORRECTION);
    let mut line =
        |key: &str, example: &str| reader.required_line(table, at, what.clone(), key, example);
    let name = line("lot", "lot = \"S-12\"");
    let ingredient = line("ingredient", "ingredient = \"Sea salt\"");
    let reason = line("reason", "reason = \"the amount was mistyped\"");
    let on = reader.get(table, "on", day);
    if table.get("on").is_none() {
        let message = phrase!("The correction has no \"on\", the day on which it was written");
        reader.report(
            at,
            message,
            phrase!("Write year, month, day: on = 2026-09-30"),
        );
    }
    let removed = reader.get(table, "removed", Reader::boolean) == Some(true);
    let told = |key: &str| table.get(key).is_some();
    if removed == KEYS_OF_CORRECTION.iter().skip(CHANGES).any(|key| told(key)) {
        reader.report(
            at,
            phrase!("The correction changes nothing, or a lot that it takes out"),
            phrase!("Write either removed = true, or what is right now, as amount = \"5 kg\""),
        );
        return;
    }
    let (Some(name), Some(ingredient)) = (name, ingredient) else {
        return;
    };
    let Some(place) = lots.iter().position(|lot| lot.is(&name, &ingredient)) else {
        reader.report(
            at,
            phrase!("no lot \"{name}\" of {ingredient} stands above this correction", name, ingredient),
            phrase!("Write lot and ingredient as they stand in the list, and the correction below the lot"),
        );
        return;
    };
    if removed {
        lots.remove(place);
        return;
    }
    // An empty text: it is known no more.
    let empty = |key: &str| {
        let text = table.get(key).and_then(|value| value.get_ref().as_str());
        text.is_some_and(|text| text.trim().is_empty())
    };
    let Some(lot) = lots.get_mut(place) else {
        return;
    };
    if told("supplier") {
        lot.supplier = match empty("supplier") {
            true => None,
            false => reader.get(table, "supplier", Reader::line),
        };
    }
    for (key, slot) in [
        ("opened", &mut lot.opened),
        ("best_before", &mut lot.best_before),
    ] {
        if told(key) {
            *slot = match empty(key) {
                true => None,
                false => reader.get(table, key, day),
            };
        }
    }
    if told("amount") {
        lot.amount = match empty("amount") {
            true => None,
            false => reader.get(table, "amount", |r, v, k| r.mass(v, k, "1 kg")),
        };
    }
    if told("price_per_kg") {
        lot.price_per_kg = match empty("price_per_kg") {
            true => None,
            false => reader.get(table, "price_per_kg", price),
        };
    }
    if let (Some(on), Some(reason)) = (on, reason) {
        lot.corrected.push(Corrected { on, reason });
    }
}

/// A price as a plain decimal number, with or without quotes.
fn price<'i>(reader: &mut Reader<'i>, value: &Value<'i>, key: &str) -> Option<Price> {
    let price = match value.get_ref() {
        DeValue::String(text) => Price::parse(text),
        DeValue::Datetime(_)
        | DeValue::Integer(_)
        | DeValue::Float(_)
        | DeValue::Boolean(_)
        | DeValue::Array(_)
        | DeValue::Table(_) => Price::of(reader.decimal(value, key)?),
    };
    if let Err(error) = price {
        let error = error.to_string();
        let what = error.split(';').next().unwrap_or_default();
        let remedy = phrase!(
            "Write for example price_per_kg = \"12.50\", with a point and without a currency"
        );
        reader.report(
            &value.span(),
            phrase!("\"{key}\": {what}", key, what),
            remedy,
        );
    }
    price.ok()
}

/// A day, with or without quotes.
fn day<'i>(reader: &mut Reader<'i>, value: &Value<'i>, key: &str) -> Option<Date> {
    let text = match value.get_ref() {
        DeValue::String(text) => text.trim().to_owned(),
        DeValue::Datetime(_)
        | DeValue::Integer(_)
        | DeValue::Float(_)
        | DeValue::Boolean(_)
        | DeValue::Array(_)
        | DeValue::Table(_) => reader.source(&value.span()).to_owned(),
    };
    // Only the plain form: a time of day or a zone would be passed over in silence.
    let day = (text.len() == 10).then(|| text.parse().ok()).flatten();
    if day.is_none() {
        reader.report(
            &value.span(),
            phrase!("\"{key}\" is no day of the calendar", key),
            phrase!("Write year, month, day: {key} = 2026-09-30", key),
        );
    }
    day
}
