//! Scales and hands together in virtual time.
//!
//! The caller wires the other side: take [`Stage::next`], give bytes, losses and words to the bench,
//! give every event that comes back to [`Stage::hear`], and so on until `None`.

use super::habits::{Fault, Habits};
use super::hands::Hands;
use super::scale::SimScaleSpec;
use super::table::Table;
use super::tasks::Tasks;
use super::truth::Truth;
use crate::formula::{Plan, VesselWay};
use crate::time::Moment;
use crate::vocabulary::command::Command;
use crate::vocabulary::reading::ScaleIndex;
use crate::weighing::event::Event;

/// The step of simulated time, microseconds.
const TICK_US: u64 = 10_000;
/// With nothing else to say, the stage says what time it is this often.
const QUIET_US: u64 = 100_000;

/// What comes from the bench next, in order of time.
#[derive(Debug, Clone, PartialEq)]
pub enum StageOutput {
    /// Bytes from a scale's line.
    Bytes {
        at: Moment,
        scale: ScaleIndex,
        bytes: Vec<u8>,
    },
    /// The cable is out; the unfinished line is lost.
    Lost { at: Moment, scale: ScaleIndex },
    /// The cable is in again; the first line begins in its middle.
    Back { at: Moment, scale: ScaleIndex },
    /// The person says a word.
    Command { at: Moment, command: Command },
    /// What the hands do, for a person who watches the rehearsal.
    Hands { at: Moment, text: String },
    /// Nothing happened; only time has passed.
    Quiet { at: Moment },
}

impl StageOutput {
    pub fn at(&self) -> Moment {
        match self {
            StageOutput::Bytes { at, .. }
            | StageOutput::Lost { at, .. }
            | StageOutput::Back { at, .. }
            | StageOutput::Command { at, .. }
            | StageOutput::Hands { at, .. }
            | StageOutput::Quiet { at } => *at,
        }
    }
}

/// What is on the stage.
#[derive(Debug, Clone)]
pub struct StageSpec {
    pub scales: Vec<SimScaleSpec>,
    /// Way and scale of each step: what a person sees on the formula's sheet.
    pub steps: Vec<(VesselWay, ScaleIndex)>,
    pub habits: Habits,
    /// Faults by step (from 1) instead of those drawn from the habits.
    pub script: Option<Vec<(usize, Fault)>>,
    pub seed: u64,
}

impl StageSpec {
    /// The stage for a plan.
    pub fn for_plan(plan: &Plan, scales: Vec<SimScaleSpec>, habits: Habits, seed: u64) -> Self {
        let steps = plan.steps.iter().map(|step| (step.vessel, step.scale));
        StageSpec {
            scales,
            steps: steps.collect(),
            habits,
            script: None,
            seed,
        }
    }
}

/// See the module's text.
#[derive(Debug, Clone)]
pub struct Stage {
    table: Table,
    hands: Hands,
    /// Simulated so far.
    now: Moment,
    /// The time of the last output given out.
    told: Moment,
}

impl Stage {
    pub fn new(spec: StageSpec) -> Stage {
        Stage {
            table: Table::new(spec.scales, spec.seed ^ 0x7461_626c),
            hands: Hands::new(spec.steps, spec.habits, spec.script, spec.seed),
            now: Moment::default(),
            told: Moment::default(),
        }
    }

    /// What happens next; `None` when the hands have left the bench. Always ends: the hands give
    /// a step up after [`Habits::give_up`] seconds.
    #[expect(
        clippy::should_implement_trait,
        reason = "hear() belongs between two calls"
    )]
    pub fn next(&mut self) -> Option<StageOutput> {
        loop {
            if let Some(output) = self.table.out.pop_front() {
                self.told = self.told.max(output.at());
                return Some(output);
            }
            if self.now.since(self.told) >= QUIET_US {
                self.told = self.now;
                return Some(StageOutput::Quiet { at: self.now });
            }
            if self.hands.is_finished(self.now) {
                return None;
            }
            self.tick();
        }
    }

    fn tick(&mut self) {
        let from = self.now;
        let to = from.plus_micros(TICK_US);
        self.hands.tick(from, TICK_US, &mut self.table);
        self.table.tick(from, to);
        self.now = to;
    }

    /// The hands hear what bismar says, as of the last output; they react after a human delay.
    pub fn hear(&mut self, event: &Event) {
        self.hands.hear(self.told, event);
    }

    /// The word said last was refused.
    pub fn refused(&mut self) {
        self.hands.refused();
    }

    /// Bytes that bismar sent to a scale (a poll command).
    pub fn receive(&mut self, scale: ScaleIndex, bytes: &[u8]) {
        self.table.receive(scale, bytes);
    }

    /// Lots by ingredient, as read from the bottle: told when the first step of the ingredient begins.
    pub fn read_lots(&mut self, lots: Vec<(String, String)>) {
        self.hands.lots = lots;
    }

    /// What the hands do besides the plan's steps.
    pub fn send(&mut self, tasks: Tasks) {
        self.hands.tasks = tasks;
    }

    /// How far simulated time has come.
    pub fn now(&self) -> Moment {
        self.now
    }

    /// The truth about `step` (from 1), once it was begun.
    pub fn truth(&self, step: usize) -> Option<&Truth> {
        self.table.truths.get(&step)
    }

    /// The truth about every step that was begun, in order.
    pub fn truths(&self) -> impl Iterator<Item = &Truth> {
        self.table.truths.values()
    }

    /// Whether the hands gave up; the step they gave up on, 0 before the first.
    pub fn gave_up(&self) -> Option<usize> {
        self.hands.gave_up()
    }

    /// The scales, their pans and the truth, for a test that looks behind the scenes.
    pub fn table(&self) -> &Table {
        &self.table
    }
}
