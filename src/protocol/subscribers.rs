//! Who listens to the events: bounded queues between the loop and the connections.

use std::sync::{Arc, OnceLock};

use tokio::sync::mpsc;
use tokio::sync::mpsc::error::TrySendError;

/// Events that may wait for one subscriber before it counts as too slow.
pub const QUEUE: usize = 256;

/// One event line, shared by all subscribers.
pub type Line = Arc<[u8]>;

/// The loop's end of a subscriber's queue.
#[derive(Debug)]
pub struct Outbox {
    lines: mpsc::Sender<Line>,
    last: Arc<OnceLock<Line>>,
}

/// The connection's end.
#[derive(Debug)]
pub struct Inbox {
    lines: mpsc::Receiver<Line>,
    last: Arc<OnceLock<Line>>,
}

/// A subscriber's queue.
pub fn queue() -> (Outbox, Inbox) {
    let (sender, receiver) = mpsc::channel(QUEUE);
    let last = Arc::new(OnceLock::new());
    let outbox = Outbox {
        lines: sender,
        last: Arc::clone(&last),
    };
    let inbox = Inbox {
        lines: receiver,
        last,
    };
    (outbox, inbox)
}

impl Inbox {
    /// The next line; `None` when the loop let this subscriber go or has ended. Loses nothing when
    /// it is dropped half-way.
    pub async fn next(&mut self) -> Option<Line> {
        self.lines.recv().await
    }

    /// The next line, if one is waiting.
    pub fn waiting(&mut self) -> Option<Line> {
        self.lines.try_recv().ok()
    }

    /// What is to be said at the end to one that was let go because its queue was full.
    pub fn last(&self) -> Option<Line> {
        self.last.get().cloned()
    }
}

impl Outbox {
    /// Puts a line into a queue that is new, and has room.
    pub fn begin_with(&self, line: &Line) {
        // The client may have left already.
        let _ = self.lines.try_send(Line::clone(line));
    }
}

/// The listeners.
#[derive(Debug, Default)]
pub struct Subscribers(Vec<Subscriber>);

#[derive(Debug)]
struct Subscriber {
    outbox: Outbox,
    readings: bool,
}

impl Subscribers {
    pub fn add(&mut self, outbox: Outbox, readings: bool) {
        self.0.push(Subscriber { outbox, readings });
    }

    /// Forgets those who left. Returns whether live readings are wanted by anybody.
    pub fn readings_wanted(&mut self) -> bool {
        self.0.retain(|listener| !listener.outbox.lines.is_closed());
        self.0.iter().any(|listener| listener.readings)
    }

    /// Whether an event, or a reading, would go to anybody.
    pub fn want(&self, reading: bool) -> bool {
        self.0.iter().any(|listener| listener.readings || !reading)
    }

    /// Hands `line` to all who want it, without waiting. One whose queue is full is let go: its
    /// connection tells it so with the line of `last` after what is queued. Returns whether somebody
    /// went.
    pub fn send(&mut self, line: &Line, reading: bool, last: impl Fn() -> Line) -> bool {
        let before = self.0.len();
        self.0.retain(|listener| {
            if reading && !listener.readings {
                return true;
            }
            match listener.outbox.lines.try_send(Line::clone(line)) {
                Ok(()) => true,
                Err(TrySendError::Full(_)) => {
                    tracing::warn!("a subscriber does not read its events and was let go");
                    listener.outbox.last.get_or_init(&last);
                    false
                }
                Err(TrySendError::Closed(_)) => false,
            }
        });
        self.0.len() != before
    }
}
