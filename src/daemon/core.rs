//! The daemon's loop. Whatever comes (bytes, a request, an answer of the log, a deadline, a signal)
//! is handled at once and wholly: into the bench, its events out again, to the cues, the
//! subscribers and the log, before the next thing is looked at.
//!
//! The watchdog is fed from this loop, and only while the links' tasks live and the log answers.

use std::path::PathBuf;
use std::time::{Duration, Instant};

use tokio::sync::{mpsc, oneshot};
use tokio::task::JoinHandle;

use super::alerts::Alerts;
use super::clock::{Clock, Watchdog, sleep_until};
use super::late_lot::LateLot;
use super::learned::Learned;
use super::lines::Lines;
use super::notify;
use super::pending::{PendingReplies, PendingReply, pending_words, rows_are};
use super::ports::{LeftOver, LogAnswer, Opened, Opener, Order, Parts, Weigher};
use super::retained::Retained;
use super::rows::Rows;
use super::stock::{LotLookup, Question};
use crate::config::Config;
use crate::display::spoken;
use crate::language::{Language, Sentence, phrase, term};
use crate::lots::advice::{Need, Snapshot};
use crate::protocol::call::{About, Call};
use crate::protocol::reply::{Answer, Hello, Refusal, Reply, Said, Standing};
use crate::protocol::request::{self, Request};
use crate::protocol::subscribers::{Line, Outbox, Subscribers};
use crate::protocol::wire::Wire;
use crate::scale::link::{LinkMessage, LinkNews};
use crate::time::Moment;
use crate::vocabulary::code::{FaultCode, Help};
use crate::vocabulary::command::Command;
use crate::vocabulary::cue::{Cue, CueKind};
use crate::vocabulary::entry::Draft;
use crate::vocabulary::progress::Refused;
use crate::weighing::event::Event;

/// What the service manager is told while no batch runs and nothing is missing.
const READY: &str = "ready";
/// How long a row may wait for the disk before the daemon no longer counts as healthy.
const SLOWEST_DISK: Duration = Duration::from_secs(20);
/// How long a clean stop waits for the rows on their way.
const LONGEST_STOP: Duration = Duration::from_secs(15);
/// The same where the log said that it cannot be written.
const FAILED_STOP: Duration = Duration::from_secs(3);

/// See the module's text.
pub struct Core<H> {
    pub(super) parts: Parts<H>,
    pub(super) bench: H,
    learned: Learned,
    pub(super) clock: Clock,
    wire: Wire,
    lines: Lines,
    pub(super) rows: Option<Rows>,
    running: bool,
    /// The name of the running batch, or of the one before.
    pub(super) batch: String,
    /// The file of its log.
    file: PathBuf,
    subscribers: Subscribers,
    /// A configuration that waits for the end of the batch.
    waiting: Option<Config>,
    /// Who asked for the configuration that was read, and hears of it when it holds.
    readers: Vec<oneshot::Sender<Reply>>,
    step: String,
    status: String,
    alerts: Alerts,
    retained: Retained,
    /// Replies that wait for rows.
    pub(super) pending: PendingReplies,
    /// The rows that the word which is being answered has made.
    pub(super) made: Vec<u64>,
    /// Words that wait for what is known of the lots.
    pub(super) looking: LotLookup,
    /// The lot that is being written into the log of a batch that is not under way.
    pub(super) late: Option<JoinHandle<()>>,
    /// The maker's answers to cues.
    words: Option<mpsc::UnboundedReceiver<Command>>,
}

/// One thing that the loop wakes for.
enum Turn {
    Line(LinkMessage),
    Row(LogAnswer),
    Call(Call),
    Word(Command),
    LookedUp(Question, Box<Snapshot>),
    Order(Option<Order>),
    Deadline,
    Pending,
    Watchdog,
}

impl<H: Weigher> Core<H> {
    /// Starts the links, and goes on with the batch that was running when the daemon last ended.
    /// Needs a running tokio runtime.
    pub fn start(mut parts: Parts<H>) -> Core<H> {
        let config = parts.config.now();
        let learned = Learned::read(parts.learned.take());
        let mut bench = (parts.bench)(&config);
        learned.tell(&config, &mut bench);
        let kept = parts.opener.kept();
        let unfinished = parts.opener.unfinished();
        let mut core = Core {
            bench,
            learned,
            clock: Clock::start(),
            wire: Wire::new(&config).speaking(config.speaks()),
            lines: Lines::start(&config.scales),
            rows: None,
            running: false,
            batch: String::new(),
            file: PathBuf::new(),
            subscribers: Subscribers::default(),
            waiting: parts.waiting.take(),
            readers: Vec::new(),
            step: String::new(),
            status: READY.to_owned(),
            alerts: Alerts::default(),
            retained: Retained::default(),
            pending: PendingReplies::default(),
            made: Vec::new(),
            looking: LotLookup::default(),
            late: None,
            words: parts.cues.words(),
            parts,
        };
        for kept in kept {
            tracing::error!("{}", kept.say);
            core.complain(kept.say.clone());
            core.alerts.kept.push(kept);
        }
        let resumed = match unfinished {
            Ok(None) => Ok(None),
            Ok(Some(opened)) => core.take(opened).map(Some),
            Err(error) => Err(error),
        };
        match resumed {
            Ok(None) => {}
            Ok(Some(said)) => tracing::info!("{}", said.say),
            Err(error) => {
                let why = error.error.clone();
                let say = phrase!("The unfinished batch cannot go on: {why}", why);
                tracing::error!("{say}");
                core.alerts.start = Some(say.clone());
                core.complain(say);
            }
        }
        match core.parts.fault.take() {
            Some(error) => drop(core.stays_as_it_was(&error)),
            None => core.keep_taken(),
        }
        core
    }

    /// Runs until an [`Order::Stop`] (or the end of `orders`); then the rows on their way are
    /// waited for and the ports are closed.
    pub async fn run(mut self, mut calls: mpsc::Receiver<Call>, mut orders: mpsc::Receiver<Order>) {
        let managed = self.parts.managed;
        let mut watchdog = Watchdog::new(notify::watchdog_interval().filter(|_| managed));
        if managed {
            notify::ready(READY);
        }
        self.parts.cues.begin();
        self.show_status();
        let now = self.clock.now();
        self.settle(now);
        loop {
            let due = self.due();
            let turn = tokio::select! {
                message = self.lines.next() => Turn::Line(message),
                answer = answer_of(&mut self.rows) => Turn::Row(answer),
                Some(call) = calls.recv() => Turn::Call(call),
                command = word_of(&mut self.words) => Turn::Word(command),
                (question, stock) = self.looking.next() => Turn::LookedUp(question, Box::new(stock)),
                order = orders.recv() => Turn::Order(order),
                () = sleep_until(due) => Turn::Deadline,
                () = sleep_until(self.pending.due()) => Turn::Pending,
                () = watchdog.tick() => Turn::Watchdog,
            };
            match turn {
                Turn::Line(message) => self.line(message),
                Turn::Row(answer) => self.row(answer),
                Turn::Call(call) => self.call(call),
                Turn::Word(command) => self.word(command),
                Turn::LookedUp(question, stock) => self.looked_up(question, &stock),
                Turn::Order(Some(Order::Reload)) => {
                    // What is wrong is said as a cue.
                    let _ = self.reload();
                }
                Turn::Order(Some(Order::Stop) | None) => break,
                Turn::Deadline => {
                    let now = self.clock.tick();
                    self.bench.tick(now);
                    self.settle(now);
                }
                // Sent below, as after every turn.
                Turn::Pending => {}
                Turn::Watchdog => self.prove_health(),
            }
            self.pending.send(self.rows.as_ref());
            if !self.running
                && self.rows.is_none()
                && let Some(config) = self.waiting.take()
            {
                self.adopt(config).await;
            }
            self.tell_readers();
        }
        self.finish(&mut orders).await;
    }

    /// When the bench wants a tick, on the runtime's clock.
    fn due(&self) -> Option<Instant> {
        Some(self.clock.due(self.bench.deadline()?))
    }

    fn line(&mut self, message: LinkMessage) {
        let LinkMessage { scale, at, news } = message;
        let now = self.clock.moment(at);
        let changed = self.lines.note(scale, &news);
        match news {
            LinkNews::Bytes(bytes) => self.bench.bytes(scale, now, &bytes),
            LinkNews::Back { .. } => self.bench.back(scale, now),
            LinkNews::Lost(_) if changed => self.bench.lost(scale, now),
            LinkNews::Lost(_) => {}
        }
        self.settle(now);
        if changed {
            self.show_status();
        }
    }

    fn row(&mut self, answer: LogAnswer) {
        let now = self.clock.now();
        match answer.outcome {
            Ok(seq) => self.bench.logged(answer.ticket, seq, now),
            Err(why) => {
                tracing::error!(ticket = answer.ticket, "a row is not in the log: {why}");
                if !(self.rows.as_ref()).is_some_and(|rows| rows.waits(answer.ticket)) {
                    self.pending.lost(answer.ticket, why.clone());
                }
                self.bench.not_logged(answer.ticket, why, now);
            }
        }
        self.settle(now);
    }

    fn call(&mut self, call: Call) {
        let Call {
            request,
            about,
            events,
            reply,
        } = call;
        if about.is_some_and(|about| about != self.now_about()) {
            let why =
                phrase!("the bench has gone on meanwhile; look what it asks now, and press again");
            let _ = reply.send(Err(Refusal::new(why)));
            return;
        }
        if matches!(request, Request::Reload) {
            match self.reload() {
                // Answered when it holds.
                Ok(()) => self.readers.push(reply),
                Err(refusal) => {
                    let _ = reply.send(Err(refusal));
                }
            }
            return;
        }
        let answer = match request.command() {
            Ok(Some(Command::Lot(lot))) => {
                return self.lot(lot, None, request.despite(), reply);
            }
            Ok(Some(Command::LotOf(step, lot))) => {
                let (batch, despite) = (request.batch_of_lot(), request.despite());
                let of_it = batch.is_none_or(|batch| batch == self.batch);
                return match &self.rows {
                    Some(_) if self.running && of_it => self.lot(lot, Some(step), despite, reply),
                    Some(rows) if !self.running && of_it && !rows.is_idle() => {
                        let _ = reply.send(Err(still_written(rows)));
                    }
                    Some(_) | None => {
                        let batch = batch.map(str::to_owned);
                        let late = LateLot {
                            batch,
                            step,
                            lot,
                            despite,
                        };
                        self.late_lot(late, reply)
                    }
                };
            }
            Ok(Some(command)) => match self.command(command) {
                Ok(say) => {
                    let tickets = std::mem::take(&mut self.made);
                    let unwritten =
                        matches!(request, Request::Note { .. }).then_some(term!("Not noted yet."));
                    self.pending
                        .add(PendingReply::new(reply, say, unwritten, tickets));
                    return;
                }
                Err(error) => Err(error),
            },
            Ok(None) => match self.begun(&request) {
                Some(Ok((said, needs))) => return self.say_begun(said, needs, reply),
                Some(Err(error)) => Err(error),
                None => self.answer(request, events),
            },
            Err(error) => Err(error),
        };
        // The client may have left meanwhile; what it asked for is done all the same.
        let _ = reply.send(answer);
        let now = self.clock.now();
        self.settle(now);
    }

    fn keep_learned(&mut self) {
        let responses = self.bench.responses();
        self.learned.keep(&self.parts.config.now(), responses);
    }

    /// The log of the running batch; `None` also where its path is no text.
    fn log_file(&self) -> Option<String> {
        let file = self.file.to_str().filter(|_| self.running);
        file.map(str::to_owned)
    }

    fn now_about(&self) -> About {
        About {
            batch: self.running.then(|| self.batch.clone()),
            step: self.bench.status().step,
        }
    }

    /// A word of a client; afterwards `made` has the rows that it made.
    pub(super) fn command(&mut self, command: Command) -> Result<String, Refusal> {
        let now = self.clock.now();
        let said = self.bench.command(command, now);
        self.settle(now);
        let language = self.speaks();
        match said {
            Ok(said) => Ok(said.in_language(language)),
            Err(refused) => Err(Refused {
                say: refused.say.put_into(language),
                ..refused
            }
            .into()),
        }
    }

    pub(super) fn speaks(&self) -> Language {
        self.parts.config.now().speaks()
    }

    /// A notification's button. There is no reply to see, so a refusal is said as a cue.
    fn word(&mut self, command: Command) {
        let now = self.clock.now();
        match self.bench.command(command, now) {
            Ok(say) => tracing::info!("{say}"),
            Err(refused) => self.complain(refused.say),
        }
        self.settle(now);
    }

    /// A fault of the daemon's own, to the cues and the subscribers.
    fn complain(&mut self, say: impl Into<Sentence>) {
        let now = self.clock.now();
        let cue = Cue {
            kind: CueKind::Fault,
            say: say.into(),
            step: 0,
            missing: None,
            choices: Vec::new(),
            urgent: true,
            lead: 0,
            asks: None,
        };
        self.tell(&Event::Cue(cue), now);
    }

    fn answer(&mut self, request: Request, events: Option<Outbox>) -> Reply {
        match request {
            Request::Remedy {
                way,
                batch: Some(batch),
            } => {
                let way = request::way_of(&way)?;
                self.open(|opener| opener.mend(&batch, way))
                    .map(|(said, _)| Answer::Said(said))
            }
            Request::GoOn { batch } => self.take_up(&batch).map(Answer::Said),
            fill @ Request::Fill { .. } => {
                let wanted = request::fill(fill)?;
                self.open(|opener| opener.fill(&wanted))
                    .map(|(said, _)| Answer::Said(said))
            }
            Request::Status => Ok(Answer::Status(Box::new(Standing {
                status: self.bench.status().in_language(self.speaks()),
                batch: self.running.then(|| self.batch.clone()),
                filling: self.retained.is_filling(),
                log: self.log_file(),
                recorded: self.retained.recorded(),
                lines: self.lines.status(),
                cues: self.parts.cues.outputs(),
                trouble: self.alerts.words(self.rows.as_ref()),
            }))),
            Request::Subscribe { readings } => {
                if let Some(events) = events {
                    for line in self.retained.lines() {
                        events.begin_with(line);
                    }
                    self.subscribers.add(events, readings);
                    self.bench.set_readings(self.subscribers.readings_wanted());
                }
                Ok(Answer::said("events follow, one a line"))
            }
            Request::Heed(all) => {
                for say in &all {
                    if !self.alerts.workshop.contains(say) {
                        self.complain(say.clone());
                    }
                }
                self.alerts.workshop = all;
                Ok(Answer::said(""))
            }
            // Commands, `begin` and `reload` were answered before, and a pass where it was asked for.
            Request::Hello
            | Request::LetIn
            | Request::Reload
            | Request::Begin { .. }
            | Request::Next
            | Request::Again
            | Request::Keep
            | Request::Lot { .. }
            | Request::Note { .. }
            | Request::Remedy { .. }
            | Request::Residue { .. }
            | Request::Undo
            | Request::Cancel
            | Request::Skip { .. }
            | Request::Stop => Ok(Answer::Hello(Hello {
                hello: "bismar".to_owned(),
                version: env!("CARGO_PKG_VERSION").to_owned(),
                protocol: request::PROTOCOL,
            })),
        }
    }

    /// Begins the batch, where a batch is asked for: what to say, and what it needs of lots.
    fn begun(&mut self, request: &Request) -> Option<Result<(Said, Vec<Need>), Refusal>> {
        let wanted = request.begins()?;
        Some(wanted.and_then(|wanted| self.open(|opener| opener.begin(&wanted))))
    }

    /// Begins what `open` opens, where nothing else is under way.
    fn open(
        &mut self,
        open: impl FnOnce(&mut dyn Opener) -> Result<Opened, Refusal>,
    ) -> Result<(Said, Vec<Need>), Refusal> {
        let opened = self.opened(open)?;
        let needs = Need::of_plan(&opened.plan);
        Ok((self.take(opened)?, needs))
    }

    /// Goes on with a stopped batch as after a restart: whatever the bench knew of what stands on its scales, hands
    /// may have been there since.
    fn take_up(&mut self, batch: &str) -> Result<Said, Refusal> {
        let opened = self.opened(|opener| opener.take_up(batch))?;
        self.new_bench();
        self.take(opened)
    }

    /// A bench that has seen nothing yet, for the configuration that holds.
    fn new_bench(&mut self) {
        self.keep_learned();
        let config = self.parts.config.now();
        self.bench = (self.parts.bench)(&config);
        self.learned.tell(&config, &mut self.bench);
        self.bench.set_readings(self.subscribers.readings_wanted());
        let now = self.clock.now();
        for scale in self.lines.lost() {
            self.bench.lost(scale, now);
        }
    }

    /// What `open` opens, where nothing else is under way.
    fn opened(
        &mut self,
        open: impl FnOnce(&mut dyn Opener) -> Result<Opened, Refusal>,
    ) -> Result<Opened, Refusal> {
        if self.running {
            let refusal = Refusal::new(phrase!("a batch is being weighed; finish it, or stop it"));
            return Err(refusal.help(Help::Stop));
        }
        if let Some(rows) = self.rows.as_ref().filter(|rows| !rows.is_idle()) {
            return Err(still_written(rows));
        }
        // Frees the log of the last batch, which may be the one to go on with.
        self.let_go();
        open(self.parts.opener.as_mut())
    }

    fn take(&mut self, opened: Opened) -> Result<Said, Refusal> {
        let now = self.clock.now();
        let Opened {
            batch,
            file,
            plan,
            progress,
            log,
            answers,
            said,
        } = opened;
        let retained = Retained::of(&plan, &progress);
        self.bench.begin(plan, progress, now)?;
        self.retained = retained;
        self.alerts.start = None;
        self.rows = Some(Rows::new(log, answers));
        self.running = true;
        self.batch = batch;
        self.file = file;
        Ok(said)
    }

    /// Hands on everything the bench has to say.
    pub(super) fn settle(&mut self, now: Moment) {
        self.made.clear();
        while let Some(event) = self.bench.poll() {
            match event {
                Event::Log(draft) => {
                    self.retained.note_row(&draft);
                    self.log(*draft, now);
                }
                other => {
                    self.retained.note_recorded(&other);
                    if self.running && Retained::wants(&other) {
                        self.retained
                            .note(&other, &line_of(&self.wire, &other, now));
                    }
                    self.tell(&other, now);
                }
            }
        }
        if !self.running && self.rows.as_ref().is_some_and(Rows::is_idle) {
            self.let_go();
        }
    }

    /// Closes the log. What is not in it is kept elsewhere, and that is said.
    fn let_go(&mut self) {
        let Some(LeftOver { rows, kept_in }) = self.rows.take().and_then(Rows::end) else {
            return;
        };
        let say = match kept_in {
            Ok(path) => phrase!(
                "{rows} not in the batch's log but kept in {path}. Leave that file there, mend what kept \
                 the log from being written, and start the daemon again; it adds what is missing.",
                rows = rows_are(rows),
                path = path.display().to_string()
            ),
            Err(why) => phrase!(
                "{rows} NOT in the batch's log and could not be kept elsewhere ({why}). What they say is \
                 in the journal only: journalctl --user -u bismar",
                rows = rows_are(rows),
                why
            ),
        };
        tracing::error!("{say}");
        self.complain(say);
    }

    fn log(&mut self, draft: Draft, now: Moment) {
        match &mut self.rows {
            Some(rows) => {
                let at = self.clock.time_of_day(draft.at);
                self.made.push(draft.ticket);
                rows.write(draft, at);
            }
            None => {
                let why = phrase!("no batch log is open; begin a batch first");
                self.bench.not_logged(draft.ticket, why, now);
            }
        }
    }

    fn tell(&mut self, event: &Event, now: Moment) {
        if let Event::Cue(cue) = event {
            self.parts.cues.say(cue);
        }
        let reading = matches!(event, Event::Reading(_));
        if self.subscribers.want(reading) {
            let line = line_of(&self.wire, event, now);
            let wire = &self.wire;
            let gone = self
                .subscribers
                .send(&line, reading, || line_of(wire, &slow(), now));
            if gone {
                self.bench.set_readings(self.subscribers.readings_wanted());
            }
        }
        match event {
            Event::Step {
                step,
                of,
                ingredient,
                ..
            } => {
                self.step = format!("step {step} of {of}: {ingredient}");
                self.show_status();
            }
            Event::Closed { complete } => {
                tracing::info!(complete, "batch closed");
                self.running = false;
                self.step.clear();
                self.retained.clear();
                self.keep_learned();
                self.show_status();
            }
            Event::Fault { scale, code, over } => {
                tracing::info!(?scale, code = code.name(), over, "fault");
            }
            Event::Recorded { .. } => self.keep_learned(),
            Event::Cue(_) | Event::Reading(_) | Event::Log(_) | Event::Tare { .. } => {}
        }
    }

    fn show_status(&mut self) {
        let mut parts = vec![if self.step.is_empty() {
            READY.to_owned()
        } else {
            self.step.clone()
        }];
        parts.extend(self.lines.missing());
        let status = parts.join("; ");
        if status != self.status {
            if self.parts.managed {
                notify::status(&status);
            }
            self.status = status;
        }
    }

    fn prove_health(&mut self) {
        let wait = self.rows.as_ref().map_or(Duration::ZERO, Rows::oldest_wait);
        if !self.lines.are_healthy() {
            tracing::error!("a scale's task has ended; the watchdog is not fed");
        } else if wait > SLOWEST_DISK {
            tracing::error!(seconds = wait.as_secs(), "the log does not answer");
        } else {
            notify::alive();
        }
        // Subscribers that left while nothing happened.
        self.bench.set_readings(self.subscribers.readings_wanted());
    }

    /// Reads the configuration anew; the error says that it stays as it was, and why.
    fn reload(&mut self) -> Result<(), Refusal> {
        let config = match (self.parts.reload)() {
            Ok(config) => config,
            Err(error) => return Err(self.stays_as_it_was(&error).into()),
        };
        if self.alerts.config.take().is_some() {
            self.config_fault(true);
        }
        let old = self.parts.config.now();
        let now = config.clone().during_a_batch(&old);
        self.waiting = (now != config).then_some(config);
        let other_cues = now.cues != old.cues;
        self.parts.config.hold(now);
        if other_cues {
            self.parts.cues.renew();
        }
        if self.waiting.is_none() {
            tracing::info!("configuration read anew");
            self.keep_taken();
        } else if self.running {
            tracing::warn!(
                "scales, vessels, weighing and log_dir change when the batch is closed; all else is \
                 changed now"
            );
        }
        Ok(())
    }

    /// Tells who asked whether what was read holds.
    fn tell_readers(&mut self) {
        let say = match self.waiting {
            Some(_) => phrase!(
                "Scales and vessels change when the batch is closed; all else is changed now."
            ),
            None => phrase!("The configuration was read anew."),
        };
        for reader in self.readers.drain(..) {
            let _ = reader.send(Ok(Answer::said(say.clone())));
        }
    }

    /// What the configuration file says now cannot be taken; gives the sentence that says so to who asked for it.
    fn stays_as_it_was(&mut self, error: &Sentence) -> Sentence {
        let say = phrase!(
            "The configuration stays as it was: {error}",
            error = error.clone(),
        );
        tracing::error!("{say}");
        self.config_fault(false);
        // A cue is read on the page too, where nothing is typed.
        self.complain(match self.parts.config.now().page.on {
            true => say.with_each(&|slot, _| spoken::instead(slot)),
            false => say.clone(),
        });
        self.alerts.config = Some(say.clone());
        say
    }

    /// What holds is what the next start may need.
    fn keep_taken(&self) {
        if let Some(taken) = self.parts.taken.as_ref().filter(|_| self.waiting.is_none()) {
            taken.keep(&self.parts.config.now());
        }
    }

    fn config_fault(&mut self, over: bool) {
        let now = self.clock.now();
        let fault = Event::Fault {
            scale: None,
            code: FaultCode::Config,
            over,
        };
        self.tell(&fault, now);
    }

    /// What waited for the end of the batch: a new bench and new links where they are others.
    async fn adopt(&mut self, config: Config) {
        if !config.is_same_bench(&self.parts.config.now()) {
            // The old ports must be closed before the new links open them.
            self.lines.stop().await;
            self.lines = Lines::start(&config.scales);
            self.keep_learned();
            self.bench = (self.parts.bench)(&config);
            self.learned.tell(&config, &mut self.bench);
            self.bench.set_readings(self.subscribers.readings_wanted());
        }
        self.wire = Wire::new(&config).speaking(config.speaks());
        self.parts.config.hold(config);
        self.keep_taken();
        tracing::info!("configuration read anew");
        self.show_status();
    }

    async fn finish(mut self, orders: &mut mpsc::Receiver<Order>) {
        if self.parts.managed {
            notify::stopping();
        }
        self.lines.stop().await;
        self.pending.send_all(self.rows.as_ref());
        self.looking.give_up();
        let start = tokio::time::Instant::now();
        while let Some(rows) = self.rows.as_ref().filter(|rows| !rows.is_idle()) {
            // A disk that is full will hardly be mended in the meantime, one that is slow answers.
            let failing = rows.failure().is_some();
            let limit = start + if failing { FAILED_STOP } else { LONGEST_STOP };
            tokio::select! {
                answer = answer_of(&mut self.rows) => self.row(answer),
                Some(Order::Stop) = orders.recv() => {
                    tracing::error!("stopped a second time; rows on their way are not waited for");
                    break;
                }
                () = tokio::time::sleep_until(limit) => {
                    tracing::error!("rows are not in the log in time");
                    break;
                }
            }
        }
        self.let_go();
        tracing::info!("stopped");
        self.parts.cues.close().await;
    }
}

fn line_of(wire: &Wire, event: &Event, now: Moment) -> Line {
    let mut line = Vec::with_capacity(192);
    wire.write(&mut line, now, event);
    Line::from(line)
}

fn still_written(rows: &Rows) -> Refusal {
    Refusal::new(phrase!(
        "the last batch is still being written to its log; try again when it is. {rows}",
        rows = pending_words(rows),
    ))
}

/// The last event of a subscriber that does not keep up.
fn slow() -> Event {
    Event::Fault {
        scale: None,
        code: FaultCode::Slow,
        over: false,
    }
}

async fn answer_of(rows: &mut Option<Rows>) -> LogAnswer {
    match rows {
        Some(rows) => rows.answer().await,
        None => std::future::pending().await,
    }
}

async fn word_of(words: &mut Option<mpsc::UnboundedReceiver<Command>>) -> Command {
    if let Some(receiver) = words {
        if let Some(command) = receiver.recv().await {
            return command;
        }
        // The cues are gone; nothing more comes from them.
        *words = None;
    }
    std::future::pending().await
}
