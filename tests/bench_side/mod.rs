//! The real daemon as a child process, and a scale on a pty that shows what it is told.
#![allow(dead_code, reason = "each test program uses a part")]

pub mod agreed;
pub mod announced;
pub mod crowd;
pub mod desk;
pub mod faults;
pub mod formulas;
pub mod logs;
pub mod marked;
pub mod person;
pub mod preload;
pub mod pty;
pub mod python;
pub mod rig;
pub mod scale;
pub mod script;
pub mod served;
pub mod small_disk;
pub mod told;

use std::io::{BufRead as _, BufReader};
use std::net::TcpListener;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::atomic::{AtomicBool, AtomicI64, AtomicU32, Ordering};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use bismar::protocol::client::{Client, ClientError};
use bismar::protocol::event::{self, Told};
use bismar::rehearsal::pty::PtyLine;
use bismar::scale::settings::{PortSelector, ScaleSettings};
use bismar::vocabulary::weight::Weight;
use bismar::weighing::event::{Event, Live};
use person::Person;
use rustix::process::{Pid, Signal, kill_process};

/// Nothing takes longer than this, however slow the machine is.
pub const LONGEST: Duration = Duration::from_secs(60);

/// The configuration file of one scale and no outputs.
pub fn config(port: &Path, readability: &str) -> String {
    format!(
        "[[scale]]\nname = \"bench\"\nport = \"{}\"\nlayout = \"sign-number-unit-16\"\n\
         readability = \"{readability}\"\n\
         [weighing]\nsteady_window = 0.4\ndwell = 0.1\n\
         [cues]\ndesktop = false\nsound = false\n",
        port.display()
    )
}

/// The configuration of a scale as a value: what a file without further words gives.
pub fn scale_config(name: &str, port: &Path, layout: &str) -> ScaleSettings {
    ScaleSettings::new(name, PortSelector::Path(port.display().to_string()), layout)
}

/// A person at a bench: a pan on a pty, the usual configuration, and `formula` as `soak.toml`.
pub fn bench(formula: &str) -> (Person, Pan) {
    let person = Person::new();
    let pan = Pan::start(person.path("scale"));
    person.configures(&config(&person.path("scale"), "0.01 g"));
    person.file("soak.toml", formula);
    (person, pan)
}

/// A TCP port for the page. It lies below those that Linux hands out by itself (ip_local_port_range begins
/// at 32768), so that no other test's connection takes it meanwhile.
pub fn free_port() -> u16 {
    static TAKEN: AtomicU32 = AtomicU32::new(0);
    loop {
        let count = TAKEN.fetch_add(1, Ordering::Relaxed);
        let port = 20_000 + (std::process::id() * 61 + count) % 12_000;
        let port = u16::try_from(port).unwrap();
        if TcpListener::bind(("127.0.0.1", port)).is_ok() {
            return port;
        }
    }
}

/// The socket is taken before all else, and lets in before anything is served: only an answer says that the page is too.
fn answers(person: &Person) -> bool {
    let Ok(mut client) = Client::connect_to(&person.socket()) else {
        return false;
    };
    matches!(client.status(), Ok(_) | Err(ClientError::Refused(_)))
}

/// A running daemon; its log is kept for messages. Killed when dropped.
pub struct Daemon {
    pub child: Child,
    pub log: Arc<Mutex<String>>,
}

impl Daemon {
    pub fn start(person: &Person) -> Daemon {
        Daemon::spawn(person.command(&["daemon"]), person)
    }

    pub fn spawn(mut command: Command, person: &Person) -> Daemon {
        let mut child = command
            .stderr(Stdio::piped())
            .spawn()
            .expect("the daemon starts");
        let log = Arc::new(Mutex::new(String::new()));
        let (stderr, kept) = (child.stderr.take().unwrap(), Arc::clone(&log));
        std::thread::spawn(move || {
            for line in BufReader::new(stderr).lines().map_while(Result::ok) {
                let mut log = kept.lock().unwrap();
                log.push_str(&line);
                log.push('\n');
            }
        });
        let daemon = Daemon { child, log };
        daemon.until(|| answers(person));
        daemon
    }

    pub fn log(&self) -> String {
        self.log.lock().unwrap().clone()
    }

    #[track_caller]
    pub fn until(&self, mut done: impl FnMut() -> bool) {
        let end = Instant::now() + LONGEST;
        while !done() {
            assert!(
                Instant::now() < end,
                "waited too long; its log:\n{}",
                self.log()
            );
            std::thread::sleep(Duration::from_millis(10));
        }
    }

    pub fn kill(mut self) {
        self.child.kill().unwrap();
        self.child.wait().unwrap();
    }

    pub fn terminate(mut self) -> Option<i32> {
        kill_process(Pid::from_child(&self.child), Signal::TERM).unwrap();
        self.child.wait().unwrap().code()
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        // Ended already, where the test went well.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// This test program once more, as a process of its own that runs the test `name` and no other;
/// `module` is the caller's `module_path!()`.
pub fn again(module: &str, name: &str) -> Command {
    // A test is called by its path inside of its program.
    let inside = module.split_once("::").map_or("", |(_, inside)| inside);
    let mut command = Command::new(std::env::current_exe().expect("this program"));
    command
        .args(["--exact", &format!("{inside}::{name}")])
        .args(["--include-ignored", "--nocapture"]);
    command
}

/// Memory of a process in MiB, by `field` of proc(5).
pub fn memory(id: u32, field: &str) -> f64 {
    let status = std::fs::read_to_string(format!("/proc/{id}/status")).unwrap();
    let line = status.lines().find(|line| line.starts_with(field)).unwrap();
    let kib: f64 = line.split_whitespace().nth(1).unwrap().parse().unwrap();
    kib / 1024.0
}

/// The events of a subscription.
pub fn events(person: &Person) -> impl Iterator<Item = Event> + use<> {
    let client = Client::connect_to(&person.socket()).expect("a client");
    let lines = client.subscribe(true).expect("a subscription");
    lines
        .map_while(Result::ok)
        .filter_map(|line| happened(&line))
}

/// The event of a line at a bench with one scale. The words of a fault and of the tare are the engine's own.
pub fn happened(line: &str) -> Option<Event> {
    let mass = |weight: Option<Weight>| weight.map(|weight| weight.mass);
    let told = Told::read(line.as_bytes()).expect("an event of the protocol");
    Some(match told.event {
        event::Event::Cue(cue) => Event::Cue(cue.into()),
        event::Event::Reading(reading) => Event::Reading(Live {
            scale: 0,
            weight: reading.weight.mass,
            net: mass(reading.net),
            missing: mass(reading.missing),
            steady: reading.steady,
            readability: reading.weight.step,
        }),
        event::Event::Recorded(recorded) => Event::Recorded {
            step: recorded.step,
            ingredient: recorded.ingredient.into_owned(),
            net: recorded.net.mass,
            verdict: recorded.verdict,
            seq: recorded.seq,
            readability: recorded.net.step,
        },
        event::Event::Step(step) => Event::Step {
            step: step.step,
            of: step.of,
            phase: step.phase.into_owned(),
            ingredient: step.ingredient.into_owned(),
            target: step.target.mass,
            low: step.low.mass,
            high: step.high.mass,
            scale: 0,
        },
        event::Event::Closed { complete } => Event::Closed { complete },
        event::Event::Fault(_) | event::Event::Tare(_) => return None,
        event::Event::Other => panic!("an event that this version does not know: {line}"),
    })
}

/// A scale that shows what it is told, 25 lines a second.
pub struct Pan {
    shown: Arc<AtomicI64>,
    stop: Arc<AtomicBool>,
}

impl Pan {
    pub fn start(path: PathBuf) -> Pan {
        let line = PtyLine::open(path).unwrap();
        let pan = Pan {
            shown: Arc::default(),
            stop: Arc::default(),
        };
        let (shown, stop) = (Arc::clone(&pan.shown), Arc::clone(&pan.stop));
        std::thread::spawn(move || {
            while !stop.load(Ordering::Relaxed) {
                let hundredths = shown.load(Ordering::Relaxed);
                let sign = if hundredths < 0 { '-' } else { '+' };
                let number = format!("{:.2}", hundredths.abs() as f64 / 100.0);
                line.write(format!("{sign} {number:>8} g  \r\n").as_bytes());
                std::thread::sleep(Duration::from_millis(40));
            }
        });
        pan
    }

    /// As a hand does it: on or off within a tenth of a second.
    pub fn put(&self, grams: f64) {
        self.shown
            .store((grams * 100.0).round() as i64, Ordering::Relaxed);
    }

    /// A steady stream to `grams`.
    pub fn pour_to(&self, grams: f64) {
        let to = (grams * 100.0).round() as i64;
        let from = self.shown.load(Ordering::Relaxed);
        for part in 1..=10 {
            self.shown
                .store(from + (to - from) * part / 10, Ordering::Relaxed);
            std::thread::sleep(Duration::from_millis(60));
        }
    }
}

impl Drop for Pan {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
    }
}

pub const VESSEL: f64 = 151.20;
