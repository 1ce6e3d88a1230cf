//! Between two phases: the mixing.

use super::pan::{JumpCause, Observation};
use super::state::State;
use super::steady::Level;
use super::zero::Load;
use super::{Engine, phrases};
use crate::formula::VesselWay;
use crate::language::{Sentence, remark};
use crate::vocabulary::command::Choice;
use crate::vocabulary::cue::CueKind;
use crate::vocabulary::reading::ScaleIndex;

/// Who has stirred looks up after this: 8 s.
const WAITS_US: u64 = 8_000_000;

impl Engine {
    pub(super) fn in_mix(&mut self, scale: ScaleIndex, seen: &Observation, phase: usize) -> State {
        let mixing = State::Mix { phase };
        self.changed_before_the_mixing(scale, seen);
        let Some(load) = self.follow_idle_pan(scale, seen) else {
            return mixing;
        };
        let was_empty = self.in_last_mix() || self.run.mixing.pan_was_empty;
        match (load, seen.steady) {
            (Load::Nothing, _) => {
                self.run.mixing.pan_was_empty |= seen.plateau;
                self.run.mixing.told = false;
                mixing
            }
            (Load::Something, Some(level)) if self.is_the_one_just_weighed(scale, level) => {
                // Put back as it was: that says nothing of the mixing.
                let way = self.way_before();
                self.tell_in_mix(phrases::just_weighed(way), CueKind::Lift, &[]);
                mixing
            }
            (Load::Something, Some(level)) if was_empty && self.is_light(scale, level) => {
                let mass = level.weight - self.zero(scale);
                let say = phrases::light(self.way_now(), mass, level.d);
                self.tell_in_mix(say, CueKind::Place, &[Choice::Next]);
                mixing
            }
            (Load::Something, Some(level)) if was_empty && !self.in_last_mix() => {
                // The next vessel stands there: the step after the mixing begins.
                self.vessel_placed();
                self.announce_step();
                self.judge_arrival(scale, level, None)
            }
            (Load::Something, Some(level)) if self.in_last_mix() => {
                if self.run.mixing.pan_was_empty {
                    self.back_from_last_mix(scale, level);
                }
                mixing
            }
            (Load::Something, Some(level)) if self.run.mixing.disturbed => {
                // Whether it was off meanwhile was not seen, and whoever set it down waits for a word.
                if seen.at.since(level.since) >= WAITS_US {
                    self.tell_in_mix(phrases::stirred(), CueKind::Mix, &[Choice::Next]);
                }
                mixing
            }
            (Load::Something | Load::BelowEmpty, Some(_) | None) => mixing,
        }
    }

    /// A little more or less rests in the bowl than was recorded, before it was stirred or lifted: the record claims
    /// no more than that leaves sure.
    fn changed_before_the_mixing(&mut self, scale: ScaleIndex, seen: &Observation) {
        let Some((index, written)) = self.run.lifted_last() else {
            return;
        };
        let by = seen.weight - written.weight.shown;
        if self.run.mixing.disturbed || !self.run.is_bowl(*index) {
            return;
        }
        if by.abs() > written.most_drops(seen.d) {
            self.run.mixing.disturbed = true;
            return;
        }
        let covered = by.abs() <= written.weight.uncertainty;
        if written.doubt.is_none() && seen.steady.is_some() && !covered {
            let remark = remark!("more or less rested in the bowl before it was stirred");
            self.doubt_lifted(scale, by, &remark);
        }
    }

    /// Tells of what stands on the pan beside the mixing, once.
    fn tell_in_mix(&mut self, say: Sentence, kind: CueKind, choices: &[Choice]) {
        if !std::mem::replace(&mut self.run.mixing.told, true) {
            self.tell_beside(say, kind, choices);
        }
    }

    /// Whether something lies on the pan that is no vessel for the next step.
    fn is_light(&self, scale: ScaleIndex, level: Level) -> bool {
        let mass = level.weight - self.zero(scale);
        let source = self.way_now() == VesselWay::Difference;
        !self.in_last_mix() && !source && self.is_too_light(mass, level.d)
    }

    /// The beaker or jar of the last record, with all that it held.
    fn is_the_one_just_weighed(&self, scale: ScaleIndex, level: Level) -> bool {
        let full = self.run.coming.last_gross;
        let mass = level.weight - self.zero(scale);
        full.is_some_and(|full| self.pans[scale].same(mass, full, level.d))
    }

    /// How the step before the running one was weighed.
    fn way_before(&self) -> VesselWay {
        let before = self.run.step.checked_sub(1);
        let before = before.and_then(|before| self.run.plan.steps.get(before));
        before.map_or(VesselWay::Beaker, |step| step.vessel)
    }

    /// Nothing is weighed now; the empty pan's zero is followed. `None` at a jump, after which the load
    /// is not known.
    pub(super) fn follow_idle_pan(
        &mut self,
        scale: ScaleIndex,
        seen: &Observation,
    ) -> Option<Load> {
        if seen.after_gap {
            self.frame_after_gap(scale, seen);
            self.run.coming.maybe_there = true;
        }
        if seen.may_be_key() || seen.unit_changed {
            self.suspect(super::state::Why::Unseen);
        }
        let load = self.load(scale, seen.weight, seen.d);
        if load == Load::Nothing && seen.steady.is_some() {
            // What was begun there is gone again.
            self.run.coming.suspect = None;
        }
        if let Some(jump) = seen.jump.filter(|jump| jump.cause != JumpCause::Slight) {
            if matches!(jump.cause, JumpCause::Key) {
                self.shift_zero(scale, jump.to - jump.from, jump.sure);
            } else {
                self.set_zero(scale, jump.to, false);
            }
            return None;
        }
        match (load, seen.steady) {
            (Load::Nothing, Some(level)) => self.see_zero(scale, level.weight),
            (Load::BelowEmpty, Some(_)) => self.set_zero(scale, seen.weight, true),
            (Load::Nothing | Load::BelowEmpty | Load::Something, _) => {}
        }
        Some(load)
    }

    pub(super) fn in_last_mix(&self) -> bool {
        self.run.step >= self.run.done.len()
    }

    /// A vessel on the pan confirms a pending mixing.
    pub(super) fn vessel_placed(&mut self) {
        self.mixing_done("next vessel placed");
    }
}
