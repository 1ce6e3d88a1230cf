//! `lots.toml` to lots, and a lot to its lines in it.

use std::ops::Range;

use jiff::civil::Date;

use super::Lot;
use super::price::Price;
use crate::document::{DeTable, DeValue, Reader, Value};
use crate::formula::Place;
use crate::mass::Mass;
use crate::problem::Problems;

const KEYS: [&str; 7] = [
    "name",
    "ingredient",
    "supplier",
    "opened",
    "best_before",
    "amount",
    "price_per_kg",
];

impl Lot {
    /// Reads the lots of a file's text; `name` stands for the file in messages. A lot is known by
    /// its name and ingredient together.
    ///
    /// # Errors
    /// Everything that is wrong with it, each with its place.
    pub fn parse_all(text: &str, name: &str) -> Result<Vec<Lot>, Problems> {
        let (mut reader, root) = Reader::parse(text, name)?;
        reader.only(&root, "The list of lots", &["lot"]);
        let tables = reader.list(&root, "lot");
        let mut lots: Vec<Lot> = Vec::new();
        for (table, at) in tables {
            let Some(lot) = lot(&mut reader, table, &at) else {
                continue;
            };
            let same = |l: &&Lot| l.is(&lot.name, &lot.ingredient);
            match lots.iter().find(same) {
                Some(first) => reader.report(
                    &at,
                    format!(
                        "lot \"{}\" of {} stands in line {} already",
                        lot.name, lot.ingredient, first.place.line
                    ),
                    "Remove one of the two, or write what tells them apart into its name",
                ),
                None => lots.push(lot),
            }
        }
        reader.finish(lots)
    }

    /// The lot's lines in the file, an empty line before them.
    pub fn to_toml(&self) -> String {
        let quoted = |text: &str| toml::Value::String(text.to_owned()).to_string();
        let grams = |mass: Mass| format!("\"{} g\"", mass.grams(Mass::from_g(1)));
        let lines = [
            ("name", Some(quoted(&self.name))),
            ("ingredient", Some(quoted(&self.ingredient))),
            ("supplier", self.supplier.as_deref().map(quoted)),
            ("opened", self.opened.map(|day| day.to_string())),
            ("best_before", self.best_before.map(|day| day.to_string())),
            ("amount", self.amount.map(grams)),
            (
                "price_per_kg",
                self.price_per_kg.map(|price| format!("\"{price}\"")),
            ),
        ];
        let mut out = String::from("\n[[lot]]\n");
        for (key, value) in lines {
            if let Some(value) = value {
                out.push_str(&format!("{key} = {value}\n"));
            }
        }
        out
    }
}

fn lot<'i>(reader: &mut Reader<'i>, table: &DeTable<'i>, at: &Range<usize>) -> Option<Lot> {
    reader.only(table, "A lot", &KEYS);
    let name = reader.required_line(table, at, "The lot", "name", "name = \"S-12\"");
    let ingredient = reader.required_line(
        table,
        at,
        "The lot",
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
    })
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
        let remedy =
            "Write for example price_per_kg = \"12.50\", with a point and without a currency";
        reader.report(&value.span(), format!("\"{key}\": {what}"), remedy);
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
            format!("\"{key}\" is no day of the calendar"),
            format!("Write year, month, day: {key} = 2026-09-30"),
        );
    }
    day
}
