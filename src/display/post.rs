//! Requests by the page's buttons. POST alone, from our own page alone.

use std::path::PathBuf;
use std::sync::Arc;
use std::time::Instant;

use axum::Router;
use axum::body::Bytes;
use axum::extract::State;
use axum::http::header::CONTENT_TYPE;
use axum::http::{HeaderMap, StatusCode};
use axum::response::{IntoResponse as _, Response};
use axum::routing::post;
use jiff::civil::Date;
use serde::de::DeserializeOwned;

use super::context::{Context, threads};
use super::get::{json, look, told_from, unread};
use super::guard::Refusal;
use super::passes::{self, Clocks};
use super::{
    Answered, JSON, Ours, Reach, Shared, answered, ask, refused, refused_for, spoken, views,
};
use crate::chart::code;
use crate::journal::format::chain::sha256;
use crate::language::{Sentence, Term, phrase, term};
use crate::lots::Lot;
use crate::lots::price::Price;
use crate::mass::Mass;
use crate::protocol::call::About;
use crate::protocol::reply::{Answer, Said};
use crate::protocol::request::Request;
use crate::workshop::batches::stocktake_of;
use crate::workshop::store::{self, Change};
use crate::workshop::{self, QueryError, today};

pub fn routes() -> Router<Arc<Shared>> {
    Router::new()
        .route("/do", post(act))
        .route("/let-in", post(let_in))
        .route("/lots", post(add_lot))
        .route("/lot-change", post(change_lot))
        .route("/check", post(check))
        .route("/repeatability", post(repeatability))
        .route("/check-end", post(end_check))
}

/// What may be asked of a rehearsal.
pub fn words_to_a_batch() -> Router<Arc<Shared>> {
    Router::new().route("/do", post(rehearsed))
}

/// Words to the batch under way, and no other batch: nothing but the rehearsal's own is there.
async fn rehearsed(State(shared): Ours, headers: HeaderMap, body: Bytes) -> Response {
    match word(&body) {
        Ok((_, _, request)) if !matches!(request.command(), Ok(None)) => {
            act(State(shared), headers, body).await
        }
        Ok(_) => refused((
            StatusCode::FORBIDDEN,
            term!("not in a rehearsal; end it, then it can be done"),
        )),
        Err(why) => misunderstood(why),
    }
}

/// Whether this browser may change something now.
pub(super) fn allowed(shared: &Shared, headers: &HeaderMap) -> Result<(), Refusal> {
    shared.guard.change(headers, Instant::now())
}

pub(super) fn misunderstood(why: impl Into<Sentence>) -> Response {
    refused_for(StatusCode::BAD_REQUEST, why)
}

pub(super) fn parsed<T: DeserializeOwned>(body: &[u8]) -> Result<T, Sentence> {
    serde_json::from_slice(body).map_err(|error| {
        let error = error.to_string();
        phrase!("this is no request that bismar knows: {error}", error)
    })
}

/// What a request asks for, where this browser may change something.
#[expect(
    clippy::result_large_err,
    reason = "the error is the answer, made once a request"
)]
pub(super) fn wanted<T: DeserializeOwned>(
    shared: &Shared,
    headers: &HeaderMap,
    body: &[u8],
) -> Result<T, Response> {
    allowed(shared, headers).map_err(refused)?;
    parsed(body).map_err(misunderstood)
}

/// What asks for nothing but what its address says.
#[derive(serde::Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Nothing {}

/// A word to the daemon's loop: the requests of the control socket, but that a batch begins by a formula's
/// name in the folder of the formulas and by no other path. What is said about a step is refused for another.
async fn act(State(shared): Ours, headers: HeaderMap, body: Bytes) -> Response {
    if let Err(refusal) = allowed(&shared, &headers) {
        return refused(refusal);
    }
    let (about, planned, mut request) = match word(&body) {
        Ok(word) => word,
        Err(why) => return misunderstood(why),
    };
    match &mut request {
        Request::Begin {
            formula,
            planned: read,
            ..
        } => {
            *read = planned.is_some();
            let name = formula.to_string_lossy().into_owned();
            let found = look(&shared, &headers, move |context| {
                context
                    .formula(&name)
                    .and_then(|path| as_planned(path, planned))
            });
            let found = found.await;
            *formula = match found {
                Ok(Ok(path)) => path,
                Ok(Err(error)) => return unread(&error),
                Err(answer) => return answer,
            };
        }
        Request::Next
        | Request::Again
        | Request::Keep
        | Request::Stop
        | Request::Lot { .. }
        | Request::Note { .. }
        | Request::Fill { .. }
        | Request::GoOn { .. }
        | Request::Remedy { .. }
        | Request::Residue { .. }
        | Request::Undo
        | Request::Cancel
        | Request::Skip { .. } => {}
        Request::Hello
        | Request::Status
        | Request::LetIn
        | Request::Heed(_)
        | Request::Reload
        | Request::Subscribe { .. } => {
            let why = term!("the page asks for that in another way");
            return refused((StatusCode::FORBIDDEN, why));
        }
    }
    answered(ask(&shared.calls, request, about, None).await)
}

/// A pass for one more browser, with its code.
async fn let_in(State(shared): Ours, headers: HeaderMap, body: Bytes) -> Answered {
    let Nothing {} = wanted(&shared, &headers, &body)?;
    let passes = shared.guard.passes();
    if let Some(why) = Reach::of_a_tablet(passes.origin()) {
        return Err(refused((StatusCode::CONFLICT, why)));
    }
    let given = passes.give(Clocks::at(Instant::now()));
    let told = given.map_err(|error| error.to_string()).and_then(|link| {
        let code = code::picture(&link).map_err(|error| error.to_string())?;
        Ok(serde_json::json!({
            "ok": true, "link": link, "code": code, "seconds": passes::GOOD_FOR.as_secs(),
        }))
    });
    match told {
        Ok(told) => Ok(([(CONTENT_TYPE, JSON)], format!("{told}\n")).into_response()),
        Err(why) => Err(refused_for(StatusCode::SERVICE_UNAVAILABLE, why)),
    }
}

/// The file of a formula, where it still has the text of the plan that she read (its SHA-256, where it was shown).
fn as_planned(path: PathBuf, planned: Option<String>) -> Result<PathBuf, QueryError> {
    let is_changed = |planned: &String| {
        // What does not read is told by who begins it.
        workshop::formula(&path).is_ok_and(|formula| sha256(&formula.text) != *planned)
    };
    match planned.as_ref().is_some_and(is_changed) {
        true => Err(QueryError::Other(phrase!(
            "the formula was changed since this plan was shown, in another tab or an editor: nothing has begun; show \
             the plan again"
        ))),
        false => Ok(path),
    }
}

/// A request, and beside it as `about` the batch and the step that the page showed, and as `planned` what formula the
/// plan was made of that it showed.
fn word(body: &[u8]) -> Result<(Option<About>, Option<String>, Request), Sentence> {
    let mut word: serde_json::Map<String, serde_json::Value> = parsed(body)?;
    let about = word.remove("about").map(serde_json::from_value);
    let about = about
        .transpose()
        .map_err(|error| format!("\"about\": {error}"))?;
    let planned = word.remove("planned").map(serde_json::from_value);
    let planned = planned
        .transpose()
        .map_err(|error| format!("\"planned\": {error}"))?;
    let rest = serde_json::Value::Object(word).to_string();
    let request = Request::parse(rest.as_bytes()).map_err(|refusal| refusal.error)?;
    Ok((about, planned, request))
}

/// A lot for the list, as it stands on the package. Empty texts are as if they were not there.
#[derive(Debug, serde::Deserialize)]
#[serde(deny_unknown_fields)]
struct NewLot {
    lot: String,
    ingredient: String,
    supplier: Option<String>,
    opened: Option<String>,
    best_before: Option<String>,
    amount: Option<String>,
    price_per_kg: Option<String>,
}

impl NewLot {
    fn read(self) -> Result<Lot, Sentence> {
        let some = |text: Option<String>| {
            let text = text.map(|text| text.trim().to_owned());
            text.filter(|text| !text.is_empty())
        };
        let day = |what: Term, text: Option<String>| {
            some(text)
                .map(|text| text.parse::<Date>())
                .transpose()
                .map_err(|_| phrase!("{what} is no day; write it like 2026-01-31", what))
        };
        let amount = some(self.amount)
            .map(|text| Mass::parse_with_unit(&text))
            .transpose()
            .map_err(|error| phrase!("the amount: {why}", why = Sentence::from(error)))?;
        let price = some(self.price_per_kg)
            .map(|text| Price::parse(&text))
            .transpose()
            .map_err(|error| phrase!("the price: {why}", why = error.told()))?;
        if self.lot.trim().is_empty() {
            return Err(phrase!("say which lot it is, as it stands on the package"));
        }
        if self.ingredient.trim().is_empty() {
            return Err(phrase!(
                "say what ingredient it is, as the formulas name it"
            ));
        }
        Ok(Lot {
            name: self.lot.trim().to_owned(),
            ingredient: self.ingredient.trim().to_owned(),
            supplier: some(self.supplier),
            opened: day(term!("\"opened\""), self.opened)?,
            best_before: day(term!("\"best before\""), self.best_before)?,
            amount,
            price_per_kg: price,
            ..Lot::default()
        })
    }
}

async fn add_lot(State(shared): Ours, headers: HeaderMap, body: Bytes) -> Answered {
    let new: NewLot = wanted(&shared, &headers, &body)?;
    let lot = new.read().map_err(misunderstood)?;
    // Two at a time could each find the list without the other's lot.
    let _alone = shared.list.lock().await;
    let add = move |context: &Context| -> Result<Said, QueryError> {
        if let Some(there) = context.lots()?.iter().find(|there| there.name == lot.name) {
            return Err(QueryError::Other(store::is_there(there)));
        }
        let file = context.lots_file()?;
        store::add(&file, &lot)?;
        let mut said = Said::new(phrase!(
            "Lot {lot} of {of} is in the list.",
            lot = &lot.name,
            of = &lot.ingredient,
        ));
        let lots = context.lots()?;
        let place = lots.iter().rfind(|one| one.name == lot.name);
        for (line, words) in views::alike(&lots, &file) {
            if place.is_some_and(|lot| lot.place.line == line) {
                said.note(words);
            }
        }
        Ok(said)
    };
    let tell = |said| answered(Ok(Answer::Said(said)));
    Ok(told_from(&shared, &headers, add, tell).await)
}

/// A correction of a lot, which has all that the list is to say of it then; or its removal.
#[derive(Debug, serde::Deserialize)]
#[serde(deny_unknown_fields)]
struct LotChange {
    is: NewLot,
    remove: bool,
    reason: String,
    /// Else it is only shown.
    write: bool,
}

async fn change_lot(State(shared): Ours, headers: HeaderMap, body: Bytes) -> Answered {
    let wanted: LotChange = wanted(&shared, &headers, &body)?;
    let (remove, write) = (wanted.remove, wanted.write);
    let is = wanted.is.read().map_err(misunderstood)?;
    let _alone = shared.list.lock().await;
    let change = move |context: &Context| -> Result<serde_json::Value, QueryError> {
        let file = context.lots_file()?;
        let lot = (is.name.as_str(), is.ingredient.as_str());
        let (stock, uses, _) = stocktake_of(&context.config().logs()?, threads(), lot)?;
        let made = |_: &Lot| (!remove).then(|| is.clone());
        let taken = (&stock, uses.as_slice());
        let change = Change::of(&file, lot, made, &wanted.reason, taken, today())?;
        if write {
            change.write(&file)?;
        }
        let (lot, of) = (&is.name, &is.ingredient);
        let say = write.then(|| match remove {
            true => phrase!("Lot {lot} of {of} is taken out of the list.", lot, of),
            false => phrase!("Lot {lot} of {of} is corrected.", lot, of),
        });
        let words: Vec<String> = change.words().iter().map(spoken::said).collect();
        Ok(serde_json::json!({ "words": words, "say": say.as_ref().map(spoken::said) }))
    };
    Ok(told_from(&shared, &headers, change, json).await)
}

/// Ten weighings of one load.
#[derive(Debug, serde::Deserialize)]
#[serde(deny_unknown_fields)]
struct Repeated {
    scale: String,
    /// Into the configuration.
    write: bool,
}

async fn repeatability(State(shared): Ours, headers: HeaderMap, body: Bytes) -> Answered {
    let Repeated { scale, write } = wanted(&shared, &headers, &body)?;
    let begun = shared
        .checks
        .begin_repeatability(&shared.calls, &shared.context, scale, write)
        .await;
    let say = begun.map_err(misunderstood)?;
    Ok(answered(Ok(Answer::said(say))))
}

/// A check of a scale with a test weight.
#[derive(Debug, serde::Deserialize)]
#[serde(deny_unknown_fields)]
struct Wanted {
    scale: String,
    /// With its unit, `100g`; several loads with commas between them.
    weight: String,
    class: String,
    /// Whether what several loads tell goes into the configuration.
    #[serde(default)]
    write: bool,
}

async fn check(State(shared): Ours, headers: HeaderMap, body: Bytes) -> Answered {
    let Wanted {
        scale,
        weight,
        class,
        write,
    } = wanted(&shared, &headers, &body)?;
    let begun = shared
        .checks
        .begin(
            &shared.calls,
            &shared.context,
            scale,
            &weight,
            &class,
            write,
        )
        .await;
    let say = begun.map_err(misunderstood)?;
    Ok(answered(Ok(Answer::said(say))))
}

async fn end_check(State(shared): Ours, headers: HeaderMap) -> Response {
    if let Err(refusal) = allowed(&shared, &headers) {
        return refused(refusal);
    }
    let say = phrase!("It was ended; nothing was written.");
    match shared.checks.end(say.clone()).await {
        true => answered(Ok(Answer::said(say))),
        false => answered(Ok(Answer::said(phrase!("Nothing is being weighed here.")))),
    }
}
