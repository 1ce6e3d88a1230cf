//! Ports of the daemon's loop: the bench, the log, the cues, and what begins a batch.
//!
//! Nothing behind these may block for longer than a file read: the loop that calls them also reads
//! the scales. A row sink and a cue sink hand on and return at once.

use std::path::PathBuf;

use tokio::sync::mpsc;

use super::late_lot::Files;
use super::stock::StockFiles;
use super::taken::Taken;
use crate::bench::Bench;
use crate::config::{Config, Holder};
use crate::display::Rehearse;
use crate::formula::Plan;
use crate::language::{Sentence, phrase};
use crate::protocol::reply::{Refusal, Said};
use crate::protocol::request::{BeginRequest, FillRequest};
use crate::time::Moment;
use crate::vocabulary::command::Command;
use crate::vocabulary::command::Way;
use crate::vocabulary::cue::Cue;
use crate::vocabulary::entry::Draft;
use crate::vocabulary::progress::{Progress, Recorded, Refused};
use crate::vocabulary::reading::ScaleIndex;
use crate::vocabulary::response::Response;
use crate::vocabulary::status::{OutputStatus, Status};
use crate::weighing::event::Event;

/// What the signals ask for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Order {
    /// SIGTERM, SIGINT.
    Stop,
    /// SIGHUP: read the configuration anew.
    Reload,
}

/// What the daemon is made of.
pub struct Parts<H> {
    /// What holds now; the loop alone changes it.
    pub config: Holder,
    /// What is kept of the scales' filters from one daemon to the next; `None`: nothing.
    pub learned: Option<PathBuf>,
    /// Makes the bench for a configuration.
    pub bench: Box<dyn Fn(&Config) -> H>,
    pub opener: Box<dyn Opener>,
    pub cues: Box<dyn CueSink>,
    /// What holds when the batch under way is closed.
    pub waiting: Option<Config>,
    /// Why the configuration file as it is now does not hold.
    pub fault: Option<Sentence>,
    /// Where what holds is kept for the next start; `None`: nowhere.
    pub taken: Option<Taken>,
    /// Begins a rehearsal for the page; `None`: there is none.
    pub rehearse: Option<Rehearse>,
    /// Whether the service manager hears how this loop fares: a rehearsal's is none of its business.
    pub managed: bool,
    /// Reads the configuration file anew; the error names file, line and column.
    pub reload: Box<dyn FnMut() -> Result<Config, Sentence>>,
}

/// Where log rows go. Each ticket is answered through [`Opened::answers`] when its row is on the disk;
/// before that perhaps once with why it is not there yet, while the sink tries on.
pub trait RowSink {
    /// Hands the row on to be written and synced; `at` is its time of day. Returns at once.
    fn write(&mut self, draft: Draft, at: jiff::Timestamp);

    /// Nothing more is written, and nobody waits for answers any more: puts the rows that are not on
    /// the disk into a file elsewhere. Takes a moment at most. `None` where all are on the disk.
    fn end(&mut self) -> Option<LeftOver> {
        None
    }
}

/// Rows that are in no log.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LeftOver {
    pub rows: usize,
    /// The file that keeps them, or why there is none.
    pub kept_in: Result<PathBuf, Sentence>,
}

/// A file of rows that an earlier daemon could not write.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Kept {
    pub path: PathBuf,
    /// What it is and what to do, for a person.
    pub say: Sentence,
}

/// What became of one row.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LogAnswer {
    /// The draft's ticket.
    pub ticket: u64,
    /// The row's `seq` once it is on the disk, or why it is not yet, for a person.
    pub outcome: Result<u64, Sentence>,
}

/// See [`CueSink::close`].
pub type Closing = std::pin::Pin<Box<dyn Future<Output = ()>>>;

/// Where cues go. Returns at once, whatever the desktop does.
pub trait CueSink {
    fn say(&mut self, cue: &Cue);

    /// The loop runs: what an earlier daemon left is put in order.
    fn begin(&mut self) {}
    /// The configuration has others now.
    fn renew(&mut self) {}
    /// The maker's answers to cues, such as a notification's button. Asked for once.
    fn words(&mut self) -> Option<mpsc::UnboundedReceiver<Command>> {
        None
    }
    /// The daemon ends: what still waits on the screen is taken away. Resolves soon.
    fn close(&mut self) -> Closing {
        Box::pin(std::future::ready(()))
    }
    /// How each output fares, for `status`.
    fn outputs(&self) -> Vec<OutputStatus> {
        Vec::new()
    }
}

/// A batch whose log is open.
pub struct Opened {
    /// Its name, which is that of its log.
    pub batch: String,
    pub file: PathBuf,
    pub plan: Plan,
    pub progress: Progress,
    pub log: Box<dyn RowSink>,
    /// The answers to the rows of this log; closed when its writer ends.
    pub answers: mpsc::UnboundedReceiver<LogAnswer>,
    /// One sentence for the person who asked, and what is to be heeded.
    pub said: Said,
}

/// Reads formulas, plans, opens logs.
pub trait Opener {
    /// Reads the formula, plans the batch and opens (or goes on with) its log.
    ///
    /// # Errors
    /// For a person, with file, line and column where it is about a file.
    fn begin(&mut self, request: &BeginRequest) -> Result<Opened, Refusal>;

    /// Plans the filling of jars out of a batch that is weighed, and goes on with its log.
    ///
    /// # Errors
    /// A text for a person.
    fn fill(&mut self, _request: &FillRequest) -> Result<Opened, Refusal> {
        Err(Refusal::new(phrase!("jars cannot be filled here")))
    }

    /// Opens a closed batch again, with the steps of a remedy.
    ///
    /// # Errors
    /// A text for a person.
    fn mend(&mut self, _batch: &str, _way: Way) -> Result<Opened, Refusal> {
        Err(Refusal::new(phrase!("batches cannot be mended here")))
    }

    /// Goes on with a batch that was stopped.
    ///
    /// # Errors
    /// A text for a person.
    fn take_up(&mut self, _batch: &str) -> Result<Opened, Refusal> {
        Err(Refusal::new(phrase!(
            "batches cannot be taken up again here"
        )))
    }

    /// The batch that was running when the daemon last ended, if there is one.
    ///
    /// # Errors
    /// As [`Opener::begin`]; the daemon says it and goes on without a batch.
    fn unfinished(&mut self) -> Result<Option<Opened>, Refusal> {
        Ok(None)
    }

    /// Takes the rows that an earlier daemon could not write into their logs, and gives those for
    /// which that cannot be. Asked for once, before [`Opener::unfinished`].
    fn kept(&mut self) -> Vec<Kept> {
        Vec::new()
    }

    /// Where a lot is written that is named for a batch whose log nobody writes.
    ///
    /// # Errors
    /// A text for a person.
    fn late(&self) -> Result<Files, Sentence> {
        Err(phrase!(
            "lots of batches that are over cannot be named here"
        ))
    }

    /// Where the lots and the logs lie; `None` where lots are taken as they are named.
    fn stock(&self) -> Option<StockFiles> {
        None
    }
}

/// The methods of [`Bench`] that the loop drives. The bench's own text says what each does.
pub trait Weigher {
    /// # Errors
    /// Why no batch can begin now.
    fn begin(&mut self, plan: Plan, progress: Progress, at: Moment) -> Result<(), Refused>;
    fn bytes(&mut self, scale: ScaleIndex, at: Moment, bytes: &[u8]);
    fn lost(&mut self, scale: ScaleIndex, at: Moment);
    fn back(&mut self, scale: ScaleIndex, at: Moment);
    /// # Errors
    /// Why the word is refused now.
    fn command(&mut self, command: Command, at: Moment) -> Result<Sentence, Refused>;
    fn logged(&mut self, ticket: u64, seq: u64, at: Moment);
    fn not_logged(&mut self, ticket: u64, why: Sentence, at: Moment);
    fn deadline(&self) -> Option<Moment>;
    fn tick(&mut self, at: Moment);
    fn poll(&mut self) -> Option<Event>;
    fn set_readings(&mut self, wanted: bool);
    fn status(&self) -> Status;
    /// What is recorded of a step; `None` where it is the one that waits.
    ///
    /// # Errors
    /// Where nothing is.
    fn recorded_of(&self, _step: usize) -> Result<Option<Recorded>, Refused> {
        Ok(None)
    }
    /// What a lot of an ingredient would bring out of its limits.
    fn out_of_limits_with(&self, _ingredient: &str, _lot: &str) -> Option<String> {
        None
    }
    fn responses(&self) -> Vec<Option<Response>> {
        Vec::new()
    }
    fn set_response(&mut self, _scale: ScaleIndex, _known: Response) {}
}

impl Weigher for Bench {
    fn begin(&mut self, plan: Plan, progress: Progress, at: Moment) -> Result<(), Refused> {
        Bench::begin(self, plan, progress, at)
    }
    fn bytes(&mut self, scale: ScaleIndex, at: Moment, bytes: &[u8]) {
        Bench::bytes(self, scale, at, bytes);
    }
    fn lost(&mut self, scale: ScaleIndex, at: Moment) {
        Bench::lost(self, scale, at);
    }
    fn back(&mut self, scale: ScaleIndex, at: Moment) {
        Bench::back(self, scale, at);
    }
    fn command(&mut self, command: Command, at: Moment) -> Result<Sentence, Refused> {
        Bench::command(self, command, at)
    }
    fn logged(&mut self, ticket: u64, seq: u64, at: Moment) {
        Bench::logged(self, ticket, seq, at);
    }
    fn not_logged(&mut self, ticket: u64, why: Sentence, at: Moment) {
        Bench::not_logged(self, ticket, why, at);
    }
    fn deadline(&self) -> Option<Moment> {
        Bench::deadline(self)
    }
    fn tick(&mut self, at: Moment) {
        Bench::tick(self, at);
    }
    fn poll(&mut self) -> Option<Event> {
        Bench::poll(self)
    }
    fn set_readings(&mut self, wanted: bool) {
        Bench::set_readings(self, wanted);
    }
    fn status(&self) -> Status {
        Bench::status(self)
    }
    fn recorded_of(&self, step: usize) -> Result<Option<Recorded>, Refused> {
        Bench::recorded_of(self, step)
    }
    fn out_of_limits_with(&self, ingredient: &str, lot: &str) -> Option<String> {
        Bench::out_of_limits_with(self, ingredient, lot)
    }
    fn responses(&self) -> Vec<Option<Response>> {
        Bench::responses(self)
    }
    fn set_response(&mut self, scale: ScaleIndex, known: Response) {
        Bench::set_response(self, scale, known);
    }
}
