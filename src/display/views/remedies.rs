//! The remedies of an over-pour, side by side.

use serde_json::{Value, json};

use super::super::context::Context;
use super::Batch;
use crate::display::spoken::said;
use crate::journal::read::record;
use crate::workshop::QueryError;
use crate::workshop::mending::Mending;

/// What is wrong with a batch and what each way of mending it adds.
///
/// # Errors
/// Where the log, the list of lots or the other logs do not read.
pub fn remedies(context: &Context, asked: &Batch) -> Result<Value, QueryError> {
    let path = context.log(&asked.batch)?;
    let log = record::read(&path)?;
    let batch = Mending::read(&path, &log, &context.config(), context.on_hand(&log)?)?;
    let ways = batch.ways().into_iter().map(|way| {
        let mut told = json!(way);
        if let Some(found) = way.found {
            let short = found.short.iter().map(said).collect::<Vec<_>>();
            let unknown = found.unknown.iter().map(|what| said(&(*what).into()));
            told["found"]["short"] = json!(short);
            told["found"]["unknown"] = json!(unknown.collect::<Vec<_>>());
        }
        told
    });
    Ok(json!({
        "batch": log.batch,
        "formula": log.formula,
        "grams": batch.plan.batch.grams(batch.d).to_string(),
        "closed": log.closed.is_some(),
        "filled": !log.filled.is_empty(),
        "wrongs": batch.wrongs().iter().map(said).collect::<Vec<_>>(),
        "strangers": batch.strangers,
        "parts": batch.parts().collect::<Vec<_>>(),
        "ways": ways.collect::<Vec<_>>(),
    }))
}
