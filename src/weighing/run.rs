//! The batch under way, as the engine knows it.

use std::collections::{BTreeMap, HashMap};
use std::sync::Arc;

use super::net_of;
use super::order::vessel_at_least;
use super::pan::{Observation, Sure};
use super::placing::UNRESTED_US;
use super::pour::AfterFlow;
use super::state::{Correction, Refused, State, Tared, Why, Written};
use super::steady::{Flat, Level, Stand};
use crate::formula::{Plan, Step, VesselWay};
use crate::mass::Mass;
use crate::time::Moment;
use crate::vocabulary::code::Stands;
use crate::vocabulary::entry::Draft;
use crate::vocabulary::progress::{Progress, Weighed};
use crate::vocabulary::reading::ScaleIndex;

/// A batch under way.
#[derive(Debug)]
pub(super) struct Run {
    pub plan: Plan,
    /// Index into `plan.steps`; `steps.len()` when all are weighed.
    pub step: usize,
    pub state: State,
    /// A box to copy the next tared vessel into: whatever it holds is written over.
    spare: Option<Box<Tared>>,
    /// Until when readings of a scale that only go on change nothing; see [`super::Engine::on_seen`]. Whatever else comes
    /// ends it.
    pub quiet: Option<(ScaleIndex, Moment)>,
    /// The step of the last reading; see [`Run::hold_step`].
    pub held: Option<Arc<Step>>,
    pub done: Vec<Option<Weighed>>,
    pub mixing: Mixing,
    pub bowl: Bowl,
    pub coming: Coming,
    /// The lot last named for each ingredient.
    pub lots: BTreeMap<String, String>,
    /// The newest row of each step's weight (by index) that was recorded here, without what it corrects: its lot
    /// is not always the one last named.
    pub rows: HashMap<usize, Draft>,
    pub after_flow: HashMap<String, AfterFlow>,
    /// The row that a step (by index) replaces, where its record was taken back.
    pub corrects: HashMap<usize, u64>,
    /// When the running step began to be nearly right without coming to rest.
    pub restless_since: Option<Moment>,
    /// The last vessel was lifted; what the empty pan shows is to be held against its record.
    pub lift_check: Option<LiftCheck>,
    /// The last record of a vessel apart (with the index of its step) that the empty pan has spoken of: it may
    /// be put back with more in it.
    pub put_away: Option<(usize, Written)>,
    pub wrong_scale: bool,
    pub corrections: Vec<Correction>,
    pub begun: Moment,
    /// Since when nothing happens where something should, and whether that was said.
    pub waits_since: Option<(Moment, bool)>,
    pub unrested: Option<Unrested>,
    pub spoken: Spoken,
    pub settling: Settling,
    /// All is weighed and off the pan, which is waited for to rest, since then.
    pub closing_since: Option<Moment>,
    /// Mass of the empty beaker of a recorded step (by index), where it is sure.
    pub emptied: HashMap<usize, Mass>,
    /// What stayed in the beaker of a step (by index).
    pub residues: HashMap<usize, Mass>,
    /// What the maker did last, for `undo`.
    pub deeds: Vec<Deed>,
    /// The state's name as it was told last.
    pub told_state: Option<Stands>,
    /// The maker closes the batch although an ingredient is outside its limits.
    pub limits_accepted: bool,
}

/// What was said last, and what followed.
#[derive(Debug, Default)]
pub(super) struct Spoken {
    pub at: Moment,
    /// It asked for nothing but to hold still.
    pub hold: bool,
    /// It stands in place of a question, until the pan rests.
    pub meanwhile: bool,
    /// More than a crumb has moved since.
    pub answered: bool,
    /// Since when the pan does no more than flicker, at rest or not.
    pub still: Option<Stand>,
}

/// What was off the pan, or most of it, and comes to rest there again.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Settling {
    low: Option<Mass>,
    high: Mass,
    /// Since when it stands there.
    since: Option<Moment>,
    /// That it comes to rest was said.
    pub told: bool,
    /// The same was said of the pan without it.
    pub told_off: bool,
}

impl Settling {
    /// Since when it stands there again, if it does.
    pub fn follow(&mut self, seen: &Observation) -> Option<Moment> {
        let much = vessel_at_least(seen.d);
        if self.since.is_some() && self.high - seen.weight > much {
            // It is off once more.
            self.since = None;
            self.low = None;
        }
        let low = self.low.map_or(seen.weight, |low| low.min(seen.weight));
        self.low = Some(low);
        if seen.weight - low > much {
            self.high = self.high.max(seen.weight).max(low);
            self.since = self.since.or(Some(seen.at));
        } else {
            self.high = seen.weight;
        }
        self.since
    }
}

/// A rest is waited for in a state, and the indication goes to and fro.
#[derive(Debug, Clone, Copy)]
pub(super) struct Unrested {
    pub stands: Stands,
    since: Moment,
    /// That was said.
    pub told: bool,
    /// The furthest since the last turn, from where, which way that is, and how many turns there were.
    furthest: Mass,
    from: Mass,
    rises: bool,
    turns: u32,
}

/// Down, up and down again: neither a slow scale on its way nor a hand that came once.
const SWAYS: u32 = 3;

impl Unrested {
    /// Whether it has gone to and fro for long enough, for the first time.
    pub fn is_to_be_told(&mut self, now: Moment) -> bool {
        let long = self.turns >= SWAYS && now.since(self.since) >= UNRESTED_US;
        long && !std::mem::replace(&mut self.told, true)
    }

    pub fn begin(stands: Stands, seen: &Observation) -> Unrested {
        Unrested {
            stands,
            since: seen.at,
            told: false,
            furthest: seen.weight,
            from: seen.weight,
            rises: true,
            turns: 0,
        }
    }

    /// Takes a reading; back by more than `least` is a turn. A way as long as a vessel's weight is a hand, and
    /// all begins anew.
    pub fn follow(&mut self, seen: &Observation, least: Mass) {
        let on = match self.rises {
            true => seen.weight - self.furthest,
            false => self.furthest - seen.weight,
        };
        if on < -least {
            self.from = self.furthest;
            self.rises = !self.rises;
            self.turns = self.turns.saturating_add(1);
        }
        if on >= Mass::ZERO || on < -least {
            self.furthest = seen.weight;
        }
        if (self.furthest - self.from).abs() > vessel_at_least(seen.d) {
            *self = Unrested {
                told: self.told,
                ..Unrested::begin(self.stands, seen)
            };
        }
    }
}

/// The mixing of phases, by their index.
#[derive(Debug, Default)]
pub(super) struct Mixing {
    pub done: Vec<usize>,
    /// The one that the next vessel confirms.
    pub pending: Option<usize>,
    /// It was confirmed just now.
    pub just_done: bool,
    /// What stands there was told of: what was weighed last, or something that is no vessel.
    pub told: bool,
    /// What was weighed last was lifted since, or stirred.
    pub disturbed: bool,
    /// The pan was seen empty meanwhile, so that what comes next is a vessel.
    pub pan_was_empty: bool,
}

/// A bowl between its records.
#[derive(Debug, Default)]
pub(super) struct Bowl {
    /// What it showed when the last weight was captured, and the readability then.
    pub base: Option<(Mass, Mass)>,
    /// What it weighed with all that was recorded in it.
    pub gross: Option<Mass>,
    /// Its records (with the index of their steps) that wait for no lift any more.
    pub records: Vec<(usize, Written)>,
    /// The steps (by index) in it that an earlier daemon recorded: of those only the rows are known.
    pub from_the_log: Vec<usize>,
    /// What the scale showed when nothing but its lift was waited for.
    pub finished: Option<Mass>,
    /// When it showed no more than that last.
    pub low: Option<Moment>,
}

/// What is known of the vessel that comes next, and speaks against its being empty.
#[derive(Debug, Default)]
pub(super) struct Coming {
    /// It may not be empty.
    pub suspect: Option<Why>,
    /// The maker has said that what comes to rest is empty.
    pub word_empty: bool,
    /// A vessel tared by the key may stand on the pan that shows nothing.
    pub maybe_there: bool,
    /// It was asked for that to be lifted and put back. Where nothing is seen of it then, it may be too light.
    pub lifted_in_vain: bool,
    /// So much came onto the empty pan and stays: too little for a vessel.
    pub little: Option<Mass>,
    /// The empty pan's indication, if a jump in the landing was the key: to what was still on its way then.
    pub other_zero: Option<Mass>,
    /// The scale spoke before its first weight at rest, which is zero: a vessel may have come and been tared.
    pub unheard: bool,
    /// The batch goes on after a restart: what stands there may hold some of this step already.
    pub resumed: bool,
    /// The recorded vessel has just left, and the pan may carry the next one already.
    pub in_transit: bool,
    /// The indication is still falling from the recorded vessel that left.
    pub leaving: bool,
    /// Mass of the last recorded vessel with its content.
    pub last_gross: Option<Mass>,
    /// Mass of what stands on the pan while it is to be cleared.
    pub stood: Option<Mass>,
    /// How often the running step (by index) was asked about without an answer that a word gives.
    pub unsure_times: (usize, u32),
    /// What was lifted because nothing proved that it was empty.
    pub refused: Option<Refused>,
    /// The vessel that was off before its weight was recorded: it may come back with what was poured into it.
    pub lost_vessel: Option<Lost>,
}

/// A vessel that is off, and nothing of it is recorded.
#[derive(Debug, Clone, Copy)]
pub(super) struct Lost {
    /// Its mass when empty; `None` where that is not known either.
    pub empty: Option<Mass>,
    /// It left with nothing in it, as far as was seen; its tare was not lost.
    pub unpoured: bool,
}

impl Lost {
    /// Whether `mass` may be it with some of a step in it, of which `highest` is in tolerance; anything where its own
    /// mass is not known.
    pub fn may_be(&self, mass: Mass, highest: Mass, d: Mass) -> bool {
        self.empty
            .is_none_or(|empty| mass > empty + d * 5 && mass <= empty + highest * 2)
    }
}

/// What the empty pan will say of records, once their vessel is off.
#[derive(Debug)]
pub(super) struct LiftCheck {
    pub scale: ScaleIndex,
    /// What the empty pan should show, by the frame that the record rests on.
    pub zero: Mass,
    pub sure: Sure,
    /// The lowest shown since.
    pub low: Option<Mass>,
    /// The highest since then, while that may be the swing of the pan after the lift.
    pub swing: Option<Mass>,
    /// The last readings in a row that agreed, be it for less than a rest.
    pub lasted: Option<Level>,
    /// The same, and none that falls slowly.
    pub leaving: Option<Flat>,
    /// The highest of those, with nothing below it before: so much was left as the vessel went.
    pub left: Option<Mass>,
    /// The highest shown since.
    pub high: Mass,
    /// The next vessel came too soon: the pan speaks of these when it is empty again.
    pub missed: bool,
    /// The records that rest on this zero, with the index of their steps: one, or those of a bowl.
    pub records: Vec<(usize, Written)>,
}

impl LiftCheck {
    /// Whether `level` is more than what lasted after the lift.
    pub fn is_raised(&self, level: &Level) -> bool {
        self.lasted
            .is_some_and(|lasted| level.weight - lasted.weight > level.d * 5)
    }

    /// What was seen since the lift was no empty pan's.
    pub fn stands_again(&mut self) {
        self.low = None;
        self.swing = None;
        self.leaving = None;
        self.lasted = None;
        self.left = None;
    }
}

/// Something that a word can take back.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Deed {
    /// A weight was recorded, or the step was skipped.
    Weighed { index: usize, seq: u64 },
    /// What stayed in a beaker was recorded.
    Residue { index: usize, seq: u64 },
    /// A lot was named in place of another, or of none.
    Lot {
        ingredient: String,
        before: Option<String>,
        /// The step (by index) whose record took it.
        of: Option<usize>,
    },
}

impl Run {
    /// How often the running step was asked about without an answer that a word gives.
    pub fn asks_in_step(&self) -> u32 {
        let (step, times) = self.coming.unsure_times;
        if step == self.step { times } else { 0 }
    }

    /// No batch was begun yet.
    pub fn none() -> Run {
        Run {
            state: State::Done,
            ..Run::new(Plan::default(), Progress::default(), Moment::default())
        }
    }

    /// Whether a batch is or was under way.
    pub fn is_begun(&self) -> bool {
        !self.plan.steps.is_empty()
    }

    pub fn new(plan: Plan, progress: Progress, begun: Moment) -> Run {
        let done: Vec<_> = plan
            .steps
            .iter()
            .map(|s| progress.weighed.get(&s.number).copied())
            .collect();
        let step = done.iter().position(Option::is_none).unwrap_or(done.len());
        let resumed = progress.resumed || done.iter().any(Option::is_some);
        // What was weighed last may stand there still.
        let last_gross = step.checked_sub(1).and_then(|last| {
            let apart = plan.steps.get(last)?.vessel.is_apart();
            let gross = *progress.tares.get(&(last + 1))? + done.get(last)?.as_ref()?.net;
            apart.then_some(gross)
        });
        let newest = step.checked_sub(1).and_then(|last| plan.steps.get(last));
        let together = |index: &usize| {
            let other = plan.steps.get(*index);
            let bowl = other.filter(|step| step.vessel == VesselWay::Bowl);
            bowl.map(|step| step.scale) == newest.map(|step| step.scale)
        };
        let bowl = Bowl {
            gross: progress.bowls.get(&step).copied(),
            from_the_log: (0..step).rev().take_while(together).collect(),
            ..Bowl::default()
        };
        Run {
            step,
            state: State::Empty,
            spare: None,
            quiet: None,
            held: None,
            done,
            mixing: Mixing {
                done: progress.mixed,
                ..Mixing::default()
            },
            bowl,
            coming: Coming {
                resumed,
                last_gross,
                ..Coming::default()
            },
            lots: progress.lots,
            rows: progress
                .rows
                .into_iter()
                .filter_map(|(number, row)| Some((number.checked_sub(1)?, row)))
                .collect(),
            after_flow: HashMap::new(),
            corrects: HashMap::new(),
            restless_since: None,
            lift_check: None,
            put_away: None,
            wrong_scale: false,
            corrections: Vec::new(),
            begun,
            waits_since: None,
            unrested: None,
            spoken: Spoken::default(),
            settling: Settling::default(),
            closing_since: None,
            deeds: Vec::new(),
            told_state: None,
            emptied: progress
                .tares
                .into_iter()
                .filter_map(|(number, tare)| {
                    let index = number.checked_sub(1)?;
                    let beaker = plan.steps.get(index)?.vessel == VesselWay::Beaker;
                    beaker.then_some((index, tare))
                })
                .collect(),
            residues: progress
                .residues
                .into_iter()
                .filter_map(|(number, net)| Some((number.checked_sub(1)?, net)))
                .collect(),
            limits_accepted: false,
            plan,
        }
    }

    /// Whether what was weighed before the running step was stirred since, or may have been.
    pub fn was_mixed_before(&self) -> bool {
        let before = self.step.checked_sub(1);
        let before = before.and_then(|index| self.plan.steps.get(index));
        before
            .filter(|step| step.last_of_phase)
            .is_some_and(|step| {
                let mixing = &self.mixing;
                mixing.done.contains(&step.phase) || mixing.pending == Some(step.phase)
            })
    }

    /// Whether a mixing that is not done yet comes after this step.
    pub fn mixes_after(&self, step: &Step) -> bool {
        let phase = self.plan.phases.get(step.phase);
        step.last_of_phase
            && !self.mixing.done.contains(&step.phase)
            && phase.is_some_and(|phase| phase.mix.is_some())
    }

    /// What the bowl weighed with all that was recorded in it, where the running step goes into that.
    pub fn bowl_so_far(&self) -> Option<Mass> {
        self.bowl.gross.filter(|_| self.is_in_the_same_bowl())
    }

    /// What was weighed into the bowl that was in use last, as far as it went in without another vessel between.
    pub fn weighed_into_bowl(&self) -> Mass {
        let before = (0..self.step).rev();
        let bowls = before.take_while(|&index| self.is_bowl(index));
        let weighed = bowls.filter_map(|index| self.done.get(index)?.as_ref());
        weighed.map(|weighed| weighed.net).sum()
    }

    pub fn is_bowl(&self, index: usize) -> bool {
        let step = self.plan.steps.get(index);
        step.is_some_and(|step| step.vessel == VesselWay::Bowl)
    }

    /// Whether the running step goes into a bowl with earlier steps in it.
    pub fn is_in_the_same_bowl(&self) -> bool {
        let scale = |index: usize| self.plan.steps.get(index).map(|step| step.scale);
        self.is_bowl(self.step)
            && self
                .step
                .checked_sub(1)
                .is_some_and(|before| self.is_bowl(before) && scale(before) == scale(self.step))
    }

    /// `more` steps were put in at index `at`: what is known of the later ones goes with them.
    pub fn renumber(&mut self, at: usize, more: usize) {
        let moved = |index: usize| if index >= at { index + more } else { index };
        let masses = |map: &mut HashMap<usize, Mass>| {
            *map = map
                .drain()
                .map(|(index, mass)| (moved(index), mass))
                .collect();
        };
        masses(&mut self.emptied);
        masses(&mut self.residues);
        self.corrects = self
            .corrects
            .drain()
            .map(|(index, seq)| (moved(index), seq))
            .collect();
        for correction in &mut self.corrections {
            correction.step = moved(correction.step);
        }
        for (index, _) in self.lifted() {
            *index = moved(*index);
        }
        for index in &mut self.bowl.from_the_log {
            *index = moved(*index);
        }
    }

    /// The empty pan was looked at for these.
    pub fn lift_checked(&mut self, records: Vec<(usize, Written)>) {
        let finished = self.current().is_none();
        let bowl = |(index, _): &(usize, Written)| self.is_bowl(*index);
        let (bowls, apart): (Vec<_>, Vec<_>) = records.into_iter().partition(bowl);
        if finished || self.is_in_the_same_bowl() {
            self.bowl.records.extend(bowls);
        }
        self.put_away = apart.into_iter().next_back().or(self.put_away.take());
    }

    /// The records whose vessels are off the pan, or whose bowl waits for that, with the index of their steps.
    pub fn lifted(&mut self) -> impl Iterator<Item = &mut (usize, Written)> {
        let waiting = self.lift_check.iter_mut();
        let waiting = waiting.flat_map(|check| &mut check.records);
        waiting
            .chain(&mut self.bowl.records)
            .chain(&mut self.put_away)
    }

    /// The record of the vessel that was lifted last: one that waits for the empty pan, else the one put away.
    pub fn lifted_last(&self) -> Option<&(usize, Written)> {
        let waits = self.lift_check.as_ref().map(|check| &check.records);
        let waits = waits.and_then(|records| records.last());
        waits.or(self.put_away.as_ref())
    }

    /// As [`Run::lifted_last`], to be changed.
    pub fn lifted_last_mut(&mut self) -> Option<&mut (usize, Written)> {
        let waits = self.lift_check.as_mut().map(|check| &mut check.records);
        let waits = waits.and_then(|records| records.last_mut());
        waits.or(self.put_away.as_mut())
    }

    /// The empty pan will say nothing of what was recorded.
    pub fn give_up_lift_check(&mut self) {
        if let Some(check) = self.lift_check.take() {
            self.lift_checked(check.records);
        }
    }

    /// The next vessel came before the empty pan could be seen.
    pub fn miss_lift_check(&mut self) {
        if self.awaits_the_bowls_lift() {
            // The records of a bowl are held against each other.
            self.give_up_lift_check();
        } else if let Some(check) = &mut self.lift_check {
            check.missed = true;
        }
    }

    /// The bowl was stirred or pressed since its last record, never left, and was not looked at since.
    pub fn stirred_where_it_stands(&self) -> bool {
        self.mixing.disturbed && !self.mixing.pan_was_empty && self.bowl.gross.is_some()
    }

    /// Records that wait for the lift of their bowl, or of their vessel.
    pub fn awaits_the_bowls_lift(&self) -> bool {
        self.lift_check
            .as_ref()
            .is_some_and(|check| check.records.iter().any(|&(index, _)| self.is_bowl(index)))
    }

    /// The running step, to be put back into `held`: counted anew with each reading, it would cost more than much that
    /// is asked of it.
    pub fn hold_step(&mut self) -> Option<Arc<Step>> {
        let now = self.plan.steps.get(self.step);
        match (now, self.held.take()) {
            (Some(now), Some(held)) if Arc::ptr_eq(now, &held) => Some(held),
            (now, _) => now.cloned(),
        }
    }

    /// The state, as a reading changes it.
    pub fn copy_of_state(&mut self) -> State {
        match (&self.state, self.spare.take()) {
            (State::Tared(tared), Some(mut copy)) => {
                *copy = **tared;
                State::Tared(copy)
            }
            (state, _) => state.clone(),
        }
    }

    /// Whether what is tared is as it was before the last reading, but for the time of its rest.
    pub fn is_as_before(&self) -> bool {
        match (&self.state, &self.spare) {
            (State::Tared(now), Some(before)) => now.rests_as(before),
            _ => false,
        }
    }

    /// The next state in the place of this one.
    #[inline(always)]
    pub fn put_state(&mut self, state: State) {
        let before = match (&mut self.state, state) {
            // A state is moved as a whole, and of this one nothing but the box need be.
            (State::Tared(now), State::Tared(next)) => std::mem::replace(now, next),
            (now, next) => match std::mem::replace(now, next) {
                State::Tared(before) => before,
                _ => return,
            },
        };
        self.spare = Some(before);
    }

    pub fn current(&self) -> Option<&Step> {
        self.plan.steps.get(self.step).map(AsRef::as_ref)
    }

    /// The scale that the running step, or an emptied beaker, is weighed on.
    pub fn scale_needed(&self) -> ScaleIndex {
        let step = match &self.state {
            State::Residue(emptied) => self.plan.steps.get(emptied.step).map(AsRef::as_ref),
            _ => self.current(),
        };
        step.map_or_else(|| self.last_scale(), |step| step.scale)
    }

    pub fn last_scale(&self) -> ScaleIndex {
        self.plan.steps.last().map_or(0, |step| step.scale)
    }

    pub fn live_net(&self, scale: ScaleIndex, seen: &Observation) -> Option<Mass> {
        let step = self.current()?;
        let base = match &self.state {
            State::Tared(tared) if tared.suspect.is_none_or(|suspect| suspect.exact) => {
                tared.tare.base
            }
            State::Writing(pending) => pending.weight.tare.base,
            State::Lift(written) => written.weight.tare.base,
            State::Tared(_)
            | State::Clear { .. }
            | State::Empty
            | State::Landing(_)
            | State::TareUnknown(_)
            | State::Removed(_)
            | State::VesselMismatch { .. }
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
