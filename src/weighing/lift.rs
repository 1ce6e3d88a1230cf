//! A weight is recorded, and its vessel is to be lifted.

use super::event::ScaleIndex;
use super::order::vessel_at_least;
use super::pan::{JumpCause, Seen};
use super::state::{State, Tared, Written};
use super::steady::Level;
use super::zero::{Load, shows_zero};
use super::{Engine, net_of};
use crate::formula::VesselWay;
use crate::mass::Mass;

impl Engine {
    /// Whether the indication fell well below the vessel's own weight and rises again: a beaker that is
    /// exchanged in one movement never lets the pan show empty.
    pub(super) fn has_left(&self, scale: ScaleIndex, seen: &Seen, written: &mut Written) -> bool {
        let Some(step) = self.step_now() else {
            return false;
        };
        let Some(zero) = self.pans.get(scale).and_then(|pan| pan.zero) else {
            return false;
        };
        let own = match step.vessel {
            VesselWay::Beaker | VesselWay::Jar | VesselWay::Bowl => written.tared.base - zero,
            VesselWay::Difference => written.shown - zero,
        };
        if own <= vessel_at_least(seen.d) {
            return false;
        }
        let below = seen.weight - zero < own.ratio(3, 5);
        // A number without a unit that drops within one reading may be the UNIT key.
        let leaving = written.shown - own.ratio(1, 10);
        let believed = seen.unit_known || seen.before.is_some_and(|before| before < leaving);
        let rises = seen
            .before
            .is_some_and(|before| seen.weight > before + seen.d * 5);
        let left = written.dipped && rises;
        written.dipped |= below && believed;
        left
    }

    /// The empty pan shows less than the zero that the tare rests on: a key was pressed that nobody
    /// saw, and what had been poured before it may have been taken off. The record claims less.
    pub(super) fn key_shown_at_lift(
        &mut self,
        scale: ScaleIndex,
        seen: &Seen,
        written: &mut Written,
    ) {
        let (Some(step), Some(vessel)) = (self.step_now(), written.tared.vessel) else {
            return;
        };
        let Some(level) = seen.steady else { return };
        let base = level.weight + vessel;
        let unseen = written.tared.base - base;
        // Less than that may be a reading missed between a key and a spoon.
        let least = (vessel_at_least(seen.d) * 2)
            .max(vessel.ratio(1, 20))
            .max(written.net.ratio(1, 10));
        // A key that was pressed after the record took off just that, and the record stands.
        let after =
            written.key_seen || (unseen - written.shown).abs() <= written.most_drops(seen.d);
        let difference = step.vessel == VesselWay::Difference;
        if difference || after || unseen <= least || written.seq == 0 {
            return;
        }
        self.set_zero(scale, level.weight, true);
        written.doubtful = true;
        let weighed = Level {
            at: level.at,
            since: level.at,
            ..written.as_recorded()
        };
        let at_least = written.uncertainty + unseen;
        let remark = "; the lift shows that a key was pressed unseen";
        self.correct(scale, &step, weighed, written.clone(), at_least, remark);
    }

    /// Whether the vessel of a captured weight has left: the empty pan shows, or four fifths of the
    /// vessel are gone and the rest is at rest.
    pub(super) fn is_lifted(&mut self, scale: ScaleIndex, seen: &Seen, tared: &Tared) -> bool {
        let lift = |cause| matches!(cause, JumpCause::Load | JumpCause::Unknown);
        if seen.jump.is_some_and(|jump| lift(jump.cause)) {
            return true;
        }
        let zero = self.zero(scale);
        let vessel = tared.base - zero;
        match self.load(scale, seen.weight, seen.d) {
            Load::Nothing => seen.plateau && vessel > vessel_at_least(seen.d),
            Load::BelowEmpty if seen.steady.is_some() => {
                self.set_zero(scale, seen.weight, true);
                true
            }
            Load::Something if seen.steady.is_some() && vessel > Mass::ZERO => {
                seen.weight - zero < vessel.ratio(1, 5)
            }
            Load::BelowEmpty | Load::Something => false,
        }
    }

    pub(super) fn in_lift(&mut self, scale: ScaleIndex, seen: &Seen, mut written: Written) {
        if seen.after_gap && self.gap_after_record(scale, seen, &mut written) {
            return;
        }
        let jump = seen.jump.map(|jump| match jump.cause {
            // From a weight that grew to zero: no drop does that.
            JumpCause::Slight if jump.from > jump.to => super::pan::Jump {
                cause: JumpCause::Unknown,
                ..jump
            },
            JumpCause::Slight | JumpCause::Key | JumpCause::Load | JumpCause::Unknown => jump,
        });
        if let Some(jump) = jump.filter(|jump| jump.cause == JumpCause::Slight) {
            // A key or a drop: nothing will tell.
            written.tared.unproven += (jump.to - jump.from).abs();
        }
        written.key_seen |= seen.may_be_key();
        if let Some(jump) = jump.filter(|jump| jump.cause != JumpCause::Slight) {
            self.jump_after_record(scale, seen, written, jump);
            return;
        }
        if self.load(scale, seen.weight, seen.d) == Load::BelowEmpty && seen.steady.is_some() {
            self.key_shown_at_lift(scale, seen, &mut written);
        }
        let left = self.has_left(scale, seen, &mut written);
        if left || self.is_lifted(scale, seen, &written.tared) {
            if let Some(run) = &mut self.run {
                run.in_transit = left;
                run.leaving = left;
            }
            self.lifted_after_record(scale, written);
            return;
        }
        let vessel = written.shown - self.zero(scale);
        let gone = written.shown - seen.weight > vessel.ratio(2, 5).max(vessel_at_least(seen.d));
        written.disturbed |= gone && seen.unit_known;
        written.follow(seen);
        let Some(step) = self.step_now() else { return };
        if written.no_lift && written.seq != 0 {
            let more = net_of(&step, written.tared.base, seen.weight) - written.net;
            if written.next_begun(seen.at, more, seen.d) {
                // The maker knows what comes next and pours it already: on top of what was recorded.
                let (base, d) = (written.shown, seen.d.max(written.tared.base_d));
                self.next_in_bowl(written, base, d);
                return;
            }
        }
        let Some(level) = seen.steady else {
            self.keep(State::Lift(written));
            return;
        };
        let same = self
            .pans
            .get(scale)
            .is_some_and(|pan| pan.same(level.weight, written.shown, level.d));
        if std::mem::take(&mut written.disturbed) && !same {
            // Snatched off, and something else set down in the same breath.
            self.lifted_after_record(scale, written);
            return;
        }
        written.strayed = None;
        let net = net_of(&step, written.tared.base, level.weight);
        let beyond = (net - written.net).abs() > written.uncertainty;
        let fell = written.net - net > written.most_drops(level.d);
        if written.doubtful && beyond && written.seq != 0 {
            self.doubt_more(scale, &step, written, level.weight);
        } else if written.doubtful {
            self.keep(State::Lift(written));
        } else if beyond && fell && written.seq != 0 {
            // Spooned out, or another load: the record stands, and says how little it proves.
            self.doubt_record(scale, &step, written, net);
        } else if beyond && !net.is_negative() && written.seq != 0 {
            // A little more or less may be a draught as well as a drop: the new number stands, and the
            // stated uncertainty reaches back to the old one.
            let by = (net - written.net).abs();
            let at_least = if by <= level.d * 10 {
                written.uncertainty + by
            } else {
                Mass::ZERO
            };
            self.correct(scale, &step, level, written, at_least, "");
        } else if written.no_lift && written.settled(level.at) {
            self.next_in_bowl(written, level.weight, level.d);
        } else {
            self.keep(State::Lift(written));
        }
    }

    /// The recorded vessel is off; the log says what was seen of it last.
    pub(super) fn lifted_after_record(&mut self, scale: ScaleIndex, mut written: Written) {
        self.correct_at_lift(scale, &mut written);
        if written.no_lift {
            // The bowl went to be stirred: the next step waits for it.
            self.keep(State::Clear);
            self.go_on();
        } else {
            self.vessel_gone(scale, written.seq, None);
        }
    }

    /// Readings were missing after the record. Little more or less is a late drop, and how much more
    /// nobody saw; anything else says nothing about the vessel recorded. Returns whether that is over.
    pub(super) fn gap_after_record(
        &mut self,
        scale: ScaleIndex,
        seen: &Seen,
        written: &mut Written,
    ) -> bool {
        let most = vessel_at_least(seen.d);
        let off = (seen.weight - written.shown).abs();
        if off <= most && !shows_zero(seen.weight, seen.d) {
            return false;
        }
        if let Some(step) = self.step_now() {
            let level = written.as_recorded();
            // If the frame stands, so much went in or out; it may as well be another load.
            let by = |w: Mass| (w - written.shown).abs();
            let strayed = written.strayed.map_or(Mass::ZERO, |(_, w)| by(w));
            // Below half of it the vessel was on its way off.
            let before = seen
                .before
                .filter(|&w| written.shown - w <= written.net.abs().ratio(1, 2))
                .map_or(Mass::ZERO, by);
            let after = if off <= written.net.abs() { off } else { most };
            let seen_off = strayed.max(before).max(after);
            // And what came in the gap besides.
            let at_least = written.uncertainty + most + seen_off;
            let remark = "; readings were missing before the lift";
            self.correct(scale, &step, level, written.clone(), at_least, remark);
        }
        let (seq, no_lift) = (written.seq, written.no_lift);
        if no_lift {
            // The bowl's next tare is taken when it is at rest again, or back.
            self.keep(State::Clear);
            self.go_on();
        } else {
            self.vessel_gone(scale, seq, None);
        }
        true
    }

    /// A key after the record, or a lift at once.
    pub(super) fn jump_after_record(
        &mut self,
        scale: ScaleIndex,
        seen: &Seen,
        mut written: Written,
        jump: super::pan::Jump,
    ) {
        let zero = self.zero(scale);
        let shift = jump.to - jump.from;
        let sure_key = jump.cause == JumpCause::Key
            || (jump.cause == JumpCause::Unknown && zero.abs() > vessel_at_least(seen.d));
        if sure_key {
            // The vessel still stands there; the frame moved.
            self.shift_zero(scale, shift, jump.from_rest);
            let unchanged = (jump.from - written.shown).abs() <= written.uncertainty;
            if written.no_lift && written.seq != 0 && jump.from_rest && unchanged {
                // Whoever presses TARE after the record goes on to the next ingredient.
                self.next_in_bowl(written, jump.to, seen.d);
                return;
            }
            if !jump.from_rest {
                // It was moving when the key was pressed; how far, nobody saw to the end.
                written.tared.unproven += (jump.from - written.shown).abs() + seen.d * 5;
            }
            written.tared.base += shift;
            written.shown += shift;
            written.forget_trail();
            written.tared.carried += 2;
            self.keep(State::Lift(written));
            return;
        }
        self.correct_at_lift(scale, &mut written);
        let carry = (jump.cause == JumpCause::Unknown).then_some(zero + shift);
        self.vessel_gone(scale, written.seq, carry);
    }

    /// The recorded vessel is off the pan: on to the next thing.
    pub(super) fn vessel_gone(&mut self, scale: ScaleIndex, seq: u64, carry: Option<Mass>) {
        if let Some(run) = &mut self.run {
            run.spill_check = Some((scale, seq));
        }
        self.go_on();
        if let (Some(carry), Some(run)) = (carry, self.run.as_mut())
            && let State::Empty { carry: slot } = &mut run.state
        {
            *slot = Some(carry);
        }
    }
}
