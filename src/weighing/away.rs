//! A vessel is off the pan with something in it that is not recorded.

use super::event::{Choice, CueKind, ScaleIndex};
use super::order::vessel_at_least;
use super::pan::{Jump, JumpCause, Seen};
use super::state::{State, Tared};
use super::steady::Level;
use super::zero::{Load, inexact};
use super::{Engine, net_of, say};
use crate::formula::VesselWay;
use crate::mass::Mass;

impl Engine {
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
    pub(super) fn zero_moved_while_away(
        &mut self,
        scale: ScaleIndex,
        level: Level,
        tared: &mut Tared,
    ) {
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
    pub(super) fn jump_while_away(
        &mut self,
        scale: ScaleIndex,
        seen: &Seen,
        mut tared: Tared,
        jump: Jump,
    ) {
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
    pub(super) fn judge_return(&mut self, scale: ScaleIndex, level: Level, mut tared: Tared) {
        let Some(step) = self.step_now() else { return };
        let expected = tared.shown_at_rest(step.vessel);
        let Some(pan) = self.pans.get(scale) else {
            return;
        };
        let same = pan.same(level.weight, expected, level.d);
        match step.vessel {
            VesselWay::Beaker | VesselWay::Jar | VesselWay::Bowl if same => {
                self.vessel_returned(level, tared)
            }
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
            VesselWay::Beaker | VesselWay::Jar => self.ask_stranger(level, tared),
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
            VesselWay::Beaker | VesselWay::Jar | VesselWay::Difference => &[Choice::Again],
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
}
