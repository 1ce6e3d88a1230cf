//! Vessels coming: until a tare is known.

use std::sync::Arc;

use super::bowl::stirred_off;
use super::order::vessel_at_least;
use super::pan::{JumpCause, Observation, Zero};
use super::state::{Landing, Refused, State, TareUnknown, Tared, Why};
use super::steady::Level;
use super::zero::{Load, shows_zero};
use super::{Engine, phrases};
use crate::formula::{Step, VesselWay};
use crate::language::{Sentence, Slot, phrase, remark};
use crate::mass::Mass;
use crate::vocabulary::code::Stands;
use crate::vocabulary::command::Choice;
use crate::vocabulary::cue::CueKind;
use crate::vocabulary::reading::ScaleIndex;

/// An empty pan swings below its zero for no longer than this: 0.5 s.
const SWINGS_US: u64 = 500_000;

impl Engine {
    pub(super) fn in_clear(
        &mut self,
        scale: ScaleIndex,
        seen: &Observation,
        mut unseen: bool,
    ) -> State {
        let clear = |unseen| State::Clear { unseen };
        match self.closes_now() {
            Some(true) => return self.closing(),
            Some(false) => {
                if self.load(scale, seen.weight, seen.d) == Load::Something {
                    // Back once more before the batch is closed.
                    let to_be_seen = self.run.stirred_where_it_stands();
                    self.follow_the_finished_bowl(scale, seen);
                    let seen = to_be_seen && !self.run.stirred_where_it_stands();
                    if seen && self.run.awaits_the_bowls_lift() {
                        return self.ask_for_the_bowls_lift();
                    }
                }
                return clear(unseen);
            }
            None => {}
        }
        if seen.after_gap {
            // Switched off and on, the scale may call zero what stands there.
            self.suspect(Why::Unseen);
            self.frame_after_gap(scale, seen);
            unseen |= self.load(scale, seen.weight, seen.d) == Load::Nothing;
        }
        if let Some(jump) = seen.jump
            && !matches!(jump.cause, JumpCause::Load | JumpCause::Slight)
        {
            // The TARE key on what should be lifted, or a lift at once. What stood there was not asked
            // for, and nobody says that it is empty.
            self.suspect(Why::Stood);
            if self.is_key(scale, jump, seen.d) {
                // With another tare in force an empty pan would not show zero.
                self.shift_zero(scale, jump.to - jump.from, jump.sure);
                return clear(unseen);
            }
            return clear(true);
        }
        self.follow_stood(scale, seen);
        self.follow_the_finished_bowl(scale, seen);
        let load = self.load(scale, seen.weight, seen.d);
        if let (None, Some(level)) = (self.run.current(), seen.steady) {
            let least = vessel_at_least(seen.d) * 3;
            let finished = self.run.bowl.finished;
            if finished.is_some_and(|shown| shown - level.weight > least) {
                // Whatever it shows now: what stood there was lifted.
                return self.closing();
            }
        }
        // Something that went again was lifted.
        unseen &= load != Load::Something;
        match load {
            Load::Nothing if seen.plateau && !unseen => {
                let stood = self.run.coming.stood.take();
                self.only_the_same_is_not_empty(stood);
                self.wait_empty()
            }
            Load::BelowEmpty if seen.steady.is_some() => {
                let stood = self.zero(scale) - seen.weight;
                self.only_the_same_is_not_empty(Some(stood));
                self.see_zero(scale, seen.weight);
                self.wait_empty()
            }
            Load::Nothing | Load::Something | Load::BelowEmpty => clear(unseen),
        }
    }

    /// The mass of what stands there and is to be lifted: at rest, or for an instant while it grows.
    pub(super) fn follow_stood(&mut self, scale: ScaleIndex, seen: &Observation) {
        let mass = seen.weight - self.zero(scale);
        let run = &mut self.run;
        let grows = seen.plateau && run.coming.stood.is_none_or(|stood| mass >= stood);
        if mass > vessel_at_least(seen.d) && (seen.steady.is_some() || grows) {
            run.coming.stood = Some(mass);
        }
    }

    /// What stood here and was not asked for is off, and may come back as it is. A fresh one was asked for: only
    /// the same again is not it.
    fn only_the_same_is_not_empty(&mut self, stood: Option<Mass>) {
        if let Some(mass) = stood {
            let coming = &mut self.run.coming;
            coming.resumed = false;
            coming.suspect = None;
            coming.refused = Some(Refused::new(mass, false));
        }
    }

    /// The pan shows so much less than the zero at which the scale was first heard: that stood there tared,
    /// and nobody saw it come.
    fn stood_unheard(&mut self, mass: Mass) {
        let coming = &mut self.run.coming;
        if coming.unheard {
            let before = coming.refused.map_or(Mass::ZERO, |before| before.mass);
            coming.refused = Some(Refused::new(before + mass, false));
        }
    }

    /// Whatever is at rest on the pan is lifted before the step goes on.
    pub(super) fn ask_clear(&mut self, way: VesselWay, unseen: bool) -> State {
        self.cue(CueKind::Lift, phrases::clear(way), None, &[Choice::Next]);
        State::Clear { unseen }
    }

    pub(super) fn wait_empty(&mut self) -> State {
        if let Some(phase) = self.run.mixing.pending {
            return State::Mix { phase };
        }
        if self.step_now().is_none() {
            return self.go_on();
        }
        self.cue_place();
        State::Empty
    }

    pub(super) fn in_empty(&mut self, scale: ScaleIndex, seen: &Observation) -> State {
        if seen.after_gap {
            self.frame_after_gap(scale, seen);
            self.run.coming.maybe_there = true;
        }
        if let Some(jump) = seen.jump.filter(|jump| jump.cause != JumpCause::Slight) {
            if jump.from - self.zero(scale) > seen.d * 3 {
                // Something stood there, and nobody has said what is in it.
                self.suspect(Why::Unseen);
            }
            // The key on the empty pan; or the very vessel is back within one reading.
            let key = jump.cause == JumpCause::Key;
            self.set_zero(scale, if key { seen.weight } else { jump.to }, key);
            self.run.coming.maybe_there |= !key;
            return State::Empty;
        }
        let coming = &mut self.run.coming;
        if coming.leaving {
            coming.leaving = seen.before.is_some_and(|before| seen.weight < before);
            if coming.leaving {
                return State::Empty;
            }
        }
        let known = self.pans[scale].zero.is_some();
        match self.load(scale, seen.weight, seen.d) {
            Load::Something => {
                if seen.after_gap {
                    self.suspect(Why::Unseen);
                }
                let pan = &mut self.pans[scale];
                let began = pan.trace.start().filter(|start| start.abs() <= seen.d * 3);
                let told = known || seen.net_flag || pan.mute || self.run.coming.maybe_there;
                if let (Some(began), false) = (began, told) {
                    // It came before the pan had rested, which showed its zero.
                    pan.zero = Some(Zero::flat(began));
                }
                self.run.coming.other_zero = None;
                self.run.coming.unheard = false;
                self.run.coming.little = None;
                self.run.coming.lifted_in_vain = false;
                State::Landing(Landing::since(seen.at))
            }
            Load::BelowEmpty if seen.plateau && seen.steady.is_some() => {
                // A vessel stood there that had been tared unseen; now the pan is empty.
                self.stood_unheard(self.zero(scale) - seen.weight);
                self.see_zero(scale, seen.weight);
                if let Some(level) = seen.steady {
                    self.rests_empty(scale, level);
                }
                State::Empty
            }
            Load::Nothing => {
                let zero = self.zero(scale);
                let stays = |before: Mass| (seen.weight - before).abs() <= seen.d;
                if let Some(level) = seen.steady {
                    if seen.newly_steady {
                        self.rests_empty(scale, level);
                    }
                    let came = level.weight - zero;
                    let moved = known && came.abs() > level.d * 10;
                    if moved {
                        self.run.coming.little = (came > Mass::ZERO).then_some(came);
                    }
                    // The empty pan's indication drifts; we follow it, the tare must not.
                    self.see_zero(scale, level.weight);
                } else if known
                    && zero - seen.weight > seen.d * FLICKER
                    && seen.before.is_some_and(stays)
                {
                    // What lay there was wiped off; what lands before the next rest lands onto this.
                    self.see_zero(scale, seen.weight);
                } else if seen.plateau {
                    self.follow_tail(scale, seen.weight);
                }
                if seen.steady.is_none() && known {
                    self.pans[scale].see_flat_zero();
                }
                State::Empty
            }
            // What was heard first is looked at when it is at rest.
            Load::BelowEmpty if !known => State::Empty,
            Load::BelowEmpty if seen.plateau => {
                // The same, and not at rest yet: what comes now comes onto this.
                self.stood_unheard(self.zero(scale) - seen.weight);
                self.guess_zero(scale, seen.weight);
                State::Empty
            }
            Load::BelowEmpty => State::Empty,
        }
    }

    /// What shows as the empty pan is at rest: where something may stand there, it was lifted off as it was asked, and is
    /// back too soon; or it is off, and is asked for.
    fn rests_empty(&mut self, scale: ScaleIndex, level: Level) {
        let coming = &self.run.coming;
        let there = coming.maybe_there || coming.unheard;
        // A pan that rings after a lift is below that for less.
        let low = level.weight - vessel_at_least(level.d);
        let off = self.pans[scale].trace.was_below(low) >= SWINGS_US;
        if there && off {
            self.cue_urgent(CueKind::Lift, phrases::too_soon(self.way_now()), &[]);
        } else if self.was_said(&[CueKind::Lift]) {
            self.cue_place();
        }
    }

    pub(super) fn in_landing(
        &mut self,
        scale: ScaleIndex,
        seen: &Observation,
        mut landing: Landing,
    ) -> State {
        let zero = self.zero(scale);
        // A pan that a load has just left rings below its zero.
        let rings = (seen.peak - zero).ratio(1, 2);
        let far_below = zero - rings.max(vessel_at_least(seen.d) * 3);
        if seen.after_gap || seen.unit_changed || seen.weight < far_below {
            // What stands there was tared unseen, or converted while it moved.
            self.suspect(Why::Unseen);
        }
        if seen.after_gap {
            self.frame_after_gap(scale, seen);
        }
        if let Some(jump) = seen.jump {
            match jump.cause {
                JumpCause::Slight => {
                    self.suspect_a_key(zero + (jump.to - jump.from));
                    self.pans[scale].doubt_zero();
                }
                JumpCause::Load => return self.back_to_empty(landing),
                JumpCause::Key => {
                    if landing.keyed.is_some() {
                        self.suspect(Why::Unseen);
                    }
                    self.shift_zero(scale, jump.to - jump.from, jump.sure);
                    landing.keyed = Some(jump);
                }
                // On its way up it passes by zero; or it was the key.
                JumpCause::Unknown if jump.from < jump.to => {
                    self.suspect_a_key(zero + (jump.to - jump.from));
                }
                JumpCause::Unknown if self.zero(scale).abs() > vessel_at_least(seen.d) => {
                    // With another tare in force an empty pan would not show zero.
                    self.shift_zero(scale, jump.to - jump.from, jump.sure);
                    landing.keyed = Some(jump);
                }
                JumpCause::Unknown => return self.keyed_or_lifted(scale, seen, jump),
            }
            return State::Landing(landing);
        }
        if seen.may_be_key() || seen.leaps_amid_landing(zero) {
            // What the key took off before the first rest may be more than a vessel.
            let jumped = seen.weight - seen.before.unwrap_or(seen.weight);
            self.suspect_a_key(zero + jumped);
        }
        match self.load(scale, seen.weight, seen.d) {
            Load::Nothing if seen.plateau => {
                // Lifted before it was at rest: it may come back with something in it.
                if seen.at.since(landing.since) > STOOD_LONG_US {
                    self.suspect(Why::Stood);
                }
                self.back_to_empty(landing)
            }
            Load::BelowEmpty if seen.steady.is_some() => {
                // Tared unseen, and lifted with something in it that was never at rest.
                self.suspect(Why::Unseen);
                self.see_zero(scale, seen.weight);
                self.back_to_empty(landing)
            }
            Load::Something => match seen.steady {
                Some(level) => self.judge_arrival(scale, level, landing.keyed),
                None => {
                    // A slow filter still follows, and flickers within its last steps.
                    let settles = self.pans[scale].settles_in();
                    if seen.at.since(landing.since) > UNRESTED_US + settles
                        && let Some(restless) = self.pans[scale].restless(seen.at)
                        && restless.1 <= seen.d * FLICKER
                    {
                        return self.judge_restless(scale, restless, landing.keyed);
                    }
                    let long = seen.at.since(landing.since) > SLOW_LANDING_US;
                    if long && !std::mem::replace(&mut landing.told, true) {
                        // Who hears nothing puts it down once more.
                        self.cue(CueKind::Hold, phrases::settling(), None, &[]);
                    }
                    State::Landing(landing)
                }
            },
            Load::Nothing | Load::BelowEmpty => State::Landing(landing),
        }
    }

    /// It was said that what came does not come to rest, and it still does not.
    pub(super) fn sways_there(&self) -> bool {
        let there = |stands| matches!(stands, Stands::Landing | Stands::Away);
        self.run
            .unrested
            .is_some_and(|unrested| unrested.told && there(unrested.stands))
    }

    /// By the maker's word it stays as restless as it is: what landed, or what is back.
    pub(super) fn take_restless(&mut self, state: State) -> Sentence {
        let scale = self.scale_needed().unwrap_or_default();
        let pan = &self.pans[scale];
        let restless = pan.restless(self.now).filter(|(level, _)| {
            matches!(state, State::Landing(_))
                || self.load(scale, level.weight, level.d) == Load::Something
        });
        let Some((level, range)) = restless else {
            return phrase!("The scale is not at rest. Wait a moment, then say next again.");
        };
        let range = range.max(pan.wander.amount(level.d) + level.d);
        let state = match state {
            State::Landing(landing) => self.judge_restless(scale, (level, range), landing.keyed),
            State::Removed(removed) => {
                let state = self.judge_return(scale, level, removed);
                state.with_tared(|tared| tared.tare.unproven = tared.tare.unproven.max(range))
            }
            other => other,
        };
        self.enter(state);
        phrase!("Taken as it stands; the record says how sure it is.")
    }

    /// What landed flickers and never rests: its tare is as sure as the flicker is wide.
    fn judge_restless(
        &mut self,
        scale: ScaleIndex,
        (level, range): (Level, Mass),
        keyed: Option<super::pan::Jump>,
    ) -> State {
        // What is less than the flicker tells nothing of how it came.
        self.judge_arrival(scale, Level { d: range, ..level }, keyed)
            .with_tared(|tared| {
                tared.tare.d = level.d;
                tared.tare.unproven = tared.tare.unproven.max(range);
            })
    }

    /// What comes may have been tared on its way: then the empty pan shows `other_zero`.
    fn suspect_a_key(&mut self, other_zero: Mass) {
        self.suspect(Why::Unseen);
        self.run.coming.other_zero = Some(other_zero);
    }

    /// What comes to rest next may not be empty.
    pub(super) fn suspect(&mut self, why: Why) {
        self.run.coming.suspect.get_or_insert(why);
    }

    fn back_to_empty(&mut self, landing: Landing) -> State {
        match self.run.mixing.pending {
            Some(phase) => {
                if landing.told {
                    self.say_to_mix(phase);
                }
                State::Mix { phase }
            }
            None => {
                if landing.told {
                    self.cue_place();
                }
                State::Empty
            }
        }
    }

    /// From a vessel that has hardly landed to zero within one reading: the key, or it is off again.
    fn keyed_or_lifted(
        &mut self,
        scale: ScaleIndex,
        seen: &Observation,
        jump: super::pan::Jump,
    ) -> State {
        let may_hold = {
            self.run.coming.suspect.is_some()
                || self.run.coming.maybe_there
                || self.run.coming.resumed
        };
        if may_hold || !jump.one_load {
            self.suspect(Why::Unseen);
            let zero = self.zero(scale);
            self.run.coming.refused = Some(Refused::new(jump.from - zero, false));
            self.run.coming.maybe_there = true;
            // It is off; or it stands there and shows zero. Either way it is to be off.
            return match self.run.mixing.pending {
                Some(phase) => State::Mix { phase },
                None => self.ask_clear(self.way_now(), true),
            };
        }
        self.vessel_placed();
        let mut tared = Tared::new(jump.from, seen.d, seen.at);
        let way = self.way_now();
        tared.suspected(self.zero(scale), way, true);
        tared.tare.base = jump.to;
        self.say_add(tared, Mass::ZERO)
    }

    pub(super) fn way_now(&self) -> VesselWay {
        let step = self.run.current();
        step.map_or(VesselWay::Beaker, |step| step.vessel)
    }

    /// Something came to rest on an empty pan: the empty vessel, or not quite. `keyed`: the TARE key
    /// was pressed before that.
    pub(super) fn judge_arrival(
        &mut self,
        scale: ScaleIndex,
        level: Level,
        keyed: Option<super::pan::Jump>,
    ) -> State {
        let refused = self.run.coming.refused;
        let zero = self.zero(scale);
        let mass = level.weight - zero;
        let proven = self.prove_by_the_lift(scale, mass, level.d);
        let pan = &self.pans[scale];
        let too_light =
            |step: Arc<Step>| step.vessel == VesselWay::Difference && mass < step.lowest;
        if self.step_now().is_some_and(too_light) {
            // No source gives more than it weighs: a spoon or a hand came, and the source is still to come.
            return self.ask_clear(VesselWay::Difference, false);
        }
        let whole = self.run.bowl_so_far();
        if whole.is_some_and(|whole| !super::bowl::can_be_bowl(mass, whole)) {
            // What was spilt lies there, and the bowl is still to come.
            return self.ask_clear(VesselWay::Bowl, false);
        }
        let shape = pan.shape(zero, level.weight, level.d);
        let again = self.way_now() == VesselWay::Difference || self.run.is_in_the_same_bowl();
        if keyed.is_none() && !again {
            let index = self.index_now();
            self.pans[scale].vessel_came(index, zero, level.weight, level.d);
        }
        let pan = &self.pans[scale];
        let mut one = match keyed {
            // Nothing more came after the key, and what it took off had come as one load.
            Some(jump) => jump.one_load && (level.weight - jump.to).abs() <= level.d,
            None => pan.is_one_load(&shape, level.d),
        };
        let little = self.no_more_than_the_step(mass);
        let pan = &mut self.pans[scale];
        if keyed.is_none() {
            let slow = pan.swift.is_none() && shape.is_pour(None);
            let told = shape.even || shape.is_set_down(QUICKLY);
            // As no filter shows one load, so far as lines that are far apart tell.
            let none = shape.settles.is_none() && pan.sends_densely();
            if slow && !told && (little || none) {
                // So slowly, on a scale that nobody knows yet: a pour onto what stands there unseen, if it is little, or into
                // it.
                one = false;
            }
            if one && pan.wants_longer(&shape) {
                // The first load tells how slow it is: it waits for as long as that takes.
                return State::Landing(Landing {
                    told: true,
                    ..Landing::since(level.since)
                });
            }
        }
        let pan = &self.pans[scale];
        let sure_zero = pan.zero_is_exact() && keyed.is_none();
        // Exactly zero where the empty pan shows something else is what the TARE key leaves.
        let by_key = shows_zero(level.weight, level.d) && !shows_zero(zero, level.d);
        let known = sure_zero
            && !by_key
            && self.is_known_vessel(mass, level.d)
            && !self.may_be_the_lost_one(mass, level.d);
        // It is the one that had come as one load, however it comes now.
        let known = known || proven.is_some_and(|proven| (mass - proven).abs() <= level.d * 5);
        let way = self.way_now();
        self.vessel_placed();
        let at_once = sure_zero && self.pans[scale].came_at_once(&shape);
        let why = self.why_not_empty(scale, level, mass, one, known, at_once);
        let source = way == VesselWay::Difference && keyed.is_none();
        let came_out = source.then(|| self.came_out(scale, level)).flatten();
        let why = why.or(came_out.map(|_| Why::Lighter));
        let word = std::mem::take(&mut self.run.coming.word_empty);
        if let Some(why) = why {
            if word
                && why == Why::OtherBowl
                && let Some(step) = self.step_now()
            {
                // What is more in it may be of this step all the same.
                return self
                    .take_as_it_stands(&step, TareUnknown::new(level, why, mass))
                    .0;
            }
            if word && why.takes_a_word() {
                self.note(remark!("the maker says that it is empty"));
                return self.tare_at(scale, level);
            }
            // What was doubted for its shape was hardly off: how this one came does not show in what both make.
            let doubted = refused.and_then(|refused| refused.came);
            let onto = self.pans[scale].trace.start();
            let hardly_off = onto.is_some_and(|onto| onto - zero > vessel_at_least(level.d));
            if doubted.is_some() && hardly_off && matches!(why, Why::Shape | Why::Same) {
                return self.ask_once_more(TareUnknown {
                    // Its lift is to show the same.
                    came: doubted,
                    ..TareUnknown::new(level, Why::Shape, mass)
                });
            }
            let came = (why == Why::Shape).then_some(shape);
            let lost = self.run.coming.lost_vessel.and_then(|lost| lost.empty);
            let empty = lost
                .filter(|_| why == Why::InHand)
                .map(|empty| zero + empty);
            let fuller = came_out.filter(|_| why == Why::Lighter);
            let fuller = fuller.map(|by| level.weight + by);
            let onto = empty.or(fuller).map(|base| {
                let mut tared = *self.tared_as(scale, base, level.d);
                if fuller.is_some() {
                    // It was flat there to a step or two.
                    tared.tare.unproven = level.d * 2;
                }
                tared
            });
            let why = self.asked_often(why);
            return self.ask_about_tare(TareUnknown {
                came,
                onto,
                ..TareUnknown::new(level, why, mass)
            });
        }
        self.bowl_came_back_as(scale, mass, level.d);
        self.run.coming.last_gross = None;
        self.run.coming.lost_vessel = None;
        self.run.bowl.gross = None;
        self.run.coming.stood = None;
        let pan = &mut self.pans[scale];
        if one && keyed.is_none() && !by_key {
            pan.learn(&shape, false);
        }
        if by_key && keyed.is_none() {
            // By how much it moved the zero nobody saw.
            pan.doubt_zero();
        }
        let back = self.more_than_was_put_away(scale, mass).filter(|_| !known);
        if sure_zero && !by_key && way != VesselWay::Difference && back.is_none() {
            self.learn_vessel(mass, level.d);
        }
        if keyed.is_none() {
            self.pans[scale].wander.stood_alone();
        }
        self.tell_if_too_slow(scale);
        let tared = self.tare_at(scale, level);
        tared.with_tared(|tared| tared.content.back = back)
    }

    /// A shape that was refused is the filter's where its lift took as long: into a lift nobody pours. Gives what
    /// came so.
    fn prove_by_the_lift(&mut self, scale: ScaleIndex, mass: Mass, d: Mass) -> Option<Mass> {
        let zero = self.zero(scale);
        let pan = &mut self.pans[scale];
        let refused = self.run.coming.refused?;
        if mass - refused.mass > d * 5 && refused.may_be(mass, d) {
            // What came into it while it stood there is in it still.
            return None;
        }
        let proven = pan.learn_by_the_lift(&refused.came?, refused.mass + zero, d);
        proven.then(|| {
            self.run.coming.refused = None;
            refused.mass
        })
    }

    /// What is doubted for its shape alone was hardly off before something stood there again: its fall shows
    /// whether the scale is slower than was thought, so that this rest is none.
    fn is_slower_by_the_lift(&mut self, scale: ScaleIndex, unsure: &TareUnknown, d: Mass) -> bool {
        let pan = &mut self.pans[scale];
        let came = unsure.came.filter(|_| pan.swift.is_none());
        came.is_some_and(|came| pan.learn_by_the_lift(&came, unsure.level.weight, d))
    }

    /// What speaks against its being empty (or, of a bowl, just what it was).
    fn why_not_empty(
        &mut self,
        scale: ScaleIndex,
        level: Level,
        mass: Mass,
        one: bool,
        known: bool,
        at_once: bool,
    ) -> Option<Why> {
        let way = self.way_now();
        let fresh = self.can_begin_afresh();
        // Where the zero is another one, more is there than it seems: it is asked once.
        let light = fresh && self.run.asks_in_step() == 0 && self.is_too_light(mass, level.d);
        let step = self.step_now()?;
        let pan = &self.pans[scale];
        let run = &mut self.run;
        let suspect = run.coming.suspect.take();
        let maybe_there = std::mem::take(&mut run.coming.maybe_there);
        let refused = run.coming.refused.take();
        let d = level.d;
        if let Some(full) = run.coming.last_gross
            && way.is_apart()
            && pan.same(mass, full, d)
        {
            return Some(Why::JustWeighed);
        }
        if light && run.coming.resumed {
            // What was spilt before the restart, and not the vessel of it: that comes next.
            run.coming.unsure_times = (run.step, 1);
            return Some(Why::Light);
        }
        // By difference whatever stands there is what is weighed; what went before is asked after.
        if std::mem::take(&mut run.coming.resumed) && !(known && fresh) {
            return Some(Why::Restart);
        }
        if way == VesselWay::Bowl
            && !fresh
            && let Some(gross) = run.bowl.gross
        {
            // Stirring and scraping leave a little behind; nothing is added.
            let least = gross - stirred_off(gross, d);
            if mass < least || mass > gross + d * 5 {
                return Some(Why::OtherBowl);
            }
        }
        if way == VesselWay::Difference {
            // Whatever it holds, it is weighed as it stands.
            return suspect.filter(|why| matches!(why, Why::Unseen | Why::Often));
        }
        if light {
            run.coming.unsure_times = (run.step, 1);
            return Some(Why::Light);
        }
        if refused.is_some_and(|refused| refused.may_be(mass, d)) {
            return (!known).then_some(Why::Same);
        }
        if let Some(lost) = run.coming.lost_vessel
            && lost.empty.is_some()
            && !known
            && lost.may_be(mass, step.highest, d)
        {
            let in_hand = lost.unpoured && suspect.is_none() && !maybe_there;
            return Some(if in_hand { Why::InHand } else { Why::Unseen });
        }
        // While a vessel may stand there already.
        let little = no_more_than(&step, mass);
        match suspect {
            Some(why) if !known => Some(why),
            // What comes within a line is a vessel rather than a pour; if the one before was tared instead of lifted, the
            // empty pan tells it at the next lift.
            Some(_) | None if maybe_there && little && !known && !at_once => Some(Why::Unseen),
            Some(_) | None if !one && !known => Some(Why::Shape),
            Some(_) | None => None,
        }
    }

    /// Whether it is less than a tenth of the lightest vessel known: a shove that moves the empty pan shows as
    /// much, and so does a crumb.
    pub(super) fn is_too_light(&self, mass: Mass, d: Mass) -> bool {
        let lightest = self.vessels.iter().min();
        lightest.is_some_and(|&lightest| mass < lightest.ratio(1, 10))
            && !self.is_known_vessel(mass, d)
    }

    /// What a source lost before it came to rest, where that may be of this step.
    fn came_out(&self, scale: ScaleIndex, level: Level) -> Option<Mass> {
        let (pan, zero) = (&self.pans[scale], self.zero(scale));
        let holds = pan.sends.holds();
        let by = pan.trace.stood_higher(zero, level.weight, level.d, holds);
        by.filter(|&by| self.no_more_than_the_step(by))
    }

    fn no_more_than_the_step(&self, mass: Mass) -> bool {
        self.step_now()
            .is_some_and(|step| no_more_than(&step, mass))
    }

    /// Whether `mass` may be the vessel whose tare was lost, with what was poured into it: that
    /// another empty vessel weighs the same proves nothing then.
    fn may_be_the_lost_one(&self, mass: Mass, d: Mass) -> bool {
        let Some(step) = self.step_now() else {
            return false;
        };
        let lost = self.run.coming.lost_vessel;
        lost.is_some_and(|lost| lost.may_be(mass, step.highest, d))
    }

    /// What was asked before in this step, with nothing more known by it, is settled by a word.
    fn asked_often(&mut self, why: Why) -> Why {
        let run = &mut self.run;
        if why.has_an_answer() {
            return why;
        }
        let times = run.asks_in_step() + 1;
        run.coming.unsure_times = (run.step, times);
        if times > 1 { Why::Often } else { why }
    }

    pub(super) fn ask_about_tare(&mut self, unsure: TareUnknown) -> State {
        let way = self.way_now();
        let Some(step) = self.step_now() else {
            return State::TareUnknown(Box::new(unsure));
        };
        let afresh = self.can_begin_afresh();
        let (say, choices): (Sentence, &[Choice]) = match unsure.why {
            Why::Shape | Why::Unseen | Why::Stood => {
                (phrases::unsure(&step, afresh, false), &[Choice::Again])
            }
            Why::Often => (
                phrases::unsure(&step, afresh, true),
                &[Choice::Next, Choice::Again],
            ),
            Why::Same => (
                phrases::same_again(&step, afresh),
                &[Choice::Next, Choice::Again],
            ),
            Why::Restart => {
                let more = self.came_into_bowl(&unsure);
                let more = more.map(|more| phrases::grams(more, unsure.level.d));
                (
                    phrases::resumed(&step, more),
                    &[Choice::Next, Choice::Again],
                )
            }
            Why::JustWeighed => (phrases::just_weighed(way), &[Choice::Next]),
            Why::OtherBowl => match self.came_into_bowl(&unsure) {
                Some(more) => (
                    phrases::heavier_bowl(&step, more, unsure.level.d),
                    &[Choice::Keep, Choice::Next],
                ),
                None => (phrases::other_bowl(), &[Choice::Next]),
            },
            Why::Light => (
                phrases::light(way, unsure.mass, unsure.level.d),
                &[Choice::Next],
            ),
            Why::Onto => (
                phrases::came_in_one_go(&step, unsure.came_onto(), unsure.level.d),
                &[Choice::Next, Choice::Again],
            ),
            Why::InHand => (
                phrases::filled_in_hand(&step, unsure.came_onto(), unsure.level.d),
                &[Choice::Keep, Choice::Again],
            ),
            Why::Lighter => (
                phrases::taken_at_once(-unsure.came_onto(), unsure.level.d),
                &[Choice::Keep, Choice::Next],
            ),
        };
        let kind = match unsure.why {
            Why::JustWeighed => CueKind::Lift,
            Why::Shape
            | Why::Unseen
            | Why::Stood
            | Why::Often
            | Why::Same
            | Why::Restart
            | Why::OtherBowl
            | Why::Onto
            | Why::InHand
            | Why::Lighter => CueKind::Choose,
            Why::Light => CueKind::Place,
        };
        self.cue_urgent(kind, say, choices);
        State::TareUnknown(Box::new(unsure))
    }

    pub(super) fn in_tare_unknown(
        &mut self,
        scale: ScaleIndex,
        seen: &Observation,
        mut unsure: TareUnknown,
    ) -> State {
        if seen.after_gap {
            self.frame_after_gap(scale, seen);
            self.suspect(Why::Unseen);
        }
        if seen.after_gap || seen.jump.is_some() {
            // The TARE key on a vessel that may hold something, or a lift at once.
            self.run.coming.maybe_there = true;
            unsure.came = None;
            if unsure.onto.take().is_some() {
                // The tare that it came onto is of another frame.
                unsure.why = Why::Unseen;
                return self.ask_about_tare(unsure);
            }
        }
        if let Some(jump) = seen.jump
            && self.is_key(scale, jump, seen.d)
        {
            self.shift_zero(scale, jump.to - jump.from, jump.sure);
            return State::TareUnknown(Box::new(unsure));
        }
        unsure.low = unsure.low.min(seen.weight);
        if seen.plateau {
            unsure.high = unsure.high.max(seen.weight);
        }
        let zero = self.zero(scale);
        let keyed = shows_zero(unsure.level.weight, seen.d) && !shows_zero(zero, seen.d);
        let load = match self.load(scale, seen.weight, seen.d) {
            // What a key made zero of unseen leaves less than zero.
            Load::Something if keyed && seen.weight < -vessel_at_least(seen.d) => Load::BelowEmpty,
            load => load,
        };
        match load {
            Load::Nothing if seen.plateau => self.unsure_lifted(unsure),
            // Below the empty pan: it had been tared before we saw it.
            Load::BelowEmpty if seen.steady.is_some() => {
                let shift = seen.weight - zero;
                self.see_zero(scale, seen.weight);
                unsure.mass -= shift;
                unsure.came = None;
                self.unsure_lifted(unsure)
            }
            Load::Something => {
                // Down to where the key would have left the empty pan, if it was one: it was off.
                let off = self.run.coming.other_zero.is_some_and(|other| {
                    let much = vessel_at_least(seen.d);
                    let fell =
                        unsure.high - unsure.low > much.max((unsure.high - other).ratio(3, 4));
                    fell && unsure.low - other > -much
                });
                let dipped = off || unsure.low - zero < unsure.mass.ratio(2, 5);
                if off && seen.plateau && seen.weight - unsure.low <= seen.d * 3 {
                    unsure.mass += zero - seen.weight;
                    self.guess_zero(scale, seen.weight);
                    return self.unsure_lifted(unsure);
                }
                if let Some(level) = seen
                    .steady
                    .filter(|_| off || unsure.low < zero - vessel_at_least(seen.d))
                {
                    // Less than an empty pan was thought to show: it stood there unseen, and its tare is not ours.
                    self.guess_zero(scale, unsure.low);
                    return self.ask_once_more(TareUnknown {
                        level,
                        mass: level.weight - unsure.low,
                        low: level.weight,
                        came: None,
                        ..unsure
                    });
                }
                if dipped
                    && seen.steady.is_none()
                    && seen.weight - unsure.low > vessel_at_least(seen.d)
                    && !std::mem::replace(&mut unsure.settles, true)
                {
                    // What she was asked to do is seen: who reads the same once more does it once more.
                    self.say_meanwhile(phrases::settling());
                }
                if let Some(level) = seen.steady.filter(|_| dipped) {
                    let came = level.weight - unsure.low;
                    if came >= (level.weight - zero).ratio(1, 2) {
                        // Exchanged for another, or put back, before the pan was seen empty.
                        self.refuse(unsure);
                        return self.judge_arrival(scale, level, None);
                    }
                    let guessed = !self.pans[scale].zero_is_exact();
                    if guessed && came <= vessel_at_least(level.d) {
                        // The zero was only worked out: this is it.
                        unsure.mass -= level.weight - zero;
                        self.see_zero(scale, level.weight);
                        return self.unsure_lifted(unsure);
                    }
                }
                let fell = unsure.mass.ratio(1, 10).max(vessel_at_least(seen.d));
                if let Some(level) = seen
                    .steady
                    .filter(|_| unsure.level.weight - unsure.low > fell)
                {
                    if self.is_slower_by_the_lift(scale, &unsure, level.d) {
                        return State::TareUnknown(Box::new(unsure));
                    }
                    let way = self.way_now();
                    let little = level.weight - zero < unsure.mass.ratio(1, 2);
                    if little && way != VesselWay::Difference {
                        // It was lifted as asked; what lies there may be no vessel, and no word makes it one.
                        self.refuse(unsure);
                        return self.ask_clear(way, false);
                    }
                    if unsure.is_another_bowl(level.weight - zero, level.d) {
                        return self.judge_arrival(scale, level, None);
                    }
                    // It was off, or exchanged, for too short a time to see the empty pan.
                    return self.ask_once_more(TareUnknown {
                        level,
                        mass: level.weight - zero,
                        at_first: level.weight - zero,
                        low: level.weight,
                        ..unsure
                    });
                }
                if let Some(level) = seen.steady {
                    let mass = level.weight - self.zero(scale);
                    if unsure.why == Why::Light && !self.is_too_light(mass, level.d) {
                        // The vessel came onto it, which is no part of any weight.
                        self.see_zero(scale, unsure.level.weight);
                        return self.judge_arrival(scale, level, None);
                    }
                    if unsure.is_another_bowl(mass, level.d) && !self.run.coming.word_empty {
                        // What lay in it is out again, or more came.
                        return self.judge_arrival(scale, level, None);
                    }
                    unsure.level = level;
                    if (mass - unsure.at_first).abs() > level.d * 2 {
                        unsure.came = None;
                    }
                    unsure.mass = mass;
                    unsure.low = unsure.low.min(level.weight);
                    if self.run.coming.word_empty {
                        // The word came before the rest did.
                        let taken = self.take_at_word(unsure);
                        return taken
                            .map_or(State::TareUnknown(Box::new(unsure)), |(state, _)| state);
                    }
                }
                State::TareUnknown(Box::new(unsure))
            }
            Load::BelowEmpty | Load::Nothing => State::TareUnknown(Box::new(unsure)),
        }
    }

    /// It was lifted as asked, and something stands there before the empty pan could be seen.
    fn ask_once_more(&mut self, unsure: TareUnknown) -> State {
        let pan = &self.pans[self.scale_needed().unwrap_or_default()];
        let same = |full| pan.same(unsure.mass, full, unsure.level.d);
        // What a lift can prove is not asked about at once.
        let proof = unsure.came.is_some() && self.run.asks_in_step() < 2;
        let why = match unsure.why {
            // It was off: it is no pour.
            Why::Onto => Why::Unseen,
            Why::Lighter => Why::Often,
            // Nor does another one weigh the same.
            Why::JustWeighed if self.run.coming.last_gross.is_none_or(|full| !same(full)) => {
                Why::Unseen
            }
            why => why,
        };
        let unsure = TareUnknown {
            why,
            settles: false,
            ..unsure
        };
        let why = self.asked_often(why);
        if why.has_an_answer() && !proof {
            return self.ask_about_tare(TareUnknown { why, ..unsure });
        }
        let way = self.way_now();
        self.cue_urgent(CueKind::Choose, phrases::too_soon(way), &[Choice::Again]);
        State::TareUnknown(Box::new(unsure))
    }

    fn unsure_lifted(&mut self, unsure: TareUnknown) -> State {
        self.refuse(unsure);
        self.wait_empty()
    }

    /// What stood there is told again when it comes back as it was.
    fn refuse(&mut self, unsure: TareUnknown) {
        match unsure.why {
            // It was another one than what was asked for, and is no candidate for the next.
            Why::JustWeighed | Why::OtherBowl | Why::Light | Why::InHand => {}
            // What came out of it stays out.
            Why::Lighter => self.suspect(Why::Often),
            Why::Shape
            | Why::Unseen
            | Why::Stood
            | Why::Often
            | Why::Same
            | Why::Restart
            | Why::Onto => {
                self.run.coming.refused = Some(Refused {
                    most: unsure.mass + (unsure.high - unsure.level.weight),
                    came: unsure.came,
                    ..Refused::new(unsure.mass, true)
                });
            }
        }
    }

    /// A scale that takes long for every load is named once: its words come late, whatever we do.
    fn tell_if_too_slow(&mut self, scale: ScaleIndex) {
        let pan = &mut self.pans[scale];
        let slow = pan.swift.is_some_and(|swift| swift > super::pan::SLOW);
        if slow && !std::mem::replace(&mut pan.slow_told, true) {
            let seconds = pan.swift.unwrap_or_default().ceil();
            self.note(remark!(
                "this scale takes {seconds} s to follow a load; each weight waits for it",
                seconds = Slot::number(format!("{seconds:.0}"))
            ));
        }
    }
}

/// Whether it may be the step's ingredient alone.
fn no_more_than(step: &Step, mass: Mass) -> bool {
    mass <= step.highest.ratio(3, 2) + Mass::from_g(5)
}

/// A vessel that stood on the pan for longer than this without coming to rest: 3 s.
const STOOD_LONG_US: u64 = 3_000_000;
/// A hand sets a light vessel down within this time, in seconds; what comes later may be scooped in.
const QUICKLY: f64 = 0.65;
/// What does not rest for so long after its touch is spoken of: 4 s.
pub(super) const SLOW_LANDING_US: u64 = 4_000_000;
/// What flickers and does not come to rest for so long is taken as it is: 12 s.
pub(super) const UNRESTED_US: u64 = 12_000_000;
/// Going to and fro by no more than so many steps is a flicker.
pub(super) const FLICKER: i64 = 5;
