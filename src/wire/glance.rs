//! Listens to all benches for who looks at them at a glance: a client of the broker beside the gatherer's own, so that
//! nothing of it takes the place of a row, and no disk that is slow keeps it from hearing.

use std::convert::Infallible;
use std::time::Duration;

use rumqttc::v5::mqttbytes::v5::Publish;
use tokio::sync::watch;

use super::benches::{Benches, Moment};
use super::link::{Heard, Link, LinkError, Who, beside};
use super::message::{Kind, LONGEST_TEXT, Presence, read_topic, topic, unsealed};
use super::settings::Settings;

/// What is known, for all who tell something and all who look.
pub type Known = watch::Sender<Benches>;

/// Before the next try.
const PAUSE: Duration = Duration::from_secs(1);

/// Listens until it is dropped. Why the broker is not reached the gatherer says.
pub async fn listen(settings: &Settings, known: &Known) -> Infallible {
    loop {
        let Err(error) = session(settings, known).await;
        tracing::debug!(%error, "the benches are not heard");
        known.send_modify(|all| all.reaches(false, Moment::now()));
        tokio::time::sleep(PAUSE).await;
    }
}

/// One connection, until it ends.
async fn session(settings: &Settings, known: &Known) -> Result<Infallible, LinkError> {
    let workshop = &settings.config.name;
    let who = Who {
        client: format!("bismar-{workshop}.glance"),
        session: 0,
        largest: LONGEST_TEXT as u32,
        will: None,
    };
    let mut link = Link::new(settings, &who)?;
    loop {
        match link.next().await? {
            Heard::Connected => {
                for bench in &settings.config.benches {
                    link.listen(&topic(workshop, bench, Kind::Status))?;
                    link.listen(&topic(workshop, bench, Kind::Now))?;
                }
                known.send_modify(|all| all.reaches(true, Moment::now()));
            }
            Heard::Message(message) => {
                link.kept(&message)?;
                hear(settings, known, &message);
            }
            Heard::Unheard(why) => {
                return Err(LinkError::Forbidden("what it is to hear".to_owned(), why));
            }
            Heard::Acknowledged(_) => {}
        }
    }
}

/// Hears a message; what has no seal of the workshop's key for its very place is nobody's.
fn hear(settings: &Settings, known: &Known, message: &Publish) {
    let (workshop, key) = (&settings.config.name, &settings.secrets.key);
    let Ok(place) = std::str::from_utf8(&message.topic) else {
        return;
    };
    let about = beside(message);
    let (text, now) = (&message.payload, Moment::now());
    let Some((bench, kind)) = read_topic(place, workshop) else {
        return;
    };
    let heard = match kind {
        Kind::Status => unsealed(kind, workshop, bench, about, text, key)
            .map(|said: Presence| known.send_modify(|all| all.stands(bench, &said, now))),
        Kind::Now => unsealed(kind, workshop, bench, about, text, key)
            .map(|said| known.send_modify(|all| all.weighs(bench, said, message.retain, now))),
        Kind::Row | Kind::Cue | Kind::Ask | Kind::Heads | Kind::Refused | Kind::Taken => return,
    };
    if heard.is_none() {
        tracing::debug!("somebody spoke for {bench} who has not the workshop's key");
    }
}
