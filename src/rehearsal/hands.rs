//! The simulated hands: they hear what bismar says, take a moment, and act on the pan.
//!
//! What to do next is decided in `decide`, what goes wrong comes from `mishap`, and the acts
//! themselves are in `acts`.

use std::collections::VecDeque;

use super::acts::Act;
use super::habits::{Fault, Habits};
use super::pan::Vessel;
use super::table::Table;
use super::tasks::Tasks;
use crate::formula::VesselWay;
use crate::mass::Mass;
use crate::time::Moment;
use crate::vocabulary::code::FaultCode;
use crate::vocabulary::command::{Choice, Command};
use crate::vocabulary::cue::CueKind;
use crate::vocabulary::reading::ScaleIndex;
use crate::weighing::event::Event;

/// What was heard, and when it was said.
#[derive(Debug, Clone)]
pub(super) struct HeardCue {
    pub said: u64,
    pub kind: CueKind,
    pub missing: Option<Mass>,
    pub choices: Vec<Choice>,
    pub handled: bool,
}

#[derive(Debug, Clone)]
pub(super) enum Heard {
    Cue(HeardCue),
    Live {
        said: u64,
        missing: Mass,
    },
    Recorded(usize),
    /// The cue that follows asks to lift the vessel and put it back.
    LiftAndBack,
    Step {
        step: usize,
        ingredient: String,
        target: Mass,
        scale: ScaleIndex,
    },
    Closed,
}

/// See the module's text.
#[derive(Debug, Clone)]
pub struct Hands {
    pub(super) rng: fastrand::Rng,
    pub(super) habits: Habits,
    pub(super) steps: Vec<(VesselWay, ScaleIndex)>,
    script: Option<Vec<(usize, Fault)>>,
    heard: VecDeque<(u64, Heard)>,
    /// Lots by ingredient, to be told when its step begins.
    pub(super) lots: Vec<(String, String)>,
    pub(super) tasks: Tasks,
    /// The emptied beaker that is to be weighed back.
    pub(super) emptied: Option<Vessel>,
    /// It is, or is about to be, on the scale.
    pub(super) weighing_back: bool,
    pub(super) queue: VecDeque<Act>,
    /// When the act at hand began.
    began: Option<u64>,
    pub(super) cue: Option<HeardCue>,
    /// What is missing as last seen, and when it was so.
    pub(super) live: Option<(u64, Mass)>,
    /// The running step from 1, 0 before the first.
    pub(super) step: usize,
    pub(super) scale: ScaleIndex,
    pub(super) target: Mass,
    pub(super) recorded: usize,
    pub(super) recorded_at: u64,
    pub(super) begun: u64,
    pub(super) quiet_since: u64,
    /// The vessel is to be lifted and put back.
    pub(super) lift_and_back: bool,
    pub(super) nudges: u32,
    pub(super) faults: Vec<Fault>,
    pub(super) timed: Vec<(u64, usize, Fault)>,
    /// When the UNIT key is pressed to bring the first unit back, and where.
    pub(super) unit_back: Vec<(u64, usize)>,
    /// Whether this step's ingredient comes in scoops.
    pub(super) scoops: bool,
    /// Grams poured before anybody asked for it.
    pub(super) poured_early: Option<f64>,
    pub(super) landed_at: u64,
    pub(super) poured_at: u64,
    pub(super) hand: Option<Vessel>,
    pub(super) bowl: Option<Vessel>,
    pub(super) last_beaker: Option<Mass>,
    pub(super) closed: bool,
    pub(super) leaves_at: Option<u64>,
    pub(super) gave_up: Option<usize>,
}

impl Hands {
    pub(super) fn new(
        steps: Vec<(VesselWay, ScaleIndex)>,
        habits: Habits,
        script: Option<Vec<(usize, Fault)>>,
        seed: u64,
    ) -> Hands {
        Hands {
            rng: fastrand::Rng::with_seed(seed),
            habits,
            steps,
            script,
            heard: VecDeque::new(),
            lots: Vec::new(),
            tasks: Tasks::default(),
            emptied: None,
            weighing_back: false,
            queue: VecDeque::new(),
            began: None,
            cue: None,
            live: None,
            step: 0,
            scale: 0,
            target: Mass::ZERO,
            recorded: 0,
            recorded_at: 0,
            begun: 0,
            quiet_since: 0,
            lift_and_back: false,
            nudges: 0,
            faults: Vec::new(),
            timed: Vec::new(),
            unit_back: Vec::new(),
            scoops: false,
            poured_early: None,
            landed_at: 0,
            poured_at: 0,
            hand: None,
            bowl: None,
            last_beaker: None,
            closed: false,
            leaves_at: None,
            gave_up: None,
        }
    }

    pub(super) fn is_finished(&self, now: Moment) -> bool {
        self.leaves_at.is_some_and(|at| at <= now.0)
    }

    pub(super) fn gave_up(&self) -> Option<usize> {
        self.gave_up
    }

    /// Notes an event said at `at`; it is taken in after a human delay.
    pub(super) fn hear(&mut self, at: Moment, event: &Event) {
        let reaction = self.habits.reaction;
        let (delay, heard) = match event {
            Event::Cue(cue) => {
                let delay = match cue.kind {
                    CueKind::EaseOff | CueKind::Hold | CueKind::TakeOut => {
                        reaction * (0.8 + 0.5 * self.rng.f64())
                    }
                    CueKind::Place
                    | CueKind::Add
                    | CueKind::Lift
                    | CueKind::Mix
                    | CueKind::Choose
                    | CueKind::Fault
                    | CueKind::Done => self.habits.reading * (0.7 + 0.6 * self.rng.f64()),
                };
                let cue = HeardCue {
                    said: at.0,
                    kind: cue.kind,
                    missing: cue.missing,
                    choices: cue.choices.clone(),
                    handled: false,
                };
                (delay, Heard::Cue(cue))
            }
            Event::Reading(live) => match live.missing {
                Some(missing) if live.scale == self.scale => (
                    reaction,
                    Heard::Live {
                        said: at.0,
                        missing,
                    },
                ),
                Some(_) | None => return,
            },
            Event::Recorded { step, .. } => (reaction, Heard::Recorded(*step)),
            Event::Step {
                step,
                ingredient,
                target,
                scale,
                ..
            } => {
                let (ingredient, target) = (ingredient.clone(), *target);
                (
                    0.1,
                    Heard::Step {
                        step: *step,
                        ingredient,
                        target,
                        scale: *scale,
                    },
                )
            }
            Event::Closed { .. } => (reaction, Heard::Closed),
            Event::Fault {
                code: FaultCode::Tare,
                over: false,
                ..
            } => (0.1, Heard::LiftAndBack),
            Event::Log(_) | Event::Fault { .. } | Event::Tare { .. } => return,
        };
        let due = at.0 + (delay * 1e6) as u64;
        let place = self.heard.partition_point(|&(when, _)| when <= due);
        self.heard.insert(place, (due, heard));
    }

    /// One tick: take in what is due, go on with what is in hand, or decide anew.
    pub(super) fn tick(&mut self, now: Moment, dt: u64, table: &mut Table) {
        while let Some(&(due, _)) = self.heard.front()
            && due <= now.0
            && let Some((_, heard)) = self.heard.pop_front()
        {
            self.take_in(now, heard, table);
        }
        self.fire_timed(now, table);
        // Acts without duration follow each other in the same tick; the bound is never reached.
        for _ in 0..32 {
            let Some(act) = self.queue.pop_front() else {
                self.decide(now, table);
                break;
            };
            let began = *self.began.get_or_insert(now.0);
            match self.perform(act, began, now, dt, table) {
                Some(unfinished) => {
                    self.queue.push_front(unfinished);
                    break;
                }
                None => self.began = None,
            }
        }
    }

    fn take_in(&mut self, now: Moment, heard: Heard, table: &mut Table) {
        match heard {
            Heard::Live { said, missing } => {
                self.live = Some((said, missing));
                if missing <= Mass::ZERO {
                    self.stop_pouring(now.0);
                }
            }
            Heard::Cue(cue) => {
                self.quiet_since = now.0;
                match cue.kind {
                    CueKind::EaseOff | CueKind::Hold | CueKind::TakeOut | CueKind::Lift => {
                        self.stop_pouring(now.0);
                    }
                    CueKind::Fault | CueKind::Choose => self.stop_pouring(now.0),
                    CueKind::Place | CueKind::Add | CueKind::Mix | CueKind::Done => {}
                }
                self.cue = Some(cue);
            }
            Heard::LiftAndBack => self.lift_and_back = true,
            Heard::Recorded(step) => {
                self.recorded = self.recorded.max(step);
                self.recorded_at = now.0;
                self.quiet_since = now.0;
                self.nudges = 0;
            }
            Heard::Step {
                step,
                ingredient,
                target,
                scale,
            } => {
                if step != self.step {
                    self.begin_step(now, step, scale, target, table);
                    self.tell_lot(&ingredient);
                }
                self.target = target;
                if let Some(truth) = table.truths.get_mut(&step) {
                    truth.ingredient = ingredient;
                    truth.target = target;
                }
            }
            Heard::Closed => {
                self.closed = true;
                self.leaves_at = Some(now.0 + 1_500_000);
            }
        }
    }

    fn begin_step(
        &mut self,
        now: Moment,
        step: usize,
        scale: ScaleIndex,
        target: Mass,
        table: &mut Table,
    ) {
        self.step = step;
        self.scale = scale;
        self.target = target;
        self.begun = now.0;
        self.quiet_since = now.0;
        self.nudges = 0;
        self.live = None;
        self.lift_and_back = false;
        self.poured_early = None;
        self.prepare(step, table);
        if step == 1 {
            let wait = (self.habits.first_wait.clamp(0.0, 60.0) * 1e6) as u64;
            self.queue.push_back(Act::Wait(wait));
        }
    }

    fn tell_lot(&mut self, ingredient: &str) {
        let named = self.lots.iter().position(|(of, _)| of == ingredient);
        if let Some(index) = named {
            let (_, lot) = self.lots.remove(index);
            self.queue.push_back(Act::Say(Command::Lot(lot)));
        }
    }

    /// Draws the faults of a step the hands are about to begin; once for each step.
    pub(super) fn prepare(&mut self, step: usize, table: &mut Table) {
        if table.truths.contains_key(&step) {
            return;
        }
        self.scoops = self.rng.f64() < self.habits.scoops;
        let drawn = self.habits.faults.draw(&mut self.rng);
        self.faults = match &self.script {
            Some(script) => script
                .iter()
                .filter(|&&(of, _)| of == step)
                .map(|&(_, fault)| fault)
                .collect(),
            None => drawn,
        };
        let mut truth = super::truth::Truth::new(step, self.way(step), self.scale_of(step));
        truth.faults = self.faults.clone();
        table.truths.insert(step, truth);
    }

    pub(super) fn way(&self, step: usize) -> VesselWay {
        let index = step.saturating_sub(1);
        self.steps
            .get(index)
            .map_or(VesselWay::Beaker, |&(way, _)| way)
    }

    pub(super) fn scale_of(&self, step: usize) -> ScaleIndex {
        let index = step.saturating_sub(1);
        self.steps.get(index).map_or(0, |&(_, scale)| scale)
    }

    /// What was just said was refused: nobody throws away what is told to be kept. The sentence
    /// that stood before stands again. Some do not listen.
    pub(super) fn refused(&mut self) {
        if self.weighing_back {
            self.leave_emptied();
            return;
        }
        if self.rng.f64() < 0.2 {
            return;
        }
        let emptied = self.queue.iter().position(|act| matches!(act, Act::Empty));
        if let Some(last) = emptied {
            self.queue.drain(..=last);
            self.began = None;
        }
    }

    /// The sentence that stood before stands again.
    pub(super) fn again_from_cue(&mut self) {
        self.began = None;
        if let Some(cue) = &mut self.cue {
            cue.handled = false;
        }
    }

    fn stop_pouring(&mut self, now: u64) {
        if let Some(Act::Pour { pour, .. }) = self.queue.front_mut() {
            pour.stop(now);
        }
    }
}
