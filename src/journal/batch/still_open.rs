//! The steps of a batch that are still to be weighed, by the rows of its log and its plan.

use super::record::Record;
use super::standing::skipped;
use crate::formula::Plan;

/// How far a batch is in its plan, that of [`Record::plan`].
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StillOpen {
    pub weighed: usize,
    pub left_out: usize,
    /// Steps of the plan.
    pub of: usize,
    /// In the order of the plan; empty where every step is done with.
    pub parts: Vec<OpenPart>,
    /// The phase that is weighed and whose mixing nobody confirmed, where nothing after it is weighed.
    pub unmixed: Option<String>,
}

/// A phase of which something is still to be weighed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct OpenPart {
    pub phase: String,
    /// What is to be weighed of it; empty: all of it.
    pub ingredients: Vec<String>,
}

impl Record {
    /// What is still open in `plan`.
    pub fn still_open(&self, plan: &Plan) -> StillOpen {
        let row = |number: usize| self.steps.get(&number).filter(|row| row.net.is_some());
        let of_plan = || plan.steps.iter().filter_map(|step| row(step.number));
        let left_out = of_plan().filter(|row| skipped(row).is_some()).count();
        let mut parts = Vec::new();
        let mut last = None;
        for (index, phase) in plan.phases.iter().enumerate() {
            let steps = || plan.steps.iter().filter(|step| step.phase == index);
            let open: Vec<String> = steps()
                .filter(|step| row(step.number).is_none())
                .map(|step| step.ingredient.clone())
                .collect();
            let all = steps().count();
            if open.len() < all {
                last = Some((index, open.is_empty()));
            }
            if !open.is_empty() {
                parts.push(OpenPart {
                    phase: phase.name.clone(),
                    ingredients: if open.len() < all { open } else { Vec::new() },
                });
            }
        }
        let mixed = self.progress(plan).mixed;
        let unmixed = last
            .filter(|(index, whole)| *whole && !mixed.contains(index))
            .and_then(|(index, _)| plan.phases.get(index))
            .filter(|phase| phase.mix.is_some());
        StillOpen {
            weighed: of_plan().count() - left_out,
            left_out,
            of: plan.steps.len(),
            parts,
            unmixed: unmixed.map(|phase| phase.name.clone()),
        }
    }
}
