//! The cue lines that hold right now, for a subscriber that comes later: the step, the cue that says
//! what to do, and a fault that is not over.

use crate::protocol::subscribers::Line;
use crate::vocabulary::cue::{Cue, CueKind};
use crate::weighing::event::Event;

/// The lines of the events that hold now, as they were sent.
#[derive(Debug, Default)]
pub struct Retained {
    step: Option<Line>,
    cue: Option<Line>,
    /// A fault does not hide what is to be done.
    fault: Option<Line>,
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

    /// The batch is over.
    pub fn clear(&mut self) {
        *self = Retained::default();
    }

    pub fn lines(&self) -> impl Iterator<Item = &Line> {
        [&self.step, &self.cue, &self.fault].into_iter().flatten()
    }
}
