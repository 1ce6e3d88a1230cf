//! Views of formulas, lots, batches and scales: read from files, told as JSON. Grams are
//! texts, so that no browser's float changes one. Everything here blocks.

mod batches;
mod labels;
mod plan;
mod remedies;
mod scales;
mod store;

pub use batches::{Chart, batches, chart, record, sheet, stopped};
pub use labels::{Asked as Label, declaration, label, labels};
pub use plan::{Plan, bare, formulas, named, plan};
pub use remedies::remedies;
pub use scales::{listed, ports, scales};
pub use store::{Name, alike, store, trace};

use crate::mass::Mass;

/// The name of a batch in a question.
#[derive(Debug, serde::Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Batch {
    pub batch: String,
}

/// Grams of what belongs to no scale.
pub fn grams(mass: Mass) -> String {
    mass.grams(Mass::from_mg(10)).to_string()
}
