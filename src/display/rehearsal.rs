//! A rehearsal behind the page: a loop and files of its own below `/try/`, the same page, the same who may. It ends
//! when it is told to, when nobody has looked at it for a while, and with the daemon.

use std::convert::Infallible;
use std::fmt;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use axum::Router;
use axum::body::Bytes;
use axum::extract::{Request as HttpRequest, State};
use axum::http::header::LOCATION;
use axum::http::{HeaderMap, Method, StatusCode, Uri};
use axum::response::{IntoResponse as _, Response};
use axum::routing::{any, post};
use hyper::service::Service as _;
use hyper_util::service::TowerToHyperService;
use tokio::sync::{mpsc, oneshot};

use super::context::Context;
use super::post::{Nothing, wanted};
use super::{
    Answered, Answers, Ours, Shared, answered, ask, idle, refused, refused_for, refused_with,
};
use crate::language::{phrase, term};
use crate::protocol::call::Call;
use crate::protocol::reply::Answer;
use crate::protocol::request::Request;

/// Where the rehearsal's page is.
const AT: &str = "/try";
/// Looked so often whether somebody looks at it.
const LOOK: Duration = Duration::from_secs(2);
/// As many looks in a row find nobody before it ends: a page that is loaded anew is away for a moment.
const ALONE: u32 = 10;

/// A rehearsal that runs; it ends when this is dropped.
pub struct Rehearsal {
    /// Its loop.
    pub calls: mpsc::Sender<Call>,
    /// Its own files.
    pub context: Context,
    /// Dropped, it tells the rehearsal to end.
    pub end: oneshot::Sender<Infallible>,
}

/// Begins a rehearsal. Blocks for as long as a folder and a line take.
pub type Rehearse = Arc<dyn Fn() -> std::io::Result<Rehearsal> + Send + Sync>;

/// The one rehearsal that there may be.
#[derive(Default)]
pub(super) struct Rehearsals {
    make: Option<Rehearse>,
    running: Mutex<Option<Running>>,
    /// One is begun at a time.
    begins: tokio::sync::Mutex<()>,
}

struct Running {
    answers: Answers,
    of: Arc<Shared>,
    _end: oneshot::Sender<Infallible>,
}

impl fmt::Debug for Rehearsals {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Rehearsals").finish_non_exhaustive()
    }
}

impl Rehearsals {
    pub fn new(make: Option<Rehearse>) -> Rehearsals {
        Rehearsals {
            make,
            ..Rehearsals::default()
        }
    }

    fn running(&self) -> std::sync::MutexGuard<'_, Option<Running>> {
        self.running.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn answers(&self) -> Option<Answers> {
        let mut running = self.running();
        // Its thread may have ended by itself.
        if running.as_ref().is_some_and(|one| one.of.calls.is_closed()) {
            *running = None;
        }
        running.as_ref().map(|one| one.answers.clone())
    }

    /// Ends the one that runs; whether one did.
    fn end(&self) -> bool {
        self.running().take().is_some()
    }
}

pub(super) fn routes() -> Router<Arc<Shared>> {
    Router::new()
        .route("/try-begin", post(begin))
        .route("/try/end", post(end))
        .route("/try", any(within))
        .route("/try/", any(within))
        .route("/try/{*path}", any(within))
}

async fn begin(State(shared): Ours, headers: HeaderMap, body: Bytes) -> Answered {
    let Nothing {} = wanted(&shared, &headers, &body)?;
    let all = &shared.rehearsals;
    let _alone = all.begins.lock().await;
    let busy = idle(&shared.calls, term!("rehearse when it is over")).await;
    busy.map_err(|refusal| refused_with(StatusCode::CONFLICT, refusal))?;
    if all.answers().is_none() {
        let none = || refused((StatusCode::NOT_FOUND, term!("there is no rehearsal here")));
        let make = all.make.clone().ok_or_else(none)?;
        let made = tokio::task::spawn_blocking(move || make()).await;
        let rehearsal = match made {
            Ok(Ok(rehearsal)) => rehearsal,
            Ok(Err(error)) => {
                let error = error.to_string();
                let why = phrase!("no rehearsal could be begun: {error}", error);
                return Err(refused_for(StatusCode::SERVICE_UNAVAILABLE, why));
            }
            Err(_) => return Err(none()),
        };
        let of = Arc::new(Shared::new(
            Arc::clone(&shared.guard),
            rehearsal.calls,
            rehearsal.context,
        ));
        *all.running() = Some(Running {
            answers: Answers::rehearsed(&of),
            of: Arc::clone(&of),
            _end: rehearsal.end,
        });
        tokio::spawn(watch(Arc::clone(&shared), of));
    }
    Ok(answered(Ok(Answer::said(phrase!("The rehearsal runs.")))))
}

/// Ends it when nobody has looked at it for a while, or when a batch begins at the bench: its page shows that one
/// then.
async fn watch(shared: Arc<Shared>, of: Arc<Shared>) {
    let mut alone = 0;
    while alone < ALONE {
        tokio::time::sleep(LOOK).await;
        alone = match of.followers.is_empty() {
            true => alone + 1,
            false => 0,
        };
        let bench = ask(&shared.calls, Request::Status, None, None).await;
        if matches!(bench, Ok(Answer::Status(bench)) if bench.status.formula.is_some()) {
            break;
        }
        let same = |one: &Running| Arc::ptr_eq(&one.of, &of);
        if !shared.rehearsals.running().as_ref().is_some_and(same) {
            return;
        }
    }
    shared.rehearsals.end();
}

async fn end(State(shared): Ours, headers: HeaderMap, body: Bytes) -> Answered {
    let Nothing {} = wanted(&shared, &headers, &body)?;
    let say = match shared.rehearsals.end() {
        true => phrase!("The rehearsal is over; nothing of it is kept."),
        false => phrase!("No rehearsal runs."),
    };
    Ok(answered(Ok(Answer::said(say))))
}

/// Whatever is asked below [`AT`] is the rehearsal's to answer.
async fn within(State(shared): Ours, mut request: HttpRequest) -> Response {
    let path = request.uri().path_and_query().map(|path| path.as_str());
    let rest = path
        .and_then(|path| path.strip_prefix(AT))
        .unwrap_or_default();
    let page = request.method() == Method::GET && matches!(rest, "" | "/");
    let Some(answers) = shared.rehearsals.answers() else {
        return match page {
            true => (StatusCode::SEE_OTHER, [(LOCATION, "/")]).into_response(),
            false => refused((StatusCode::NOT_FOUND, term!("the rehearsal is over"))),
        };
    };
    match rest.parse::<Uri>() {
        Ok(uri) if !rest.is_empty() => *request.uri_mut() = uri,
        // Its files are beside it: without the stroke a browser would look for them elsewhere.
        Ok(_) | Err(_) => return (StatusCode::SEE_OTHER, [(LOCATION, "/try/")]).into_response(),
    }
    match TowerToHyperService::new(answers.0).call(request).await {
        Ok(response) => response,
        Err(never) => match never {},
    }
}
