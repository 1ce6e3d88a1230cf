//! A batch on paper: what `bismar plan`, `bismar check` and the page have in common.

use std::path::Path;

use super::batches::archive;
use super::{MOST_LOGS, QueryError};
use crate::chart::history::is_formula;
use crate::config::Config;
use crate::formula::allowance::{JarsShort, Losses};
use crate::formula::contents::{self, Known};
use crate::formula::plan::BatchSize;
use crate::formula::remarks::{self, ReadIn};
use crate::formula::{Formula, Plan, limits};
use crate::journal::batch::lost::lost;
use crate::journal::batch::record::Record;
use crate::journal::error::LogError;
use crate::journal::read::record;
use crate::language::{Sentence, phrase};
use crate::mass::Mass;
use crate::metrology::{Feasibility, ScaleAbility};
use crate::problem::{Problem, Problems};

/// A formula planned for an amount on the scales of the bench.
#[derive(Debug)]
pub struct OnPaper {
    pub formula: Formula,
    /// What is known beside it of what is in it.
    pub known: Known,
    pub plan: Plan,
    pub scales: Vec<ScaleAbility>,
    /// No scale is set up, and a usual one was taken.
    pub assumed: bool,
    /// What is to be known of the formula itself, before any figure.
    pub notes: Vec<Problem>,
    /// What a jar holds where it is not quite what was asked for.
    pub rounded: Option<Sentence>,
    /// What each step's scale can prove.
    pub feasible: Vec<Option<Feasibility>>,
    guard: f64,
}

/// One step; its grams as its scale shows them.
#[derive(Debug, serde::Serialize)]
pub struct StepOnPaper<'p> {
    pub step: usize,
    pub phase: Option<&'p str>,
    /// What is done after it, where it is the last of its phase.
    pub mix: Option<&'p str>,
    pub ingredient: &'p str,
    pub percent: String,
    pub target: String,
    /// The window in which a weight is proven.
    pub low: Option<String>,
    pub high: Option<String>,
    pub proven: bool,
    pub vessel: &'static str,
    /// Put into a language by who shows it.
    #[serde(skip)]
    pub scale: Sentence,
}

impl OnPaper {
    /// Of the formula in the file `path`.
    ///
    /// # Errors
    /// Where the formula does not read, does not fit the amount or the bench, or a target is outside its
    /// own limits.
    pub fn new(path: &Path, amount: BatchSize, config: &Config) -> Result<OnPaper, QueryError> {
        OnPaper::of(super::formula(path)?, path, amount, config)
    }

    /// Of a formula that is, or may come to be, in the file `path`.
    ///
    /// # Errors
    /// As [`OnPaper::new`].
    pub fn of(
        formula: Formula,
        path: &Path,
        amount: BatchSize,
        config: &Config,
    ) -> Result<OnPaper, QueryError> {
        let known = super::known(path, &formula)?;
        let (scales, assumed) = super::scales(config);
        let guard = config.weighing.guard;
        let plan = Plan::new(&formula, amount, &scales, guard);
        let plan = plan.map_err(|error| match assumed {
            true => QueryError::Assumed(error),
            false => QueryError::Plan(error),
        })?;
        let plan = plan.with_limits(contents::limited(&formula, &known));
        Ok(OnPaper {
            notes: notes(
                &formula,
                &known,
                &plan,
                &scales,
                &path.display().to_string(),
            )?,
            rounded: plan.rounding(amount).map(|why| phrase!("{why}.", why)),
            feasible: plan.feasibility(&scales, guard),
            formula,
            known,
            plan,
            scales,
            assumed,
            guard,
        })
    }

    /// What is to be known before any figure: of the formula, with its places, and of its amount.
    pub fn all_notes(&self) -> impl Iterator<Item = Sentence> {
        let formula = self.notes.iter().map(Problem::told);
        formula.chain(self.rounded.clone())
    }

    /// Whether every step can be proven on its scale.
    pub fn is_proven(&self) -> bool {
        self.feasible.iter().flatten().all(|f| f.window.proven)
    }

    /// The scales that weigh a step, and of which nobody said what they carry.
    pub fn uncarried(&self) -> Vec<&str> {
        let weighs = |index: usize| self.plan.steps.iter().any(|step| step.scale == index);
        let scales = self.scales.iter().enumerate();
        let unknown = scales.filter(|(index, scale)| scale.capacity.is_none() && weighs(*index));
        let names = unknown.map(|(_, scale)| scale.name.as_str());
        names.filter(|_| !self.assumed).collect()
    }

    /// What the batch has more than its jars, for losses.
    pub fn spare(&self) -> Option<Mass> {
        let finest = self.scales.iter().map(|scale| scale.readability).min();
        self.plan.spare(finest.unwrap_or_default())
    }

    /// As [`jars_short`], of this plan.
    ///
    /// # Errors
    /// As there.
    pub fn jars_short(&self, logs: Option<&Path>) -> Result<Option<JarsShort>, LogError> {
        jars_short(&self.plan, logs)
    }

    /// What U covers on each scale that weighs a step; nothing where none is configured.
    pub fn covers(&self) -> Vec<Sentence> {
        let weighs = |index: usize| self.plan.steps.iter().any(|step| step.scale == index);
        let scales = self.scales.iter().enumerate();
        let used = scales.filter(|(index, _)| !self.assumed && weighs(*index));
        used.map(|(_, scale)| scale.covers()).collect()
    }

    /// What is to be said of single steps; with `room` also where a scale has little left for the vessel.
    pub fn remarks(&self, room: bool, read_in: ReadIn) -> Vec<Sentence> {
        remarks::lines(
            &self.formula,
            &self.known,
            &self.plan,
            &self.scales,
            self.guard,
            room,
            read_in,
        )
    }

    /// The steps in order of weighing.
    pub fn steps(&self) -> impl Iterator<Item = StepOnPaper<'_>> {
        let shares = self.formula.shares();
        let steps = self.plan.steps.iter().enumerate();
        steps.map(move |(i, step)| {
            let scale = self.scales.get(step.scale);
            let d = scale.map_or(Mass::ZERO, |scale| scale.readability);
            let grams = |mass: Mass| mass.grams(d).to_string();
            let window = self.feasible.get(i).and_then(Option::as_ref);
            let window = window.map(|found| &found.window);
            let phase = self.plan.phases.get(step.phase);
            let mix = phase.and_then(|phase| phase.mix.as_deref());
            StepOnPaper {
                step: step.number,
                phase: phase.map(|phase| phase.name.as_str()),
                mix: mix.filter(|_| step.last_of_phase),
                ingredient: &step.ingredient,
                percent: shares.get(i).copied().unwrap_or_default().shown(),
                target: grams(step.target),
                low: window.map(|window| grams(window.low)),
                high: window.map(|window| grams(window.high)),
                proven: window.is_some_and(|window| window.proven),
                vessel: step.vessel.name(),
                scale: scale.map(ScaleAbility::told).unwrap_or_default(),
            }
        })
    }
}

/// Whether all jars of `plan` get full, by what the newest batches of the folder `logs` lost. A log that does not
/// read tells nothing here; `bismar log verify` says why.
///
/// # Errors
/// When the folder cannot be read.
pub fn jars_short(plan: &Plan, logs: Option<&Path>) -> Result<Option<JarsShort>, LogError> {
    if plan.jars.is_none() {
        return Ok(None);
    }
    let mut told = Vec::new();
    for path in logs
        .map(|logs| archive(logs).newest())
        .transpose()?
        .iter()
        .flatten()
        .take(MOST_LOGS)
    {
        let of = |record: Record| Some((lost(&record)?, record.formula));
        told.extend(record::read(path).ok().and_then(of));
    }
    let losses = Losses::of(&told, &plan.formula, |cell| is_formula(cell, &plan.formula));
    Ok(JarsShort::of(plan, losses))
}

/// What is to be known of a formula and its plan before anything is weighed; `name` stands for the file.
///
/// # Errors
/// Where a target is outside a limit, those inside premixes too: who is told to pour it would break it.
pub fn notes(
    formula: &Formula,
    known: &Known,
    plan: &Plan,
    scales: &[ScaleAbility],
    name: &str,
) -> Result<Vec<Problem>, Problems> {
    let broken = limits::broken(formula, plan, name);
    if !broken.is_empty() {
        return Err(Problems(broken));
    }
    let mut notes = formula.warnings(name);
    notes.extend(contents::notes(formula, known, name));
    notes.extend(limits::exposed(formula, plan, scales, name));
    Ok(notes)
}
