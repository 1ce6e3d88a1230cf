//! The empty pan: what it shows, and what is on it by that.

use std::sync::Arc;

use super::Engine;
use super::order::vessel_at_least;
use super::pan::{Observation, Sure, Zero};
use crate::formula::Step;
use crate::mass::Mass;
use crate::vocabulary::reading::ScaleIndex;

/// What the pan carries, as far as the zero is known.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Load {
    /// The indication of an empty pan, within drift and crumbs.
    Nothing,
    Something,
    /// Less than nothing: the zero is another one than we thought.
    BelowEmpty,
}

/// How far the mass of a vessel may be off whose zero was worked out from a reading that was not at
/// rest: readings in a row agree within 1 in 200 there, and a slow filter's tail is up to ten such.
pub(super) fn inexact(vessel: Mass) -> Mass {
    vessel.abs().ratio(1, 20).max(Mass::from_g(1))
}

/// A scale that is switched on shows zero, whatever stands on it: that it shows what it did before
/// proves nothing where that was zero.
pub(super) fn shows_zero(shown: Mass, d: Mass) -> bool {
    shown.abs() <= d * 10
}

impl Engine {
    pub(super) fn step_now(&self) -> Option<Arc<Step>> {
        let run = &self.run;
        run.plan.steps.get(run.step).cloned()
    }

    pub(super) fn zero(&self, scale: ScaleIndex) -> Mass {
        self.pans[scale].zero_shown().unwrap_or(Mass::ZERO)
    }

    /// The zero as worked out from a jump. `exact`: from weights at rest alone.
    pub(super) fn set_zero(&mut self, scale: ScaleIndex, zero: Mass, exact: bool) {
        let by = zero - self.zero(scale);
        self.shift_records(scale, by, Sure::by_rest(exact));
        self.pans[scale].zero = Some(Zero::worked_out(zero, exact));
    }

    /// The records that wait for the empty pan move with the frame.
    fn shift_records(&mut self, scale: ScaleIndex, by: Mass, sure: Sure) {
        let run = &mut self.run;
        // So does what the bowl shows between its steps, and what the empty pan would by another account.
        let shown = run.bowl.base.iter_mut().map(|(base, _)| base);
        let shown = shown.chain(&mut run.bowl.finished);
        for shown in shown.chain(&mut run.coming.other_zero) {
            *shown += by;
        }
        let bowl = |check: &super::run::LiftCheck| {
            check.scale == scale
                && check
                    .records
                    .iter()
                    .any(|(_, written)| written.weight.no_lift)
        };
        if by != Mass::ZERO && run.lift_check.as_ref().is_some_and(bowl) {
            // In a bowl a key may take off any of several steps: the empty pan says nothing of them then.
            run.give_up_lift_check();
        }
        let check = run.lift_check.as_mut();
        if let Some(check) = check.filter(|check| check.scale == scale) {
            check.zero += by;
            check.high += by;
            check.sure = check.sure.min(sure);
            for (_, written) in &mut check.records {
                written.weight.shift(by);
            }
        }
    }

    /// The frame moved by `shift`, which is so `sure`; the zero is at best as good as it was.
    pub(super) fn shift_zero(&mut self, scale: ScaleIndex, shift: Mass, sure: Sure) {
        self.shift_records(scale, shift, sure);
        if let Some(zero) = &mut self.pans[scale].zero {
            zero.shown += shift;
            zero.seen = false;
            zero.sure = zero.sure.min(sure);
        }
    }

    /// The mass of what stands on the pan at `base` (as shown), where the zero is exact.
    pub(super) fn vessel_mass(&self, scale: ScaleIndex, base: Mass) -> Option<Mass> {
        let zero = self.pans[scale]
            .zero
            .filter(|zero| zero.sure == Sure::Rest)?;
        Some(base - zero.shown)
    }

    /// The zero as seen at rest on an empty pan.
    pub(super) fn see_zero(&mut self, scale: ScaleIndex, zero: Mass) {
        self.pans[scale].zero = Some(Zero::seen(zero));
    }

    /// The zero as an empty pan shows it that is not at rest yet. What waits for its rest waits on.
    pub(super) fn guess_zero(&mut self, scale: ScaleIndex, shown: Mass) {
        self.pans[scale].zero = Some(Zero::worked_out(shown, false));
    }

    /// A zero taken from a fall that was not over yet goes down with the rest of it.
    pub(super) fn follow_tail(&mut self, scale: ScaleIndex, shown: Mass) {
        if let Some(zero) = &mut self.pans[scale].zero
            && zero.sure == Sure::Guessed
        {
            zero.shown = zero.shown.min(shown);
        }
    }

    pub(super) fn load(&self, scale: ScaleIndex, shown: Mass, d: Mass) -> Load {
        let above = shown - self.zero(scale);
        if above > vessel_at_least(d) {
            Load::Something
        } else if above < -vessel_at_least(d) {
            Load::BelowEmpty
        } else {
            Load::Nothing
        }
    }

    /// A scale that shows zero after a gap, where it had another zero, was switched off and on.
    pub(super) fn frame_after_gap(&mut self, scale: ScaleIndex, seen: &Observation) {
        if shows_zero(seen.weight, seen.d) && !shows_zero(self.zero(scale), seen.d) {
            self.set_zero(scale, seen.weight, false);
        }
    }
}
