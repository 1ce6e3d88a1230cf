//! The bench page: one page in a browser, read from a step away, served by the daemon. Off by default.
//!
//! It is one more client of the daemon's loop, beside the control socket: requests go the same way, and
//! its events are those of `subscribe`, as server-sent events (WHATWG HTML, 9.2). [`guard`] says who
//! may. Nothing here holds the loop up: a browser that does not read is let go.

pub mod benches;
mod check;
pub mod connections;
mod context;
mod door;
mod find;
mod followers;
mod formulas;
mod get;
pub mod guard;
pub mod passes;
pub mod peer;
mod post;
mod rehearsal;
mod setup;
pub mod spoken;
mod views;

use std::convert::Infallible;
use std::sync::Arc;
use std::time::Duration;

use axum::Router;
use axum::extract::State;
use axum::http::header::{CONTENT_SECURITY_POLICY, CONTENT_TYPE};
use axum::http::{HeaderMap, HeaderName, StatusCode};
use axum::response::sse::{Event, Sse};
use axum::response::{IntoResponse as _, Response};
use axum::routing::get;
use futures_util::stream::{self, Stream};
use tokio::sync::{Mutex, Semaphore, mpsc, oneshot, watch};

use self::check::{Checks, Standing};
pub use self::context::Context;
pub use self::door::{Answers, Page, PageError, READABLE, Reach, address_file};
use self::door::{Door, JSON, refused, refused_for, refused_with, script};
use self::find::{Finding, Finds};
use self::followers::{Followers, Place};
use self::guard::{Guard, Refusal};
use self::rehearsal::Rehearsals;
pub use self::rehearsal::{Rehearsal, Rehearse};
use crate::language::{Language, Term, phrase, term};
use crate::protocol::call::{About, Call};
use crate::protocol::reply::{self, Answer, Reply};
use crate::protocol::request::Request;
use crate::protocol::subscribers;
use crate::protocol::subscribers::Inbox;

const INDEX: &str = include_str!("page/index.html");
const SCRIPT: &str = include_str!("page/page.js");
const ROOMS: &str = include_str!("page/rooms.js");
const MAKE: &str = include_str!("page/make.js");
const AFTER: &str = include_str!("page/after.js");
const SCALES: &str = include_str!("page/scales.js");
const FORMULAS: &str = include_str!("page/formulas.js");
/// A batch sheet in a tab of its own.
const PAPER: &str = include_str!("page/paper.html");
const PAPER_SCRIPT: &str = include_str!("page/paper.js");

/// The page counts the daemon as lost after 2 s without one.
const BEAT: Duration = Duration::from_millis(500);

/// Asks a proxy that gathers an answer until it is long enough to hold no event back (common practice).
const AS_THEY_COME: [(HeaderName, &str); 1] =
    [(HeaderName::from_static("x-accel-buffering"), "no")];

/// The tab of a sheet may show the sheet's own style as well.
const PAPER_POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self' 'unsafe-inline'; \
    connect-src 'self'; img-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'";

const TOO_MANY_PAGES: Refusal = (
    StatusCode::TOO_MANY_REQUESTS,
    term!("too many pages are open; close one"),
);

/// What each request needs.
#[derive(Debug)]
struct Shared {
    guard: Arc<Guard>,
    calls: mpsc::Sender<Call>,
    followers: Arc<Followers>,
    context: Context,
    /// Turns to read files.
    looks: Arc<Semaphore>,
    /// Held while the list of lots or the configuration is written.
    list: Mutex<()>,
    checks: Checks,
    finds: Finds,
    rehearsals: Rehearsals,
}

impl Shared {
    fn new(guard: Arc<Guard>, calls: mpsc::Sender<Call>, context: Context) -> Shared {
        Shared {
            guard,
            calls,
            followers: Arc::default(),
            context,
            looks: Arc::new(Semaphore::new(get::MOST_LOOKS)),
            list: Mutex::default(),
            checks: Checks::default(),
            finds: Finds::default(),
            rehearsals: Rehearsals::default(),
        }
    }
}

type Ours = State<Arc<Shared>>;
/// Either way it is an answer.
type Answered = Result<Response, Response>;

/// Serves the page until the receiver of `calls` is dropped.
///
/// # Errors
/// When the listener does not work.
pub async fn serve(
    page: Page,
    calls: mpsc::Sender<Call>,
    context: Context,
    rehearse: Option<Rehearse>,
) -> std::io::Result<()> {
    let answers = Answers::new(page.guard, calls.clone(), context, rehearse);
    door::listen(page.listener, page.other_users, answers, calls.closed()).await
}

impl Answers {
    /// For who `guard` lets in; words go to `calls`. With `rehearse` a rehearsal may be begun.
    pub fn new(
        guard: Guard,
        calls: mpsc::Sender<Call>,
        context: Context,
        rehearse: Option<Rehearse>,
    ) -> Answers {
        let shared = Arc::new(Shared {
            rehearsals: Rehearsals::new(rehearse),
            ..Shared::new(Arc::new(guard), calls, context)
        });
        let more = post::routes()
            .merge(setup::routes())
            .merge(formulas::routes())
            .merge(rehearsal::routes());
        Answers::of(&shared, plain().merge(more))
    }

    /// Those of a rehearsal: what is shown, and the words to its batch.
    fn rehearsed(shared: &Arc<Shared>) -> Answers {
        Answers::of(shared, plain().merge(post::words_to_a_batch()))
    }

    fn of(shared: &Arc<Shared>, app: Router<Arc<Shared>>) -> Answers {
        let door = Door {
            guard: Arc::clone(&shared.guard),
            config: shared.context.held(),
        };
        Answers::behind(door, app.with_state(Arc::clone(shared)))
    }
}

/// The page's own files, and what changes nothing.
fn plain() -> Router<Arc<Shared>> {
    Router::new()
        .route("/", get(index))
        .route("/page.js", get(|| async { script(SCRIPT) }))
        .route("/rooms.js", get(|| async { script(ROOMS) }))
        .route("/make.js", get(|| async { script(MAKE) }))
        .route("/after.js", get(|| async { script(AFTER) }))
        .route("/scales.js", get(|| async { script(SCALES) }))
        .route("/formulas.js", get(|| async { script(FORMULAS) }))
        .route("/paper", get(paper))
        .route("/paper.js", get(|| async { script(PAPER_SCRIPT) }))
        .route("/status", get(status))
        .route("/events", get(events))
        .merge(get::routes())
}

/// The page in its language.
async fn index(State(shared): Ours) -> Response {
    door::page(INDEX, shared.context.config().speaks())
}

async fn paper(State(shared): Ours) -> Response {
    let heads = [
        (CONTENT_TYPE, "text/html; charset=utf-8"),
        (CONTENT_SECURITY_POLICY, PAPER_POLICY),
    ];
    match shared.context.config().speaks() {
        Language::English => (heads, PAPER).into_response(),
        other => (heads, spoken::html(PAPER, other)).into_response(),
    }
}

fn answered(reply: Reply) -> Response {
    let reply = reply::said_as(reply, &spoken::answered);
    ([(CONTENT_TYPE, JSON)], reply::line(&reply)).into_response()
}

async fn status(State(shared): Ours, headers: HeaderMap) -> Response {
    if let Err(refusal) = shared.guard.session(&headers) {
        return refused(refusal);
    }
    answered(ask(&shared.calls, Request::Status, None, None).await)
}

async fn ask(
    calls: &mpsc::Sender<Call>,
    request: Request,
    about: Option<About>,
    events: Option<subscribers::Outbox>,
) -> Reply {
    let (reply, replied) = oneshot::channel();
    let call = Call {
        request,
        about,
        events,
        reply,
    };
    if calls.send(call).await.is_ok()
        && let Ok(reply) = replied.await
    {
        return reply;
    }
    Err(reply::Refusal::new(phrase!(
        "the daemon is stopping; try again"
    )))
}

/// How the daemon stands, where it weighs no batch.
///
/// # Errors
/// Where it weighs one, with what `then` is to be done.
async fn idle(
    calls: &mpsc::Sender<Call>,
    then: Term,
) -> Result<Box<reply::Standing>, reply::Refusal> {
    let Answer::Status(standing) = ask(calls, Request::Status, None, None).await? else {
        return Err(phrase!("the daemon did not say how it stands").into());
    };
    match standing.status.formula {
        Some(_) => Err(phrase!("a batch is being weighed; {then}", then).into()),
        None => Ok(standing),
    }
}

/// The events as they come, and a beat.
async fn events(State(shared): Ours, headers: HeaderMap) -> Response {
    let session = match shared.guard.session(&headers) {
        Ok(session) => session,
        Err(refusal) => return refused(refusal),
    };
    let Some(place) = shared.followers.follow(session) else {
        return refused(TOO_MANY_PAGES);
    };
    let (outbox, inbox) = subscribers::queue();
    let request = Request::Subscribe { readings: true };
    let reply = ask(&shared.calls, request, None, Some(outbox)).await;
    if reply.is_err() {
        return (StatusCode::SERVICE_UNAVAILABLE, answered(reply)).into_response();
    }
    let events = Sse::new(follow(
        inbox,
        place,
        shared.checks.follow(),
        shared.finds.follow(),
        spoken::language(),
    ));
    (AS_THEY_COME, events).into_response()
}

/// Ends when the loop lets this page go, or a newer page of the same browser has its place; the page asks
/// again by itself.
fn follow(
    inbox: Inbox,
    place: Place,
    check: watch::Receiver<Option<Standing>>,
    find: watch::Receiver<Option<Finding>>,
    language: Language,
) -> impl Stream<Item = Result<Event, Infallible>> {
    let mut beat = tokio::time::interval(BEAT);
    beat.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
    stream::unfold((inbox, beat, place, check, find), move |held| async move {
        let (mut inbox, mut beat, mut place, mut check, mut find) = held;
        let event = tokio::select! {
            () = place.given_away() => return None,
            line = inbox.next() => {
                let line = line?;
                Event::default().data(String::from_utf8_lossy(&line).trim_end())
            }
            // The sender lives as long as the page.
            Ok(()) = check.changed() => {
                let standing = check.borrow_and_update().clone();
                Event::default().data(standing.map_or_else(String::new, |one| one.to_json(language)))
            }
            Ok(()) = find.changed() => {
                let standing = find.borrow_and_update().clone();
                Event::default().data(standing.map_or_else(String::new, |one| one.to_json(language)))
            }
            // Without data a browser drops an event.
            _ = beat.tick() => Event::default().event("beat").data("1"),
        };
        Some((Ok(event), (inbox, beat, place, check, find)))
    })
}
