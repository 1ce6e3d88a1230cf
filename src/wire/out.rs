//! A bench on the wire: its rows, cues and status out. In a thread of its own; what it needs of the daemon's loop it
//! asks for like any other client, and rows it reads off the disk.

use std::collections::VecDeque;
use std::path::PathBuf;
use std::time::Duration;

use jiff::Timestamp;
use rumqttc::v5::mqttbytes::v5::Publish;
use tokio::sync::{mpsc, oneshot};
use tokio::time::Instant;

use super::WireError;
use super::hand::{Handed, Places};
use super::link::{Heard, Link, LinkError, Patience, Who};
use super::message::{
    Ask, HEADS_AT_ONCE, Heads, Kind, LONGEST_TEXT, Now, Presence, RowMessage, Spoken, handed,
    sealed, topic,
};
use super::order::Order;
use super::settings::{Settings, identity};
use super::shelf::{OfShelf, SHARES_AT_ONCE, Shelf};
use super::tail::{Most, Place, Tail};
use crate::config::Held;
use crate::language::Sentence;
use crate::lots::elsewhere::State;
use crate::protocol::call::Call;
use crate::protocol::reply::Answer;
use crate::protocol::request::Request;
use crate::protocol::subscribers::{self, Inbox, Line};

/// How often the folder of the logs is looked at while something happens on the bench, and else.
const BUSY: Duration = Duration::from_millis(250);
const IDLE: Duration = Duration::from_secs(5);

/// For so long after an event of the loop something happens.
const BUSY_FOR: Duration = Duration::from_secs(10);

/// Rows under way and not acknowledged.
const MOST: Most = Most {
    rows: 48,
    bytes: 8 << 20,
};

/// Parts of the answer to "how far" that are under way.
const HEADS_UNDER_WAY: usize = 8;

/// The status is sent no more often.
const STATUS_EVERY: Duration = Duration::from_secs(1);

/// And no more seldom: who looks at all benches sees a pour grow, and one that hangs fall silent.
const POUR_EVERY: Duration = Duration::from_secs(2);
const BATCH_EVERY: Duration = Duration::from_secs(5);
const STATUS_AT_LEAST: Duration = Duration::from_secs(20);

/// The cursor is written no more often.
const SAVE_EVERY: Duration = Duration::from_millis(500);

/// What the broker has of this bench's takings is heard for so long before any are sent.
const HEAR_FIRST: Duration = Duration::from_secs(2);

/// After so long without a share there is none to come of a bench.
const QUIET: Duration = Duration::from_millis(300);

/// The shelf is looked at so soon after something happened, and so often without: the time of its file shows that the
/// broker is heard.
const SOON: Duration = Duration::from_millis(200);
const SHOW_EVERY: Duration = Duration::from_secs(20);

/// The loop answers within this, or its status is left out.
const ANSWER: Duration = Duration::from_secs(2);

/// A bench that is ready for the wire.
pub struct Out {
    settings: Settings,
    bench: String,
    id: String,
    held: Held,
    calls: mpsc::Sender<Call>,
    tail: Option<Tail>,
    shelf: Option<Shelf>,
    handed: Option<Handed>,
    lots: Option<PathBuf>,
    /// What the person is told to do.
    order: Order,
    /// What the loop was told to heed.
    heeded: Vec<Sentence>,
    /// Whether it was told that the broker lets nobody hear the others.
    unheard: bool,
}

impl Out {
    /// `folder` keeps who the bench is, how far its rows were sent and what others took; `lots` is the list of lots.
    ///
    /// # Errors
    /// When a file that the configuration names is wrong, or the folder cannot be used.
    pub fn new(
        settings: Settings,
        bench: String,
        folder: &std::path::Path,
        held: Held,
        calls: mpsc::Sender<Call>,
        lots: Option<PathBuf>,
    ) -> Result<Out, WireError> {
        let id = identity(folder)?;
        Ok(Out {
            shelf: Some(Shelf::open(folder, &bench, &id, lots.clone())),
            handed: settings
                .config
                .handed_by
                .as_ref()
                .and_then(|by| Handed::open(&folder.join("handed"), by)),
            lots,
            order: Order::default(),
            heeded: Vec::new(),
            unheard: false,
            id,
            tail: Some(Tail::open(&folder.join("sent"))),
            settings,
            bench,
            held,
            calls,
        })
    }

    /// Sends until the daemon's loop has ended. Blocks; needs a thread of its own.
    ///
    /// # Errors
    /// When the system gives no runtime.
    pub fn run(mut self) -> Result<(), WireError> {
        let runtime = tokio::runtime::Builder::new_current_thread()
            .enable_all()
            .build()
            .map_err(WireError::System)?;
        runtime.block_on(self.serve());
        // A disk that hangs keeps nothing up.
        runtime.shutdown_background();
        Ok(())
    }

    async fn serve(&mut self) {
        let mut patience = Patience::default();
        loop {
            let error = match self.session(&mut patience).await {
                Ok(()) => return,
                Err(error) => error,
            };
            if let Some(tail) = &mut self.tail {
                tail.rewind();
            }
            // A connection may end sooner than the cursor is written.
            self.save().await;
            if let Ok(folder) = self.held.now().logs() {
                apart(&mut self.shelf, move |shelf| shelf.cut_off(&folder)).await;
            }
            let pause = patience.after(&error);
            tokio::select! {
                () = self.calls.closed() => return,
                () = tokio::time::sleep(pause) => {}
            }
        }
    }

    /// One connection. `Ok` when the loop has ended.
    async fn session(&mut self, patience: &mut Patience) -> Result<(), LinkError> {
        let workshop = self.settings.config.name.clone();
        let connection = super::word()?;
        let gone = Presence::new(State::Gone, &connection);
        let who = Who {
            client: format!("bismar-{workshop}-{}", self.bench),
            session: 0,
            largest: LONGEST_TEXT as u32,
            will: Some(self.sealed(&gone)),
        };
        let calls = self.calls.clone();
        let mut link = Link::new(&self.settings, &who)?;
        tokio::select! {
            heard = link.next() => match heard? {
                Heard::Connected => patience.restored(),
                Heard::Message(_) | Heard::Acknowledged(_) | Heard::Unheard(_) => {
                    return Err(LinkError::Hangs);
                }
            },
            () = calls.closed() => return Ok(()),
        }
        link.listen(&topic(&workshop, &self.bench, Kind::Ask))?;
        link.listen(&topic(&workshop, "+", Kind::Status))?;
        if self.handed.is_some() {
            link.listen(&handed(&workshop))?;
        }
        if let Some(shelf) = &mut self.shelf {
            shelf.connected();
        }
        let mut session = Session {
            inbox: self.subscribe().await,
            rows: Vec::new().into(),
            heads: None,
            telling: VecDeque::new(),
            look_at: Instant::now(),
            list_at: Instant::now(),
            busy_until: Instant::now() + BUSY_FOR,
            status_at: Instant::now(),
            save_at: None,
            shelf_at: Instant::now(),
            quiet_at: Instant::now(),
            speaks_at: Instant::now() + HEAR_FIRST,
            connection,
            count: 0,
            said: None,
        };
        loop {
            let wake = session.wake();
            tokio::select! {
                heard = link.next() => {
                    let rows = session.rows.len();
                    self.heard(&mut link, &mut session, heard?).await?;
                    if session.rows.len() < rows {
                        patience.rewarded();
                    }
                }
                line = next_line(&mut session.inbox) => match line {
                    Some(line) => self.event(&link, &mut session, &line),
                    // Let go as too slow: the next events are asked for anew.
                    None => session.inbox = self.subscribe().await,
                },
                () = calls.closed() => {
                    self.save().await;
                    let ended = Presence {
                        id: Some(self.id.clone()),
                        ..Presence::new(State::Ended, &session.connection)
                    };
                    link.say(self.sealed(&ended))?;
                    link.end().await;
                    return Ok(());
                }
                () = tokio::time::sleep_until(wake) => {}
            }
            self.heads(&mut link, &mut session.telling)?;
            let now = Instant::now();
            if session.status_at <= now {
                self.status(&mut link, &mut session).await?;
            }
            if session.save_at.is_some_and(|at| at <= now) {
                session.save_at = None;
                self.save().await;
            }
            if session.shelf_at <= now {
                self.shelf(&mut link, &mut session).await?;
            }
            if session.look_at <= now && session.rows.is_empty() {
                self.look(&mut link, &mut session).await?;
            }
        }
    }

    /// Reads the next rows off the disk and sends them.
    async fn look(&mut self, link: &mut Link, session: &mut Session) -> Result<(), LinkError> {
        let Ok(folder) = self.held.now().logs() else {
            session.look_at = Instant::now() + IDLE;
            return Ok(());
        };
        let begun = Instant::now();
        let list = session.list_at <= begun;
        let rows = apart(&mut self.tail, move |tail| {
            if list {
                tail.list(&folder);
            }
            tail.look(&folder, MOST)
        })
        .await
        .unwrap_or_default();
        let now = Instant::now();
        if list {
            // A folder of very many logs takes a twentieth of the time at most.
            session.list_at = now + IDLE.max(20 * (now - begun));
        }
        if rows.is_empty() {
            session.look_at = now + if now < session.busy_until { BUSY } else { IDLE };
            if link.under_way() == 0
                && list
                && self.tail.as_ref().is_some_and(Tail::is_at_end)
                && let Some(word) = session.heads.take()
            {
                let heads = self.tail.as_ref().map(Tail::heads).unwrap_or_default();
                session.telling = heads
                    .chunks(HEADS_AT_ONCE)
                    .map(|part| Heads {
                        id: self.id.clone(),
                        word: word.clone(),
                        heads: part.to_vec(),
                    })
                    .collect();
            }
            return Ok(());
        }
        session.busy_until = now + BUSY_FOR;
        // The rest is read once these are acknowledged.
        session.look_at = now;
        let workshop = &self.settings.config.name;
        let topic = topic(workshop, &self.bench, Kind::Row);
        if let Some(shelf) = &mut self.shelf {
            rows.iter().for_each(|row| shelf.grew(&row.log));
        }
        session.shelf_at = session.shelf_at.min(now + SOON);
        for row in rows {
            let message = RowMessage {
                log: row.log.clone(),
                row: row.place.rows,
                id: self.id.clone(),
                line: row.line.clone(),
            };
            let about = message.properties(workshop, &self.bench, &self.settings.secrets.key);
            let generation = row.generation();
            let ticket = link.send(&topic, false, about, message.line)?;
            session.rows.push_back(Row {
                ticket,
                log: row.log,
                place: row.place,
                generation,
            });
        }
        Ok(())
    }

    async fn heard(
        &mut self,
        link: &mut Link,
        session: &mut Session,
        heard: Heard,
    ) -> Result<(), LinkError> {
        match heard {
            Heard::Connected => {}
            Heard::Acknowledged(tickets) => {
                let Some(last) = tickets.last() else {
                    return Ok(());
                };
                while let Some(row) = session.rows.front().filter(|row| row.ticket <= *last) {
                    if let Some(tail) = &mut self.tail {
                        tail.acknowledged(&row.log, &row.place, row.generation);
                    }
                    session.rows.pop_front();
                }
                session.save_at.get_or_insert(Instant::now() + SAVE_EVERY);
            }
            Heard::Unheard(why) => {
                if !std::mem::replace(&mut self.unheard, true) {
                    tracing::warn!(
                        "the broker does not let this bench hear the others ({why}): what is left of lots counts this bench \
                         alone; allow it to read bismar/1/{}/+/taken/+ and .../+/status",
                        self.settings.config.name
                    );
                }
            }
            Heard::Message(message) => {
                link.kept(&message)?;
                if self.hear(session, &message) {
                    return Ok(());
                }
                let (workshop, key) = (&self.settings.config.name, &self.settings.secrets.key);
                let message = super::link::message(&message);
                let ask = message.unsealed::<Ask>(Kind::Ask, workshop, &self.bench, key);
                match ask {
                    Some(Ask::Rows { log, from }) => {
                        if let Ok(folder) = self.held.now().logs() {
                            apart(&mut self.tail, move |tail| tail.again(&folder, &log, from))
                                .await;
                        }
                    }
                    Some(Ask::Heads { word }) => {
                        session.heads = Some(word);
                        session.list_at = Instant::now();
                    }
                    // A stranger's.
                    None => tracing::debug!("somebody asked who has not the workshop's key"),
                }
                session.look_at = Instant::now();
            }
        }
        Ok(())
    }

    /// What is of other benches, or of lots, goes to the shelf; whether it was that.
    fn hear(&mut self, session: &mut Session, message: &Publish) -> bool {
        let workshop = &self.settings.config.name;
        let message = super::link::message(message);
        let Some(text) = message.topic() else {
            return true;
        };
        let Some(shelf) = &mut self.shelf else {
            return true;
        };
        if text == handed(workshop) {
            if let Some(handed) = &mut self.handed {
                handed.hear(message.text);
            }
            session.shelf_at = session.shelf_at.min(Instant::now() + SOON);
            session.status_at = Instant::now();
            return true;
        }
        let key = &self.settings.secrets.key;
        match shelf.hear_of(workshop, key, &message) {
            OfShelf::Heard => {}
            OfShelf::Share => session.quiet_at = Instant::now() + QUIET,
            OfShelf::Ask => return false,
            OfShelf::Nothing => return true,
        }
        session.shelf_at = session.shelf_at.min(Instant::now() + SOON);
        true
    }

    /// Listens to the next bench, reads what was taken, tells the others and the loop.
    async fn shelf(&mut self, link: &mut Link, session: &mut Session) -> Result<(), LinkError> {
        let now = Instant::now();
        session.shelf_at = now + SHOW_EVERY;
        let (Some(shelf), Ok(folder)) = (&mut self.shelf, self.held.now().logs()) else {
            return Ok(());
        };
        let workshop = self.settings.config.name.clone();
        if session.quiet_at <= now
            && let Some(bench) = shelf.listens()
        {
            link.listen(&format!("{}/+", topic(&workshop, &bench, Kind::Taken)))?;
            session.quiet_at = now + QUIET;
        }
        let waits = shelf.waits_to_listen();
        let tail = self.tail.as_ref().filter(|tail| tail.is_at_end());
        let rows = tail.map(|tail| match shelf.unread() {
            None => {
                let heads = tail.heads().into_iter();
                heads.map(|head| (head.log, head.rows)).collect()
            }
            Some(logs) => {
                let rows = |log: &String| (log.clone(), tail.rows(log));
                logs.iter().map(rows).collect()
            }
        });
        let unread = rows.is_none();
        let speaks = session.speaks_at <= now;
        let then = apart(&mut self.shelf, move |shelf| {
            shelf.look(&folder, rows, speaks)
        })
        .await
        .unwrap_or_default();
        let full = then.send.len() >= SHARES_AT_ONCE;
        for (level, share) in then.send {
            let place = format!("{}/{level}", topic(&workshop, &self.bench, Kind::Taken));
            let (about, text) = match &share {
                Some(share) => {
                    let text = serde_json::to_vec(share).unwrap_or_default();
                    let key = &self.settings.secrets.key;
                    let about = sealed(Kind::Taken, &workshop, &self.bench, &text, key);
                    (about, text)
                }
                None => (Vec::new(), Vec::new()),
            };
            link.send(&place, true, about, text)?;
            if let Some(shelf) = &mut self.shelf {
                shelf.sent(&level, share);
            }
        }
        let mut heed = then.heed;
        if let Some(handed) = &self.handed {
            heed.extend(handed.fault.clone());
            if handed.waits() {
                session.status_at = session.status_at.min(now);
            }
        }
        let told = heed == self.heeded;
        if !told && self.ask(Request::Heed(heed.clone()), None).await.is_some() {
            self.heeded = heed;
        }
        if waits || full || unread || !speaks {
            session.shelf_at = session.shelf_at.min(now + QUIET);
        }
        Ok(())
    }

    /// Tells how far each log goes, in parts; those that are not under way wait.
    fn heads(&self, link: &mut Link, telling: &mut VecDeque<Heads>) -> Result<(), LinkError> {
        let workshop = &self.settings.config.name;
        let topic = topic(workshop, &self.bench, Kind::Heads);
        while link.under_way() < HEADS_UNDER_WAY
            && let Some(heads) = telling.pop_front()
        {
            let text = serde_json::to_vec(&heads).unwrap_or_default();
            let key = &self.settings.secrets.key;
            let about = sealed(Kind::Heads, workshop, &self.bench, &text, key);
            link.send(&topic, false, about, text)?;
        }
        Ok(())
    }

    /// An event of the loop: a cue goes out as it is, and what else happened shows in the status.
    fn event(&mut self, link: &Link, session: &mut Session, line: &Line) {
        let now = Instant::now();
        session.busy_until = now + BUSY_FOR;
        session.look_at = session.look_at.min(now + BUSY);
        session.status_at = session.status_at.min(now + STATUS_EVERY);
        if self.order.hear(line, now.into_std()) {
            let topic = topic(&self.settings.config.name, &self.bench, Kind::Cue);
            link.mention(&topic, line.trim_ascii_end().to_vec());
        }
    }

    /// Says what the bench weighs now, and where it changed how it stands: that goes to each bench, so it is said seldom.
    async fn status(&mut self, link: &mut Link, session: &mut Session) -> Result<(), LinkError> {
        let standing = match self.ask(Request::Status, None).await {
            Some(Answer::Status(standing)) => {
                // Between batches.
                if standing.batch.is_none() {
                    self.take_handed().await;
                }
                Some(standing)
            }
            Some(_) | None => None,
        };
        let at = format!("{:.3}", Timestamp::now());
        let version = self.handed.as_ref().map(Handed::version);
        if session.said != Some(version) {
            session.said = Some(version);
            let here = Presence {
                id: Some(self.id.clone()),
                at: Some(at.clone()),
                handed: version,
                ..Presence::new(State::Here, &session.connection)
            };
            link.say(self.sealed(&here))?;
        }
        let batch = standing.as_ref().is_some_and(|one| one.batch.is_some());
        session.status_at = Instant::now()
            + match batch {
                true if self.order.is_pour() => POUR_EVERY,
                true => BATCH_EVERY,
                false => STATUS_AT_LEAST,
            };
        session.count += 1;
        let now = Now {
            connection: session.connection.clone(),
            count: session.count,
            at,
            bench: standing,
            cue: self.order.told(),
            waits: match batch {
                true => self.order.waits(std::time::Instant::now()),
                false => None,
            },
        };
        let text = serde_json::to_vec(&now).unwrap_or_default();
        let (workshop, key) = (&self.settings.config.name, &self.settings.secrets.key);
        let about = sealed(Kind::Now, workshop, &self.bench, &text, key);
        link.send(&topic(workshop, &self.bench, Kind::Now), true, about, text)?;
        Ok(())
    }

    fn sealed(&self, presence: &Presence) -> Spoken {
        let (workshop, key) = (&self.settings.config.name, &self.settings.secrets.key);
        presence.sealed(workshop, &self.bench, key)
    }

    /// Takes what is handed out, where something waits.
    async fn take_handed(&mut self) {
        let Ok(formulas) = self.held.now().formulas() else {
            return;
        };
        if self.handed.as_ref().is_some_and(Handed::waits) {
            let lots = self.lots.clone();
            let places = Places { formulas, lots };
            apart(&mut self.handed, move |handed| handed.take(&places)).await;
        }
    }

    async fn subscribe(&self) -> Option<Inbox> {
        let (outbox, inbox) = subscribers::queue();
        let request = Request::Subscribe { readings: false };
        self.ask(request, Some(outbox)).await.map(|_| inbox)
    }

    async fn ask(&self, request: Request, events: Option<subscribers::Outbox>) -> Option<Answer> {
        let (reply, replied) = oneshot::channel();
        let call = Call {
            request,
            about: None,
            events,
            reply,
        };
        let asked = async {
            self.calls.send(call).await.ok()?;
            replied.await.ok()?.ok()
        };
        tokio::time::timeout(ANSWER, asked).await.ok().flatten()
    }

    async fn save(&mut self) {
        apart(&mut self.tail, Tail::save).await;
    }
}

/// Works on a part where a disk that hangs keeps no ping up; `None` where there is no such part.
async fn apart<P: Send + 'static, T: Send + 'static>(
    part: &mut Option<P>,
    work: impl FnOnce(&mut P) -> T + Send + 'static,
) -> Option<T> {
    let mut taken = part.take()?;
    let worked = tokio::task::spawn_blocking(move || {
        let done = work(&mut taken);
        (taken, done)
    });
    let (taken, done) = worked.await.ok()?;
    *part = Some(taken);
    Some(done)
}

/// What a connection holds.
struct Session {
    inbox: Option<Inbox>,
    rows: VecDeque<Row>,
    /// How far the logs go is to be told, with this word.
    heads: Option<String>,
    telling: VecDeque<Heads>,
    look_at: Instant,
    /// When it is looked which logs there are.
    list_at: Instant,
    busy_until: Instant,
    status_at: Instant,
    save_at: Option<Instant>,
    /// When the shelf is looked at.
    shelf_at: Instant,
    /// No share came since some time: the next bench is listened to.
    quiet_at: Instant,
    /// From then on shares are sent.
    speaks_at: Instant,
    /// Tells this connection from others.
    connection: String,
    /// How often it was said what is weighed.
    count: u64,
    /// The version that its standing was last said with.
    said: Option<Option<u64>>,
}

/// A row under way.
struct Row {
    ticket: u64,
    log: String,
    place: Place,
    generation: u64,
}

impl Session {
    /// When there is something to do without a word from anybody.
    fn wake(&self) -> Instant {
        let look = self.rows.is_empty().then_some(self.look_at);
        let all = [
            look,
            Some(self.status_at),
            self.save_at,
            Some(self.shelf_at),
        ];
        let far = Instant::now() + IDLE;
        all.into_iter().flatten().fold(far, Instant::min)
    }
}

async fn next_line(inbox: &mut Option<Inbox>) -> Option<Line> {
    match inbox {
        Some(inbox) => inbox.next().await,
        // The loop did not answer: it is asked again a little later.
        None => {
            tokio::time::sleep(ANSWER).await;
            None
        }
    }
}

/// Where a daemon keeps what it needs on the wire.
pub fn folder() -> Option<PathBuf> {
    crate::config::paths::Places::from_env().workshop_dir()
}
