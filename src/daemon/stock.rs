//! The list of lots and what the logs say was taken, read away from the loop: a reading of the scale
//! waits for no disk. Questions are answered one after another, each with what was read after it was
//! asked, or with why that could not be read in time.

use std::collections::VecDeque;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use tokio::sync::oneshot;
use tokio::task::JoinHandle;

use super::clock::sleep_until;
use crate::journal::batch::record::Record;
use crate::journal::format::cell::clean;
use crate::journal::name_of;
use crate::journal::read::folder::{all_threads, each_batch, log_of};
use crate::journal::read::record;
use crate::lots::advice::{ForStep, Need, Own, Snapshot};
use crate::lots::stock::Made;
use crate::lots::trace::Use;
use crate::lots::{Lot, uses_of};
use crate::protocol::reply::{Answer, Refusal, Reply, Said};
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
    look: Option<JoinHandle<Snapshot>>,
    /// A look that nobody waits for any more; another one would hang as well.
    stuck: Option<JoinHandle<Snapshot>>,
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
        let free = self.stuck.as_ref().is_none_or(JoinHandle::is_finished);
        if self.look.is_none() && free {
            self.stuck = None;
            let (wanted, files) = (Wanted::of(&first.question), first.files.clone());
            self.look = Some(tokio::task::spawn_blocking(move || look(&files, &wanted)));
        }
        let stock = match &mut self.look {
            Some(look) => tokio::select! {
                biased;
                stock = look => stock.map_err(|_| "they could not be read (a fault of bismar)"),
                () = sleep_until(Some(first.due)) => Err("the disk does not answer in time"),
            },
            None => Err("the disk still does not answer"),
        };
        let look = self.look.take();
        let stock = stock.unwrap_or_else(|why| {
            let hangs = look.filter(|look| !look.is_finished());
            self.stuck = hangs.or(self.stuck.take());
            Snapshot::unknown(&format!("lots.toml and the logs: {why}"), today())
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

/// What a question needs to know.
struct Wanted {
    /// Only the lot of this name, for this ingredient.
    lot: Option<(String, String)>,
    /// The batch whose log is being written.
    running: Option<String>,
    /// Whether batches of our own are needed as ingredients.
    premixes: bool,
}

impl Wanted {
    fn of(question: &Question) -> Wanted {
        match question {
            Question::Lot { lot, step, .. } => Wanted {
                lot: Some((lot.clone(), step.ingredient.clone())),
                running: step.batch.clone(),
                premixes: false,
            },
            Question::Begun { needs, .. } => Wanted {
                lot: None,
                running: None,
                premixes: needs.iter().any(|need| need.premix.is_some()),
            },
        }
    }
}

/// Reads the list, and the logs where an amount must be known.
fn look(files: &StockFiles, wanted: &Wanted) -> Snapshot {
    let lots = store::list(&files.list).map_err(|problems| problems.to_string());
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
    let taken = match amounts || log.is_some() || wanted.premixes {
        true => taken(&files.logs, running),
        false => Ok(Taken::default()),
    };
    let (uses, made, damaged) = match taken {
        Ok(taken) => (Ok(taken.uses), taken.made, taken.damaged),
        Err(why) => (Err(why), Vec::new(), Vec::new()),
    };
    let own = log.map(|log| {
        let found = made.iter().find(|made| Some(made.batch.as_str()) == name);
        match found {
            Some(made) => Own::Made(made.clone()),
            None => Own::Unfinished(standing(&log)),
        }
    });
    Snapshot {
        lots,
        uses,
        damaged,
        own,
        made,
        premix: running
            .zip(wanted.lot.as_ref())
            .and_then(|(running, (_, ingredient))| {
                premix_of(&log_of(&files.logs, running)?, ingredient)
            }),
        today: today(),
    }
}

/// How far the batch of a log is, in words.
fn standing(log: &Path) -> String {
    match record::read(log) {
        Ok(record) if record.is_proved() => record.standing().to_string(),
        Ok(_) => "its log is damaged".to_owned(),
        Err(error) => error.to_string(),
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
}

/// What the logs say was taken and made. One processor is left to the loop.
fn taken(logs: &Path, running: Option<&str>) -> Result<Taken, String> {
    let of_record = |record: Record| (uses_of(&record).collect::<Vec<_>>(), Made::of(&record));
    let (read, mut faults) =
        each_batch(logs, all_threads() - 1, of_record).map_err(|error| error.to_string())?;
    // A row on its way to the disk is no damage.
    faults
        .retain(|bad| !(bad.is_torn() && running == Some(name_of(Path::new(&bad.file)).as_str())));
    let mut taken = Taken {
        damaged: faults.iter().map(ToString::to_string).collect(),
        ..Taken::default()
    };
    for (uses, made) in read {
        taken.uses.extend(uses);
        taken.made.extend(made);
    }
    Ok(taken)
}
