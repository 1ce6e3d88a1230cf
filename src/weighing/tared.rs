//! A vessel with a known tare.

use super::event::{Choice, CueKind, Event, ScaleIndex};
use super::order::vessel_at_least;
use super::pan::{JumpCause, Seen};
use super::state::{Asked, State, Tared};
use super::steady::Level;
use super::zero::{Load, shows_zero};
use super::{Engine, net_of, say};
use crate::formula::{Step, VesselWay};
use crate::mass::Mass;

/// A rest this soon after "ease off" tells what falls after the hand stops: 3 s.
const LEARN_WITHIN_US: u64 = 3_000_000;

impl Engine {
    pub(super) fn in_tared(&mut self, scale: ScaleIndex, seen: &Seen, mut tared: Tared) {
        let Some(step) = self.step_now() else { return };
        if seen.after_gap && !self.same_after_gap(scale, seen, &step, &mut tared) {
            return;
        }
        if seen
            .jump
            .is_some_and(|jump| jump.cause == JumpCause::Slight)
        {
            tared.tainted = true;
        }
        if step.vessel != VesselWay::Difference && seen.may_be_key() {
            tared.tainted = true;
        }
        if let Some(jump) = seen.jump.filter(|jump| jump.cause != JumpCause::Slight) {
            self.jump_under_vessel(scale, seen, &step, tared, jump);
            return;
        }
        let mut tared = match self.follow_doubt(scale, seen, &step, tared) {
            Some(tared) => tared,
            None => return,
        };
        if tared.doubt.is_none() && self.was_lifted(scale, seen, &step, &mut tared) {
            return;
        }
        self.watch_disturbed(scale, seen, &step, &mut tared);
        match seen.steady {
            Some(level) if tared.disturbed => {
                self.rest_after_disturbance(scale, level, &step, tared)
            }
            Some(level) => self.at_rest(scale, level, &step, tared),
            None => self.moving(seen, &step, tared),
        }
    }

    /// Readings were missing. The same weight as before: go on. Anything else has to be proven.
    pub(super) fn same_after_gap(
        &mut self,
        scale: ScaleIndex,
        seen: &Seen,
        step: &Step,
        tared: &mut Tared,
    ) -> bool {
        let expected = tared.shown_at_rest(step.vessel);
        let same = self
            .pans
            .get(scale)
            .is_some_and(|pan| pan.same(seen.weight, expected, seen.d));
        // Nor may it have been moving when the readings stopped.
        let was_same = seen.before.is_some_and(|before| {
            self.pans
                .get(scale)
                .is_some_and(|pan| pan.same(before, expected, seen.d))
        });
        if same && was_same && tared.doubt.is_none() && !shows_zero(expected, seen.d) {
            if let Some(pan) = self.pans.get_mut(scale) {
                pan.frame_stands();
            }
            self.repeat_cue();
            return true;
        }
        let mut tared = tared.clone();
        tared.held = None;
        tared.inside_since = None;
        if tared.doubt.is_some_and(|doubt| doubt.risen) {
            // What rose since the jump may be another vessel.
            tared.vessel = None;
            tared.unproven = step.highest;
        }
        if let Some((_, base)) = tared.doubt.take().and_then(|doubt| {
            let (shown, base) = doubt.back?;
            Some((shown, base - doubt.absent_zero))
        }) && tared.vessel.is_none()
        {
            // The vessel's mass as far as it was seen before the jump.
            self.set_zero(scale, tared.base - base, false);
        }
        tared.poured = true;
        // What was moving when the readings stopped is not known to have stopped there.
        tared.moving_at_gap = !was_same;
        tared.asked = None;
        self.set_state(State::Recheck(tared));
        self.out.push_back(Event::Fault {
            scale: Some(scale),
            code: "tare",
            over: false,
        });
        self.ask_lift_and_back(step);
        false
    }

    /// The bowl cannot be begun again, so that is not offered.
    pub(super) fn ask_lift_and_back(&mut self, step: &Step) {
        let choices: &[Choice] = match step.vessel {
            VesselWay::Bowl => &[],
            VesselWay::Beaker | VesselWay::Jar | VesselWay::Difference => &[Choice::Again],
        };
        self.cue_urgent(CueKind::Fault, say::lift_and_back(step.vessel), choices);
    }

    /// Whether the vessel left the pan (no doubt about the tare).
    pub(super) fn was_lifted(
        &mut self,
        scale: ScaleIndex,
        seen: &Seen,
        step: &Step,
        tared: &mut Tared,
    ) -> bool {
        let known_zero = self.pans.get(scale).is_some_and(|pan| pan.zero.is_some());
        let zero = self.zero(scale);
        match self.load(scale, seen.weight, seen.d) {
            Load::Nothing if known_zero && tared.base - zero > vessel_at_least(seen.d) => {
                if !seen.plateau {
                    return false;
                }
                if tared.replaced {
                    // Another vessel stood there since, never at rest, and may come back.
                    self.suspect();
                }
                self.vessel_away(tared.clone());
                true
            }
            Load::BelowEmpty if seen.steady.is_some() => {
                let exact = self.pans.get(scale).is_some_and(|pan| pan.zero_exact);
                self.set_zero(scale, seen.weight, true);
                let apart = known_zero && (tared.base - zero) > vessel_at_least(seen.d);
                if apart && tared.poured && !self.base_after_lost_zero(seen, tared, exact) {
                    self.tare_lost(scale, seen.weight, tared);
                } else if tared.held.is_some() && step.vessel != VesselWay::Difference {
                    self.record_held(scale, tared.clone(), true);
                } else {
                    self.vessel_away(tared.clone());
                }
                true
            }
            Load::Nothing | Load::BelowEmpty | Load::Something => false,
        }
    }

    /// The empty pan shows less than it should: a key that nobody saw. The vessel's mass tells the
    /// base; without it the base stands where the zero was only worked out. Says whether what was
    /// poured can still be told.
    pub(super) fn base_after_lost_zero(
        &mut self,
        seen: &Seen,
        tared: &mut Tared,
        exact: bool,
    ) -> bool {
        tared.held = None;
        // What it held was read before the key, or after: its next rest tells.
        tared.moved = true;
        if let Some(vessel) = tared.vessel {
            tared.base = seen.weight + vessel;
            tared.carried += 2;
            return true;
        }
        if !exact {
            return true;
        }
        tared.unproven = super::zero::inexact(tared.base - seen.weight);
        !self.can_begin_afresh()
    }

    /// A vessel snatched off and another set down in the same breath never lets the pan show empty.
    pub(super) fn watch_disturbed(
        &self,
        scale: ScaleIndex,
        seen: &Seen,
        step: &Step,
        tared: &mut Tared,
    ) {
        let vessel = tared.base - self.zero(scale);
        let gone = tared.base - seen.weight > vessel.ratio(2, 5).max(vessel_at_least(seen.d));
        // A number without a unit that drops within one reading may be the UNIT key.
        let believed = seen.unit_known
            || seen
                .before
                .is_some_and(|before| before - seen.weight < vessel.ratio(3, 5));
        if gone
            && believed
            && step.vessel != VesselWay::Difference
            && tared.doubt.is_none()
            && !tared.disturbed
        {
            tared.disturbed = true;
            tared.replaced = false;
            tared.poured_before = tared.poured;
        } else if tared.disturbed {
            tared.replaced |= seen
                .before
                .is_some_and(|before| seen.weight - before > vessel_at_least(seen.d));
        }
    }

    /// At rest after most of the vessel's weight had been off: the same weight as before is the same
    /// vessel, anything else is looked at as if it had just come.
    pub(super) fn rest_after_disturbance(
        &mut self,
        scale: ScaleIndex,
        level: Level,
        step: &Step,
        mut tared: Tared,
    ) {
        let expected = tared.shown_at_rest(step.vessel);
        tared.disturbed = false;
        tared.replaced = false;
        if self
            .pans
            .get(scale)
            .is_some_and(|pan| pan.same(level.weight, expected, level.d))
        {
            self.at_rest(scale, level, step, tared);
        } else if tared.poured_before || tared.rest.is_some_and(|net| net > level.d * 5) {
            self.ask_stranger(level, tared);
        } else {
            // The person was told to add already, and may have, into the vessel that just came.
            self.suspect();
            self.judge_arrival(scale, level, None);
        }
    }

    /// The load is at rest.
    pub(super) fn at_rest(
        &mut self,
        scale: ScaleIndex,
        level: Level,
        step: &Step,
        mut tared: Tared,
    ) {
        let net = net_of(step, tared.base, level.weight);
        let d = level.d.max(tared.base_d);
        let window = self.window(step, d, tared.carried);
        let pours = step.vessel != VesselWay::Difference;
        if pours && !tared.poured && net.is_negative() && net.abs() <= d * 5 {
            // Nothing is in it yet that could have been taken out: drift, or a draught.
            tared.base = level.weight;
            tared.base_wander = tared.base_wander.max(net.abs() - d);
        }
        let net = net_of(step, tared.base, level.weight);
        let below = step.vessel == VesselWay::Bowl && net < -(d * 5) && !self.is_fresh_bowl();
        let nothing = !tared.poured || tared.rest.is_none();
        if below && nothing && tared.doubt.is_none() && !tared.tainted {
            tared.base = level.weight;
            self.keep(State::Tared(tared));
            self.taken_from_bowl(scale, net.abs());
            self.cue_add(Mass::ZERO);
            return;
        }
        tared.rest = Some(net);
        tared.last_level = Some(level);
        tared.left_rest = None;
        tared.off_rest = None;
        tared.moved = false;
        tared.poured |= net.abs() > d * 5;
        if let Some((predicted, at)) = tared.eased.take()
            && level.since.since(at) < LEARN_WITHIN_US
            && let Some(run) = &mut self.run
        {
            // At rest soon after the cue: the hand did stop, and what came after fell by itself.
            run.after_flow
                .entry(step.ingredient.clone())
                .or_default()
                .learn(predicted, net);
        }
        if let Some(run) = &mut self.run {
            run.restless_since = None;
        }
        if window.holds(net) {
            self.inside_at_rest(scale, level, step, tared);
            return;
        }
        tared.inside_since = None;
        tared.held = None;
        let say_again = tared
            .said
            .is_none_or(|said| (said - (step.target - net)).abs() > d);
        if net > window.high {
            tared.peak = Some(tared.peak.map_or(net, |peak| peak.max(net)));
            tared.said = Some(step.target - net);
            self.keep(State::Tared(tared));
            if say_again {
                self.cue_over(step, net, d);
            }
            return;
        }
        self.keep(State::Tared(tared));
        if say_again {
            self.cue_add(net);
        }
    }

    pub(super) fn cue_over(&mut self, step: &Step, net: Mass, d: Mass) {
        let over = net - step.target;
        let say = say::take_out(step, over, d);
        let kind = match step.vessel {
            VesselWay::Beaker | VesselWay::Jar | VesselWay::Bowl => CueKind::TakeOut,
            VesselWay::Difference => CueKind::Choose,
        };
        self.cue_urgent_with(kind, say, Some(-over), &[Choice::Keep, Choice::Again]);
    }

    /// Steady and inside the window: captured after the dwell, when nothing is in doubt.
    pub(super) fn inside_at_rest(
        &mut self,
        scale: ScaleIndex,
        level: Level,
        step: &Step,
        mut tared: Tared,
    ) {
        let since = *tared.inside_since.get_or_insert(level.at);
        let dwell = (self.rules.dwell.clamp(0.0, 30.0) * 1e6) as u64;
        // A newest reading beyond the mean of the others may be the first of a late drop.
        let newest = self.pans.get(scale).and_then(|pan| pan.last);
        let grows = newest.is_some_and(|last| net_of(step, level.weight, last.weight) > Mass::ZERO);
        if level.at.since(since) < dwell || grows {
            self.keep(State::Tared(tared));
            return;
        }
        let d = level.d.max(tared.base_d);
        let net = net_of(step, tared.base, level.weight);
        let (base, now) = (tared.base_wander.to_g_f64(), self.wander_now().to_g_f64());
        tared.wander = Mass::from_g_f64(base.hypot(now)).unwrap_or(Mass::ZERO);
        let calm = self.window(step, d, tared.carried);
        let amid = self.window_amid(step, d, tared.carried, tared.wander);
        if tared.tainted && tared.doubt.is_none() {
            tared.poured = true;
            tared.held = Some(level);
            self.set_state(State::Recheck(tared));
            self.out.push_back(Event::Fault {
                scale: Some(scale),
                code: "tare",
                over: false,
            });
            self.ask_lift_and_back(step);
        } else if tared.doubt.is_some() {
            tared.held = Some(level);
            let say = say::lift_to_check(step.vessel, net, d);
            self.ask_once(tared, Asked::CheckTare, CueKind::Lift, say);
        } else if calm.proven
            && tared.unproven == Mass::ZERO
            && now > 0.0
            && !(amid.proven && amid.holds(net))
        {
            // It would pass on a calm scale; now the draught is larger than the tolerance allows.
            self.ask_once(tared, Asked::Draught, CueKind::Fault, say::draught());
        } else if self.too_coarse(step, d) {
            let unit = self
                .pans
                .get(scale)
                .and_then(|pan| pan.unit)
                .map_or("?", |unit| unit.symbol());
            self.ask_once(tared, Asked::Unit, CueKind::Fault, say::unit(unit, "g"));
        } else if step.lot_required && !self.has_lot(&step.ingredient) {
            tared.held = Some(level);
            self.ask_once(
                tared,
                Asked::Lot,
                CueKind::Choose,
                say::lot(&step.ingredient),
            );
        } else {
            tared.held = Some(level);
            self.record_held(scale, tared, false);
        }
    }

    pub(super) fn ask_once(&mut self, mut tared: Tared, what: Asked, kind: CueKind, say: String) {
        let first = tared.asked != Some(what);
        tared.asked = Some(what);
        self.keep(State::Tared(tared));
        if first {
            let choices: &[Choice] = match what {
                Asked::CheckTare | Asked::Lot | Asked::Unit | Asked::Draught => &[],
            };
            self.cue_urgent(kind, say, choices);
        }
    }

    /// Whether the unit that the scale is on makes a step unprovable that it can prove in grams.
    pub(super) fn too_coarse(&self, step: &Step, d: Mass) -> bool {
        let Some(pan) = self.pans.get(step.scale) else {
            return false;
        };
        let Some(fine) = pan.finest.filter(|fine| *fine < d) else {
            return false;
        };
        !self.window(step, d, 0).proven && self.window(step, fine, 0).proven
    }
}
