//! The session's clock, its waits and the watchdog's rhythm.

use std::time::{Duration, Instant};

use nix::time::{ClockId, clock_gettime};

use crate::time::Moment;

/// A deadline that is not moved on by a tick is tried again after this, so that nothing spins.
const LEAST_WAIT: Duration = Duration::from_millis(5);
/// The two clocks are not read at once.
const SHORTEST_SUSPEND: Duration = Duration::from_millis(50);

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

/// How long the machine has been suspended since it was started: `CLOCK_BOOTTIME` counts that, the
/// monotonic clock does not (clock_gettime(2)).
fn suspended() -> Duration {
    // In this order a pause between the two never looks like a suspend.
    let with = clock_gettime(ClockId::CLOCK_BOOTTIME);
    let without = clock_gettime(ClockId::CLOCK_MONOTONIC);
    match (with, without) {
        (Ok(with), Ok(without)) => Duration::from(with).saturating_sub(without.into()),
        // A kernel without that clock: a suspend is not seen.
        _ => Duration::ZERO,
    }
}

/// Moments of the session from the machine's monotonic clock and the time that it was suspended: what
/// stood on the scale before a suspend need not stand there after it. Never steps back, also where
/// bytes were stamped before a tick that was handled first.
#[derive(Debug)]
pub struct Clock {
    start: Instant,
    /// Suspended before the session.
    suspended_before: Duration,
    /// Suspended since.
    slept: Duration,
    last: Moment,
    last_tick: Instant,
}

impl Clock {
    pub fn start() -> Clock {
        let start = Instant::now();
        Clock {
            start,
            suspended_before: suspended(),
            slept: Duration::ZERO,
            last: Moment::default(),
            last_tick: start,
        }
    }

    pub fn moment(&mut self, at: Instant) -> Moment {
        let slept = suspended().saturating_sub(self.suspended_before);
        if slept > self.slept + SHORTEST_SUSPEND {
            tracing::info!(
                seconds = (slept - self.slept).as_secs(),
                "the machine was suspended"
            );
            self.slept = slept;
        }
        let micros = (at.saturating_duration_since(self.start) + self.slept).as_micros();
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
        let since = Duration::from_micros(moment.0).saturating_sub(self.slept);
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
