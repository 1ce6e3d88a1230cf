//! A jump to zero: the TARE key, or a lifted vessel?

use super::event::ScaleIndex;
use super::order::vessel_at_least;
use super::pan::{Jump, JumpCause, Seen};
use super::state::{Doubt, State, Tared};
use super::steady::Level;
use super::{Engine, net_of};
use crate::formula::{Step, VesselWay};
use crate::mass::Mass;

impl Engine {
    /// The indication jumped to zero: a key, a lift, or nobody knows yet.
    pub(super) fn jump_under_vessel(
        &mut self,
        scale: ScaleIndex,
        seen: &Seen,
        step: &Step,
        mut tared: Tared,
        jump: Jump,
    ) {
        tared.disturbed = false;
        let zero = self.zero(scale);
        let shift = jump.to - jump.from;
        let known_zero = self.pans.get(scale).is_some_and(|pan| pan.zero.is_some());
        let empty_shows_zero = known_zero && zero.abs() <= vessel_at_least(seen.d);
        let key = match jump.cause {
            JumpCause::Key => true,
            JumpCause::Load | JumpCause::Slight => false,
            // With another tare in force an empty pan would not show zero.
            JumpCause::Unknown => !empty_shows_zero,
        };
        if key {
            tared.poured |= (jump.from - tared.base).abs() > seen.d * 2;
            tared.tainted |= tared.poured && !jump.from_rest;
            tared.shifted(shift, jump.to, seen.d);
            match tared.vessel.filter(|_| !tared.poured) {
                Some(vessel) => self.set_zero(scale, jump.to - vessel, true),
                None => self.shift_zero(scale, shift, jump.from_rest),
            }
            self.set_state(State::Tared(tared));
            return;
        }
        // By difference, lifting the source is the work; a key shows itself at the next lift.
        if jump.cause == JumpCause::Load || step.vessel == VesselWay::Difference {
            self.vessel_away(tared);
            return;
        }
        let net = net_of(step, tared.base, jump.from);
        tared.poured |= (jump.from - tared.base).abs() > seen.d * 2;
        let had_content = tared.poured;
        let back = Some((jump.from, tared.base));
        tared.tainted |= tared.poured && !jump.from_rest;
        tared.rest = Some(net);
        tared.shifted(shift, jump.to, seen.d);
        tared.doubt = Some(Doubt {
            present_zero: Some(zero + shift),
            absent_zero: zero,
            back,
            landed: None,
            poured: had_content,
            risen: false,
        });
        self.set_state(State::Tared(tared));
    }

    /// Looks for evidence between "the TARE key" and "the vessel was lifted". Gives the state back
    /// if the step goes on with the vessel on the pan.
    pub(super) fn follow_doubt(
        &mut self,
        scale: ScaleIndex,
        seen: &Seen,
        step: &Step,
        mut tared: Tared,
    ) -> Option<Tared> {
        let Some(mut doubt) = tared.doubt else {
            return Some(tared);
        };
        let above = seen.weight - doubt.absent_zero;
        let threshold = vessel_at_least(seen.d);
        if above < -threshold {
            return self.doubt_below_empty(scale, seen, tared, doubt);
        }
        if above > seen.d * 20 {
            doubt.risen = true;
            tared.doubt = Some(doubt);
        }
        if doubt.risen && doubt.landed.is_some() && seen.plateau && above.abs() <= seen.d * 5 {
            return self.doubt_vessel_was_gone(scale, step, tared, doubt);
        }
        let level = seen.steady.filter(|_| seen.newly_steady && doubt.risen);
        let Some(level) = level else {
            return Some(tared);
        };
        self.judge_rise(scale, level, step, tared, doubt)
    }

    /// The empty pan shows less than nothing: the key was pressed, and the vessel is lifted now.
    pub(super) fn doubt_below_empty(
        &mut self,
        scale: ScaleIndex,
        seen: &Seen,
        mut tared: Tared,
        doubt: Doubt,
    ) -> Option<Tared> {
        let near = doubt.present_zero.is_some_and(|present| {
            self.pans.get(scale).is_some_and(|pan| {
                let tolerance = vessel_at_least(seen.d).max(present.abs().ratio(1, 20));
                (pan.last.map_or(Mass::ZERO, |last| last.weight) - present).abs() <= tolerance
            })
        });
        let close = near
            && doubt.present_zero.is_some_and(|present| {
                (seen.weight - present).abs() <= (seen.d * 10).max(present.abs().ratio(1, 100))
            });
        let sure = seen.steady.is_some() || (close && seen.plateau && !tared.tainted);
        if !sure {
            return Some(tared);
        }
        if !near && let Some(present) = doubt.present_zero {
            // Less than nothing on an empty pan, and the vessel is not off: it was the key, and some
            // was taken out since.
            self.set_zero(scale, present, false);
            tared.doubt = None;
            return Some(tared);
        }
        // Not at rest yet, the pan passes what it will show; the vessel's mass tells where.
        let by_vessel = tared
            .vessel
            .filter(|_| seen.steady.is_none() && !tared.tainted);
        let zero = by_vessel.map_or(seen.weight, |vessel| tared.base - vessel);
        self.set_zero(scale, zero, seen.steady.is_some());
        tared.doubt = None;
        if std::mem::take(&mut tared.tainted) && !self.base_from_vessel(scale, &mut tared) {
            return None;
        }
        if let Some(vessel) = tared.vessel.filter(|_| seen.steady.is_some()) {
            // A key pressed while it was pouring took off more than the vessel.
            let base = seen.weight + vessel;
            if (base - tared.base).abs() > vessel_at_least(seen.d).max(vessel.ratio(1, 100)) {
                tared.base = base;
                tared.carried += 2;
            }
        }
        match (tared.held, self.step_now()) {
            (Some(level), Some(step)) => {
                let net = net_of(&step, tared.base, level.weight);
                tared.rest = Some(net);
                let d = level.d.max(tared.base_d);
                let window = self.window_amid(&step, d, tared.carried, tared.wander);
                if window.holds(net) {
                    self.record_held(scale, tared, true);
                } else {
                    self.vessel_away(tared);
                }
            }
            (Some(_) | None, _) => self.vessel_away(tared),
        }
        None
    }

    /// A key pressed while the weight moved left the base unsure; the empty pan and the vessel's mass
    /// tell it. Says whether the weighing goes on.
    pub(super) fn base_from_vessel(&mut self, scale: ScaleIndex, tared: &mut Tared) -> bool {
        let zero = self.zero(scale);
        let afresh = self.can_begin_afresh();
        tared.carried += 2;
        match tared.vessel {
            Some(vessel) => tared.base = zero + vessel,
            None if afresh => {
                self.tare_lost(scale, zero, tared);
                return false;
            }
            None => tared.unproven = super::zero::inexact(tared.base - zero),
        }
        true
    }

    /// What had landed was lifted again and the pan shows its old zero: it was another vessel.
    pub(super) fn doubt_vessel_was_gone(
        &mut self,
        scale: ScaleIndex,
        step: &Step,
        mut tared: Tared,
        doubt: Doubt,
    ) -> Option<Tared> {
        self.set_zero(scale, doubt.absent_zero, true);
        let last = tared.held.take().map(|level| level.weight);
        let rest = last.unwrap_or(tared.base + tared.rest.unwrap_or(Mass::ZERO));
        let base = doubt.landed.unwrap_or(tared.base);
        let mut other = Tared::new(base, tared.base_d);
        other.vessel = self.vessel_mass(scale, base);
        let net = net_of(step, base, rest);
        other.rest = Some(net);
        other.poured = net.abs() > tared.base_d * 5;
        self.vessel_away(other);
        None
    }

    /// The first rest after a jump to zero: its shape tells a pour from a vessel that landed.
    pub(super) fn judge_rise(
        &mut self,
        scale: ScaleIndex,
        level: Level,
        step: &Step,
        mut tared: Tared,
        mut doubt: Doubt,
    ) -> Option<Tared> {
        let Some(pan) = self.pans.get(scale) else {
            return Some(tared);
        };
        if doubt.landed.is_some() {
            return Some(tared);
        }
        let rise = pan.trace.rise(doubt.absent_zero, level.weight, level.d);
        let mass = level.weight - doubt.absent_zero;
        let beyond = step.highest.ratio(3, 2) + Mass::from_g(5);
        let back = doubt
            .back
            .filter(|&(shown, _)| pan.same(level.weight, shown, level.d))
            .filter(|_| rise.is_landing(pan.lag));
        let near_target = mass >= step.lowest.ratio(9, 10) && mass <= step.highest.ratio(11, 10);
        let known = self.is_known_vessel(mass, level.d);
        if rise.is_pour() && !known && back.is_none() {
            // Nobody sets a vessel down that slowly: the key was pressed.
            if let Some(present) = doubt.present_zero {
                self.set_zero(scale, present, false);
            }
            tared.doubt = None;
            return Some(tared);
        }
        if let Some((_, base)) = back
            && !near_target
        {
            // The very vessel is back: it had been lifted.
            self.set_zero(scale, doubt.absent_zero, true);
            let mut same = tared.clone();
            same.doubt = None;
            same.carried = same.carried.saturating_sub(2);
            same.base = base;
            same.poured = doubt.poured;
            if !doubt.poured {
                same.base = level.weight;
                same.vessel = Some(level.weight - doubt.absent_zero);
                same.base_d = level.d;
                same.carried = 0;
            }
            self.vessel_returned(level, same);
            return None;
        }
        let landed_vessel = (known && !near_target) || mass > beyond;
        if landed_vessel && !doubt.poured {
            self.set_zero(scale, doubt.absent_zero, true);
            self.judge_arrival(scale, level, None);
            return None;
        }
        doubt.landed = Some(level.weight);
        tared.doubt = Some(doubt);
        Some(tared)
    }
}
