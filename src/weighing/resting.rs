//! A tared vessel at rest: inside, too much, too little, or something else that stands there.

use std::ops::ControlFlow::{self, Break, Continue};

use super::order::vessel_at_least;
use super::phrases::Words;
use super::removed::most_gone;
use super::state::{Asked, Dip, Mismatch, State, Stayed, TareUnknown, Tared, Why};
use super::steady::Level;
use super::trace::Shape;
use super::{Engine, net_of, phrases};
use crate::formula::{Step, VesselWay};
use crate::mass::{Mass, Unit};
use crate::time::Moment;
use crate::vocabulary::command::Choice;
use crate::vocabulary::cue::CueKind;
use crate::vocabulary::reading::ScaleIndex;

/// A rest this soon after "ease off" tells what falls after the hand stops: 3 s.
const LEARN_WITHIN_US: u64 = 3_000_000;
/// So often in vain (`Approach::futile`), with the tare seen again after the second time.
pub(super) const PROVEN: u32 = 3;
/// A hand sets a vessel down on a thing in no more, in seconds: the doubt costs a question.
const IN_TIME: f64 = 1.4;
/// A scoop that is emptied at once gives no more than this: 50 g.
const SCOOP: Mass = Mass::from_g(50);
/// The zero drifts by no more than a step in this time; what comes faster is poured: 10 s.
const DRIFT_US: u64 = 10_000_000;

/// What is over at rest.
#[derive(Clone, Copy)]
struct Over {
    net: Mass,
    d: Mass,
    /// It came in one go.
    at_once: bool,
    /// The hand was told to stop, or to ease off, since the last rest.
    stopped: bool,
    say_again: bool,
}

impl Engine {
    /// The load is at rest.
    pub(super) fn at_rest(
        &mut self,
        scale: ScaleIndex,
        level: Level,
        step: &Step,
        mut tared: Box<Tared>,
    ) -> State {
        if let Some(suspect) = &mut tared.suspect {
            suspect.since.level = Some(level);
            if !suspect.exact {
                // Whatever a guess says, nobody is to pour or take out by it.
                return match tared.asked {
                    Some(Asked::Lift) => State::Tared(tared),
                    Some(_) | None => self.ask_lift_and_back(step, tared),
                };
            }
        }
        let d = level.d.max(tared.tare.d);
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
        if !pours && net_of(step, tared.tare.base, level.weight) <= most_gone(step, d) {
            self.trip_is_over(scale, d, &mut tared);
        }
        tared.wander = self.wander_of(&tared, d);
        let mut tared = match self.stands_as_tared(scale, level, step, tared) {
            Continue(tared) => tared,
            Break(state) => return state,
        };
        tared.content.dip = Dip::default();
        let amid = self.window_amid(step, d, tared.tare.carried, tared.wander);
        // Where the scale strays, what it can prove is asked for.
        let window = if amid.proven || tared.wander == Mass::ZERO {
            amid
        } else {
            self.window(step, d, tared.tare.carried)
        };
        let net = net_of(step, tared.tare.base, level.weight);
        let asked_out = tared.approach.said.is_some_and(|said| said.is_negative());
        if asked_out && net < tared.content.rest.unwrap_or_default() - d * 3 {
            // To and fro by what was poured and taken out again is no wander.
            self.pans[scale].wander.forget_stretch();
        }
        tared.content.creep.follow(tared.content.level, level);
        let before = tared.content.level;
        let came = |engine: &Engine| engine.shape_since(scale, level, before, d);
        let first = pours && tared.content.rest.is_none_or(|rest| rest.abs() <= d * 5);
        if first
            && tared.suspect.is_none()
            && !self.run.is_in_the_same_bowl()
            && came(self).is_some_and(|came| self.is_one_load(scale, &came, d))
        {
            let (known, heavy) = (
                self.is_known_vessel(net, d),
                self.is_heavy_for(scale, &tared, net),
            );
            // Once it was asked about in vain, more than was asked for may be of it too.
            let most = match self.run.asks_in_step() {
                0 => window.high,
                _ => step.highest.ratio(3, 2),
            };
            if heavy && !known && net <= most {
                // Or a swift pour into a light vessel.
                let mass = level.weight - self.zero(scale);
                return self.ask_about_tare(TareUnknown {
                    onto: Some(*tared),
                    ..TareUnknown::new(level, Why::Onto, mass)
                });
            }
            if heavy || known {
                // What was tared is something that lay there; the vessel came onto it.
                self.suspect(Why::Unseen);
                return self.judge_arrival(scale, level, None);
            }
        }
        if self.gained_by_a_key(step, net, d, &mut tared) {
            return self.doubt_the_frame(scale, step, tared);
        }
        let back = !pours && tared.content.most - net > vessel_at_least(d);
        let before = tared.content.rest.replace(net);
        self.source_gained(step, before, net, d, &mut tared);
        tared.content.level = Some(level);
        tared.content.left_rest = None;
        tared.content.moved = false;
        tared.content.most = net;
        tared.content.stayed = Stayed::at_rest(net);
        let stopped = std::mem::take(&mut tared.approach.stopped) || tared.approach.eased.is_some();
        tared.content.poured |= net.abs() > d * 5;
        if let Some((predicted, at)) = tared.approach.eased.take()
            && level.since.since(at) < LEARN_WITHIN_US
        {
            // At rest soon after the cue: the hand did stop, and what came after fell by itself.
            self.run
                .after_flow
                .entry(step.ingredient.clone())
                .or_default()
                .learn(predicted, net);
        }
        self.run.restless_since = None;
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
            let at_once = |came: Shape| came.leapt || self.is_one_load(scale, &came, d);
            let said = Over {
                net,
                d,
                at_once: came(self).is_some_and(at_once),
                stopped,
                say_again,
            };
            return self.over_at_rest(scale, step, tared, said);
        }
        if back {
            // It was off for too short a time to be seen off.
            return self.back_with_too_little(level, step, tared, before);
        }
        if say_again {
            return self.say_add(tared, net);
        }
        State::Tared(tared)
    }

    /// Unless what stands there is not the vessel that was tared with something poured into it, or taken out
    /// as it was asked for.
    fn stands_as_tared(
        &mut self,
        scale: ScaleIndex,
        level: Level,
        step: &Step,
        mut tared: Box<Tared>,
    ) -> ControlFlow<State, Box<Tared>> {
        let d = level.d.max(tared.tare.d);
        let pours = step.vessel != VesselWay::Difference;
        let net = net_of(step, tared.tare.base, level.weight);
        if !pours && net < -vessel_at_least(d) && tared.suspect.is_none() {
            // A source gains nothing: a hand or a spoon was tared, or another one stands there.
            return Break(match tared.content.poured {
                true => self.ask_about_vessel(level, tared),
                false => {
                    self.suspect(Why::Unseen);
                    self.judge_arrival(scale, level, None)
                }
            });
        }
        if !pours && tared.suspect.is_none() && self.lies_there_alone(scale, level, step, &tared) {
            return Break(self.lifted_off_something(scale, level, tared));
        }
        let sunk = pours && net < -(d * 5) && tared.suspect.is_none();
        let below = sunk && self.run.is_in_the_same_bowl();
        let asked_out = tared.was_asked_out();
        let briefly = !tared.content.poured && tared.content.most > d * 5;
        // What lay in it was taken out, and something came in since.
        let rose = tared.content.stayed.fell + net > vessel_at_least(d);
        if sunk && (briefly || rose) && !asked_out {
            // Some of this step was in it for a moment, or is; and how much nobody knows.
            return Break(self.ask_about_vessel(level, tared));
        }
        if below && (!tared.content.poured || tared.content.rest.is_none() || asked_out) {
            // More came out than this step put in.
            tared.tare.base = level.weight;
            tared.approach.peak = tared.approach.peak.map(|peak| peak - net);
            tared.content.rest = None;
            self.taken_from_bowl(scale, net.abs());
            return Break(self.say_add(tared, Mass::ZERO));
        }
        if sunk && !tared.content.poured {
            // A hand or a lid lay on it when it was tared: what stands there now is the vessel.
            return Break(self.tare_at(scale, level));
        }
        if pours && tared.content.poured && tared.suspect.is_none() {
            let stayed = tared.content.stayed;
            let rest = tared.content.rest.unwrap_or_default().max(stayed.most);
            // What was poured on since does not make up for it.
            let fell = (rest - net).max(stayed.fell);
            // More than is in it nobody takes out.
            let all = step.vessel != VesselWay::Bowl && net < -(d * 5);
            if fell > vessel_at_least(d) && (all || !asked_out) {
                // Nobody asked for that: a lid went, or a spoon that lay there; or some was taken out.
                let afresh = self.can_begin_afresh();
                let moving = stayed.fell > rest - net;
                let (say, choices): (_, &[Choice]) = match (afresh, all) {
                    (true, true) => (phrases::fell_by_more(step, fell, d), &[Choice::Again]),
                    (true, false) => (
                        phrases::fell(step, fell, d, moving, afresh),
                        &[Choice::Next, Choice::Again],
                    ),
                    (false, _) => (
                        phrases::fell(step, fell, d, moving, afresh),
                        &[Choice::Next],
                    ),
                };
                self.cue_urgent(CueKind::Choose, say, choices);
                return Break(State::VesselMismatch {
                    tared,
                    level,
                    what: Mismatch::Fell,
                });
            }
        }
        Continue(tared)
    }

    /// Too much is in it: to take out, until that was in vain so often that the tare is asked for.
    fn over_at_rest(
        &mut self,
        scale: ScaleIndex,
        step: &Step,
        mut tared: Box<Tared>,
        over: Over,
    ) -> State {
        let Over {
            net,
            d,
            at_once,
            stopped,
            say_again,
        } = over;
        let pours = step.vessel != VesselWay::Difference;
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
        if stopped && pours {
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
                let looked = tared.approach.futile > PROVEN + 1;
                let say = phrases::in_vain(step, -missing, d, looked, &choices);
                self.cue_urgent_with(CueKind::Choose, say, Some(missing), &choices);
                tared.approach.futile += 1;
            }
            return State::Tared(tared);
        }
        if tared.approach.futile == PROVEN - 1 && pours {
            tared.approach.futile = PROVEN;
            // So much is not in it: something else lies there, or the tare is another one. What it
            // showed is nothing to keep.
            tared.content.moved = true;
            return self.doubt_the_frame(scale, step, tared);
        }
        if say_again {
            self.cue_over(step, net, at_once, d);
        }
        State::Tared(tared)
    }

    /// Nothing is in it yet: what the indication does is drift, or a draught. Upwards only as slowly as
    /// a zero drifts, so that no drop is taken for it.
    fn follow_base(&mut self, scale: ScaleIndex, level: Level, step: &Step, tared: &mut Tared) {
        let net = net_of(step, tared.tare.base, level.weight);
        let d = level.d.max(tared.tare.d);
        // The last of a slow filter's rise comes after its rest.
        let slow = self.pans[scale].swift.is_some_and(|swift| swift > 1.0);
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
        tared.tare.follow(level);
        if let Some(vessel) = tared.tare.vessel {
            // The vessel did not change: the zero did.
            let exact = self.pans[scale].zero_is_exact();
            self.set_zero(scale, level.weight - vessel, exact);
        }
    }

    /// Whether what came onto the tared weight in one go weighs far more than that, and than a scoop holds. One jar
    /// after the other weighs about the same, and is no thing that lay there.
    fn is_heavy_for(&self, scale: ScaleIndex, tared: &Tared, net: Mass) -> bool {
        let own = tared.tare.base - self.zero(scale);
        let last = self.run.lifted_last();
        let last = last.and_then(|(_, written)| written.weight.tare.vessel);
        let like_last = last.is_some_and(|last| (own - last).abs() <= last.ratio(1, 5));
        net > (own * 3).max(SCOOP) && !like_last
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
        let pan = &self.pans[scale];
        Some(pan.shape(last.weight, level.weight, d))
    }

    /// It came as a lid, a spoon or a lump does.
    fn is_one_load(&self, scale: ScaleIndex, came: &Shape, d: Mass) -> bool {
        let pan = &self.pans[scale];
        // What a hand sets down in its time speeds up, and fades on a slow scale as no pour does.
        let one = pan.is_one_load(came, d) || came.is_set_down(IN_TIME);
        one && !came.is_pour(pan.swift)
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

    pub(super) fn dwell_us(&self) -> u64 {
        (self.rules.dwell.clamp(0.0, 30.0) * 1e6) as u64
    }

    /// Steady and inside the window: captured after the dwell, when nothing is in doubt.
    fn inside_at_rest(
        &mut self,
        scale: ScaleIndex,
        level: Level,
        step: &Step,
        mut tared: Box<Tared>,
    ) -> State {
        let since = *tared.approach.inside_since.get_or_insert(level.at);
        // A newest reading beyond the mean of the others may be the first of a late drop.
        let newest = self.pans[scale].last;
        let grows = newest.is_some_and(|last| net_of(step, level.weight, last.weight) > Mass::ZERO);
        if level.at.since(since) < self.dwell_us() || grows {
            return State::Tared(tared);
        }
        self.record_unless_asked(scale, level, step, tared)
    }

    /// What flickers within its window and comes to no rest: where it flickers little, the record says by how
    /// much; else the word is the maker's.
    pub(super) fn record_restless(
        &mut self,
        scale: ScaleIndex,
        step: &Step,
        mut tared: Box<Tared>,
        now: Moment,
    ) -> State {
        let pan = &self.pans[scale];
        let flicker = pan
            .restless(now)
            .filter(|_| pan.level(now).is_none())
            .filter(|&(level, range)| range <= level.d * 5);
        let Some((level, range)) = flicker else {
            self.say_draught(&mut tared);
            return State::Tared(tared);
        };
        tared.tare.unproven = tared.tare.unproven.max(range);
        self.record_unless_asked(scale, level, step, tared)
    }

    /// To the log, unless something is in doubt or must be known first.
    fn record_unless_asked(
        &mut self,
        scale: ScaleIndex,
        level: Level,
        step: &Step,
        mut tared: Box<Tared>,
    ) -> State {
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
        } else if self.lacks_lot(step) {
            let say = phrases::lot(&step.ingredient);
            self.ask_once(tared, Asked::Lot, CueKind::Choose, say)
        } else {
            self.record_inside(scale, tared, level, false)
        }
    }

    /// The wander of tare and gross together, what it crept at rest, and what the tare may have crept on.
    pub(super) fn wander_of(&self, tared: &Tared, d: Mass) -> Mass {
        let (base, now) = (tared.tare.wander, self.wander_now());
        let crept = tared
            .content
            .level
            .map(|level| tared.content.creep.amount(level));
        let crept = (crept.unwrap_or_default().abs() - d).max(Mass::ZERO);
        let on = tared.tare.creeps_on(self.now);
        let parts = [base, now, crept, on];
        if parts == [Mass::ZERO; 4] {
            return Mass::ZERO;
        }
        let all = parts.map(Mass::to_g_f64).into_iter().fold(0.0, f64::hypot);
        Mass::from_g_f64(all).unwrap_or(Mass::ZERO)
    }

    pub(super) fn ask_once(
        &mut self,
        mut tared: Box<Tared>,
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
        let pan = &self.pans[step.scale];
        let unit = pan.unit.filter(|unit| *unit != Unit::Gram)?;
        let fine = pan.finest.filter(|fine| *fine < d)?;
        let better = !self.window(step, d, 0).proven && self.window(step, fine, 0).proven;
        better.then_some(unit)
    }
}
