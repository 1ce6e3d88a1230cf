//! The page's words that set scales and vessels up, and who answers for what is made: each is written into the configuration file and taken by the
//! daemon. Not in the middle of a batch.

use std::path::Path;
use std::sync::Arc;

use axum::Router;
use axum::body::Bytes;
use axum::extract::State;
use axum::http::{HeaderMap, StatusCode};
use axum::response::Response;
use axum::routing::post;
use serde::de::DeserializeOwned;

use super::find::MOST_PORTS;
use super::get::look;
use super::post::{self, Nothing, misunderstood};
use super::{Answered, Ours, Shared, answered, ask, idle, refused_for, refused_with, views};
use crate::language::{Sentence, phrase, term};
use crate::protocol::reply::{Answer, Standing};
use crate::protocol::request::Request;
use crate::workshop::config_file::{self, EditError};
use crate::workshop::scale_check::shown_step;
use crate::workshop::scale_setup::{self, Told};

pub fn routes() -> Router<Arc<Shared>> {
    Router::new()
        .route("/find", post(find))
        .route("/find-end", post(end))
        .route("/scale-add", post(add))
        .route("/scale-change", post(change))
        .route("/scale-remove", post(remove))
        .route("/vessel-weigh", post(weigh_vessel))
        .route("/vessel-remove", post(remove_vessel))
        .route("/responsible", post(responsible))
}

/// What a request asks for, where this browser may change something and no batch is under way.
async fn wanted<T: DeserializeOwned>(
    shared: &Shared,
    headers: &HeaderMap,
    body: &[u8],
) -> Result<T, Response> {
    Ok(wanted_now(shared, headers, body).await?.0)
}

/// As [`wanted`], with how the bench stands.
async fn wanted_now<T: DeserializeOwned>(
    shared: &Shared,
    headers: &HeaderMap,
    body: &[u8],
) -> Result<(T, Box<Standing>), Response> {
    let wanted = post::wanted(shared, headers, body)?;
    let refused = |refusal| refused_with(StatusCode::CONFLICT, refusal);
    let standing = idle(&shared.calls, term!("do that when it is over")).await;
    Ok((wanted, standing.map_err(refused)?))
}

fn unwritten(error: &EditError) -> Response {
    refused_for(StatusCode::UNPROCESSABLE_ENTITY, error.words())
}

/// Makes a change of the configuration file, one at a time, and has the daemon take it.
async fn write(
    shared: &Shared,
    headers: &HeaderMap,
    edit: impl FnOnce(&Path) -> Result<Sentence, EditError> + Send + 'static,
) -> Answered {
    write_then(shared, headers, edit, std::future::ready(())).await
}

/// As [`write`], with `then` between the file and the daemon.
async fn write_then(
    shared: &Shared,
    headers: &HeaderMap,
    edit: impl FnOnce(&Path) -> Result<Sentence, EditError> + Send + 'static,
    then: impl Future<Output = ()>,
) -> Answered {
    let _alone = shared.list.lock().await;
    let written = look(shared, headers, move |context| {
        match context.config_file() {
            Ok(file) => edit(&file).map_err(|error| error.words()),
            Err(error) => Err(error.told()),
        }
    });
    let unwritten = |why: Sentence| refused_for(StatusCode::UNPROCESSABLE_ENTITY, why);
    let say = written.await?.map_err(unwritten)?;
    then.await;
    match ask(&shared.calls, Request::Reload, None, None).await {
        Ok(_) => Ok(answered(Ok(Answer::said(say)))),
        Err(refusal) => Err(unwritten(phrase!(
            "{say} bismar does not take it: {why}",
            say,
            why = refusal.error,
        ))),
    }
}

#[derive(serde::Deserialize)]
#[serde(deny_unknown_fields)]
struct Ports {
    ports: Vec<String>,
}

async fn find(State(shared): Ours, headers: HeaderMap, body: Bytes) -> Answered {
    let Ports { ports } = wanted(&shared, &headers, &body).await?;
    if ports.is_empty() || ports.len() > MOST_PORTS {
        let why = phrase!("name the ports to listen to, at most 8 at a time");
        return Err(misunderstood(why));
    }
    let read = look(&shared, &headers, move |context| {
        let listed = views::listed();
        let config = context.config();
        let one = |port: String| Ok((port.clone(), scale_setup::wanted(&config, &listed, &port)?));
        ports
            .into_iter()
            .map(one)
            .collect::<Result<Vec<_>, EditError>>()
    });
    let ports = read.await?.map_err(|error| unwritten(&error))?;
    shared.finds.begin(ports).await;
    let say = phrase!("Press the pan, or put something on it and take it off again, now and then.");
    Ok(answered(Ok(Answer::said(say))))
}

async fn end(State(shared): Ours, headers: HeaderMap, body: Bytes) -> Answered {
    let Nothing {} = post::wanted(&shared, &headers, &body)?;
    shared.finds.end().await;
    let say = phrase!("Nothing is listened to any more.");
    Ok(answered(Ok(Answer::said(say))))
}

/// A scale that was found; empty texts are as if they were not there.
#[derive(serde::Deserialize)]
#[serde(deny_unknown_fields)]
struct New {
    port: String,
    #[serde(default)]
    name: String,
    #[serde(default)]
    capacity: String,
    #[serde(default)]
    readability: String,
}

async fn add(State(shared): Ours, headers: HeaderMap, body: Bytes) -> Answered {
    let new: New = wanted(&shared, &headers, &body).await?;
    let Some((port, found)) = shared.finds.found(&new.port) else {
        let why =
            phrase!("no scale is heard at that port any more; look at its cable and listen again");
        return Err(refused_for(StatusCode::CONFLICT, why));
    };
    let told = Told {
        name: new.name,
        capacity: new.capacity,
        readability: new.readability,
    };
    let edit = move |file: &Path| {
        let name = scale_setup::add(file, &port, &found, &told)?;
        Ok(phrase!(
            "Scale {name} is set up, and bismar listens to it.",
            name
        ))
    };
    // The daemon opens the port next.
    write_then(&shared, &headers, edit, shared.finds.end()).await
}

#[derive(serde::Deserialize)]
#[serde(deny_unknown_fields)]
struct Change {
    scale: String,
    #[serde(default)]
    name: String,
    #[serde(default)]
    capacity: String,
    #[serde(default)]
    readability: String,
}

async fn change(State(shared): Ours, headers: HeaderMap, body: Bytes) -> Answered {
    let (wanted, standing): (Change, _) = wanted_now(&shared, &headers, &body).await?;
    let finest = shown_step(&standing.status, &wanted.scale);
    let told = Told {
        name: wanted.name,
        capacity: wanted.capacity,
        readability: wanted.readability,
    };
    write(&shared, &headers, move |file| {
        let name = scale_setup::change(file, &wanted.scale, &told, finest)?;
        Ok(phrase!("Scale {name} is changed.", name))
    })
    .await
}

#[derive(serde::Deserialize)]
#[serde(deny_unknown_fields)]
struct Scale {
    scale: String,
}

async fn remove(State(shared): Ours, headers: HeaderMap, body: Bytes) -> Answered {
    let Scale { scale } = wanted(&shared, &headers, &body).await?;
    write(&shared, &headers, move |file| {
        scale_setup::remove(file, &scale)?;
        Ok(phrase!("Scale {scale} is removed.", scale))
    })
    .await
}

#[derive(serde::Deserialize)]
#[serde(deny_unknown_fields)]
struct NewVessel {
    scale: String,
    name: String,
    #[serde(default)]
    capacity: String,
}

async fn weigh_vessel(State(shared): Ours, headers: HeaderMap, body: Bytes) -> Answered {
    let new: NewVessel = wanted(&shared, &headers, &body).await?;
    let NewVessel {
        scale,
        name,
        capacity,
    } = new;
    let begun = shared
        .checks
        .begin_vessel(&shared.calls, &shared.context, scale, &name, capacity)
        .await;
    let say = begun.map_err(misunderstood)?;
    Ok(answered(Ok(Answer::said(say))))
}

#[derive(serde::Deserialize)]
#[serde(deny_unknown_fields)]
struct Vessel {
    vessel: String,
}

async fn remove_vessel(State(shared): Ours, headers: HeaderMap, body: Bytes) -> Answered {
    let Vessel { vessel } = wanted(&shared, &headers, &body).await?;
    write(&shared, &headers, move |file| {
        scale_setup::remove_vessel(file, &vessel)?;
        Ok(phrase!("{vessel} is removed.", vessel))
    })
    .await
}

#[derive(serde::Deserialize)]
#[serde(deny_unknown_fields)]
struct Responsible {
    responsible: String,
}

/// Who answers for the products, as each label has it.
async fn responsible(State(shared): Ours, headers: HeaderMap, body: Bytes) -> Answered {
    let Responsible { responsible } = wanted(&shared, &headers, &body).await?;
    write(&shared, &headers, move |file| {
        config_file::set_responsible(file, &responsible)?;
        Ok(phrase!(
            "Written into the configuration; it stands on every label from now on."
        ))
    })
    .await
}
