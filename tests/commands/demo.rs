//! `bismar demo`: the real binary, in virtual time and once in real time.

use std::io::Read as _;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};

use tempfile::TempDir;

use crate::bench_side::logs::logs_in;
use crate::bench_side::{person, python};

/// What it makes without being told where goes below `home` too.
fn bismar(home: &Path) -> Command {
    let mut command = person::bismar(home);
    command.env("TMPDIR", home);
    command
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8_lossy(bytes).into_owned()
}

/// One demo with its logs in `folder`.
fn demo(folder: &Path, words: &[&str]) -> Output {
    bismar(folder)
        .arg("demo")
        .args(words)
        .arg("--log-dir")
        .arg(folder)
        .stdin(Stdio::null())
        .output()
        .unwrap()
}

fn log_in(folder: &Path) -> PathBuf {
    let mut logs = logs_in(folder);
    assert_eq!(logs.len(), 1, "{logs:?}");
    logs.remove(0)
}

/// The rows by Python's csv module, without what belongs to the moment: batch, time and chain.
fn rows(log: &Path) -> String {
    let script = "import csv, json, sys\n\
                  rows = list(csv.DictReader(open(sys.argv[1], newline='', encoding='utf-8'), strict=True))\n\
                  for row in rows:\n    for key in ('batch', 'at', 'chain'):\n        row[key] = bool(row[key])\n\
                  print(json.dumps(rows))";
    python::asked(script, [log], b"")
}

#[track_caller]
fn verifies(home: &Path, log: &Path) {
    let out = bismar(home)
        .args(["log", "verify"])
        .arg(log)
        .output()
        .unwrap();
    assert!(
        out.status.success(),
        "{}{}",
        text(&out.stdout),
        text(&out.stderr)
    );
}

/// A batch that went to its end with everything that the demo promises.
#[track_caller]
fn complete(home: &Path, log: &Path, out: &Output) {
    let told = format!("{}{}", text(&out.stdout), text(&out.stderr));
    assert_eq!(out.status.code(), Some(0), "{told}");
    assert!(
        told.contains(&log.display().to_string()),
        "the log's path is shown: {told}"
    );
    verifies(home, log);
    let rows: serde_json::Value = serde_json::from_str(&rows(log)).unwrap();
    let rows = rows.as_array().unwrap();
    let count = |kind: &str| rows.iter().filter(|row| row["kind"] == kind).count();
    let steps: std::collections::BTreeSet<&str> = rows
        .iter()
        .filter(|row| row["kind"] == "weighed" && row["verdict"] == "inside")
        .filter_map(|row| row["step"].as_str())
        .collect();
    assert_eq!(steps.len(), 4, "{told}");
    assert!(
        count("taken-out") >= 1,
        "the over-pour is taken out: {told}"
    );
    assert_eq!(count("mixed"), 1, "{told}");
    assert_eq!(rows.last().unwrap()["kind"], "closed");
    assert_eq!(rows.last().unwrap()["note"], "complete", "{told}");
    assert!(
        !told.contains('\x1b'),
        "no colours without a terminal: {told:?}"
    );
}

/// What is printed, but for the log's folder and name.
fn told(out: &Output, folder: &Path) -> String {
    let text = text(&out.stdout).replace(&folder.display().to_string(), "FOLDER");
    let lines = text.lines().filter(|line| !line.contains("FOLDER"));
    lines.collect::<Vec<_>>().join("\n")
}

#[test]
fn the_same_seed_gives_the_same_course() {
    for seed in ["7", "1", "2", "4", "11", "40"] {
        let folders: [TempDir; 2] = std::array::from_fn(|_| tempfile::tempdir().unwrap());
        let [first, second] = &folders;
        let outs = [first, second].map(|folder| demo(folder.path(), &["--fast", "--seed", seed]));
        assert_eq!(
            told(&outs[0], first.path()),
            told(&outs[1], second.path()),
            "seed {seed}"
        );
        let logs = [first, second].map(|folder| log_in(folder.path()));
        assert_eq!(rows(&logs[0]), rows(&logs[1]), "seed {seed}");
        complete(first.path(), &logs[0], &outs[0]);
    }
}

/// What `bismar demo` writes to a terminal of 80 columns, by Python's pty module.
fn on_a_terminal(home: &Path, words: &[&str]) -> String {
    let script = "import fcntl, os, pty, struct, subprocess, sys, termios\n\
                  here, there = pty.openpty()\n\
                  fcntl.ioctl(there, termios.TIOCSWINSZ, struct.pack('HHHH', 25, 80, 0, 0))\n\
                  child = subprocess.Popen(sys.argv[1:], stdin=there, stdout=there, stderr=there)\n\
                  os.close(there)\n\
                  while True:\n    try:\n        part = os.read(here, 65536)\n    except OSError:\n        break\n    \
                  if not part:\n        break\n    sys.stdout.buffer.write(part)\n\
                  sys.exit(child.wait())";
    let out = python::python()
        .args(["-c", script, env!("CARGO_BIN_EXE_bismar"), "demo"])
        .args(words)
        .env("HOME", home)
        .env("TMPDIR", home)
        .env("NO_COLOR", "1")
        .output()
        .expect("python3 is needed: apt install python3");
    assert!(out.status.success(), "{}", text(&out.stderr));
    text(&out.stdout)
}

#[test]
fn on_a_terminal_no_word_is_cut_and_in_a_pipe_a_cue_is_one_line() {
    let home = tempfile::tempdir().unwrap();
    let shown = on_a_terminal(home.path(), &["--fast"]);
    // What stands in the end: the live line is rewritten after a carriage return.
    let lines: Vec<&str> = shown
        .lines()
        .map(|line| line.trim_end_matches('\r'))
        .map(|line| line.rsplit_once('\r').map_or(line, |(_, last)| last))
        .collect();
    // A path is not folded: it is there to be copied.
    let told = lines
        .iter()
        .filter(|line| !line.starts_with("The batch log"));
    for line in told {
        assert!(line.chars().count() < 80, "{line:?}");
    }
    let piped = text(&demo(home.path(), &["--fast"]).stdout);
    let mixed = piped.lines().find(|line| line.contains(" mix ")).unwrap();
    assert!(mixed.chars().count() > 80, "{mixed}");
    let words = |text: &str| text.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(words(&lines.join("\n")).contains(&words(mixed)), "{shown}");
}

#[test]
fn another_seed_gives_another_course() {
    let folders: [TempDir; 2] = std::array::from_fn(|_| tempfile::tempdir().unwrap());
    let [first, second] = &folders;
    let one = demo(first.path(), &["--fast", "--seed", "1"]);
    let two = demo(second.path(), &["--fast", "--seed", "2"]);
    assert_ne!(told(&one, first.path()), told(&two, second.path()));
}

#[test]
fn a_reader_that_leaves_early_is_no_panic() {
    for words in [&["--fast"][..], &["--fast", "--seed", "3"]] {
        let folder = tempfile::tempdir().unwrap();
        let mut child = bismar(folder.path())
            .arg("demo")
            .args(words)
            .arg("--log-dir")
            .arg(folder.path())
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        let mut first = [0; 20];
        child.stdout.take().unwrap().read_exact(&mut first).unwrap();
        let out = child.wait_with_output().unwrap();
        let told = text(&out.stderr);
        assert!(!told.contains("panicked"), "{told}");
        assert!(
            out.status.code().is_some_and(|code| code <= 1),
            "{:?} {told}",
            out.status
        );
        // What was weighed is in the log all the same.
        verifies(folder.path(), &log_in(folder.path()));
    }
}

#[test]
fn without_a_log_folder_it_makes_one_of_its_own() {
    let home = tempfile::tempdir().unwrap();
    let out = bismar(home.path())
        .args(["demo", "--fast"])
        .output()
        .unwrap();
    assert_eq!(out.status.code(), Some(0), "{}", text(&out.stderr));
    let made = std::fs::read_dir(home.path())
        .unwrap()
        .flatten()
        .next()
        .unwrap()
        .path();
    complete(home.path(), &log_in(&made), &out);
}

#[test]
fn a_folder_that_cannot_be_had_is_said() {
    let home = tempfile::tempdir().unwrap();
    let file = home.path().join("file");
    std::fs::write(&file, "").unwrap();
    let out = bismar(home.path())
        .args(["demo", "--fast", "--log-dir"])
        .arg(file.join("logs"))
        .output()
        .unwrap();
    assert_eq!(out.status.code(), Some(1));
    assert!(text(&out.stderr).contains("logs"), "{}", text(&out.stderr));
}

/// At the pace of the bench a person sees the live weight, and one clock.
#[test]
fn on_a_terminal_the_weight_is_live_and_the_clock_goes_forward() {
    let home = tempfile::tempdir().unwrap();
    let shown = on_a_terminal(home.path(), &[]);
    let live = shown.matches("on the pan").count();
    assert!(live > 20, "{live} live weights: {shown}");
    let times: Vec<f64> = shown
        .split(['\r', '\n'])
        .filter_map(|line| line.trim().split_once(" s  ")?.0.parse().ok())
        .collect();
    assert!(times.len() > 20, "{shown}");
    // The hands tell what they begin; a cue may have been on its way then.
    let back = times.windows(2).find(|pair| pair[1] < pair[0] - 0.5);
    assert_eq!(back, None, "{times:?}");
}

/// The real daemon on a real pty, at the pace of the bench: about a minute.
#[test]
fn in_real_time_on_a_real_pty_the_batch_is_weighed() {
    let folder = tempfile::tempdir().unwrap();
    let out = demo(folder.path(), &[]);
    complete(folder.path(), &log_in(folder.path()), &out);
    // Nothing but the log and the formula is left behind.
    let mut left: Vec<String> = std::fs::read_dir(folder.path())
        .unwrap()
        .flatten()
        .map(|entry| entry.file_name().to_string_lossy().into_owned())
        .filter(|name| !name.ends_with(".csv") && !name.ends_with(".lock"))
        .collect();
    left.sort();
    assert_eq!(left, ["glasswort-bath-soak.toml"]);
}
