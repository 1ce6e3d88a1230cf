//! The page's words for formulas: opened, checked while they are written, saved, compared, taken out of a spreadsheet
//! and put into one. A running batch has its formula in its log, so that all of it may be done in the middle of one.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use axum::Router;
use axum::body::to_bytes;
use axum::extract::{Request as HttpRequest, State};
use axum::http::header::CONTENT_TYPE;
use axum::http::{HeaderMap, StatusCode};
use axum::response::{IntoResponse as _, Response};
use axum::routing::{get, post};
use serde::Deserialize;
use serde::de::DeserializeOwned;
use serde_json::{Value, json};

use super::context::Context;
use super::get::{self, Asked, json as told, look, told_from, unread, with};
use super::post::{Nothing, allowed, misunderstood, parsed};
use super::{Answered, JSON, Ours, Shared, answered, refused, refused_for, spoken, views};
use crate::formula::form::{Fault, Fields};
use crate::formula::plan::BatchSize;
use crate::language::{Sentence, phrase, term};
use crate::protocol::reply::Answer;
use crate::protocol::request;
use crate::sheet;
use crate::text::alike::same_name;
use crate::text::harmless_json;
use crate::workshop::formula_file::{self, SaveError};
use crate::workshop::formula_sheet::{self, Pasted};
use crate::workshop::labelling::Facts;
use crate::workshop::papers::Paper;
use crate::workshop::planning::OnPaper;
use crate::workshop::{self, QueryError};

/// The longest formula, or table of one, that a page sends, bytes.
const LONGEST: usize = 256 * 1024;

pub fn routes() -> Router<Arc<Shared>> {
    Router::new()
        .route("/formula", get(open))
        .route("/formula-versions", get(versions))
        .route("/formula-compare", get(compare))
        .route("/formula-csv", get(csv))
        .route("/formula-card", get(card))
        .route("/formula-check", post(check))
        .route("/formula-save", post(save))
        .route("/formula-premix", post(premix))
        .route("/formula-label", post(label))
        .route("/formula-sheet", post(sheet))
        .route("/formula-examples", post(examples))
        .route("/papers", get(papers).post(new_paper))
}

/// What is asked for by who may change something. The body is read only then: it may be long.
async fn wanted<T: DeserializeOwned>(
    shared: &Shared,
    request: HttpRequest,
) -> Result<(T, HeaderMap), Response> {
    let (parts, body) = request.into_parts();
    allowed(shared, &parts.headers).map_err(refused)?;
    let body = to_bytes(body, LONGEST).await.map_err(|_| {
        let why = term!("that is too long for a formula");
        refused((StatusCode::PAYLOAD_TOO_LARGE, why))
    })?;
    let wanted = parsed(&body).map_err(misunderstood)?;
    Ok((wanted, parts.headers))
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    file: String,
}

async fn open(State(shared): Ours, headers: HeaderMap, asked: Asked<File>) -> Response {
    let tell = |context: &Context, asked: &File| {
        let path = context.formula(&asked.file)?;
        let opened = formula_file::open(&path).map_err(|error| bare(&path, &error.told()))?;
        Ok(json!({ "file": asked.file, "fields": opened.fields, "base": opened.base }))
    };
    with(&shared, &headers, asked, tell, told).await
}

/// What is wrong with a file, with its name alone: the page tells the folder elsewhere.
fn bare(path: &Path, told: &Sentence) -> QueryError {
    QueryError::Other(views::bare(told, &workshop::folder_of(path)).into())
}

async fn versions(State(shared): Ours, headers: HeaderMap, asked: Asked<File>) -> Response {
    let tell = |context: &Context, asked: &File| {
        let path = context.formula(&asked.file)?;
        let formula = workshop::formula(&path).map_err(|error| bare(&path, &error.told()))?;
        let logs = context.config().logs()?;
        let versions = formula_file::versions(&formula.name, &logs)?;
        let same = versions.iter().position(|one| one.text == formula.text);
        Ok(json!({ "version": formula.version, "versions": versions, "same": same }))
    };
    with(&shared, &headers, asked, tell, told).await
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Pair {
    file: String,
    /// A batch of the first version.
    was: String,
    /// A batch of the second one; the file where there is none.
    is: Option<String>,
}

async fn compare(State(shared): Ours, headers: HeaderMap, asked: Asked<Pair>) -> Response {
    let tell = |context: &Context, asked: &Pair| {
        let was = context.log(&asked.was)?;
        let differences = match asked.is.as_deref().filter(|is| !is.is_empty()) {
            Some(is) => formula_file::compare_batches(&was, &context.log(is)?)?,
            None => formula_file::compare(&context.formula(&asked.file)?, &was)?,
        };
        let language = spoken::language();
        let differences = differences.into_iter().map(|one| one.put_into(language));
        Ok(json!({ "differences": differences.collect::<Vec<_>>() }))
    };
    with(&shared, &headers, asked, tell, told).await
}

async fn csv(State(shared): Ours, headers: HeaderMap, asked: Asked<File>) -> Response {
    let tell = |context: &Context, asked: &File| {
        let path = context.formula(&asked.file)?;
        let opened = formula_file::open(&path).map_err(|error| bare(&path, &error.told()))?;
        formula_sheet::csv(&opened.fields)
            .map_err(|error| QueryError::Other(error.to_string().into()))
    };
    with(&shared, &headers, asked, tell, |text| {
        ([(CONTENT_TYPE, "text/csv; charset=utf-8")], text).into_response()
    })
    .await
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Card {
    file: String,
    batch: Option<String>,
}

async fn card(State(shared): Ours, headers: HeaderMap, asked: Asked<Card>) -> Response {
    let tell = |context: &Context, asked: &Card| {
        let path = context.formula(&asked.file)?;
        let formula = workshop::formula(&path).map_err(|error| bare(&path, &error.told()))?;
        let known = workshop::known(&path, &formula)?;
        let cautions = crate::formula::cautions::lines(&formula, &known);
        let paper = match size(asked.batch.as_deref())? {
            Some(size) => {
                let config = context.config();
                Some(OnPaper::of(formula.clone(), &path, size, &config)?)
            }
            None => None,
        };
        let steps = paper
            .as_ref()
            .map(|paper| paper.steps().collect::<Vec<_>>());
        let steps = steps.unwrap_or_default();
        let grams = steps.iter().map(|step| sheet::CardGrams {
            target: step.target.clone(),
            window: match (&step.low, &step.high, step.proven) {
                (Some(low), Some(high), true) => format!("{low} – {high}"),
                (_, _, _) => String::new(),
            },
        });
        let batch = paper.as_ref().map(|paper| views::grams(paper.plan.batch));
        Ok(sheet::card(
            &formula,
            batch.as_deref(),
            &grams.collect::<Vec<_>>(),
            &cautions,
            spoken::language(),
        ))
    };
    with(&shared, &headers, asked, tell, get::sheet_of).await
}

/// A batch size; none where nothing is told.
fn size(batch: Option<&str>) -> Result<Option<BatchSize>, QueryError> {
    match batch.filter(|batch| !batch.is_empty()) {
        Some(batch) => Ok(Some(request::amount(Some(batch), None, None, None)?)),
        None => Ok(None),
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Written {
    file: Option<String>,
    like: Option<String>,
    fields: Fields,
    batch: Option<String>,
}

/// The file that a form is of, or may come to be.
fn place(context: &Context, file: Option<&str>) -> Result<PathBuf, QueryError> {
    match file {
        Some(file) => context.formula(file),
        None => Ok(context.config().formulas()?.join(".new.toml")),
    }
}

async fn check(State(shared): Ours, request: HttpRequest) -> Answered {
    let (asked, headers): (Written, _) = wanted(&shared, request).await?;
    let tell = move |context: &Context| {
        let path = place(context, asked.file.as_deref().or(asked.like.as_deref()))?;
        let config = context.config();
        // What is no size yet gets the usual one's figures and is told at its field.
        let (size, unsized_) = match size(asked.batch.as_deref()) {
            Ok(size) => (size, None),
            Err(error) => (None, Some(error)),
        };
        let mut checked =
            formula_file::check(&asked.fields, &path, size, &config, spoken::language())?;
        if let Some(error) = unsized_ {
            checked
                .faults
                .push(Fault::new("batch", spoken::said(&error.told())));
            checked.steps.clear();
        }
        Ok(json!(checked))
    };
    Ok(told_from(&shared, &headers, tell, told).await)
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Save {
    file: Option<String>,
    #[serde(default)]
    base: String,
    /// The file that a new one is a copy of.
    like: Option<String>,
    fields: Fields,
}

async fn save(State(shared): Ours, request: HttpRequest) -> Answered {
    let (asked, headers): (Save, _) = wanted(&shared, request).await?;
    let _alone = shared.list.lock().await;
    let saved = look(&shared, &headers, move |context| {
        let path = asked.file.map(|file| context.formula(&file)).transpose()?;
        let like = asked.like.map(|file| context.formula(&file)).transpose()?;
        let at = path.as_deref().map(|path| (path, asked.base.as_str()));
        let config = context.config();
        let (folder, logs) = (config.formulas()?, config.logs()?);
        formula_file::save(&asked.fields, at, like.as_deref(), &folder, &logs)
    });
    Ok(match saved.await? {
        Ok(mut saved) => {
            saved.say = saved.say.put_into(spoken::language());
            told(json!(saved))
        }
        Err(error) => unsaved(&error),
    })
}

fn unsaved(error: &SaveError) -> Response {
    match error {
        SaveError::Faults(faults) => {
            let faults = faults.iter().cloned();
            let faults = faults.map(|fault| fault.put_into(spoken::language()));
            let faults: Vec<Fault> = faults.collect();
            refused_told(&error.told(), json!({ "faults": faults }))
        }
        SaveError::Changed(_) => refused_told(&error.told(), json!({ "changed": true })),
        SaveError::Query(error) => unread(error),
        SaveError::Edit(error) => refused_for(StatusCode::UNPROCESSABLE_ENTITY, error.words()),
    }
}

/// A refusal that tells more than its words.
fn refused_told(why: &Sentence, more: Value) -> Response {
    let mut object = json!({ "ok": false, "error": spoken::said(why) });
    if let (Some(object), Value::Object(more)) = (object.as_object_mut(), more) {
        object.extend(more);
    }
    let heads = [(CONTENT_TYPE, JSON)];
    let json = harmless_json(&object.to_string());
    (StatusCode::UNPROCESSABLE_ENTITY, heads, format!("{json}\n")).into_response()
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Blend {
    fields: Fields,
    phase: usize,
}

async fn premix(State(shared): Ours, request: HttpRequest) -> Answered {
    let (asked, headers): (Blend, _) = wanted(&shared, request).await?;
    let _alone = shared.list.lock().await;
    let made = look(&shared, &headers, move |context| {
        let config = context.config();
        let (folder, logs) = (config.formulas()?, config.logs()?);
        formula_file::make_premix(
            &asked.fields,
            asked.phase,
            &folder,
            &logs,
            spoken::language(),
        )
    });
    Ok(match made.await? {
        Ok((saved, fields)) => told(json!({
            "file": saved.file, "name": saved.opened.fields.name, "fields": fields,
            "say": spoken::said(&phrase!(
                "{saved} It stands in its place here now; save this formula too.",
                saved = saved.say,
            )),
        })),
        Err(error) => unsaved(&error),
    })
}

async fn sheet(State(shared): Ours, request: HttpRequest) -> Answered {
    let (mut pasted, headers): (Pasted, _) = wanted(&shared, request).await?;
    pasted.language = spoken::language();
    let made = look(&shared, &headers, move |_| formula_sheet::sheet(&pasted));
    Ok(match made.await? {
        Ok(sheet) => told(json!({ "sheet": sheet.put_into(spoken::language()) })),
        Err(why) => refused_for(StatusCode::UNPROCESSABLE_ENTITY, why),
    })
}

/// What the maker's list has of substances, and the names that formulas have.
async fn papers(State(shared): Ours, headers: HeaderMap, asked: Asked<Nothing>) -> Response {
    let tell = |context: &Context, _: &Nothing| {
        let folder = context.config().formulas()?;
        let all = workshop::substances_in(&folder)?;
        let told: Vec<Paper> = all.iter().flat_map(Paper::of).collect();
        let named = views::named(context).into_iter();
        let known: Vec<String> = named.map(|(name, inci)| inci.unwrap_or(name)).collect();
        Ok(json!({ "papers": told, "known": known }))
    };
    with(&shared, &headers, asked, tell, told).await
}

async fn new_paper(State(shared): Ours, request: HttpRequest) -> Answered {
    let (paper, headers): (Paper, _) = wanted(&shared, request).await?;
    let _alone = shared.list.lock().await;
    let name = paper.name.trim().to_owned();
    let written = look(&shared, &headers, move |context| {
        let folder = context.config().formulas()?;
        let is_it = |(_, inci): &(String, Option<String>)| {
            inci.as_ref()
                .is_some_and(|inci| same_name(inci, &paper.name))
        };
        let is_inci = views::named(context).iter().any(is_it);
        paper
            .write(&folder, is_inci)
            .map_err(|error| QueryError::Other(error.words()))
    });
    Ok(match written.await? {
        Ok(()) => {
            let say = phrase!("What is known of {name} is written down.", name);
            told(json!({ "say": spoken::said(&say) }))
        }
        Err(error) => unread(&error),
    })
}

async fn examples(State(shared): Ours, request: HttpRequest) -> Answered {
    let (Nothing {}, headers) = wanted(&shared, request).await?;
    let _alone = shared.list.lock().await;
    let put = look(&shared, &headers, |context| {
        let folder = context.config().formulas()?;
        formula_file::put_examples(&folder, spoken::language())
            .map_err(|error| QueryError::Other(error.words()))
    });
    Ok(match put.await? {
        Ok(count) => {
            let say = phrase!("{count} examples are in the folder.", count);
            told(json!({ "say": spoken::said(&say) }))
        }
        Err(error) => unread(&error),
    })
}

/// What the label says besides, into the formula's file.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct NewFacts {
    file: String,
    facts: Facts,
}

async fn label(State(shared): Ours, request: HttpRequest) -> Answered {
    let (NewFacts { file, facts }, headers) = wanted(&shared, request).await?;
    let _alone = shared.list.lock().await;
    let write = move |context: &Context| {
        let path = context.formula(&file)?;
        facts
            .write(&path)
            .map_err(|error| bare(&path, &error.words()))?;
        Ok(phrase!("Written into {file}.", file))
    };
    let tell = |say| answered(Ok(Answer::said(say)));
    Ok(told_from(&shared, &headers, write, tell).await)
}
