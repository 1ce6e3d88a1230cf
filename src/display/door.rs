//! The door of every page: its place and key, who may, the connections, and what a browser may do with an answer.
//! The page of a bench and that of a workshop (see `benches`) come through the same one.

use std::net::{IpAddr, SocketAddr};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Instant;

use axum::body::Bytes;
use axum::extract::{DefaultBodyLimit, Request as HttpRequest, State};
use axum::http::header::{
    CACHE_CONTROL, CONNECTION, CONTENT_SECURITY_POLICY, CONTENT_TYPE, REFERRER_POLICY,
    X_CONTENT_TYPE_OPTIONS, X_FRAME_OPTIONS,
};
use axum::http::{HeaderMap, HeaderValue, StatusCode};
use axum::middleware::{self, Next};
use axum::response::{IntoResponse as _, Response};
use axum::routing::{get, post};
use axum::{Extension, Router};
use hyper::server::conn::http1;
use hyper_util::rt::TokioIo;
use hyper_util::service::TowerToHyperService;
use rustix::io::Errno;
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::TcpListener;

use super::connections::{self, Connection, Seat, Seats};
use super::guard::{self, Guard, Refusal};
use super::passes::Passes;
use super::peer::{Owner, Who};
use super::spoken;
use crate::config::{DEFAULT_FILE, Held, PageConfig};
use crate::files;
use crate::language::{Language, Sentence, Term, term};
use crate::protocol::reply;
use crate::text::harmless;

const STYLE: &str = include_str!("page/page.css");
const MARK: &str = include_str!("page/mark.svg");
const CORE: &str = include_str!("page/core.js");
const SCRIPT: &str = include_str!("page/door.js");
/// What there is without a script: the door alone.
const BARE: &str = include_str!("page/bare.css");

/// The longest request that a page sends, bytes.
const LONGEST_BODY: usize = 4096;
/// The longest head of a request, bytes.
const LONGEST_HEAD: usize = 16 * 1024;
/// What a page may load and ask: its own files and its own server.
const POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; \
    img-src 'self' blob:; base-uri 'none'; form-action 'none'; frame-ancestors 'none'";

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
    pub(super) listener: std::net::TcpListener,
    pub(super) guard: Guard,
    pub(super) other_users: bool,
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
pub const READABLE: Term = term!(
    "The page is not encrypted on this network: whoever listens there can read the key and \
    the records. Use it in a network that you trust, or behind a proxy that speaks https (README)"
);

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
        files::replace_unsynced(&path, &format!("{origin}/#{key}\n")).map_err(kept)?;
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

/// What everything behind the door needs of it: who may, and the language that holds.
#[derive(Debug, Clone)]
pub(super) struct Door {
    pub guard: Arc<Guard>,
    pub config: Held,
}

/// Who makes a request, by its connection.
#[derive(Debug, Clone)]
struct Caller {
    who: Who,
    seat: Arc<Seat>,
    /// Another user of this machine, who is answered nothing.
    turned_away: bool,
}

/// A page's answers, for connections of any kind.
#[derive(Debug, Clone)]
pub struct Answers(pub(super) Router);

impl Answers {
    /// What `app` answers, behind the door that every request comes through, with the door's own.
    pub(super) fn behind(door: Door, app: Router) -> Answers {
        let own = Router::new()
            .route("/words.js", get(words))
            .route("/page.css", get(|| async { style(STYLE) }))
            .route("/bare.css", get(|| async { style(BARE) }))
            .route("/core.js", get(|| async { script(CORE) }))
            .route("/door.js", get(|| async { script(SCRIPT) }))
            .route("/mark.svg", get(|| async { asset("image/svg+xml", MARK) }))
            .route("/enter", post(enter))
            .with_state(door.clone());
        Answers(
            own.merge(app)
                .layer(DefaultBodyLimit::max(LONGEST_BODY))
                .layer(middleware::from_fn_with_state(door, at_the_door)),
        )
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

/// Lets browsers in to `answers`, until `end`.
///
/// # Errors
/// When the listener does not work.
pub(super) async fn listen(
    listener: std::net::TcpListener,
    other_users: bool,
    answers: Answers,
    end: impl Future<Output = ()>,
) -> std::io::Result<()> {
    let listener = TcpListener::from_std(listener)?;
    let seats = Arc::new(Seats::default());
    let listen = async {
        loop {
            for one in connections::arrivals(&listener).await {
                let turned_away = !other_users && !one.owner.is_ours();
                // Nobody is there any more to be told.
                if turned_away && one.owner == Owner::Gone {
                    continue;
                }
                tokio::spawn(answers.talk(one.stream, one.who, turned_away, &seats));
            }
        }
    };
    tokio::select! {
        () = listen => Ok(()),
        () = end => Ok(()),
    }
}

/// What its script says in its language.
async fn words(State(door): State<Door>) -> Response {
    let script = spoken::script(door.config.now().speaks());
    ([(CONTENT_TYPE, "text/javascript; charset=utf-8")], script).into_response()
}

pub(super) fn script(text: &'static str) -> Response {
    let kind = "text/javascript; charset=utf-8";
    ([(CONTENT_TYPE, kind)], without_remarks(text)).into_response()
}

pub(super) fn style(text: &'static str) -> Response {
    let kind = "text/css; charset=utf-8";
    ([(CONTENT_TYPE, kind)], without_remarks(text)).into_response()
}

/// Without the lines that are remarks alone, and what lines are indented by: both are for who reads the sources, where
/// no text goes over a line's end.
fn without_remarks(source: &str) -> String {
    let is_remark = |line: &&str| {
        line.starts_with("//") || (line.starts_with("/*") && line.trim_end().ends_with("*/"))
    };
    let lines = source.split_inclusive('\n').map(str::trim_start);
    lines.filter(|line| !is_remark(line)).collect()
}

/// A page in its language.
pub(super) fn page(text: &'static str, language: Language) -> Response {
    let html = "text/html; charset=utf-8";
    match language {
        Language::English => asset(html, text),
        other => ([(CONTENT_TYPE, html)], spoken::html(text, other)).into_response(),
    }
}

pub(super) fn asset(kind: &'static str, text: &'static str) -> Response {
    ([(CONTENT_TYPE, kind)], text).into_response()
}

/// Every request: who asks and for which host is looked at first, and every answer says what a browser may
/// do with it.
async fn at_the_door(
    State(door): State<Door>,
    Extension(caller): Extension<Caller>,
    request: HttpRequest,
    next: Next,
) -> Response {
    let heads = request.headers();
    let mut response = if caller.turned_away {
        let last = [(CONNECTION, "close")];
        (last, refused(guard::OTHER_USER)).into_response()
    } else if let Err(refusal) = door.guard.host(heads) {
        refused(refusal)
    } else {
        if let Ok(session) = door.guard.session(heads) {
            caller.seat.let_in(session);
        }
        let language = door.config.now().speaks();
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

pub(super) fn refused((status, why): Refusal) -> Response {
    refused_for(status, why)
}

/// A refusal whose words may hold what somebody else wrote.
pub(super) fn refused_for(status: StatusCode, why: impl Into<Sentence>) -> Response {
    let why = spoken::said(&why.into());
    refused_with(status, reply::Refusal::new(&*harmless(&why)))
}

pub(super) fn refused_with(status: StatusCode, refusal: reply::Refusal) -> Response {
    let refusal = refusal.said_as(&spoken::answered);
    (status, [(CONTENT_TYPE, JSON)], reply::line(&Err(refusal))).into_response()
}

pub(super) const JSON: &str = "application/json";

/// `{"key": "..."}` opens a session.
async fn enter(
    State(door): State<Door>,
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
    let entered = door.guard.enter(&headers, &key, caller.who, Instant::now());
    match entered {
        Ok(token) => {
            let told = serde_json::json!({"ok": true, "session": token});
            ([(CONTENT_TYPE, JSON)], format!("{told}\n")).into_response()
        }
        Err(refusal) => refused(refusal),
    }
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
