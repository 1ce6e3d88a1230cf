//! The page of a workshop: all its benches at a glance, behind the same door as the page of a bench. It shows and does
//! nothing: no word goes to a bench from here.

use std::convert::Infallible;
use std::sync::Arc;
use std::time::Duration;

use axum::Router;
use axum::extract::State;
use axum::http::HeaderMap;
use axum::response::sse::{Event, Sse};
use axum::response::{IntoResponse as _, Response};
use axum::routing::get;
use futures_util::stream::{self, Stream};
use tokio::sync::watch;

use super::door::{self, Answers, Door, Page, refused, script, style};
use super::followers::{Followers, Place};
use super::{AS_THEY_COME, BEAT, TOO_MANY_PAGES};
use crate::config::Held;
use crate::text::harmless_json;
use crate::wire::benches::{Benches, Moment};

const INDEX: &str = include_str!("page/benches.html");
const STYLE: &str = include_str!("page/benches.css");
const SCRIPT: &str = include_str!("page/benches.js");

/// What is known is put together no more often: of fifty benches one always says something.
const EVERY: Duration = Duration::from_millis(500);

/// What each request needs.
#[derive(Debug, Clone)]
struct Shared {
    door: Door,
    followers: Arc<Followers>,
    /// What is known, as the event that tells it.
    told: watch::Receiver<Arc<str>>,
}

/// Serves the page until what is `known` is told no more.
///
/// # Errors
/// When the listener does not work.
pub async fn serve(
    page: Page,
    config: Held,
    known: watch::Receiver<Benches>,
) -> std::io::Result<()> {
    let (tell, told) = watch::channel(event(&known.borrow()));
    let door = Door {
        guard: Arc::new(page.guard),
        config,
    };
    let shared = Shared {
        door: door.clone(),
        followers: Arc::default(),
        told,
    };
    let app = Router::new()
        .route("/", get(index))
        .route("/events", get(events))
        .route("/benches.css", get(|| async { style(STYLE) }))
        .route("/benches.js", get(|| async { script(SCRIPT) }))
        .with_state(shared);
    let answers = Answers::behind(door, app);
    door::listen(
        page.listener,
        page.other_users,
        answers,
        tell_on(known, tell),
    )
    .await
}

/// Tells what is known whenever it is something else, by time alone as well: who says nothing falls silent.
async fn tell_on(mut known: watch::Receiver<Benches>, tell: watch::Sender<Arc<str>>) {
    loop {
        tokio::time::sleep(EVERY).await;
        if known.has_changed().is_err() {
            return;
        }
        let event = event(&known.borrow_and_update());
        tell.send_if_modified(|told| {
            let new = *told != event;
            *told = event;
            new
        });
    }
}

fn event(known: &Benches) -> Arc<str> {
    let json = serde_json::to_string(&known.overview(Moment::now()));
    harmless_json(&json.unwrap_or_default()).into()
}

/// The page in its language.
async fn index(State(shared): State<Shared>) -> Response {
    door::page(INDEX, shared.door.config.now().speaks())
}

/// What is known as it changes, and a beat that tells the time of the gatherer's clock.
async fn events(State(shared): State<Shared>, headers: HeaderMap) -> Response {
    let session = match shared.door.guard.session(&headers) {
        Ok(session) => session,
        Err(refusal) => return refused(refusal),
    };
    let Some(place) = shared.followers.follow(session) else {
        return refused(TOO_MANY_PAGES);
    };
    let mut told = shared.told.clone();
    told.mark_changed();
    (AS_THEY_COME, Sse::new(follow(told, place))).into_response()
}

fn follow(
    told: watch::Receiver<Arc<str>>,
    place: Place,
) -> impl Stream<Item = Result<Event, Infallible>> {
    let mut beat = tokio::time::interval(BEAT);
    beat.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
    stream::unfold((told, beat, place), move |held| async move {
        let (mut told, mut beat, mut place) = held;
        let event = tokio::select! {
            biased;
            () = place.given_away() => return None,
            _ = beat.tick() => {
                let at = format!("{:.0}", jiff::Timestamp::now());
                Event::default().event("beat").data(at)
            }
            changed = told.changed() => {
                changed.ok()?;
                Event::default().data(&*told.borrow_and_update())
            }
        };
        Some((Ok(event), (told, beat, place)))
    })
}
