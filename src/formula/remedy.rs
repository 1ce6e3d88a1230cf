//! What can be done after an over-pour that is mixed in already: pure integer arithmetic.
//!
//! What is in the bowl stays in it; a remedy only adds. Three are worked out:
//!
//! - **keep**: nothing is added, where every ingredient is inside its limits as it is;
//! - **top up in proportion**: the others are raised until all stand in the formula's proportion;
//! - **least added mass**: the smallest addition that brings all inside their limits.
//!
//! An addition is a whole number of steps of the scale. The least added mass over all such additions
//! is found exactly: without the steps, the batches that can be mended are all those from a smallest
//! one up (the room left, T − Σ max(heldᵢ, lowᵢ·T), is concave in T and never falls in the long run),
//! so halving finds that one, and the first batch from there that also fits the steps is the answer.

use super::plan::tolerance_limits;
use super::{Ingredient, Percent};
use crate::mass::Mass;
use crate::vocabulary::command::Way;

/// One ingredient as it stands in the batch.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Part {
    /// What is in the batch, or is still to be weighed of it as planned; not negative.
    pub held: Mass,
    /// The formula's share; between `low` and `high`.
    pub share: Percent,
    /// The least share of the whole batch that is allowed.
    pub low: Percent,
    /// The greatest share of the whole batch that is allowed.
    pub high: Percent,
}

impl Part {
    /// `held` of an ingredient whose formula share is `share` and whose planned target was `target`.
    /// A side without a limit of its own in the formula takes the tolerance, as a share.
    pub fn new(ingredient: &Ingredient, share: Percent, target: Mass, held: Mass) -> Part {
        let limits = tolerance_limits(&ingredient.tolerance, target);
        let scaled = |mass: Mass| {
            let n = i128::from(share.0) * i128::from(mass.ng().max(0));
            let n = n / i128::from(target.ng().max(1));
            Percent(n.clamp(0, i128::from(Percent::HUNDRED.0)) as i64)
        };
        let low = ingredient.limits.min.unwrap_or(scaled(limits.lowest));
        let high = ingredient.limits.max.unwrap_or(scaled(limits.highest));
        Part {
            held,
            share,
            low: low.min(share),
            high: high.max(share),
        }
    }

    /// Whether `mass` of this ingredient is inside its limits in a batch of `total`.
    pub fn inside(&self, mass: Mass, total: Mass) -> bool {
        let mass = i128::from(mass.ng()) * i128::from(Percent::HUNDRED.0);
        part_of(self.low, total) <= mass && mass <= part_of(self.high, total)
    }
}

/// One remedy in numbers.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Remedy {
    pub way: Way,
    /// What to add of each part, in their order; whole steps of the scale, not negative.
    pub add: Vec<Mass>,
    /// The batch it comes to.
    pub batch: Mass,
}

impl Remedy {
    /// How many whole jars of `fill` it fills, loss apart.
    pub fn jars(&self, fill: Mass) -> i64 {
        if fill > Mass::ZERO {
            self.batch.ng() / fill.ng()
        } else {
            0
        }
    }
}

/// More batches than this are not tried one step after another.
const TRIES: i64 = 100_000;

/// The remedy of one `way`; `None` where there is none: nothing is held, a part is without a share,
/// something is outside its limits (`Keep`), or no addition in steps of `d` up to 1 t fits.
pub fn remedy(way: Way, parts: &[Part], d: Mass) -> Option<Remedy> {
    let sound = |p: &Part| p.held >= Mass::ZERO && p.share.0 > 0;
    if d <= Mass::ZERO || !parts.iter().all(sound) || total(parts) <= Mass::ZERO {
        return None;
    }
    let add = match way {
        Way::Keep => {
            let whole = total(parts);
            let inside = parts.iter().all(|p| p.inside(p.held, whole));
            inside.then(|| vec![Mass::ZERO; parts.len()])
        }
        Way::InProportion => in_proportion(parts, d),
        Way::LeastAdded => least_added(parts, d),
    }?;
    let batch = total(parts) + add.iter().fold(Mass::ZERO, |sum, &a| sum + a);
    Some(Remedy { way, add, batch })
}

/// The smallest batch, to the nanogram, in which all can be inside their limits when any amount can
/// be added; `None` where that is over 1 t.
pub fn least_total(parts: &[Part]) -> Option<Mass> {
    let largest = super::plan::BatchSize::LARGEST;
    let (mut low, mut high) = (total(parts).ng(), largest.ng());
    if low > high || !can_be_mended(parts, largest) {
        return None;
    }
    while low < high {
        let middle = low + (high - low) / 2;
        if can_be_mended(parts, Mass::from_ng(middle)) {
            high = middle;
        } else {
            low = middle + 1;
        }
    }
    Some(Mass::from_ng(low))
}

fn total(parts: &[Part]) -> Mass {
    parts.iter().fold(Mass::ZERO, |sum, p| sum + p.held)
}

/// `share` of `total` times [`Percent::HUNDRED`], exact.
fn part_of(share: Percent, total: Mass) -> i128 {
    i128::from(share.0) * i128::from(total.ng())
}

fn can_be_mended(parts: &[Part], batch: Mass) -> bool {
    let hundred = i128::from(Percent::HUNDRED.0);
    let (mut least, mut most) = (0, 0);
    for part in parts {
        let held = i128::from(part.held.ng()) * hundred;
        if held > part_of(part.high, batch) {
            return false;
        }
        least += held.max(part_of(part.low, batch));
        most += part_of(part.high, batch);
    }
    let whole = i128::from(batch.ng()) * hundred;
    least <= whole && whole <= most
}

fn least_added(parts: &[Part], d: Mass) -> Option<Vec<Mass>> {
    let held = total(parts);
    let first = (least_total(parts)? - held).ceil_to(d).ng() / d.ng();
    (first..first.saturating_add(TRIES)).find_map(|steps| shared_out(parts, d, steps))
}

/// The fewest and the most steps of each part in the batch, and between them what is left handed
/// out: first to those below the formula's share, then to whoever has room.
fn shared_out(parts: &[Part], d: Mass, steps: i64) -> Option<Vec<Mass>> {
    let batch = total(parts) + d * steps;
    let step = i128::from(d.ng()) * i128::from(Percent::HUNDRED.0);
    let over = |share: Percent, part: &Part| {
        part_of(share, batch) - i128::from(part.held.ng()) * i128::from(Percent::HUNDRED.0)
    };
    let mut given = Vec::with_capacity(parts.len());
    let mut left = i128::from(steps);
    for part in parts {
        let fewest = -(-over(part.low, part)).div_euclid(step);
        let fewest = fewest.max(0);
        if fewest > over(part.high, part).div_euclid(step) {
            return None;
        }
        left -= fewest;
        given.push(fewest);
    }
    if left < 0 {
        return None;
    }
    for aim in [|p: &Part| p.share, |p: &Part| p.high] {
        for (part, given) in parts.iter().zip(&mut given) {
            let room = over(aim(part), part).div_euclid(step) - *given;
            let more = room.clamp(0, left);
            *given += more;
            left -= more;
        }
    }
    (left == 0).then(|| given.iter().map(|&n| d * n as i64).collect())
}

fn in_proportion(parts: &[Part], d: Mass) -> Option<Vec<Mass>> {
    let hundred = i128::from(Percent::HUNDRED.0);
    let needed = |p: &Part| {
        let n = i128::from(p.held.ng()) * hundred;
        (n + i128::from(p.share.0) - 1) / i128::from(p.share.0)
    };
    let least = parts.iter().map(needed).max()?;
    if least > i128::from(super::plan::BatchSize::LARGEST.ng()) {
        return None;
    }
    let least = Mass::from_ng(least as i64);
    (0..TRIES).find_map(|more| {
        let aim = least + d * more;
        let missing = |p: &Part| (p.share.of(aim) - p.held).max(Mass::ZERO).round_to(d);
        let add: Vec<Mass> = parts.iter().map(missing).collect();
        let batch = total(parts) + add.iter().fold(Mass::ZERO, |sum, &a| sum + a);
        let inside = |(p, &a): (&Part, &Mass)| p.inside(p.held + a, batch);
        parts.iter().zip(&add).all(inside).then_some(add)
    })
}
