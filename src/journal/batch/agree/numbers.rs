//! The numbers of one row.

use super::{g, mass, wrong};
use crate::journal::format::cell::Grams;
use crate::journal::format::row::{CellError, Row};
use crate::mass::Mass;
use crate::metrology::test_weights::{WeightClass, permissible_error};
use crate::metrology::{Errors, Known, Weighing};
use crate::vocabulary::entry::{RowKind, Verdict, corrects, skip_reason, words_of};

/// Why a weight has no verdict, as its row says it.
pub(crate) const NOT_PROVABLE: &str = "the scale cannot prove this tolerance";
const TARE_NOT_PROVEN: &str = "tare not proven";

pub(super) fn agree(row: &Row) -> Result<(), CellError> {
    net(row)?;
    deviation(row)?;
    uncertainty(row)?;
    verdict(row)?;
    match row.kind {
        RowKind::TakenOut => taken_out(row),
        RowKind::Weighed => skipped(row),
        RowKind::ScaleCheck => test_weight(row),
        RowKind::Opened
        | RowKind::Remedy
        | RowKind::Mixed
        | RowKind::Residue
        | RowKind::Filled
        | RowKind::Note
        | RowKind::Closed => Ok(()),
    }
}

/// Whether the row tells of a weight on a scale, and with what is told of one there: `None` for any other row.
pub(super) fn of_a_scale(row: &Row) -> Option<bool> {
    let kind = matches!(
        row.kind,
        RowKind::Weighed | RowKind::Filled | RowKind::Residue
    );
    // One that takes another back says no more than that, and what was left out was on no scale.
    let taken_back = corrects(&row.note).is_some() && row.net.is_none();
    let none = taken_back || skip_reason(&row.note).is_some();
    let told = row.tare.is_some()
        || row.gross.is_some()
        || row.uncertainty.is_some()
        || row.readings.is_some();
    (kind && !none).then_some(told)
}

/// What a weight on a scale always has. An emptied cell would take with it what is held against it.
pub(super) fn whole(row: &Row) -> Result<(), CellError> {
    let weight = row.kind != RowKind::Residue;
    let cells = [
        ("ingredient", !row.ingredient.is_empty()),
        ("step", row.step > 0 || !weight),
        ("vessel", !row.vessel.is_empty()),
        ("target_g", row.target.is_some() || !weight),
        ("low_g", row.low.is_some() || !weight),
        ("high_g", row.high.is_some() || !weight),
        ("tare_g", row.tare.is_some()),
        ("gross_g", row.gross.is_some()),
        ("net_g", row.net.is_some()),
        ("uncertainty_g", row.uncertainty.is_some()),
        ("scale", !row.scale.is_empty()),
        ("unit", row.unit.is_some()),
        (
            "readings",
            row.readings.is_some_and(|readings| readings > 0),
        ),
    ];
    match cells.into_iter().find(|(_, there)| !there) {
        Some((column, _)) => Err(wrong(
            column,
            format!("is empty, which it never is in a `{}` row", row.kind.name()),
        )),
        None => Ok(()),
    }
}

/// Whether two numbers are one as a note writes them: to the microgram.
pub(super) fn same(a: Mass, b: Mass) -> bool {
    (a - b).abs() <= Mass::from_ng(1_000)
}

fn about(mass: Mass, low: Mass, high: Mass) -> bool {
    (low..=high).contains(&mass) || same(mass, low) || same(mass, high)
}

fn net(row: &Row) -> Result<(), CellError> {
    let (Some(tare), Some(gross), Some(net)) = (row.tare, row.gross, row.net) else {
        return Ok(());
    };
    let off = gross.mass() - tare.mass();
    let expected = match row.kind {
        // Less than nothing is the scale's scatter.
        RowKind::Residue => off.max(Mass::ZERO),
        RowKind::Opened
        | RowKind::ScaleCheck
        | RowKind::Weighed
        | RowKind::TakenOut
        | RowKind::Remedy
        | RowKind::Mixed
        | RowKind::Filled
        | RowKind::Note
        | RowKind::Closed => off,
    };
    match net.mass() == expected {
        true => Ok(()),
        false => Err(wrong(
            "net_g",
            format!("{net} g are not the gross {gross} g less the tare {tare} g"),
        )),
    }
}

fn deviation(row: &Row) -> Result<(), CellError> {
    let Some(deviation) = row.deviation else {
        return match (row.net, row.target) {
            (Some(_), Some(_)) => Err(wrong("deviation_g", "is empty beside a net and a target")),
            _ => Ok(()),
        };
    };
    let (Some(net), Some(target)) = (row.net, row.target) else {
        return Err(wrong("deviation_g", "stands without a net and a target"));
    };
    match deviation.mass() == net.mass() - target.mass() {
        true => Ok(()),
        false => Err(wrong(
            "deviation_g",
            format!("{deviation} g are not the net {net} g less the target {target} g"),
        )),
    }
}

/// No net weight is surer than one that a scale of its digits makes: its step is one of the last digit
/// at least, and the uncertainty is written to one digit more.
fn uncertainty(row: &Row) -> Result<(), CellError> {
    let Some(uncertainty) = row.uncertainty else {
        return Ok(());
    };
    let weighed = matches!(
        row.kind,
        RowKind::Weighed | RowKind::Filled | RowKind::Residue
    );
    let least = least(uncertainty);
    let weighed = weighed && row.readings.is_some();
    if let Some(net) = row.net.filter(|_| weighed)
        && uncertainty.decimals() > net.decimals() + 1
    {
        let why = format!("{uncertainty} g is finer than the net {net} g allows");
        return Err(wrong("uncertainty_g", why));
    }
    match !weighed || uncertainty.mass() >= least {
        true => Ok(()),
        false => Err(wrong(
            "uncertainty_g",
            format!(
                "{uncertainty} g is less than the {} g that a scale of these digits has",
                least.grams_rounded(uncertainty.decimals() + 1)
            ),
        )),
    }
}

/// The uncertainty of a net weight on a quiet scale whose step is one of the last digit.
fn least(uncertainty: Grams) -> Mass {
    let decimals = u32::from(uncertainty.decimals().clamp(1, 9)) - 1;
    let step = Mass::from_ng(10i64.pow(9 - decimals));
    let known = Known {
        d: step,
        // As little as was ever measured.
        repeatability: Some(Mass::ZERO),
        capacity: None,
        errors: Errors::default(),
    };
    let least = known.budget(&Weighing::planned(Mass::ZERO));
    least.uncertainty().expanded()
}

fn verdict(row: &Row) -> Result<(), CellError> {
    let (low, high) = match (row.low, row.high) {
        (Some(low), Some(high)) => (low, high),
        _ => return Ok(()),
    };
    if low.mass() > high.mass() {
        return Err(wrong(
            "low_g",
            format!("{low} g are more than high_g, {high} g"),
        ));
    }
    let Some(net) = row.net.filter(|_| row.kind != RowKind::TakenOut) else {
        return Ok(());
    };
    let is = match net.mass() {
        net if net < low.mass() => Verdict::Under,
        net if net > high.mass() => Verdict::Over,
        _ => Verdict::Inside,
    };
    let corrected = corrects(&row.note).is_some();
    // A lot that it names may be called anything.
    let (_, words) = words_of(&row.note, &row.ingredient, &row.lot);
    let no_proof = words.contains(NOT_PROVABLE) || words.contains(TARE_NOT_PROVEN);
    let weighed = matches!(row.kind, RowKind::Weighed | RowKind::Filled);
    let why = match row.verdict {
        // A person may keep any weight; where it is proven to be inside, that is said.
        Some(Verdict::Kept) => match is {
            Verdict::Inside if weighed && row.readings.is_some() && !no_proof && !corrected => {
                format!("{net} g are inside the window of {low} to {high} g")
            }
            Verdict::Inside | Verdict::Under | Verdict::Over | Verdict::Kept => return Ok(()),
        },
        Some(_) if no_proof => "the note says that nothing is proven".to_owned(),
        Some(verdict) if verdict != is => format!(
            "{net} g are {} the window of {low} to {high} g",
            match is {
                Verdict::Under => "under",
                Verdict::Over => "over",
                Verdict::Inside | Verdict::Kept => "inside",
            }
        ),
        // A correction may take a verdict away.
        None if weighed && row.readings.is_some() && !no_proof && !corrected => {
            "is empty, and the note does not say why nothing is proven".to_owned()
        }
        Some(_) | None => return Ok(()),
    };
    Err(wrong("verdict", why))
}

/// `over-pour of 7.01 g taken back to 72.35 g`
fn taken_out(row: &Row) -> Result<(), CellError> {
    let read = || {
        let rest = row.note.strip_prefix("over-pour of ")?;
        let (peak, rest) = rest.split_once(" g taken back to ")?;
        let left = rest.strip_suffix(" g")?;
        Some((grams(peak)?, grams(left)?))
    };
    let (Some((peak, left)), Some(net)) = (read(), mass(row.net)) else {
        return Ok(());
    };
    if !same(peak - left, net) {
        let why = format!("{} g are not what its note takes out", g(net));
        return Err(wrong("net_g", why));
    }
    match (mass(row.low), mass(row.high)) {
        (Some(low), Some(high)) if !about(left, low, high) => Err(wrong(
            "note",
            format!("{} g are not inside the window", g(left)),
        )),
        _ => Ok(()),
    }
}

/// What a test weight may show is its own limit, by its class, and the uncertainty of the scale.
fn test_weight(row: &Row) -> Result<(), CellError> {
    let weight = row.ingredient.strip_prefix("test weight ");
    let Some((nominal, class)) = weight.and_then(|text| text.split_once(" g ")) else {
        return Ok(());
    };
    let (Some(nominal), Some(class)) = (grams(nominal), WeightClass::from_name(class)) else {
        return Ok(());
    };
    if row.verdict.is_none() {
        return Err(wrong(
            "verdict",
            "is empty, which it never is after a check",
        ));
    }
    let (Some(target), Some(low), Some(high)) = (mass(row.target), mass(row.low), mass(row.high))
    else {
        return Err(wrong("target_g", "is empty, or a limit beside it is"));
    };
    if target != nominal {
        let (target, nominal) = (g(target), g(nominal));
        let why = format!("{target} g are not the {nominal} g of the test weight");
        return Err(wrong("target_g", why));
    }
    let (Some(limit), Some(uncertainty)) = (permissible_error(nominal, class), row.uncertainty)
    else {
        return Ok(());
    };
    // The cell is rounded in its last digit.
    let digit = Mass::from_ng(10i64.pow(9 - u32::from(uncertainty.decimals().min(9))));
    let allowed = limit + uncertainty.mass();
    for (column, is) in [("low_g", target - low), ("high_g", high - target)] {
        if (is - allowed).abs() > digit {
            let why = format!(
                "is {} g from the test weight, where its limit and the scale's uncertainty are {} g together",
                g(is),
                g(allowed)
            );
            return Err(wrong(column, why));
        }
    }
    Ok(())
}

/// A step that was left out has nothing in it.
fn skipped(row: &Row) -> Result<(), CellError> {
    if skip_reason(&row.note).is_none() {
        return Ok(());
    }
    match (mass(row.net), row.verdict) {
        (Some(Mass::ZERO), Some(Verdict::Kept)) => Ok(()),
        _ => Err(wrong(
            "net_g",
            "the note says that the step was left out: 0 g and `kept` belong to that",
        )),
    }
}

/// `stayed in the beaker of seq 4; 12.34 g went in`: the row, and what went in.
pub(super) fn stayed(note: &str) -> Option<(u64, Mass)> {
    let (seq, rest) = note
        .strip_prefix("stayed in the beaker of seq ")?
        .split_once("; ")?;
    Some((seq.parse().ok()?, grams(rest.strip_suffix(" g went in")?)?))
}

pub(super) fn grams(text: &str) -> Option<Mass> {
    Grams::parse(text).map(Grams::mass)
}
