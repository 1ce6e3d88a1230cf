//! A vessel with a known tare.

use super::event::Event;
use super::order::vessel_at_least;
use super::pan::{Jump, JumpCause, Observation};
use super::phrases::Words;
use super::pour::landing_weight;
use super::removed::most_gone;
use super::state::{Asked, Dip, Disturbed, Mismatch, Removed, State, Stayed, Tared};
use super::steady::Level;
use super::trace::Shape;
use super::zero::{Load, shows_zero};
use super::{Engine, net_of, phrases};
use crate::formula::{Step, VesselWay};
use crate::mass::{Mass, Unit};
use crate::vocabulary::code::FaultCode;
use crate::vocabulary::command::Choice;
use crate::vocabulary::cue::CueKind;
use crate::vocabulary::reading::ScaleIndex;

/// A rest this soon after "ease off" tells what falls after the hand stops: 3 s.
const LEARN_WITHIN_US: u64 = 3_000_000;
/// Nearly right but not at rest for this long: something moves the air or the bench.
const RESTLESS_US: u64 = 8_000_000;
/// For so long it is left open whether what happened was a lift: 1 s.
const GUESSED_US: u64 = 1_000_000;
/// So often in vain (`Approach::futile`), with the tare seen again after the second time.
pub(super) const PROVEN: u32 = 3;
/// A scoop that is emptied at once gives no more than this: 50 g.
const SCOOP: Mass = Mass::from_g(50);
/// The zero drifts by no more than a step in this time; what comes faster is poured: 10 s.
const DRIFT_US: u64 = 10_000_000;

impl Engine {
    pub(super) fn in_tared(
        &mut self,
        scale: ScaleIndex,
        seen: &Observation,
        mut tared: Tared,
    ) -> State {
        let Some(step) = self.step_now() else {
            return State::Tared(tared);
        };
        if seen.after_gap && !self.same_after_gap(scale, seen, &step, &mut tared) {
            tared.suspected(self.zero(scale), step.vessel, false);
            return self.ask_lift_and_back(&step, tared);
        }
        if let Some(jump) = seen.jump.filter(|jump| jump.cause != JumpCause::Slight) {
            return self.jump_under_vessel(scale, seen, &step, tared, jump);
        }
        let pours = step.vessel != VesselWay::Difference;
        let fell = pours.then(|| tared.fell_and_goes_on(seen)).flatten();
        if let Some(by) = fell {
            // Nobody took so much out at once, and a vessel that is lifted does not gain: it was the key.
            tared.suspected(self.zero(scale), step.vessel, false);
            tared.tare.base -= by;
        } else if pours && (seen.jump.is_some() || seen.may_be_key() || seen.leaps_to_zero()) {
            // The key takes nothing out of the vessel: so much is guessed until it is proven.
            tared.suspected(self.zero(scale), step.vessel, false);
            tared.tare.base += seen.weight - seen.before.unwrap_or(seen.weight);
        }
        if tared.suspect.is_some() {
            if let Some(state) = self.follow_suspect(scale, seen, &step, &mut tared) {
                return state;
            }
        } else if let Some(state) = self.was_lifted(scale, seen, &step, &mut tared) {
            return state;
        }
        self.came_unasked(scale, seen, &step, &mut tared);
        self.watch_disturbed(scale, seen, &step, &mut tared);
        match seen.steady {
            Some(level) if tared.disturbed.is_some() && tared.suspect.is_none() => {
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
        seen: &Observation,
        step: &Step,
        tared: &mut Tared,
    ) -> bool {
        let Some(pan) = self.pans.get_mut(scale) else {
            return false;
        };
        let expected = tared.shown_at_rest(step.vessel);
        // Nor may it have been moving when the readings stopped.
        let same = pan.same(seen.weight, expected, seen.d)
            && seen
                .before
                .is_some_and(|before| pan.same(before, expected, seen.d));
        if same && tared.suspect.is_none() && !shows_zero(expected, seen.d) {
            pan.frame_stands();
            self.repeat_cue();
            return true;
        }
        false
    }

    /// The tare has to be seen again. The bowl cannot be begun again, so that is not offered.
    pub(super) fn ask_lift_and_back(&mut self, step: &Step, mut tared: Tared) -> State {
        tared.content.poured = true;
        tared.asked = Some(Asked::Lift);
        tared.watch_from_now();
        self.out.push_back(Event::Fault {
            scale: Some(step.scale),
            code: FaultCode::Tare,
            over: false,
        });
        self.say_lift_and_back(step);
        State::Tared(tared)
    }

    pub(super) fn say_lift_and_back(&mut self, step: &Step) {
        let say = phrases::lift_and_back(step.vessel);
        self.cue_urgent(CueKind::Fault, say, self.ways_on(step));
    }

    /// What can be said in place of proving the tare.
    pub(super) fn ways_on(&self, step: &Step) -> &'static [Choice] {
        match step.vessel {
            VesselWay::Bowl if !self.can_begin_afresh() => &[],
            VesselWay::Beaker | VesselWay::Jar | VesselWay::Difference | VesselWay::Bowl => {
                &[Choice::Again]
            }
        }
    }

    /// The indication jumped to zero: a key, a lift, or nobody knows yet.
    pub(super) fn jump_under_vessel(
        &mut self,
        scale: ScaleIndex,
        seen: &Observation,
        step: &Step,
        mut tared: Tared,
        jump: Jump,
    ) -> State {
        let another = tared.disturbed.take().is_some_and(|was| was.replaced);
        let zero = self.zero(scale);
        let shift = jump.to - jump.from;
        let known_zero = self.pans.get(scale).is_some_and(|pan| pan.zero.is_some());
        // With another tare in force an empty pan would not show zero.
        let key = jump.cause == JumpCause::Key
            || (jump.cause == JumpCause::Unknown
                && known_zero
                && zero.abs() > vessel_at_least(seen.d));
        if !key && (jump.cause == JumpCause::Load || step.vessel == VesselWay::Difference) {
            // By difference, lifting the source is the work; a key shows itself at the next lift.
            // Even a mark of gross says little: the ZERO key may leave it.
            if let Some(run) = &mut self.run {
                run.coming.maybe_there = true;
            }
            return self.vessel_removed(Removed {
                vanished: true,
                replaced: another,
                ..Removed::new(tared)
            });
        }
        let held_some = tared.content.poured || (jump.from - tared.tare.base).abs() > seen.d * 2;
        let exact = jump.from_rest || !held_some;
        if held_some {
            tared.content.poured = true;
            if jump.from_rest {
                tared.content.rest = Some(net_of(step, tared.tare.base, jump.from));
                tared.content.moved = false;
            }
        }
        if !key || !exact || tared.suspect.is_some() {
            tared.suspected(zero, step.vessel, exact);
            tared.content.moved = true;
            let asked = tared.was_asked_off();
            if let Some(suspect) = tared.suspect.as_mut().filter(|_| asked) {
                // It was asked for: the fall counts as one.
                suspect.high = Some(jump.from);
            }
        }
        if held_some {
            tared.tare.base += shift;
            tared.tare.carried += if tared.suspect.is_some() { 0 } else { 2 };
        } else {
            // Nothing in it yet: the key's zero is the tare.
            tared.tare.base = jump.to;
            tared.tare.d = seen.d;
            tared.tare.at = seen.at;
        }
        tared.approach.inside_since = None;
        if tared.suspect.is_none() {
            match tared.tare.vessel.filter(|_| !held_some) {
                Some(vessel) => self.set_zero(scale, jump.to - vessel, true),
                None => self.shift_zero(scale, shift, jump.from_rest),
            }
        }
        State::Tared(tared)
    }

    /// While the frame may have moved: is the vessel lifted, or back?
    fn follow_suspect(
        &mut self,
        scale: ScaleIndex,
        seen: &Observation,
        step: &Step,
        tared: &mut Tared,
    ) -> Option<State> {
        let d = seen.d;
        let asked = tared.was_asked_off();
        let suspect = tared.suspect.as_mut()?;
        let least = vessel_at_least(d);
        let low = suspect.low.map_or(seen.weight, |low| low.min(seen.weight));
        if suspect.low.is_none_or(|old| low < old - d) {
            suspect.low_times = None;
        }
        if seen.weight - low <= d {
            let first = suspect.low_times.map_or(seen.at, |(first, _)| first);
            suspect.low_times = Some((first, seen.at));
        }
        suspect.low = Some(low);
        let high = suspect
            .high
            .map_or(seen.weight, |high| high.max(seen.weight));
        suspect.high = Some(high);
        let vessel = tared.tare.vessel;
        let took_off = suspect.base - tared.tare.base;
        let above = seen.weight - suspect.zero;
        let then = *suspect;
        let came = seen.weight - low;
        let own = vessel.unwrap_or(then.base - then.zero);
        let difference = step.vessel == VesselWay::Difference;
        // A source comes back without what was taken from it.
        let back = own.ratio(if difference { 1 } else { 4 }, 5).max(least);
        let a_vessel_came = own > least && came >= back;
        suspect.loaded = suspect.loaded.or(Some(seen.at)).filter(|_| above > least);
        // At the display's zero it may as well be the key.
        suspect.exchanged |= !asked && above <= least && !shows_zero(seen.weight, d);
        let stands = suspect
            .loaded
            .is_some_and(|since| seen.at.since(since) >= GUESSED_US);
        if stands && !then.exact && !asked {
            // Nobody is to pour on by a number that may be another one.
            return Some(self.ask_lift_and_back(step, tared.clone()));
        }
        if let (true, Some(level)) = (asked && a_vessel_came, seen.steady) {
            let off = (low - then.zero).abs();
            // Once more as hasty: what the pan showed last is near enough to the zero that was known.
            let same_frame = off <= if then.hasty { least } else { d * 5 };
            let seen_empty = then.rested_low() && (vessel.is_some() || difference);
            if same_frame || seen_empty {
                // It was off as it was asked for, and the pan showed what an empty one did, or two readings
                // agreed on what an empty one shows now. So what stands there is known.
                tared.suspect = None;
                if same_frame {
                    tared.tare.base = then.zero + own;
                    if off > d * 5 {
                        tared.tare.unproven = tared.tare.unproven.max(off);
                    }
                } else {
                    tared.tare.base = low + own;
                    if vessel.is_none() {
                        tared.tare.unproven = tared.tare.unproven.max(super::zero::inexact(own));
                    }
                    // Near the zero that was known it may have been on its way there still.
                    tared.tare.unproven += if off <= least { off } else { d * 2 };
                    self.set_zero(scale, low, false);
                }
                tared.tare.carried += 2;
                tared.content.moved = false;
                tared.content.poured = true;
                tared.content.rest = then.rest;
                tared.content.most = then.most;
                if self.is_as_it_was_seen(scale, tared, level) {
                    return Some(self.vessel_returned(level, tared.clone()));
                }
                return Some(self.ask_about_vessel(level, tared.clone()));
            }
            // Not off for long enough: it is asked for again.
            tared.watch_from_now();
            if let Some(suspect) = tared.suspect.as_mut() {
                suspect.level = Some(level);
                suspect.hasty = true;
            }
            let say = phrases::too_soon(step.vessel);
            self.cue_urgent(CueKind::Lift, say, self.ways_on(step));
            return Some(State::Tared(tared.clone()));
        }
        if let Some(level) = seen
            .steady
            .filter(|_| asked && vessel.is_none() && !difference)
        {
            // Most of all that stood there went as it was asked for: what shows now is the empty pan,
            // wherever it was thought to be.
            let most = (high - then.zero).ratio(4, 5);
            if high - level.weight > most.max(least) {
                return Some(self.frame_proven(scale, level, step, tared.clone()));
            }
        }
        if above <= least {
            // Unless all of the vessel is off, the rest still stands there.
            let level = seen.steady?;
            let fell = high - level.weight;
            let all = match vessel {
                // Or it was off before, and what stood there since is off now, as it was asked for.
                Some(_) if above >= -least && fell > least && (asked || then.exact) => true,
                Some(vessel) => fell >= vessel - vessel.ratio(1, 50) - least,
                // Less than most of it is what was taken from the source.
                None if difference => fell >= own.ratio(4, 5),
                // If it was the key, all that it took off is to go; if not, the pan shows what it did.
                None if then.exact && above < -least => -above >= took_off.ratio(4, 5),
                None => above < -least || fell > least,
            };
            return all.then(|| self.frame_proven(scale, level, step, tared.clone()));
        }
        let level = seen.steady?;
        let same = self
            .pans
            .get(scale)
            .is_some_and(|pan| pan.same(level.weight, then.shown, d));
        if a_vessel_came && same {
            // It was off, and is back as it left.
            tared.cleared();
            return None;
        }
        let net = net_of(step, tared.tare.base, level.weight);
        let too_much = net > step.highest * 2 + least;
        if a_vessel_came && too_much {
            // Nobody pours that: a vessel came. It is looked at as one that comes back.
            tared.cleared();
            return Some(self.judge_return(scale, level, Removed::new(tared.clone())));
        }
        if then.exact && step.vessel != VesselWay::Difference && net > d * 5 {
            let pan = self.pans.get(scale)?;
            let shape = pan.shape(
                tared.tare.base + suspect.rest.unwrap_or_default(),
                level.weight,
                d,
            );
            if shape.is_pour() && suspect.level.is_none() {
                // Only a pour is that slow: it was the key.
                self.key_proven(scale, tared);
                return None;
            }
        }
        None
    }

    /// The jump was the key: the frame moved by what it took off.
    fn key_proven(&mut self, scale: ScaleIndex, tared: &mut Tared) {
        if let Some(old) = tared.suspect.take() {
            let shift = tared.tare.base - old.base;
            if old.rest.is_some_and(|net| net.abs() > tared.tare.d * 5) {
                tared.tare.carried += 2;
            }
            let exact = self.pans.get(scale).is_some_and(|pan| pan.zero_exact);
            self.set_zero(scale, old.zero + shift, exact);
        }
        tared.asked = None;
    }

    /// The empty pan shows `level` at rest, and with that what its load weighed.
    fn frame_proven(
        &mut self,
        scale: ScaleIndex,
        level: Level,
        step: &Step,
        mut tared: Tared,
    ) -> State {
        let Some(old) = tared.suspect else {
            return self.vessel_removed(Removed::new(tared));
        };
        let asked_back = !old.exchanged;
        let exact_zero = self.pans.get(scale).is_some_and(|pan| pan.zero_exact);
        self.see_zero(scale, level.weight);
        let unmoved = (level.weight - old.zero).abs() <= vessel_at_least(level.d);
        let stood = old.level;
        // A zero that was only worked out is seen for the first time.
        let near = if exact_zero {
            level.d * 5
        } else {
            vessel_at_least(level.d)
        };
        let off = (level.weight - old.zero).abs();
        let same_zero = off <= near;
        let held = stood.map(|stood| net_of(step, old.base, stood.weight));
        if same_zero
            && step.vessel != VesselWay::Difference
            && held.is_none_or(|net| net >= -(level.d * 5))
        {
            // The empty pan shows what it did: the frame did not move.
            let moved = stood.is_none();
            tared.cleared();
            tared.content.moved |= moved;
            tared.content.poured = true;
            if exact_zero {
                tared.tare.base += level.weight - old.zero;
            } else {
                tared.tare.vessel = Some(tared.tare.base - level.weight);
                tared.tare.unproven = tared.tare.unproven.max(off);
            }
            if stood.is_some() {
                tared.content.poured |= held.is_some_and(|net| net > level.d * 5);
                return self.proven_content(scale, stood, step, tared, asked_back);
            }
            return self.vessel_removed(Removed {
                asked_back,
                ..Removed::new(tared)
            });
        }
        if step.vessel == VesselWay::Difference {
            if let Some(vessel) = tared.tare.vessel {
                tared.tare.base = level.weight + vessel;
                tared.tare.carried += 2;
            }
            tared.suspect = None;
            return self.vessel_removed(Removed::new(tared));
        }
        let known = tared
            .tare
            .vessel
            .or((unmoved && exact_zero).then(|| old.base - old.zero));
        // A bowl with more in it cannot be begun again: what is known of it counts, as far as it goes.
        let loose = (!self.can_begin_afresh()).then(|| old.base - old.zero);
        if known.is_none()
            && let Some(mass) = loose
        {
            tared.tare.unproven = tared.tare.unproven.max(super::zero::inexact(mass));
        }
        let Some(vessel) = known.or(loose) else {
            if old.exact && !unmoved {
                // The key took off all that stood there at rest: so the guess was right.
                tared.suspect = None;
                tared.tare.vessel = Some(tared.tare.base - level.weight);
                return self.proven_content(scale, stood, step, tared, asked_back);
            }
            return self.tare_lost(level.weight, &tared);
        };
        let content = stood.map(|stood| stood.weight - level.weight - vessel);
        let lighter =
            content.is_some_and(|net| net < -vessel_at_least(level.d).min(vessel.ratio(1, 20)));
        if lighter && unmoved {
            // It had been lifted, and what stood there since was something else.
            tared.cleared();
            self.suspect(super::state::Why::Unseen);
            if let (Some(run), Some(stood)) = (&mut self.run, stood) {
                run.coming.refused = Some(super::state::Refused {
                    mass: stood.weight - level.weight,
                    exact: true,
                    tail: None,
                });
            }
            tared.tare.base += level.weight - old.zero;
            return self.vessel_removed(Removed::new(tared));
        }
        if lighter && self.can_begin_afresh() {
            return self.tare_lost(level.weight, &tared);
        }
        let moved_by = level.weight + vessel - tared.tare.base;
        if moved_by.abs() > level.d || !old.exact {
            tared.tare.carried += 2;
        }
        tared.tare.base = level.weight + vessel;
        tared.suspect = None;
        self.proven_content(scale, stood, step, tared, asked_back)
    }

    /// The tare is known again, and the pan is empty: what stood there is recorded, or goes on.
    fn proven_content(
        &mut self,
        scale: ScaleIndex,
        stood: Option<Level>,
        step: &Step,
        mut tared: Tared,
        asked_back: bool,
    ) -> State {
        tared.asked = None;
        tared.content.moved = stood.is_none();
        if let Some(level) = stood {
            tared.content.rest = Some(net_of(step, tared.tare.base, level.weight));
            tared.content.level = Some(level);
        }
        let window = self.window(step, tared.tare.d, tared.tare.carried);
        match stood {
            Some(level)
                if tared.content.rest.is_some_and(|net| window.holds(net))
                    && tared.content.poured =>
            {
                if step.lot_required && !self.has_lot(&step.ingredient) {
                    tared.asked = Some(Asked::Lot);
                    self.cue(CueKind::Choose, phrases::lot(&step.ingredient), None, &[]);
                    return State::Removed(Removed {
                        asked_back,
                        ..Removed::new(tared)
                    });
                }
                self.record_inside(scale, tared, level, true)
            }
            Some(_) | None => self.vessel_removed(Removed {
                asked_back,
                ..Removed::new(tared)
            }),
        }
    }

    /// Whether the vessel left the pan, the frame being sure.
    fn was_lifted(
        &mut self,
        scale: ScaleIndex,
        seen: &Observation,
        step: &Step,
        tared: &mut Tared,
    ) -> Option<State> {
        let known_zero = self.pans.get(scale).is_some_and(|pan| pan.zero.is_some());
        let zero = self.zero(scale);
        match self.load(scale, seen.weight, seen.d) {
            Load::Nothing if known_zero && tared.tare.base - zero > vessel_at_least(seen.d) => {
                if !seen.plateau {
                    return None;
                }
                let replaced = tared.disturbed.take().is_some_and(|was| was.replaced);
                if replaced {
                    // Another vessel stood there since, never at rest, and may come back.
                    self.suspect(super::state::Why::Unseen);
                }
                Some(self.vessel_removed(Removed {
                    replaced,
                    ..Removed::new(tared.clone())
                }))
            }
            Load::BelowEmpty if seen.steady.is_some() => {
                // A key that nobody saw. What it held was read before the key, or after.
                let stood = tared.content.level.filter(|_| !tared.content.moved);
                tared.suspected(zero, step.vessel, !tared.content.poured);
                if let Some(suspect) = tared.suspect.as_mut() {
                    suspect.level = stood;
                }
                self.follow_suspect(scale, seen, step, tared)
            }
            Load::Nothing | Load::BelowEmpty | Load::Something => None,
        }
    }

    /// A vessel snatched off and another set down in the same breath never lets the pan show empty.
    fn watch_disturbed(
        &self,
        scale: ScaleIndex,
        seen: &Observation,
        step: &Step,
        tared: &mut Tared,
    ) {
        let vessel = tared.tare.base - self.zero(scale);
        let gone = tared.tare.base - seen.weight > vessel.ratio(2, 5).max(vessel_at_least(seen.d));
        // A number without a unit that drops within one reading may be the UNIT key.
        let believed = seen.unit_known
            || seen
                .before
                .is_some_and(|before| before - seen.weight < vessel.ratio(3, 5));
        // Most of all that stood there, at once: no spoon takes that.
        let fell = seen.peak - seen.weight;
        let most = (seen.peak - self.zero(scale)).ratio(3, 5);
        let lifts = fell > most.max(vessel.ratio(2, 5)).max(vessel_at_least(seen.d))
            && seen.unit_known
            && !tared.was_asked_out();
        if (gone || lifts)
            && believed
            && step.vessel != VesselWay::Difference
            && tared.suspect.is_none()
            && tared.disturbed.is_none()
        {
            tared.disturbed = Some(Disturbed {
                poured: tared.content.poured,
                replaced: false,
            });
        } else if let Some(disturbed) = &mut tared.disturbed {
            disturbed.replaced |= seen
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
    ) -> State {
        let expected = tared.shown_at_rest(step.vessel);
        let poured_before = tared.disturbed.take().is_some_and(|was| was.poured);
        if self
            .pans
            .get(scale)
            .is_some_and(|pan| pan.same(level.weight, expected, level.d))
        {
            self.at_rest(scale, level, step, tared)
        } else if poured_before || tared.content.rest.is_some_and(|net| net > level.d * 5) {
            self.ask_about_vessel(level, tared)
        } else {
            // The person was told to add already, and may have, into the vessel that just came.
            self.suspect(super::state::Why::Unseen);
            let back = tared.content.back;
            let state = self.judge_arrival(scale, level, None);
            if let Some(more) = back {
                self.was_put_back(scale, more);
            }
            state
        }
    }

    /// The load is at rest.
    pub(super) fn at_rest(
        &mut self,
        scale: ScaleIndex,
        level: Level,
        step: &Step,
        mut tared: Tared,
    ) -> State {
        if let Some(suspect) = &mut tared.suspect {
            suspect.level = Some(level);
            if !suspect.exact {
                // Whatever a guess says, nobody is to pour or take out by it.
                return match tared.asked {
                    Some(Asked::Lift) => State::Tared(tared),
                    Some(_) | None => self.ask_lift_and_back(step, tared),
                };
            }
        }
        let d = level.d.max(tared.tare.d);
        tared.content.dip = Dip::default();
        let pours = step.vessel != VesselWay::Difference;
        if std::mem::take(&mut tared.content.stirred) {
            // What it showed meanwhile may have been the spoon: only what is there now was poured.
            let net = net_of(step, tared.tare.base, level.weight);
            tared.content.poured = net.abs() > d * 5;
            tared.content.most = net;
            tared.content.stayed = Stayed::at_rest(net);
        }
        if pours && !tared.content.poured && tared.suspect.is_none() && level.d < tared.tare.d {
            // Another unit, and a finer one: the tare is taken in it.
            return self.tare_at(scale, level);
        }
        if pours && !tared.content.poured && tared.suspect.is_none() {
            self.follow_base(scale, level, step, &mut tared);
        }
        tared.wander = self.wander_of(&tared, d);
        let calm = self.window(step, d, tared.tare.carried);
        let amid = self.window_amid(step, d, tared.tare.carried, tared.wander);
        // Where the scale strays, what it can prove is asked for.
        let window = if amid.proven { amid } else { calm };
        let net = net_of(step, tared.tare.base, level.weight);
        if !pours && net < -vessel_at_least(d) && tared.suspect.is_none() {
            // A source gains nothing: a hand or a spoon was tared, or another one stands there.
            return match tared.content.poured {
                true => self.ask_about_vessel(level, tared),
                false => {
                    self.suspect(super::state::Why::Unseen);
                    self.judge_arrival(scale, level, None)
                }
            };
        }
        if !pours && tared.suspect.is_none() && self.lies_there_alone(scale, level, step, net) {
            return self.lifted_off_something(scale, level, tared);
        }
        let below = net < -(d * 5) && self.is_in_the_same_bowl() && tared.suspect.is_none();
        let asked_out = tared.was_asked_out();
        let briefly = !tared.content.poured && tared.content.most > d * 5;
        if below && briefly && !asked_out {
            // Some of this step was in it for a moment, and what is in it now nobody knows.
            return self.ask_about_vessel(level, tared);
        }
        if below && (!tared.content.poured || tared.content.rest.is_none() || asked_out) {
            // More came out than this step put in.
            tared.tare.base = level.weight;
            tared.approach.peak = tared.approach.peak.map(|peak| peak - net);
            tared.content.rest = None;
            self.taken_from_bowl(scale, net.abs());
            return self.say_add(tared, Mass::ZERO);
        }
        if pours && !tared.content.poured && net < -(d * 5) && tared.suspect.is_none() {
            // A hand or a lid lay on it when it was tared: what stands there now is the vessel.
            return self.tare_at(scale, level);
        }
        if pours && tared.content.poured && tared.suspect.is_none() {
            let rest = tared
                .content
                .rest
                .unwrap_or_default()
                .max(tared.content.stayed.most);
            // More than is in it nobody takes out.
            let all = step.vessel != VesselWay::Bowl && net < -(d * 5);
            if net < rest - vessel_at_least(d) && (all || !asked_out) {
                // Nobody asked for that: a lid went, or a spoon that lay there; or some was taken out.
                let afresh = self.can_begin_afresh();
                let say = phrases::fell(step, rest - net, d, afresh);
                let choices: &[Choice] = match afresh {
                    true => &[Choice::Next, Choice::Again],
                    false => &[Choice::Next],
                };
                self.cue_urgent(CueKind::Choose, say, choices);
                return State::VesselMismatch {
                    tared,
                    level,
                    what: Mismatch::Fell,
                };
            }
        }
        let asked_out = tared.approach.said.is_some_and(|said| said.is_negative());
        if asked_out
            && net < tared.content.rest.unwrap_or_default() - d * 3
            && let Some(pan) = self.pans.get_mut(scale)
        {
            // To and fro by what was poured and taken out again is no wander.
            pan.wander.forget_stretch();
        }
        if let Some(last) = tared.content.level
            && level.since == last.since
        {
            tared.content.crept += level.weight - last.weight;
        }
        let came = self.shape_since(scale, level, tared.content.level, d);
        let one_load = came.is_some_and(|came| self.is_one_load(scale, &came, d));
        let at_once = one_load || came.is_some_and(|came| came.leapt);
        let first = pours && tared.content.rest.is_none_or(|rest| rest.abs() <= d * 5);
        if first && one_load && tared.suspect.is_none() && self.is_a_vessel(scale, &tared, net, d) {
            // What was tared is something that lay there; the vessel came onto it.
            self.suspect(super::state::Why::Unseen);
            return self.judge_arrival(scale, level, None);
        }
        tared.content.rest = Some(net);
        tared.content.level = Some(level);
        tared.content.left_rest = None;
        tared.content.off_rest = None;
        tared.content.moved = false;
        tared.content.most = net;
        tared.content.stayed = Stayed::at_rest(net);
        let stopped = std::mem::take(&mut tared.approach.stopped) || tared.approach.eased.is_some();
        tared.content.poured |= net.abs() > d * 5;
        if let Some((predicted, at)) = tared.approach.eased.take()
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
        // Less than half a step off nobody can put right.
        let hit = (net - step.target).abs() * 2 <= d;
        if window.holds(net) || hit {
            return self.inside_at_rest(scale, level, step, tared);
        }
        tared.approach.inside_since = None;
        // Whoever was told to stop is told to go on.
        let say_again = stopped
            || tared
                .approach
                .said
                .is_none_or(|said| (said - (step.target - net)).abs() > d);
        if net > window.high {
            if tared.suspect.is_some() {
                // Nothing is taken out by a guess.
                let say = phrases::lift_to_check(step.vessel, net, d, false);
                return self.ask_once(tared, Asked::CheckTare, CueKind::Lift, say);
            }
            tared.approach.peak = Some(tared.approach.peak.map_or(net, |peak| peak.max(net)));
            let missing = step.target - net;
            // A hand that tried and left as much as there was.
            let near = (d * 2).max(missing.abs().ratio(1, 20));
            let same = |said: Mass| said.is_negative() && (said - missing).abs() <= near;
            if stopped {
                let in_vain = tared.approach.said.is_some_and(same);
                tared.approach.futile = match tared.approach.futile {
                    futile if in_vain => futile + 1,
                    // What was proven once need not be again.
                    futile if futile >= PROVEN => PROVEN,
                    _ => 0,
                };
            }
            tared.approach.said = Some(missing);
            if tared.approach.futile > PROVEN && pours {
                if say_again {
                    let choices = [&[Choice::Keep], self.ways_on(step)].concat();
                    let say = phrases::in_vain(step, -missing, d, &choices);
                    self.cue_urgent_with(CueKind::Choose, say, Some(missing), &choices);
                }
                return State::Tared(tared);
            }
            if tared.approach.futile == PROVEN - 1 && pours {
                tared.approach.futile = PROVEN;
                // So much is not in it: something else lies there, or the tare is another one. What it
                // showed is nothing to keep.
                tared.content.moved = true;
                tared.suspected(self.zero(scale), step.vessel, false);
                return self.ask_lift_and_back(step, tared);
            }
            if say_again {
                self.cue_over(step, net, at_once, d);
            }
            return State::Tared(tared);
        }
        if say_again {
            return self.say_add(tared, net);
        }
        State::Tared(tared)
    }

    /// More than could be taken from the source is gone, and what shows is no source: it was lifted, and
    /// something else lies on the pan.
    fn lies_there_alone(&self, scale: ScaleIndex, level: Level, step: &Step, net: Mass) -> bool {
        let left = level.weight - self.zero(scale);
        net > most_gone(step, level.d).max(left * 4) && left > vessel_at_least(level.d)
    }

    /// It lay there with the source. Where nothing was taken yet it is in the tare; else it may have come since,
    /// and so much more may have been taken.
    fn lifted_off_something(&mut self, scale: ScaleIndex, level: Level, mut tared: Tared) -> State {
        let lies = level.weight - self.zero(scale);
        let grams = phrases::grams(lies, level.d);
        if tared.content.poured {
            tared.tare.unproven += lies;
        }
        tared.tare.vessel = Some(tared.tare.base - level.weight);
        self.see_zero(scale, level.weight);
        let state = self.vessel_removed(Removed::new(tared));
        let say = format!("{grams} g lie on the scale beside the source. Take that off.");
        self.tell_beside(&say, CueKind::Fault, &[]);
        state
    }

    /// Nothing is in it yet: what the indication does is drift, or a draught. Upwards only as slowly as
    /// a zero drifts, so that no drop is taken for it.
    fn follow_base(&mut self, scale: ScaleIndex, level: Level, step: &Step, tared: &mut Tared) {
        let net = net_of(step, tared.tare.base, level.weight);
        let d = level.d.max(tared.tare.d);
        // The last of a slow filter's rise comes after its rest.
        let slow = self
            .pans
            .get(scale)
            .is_some_and(|pan| pan.swift.is_some_and(|swift| swift > 1.0));
        let down = net.is_negative() && net.abs() <= d * 5;
        let up = net > Mass::ZERO
            && net <= d
            && level.since <= tared.tare.at
            && (level.at.since(tared.tare.at) >= DRIFT_US || slow);
        if !down && !up {
            return;
        }
        if down {
            tared.tare.wander = tared.tare.wander.max(net.abs() - d);
        }
        tared.tare.base = level.weight;
        tared.tare.at = level.at;
        if let Some(vessel) = tared.tare.vessel {
            // The vessel did not change: the zero did.
            let exact = self.pans.get(scale).is_some_and(|pan| pan.zero_exact);
            self.set_zero(scale, level.weight - vessel, exact);
        }
    }

    /// Whether what came onto the tared weight in one go is a vessel: it weighs as one that is known, or far
    /// more than what was tared, and than a scoop holds.
    fn is_a_vessel(&self, scale: ScaleIndex, tared: &Tared, net: Mass, d: Mass) -> bool {
        let own = tared.tare.base - self.zero(scale);
        let heavy = net > (own * 3).max(SCOOP);
        !self.is_in_the_same_bowl() && (self.is_known_vessel(net, d) || heavy)
    }

    /// How more than a crumb came since the last rest.
    fn shape_since(
        &self,
        scale: ScaleIndex,
        level: Level,
        last: Option<Level>,
        d: Mass,
    ) -> Option<Shape> {
        let last = last.filter(|last| level.weight - last.weight > vessel_at_least(d))?;
        let pan = self.pans.get(scale)?;
        Some(pan.shape(last.weight, level.weight, d))
    }

    /// It came as a lid, a spoon or a lump does.
    fn is_one_load(&self, scale: ScaleIndex, came: &Shape, d: Mass) -> bool {
        let pan = self.pans.get(scale);
        pan.is_some_and(|pan| pan.is_one_load(came, d)) && !came.is_pour()
    }

    fn cue_over(&mut self, step: &Step, net: Mass, at_once: bool, d: Mass) {
        let over = net - step.target;
        let say = phrases::take_out(step, over, d, at_once);
        let kind = match step.vessel {
            VesselWay::Beaker | VesselWay::Jar | VesselWay::Bowl => CueKind::TakeOut,
            VesselWay::Difference => CueKind::Choose,
        };
        let choices = [&[Choice::Keep], self.ways_on(step)].concat();
        self.cue_urgent_with(kind, say, Some(-over), &choices);
    }

    /// Steady and inside the window: captured after the dwell, when nothing is in doubt.
    fn inside_at_rest(
        &mut self,
        scale: ScaleIndex,
        level: Level,
        step: &Step,
        mut tared: Tared,
    ) -> State {
        let since = *tared.approach.inside_since.get_or_insert(level.at);
        let dwell = (self.rules.dwell.clamp(0.0, 30.0) * 1e6) as u64;
        // A newest reading beyond the mean of the others may be the first of a late drop.
        let newest = self.pans.get(scale).and_then(|pan| pan.last);
        let grows = newest.is_some_and(|last| net_of(step, level.weight, last.weight) > Mass::ZERO);
        if level.at.since(since) < dwell || grows {
            return State::Tared(tared);
        }
        let d = level.d.max(tared.tare.d);
        let net = net_of(step, tared.tare.base, level.weight);
        tared.wander = self.wander_of(&tared, d);
        let calm = self.window(step, d, tared.tare.carried);
        let amid = self.window_amid(step, d, tared.tare.carried, tared.wander);
        if tared.suspect.is_some() {
            let say = phrases::lift_to_check(step.vessel, net, d, true);
            self.ask_once(tared, Asked::CheckTare, CueKind::Lift, say)
        } else if calm.proven && !amid.proven && tared.tare.unproven == Mass::ZERO {
            // It would pass on a calm scale; now the draught is larger than the tolerance allows.
            self.ask_once(tared, Asked::Strays, CueKind::Fault, phrases::strays())
        } else if let Some(unit) = self.too_coarse(step, level.d) {
            self.ask_once(tared, Asked::Unit, CueKind::Fault, phrases::unit(unit))
        } else if step.lot_required && !self.has_lot(&step.ingredient) {
            let say = phrases::lot(&step.ingredient);
            self.ask_once(tared, Asked::Lot, CueKind::Choose, say)
        } else {
            self.record_inside(scale, tared, level, false)
        }
    }

    /// The wander of tare and gross together, and what it crept at rest.
    fn wander_of(&self, tared: &Tared, d: Mass) -> Mass {
        let (base, now) = (tared.tare.wander.to_g_f64(), self.wander_now().to_g_f64());
        let crept = (tared.content.crept.abs() - d).max(Mass::ZERO).to_g_f64();
        Mass::from_g_f64(base.hypot(now).hypot(crept)).unwrap_or(Mass::ZERO)
    }

    fn ask_once(
        &mut self,
        mut tared: Tared,
        what: Asked,
        kind: CueKind,
        say: impl Into<Words>,
    ) -> State {
        let first = tared.asked != Some(what);
        if first && what == Asked::CheckTare {
            tared.watch_from_now();
        }
        tared.asked = Some(what);
        let step = self.step_now();
        let choices: &[Choice] = match what {
            Asked::Lot | Asked::Lift | Asked::CheckTare => {
                step.map_or(&[], |step| self.ways_on(&step))
            }
            Asked::Unit | Asked::Draught | Asked::Strays => &[Choice::Keep],
        };
        let say = say.into();
        // "Stop", or a unit that changed, may have been said over it.
        if first || !self.stands_as(kind, &say, choices) {
            self.cue_urgent(kind, say, choices);
        }
        State::Tared(tared)
    }

    /// Whether the tolerance cannot be proven in this unit, but could be in a finer one.
    pub(super) fn too_coarse(&self, step: &Step, d: Mass) -> Option<Unit> {
        let pan = self.pans.get(step.scale)?;
        let unit = pan.unit.filter(|unit| *unit != Unit::Gram)?;
        let fine = pan.finest.filter(|fine| *fine < d)?;
        let better = !self.window(step, d, 0).proven && self.window(step, fine, 0).proven;
        better.then_some(unit)
    }

    /// The load moves.
    fn moving(&mut self, seen: &Observation, step: &Step, mut tared: Tared) -> State {
        let net = net_of(step, tared.tare.base, seen.weight);
        tared.approach.inside_since = None;
        let rest = tared.content.rest.unwrap_or(Mass::ZERO);
        let pours = step.vessel != VesselWay::Difference;
        if pours {
            tared.follow_rest(seen, tared.tare.base + rest, net * 2 > rest);
        }
        tared.content.most = tared.content.most.max(net);
        tared.content.stayed.push(seen.at, net);
        if pours && self.sinks_below_base(seen, step, net, &mut tared) {
            return self.say_add(tared, Mass::ZERO);
        }
        if pours {
            self.follow_dip(seen, step.scale, net, &mut tared);
        }
        let window = self.window(step, seen.d.max(tared.tare.d), tared.tare.carried);
        let d = seen.d;
        // Poured is what stays: a bump comes and goes in less than half a second.
        tared.content.above = match tared.content.above {
            Some((since, n)) if net > d * 5 => Some((since, n + 1)),
            None if net > d * 5 => Some((seen.at, 1)),
            Some(_) | None => None,
        };
        tared.content.poured |= tared
            .content
            .above
            .is_some_and(|(since, n)| n >= 3 && seen.at.since(since) >= 500_000);
        self.watch_restless(seen, net, window.low, window.high, &mut tared);
        // While it is not known whether a vessel landed, a number too large means that one did.
        let absurd = tared.suspect.is_some_and(|suspect| {
            !suspect.exact || net > step.highest.ratio(3, 2) + Mass::from_g(5)
        });
        // Until the tare is seen again nothing is said over that.
        let asked = tared.asked == Some(Asked::Lift);
        if !pours || net <= d * 5 || absurd || asked {
            return State::Tared(tared);
        }
        let (rate, lag) = self
            .pans
            .get(step.scale)
            .map_or((0.0, 0.25), |pan| (pan.rate.grams_per_second(), pan.lag()));
        let after = self
            .run
            .as_ref()
            .and_then(|run| run.after_flow.get(&step.ingredient))
            .map_or(0.0, |flow| flow.grams());
        let will_be = landing_weight(net, rate, lag, self.rules.reaction, after);
        if net > window.high && rate > d.to_g_f64() && !tared.approach.stopped {
            tared.approach.stopped = true;
            self.cue(CueKind::Hold, "Stop.", Some(step.target - net), &[]);
        } else if self.rules.early_cue
            && tared.approach.eased.is_none()
            && net < window.low
            && rate > 0.0
            && will_be >= window.low
        {
            tared.approach.eased = Some((will_be, seen.at));
            let missing = step.target - net;
            let say = phrases::ease_off(missing, d);
            self.cue(CueKind::EaseOff, say, Some(missing), &[]);
        } else if window.holds(net)
            && !tared.approach.stopped
            && !matches!(
                tared.asked,
                Some(Asked::Draught | Asked::Strays | Asked::Lot)
            )
        {
            tared.approach.stopped = true;
            let say = "Hold. Let it come to rest.";
            self.cue(CueKind::Hold, say, Some(step.target - net), &[]);
        }
        State::Tared(tared)
    }

    /// Nothing of this step is in it, and it stands below its tare: what lay there when it was tared is
    /// gone, and what comes next comes onto this, be there a rest before it or not.
    fn sinks_below_base(
        &mut self,
        seen: &Observation,
        step: &Step,
        net: Mass,
        tared: &mut Tared,
    ) -> bool {
        let own = tared.tare.base - self.zero(step.scale);
        let below = !tared.content.poured
            && tared.content.most <= seen.d * 5
            && tared.suspect.is_none()
            && net < -vessel_at_least(seen.d)
            && net.abs() <= own.ratio(1, 3);
        if !below || !seen.unit_known {
            tared.content.sunk = None;
            return false;
        }
        let pan = self.pans.get(step.scale);
        let stands = pan.and_then(|pan| pan.stands(&mut tared.content.sunk, seen, net.abs()));
        let Some(sunk) = stands else { return false };
        tared.content.sunk = None;
        tared.tare.wander = tared.tare.wander.max(sunk.high - sunk.low);
        tared.tare.base = sunk.middle();
        if let Some(vessel) = &mut tared.tare.vessel {
            *vessel += net;
        }
        if self.is_in_the_same_bowl() {
            self.taken_from_bowl(step.scale, net.abs());
        }
        true
    }

    /// It stood below its tare for a moment, and what comes now comes onto that: something that was tared, or
    /// weighed with what is in it, may have gone, and by how much no rest says.
    fn follow_dip(&mut self, seen: &Observation, scale: ScaleIndex, net: Mass, tared: &mut Tared) {
        let near = net.abs() <= seen.d * 5;
        // Another unit makes less than two thirds of it, or more: a pennyweight is 1.555 g.
        let unit = seen.unit_known || seen.weight >= tared.tare.base.ratio(7, 10);
        if tared.suspect.is_some() || !unit || (near && seen.plateau) {
            tared.content.dip = Dip::default();
            return;
        }
        let below = (net < -vessel_at_least(seen.d)).then_some(-net);
        tared.content.dip.follow(seen.at, below);
        let above = tared.content.above.is_some_and(|(_, n)| n >= 2) && net > seen.d * 5;
        let dip = tared.content.dip.lasted;
        if !above || dip == Mass::ZERO || tared.disturbed.is_some() {
            return;
        }
        tared.content.dip.lasted = Mass::ZERO;
        if tared.content.poured && !tared.was_asked_out() {
            // All that was in it was gone, and more: it was off, or another one stands there.
            tared.disturbed = Some(Disturbed {
                poured: true,
                replaced: true,
            });
            return;
        }
        tared.tare.unproven += dip;
        if self.is_in_the_same_bowl() {
            self.taken_from_bowl(scale, dip);
        }
    }

    /// Nearly right, and never at rest: a draught or a shaking bench.
    fn watch_restless(
        &mut self,
        seen: &Observation,
        net: Mass,
        low: Mass,
        high: Mass,
        tared: &mut Tared,
    ) {
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
        // A trickle only grows; a draught comes and goes, and mere noise goes nowhere.
        let pan = self.scale_needed().and_then(|scale| self.pans.get(scale));
        let wanders = pan.is_some_and(|pan| pan.wander.amount(seen.d) > seen.d);
        let stays = pan
            .and_then(|pan| pan.wander.lately())
            .is_some_and(|range| range <= seen.d * 2);
        let long = seen.at.since(since);
        let restless = (long > RESTLESS_US && wanders) || (long > RESTLESS_US * 2 && stays);
        if restless && tared.asked != Some(Asked::Draught) {
            tared.asked = Some(Asked::Draught);
            let scale = self.scale_needed();
            self.out.push_back(Event::Fault {
                scale,
                code: FaultCode::Unsteady,
                over: false,
            });
            self.cue_urgent(CueKind::Fault, phrases::draught(), &[Choice::Keep]);
        }
    }
}
