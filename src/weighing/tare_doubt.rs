//! A tare that is in doubt while a vessel stands: what proves it again, and what is asked for meanwhile.

use super::order::vessel_at_least;
use super::pan::{Jump, JumpCause, Observation, Sure};
use super::removed::most_gone;
use super::state::{Asked, Before, Removed, State, Suspect, Tared};
use super::steady::Level;
use super::zero::shows_zero;
use super::{Engine, net_of, phrases};
use crate::formula::{Step, VesselWay};
use crate::mass::Mass;
use crate::vocabulary::code::FaultCode;
use crate::vocabulary::command::Choice;
use crate::vocabulary::cue::CueKind;
use crate::vocabulary::reading::ScaleIndex;

/// A reading while the frame may have moved.
struct Doubted<'a> {
    scale: ScaleIndex,
    step: &'a Step,
    then: Suspect,
    /// A lift was asked for.
    asked: bool,
    /// No vessel weighs less.
    least: Mass,
    /// The highest and the lowest shown since.
    high: Mass,
    low: Mass,
    /// Above the empty pan, and what the vessel weighs, if the frame did not move.
    above: Mass,
    own: Mass,
    /// As much came since the lowest as a vessel that is back.
    came: bool,
}

impl Doubted<'_> {
    /// Whether what stood there is off; unless all of it is, the rest still stands there.
    fn all_is_off(&self, level: Level, tared: &Tared) -> bool {
        let (above, least) = (self.above, self.least);
        let fell = self.high - level.weight;
        let took_off = self.then.before.base - tared.tare.base;
        let difference = self.step.vessel == VesselWay::Difference;
        match tared.tare.vessel {
            // Or it was off before, and what stood there since is off now, as it was asked for.
            Some(_) if above >= -least && fell > least && (self.asked || self.then.exact) => true,
            // Just what the key took off is missing on the empty pan; a source was lighter when it went.
            _ if difference && self.asked && (above + took_off).abs() <= least => true,
            // As much as the source weighs at least with what it may have given; wherever the empty pan is now.
            Some(vessel) if difference && self.asked => {
                let left = vessel - most_gone(self.step, level.d);
                fell >= left.max(vessel.ratio(1, 20)) - least && fell > least
            }
            Some(vessel) => fell >= vessel - vessel.ratio(1, 50) - least,
            // If it was the key, all that it took off is to go; if not, the pan shows what it did.
            None if self.then.exact && above < -least => -above >= took_off.ratio(4, 5),
            None => above < -least || fell > least,
        }
    }
}

impl Engine {
    /// Readings were missing. The same weight as before: go on. Anything else has to be proven.
    pub(super) fn same_after_gap(
        &mut self,
        scale: ScaleIndex,
        seen: &Observation,
        step: &Step,
        tared: &mut Tared,
    ) -> bool {
        let pan = &mut self.pans[scale];
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

    /// Its frame may have moved by nobody knows how much.
    pub(super) fn doubt_the_frame(
        &mut self,
        scale: ScaleIndex,
        step: &Step,
        mut tared: Box<Tared>,
    ) -> State {
        tared.suspected(self.zero(scale), step.vessel, false);
        self.ask_lift_and_back(step, tared)
    }

    /// The tare has to be seen again. The bowl cannot be begun again, so that is not offered.
    pub(super) fn ask_lift_and_back(&mut self, step: &Step, mut tared: Box<Tared>) -> State {
        tared.content.poured = true;
        tared.asked = Some(Asked::Lift);
        tared.watch_from_now();
        self.fault_begins(Some(step.scale), FaultCode::Tare);
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
        mut tared: Box<Tared>,
        jump: Jump,
    ) -> State {
        let another = tared.disturbed.is_some_and(|was| was.replaced);
        let zero = self.zero(scale);
        let shift = jump.to - jump.from;
        let key = self.is_key(scale, jump, seen.d);
        if !key && (jump.cause == JumpCause::Load || step.vessel == VesselWay::Difference) {
            // By difference, lifting the source is the work; a key shows itself at the next lift.
            // Even a mark of gross says little: the ZERO key may leave it.
            self.run.coming.maybe_there = true;
            tared.disturbed = None;
            return self.vessel_removed(Removed {
                vanished: true,
                replaced: another,
                ..Removed::new(tared)
            });
        }
        let net = jump.from - tared.tare.base;
        // Something that was tared with the vessel was taken out of it: nothing of this step is in it, and what the
        // key made zero is the tare.
        let lightened =
            step.vessel != VesselWay::Difference && !tared.content.poured && net < -(seen.d * 2);
        let held_some = tared.content.poured || (net.abs() > seen.d * 2 && !lightened);
        let out = tared.tare.base - jump.from;
        if step.vessel == VesselWay::Difference && !tared.content.back_again && out > seen.d * 5 {
            // It lost that where it stood, before the key: spooned out of it, or a spoon that was tared with it.
            tared.tare.unproven += out;
        }
        if lightened {
            tared.tare.vessel = tared.tare.vessel.map(|vessel| vessel + net);
            if jump.sure != Sure::Rest {
                tared.tare.vessel = None;
            }
            if self.run.is_in_the_same_bowl() {
                self.taken_from_bowl(scale, net.abs());
            }
        }
        let least = if lightened { Sure::Flat } else { Sure::Rest };
        let exact = jump.sure >= least || !(held_some || lightened);
        if held_some {
            tared.content.poured = true;
            if jump.sure == Sure::Rest {
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
                suspect.since.high = Some(jump.from);
            }
        }
        tared.disturbed = None;
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
                None => self.shift_zero(scale, shift, jump.sure),
            }
        }
        State::Tared(tared)
    }

    /// While the frame may have moved: is the vessel lifted, or back?
    pub(super) fn follow_suspect(
        &mut self,
        scale: ScaleIndex,
        seen: &Observation,
        step: &Step,
        tared: &mut Tared,
    ) -> Option<State> {
        let asked = tared.was_asked_off();
        let vessel = tared.tare.vessel;
        let suspect = tared.suspect.as_mut()?;
        let Before { zero, base, .. } = suspect.before;
        let least = vessel_at_least(seen.d);
        let above = seen.weight - zero;
        let own = vessel.unwrap_or(base - zero);
        let held = suspect
            .before
            .most
            .max(suspect.before.rest.unwrap_or_default());
        let (high, low) = suspect
            .since
            .follow(seen, above > least, own.abs() + held.abs() + least);
        // At the display's zero it may as well be the key.
        suspect.exchanged |= !asked && above <= least && !shows_zero(seen.weight, seen.d);
        // A source comes back without what was taken from it, be it nearly all; and what was seen off may have been
        // poured out.
        let seen_off = asked && suspect.since.rested_low() && high - low >= own.ratio(4, 5);
        let back = match step.vessel {
            VesselWay::Difference if suspect.vain => least,
            VesselWay::Difference => own.ratio(1, 20),
            VesselWay::Beaker | VesselWay::Jar | VesselWay::Bowl if seen_off => own.ratio(1, 5),
            VesselWay::Beaker | VesselWay::Jar | VesselWay::Bowl => own.ratio(4, 5),
        }
        .max(least);
        let doubted = Doubted {
            scale,
            step,
            then: *suspect,
            asked,
            least,
            high,
            low,
            above,
            own,
            came: own > least && seen.weight - low >= back,
        };
        if suspect.since.stands(seen.at) && !suspect.exact && !asked {
            // Nobody is to pour on by a number that may be another one.
            return Some(self.ask_lift_and_back(step, Box::new(*tared)));
        }
        let level = seen.steady?;
        if asked && doubted.came {
            return Some(self.back_as_asked(&doubted, level, tared));
        }
        if asked
            && step.vessel != VesselWay::Difference
            && let Some(state) = self.off_as_asked(&doubted, level, tared)
        {
            return Some(state);
        }
        if asked
            && let Some(suspect) = &mut tared.suspect
            && suspect.since.rested_low()
            && level.weight - low > least
        {
            if suspect.vain {
                // Twice is enough: what is back is lighter than anything that was thought to stand there.
                return Some(self.back_as_asked(&doubted, level, tared));
            }
            // She did what was asked, and hears it once more; the next time the empty pan decides.
            suspect.vain = true;
            tared.watch_from_now();
            self.say_lift_and_back(step);
            return None;
        }
        if above <= least {
            let all = doubted.all_is_off(level, tared);
            return all.then(|| self.frame_proven(scale, level, step, Box::new(*tared)));
        }
        self.stands_in_doubt(&doubted, level, tared)
    }

    /// It was to be lifted, and stands there at rest.
    fn back_as_asked(&mut self, doubted: &Doubted, level: Level, tared: &mut Tared) -> State {
        let Doubted {
            then,
            least,
            low,
            own,
            ..
        } = *doubted;
        let (step, vessel) = (doubted.step, tared.tare.vessel);
        let difference = step.vessel == VesselWay::Difference;
        let off = (low - then.before.zero).abs();
        // Once more as hasty: what the pan showed last is near enough to the zero that was known.
        let same_frame = off <= if then.hasty { least } else { level.d * 5 };
        let seen_empty = then.since.rested_low() && (vessel.is_some() || difference);
        if !same_frame && !seen_empty {
            // Not off for long enough: it is asked for again.
            tared.watch_from_now();
            if let Some(stood) = then.since.level {
                // Off and back so soon, it may be another one.
                tared.unproven_by((level.weight - stood.weight).abs(), level.d);
            }
            if let Some(suspect) = tared.suspect.as_mut() {
                suspect.since.level = Some(level);
                suspect.hasty = true;
            }
            if !then.exact {
                // What is said now asks for no less.
                tared.asked = Some(Asked::Lift);
                self.fault_begins(Some(doubted.scale), FaultCode::Tare);
            }
            let say = phrases::too_soon(step.vessel);
            self.cue_urgent(CueKind::Lift, say, self.ways_on(step));
            return State::Tared(Box::new(*tared));
        }
        // It was off as it was asked for, and the pan showed what an empty one did, or two readings
        // agreed on what an empty one shows now. So what stands there is known.
        tared.suspect = None;
        if same_frame {
            tared.tare.base = then.before.zero + own;
            tared.unproven_by(off, level.d);
        } else {
            if self.pans[doubted.scale].zero_is_exact() {
                tared.unproven_by(then.before.strange(tared.tare.base, low), level.d);
            }
            tared.tare.base = low + own;
            if vessel.is_none() {
                tared.tare.unproven = tared.tare.unproven.max(super::zero::inexact(own));
            }
            // Near the zero that was known it may have been on its way there still.
            tared.tare.unproven += if off <= least { off } else { level.d * 2 };
            self.set_zero(doubted.scale, low, false);
        }
        tared.tare.carried += 2;
        tared.content.moved = false;
        tared.content.poured = true;
        tared.content.rest = then.before.rest;
        tared.content.most = then.before.most;
        if self.is_as_it_was_seen(doubted.scale, tared, level) {
            tared.lost_unseen(step, level);
            return self.vessel_returned(level, Box::new(*tared));
        }
        let weighed = then.before.shown - low;
        if !same_frame && vessel.is_some() && (weighed - own).abs() <= least {
            // What was off weighs no more than it does empty: all the rest lies on the pan still.
            tared.content.rest = None;
            tared.content.most = Mass::ZERO;
            return self.vessel_returned(level, Box::new(*tared));
        }
        let shows_the_same =
            self.pans[doubted.scale].same(level.weight, then.before.shown, level.d);
        if !same_frame && shows_the_same {
            // It shows what it did, and by a frame that moved it would be another: what had shown as the empty pan's
            // zero lay on it, and is gone.
            tared.tare.base = then.before.base;
            tared.tare.vessel = Some(tared.tare.base - low);
            return self.vessel_returned(level, Box::new(*tared));
        }
        self.ask_about_vessel(level, Box::new(*tared))
    }

    /// A vessel was to be lifted: whether what shows at rest is the empty pan, wherever its zero is.
    fn off_as_asked(
        &mut self,
        doubted: &Doubted,
        level: Level,
        tared: &mut Tared,
    ) -> Option<State> {
        let Doubted {
            scale,
            step,
            then,
            least,
            high,
            above,
            own,
            ..
        } = *doubted;
        let fell = high - level.weight;
        let held = then.before.most.max(then.before.rest.unwrap_or_default());
        let gone = match tared.tare.vessel {
            // As much as the vessel weighs, and more than came of what it held; or just both.
            Some(vessel) => {
                let slack = vessel.ratio(1, 50) + least;
                let more = fell >= vessel - slack && fell > held.ratio(3, 2) + least;
                more || (fell - (vessel + held)).abs() <= slack
            }
            // Most of all that stood there went as it was asked for: what shows now is the empty pan,
            // wherever it was thought to be. Or as much as the vessel was thought to weigh with what is in it,
            // by this frame or, where the scale was off and has another, by what was seen before.
            None => {
                let whole = [own + (high - tared.tare.base), own + held];
                let slack = own.ratio(1, 50) + least;
                let all = whole.iter().any(|&whole| (fell - whole).abs() <= slack);
                fell > (high - then.before.zero).ratio(4, 5).max(least)
                    || (fell >= own.ratio(4, 5).max(least) && all)
            }
        };
        if gone {
            return Some(self.frame_proven(scale, level, step, Box::new(*tared)));
        }
        let off = fell > least && then.since.rested_low();
        let twice = then.vain || (tared.tare.vessel.is_none() && then.hasty && above > least);
        if twice && off {
            // It was lifted as it was asked for twice, by no frame that was thought of.
            self.see_zero(scale, level.weight);
            return Some(self.tare_lost(level.weight, tared));
        }
        None
    }

    /// At rest above the empty pan: a vessel that is back, or was never off.
    fn stands_in_doubt(
        &mut self,
        doubted: &Doubted,
        level: Level,
        tared: &mut Tared,
    ) -> Option<State> {
        let Doubted {
            scale, step, then, ..
        } = *doubted;
        let as_it_left = self.pans[scale].same(level.weight, then.before.shown, level.d);
        if doubted.came && as_it_left && then.since.came_in_one_go(level) {
            // It was off, and is back as it left.
            tared.cleared();
            return None;
        }
        let net = net_of(step, tared.tare.base, level.weight);
        if doubted.came && net > step.highest * 2 + doubted.least {
            // Nobody pours that: a vessel came. It is looked at as one that comes back.
            tared.cleared();
            return Some(self.judge_return(scale, level, Removed::new(Box::new(*tared))));
        }
        if then.exact && step.vessel != VesselWay::Difference && net > level.d * 5 {
            let rested = tared.tare.base + then.before.rest.unwrap_or_default();
            let pan = &self.pans[scale];
            let shape = pan.shape(rested, level.weight, level.d);
            if shape.is_pour(pan.swift) && then.since.level.is_none() {
                // Only a pour is that slow: it was the key.
                self.key_proven(scale, tared);
            }
        }
        None
    }

    /// The jump was the key: the frame moved by what it took off.
    fn key_proven(&mut self, scale: ScaleIndex, tared: &mut Tared) {
        if let Some(old) = tared.suspect.take() {
            let shift = tared.tare.base - old.before.base;
            if old
                .before
                .rest
                .is_some_and(|net| net.abs() > tared.tare.d * 5)
            {
                tared.tare.carried += 2;
            }
            let exact = self.pans[scale].zero_is_exact();
            self.set_zero(scale, old.before.zero + shift, exact);
        }
        tared.asked = None;
    }

    /// The empty pan shows `level` at rest, and with that what its load weighed.
    fn frame_proven(
        &mut self,
        scale: ScaleIndex,
        level: Level,
        step: &Step,
        mut tared: Box<Tared>,
    ) -> State {
        let Some(old) = tared.suspect else {
            return self.vessel_removed(Removed::new(tared));
        };
        let asked_back = !old.exchanged;
        let exact_zero = self.pans[scale].zero_is_exact();
        self.see_zero(scale, level.weight);
        let unmoved = (level.weight - old.before.zero).abs() <= vessel_at_least(level.d);
        let stood = old.since.level;
        // A zero that was only worked out is seen for the first time.
        let near = if exact_zero {
            level.d * 5
        } else {
            vessel_at_least(level.d)
        };
        let off = (level.weight - old.before.zero).abs();
        let same_zero = off <= near;
        let held = stood.map(|stood| net_of(step, old.before.base, stood.weight));
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
                tared.tare.base += level.weight - old.before.zero;
            } else {
                tared.tare.vessel = Some(tared.tare.base - level.weight);
                tared.tare.unproven = tared.tare.unproven.max(off);
            }
            if stood.is_some() {
                return self.proven_content(scale, old, step, tared);
            }
            return self.vessel_removed(Removed {
                asked_back,
                ..Removed::new(tared)
            });
        }
        if exact_zero {
            tared.unproven_by(old.before.strange(tared.tare.base, level.weight), level.d);
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
            .or((unmoved && exact_zero).then(|| old.before.base - old.before.zero));
        // A bowl with more in it cannot be begun again: what is known of it counts, as far as it goes.
        let loose = (!self.can_begin_afresh()).then(|| old.before.base - old.before.zero);
        if known.is_none()
            && let Some(mass) = loose
        {
            tared.tare.unproven = tared.tare.unproven.max(super::zero::inexact(mass));
        }
        let Some(vessel) = known.or(loose) else {
            // The empty pan shows what the keys took off: they swallowed no more than it shows besides.
            let strays =
                (level.weight - (old.before.zero + tared.tare.base - old.before.base)).abs();
            let stood_there = stood.map_or(Mass::ZERO, |stood| stood.weight - level.weight);
            let little = strays <= (level.d * 5).max(stood_there.ratio(1, 50));
            if !unmoved && (old.exact || little) {
                // The key took off all that stood there at rest, or as much as was seen: so the guess was right.
                tared.suspect = None;
                tared.tare.vessel = Some(tared.tare.base - level.weight);
                tared.tare.carried += 2;
                if !old.exact {
                    tared.tare.unproven = tared.tare.unproven.max(strays);
                }
                return self.proven_content(scale, old, step, tared);
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
            if let Some(stood) = stood {
                self.run.coming.refused = Some(super::state::Refused::new(
                    stood.weight - level.weight,
                    true,
                ));
            }
            tared.tare.base += level.weight - old.before.zero;
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
        self.proven_content(scale, old, step, tared)
    }

    /// The tare is known again, and the pan is empty: what stood there is recorded, or goes on.
    fn proven_content(
        &mut self,
        scale: ScaleIndex,
        old: Suspect,
        step: &Step,
        mut tared: Box<Tared>,
    ) -> State {
        let asked_back = !old.exchanged;
        // What was not as it left is asked about once more when it is back.
        let strange = tared.content.strange;
        let stood = old.since.level.filter(|_| !strange);
        tared.asked = None;
        tared.content.moved = stood.is_none() && !strange;
        if let Some(level) = stood {
            tared.lost_unseen(step, level);
            tared.back_by_a_key(step, level);
            tared.content.rest = Some(net_of(step, tared.tare.base, level.weight));
            tared.content.level = Some(level);
        }
        let window = self.window(step, tared.tare.d, tared.tare.carried);
        match stood {
            Some(level)
                if tared.content.rest.is_some_and(|net| window.holds(net))
                    && tared.content.poured =>
            {
                if self.lacks_lot(step) {
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
}
