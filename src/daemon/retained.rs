//! The state that holds right now, for who comes later: the lines of the step, of the cue that says what to do and of a
//! fault that is not over for a subscriber, and what was recorded last for who asks.

use std::borrow::Cow;

use crate::formula::Plan;
use crate::protocol::event::Recorded;
use crate::protocol::subscribers::Line;
use crate::protocol::wire::recorded;
use crate::vocabulary::cue::{Cue, CueKind};
use crate::vocabulary::entry::{Draft, RowKind};
use crate::vocabulary::progress::Progress;
use crate::vocabulary::weight::Weight;
use crate::weighing::event::Event;

/// The lines of the events that hold now, as they were sent.
#[derive(Debug, Default)]
pub struct Retained {
    step: Option<Line>,
    cue: Option<Line>,
    /// A fault does not hide what is to be done.
    fault: Option<Line>,
    recorded: Option<Recorded<'static>>,
    filling: bool,
}

impl Retained {
    /// Whether [`Retained::note`] keeps `event`.
    pub fn wants(event: &Event) -> bool {
        matches!(event, Event::Step { .. } | Event::Cue(_))
    }

    /// Keeps the line of an event that holds until the next of its kind.
    pub fn note(&mut self, event: &Event, line: &Line) {
        let line = Some(Line::clone(line));
        match event {
            Event::Step { .. } => self.step = line,
            Event::Cue(Cue {
                kind: CueKind::Fault,
                ..
            }) => self.fault = line,
            Event::Cue(_) => {
                self.cue = line;
                self.fault = None;
            }
            Event::Reading(_)
            | Event::Log(_)
            | Event::Recorded { .. }
            | Event::Fault { .. }
            | Event::Tare { .. }
            | Event::Closed { .. } => {}
        }
    }

    /// Keeps what was recorded; whoever counts what is recorded is told of it once.
    pub fn note_recorded(&mut self, event: &Event) {
        if let Some(recorded) = recorded(event) {
            self.recorded = Some(recorded.into_owned());
        }
    }

    /// A row of a weight without one takes back what was recorded of its step.
    pub fn note_row(&mut self, row: &Draft) {
        let of_weight = matches!(row.kind, RowKind::Weighed | RowKind::Filled);
        if of_weight && row.net.is_none() {
            self.recorded.take_if(|last| last.step == row.step);
        }
    }

    /// A batch that begins, or goes on: what its log had last.
    pub fn of(plan: &Plan, progress: &Progress) -> Retained {
        let last = progress.weighed.iter().max_by_key(|(_, one)| one.seq);
        let recorded = last.and_then(|(&step, weighed)| {
            let of = plan.steps.get(step.checked_sub(1)?)?;
            Some(Recorded {
                step,
                ingredient: Cow::Owned(of.ingredient.clone()),
                net: Weight::plain(weighed.net),
                verdict: weighed.verdict,
                seq: weighed.seq,
            })
        });
        Retained {
            recorded,
            filling: plan.filling.is_some(),
            ..Retained::default()
        }
    }

    pub fn recorded(&self) -> Option<Recorded<'static>> {
        self.recorded.clone()
    }

    pub fn is_filling(&self) -> bool {
        self.filling
    }

    /// The batch is over.
    pub fn clear(&mut self) {
        *self = Retained::default();
    }

    pub fn lines(&self) -> impl Iterator<Item = &Line> {
        [&self.step, &self.cue, &self.fault].into_iter().flatten()
    }
}
