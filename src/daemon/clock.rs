//! The session's clock, its waits and the watchdog's rhythm.

use std::time::{Duration, Instant};

use crate::scale::Moment;

/// A deadline that is not moved on by a tick is tried again after this, so that nothing spins.
const LEAST_WAIT: Duration = Duration::from_millis(5);

/// Waits until `due`; for ever without one.
pub async fn sleep_until(due: Option<Instant>) {
    match due {
        Some(due) => tokio::time::sleep_until(due.into()).await,
        None => std::future::pending().await,
    }
}

/// The watchdog's rhythm; never, without one.
pub struct Watchdog(Option<tokio::time::Interval>);

impl Watchdog {
    pub fn new(interval: Option<Duration>) -> Watchdog {
        Watchdog(interval.map(|interval| {
            let mut ticks = tokio::time::interval(interval);
            ticks.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
            ticks
        }))
    }

    pub async fn tick(&mut self) {
        match &mut self.0 {
            Some(interval) => {
                interval.tick().await;
            }
            None => std::future::pending().await,
        }
    }
}

/// Moments of the session from the machine's monotonic clock. Never steps back, also where bytes
/// were stamped before a tick that was handled first.
#[derive(Debug)]
pub struct Clock {
    start: Instant,
    last: Moment,
    last_tick: Instant,
}

impl Clock {
    pub fn start() -> Clock {
        let start = Instant::now();
        Clock {
            start,
            last: Moment::default(),
            last_tick: start,
        }
    }

    pub fn moment(&mut self, at: Instant) -> Moment {
        let micros = at.saturating_duration_since(self.start).as_micros();
        self.last = self
            .last
            .max(Moment(u64::try_from(micros).unwrap_or(u64::MAX)));
        self.last
    }

    pub fn now(&mut self) -> Moment {
        self.moment(Instant::now())
    }

    /// When the runtime must wake for a tick that is due at `moment`.
    pub fn due(&self, moment: Moment) -> Instant {
        let since = Duration::from_micros(moment.0);
        // A deadline beyond the clock's end is as good as a day away.
        let far = || Instant::now() + Duration::from_secs(86_400);
        let due = self.start.checked_add(since).unwrap_or_else(far);
        due.max(self.last_tick + LEAST_WAIT)
    }

    /// Now, for a tick of the bench.
    pub fn tick(&mut self) -> Moment {
        self.last_tick = Instant::now();
        self.now()
    }

    /// The time of day at `moment`, by the wall clock as it stands now.
    pub fn time_of_day(&mut self, moment: Moment) -> jiff::Timestamp {
        let now = jiff::Timestamp::now();
        let ago = Duration::from_micros(self.now().since(moment));
        now.checked_sub(ago).unwrap_or(now)
    }
}
