//! Who listens to the events: bounded queues between the loop and the connections.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

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
    slow: Arc<AtomicBool>,
}

/// The connection's end.
#[derive(Debug)]
pub struct Inbox {
    lines: mpsc::Receiver<Line>,
    slow: Arc<AtomicBool>,
}

/// A subscriber's queue.
pub fn queue() -> (Outbox, Inbox) {
    let (sender, receiver) = mpsc::channel(QUEUE);
    let slow = Arc::new(AtomicBool::new(false));
    let outbox = Outbox {
        lines: sender,
        slow: Arc::clone(&slow),
    };
    let inbox = Inbox {
        lines: receiver,
        slow,
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

    /// Whether it was let go because its queue was full.
    pub fn was_slow(&self) -> bool {
        self.slow.load(Ordering::Relaxed)
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
    /// connection tells it so after what is queued. Returns whether somebody went.
    pub fn send(&mut self, line: &Line, reading: bool) -> bool {
        let before = self.0.len();
        self.0.retain(|listener| {
            if reading && !listener.readings {
                return true;
            }
            match listener.outbox.lines.try_send(Line::clone(line)) {
                Ok(()) => true,
                Err(TrySendError::Full(_)) => {
                    tracing::warn!("a subscriber does not read its events and was let go");
                    listener.outbox.slow.store(true, Ordering::Relaxed);
                    false
                }
                Err(TrySendError::Closed(_)) => false,
            }
        });
        self.0.len() != before
    }
}
