//! The bench page: one page in a browser, read from a step away, served by the daemon. Off by default.
//!
//! It is one more client of the daemon's loop, beside the control socket: requests go the same way, and
//! its events are those of `subscribe`, as server-sent events (WHATWG HTML, 9.2). [`guard`] says who
//! may. Nothing here holds the loop up: a browser that does not read is let go.

mod check;
pub mod connections;
mod context;
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
use std::net::{IpAddr, SocketAddr};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::{Duration, Instant};

use axum::body::Bytes;
use axum::extract::{DefaultBodyLimit, Request as HttpRequest, State};
use axum::http::header::{
    CACHE_CONTROL, CONNECTION, CONTENT_SECURITY_POLICY, CONTENT_TYPE, REFERRER_POLICY,
    X_CONTENT_TYPE_OPTIONS, X_FRAME_OPTIONS,
};
use axum::http::{HeaderMap, HeaderName, HeaderValue, StatusCode};
use axum::middleware::{self, Next};
use axum::response::sse::{Event, Sse};
use axum::response::{IntoResponse as _, Response};
use axum::routing::{get, post};
use axum::{Extension, Router};
use futures_util::stream::{self, Stream};
use hyper::server::conn::http1;
use hyper_util::rt::TokioIo;
use hyper_util::service::TowerToHyperService;
use rustix::io::Errno;
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::TcpListener;
use tokio::sync::{Mutex, Semaphore, mpsc, oneshot, watch};

use self::check::{Checks, Standing};
use self::connections::{Connection, Seat, Seats};
pub use self::context::Context;
use self::find::{Finding, Finds};
use self::followers::{Followers, Place};
use self::guard::{Guard, Refusal};
use self::passes::Passes;
use self::peer::{Owner, Who};
use self::rehearsal::Rehearsals;
pub use self::rehearsal::{Rehearsal, Rehearse};
use crate::config::{DEFAULT_FILE, PageConfig};
use crate::files;
use crate::language::{Language, Sentence, Term, phrase, term};
use crate::protocol::call::{About, Call};
use crate::protocol::reply::{self, Answer, Reply};
use crate::protocol::request::Request;
use crate::protocol::subscribers;
use crate::protocol::subscribers::Inbox;
use crate::text::harmless;

const INDEX: &str = include_str!("page/index.html");
const STYLE: &str = include_str!("page/page.css");
const MARK: &str = include_str!("page/mark.svg");
const SCRIPT: &str = include_str!("page/page.js");
const CORE: &str = include_str!("page/core.js");
const ROOMS: &str = include_str!("page/rooms.js");
const MAKE: &str = include_str!("page/make.js");
const AFTER: &str = include_str!("page/after.js");
const SCALES: &str = include_str!("page/scales.js");
const FORMULAS: &str = include_str!("page/formulas.js");
/// What there is without a script: the door alone.
const BARE: &str = include_str!("page/bare.css");
/// A batch sheet in a tab of its own.
const PAPER: &str = include_str!("page/paper.html");
const PAPER_SCRIPT: &str = include_str!("page/paper.js");

/// The longest request that a page sends, bytes.
const LONGEST_BODY: usize = 4096;
/// The longest head of a request, bytes.
const LONGEST_HEAD: usize = 16 * 1024;
/// The page counts the daemon as lost after 2 s without one.
const BEAT: Duration = Duration::from_millis(500);

/// Asks a proxy that gathers an answer until it is long enough to hold no event back (common practice).
const AS_THEY_COME: [(HeaderName, &str); 1] =
    [(HeaderName::from_static("x-accel-buffering"), "no")];

/// What a page may load and ask: its own files and its own server.
const POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; \
    img-src 'self' blob:; base-uri 'none'; form-action 'none'; frame-ancestors 'none'";
/// The tab of a sheet may show the sheet's own style as well.
const PAPER_POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self' 'unsafe-inline'; \
    connect-src 'self'; img-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'";

/// Why there is no page.
#[derive(Debug, thiserror::Error)]
pub enum PageError {
    #[error(
        "the page is not served: its key is the one of the commented configuration file, which everybody can \
         read; write another under [page]"
    )]
    Sample,
    #[error(
        "the page cannot be served at {at}: {error}; give another port under [page] in the configuration"
    )]
    Bind {
        at: SocketAddr,
        error: std::io::Error,
    },
    #[error(
        "the page cannot be served at {at}: the service may open no internet sockets; local-page.conf, which comes \
         with the unit, allows that"
    )]
    Closed { at: SocketAddr },
    #[error("the page's key cannot be kept in {}: {error}", path.display())]
    Key {
        path: PathBuf,
        error: std::io::Error,
    },
}

/// The page's place and key, ready to be served.
#[derive(Debug)]
pub struct Page {
    listener: std::net::TcpListener,
    guard: Guard,
    other_users: bool,
}

/// The file beside the control socket that keeps the page's address with its key.
pub fn address_file(socket: &Path) -> PathBuf {
    socket.with_file_name("page.url")
}

/// Who can reach, and read along, what is sent to an address of the page.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Reach {
    /// This machine alone.
    Here,
    /// A network, and whoever listens on it reads along.
    Readable,
    /// A network, through a proxy that encrypts.
    Encrypted,
}

/// What [`Reach::Readable`] means, for people.
pub const READABLE: &str = "The page is not encrypted on this network: whoever listens there can read the key and \
    the records. Use it in a network that you trust, or behind a proxy that speaks https (README)";

/// What [`Reach::Here`] means for a tablet.
pub const UNREACHED: Term = term!(
    "A tablet does not reach this address, which is this machine's own: [page] in the configuration says how to give it \
     another."
);

impl Reach {
    /// What is to be said of a page at `origin` to who wants to let a tablet in.
    pub fn of_a_tablet(origin: &str) -> Option<Term> {
        (Reach::of(origin) == Reach::Here).then_some(UNREACHED)
    }

    /// Of `origin` (`http://192.168.1.20:8417`), with or without a path.
    pub fn of(origin: &str) -> Reach {
        let Some(rest) = origin.strip_prefix("http://") else {
            return Reach::Encrypted;
        };
        let host = rest.split('/').next().unwrap_or_default();
        let bare = || host.trim_matches(['[', ']']).parse().ok();
        let ip: Option<IpAddr> = host
            .parse()
            .ok()
            .map(|at: SocketAddr| at.ip())
            .or_else(bare);
        let here = match ip {
            Some(ip) => ip.to_canonical().is_loopback(),
            None => host.split(':').next() == Some("localhost"),
        };
        if here { Reach::Here } else { Reach::Readable }
    }
}

impl Page {
    /// Takes the place that the configuration gives, and writes the address with the key into
    /// [`address_file`], mode 0600, for `bismar page`. Without a key in the configuration it is that of
    /// the daemon before in this session of the user, or a new one of 128 random bits.
    ///
    /// # Errors
    /// [`PageError`].
    pub fn open(config: &PageConfig, socket: &Path) -> Result<Page, PageError> {
        let is_sample = |key: &String| DEFAULT_FILE.contains(&format!("key = \"{key}\""));
        if config.key.as_ref().is_some_and(is_sample) {
            return Err(PageError::Sample);
        }
        let at = SocketAddr::new(config.address, config.port);
        let bind = |error: std::io::Error| match Errno::from_io_error(&error) {
            Some(Errno::AFNOSUPPORT) => PageError::Closed { at },
            _ => PageError::Bind { at, error },
        };
        let listener = std::net::TcpListener::bind(at).map_err(bind)?;
        connections::set(&listener).map_err(bind)?;
        let at = listener.local_addr().map_err(bind)?;
        let path = address_file(socket);
        let kept = |error| PageError::Key {
            path: path.clone(),
            error,
        };
        // A daemon that was started again, perhaps in the middle of a batch, asks nobody for a new key.
        let let_in = socket.with_file_name("page.let-in");
        let before = || guard::kept_in(&let_in).0.filter(|key| guard::is_drawn(key));
        let key = match config.key.clone().or_else(before) {
            Some(key) => key,
            None => crate::files::random_hex(16).map_err(kept)?,
        };
        let origin = match &config.proxy {
            Some(origin) => origin.clone(),
            None => format!("http://{at}"),
        };
        files::write_private(&path, &format!("{origin}/#{key}\n")).map_err(kept)?;
        // Behind a proxy that encrypts, the page's own place may be open to the network as well.
        let open = [&origin, &format!("http://{at}")];
        if open
            .iter()
            .any(|origin| Reach::of(origin) == Reach::Readable)
        {
            tracing::warn!("{READABLE}");
        }
        let mut guard = Guard::new(at, key);
        if let Some(origin) = &config.proxy {
            guard = guard.shown_at(origin);
        }
        Ok(Page {
            listener,
            guard: guard.keeping(let_in).map_err(kept)?,
            other_users: config.other_users,
        })
    }
}

impl Page {
    /// What lets one browser in besides the key.
    pub fn passes(&self) -> Arc<Passes> {
        Arc::clone(self.guard.passes())
    }
}

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

/// Who makes a request, by its connection.
#[derive(Debug, Clone)]
struct Caller {
    who: Who,
    seat: Arc<Seat>,
    /// Another user of this machine, who is answered nothing.
    turned_away: bool,
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
    let listener = TcpListener::from_std(page.listener)?;
    let app = Answers::new(page.guard, calls.clone(), context, rehearse);
    let seats = Arc::new(Seats::default());
    let listen = async {
        loop {
            for one in connections::arrivals(&listener).await {
                let turned_away = !page.other_users && !one.owner.is_ours();
                // Nobody is there any more to be told.
                if turned_away && one.owner == Owner::Gone {
                    continue;
                }
                tokio::spawn(app.talk(one.stream, one.who, turned_away, &seats));
            }
        }
    };
    tokio::select! {
        () = listen => Ok(()),
        () = calls.closed() => Ok(()),
    }
}

/// The page's answers, for connections of any kind.
#[derive(Debug, Clone)]
pub struct Answers(Router);

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
        Answers(closed(plain().merge(more), shared))
    }

    /// Those of a rehearsal: what is shown, and the words to its batch.
    fn rehearsed(shared: &Arc<Shared>) -> Answers {
        let more = post::words_to_a_batch();
        Answers(closed(plain().merge(more), Arc::clone(shared)))
    }

    /// Answers on `stream` until it ends, its time is up, or its place of `seats` goes to another.
    pub fn talk<S: AsyncRead + AsyncWrite + Unpin + Send + 'static>(
        &self,
        stream: S,
        who: Who,
        turned_away: bool,
        seats: &Arc<Seats>,
    ) -> impl Future<Output = ()> + Send + 'static {
        let (seat, gone) = seats.take(who);
        let stream = TokioIo::new(Connection::new(stream, Arc::clone(&seat)));
        let caller = Caller {
            who,
            seat,
            turned_away,
        };
        let app = TowerToHyperService::new(self.0.clone());
        let answer = hyper::service::service_fn(move |mut request: hyper::Request<_>| {
            request.extensions_mut().insert(caller.clone());
            hyper::service::Service::call(&app, request)
        });
        async move {
            let talk = http1::Builder::new()
                .max_buf_size(LONGEST_HEAD)
                .serve_connection(stream, answer);
            tokio::select! {
                ended = talk => {
                    if let Err(error) = ended {
                        tracing::debug!(%error, "a browser's connection ended early");
                    }
                }
                _ = gone => {}
            }
        }
    }
}

/// The page's own files, and what changes nothing.
fn plain() -> Router<Arc<Shared>> {
    let css = "text/css; charset=utf-8";
    Router::new()
        .route("/", get(index))
        .route("/words.js", get(words))
        .route("/page.css", get(|| async { asset(css, STYLE) }))
        .route("/bare.css", get(|| async { asset(css, BARE) }))
        .route("/page.js", get(|| async { script(SCRIPT) }))
        .route("/core.js", get(|| async { script(CORE) }))
        .route("/rooms.js", get(|| async { script(ROOMS) }))
        .route("/make.js", get(|| async { script(MAKE) }))
        .route("/after.js", get(|| async { script(AFTER) }))
        .route("/scales.js", get(|| async { script(SCALES) }))
        .route("/formulas.js", get(|| async { script(FORMULAS) }))
        .route("/mark.svg", get(|| async { asset("image/svg+xml", MARK) }))
        .route("/paper", get(paper))
        .route("/paper.js", get(|| async { script(PAPER_SCRIPT) }))
        .route("/enter", post(enter))
        .route("/status", get(status))
        .route("/events", get(events))
        .merge(get::routes())
}

/// Behind the door that every request comes through.
fn closed(app: Router<Arc<Shared>>, shared: Arc<Shared>) -> Router {
    app.layer(DefaultBodyLimit::max(LONGEST_BODY))
        .layer(middleware::from_fn_with_state(
            Arc::clone(&shared),
            at_the_door,
        ))
        .with_state(shared)
}

/// The page in its language.
async fn index(State(shared): Ours) -> Response {
    let html = "text/html; charset=utf-8";
    match shared.context.config().speaks() {
        Language::English => asset(html, INDEX),
        other => ([(CONTENT_TYPE, html)], spoken::html(INDEX, other)).into_response(),
    }
}

/// What its script says in its language.
async fn words(State(shared): Ours) -> Response {
    let script = spoken::script(shared.context.config().speaks());
    ([(CONTENT_TYPE, "text/javascript; charset=utf-8")], script).into_response()
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

fn script(text: &'static str) -> Response {
    asset("text/javascript; charset=utf-8", text)
}

fn asset(kind: &'static str, text: &'static str) -> Response {
    ([(CONTENT_TYPE, kind)], text).into_response()
}

/// Every request: who asks and for which host is looked at first, and every answer says what a browser may
/// do with it.
async fn at_the_door(
    State(shared): Ours,
    Extension(caller): Extension<Caller>,
    request: HttpRequest,
    next: Next,
) -> Response {
    let heads = request.headers();
    let mut response = if caller.turned_away {
        let last = [(CONNECTION, "close")];
        (last, refused(guard::OTHER_USER)).into_response()
    } else if let Err(refusal) = shared.guard.host(heads) {
        refused(refusal)
    } else {
        if let Ok(session) = shared.guard.session(heads) {
            caller.seat.let_in(session);
        }
        let language = shared.context.config().speaks();
        spoken::speaking(language, next.run(request)).await
    };
    let headers = response.headers_mut();
    // The batch sheet and its tab have their own.
    headers
        .entry(CONTENT_SECURITY_POLICY)
        .or_insert(HeaderValue::from_static(POLICY));
    for (name, value) in [
        (X_CONTENT_TYPE_OPTIONS, "nosniff"),
        (X_FRAME_OPTIONS, "DENY"),
        (REFERRER_POLICY, "no-referrer"),
        // A proxy that packs an answer holds it back (RFC 9111, 5.2.2.6).
        (CACHE_CONTROL, "no-store, no-transform"),
    ] {
        headers.insert(name, HeaderValue::from_static(value));
    }
    response
}

fn refused((status, why): Refusal) -> Response {
    refused_for(status, why)
}

/// A refusal whose words may hold what somebody else wrote.
fn refused_for(status: StatusCode, why: impl Into<Sentence>) -> Response {
    let why = spoken::said(&why.into());
    refused_with(status, reply::Refusal::new(&*harmless(&why)))
}

fn refused_with(status: StatusCode, refusal: reply::Refusal) -> Response {
    let refusal = refusal.put_into(spoken::language());
    (status, [(CONTENT_TYPE, JSON)], reply::line(&Err(refusal))).into_response()
}

const JSON: &str = "application/json";

fn answered(reply: Reply) -> Response {
    let reply = reply::put_into(reply, spoken::language());
    ([(CONTENT_TYPE, JSON)], reply::line(&reply)).into_response()
}

/// `{"key": "..."}` opens a session.
async fn enter(
    State(shared): Ours,
    Extension(caller): Extension<Caller>,
    headers: HeaderMap,
    body: Bytes,
) -> Response {
    #[derive(serde::Deserialize)]
    #[serde(deny_unknown_fields)]
    struct Key {
        key: String,
    }
    let Ok(Key { key }) = serde_json::from_slice(&body) else {
        return refused((StatusCode::BAD_REQUEST, term!("send the key as JSON")));
    };
    let entered = shared
        .guard
        .enter(&headers, &key, caller.who, Instant::now());
    match entered {
        Ok(token) => {
            let told = serde_json::json!({"ok": true, "session": token});
            ([(CONTENT_TYPE, JSON)], format!("{told}\n")).into_response()
        }
        Err(refusal) => refused(refusal),
    }
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
        let why = term!("too many pages are open; close one");
        return refused((StatusCode::TOO_MANY_REQUESTS, why));
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_leaves_this_machine_without_encryption_is_readable() {
        for here in [
            "http://127.0.0.1:8417/#key",
            "http://127.0.0.1",
            "http://[::1]:8417",
            "http://[::1]",
            "http://[::ffff:127.0.0.1]:8417",
            "http://localhost:8417",
        ] {
            assert_eq!(Reach::of(here), Reach::Here, "{here}");
        }
        for far in [
            "http://192.168.1.20:8417/",
            "http://192.168.1.20",
            "http://bench.example",
            "http://[fd00::2]:80",
        ] {
            assert_eq!(Reach::of(far), Reach::Readable, "{far}");
        }
        assert_eq!(Reach::of("https://bench.example/#key"), Reach::Encrypted);
    }
}
