//! The desktop notification: one, replaced in place (freedesktop Desktop Notifications
//! Specification 1.2).

use std::fmt;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;

use tokio::time::Instant;

use super::bus::{Capabilities, Happening, Link};
use super::message::{ServerSound, action_key, message};
use super::{Inbox, Output, Report, Said, Surroundings, plain};
use crate::language::Language;
use crate::vocabulary::command::Choice;
use crate::vocabulary::cue::{Cue, CueKind};

/// How long the bus and the server together may take for one notification.
const LIMIT: Duration = Duration::from_secs(2);
/// Between two notifications of the same kind.
const PACE: Duration = Duration::from_millis(300);
/// After a failure.
const BACKOFF: Duration = Duration::from_secs(30);
/// After a failure, for a cue that must not be missed.
const URGENT_BACKOFF: Duration = Duration::from_secs(5);
/// After a failure of the bus itself: nobody tells when the next one is there, and to look costs little.
const BUS_BACKOFF: Duration = Duration::from_secs(5);
/// Longest reason of a failure, in characters.
const LONGEST: usize = 200;

pub(super) struct Desktop<F> {
    address: Option<String>,
    language: Language,
    sound: ServerSound,
    on_choice: Arc<F>,
    link: Option<Link>,
    /// Capabilities of the server with this unique name.
    server: Option<(String, Capabilities)>,
    /// The notification on the screen: the server's unique name and its id there.
    shown: Option<(String, u32)>,
    pace: Pace,
    /// Serial of the last cue for which the bus was asked to start a server.
    started_for: Option<u64>,
    /// Whether what is on the screen asks for something.
    asking: bool,
    /// Where what is on the screen is noted, for the next daemon where this one dies.
    note: Option<PathBuf>,
}

impl<F: Fn(Choice) + Send + Sync + 'static> Desktop<F> {
    pub(super) fn new(sound: ServerSound, on_choice: Arc<F>, around: &Surroundings) -> Desktop<F> {
        Desktop {
            address: around.bus.clone(),
            language: around.language,
            sound,
            on_choice,
            link: None,
            server: None,
            shown: None,
            pace: Pace::default(),
            started_for: None,
            asking: false,
            note: around.note.clone(),
        }
    }

    /// The connection, opened where there is none.
    async fn link(&mut self, inbox: &Inbox) -> Result<&mut Link, Trouble> {
        if self.link.is_none() {
            let answers = Answers::new(inbox.clone(), Arc::clone(&self.on_choice));
            let opened = Link::open(self.address.as_deref(), move |key| answers.take(key));
            self.link = Some(opened.await.map_err(Trouble::Bus)?);
        }
        self.link.as_mut().ok_or(Trouble::NoServer)
    }

    /// A notification that a daemon left when it died is taken from the screen: nobody answers it.
    async fn clear_up(&mut self, inbox: &Inbox) {
        let Some(left) = self.note.as_deref().and_then(Noted::read) else {
            return;
        };
        let clear = async {
            let link = self.link(inbox).await.ok()?;
            let owner = link.server().await.ok()??;
            // On another bus or server the id may be somebody else's notification.
            let same = Noted::new(link, &owner, left.id) == left;
            if same {
                link.withdraw(left.id).await.ok()?;
            }
            Some(())
        };
        // What hangs is dealt with at the first cue.
        let _ = tokio::time::timeout(LIMIT, clear).await;
        Noted::forget(self.note.as_deref());
    }

    async fn show(&mut self, said: &Said, inbox: &Inbox) -> Result<(), Trouble> {
        self.link(inbox).await?;
        let Some(link) = &self.link else {
            return Err(Trouble::NoServer);
        };
        let owner = match link.server().await.map_err(Trouble::Bus)? {
            Some(owner) => owner,
            None => {
                // Starting one that dies again costs a process each time: once a cue.
                let again = self.started_for == Some(said.serial);
                if again || !link.can_start_server().await.map_err(Trouble::Bus)? {
                    return Err(Trouble::NoServer);
                }
                self.started_for = Some(said.serial);
                link.capabilities().await.map_err(Trouble::Server)?;
                link.server()
                    .await
                    .map_err(Trouble::Bus)?
                    .ok_or(Trouble::NoServer)?
            }
        };
        let capabilities = match &self.server {
            Some((known, capabilities)) if *known == owner => *capabilities,
            Some(_) | None => {
                let capabilities = link.capabilities().await.map_err(Trouble::Server)?;
                self.server = Some((owner.clone(), capabilities));
                capabilities
            }
        };
        // On another server the old id may be somebody else's notification.
        let replaces = match &self.shown {
            Some((on, id)) if *on == owner => *id,
            Some(_) | None => 0,
        };
        let message = message(said, capabilities, &self.sound, self.language);
        let id = link.notify(&message, &owner, replaces).await;
        let id = id.map_err(Trouble::Server)?;
        if self.shown.as_ref() != Some(&(owner.clone(), id))
            && let Some(note) = &self.note
        {
            Noted::new(link, &owner, id).write(note);
        }
        self.shown = Some((owner, id));
        self.asking = said.cue.urgent || !said.cue.choices.is_empty();
        Ok(())
    }

    /// One attempt under the time limit. Returns whether it worked.
    async fn attempt(&mut self, said: &Said, inbox: &Inbox, report: &Report) -> bool {
        let outcome = tokio::time::timeout(LIMIT, self.show(said, inbox)).await;
        let now = Instant::now();
        let hung = || Trouble::Hung {
            bus: self.link.is_none(),
        };
        let worked = match outcome.unwrap_or_else(|_| Err(hung())) {
            Ok(()) => {
                self.pace.shown(said.cue.kind, now);
                report.fine();
                true
            }
            Err(trouble) => {
                match trouble {
                    Trouble::Bus(_) => self.unlink(now),
                    Trouble::Server(_) | Trouble::NoServer | Trouble::Hung { .. } => {
                        self.server = None;
                        self.pace.failed(now, BACKOFF);
                    }
                }
                report.failed(trouble.to_string(), self.pace.due(&said.cue));
                false
            }
        };
        report.done(said.serial);
        worked
    }

    /// The connection is of no use any more. Names and ids of that bus mean nothing on the next one,
    /// where they can be somebody else's.
    fn unlink(&mut self, now: Instant) {
        self.link = None;
        self.server = None;
        self.shown = None;
        self.pace.failed(now, BUS_BACKOFF);
    }

    /// A question whose answer nobody waits for any more does not stay on the screen.
    async fn withdraw(&mut self) {
        let (true, Some(link), Some((owner, id))) = (self.asking, &self.link, &self.shown) else {
            return;
        };
        let withdraw = async {
            // Not to a server that is gone: the bus would start it anew for this.
            if link
                .server()
                .await
                .is_ok_and(|now| now.as_ref() == Some(owner))
            {
                // The process is ending; a refusal has nothing to say to us.
                let _ = link.withdraw(*id).await;
            }
        };
        let _ = tokio::time::timeout(LIMIT, withdraw).await;
    }
}

impl<F: Fn(Choice) + Send + Sync + 'static> Output for Desktop<F> {
    const NAME: &'static str = "desktop";

    async fn run(mut self, mut inbox: Inbox, report: Report) {
        let mut waiting: Option<Arc<Said>> = None;
        let mut last: Option<Arc<Said>> = None;
        self.clear_up(&inbox).await;
        loop {
            let due = waiting
                .as_ref()
                .map(|said| self.pace.due(&said.cue).unwrap_or_else(Instant::now));
            tokio::select! {
                changed = inbox.changed() => {
                    if changed.is_err() {
                        break;
                    }
                    waiting = inbox.borrow_and_update().clone();
                    last.clone_from(&waiting);
                    if let Some(said) = &waiting && self.pace.resting() {
                        // Nothing will come of it soon.
                        report.done(said.serial);
                    }
                }
                happening = happening(&mut self.link) => match happening {
                    Happening::Nothing => {}
                    Happening::Appeared(new) => {
                        self.server = None;
                        self.pace.recovered();
                        // What was on the screen went with the server before.
                        if self.shown.as_ref().is_some_and(|(on, _)| *on != new) {
                            waiting.clone_from(&last);
                        }
                    }
                    Happening::Gone => {
                        self.unlink(Instant::now());
                        waiting.clone_from(&last);
                        let again = last.as_ref().and_then(|said| self.pace.due(&said.cue));
                        report.failed("the connection to the session bus is lost".to_owned(), again);
                    }
                },
                () = sleep_until(due) => {
                    if let Some(said) = waiting.take()
                        && !self.attempt(&said, &inbox, &report).await
                    {
                        waiting = Some(said);
                    }
                }
            }
        }
        if let Some(said) = waiting.filter(|_| !self.pace.resting()) {
            self.attempt(&said, &inbox, &report).await;
        }
        self.withdraw().await;
        Noted::forget(self.note.as_deref());
    }
}

/// What is on the screen, as one line of a file that the next daemon reads.
#[derive(Debug, PartialEq, Eq)]
struct Noted {
    /// Of the bus itself: its names are used again by the next one.
    bus: String,
    server: String,
    id: u32,
}

impl Noted {
    fn new(link: &Link, server: &str, id: u32) -> Noted {
        Noted {
            bus: link.bus(),
            server: server.to_owned(),
            id,
        }
    }

    /// `None` where there is none, or what is there is no note.
    fn read(note: &Path) -> Option<Noted> {
        let text = std::fs::read_to_string(note).ok()?;
        let mut words = text.split_whitespace();
        let (bus, server) = (words.next()?.to_owned(), words.next()?.to_owned());
        let id = words.next()?.parse().ok()?;
        Some(Noted { bus, server, id })
    }

    /// A note that cannot be written leaves a notification on the screen at worst.
    fn write(&self, note: &Path) {
        let Noted { bus, server, id } = self;
        if let Err(error) = std::fs::write(note, format!("{bus} {server} {id}\n")) {
            tracing::debug!(%error, "what is on the screen is not noted");
        }
    }

    fn forget(note: Option<&Path>) {
        if let Some(note) = note {
            // It is not there where nothing was shown.
            let _ = std::fs::remove_file(note);
        }
    }
}

async fn happening(link: &mut Option<Link>) -> Happening {
    match link {
        Some(link) => link.happening().await,
        None => std::future::pending().await,
    }
}

async fn sleep_until(due: Option<Instant>) {
    match due {
        Some(due) => tokio::time::sleep_until(due).await,
        None => std::future::pending().await,
    }
}

/// Why a notification was not shown.
#[derive(Debug)]
enum Trouble {
    Bus(zbus::Error),
    Server(zbus::Error),
    NoServer,
    Hung {
        /// Not even the bus has answered.
        bus: bool,
    },
}

impl fmt::Display for Trouble {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let text = match self {
            Trouble::Bus(error) => format!("no session bus: {error}"),
            Trouble::Server(error) => format!("the notification server refused: {error}"),
            Trouble::NoServer => "no notification server: nobody answers on the session bus".into(),
            Trouble::Hung { bus } => format!(
                "no {}: no answer within {} s",
                if *bus {
                    "session bus"
                } else {
                    "notification server"
                },
                LIMIT.as_secs()
            ),
        };
        f.write_str(&plain(&text, LONGEST))
    }
}

/// When the next notification may be sent.
#[derive(Debug, Default)]
struct Pace {
    shown: Option<(CueKind, Instant)>,
    /// When, and how long to rest after it.
    failed: Option<(Instant, Duration)>,
}

impl Pace {
    /// `None`: at once.
    fn due(&self, cue: &Cue) -> Option<Instant> {
        let most = if cue.urgent { URGENT_BACKOFF } else { BACKOFF };
        let rested = self.failed.map(|(at, rest)| at + rest.min(most));
        let paced = self
            .shown
            .and_then(|(kind, at)| (kind == cue.kind).then_some(at + PACE));
        rested.max(paced)
    }

    fn shown(&mut self, kind: CueKind, at: Instant) {
        *self = Pace {
            shown: Some((kind, at)),
            failed: None,
        };
    }

    fn failed(&mut self, at: Instant, rest: Duration) {
        self.failed = Some((at, rest));
    }

    fn recovered(&mut self) {
        self.failed = None;
    }

    fn resting(&self) -> bool {
        self.failed.is_some()
    }
}

/// Turns button keys into choices: only of the question that stands, and once a cue.
struct Answers<F> {
    inbox: Inbox,
    on_choice: Arc<F>,
    /// Serial of the last cue that was answered.
    answered: AtomicU64,
}

impl<F: Fn(Choice)> Answers<F> {
    fn new(inbox: Inbox, on_choice: Arc<F>) -> Answers<F> {
        Answers {
            inbox,
            on_choice,
            answered: AtomicU64::new(0),
        }
    }

    fn take(&self, key: &str) {
        let Some(said) = self.inbox.borrow().clone() else {
            return;
        };
        let choice = said
            .cue
            .choices
            .iter()
            .find(|choice| action_key(**choice, said.question) == key);
        if let Some(choice) = choice
            && self.answered.swap(said.serial, Ordering::Relaxed) != said.serial
        {
            (self.on_choice)(*choice);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn cue(kind: CueKind, urgent: bool) -> Cue {
        Cue {
            kind,
            say: "4.20 g to go".into(),
            step: 2,
            missing: None,
            choices: Vec::new(),
            urgent,
            lead: 0,
            asks: None,
        }
    }

    #[test]
    fn the_pace_holds_the_same_kind_back_and_rests_after_a_failure() {
        let now = Instant::now();
        let mut pace = Pace::default();
        assert_eq!(pace.due(&cue(CueKind::Add, false)), None);
        pace.shown(CueKind::Add, now);
        assert_eq!(pace.due(&cue(CueKind::Add, false)), Some(now + PACE));
        assert_eq!(pace.due(&cue(CueKind::EaseOff, false)), None);
        pace.failed(now, BACKOFF);
        assert_eq!(pace.due(&cue(CueKind::EaseOff, false)), Some(now + BACKOFF));
        assert_eq!(
            pace.due(&cue(CueKind::Fault, true)),
            Some(now + URGENT_BACKOFF)
        );
        pace.failed(now, BUS_BACKOFF);
        assert_eq!(
            pace.due(&cue(CueKind::EaseOff, false)),
            Some(now + BUS_BACKOFF)
        );
        pace.recovered();
        assert_eq!(pace.due(&cue(CueKind::EaseOff, false)), None);
    }
}
