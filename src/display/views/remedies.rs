//! The remedies of an over-pour, side by side.

use serde_json::{Value, json};

use super::super::context::Context;
use super::Batch;
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
    Ok(json!({
        "batch": log.batch,
        "formula": log.formula,
        "grams": batch.plan.batch.grams(batch.d).to_string(),
        "closed": log.closed.is_some(),
        "filled": !log.filled.is_empty(),
        "wrongs": batch.wrongs(),
        "strangers": batch.strangers,
        "parts": batch.parts().collect::<Vec<_>>(),
        "ways": batch.ways(),
    }))
}
