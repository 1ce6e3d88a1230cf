//! Ingredients given in parts (lavender 3 parts, orange 2 parts): exact percents from them.
//!
//! A share is `parts / all parts` of 100 %, rounded down to 10⁻⁹ %; what is then missing to 100 %
//! goes in steps of 10⁻⁹ % to the ingredients that lost most (method of the largest remainder, as in
//! [`super::plan`]); of equal ones the earlier.

use std::ops::Range;

use super::parse::Draft;
use super::tolerance::within_limits;
use super::{Percent, Share};
use crate::document::{Reader, Value, shown};
use crate::language::{Sentence, phrase};

/// Parts as a count of 10⁻⁹.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Parts(pub(super) i128);

/// The most parts of one ingredient that are believed.
const MOST: i128 = 1_000_000;
const ONE: i128 = 1_000_000_000;

/// A number of parts: above 0, at most a million, with at most nine decimals.
pub(super) fn parts<'i>(
    reader: &mut Reader<'i>,
    value: &Value<'i>,
    what: &Sentence,
) -> Option<Parts> {
    let decimal = reader.decimal(value, "parts")?;
    let Some(n) = decimal.scaled(9) else {
        let message = phrase!(
            "\"{key}\" has {decimals} decimals",
            key = "parts",
            decimals = decimal.decimals.to_string()
        );
        reader.report(&value.span(), message, phrase!("Write at most nine"));
        return None;
    };
    let (message, remedy) = match n {
        ..=0 => (
            phrase!("{what} has 0 parts", what = what.clone()),
            phrase!("Give it a share or remove it"),
        ),
        n if n > MOST * ONE => (
            phrase!(
                "{what} has more than {most} parts",
                what = what.clone(),
                most = MOST.to_string()
            ),
            phrase!("Divide the parts of all ingredients by the same number"),
        ),
        n => return Some(Parts(n)),
    };
    reader.report(&value.span(), message, remedy);
    None
}

/// Where parts and percents stand in one formula, says so at the first that differs from the first
/// ingredient; else turns parts into percents and holds them against the limits.
pub(super) fn to_percents(reader: &mut Reader, draft: &mut Draft) {
    if !draft.whole || mixed(reader, draft) {
        return;
    }
    let marks = draft.phases.iter().flat_map(|(_, marks)| marks);
    let all: Vec<i128> = marks.filter_map(|mark| mark.parts).map(|p| p.0).collect();
    if all.is_empty() {
        return;
    }
    let mut shares = by_largest_remainder(&all, i128::from(Percent::HUNDRED.0)).into_iter();
    for (phase, marks) in &mut draft.phases {
        for (ingredient, mark) in phase.ingredients.iter_mut().zip(marks) {
            // Each is within 100 %.
            let share = shares.next().and_then(|n| i64::try_from(n).ok());
            let percent = Percent(share.unwrap_or(0));
            let what = phrase!("\"{name}\"", name = shown(&ingredient.name));
            let at = mark.at.clone().unwrap_or(0..0);
            if percent.0 == 0 {
                let message = phrase!(
                    "{what} has less than 0.000000001 % by its parts",
                    what = what.clone()
                );
                reader.report(
                    &at,
                    message,
                    phrase!("Blend it into another ingredient first"),
                );
            }
            within_limits(reader, what, percent, ingredient, &at);
            ingredient.share = Share::Percent(percent);
        }
    }
}

/// Whether some ingredients have parts and others a percent or the balance.
fn mixed(reader: &mut Reader, draft: &mut Draft) -> bool {
    let mut first: Option<(bool, String, usize)> = None;
    let phases = draft.phases.iter();
    let all = phases.flat_map(|(phase, marks)| phase.ingredients.iter().zip(marks));
    for (ingredient, mark) in all {
        let in_parts = mark.parts.is_some();
        let name = shown(&ingredient.name);
        let (parts_first, other, line) =
            first.get_or_insert_with(|| (in_parts, name.clone(), ingredient.place.line));
        if *parts_first == in_parts {
            continue;
        }
        let (other, in_file) = (&*other, phrase!(" at line {line}", line = *line));
        let message = match in_parts {
            true => phrase!(
                "\"{name}\" is in parts, but \"{other}\"{in_file} is in percents",
                name,
                other,
                in_file,
            ),
            false => phrase!(
                "\"{name}\" is in percents, but \"{other}\"{in_file} is in parts",
                name,
                other,
                in_file,
            ),
        };
        let at: Range<usize> = mark.at.clone().unwrap_or(0..0);
        reader.report(
            &at,
            message,
            phrase!(
                "Give all ingredients parts, or all a percent; one formula holds no mixture of both"
            ),
        );
        // What the others sum to means nothing then.
        draft.whole = false;
        return true;
    }
    false
}

/// `whole` shared out by `weights` in whole steps; the sum is `whole` exactly. The weights are not
/// negative and not all 0, and `weight × whole` is within an `i128`.
pub(super) fn by_largest_remainder(weights: &[i128], whole: i128) -> Vec<i128> {
    let all = weights.iter().sum::<i128>().max(1);
    let mut shares: Vec<i128> = weights.iter().map(|w| w * whole / all).collect();
    let missing = whole - shares.iter().sum::<i128>();
    let mut order: Vec<usize> = (0..weights.len()).collect();
    // Stable: among equal remainders the earlier ingredient gets the step.
    order.sort_by_key(|&i| std::cmp::Reverse(weights.get(i).map_or(0, |w| w * whole % all)));
    for i in order
        .into_iter()
        .take(usize::try_from(missing).unwrap_or(0))
    {
        if let Some(share) = shares.get_mut(i) {
            *share += 1;
        }
    }
    shares
}
