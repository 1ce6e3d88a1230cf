//! The lots on hand.

use serde_json::{Value, json};

use super::super::context::Context;
use super::{grams, plan};
use crate::lots::shelf::listed;
use crate::workshop::{QueryError, today};

/// Every lot of the list and every batch that is a lot of others, with what is left of each; and what the
/// formulas are made of.
///
/// # Errors
/// Where the list or the logs do not read.
pub fn store(context: &Context) -> Result<Value, QueryError> {
    let lots = context.lots()?;
    let (records, damaged) = context.each_record(|record| record)?;
    let rows = listed(&lots, &records, today());
    let rows = rows.into_iter().map(|one| {
        json!({
            "lot": one.lot.name,
            "ingredient": one.lot.ingredient,
            "supplier": one.lot.supplier,
            "best_before": one.lot.best_before.map(|day| day.to_string()),
            "left": one.left.map(grams),
            "refused": one.refused,
        })
    });
    Ok(json!({
        "file": context.lots_file()?.display().to_string(),
        "lots": rows.collect::<Vec<_>>(),
        "damaged": damaged,
        "known": plan::ingredients(context),
    }))
}
