//! The composition of a batch by the rows of its log, whatever the steps' numbers: one
//! ingredient may be weighed in several steps, and what stayed in a vessel did not get in.

use super::record::Record;
use crate::formula::limits::Held;
use crate::formula::remedy::Part;
use crate::formula::{Formula, Percent, Plan, PlannedPart, Step, VesselWay};
use crate::journal::format::cell::{Grams, clean};
use crate::journal::format::row::Row;
use crate::mass::Mass;

/// One ingredient of the formula as it stands.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct HeldPart {
    pub ingredient: String,
    pub vessel: VesselWay,
    /// Share and limits; `part.held` is what was delivered and what is still to come as planned.
    pub part: Part,
    /// The planned target and its tolerance, of all entries of the formula together.
    pub target: Mass,
    pub lowest: Mass,
    pub highest: Mass,
    /// Net weights, what stayed in vessels included.
    pub weighed: Mass,
    /// What got into the batch of it.
    pub delivered: Mass,
    /// The same by the lots it was taken from; empty text where none was named.
    pub lots: Vec<(String, Mass)>,
    /// Planned and not weighed yet.
    pub to_come: Mass,
    /// The steps that weighed it.
    pub steps: Vec<usize>,
    /// Entries of the formula.
    pub entries: usize,
}

/// Every ingredient of the formula, each once, in its order; `plan` is the plan of the batch, with the
/// changes that its log holds.
pub fn held(record: &Record, plan: &Plan) -> Vec<HeldPart> {
    let mut parts: Vec<HeldPart> = Vec::new();
    for (index, part) in plan.parts.iter().enumerate() {
        let step = plan.steps.iter().find(|step| step.part == index);
        let vessel = step.map_or(VesselWay::Beaker, |step| step.vessel);
        match parts.iter_mut().find(|held| held.ingredient == part.name) {
            Some(held) => held.join(part),
            None => parts.push(HeldPart::new(part, vessel)),
        }
    }
    for held in &mut parts {
        held.read(record, plan);
    }
    parts
}

/// The share of each ingredient in what was weighed, rounded up; nothing where nothing was.
pub fn shares(record: &Record) -> Vec<(String, Percent)> {
    let total = record.total();
    if total <= Mass::ZERO {
        return Vec::new();
    }
    let share = |row: &Row| {
        let mass = record.delivered(row.step)?.mass().max(Mass::ZERO);
        let n = i128::from(mass.ng()) * i128::from(Percent::HUNDRED.0);
        let n = (n + i128::from(total.ng()) - 1) / i128::from(total.ng());
        let share = Percent(n.clamp(0, i128::from(Percent::HUNDRED.0)) as i64);
        Some((row.ingredient.clone(), share))
    };
    record.weighed().filter_map(share).collect()
}

/// Ingredients that were weighed and that the formula does not have.
pub fn strangers<'r>(record: &'r Record, formula: &Formula) -> Vec<&'r str> {
    let known = |name: &str| formula.ingredients().any(|i| clean(&i.name) == name);
    let mut names: Vec<&str> = record
        .weighed()
        .map(|row| row.ingredient.as_str())
        .collect();
    names.retain(|name| !known(name));
    names.dedup();
    names
}

impl HeldPart {
    /// What is held of it, lot by lot, and what is to come.
    pub fn each_lot(&self) -> impl Iterator<Item = Held<'_>> {
        let last = self.lots.last().map_or("", |(lot, _)| lot);
        let weighed = self.lots.iter().map(|(lot, mass)| (lot.as_str(), *mass));
        let to_come = [(last, self.to_come)];
        weighed.chain(to_come).map(|(lot, mass)| Held {
            ingredient: &self.ingredient,
            lot,
            mass,
        })
    }

    fn new(part: &PlannedPart, vessel: VesselWay) -> HeldPart {
        HeldPart {
            ingredient: part.name.clone(),
            vessel,
            part: part.bounds,
            target: part.target,
            lowest: part.target - part.under,
            highest: part.target + part.over,
            weighed: Mass::ZERO,
            delivered: Mass::ZERO,
            lots: Vec::new(),
            to_come: Mass::ZERO,
            steps: Vec::new(),
            entries: 1,
        }
    }

    fn join(&mut self, part: &PlannedPart) {
        let sum = |a: Percent, b: Percent| Percent((a.0 + b.0).min(Percent::HUNDRED.0));
        self.part.share = sum(self.part.share, part.bounds.share);
        self.part.low = sum(self.part.low, part.bounds.low);
        self.part.high = sum(self.part.high, part.bounds.high);
        self.target += part.target;
        self.lowest += part.target - part.under;
        self.highest += part.target + part.over;
        self.entries += 1;
    }

    /// Takes what the log says of this ingredient.
    fn read(&mut self, record: &Record, plan: &Plan) {
        let name = clean(&self.ingredient);
        let mine = |row: &&Row| row.ingredient == name;
        let mut rows: Vec<&Row> = record.settled().filter(mine).collect();
        self.steps = rows.iter().map(|row| row.step).collect();
        let mass = |amount: Option<Grams>| amount.map_or(Mass::ZERO, Grams::mass);
        self.weighed = rows.iter().map(|row| mass(row.net)).sum();
        let delivered = |row: &&Row| mass(record.delivered(row.step));
        let all: Mass = rows.iter().map(delivered).sum();
        self.delivered = all.max(Mass::ZERO);
        let by_lot = rows
            .iter()
            .map(|row| (row.lot.clone(), delivered(row).max(Mass::ZERO)));
        self.lots = by_lot.collect();
        // A step that a remedy added may come before the planned one; its target tells it.
        let added = self.entries > 1 || !record.remedies.is_empty();
        // The plan knows every change that the log holds: then the numbers are those of its steps.
        let numbered = record.amendments.len() == record.remedies.len();
        for step in plan
            .steps
            .iter()
            .filter(|step| step.ingredient == self.ingredient)
        {
            let same = |row: &&Row| numbered && row.step == step.number;
            let fits = |row: &&Row| !added || is_of(row, step);
            let place = rows.iter().position(same);
            match place.or_else(|| rows.iter().position(fits)) {
                Some(at) => drop(rows.remove(at)),
                None => self.to_come += step.target,
            }
        }
        self.part.held = self.delivered + self.to_come;
    }
}

/// Whether the row's target is that of the step; another scale since then may round it otherwise.
fn is_of(row: &Row, step: &Step) -> bool {
    let Some(target) = row.target.map(Grams::mass) else {
        return true;
    };
    (target - step.target).abs() * 100 <= step.target
}
