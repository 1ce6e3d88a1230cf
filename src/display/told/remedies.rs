//! The remedies of an over-pour, side by side.

use serde_json::{Value, json};

use super::super::house::House;
use super::Batch;
use crate::journal::read::record;
use crate::lots::shelf;
use crate::vocabulary::command::Way;
use crate::workshop::QueryError;
use crate::workshop::mending::Mending;

/// What is wrong with a batch and what each way of mending it adds.
///
/// # Errors
/// Where the log, the list of lots or the other logs do not read.
pub fn remedies(house: &House, asked: &Batch) -> Result<Value, QueryError> {
    let path = house.log(&asked.batch)?;
    let log = record::read(&path)?;
    let lots = house.lots()?;
    let on_hand = match lots.is_empty() {
        true => Default::default(),
        false => shelf::on_hand(lots, &house.uses()?, House::today()),
    };
    let batch = Mending::read(&path, &log, &house.config(), on_hand)?;
    let d = batch.d;
    let wrongs = batch.wrongs();
    let jars = batch.plan.jars;
    let ways = Way::ALL
        .into_iter()
        .zip(batch.remedies())
        .map(|(way, found)| {
            let found = found.map(|found| {
                let room = batch.room(&found);
                json!({
                    "add": found.add.iter().map(|add| add.grams(d).to_string()).collect::<Vec<_>>(),
                    "batch": found.batch.grams(d).to_string(),
                    "jars": jars.map(|(_, fill)| found.jars(fill)),
                    "short": room.short.iter().map(ToString::to_string).collect::<Vec<_>>(),
                    "unknown": room.unknown.iter().map(|what| what.name()).collect::<Vec<_>>(),
                })
            });
            json!({ "way": way.word(), "name": way.name(), "found": found })
        });
    let parts = batch.parts.iter().map(|held| {
        json!({
            "ingredient": held.ingredient,
            "held": held.part.held.grams(d).to_string(),
            "to_come": held.to_come > crate::mass::Mass::ZERO,
        })
    });
    Ok(json!({
        "batch": log.batch,
        "formula": log.formula,
        "grams": batch.plan.batch.grams(d).to_string(),
        "closed": log.closed.is_some(),
        "filled": !log.filled.is_empty(),
        "wrongs": wrongs,
        "strangers": batch.strangers,
        "parts": parts.collect::<Vec<_>>(),
        "ways": ways.collect::<Vec<_>>(),
    }))
}
