//! The daemon's loop. Whatever comes (bytes, a request, an answer of the log, a deadline, a signal)
//! is handled at once and wholly: into the bench, its events out again, to the cues, the
//! subscribers and the log, before the next thing is looked at.
//!
//! The watchdog is fed from this loop, and only while the links' tasks live and the log answers.

use std::sync::Arc;
use std::time::{Duration, Instant};

use tokio::sync::mpsc;

use super::clock::{Clock, Watchdog, sleep_until};
use super::control::Call;
use super::lines::Lines;
use super::notify;
use super::request::{self, BadRequest, BeginRequest, Request};
use super::rows::Rows;
use super::seams::{Heart, LogAnswer, Opened, Order, Parts};
use super::subscribers::{Outbox, Subscribers};
use super::wire::Wire;
use crate::config::Config;
use crate::scale::Moment;
use crate::scale::link::{LinkMessage, LinkNews};
use crate::weighing::event::{Command, Cue, CueKind, Draft, Event};

/// How long a row may wait for the disk before the daemon no longer counts as healthy.
const SLOWEST_DISK: Duration = Duration::from_secs(20);
/// How long a clean stop waits for the rows on their way.
const LONGEST_STOP: Duration = Duration::from_secs(15);

/// See the module's text.
pub struct Core<H> {
    parts: Parts<H>,
    heart: H,
    clock: Clock,
    wire: Wire,
    lines: Lines,
    rows: Option<Rows>,
    running: bool,
    subscribers: Subscribers,
    /// A configuration that waits for the end of the batch.
    waiting: Option<Config>,
    step: String,
    status: String,
    /// What a person should know of the start, for `status`.
    trouble: Option<String>,
    /// The maker's answers to cues.
    words: Option<mpsc::UnboundedReceiver<Command>>,
}

/// One thing that the loop wakes for.
enum Turn {
    Line(LinkMessage),
    Row(LogAnswer),
    Call(Call),
    Word(Command),
    Order(Option<Order>),
    Deadline,
    Watchdog,
}

impl<H: Heart> Core<H> {
    /// Starts the links, and goes on with the batch that was running when the daemon last ended.
    /// Needs a running tokio runtime.
    pub fn start(mut parts: Parts<H>) -> Core<H> {
        let heart = (parts.heart)(&parts.config);
        let unfinished = parts.opener.unfinished();
        let mut core = Core {
            heart,
            clock: Clock::start(),
            wire: Wire::new(&parts.config),
            lines: Lines::start(&parts.config.scales),
            rows: None,
            running: false,
            subscribers: Subscribers::default(),
            waiting: None,
            step: String::new(),
            status: String::new(),
            trouble: None,
            words: parts.cues.words(),
            parts,
        };
        let resumed = match unfinished {
            Ok(None) => Ok(String::new()),
            Ok(Some(opened)) => core.take(opened).map_err(|error| error.to_string()),
            Err(error) => Err(error),
        };
        match resumed {
            Ok(say) if say.is_empty() => {}
            Ok(say) => tracing::info!("{say}"),
            Err(error) => {
                let say = format!("The unfinished batch cannot go on: {error}");
                tracing::error!("{say}");
                core.complain(say.clone());
                core.trouble = Some(say);
            }
        }
        core
    }

    /// Runs until an [`Order::Stop`] (or the end of `orders`); then the rows on their way are
    /// waited for and the ports are closed.
    pub async fn run(mut self, mut calls: mpsc::Receiver<Call>, mut orders: mpsc::Receiver<Order>) {
        let mut watchdog = Watchdog::new(notify::watchdog_interval());
        notify::ready("ready");
        let now = self.clock.now();
        self.settle(now);
        loop {
            let due = self.due();
            let turn = tokio::select! {
                message = self.lines.next() => Turn::Line(message),
                answer = answer_of(&mut self.rows) => Turn::Row(answer),
                Some(call) = calls.recv() => Turn::Call(call),
                command = word_of(&mut self.words) => Turn::Word(command),
                order = orders.recv() => Turn::Order(order),
                () = sleep_until(due) => Turn::Deadline,
                () = watchdog.tick() => Turn::Watchdog,
            };
            match turn {
                Turn::Line(message) => self.line(message),
                Turn::Row(answer) => self.row(answer),
                Turn::Call(call) => self.call(call),
                Turn::Word(command) => self.word(command),
                Turn::Order(Some(Order::Reload)) => self.reload(),
                Turn::Order(Some(Order::Stop) | None) => break,
                Turn::Deadline => {
                    let now = self.clock.tick();
                    self.heart.tick(now);
                    self.settle(now);
                }
                Turn::Watchdog => self.prove_health(),
            }
            if !self.running
                && self.rows.is_none()
                && let Some(config) = self.waiting.take()
            {
                self.adopt(config).await;
            }
        }
        self.finish(&mut orders).await;
    }

    /// When the bench wants a tick, on the runtime's clock.
    fn due(&self) -> Option<Instant> {
        Some(self.clock.due(self.heart.deadline()?))
    }

    fn line(&mut self, message: LinkMessage) {
        let LinkMessage { scale, at, news } = message;
        let now = self.clock.moment(at);
        let changed = self.lines.note(scale, &news);
        match news {
            LinkNews::Bytes(bytes) => self.heart.bytes(scale, now, &bytes),
            LinkNews::Back { .. } => self.heart.back(scale, now),
            LinkNews::Lost(_) if changed => self.heart.lost(scale, now),
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
            Ok(seq) => self.heart.logged(answer.ticket, seq, now),
            Err(why) => {
                tracing::error!(ticket = answer.ticket, "a row is not in the log: {why}");
                self.heart.not_logged(answer.ticket, why, now);
            }
        }
        self.settle(now);
    }

    fn call(&mut self, call: Call) {
        let Call {
            request,
            events,
            reply,
        } = call;
        let text = self
            .answer(request, events)
            .unwrap_or_else(|error| request::refused(&error.to_string()));
        // The client may have left meanwhile; what it asked for is done all the same.
        let _ = reply.send(text);
        let now = self.clock.now();
        self.settle(now);
    }

    /// A notification's button. There is no reply to see, so a refusal is said as a cue.
    fn word(&mut self, command: Command) {
        let now = self.clock.now();
        match self.heart.command(command, now) {
            Ok(say) => tracing::info!("{say}"),
            Err(error) => self.complain(error.to_string()),
        }
        self.settle(now);
    }

    fn complain(&mut self, say: String) {
        self.parts.cues.say(&Cue {
            kind: CueKind::Fault,
            say,
            step: 0,
            missing: None,
            choices: Vec::new(),
            urgent: true,
        });
    }

    fn answer(&mut self, request: Request, events: Option<Outbox>) -> Result<Vec<u8>, BadRequest> {
        if let Some(command) = request.command()? {
            let now = self.clock.now();
            return match self.heart.command(command, now) {
                Ok(say) => Ok(request::said(&say)),
                Err(error) => Err(BadRequest(error.to_string())),
            };
        }
        match request {
            Request::Begin {
                formula,
                batch,
                jars,
                fill,
            } => {
                let wanted = request::begin(formula, batch.as_deref(), jars, fill.as_deref())?;
                self.begin(&wanted).map(|say| request::said(&say))
            }
            Request::Status => Ok(request::reply(serde_json::json!({
                "status": self.heart.status(),
                "lines": self.lines.to_json(),
                "cues": self.parts.cues.outputs(),
                "trouble": self.trouble,
            }))),
            Request::Subscribe { readings } => {
                if let Some(events) = events {
                    self.subscribers.add(events, readings);
                    self.heart.set_readings(self.subscribers.readings_wanted());
                }
                Ok(request::said("events follow, one a line"))
            }
            // Commands were answered above.
            Request::Hello
            | Request::Next
            | Request::Again
            | Request::Keep
            | Request::Lot { .. }
            | Request::Note { .. }
            | Request::Stop => Ok(request::reply(serde_json::json!({
                "hello": "bismar",
                "version": env!("CARGO_PKG_VERSION"),
                "protocol": request::PROTOCOL,
            }))),
        }
    }

    fn begin(&mut self, wanted: &BeginRequest) -> Result<String, BadRequest> {
        if self.running {
            return Err(BadRequest(
                "a batch is being weighed; finish it, or end it with `bismar stop`".to_owned(),
            ));
        }
        if self.rows.as_ref().is_some_and(|rows| !rows.is_idle()) {
            return Err(BadRequest(
                "the last batch is still being written to its log; try again in a moment"
                    .to_owned(),
            ));
        }
        // Frees the log of the last batch, which may be the one to go on with.
        self.rows = None;
        let opened = self.parts.opener.begin(wanted).map_err(BadRequest)?;
        self.take(opened)
    }

    fn take(&mut self, opened: Opened) -> Result<String, BadRequest> {
        let now = self.clock.now();
        let Opened {
            plan,
            progress,
            log,
            answers,
            say,
        } = opened;
        self.heart
            .begin(plan, progress, now)
            .map_err(|error| BadRequest(error.to_string()))?;
        self.trouble = None;
        self.rows = Some(Rows::new(log, answers));
        self.running = true;
        Ok(say)
    }

    /// Hands on everything the bench has to say.
    fn settle(&mut self, now: Moment) {
        while let Some(event) = self.heart.poll() {
            match event {
                Event::Log(draft) => self.log(*draft, now),
                other => self.tell(&other, now),
            }
        }
        if !self.running && self.rows.as_ref().is_some_and(Rows::is_idle) {
            self.rows = None;
        }
    }

    fn log(&mut self, draft: Draft, now: Moment) {
        match &mut self.rows {
            Some(rows) => {
                let at = self.clock.time_of_day(draft.at);
                rows.write(draft, at);
            }
            None => {
                let why = "no batch log is open; begin a batch first".to_owned();
                self.heart.not_logged(draft.ticket, why, now);
            }
        }
    }

    fn tell(&mut self, event: &Event, now: Moment) {
        if let Event::Cue(cue) = event {
            self.parts.cues.say(cue);
        }
        let reading = matches!(event, Event::Reading(_));
        if self.subscribers.want(reading) {
            let mut line = Vec::with_capacity(192);
            self.wire.write(&mut line, now, event);
            let gone = self.subscribers.send(&Arc::from(line), reading);
            if gone {
                self.heart.set_readings(self.subscribers.readings_wanted());
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
                self.show_status();
            }
            Event::Fault { scale, code, over } => {
                tracing::info!(?scale, code, over, "fault");
            }
            Event::Cue(_)
            | Event::Reading(_)
            | Event::Log(_)
            | Event::Recorded { .. }
            | Event::Tare { .. } => {}
        }
    }

    fn show_status(&mut self) {
        let mut parts = vec![if self.step.is_empty() {
            "ready".to_owned()
        } else {
            self.step.clone()
        }];
        parts.extend(self.lines.missing());
        let status = parts.join("; ");
        if status != self.status {
            notify::status(&status);
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
        self.heart.set_readings(self.subscribers.readings_wanted());
    }

    fn reload(&mut self) {
        let config = match (self.parts.reload)() {
            Ok(config) => config,
            Err(error) => {
                tracing::error!("the configuration stays as it was: {error}");
                return;
            }
        };
        self.parts.cues.configure(&config);
        self.parts.opener.configure(&config);
        let old = &self.parts.config;
        let same_bench = old.scales == config.scales
            && old.weighing == config.weighing
            && old.vessels == config.vessels;
        if same_bench {
            self.parts.config = config;
            self.waiting = None;
            tracing::info!("configuration read anew");
        } else {
            if self.running {
                tracing::warn!(
                    "cues are changed now; scales, vessels and weighing change when the batch \
                     is closed"
                );
            }
            self.waiting = Some(config);
        }
    }

    /// A new bench and new links, between two batches.
    async fn adopt(&mut self, config: Config) {
        // The old ports must be closed before the new links open them.
        self.lines.stop().await;
        self.lines = Lines::start(&config.scales);
        self.wire = Wire::new(&config);
        self.heart = (self.parts.heart)(&config);
        self.heart.set_readings(self.subscribers.readings_wanted());
        self.parts.config = config;
        tracing::info!("configuration read anew");
        self.show_status();
    }

    async fn finish(mut self, orders: &mut mpsc::Receiver<Order>) {
        notify::stopping();
        self.lines.stop().await;
        let limit = tokio::time::Instant::now() + LONGEST_STOP;
        while self.rows.as_ref().is_some_and(|rows| !rows.is_idle()) {
            tokio::select! {
                answer = answer_of(&mut self.rows) => self.row(answer),
                Some(Order::Stop) = orders.recv() => {
                    tracing::error!("stopped a second time; rows on their way may be lost");
                    break;
                }
                () = tokio::time::sleep_until(limit) => {
                    tracing::error!("the log did not answer in time; rows on their way may be lost");
                    break;
                }
            }
        }
        tracing::info!("stopped");
        self.parts.cues.close().await;
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
