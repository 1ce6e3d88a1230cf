//! Vessels coming and going: until a tare is known, and while a vessel is away.

use super::event::{Choice, CueKind, Event, ScaleIndex};
use super::order::vessel_at_least;
use super::pan::{Jump, JumpCause, Seen};
use super::state::{Doubt, State, Tared};
use super::steady::Level;
use super::tared::shows_zero;
use super::{Engine, net_of, say};
use crate::formula::{Step, VesselWay};
use crate::mass::Mass;

/// What the pan carries, as far as the zero is known.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Load {
    /// The indication of an empty pan, within drift and crumbs.
    Nothing,
    Something,
    /// Less than nothing: the zero is another one than we thought.
    BelowEmpty,
}

/// A vessel that stood on the pan for longer than this without coming to rest: 3 s.
const STOOD_LONG_US: u64 = 3_000_000;

/// How far the mass of a vessel may be off whose zero was worked out from a reading that was not at
/// rest: readings in a row agree within 1 in 200 there, and a slow filter's tail is up to ten such.
pub(super) fn inexact(vessel: Mass) -> Mass {
    vessel.abs().ratio(1, 20).max(Mass::from_g(1))
}

impl Engine {
    pub(super) fn step_now(&self) -> Option<Step> {
        self.run.as_ref()?.current().cloned()
    }

    pub(super) fn zero(&self, scale: ScaleIndex) -> Mass {
        self.pans
            .get(scale)
            .and_then(|pan| pan.zero)
            .unwrap_or(Mass::ZERO)
    }

    /// The zero as worked out from a jump. `exact`: from weights at rest alone.
    pub(super) fn set_zero(&mut self, scale: ScaleIndex, zero: Mass, exact: bool) {
        if let Some(pan) = self.pans.get_mut(scale) {
            pan.zero = Some(zero);
            pan.zero_seen = false;
            pan.zero_exact = exact;
            pan.forget_gap();
        }
    }

    /// The frame moved by `shift`; the zero is as good as it was if that was seen from rest.
    pub(super) fn shift_zero(&mut self, scale: ScaleIndex, shift: Mass, from_rest: bool) {
        if let Some(pan) = self.pans.get_mut(scale)
            && let Some(zero) = pan.zero
        {
            pan.zero = Some(zero + shift);
            pan.zero_seen = false;
            pan.zero_exact &= from_rest;
        }
    }

    /// The mass of what stands on the pan at `base` (as shown), where the zero is exact.
    pub(super) fn vessel_mass(&self, scale: ScaleIndex, base: Mass) -> Option<Mass> {
        let pan = self.pans.get(scale).filter(|pan| pan.zero_exact)?;
        Some(base - pan.zero?)
    }

    /// The zero as seen at rest on an empty pan.
    pub(super) fn see_zero(&mut self, scale: ScaleIndex, zero: Mass) {
        if let Some(pan) = self.pans.get_mut(scale) {
            pan.zero = Some(zero);
            pan.zero_seen = true;
            pan.zero_exact = true;
            pan.forget_gap();
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
    fn frame_after_gap(&mut self, scale: ScaleIndex, seen: &Seen) {
        if shows_zero(seen.weight, seen.d) && !shows_zero(self.zero(scale), seen.d) {
            self.set_zero(scale, seen.weight, false);
        }
    }

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
    fn follow_stood(&mut self, scale: ScaleIndex, seen: &Seen) {
        let mass = seen.weight - self.zero(scale);
        let Some(run) = &mut self.run else { return };
        let grows = seen.plateau && run.stood.is_none_or(|stood| mass >= stood);
        if mass > vessel_at_least(seen.d) && (seen.steady.is_some() || grows) {
            run.stood = Some(mass);
        }
    }

    fn wait_empty(&mut self, carry: Option<Mass>) {
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
                }
                self.keep(State::Empty { carry });
            }
            Load::BelowEmpty => self.keep(State::Empty { carry }),
        }
    }

    /// From −150 g to zero at once: the ZERO key on the empty pan, or the very vessel is back.
    fn jump_on_empty_pan(&mut self, scale: ScaleIndex, seen: &Seen, jump: Jump) {
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

    /// A vessel on the pan confirms a pending mixing.
    pub(super) fn vessel_placed(&mut self) {
        self.mixing_done("next vessel placed");
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

    fn back_to_empty(&mut self, carry: Option<Mass>) {
        match self.run.as_ref().and_then(|run| run.mix_pending) {
            Some(phase) => self.keep(State::Mix { phase }),
            None => self.keep(State::Empty { carry }),
        }
    }

    fn jump_while_landing(&mut self, scale: ScaleIndex, seen: &Seen, jump: Jump) {
        let zero = self.zero(scale);
        let present = zero + jump.to - jump.from;
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
        let known = exact && self.is_known_vessel(mass, level.d) && !long;
        let full = self.run.as_mut().and_then(|run| run.last_gross.take());
        let beaker = self
            .step_now()
            .is_some_and(|step| step.vessel == VesselWay::Beaker);
        let just_weighed = full.is_some_and(|full| {
            beaker
                && self
                    .pans
                    .get(scale)
                    .is_some_and(|pan| pan.same(mass, full, level.d))
        });
        if just_weighed && carry.is_none() {
            if let Some(run) = &mut self.run {
                run.last_gross = full;
            }
            self.set_state(State::Clear);
            let say = "That is the beaker just weighed. Lift it off; an empty one comes next.";
            self.cue_urgent(CueKind::Lift, say.into(), &[]);
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

    /// After a restart nobody knows what was poured into the bowl since its last record.
    fn ask_after_restart(&mut self, level: Level) -> bool {
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
    fn unsure_proven(&mut self, scale: ScaleIndex, seen: &Seen, level: Level, suspect: bool) {
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

    /// The vessel is off the pan with something in it that is not recorded.
    pub(super) fn vessel_away(&mut self, tared: Tared) {
        let Some(step) = self.step_now() else { return };
        if step.vessel == VesselWay::Difference || !tared.poured {
            let nothing = !tared.poured && step.vessel != VesselWay::Difference;
            if nothing && self.can_begin_afresh() {
                self.wait_empty(None);
            } else {
                self.set_state(State::Away(tared));
            }
            return;
        }
        let d = self.readability(step.scale);
        let net = tared.rest.unwrap_or(Mass::ZERO);
        let missing = step.target - net;
        let window = self.window(&step, d, tared.carried);
        let over = net > window.high;
        let unweighed = tared.moved || tared.rest.is_none() || window.holds(net);
        self.set_state(State::Away(tared));
        if unweighed {
            // It left before the scale was at rest: what it holds is still to be weighed.
            self.cue(
                CueKind::Place,
                say::back_to_weigh(step.vessel),
                None,
                &[Choice::Again],
            );
            return;
        }
        let say = say::away(&step, missing, over, d);
        if over {
            self.cue_urgent(CueKind::Choose, say, &[Choice::Keep, Choice::Again]);
        } else {
            self.cue(
                CueKind::Place,
                say,
                Some(missing),
                &[Choice::Keep, Choice::Again],
            );
        }
    }

    pub(super) fn in_away(&mut self, scale: ScaleIndex, seen: &Seen, mut tared: Tared) {
        let passes = |jump: &Jump| {
            let up = jump.to - jump.from;
            jump.cause == JumpCause::Unknown && up > Mass::ZERO && up <= vessel_at_least(seen.d)
        };
        if let Some(jump) = seen.jump.filter(passes) {
            // A vessel on its way back passes by zero; or it was the key.
            tared.unproven = tared.unproven.max(jump.to - jump.from);
            self.keep(State::Away(tared));
            return;
        }
        if seen.jump.is_some_and(|jump| jump.cause == JumpCause::Load) {
            // The frame stands.
            self.keep(State::Away(tared));
            return;
        }
        if let Some(jump) = seen.jump.filter(|jump| jump.cause != JumpCause::Slight) {
            self.jump_while_away(scale, seen, tared, jump);
            return;
        }
        if seen.after_gap {
            // Switched off and on in between, the scale has another zero and no tare.
            tared.away = true;
            tared.held = None;
            self.keep(State::Recheck(tared));
            return;
        }
        let zero = self.zero(scale);
        let slight = seen.jump.is_some();
        if slight || seen.may_be_key() {
            // A key under what is just back, or a load that passes by: it has to be seen once more.
            let Some(step) = self.step_now() else { return };
            if step.vessel != VesselWay::Difference {
                tared.tainted = true;
                tared.held = None;
                tared.moving_at_gap = true;
                self.set_state(State::Recheck(tared));
                self.ask_lift_and_back(&step);
                return;
            }
        }
        match (self.load(scale, seen.weight, seen.d), seen.steady) {
            (Load::Something, Some(level)) => self.judge_return(scale, level, tared),
            (Load::BelowEmpty | Load::Nothing, Some(level)) if level.weight != zero => {
                self.zero_moved_while_away(scale, level, &mut tared);
                self.keep(State::Away(tared));
            }
            (Load::Nothing | Load::Something | Load::BelowEmpty, _) => {
                // Back, or another in its place, and never at rest: it may have been poured into.
                tared.moved |=
                    seen.plateau && self.load(scale, seen.weight, seen.d) == Load::Something;
                self.keep(State::Away(tared));
            }
        }
    }

    /// What the empty pan shows moved: drift, what was spilt beside the vessel, or a key.
    fn zero_moved_while_away(&mut self, scale: ScaleIndex, level: Level, tared: &mut Tared) {
        let Some(pan) = self.pans.get(scale) else {
            return;
        };
        let by = level.weight - self.zero(scale);
        if pan.zero_exact {
            if by.abs() > level.d {
                tared.carried += 2;
            }
            tared.base += by;
        } else if let Some(vessel) = tared.vessel {
            // A zero that was only worked out is put right. The tare as shown stands, unless the
            // vessel's mass says that the frame moved as well.
            let moved = level.weight + vessel - tared.base;
            if moved.abs() > level.d * 3 {
                tared.base += moved;
                tared.carried += 2;
            }
        } else if by.abs() > inexact(tared.base - level.weight) {
            tared.base += by;
            tared.unproven = tared.unproven.max(inexact(tared.base - level.weight));
        }
        self.see_zero(scale, level.weight);
        if tared.vessel.is_none() && tared.unproven == Mass::ZERO {
            tared.vessel = Some(tared.base - level.weight);
        }
    }

    /// A key: on the empty pan, or under the vessel that is just back. Or the vessel was lifted once
    /// more, at once.
    fn jump_while_away(&mut self, scale: ScaleIndex, seen: &Seen, mut tared: Tared, jump: Jump) {
        let Some(step) = self.step_now() else { return };
        let shift = jump.to - jump.from;
        if self.load(scale, jump.from, seen.d) == Load::Something {
            let expected = tared.shown_at_rest(step.vessel);
            let near = (jump.from - expected).abs() <= expected.abs().ratio(1, 50).max(seen.d * 5);
            if near && step.vessel != VesselWay::Difference {
                // It is back, with what it had when it left: both stories of the jump stand.
                let unchanged = !tared.moved && (jump.from - expected).abs() <= seen.d * 5;
                let jump = Jump {
                    from: if unchanged { expected } else { jump.from },
                    from_rest: unchanged || jump.from_rest,
                    ..jump
                };
                self.jump_under_vessel(scale, seen, &step, tared, jump);
                return;
            }
            if jump.cause != JumpCause::Key && self.zero(scale).abs() <= vessel_at_least(seen.d) {
                self.keep(State::Away(tared));
                return;
            }
        }
        // The frame moves and the masses do not.
        tared.base += shift;
        tared.carried += 2;
        let exact = jump.from_rest || self.load(scale, jump.from, seen.d) == Load::Nothing;
        self.shift_zero(scale, shift, exact);
        self.keep(State::Away(tared));
    }

    /// Something came to rest while the vessel was away: is it that vessel?
    fn judge_return(&mut self, scale: ScaleIndex, level: Level, mut tared: Tared) {
        let Some(step) = self.step_now() else { return };
        let expected = tared.shown_at_rest(step.vessel);
        let Some(pan) = self.pans.get(scale) else {
            return;
        };
        let same = pan.same(level.weight, expected, level.d);
        match step.vessel {
            VesselWay::Beaker | VesselWay::Bowl if same => self.vessel_returned(level, tared),
            VesselWay::Bowl => {
                let more = level.weight - tared.base;
                let at_most = step.highest * 2 + vessel_at_least(level.d);
                if !tared.poured && (self.is_fresh_bowl() || more < -(level.d * 5)) {
                    // Another bowl; or stirred and scraped between two steps, and what is left in it
                    // is the new tare.
                    self.judge_arrival(scale, level, None);
                } else if tared.poured && more >= -(level.d * 5) && more <= at_most {
                    // Nothing else holds all that was weighed before: it is the bowl.
                    self.vessel_returned(level, tared);
                } else {
                    self.ask_stranger(level, tared);
                }
            }
            VesselWay::Difference => {
                let lost = tared.base - level.weight;
                // No more can be gone than the window and half as much again, nor can it gain.
                let most = step.highest + step.highest.ratio(1, 2) + level.d * 5;
                if lost >= -(level.d * 5) && lost <= most {
                    tared.poured = true;
                    self.vessel_returned(level, tared);
                } else {
                    self.ask_stranger(level, tared);
                }
            }
            VesselWay::Beaker => self.ask_stranger(level, tared),
        }
    }

    pub(super) fn vessel_returned(&mut self, level: Level, mut tared: Tared) {
        let Some(step) = self.step_now() else { return };
        tared.held = None;
        tared.inside_since = None;
        tared.tainted = false;
        tared.disturbed = false;
        tared.replaced = false;
        tared.moved = false;
        let net = net_of(&step, tared.base, level.weight);
        tared.rest = Some(net);
        let window = self.window(&step, level.d.max(tared.base_d), tared.carried);
        self.set_state(State::Tared(tared));
        if net < window.low {
            self.cue_add(net);
        } else if window.holds(net) {
            self.cue(
                CueKind::Hold,
                "Inside. Leave it at rest.".into(),
                Some(step.target - net),
                &[],
            );
        }
    }

    pub(super) fn ask_stranger(&mut self, level: Level, tared: Tared) {
        let way = self
            .step_now()
            .map_or(VesselWay::Beaker, |step| step.vessel);
        let plausible = self.is_plausible(&tared, level);
        self.set_state(State::Stranger { tared, level });
        // A bowl with earlier steps in it cannot be begun again.
        let choices: &[Choice] = match way {
            VesselWay::Bowl if plausible => &[Choice::Next],
            VesselWay::Bowl => &[],
            VesselWay::Beaker | VesselWay::Difference => &[Choice::Again],
        };
        self.cue_urgent(CueKind::Choose, say::stranger(way, plausible), choices);
    }

    /// Whether what came back can be the vessel at all: it lost nothing of what was in it before this
    /// step, and gained no more than a mishap with this ingredient can explain.
    pub(super) fn is_plausible(&self, tared: &Tared, level: Level) -> bool {
        let Some(step) = self.step_now() else {
            return false;
        };
        let net = net_of(&step, tared.base, level.weight);
        net >= -(level.d * 5) && net <= step.highest * 2 + vessel_at_least(level.d)
    }

    pub(super) fn in_stranger(
        &mut self,
        scale: ScaleIndex,
        seen: &Seen,
        mut tared: Tared,
        level: Level,
    ) {
        if seen.after_gap {
            tared.away = true;
            tared.held = None;
            self.keep(State::Recheck(tared));
            return;
        }
        match self.load(scale, seen.weight, seen.d) {
            Load::Nothing if seen.plateau => self.vessel_away(tared),
            Load::Something | Load::Nothing | Load::BelowEmpty => {
                let level = seen.steady.unwrap_or(level);
                self.keep(State::Stranger { tared, level });
            }
        }
    }

    /// Readings were missing. Nothing is believed until the pan was seen empty, or the weight is the
    /// one that it was.
    pub(super) fn in_recheck(&mut self, scale: ScaleIndex, seen: &Seen, mut tared: Tared) {
        let zero = self.zero(scale);
        let vessel = tared.vessel.unwrap_or(tared.base - zero);
        if seen.after_gap {
            // Once more: what was seen in between was another frame.
            tared.highest = None;
            tared.jumped = None;
            tared.held = None;
            tared.moving_at_gap = true;
        }
        if let Some(jump) = seen.jump.filter(|jump| jump.cause != JumpCause::Slight) {
            // The TARE key is no lift; a lift at once shows when the vessel is back.
            tared.jumped = Some(jump.from);
            tared.highest = None;
            tared.moving_at_gap = true;
        }
        if seen.plateau {
            let highest = tared.highest.unwrap_or(seen.weight);
            tared.highest = Some(highest.max(seen.weight));
        }
        let emptied = tared
            .highest
            .is_some_and(|highest| highest - seen.weight >= vessel.ratio(4, 5));
        if emptied && vessel > vessel_at_least(seen.d) {
            // It was off the pan: what shows the same number later may be another load.
            tared.moving_at_gap = true;
        }
        let Some(level) = seen.steady else {
            if let (Some(held), Some(highest)) = (tared.held, tared.highest) {
                let loaded = highest - seen.weight < vessel.ratio(2, 5);
                tared.follow_rest(seen, held.weight, loaded);
                tared.held = Some(held);
            }
            self.keep(State::Recheck(tared));
            return;
        };
        let Some(step) = self.step_now() else { return };
        if tared.away && (level.weight - zero).abs() <= level.d * 3 {
            // What stood there in between may have been poured into.
            let between = tared
                .highest
                .is_some_and(|highest| highest - zero > vessel_at_least(level.d));
            tared.moved |= between;
            tared.away = false;
            tared.held = None;
            tared.highest = None;
            self.set_state(State::Away(tared));
            return;
        }
        // An empty pan can show what a tared vessel did, where its zero is far from 0.
        let tells = !tared.moving_at_gap
            && !shows_zero(tared.shown_at_rest(step.vessel), level.d)
            && (!tared.away || zero.abs() <= vessel_at_least(level.d));
        let same = self
            .pans
            .get(scale)
            .is_some_and(|pan| pan.same(level.weight, tared.shown_at_rest(step.vessel), level.d));
        if let Some(from) = tared.jumped
            && self
                .pans
                .get(scale)
                .is_some_and(|pan| pan.same(level.weight, from, level.d))
        {
            let empty = Level {
                weight: Mass::ZERO,
                ..level
            };
            self.lift_shows_zero(&mut tared, empty, zero);
            self.see_zero(scale, Mass::ZERO);
            self.lifted_after_gap(scale, tared, Mass::ZERO);
            return;
        }
        // Lifted: at least four fifths of the vessel went since the readings came back.
        let fell = tared
            .highest
            .map_or(Mass::ZERO, |highest| highest - level.weight);
        let least = vessel.ratio(4, 5).max(vessel_at_least(level.d));
        if same && tells && !tared.tainted && !tared.restart && tared.doubt.is_none() {
            if let Some(pan) = self.pans.get_mut(scale) {
                pan.frame_stands();
            }
            self.vessel_returned(level, tared);
        } else if fell >= least
            && self.can_begin_afresh()
            && tared
                .vessel
                .is_some_and(|vessel| fell < vessel - vessel.ratio(1, 50).max(Mass::from_g(1)))
        {
            // What went weighs less than the empty vessel: another one stood there.
            self.see_zero(scale, level.weight);
            self.tare_lost(scale, level.weight, &tared);
        } else if fell >= least {
            self.lift_shows_zero(&mut tared, level, zero);
            self.see_zero(scale, level.weight);
            self.lifted_after_gap(scale, tared, level.weight);
        } else {
            let first = tared.away && tared.held.is_none();
            // Another number at the first rest: that it comes to the old one later proves nothing.
            tared.moving_at_gap = true;
            tared.held = Some(level);
            tared.moved = false;
            self.keep(State::Recheck(tared));
            if first {
                self.ask_lift_and_back(&step);
            }
        }
    }

    /// The pan is empty and shows `level`: the base is that and the vessel's mass. Where the mass is
    /// not known, the frame may have moved or not.
    fn lift_shows_zero(&self, tared: &mut Tared, level: Level, old_zero: Mass) {
        if let Some(vessel) = tared.vessel {
            // The empty pan shows what it always did, to a step: the zero was not lost.
            let stands = (level.weight + vessel - tared.base).abs() <= level.d;
            if !stands || tared.tainted {
                tared.carried += 2;
                tared.base = level.weight + vessel;
            }
            return;
        }
        tared.carried += 2;
        let off = level.weight - old_zero;
        tared.unproven = tared.unproven.max(off.abs());
        if off.abs() > vessel_at_least(level.d) {
            tared.base += off;
            tared.unproven = inexact(tared.base - level.weight);
        }
    }

    /// The vessel is off and the zero known again.
    fn lifted_after_gap(&mut self, scale: ScaleIndex, mut tared: Tared, zero: Mass) {
        let afresh = self.can_begin_afresh();
        tared.doubt = None;
        tared.highest = None;
        tared.jumped = None;
        tared.moving_at_gap = false;
        if std::mem::take(&mut tared.away) {
            // What stood there since is not known to be the vessel.
            tared.held = None;
        }
        if tared.restart {
            self.wait_empty(None);
        } else if tared.unproven > Mass::ZERO && afresh {
            self.tare_lost(scale, zero, &tared);
        } else {
            if !tared.poured && afresh {
                self.suspect();
            }
            self.rest_before_lift(&mut tared, zero);
            let less = tared
                .rest
                .is_some_and(|net| net < -vessel_at_least(self.readability(scale)));
            if less && afresh {
                // Lighter than the empty vessel: another one.
                self.tare_lost(scale, zero, &tared);
                return;
            }
            self.set_state(State::Away(tared));
        }
    }

    /// Whether nothing but this step's ingredient is in the vessel, so that it can be emptied.
    pub(super) fn can_begin_afresh(&self) -> bool {
        self.step_now().is_some_and(|step| match step.vessel {
            VesselWay::Beaker => true,
            VesselWay::Bowl => self.is_fresh_bowl(),
            VesselWay::Difference => false,
        })
    }

    /// Nothing proves what the beaker took up: the step begins again.
    pub(super) fn tare_lost(&mut self, scale: ScaleIndex, zero: Mass, tared: &Tared) {
        let d = self.readability(scale);
        self.note(format!(
            "tare lost: the empty scale shows {} g; {} g on the pan were not recorded",
            zero.grams(d),
            tared.rest.unwrap_or(Mass::ZERO).grams(d)
        ));
        self.out.push_back(Event::Fault {
            scale: Some(scale),
            code: "tare-lost",
            over: false,
        });
        // Put back as it is, it weighs the same again, and then it is asked about.
        if let Some(run) = &mut self.run {
            let stood = tared.held.or(tared.last_level);
            run.refused = stood.map(|level| level.weight - zero);
            run.suspect = true;
        }
        self.set_state(State::Empty { carry: None });
        let thing = "The tare was lost. Begin this step again with an empty vessel.";
        self.cue_urgent(CueKind::Fault, thing.into(), &[]);
        self.cue_place();
    }

    /// What the vessel held when it was last seen at rest before this lift, the empty pan showing
    /// `zero`: it is expected back with that.
    fn rest_before_lift(&self, tared: &mut Tared, zero: Mass) {
        let Some(step) = self.step_now() else { return };
        match tared.held.take() {
            Some(held) if held.weight - zero > vessel_at_least(held.d) => {
                tared.rest = Some(net_of(&step, tared.base, held.weight));
            }
            // What came in the gap nobody saw.
            Some(_) | None => tared.moved = true,
        }
        tared.tainted = false;
    }

    pub(super) fn in_mix(&mut self, scale: ScaleIndex, seen: &Seen, phase: usize) {
        if seen.after_gap {
            self.frame_after_gap(scale, seen);
            if let Some(run) = &mut self.run {
                run.maybe_tared = true;
            }
        }
        let load = self.load(scale, seen.weight, seen.d);
        if let Some(jump) = seen.jump.filter(|jump| jump.cause != JumpCause::Slight) {
            if matches!(jump.cause, JumpCause::Key) {
                self.shift_zero(scale, jump.to - jump.from, jump.from_rest);
            } else {
                self.set_zero(scale, jump.to, false);
            }
            self.keep(State::Mix { phase });
            return;
        }
        let was_empty = self
            .run
            .as_ref()
            .is_some_and(|run| run.step >= run.done.len() || run.pan_was_empty);
        match load {
            Load::Nothing => {
                if let Some(level) = seen.steady {
                    self.see_zero(scale, level.weight);
                }
                if let Some(run) = &mut self.run
                    && seen.plateau
                {
                    run.pan_was_empty = true;
                }
                self.keep(State::Mix { phase });
            }
            Load::BelowEmpty => {
                if seen.steady.is_some() {
                    self.set_zero(scale, seen.weight, true);
                }
                self.keep(State::Mix { phase });
            }
            Load::Something if was_empty && seen.steady.is_some() && !self.in_last_mix() => {
                self.leave_mix_with_vessel();
                if let Some(level) = seen.steady {
                    self.judge_arrival(scale, level, None);
                }
            }
            Load::Something => self.keep(State::Mix { phase }),
        }
    }

    fn in_last_mix(&self) -> bool {
        self.run
            .as_ref()
            .is_some_and(|run| run.step >= run.done.len())
    }

    /// The next vessel stands there: the step after the mixing begins.
    fn leave_mix_with_vessel(&mut self) {
        self.vessel_placed();
        self.keep(State::Landing { carry: None });
        self.announce_step();
    }
}
