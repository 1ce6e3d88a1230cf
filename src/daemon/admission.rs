//! Who sits at the control socket: a client that asks nothing gives its place up when another one
//! comes and there is none left.

use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use tokio::sync::Notify;

/// How long a client must have asked nothing before it may be sent away. Well below a client's wait
/// for its reply.
pub const IDLE: Duration = Duration::from_secs(2);
/// The same for one that has not asked anything yet: who comes to ask does so at once. Short enough that
/// some hundreds of mute ones do not keep a command out for as long as it waits.
pub const MUTE: Duration = Duration::from_millis(500);

/// One client's place; free again when the client's own handle is dropped.
#[derive(Debug)]
pub struct Slot {
    state: Mutex<State>,
    leave: Notify,
}

#[derive(Debug, Clone, Copy)]
enum State {
    /// It came then, and has asked nothing yet.
    Mute(Instant),
    /// Nothing was asked since.
    Idle(Instant),
    /// A request is being answered.
    Busy,
    /// Follows the events.
    Listens,
    Sent,
}

impl Slot {
    fn state(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    pub fn busy(&self) {
        *self.state() = State::Busy;
    }

    pub fn idle(&self) {
        *self.state() = State::Idle(Instant::now());
    }

    pub fn listens(&self) {
        *self.state() = State::Listens;
    }

    /// Resolves when the client is to go.
    pub async fn sent_away(&self) {
        self.leave.notified().await;
    }
}

/// All places.
#[derive(Debug)]
pub struct Slots {
    taken: Vec<Arc<Slot>>,
    most: usize,
}

/// Why there is no place.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Full {
    /// Somebody has been idle, and may be sent away at this time.
    Until(Instant),
    /// All follow the events or are being answered.
    Busy,
}

impl Slots {
    pub fn new(most: usize) -> Slots {
        Slots {
            taken: Vec::new(),
            most,
        }
    }

    /// A place for one more. Where there is none, a client that has been mute for [`MUTE`] or idle for
    /// [`IDLE`] is sent away, the one first that became so first; its place is free when it has gone.
    ///
    /// # Errors
    /// [`Full`], with when to ask again at the latest.
    pub fn take(&mut self, now: Instant) -> Result<Arc<Slot>, Full> {
        // The client's own handle is gone where only this one is left.
        self.taken.retain(|slot| Arc::strong_count(slot) > 1);
        if self.taken.len() < self.most {
            let slot = Arc::new(Slot {
                state: Mutex::new(State::Mute(now)),
                leave: Notify::new(),
            });
            self.taken.push(Arc::clone(&slot));
            return Ok(slot);
        }
        let idle = |slot: &Arc<Slot>| match *slot.state() {
            State::Mute(since) => Some((since + MUTE, Arc::clone(slot))),
            State::Idle(since) => Some((since + IDLE, Arc::clone(slot))),
            State::Busy | State::Listens | State::Sent => None,
        };
        let leaving = |slot: &Arc<Slot>| matches!(*slot.state(), State::Sent);
        if self.taken.iter().any(leaving) {
            return Err(Full::Until(now + IDLE));
        }
        let first = (self.taken.iter())
            .filter_map(idle)
            .min_by_key(|(due, _)| *due);
        let Some((due, slot)) = first else {
            return Err(Full::Busy);
        };
        if now < due {
            return Err(Full::Until(due));
        }
        *slot.state() = State::Sent;
        slot.leave.notify_one();
        Err(Full::Until(now + IDLE))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_one_idle_longest_goes_and_neither_a_listener_nor_a_busy_one() {
        let mut seats = Slots::new(3);
        let start = Instant::now();
        let [listener, busy, idle] = [0, 1, 2].map(|_| seats.take(start).unwrap());
        listener.listens();
        busy.busy();
        assert_eq!(seats.take(start), Err(Full::Until(start + MUTE)));
        *idle.state() = State::Idle(start);
        assert_eq!(seats.take(start), Err(Full::Until(start + IDLE)));
        let later = start + IDLE;
        assert!(seats.take(later).is_err(), "not before it has gone");
        assert!(matches!(*idle.state(), State::Sent));
        drop(idle);
        let next = seats.take(later).unwrap();
        next.busy();
        assert_eq!(seats.take(later + IDLE), Err(Full::Busy));
    }

    impl PartialEq for Slot {
        fn eq(&self, other: &Slot) -> bool {
            std::ptr::eq(self, other)
        }
    }
}
