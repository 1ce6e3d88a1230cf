//! The order of steps: phases, mixing, the end of the batch.

use super::event::Event;
use super::pan::{JumpCause, Observation, Zero};
use super::phrases::Words;
use super::placing::{FLICKER, SLOW_LANDING_US};
use super::run::{Settling, Unrested};
use super::state::{Asked, Landing, Removed, State, Tared, Why};
use super::steady::{Level, Stand};
use super::zero::Load;
use super::{Engine, phrases};
use crate::formula::{Step, VesselWay, examples};
use crate::language::remark::joined;
use crate::language::{phrase, remark};
use crate::mass::{Grams, Mass, Unit};
use crate::time::Moment;
use crate::vocabulary::code::{FaultCode, Stands};
use crate::vocabulary::command::Choice;
use crate::vocabulary::cue::Ask;
use crate::vocabulary::cue::CueKind;
use crate::vocabulary::entry::RowKind;
use crate::vocabulary::progress::left_out_beside;
use crate::vocabulary::reading::ScaleIndex;

/// Less than this on the pan is a crumb, a spill or drift, not a vessel: 1 g, and 20 d.
pub(super) fn vessel_at_least(d: Mass) -> Mass {
    (d * 20).max(Mass::from_g(1))
}

/// A vessel that may stand there unseen is asked for after 8 s.
const UNSEEN_US: u64 = 8_000_000;
/// Who pours out of a source is done with it after 40 s.
const POURS_US: u64 = 40_000_000;
/// What is inside and not recorded after 20 s is spoken of.
const UNRECORDED_US: u64 = 20_000_000;
/// A batch waits for the empty pan after its last lift for no longer than 6 s.
const CLOSING_US: u64 = 6_000_000;
/// For one that is back from its last mixing and still moves, for no longer than 15 s.
const SETTLING_US: u64 = 15_000_000;
/// Who says that it is mixed may be just setting the bowl down: 1.5 s.
const BACK_US: u64 = 1_500_000;
/// What rests and is short for 30 s may have been the last of it.
const SHORT_US: u64 = 30_000_000;
/// Something was done, the pan has been at rest for so long, and nothing was said: 10 s.
const UNANSWERED_US: u64 = 10_000_000;

/// A person who was asked to put it back waits for longer than this before she does it once more: 1 s.
const AGAIN_US: u64 = 1_000_000;

impl Engine {
    /// The next thing to do: the mixing of a phase, a step, or the end.
    pub(super) fn go_on(&mut self) -> State {
        let run = &mut self.run;
        run.step = run
            .done
            .iter()
            .position(Option::is_none)
            .unwrap_or(run.done.len());
        run.restless_since = None;
        run.wrong_scale = false;
        // A phase is over when the step before is its last one; its mixing comes first.
        let before = run.step.checked_sub(1).and_then(|i| run.plan.steps.get(i));
        if let Some(before) = before.filter(|step| run.mixes_after(step)) {
            let phase = before.phase;
            return self.ask_to_mix(phase);
        }
        if run.step >= run.done.len() {
            run.bowl.finished = None;
            let (scale, waits) = (run.last_scale(), run.awaits_the_bowls_lift());
            let now = self.now;
            if waits && self.is_loaded(scale) && self.bowl_stands(scale) {
                if self.run.stirred_where_it_stands() {
                    // What it weighs now is looked at first.
                    self.run.closing_since.get_or_insert(now);
                    return State::Clear { unseen: false };
                }
                return self.ask_for_the_bowls_lift();
            }
            let check = self.run.lift_check.as_ref();
            let checks = check.is_some_and(|check| check.scale == scale);
            // The bowl that is mixed may be on its way back, or stirred where it stands.
            if checks || self.run.bowl.gross.is_some() {
                self.run.closing_since.get_or_insert(now);
                return State::Clear { unseen: false };
            }
            return self.closing();
        }
        run.closing_since = None;
        self.announce_step();
        self.start_state()
    }

    /// The empty pan has the last word on what is in the bowl.
    pub(super) fn ask_for_the_bowls_lift(&mut self) -> State {
        self.run.closing_since = None;
        self.cue(
            CueKind::Lift,
            phrases::lift_the_bowl(),
            None,
            &[Choice::Next],
        );
        State::Clear { unseen: false }
    }

    /// All is weighed and lifted: the batch closes when the empty pan has spoken, or does not in time.
    pub(super) fn closes_now(&self) -> Option<bool> {
        let run = &self.run;
        let since = run.closing_since.filter(|_| run.current().is_none())?;
        // A bowl that is back before that is looked at once more.
        let waited = self.now.since(since);
        let unseen = run.bowl.gross.is_some();
        let back = unseen && (self.is_loaded(run.last_scale()) || waited < BACK_US);
        let spoken = run.lift_check.is_none() && !back;
        let longest = match unseen && self.is_loaded(run.last_scale()) {
            // It is about to rest, on a slow scale later.
            true => SETTLING_US + self.pans[run.last_scale()].settles_in(),
            // A slow scale shows the empty pan later.
            false => CLOSING_US + self.pans[run.last_scale()].settles_in(),
        };
        Some(spoken || waited > longest)
    }

    /// The scale was switched off after the last lift: the batch closes without the empty pan's word.
    pub(super) fn close_unseen(&mut self) -> bool {
        let waits = self.closes_now().is_some();
        if waits {
            let state = self.closing();
            self.enter(state);
        }
        waits
    }

    /// All is weighed, mixed and off the scale.
    pub(super) fn closing(&mut self) -> State {
        self.last_word_of_the_pan();
        match self.ask_about_limits() {
            true => State::Choose,
            false => self.finish(true),
        }
    }

    fn ask_to_mix(&mut self, phase: usize) -> State {
        let run = &mut self.run;
        run.mixing.pending = Some(phase);
        run.mixing.pan_was_empty = std::mem::take(&mut run.coming.in_transit);
        run.mixing.disturbed = run.mixing.pan_was_empty;
        self.say_to_mix(phase);
        State::Mix { phase }
    }

    pub(super) fn say_to_mix(&mut self, phase: usize) {
        let run = &self.run;
        let last = run.step >= run.done.len();
        let planned = run.plan.phases.get(phase);
        let name = planned.map_or("", |planned| planned.name.as_str());
        let text = planned
            .and_then(|planned| planned.mix.as_deref())
            .unwrap_or_default();
        let say = if last {
            phrases::last_mix(name, text)
        } else {
            phrases::mix(name, text)
        };
        self.cue(CueKind::Mix, say, None, &[Choice::Next]);
    }

    /// The mixing of the pending phase is confirmed.
    pub(super) fn mixing_done(&mut self, how: &str) {
        let run = &mut self.run;
        let Some(phase) = run.mixing.pending.take() else {
            return;
        };
        run.mixing.done.push(phase);
        run.mixing.just_done = true;
        let planned = run.plan.phases.get(phase);
        let name = planned.map(|p| p.name.clone()).unwrap_or_default();
        let text = planned.and_then(|p| p.mix.clone()).unwrap_or_default();
        let mut draft = self.batch_draft(RowKind::Mixed);
        draft.phase = name;
        draft.note = format!("{text} ({how})");
        self.log(draft);
    }

    pub(super) fn announce_step(&mut self) {
        let Some(step) = self.step_now() else { return };
        let plan = &self.run.plan;
        let Some(phase) = plan.phases.get(step.phase) else {
            return;
        };
        let (phase, of) = (phase.name.clone(), plan.steps.len());
        let d = self.readability(step.scale);
        let window = self.window(&step, d, 0);
        self.out.push_back(Event::Step {
            step: step.number,
            of,
            phase,
            ingredient: step.ingredient.clone(),
            target: step.target,
            low: window.low,
            high: window.high,
            scale: step.scale,
        });
    }

    /// Where the step begins depends on what is on the pan already.
    fn start_state(&mut self) -> State {
        let Some(step) = self.step_now() else {
            return State::Done;
        };
        let run = &mut self.run;
        let bowl_base = run.bowl.base.take();
        // A bowl that was away to be mixed comes back with a weight of its own.
        let mixed = std::mem::take(&mut run.mixing.just_done);
        let emptied = mixed && run.mixing.pan_was_empty;
        let same_bowl = run.is_in_the_same_bowl();
        if !same_bowl {
            run.bowl.gross = None;
            run.bowl.records.clear();
            run.bowl.from_the_log.clear();
        }
        let first = run.done.iter().all(Option::is_none);
        let resumed = run.coming.resumed;
        let in_transit = std::mem::take(&mut run.coming.in_transit);
        run.coming.other_zero = None;
        let pan = &self.pans[step.scale];
        let d = self.readability(step.scale);
        let loaded = match (pan.last, pan.zero_shown()) {
            (Some(last), Some(zero)) => last.weight - zero > vessel_at_least(d),
            (Some(_) | None, Some(_) | None) => false,
        };
        let loaded = loaded && !in_transit;
        let level = pan.level(self.now);
        if let (true, true, false, Some((base, d))) = (loaded, same_bowl, emptied, bowl_base) {
            // Stirring leaves or takes a little; more than that was poured before the word.
            let shown = level.map_or(pan.last.map_or(base, |last| last.weight), |l| l.weight);
            return match level {
                Some(level) if (shown - base).abs() <= vessel_at_least(d) && mixed => {
                    self.bowl_came_back(step.scale, shown - base, d);
                    self.tare_at(step.scale, level)
                }
                Some(_) | None => {
                    let stirred = mixed && level.is_none();
                    self.tare_as(step.scale, base, d)
                        .with_tared(|tared| tared.content.stirred = stirred)
                }
            };
        }
        let landing = State::Landing(Landing::since(self.now));
        let uninvited = (resumed && step.vessel.is_apart()) || (first && pan.left_over);
        match (loaded, level) {
            (true, Some(_) | None) if uninvited => {
                // It may be the beaker that was recorded last, and full.
                self.ask_clear(step.vessel, false)
            }
            // It is looked at when it is at rest, and asked about.
            (true, Some(_) | None) if resumed => landing,
            (true, Some(level)) if first || same_bowl => self.tare_at(step.scale, level),
            // Not at rest: a vessel that is just coming, or the bowl while it is stirred.
            (true, None) if first || same_bowl => landing,
            (true, Some(_) | None) => self.ask_clear(step.vessel, false),
            (false, Some(_) | None) => {
                self.cue_place();
                State::Empty
            }
        }
    }

    pub(super) fn cue_place(&mut self) {
        let Some(step) = self.step_now() else { return };
        let d = self.readability(step.scale);
        let name = self.scale_name(step.scale);
        let several = self.pans.count() > 1;
        let mut text = phrases::place(
            &step,
            d,
            several.then_some(name.as_str()),
            self.is_fresh_bowl(),
        );
        if let Some(caution) = &step.caution {
            // One sentence at the bench; `check` shows the whole text.
            let first = caution
                .split_inclusive(". ")
                .next()
                .unwrap_or(caution)
                .trim();
            text = text.and(phrase!(
                "Caution: {first}",
                first = examples::caution(first)
            ));
        }
        let mut text = Words::from(text);
        if self.lacks_lot(&step) {
            let lot = phrase!("Lot of {name} needed.", name = &step.ingredient);
            text = Words::from(text.say.and(lot)).asking(Ask::Lot);
        }
        self.cue(CueKind::Place, text, Some(step.target), &[]);
    }

    /// Whether the formula asks for a lot of this step's ingredient and none is named yet.
    pub(super) fn lacks_lot(&self, step: &Step) -> bool {
        step.lot_required && !self.run.lots.contains_key(&step.ingredient)
    }

    /// The vessel on the pan is tared at rest by ourselves.
    pub(super) fn tare_at(&mut self, scale: ScaleIndex, level: Level) -> State {
        self.tare_as(scale, level.weight, level.d)
    }

    /// The vessel is tared at `base` (as shown).
    pub(super) fn tare_as(&mut self, scale: ScaleIndex, base: Mass, d: Mass) -> State {
        let tared = self.tared_as(scale, base, d);
        self.say_add(tared, Mass::ZERO)
    }

    /// A vessel whose tare is `base` (as shown) from now on.
    pub(super) fn tared_as(&self, scale: ScaleIndex, base: Mass, d: Mass) -> Box<Tared> {
        let mut tared = Tared::new(base, d, self.now);
        tared.tare.wander = self.wander_now();
        tared.tare.vessel = self.vessel_mass(scale, base);
        tared
    }

    /// How far the scale of the running step strays at this moment.
    pub(super) fn wander_now(&self) -> Mass {
        let pan = self.scale_needed().map(|scale| &self.pans[scale]);
        pan.map_or(Mass::ZERO, |pan| pan.wander.amount(pan.d()))
    }

    /// Says what is missing at a net weight of `net`.
    pub(super) fn say_add(&mut self, mut tared: Box<Tared>, net: Mass) -> State {
        let Some(step) = self.step_now() else {
            return State::Tared(tared);
        };
        let d = self.readability(step.scale);
        let missing = step.target - net;
        tared.approach.said = Some(missing);
        tared.approach.eased = None;
        tared.approach.stopped = false;
        let mut say = phrases::add(&step, missing, d);
        if let Some(unit) = self.too_coarse(&step, d) {
            say = say.after(phrases::unit(unit));
        }
        self.cue(CueKind::Add, say, Some(missing), &[]);
        State::Tared(tared)
    }

    /// The batch ends. `complete`: every step is weighed.
    pub(super) fn finish(&mut self, complete: bool) -> State {
        if self.fill().is_some() {
            return self.finish_filling();
        }
        let run = &mut self.run;
        let mixing = run.mixing.pending.take();
        let total: Mass = run.done.iter().flatten().map(|weighed| weighed.net).sum();
        let settled = run.done.iter().flatten().count();
        let left_out = run.done.iter().flatten();
        let left_out = left_out.filter(|weighed| weighed.is_left_out()).count();
        let weighed = settled - left_out;
        let of = run.done.len();
        let d = run
            .plan
            .steps
            .iter()
            .map(|step| step.scale)
            .min()
            .unwrap_or(0);
        let d = self.readability(d);
        let mut draft = self.batch_draft(RowKind::Closed);
        draft.readability = d;
        draft.target = Some(self.run.plan.batch);
        draft.net = Some(total);
        let mut note = if complete {
            remark!("complete")
        } else {
            remark!("stopped after {settled} of {of} weighings", settled, of)
        };
        if complete && mixing.is_some() {
            note = joined(note, remark!("the last mixing was not confirmed"));
        }
        draft.note = note.into();
        let open = self.unrecorded();
        if let Some((net, name)) = open.as_ref().filter(|_| !complete) {
            self.note(remark!(
                "{net} g {name} of this step are not recorded",
                net = *net,
                name
            ));
        }
        self.log(draft);
        for pan in self.pans.iter_mut() {
            pan.left_over = true;
        }
        let out = left_out_beside(left_out);
        let say = if complete {
            let total = phrases::grams(total, d);
            match weighed {
                1 => phrase!("Done. {total} g weighed in 1 step{out}.", total, out),
                _ => phrase!(
                    "Done. {total} g weighed in {weighed} steps{out}.",
                    total,
                    weighed,
                    out
                ),
            }
        } else if let Some((net, name)) = open {
            phrase!(
                "Stopped. {weighed} of {of} weighed{out}; {net} g {name} are not recorded.",
                weighed,
                of,
                out,
                net,
                name
            )
        } else {
            phrase!("Stopped. {weighed} of {of} weighed{out}.", weighed, of, out)
        };
        self.cue(CueKind::Done, say, None, &[]);
        self.out.push_back(Event::Closed { complete });
        State::Done
    }

    /// What is weighed of the running step and not recorded, with its ingredient.
    pub(super) fn unrecorded(&self) -> Option<(Grams, String)> {
        let (State::Tared(tared) | State::Removed(Removed { tared, .. })) = &self.run.state else {
            return None;
        };
        let step = self.step_now()?;
        let d = self.readability(step.scale);
        let net = tared.content.rest.filter(|&net| net > d * 5)?;
        Some((phrases::grams(net, d), step.ingredient.clone()))
    }

    /// Takes a reading. One that only goes on where nothing is due is not asked what it means; in a debug build it is,
    /// and nothing may come of it.
    pub(super) fn on_seen(&mut self, scale: ScaleIndex, seen: &Observation) {
        if self.is_quiet(scale, seen)
            && let State::Tared(tared) = &mut self.run.state
        {
            tared.content.level = seen.steady;
            if cfg!(debug_assertions) {
                let (rests, said) = (**tared, self.out.len());
                self.look_at(scale, seen);
                let now = &self.run.state;
                let same = matches!(now, State::Tared(now) if **now == rests);
                debug_assert!(same && self.out.len() == said, "{rests:?} {now:?}");
            }
            return;
        }
        self.look_at(scale, seen);
        let until = self.quiet_until(scale, seen);
        self.run.quiet = until.map(|until| (scale, until));
    }

    /// Whether nothing can come of this reading.
    fn is_quiet(&self, scale: ScaleIndex, seen: &Observation) -> bool {
        let Some((of, until)) = self.run.quiet.filter(|_| seen.again && !seen.presses) else {
            return false;
        };
        let rests = match &self.run.state {
            State::Tared(tared) => tared.content.level.zip(seen.steady),
            _ => None,
        };
        of == scale
            && seen.at < until
            && rests.is_some_and(|(before, now)| now.goes_on_from(&before))
            && self.pans[scale].wander.is_calm(seen.d)
    }

    /// Until when nothing comes of readings that only go on from this one: a vessel rests, this one changed nothing of
    /// it, and no time that is asked for at its rest is over before. What asks for another such time is named here.
    fn quiet_until(&self, scale: ScaleIndex, seen: &Observation) -> Option<Moment> {
        let run = &self.run;
        let State::Tared(tared) = &run.state else {
            return None;
        };
        let plain = seen.again
            && !seen.presses
            && run.scale_needed() == scale
            && self.out.is_empty()
            && self.way_now() != VesselWay::Difference
            && run.lift_check.is_none()
            && tared.suspect.is_none()
            && tared.content.unasked.is_none()
            && !tared.tare.creeps()
            // The base follows what lies a step above it, in time.
            && (tared.content.poured || tared.content.rest == Some(Mass::ZERO))
            && self.pans[scale].wander.is_calm(seen.d);
        if !plain || !run.is_as_before() {
            return None;
        }
        let creeps = tared.content.creep.until(tared.content.level.as_ref()?)?;
        let inside = tared.approach.inside_since;
        let waits = run.waits_since.filter(|(_, told)| !told);
        let spoken = &run.spoken;
        let unanswered = spoken.still.filter(|_| spoken.answered || spoken.hold);
        let times = [
            inside.map(|since| since.plus_micros(self.dwell_us())),
            waits.map(|(since, _)| since.plus_micros(UNRECORDED_US.min(SHORT_US))),
            unanswered.map(|still| still.since().max(spoken.at).plus_micros(UNANSWERED_US)),
        ];
        times.into_iter().flatten().chain([creeps]).min()
    }

    /// What a reading means, by the state of the step.
    fn look_at(&mut self, scale: ScaleIndex, seen: &Observation) {
        let here = self.run.scale_needed() == scale;
        self.find_first_zero(scale, seen, here);
        if !here {
            self.on_other_scale(scale, seen);
            return;
        }
        if seen.unit_changed {
            self.on_unit_changed(scale);
        }
        self.check_the_lift(scale, seen);
        if seen.presses && self.on_presses() {
            return;
        }
        let run = &mut self.run;
        if seen.steady.is_some()
            && run.settling.told
            && let State::Tared(tared) = &mut run.state
        {
            // Another sentence stands in place of what was said.
            tared.approach.said = None;
        }
        let step = run.hold_step();
        // It stays in its place until the next one is known: others look at it meanwhile.
        let state = match run.copy_of_state() {
            State::Clear { unseen } => self.in_clear(scale, seen, unseen),
            State::Empty => self.in_empty(scale, seen),
            State::Landing(landing) => self.in_landing(scale, seen, landing),
            State::TareUnknown(unsure) => self.in_tare_unknown(scale, seen, *unsure),
            State::Tared(tared) => match &step {
                Some(step) => self.in_tared(scale, seen, step, tared),
                None => State::Tared(tared),
            },
            State::Removed(removed) => self.in_removed(scale, seen, removed),
            State::VesselMismatch { tared, level, what } => {
                self.in_vessel_mismatch(scale, seen, tared, level, what)
            }
            State::Writing(pending) => self.in_writing(scale, seen, pending),
            State::Lift(written) => match &step {
                Some(step) => self.in_lift(scale, seen, step, written),
                None => State::Lift(written),
            },
            State::Mix { phase } => self.in_mix(scale, seen, phase),
            State::Residue(emptied) => self.in_residue(scale, seen, emptied),
            State::Choose => {
                self.follow_idle_pan(scale, seen);
                State::Choose
            }
            State::Done => State::Done,
        };
        self.run.held = step;
        self.enter(state);
        self.say_that_it_settles(scale, seen);
        self.remind(scale, seen);
        self.say_once_more(scale, seen);
        self.say_that_it_sways(scale, seen);
    }

    /// What waits for a rest waits for ever in a wind that does not end: that is said once in each state, with the
    /// word that takes a vessel as it stands. What moves by no more than a flicker is no wind.
    fn say_that_it_sways(&mut self, scale: ScaleIndex, seen: &Observation) {
        let state = &self.run.state;
        let waits = match state {
            State::Empty
            | State::Landing(_)
            | State::Clear { .. }
            | State::TareUnknown(_)
            | State::Removed(_)
            | State::VesselMismatch { .. }
            | State::Residue(_) => true,
            State::Tared(_)
            | State::Writing(_)
            | State::Lift(_)
            | State::Mix { .. }
            | State::Choose
            | State::Done => false,
        };
        let landing = matches!(state, State::Landing(_));
        // A rest ends a landing; one that did not was the turn of a swing.
        let over = !waits || seen.after_gap || (seen.steady.is_some() && !landing);
        let flickers = |(_, range): (Level, Mass)| range <= seen.d * FLICKER;
        if over || self.pans[scale].restless(seen.at).is_some_and(flickers) {
            self.run.unrested = None;
            return;
        }
        let stands = state.stands();
        let same = self.run.unrested.filter(|before| before.stands == stands);
        let mut unrested = same.unwrap_or(Unrested::begin(stands, seen));
        unrested.follow(seen, seen.d * FLICKER);
        let tells = unrested.is_to_be_told(seen.at);
        self.run.unrested = Some(unrested);
        if !tells {
            return;
        }
        self.fault_begins(Some(scale), FaultCode::Unsteady);
        let back =
            stands == Stands::Away && self.load(scale, seen.weight, seen.d) == Load::Something;
        if landing || back {
            self.cue_urgent(CueKind::Fault, phrases::sways_there(), &[Choice::Next]);
        } else {
            self.tell_beside(phrases::sways(), CueKind::Fault, &[]);
        }
    }

    /// What was off and stands there again has done what the sentence asks; a slow scale takes its time to see
    /// it, and who hears nothing meanwhile does it once more. At rest the state says what is next; off again, the sentence comes back.
    fn say_that_it_settles(&mut self, scale: ScaleIndex, seen: &Observation) {
        let faulty = self.fault.is_some();
        let run = &self.run;
        let doubted = matches!(&run.state, State::Tared(tared) if tared.was_asked_off()
            && tared.suspect.is_some_and(|suspect| suspect.since.rested_low()));
        let off = match &run.state {
            State::Removed(_) => true,
            State::Tared(tared) => {
                let source = run.current().map(|step| step.vessel) == Some(VesselWay::Difference);
                doubted || (source && tared.suspect.is_none())
            }
            State::Residue(emptied) => !emptied.logged,
            _ => false,
        };
        let nothing = off && !doubted && self.load(scale, seen.weight, seen.d) == Load::Nothing;
        let low_since = if let State::Tared(tared) = &run.state {
            tared.is_off_since(seen.at)
        } else {
            None
        };
        let run = &mut self.run;
        if seen.steady.is_some() || nothing || !off {
            run.settling = Settling::default();
            // A question that nothing answers at rest stands there again.
            if run.spoken.meanwhile && (seen.steady.is_some() || nothing) {
                self.say_what_stands();
            }
            return;
        }
        let since = run.settling.follow(seen);
        let told = run.settling.told;
        if told && doubted && since.is_none() {
            // Off once more, and not seen at rest.
            run.settling.told = false;
            self.say_what_stands();
            return;
        }
        // Who is asked to lift it, and to put it back, does that again as soon as nothing is said.
        let wait = if doubted { AGAIN_US } else { SLOW_LANDING_US };
        let long = since.is_some_and(|since| seen.at.since(since) > wait);
        // Its own fault stands while a tare is doubted.
        if long && !told && (doubted || !faulty) {
            run.settling.told = true;
            self.say_meanwhile(phrases::settling());
            return;
        }
        run.settling.told_off &= since.is_none();
        let low_long = low_since.is_some_and(|low| seen.at.since(low) > AGAIN_US);
        if low_long && since.is_none() && !run.settling.told_off {
            // Who goes by the display puts it back before the engine has seen it rest, and does so for ever.
            run.settling.told_off = true;
            self.say_meanwhile(phrases::settling_empty());
        }
    }

    /// Whoever did something, or was told to hold still, and hears nothing while the pan rests, is told anew:
    /// the engine waits for something else than she thinks. What is asked for then needs nothing of what was
    /// believed before.
    fn say_once_more(&mut self, scale: ScaleIndex, seen: &Observation) {
        let run = &mut self.run;
        let spoken = &mut run.spoken;
        let moved = seen
            .before
            .is_some_and(|before| (seen.weight - before).abs() > vessel_at_least(seen.d));
        spoken.answered |= moved || seen.jump.is_some();
        if !(spoken.answered || spoken.hold) {
            return;
        }
        // A mark of rest that comes and goes is a flicker, not an answer.
        let still = Stand::follow(spoken.still, seen.at, seen.weight, seen.d * FLICKER);
        spoken.still = Some(still);
        let since = seen.steady.map(|_| still.since().max(spoken.at));
        let long = since.is_some_and(|since| seen.at.since(since) >= UNANSWERED_US);
        if !long {
            return;
        }
        let moved_since = spoken.answered;
        let state = run.state.clone();
        let nothing = self.load(scale, seen.weight, seen.d) == Load::Nothing;
        let state = match state {
            State::Empty => self.ask_clear(self.way_now(), nothing),
            State::Tared(mut tared) => {
                // Whatever was said already is said anew at the next rest.
                tared.approach.said = None;
                if tared.asked != Some(Asked::Lot) {
                    tared.asked = None;
                }
                match self.step_now().filter(|_| tared.suspect.is_some()) {
                    Some(step) => self.ask_lift_and_back(&step, tared),
                    None => State::Tared(tared),
                }
            }
            State::Removed(removed) => self.vessel_removed(removed),
            State::VesselMismatch { tared, level, what } => {
                let bowl = self.way_now() == VesselWay::Bowl && !self.can_begin_afresh();
                let next = bowl || self.is_plausible(&tared, level);
                let choice = if next { Choice::Next } else { Choice::Again };
                let say = phrases::as_it_stands(self.way_now(), next);
                self.cue_urgent(CueKind::Choose, say, &[choice]);
                State::VesselMismatch { tared, level, what }
            }
            // She did as asked, and what rests there now may be no vessel: no word makes it one.
            State::TareUnknown(_) if moved_since && self.way_now() != VesselWay::Difference => {
                self.ask_clear(self.way_now(), false)
            }
            State::TareUnknown(unsure) => self.ask_about_tare(super::state::TareUnknown {
                why: Why::Often,
                ..*unsure
            }),
            State::Clear { .. } | State::Residue(_) => {
                self.repeat_cue();
                state
            }
            State::Lift(_) if self.may_be_lifted() => {
                // What was taken for a key may have been the lift.
                self.cue_urgent(CueKind::Lift, phrases::lift_or_next(), &[Choice::Next]);
                state
            }
            // While it is stirred, written or thought over, nobody is hurried.
            State::Landing(_)
            | State::Writing(_)
            | State::Lift(_)
            | State::Mix { .. }
            | State::Choose
            | State::Done => return,
        };
        self.enter(state);
    }

    /// Where nothing happens for a while, what may be the matter is said, once: a vessel stands there that
    /// the scale does not show, a weight that should be recorded is not, or no more of an ingredient comes.
    fn remind(&mut self, scale: ScaleIndex, seen: &Observation) {
        let run = &self.run;
        let Some(step) = run.current() else { return };
        let (way, state) = (step.vessel, &run.state);
        // A flicker of two steps is no rest, and nobody's hand either.
        let nothing = || self.load(scale, seen.weight, seen.d) == Load::Nothing;
        let little = run.coming.little;
        let too_light = run.coming.lifted_in_vain && little.is_some();
        let there = !too_light && (run.coming.maybe_there || run.coming.unheard);
        let little = little.filter(|_| !there);
        let (mut short, mut over) = (None, false);
        let (waits, after) = match state {
            State::Empty => {
                // It is asked what stands there first.
                let after = if there { UNSEEN_US } else { UNRECORDED_US };
                ((there || little.is_some()) && nothing(), after)
            }
            // A source is off for as long as she pours out of it.
            State::Removed(removed) => {
                let after = match removed.vanished || way != VesselWay::Difference {
                    true => UNSEEN_US,
                    false => POURS_US,
                };
                (nothing(), after)
            }
            State::Tared(tared) => {
                let net = super::net_of(step, tared.tare.base, seen.weight);
                let d = seen.d.max(tared.tare.d);
                let window = self.window(step, d, tared.tare.carried);
                let rests = seen.steady.is_some() && net > step.target.ratio(1, 10);
                short = (rests && net < window.low).then(|| step.target - net);
                let sure = tared.suspect.is_none() && tared.content.poured;
                over = way != VesselWay::Difference && rests && net > window.high;
                let asked = matches!(tared.asked, Some(Asked::Lot | Asked::Strays));
                let after = if short.is_some() {
                    SHORT_US
                } else {
                    UNRECORDED_US
                };
                (
                    sure && !asked && (short.is_some() || over || window.holds(net)),
                    after,
                )
            }
            State::Clear { .. }
            | State::Landing(_)
            | State::TareUnknown(_)
            | State::VesselMismatch { .. }
            | State::Writing(_)
            | State::Lift(_)
            | State::Mix { .. }
            | State::Residue(_)
            | State::Choose
            | State::Done => (false, UNSEEN_US),
        };
        let weighs = matches!(state, State::Tared(_));
        let away = matches!(state, State::Removed(_));
        let empty = matches!(state, State::Empty);
        let by = |before| (seen.weight - before).abs();
        let moved = empty && seen.before.is_none_or(|before| by(before) > seen.d * 5);
        let run = &mut self.run;
        if !waits || moved || seen.after_gap {
            run.waits_since = None;
            return;
        }
        let (since, told) = *run.waits_since.get_or_insert((seen.at, false));
        if told || seen.at.since(since) < after {
            return;
        }
        run.waits_since = Some((since, true));
        if let Some(missing) = short {
            let Some(step) = run.current() else { return };
            let say = phrases::no_more(step, missing, seen.d);
            self.cue(CueKind::Choose, say, Some(missing), &[Choice::Keep]);
        } else if over {
            // As much as it is now, at the next reading.
            if let State::Tared(tared) = &mut run.state {
                tared.approach.said = None;
            }
        } else if weighs {
            if let (Some(step), State::Tared(tared)) = (self.step_now(), self.run.state.clone()) {
                let state = self.record_restless(scale, &step, tared, seen.at);
                self.enter(state);
            }
        } else if let Some(little) = little.filter(|_| !away) {
            let say = phrases::too_little(way, little, vessel_at_least(seen.d), seen.d);
            self.tell_beside(say, CueKind::Place, &[]);
        } else {
            run.coming.lifted_in_vain = !away;
            if empty && self.was_said(&[CueKind::Lift]) {
                self.cue_place();
            }
            self.tell_beside(phrases::may_stand_there(way), CueKind::Place, &[]);
        }
    }

    /// The step stands there now; who listens hears of it where its name is another one.
    #[inline(always)]
    pub(super) fn enter(&mut self, state: State) {
        self.run.put_state(state);
        self.entered();
    }

    fn entered(&mut self) {
        let stands = self.run.state.stands();
        if self.run.told_state == Some(stands) {
            // Nearly every reading ends it here.
            return;
        }
        for pan in self.pans.iter_mut() {
            pan.idle = stands == Stands::Empty;
        }
        self.run.told_state = Some(stands);
        self.tare_event();
    }

    /// The first weight at rest says where zero is: at or below zero, the pan is empty. Above it,
    /// something stands there already, and the scale's zero is taken for the empty pan's.
    fn find_first_zero(&mut self, scale: ScaleIndex, seen: &Observation, here: bool) {
        let unattended = !here || !self.is_busy();
        // Under a vessel, what is at rest at zero is what the key made of it.
        let waits = matches!(self.run.state, State::Empty | State::Done);
        let pan = &mut self.pans[scale];
        let key =
            || seen.jump.is_some_and(|jump| jump.cause != JumpCause::Load) || seen.may_be_key();
        if unattended && (seen.after_gap || key()) {
            pan.forget_zero();
        }
        // "Net" at zero carries what the TARE key took off.
        let may_be_empty = |shown: Mass| shown <= seen.d * 3 && waits && !seen.net_flag;
        let unknown = pan.zero.is_none() && seen.steady.is_none();
        let flat = match unknown && may_be_empty(seen.weight.abs()) {
            true => pan.flat(),
            false => None,
        };
        let Some(level) = seen.steady.or(flat) else {
            return;
        };
        let zero = pan.zero_shown().unwrap_or_default();
        if level.weight - zero <= vessel_at_least(seen.d) {
            pan.left_over = false;
        }
        let mute = std::mem::take(&mut pan.mute);
        let first = match &mut pan.zero {
            None => {
                pan.zero = Some(match flat {
                    Some(flat) => Zero::flat(flat.weight),
                    None if may_be_empty(level.weight) => Zero::seen(level.weight),
                    None => Zero::worked_out(Mass::ZERO, false),
                });
                true
            }
            Some(_) => false,
        };
        if first {
            // No scale shows less than zero with nothing on it, unless it was tared.
            self.run.coming.maybe_there |= level.weight < -(seen.d * 5);
            self.run.coming.unheard = mute && waits && level.weight <= vessel_at_least(seen.d);
            if mute && level.weight > vessel_at_least(seen.d) {
                // It spoke before, and what it showed then nobody knows.
                self.suspect(Why::Unseen);
            }
            self.begin_loaded(scale, level.weight, seen);
        }
    }

    /// A batch that begins with a vessel on the pan: it is tared where it stands. A scale that says
    /// "net" at zero carries exactly what its TARE key took off: a vessel as well.
    fn begin_loaded(&mut self, scale: ScaleIndex, shown: Mass, seen: &Observation) {
        let run = &self.run;
        let waits = matches!(run.state, State::Empty);
        let first = run.done.iter().all(Option::is_none);
        let here = run.current().map(|step| step.scale) == Some(scale);
        let net_zero = seen.net_flag && shown.abs() <= seen.d * 3;
        let left_over = self.pans[scale].left_over;
        if !(waits && first && here) {
            return;
        }
        if (run.coming.resumed || left_over) && (net_zero || shown > vessel_at_least(seen.d)) {
            // Nobody knows what was poured before the restart.
            let state = self.ask_clear(self.way_now(), net_zero);
            self.enter(state);
            return;
        }
        if seen.net_flag && !net_zero && shown.abs() <= vessel_at_least(seen.d) {
            // A tare is in force, and nearly all that it took off stands there; the rest is nobody knows what.
            let state = self.ask_clear(self.way_now(), true);
            self.enter(state);
            return;
        }
        if net_zero {
            self.pans[scale].zero = None;
            let state = self.tare_as(scale, shown, seen.d);
            self.enter(state);
        }
    }

    fn on_other_scale(&mut self, scale: ScaleIndex, seen: &Observation) {
        // Of what was weighed there last its empty pan speaks all the same.
        self.check_the_lift(scale, seen);
        let loaded = seen.newly_steady && self.load(scale, seen.weight, seen.d) == Load::Something;
        let run = &mut self.run;
        let waiting = matches!(run.state, State::Empty | State::Mix { .. });
        let previous_here = run.step.checked_sub(1).and_then(|i| run.plan.steps.get(i));
        let left_over = previous_here.is_some_and(|step| step.scale == scale);
        if loaded && waiting && !run.wrong_scale && !left_over {
            run.wrong_scale = true;
            let here = self.scale_name(scale);
            let right = self
                .scale_needed()
                .map(|s| self.scale_name(s))
                .unwrap_or_default();
            self.fault_begins(Some(scale), FaultCode::WrongScale);
            self.cue_urgent(
                CueKind::Fault,
                phrase!(
                    "This step is for scale {right}, not {here}. Move the beaker there.",
                    right,
                    here
                ),
                &[],
            );
        }
    }

    fn on_unit_changed(&mut self, scale: ScaleIndex) {
        let pan = &self.pans[scale];
        let (Some(unit), Some(usual)) = (pan.unit, pan.usual) else {
            return;
        };
        self.note(remark!(
            "scale {name} changed its unit to {unit}",
            name = self.scale_name(scale),
            unit = unit.to_string()
        ));
        // Grams are what a scale on another unit is asked to be set to: they are no slip of the key.
        let over = unit == usual || unit == Unit::Gram;
        if over {
            self.pans[scale].usual = Some(unit);
            self.fault_ends(Some(scale), FaultCode::Unit);
        } else {
            self.fault_begins(Some(scale), FaultCode::Unit);
        }
        let lift = |tared: &Tared| tared.asked == Some(Asked::Lift);
        let asks = matches!(&self.run.state, State::Tared(tared) if lift(tared));
        if over && asks {
            // The tare is in doubt still.
            self.say_what_stands();
        } else if over {
            // What was to be done before is to be done again.
            self.repeat_cue();
        } else {
            self.tell_beside(phrases::unit_changed(unit, usual), CueKind::Fault, &[]);
        }
    }
}
