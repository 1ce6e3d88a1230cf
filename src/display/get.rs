//! The answers that are read from files: GET alone, each away from the loop that reads the scales.

use std::sync::Arc;
use std::time::Duration;

use axum::Router;
use axum::extract::{Query, State};
use axum::http::header::{CONTENT_SECURITY_POLICY, CONTENT_TYPE};
use axum::http::{HeaderMap, StatusCode};
use axum::response::{IntoResponse as _, Response};
use axum::routing::get;
use serde::de::DeserializeOwned;

use super::context::Context;
use super::{Ours, Shared, refused, refused_for, refused_with, spoken, views};
use crate::language::{phrase, term};
use crate::text::harmless_json;
use crate::workshop::QueryError;

/// Looks at the disk at a time.
pub const MOST_LOOKS: usize = 2;
/// How long one waits for its turn.
const LONGEST_WAIT: Duration = Duration::from_secs(5);

/// What the batch sheet may do: nothing but show itself.
const SHEET_POLICY: &str = "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; \
    form-action 'none'; frame-ancestors 'none'; sandbox";

pub fn routes() -> Router<Arc<Shared>> {
    Router::new()
        .route("/formulas", get(formulas))
        .route("/plan", get(plan))
        .route("/store", get(store))
        .route("/remedies", get(remedies))
        .route("/batches", get(batches))
        .route("/stopped", get(stopped))
        .route("/record", get(record))
        .route("/sheet", get(sheet))
        .route("/chart", get(chart))
        .route("/trace", get(trace))
        .route("/label", get(label))
        .route("/labels", get(labels))
        .route("/declaration", get(declaration))
        .route("/scales", get(scales))
        .route("/ports", get(ports))
}

async fn formulas(State(shared): Ours, headers: HeaderMap) -> Response {
    told_from(&shared, &headers, views::formulas, json).await
}

async fn store(State(shared): Ours, headers: HeaderMap) -> Response {
    told_from(&shared, &headers, views::store, json).await
}

async fn scales(State(shared): Ours, headers: HeaderMap) -> Response {
    told_from(&shared, &headers, views::scales, json).await
}

async fn ports(State(shared): Ours, headers: HeaderMap) -> Response {
    told_from(&shared, &headers, views::ports, json).await
}

async fn plan(State(shared): Ours, headers: HeaderMap, asked: Asked<views::Plan>) -> Response {
    with(&shared, &headers, asked, views::plan, json).await
}

async fn remedies(State(shared): Ours, headers: HeaderMap, asked: Asked<views::Batch>) -> Response {
    with(&shared, &headers, asked, views::remedies, json).await
}

async fn record(State(shared): Ours, headers: HeaderMap, asked: Asked<views::Batch>) -> Response {
    with(&shared, &headers, asked, views::record, json).await
}

async fn stopped(State(shared): Ours, headers: HeaderMap) -> Response {
    told_from(&shared, &headers, views::stopped, json).await
}

#[derive(serde::Deserialize)]
#[serde(deny_unknown_fields)]
struct Skip {
    #[serde(default)]
    skip: usize,
}

async fn batches(State(shared): Ours, headers: HeaderMap, asked: Asked<Skip>) -> Response {
    let tell = |context: &Context, asked: &Skip| views::batches(context, asked.skip);
    with(&shared, &headers, asked, tell, json).await
}

async fn sheet(State(shared): Ours, headers: HeaderMap, asked: Asked<views::Batch>) -> Response {
    with(&shared, &headers, asked, views::sheet, sheet_of).await
}

async fn trace(State(shared): Ours, headers: HeaderMap, asked: Asked<views::Name>) -> Response {
    with(&shared, &headers, asked, views::trace, json).await
}

async fn label(State(shared): Ours, headers: HeaderMap, asked: Asked<views::Label>) -> Response {
    with(&shared, &headers, asked, views::label, json).await
}

async fn labels(State(shared): Ours, headers: HeaderMap, asked: Asked<views::Label>) -> Response {
    with(&shared, &headers, asked, views::labels, sheet_of).await
}

async fn declaration(
    State(shared): Ours,
    headers: HeaderMap,
    asked: Asked<views::Label>,
) -> Response {
    with(&shared, &headers, asked, views::declaration, |text| {
        ([(CONTENT_TYPE, "text/plain; charset=utf-8")], text).into_response()
    })
    .await
}

/// A page of its own to print.
pub(super) fn sheet_of(page: String) -> Response {
    let heads = [
        (CONTENT_TYPE, "text/html; charset=utf-8"),
        (CONTENT_SECURITY_POLICY, SHEET_POLICY),
    ];
    (heads, page).into_response()
}

async fn chart(State(shared): Ours, headers: HeaderMap, asked: Asked<views::Chart>) -> Response {
    with(&shared, &headers, asked, views::chart, json).await
}

pub(super) type Asked<A> = Result<Query<A>, axum::extract::rejection::QueryRejection>;

/// Fields of `told` as an answer of the form of the daemon's replies.
pub(super) fn json(fields: impl serde::Serialize) -> Response {
    #[derive(serde::Serialize)]
    struct Answer<T> {
        ok: bool,
        #[serde(flatten)]
        fields: T,
    }
    // Whatever is told has fields, with texts for their names.
    let text = serde_json::to_string(&Answer { ok: true, fields }).unwrap_or_default();
    let mut json = harmless_json(&text);
    json.push('\n');
    ([(CONTENT_TYPE, super::JSON)], json).into_response()
}

/// As [`told_from`], of what was asked.
pub(super) async fn with<A: DeserializeOwned + Send + 'static, T: Send + 'static>(
    shared: &Shared,
    headers: &HeaderMap,
    asked: Asked<A>,
    tell: impl FnOnce(&Context, &A) -> Result<T, QueryError> + Send + 'static,
    show: impl FnOnce(T) -> Response,
) -> Response {
    match asked {
        Ok(Query(asked)) => {
            told_from(shared, headers, move |context| tell(context, &asked), show).await
        }
        Err(error) => {
            let error = error.to_string();
            let why = phrase!("this is no question that bismar knows: {error}", error);
            refused_for(StatusCode::BAD_REQUEST, why)
        }
    }
}

/// What `tell` finds in the files, as `show` answers it; or why it finds nothing, in words.
pub(super) async fn told_from<T: Send + 'static>(
    shared: &Shared,
    headers: &HeaderMap,
    tell: impl FnOnce(&Context) -> Result<T, QueryError> + Send + 'static,
    show: impl FnOnce(T) -> Response,
) -> Response {
    match look(shared, headers, tell).await {
        Ok(Ok(told)) => show(told),
        Ok(Err(error)) => unread(&error),
        Err(answer) => answer,
    }
}

/// Reads files in a thread of its own, for a browser that was let in. A disk that hangs keeps its turn, so
/// that no more threads hang than there are turns.
pub(super) async fn look<T: Send + 'static>(
    shared: &Shared,
    headers: &HeaderMap,
    tell: impl FnOnce(&Context) -> T + Send + 'static,
) -> Result<T, Response> {
    shared.guard.session(headers).map_err(refused)?;
    let turn = Arc::clone(&shared.looks).acquire_owned();
    let Ok(Ok(turn)) = tokio::time::timeout(LONGEST_WAIT, turn).await else {
        let why = term!("the disk is slow; try again in a moment");
        return Err(refused((StatusCode::SERVICE_UNAVAILABLE, why)));
    };
    let context = shared.context.clone();
    let language = spoken::language();
    let work = tokio::task::spawn_blocking(move || {
        let told = spoken::speaking_blocked(language, || tell(&context));
        drop(turn);
        told
    });
    work.await.map_err(|error| {
        tracing::error!(%error, "an answer for the page was not worked out");
        let why = term!("that could not be worked out (a fault of bismar)");
        refused((StatusCode::INTERNAL_SERVER_ERROR, why))
    })
}

pub(super) fn unread(error: &QueryError) -> Response {
    let unread = StatusCode::UNPROCESSABLE_ENTITY;
    match error {
        QueryError::Refused(refusal) => refused_with(unread, refusal.clone()),
        QueryError::Log(_)
        | QueryError::File(_)
        | QueryError::Name(_)
        | QueryError::Plan(_)
        | QueryError::Assumed(_)
        | QueryError::NoFormula(_)
        | QueryError::Other(_) => refused_for(unread, error.told()),
    }
}
