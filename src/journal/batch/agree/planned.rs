//! Weights against what was planned: the formula in the log, its size, and what was changed under way.

use super::numbers::NOT_PROVABLE;
use super::{g, mass, wrong};
use crate::formula::amend::Amendment;
use crate::formula::filling::{self, Fill};
use crate::formula::plan::tolerance_limits;
use crate::formula::{Formula, Share, Tolerance, VesselWay};
use crate::journal::format::cell::clean;
use crate::journal::format::opening::Opening;
use crate::journal::format::row::{CellError, Row};
use crate::mass::Mass;
use crate::metrology::prepackage::{Filling, JarVerdict};

/// A scale of which nothing was known when the plan was made counts as one of 0.01 g.
const ASSUMED_STEP: Mass = Mass::from_mg(10);

/// The plan as far as it does not hang on the scales.
#[derive(Debug)]
pub(super) struct Planned {
    parts: Vec<Part>,
    phases: Vec<Phase>,
    steps: Vec<Step>,
    /// What was asked for, and what a remedy made of it.
    asked: Mass,
    remedied: Option<Mass>,
    pub amended: bool,
}

/// As cells have it.
#[derive(Debug)]
struct Phase {
    name: String,
    mix: Option<String>,
}

#[derive(Debug)]
struct Part {
    /// As a cell has it.
    name: String,
    phase: usize,
    vessel: &'static str,
    /// Its share of the batch, before it is rounded to what a scale shows.
    share: Mass,
    /// It takes what rounding leaves of all others.
    balance: bool,
    tolerance: Tolerance,
}

#[derive(Debug, Clone, Copy)]
struct Step {
    part: usize,
    /// Where the log tells it to the nanogram.
    target: Option<Mass>,
    /// By a change under way: it belongs to the phase in which that came.
    added: bool,
}

impl Planned {
    pub fn new(formula: &Formula, opening: &Opening) -> Planned {
        let shares = formula.shares();
        let phases = formula.phases.iter().map(|phase| Phase {
            name: clean(&phase.name),
            mix: phase.mix.as_deref().map(clean),
        });
        let placed = (0..).zip(&formula.phases);
        let placed = placed.flat_map(|(at, phase)| phase.ingredients.iter().map(move |_| at));
        let ingredients = formula.ingredients().zip(&shares).zip(placed);
        let parts = ingredients.map(|((ingredient, share), phase)| Part {
            name: clean(&ingredient.name),
            phase,
            vessel: ingredient.vessel.name(),
            share: share.of(opening.batch),
            balance: ingredient.share == Share::Balance,
            tolerance: ingredient.tolerance,
        });
        let parts: Vec<Part> = parts.collect();
        let steps = (0..parts.len()).map(|part| Step {
            part,
            target: None,
            added: false,
        });
        Planned {
            steps: steps.collect(),
            phases: phases.collect(),
            parts,
            asked: opening.batch,
            remedied: None,
            amended: false,
        }
    }

    /// How many weighings there are.
    pub fn steps(&self) -> usize {
        self.steps.len()
    }

    /// The plan after a change, as [`crate::formula::Plan::amended`] makes it: how many steps it added.
    pub fn amend(&mut self, change: &Amendment) -> Result<usize, CellError> {
        let known = change.add.iter().all(|add| add.part < self.parts.len())
            && change
                .later
                .iter()
                .all(|later| self.step(later.step).is_some())
            && (1..=self.steps.len() + 1).contains(&change.before);
        if !known {
            let why = "changes steps or ingredients that the batch does not have";
            return Err(wrong("note", why));
        }
        for later in &change.later {
            if let Some(step) = self.steps.get_mut(later.step.saturating_sub(1)) {
                step.target = Some(Mass::from_ng(later.ng));
            }
        }
        let at = change.before.saturating_sub(1).min(self.steps.len());
        let added = change.add.iter().filter(|add| add.ng > 0).map(|add| Step {
            part: add.part,
            target: Some(Mass::from_ng(add.ng)),
            added: true,
        });
        let added: Vec<Step> = added.collect();
        let more = added.len();
        self.steps.splice(at..at, added);
        if !change.parts.is_empty() {
            self.remedied = Some(change.parts.iter().copied().map(Mass::from_ng).sum());
        }
        self.amended = true;
        Ok(more)
    }

    fn step(&self, number: usize) -> Option<&Step> {
        self.steps.get(number.checked_sub(1)?)
    }

    /// Holds the size that a row tells against the batch's.
    pub fn size(&self, row: &Row) -> Result<(), CellError> {
        let Some(target) = row.target else {
            return Ok(());
        };
        let room = match self.remedied {
            Some(_) => Mass::ZERO,
            None => step_of(target.decimals()).max(ASSUMED_STEP),
        };
        let size = self.remedied.unwrap_or(self.asked);
        match (target.mass() - size).abs() <= room {
            true => Ok(()),
            false => Err(wrong(
                "target_g",
                format!("{target} g are not the batch's {} g", g(size)),
            )),
        }
    }

    /// The part that a row's step weighs.
    fn part(&self, row: &Row) -> Result<Option<(&Step, &Part)>, CellError> {
        if row.step == 0 {
            return Ok(None);
        }
        let of = self.steps.len();
        let step = self.step(row.step);
        let step = step.ok_or_else(|| wrong("step", format!("the batch has {of} steps")))?;
        Ok(self.parts.get(step.part).map(|part| (step, part)))
    }

    /// Holds what any row says of a step against the plan: whose it is, and where it stands.
    pub fn place(&self, row: &Row) -> Result<(), CellError> {
        let Some((step, part)) = self.part(row)? else {
            return Ok(());
        };
        let phase = self.phases.get(part.phase).filter(|_| !step.added);
        let phase = phase.map_or(row.phase.as_str(), |phase| phase.name.as_str());
        let (number, name, vessel) = (row.step, part.name.as_str(), part.vessel);
        let cells = [
            (
                "ingredient",
                row.ingredient.as_str(),
                name,
                format!("step {number} is {name} by the formula"),
            ),
            (
                "vessel",
                &row.vessel,
                vessel,
                format!("step {number} is a {vessel} by the formula"),
            ),
            (
                "phase",
                &row.phase,
                phase,
                format!("step {number} is in {phase} by the formula"),
            ),
        ];
        let other = cells
            .into_iter()
            .find(|(_, says, is, _)| !says.is_empty() && says != is);
        match other {
            Some((column, _, _, why)) => Err(wrong(column, why)),
            None => Ok(()),
        }
    }

    /// Whether an ingredient of this name is weighed in the batch.
    pub fn weighs(&self, name: &str) -> bool {
        self.parts.iter().any(|part| part.name == name)
    }

    /// Holds what was mixed against the formula; `weighed` says whether a step is.
    pub fn mixed(&self, row: &Row, weighed: impl Fn(usize) -> bool) -> Result<(), CellError> {
        // Two phases may have one name.
        let named = || {
            let phases = self.phases.iter().enumerate();
            phases.filter(|(_, phase)| phase.name == row.phase)
        };
        if named().next().is_none() {
            return match self.amended {
                // What a remedy adds is mixed in a phase of its own.
                true => Ok(()),
                false => Err(wrong("phase", "the formula has no such phase")),
            };
        }
        let says = |phase: &Phase| {
            let how = phase
                .mix
                .as_deref()
                .and_then(|mix| row.note.strip_prefix(mix));
            how.is_some_and(|how| how.starts_with(" ("))
        };
        let Some((at, _)) = named().find(|(_, phase)| says(phase)) else {
            return Err(wrong(
                "note",
                "the formula says otherwise how this is mixed",
            ));
        };
        if named().count() > 1 {
            return Ok(());
        }
        let part = |step: &Step| self.parts.get(step.part);
        let mut steps = (1..).zip(&self.steps);
        let open = steps.find(|(number, step)| {
            !step.added && part(step).is_some_and(|part| part.phase == at) && !weighed(*number)
        });
        match open {
            Some((number, _)) => Err(wrong(
                "kind",
                format!("step {number} of this phase is not weighed yet"),
            )),
            None => Ok(()),
        }
    }

    /// Holds the weight of a step against the plan.
    pub fn weight(&self, row: &Row) -> Result<(), CellError> {
        let Some((step, part)) = self.part(row)? else {
            return Ok(());
        };
        let of = self.steps.len();
        let Some(target) = row.target else {
            return Ok(());
        };
        // No scale's step is more than the uncertainty of its net weights.
        let coarse = step_of(target.decimals()).max(ASSUMED_STEP);
        let d = mass(row.uncertainty).unwrap_or_default().max(coarse);
        let (about, room) = match step.target {
            Some(exact) => (exact, Mass::ZERO),
            None => (part.share, d * 2),
        };
        // What rounding leaves of all others goes to the balance.
        let room = match step.target {
            None if part.balance => room * of.max(1) as i64,
            Some(_) | None => room,
        };
        if (target.mass() - about).abs() > room {
            let why = format!("{target} g are not the {} g of step {}", g(about), row.step);
            return Err(wrong("target_g", why));
        }
        // A changed target has the tolerance of the first one, which was rounded to the scale.
        let whole = match step.target {
            Some(_) if part.balance => target.mass().max(part.share) + d * of as i64,
            Some(_) => part.share + d * 2,
            None => target.mass(),
        };
        let limits = tolerance_limits(&part.tolerance, whole);
        within(
            row,
            target.mass() - (whole - limits.lowest),
            target.mass() + (limits.highest - whole),
            d,
        )
    }
}

/// Holds a window against the tolerance, `lowest` to `highest`, that it is drawn in from.
fn within(row: &Row, lowest: Mass, highest: Mass, d: Mass) -> Result<(), CellError> {
    let (Some(low), Some(high)) = (row.low, row.high) else {
        return Ok(());
    };
    // Where the scale proves nothing, the window is a step to either side at least.
    let room = match row.note.contains(NOT_PROVABLE) {
        true => d * 2,
        false => Mass::ZERO,
    };
    let (column, end) = if low.mass() < lowest - room {
        ("low_g", low)
    } else if high.mass() > highest + room {
        ("high_g", high)
    } else {
        return Ok(());
    };
    Err(wrong(
        column,
        format!(
            "{end} g are outside the tolerance of {} to {} g",
            g(lowest),
            g(highest)
        ),
    ))
}

/// One step of the last digit that is not the smallest: no scale of so many decimals has a coarser one.
/// With more decimals than a scale shows it weighs in another unit, in steps of an ounce's tenth at most.
pub(super) fn step_of(decimals: u8) -> Mass {
    match decimals {
        0 => Mass::from_g(10),
        1..=4 => Mass::from_ng(10i64.pow(10 - u32::from(decimals))),
        _ => Mass::from_g(3),
    }
}

/// Holds what any row says of a jar against the filling; `product` is what is filled.
pub(super) fn jar_place(row: &Row, fill: &Fill, product: &str) -> Result<(), CellError> {
    if row.step == 0 {
        return Ok(());
    }
    if !(fill.first..=fill.last).contains(&row.step) {
        let why = format!("jars {} to {} are filled", fill.first, fill.last);
        return Err(wrong("step", why));
    }
    let phase = filling::phase();
    let cells = [
        ("ingredient", row.ingredient.as_str(), product),
        ("vessel", &row.vessel, VesselWay::Jar.name()),
        ("phase", &row.phase, &phase),
    ];
    let mut cells = cells.into_iter();
    match cells.find(|(_, says, is)| !says.is_empty() && says != is) {
        Some((column, _, is)) => Err(wrong(column, format!("a jar's is `{is}`"))),
        None => Ok(()),
    }
}

/// Holds the weight of a jar against its label.
pub(super) fn jar(row: &Row, fill: &Fill) -> Result<(), CellError> {
    if let Some(target) = row.target
        && target.mass() != fill.nominal
    {
        let why = format!("{target} g are not the {} g of the label", g(fill.nominal));
        return Err(wrong("target_g", why));
    }
    let d = mass(row.uncertainty).unwrap_or_default();
    let aim = fill.aim();
    let lowest = fill.nominal.min(aim);
    within(row, lowest, fill.nominal + fill.over, d.max(ASSUMED_STEP))?;
    let (Some(net), Some(filling)) = (mass(row.net), Filling::new(fill.nominal, fill.rule)) else {
        return Ok(());
    };
    let source = fill.rule.source();
    let short = format!("shorter than {source} tolerates in one package");
    let far = format!("short by more than twice what {source} tolerates");
    let (is_short, is_far) = match filling.judge(net) {
        JarVerdict::Adequate => (false, false),
        JarVerdict::Short => (true, false),
        JarVerdict::FarShort => (false, true),
    };
    let said = (row.note.contains(&short), row.note.contains(&far));
    match row.readings.is_none() || said == (is_short, is_far) {
        true => Ok(()),
        false => Err(wrong(
            "note",
            format!(
                "{} g in a jar of {} g are {}",
                g(net),
                g(fill.nominal),
                match (is_short, is_far) {
                    (false, false) => "adequate".to_owned(),
                    (true, _) => short,
                    (false, true) => far,
                }
            ),
        )),
    }
}
