//! The scales, what is known of each, and when it was checked; the known vessels; the ports of this machine.

use serde_json::{Value, json};

use super::super::context::Context;
use crate::chart::history::signed;
use crate::display::spoken::said;
use crate::journal::format::row::Row;
use crate::language::remark;
use crate::mass::Mass;
use crate::metrology::test_weights::{WeightClass, nominals};
use crate::metrology::{ScaleAbility, Uncertainty};
use crate::scale::ports::{self, Port};
use crate::workshop::QueryError;
use crate::workshop::scale_check::{self, LastCheck, fits};
use crate::workshop::scale_setup::{choices, free_name};

/// Lines of the log of the checks that are told of a scale.
const MOST_CHECKS: usize = 12;

/// Test weights lighter than this are no check of a scale whose capacity nobody told.
const LIGHTEST: Mass = Mass::from_g(1);

/// Every scale of the configuration, with the test weights that check it.
///
/// # Errors
/// Where the log of the checks does not read.
pub fn scales(context: &Context) -> Result<Value, QueryError> {
    let config = context.config();
    let checks = LastCheck::of_each(&config.logs()?)?;
    let mut histories = scale_check::histories(&config.logs()?, MOST_CHECKS)?;
    let mut told = Vec::new();
    for scale in &config.scales {
        let ability = scale.ability();
        let d = ability.readability;
        let last = checks.get(&scale.name);
        let today = last.filter(|last| last.is_of_today());
        let today = today.and_then(|last| last.row.verdict);
        let history = histories.remove(&scale.name).unwrap_or_default();
        let history = history.iter().map(|row| checked(row, d));
        let uncertainty = ability.net(Uncertainty::TARE_AND_GROSS);
        let grams = |mass: Mass| mass.grams(d).to_string();
        told.push(json!({
            "name": scale.name,
            "layout": scale.layout,
            "port": ports::describe(&scale.port),
            "line": format!("{} {}", scale.baud, scale.framing()),
            "assumed": scale.readability.is_none(),
            "readability": grams(d),
            "capacity": scale.capacity.map(grams),
            "repeatability": scale.repeatability.map(|s| s.grams(Mass::from_mg(1)).to_string()),
            "uncertainty": uncertainty.told().to_string(),
            "coverage": uncertainty.told_coverage(),
            "weights": weights(&ability),
            "today": today.map(|verdict| verdict.name()),
            "last": last.map(|last| json!({ "when": said(&last.when()), "passed": last.has_passed() })),
            "history": history.collect::<Vec<_>>(),
        }));
    }
    let vessels = config.vessels.iter().map(|vessel| {
        let grams = |mass: Mass| mass.grams(Mass::from_mg(10)).to_string();
        json!({
            "name": vessel.name,
            "weight": grams(vessel.weight),
            "capacity": vessel.capacity.map(grams),
        })
    });
    let vessels: Vec<Value> = vessels.collect();
    let classes = WeightClass::ALL.map(|class| class.name());
    Ok(json!({
        "scales": told,
        "vessels": vessels,
        "file": context.config_file().ok().map(|file| file.display().to_string()),
        "classes": classes,
        "daily": config.daily_scale_check,
    }))
}

/// One line of the log of the checks.
fn checked(row: &Row, d: Mass) -> Value {
    let off = row
        .net
        .zip(row.target)
        .map(|(net, target)| net.mass() - target.mass());
    json!({
        "at": row.at.to_string(),
        "what": said(&remark::told(&row.ingredient)),
        "off": off.map(|off| signed(&off.grams(d).to_string())),
        "verdict": row.verdict.map(|verdict| verdict.name()),
        "note": said(&remark::told(&row.note)),
    })
}

/// The serial lines of this machine.
pub fn listed() -> Vec<Port> {
    ports::list()
}

/// The ports to choose from, and the name that the next scale would have.
///
/// # Errors
/// Never; it is asked as the others are.
pub fn ports(context: &Context) -> Result<Value, QueryError> {
    let config = context.config();
    Ok(json!({
        "ports": choices(&config, &listed()),
        "name": free_name(&config),
    }))
}

/// The test weights that check a scale, lightest first, in grams.
fn weights(scale: &ScaleAbility) -> Vec<String> {
    let good = |weight: &Mass| *weight >= LIGHTEST && fits(*weight, scale).is_ok();
    let mut good: Vec<Mass> = nominals().filter(good).collect();
    good.sort_unstable();
    let grams = good.iter().map(|weight| weight.grams(Mass::from_g(1)));
    grams.map(|grams| grams.to_string()).collect()
}
