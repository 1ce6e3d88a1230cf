//! A vessel is off the pan with something in it that is not recorded.

use super::bowl::is_a_pour;
use super::order::vessel_at_least;
use super::pan::{Jump, JumpCause, Observation, Sure};
use super::run::Lost;
use super::state::{Dip, Mismatch, Refused, Removed, State, Stayed, Tared, Why};
use super::steady::Level;
use super::zero::Load;
use super::{Engine, net_of, phrases};
use crate::formula::{Step, VesselWay};
use crate::language::{phrase, remark};
use crate::mass::Mass;
use crate::vocabulary::code::FaultCode;
use crate::vocabulary::command::Choice;
use crate::vocabulary::cue::CueKind;
use crate::vocabulary::reading::ScaleIndex;

/// No more can be gone from a source than the window and half as much again.
pub(super) fn most_gone(step: &Step, d: Mass) -> Mass {
    step.highest + step.highest.ratio(1, 2) + d * 5
}

impl Engine {
    /// The vessel is off the pan with something in it that is not recorded.
    pub(super) fn vessel_removed(&mut self, mut removed: Removed) -> State {
        let Some(step) = self.step_now() else {
            return State::Removed(removed);
        };
        let tared = &mut removed.tared;
        let pours = step.vessel != VesselWay::Difference;
        // It left before anything was at rest, and had shown more than a hand that takes hold of it.
        let d = self.readability(step.scale);
        tared.content.poured |=
            pours && tared.content.moved && tared.content.stayed.most > vessel_at_least(d);
        if step.vessel == VesselWay::Difference || !tared.content.poured {
            let nothing = !tared.content.poured && step.vessel != VesselWay::Difference;
            if nothing && self.can_begin_afresh() {
                let vessel = tared.tare.vessel;
                if vessel.is_some() {
                    // A pour that had just begun looks like the hand that takes hold.
                    self.run.coming.lost_vessel = Some(Lost {
                        empty: vessel,
                        unpoured: tared.suspect.is_none(),
                    });
                }
                let back = tared.content.back;
                let state = self.wait_empty();
                if let Some(more) = back {
                    self.was_put_back(step.scale, more);
                }
                return state;
            }
            if nothing {
                // "Add" must not stand while it is away.
                let say = phrases::away(&step, step.target, d);
                self.cue(CueKind::Place, say, Some(step.target), &[]);
            } else if self.was_said(&[CueKind::Hold, CueKind::Lift]) {
                let say = phrases::back_to_weigh(step.vessel);
                self.cue(CueKind::Place, say, None, &[]);
            }
            return State::Removed(removed);
        }
        let net = tared.content.rest.unwrap_or(Mass::ZERO);
        let missing = step.target - net;
        let window = self.window(&step, d, tared.tare.carried);
        let over = net > window.high;
        let unweighed = tared.content.moved || tared.content.rest.is_none() || window.holds(net);
        let again = self.ways_on(&step);
        if unweighed {
            // It left before the scale was at rest: what it holds is still to be weighed.
            self.cue(
                CueKind::Place,
                phrases::back_to_weigh(step.vessel),
                None,
                again,
            );
            return State::Removed(removed);
        }
        let keep = removed.tared.rest_counts();
        let choices: Vec<Choice> = keep.then_some(Choice::Keep).into_iter().collect();
        let choices = [&choices[..], again].concat();
        if over {
            let say = phrases::away_with_too_much(&step, missing, d, &choices);
            self.cue_urgent_with(CueKind::Choose, say, Some(missing), &choices);
        } else {
            let say = phrases::away(&step, missing, d);
            self.cue(CueKind::Place, say, Some(missing), &choices);
        }
        State::Removed(removed)
    }

    pub(super) fn in_removed(
        &mut self,
        scale: ScaleIndex,
        seen: &Observation,
        mut removed: Removed,
    ) -> State {
        let Some(step) = self.step_now() else {
            return State::Removed(removed);
        };
        if seen.after_gap {
            // Switched off and on in between, the scale has another zero and no tare.
            self.frame_after_gap(scale, seen);
            removed.vanished = true;
            removed.blind = true;
        }
        self.follow_trip(scale, seen, &step, &mut removed.tared);
        if let Some(jump) = seen.jump.filter(|jump| jump.cause != JumpCause::Load) {
            return self.jump_while_removed(scale, seen, removed, jump);
        }
        if step.vessel == VesselWay::Difference {
            let below = self.stood_there_tared(scale, seen, &removed);
            removed.sank = (removed.sank || below) && !(below && seen.plateau);
            if removed.sank && !below && seen.steady.is_some() {
                // It is back, and where the empty pan is nobody saw.
                return self.doubt_the_frame(scale, &step, removed.tared);
            }
        }
        let something = self.load(scale, seen.weight, seen.d) == Load::Something;
        if something && step.vessel != VesselWay::Difference && seen.may_be_key() {
            // A key under what is just back: it has to be seen once more.
            removed.blind = true;
        }
        removed.blind |= something && seen.unit_changed;
        let blind = removed.blind
            && step.vessel != VesselWay::Difference
            && !self.is_as_it_left(scale, seen, &step, &removed.tared);
        match (self.load(scale, seen.weight, seen.d), seen.steady) {
            (Load::Something, Some(_)) if blind => {
                self.doubt_what_is_back(scale, &step, removed.tared)
            }
            (Load::Something, Some(level)) => self.judge_return(scale, level, removed),
            (Load::BelowEmpty | Load::Nothing, Some(level)) => {
                removed.blind = false;
                self.empty_while_removed(scale, level, &mut removed.tared);
                if seen.newly_steady && self.was_said(&[CueKind::Hold]) {
                    // It was back, and is off again before it rested.
                    let say = phrases::back_to_weigh(step.vessel);
                    self.cue(CueKind::Place, say, None, self.ways_on(&step));
                }
                State::Removed(removed)
            }
            (Load::BelowEmpty, None) if seen.plateau => {
                // It stood there unseen, and is off now; how far, is not at rest yet.
                let by = seen.weight - self.zero(scale);
                removed.tared.tare.base += by;
                removed.tared.tare.unproven =
                    removed.tared.tare.unproven.max(vessel_at_least(seen.d));
                removed.blind = false;
                self.guess_zero(scale, seen.weight);
                State::Removed(removed)
            }
            (Load::Nothing | Load::Something | Load::BelowEmpty, _) => {
                // Back, or another in its place, and off again before it was at rest: it may have been
                // poured into.
                removed.tared.content.moved |= seen.plateau && !something && removed.replaced;
                removed.replaced = something && (removed.replaced || seen.plateau);
                State::Removed(removed)
            }
        }
    }

    /// A key under what came back: how much is in it the empty pan will tell, and not whether it is the same vessel.
    fn doubt_what_is_back(
        &mut self,
        scale: ScaleIndex,
        step: &Step,
        mut tared: Box<Tared>,
    ) -> State {
        tared.content.left_with = Some(tared.seen_in_it());
        self.doubt_the_frame(scale, step, tared)
    }

    /// As much as a source weighs goes from what was thought to be the empty pan: a key had made that of it.
    fn stood_there_tared(&self, scale: ScaleIndex, seen: &Observation, removed: &Removed) -> bool {
        let zero = self.zero(scale);
        let own = removed.tared.tare.base - zero;
        zero - seen.weight > own.ratio(4, 5).max(vessel_at_least(seen.d))
    }

    /// It shows at rest just what it showed when it left at rest: a key under it would have changed that, and
    /// another vessel would have to hide behind one to the step.
    fn is_as_it_left(
        &self,
        scale: ScaleIndex,
        seen: &Observation,
        step: &Step,
        tared: &Tared,
    ) -> bool {
        let Some(level) = seen.steady else {
            return false;
        };
        let pan = &self.pans[scale];
        let known = tared.content.rest.is_some() && !tared.content.moved && pan.zero_is_exact();
        known && (level.weight - tared.shown_at_rest(step.vessel)).abs() <= level.d * 2
    }

    /// The empty pan at rest: what it shows moved by drift, by what was spilt, or by a key. What the
    /// vessel weighs did not.
    fn empty_while_removed(&mut self, scale: ScaleIndex, level: Level, tared: &mut Tared) {
        let by = level.weight - self.zero(scale);
        let exact = self.pans[scale].zero_is_exact();
        let was_keyed = tared.trip.rests();
        if by != Mass::ZERO {
            tared.tare.base = match tared.tare.vessel {
                Some(vessel) => level.weight + vessel,
                None => tared.tare.base + by,
            };
            if by.abs() > level.d {
                tared.tare.carried += 2;
                if self.way_now() == VesselWay::Difference && !was_keyed {
                    // It dripped off the source, or the zero moved, before it was weighed or after: nothing tells.
                    tared.tare.unproven += by.abs();
                }
            }
            if tared.tare.vessel.is_none() && !exact {
                let inexact = super::zero::inexact(tared.tare.base - level.weight);
                tared.tare.unproven = tared.tare.unproven.max(inexact);
            }
        }
        self.see_zero(scale, level.weight);
    }

    /// A key, on the empty pan or under the vessel that is just back; or a load that passes by zero.
    fn jump_while_removed(
        &mut self,
        scale: ScaleIndex,
        seen: &Observation,
        mut removed: Removed,
        jump: Jump,
    ) -> State {
        let from = self.load(scale, jump.from, seen.d);
        if from == Load::Something {
            // Under what is back, or it was lifted once more: it has to be seen at rest and alone.
            removed.blind = true;
            let rises = jump.cause == JumpCause::Key || jump.to > jump.from;
            if let Some(step) = self.step_now()
                && step.vessel == VesselWay::Difference
                && rises
            {
                // The key under the source, which gains nothing.
                return self.doubt_the_frame(scale, &step, removed.tared);
            }
            if jump.cause == JumpCause::Key {
                self.shift_zero(scale, jump.to - jump.from, jump.sure);
            }
            return State::Removed(removed);
        }
        let certain = jump.cause == JumpCause::Key;
        if !certain && jump.to > jump.from {
            // A vessel on its way back passes by zero; or it was the key on the empty pan.
            removed.blind = true;
        }
        // The end of a lift comes to the zero that was known.
        let ends = jump.sure == Sure::Guessed && (jump.to - self.zero(scale)).abs() <= seen.d * 10;
        if certain || (jump.cause == JumpCause::Unknown && !ends) {
            // The frame moves and the masses do not.
            let shift = jump.to - jump.from;
            removed.tared.tare.base += shift;
            removed.tared.tare.carried += 2;
            let sure = match from {
                Load::Nothing => Sure::Rest,
                Load::Something | Load::BelowEmpty => jump.sure,
            };
            let sure = if certain { sure } else { Sure::Guessed };
            self.shift_zero(scale, shift, sure);
        }
        State::Removed(removed)
    }

    /// Something came to rest while the vessel was away: is it that vessel?
    pub(super) fn judge_return(
        &mut self,
        scale: ScaleIndex,
        level: Level,
        removed: Removed,
    ) -> State {
        let Some(step) = self.step_now() else {
            return State::Removed(removed);
        };
        let pan = &self.pans[scale];
        let asked_back = removed.asked_back;
        let mut tared = removed.tared;
        let expected = tared.shown_at_rest(step.vessel);
        let d = level.d;
        let same = pan.same(level.weight, expected, d);
        if step.vessel == VesselWay::Difference {
            self.trip_is_over(scale, d, &mut tared);
        }
        let net = net_of(&step, tared.tare.base, level.weight);
        match step.vessel {
            VesselWay::Beaker | VesselWay::Jar | VesselWay::Bowl
                if same && !tared.content.moved =>
            {
                // It holds what it held; what the scale makes of that is its own scatter, or not.
                let off = level.weight - expected;
                tared.tare.base += off;
                tared.tare.carried += 2;
                if off.abs() > d * 2 {
                    tared.tare.unproven = tared.tare.unproven.max(off.abs());
                }
                self.vessel_returned(level, tared)
            }
            VesselWay::Beaker | VesselWay::Jar | VesselWay::Bowl if tared.content.moved => {
                // It holds what it held when it left, as far as that was seen.
                let most = tared.seen_in_it();
                let least = most - (d * 20).max(most.ratio(1, 50));
                let as_it_left =
                    net >= least && net <= most + self.streamed_unseen(scale, &tared) + d * 20;
                if asked_back && self.is_as_it_was_seen(scale, &tared, level) {
                    tared.tare.carried += 2;
                    self.vessel_returned(level, tared)
                } else {
                    let what = match as_it_left {
                        true => Mismatch::AsItLeft,
                        false => Mismatch::Other,
                    };
                    self.ask_what_it_is(level, tared, what)
                }
            }
            // As much heavier as a pour: that is no other bowl before it is asked about.
            VesselWay::Bowl if self.is_fresh_bowl() && is_a_pour(&step, net, d) => {
                self.ask_about_vessel(level, tared)
            }
            VesselWay::Bowl if !tared.content.poured && self.is_fresh_bowl() => {
                // Another bowl, with nothing in it yet.
                self.judge_arrival(scale, level, None)
            }
            VesselWay::Bowl => {
                // Nothing else holds all that was weighed before; stirring leaves a little behind.
                let gross = tared.tare.base - self.zero(scale);
                let least = -(gross.ratio(1, 50).max(vessel_at_least(d)));
                let most = match tared.content.poured {
                    true => step.highest * 2 + vessel_at_least(d),
                    false => d * 5,
                };
                if !tared.content.poured && net >= least && net <= most {
                    self.bowl_came_back(scale, net, d);
                    self.tare_at(scale, level)
                } else if tared.content.poured && net >= -(d * 5) && net <= most {
                    tared.tare.carried += 2;
                    self.vessel_returned(level, tared)
                } else {
                    self.ask_about_vessel(level, tared)
                }
            }
            VesselWay::Difference => {
                // Nor can it gain.
                if self.gained_by_a_key(&step, net, d, &mut tared) {
                    self.doubt_the_frame(scale, &step, tared)
                } else if net >= -(d * 5) && net <= most_gone(&step, d) {
                    tared.content.poured = true;
                    tared.content.back_again = true;
                    self.vessel_returned(level, tared)
                } else {
                    self.ask_about_vessel(level, tared)
                }
            }
            VesselWay::Beaker | VesselWay::Jar => self.ask_about_vessel(level, tared),
        }
    }

    pub(super) fn vessel_returned(&mut self, level: Level, mut tared: Box<Tared>) -> State {
        let Some(step) = self.step_now() else {
            return State::Tared(tared);
        };
        tared.approach.inside_since = None;
        // What was said of it is behind what was said since.
        tared.approach.said = None;
        tared.suspect = None;
        tared.asked = None;
        tared.disturbed = None;
        tared.content.moved = false;
        tared.content.strange = false;
        tared.content.dip = Dip::default();
        let net = net_of(&step, tared.tare.base, level.weight);
        tared.back_by_a_key(&step, level);
        if step.vessel != VesselWay::Difference && !tared.was_asked_out() {
            // Spilt on the way, or wiped off below: whether it is out of the vessel, nothing tells.
            let lost = tared.content.rest.map_or(Mass::ZERO, |rest| rest - net);
            if lost > level.d * 5 {
                tared.tare.unproven = tared.tare.unproven.max(lost);
            }
        }
        let before = tared.content.rest.replace(net);
        self.source_gained(&step, before, net, level.d.max(tared.tare.d), &mut tared);
        tared.content.level = Some(level);
        tared.content.most = net;
        tared.content.stayed = Stayed::at_rest(net);
        let window = self.window(&step, level.d.max(tared.tare.d), tared.tare.carried);
        if net < window.low {
            return self.back_with_too_little(level, &step, tared, before);
        }
        // A question that was answered is not to stand there for as long as the scale goes to and fro.
        let say = match window.holds(net) {
            true => phrase!("Inside. Leave it at rest."),
            false => phrases::hold(),
        };
        self.cue(CueKind::Hold, say, Some(step.target - net), &[]);
        State::Tared(tared)
    }

    /// Too little is weighed, and what was off the pan is back; of a source that gave no more than `before`
    /// it is said that it may be empty.
    pub(super) fn back_with_too_little(
        &mut self,
        level: Level,
        step: &Step,
        mut tared: Box<Tared>,
        before: Option<Mass>,
    ) -> State {
        let net = net_of(step, tared.tare.base, level.weight);
        let missing = step.target - net;
        if step.vessel != VesselWay::Difference {
            return self.say_add(tared, net);
        }
        let nothing = net.abs() <= level.d * 5;
        tared.approach.futile = match nothing {
            true => tared.approach.futile + 1,
            false => 0,
        };
        let no_more = before.is_some_and(|before| (before - net).abs() <= level.d * 2);
        let (say, choice) = match nothing {
            true if tared.gives_nothing(step.vessel) => {
                (phrases::gives_nothing(step), Choice::Again)
            }
            false if no_more => (phrases::no_more(step, missing, level.d), Choice::Keep),
            true | false => return self.say_add(tared, net),
        };
        tared.approach.said = Some(missing);
        self.cue(CueKind::Choose, say, Some(missing), &[choice]);
        State::Tared(tared)
    }

    pub(super) fn ask_about_vessel(&mut self, level: Level, tared: Box<Tared>) -> State {
        self.ask_what_it_is(level, tared, Mismatch::Other)
    }

    fn ask_what_it_is(&mut self, level: Level, tared: Box<Tared>, what: Mismatch) -> State {
        let way = self.way_now();
        let plausible = self.is_plausible(&tared, level);
        // A bowl with earlier steps in it cannot be begun again.
        let afresh = self.can_begin_afresh();
        let choices: &[Choice] = match (way, plausible) {
            (VesselWay::Bowl, true | false) if !afresh => &[Choice::Next],
            (_, true) => &[Choice::Again, Choice::Next],
            (_, false) => &[Choice::Again],
        };
        let say = phrases::stranger(way, plausible, afresh);
        self.cue_urgent(CueKind::Choose, say, choices);
        State::VesselMismatch { tared, level, what }
    }

    /// Whether what came back can be the vessel at all: it lost nothing of what was in it before this
    /// step, and gained no more than a mishap with this ingredient can explain.
    pub(super) fn is_plausible(&self, tared: &Tared, level: Level) -> bool {
        let Some(step) = self.step_now() else {
            return false;
        };
        let net = net_of(&step, tared.tare.base, level.weight);
        net >= -(level.d * 5) && net <= step.highest * 2 + vessel_at_least(level.d)
    }

    /// Whether it can be the vessel, with about what it was last seen with: nobody loses much on the way, nor
    /// pours into what is off the scale. What was asked out is not lost.
    pub(super) fn is_as_it_was_seen(&self, scale: ScaleIndex, tared: &Tared, level: Level) -> bool {
        let Some(step) = self.step_now() else {
            return false;
        };
        if !self.is_plausible(tared, level) {
            return false;
        }
        if step.vessel == VesselWay::Difference {
            return true;
        }
        let net = net_of(&step, tared.tare.base, level.weight);
        let rest = tared.content.rest.unwrap_or_default();
        let most = tared.seen_in_it();
        let least = vessel_at_least(level.d);
        let asked_out = (rest - step.target).max(Mass::ZERO);
        let lost = most - net > most.ratio(1, 5) + asked_out + least;
        // Nothing is gained off the pan but that.
        let gained = net - most > self.streamed_unseen(scale, tared) + least;
        !lost && !gained
    }

    /// What streamed into the vessel before it left, and was not shown yet.
    fn streamed_unseen(&self, scale: ScaleIndex, tared: &Tared) -> Mass {
        let pan = &self.pans[scale];
        let rest = tared.content.rest.unwrap_or_default();
        let moved = (tared.content.most - rest).max(Mass::ZERO);
        (pan.streamed(tared.content.flow)).min(moved.ratio(1, 2) + pan.unseen())
    }

    pub(super) fn in_vessel_mismatch(
        &mut self,
        scale: ScaleIndex,
        seen: &Observation,
        mut tared: Box<Tared>,
        level: Level,
        what: Mismatch,
    ) -> State {
        let Some(step) = self.step_now() else {
            return State::VesselMismatch { tared, level, what };
        };
        let jumped = seen.jump.is_some_and(|jump| jump.cause == JumpCause::Key);
        if seen.after_gap || jumped || seen.may_be_key() && seen.steady.is_some() {
            tared.content.strange = true;
            return self.doubt_the_frame(scale, &step, tared);
        }
        match (self.load(scale, seen.weight, seen.d), seen.steady) {
            (Load::Nothing, _) if seen.plateau => self.vessel_removed(Removed::new(tared)),
            (Load::BelowEmpty, Some(level)) => {
                self.empty_while_removed(scale, level, &mut tared);
                // Something was not as it left, and a key had come besides.
                let pours = step.vessel != VesselWay::Difference;
                tared.content.left_with = pours.then(|| tared.seen_in_it());
                self.vessel_removed(Removed::new(tared))
            }
            (Load::Something | Load::Nothing | Load::BelowEmpty, _) => {
                let expected = tared.shown_at_rest(step.vessel);
                let level = seen.steady.unwrap_or(level);
                let same = self.pans[scale].same(level.weight, expected, level.d);
                if seen.steady.is_some() && same && !tared.content.moved {
                    // What went is back, or what came is gone.
                    tared.tare.carried += 2;
                    return self.vessel_returned(level, tared);
                }
                State::VesselMismatch { tared, level, what }
            }
        }
    }

    /// Whether nothing but this step's ingredient is in the vessel, so that it can be emptied.
    pub(super) fn can_begin_afresh(&self) -> bool {
        self.step_now().is_some_and(|step| match step.vessel {
            VesselWay::Beaker | VesselWay::Jar => true,
            VesselWay::Bowl => self.is_fresh_bowl(),
            VesselWay::Difference => false,
        })
    }

    /// Nothing proves what the vessel took up: the step begins again, where it can.
    pub(super) fn tare_lost(&mut self, zero: Mass, tared: &Tared) -> State {
        let Some(step) = self.step_now() else {
            return State::Empty;
        };
        let d = self.readability(step.scale);
        // What it showed before the frame moved says nothing of its mass.
        let stood = match tared.suspect {
            Some(suspect) => suspect.since.level,
            None => tared.content.level,
        };
        // The empty pan itself is nothing that stood there.
        let least = vessel_at_least(d);
        let stood = stood.filter(|level| level.weight - zero > least);
        if !self.can_begin_afresh() {
            // What is in the bowl stays there: it goes on from what it weighs now.
            let mut tared = *tared;
            tared.suspect = None;
            tared.content.moved = true;
            tared.tare.unproven = tared.tare.unproven.max(step.highest);
            if let Some(vessel) = tared.tare.vessel {
                tared.tare.base = zero + vessel;
            }
            return self.vessel_removed(Removed::new(Box::new(tared)));
        }
        let stands = stood.map_or(Mass::ZERO, |level| level.weight - zero);
        self.note(remark!(
            "tare lost: the empty scale shows {zero} g; {stands} g on the pan were not recorded",
            zero = zero.grams(d),
            stands = stands.grams(d)
        ));
        self.fault_begins(Some(step.scale), FaultCode::TareLost);
        // Put back as it is, it weighs the same again, and then it is asked about.
        self.run.coming.refused = stood.map(|level| Refused::new(level.weight - zero, true));
        self.run.coming.lost_vessel = Some(Lost {
            empty: tared.tare.vessel,
            unpoured: false,
        });
        if stood.is_none() {
            self.run.coming.suspect.get_or_insert(Why::Stood);
        }
        let say = phrase!("The tare was lost. Begin this step again with an empty vessel.");
        self.cue_urgent(CueKind::Fault, say, &[]);
        self.wait_empty()
    }
}
