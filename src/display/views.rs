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

use super::house::House;
use super::{JSON, Shared, answered, refused, told};
use crate::daemon::request;
use crate::overview::Unread;
use crate::text::harmless;

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
        .route("/record", get(record))
        .route("/sheet", get(sheet))
        .route("/chart", get(chart))
        .route("/scales", get(scales))
}

type Ours = State<Arc<Shared>>;

async fn formulas(State(shared): Ours, headers: HeaderMap) -> Response {
    json(&shared, &headers, told::formulas).await
}

async fn store(State(shared): Ours, headers: HeaderMap) -> Response {
    json(&shared, &headers, told::store).await
}

async fn scales(State(shared): Ours, headers: HeaderMap) -> Response {
    json(&shared, &headers, told::scales).await
}

async fn plan(State(shared): Ours, headers: HeaderMap, asked: Asked<told::Plan>) -> Response {
    with(&shared, &headers, asked, told::plan).await
}

async fn remedies(State(shared): Ours, headers: HeaderMap, asked: Asked<told::Batch>) -> Response {
    with(&shared, &headers, asked, told::remedies).await
}

async fn record(State(shared): Ours, headers: HeaderMap, asked: Asked<told::Batch>) -> Response {
    with(&shared, &headers, asked, told::record).await
}

#[derive(serde::Deserialize)]
#[serde(deny_unknown_fields)]
struct Skip {
    #[serde(default)]
    skip: usize,
}

async fn batches(State(shared): Ours, headers: HeaderMap, asked: Asked<Skip>) -> Response {
    with(&shared, &headers, asked, |house, asked| {
        told::batches(house, asked.skip)
    })
    .await
}

async fn sheet(State(shared): Ours, headers: HeaderMap, asked: Asked<told::Batch>) -> Response {
    let asked = match asked {
        Ok(Query(asked)) => asked,
        Err(error) => return misasked(&error),
    };
    match look(&shared, &headers, move |house| told::sheet(house, &asked)).await {
        Ok(Ok(page)) => {
            let kind = "text/html; charset=utf-8";
            let heads = [
                (CONTENT_TYPE, kind),
                (CONTENT_SECURITY_POLICY, SHEET_POLICY),
            ];
            (heads, page).into_response()
        }
        Ok(Err(error)) => unread(&error),
        Err(answer) => answer,
    }
}

async fn chart(State(shared): Ours, headers: HeaderMap, asked: Asked<told::Chart>) -> Response {
    let asked = match asked {
        Ok(Query(asked)) => asked,
        Err(error) => return misasked(&error),
    };
    match look(&shared, &headers, move |house| told::chart(house, &asked)).await {
        Ok(Ok(picture)) => ([(CONTENT_TYPE, "image/svg+xml")], picture).into_response(),
        Ok(Err(error)) => unread(&error),
        Err(answer) => answer,
    }
}

type Asked<T> = Result<Query<T>, axum::extract::rejection::QueryRejection>;

async fn with<T: DeserializeOwned + Send + 'static>(
    shared: &Shared,
    headers: &HeaderMap,
    asked: Asked<T>,
    tell: impl FnOnce(&House, &T) -> Result<serde_json::Value, Unread> + Send + 'static,
) -> Response {
    match asked {
        Ok(Query(asked)) => json(shared, headers, move |house| tell(house, &asked)).await,
        Err(error) => misasked(&error),
    }
}

async fn json(
    shared: &Shared,
    headers: &HeaderMap,
    tell: impl FnOnce(&House) -> Result<serde_json::Value, Unread> + Send + 'static,
) -> Response {
    match look(shared, headers, tell).await {
        Ok(Ok(value)) => answered(request::reply(value)),
        Ok(Err(error)) => unread(&error),
        Err(answer) => answer,
    }
}

/// Reads files in a thread of its own, for a browser that was let in. A disk that hangs keeps its turn, so
/// that no more threads hang than there are turns.
pub(super) async fn look<T: Send + 'static>(
    shared: &Shared,
    headers: &HeaderMap,
    tell: impl FnOnce(&House) -> T + Send + 'static,
) -> Result<T, Response> {
    shared.guard.session(headers).map_err(refused)?;
    let turn = Arc::clone(&shared.looks).acquire_owned();
    let Ok(Ok(turn)) = tokio::time::timeout(LONGEST_WAIT, turn).await else {
        let why = "the disk is slow; try again in a moment";
        return Err(refused((StatusCode::SERVICE_UNAVAILABLE, why)));
    };
    let house = shared.house.clone();
    let work = tokio::task::spawn_blocking(move || {
        let told = tell(&house);
        drop(turn);
        told
    });
    work.await.map_err(|error| {
        tracing::error!(%error, "an answer for the page was not worked out");
        let why = "that could not be worked out (a fault of bismar)";
        refused((StatusCode::INTERNAL_SERVER_ERROR, why))
    })
}

fn misasked(error: &axum::extract::rejection::QueryRejection) -> Response {
    let text = format!("this is no question that bismar knows: {error}");
    let heads = [(CONTENT_TYPE, JSON)];
    (StatusCode::BAD_REQUEST, heads, request::refused(&text)).into_response()
}

pub(super) fn unread(error: &Unread) -> Response {
    let text = error.to_string();
    let reply = request::refused(&harmless(&text));
    (
        StatusCode::UNPROCESSABLE_ENTITY,
        [(CONTENT_TYPE, JSON)],
        reply,
    )
        .into_response()
}
