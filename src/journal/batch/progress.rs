//! The progress of a batch: its plan with every change that was made under way, and what is recorded of it.

use std::collections::HashMap;

use super::record::Record;
use crate::formula::plan::{BatchSize, PlanError};
use crate::formula::{Formula, Plan};
use crate::journal::format::row::Row;
use crate::mass::Mass;
use crate::metrology::ScaleAbility;
use crate::vocabulary::progress::{Progress, Weighed};

impl Record {
    /// The plan of `formula`, that of [`Record::opening`], with every change that was made under way.
    ///
    /// # Errors
    /// As [`Plan::new`].
    pub fn plan(
        &self,
        formula: &Formula,
        amount: BatchSize,
        scales: &[ScaleAbility],
        guard: f64,
    ) -> Result<Plan, PlanError> {
        let mut plan = Plan::new(formula, amount, scales, guard)?;
        if let Some(limits) = &self.limits {
            plan = plan.with_limits(limits.clone());
        }
        let changes = self.amendments.iter();
        Ok(changes.fold(plan, |plan, change| plan.amended(change)))
    }

    /// The progress in `plan`: that of [`Record::plan`], or that of the last filling of jars.
    pub fn progress(&self, plan: &Plan) -> Progress {
        let begun = Progress {
            resumed: true,
            closed: self.ended,
            ..Progress::default()
        };
        if plan.filling.is_some() {
            return Progress {
                weighed: weighed(&self.filled),
                tares: tares(&self.filled),
                ..begun
            };
        }
        let stayed = |step: &usize| Some((*step, self.residue(*step)?.mass()));
        Progress {
            weighed: weighed(self.steps.values()),
            tares: tares(self.steps.values()),
            bowls: self.steps.values().filter_map(bowl).collect(),
            mixed: self.mixed_in(plan),
            lots: self.lots.clone(),
            rows: self.weighed().map(|row| (row.step, row.draft())).collect(),
            residues: self
                .residues
                .iter()
                .map(|row| &row.step)
                .filter_map(stayed)
                .collect(),
            ..begun
        }
    }

    /// The indices of the phases that were mixed. A `mixed` row belongs to the phase of its step;
    /// without a step, or with one that the plan lacks, to the first phase of its name that no other
    /// row took.
    fn mixed_in(&self, plan: &Plan) -> Vec<usize> {
        let mut mixed: Vec<usize> = Vec::new();
        for row in &self.mixed {
            let step = row.step.checked_sub(1).and_then(|i| plan.steps.get(i));
            let named = |i: &usize| plan.phases.get(*i).is_some_and(|p| p.name == row.phase);
            let mut by_name = (0..plan.phases.len()).filter(named);
            let phase = match step {
                Some(step) => Some(step.phase),
                None => by_name.find(|i| !mixed.contains(i)),
            };
            mixed.extend(phase.filter(|phase| !mixed.contains(phase)));
        }
        mixed.sort_unstable();
        mixed
    }
}

/// The weight of each step or jar that has a number.
fn weighed<'r>(rows: impl IntoIterator<Item = &'r Row>) -> HashMap<usize, Weighed> {
    let numbered = rows.into_iter().filter(|row| row.step > 0);
    let weight = |row: &Row| {
        let weighed = Weighed {
            seq: row.seq,
            net: row.net?.mass(),
            verdict: row.verdict,
        };
        Some((row.step, weighed))
    };
    numbered.filter_map(weight).collect()
}

/// What each beaker or jar weighed empty; what a bowl weighed before a step is none of its own.
fn tares<'r>(rows: impl IntoIterator<Item = &'r Row>) -> HashMap<usize, Mass> {
    let own = |row: &&Row| matches!(row.vessel.as_str(), "beaker" | "jar");
    let rows = rows.into_iter().filter(own);
    rows.filter_map(|row| Some((row.step, row.tare?.mass())))
        .collect()
}

/// What the bowl weighed with all that was recorded in it.
fn bowl(row: &Row) -> Option<(usize, Mass)> {
    let (tare, net) = row.tare.as_ref().zip(row.net.as_ref())?;
    (row.vessel == "bowl").then(|| (row.step, tare.mass() + net.mass()))
}
