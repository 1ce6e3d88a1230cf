//! The scales, what is known of each, and when it was checked.

use serde_json::{Value, json};

use super::super::context::Context;
use crate::mass::Mass;
use crate::metrology::Uncertainty;
use crate::metrology::test_weights::{WeightClass, nominals};
use crate::workshop::QueryError;
use crate::workshop::scale_check::today;

/// Test weights lighter than this are no check of a kitchen-sized scale.
const LIGHTEST: Mass = Mass::from_g(1);

/// Every scale of the configuration, and the test weights that there are.
///
/// # Errors
/// Where the log of the checks does not read.
pub fn scales(context: &Context) -> Result<Value, QueryError> {
    let config = context.config();
    let logs = config.logs()?;
    let mut told = Vec::new();
    for scale in &config.scales {
        let ability = scale.ability();
        let d = ability.readability;
        let today = today(&logs, &scale.name)?;
        let uncertainty = ability.net(Uncertainty::TARE_AND_GROSS).told();
        let grams = |mass: Mass| mass.grams(d).to_string();
        told.push(json!({
            "name": scale.name,
            "layout": scale.layout,
            "readability": grams(d),
            "capacity": scale.capacity.map(grams),
            "repeatability": scale.repeatability.map(|s| s.grams(Mass::from_mg(1)).to_string()),
            "uncertainty": uncertainty.to_string(),
            "today": today.map(|verdict| verdict.name()),
        }));
    }
    let mut weights: Vec<Mass> = nominals().filter(|weight| *weight >= LIGHTEST).collect();
    weights.sort_unstable();
    let weights = weights
        .iter()
        .map(|weight| weight.grams(Mass::from_g(1)).to_string());
    let classes = WeightClass::ALL.map(|class| class.name());
    Ok(json!({
        "scales": told,
        "weights": weights.collect::<Vec<_>>(),
        "classes": classes,
        "daily": config.daily_scale_check,
    }))
}
