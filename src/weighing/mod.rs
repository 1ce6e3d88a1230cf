//! The weighing engine: readings in, cues and log rows out. No I/O, no clock; time is an argument.
//!
//! The rules, in the order of care:
//! - A weight is captured only when it is steady, inside its window for the dwell time, in a known
//!   unit, and when the tare is not in doubt. In doubt the engine waits, and asks once it matters.
//! - "Recorded" is said after the row is on the disk, never before.
//! - Whatever happens next is told in one short sentence.
//!
//! Calling order: [`Engine::handle`] for each input, then [`Engine::poll`] until it gives `None`;
//! [`Engine::deadline`] says when [`Engine::tick`] is due. An early or repeated tick does nothing.

mod bowl;
mod capture;
mod commands;
mod correct;
mod emit;
pub mod event;
mod filling;
mod grain;
mod lift;
mod mixing;
mod moving;
mod order;
mod pan;
mod phrases;
mod placing;
mod pour;
mod presses;
mod remedies;
mod removed;
mod residue;
mod resting;
mod run;
mod sends;
mod state;
mod steady;
mod tare_doubt;
mod tared;
mod trace;
mod trips;
mod undo;
mod wander;
mod zero;

#[cfg(test)]
mod tests;

use std::cell::RefCell;
use std::collections::VecDeque;

use self::event::{Event, Input, Live};
use self::pan::{Observation, Pan, PanSpec, Pans};
use self::run::Run;
use self::sends::Setting;
use self::state::{Removed, State};
use crate::formula::{Plan, Step, VesselWay};
use crate::language::{Slot, phrase, remark};
use crate::mass::Mass;
use crate::metrology::{Errors, Known, Uncertainty, Weighing, Window};
use crate::time::Moment;
use crate::vocabulary::code::{FaultCode, Help};
use crate::vocabulary::cue::{Cue, CueKind};
use crate::vocabulary::progress::{Progress, Refused};
use crate::vocabulary::reading::{Reading, ScaleIndex};
use crate::vocabulary::response::Response;
use crate::vocabulary::rules::Rules;
use crate::vocabulary::weight::Weight;

/// Vessels learned besides the configured ones.
const MOST_LEARNED: usize = 24;
/// What is to be set otherwise at a scale is said with every sentence for 30 s.
const TO_SET_US: u64 = 30_000_000;

/// What the engine knows of the bench from the start.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Setup {
    pub scales: Vec<ScaleSetup>,
    pub rules: Rules,
    /// What the vessels of the bench weigh empty.
    pub vessels: Vec<Mass>,
}

/// What is known of one scale.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct ScaleSetup {
    pub name: String,
    /// Readability d; `None`: the last digit shown.
    pub readability: Option<Mass>,
    /// Standard deviation of repeated net weighings; `None`: not measured.
    pub repeatability: Option<Mass>,
    /// What else is told of it.
    pub errors: Errors,
    /// Largest load; `None`: unknown.
    pub capacity: Option<Mass>,
}

/// The engine of one bench.
#[derive(Debug)]
pub struct Engine {
    rules: Rules,
    /// A scale that is silent for longer is asked about: microseconds.
    stale_us: u64,
    pans: Pans,
    names: Vec<String>,
    /// Empty weights of vessels: configured ones and those seen in this session.
    vessels: Vec<Mass>,
    /// The first so many of them are the configured ones.
    configured_vessels: usize,
    /// The batch under way; [`State::Done`] before the first and after each.
    run: Run,
    out: VecDeque<Event>,
    readings: bool,
    next_ticket: u64,
    last_cue: Option<Cue>,
    /// What was told beside it last.
    told: Option<emit::Told>,
    /// The fault that was said last and is not over: `status` must not hide it.
    fault: Option<Cue>,
    now: Moment,
    /// A row was not written yet, and that was told.
    log_failed: bool,
    windows: Windows,
}

/// What the window of a step is asked for, beside what never changes: a scale's [`PanSpec`] and the rules.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct WindowFor {
    /// What changes most comes first, since that is compared first.
    wander: Mass,
    target: Mass,
    scale: ScaleIndex,
    lowest: Mass,
    highest: Mass,
    moved: bool,
    d: Mass,
    carried: u32,
}

/// The two windows that were worked out last, since each reading asks for the same ones. They cannot be stale: one is given
/// for the very values alone that it was worked out from, and what else it hangs on has no way to change.
#[derive(Debug, Default)]
struct Windows {
    known: RefCell<[Option<(WindowFor, Window)>; 2]>,
}

impl Windows {
    fn of(&self, what: WindowFor, work_out: impl FnOnce(&WindowFor) -> Window) -> Window {
        let mut known = self.known.borrow_mut();
        for (of, window) in known.iter().flatten() {
            if *of == what {
                return *window;
            }
        }
        let window = work_out(&what);
        known[1] = known[0].replace((what, window));
        window
    }
}

impl Engine {
    pub fn new(setup: Setup) -> Engine {
        let spec = |scale: &ScaleSetup| PanSpec {
            readability: scale.readability,
            repeatability: scale.repeatability,
            errors: scale.errors,
            capacity: scale.capacity,
            steady_window: setup.rules.steady_window,
        };
        let pans = Pans::new(setup.scales.iter().map(spec), spec(&ScaleSetup::default()));
        Engine {
            rules: setup.rules,
            stale_us: (setup.rules.stale.clamp(0.5, 600.0) * 1e6) as u64,
            pans,
            names: setup.scales.into_iter().map(|scale| scale.name).collect(),
            configured_vessels: setup.vessels.len(),
            vessels: setup.vessels,
            run: Run::none(),
            out: VecDeque::new(),
            readings: false,
            next_ticket: 1,
            last_cue: None,
            told: None,
            fault: None,
            now: Moment::default(),
            log_failed: false,
            windows: Windows::default(),
        }
    }

    /// What is learned of each scale's filter so far.
    pub fn responses(&self) -> Vec<Option<Response>> {
        self.pans.iter().map(Pan::response).collect()
    }

    /// Takes over what was learned of a scale's filter before; ignored where it has learned itself.
    pub fn set_response(&mut self, scale: ScaleIndex, known: Response) {
        self.run.quiet = None;
        let pan = &mut self.pans[scale];
        if pan.response().is_none()
            && let Some(known) = known.checked()
        {
            pan.set_response(known);
        }
    }

    /// Takes one input. `scale` says which scale it is about and is ignored for commands and log
    /// answers. Time that steps back counts as no time passing.
    pub fn handle(&mut self, scale: ScaleIndex, input: Input, at: Moment) {
        self.now = self.now.max(at);
        let of_scale = !matches!(
            input,
            Input::Command(_) | Input::Logged { .. } | Input::NotLogged { .. }
        );
        if of_scale && !self.pans.has(scale) {
            return;
        }
        if !matches!(input, Input::Reading(_)) {
            self.run.quiet = None;
        }
        match input {
            Input::Reading(reading) => self.on_reading(scale, &reading),
            Input::Overload => self.on_overload(scale),
            Input::Underload => {
                self.pans[scale].steady.reset();
            }
            Input::Alive | Input::NoUnit => {
                let pan = &mut self.pans[scale];
                pan.heard = Some(self.now);
                pan.mute |= input == Input::Alive && pan.last.is_none();
                self.tell_that_nothing_counts(scale);
            }
            Input::Unread => {
                let pan = &mut self.pans[scale];
                pan.unread = pan.unread.saturating_add(1);
            }
            Input::Lost => self.on_lost(scale),
            Input::Back => self.pans[scale].lost = false,
            Input::Command(command) => {
                // Whoever needs the answer calls `command` itself.
                let _ = self.command(command, at);
            }
            Input::Logged { ticket, seq } => self.on_logged(ticket, seq),
            Input::NotLogged { ticket, why } => self.on_not_logged(ticket, why),
        }
    }

    /// As [`Engine::handle`] with [`Input::Reading`].
    pub fn reading(&mut self, scale: ScaleIndex, reading: &Reading, at: Moment) {
        self.now = self.now.max(at);
        if self.pans.has(scale) {
            self.on_reading(scale, reading);
        }
    }

    fn on_reading(&mut self, scale: ScaleIndex, reading: &Reading) {
        let pan = &mut self.pans[scale];
        // Lines that were held back on their way are of earlier than now, and in their order.
        let earliest = pan.last.map_or(reading.at, |last| last.at);
        let at = reading.at.max(earliest).min(self.now);
        let overloaded = pan.overload;
        let seen = match at == reading.at {
            // Nearly always, and then it need not be copied.
            true => pan.reading(reading),
            false => pan.reading(&Reading { at, ..*reading }),
        };
        self.back_from_silence(scale);
        if overloaded && self.scale_needed() == Some(scale) {
            self.fault_ends(Some(scale), FaultCode::Overload);
            self.repeat_cue();
        }
        self.on_seen(scale, &seen);
        self.tell_what_to_set(scale);
        if self.readings {
            self.emit_live(scale, &seen);
        }
    }

    /// The next event, in order.
    pub fn poll(&mut self) -> Option<Event> {
        self.out.pop_front()
    }

    /// Whether [`Event::Reading`] is wanted. Off at first.
    pub fn set_readings(&mut self, wanted: bool) {
        self.readings = wanted;
    }

    /// When [`Engine::tick`] is due, if nothing else comes first: when a scale that the running step
    /// needs has been silent for too long.
    pub fn deadline(&self) -> Option<Moment> {
        let scale = self.scale_needed()?;
        let pan = &self.pans[scale];
        if pan.lost || pan.silent {
            return None;
        }
        // A scale that never spoke is silent since the batch began.
        let heard = match &pan.last {
            Some(last) => pan.heard.map_or(last.at, |heard| heard.max(last.at)),
            None => pan.heard.unwrap_or(self.run.begun),
        };
        // What it is known to send so seldom is told with what to set, and not as a silence each time.
        let pause = pan.sends.pause();
        Some(heard.plus_micros(self.stale_us.max(pause + pause / 2)))
    }

    /// No tick is due before this, whatever is heard until then.
    pub fn no_tick_before(&self) -> Moment {
        let spoke = |pan: &Pan| pan.last.map_or(Moment::default(), |last| last.at);
        let first = self.pans.iter().map(spoke).min();
        first.unwrap_or_default().plus_micros(self.stale_us)
    }

    /// Time has passed.
    pub fn tick(&mut self, at: Moment) {
        self.run.quiet = None;
        self.now = self.now.max(at);
        if self.deadline().is_some_and(|due| due <= self.now)
            && let Some(scale) = self.scale_needed()
        {
            self.pans[scale].silent = true;
            if self.close_unseen() {
                return;
            }
            let name = self.scale_name(scale);
            self.fault_begins(Some(scale), FaultCode::Silent);
            self.cue_urgent(
                CueKind::Fault,
                phrase!(
                    "No weight from scale {name}. Look at its switch, its battery and its cable. If it is on, set it to send all the time, not only at rest, at a change or at a key; or identify it anew.",
                    name
                ),
                &[],
            );
        }
    }

    /// Lines come, and none of them has a weight: what is poured meanwhile nobody sees.
    fn tell_that_nothing_counts(&mut self, scale: ScaleIndex) {
        let pours = matches!(self.run.state, State::Tared(_));
        let pan = &self.pans[scale];
        let long = pan
            .last
            .is_some_and(|last| self.now.since(last.at) >= self.stale_us);
        if !pours || !long || pan.silent || self.scale_needed() != Some(scale) {
            return;
        }
        self.pans[scale].silent = true;
        self.fault_begins(Some(scale), FaultCode::Silent);
        let name = self.scale_name(scale);
        self.cue_urgent(
            CueKind::Fault,
            phrase!(
                "Scale {name} sends numbers without a unit, or no weight. Stop, and let it rest; if it stays so, look at its unit key.",
                name
            ),
            &[],
        );
    }

    fn scale_needed(&self) -> Option<ScaleIndex> {
        let run = &self.run;
        match run.state {
            State::Done => None,
            _ => Some(run.scale_needed()),
        }
    }

    fn scale_name(&self, scale: ScaleIndex) -> String {
        self.names.get(scale).cloned().unwrap_or_default()
    }

    /// A scale that sends in a way nobody can weigh by is named, with what to set; again while it goes on.
    fn tell_what_to_set(&mut self, scale: ScaleIndex) {
        if !self.pans[scale].sends.is_due() || self.scale_needed() != Some(scale) {
            return;
        }
        let Some(setting) = self.pans[scale].sends.take_due() else {
            return;
        };
        let name = self.scale_name(scale);
        let say = match setting {
            Setting::Seldom(us) => phrase!(
                "Scale {name} sends its weight every {every} s, too seldom to weigh by. Set it to send all the time, twice a second or more.",
                name,
                every = Slot::Number(format!("{:.1}", us as f64 / 1e6))
            ),
            Setting::AtRest => phrase!(
                "Scale {name} falls silent again and again. Set it to send all the time, not only at rest, at a change or at a key.",
                name
            ),
            Setting::Tares => phrase!(
                "Press no key of scale {name} while it comes to rest. If nobody pressed one, it tares by itself: set its automatic tare off.",
                name
            ),
        };
        self.tell_beside(say, CueKind::Fault, &[]);
        self.told_for(TO_SET_US);
    }

    fn back_from_silence(&mut self, scale: ScaleIndex) {
        if std::mem::take(&mut self.pans[scale].silent) {
            self.fault_ends(Some(scale), FaultCode::Silent);
            self.say_on(scale);
        }
    }

    /// What is to be done, once `scale` weighs again. A number said before the silence may be an old
    /// one: what went in meanwhile is not taken off it.
    fn say_on(&mut self, scale: ScaleIndex) {
        if self.scale_needed() != Some(scale) {
            return;
        }
        match self.run.state {
            // The reading that is at hand says it: the weight is the same, or the tare is to be proven.
            State::Tared(_) => self.fault = None,
            _ => self.repeat_cue(),
        }
    }

    fn on_lost(&mut self, scale: ScaleIndex) {
        let needed = self.scale_needed() == Some(scale);
        let pan = &mut self.pans[scale];
        if pan.lost {
            return;
        }
        pan.lost();
        pan.silent = true;
        self.fault_begins(Some(scale), FaultCode::Lost);
        if needed && !self.close_unseen() {
            let name = self.scale_name(scale);
            self.note(remark!("line to scale {name} lost", name = &name));
            self.cue_urgent(
                CueKind::Fault,
                phrase!("The line to scale {name} is gone. Plug it in or switch it on; what is recorded is safe.", name),
                &[],
            );
        }
    }

    fn on_overload(&mut self, scale: ScaleIndex) {
        let needed = self.scale_needed() == Some(scale);
        let now = self.now;
        let pan = &mut self.pans[scale];
        let first = !pan.overload;
        pan.overloaded(now);
        if first && needed {
            self.fault_begins(Some(scale), FaultCode::Overload);
            let comes = matches!(self.run.state, State::Empty | State::Landing(_));
            let way = self
                .run
                .current()
                .filter(|_| comes)
                .map(|step| step.vessel)
                // A bowl with earlier steps in it is the one there is.
                .filter(|way| *way != VesselWay::Bowl || self.is_fresh_bowl());
            self.cue_urgent(CueKind::Fault, phrases::overload(way), &[]);
        }
    }

    fn emit_live(&mut self, scale: ScaleIndex, seen: &Observation) {
        let net = self.run.live_net(scale, seen);
        let missing = net.zip(self.run.current()).map(|(n, s)| s.target - n);
        self.out.push_back(Event::Reading(Live {
            scale,
            weight: seen.weight,
            net,
            missing,
            steady: seen.steady.is_some(),
            readability: seen.d,
        }));
    }

    /// The window of a step for a net weight that rests on `2 + carried` readings at readability `d`.
    fn window(&self, step: &Step, d: Mass, carried: u32) -> Window {
        self.window_amid(step, d, carried, Mass::ZERO)
    }

    /// The same while the indication wanders by `wander`.
    fn window_amid(&self, step: &Step, d: Mass, carried: u32, wander: Mass) -> Window {
        let what = WindowFor {
            scale: step.scale,
            target: step.target,
            lowest: step.lowest,
            highest: step.highest,
            moved: step.vessel.moves() || carried > 0,
            d,
            carried,
            wander,
        };
        self.windows.of(what, |what| self.work_out(what))
    }

    fn work_out(&self, what: &WindowFor) -> Window {
        let weighing = Weighing {
            moved: what.moved,
            readings: Uncertainty::TARE_AND_GROSS + what.carried,
            wander: what.wander,
            ..Weighing::planned(what.target)
        };
        let u = self.uncertainty(what.scale, what.d, &weighing);
        let d = what.d;
        let d = if d > Mass::ZERO { d } else { Mass::from_mg(10) };
        let guard = self.rules.guard;
        Window::acceptance(what.target, what.lowest, what.highest, u, guard, d)
    }

    /// What of an expanded uncertainty (two standard ones) is kept off a tolerance.
    fn guarded(&self, uncertainty: Mass) -> Mass {
        Mass::from_g_f64(uncertainty.to_g_f64() / 2.0 * self.rules.guard).unwrap_or(uncertainty)
    }

    /// By the scale's whole budget.
    fn uncertainty(&self, scale: ScaleIndex, d: Mass, weighing: &Weighing) -> Uncertainty {
        let spec = self.pans[scale].spec();
        let known = Known {
            d,
            repeatability: spec.repeatability,
            capacity: spec.capacity,
            errors: spec.errors,
        };
        known.budget(weighing).uncertainty()
    }

    /// What two looks at the same load differ by: noise and rounding, and half the wander. By this it is
    /// judged whether something changed; an error that both looks have says nothing of that.
    fn scatter(&self, scale: ScaleIndex, d: Mass, carried: u32, wander: Mass) -> Uncertainty {
        let s = self.pans[scale].spec().repeatability;
        let quiet = Uncertainty::net(d, s, 2 + carried);
        if wander == Mass::ZERO {
            return quiet;
        }
        let both = quiet.grams().hypot(wander.to_g_f64() / 2.0);
        Uncertainty::from_grams(both).unwrap_or(quiet)
    }

    /// The readability in force on a scale; 0.01 g before it has said anything.
    fn readability(&self, scale: ScaleIndex) -> Mass {
        let pan = &self.pans[scale];
        let d = match pan.last {
            Some(_) => pan.d(),
            None => pan.spec().readability.unwrap_or_default(),
        };
        if d > Mass::ZERO { d } else { Mass::from_mg(10) }
    }

    fn tare_event(&mut self) {
        let run = &self.run;
        let tare = match &run.state {
            State::Tared(tared) | State::Removed(Removed { tared, .. }) => {
                let scale = run.current().map_or(0, |step| step.scale);
                self.pans[scale]
                    .zero_shown()
                    .map(|zero| tared.tare.base - zero)
            }
            State::Clear { .. }
            | State::Empty
            | State::Landing(_)
            | State::TareUnknown(_)
            | State::VesselMismatch { .. }
            | State::Writing(_)
            | State::Lift(_)
            | State::Mix { .. }
            | State::Residue(_)
            | State::Choose
            | State::Done => None,
        };
        let state = run.state.stands();
        self.out.push_back(Event::Tare { state, tare });
    }

    /// Whether `weight` is that of a known vessel.
    fn is_known_vessel(&self, weight: Mass, d: Mass) -> bool {
        // Two weighings of it agree within a step; a drop in it is more.
        let near = d.max(weight.abs().ratio(1, 20_000));
        self.vessels
            .iter()
            .any(|known| (*known - weight).abs() <= near)
    }

    /// Keeps the configured vessels and as many others as a bench has; with more of them in memory a
    /// vessel with something in it would weigh like one of them sooner.
    fn learn_vessel(&mut self, weight: Mass, d: Mass) {
        if weight > d * 50 && !self.is_known_vessel(weight, d) {
            if self.vessels.len() >= self.configured_vessels + MOST_LEARNED {
                self.vessels.remove(self.configured_vessels);
            }
            self.vessels.push(weight);
        }
    }

    /// Begins a plan, or goes on with it where `progress` says that it was begun before.
    ///
    /// # Errors
    /// When a batch is already under way, when the plan has no steps, or when it names a scale that
    /// the configuration does not have.
    pub fn begin(&mut self, plan: Plan, progress: Progress, at: Moment) -> Result<(), Refused> {
        self.now = self.now.max(at);
        if self.is_busy() {
            return Err(Refused::helped(
                phrase!("A batch is under way; stop it first."),
                Help::Stop,
            ));
        }
        if plan.steps.is_empty() {
            return Err(Refused::new(phrase!("The formula has nothing to weigh.")));
        }
        if let Some(step) = plan.steps.iter().find(|step| !self.pans.has(step.scale)) {
            return Err(Refused::new(phrase!(
                "Step {step} is for scale number {scale}, which the configuration does not have.",
                step = step.number,
                scale = step.scale + 1
            )));
        }
        for pan in self.pans.iter_mut() {
            // Silent or unplugged by now: what it showed last is not what stands there.
            if pan.is_stale(self.now) {
                pan.begin_afresh();
            }
        }
        for (number, tare) in &progress.tares {
            let step = number
                .checked_sub(1)
                .and_then(|index| plan.steps.get(index));
            let d = step.map_or(Mass::ZERO, |step| self.readability(step.scale));
            self.learn_vessel(*tare, d);
        }
        self.run = Run::new(plan, progress, self.now);
        self.last_cue = None;
        self.told = None;
        let state = self.go_on();
        self.enter(state);
        Ok(())
    }

    /// Whether a batch is under way.
    pub fn is_busy(&self) -> bool {
        !matches!(self.run.state, State::Done)
    }

    pub fn is_complete(&self) -> bool {
        self.run.is_begun() && self.run.done.iter().all(Option::is_some)
    }

    /// What is going on, for `bismar status`; the scales' part is filled in by the bench.
    pub fn status(&self, status: &mut crate::vocabulary::status::Status) {
        let run = &self.run;
        if !run.is_begun() {
            return;
        }
        status.formula = Some(run.plan.formula.clone());
        status.of = Some(run.plan.steps.len());
        status.say = self.standing();
        let stands = run.state.stands();
        status.tare = Some(stands.said().into());
        status.state = Some(stands);
        status.undo = self.undoes();
        if let Some(step) = run.current() {
            let d = self.readability(step.scale);
            status.step = Some(step.number);
            status.phase = run
                .plan
                .phases
                .get(step.phase)
                .map(|phase| phase.name.clone());
            status.ingredient = Some(step.ingredient.clone());
            status.lot = run.lots.get(&step.ingredient).cloned();
            status.lot_required = Some(step.lot_required);
            let weight = |mass: Mass| Some(Weight::new(mass, d));
            status.target = weight(step.target);
            // What is judged now; before there is a tare, what it will be on a good one.
            let window = match &run.state {
                State::Tared(tared) => self.window(step, d.max(tared.tare.d), tared.tare.carried),
                _ => self.window(step, d, 0),
            };
            status.low = weight(window.low);
            status.high = weight(window.high);
            if let State::Lift(written) = &run.state {
                status.net = weight(written.weight.net);
            }
            let later = run.plan.steps.get(run.step + 1..).unwrap_or_default();
            let ahead = later
                .iter()
                .take(2)
                .map(|step| crate::vocabulary::status::Ahead {
                    ingredient: step.ingredient.clone(),
                    target: Weight::new(step.target, self.readability(step.scale)),
                });
            status.ahead = ahead.collect();
            if let State::Tared(tared) = &run.state
                && tared.suspect.is_none_or(|suspect| suspect.exact)
                && let Some(shown) = self.pans[step.scale].last
            {
                let net = net_of(step, tared.tare.base, shown.weight);
                status.missing = weight(step.target - net);
            }
        }
    }

    /// Whether a scale that should speak has been silent.
    pub fn is_silent(&self, scale: ScaleIndex) -> bool {
        self.pans[scale].silent
    }

    /// The newest reading of a scale as (weight as shown, readability, unit, steady), for `status`.
    pub fn shows(
        &self,
        scale: ScaleIndex,
    ) -> Option<(Mass, Mass, Option<crate::mass::Unit>, bool)> {
        let pan = &self.pans[scale];
        let last = pan.last?;
        Some((
            last.weight,
            pan.d(),
            pan.unit,
            pan.level(self.now).is_some(),
        ))
    }
}

/// The net weight of a step: what came onto the pan since `base`, or, by difference, what went.
fn net_of(step: &Step, base: Mass, shown: Mass) -> Mass {
    match step.vessel {
        VesselWay::Beaker | VesselWay::Jar | VesselWay::Bowl => shown - base,
        VesselWay::Difference => base - shown,
    }
}
