//! Passes: each lets one browser in, once, within a few minutes. A tablet's camera reads one off a screen, so
//! what a picture of that screen shows is worth nothing afterwards, and the lasting key is not shown at all.
//! They are held in the daemon's memory alone.

use std::collections::VecDeque;
use std::io;
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant, SystemTime};

use super::guard::same;
use crate::files::random_hex;

/// How a pass begins in the address; no key has such a stroke in it.
pub const PREFIX: &str = "once-";
/// How long one is good.
pub const GOOD_FOR: Duration = Duration::from_secs(300);
/// Bytes by chance.
const BYTES: usize = 16;
/// Passes that are good at a time; the oldest goes.
const MOST: usize = 8;

/// A moment by two clocks: one stands still while the machine sleeps, the other can be set back.
#[derive(Debug, Clone, Copy)]
pub struct Clocks {
    pub run: Instant,
    pub wall: SystemTime,
}

impl Clocks {
    pub fn at(run: Instant) -> Clocks {
        let wall = SystemTime::now();
        Clocks { run, wall }
    }

    /// The time since `then`, by the clock that ran further.
    fn since(self, then: Clocks) -> Duration {
        let wall = self.wall.duration_since(then.wall).unwrap_or_default();
        wall.max(self.run.saturating_duration_since(then.run))
    }
}

#[derive(Debug)]
struct Pass {
    word: String,
    given: Clocks,
}

/// The passes that are good, for a page that browsers see at `origin`.
#[derive(Debug)]
pub struct Passes {
    origin: String,
    good: Mutex<VecDeque<Pass>>,
}

impl Passes {
    pub fn new(origin: String) -> Passes {
        Passes {
            origin,
            good: Mutex::default(),
        }
    }

    pub fn origin(&self) -> &str {
        &self.origin
    }

    /// The page's address with a new pass in it.
    ///
    /// # Errors
    /// When the system gives no random numbers.
    pub fn give(&self, now: Clocks) -> io::Result<String> {
        let word = random_hex(BYTES)?;
        let link = format!("{}/#{PREFIX}{word}", self.origin);
        let mut good = self.good();
        good.retain(|pass| now.since(pass.given) < GOOD_FOR);
        if good.len() >= MOST {
            good.pop_front();
        }
        good.push_back(Pass { word, given: now });
        Ok(link)
    }

    /// Whether `word`, without its [`PREFIX`], is good; from then on it is not.
    pub fn take(&self, word: &str, now: Clocks) -> bool {
        let mut good = self.good();
        good.retain(|pass| now.since(pass.given) < GOOD_FOR);
        // Every one is compared, so that the time tells nothing.
        let found =
            good.iter()
                .enumerate()
                .fold(None, |found, (at, pass)| match same(&pass.word, word) {
                    true => Some(at),
                    false => found,
                });
        found.and_then(|at| good.remove(at)).is_some()
    }

    fn good(&self) -> MutexGuard<'_, VecDeque<Pass>> {
        self.good.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn passes() -> Passes {
        Passes::new("http://192.0.2.1:8417".into())
    }

    fn word(link: &str) -> &str {
        link.strip_prefix("http://192.0.2.1:8417/#once-").unwrap()
    }

    fn later(now: Clocks, run: u64, wall: i64) -> Clocks {
        let wall_by = Duration::from_secs(wall.unsigned_abs());
        Clocks {
            run: now.run + Duration::from_secs(run),
            wall: match wall < 0 {
                true => now.wall - wall_by,
                false => now.wall + wall_by,
            },
        }
    }

    #[test]
    fn a_pass_is_good_once_and_no_other_word_is() {
        let (passes, now) = (passes(), Clocks::at(Instant::now()));
        let (one, other) = (passes.give(now).unwrap(), passes.give(now).unwrap());
        let (one, other) = (word(&one), word(&other));
        assert_eq!(one.len(), 2 * BYTES);
        assert_ne!(one, other);
        for wrong in ["", "0", &one[1..], &format!("{one}0"), &format!("{one}\n")] {
            assert!(!passes.take(wrong, now), "{wrong}");
        }
        assert!(passes.take(one, now));
        assert!(!passes.take(one, now));
        assert!(passes.take(other, now));
    }

    #[test]
    fn a_pass_is_too_old_by_either_clock() {
        let now = Clocks::at(Instant::now());
        for (run, wall, good) in [
            (299, 299, true),
            (300, 300, false),
            // The machine slept.
            (10, 300, false),
            // The clock was set back, or stood still.
            (299, -86_400, true),
            (300, -86_400, false),
        ] {
            let passes = passes();
            let link = passes.give(now).unwrap();
            let then = later(now, run, wall);
            assert_eq!(passes.take(word(&link), then), good, "{run} {wall}");
        }
    }

    #[test]
    fn few_are_good_at_a_time_and_the_oldest_goes() {
        let (passes, now) = (passes(), Clocks::at(Instant::now()));
        let links: Vec<String> = (0..=MOST).map(|_| passes.give(now).unwrap()).collect();
        assert_eq!(passes.good().len(), MOST);
        assert!(!passes.take(word(&links[0]), now));
        assert!(links[1..].iter().all(|link| passes.take(word(link), now)));
    }
}
