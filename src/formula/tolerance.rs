//! The formula's percentages, limits and tolerances; their shapes are told in [`super::parse`].

use std::ops::Range;

use super::shares::decimal_text;
use super::{Deviation, Ingredient, Limits, Percent, Tolerance};
use crate::document::{DeTable, DeValue, Reader, Value};
use crate::language::{Sentence, Slot, phrase};
use crate::mass::Mass;

/// A percentage from 0 to 100 with at most nine decimals.
pub(super) fn percent<'i>(
    reader: &mut Reader<'i>,
    value: &Value<'i>,
    key: &str,
) -> Option<Percent> {
    let decimal = reader.decimal(value, key)?;
    let Some(n) = decimal.scaled(9) else {
        let message = phrase!(
            "\"{key}\" has {decimals} decimals",
            key,
            decimals = decimal.decimals.to_string()
        );
        reader.report(&value.span(), message, phrase!("Write at most nine"));
        return None;
    };
    if n > i128::from(Percent::HUNDRED.0) {
        let message = phrase!(
            "\"{key}\" is {percent}, more than 100",
            key,
            percent = Slot::number(decimal_text(n))
        );
        reader.report(
            &value.span(),
            message,
            phrase!("Write a share of at most 100 percent"),
        );
        return None;
    }
    i64::try_from(n).ok().map(Percent)
}

pub(super) fn limits<'i>(reader: &mut Reader<'i>, value: &Value<'i>) -> Option<Limits> {
    let table = reader.table(value, "limits")?;
    reader.only(table, "\"limits\"", &["min", "max"]);
    let mut side = |key| reader.get(table, key, percent);
    let limits = Limits {
        min: side("min"),
        max: side("max"),
    };
    if let (Some(min), Some(max)) = (limits.min, limits.max)
        && min > max
    {
        let message = phrase!(
            "The least share {least} is above the greatest {most}",
            least = Slot::number(min.text()),
            most = Slot::number(max.text())
        );
        reader.report(
            &value.span(),
            message,
            phrase!(
                "Exchange {min_in_file} and {max_in_file}",
                min_in_file = "min",
                max_in_file = "max"
            ),
        );
        return None;
    }
    Some(limits)
}

pub(super) fn within_limits(
    reader: &mut Reader,
    what: impl Into<Sentence>,
    percent: Percent,
    ingredient: &Ingredient,
    at: &Range<usize>,
) {
    let (what, has) = (what.into(), Slot::number(percent.text()));
    let message = match ingredient.limits {
        Limits { min: Some(min), .. } if percent < min => phrase!(
            "{what} has {has} %, below its least share of {min} %",
            what,
            has,
            min = Slot::number(min.text()),
        ),
        Limits { max: Some(max), .. } if percent > max => phrase!(
            "{what} has {has} %, above its greatest share of {max} %",
            what,
            has,
            max = Slot::number(max.text()),
        ),
        Limits { .. } => return,
    };
    // A line is read before the maker's list says what is one.
    let remedy = phrase!(
        "Correct the percent, or a limit that is wrong; that of an essential oil or fragrance comes from the supplier's \
         documents (safety data sheet, IFRA certificate)"
    );
    reader.report(at, message, remedy);
}

pub(super) fn tolerance<'i>(reader: &mut Reader<'i>, value: &Value<'i>) -> Option<Tolerance> {
    if let DeValue::Integer(_) | DeValue::Float(_) = value.get_ref() {
        let message = phrase!("\"tolerance\" does not say whether it means percent or grams");
        reader.report(
            &value.span(),
            message,
            phrase!(
                "Write {one} or {other}",
                one = "{ percent = 1.0 }",
                other = "{ g = 0.05 }"
            ),
        );
        return None;
    }
    let table = reader.table(value, "tolerance")?;
    reader.only(table, "\"tolerance\"", &["percent", "g", "under", "over"]);
    let both = amounts(reader, table);
    let mut side = |key: &str| match table.get(key) {
        Some(value) => deviation(reader, value, key, both),
        None => Some(both),
    };
    let (under, over) = (side("under")?, side("over")?);
    let none = |side: Deviation| {
        let zero = |p: Option<Percent>| p.is_none_or(|p| p.0 == 0);
        side != Deviation::default()
            && zero(side.percent)
            && side.mass.is_none_or(|m| m == Mass::ZERO)
    };
    if table.is_empty() {
        let remedy = phrase!(
            "Write for example {example_in_file}, or remove it",
            example_in_file = "{ percent = 1.0 }"
        );
        reader.report(
            &value.span(),
            phrase!("\"tolerance\" names no amount"),
            remedy,
        );
    } else if none(under) && none(over) {
        let message = phrase!("A tolerance of nothing either way cannot be met");
        reader.report(
            &value.span(),
            message,
            phrase!(
                "Allow some deviation, as {example_in_file}",
                example_in_file = "{ percent = 1.0 }"
            ),
        );
    } else if under.percent.is_some_and(|p| p >= Percent::HUNDRED) {
        let message = phrase!("A tolerance of 100 % under allows an empty vessel");
        reader.report(
            &value.span(),
            message,
            phrase!("Write a smaller percentage"),
        );
    }
    Some(Tolerance { under, over })
}

fn amounts<'i>(reader: &mut Reader<'i>, table: &DeTable<'i>) -> Deviation {
    Deviation {
        percent: reader.get(table, "percent", percent),
        mass: reader.get(table, "g", Reader::grams),
    }
}

fn deviation<'i>(
    reader: &mut Reader<'i>,
    value: &Value<'i>,
    key: &str,
    beside: Deviation,
) -> Option<Deviation> {
    if let Some(table) = value.get_ref().as_table() {
        reader.only(table, format!("\"{key}\""), &["percent", "g"]);
        let side = amounts(reader, table);
        if table.is_empty() {
            let remedy = phrase!(
                "Write for example {example_in_file}, or remove it",
                example_in_file = "{ percent = 1.0 }"
            );
            reader.report(
                &value.span(),
                phrase!("\"{key}\" names no amount", key),
                remedy,
            );
        }
        return Some(side);
    }
    match (beside.percent, beside.mass) {
        (Some(_), None) => {
            let percent = Some(percent(reader, value, key)?);
            Some(Deviation {
                percent,
                mass: None,
            })
        }
        (None, Some(_)) => {
            let mass = Some(reader.grams(value, key)?);
            Some(Deviation {
                percent: None,
                mass,
            })
        }
        (Some(_), Some(_)) | (None, None) => {
            let message = phrase!(
                "\"{key}\" does not say whether it means percent or grams",
                key
            );
            let one = format!("{key} = {{ percent = 1.0 }}");
            let other = format!("{key} = {{ g = 0.05 }}");
            let remedy = phrase!("Write {one} or {other}", one, other);
            reader.report(&value.span(), message, remedy);
            None
        }
    }
}
