//! What the engine knows of the batch under way.

use std::collections::HashMap;

use super::event::ScaleIndex;
use super::net_of;
use super::pan::Seen;
use super::pour::AfterFlow;
use super::state::{Correction, State, Written};
use crate::bench::{Progress, Weighed};
use crate::formula::{Plan, Step, VesselWay};
use crate::mass::Mass;
use crate::scale::Moment;

/// A batch under way.
#[derive(Debug)]
pub(super) struct Run {
    pub plan: Plan,
    /// Index into `plan.steps`; `steps.len()` when all are weighed.
    pub step: usize,
    pub state: State,
    pub done: Vec<Option<Weighed>>,
    pub mixed: Vec<usize>,
    pub lots: HashMap<String, String>,
    pub after_flow: HashMap<String, AfterFlow>,
    /// The row that the running weighing replaces, after `again` on a recorded step.
    pub corrects: Option<u64>,
    /// When the running step began to be nearly right without coming to rest.
    pub restless_since: Option<Moment>,
    /// Phase whose mixing the next vessel confirms.
    pub mix_pending: Option<usize>,
    /// The last vessel was lifted; its pan's zero is to be looked at for spills.
    pub spill_check: Option<(usize, u64)>,
    pub wrong_scale: bool,
    /// While mixing: the pan was seen empty, so that what comes next is a vessel.
    pub pan_was_empty: bool,
    /// What the bowl showed when the last weight was captured, and the readability then.
    pub bowl_base: Option<(Mass, Mass)>,
    /// The step (by index) that was recorded last in this bowl.
    pub bowl_last: Option<(usize, Written)>,
    /// The mixing of a phase was confirmed just now.
    pub just_mixed: bool,
    pub corrections: Vec<Correction>,
    /// When something came onto the empty pan.
    pub landed_at: Option<Moment>,
    /// What comes next may not be empty.
    pub suspect: bool,
    /// A vessel tared by the key may stand on the pan that shows nothing.
    pub maybe_tared: bool,
    /// The batch goes on after a restart: what stands there may hold some of this step already.
    pub resumed: bool,
    /// The recorded vessel has just left, and the pan may carry the next one already.
    pub in_transit: bool,
    /// The indication is still falling from the recorded vessel that left.
    pub leaving: bool,
    pub begun: Moment,
    /// Mass of the last recorded vessel with its content.
    pub last_gross: Option<Mass>,
    /// Mass of what stands on the pan while it is to be cleared.
    pub stood: Option<Mass>,
    /// Mass of what was lifted because its tare was not sure.
    pub refused: Option<Mass>,
    /// Mass of the empty vessel whose tare was lost: it may come back with what was poured into it.
    /// `Some(None)` where its own mass is not known either.
    pub lost_vessel: Option<Option<Mass>>,
    /// Mass of the empty beaker of a recorded step (by index), where it is sure.
    pub emptied: HashMap<usize, Mass>,
    /// What stayed in the beaker of a step (by index).
    pub residues: HashMap<usize, Mass>,
    /// The maker closes the batch although an ingredient is outside its limits.
    pub limits_accepted: bool,
}

impl Run {
    pub fn new(plan: Plan, progress: Progress) -> Run {
        let done: Vec<_> = plan
            .steps
            .iter()
            .map(|s| progress.weighed.get(&s.number).copied())
            .collect();
        let step = done.iter().position(Option::is_none).unwrap_or(done.len());
        let resumed = progress.resumed || done.iter().any(Option::is_some);
        Run {
            step,
            state: State::Empty { carry: None },
            done,
            mixed: progress.mixed,
            lots: progress.lots,
            after_flow: HashMap::new(),
            corrects: None,
            restless_since: None,
            mix_pending: None,
            spill_check: None,
            wrong_scale: false,
            pan_was_empty: false,
            bowl_base: None,
            bowl_last: None,
            just_mixed: false,
            corrections: Vec::new(),
            landed_at: None,
            suspect: false,
            maybe_tared: false,
            resumed,
            in_transit: false,
            leaving: false,
            begun: Moment::default(),
            last_gross: None,
            stood: None,
            refused: None,
            lost_vessel: None,
            emptied: HashMap::new(),
            residues: progress
                .residues
                .into_iter()
                .filter_map(|(number, net)| Some((number.checked_sub(1)?, net)))
                .collect(),
            limits_accepted: false,
            plan,
        }
    }

    pub fn current(&self) -> Option<&Step> {
        self.plan.steps.get(self.step)
    }

    /// The scale that the running step, or an emptied beaker, is weighed on.
    pub fn scale_needed(&self) -> ScaleIndex {
        let step = match &self.state {
            State::Residue(emptied) => self.plan.steps.get(emptied.step),
            _ => self.current(),
        };
        step.map_or_else(|| self.last_scale(), |step| step.scale)
    }

    pub fn last_scale(&self) -> ScaleIndex {
        self.plan.steps.last().map_or(0, |step| step.scale)
    }

    pub fn live_net(&self, scale: ScaleIndex, seen: &Seen) -> Option<Mass> {
        let step = self.current()?;
        let base = match &self.state {
            State::Tared(tared) => tared.base,
            State::Writing(written) | State::Lift(written) => written.tared.base,
            State::Clear
            | State::Empty { .. }
            | State::Landing { .. }
            | State::Unsure { .. }
            | State::Away(_)
            | State::Stranger { .. }
            | State::Recheck(_)
            | State::Mix { .. }
            | State::Residue(_)
            | State::Choose
            | State::Done => return None,
        };
        let net = net_of(step, base, seen.weight);
        // While a vessel comes or goes the difference is no net weight, and nobody is to act on it.
        let sensible = match step.vessel {
            VesselWay::Beaker | VesselWay::Jar | VesselWay::Bowl => net >= -(seen.d * 20),
            VesselWay::Difference => seen.steady.is_some() || net <= step.highest * 2,
        };
        (step.scale == scale && sensible).then_some(net)
    }
}
