//! Vessels coming: until a tare is known.

use super::event::{Choice, CueKind, ScaleIndex};
use super::order::vessel_at_least;
use super::pan::{Jump, JumpCause, Seen};
use super::state::{Doubt, State, Tared};
use super::steady::Level;
use super::zero::{Load, shows_zero};
use super::{Engine, net_of, say};
use crate::formula::VesselWay;
use crate::mass::Mass;

/// A vessel that stood on the pan for longer than this without coming to rest: 3 s.
const STOOD_LONG_US: u64 = 3_000_000;

impl Engine {
    pub(super) fn in_clear(&mut self, scale: ScaleIndex, seen: &Seen) {
        if seen.after_gap {
            // Switched off and on, the scale may call zero what stands there.
            self.suspect();
            self.frame_after_gap(scale, seen);
        }
        if let Some(jump) = seen.jump
            && !matches!(jump.cause, JumpCause::Load | JumpCause::Slight)
        {
            // The TARE key on what should be lifted, or a lift at once: both stand. What stood there
            // was not asked for, and nobody says that it is empty.
            self.suspect();
            let (zero, shift) = (self.zero(scale), jump.to - jump.from);
            if jump.cause == JumpCause::Key || zero.abs() > vessel_at_least(seen.d) {
                // With another tare in force an empty pan would not show zero.
                self.shift_zero(scale, shift, jump.from_rest);
                self.keep(State::Clear);
                return;
            }
            if let Some(pan) = self.pans.get_mut(scale) {
                pan.zero_exact = false;
            }
            self.wait_empty(Some(zero + shift));
            return;
        }
        self.follow_stood(scale, seen);
        match self.load(scale, seen.weight, seen.d) {
            Load::Nothing if seen.plateau => {
                // What stood here and was not asked for may come back as it is.
                if let Some(run) = &mut self.run {
                    run.refused = run.stood.take();
                }
                self.wait_empty(None);
            }
            Load::BelowEmpty if seen.steady.is_some() => {
                self.see_zero(scale, seen.weight);
                self.wait_empty(None);
            }
            Load::Nothing | Load::Something | Load::BelowEmpty => self.keep(State::Clear),
        }
    }

    /// The mass of what stands there and is to be lifted: at rest, or for an instant while it grows.
    pub(super) fn follow_stood(&mut self, scale: ScaleIndex, seen: &Seen) {
        let mass = seen.weight - self.zero(scale);
        let Some(run) = &mut self.run else { return };
        let grows = seen.plateau && run.stood.is_none_or(|stood| mass >= stood);
        if mass > vessel_at_least(seen.d) && (seen.steady.is_some() || grows) {
            run.stood = Some(mass);
        }
    }

    pub(super) fn wait_empty(&mut self, carry: Option<Mass>) {
        self.set_state(State::Empty { carry });
        self.cue_place();
    }

    pub(super) fn in_empty(&mut self, scale: ScaleIndex, seen: &Seen, carry: Option<Mass>) {
        // In a gap the key's frame may have gone, and something come.
        let carry = carry.filter(|_| !seen.after_gap);
        if seen.after_gap {
            self.frame_after_gap(scale, seen);
            if let Some(run) = &mut self.run {
                run.maybe_tared = true;
            }
        }
        if let Some(jump) = seen.jump.filter(|jump| jump.cause != JumpCause::Slight) {
            self.jump_on_empty_pan(scale, seen, jump);
            return;
        }
        if let Some(run) = self.run.as_mut().filter(|run| run.leaving) {
            run.leaving = seen.before.is_some_and(|before| seen.weight < before);
            if run.leaving {
                self.keep(State::Empty { carry });
                return;
            }
        }
        match self.load(scale, seen.weight, seen.d) {
            Load::Something => {
                if seen.after_gap {
                    self.suspect();
                }
                if let Some(run) = &mut self.run {
                    run.landed_at = Some(seen.at);
                }
                self.keep(State::Landing { carry });
            }
            Load::BelowEmpty if seen.plateau && seen.steady.is_some() => {
                // A vessel stood there that had been tared unseen; now the pan is empty.
                self.see_zero(scale, seen.weight);
                self.set_state(State::Empty { carry: None });
            }
            Load::Nothing => {
                if let Some(level) = seen.steady {
                    // The empty pan's indication drifts; we follow it, the tare must not.
                    self.see_zero(scale, level.weight);
                } else if seen.plateau {
                    self.follow_tail(scale, seen.weight);
                }
                self.keep(State::Empty { carry });
            }
            Load::BelowEmpty => self.keep(State::Empty { carry }),
        }
    }

    /// From −150 g to zero at once: the ZERO key on the empty pan, or the very vessel is back.
    pub(super) fn jump_on_empty_pan(&mut self, scale: ScaleIndex, seen: &Seen, jump: Jump) {
        let zero = self.zero(scale);
        if jump.from - zero > seen.d * 3 {
            // Something stood there, and nobody has said what is in it.
            self.suspect();
        }
        match jump.cause {
            JumpCause::Key => {
                self.set_zero(scale, seen.weight, true);
                self.keep(State::Empty { carry: None });
            }
            // A pour that follows tells that the vessel stands there, a landing that it does not.
            JumpCause::Load | JumpCause::Unknown | JumpCause::Slight => {
                self.set_zero(scale, jump.to, false);
                self.keep(State::Empty { carry: Some(zero) });
            }
        }
    }

    pub(super) fn in_landing(&mut self, scale: ScaleIndex, seen: &Seen, carry: Option<Mass>) {
        // Readings missing, or less than nothing on the pan: what stands there was tared unseen, and
        // may hold something already.
        let far_below = self.zero(scale) - vessel_at_least(seen.d) * 3;
        if seen.after_gap || seen.weight < far_below {
            self.suspect();
        }
        if seen.after_gap {
            self.frame_after_gap(scale, seen);
        }
        if seen
            .jump
            .is_some_and(|jump| jump.cause == JumpCause::Slight)
            && let Some(pan) = self.pans.get_mut(scale)
        {
            pan.zero_exact = false;
        }
        let rises = |jump: &Jump| jump.cause == JumpCause::Unknown && jump.from < jump.to;
        if seen
            .jump
            .is_some_and(|jump| rises(&jump) && !seen.was_still)
        {
            // On its way up it passes by zero; or it was the key.
            self.suspect();
            self.keep(State::Landing { carry: None });
            return;
        }
        if let Some(jump) = seen.jump.filter(|jump| jump.cause != JumpCause::Slight) {
            self.jump_while_landing(scale, seen, jump);
            return;
        }
        if seen.may_be_key() {
            // What the key took off before the first rest may be more than a vessel.
            self.suspect();
        }
        match self.load(scale, seen.weight, seen.d) {
            Load::Nothing if seen.plateau => {
                // It stood there for long and was never at rest: something may have been poured
                // into it unseen, and it may come back.
                if let Some(run) = &mut self.run {
                    let stood = run.landed_at.take().map_or(0, |since| seen.at.since(since));
                    run.suspect |= stood > STOOD_LONG_US;
                }
                self.back_to_empty(carry);
            }
            Load::BelowEmpty if seen.steady.is_some() => {
                // Tared unseen, and lifted with something in it that was never at rest.
                self.suspect();
                self.see_zero(scale, seen.weight);
                self.back_to_empty(None);
            }
            Load::Something => match seen.steady {
                Some(level) => self.judge_arrival(scale, level, carry),
                None => self.keep(State::Landing { carry }),
            },
            Load::Nothing | Load::BelowEmpty => self.keep(State::Landing { carry }),
        }
    }

    /// What comes to rest next may not be empty.
    pub(super) fn suspect(&mut self) {
        if let Some(run) = &mut self.run {
            run.suspect = true;
        }
    }

    pub(super) fn back_to_empty(&mut self, carry: Option<Mass>) {
        match self.run.as_ref().and_then(|run| run.mix_pending) {
            Some(phase) => self.keep(State::Mix { phase }),
            None => self.keep(State::Empty { carry }),
        }
    }

    pub(super) fn jump_while_landing(&mut self, scale: ScaleIndex, seen: &Seen, jump: Jump) {
        let zero = self.zero(scale);
        let present = zero + jump.to - jump.from;
        if let Some(run) = self.run.as_mut().filter(|run| run.resumed) {
            // Lifted before it was looked at: nobody knows what was poured in before the restart.
            run.refused = Some(jump.from - zero);
            run.suspect = true;
        }
        let suspect = self
            .run
            .as_ref()
            .is_some_and(|run| run.suspect || run.maybe_tared);
        if suspect || !jump.came_at_once {
            self.suspect();
            // No key makes an empty vessel of one that may hold something.
            if jump.cause == JumpCause::Key {
                self.shift_zero(scale, jump.to - jump.from, false);
            }
            self.keep(State::Landing { carry: None });
            return;
        }
        let key = match jump.cause {
            JumpCause::Key => true,
            JumpCause::Load | JumpCause::Slight => false,
            // With another tare in force an empty pan would not show zero.
            JumpCause::Unknown if zero.abs() > vessel_at_least(seen.d) => true,
            JumpCause::Unknown => {
                let doubt = Doubt {
                    present_zero: Some(present),
                    absent_zero: zero,
                    back: Some((jump.from, jump.from)),
                    landed: None,
                    poured: false,
                    risen: false,
                };
                self.vessel_placed();
                self.set_state(State::Tared(Tared::new(jump.to, seen.d).in_doubt(doubt)));
                self.cue_add(Mass::ZERO);
                return;
            }
        };
        if key {
            self.shift_zero(scale, jump.to - jump.from, jump.from_rest);
            self.vessel_placed();
            self.tare_at(jump.to, seen.d);
        } else {
            self.back_to_empty(None);
        }
    }

    /// Something came to rest on an empty pan: the empty vessel, or not quite.
    pub(super) fn judge_arrival(&mut self, scale: ScaleIndex, level: Level, carry: Option<Mass>) {
        let zero = self.zero(scale);
        let mass = level.weight - zero;
        let Some(pan) = self.pans.get(scale) else {
            return;
        };
        let rise = pan.trace.rise(zero, level.weight, level.d);
        let suspect = self
            .run
            .as_mut()
            .is_some_and(|run| std::mem::take(&mut run.suspect));
        // No more than the step's ingredient, while a vessel may stand there already.
        let little = self
            .step_now()
            .is_some_and(|step| mass <= step.highest.ratio(3, 2) + Mass::from_g(5));
        let maybe = self
            .run
            .as_mut()
            .is_some_and(|run| std::mem::take(&mut run.maybe_tared));
        let suspect = suspect || (maybe && little);
        // A vessel is at rest when the filter has followed; what takes longer is more than a vessel.
        let came = self.run.as_mut().and_then(|run| run.landed_at.take());
        let longest = STOOD_LONG_US + (self.rules.steady_window.clamp(0.1, 60.0) * 1e6) as u64;
        let long = came.is_some_and(|since| level.at.since(since) > longest);
        let landing = rise.is_landing(pan.lag) && !suspect && !long;
        // Its weight tells an empty vessel only where the zero is known.
        let exact = pan.zero_exact;
        let known = exact
            && self.is_known_vessel(mass, level.d)
            && !long
            && !self.may_be_the_lost_one(mass, level.d);
        let full = self.run.as_mut().and_then(|run| run.last_gross.take());
        let beaker = self.step_now().is_some_and(|step| step.vessel.is_apart());
        let just_weighed = full.is_some_and(|full| {
            beaker
                && self
                    .pans
                    .get(scale)
                    .is_some_and(|pan| pan.same(mass, full, level.d))
        });
        // After a lift within one reading it may have been the key; then this would be a pour.
        if just_weighed && (carry.is_none() || !rise.is_pour()) {
            if let Some(run) = &mut self.run {
                run.last_gross = full;
            }
            self.set_state(State::Clear);
            let way = self
                .step_now()
                .map_or(VesselWay::Beaker, |step| step.vessel);
            self.cue_urgent(CueKind::Lift, say::just_weighed(way), &[]);
            return;
        }
        self.vessel_placed();
        if let Some(present) = carry
            && rise.is_pour()
            && !known
            && !suspect
        {
            // It was the TARE key, and this is a pour into the vessel that never left.
            self.set_zero(scale, present, false);
            self.keep(State::Tared(Tared::new(zero, level.d)));
            self.cue_add(level.weight - zero);
            return;
        }
        if self.ask_after_restart(level) {
            return;
        }
        let refused = self.run.as_mut().and_then(|run| run.refused.take());
        // It may have been lifted before it was at rest.
        let same_again = refused.is_some_and(|refused| {
            (mass - refused).abs() <= refused.abs().ratio(1, 50).max(Mass::from_g(1))
        });
        let landing = landing && !same_again;
        // Exactly zero where the empty pan shows something else is what the TARE key leaves.
        let by_key = shows_zero(level.weight, level.d) && !known && !shows_zero(zero, level.d);
        if by_key && let Some(pan) = self.pans.get_mut(scale) {
            pan.zero_exact = false;
        }
        if landing || known {
            if let Some(pan) = self.pans.get_mut(scale)
                && landing
            {
                pan.learn_lag(rise.early);
            }
            if !by_key {
                self.learn_vessel(mass, level.d);
            }
            self.tare_at(level.weight, level.d);
            return;
        }
        let way = self
            .step_now()
            .map_or(VesselWay::Beaker, |step| step.vessel);
        self.set_state(State::Unsure {
            level,
            same_again,
            suspect,
        });
        if same_again {
            let choices = [Choice::Next, Choice::Again];
            self.cue_urgent(CueKind::Choose, say::same_again(way), &choices);
        } else {
            self.cue_urgent(CueKind::Choose, say::unsure(way), &[Choice::Again]);
        }
    }

    /// Whether `mass` may be the vessel whose tare was lost, with what was poured into it: that
    /// another empty vessel weighs the same proves nothing then.
    fn may_be_the_lost_one(&mut self, mass: Mass, d: Mass) -> bool {
        let Some(step) = self.step_now() else {
            return false;
        };
        let lost = self.run.as_mut().and_then(|run| run.lost_vessel.take());
        lost.is_some_and(|empty| {
            empty.is_none_or(|empty| mass > empty + d * 5 && mass <= empty + step.highest * 2)
        })
    }

    /// After a restart nobody knows what was poured into the bowl since its last record.
    pub(super) fn ask_after_restart(&mut self, level: Level) -> bool {
        let Some(step) = self.step_now() else {
            return false;
        };
        let fresh = self.can_begin_afresh();
        let Some(run) = &mut self.run else {
            return false;
        };
        if !std::mem::take(&mut run.resumed) {
            return false;
        }
        if fresh && self.pans.get(step.scale).is_some_and(|pan| pan.zero_seen) {
            return false;
        }
        self.set_state(State::Unsure {
            level,
            same_again: true,
            suspect: true,
        });
        let choices = [Choice::Next, Choice::Again];
        self.cue_urgent(CueKind::Choose, say::resumed(&step), &choices);
        true
    }

    pub(super) fn in_unsure(
        &mut self,
        scale: ScaleIndex,
        seen: &Seen,
        level: Level,
        same_again: bool,
        suspect: bool,
    ) {
        let level = seen.steady.unwrap_or(level);
        if seen.after_gap {
            self.suspect();
            self.frame_after_gap(scale, seen);
        }
        self.follow_stood(scale, seen);
        if seen.jump.is_some() {
            // The TARE key on a vessel that may hold something, or a lift at once.
            self.suspect();
        }
        match self.load(scale, seen.weight, seen.d) {
            Load::Nothing if seen.plateau => {
                let mass = level.weight - self.zero(scale);
                if let Some(run) = &mut self.run {
                    run.refused = Some(run.stood.take().unwrap_or(mass));
                }
                self.wait_empty(None);
            }
            // Below the empty pan: it had been tared before we saw it, so what rose was poured.
            Load::BelowEmpty if seen.steady.is_some() => {
                self.unsure_proven(scale, seen, level, suspect)
            }
            load @ (Load::BelowEmpty | Load::Nothing | Load::Something) => {
                if load == Load::BelowEmpty
                    && let Some(run) = &mut self.run
                {
                    // It passes by zero on its way back, and the pan is not empty there.
                    run.maybe_tared = true;
                }
                self.keep(State::Unsure {
                    level,
                    same_again,
                    suspect,
                });
            }
        }
    }

    /// The vessel was tared unseen and is lifted now; what it took up is known after all.
    pub(super) fn unsure_proven(
        &mut self,
        scale: ScaleIndex,
        seen: &Seen,
        level: Level,
        suspect: bool,
    ) {
        let base = self.zero(scale);
        self.set_zero(scale, seen.weight, true);
        if let Some(run) = &mut self.run {
            run.maybe_tared = false;
        }
        let mut tared = Tared::new(base, level.d);
        tared.vessel = self.vessel_mass(scale, base);
        tared.poured = true;
        let Some(step) = self.step_now() else { return };
        let net = net_of(&step, base, level.weight);
        tared.rest = Some(net);
        if suspect {
            // What went in before is not known.
            if self.can_begin_afresh() {
                tared.last_level = Some(level);
                self.tare_lost(scale, seen.weight, &tared);
                return;
            }
            tared.unproven = step.highest;
        }
        if self.window(&step, level.d, 0).holds(net) {
            tared.held = Some(level);
            self.record_held(scale, tared, true);
        } else {
            self.vessel_away(tared);
        }
    }
}
