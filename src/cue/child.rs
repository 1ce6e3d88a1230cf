//! One child process at a time: a player or a speaker that is started, watched, and killed with
//! everything it started when its time is over.

use std::ffi::{OsStr, OsString};
use std::future::{Future, pending};
use std::io;
use std::os::unix::fs::PermissionsExt;
use std::os::unix::process::ExitStatusExt;
use std::path::{Path, PathBuf};
use std::process::{ExitStatus, Stdio};
use std::sync::Arc;
use std::time::Duration;

use rustix::process::{Pid, Signal, kill_process_group};
use tokio::process::{Child, Command};
use tokio::time::Instant;

use super::{Inbox, Report, Said};
use crate::vocabulary::cue::Cue;

/// A program with its arguments.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct CommandLine {
    pub program: PathBuf,
    pub arguments: Vec<OsString>,
}

/// Why no program can be started for a cue, with what helps.
#[derive(Debug, thiserror::Error)]
pub(super) enum Unheard {
    #[error("no sound file {0}; see `sounds` in the configuration")]
    NoFile(String),
    #[error("no sound named {name} that {} can play; install sound-theme-freedesktop", program.display())]
    NoSound { name: String, program: PathBuf },
    #[error("aplay plays .wav files only, not {}; install pulseaudio-utils or pipewire", .0.display())]
    NoWave(PathBuf),
    /// Where the daemon works is not known.
    #[error("{}: {error}", file.display())]
    Relative { file: PathBuf, error: io::Error },
    /// None of the programs that speak is there, or none as it was asked for.
    #[error("{0}")]
    NoSpeaker(String),
}

/// The programs that could do a job, in the order in which they are tried; the one that works is kept.
pub(super) struct Programs<K> {
    known: Vec<(PathBuf, K)>,
    /// Which of them works, as far as is known.
    current: usize,
    /// How many were tried in a row without success.
    failed: usize,
}

impl<K> Programs<K> {
    /// Those of `wanted` that are there.
    pub(super) fn find<'n>(
        wanted: impl IntoIterator<Item = (&'n str, K)>,
        path: &OsStr,
    ) -> Programs<K> {
        let wanted = wanted.into_iter();
        Programs {
            known: wanted
                .filter_map(|(name, kind)| Some((find_program(name, path)?, kind)))
                .collect(),
            current: 0,
            failed: 0,
        }
    }

    pub(super) fn is_empty(&self) -> bool {
        self.known.is_empty()
    }

    pub(super) fn current(&self) -> Option<&(PathBuf, K)> {
        self.known.get(self.current)
    }

    /// A new cue: each of them may fail again.
    pub(super) fn try_all(&mut self) {
        self.failed = 0;
    }

    /// The current one did not work. True: there is another one, not tried yet for this cue.
    pub(super) fn next(&mut self) -> bool {
        self.failed += 1;
        self.current = (self.current + 1) % self.known.len().max(1);
        self.failed < self.known.len()
    }
}

/// What to do with a new cue.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Turn {
    /// Nothing is to be heard for it.
    Skip,
    /// Now, in place of what runs.
    Now,
    /// After what runs, unless a newer cue comes first.
    After,
}

/// What is heard for a cue; the running of it is [`run`].
pub(super) trait Job: Send {
    /// `running` is the cue that is being heard.
    fn turn(&mut self, next: &Cue, running: Option<&Cue>, now: Instant) -> Turn;
    /// `Ok(None)`: nothing is to be heard.
    ///
    /// # Errors
    /// Why it cannot be.
    fn command(&self, cue: &Cue) -> Result<Option<CommandLine>, Unheard>;
    /// The command did not work. True: another one is there, ask [`Job::command`] again.
    fn next_program(&mut self) -> bool;
    /// How long one command may take.
    fn limit(&self) -> Duration;
}

/// Runs `job` until the inbox closes, then lets the last command end.
pub(super) async fn run(mut job: impl Job, mut inbox: Inbox, report: Report) {
    let mut running: Option<Running> = None;
    let mut after: Option<Arc<Said>> = None;
    // Since when each command was cut short by the next one.
    let mut unended: Option<Instant> = None;
    let mut open = true;
    while open || running.is_some() {
        tokio::select! {
            changed = inbox.changed(), if open => {
                open = changed.is_ok();
                let said = if open { inbox.borrow_and_update().clone() } else { None };
                let Some(said) = said else { continue };
                let heard = running.as_ref().map(|r| &r.said.cue);
                match job.turn(&said.cue, heard, Instant::now()) {
                    Turn::Skip => {
                        after = None;
                        if running.is_none() {
                            report.done(said.serial);
                        } else if let Some(running) = &mut running {
                            running.covers = said.serial;
                        }
                    }
                    Turn::After => after = Some(said),
                    Turn::Now => {
                        after = None;
                        if let Some(mut old) = running.take() {
                            let since = *unended.get_or_insert(old.since);
                            if since.elapsed() >= job.limit() {
                                report.failed(format!("{} does not come to an end", old.name()), None);
                            }
                            old.kill().await;
                        }
                        running = start(&mut job, &said, &report);
                    }
                }
            }
            end = ended(&mut running) => {
                let Some(old) = running.take() else { continue };
                unended = None;
                running = match end {
                    End::Well => {
                        report.fine();
                        report.done(old.covers);
                        None
                    }
                    End::Badly(why) => again(&mut job, &old.said, why, &report),
                    End::TooLong => {
                        let why = format!("{} took too long and was stopped", old.name());
                        let mut old = old;
                        old.kill().await;
                        report.failed(why.to_string(), None);
                        report.done(old.covers);
                        None
                    }
                };
                if running.is_none() && let Some(said) = after.take() {
                    running = start(&mut job, &said, &report);
                }
            }
        }
    }
}

/// Starts the job's command for a cue, going through its programs until one starts.
fn start(job: &mut impl Job, said: &Arc<Said>, report: &Report) -> Option<Running> {
    loop {
        match job.command(&said.cue) {
            Ok(None) => break,
            Ok(Some(line)) => match Running::start(&line, said, job.limit()) {
                Ok(running) => return Some(running),
                Err(error) => {
                    report.failed(format!("{}: {error}", line.program.display()), None);
                    if !job.next_program() {
                        break;
                    }
                }
            },
            Err(why) => {
                report.failed(why.to_string(), None);
                break;
            }
        }
    }
    report.done(said.serial);
    None
}

/// After a command that ended badly: the next program, if there is one.
fn again(job: &mut impl Job, said: &Arc<Said>, why: String, report: &Report) -> Option<Running> {
    report.failed(why.to_string(), None);
    if job.next_program() {
        return start(job, said, report);
    }
    report.done(said.serial);
    None
}

enum End {
    Well,
    Badly(String),
    TooLong,
}

async fn ended(running: &mut Option<Running>) -> End {
    let Some(running) = running else {
        return pending().await;
    };
    match tokio::time::timeout_at(running.until, running.child.wait()).await {
        Err(_) => End::TooLong,
        Ok(Ok(status)) if status.success() => End::Well,
        Ok(Ok(status)) => End::Badly(format!("{} {}", running.name(), in_words(status))),
        Ok(Err(error)) => End::Badly(format!("{}: {error}", running.name())),
    }
}

fn in_words(status: ExitStatus) -> String {
    match (status.code(), status.signal()) {
        (Some(code), _) => format!("ended with code {code}"),
        (None, Some(signal)) => format!("was ended by signal {signal}"),
        (None, None) => "ended in an unknown way".to_owned(),
    }
}

struct Running {
    child: Child,
    program: PathBuf,
    said: Arc<Said>,
    /// Serial up to which cues are done once this has ended.
    covers: u64,
    since: Instant,
    until: Instant,
}

impl Running {
    fn start(line: &CommandLine, said: &Arc<Said>, limit: Duration) -> std::io::Result<Running> {
        let child = Command::new(&line.program)
            .args(&line.arguments)
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            // A group of its own, so that what a wrapper script started is killed with it.
            .process_group(0)
            .kill_on_drop(true)
            .spawn()?;
        let since = Instant::now();
        Ok(Running {
            child,
            program: line.program.clone(),
            said: Arc::clone(said),
            covers: said.serial,
            since,
            until: since + limit,
        })
    }

    fn name(&self) -> String {
        let name = self.program.file_name().unwrap_or(OsStr::new("program"));
        name.to_string_lossy().into_owned()
    }

    fn kill_group(&self) {
        // No id once the child was waited for: its number may belong to another by then.
        let id = self.child.id().and_then(|id| i32::try_from(id).ok());
        if let Some(group) = id.and_then(Pid::from_raw) {
            // It fails only if the group is gone already.
            let _ = kill_process_group(group, Signal::KILL);
        }
    }

    fn kill(&mut self) -> impl Future<Output = ()> {
        self.kill_group();
        async {
            // A killed process ends at once, but one in an uninterruptible wait does not; it is
            // reaped later by the runtime then.
            let _ = tokio::time::timeout(Duration::from_millis(200), self.child.wait()).await;
        }
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        self.kill_group();
    }
}

/// The file of a program: `name` itself if it is a path, else the first executable in `path`.
fn find_program(name: &str, path: &OsStr) -> Option<PathBuf> {
    let executable = |file: &Path| {
        file.metadata()
            .is_ok_and(|m| m.is_file() && m.permissions().mode() & 0o111 != 0)
    };
    if name.contains('/') {
        return Some(PathBuf::from(name)).filter(|file| executable(file));
    }
    std::env::split_paths(path)
        .map(|folder| folder.join(name))
        .find(|file| executable(file))
}

#[cfg(test)]
mod tests {
    use tokio::sync::watch;

    use super::super::{Health, State};
    use super::*;
    use crate::vocabulary::cue::CueKind;

    /// Never comes to an end; with its time limit.
    struct Hang(Duration);

    impl Job for Hang {
        fn turn(&mut self, _next: &Cue, _running: Option<&Cue>, _now: Instant) -> Turn {
            Turn::Now
        }
        fn command(&self, _cue: &Cue) -> Result<Option<CommandLine>, Unheard> {
            Ok(Some(CommandLine {
                program: "/bin/sleep".into(),
                arguments: vec!["1000".into()],
            }))
        }
        fn next_program(&mut self) -> bool {
            false
        }
        fn limit(&self) -> Duration {
            self.0
        }
    }

    fn said(serial: u64) -> Arc<Said> {
        let cue = Cue {
            kind: CueKind::Add,
            say: "".into(),
            step: 1,
            missing: None,
            choices: Vec::new(),
            urgent: false,
            lead: 0,
            asks: None,
        };
        Arc::new(Said {
            serial,
            question: 1,
            cue,
        })
    }

    fn report() -> (Report, watch::Receiver<State>) {
        let (state, seen) = watch::channel(State::default());
        let output = "sound";
        (Report { output, state }, seen)
    }

    fn runtime() -> tokio::runtime::Runtime {
        tokio::runtime::Builder::new_current_thread()
            .enable_all()
            .build()
            .unwrap()
    }

    #[test]
    fn a_program_that_takes_too_long_is_stopped_and_said() {
        runtime().block_on(async {
            let (inbox, receiver) = watch::channel(None);
            let (report, seen) = report();
            inbox.send_replace(Some(said(7)));
            drop(inbox);
            // It returns only when its child is gone.
            let all = run(Hang(Duration::from_millis(30)), receiver, report);
            tokio::time::timeout(Duration::from_secs(20), all)
                .await
                .unwrap();
            let state = seen.borrow().clone();
            assert_eq!(state.done, 7);
            assert!(
                matches!(&state.health, Health::Failed { why, again: None }
                    if why == "sleep took too long and was stopped"),
                "{state:?}"
            );
        });
    }

    #[test]
    fn a_program_that_hangs_is_said_also_when_the_next_cue_always_comes_first() {
        runtime().block_on(async {
            let (inbox, receiver) = watch::channel(None);
            let (report, seen) = report();
            let task = tokio::spawn(run(Hang(Duration::from_millis(500)), receiver, report));
            let is_said = || matches!(&seen.borrow().health, Health::Failed { why, .. } if why == "sleep does not come to an end");
            for serial in 1..2000 {
                inbox.send_replace(Some(said(serial)));
                tokio::time::sleep(Duration::from_millis(10)).await;
                if is_said() {
                    break;
                }
            }
            assert!(is_said(), "{:?}", seen.borrow());
            task.abort();
        });
    }
}
