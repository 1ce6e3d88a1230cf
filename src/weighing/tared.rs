//! A vessel with a known tare: the pour.

use super::arrive::Load;
use super::event::{Choice, CueKind, Event, ScaleIndex};
use super::order::vessel_at_least;
use super::pan::{Jump, JumpCause, Seen};
use super::pour::landing_weight;
use super::state::{Asked, Doubt, State, Tared};
use super::steady::Level;
use super::{Engine, net_of, say};
use crate::formula::{Step, VesselWay};
use crate::mass::Mass;

/// Nearly right but not at rest for this long: something moves the air or the bench.
const RESTLESS_US: u64 = 8_000_000;

/// A rest this soon after "ease off" tells what falls after the hand stops: 3 s.
const LEARN_WITHIN_US: u64 = 3_000_000;

/// A scale that is switched on shows zero, whatever stands on it: that it shows what it did before
/// proves nothing where that was zero.
pub(super) fn shows_zero(shown: Mass, d: Mass) -> bool {
    shown.abs() <= d * 10
}

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
    fn same_after_gap(
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
            VesselWay::Beaker | VesselWay::Difference => &[Choice::Again],
        };
        self.cue_urgent(CueKind::Fault, say::lift_and_back(step.vessel), choices);
    }

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
    fn follow_doubt(
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
    fn doubt_below_empty(
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
        self.set_zero(scale, seen.weight, seen.steady.is_some());
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
    fn base_from_vessel(&mut self, scale: ScaleIndex, tared: &mut Tared) -> bool {
        let zero = self.zero(scale);
        let afresh = self.can_begin_afresh();
        tared.carried += 2;
        match tared.vessel {
            Some(vessel) => tared.base = zero + vessel,
            None if afresh => {
                self.tare_lost(scale, zero, tared);
                return false;
            }
            None => tared.unproven = super::arrive::inexact(tared.base - zero),
        }
        true
    }

    /// What had landed was lifted again and the pan shows its old zero: it was another vessel.
    fn doubt_vessel_was_gone(
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
    fn judge_rise(
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

    /// Whether the vessel left the pan (no doubt about the tare).
    fn was_lifted(
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
    fn base_after_lost_zero(&mut self, seen: &Seen, tared: &mut Tared, exact: bool) -> bool {
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
        tared.unproven = super::arrive::inexact(tared.base - seen.weight);
        !self.can_begin_afresh()
    }

    /// A vessel snatched off and another set down in the same breath never lets the pan show empty.
    fn watch_disturbed(&self, scale: ScaleIndex, seen: &Seen, step: &Step, tared: &mut Tared) {
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
    fn rest_after_disturbance(
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
    fn at_rest(&mut self, scale: ScaleIndex, level: Level, step: &Step, mut tared: Tared) {
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

    fn cue_over(&mut self, step: &Step, net: Mass, d: Mass) {
        let over = net - step.target;
        let say = say::take_out(step, over, d);
        let kind = match step.vessel {
            VesselWay::Beaker | VesselWay::Bowl => CueKind::TakeOut,
            VesselWay::Difference => CueKind::Choose,
        };
        self.cue_urgent_with(kind, say, Some(-over), &[Choice::Keep, Choice::Again]);
    }

    /// Steady and inside the window: captured after the dwell, when nothing is in doubt.
    fn inside_at_rest(&mut self, scale: ScaleIndex, level: Level, step: &Step, mut tared: Tared) {
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

    fn ask_once(&mut self, mut tared: Tared, what: Asked, kind: CueKind, say: String) {
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
    fn too_coarse(&self, step: &Step, d: Mass) -> bool {
        let Some(pan) = self.pans.get(step.scale) else {
            return false;
        };
        let Some(fine) = pan.finest.filter(|fine| *fine < d) else {
            return false;
        };
        !self.window(step, d, 0).proven && self.window(step, fine, 0).proven
    }

    /// The load moves.
    fn moving(&mut self, seen: &Seen, step: &Step, mut tared: Tared) {
        let net = net_of(step, tared.base, seen.weight);
        tared.inside_since = None;
        let rest = tared.rest.unwrap_or(Mass::ZERO);
        let pours = step.vessel != VesselWay::Difference;
        if pours {
            tared.follow_rest(seen, tared.base + rest, net * 2 > rest);
        }
        let window = self.window(step, seen.d.max(tared.base_d), tared.carried);
        let pouring = step.vessel != VesselWay::Difference;
        let d = seen.d;
        // Poured is what stays: a bump comes and goes in less than half a second.
        tared.above = match tared.above {
            Some((since, n)) if net > d * 5 => Some((since, n + 1)),
            None if net > d * 5 => Some((seen.at, 1)),
            Some(_) | None => None,
        };
        tared.poured |= tared
            .above
            .is_some_and(|(since, n)| n >= 3 && seen.at.since(since) >= 500_000);
        self.watch_restless(seen, net, window.low, window.high, &mut tared);
        // While it is not known whether a vessel landed, a number too large means that one did.
        let absurd = tared.doubt.is_some() && net > step.highest.ratio(3, 2) + Mass::from_g(5);
        if !pouring || net <= d * 5 || absurd {
            self.keep(State::Tared(tared));
            return;
        }
        let (rate, lag) = self
            .pans
            .get(step.scale)
            .map_or((0.0, 0.25), |pan| (pan.rate.grams_per_second(), pan.lag));
        let after = self
            .run
            .as_ref()
            .and_then(|run| run.after_flow.get(&step.ingredient))
            .map_or(0.0, |flow| flow.grams());
        let will_be = landing_weight(net, rate, lag, self.rules.reaction, after);
        if net > window.high && rate > 0.0 && !tared.stopped {
            tared.stopped = true;
            self.keep(State::Tared(tared));
            self.cue(CueKind::Hold, "Stop.".into(), Some(step.target - net), &[]);
        } else if self.rules.early_cue
            && tared.eased.is_none()
            && net < window.low
            && rate > 0.0
            && will_be >= window.low
        {
            tared.eased = Some((will_be, seen.at));
            self.keep(State::Tared(tared));
            let missing = step.target - net;
            self.cue(
                CueKind::EaseOff,
                say::ease_off(missing, d),
                Some(missing),
                &[],
            );
        } else if window.holds(net) && !tared.stopped {
            tared.stopped = true;
            self.keep(State::Tared(tared));
            self.cue(
                CueKind::Hold,
                "Hold. Let it come to rest.".into(),
                Some(step.target - net),
                &[],
            );
        } else {
            self.keep(State::Tared(tared));
        }
    }

    /// Nearly right, and never at rest: a draught or a shaking bench.
    fn watch_restless(&mut self, seen: &Seen, net: Mass, low: Mass, high: Mass, tared: &mut Tared) {
        let Some(run) = &mut self.run else { return };
        let near = net >= low - seen.d * 10 && net <= high + seen.d * 10;
        // A spoon in the vessel moves more than any draught.
        let handled = seen
            .before
            .is_some_and(|before| (seen.weight - before).abs() > seen.d * 20);
        if !near || handled {
            run.restless_since = None;
            return;
        }
        let since = *run.restless_since.get_or_insert(seen.at);
        // A trickle only grows; a draught comes and goes.
        let wanders = self
            .scale_needed()
            .and_then(|scale| self.pans.get(scale))
            .is_some_and(|pan| pan.wander.amount(seen.d) > seen.d);
        if seen.at.since(since) > RESTLESS_US && wanders && tared.asked != Some(Asked::Draught) {
            tared.asked = Some(Asked::Draught);
            let scale = self.scale_needed();
            self.out.push_back(Event::Fault {
                scale,
                code: "unsteady",
                over: false,
            });
            self.cue_urgent(CueKind::Fault, say::draught(), &[]);
        }
    }
}
