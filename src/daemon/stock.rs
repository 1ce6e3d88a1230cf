//! The list of lots and what the logs say was taken, read away from the loop: a reading of the scale
//! waits for no disk. Questions are answered one after another, each with what was read after it was
//! asked, or with why that could not be read in time.

use std::collections::VecDeque;
use std::path::{Path, PathBuf};
use std::sync::atomic::Ordering;
use std::sync::{Arc, OnceLock};
use std::time::{Duration, Instant};

use tokio::sync::oneshot;
use tokio::task::JoinHandle;

use super::clock::sleep_until;
use crate::journal::batch::summary::Summary;
use crate::journal::format::cell::clean;
use crate::journal::name_of;
use crate::journal::read::archive::Progress;
use crate::journal::read::folder::{all_threads, log_of};
use crate::journal::read::record;
use crate::language::{Sentence, phrase, term};
use crate::lots::Lot;
use crate::lots::advice::{ForStep, Need, Own, Snapshot, Unread};
use crate::lots::elsewhere::Elsewhere;
use crate::lots::stock::Made;
use crate::lots::stocktake::Stocktake;
use crate::lots::trace::Use;
use crate::protocol::reply::{Answer, Refusal, Reply, Said};
use crate::workshop::batches::{add_elsewhere, archive};
use crate::workshop::elsewhere::elsewhere;
use crate::workshop::{store, today};

/// The longest wait for the disk. With the wait for the rows that a word makes it stays below what a
/// client waits for a reply.
const LONGEST: Duration = Duration::from_millis(2500);
/// The most questions at a time.
const MOST: usize = 8;

/// Where the lots and the batch logs lie.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StockFiles {
    /// `lots.toml`; it need not exist.
    pub list: PathBuf,
    /// The folder of the logs.
    pub logs: PathBuf,
}

/// Who waits for what is known of the lots.
#[derive(Debug)]
pub enum Question {
    /// A lot that was named for the step of that time.
    Lot {
        lot: String,
        despite: Option<String>,
        /// Whether that step is recorded already.
        late: bool,
        step: ForStep,
        reply: oneshot::Sender<Reply>,
    },
    /// A batch that has begun.
    Begun {
        said: Said,
        needs: Vec<Need>,
        reply: oneshot::Sender<Reply>,
    },
}

/// The questions and the one look at the disk that is under way.
#[derive(Debug, Default)]
pub struct LotLookup {
    questions: VecDeque<Asked>,
    look: Option<Look>,
    /// A look that nobody waits for any more: the disk hangs, and another one would as well; or there are so many
    /// logs, and another one would read them twice.
    stuck: Option<Look>,
}

/// A look at the disk, and how far it is.
#[derive(Debug)]
struct Look {
    found: JoinHandle<Snapshot>,
    logs: Arc<Logs>,
}

/// How far the reading of the logs is.
#[derive(Debug, Default)]
struct Logs {
    progress: Progress,
    /// What is known before they are read.
    without: OnceLock<Snapshot>,
}

impl Look {
    /// For `asked`; without the logs where `late` says why they are not waited for.
    fn begin(asked: &Asked, late: Option<Unread>) -> Look {
        let (wanted, files) = (Wanted::of(&asked.question), asked.files.clone());
        let logs = Arc::new(Logs::default());
        let told = Arc::clone(&logs);
        let found = tokio::task::spawn_blocking(move || look(&files, &wanted, &told, late));
        Look { found, logs }
    }
}

impl Logs {
    /// Why they are not known yet, where they are being read.
    fn late(&self) -> Option<Unread> {
        self.without.get()?;
        let (read, all) = (
            self.progress.read.load(Ordering::Relaxed),
            self.progress.all.load(Ordering::Relaxed),
        );
        Some(Unread::Late(phrase!(
            "{read} of {all} logs are read so far",
            read,
            all,
        )))
    }

    /// What is known without them.
    fn known(&self) -> Option<Snapshot> {
        let uses = Err(self.late()?);
        Some(Snapshot {
            uses,
            ..self.without.get()?.clone()
        })
    }
}

/// A question in its place.
#[derive(Debug)]
struct Asked {
    question: Question,
    files: StockFiles,
    /// When it is answered, whatever is known then: who asked waits no longer.
    due: Instant,
}

impl LotLookup {
    /// Takes a question, or gives it back when too many wait.
    ///
    /// # Errors
    /// The question.
    pub fn ask(&mut self, question: Question, files: StockFiles) -> Result<(), Question> {
        if self.questions.len() >= MOST {
            return Err(question);
        }
        let due = Instant::now() + LONGEST;
        self.questions.push_back(Asked {
            question,
            files,
            due,
        });
        Ok(())
    }

    /// The next question with what is known. Never resolves without one; loses nothing when it is
    /// dropped half-way.
    pub async fn next(&mut self) -> (Question, Snapshot) {
        let Some(first) = self.questions.front() else {
            return std::future::pending().await;
        };
        if self
            .stuck
            .as_ref()
            .is_some_and(|look| look.found.is_finished())
        {
            self.stuck = None;
        }
        if self.look.is_none() {
            let late = self.stuck.as_ref().map(|look| look.logs.late());
            // Where a disk hangs another look would as well.
            self.look = match late {
                None => Some(Look::begin(first, None)),
                Some(Some(late)) => Some(Look::begin(first, Some(late))),
                Some(None) => None,
            };
        }
        let stock = match &mut self.look {
            Some(look) => tokio::select! {
                biased;
                stock = &mut look.found => stock.map_err(|_| phrase!("they could not be read (a fault of bismar)")),
                () = sleep_until(Some(first.due)) => {
                    look.logs.known().ok_or_else(|| phrase!("the disk does not answer in time"))
                }
            },
            None => Err(phrase!("the disk still does not answer")),
        };
        let hangs = self.look.take().filter(|look| !look.found.is_finished());
        self.stuck = hangs.or(self.stuck.take());
        let stock = stock.unwrap_or_else(|why| {
            Snapshot::unknown(phrase!("lots.toml and the logs: {why}", why), today())
        });
        match self.questions.pop_front() {
            Some(Asked { question, .. }) => (question, stock),
            None => std::future::pending().await,
        }
    }

    /// Answers all questions without a look: the daemon ends.
    pub fn give_up(&mut self) {
        for Asked { question, .. } in self.questions.drain(..) {
            let (answer, reply) = match question {
                Question::Lot { lot, reply, .. } => {
                    let text = format!("the daemon is stopping; lot {lot} was not taken");
                    (Err(Refusal::new(text)), reply)
                }
                Question::Begun { said, reply, .. } => (Ok(Answer::Said(said)), reply),
            };
            // The client may have left meanwhile.
            let _ = reply.send(answer);
        }
    }
}

/// What is known of a lot that is named for `step`, whose log nobody writes. Blocks.
pub(super) fn snapshot(files: &StockFiles, lot: &str, step: &ForStep) -> Snapshot {
    let wanted = Wanted {
        lot: Some((lot.to_owned(), step.ingredient.clone())),
        running: step.batch.clone(),
        premixes: Vec::new(),
    };
    look(files, &wanted, &Logs::default(), None)
}

/// What a question needs to know.
struct Wanted {
    /// Only the lot of this name, for this ingredient.
    lot: Option<(String, String)>,
    /// The batch whose log is being written.
    running: Option<String>,
    /// The formulas whose batches are needed as ingredients.
    premixes: Vec<String>,
}

impl Wanted {
    fn of(question: &Question) -> Wanted {
        match question {
            Question::Lot { lot, step, .. } => Wanted {
                lot: Some((lot.clone(), step.ingredient.clone())),
                running: step.batch.clone(),
                premixes: Vec::new(),
            },
            Question::Begun { needs, .. } => Wanted {
                lot: None,
                running: None,
                premixes: needs
                    .iter()
                    .filter_map(|need| need.premix.clone())
                    .collect(),
            },
        }
    }
}

/// Reads the list, and the logs where an amount must be known and none of them is `late`.
fn look(files: &StockFiles, wanted: &Wanted, logs: &Logs, late: Option<Unread>) -> Snapshot {
    let lots = store::list(&files.list).map_err(|problems| problems.told());
    // What is left of another ingredient's lot does not matter: it is refused anyway.
    let matters = |lot: &Lot| match &wanted.lot {
        Some((name, ingredient)) => lot.is(name, ingredient),
        None => true,
    };
    let amounts = match &lots {
        Ok(Some(lots)) => lots.iter().any(|lot| lot.amount.is_some() && matters(lot)),
        Ok(None) | Err(_) => false,
    };
    let name = wanted.lot.as_ref().map(|(name, _)| name.as_str());
    let log = name.and_then(|name| log_of(&files.logs, name));
    let running = wanted.running.as_deref();
    let stock = Snapshot {
        lots,
        uses: Ok(Vec::new()),
        damaged: Vec::new(),
        own: name.zip(log).map(|(name, log)| own(name, &log)),
        made: Vec::new(),
        elsewhere: Elsewhere::default(),
        premix: running
            .zip(wanted.lot.as_ref())
            .and_then(|(running, (_, ingredient))| {
                premix_of(&log_of(&files.logs, running)?, ingredient)
            }),
        today: today(),
    };
    if !amounts && stock.own.is_none() && wanted.premixes.is_empty() {
        return stock;
    }
    if let Some(late) = late {
        return Snapshot {
            uses: Err(late),
            ..stock
        };
    }
    let stock = logs.without.get_or_init(|| stock);
    match taken(&files.logs, wanted, logs) {
        Ok(taken) => Snapshot {
            uses: Ok(taken.uses),
            damaged: taken.damaged,
            made: taken.made,
            elsewhere: taken.elsewhere,
            ..stock.clone()
        },
        Err(why) => Snapshot {
            uses: Err(Unread::Failed(why)),
            ..stock.clone()
        },
    }
}

/// The batch `name` of our own, by its log.
fn own(name: &str, log: &Path) -> Own {
    match record::read(log) {
        Ok(record) => match Made::of(&record.summary()).filter(|made| made.batch == name) {
            Some(made) => Own::Made(made),
            None if record.is_proved() => Own::Unfinished(record.standing().told()),
            None => Own::Unfinished(term!("its log is damaged").into()),
        },
        Err(error) => Own::Unfinished(error.told()),
    }
}

/// The formula whose batches an ingredient of the running batch is taken from.
fn premix_of(log: &Path, ingredient: &str) -> Option<String> {
    let formula = record::read(log).ok()?.read_formula()?.ok()?;
    let mut all = formula.ingredients();
    all.find(|one| clean(&one.name) == ingredient || one.name == ingredient)?
        .premix
        .clone()
}

/// What the logs say.
#[derive(Debug, Default)]
struct Taken {
    uses: Vec<Use>,
    made: Vec<Made>,
    /// The logs that are damaged.
    damaged: Vec<String>,
    /// What other benches took; it is among the uses.
    elsewhere: Elsewhere,
}

/// What the logs say was taken and made, as far as it is wanted. One processor is left to the loop.
fn taken(folder: &Path, wanted: &Wanted, logs: &Logs) -> Result<Taken, Sentence> {
    let mut stock = Stocktake::apart(wanted.running.as_deref(), &wanted.premixes);
    let add = &mut |nth, batch: &Summary| stock.add(nth, batch);
    let read = archive(folder).add_up(all_threads() - 1, &logs.progress, add);
    let mut faults = read.map_err(|error| error.told())?;
    let elsewhere = elsewhere(folder);
    add_elsewhere(&mut stock, &elsewhere);
    // A row on its way to the disk is no damage.
    let running = wanted.running.as_deref();
    faults
        .retain(|bad| !(bad.is_torn() && running == Some(name_of(Path::new(&bad.file)).as_str())));
    Ok(Taken {
        uses: stock.uses(),
        made: stock.made(),
        damaged: faults.iter().map(ToString::to_string).collect(),
        elsewhere,
    })
}
