//! A python script that drives a browser: words go in, what it tells comes out, a JSON value a line each.

use std::io::{BufRead as _, BufReader, Write as _};
use std::path::Path;
use std::process::{Child, ChildStdin, Stdio};
use std::sync::mpsc::{Receiver, channel};
use std::sync::{Condvar, Mutex, PoisonError};
use std::time::{Duration, Instant};

use rustix::process::{Pid, Signal, kill_process};
use serde_json::Value;

use super::python::python;

/// One answer may be a dozen runs of a tool.
const LONGEST: Duration = Duration::from_secs(240);

/// Where pictures of the page go.
pub fn pictures() -> String {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("target/page");
    folder.to_str().unwrap().to_owned()
}

/// A browser at a time for each processor: with less than its share, one rightly says that it has heard
/// nothing for 2 s. Taken before anything is begun, so that no batch waits for it.
pub struct Seat(());

static SEATS: (Mutex<usize>, Condvar) = (Mutex::new(0), Condvar::new());

impl Seat {
    pub fn take() -> Seat {
        let all = std::thread::available_parallelism().map_or(1, usize::from);
        let taken = SEATS.0.lock().unwrap();
        let mut taken = SEATS.1.wait_while(taken, |taken| *taken >= all).unwrap();
        *taken += 1;
        Seat(())
    }
}

impl Drop for Seat {
    fn drop(&mut self) {
        // A test that failed elsewhere leaves the count as it is.
        *SEATS.0.lock().unwrap_or_else(PoisonError::into_inner) -= 1;
        SEATS.1.notify_one();
    }
}

/// What holds a number to its unit, as any other space.
pub fn loose(text: &str) -> String {
    loosened(text, "\u{a0}")
}

/// The same, where that space is written as `hard`.
fn loosened(line: &str, hard: &str) -> String {
    let parts: Vec<&str> = line.split(hard).collect();
    let mut text = String::with_capacity(line.len());
    for (i, part) in parts.iter().enumerate() {
        text.push_str(part);
        if i + 1 < parts.len() {
            let unit = |next: &&str| next.starts_with(|c: char| c.is_ascii_lowercase() || c == '%');
            let of_a_number =
                part.ends_with(|c: char| c.is_ascii_digit()) && parts.get(i + 1).is_some_and(unit);
            text.push_str(if of_a_number { " " } else { hard });
        }
    }
    text
}

pub struct Script {
    child: Child,
    /// Free again once the browser has ended.
    _seat: Seat,
    words: Option<ChildStdin>,
    /// What it told, and the moment each came.
    pub lines: Receiver<(Instant, Value)>,
}

impl Script {
    /// `name` in the folder of the page's tests.
    pub fn start(seat: Seat, name: &str, arguments: &[&str]) -> Script {
        let root = Path::new(env!("CARGO_MANIFEST_DIR"));
        let mut child = python()
            .arg(root.join("tests/page").join(name))
            .args(arguments)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .expect("python3 starts (bash .ci/test sets it up)");
        let out = BufReader::new(child.stdout.take().unwrap());
        let (told, lines) = channel();
        std::thread::spawn(move || {
            for line in out.lines().map_while(Result::ok) {
                let line = serde_json::from_str(&loosened(&line, "\\u00a0")).expect("JSON");
                if told.send((Instant::now(), line)).is_err() {
                    return;
                }
            }
        });
        Script {
            _seat: seat,
            words: child.stdin.take(),
            child,
            lines,
        }
    }

    pub fn say(&mut self, word: &Value) {
        let words = self.words.as_mut().unwrap();
        writeln!(words, "{word}").expect("the script takes it");
    }

    /// Has it do something, and gives what it tells of that.
    #[track_caller]
    pub fn does(&mut self, what: &Value) -> Value {
        self.say(what);
        self.answer()
    }

    #[track_caller]
    pub fn answer(&self) -> Value {
        self.lines.recv_timeout(LONGEST).expect("an answer").1
    }

    /// No more words come.
    pub fn no_more(&mut self) {
        self.words = None;
    }
}

impl Drop for Script {
    fn drop(&mut self) {
        // Asked, not killed: it ends its browser first. A script that has just begun to wait for a word may not
        // see the signal; the end of the words it does see.
        self.no_more();
        let _ = kill_process(Pid::from_child(&self.child), Signal::TERM);
        let _ = self.child.wait();
    }
}
