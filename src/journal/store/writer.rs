//! A thread that owns the log, so that a slow or full disk never holds up a reading.

use std::collections::VecDeque;
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use jiff::Timestamp;

use crate::journal::error::LogError;
use crate::journal::store::log::LogFile;
use crate::journal::store::spill::Tail;
use crate::vocabulary::entry::Draft;

/// How long the writer waits before it tries a failed row again.
pub const RETRY: Duration = Duration::from_secs(1);

/// Called on the writer's thread with a draft's ticket, and its row's seq once it is on the disk. A
/// row that fails is answered with its error the first time only, and with its seq when it is
/// written after all. Rows behind it wait, in order.
pub type Answer = Box<dyn Fn(u64, Result<u64, LogError>) + Send>;

/// See the module's text.
#[derive(Debug)]
pub struct LogWriter {
    shared: Arc<Shared>,
    thread: Option<JoinHandle<()>>,
}

#[derive(Debug, Default)]
struct Shared {
    state: Mutex<State>,
    changed: Condvar,
}

#[derive(Debug, Default)]
struct State {
    /// The front one is being written and leaves when it is on the disk.
    queue: VecDeque<(Draft, Timestamp)>,
    /// Where the queue goes on in the log.
    tail: Tail,
    /// Set by shutdown: when to give up.
    give_up: Option<Instant>,
    ended: bool,
}

impl Shared {
    fn lock(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl LogWriter {
    /// Starts the thread. `retry` is [`RETRY`] but in tests.
    ///
    /// # Errors
    /// When the system gives no thread.
    pub fn start(log: LogFile, retry: Duration, answer: Answer) -> std::io::Result<LogWriter> {
        let shared = Arc::new(Shared::default());
        shared.lock().tail = log.tail();
        let ended = Ended(Arc::clone(&shared));
        let thread = std::thread::Builder::new()
            .name("batch-log".to_owned())
            .spawn(move || work(&ended.0, log, retry, &answer))?;
        Ok(LogWriter {
            shared,
            thread: Some(thread),
        })
    }

    /// Queues a row. Never waits for the disk.
    pub fn send(&self, draft: Draft, at: Timestamp) {
        self.shared.lock().queue.push_back((draft, at));
        self.shared.changed.notify_all();
    }

    /// Rows sent and not on the disk yet.
    pub fn waiting(&self) -> usize {
        self.shared.lock().queue.len()
    }

    /// Whether the thread runs, for a watchdog.
    pub fn is_alive(&self) -> bool {
        !self.shared.lock().ended
    }

    /// Waits until every row is on the disk, at most `limit`; gives back those that are not, and
    /// where they go on in the log. A thread that hangs in the disk is left behind, and may still
    /// write the first of them.
    pub fn shutdown(mut self, limit: Duration) -> (Tail, Vec<(Draft, Timestamp)>) {
        let until = Instant::now() + limit;
        self.close(until);
        let mut state = self.shared.lock();
        // The thread gives up at `until` too; half a second more lets it say so.
        let patience = until + Duration::from_millis(500);
        while !state.ended {
            let left = patience.saturating_duration_since(Instant::now());
            if left.is_zero() {
                break;
            }
            state = self
                .shared
                .changed
                .wait_timeout(state, left)
                .unwrap_or_else(PoisonError::into_inner)
                .0;
        }
        let ended = state.ended;
        let unwritten = (state.tail.clone(), state.queue.iter().cloned().collect());
        drop(state);
        if ended && let Some(thread) = self.thread.take() {
            // A panic of the answer ends the thread too; the rows are given back all the same.
            let _ = thread.join();
        }
        unwritten
    }

    fn close(&self, until: Instant) {
        self.shared.lock().give_up.get_or_insert(until);
        self.shared.changed.notify_all();
    }
}

impl Drop for LogWriter {
    /// Without [`LogWriter::shutdown`] the thread still writes what it has, until a row fails.
    fn drop(&mut self) {
        self.close(Instant::now());
    }
}

/// Marks the thread as ended however it ends.
struct Ended(Arc<Shared>);

impl Drop for Ended {
    fn drop(&mut self) {
        self.0.lock().ended = true;
        self.0.changed.notify_all();
    }
}

fn work(shared: &Shared, mut log: LogFile, retry: Duration, answer: &Answer) {
    let mut failed_before = false;
    while let Some((draft, at)) = next(shared) {
        match log.append(&draft, at) {
            Ok(seq) => {
                failed_before = false;
                let mut state = shared.lock();
                state.queue.pop_front();
                state.tail = log.tail();
                drop(state);
                answer(draft.ticket, Ok(seq));
            }
            Err(error) => {
                tracing::warn!(ticket = draft.ticket, %error, "row not written yet");
                if !failed_before {
                    failed_before = true;
                    answer(draft.ticket, Err(error));
                }
                if !pause(shared, retry) {
                    return;
                }
            }
        }
    }
}

/// Waits for the next row; `None` when the queue is empty and closed.
fn next(shared: &Shared) -> Option<(Draft, Timestamp)> {
    let mut state = shared.lock();
    loop {
        if let Some(front) = state.queue.front() {
            return Some(front.clone());
        }
        if state.give_up.is_some() {
            return None;
        }
        state = shared
            .changed
            .wait(state)
            .unwrap_or_else(PoisonError::into_inner);
    }
}

/// Waits before the next try; `false` when it is time to give up.
fn pause(shared: &Shared, retry: Duration) -> bool {
    let next_try = Instant::now() + retry;
    let mut state = shared.lock();
    loop {
        let now = Instant::now();
        if state.give_up.is_some_and(|until| now >= until) {
            return false;
        }
        if now >= next_try {
            return true;
        }
        let until = state
            .give_up
            .map_or(next_try, |give_up| give_up.min(next_try));
        let left = until.saturating_duration_since(now);
        state = shared
            .changed
            .wait_timeout(state, left)
            .unwrap_or_else(PoisonError::into_inner)
            .0;
    }
}
