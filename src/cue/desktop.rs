//! The desktop notification: one, replaced in place (freedesktop Desktop Notifications
//! Specification 1.2).

use std::fmt;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;

use notify_rust::{Hint, Notification, Timeout, Urgency};
use tokio::time::Instant;

use super::bus::{Capabilities, Happening, Link};
use super::sound::SoundNames;
use super::{Inbox, Output, Report, Said, choice_label, plain};
use crate::weighing::event::{Choice, Cue, CueKind};

/// How long the bus and the server together may take for one notification.
const LIMIT: Duration = Duration::from_secs(2);
/// Between two notifications of the same kind.
const PACE: Duration = Duration::from_millis(300);
/// After a failure.
const BACKOFF: Duration = Duration::from_secs(30);
/// After a failure, for a cue that must not be missed.
const URGENT_BACKOFF: Duration = Duration::from_secs(5);
/// Longest summary, in characters.
const LONGEST: usize = 200;
/// A sentence longer than this is repeated in the body: some servers cut the summary to one line.
const ONE_LINE: usize = 50;

/// Who makes the sound.
pub(super) enum ServerSound {
    /// We play it, or it is turned off: the server is told to be silent.
    Silent,
    /// The server, since we have no player.
    Asked(SoundNames),
}

pub(super) struct Desktop<F> {
    address: Option<String>,
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
}

impl<F: Fn(Choice) + Send + Sync + 'static> Desktop<F> {
    pub(super) fn new(
        address: Option<String>,
        sound: ServerSound,
        on_choice: Arc<F>,
    ) -> Desktop<F> {
        Desktop {
            address,
            sound,
            on_choice,
            link: None,
            server: None,
            shown: None,
            pace: Pace::default(),
            started_for: None,
            asking: false,
        }
    }

    async fn show(&mut self, said: &Said, inbox: &Inbox) -> Result<(), Trouble> {
        let link = match &self.link {
            Some(link) => link,
            None => {
                let answers = Answers::new(inbox.clone(), Arc::clone(&self.on_choice));
                let opened = Link::open(self.address.as_deref(), move |key| answers.take(key));
                self.link.insert(opened.await.map_err(Trouble::Bus)?)
            }
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
                link.trust(Some(owner.clone()));
                self.server = Some((owner.clone(), capabilities));
                capabilities
            }
        };
        // On another server the old id may be somebody else's notification.
        let replaces = match &self.shown {
            Some((on, id)) if *on == owner => *id,
            Some(_) | None => 0,
        };
        let message = message(said, capabilities, &self.sound);
        let id = link.notify(&message, replaces).await;
        self.shown = Some((owner, id.map_err(Trouble::Server)?));
        self.asking = said.cue.urgent || !said.cue.choices.is_empty();
        Ok(())
    }

    /// One attempt under the time limit. Returns whether it worked.
    async fn attempt(&mut self, said: &Said, inbox: &Inbox, report: &Report) -> bool {
        let outcome = tokio::time::timeout(LIMIT, self.show(said, inbox)).await;
        let now = Instant::now();
        let worked = match outcome.unwrap_or(Err(Trouble::Hung)) {
            Ok(()) => {
                self.pace.shown(said.cue.kind, now);
                report.fine();
                true
            }
            Err(trouble) => {
                match trouble {
                    Trouble::Bus(_) => self.link = None,
                    Trouble::Server(_) | Trouble::NoServer | Trouble::Hung => {}
                }
                self.server = None;
                self.pace.failed(now);
                report.failed(trouble.to_string(), self.pace.due(&said.cue));
                false
            }
        };
        report.done(said.serial);
        worked
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
                    if let Some(said) = &waiting && self.pace.resting() {
                        // Nothing will come of it soon.
                        report.done(said.serial);
                    }
                }
                happening = happening(&mut self.link) => match happening {
                    Happening::Nothing => {}
                    Happening::Appeared => {
                        self.server = None;
                        self.pace.recovered();
                    }
                    Happening::Gone => {
                        self.link = None;
                        self.server = None;
                        report.failed("the connection to the session bus is lost".to_owned(), None);
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
    Hung,
}

impl fmt::Display for Trouble {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let text = match self {
            Trouble::Bus(error) => format!("no session bus: {error}"),
            Trouble::Server(error) => format!("the notification server refused: {error}"),
            Trouble::NoServer => "no notification server: nobody answers on the session bus".into(),
            Trouble::Hung => format!(
                "no notification server: no answer within {} s",
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
    failed: Option<Instant>,
}

impl Pace {
    /// `None`: at once.
    fn due(&self, cue: &Cue) -> Option<Instant> {
        let rest = if cue.urgent { URGENT_BACKOFF } else { BACKOFF };
        let rested = self.failed.map(|at| at + rest);
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

    fn failed(&mut self, at: Instant) {
        self.failed = Some(at);
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

/// The key that the server sends back. With the question's number in it, a late press on an older
/// question (or on one of an earlier daemon) answers nothing.
fn action_key(choice: Choice, question: u64) -> String {
    format!("{}-{}-{question}", choice.name(), std::process::id())
}

fn message(said: &Said, capabilities: Capabilities, sound: &ServerSound) -> Notification {
    let cue = &said.cue;
    let lasting = cue.urgent || !cue.choices.is_empty();
    let mut message = Notification::new();
    message
        .appname("bismar")
        .summary(&plain(&cue.say, LONGEST))
        .body(&body(cue, capabilities))
        .hint(Hint::Urgency(if cue.urgent {
            Urgency::Critical
        } else {
            Urgency::Normal
        }))
        .hint(Hint::Category(category(cue.kind).to_owned()))
        .timeout(if lasting {
            Timeout::Never
        } else {
            Timeout::Default
        });
    if !cue.urgent {
        message.hint(Hint::Transient(true));
    }
    let name = match sound {
        ServerSound::Silent => None,
        ServerSound::Asked(names) => names.of(cue.kind),
    };
    message.hint(match name {
        None => Hint::SuppressSound(true),
        Some(file) if file.contains('/') => Hint::SoundFile(plain(file, 4096)),
        Some(name) => Hint::SoundName(plain(name, LONGEST)),
    });
    for choice in &cue.choices {
        message.action(&action_key(*choice, said.question), choice_label(*choice));
    }
    message
}

/// Categories of the specification's table; a cue is about the scale, a device.
const fn category(kind: CueKind) -> &'static str {
    match kind {
        CueKind::Fault => "device.error",
        CueKind::Place
        | CueKind::Add
        | CueKind::EaseOff
        | CueKind::Hold
        | CueKind::TakeOut
        | CueKind::Lift
        | CueKind::Mix
        | CueKind::Choose
        | CueKind::Done => "device",
    }
}

fn body(cue: &Cue, capabilities: Capabilities) -> String {
    let mut lines = Vec::new();
    if cue.say.chars().count() > ONE_LINE {
        lines.push(plain(&cue.say, 4 * LONGEST));
    }
    if cue.step > 0 {
        lines.push(format!("Step {}", cue.step));
    }
    if !capabilities.actions {
        for choice in &cue.choices {
            lines.push(format!(
                "{}: bismar {}",
                choice_label(*choice),
                choice.name()
            ));
        }
    }
    let body = lines.join("\n");
    if capabilities.markup {
        escape(&body)
    } else {
        body
    }
}

fn escape(text: &str) -> String {
    text.replace('&', "&amp;")
        .replace('<', "&lt;")
        .replace('>', "&gt;")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn cue(kind: CueKind, urgent: bool) -> Cue {
        Cue {
            kind,
            say: "4.20 g to go".to_owned(),
            step: 2,
            missing: None,
            choices: Vec::new(),
            urgent,
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
        pace.failed(now);
        assert_eq!(pace.due(&cue(CueKind::EaseOff, false)), Some(now + BACKOFF));
        assert_eq!(
            pace.due(&cue(CueKind::Fault, true)),
            Some(now + URGENT_BACKOFF)
        );
        pace.recovered();
        assert_eq!(pace.due(&cue(CueKind::EaseOff, false)), None);
    }

    #[test]
    fn the_body_is_escaped_only_for_a_server_that_reads_markup() {
        let mut cue = cue(CueKind::Choose, true);
        cue.say = "0.30 g too much of <b>salt</b> & balm & powder & oil".to_owned();
        cue.choices = vec![Choice::Keep];
        let server = |actions, markup| Capabilities { actions, markup };
        assert_eq!(
            body(&cue, server(true, true)),
            "0.30 g too much of &lt;b&gt;salt&lt;/b&gt; &amp; balm &amp; powder &amp; oil\nStep 2"
        );
        assert_eq!(
            body(&cue, server(false, false)),
            format!("{}\nStep 2\nKeep it: bismar keep", cue.say)
        );
    }
}
