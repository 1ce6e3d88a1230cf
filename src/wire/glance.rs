//! Listens to all benches for who looks at them at a glance: a client of the broker beside the gatherer's own, so that
//! nothing of it takes the place of a row, and no disk that is slow keeps it from hearing.

use std::convert::Infallible;
use std::time::Duration;

use tokio::sync::watch;

use super::benches::{Benches, Moment};
use super::link::{Heard, Link, LinkError, Who};
use super::message::{Kind, LONGEST_TEXT, topic};
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
                let (message, key) = (super::link::message(&message), &settings.secrets.key);
                known.send_if_modified(|all| all.hear(workshop, key, &message, Moment::now()));
            }
            Heard::Unheard(why) => {
                return Err(LinkError::Forbidden("what it is to hear".to_owned(), why));
            }
            Heard::Acknowledged(_) => {}
        }
    }
}
