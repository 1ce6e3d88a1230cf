//! The formula's limits against what is really in a batch.

use super::{Limits, Percent};
use crate::mass::Mass;

/// What of `held` (name, limits, mass) is outside its limits in a batch of `total`: a sentence each, for
/// a person; `None` where all are inside.
pub fn broken(held: &[(&str, Limits, Mass)], total: Mass) -> Option<String> {
    let whole = i128::from(total.ng());
    let part = |mass: Mass| i128::from(mass.ng()) * i128::from(Percent::HUNDRED.0);
    let of = |share: Percent| i128::from(share.0) * whole;
    let sentences: Vec<String> = held
        .iter()
        .filter_map(|(name, limits, mass)| {
            let (word, limit) = match (limits.min, limits.max) {
                (_, Some(max)) if part(*mass) > of(max) => ("over", max),
                (Some(min), _) if part(*mass) < of(min) => ("under", min),
                (_, _) => return None,
            };
            let share = 100.0 * mass.to_g_f64() / total.to_g_f64();
            Some(format!(
                "{name} is {share:.2} % of the batch, {word} its limit of {} %.",
                limit.text()
            ))
        })
        .collect();
    (!sentences.is_empty()).then(|| sentences.join(" "))
}
