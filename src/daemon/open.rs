//! From a formula's file to a running batch with its log, and from a log back to its batch.

use std::path::{Path, PathBuf};
use std::time::Duration;

use jiff::Timestamp;
use tokio::sync::mpsc;

use super::late_lot::Files;
use super::ports::{Kept, LeftOver, LogAnswer, Opened, Opener, RowSink};
use super::stock::StockFiles;
use crate::config::Held;
use crate::formula::amend::{Amendment, Cause, Retarget};
use crate::formula::plan::BatchSize;
use crate::formula::{Formula, Plan, VesselWay, contents};
use crate::journal::batch::record::Record;
use crate::journal::error::LogError;
use crate::journal::format::contents_note;
use crate::journal::format::opening::Opening;
use crate::journal::name_of;
use crate::journal::read::folder::{all_threads, is_own};
use crate::journal::store::log::{Found, LogFile};
use crate::journal::store::spill;
use crate::journal::store::spill::TakenIn;
use crate::journal::store::writer::{LogWriter, RETRY};
use crate::language::remark::joined;
use crate::language::{Sentence, counted, phrase, remark};
use crate::mass::Mass;
use crate::metrology::ScaleAbility;
use crate::protocol::reply::{Refusal, Said};
use crate::protocol::request::{BeginRequest, FillRequest};
use crate::vocabulary::code::Help;
use crate::vocabulary::command::Way;
use crate::vocabulary::entry::{Draft, RowKind, goes_on};
use crate::vocabulary::progress::Progress;
use crate::workshop::batches::archive;
use crate::workshop::scale_check::{Checked, LastCheck};
use crate::workshop::stopped::Unfinished;
use crate::workshop::{self, planning, scale_check, stopped};

/// How long the writer has for a last try when the daemon ends; the loop has waited before.
const LAST_TRY: Duration = Duration::from_millis(200);

/// Opens batches for the daemon; see [`Opener`].
#[derive(Debug)]
pub struct BatchOpener {
    pub(super) config: Held,
    retry: Duration,
    /// Where rows are kept that cannot be written, best first.
    spills: Vec<PathBuf>,
    /// The list of lots; `None`: lots are taken as they are named.
    lots: Option<PathBuf>,
    /// Batches that must not go on, since rows of theirs are kept elsewhere.
    pub(super) stuck: Vec<String>,
    taken_in: Vec<TakenIn>,
}

impl BatchOpener {
    pub fn new(config: Held) -> BatchOpener {
        BatchOpener {
            config,
            retry: RETRY,
            spills: Vec::new(),
            lots: None,
            stuck: Vec::new(),
            taken_in: Vec::new(),
        }
    }

    /// Keeps rows that cannot be written in the first of `folders` that takes them, and looks there
    /// for those of an earlier daemon.
    pub fn with_spills(mut self, folders: Vec<PathBuf>) -> BatchOpener {
        self.spills = folders;
        self
    }

    /// Looks lots up in the list `file`, which need not be there.
    pub fn with_lots(mut self, file: Option<PathBuf>) -> BatchOpener {
        self.lots = file;
        self
    }

    pub(super) fn folder(&self) -> Result<PathBuf, Sentence> {
        self.config.now().logs().map_err(|error| error.told())
    }

    fn plan(&self, formula: &Formula, amount: BatchSize) -> Result<Plan, Refusal> {
        let config = self.config.now();
        let plan = Plan::new(formula, amount, &config.abilities(), config.weighing.guard);
        Ok(plan?)
    }

    /// The last checks of the scales of a plan, and what is to be heeded of them.
    ///
    /// # Errors
    /// Where the configuration asks for a check of each day, and a scale has none that will do.
    pub(super) fn checks(&self, plan: &Plan) -> Result<Checks, Refusal> {
        let config = self.config.now();
        let daily = config.daily_scale_check;
        let unread = |error: LogError| {
            remark!(
                "the scale checks cannot be read: {text}; or move that file aside, and check the scale anew",
                text = error.told(),
            )
        };
        let found = match scale_check::checked(&config, &self.folder()?, plan).map_err(unread) {
            Ok(found) => found,
            Err(why) if daily => return Err(why.into()),
            // Nobody asked for one.
            Err(why) => {
                return Ok(Checks {
                    rows: vec![Draft::new(RowKind::Note, why.to_string())],
                    notes: vec![why],
                });
            }
        };
        let refused = |one: &Checked| Some((one.refusal()?, one.scale.clone()));
        if let Some((why, name)) = found.iter().find_map(refused).filter(|_| daily) {
            let refusal = Refusal::new(phrase!(
                "{why}, and one is asked for each day by the configuration; check it with a test weight, then go on",
                why,
            ));
            return Err(refusal.help_of(Help::ScaleCheck, &name));
        }
        let last = found.iter().filter_map(|one| one.last.as_ref());
        Ok(Checks {
            rows: last.map(LastCheck::draft).collect(),
            notes: found.iter().filter_map(Checked::note).collect(),
        })
    }

    /// Hands the log over to its writer.
    pub(super) fn start(&self, log: LogFile) -> Result<(Box<dyn RowSink>, Answers), Sentence> {
        let (sender, answers) = mpsc::unbounded_channel();
        let answer = Box::new(move |ticket, outcome: Result<u64, LogError>| {
            let outcome = outcome.map_err(|error| error.told());
            // The loop has ended, or has closed the batch, where nobody listens.
            let _ = sender.send(LogAnswer { ticket, outcome });
        });
        let writer = LogWriter::start(log, self.retry, answer).map_err(|error| {
            let error = error.to_string();
            phrase!("the log's writer cannot be started: {error}", error)
        })?;
        let sink = WriterSink {
            writer: Some(writer),
            spills: self.spills.clone(),
        };
        Ok((Box::new(sink), answers))
    }

    /// Takes the batch of a log up where its rows end; `None` where nothing of it is open.
    pub(super) fn go_on(&self, path: &Path, why: Why) -> Result<Option<Opened>, Refusal> {
        let config = self.config.now();
        let (record, plan) = match stopped::unfinished(path, &config)? {
            Unfinished::Weighing { record, plan } | Unfinished::Filling { record, plan } => {
                (record, plan)
            }
            Unfinished::Over(_) => return Ok(None),
        };
        // The scales may have been checked on another day.
        let checks = match (why, record.ended) {
            (Why::Restart, true) => return Ok(None),
            (Why::Restart, false) => Checks::default(),
            (Why::Word, _) => self.checks(&plan)?,
        };
        let (mut log, found) = LogFile::open(path).map_err(|error| error.told())?;
        let Found { torn, record } = found;
        let mut say = match plan.filling {
            Some(_) => phrase!(
                "Going on with filling jars of batch {batch}: {jars} are recorded.",
                batch = log.batch(),
                jars = record.filled.len(),
            ),
            None => phrase!(
                "Going on with batch {batch}: {settled} of {of} steps are recorded.",
                batch = log.batch(),
                settled = record.settled().count(),
                of = plan.steps.len(),
            ),
        };
        let mut rows = Vec::new();
        // First of all: what follows belongs to a batch that goes on.
        if let Some(closed) = record
            .closed
            .as_ref()
            .filter(|_| record.fillings.is_empty())
        {
            rows.push(Draft::new(RowKind::Note, goes_on(closed.seq)));
        }
        let mut note = match why {
            Why::Restart => remark!("bismar was started again and goes on with this batch"),
            Why::Word => remark!("taken up again by a person's word"),
        };
        if let Some(torn) = torn {
            say = say.and(phrase!(
                "Note: {torn}; no recorded weight is lost.",
                torn = torn.told(),
            ));
            note = joined(note, torn.told());
        }
        for taken in self
            .taken_in
            .iter()
            .filter(|t| t.rows > 0 && t.batch == log.batch())
        {
            let words = remark!(
                "rows that could not be written before it ended were added: {rows}",
                rows = taken.rows,
            );
            say = say.and(phrase!("Note: {words}.", words = words.clone()));
            note = joined(note, words);
        }
        rows.push(Draft::new(RowKind::Note, note));
        rows.extend(checks.rows);
        append(&mut log, &rows, Timestamp::now()).map_err(|error| error.told())?;
        let mut said = Said::new(say);
        for note in checks.notes {
            said.note(note);
        }
        let (batch, file) = (log.batch().to_owned(), log.path().to_owned());
        let (log, answers) = self.start(log)?;
        Ok(Some(Opened {
            batch,
            file,
            progress: Progress {
                closed: false,
                ..record.progress(&plan)
            },
            plan,
            log,
            answers,
            said,
        }))
    }
}

/// Why a batch goes on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Why {
    /// It was under way when the daemon ended.
    Restart,
    /// A person says so.
    Word,
}

/// See [`BatchOpener::checks`].
#[derive(Default)]
pub(super) struct Checks {
    pub rows: Vec<Draft>,
    pub notes: Vec<Sentence>,
}

/// Adds rows that no engine made.
pub(super) fn append(log: &mut LogFile, rows: &[Draft], at: Timestamp) -> Result<(), LogError> {
    for row in rows {
        log.append(row, at)?;
    }
    Ok(())
}

pub(super) type Answers = mpsc::UnboundedReceiver<LogAnswer>;

impl Opener for BatchOpener {
    fn begin(&mut self, request: &BeginRequest) -> Result<Opened, Refusal> {
        let formula = workshop::formula(&request.formula).map_err(|error| error.told())?;
        let amount = request.amount;
        let known = workshop::known(&request.formula, &formula);
        let mut known = known.map_err(|error| error.told())?;
        let made = workshop::batches_of(&known.premixes, &self.folder()?);
        known.batches = made.map_err(|error| error.told())?;
        let plan = self.plan(&formula, amount)?;
        let mut plan = plan.with_limits(contents::limited(&formula, &known));
        let name = request.formula.display().to_string();
        let config = self.config.now();
        let notes = planning::notes(&formula, &known, &plan, &config.abilities(), &name);
        let notes = notes.map_err(|error| error.told())?;
        let inside = contents_note::note_of(&plan.limits).map_err(|error| error.told())?;
        let overweigh = overweighed(&plan, &request.overweigh)?;
        let checks = self.checks(&plan)?;
        let short =
            planning::jars_short(&plan, Some(&self.folder()?)).map_err(|error| error.told())?;
        // What was asked for: the scales of another day may round it otherwise.
        let opening = Opening {
            batch: amount.total().map_err(|error| error.told())?,
            ..Opening::of(&formula, &plan)
        };
        let now = Timestamp::now();
        let not_begun =
            |error: Sentence| Refusal::new(phrase!("no batch was begun: {error}", error));
        let mut log = LogFile::begin(&self.folder()?, &formula, &opening, now)
            .map_err(|error| not_begun(error.told()))?;
        let inside = inside.map(|note| Draft::new(RowKind::Note, note));
        let mut rows: Vec<Draft> = inside.into_iter().chain(checks.rows).collect();
        if let Some(change) = overweigh {
            let d = config.abilities().iter().map(|s| s.readability).min();
            let note = change.note(&plan, d.unwrap_or(Mass::from_mg(10)));
            rows.push(Draft::new(RowKind::Remedy, note));
            plan = plan.amended(&change);
        }
        if let Err(error) = append(&mut log, &rows, now) {
            let _ = std::fs::remove_file(log.path());
            return Err(not_begun(error.told()));
        }
        let say = phrase!(
            "Batch {batch} has begun: {grams} g in {steps}. Its log is {log}.",
            batch = log.batch(),
            grams = plan.batch.grams(Mass::from_g(1)),
            steps = counted::steps(plan.steps.len()),
            log = log.path().display().to_string(),
        );
        let mut said = Said::new(say);
        for note in checks.notes {
            said.note(note);
        }
        // The plan tells these.
        if !request.planned {
            if let Some(rounded) = plan
                .rounding(amount)
                .filter(|_| request.overweigh.is_empty())
            {
                said.note(phrase!("{why}.", why = rounded));
            }
            if let Some(short) = short {
                said.note(phrase!(
                    "{short} Before anything is poured, stop and begin again with it.",
                    short = short.told(),
                ));
            }
            if let Some(warning) = unproven(&plan, &config.abilities(), config.weighing.guard) {
                said.note(warning);
            }
            // Of the formula that was named; `check` and the plan tell the line.
            for note in notes {
                said.note(note.without_place());
            }
        }
        let (batch, file) = (log.batch().to_owned(), log.path().to_owned());
        let (log, answers) = self.start(log)?;
        Ok(Opened {
            batch,
            file,
            plan,
            progress: Default::default(),
            log,
            answers,
            said,
        })
    }

    fn fill(&mut self, request: &FillRequest) -> Result<Opened, Refusal> {
        self.begin_filling(request)
    }

    fn mend(&mut self, batch: &str, way: Way) -> Result<Opened, Refusal> {
        self.mend_closed(batch, way)
    }

    fn take_up(&mut self, batch: &str) -> Result<Opened, Refusal> {
        self.take_up_stopped(batch)
    }

    fn unfinished(&mut self) -> Result<Option<Opened>, Refusal> {
        let folder = self.folder()?;
        let logs = archive(&folder).list_open(all_threads());
        let mut logs = logs.map_err(|error| error.told())?;
        // What another bench has begun, that one goes on with.
        logs.open.retain(|(log, _)| is_own(&folder, log));
        for bad in &logs.bad {
            tracing::warn!("a log that does not read is left alone: {bad}");
        }
        let begun = |(_, record): &(PathBuf, Record)| record.opening.is_some();
        let (begun, empty): (Vec<_>, Vec<_>) = logs.open.into_iter().partition(begun);
        for (path, _) in &empty {
            tracing::warn!(
                log = %path.display(),
                "a log without a formula, of a batch that did not get so far as to begin; \
                 it can be deleted"
            );
        }
        let Some(((newest, _), older)) = begun.split_first() else {
            return Ok(None);
        };
        for (path, _) in older {
            tracing::warn!(
                log = %path.display(),
                "another batch that was not closed; it stays as it is, since a newer one goes on"
            );
        }
        let batch = name_of(newest);
        if self.stuck.contains(&batch) {
            return Err(Refusal::new(rows_kept(&batch)));
        }
        self.go_on(newest, Why::Restart)
    }

    fn kept(&mut self) -> Vec<Kept> {
        let folder = match self.folder() {
            Ok(folder) => folder,
            Err(error) => {
                tracing::error!("{error}");
                return Vec::new();
            }
        };
        let mut kept = Vec::new();
        for path in spill::find(&self.spills) {
            match spill::take_in(&path, &folder) {
                Ok(taken) => {
                    tracing::warn!(
                        "rows of batch {} added to its log from {}: {}",
                        taken.batch,
                        path.display(),
                        taken.rows
                    );
                    self.taken_in.push(taken);
                }
                Err(error) => {
                    self.stuck.extend(error.batch().map(str::to_owned));
                    let say = error.told();
                    kept.push(Kept { path, say });
                }
            }
        }
        kept
    }

    fn late(&self) -> Result<Files, Sentence> {
        Ok(Files {
            logs: self.folder()?,
            lots: self.lots.clone(),
            kept: self.spills.clone(),
        })
    }

    fn stock(&self) -> Option<StockFiles> {
        Some(StockFiles {
            list: self.lots.clone()?,
            logs: self.config.now().logs().ok()?,
        })
    }
}

/// The change of the plan that weighs more in some steps.
fn overweighed(plan: &Plan, wanted: &[(usize, Mass)]) -> Result<Option<Amendment>, Sentence> {
    let mut later = Vec::new();
    for &(number, more) in wanted {
        let step = number.checked_sub(1).and_then(|i| plan.steps.get(i));
        let step =
            step.ok_or_else(|| phrase!("there is no step {number} to weigh more in", number))?;
        let scale_step = Mass::from_mg(1);
        if step.vessel != VesselWay::Beaker {
            return Err(phrase!(
                "{name} is not weighed in a beaker of its own, so nothing of it stays in one",
                name = &step.ingredient,
            ));
        }
        if more > step.target.ratio(1, 10) {
            return Err(phrase!(
                "{more} g more of {name} are over a tenth of its {target} g; scrape the beaker out instead",
                more = more.grams(scale_step),
                name = &step.ingredient,
                target = step.target.grams(scale_step),
            ));
        }
        later.push(Retarget {
            step: number,
            ng: (step.target + more).ng(),
        });
    }
    Ok((!later.is_empty()).then_some(Amendment {
        cause: Cause::Overweigh,
        before: 1,
        add: Vec::new(),
        later,
        parts: Vec::new(),
    }))
}

/// One sentence about the steps that their scales cannot prove; `None` where all are proven.
pub fn unproven(plan: &Plan, scales: &[ScaleAbility], guard: f64) -> Option<Sentence> {
    let numbers: Vec<String> = plan
        .steps
        .iter()
        .zip(plan.feasibility(scales, guard))
        .filter(|(_, feasible)| feasible.as_ref().is_none_or(|f| !f.window.proven))
        .map(|(step, _)| format!("{} ({})", step.number, step.ingredient))
        .collect();
    let which = match numbers.as_slice() {
        [] => return None,
        [one] => phrase!("step {one}", one),
        [first @ .., last] => phrase!("steps {first} and {last}", first = first.join(", "), last),
    };
    Some(phrase!(
        "the scale is too coarse to prove the tolerance of {which}; it is weighed as well as the scale can, and \
         {check_at_terminal} tells what would help.",
        which,
        check_at_terminal = phrase!("`bismar check` with the same formula and size"),
    ))
}

/// Why nothing is added to the log of a batch whose rows are kept elsewhere ([`spill`]).
pub(super) fn rows_kept(batch: &str) -> Sentence {
    phrase!(
        "rows of batch {batch} are kept in a file of their own and must be in its log first",
        batch,
    )
}

/// The log's writer as the loop's sink.
struct WriterSink {
    writer: Option<LogWriter>,
    spills: Vec<PathBuf>,
}

impl RowSink for WriterSink {
    fn write(&mut self, draft: Draft, at: Timestamp) {
        if let Some(writer) = &self.writer {
            writer.send(draft, at);
        }
    }

    fn end(&mut self) -> Option<LeftOver> {
        let (tail, drafts) = self.writer.take()?.shutdown(LAST_TRY);
        if drafts.is_empty() {
            return None;
        }
        let rows = tail.rows(&drafts);
        let kept_in = spill::keep(&self.spills, &tail.batch, &rows).map_err(|error| {
            for row in &rows {
                // The last place there is.
                tracing::error!("row: {}", String::from_utf8_lossy(&row.line()).trim_end());
            }
            error.told()
        });
        Some(LeftOver {
            rows: rows.len(),
            kept_in,
        })
    }
}

impl Drop for WriterSink {
    /// Rows are not lost on any way out of the loop.
    fn drop(&mut self) {
        if let Some(left) = self.end() {
            tracing::error!("rows that are in no log: {left:?}");
        }
    }
}
