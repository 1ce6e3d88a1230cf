//! From a cue to the maker's eyes and ears.
//!
//! [`CueHub::say`] never waits and never fails. Each output (desktop, sound, speech) is a task of
//! its own with room for one cue, the latest: a slow, dead or hung output delays neither a reading
//! nor another output. A cue output is never the only place where a state is shown.

mod bus;
mod child;
mod desktop;
mod message;
mod sound;
mod speech;
pub mod terminal;

use std::ffi::OsString;
use std::future::Future;
use std::path::PathBuf;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use tokio::sync::watch;
use tokio::task::JoinHandle;
use tokio::time::Instant;

use crate::config::CueConfig;
use crate::language::{Language, Term, term};
use crate::text::misleads;
use crate::vocabulary::command::Choice;
use crate::vocabulary::cue::{Ask, Cue, CueKind};
use crate::vocabulary::status::OutputStatus;

/// What the desktop button of a choice says: the page's key of it, and the word that the sentences ask for.
pub const fn choice_label(choice: Choice) -> Term {
    match choice {
        Choice::Next => term!("Next"),
        Choice::Again => term!("Again"),
        Choice::Keep => term!("Keep"),
        Choice::Undo => term!("Undo"),
        Choice::Cancel => term!("Cancel"),
    }
}

/// How an answer that takes more than a word is given by a command.
pub const fn ask_command(ask: Ask) -> Option<Term> {
    match ask {
        Ask::Lot => Some(term!("Name its lot: bismar lot LOT")),
        Ask::Remedy => Some(term!("See what mends it: bismar remedy")),
        Ask::Other => None,
    }
}

/// A cue on its way, numbered.
#[derive(Debug)]
struct Said {
    /// Counts every cue.
    serial: u64,
    /// Counts what is asked: the same while kind, step and choices stay the same, so that a button
    /// still answers after its number was brought up to date, but never answers another question.
    question: u64,
    cue: Cue,
}

/// Room for one cue, the latest.
type Inbox = watch::Receiver<Option<Arc<Said>>>;

/// One way to reach the maker. It runs until the inbox closes and deals with trouble by itself.
trait Output: Send + 'static {
    const NAME: &'static str;
    fn run(self, inbox: Inbox, report: Report) -> impl Future<Output = ()> + Send;
}

/// How an output fares.
#[derive(Debug, Clone, Default)]
struct State {
    health: Health,
    /// Serial of the last cue that was dealt with, well or badly.
    done: u64,
}

#[derive(Debug, Clone, Default)]
enum Health {
    #[default]
    Untried,
    Fine,
    Failed {
        why: String,
        /// When it is tried again by itself; `None`: at the next cue.
        again: Option<Instant>,
    },
}

/// Where an output says how it fares.
#[derive(Clone)]
struct Report {
    output: &'static str,
    state: watch::Sender<State>,
}

impl Report {
    fn fine(&self) {
        self.state.send_modify(|s| s.health = Health::Fine);
    }

    /// Logged when the reason is new, so that a lasting trouble is said once.
    fn failed(&self, why: String, again: Option<Instant>) {
        let new = match &self.state.borrow().health {
            Health::Failed { why: before, .. } => *before != why,
            Health::Untried | Health::Fine => true,
        };
        if new {
            tracing::warn!(output = self.output, reason = %why, "cue output not working");
        }
        self.state
            .send_modify(|s| s.health = Health::Failed { why, again });
    }

    fn done(&self, serial: u64) {
        self.state.send_modify(|s| s.done = s.done.max(serial));
    }
}

/// Where the outside is found. [`Surroundings::of_process`] for real use; tests name their own.
#[derive(Debug, Clone, Default)]
pub struct Surroundings {
    /// Folders searched for players and speakers, as in `PATH`.
    pub path: OsString,
    /// Folders that hold `sounds/<theme>`, most important first (XDG base directories).
    pub data_dirs: Vec<PathBuf>,
    /// D-Bus address of the session bus; `None`: the process's own.
    pub bus: Option<String>,
    /// A file in a folder of this session, for what is on the screen; `None`: it is not noted.
    pub note: Option<PathBuf>,
    /// What the maker reads and hears.
    pub language: Language,
}

impl Surroundings {
    /// From `PATH`, `XDG_DATA_HOME` and `XDG_DATA_DIRS` with their defaults (XDG Base Directory
    /// Specification 0.8).
    pub fn of_process() -> Surroundings {
        let set = |name| std::env::var_os(name).filter(|v| !v.is_empty());
        let home = set("XDG_DATA_HOME")
            .map(PathBuf::from)
            .or_else(|| set("HOME").map(|home| PathBuf::from(home).join(".local").join("share")));
        let rest = set("XDG_DATA_DIRS").unwrap_or_else(|| "/usr/local/share:/usr/share".into());
        Surroundings {
            path: set("PATH").unwrap_or_else(|| "/usr/local/bin:/usr/bin:/bin".into()),
            data_dirs: home
                .into_iter()
                .chain(std::env::split_paths(&rest))
                .collect(),
            bus: None,
            note: set("XDG_RUNTIME_DIR")
                .map(|folder| PathBuf::from(folder).join("bismar").join("notification")),
            language: Language::English,
        }
    }
}

struct Running {
    name: &'static str,
    inbox: watch::Sender<Option<Arc<Said>>>,
    state: watch::Receiver<State>,
    task: JoinHandle<()>,
}

#[derive(Default)]
struct Count {
    serial: u64,
    question: u64,
    last: Option<(CueKind, usize, Vec<Choice>)>,
}

/// The way of every cue to the outputs that the configuration turns on.
///
/// Dropping it ends all outputs at once, children included; [`CueHub::close`] lets them finish.
pub struct CueHub {
    count: Mutex<Count>,
    outputs: Vec<Running>,
    record: Option<Record>,
    language: Language,
}

impl CueHub {
    /// Starts the outputs as tasks of the current tokio runtime. `on_choice` is called, from such a
    /// task, when the maker presses a notification's button; it must not block.
    ///
    /// # Panics
    /// Outside a tokio runtime.
    pub fn start(config: &CueConfig, on_choice: impl Fn(Choice) + Send + Sync + 'static) -> CueHub {
        CueHub::start_in(config, &Surroundings::of_process(), on_choice)
    }

    /// As [`CueHub::start`], with the outside named.
    ///
    /// # Panics
    /// Outside a tokio runtime.
    pub fn start_in(
        config: &CueConfig,
        around: &Surroundings,
        on_choice: impl Fn(Choice) + Send + Sync + 'static,
    ) -> CueHub {
        let mut hub = CueHub {
            count: Mutex::default(),
            outputs: Vec::new(),
            record: None,
            language: around.language,
        };
        let sound = config.sound.then(|| sound::Sound::new(config, around));
        if config.desktop {
            // Who sounds: we do if we can; else the notification server is asked to. Never both.
            let theirs = match &sound {
                Some(sound) if !sound.can_play() => message::ServerSound::Asked(sound.names()),
                Some(_) | None => message::ServerSound::Silent,
            };
            hub.add(desktop::Desktop::new(theirs, Arc::new(on_choice), around));
        }
        if let Some(sound) = sound {
            hub.add(sound);
        }
        if config.speech {
            hub.add(speech::Speech::new(config, around));
        }
        hub
    }

    /// A hub that only keeps what is said, for tests of what speaks through it.
    pub fn recording() -> (CueHub, Record) {
        let record = Record::default();
        let hub = CueHub {
            count: Mutex::default(),
            outputs: Vec::new(),
            record: Some(record.clone()),
            language: Language::English,
        };
        (hub, record)
    }

    fn add<O: Output>(&mut self, output: O) {
        let (inbox, receiver) = watch::channel(None);
        let (sender, state) = watch::channel(State::default());
        let report = Report {
            output: O::NAME,
            state: sender,
        };
        self.outputs.push(Running {
            name: O::NAME,
            inbox,
            state,
            task: tokio::spawn(output.run(receiver, report)),
        });
    }

    /// Gives `cue` to every output. Never waits, never fails; a cue that an output has not yet
    /// taken up is replaced.
    pub fn say(&self, cue: &Cue) {
        if let Some(record) = &self.record {
            record.lock().push(cue.clone());
        }
        let said = {
            let mut count = self.count.lock().unwrap_or_else(PoisonError::into_inner);
            let asked = (cue.kind, cue.step, cue.choices.clone());
            count.serial += 1;
            if count.last.as_ref() != Some(&asked) {
                count.question += 1;
                count.last = Some(asked);
            }
            Arc::new(Said {
                serial: count.serial,
                question: count.question,
                cue: Cue {
                    say: cue.say.put_into(self.language),
                    ..cue.clone()
                },
            })
        };
        for output in &self.outputs {
            output.inbox.send_replace(Some(Arc::clone(&said)));
        }
    }

    /// How each output fares. Outputs that are turned off are not in it.
    pub fn status(&self) -> Vec<OutputStatus> {
        let now = Instant::now();
        self.outputs
            .iter()
            .map(|o| describe(o.name, &o.state.borrow().health, now))
            .collect()
    }

    /// Waits until every output has dealt with the last cue, for better or worse, but not longer
    /// than `limit`. Returns whether all have.
    pub async fn settled(&self, limit: Duration) -> bool {
        let last = self
            .count
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .serial;
        let all = async {
            for output in &self.outputs {
                let mut state = output.state.clone();
                // An error means that the output's task is gone: nothing more to wait for.
                let _ = state.wait_for(|s| s.done >= last).await;
            }
        };
        tokio::time::timeout(limit, all).await.is_ok()
    }

    /// Ends the outputs after their last cue (a sound is heard out, a question's buttons are taken
    /// from the screen), at the latest after `limit`.
    pub async fn close(mut self, limit: Duration) {
        let end = Instant::now() + limit;
        for output in std::mem::take(&mut self.outputs) {
            let Running { inbox, task, .. } = output;
            drop(inbox);
            let stop = task.abort_handle();
            // A task that panicked or was cancelled has ended too.
            let _ = tokio::time::timeout_at(end, task).await;
            stop.abort();
        }
    }
}

impl Drop for CueHub {
    fn drop(&mut self) {
        for output in &self.outputs {
            output.task.abort();
        }
    }
}

fn describe(output: &'static str, health: &Health, now: Instant) -> OutputStatus {
    let (ok, state) = match health {
        Health::Untried => (true, "not used yet".to_owned()),
        Health::Fine => (true, "ok".to_owned()),
        Health::Failed { why, again: None } => (false, why.clone()),
        Health::Failed {
            why,
            again: Some(again),
        } => {
            let left = again
                .saturating_duration_since(now)
                .as_millis()
                .div_ceil(1000);
            (false, format!("{why}, trying again in {left} s"))
        }
    };
    OutputStatus {
        output: output.to_owned(),
        ok,
        state,
    }
}

/// What a recording hub was told, in order.
#[derive(Debug, Clone, Default)]
pub struct Record(Arc<Mutex<Vec<Cue>>>);

impl Record {
    /// All cues so far.
    pub fn cues(&self) -> Vec<Cue> {
        self.lock().clone()
    }

    fn lock(&self) -> std::sync::MutexGuard<'_, Vec<Cue>> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// Text for people: one line, without control characters and marks that turn its direction, at most
/// `most` characters.
fn plain(text: &str, most: usize) -> String {
    let mut chars = text.chars().map(|c| if misleads(c) { ' ' } else { c });
    let mut out: String = chars.by_ref().take(most).collect();
    if chars.next().is_some() {
        out.pop();
        out.push('…');
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_failed_output_says_when_it_is_tried_again() {
        let now = Instant::now();
        let health = Health::Failed {
            why: "no notification server: nobody answers".to_owned(),
            again: Some(now + Duration::from_millis(29_100)),
        };
        let status = describe("desktop", &health, now);
        assert!(!status.ok);
        assert_eq!(
            status.state,
            "no notification server: nobody answers, trying again in 30 s"
        );
    }

    #[test]
    fn plain_text_keeps_no_control_characters_and_a_bounded_length() {
        assert_eq!(plain("a\u{1b}[31m\nb\0", 80), "a [31m b ");
        assert_eq!(plain("abcdef", 4), "abc…");
        assert_eq!(plain("abcd", 4), "abcd");
        assert_eq!(plain("", 4), "");
    }
}
