//! The gatherer: what the benches of a workshop send, written into one folder.
//!
//! A message is acknowledged once its row is on the disk, so the broker keeps for it what is not. What the broker does
//! not keep (its queue is bounded) is found by asking each bench how far its logs go.

use std::collections::{BTreeMap, HashMap, VecDeque};
use std::path::{Path, PathBuf};
use std::time::Duration;

use rumqttc::v5::mqttbytes::v5::Publish;
use serde_json::json;
use tokio::signal::unix::{SignalKind, signal};
use tokio::time::Instant;

use super::WireError;
use super::benches::{Benches, Finished, Moment, Timestamped};
use super::glance::Known;
use super::intake::{Intake, Then, take};
use super::joined::{Joined, Refusal};
use super::link::{Heard, Link, LinkError, Patience, Who};
use super::message::{
    Ask, GATHERER, Kind, LARGEST_PACKET, LONGEST_TEXT, Presence, Spoken, sealed, topic,
};
use super::settings::Settings;
use crate::config::paths::Places;
use crate::journal::batch::summary::Summary;
use crate::journal::read::archive::{Archive, Progress};
use crate::journal::read::record;
use crate::language::Sentence;
use crate::lots::elsewhere::State;

/// How often each bench is asked how far its logs go, without another reason.
const ASK_AGAIN: Duration = Duration::from_secs(300);

/// And no sooner than this, however often the connection ends: the broker keeps what is answered, and more answers than
/// come through between two ends would never be read.
const ASK_SOONEST: Duration = Duration::from_secs(20);

/// How many logs of a bench are asked for at a time: more would come than the broker keeps for a gatherer that is
/// slower than it.
const LOGS_AT_ONCE: usize = 8;

/// Rows that were asked for and did not come are asked for again after this.
const ROWS_AGAIN: Duration = Duration::from_secs(10);

/// Rows are asked for so often in vain.
const TIMES: u32 = 3;

/// How often it is looked whether there is something new to hand out.
const HAND: Duration = Duration::from_secs(2);

/// How often it is looked what of it came.
const LOOK: Duration = Duration::from_millis(500);

/// How long the broker keeps what comes while the gatherer is away: 30 days.
const SESSION: u32 = 30 * 24 * 3600;

/// Messages that are written and synced together.
const TOGETHER: usize = 20;

/// Logs of a bench that wait to be asked for; what is forgotten is found when the bench is next asked how far it is.
const MOST_WANTED: usize = 200_000;

/// Gathers into `folder` until SIGTERM or SIGINT. Blocks. `ready` is called when the folder is open. Who looks at the
/// benches is told by `known` what only the gatherer knows of them.
///
/// # Errors
/// When the folder cannot be used, or the system refuses.
pub fn run(
    settings: Settings,
    folder: &Path,
    known: Option<Known>,
    ready: impl FnOnce(),
) -> Result<(), WireError> {
    let joined = Joined::open(folder)?;
    ready();
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .map_err(WireError::System)?;
    let ended = runtime.block_on(async {
        let mut terminate = signal(SignalKind::terminate()).map_err(WireError::System)?;
        let mut interrupt = signal(SignalKind::interrupt()).map_err(WireError::System)?;
        if let Some(known) = known.clone() {
            let (folder, benches) = (folder.to_owned(), settings.config.benches.clone());
            tokio::task::spawn_blocking(move || {
                for bench in &benches {
                    if let Some(last) = last_finished(&folder.join(bench)) {
                        known.send_modify(|all| all.finishes(bench, last));
                    }
                }
            });
        }
        let mut gatherer = Gatherer {
            known,
            folder: folder.to_owned(),
            settings,
            joined: Some(joined),
            wanted: HashMap::new(),
            word: String::new(),
            asked: HashMap::new(),
            fault: None,
            handed: Vec::new(),
        };
        let mut patience = Patience::default();
        loop {
            let session = gatherer.session(&mut patience);
            let error = tokio::select! {
                error = session => error,
                _ = terminate.recv() => return Ok(()),
                _ = interrupt.recv() => return Ok(()),
            };
            let Err(error) = error;
            if let LinkError::Joined(error) = &error {
                let fault = error.told();
                gatherer.tell(|all| all.fails(Some(&fault)));
                gatherer.fault = Some(fault);
            }
            let pause = patience.after(&error);
            tokio::select! {
                () = tokio::time::sleep(pause) => {}
                _ = terminate.recv() => return Ok(()),
                _ = interrupt.recv() => return Ok(()),
            }
        }
    });
    runtime.shutdown_background();
    ended
}

struct Gatherer {
    folder: PathBuf,
    settings: Settings,
    /// Where somebody looks at the benches.
    known: Option<Known>,
    joined: Option<Joined>,
    /// What is to be asked of each bench.
    wanted: HashMap<String, Wanted>,
    /// The word of the questions of this connection.
    word: String,
    /// When each bench was last asked how far its logs go.
    asked: HashMap<String, Instant>,
    /// Why rows could not be written last; told to the benches until one is.
    fault: Option<Sentence>,
    /// What this connection handed out.
    handed: Vec<u8>,
}

/// Logs of a bench of which rows are missing, up to a row.
#[derive(Default)]
struct Wanted {
    /// Not asked for yet.
    waiting: BTreeMap<String, u64>,
    asked: BTreeMap<String, Asked>,
}

impl Wanted {
    /// What was asked may not have got there: a connection ended.
    fn anew(&mut self) {
        for (log, asked) in std::mem::take(&mut self.asked) {
            self.waiting.insert(log, asked.until);
        }
    }
}

/// Rows that were asked for.
#[derive(Clone, Copy)]
struct Asked {
    until: u64,
    from: u64,
    at: Instant,
    /// How often, without that one of them came.
    times: u32,
}

impl Gatherer {
    fn tell(&self, what: impl FnOnce(&mut Benches)) {
        if let Some(known) = &self.known {
            known.send_modify(what);
        }
    }

    /// One connection, until it ends.
    async fn session(
        &mut self,
        patience: &mut Patience,
    ) -> Result<std::convert::Infallible, LinkError> {
        let workshop = self.settings.config.name.clone();
        // A disk that is full ends each connection soon: so that is said by the last will too.
        self.word = super::word()?;
        let gone = Presence {
            fault: self.fault.as_deref().map(str::to_owned),
            ..Presence::new(State::Gone, &self.word)
        };
        let who = Who {
            client: format!("bismar-{workshop}.gather"),
            session: SESSION,
            largest: LARGEST_PACKET,
            will: Some(self.sealed(&gone)),
        };
        // What failed while messages were written is read anew from the files.
        if self.joined.is_none() {
            self.joined = Some(Joined::open(&self.folder)?);
        }
        self.wanted.values_mut().for_each(Wanted::anew);
        self.handed.clear();
        let mut hand = tokio::time::interval(HAND);
        hand.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
        let mut link = Link::new(&self.settings, &who)?;
        let mut waiting: VecDeque<Publish> = VecDeque::new();
        let mut ask_at = None;
        let mut stood = false;
        let mut look = tokio::time::interval(LOOK);
        look.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
        loop {
            tokio::select! {
                heard = link.next() => self.heard(&mut link, heard?, &mut waiting, &mut ask_at)?,
                () = until(ask_at) => {
                    let mut next = Instant::now() + ASK_AGAIN;
                    for bench in self.settings.config.benches.clone() {
                        next = next.min(self.ask_heads(&mut link, &bench)?);
                    }
                    ask_at = Some(next);
                }
                _ = look.tick() => self.ask_wanted(&mut link).await?,
                _ = hand.tick(), if ask_at.is_some() => self.hand_out(&mut link).await?,
            }
            while waiting.len() < TOGETHER {
                match link.waiting()? {
                    Some(heard) => self.heard(&mut link, heard, &mut waiting, &mut ask_at)?,
                    None => break,
                }
            }
            if !waiting.is_empty() {
                let messages: Vec<Publish> = waiting.drain(..).collect();
                let (messages, then) = self.write(messages).await?;
                for message in &messages {
                    link.kept(message)?;
                }
                if then.added || !then.missing.is_empty() {
                    patience.rewarded();
                }
                if then.added && self.fault.take().is_some() {
                    self.tell(|all| all.fails(None));
                    self.stands(&mut link)?;
                }
                if let Some(next) = self.then(&mut link, then)? {
                    ask_at = ask_at.map(|at| at.min(next));
                }
            }
            // A disk that is full is not restored by a broker that is there.
            if ask_at.is_some() && !stood {
                stood = true;
                patience.restored();
            }
        }
    }

    fn heard(
        &mut self,
        link: &mut Link,
        heard: Heard,
        waiting: &mut VecDeque<Publish>,
        ask_at: &mut Option<Instant>,
    ) -> Result<(), LinkError> {
        let workshop = &self.settings.config.name;
        match heard {
            Heard::Message(message) if message.topic == super::message::handed(workshop) => {
                link.kept(&message)?;
                // Somebody put something else in its place.
                if message.payload != self.handed {
                    self.handed.clear();
                }
            }
            Heard::Connected => {
                for bench in &self.settings.config.benches {
                    for kind in [Kind::Row, Kind::Heads, Kind::Status] {
                        link.listen(&topic(workshop, bench, kind))?;
                    }
                }
                if self.settings.config.hand_out.is_some() {
                    link.listen(&super::message::handed(workshop))?;
                }
                self.stands(link)?;
                *ask_at = Some(Instant::now());
            }
            Heard::Message(message) => waiting.push_back(message),
            Heard::Unheard(why) => {
                return Err(LinkError::Forbidden("what it is to hear".to_owned(), why));
            }
            Heard::Acknowledged(_) => {}
        }
        Ok(())
    }

    /// Says that it is here, and what is wrong: a person at a bench sees it, and nobody looks into a log.
    fn stands(&self, link: &mut Link) -> Result<(), LinkError> {
        let here = Presence {
            at: Some(format!("{:.3}", jiff::Timestamp::now())),
            fault: self.fault.as_deref().map(str::to_owned),
            ..Presence::new(State::Here, &self.word)
        };
        link.say(self.sealed(&here))?;
        Ok(())
    }

    fn sealed(&self, presence: &Presence) -> Spoken {
        let (workshop, key) = (&self.settings.config.name, &self.settings.secrets.key);
        presence.sealed(workshop, GATHERER, key)
    }

    /// Hands out what is signed, where it is another one than before.
    async fn hand_out(&mut self, link: &mut Link) -> Result<(), LinkError> {
        let Some(folder) = self.settings.config.hand_out.clone() else {
            return Ok(());
        };
        let path = folder.join(super::hand::ENVELOPE);
        let read = move || {
            let about = std::fs::metadata(&path)?;
            match about.len() as usize <= LONGEST_TEXT {
                true => std::fs::read(&path),
                false => Err(std::io::ErrorKind::FileTooLarge.into()),
            }
        };
        // One that cannot be read now is handed out when it can.
        if let Ok(Ok(text)) = tokio::task::spawn_blocking(read).await
            && text != self.handed
        {
            let topic = super::message::handed(&self.settings.config.name);
            link.send(&topic, true, Vec::new(), text.clone())?;
            tracing::info!("hands out what was signed last");
            self.handed = text;
        }
        Ok(())
    }

    /// Writes messages where a disk that is slow keeps no ping up.
    async fn write(&mut self, messages: Vec<Publish>) -> Result<(Vec<Publish>, Then), LinkError> {
        let Some(mut joined) = self.joined.take() else {
            return Err(LinkError::Hangs);
        };
        let (settings, word) = (self.settings.clone(), self.word.clone());
        let folder = self.folder.clone();
        let written = tokio::task::spawn_blocking(move || {
            let mut then = Then::default();
            let mut finishes = Vec::new();
            let mut result = Ok(());
            let of = Intake {
                workshop: &settings.config.name,
                benches: &settings.config.benches,
                key: &settings.secrets.key,
                word: &word,
            };
            for message in &messages {
                result = take(&mut joined, &of, &super::link::message(message), &mut then);
                if result.is_err() {
                    break;
                }
            }
            let result = result.and_then(|()| joined.sync());
            if result.is_ok() {
                for (bench, log) in std::mem::take(&mut then.closed) {
                    let last = finished(&folder.join(&bench).join(format!("{log}.csv")));
                    finishes.extend(last.map(|last| (bench, last)));
                }
            }
            (joined, messages, then, finishes, result)
        });
        let Ok((joined, messages, then, finishes, result)) = written.await else {
            return Err(LinkError::Hangs);
        };
        self.joined = Some(joined);
        result?;
        for (bench, last) in finishes {
            self.tell(|all| all.finishes(&bench, last));
        }
        Ok((messages, then))
    }

    /// What follows from messages that were written; when a bench that came is to be asked, where that was done a moment
    /// ago.
    fn then(&mut self, link: &mut Link, then: Then) -> Result<Option<Instant>, LinkError> {
        for (bench, refusal) in then.refused {
            let at = jiff::Timestamp::now();
            let Refusal { log, row, why, new } = refusal;
            self.tell(|all| all.refuses(&bench, &log, row, &why, Moment::now()));
            // What is found once more is told already.
            if !new {
                continue;
            }
            let text = json!({ "at": format!("{at:.3}"), "log": log, "row": row, "why": why });
            let topic = topic(&self.settings.config.name, &bench, Kind::Refused);
            // The last one counts; all are in the record.
            link.send(&topic, true, Vec::new(), text.to_string().into_bytes())?;
        }
        for (bench, log, until) in then.missing {
            let wanted = self.wanted.entry(bench).or_default();
            if let Some(asked) = wanted.asked.get_mut(&log) {
                asked.until = until.max(asked.until);
            } else if wanted.waiting.len() < MOST_WANTED {
                let most = wanted.waiting.entry(log).or_default();
                *most = until.max(*most);
            }
        }
        let mut next = None;
        for bench in then.came {
            if let Some(wanted) = self.wanted.get_mut(&bench) {
                wanted.anew();
            }
            let at = self.ask_heads(link, &bench)?;
            next = Some(next.map_or(at, |next: Instant| next.min(at)));
        }
        Ok(next)
    }

    /// Asks for the next rows that are wanted, of a few logs at a time.
    async fn ask_wanted(&mut self, link: &mut Link) -> Result<(), LinkError> {
        if let Some(known) = &self.known {
            known.send_if_modified(|all| {
                let logs = |wanted: &Wanted| wanted.waiting.len() + wanted.asked.len();
                let mut new = false;
                for bench in &self.settings.config.benches {
                    new |= all.lacks(bench, self.wanted.get(bench).map_or(0, logs));
                }
                new
            });
        }
        let none = |wanted: &Wanted| wanted.waiting.is_empty() && wanted.asked.is_empty();
        if self.wanted.values().all(none) || link.under_way() > 0 {
            return Ok(());
        }
        let Some(mut joined) = self.joined.take() else {
            return Err(LinkError::Hangs);
        };
        let mut all = std::mem::take(&mut self.wanted);
        let looked = tokio::task::spawn_blocking(move || {
            let asks = asks(&mut joined, &mut all, Instant::now());
            (joined, all, asks)
        });
        let Ok((joined, all, asks)) = looked.await else {
            return Err(LinkError::Hangs);
        };
        (self.joined, self.wanted) = (Some(joined), all);
        for (bench, ask) in asks? {
            self.ask(link, &bench, &ask)?;
        }
        Ok(())
    }

    /// Asks a bench how far its logs go, unless that was asked a moment ago; says when it is to be asked the next time.
    fn ask_heads(&mut self, link: &mut Link, bench: &str) -> Result<Instant, LinkError> {
        let now = Instant::now();
        let soonest = self.asked.get(bench).map(|asked| *asked + ASK_SOONEST);
        if let Some(soonest) = soonest.filter(|soonest| *soonest > now) {
            return Ok(soonest);
        }
        let word = self.word.clone();
        self.ask(link, bench, &Ask::Heads { word })?;
        self.asked.insert(bench.to_owned(), now);
        Ok(now + ASK_AGAIN)
    }

    fn ask(&self, link: &mut Link, bench: &str, ask: &Ask) -> Result<(), LinkError> {
        let (workshop, key) = (&self.settings.config.name, &self.settings.secrets.key);
        let text = serde_json::to_vec(ask).unwrap_or_default();
        let about = sealed(Kind::Ask, workshop, bench, &text, key);
        link.send(&topic(workshop, bench, Kind::Ask), false, about, text)?;
        Ok(())
    }
}

/// What is to be asked now: logs whose rows did not come are asked for again, those that came make room for others.
fn asks(
    joined: &mut Joined,
    all: &mut HashMap<String, Wanted>,
    now: Instant,
) -> Result<Vec<(String, Ask)>, WireError> {
    let mut asks = Vec::new();
    for (bench, wanted) in all {
        for (log, asked) in std::mem::take(&mut wanted.asked) {
            let Some(from) = joined.wanted(bench, &log, asked.until)? else {
                continue;
            };
            let (at, times) = match from > asked.from {
                true => (now, 1),
                false if now.duration_since(asked.at) < ROWS_AGAIN => (asked.at, asked.times),
                // The bench has them not: when it is next asked how far it is, that is told.
                false if asked.times >= TIMES => continue,
                false => {
                    let log = log.clone();
                    asks.push((bench.clone(), Ask::Rows { log, from }));
                    (now, asked.times + 1)
                }
            };
            let until = asked.until;
            let asked = Asked {
                until,
                from,
                at,
                times,
            };
            wanted.asked.insert(log, asked);
        }
        while wanted.asked.len() < LOGS_AT_ONCE
            && let Some((log, until)) = wanted.waiting.pop_first()
        {
            if let Some(from) = joined.wanted(bench, &log, until)? {
                let (at, times) = (now, 1);
                let asked = Asked {
                    until,
                    from,
                    at,
                    times,
                };
                wanted.asked.insert(log.clone(), asked);
                asks.push((bench.clone(), Ask::Rows { log, from }));
            }
        }
    }
    Ok(asks)
}

/// What a log tells of its batch, where that is over.
fn finished(log: &Path) -> Option<Finished> {
    let record = record::read(log).ok()?;
    of(&record.summary())
}

fn of(batch: &Summary) -> Option<Finished> {
    batch.ended.then(|| Finished {
        batch: batch.batch.clone(),
        formula: batch.label.clone(),
        at: batch.last_at.map(Timestamped),
        complete: batch.complete,
    })
}

/// The batch that ended last, of the logs in a folder.
fn last_finished(folder: &Path) -> Option<Finished> {
    let mut last: Option<Finished> = None;
    let logs = Archive::new(folder, Places::from_env().cache_dir());
    let looked = logs.add_up(1, &Progress::default(), &mut |_, batch| {
        if last
            .as_ref()
            .is_none_or(|last| last.at < batch.last_at.map(Timestamped))
        {
            last = of(batch).or_else(|| last.take());
        }
    });
    if let Err(error) = looked {
        tracing::debug!(%error, "the batches of a bench are not read");
    }
    last
}

async fn until(at: Option<Instant>) {
    match at {
        Some(at) => tokio::time::sleep_until(at).await,
        None => std::future::pending().await,
    }
}
