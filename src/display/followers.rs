//! Who follows the events: few pages for each browser, so that none that is in keeps another out.

use std::collections::VecDeque;
use std::convert::Infallible;
use std::sync::{Arc, Mutex, PoisonError};

use tokio::sync::oneshot;

/// Pages that may follow at a time.
const MOST: usize = 24;
/// Those of one session; the oldest gives way. A tablet that went out of reach and came back has its old
/// one still for a while.
const OF_ONE: usize = 4;

/// See the module's text.
#[derive(Debug, Default)]
pub struct Followers(Mutex<VecDeque<(u64, oneshot::Sender<Infallible>)>>);

/// A place among them until it is dropped or given away.
#[derive(Debug)]
pub struct Place(oneshot::Receiver<Infallible>);

impl Place {
    /// Ends when this place is another's.
    pub async fn given_away(&mut self) {
        // Nothing can be sent.
        let _ = (&mut self.0).await;
    }
}

impl Followers {
    /// Whether nobody follows now.
    pub fn is_empty(&self) -> bool {
        let all = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        all.iter().all(|(_, place)| place.is_closed())
    }

    /// A place for a page of `session`; `None` where there is none.
    pub fn follow(self: &Arc<Self>, session: u64) -> Option<Place> {
        let mut all = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        all.retain(|(_, place)| !place.is_closed());
        let own = |(of, _): &(u64, _)| *of == session;
        if all.iter().filter(|one| own(one)).count() >= OF_ONE
            && let Some(oldest) = all.iter().position(own)
        {
            all.remove(oldest);
        }
        if all.len() >= MOST {
            return None;
        }
        let (place, given_away) = oneshot::channel();
        all.push_back((session, place));
        Some(Place(given_away))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    async fn a_browser_s_newest_pages_follow_and_keep_no_other_out() {
        let all = Arc::new(Followers::default());
        let mut first = all.follow(1).unwrap();
        let mut mine: Vec<Place> = (0..OF_ONE).map(|_| all.follow(1).unwrap()).collect();
        first.given_away().await;
        let others: Vec<Place> = (0..MOST - OF_ONE)
            .map(|n| all.follow(2 + n as u64).unwrap())
            .collect();
        assert!(all.follow(99).is_none());
        // Its own it may have anew.
        mine.push(all.follow(1).unwrap());
        drop(others);
        assert!(all.follow(99).is_some());
    }
}
