//! A season of the Saltmarsh Bench workshop: which batches are weighed when, and by what hands.

use super::demo::demo_scale;
use super::habits::Habits;
use super::stage::{Stage, StageSpec};
use crate::formula::Plan;
use crate::formula::examples::{GLASSWORT, MARRAM, SAMPHIRE, TIDELINE};
use crate::formula::plan::Amount;
use crate::mass::Mass;

/// Batches of a season: eight weeks, three a week.
pub const BATCHES: u32 = 24;
const HOUR: u64 = 3600;
const DAY: u64 = 24 * HOUR;

/// One batch of the season.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Outing {
    /// The formula's text.
    pub formula: &'static str,
    pub amount: Amount,
    /// Seconds after the season's first morning.
    pub after: u64,
    pub seed: u64,
    /// From 0.
    pub number: u32,
}

/// The season's batches in order of time; the same seed gives the same season.
pub fn season(seed: u64) -> Vec<Outing> {
    let mut rng = fastrand::Rng::with_seed(seed ^ 0x7365_6173_6f6e);
    let formulas = [TIDELINE, MARRAM, GLASSWORT, SAMPHIRE];
    let jars = |count, fill| Amount::Jars {
        count,
        fill: Mass::from_g(fill),
    };
    (0..BATCHES)
        .map(|number| {
            let index = number as usize % formulas.len();
            let more = rng.u32(0..3);
            let amount = match index {
                0 => jars(8 + 2 * more, 55),
                1 => Amount::Batch(Mass::from_g(300 + 50 * i64::from(more))),
                2 => jars(6 + 2 * more, 60),
                _ => jars(5 + more, 50),
            };
            let week = u64::from(number / 3);
            let day = [0, 2, 4][number as usize % 3];
            Outing {
                formula: formulas[index],
                amount,
                after: (week * 7 + day) * DAY + rng.u64(0..3 * HOUR),
                seed: rng.u64(..),
                number,
            }
        })
        .collect()
}

/// Human hands on a good day, with a mishap now and then.
pub fn season_stage(seed: u64, plan: &Plan) -> Stage {
    let habits = Habits {
        tare_key: 0.15,
        over_pour: 0.08,
        bump: 0.04,
        mix_by_presses: 0.3,
        mix_by_word: 0.7,
        first_wait: 1.2,
        ..Habits::careful()
    };
    let scales = 1 + plan.steps.iter().map(|step| step.scale).max().unwrap_or(0);
    let scales = (0..scales as u64).map(|index| demo_scale(seed.wrapping_add(index)));
    Stage::new(StageSpec::for_plan(plan, scales.collect(), habits, seed))
}

/// The lot of an ingredient that is in use for the season's batch `number`: a new one every nine
/// batches, the ingredient's own series.
pub fn lot_of(ingredient: &str, number: u32) -> String {
    // A sum of the letters is enough to tell the series of a dozen bottles apart.
    let series: u32 = ingredient.bytes().map(u32::from).sum::<u32>() % 900 + 100;
    format!("SB-{series}-{}", 1 + number / 9)
}
