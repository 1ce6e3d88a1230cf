//! Remedies for an over-pour that is mixed in already: pure integer arithmetic.
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
//!
//! A limit on what several ingredients bring in ([`Bound`]) is kept too. The least of such a substance that
//! a batch of T can hold is convex in T, so that halving stays right; with one such limit the answer
//! is still the least, with several at once a smaller one may be passed over.

use super::limits::crossed;
use super::plan::tolerance_limits;
use super::{Ingredient, Limits, Percent};
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

/// A limit on a substance that is in several parts.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Bound {
    /// What is in the batch of it, in nanograms times [`Percent::HUNDRED`].
    pub held: i128,
    /// How much of it is in what is added of each part.
    pub shares: Vec<Percent>,
    /// Of the whole batch.
    pub limits: Limits,
}

impl Bound {
    fn share(&self, part: usize) -> i128 {
        self.shares.get(part).map_or(0, |share| i128::from(share.0))
    }

    fn is_kept(&self, add: &[Mass], batch: Mass) -> bool {
        let added = (add.iter().enumerate()).map(|(i, add)| i128::from(add.ng()) * self.share(i));
        crossed(self.held + added.sum::<i128>(), batch, self.limits).is_none()
    }

    /// Whether a batch of this size can be under the greatest share, with any additions inside the limits of
    /// the parts: what is poorest in it is added first.
    fn can_be_kept(&self, parts: &[Part], batch: Mass) -> bool {
        let Some(max) = self.limits.max else {
            return true;
        };
        let hundred = i128::from(Percent::HUNDRED.0);
        let whole = i128::from(batch.ng()) * hundred;
        let mut left = whole;
        // Nanograms times 100 % times 100 %.
        // A log may be damaged, and hold any number.
        let mut least = self.held.saturating_mul(hundred);
        let mut room: Vec<(i128, i128)> = Vec::with_capacity(parts.len());
        for (i, part) in parts.iter().enumerate() {
            let held = i128::from(part.held.ng()) * hundred;
            let wanted = held.max(part_of(part.low, batch));
            least = least.saturating_add((wanted - held) * self.share(i));
            left -= wanted;
            room.push((self.share(i), part_of(part.high, batch) - wanted));
        }
        room.sort_unstable();
        for (share, room) in room {
            let more = room.clamp(0, left.max(0));
            least = least.saturating_add(more * share);
            left -= more;
        }
        least <= whole * i128::from(max.0)
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
pub fn remedy(way: Way, parts: &[Part], bounds: &[Bound], d: Mass) -> Option<Remedy> {
    let sound = |p: &Part| p.held >= Mass::ZERO && p.share.0 > 0;
    if d <= Mass::ZERO || !parts.iter().all(sound) || total(parts) <= Mass::ZERO {
        return None;
    }
    let add = match way {
        Way::Keep => {
            let none = vec![Mass::ZERO; parts.len()];
            fits(parts, bounds, &none).then_some(none)
        }
        Way::InProportion => in_proportion(parts, bounds, d),
        Way::LeastAdded => least_added(parts, bounds, d),
    }?;
    let batch = total(parts) + add.iter().fold(Mass::ZERO, |sum, &a| sum + a);
    Some(Remedy { way, add, batch })
}

/// Whether all limits are kept with these additions.
fn fits(parts: &[Part], bounds: &[Bound], add: &[Mass]) -> bool {
    let batch = total(parts) + add.iter().fold(Mass::ZERO, |sum, &a| sum + a);
    let inside = |(p, &a): (&Part, &Mass)| p.inside(p.held + a, batch);
    parts.iter().zip(add).all(inside) && bounds.iter().all(|bound| bound.is_kept(add, batch))
}

/// The smallest batch, to the nanogram, in which all can be inside their limits when any amount can
/// be added; `None` where that is over 1 t.
pub fn least_total(parts: &[Part], bounds: &[Bound]) -> Option<Mass> {
    let largest = super::plan::BatchSize::LARGEST;
    let mended = |batch| {
        can_be_mended(parts, batch) && bounds.iter().all(|bound| bound.can_be_kept(parts, batch))
    };
    let (mut low, mut high) = (total(parts).ng(), largest.ng());
    // What holds more than the largest batch is in none.
    if !mended(largest) {
        return None;
    }
    while low < high {
        let middle = low + (high - low) / 2;
        if mended(Mass::from_ng(middle)) {
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

fn least_added(parts: &[Part], bounds: &[Bound], d: Mass) -> Option<Vec<Mass>> {
    let held = total(parts);
    let first = (least_total(parts, bounds)? - held).ceil_to(d).ng() / d.ng();
    let usual: Vec<usize> = (0..parts.len()).collect();
    // What is poor in the limited substances first, by the one that is nearest to its limit.
    let rich = |&part: &usize| {
        let near = |bound: &Bound| {
            let max = bound.limits.max.unwrap_or(Percent::HUNDRED).0.max(1);
            bound.share(part) * 1_000_000 / i128::from(max)
        };
        bounds.iter().map(near).max().unwrap_or(0)
    };
    let mut poor_first = usual.clone();
    poor_first.sort_by_key(rich);
    (first..first.saturating_add(TRIES)).find_map(|steps| {
        let to_share =
            |order: &[usize]| shared_out(parts, d, steps, order, &[|p| p.share, |p| p.high]);
        let to_limit = || shared_out(parts, d, steps, &poor_first, &[|p| p.high]);
        let kept = |add: &Vec<Mass>| fits(parts, bounds, add);
        to_share(&usual)
            .filter(kept)
            .or_else(|| to_limit().filter(kept))
    })
}

/// The fewest and the most steps of each part in the batch, and between them what is left handed
/// out in this order: first to those below the first of `aims`, then to those below the next.
fn shared_out(
    parts: &[Part],
    d: Mass,
    steps: i64,
    order: &[usize],
    aims: &[fn(&Part) -> Percent],
) -> Option<Vec<Mass>> {
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
    for aim in aims {
        for &at in order {
            let (Some(part), Some(given)) = (parts.get(at), given.get_mut(at)) else {
                continue;
            };
            let room = over(aim(part), part).div_euclid(step) - *given;
            let more = room.clamp(0, left);
            *given += more;
            left -= more;
        }
    }
    (left == 0).then(|| given.iter().map(|&n| d * n as i64).collect())
}

fn in_proportion(parts: &[Part], bounds: &[Bound], d: Mass) -> Option<Vec<Mass>> {
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
        fits(parts, bounds, &add).then_some(add)
    })
}
