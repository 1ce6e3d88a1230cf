//! Who listens to the events.

use tokio::sync::mpsc;
use tokio::sync::mpsc::error::TrySendError;

use super::control::Line;

/// The listeners, each with its bounded queue.
#[derive(Debug, Default)]
pub struct Subscribers(Vec<Subscriber>);

#[derive(Debug)]
struct Subscriber {
    lines: mpsc::Sender<Line>,
    readings: bool,
}

impl Subscribers {
    pub fn add(&mut self, lines: mpsc::Sender<Line>, readings: bool) {
        self.0.push(Subscriber { lines, readings });
    }

    /// Forgets those who left. Returns whether live readings are wanted by anybody.
    pub fn readings_wanted(&mut self) -> bool {
        self.0.retain(|listener| !listener.lines.is_closed());
        self.0.iter().any(|listener| listener.readings)
    }

    /// Whether an event, or a reading, would go to anybody.
    pub fn want(&self, reading: bool) -> bool {
        self.0.iter().any(|listener| listener.readings || !reading)
    }

    /// Hands `line` to all who want it, without waiting. One whose queue is full is let go: its
    /// connection tells it so after what is queued. Returns whether somebody went.
    pub fn send(&mut self, line: &Line, reading: bool) -> bool {
        let before = self.0.len();
        self.0.retain(|listener| {
            if reading && !listener.readings {
                return true;
            }
            match listener.lines.try_send(Line::clone(line)) {
                Ok(()) => true,
                Err(TrySendError::Full(_)) => {
                    tracing::warn!("a subscriber does not read its events and was let go");
                    false
                }
                Err(TrySendError::Closed(_)) => false,
            }
        });
        self.0.len() != before
    }
}
