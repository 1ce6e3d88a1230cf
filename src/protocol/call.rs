//! Calls: requests on their way to the daemon's loop, from whichever door.

use tokio::sync::oneshot;

use super::reply::Reply;
use super::request::Request;
use super::subscribers::Outbox;

/// A request on its way to the daemon's loop.
#[derive(Debug)]
pub struct Call {
    pub request: Request,
    /// What the person saw when the word was said; it counts for that alone.
    pub about: Option<About>,
    /// Where events are to go, for [`Request::Subscribe`].
    pub events: Option<Outbox>,
    pub reply: oneshot::Sender<Reply>,
}

/// The batch and its step that a page shows.
#[derive(Debug, Clone, PartialEq, Eq, serde::Deserialize)]
#[serde(deny_unknown_fields)]
pub struct About {
    pub batch: Option<String>,
    /// `None` where no step is to come.
    pub step: Option<usize>,
}
