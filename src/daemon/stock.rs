//! The list of lots and what the logs say was taken, read away from the loop: a reading of the scale
//! waits for no disk. Questions are answered one after another, each with what was read after it was
//! asked, or with why that could not be read in time.

use std::collections::VecDeque;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use jiff::civil::Date;
use tokio::sync::oneshot;
use tokio::task::JoinHandle;

use super::clock::sleep_until;
use super::request;
use crate::batch::error::Fault;
use crate::batch::folder;
use crate::batch::names::safe_batch_name;
use crate::batch::record::{self, Record};
use crate::document::read_text;
use crate::lots::advice::{ForStep, Need, Stock};
use crate::lots::trace::Use;
use crate::lots::{Lot, uses_of};

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
        reply: oneshot::Sender<Vec<u8>>,
    },
    /// A batch that has begun.
    Begun {
        say: String,
        needs: Vec<Need>,
        reply: oneshot::Sender<Vec<u8>>,
    },
}

/// The questions and the one look at the disk that is under way.
#[derive(Debug, Default)]
pub struct Looking {
    questions: VecDeque<Asked>,
    look: Option<JoinHandle<Stock>>,
    /// A look that nobody waits for any more; another one would hang as well.
    stuck: Option<JoinHandle<Stock>>,
}

/// A question in its place.
#[derive(Debug)]
struct Asked {
    question: Question,
    files: StockFiles,
    /// When it is answered, whatever is known then: who asked waits no longer.
    due: Instant,
}

impl Looking {
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
    pub async fn next(&mut self) -> (Question, Stock) {
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
            Stock::unknown(&format!("lots.toml and the logs: {why}"), today())
        });
        match self.questions.pop_front() {
            Some(Asked { question, .. }) => (question, stock),
            None => std::future::pending().await,
        }
    }

    /// Answers all questions without a look: the daemon ends.
    pub fn give_up(&mut self) {
        for Asked { question, .. } in self.questions.drain(..) {
            let (line, reply) = match question {
                Question::Lot { lot, reply, .. } => {
                    let text = format!("the daemon is stopping; lot {lot} was not taken");
                    (request::refused(&text), reply)
                }
                Question::Begun { say, reply, .. } => (request::said(&say), reply),
            };
            // The client may have left meanwhile.
            let _ = reply.send(line);
        }
    }
}

/// What a question needs to know.
struct Wanted {
    /// Only the lot of this name, for this ingredient.
    lot: Option<(String, String)>,
    /// The batch whose log is being written.
    running: Option<String>,
}

impl Wanted {
    fn of(question: &Question) -> Wanted {
        match question {
            Question::Lot { lot, step, .. } => Wanted {
                lot: Some((lot.clone(), step.ingredient.clone())),
                running: step.batch.clone(),
            },
            Question::Begun { .. } => Wanted {
                lot: None,
                running: None,
            },
        }
    }
}

fn today() -> Date {
    jiff::ZonedDateTime::now().date()
}

/// Reads the list, and the logs where an amount must be known.
fn look(files: &StockFiles, wanted: &Wanted) -> Stock {
    let lots = list(&files.list);
    // What is left of another ingredient's lot does not matter: it is refused anyway.
    let matters = |lot: &Lot| match &wanted.lot {
        Some((name, ingredient)) => *name == lot.name && *ingredient == lot.ingredient,
        None => true,
    };
    let amounts = match &lots {
        Ok(Some(lots)) => lots.iter().any(|lot| lot.amount.is_some() && matters(lot)),
        Ok(None) | Err(_) => false,
    };
    let (uses, damaged) = if amounts {
        taken(&files.logs, wanted.running.as_deref())
    } else {
        (Ok(Vec::new()), Vec::new())
    };
    let is_batch = |(name, _): &(String, String)| {
        let safe = safe_batch_name(name) == *name;
        safe && files.logs.join(format!("{name}.csv")).is_file()
    };
    Stock {
        lots,
        uses,
        damaged,
        is_batch: wanted.lot.as_ref().is_some_and(is_batch),
        today: today(),
    }
}

fn list(file: &Path) -> Result<Option<Vec<Lot>>, String> {
    match std::fs::symlink_metadata(file) {
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(None),
        Ok(_) | Err(_) => {}
    }
    let text = read_text(file).map_err(|problems| problems.to_string())?;
    let lots = Lot::parse_all(&text, &file.display().to_string());
    lots.map(Some).map_err(|problems| problems.to_string())
}

/// What the logs say was taken, and the logs that are damaged. One processor is left to the loop.
fn taken(logs: &Path, running: Option<&str>) -> (Result<Vec<Use>, String>, Vec<String>) {
    let paths = match record::logs_in(logs) {
        Ok(paths) => paths,
        Err(error) => return (Err(error.to_string()), Vec::new()),
    };
    let of_record = |record: Record| {
        // A row on its way to the disk is no damage.
        let being_written = |fault: &Fault| {
            matches!(fault, Fault::Torn { .. }) && running == Some(record.batch.as_str())
        };
        let fault = record
            .fault
            .as_ref()
            .filter(|bad| !being_written(&bad.fault));
        let fault = fault.map(ToString::to_string);
        (uses_of(&record).collect::<Vec<_>>(), fault)
    };
    let (mut uses, mut damaged) = (Vec::new(), Vec::new());
    for read in folder::read_each(&paths, folder::all_threads() - 1, of_record) {
        match read {
            Ok((more, fault)) => {
                uses.extend(more);
                damaged.extend(fault);
            }
            Err(error) => return (Err(error.to_string()), damaged),
        }
    }
    (Ok(uses), damaged)
}
