//! The real daemon as a child, with a home of its own and simulated scales on real ptys.

#![allow(dead_code, reason = "each benchmark uses another part")]

use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use bismar::protocol::client::{Client, Events};
use bismar::rehearsal::pty::PtyLine;
use tempfile::TempDir;

use super::load::{equal_steps, line};

/// A running daemon; it ends when this is dropped.
pub struct Live {
    child: Child,
    home: TempDir,
    pub lines: Vec<PtyLine>,
}

impl Live {
    /// Starts `bismar daemon` with `scales` scales of 0.01 g, and waits until it answers and has
    /// every line open. `weighing` is put into the configuration as it is.
    pub fn start(scales: usize, weighing: &str) -> Live {
        let home = tempfile::tempdir().expect("a folder for the daemon's home");
        let mut config = String::new();
        let mut lines = Vec::new();
        for n in 0..scales {
            let link = home.path().join(format!("scale-{n}"));
            lines.push(PtyLine::open(link.clone()).expect("a pty"));
            writeln!(
                config,
                "[[scale]]\nname = \"scale{n}\"\nport = \"{}\"\nlayout = \"sign-number-unit-16\"\n\
                 readability = \"0.01 g\"\ncapacity = \"2000 g\"\n",
                link.display()
            )
            .expect("text");
        }
        config.push_str("[cues]\ndesktop = false\nsound = false\nspeech = false\n");
        config.push_str(weighing);
        let path = home.path().join("config.toml");
        std::fs::write(&path, config).expect("the configuration is written");
        let mut command = bismar(home.path());
        let child = command
            .args(["daemon", "--config"])
            .arg(path)
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .expect("the daemon starts");
        let live = Live { child, home, lines };
        live.wait_for_lines();
        // The first line after opening may be cut, so the daemon throws it away.
        for pty in &live.lines {
            pty.write(line(0.0, true).as_bytes());
        }
        std::thread::sleep(Duration::from_millis(300));
        live
    }

    fn wait_for_lines(&self) {
        let limit = Instant::now() + Duration::from_secs(20);
        loop {
            let open = Client::connect_to(&self.socket())
                .and_then(|mut client| client.status())
                .is_ok_and(|standing| standing.lines.iter().all(|line| line.port.is_some()));
            if open {
                return;
            }
            assert!(Instant::now() < limit, "the daemon does not open its lines");
            std::thread::sleep(Duration::from_millis(50));
        }
    }

    pub fn pid(&self) -> u32 {
        self.child.id()
    }

    fn socket(&self) -> PathBuf {
        self.home.path().join("bismar/control.sock")
    }

    /// Begins a batch of `steps` equal steps of 100 g, as a person does: by the command line.
    pub fn begin(&self, steps: usize) {
        let formula = self.home.path().join("bench-mix.toml");
        std::fs::write(&formula, equal_steps(steps)).expect("the formula is written");
        let grams = format!("{}g", steps * 100);
        let said = bismar(self.home.path())
            .arg("begin")
            .arg(&formula)
            .args(["--batch", &grams])
            .output()
            .expect("bismar begin runs");
        assert!(said.status.success(), "bismar begin: {said:?}");
    }

    /// The events, readings with them.
    pub fn subscribe(&self) -> Events {
        Client::connect_to(&self.socket())
            .and_then(|client| client.subscribe(true))
            .expect("the daemon takes a subscriber")
    }
}

impl Drop for Live {
    fn drop(&mut self) {
        // Already gone is as good.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// `bismar` with everything that it keeps under `home`, and no desktop.
fn bismar(home: &Path) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_bismar"));
    command
        .env("HOME", home)
        .env("XDG_CONFIG_HOME", home.join("config"))
        .env("XDG_DATA_HOME", home.join("data"))
        .env("XDG_RUNTIME_DIR", home)
        .env_remove("DBUS_SESSION_BUS_ADDRESS")
        .env_remove("NOTIFY_SOCKET")
        .env_remove("RUST_LOG");
    command
}

/// Read from `/proc` (proc(5)): memory in MiB, processor time in seconds.
pub struct Cost {
    pub rss: f64,
    pub peak: f64,
    pub pss: f64,
    pub threads: usize,
    pub files: usize,
    pub cpu: f64,
    pub switches: f64,
}

impl Cost {
    pub fn of(pid: u32) -> Cost {
        let proc = Path::new("/proc").join(pid.to_string());
        let read = |name: &str| std::fs::read_to_string(proc.join(name)).unwrap_or_default();
        let status = read("status");
        let (mut cpu, mut switches, mut threads) = (0.0, 0.0, 0);
        for task in std::fs::read_dir(proc.join("task"))
            .into_iter()
            .flatten()
            .flatten()
        {
            let read =
                |name: &str| std::fs::read_to_string(task.path().join(name)).unwrap_or_default();
            // Nanoseconds on a processor; clock ticks would be far too coarse.
            let ran = read("schedstat");
            cpu += ran
                .split(' ')
                .next()
                .and_then(|ns| ns.parse().ok())
                .unwrap_or(0.0)
                / 1e9;
            switches += field(&read("status"), "voluntary_ctxt_switches:");
            threads += 1;
        }
        Cost {
            rss: field(&status, "VmRSS:") / 1024.0,
            peak: field(&status, "VmHWM:") / 1024.0,
            pss: field(&read("smaps_rollup"), "Pss:") / 1024.0,
            threads,
            files: std::fs::read_dir(proc.join("fd")).map_or(0, Iterator::count),
            cpu,
            switches,
        }
    }
}

fn field(text: &str, name: &str) -> f64 {
    text.lines()
        .find_map(|line| line.strip_prefix(name))
        .and_then(|rest| rest.split_whitespace().next())
        .and_then(|number| number.parse().ok())
        .unwrap_or(f64::NAN)
}
