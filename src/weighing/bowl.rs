//! A bowl between its records: what it weighed with all of them, and what came or went outside a step.

use super::correct::TAKES_HOLD_US;
use super::pan::Observation;
use super::run::LiftCheck;
use super::state::{TareUnknown, Tared, Why};
use super::steady::Level;
use super::{Engine, net_of, phrases};
use crate::formula::Step;
use crate::language::{Sentence, phrase, remark};
use crate::mass::Mass;
use crate::vocabulary::cue::CueKind;
use crate::vocabulary::reading::ScaleIndex;

/// As much as stirring and scraping leave behind of a bowl that weighs `gross` with its content.
pub(super) fn stirred_off(gross: Mass, d: Mass) -> Mass {
    gross.ratio(1, 50).max(super::order::vessel_at_least(d) * 2)
}

/// Whether `load` can be a bowl that weighed `whole` with its content: a fifth of that and more. What is less lost
/// nothing; it lies on the pan that the bowl left.
pub(super) fn can_be_bowl(load: Mass, whole: Mass) -> bool {
    load >= whole.ratio(1, 5)
}

/// Whether so much more in the bowl can have been poured in for `step`.
pub(super) fn is_a_pour(step: &Step, more: Mass, d: Mass) -> bool {
    more > d * 5 && more <= step.highest * 2
}

impl Engine {
    /// So much came into the bowl, or went out of it, that belongs to no step: no record in it claims
    /// more than that leaves sure. What a record's own uncertainty covers changes nothing.
    pub(super) fn bowl_changed(&mut self, scale: ScaleIndex, by: Mass, remark: &Sentence) {
        self.doubt_in_bowl(scale, by, remark, |_| true);
    }

    /// Less is in the bowl than when the step before was recorded, and nothing of this one yet.
    pub(super) fn taken_from_bowl(&mut self, scale: ScaleIndex, by: Mass) {
        let remark = remark!("some was taken out of the bowl after the record");
        self.bowl_changed(scale, by, &remark);
    }

    /// What had come into the bowl, and rested, before this step was asked for may be the last of the step
    /// before, or the maker was ahead of the cue: nothing tells, and neither weight claims more. What streams
    /// on is this step's.
    pub(super) fn came_unasked(
        &mut self,
        scale: ScaleIndex,
        seen: &Observation,
        step: &Step,
        tared: &mut Tared,
    ) {
        let Some(unasked) = &mut tared.content.unasked else {
            return;
        };
        // No stream: the last of it ran in, and what comes next may come before the scale rests.
        let ran_in = seen.was_still
            && seen
                .before
                .is_some_and(|before| (seen.weight - before).abs() <= seen.d)
            && net_of(step, tared.tare.base, seen.weight) <= unasked.drops;
        let rests = seen.steady.map(|level| level.weight);
        if unasked.shown.is_none() && (seen.at >= unasked.until || rests.is_some() || ran_in) {
            unasked.shown = Some(seen.weight);
        }
        let Some(shown) = unasked.shown else { return };
        let Some(weight) = rests.or(Some(seen.weight).filter(|_| ran_in)) else {
            return;
        };
        tared.content.unasked = None;
        let net = net_of(step, tared.tare.base, weight);
        if (weight - shown).abs() > seen.d * 5 || net <= seen.d * 5 {
            return;
        }
        tared.tare.unproven += net;
        let before = self.index_now().checked_sub(1);
        let remark = remark!("more came into the bowl before the next was asked for");
        self.doubt_in_bowl(scale, net, &remark, |index| Some(index) == before);
    }

    fn doubt_in_bowl(
        &mut self,
        scale: ScaleIndex,
        by: Mass,
        remark: &Sentence,
        which: impl Fn(usize) -> bool,
    ) {
        let run = &mut self.run;
        // They are back in their places when they are corrected.
        let mut check = run.lift_check.take();
        let mut lifted = std::mem::take(&mut run.bowl.records);
        let waiting = check.iter_mut().flat_map(|check| &mut check.records);
        for (index, written) in waiting.chain(&mut lifted) {
            let bowl = self.run.is_bowl(*index);
            if bowl && by.abs() > written.weight.uncertainty && which(*index) {
                let at_least = written.weight.uncertainty + by.abs();
                self.doubt(scale, *index, written, at_least, remark);
            }
        }
        self.run.lift_check = check;
        self.run.bowl.records = lifted;
        for index in self.run.bowl.from_the_log.clone() {
            if which(index) {
                self.doubt_from_the_log(index, by.abs(), remark);
            }
        }
    }

    /// What is taken for the bowl with earlier steps in it weighs `mass`.
    pub(super) fn bowl_came_back_as(&mut self, scale: ScaleIndex, mass: Mass, d: Mass) {
        if let Some(gross) = self.run.bowl_so_far() {
            self.bowl_came_back(scale, mass - gross, d);
        }
    }

    /// The bowl is back, and taken for what it is, though it weighs so much more or less than with all
    /// that was recorded in it.
    pub(super) fn bowl_came_back(&mut self, scale: ScaleIndex, by: Mass, d: Mass) {
        let stirred = self.run.was_mixed_before();
        let little = by.is_negative() && by.abs() <= self.stirred_off(scale, d);
        let most = self.run.weighed_into_bowl().ratio(1, 3);
        if stirred && little && by.abs() <= most.max(super::order::vessel_at_least(d)) {
            // The charge is what was weighed in; the spoon took a little of all of it.
            if by.abs() > d * 5 {
                let grams = phrases::grams(by.abs(), d);
                self.note(remark!(
                    "{grams} g of the mixed bowl did not come back",
                    grams
                ));
            }
            return;
        }
        let remark = remark!("the bowl came back with another weight");
        self.bowl_changed(scale, by, &remark);
    }

    /// After its last mixing no step asks about it any more.
    pub(super) fn back_from_last_mix(&mut self, scale: ScaleIndex, level: Level) {
        let mass = level.weight - self.zero(scale);
        let gross = self.run.bowl.gross.take();
        let Some(by) = gross.map(|gross| mass - gross) else {
            return;
        };
        if by.is_negative() && by.abs() > self.stirred_off(scale, level.d) {
            let grams = phrases::grams(by.abs(), level.d);
            let say = phrase!(
                "The bowl is {grams} g lighter than with all that was weighed in; its weights are marked as unsure.",
                grams
            );
            self.tell_beside(say, CueKind::Fault, &[]);
        }
        self.bowl_came_back(scale, by, level.d);
    }

    /// After a restart, or since it was back: so much more is in the bowl than was recorded in it, and may be of the
    /// running step.
    pub(super) fn came_into_bowl(&self, unsure: &TareUnknown) -> Option<Mass> {
        let run = &self.run;
        let more = unsure.mass - run.bowl_so_far()?;
        let may_be = is_a_pour(run.current()?, more, unsure.level.d);
        (matches!(unsure.why, Why::Restart | Why::OtherBowl) && may_be).then_some(more)
    }

    /// [`stirred_off`] of the bowl that is in use.
    pub(super) fn stirred_off(&self, scale: ScaleIndex, d: Mass) -> Mass {
        let gross = self.run.bowl.gross;
        let shown = self.pans[scale].last;
        let shown = shown.map_or(Mass::ZERO, |last| last.weight - self.zero(scale));
        stirred_off(gross.unwrap_or(shown), d)
    }

    /// Whether what stands there can be the bowl that waits for its lift.
    pub(super) fn bowl_stands(&self, scale: ScaleIndex) -> bool {
        let shown = self.pans[scale].last;
        let check = self.run.lift_check.as_ref();
        let Some((shown, check)) = shown.zip(check) else {
            return true;
        };
        let last = check.records.last();
        last.is_none_or(|(_, written)| {
            let whole = written.weight.shown - check.zero;
            can_be_bowl(shown.weight - check.zero, whole)
        })
    }

    /// Everything is weighed, and the bowl stands there still, or is back from the last mixing: what comes
    /// or goes now belongs to no record, and the records say so.
    pub(super) fn follow_the_finished_bowl(&mut self, scale: ScaleIndex, seen: &Observation) {
        let zero = self.zero(scale);
        let run = &mut self.run;
        if run.current().is_some() || !(seen.plateau || seen.steady.is_some()) {
            return;
        }
        let shown = seen.steady.map_or(seen.weight, |level| level.weight);
        let gross = run.bowl.gross;
        if gross.is_some_and(|gross| !can_be_bowl(shown - zero, gross)) {
            return;
        }
        if run.bowl.finished.is_none() && seen.steady.is_none() {
            return;
        }
        let check = run.lift_check.as_ref();
        let stands = |check: &LiftCheck| {
            let load = (shown - check.zero) * 2;
            let last = check.records.last();
            last.is_some_and(|(_, written)| load > written.weight.shown - check.zero)
        };
        // Lifted before it rested, it has left an empty pan.
        let stands = check.is_none_or(stands);
        if let (true, None, Some(level)) = (stands, run.bowl.finished, seen.steady) {
            run.bowl.finished = Some(level.weight);
            self.back_from_last_mix(scale, level);
            return;
        }
        let by = shown - run.bowl.finished.unwrap_or(shown);
        let rests = seen.steady.is_some();
        let low = &mut run.bowl.low;
        *low = low.filter(|_| by > Mass::ZERO).or(Some(seen.at));
        let since = low.map_or(0, |low| seen.at.since(low));
        // A lift begins with less, and the hand that takes hold presses first; what came before it rested is more.
        let by = if rests { by.abs() } else { by };
        let lasts = rests || since > self.pans[scale].at_least_a_reading(TAKES_HOLD_US);
        if stands && check.is_some() && by > Mass::ZERO && lasts {
            let remark = remark!("the bowl changed its weight after the last step");
            self.bowl_changed(scale, by, &remark);
        }
    }
}
