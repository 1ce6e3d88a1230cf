//! From the last byte of a scale's line to what bismar says about it.
//!
//! Four scales on real ptys, 50 lines a second each, the real daemon with a batch under way, and a
//! subscriber on its control socket. Beside it, on the same machine in the same seconds and fed with
//! the same lines: a plain pyserial loop that reads a line, takes the number out with a regular
//! expression and prints it, and a bare copy of bytes from a pty to a pipe, which is what the machine
//! itself takes. `BISMAR_BENCH_SECONDS` sets how long it runs (default 60; `.ci/faults` runs ten
//! minutes). Of the times nothing is asserted; the daemon's memory and open files must stay as they
//! were after the first fifth.
//!
//! The clock starts before the one write of a whole line to the pty, so that the write's own time
//! counts, and stops when the line with the answer has been read.

#[allow(dead_code, reason = "the tests use the rest")]
#[path = "../bench_side/faults.rs"]
mod faults;
mod live;
mod load;

use std::collections::{HashMap, VecDeque};
use std::io::{BufRead as _, BufReader, Read as _, Write as _};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::sync::mpsc::{Receiver, channel};
use std::time::{Duration, Instant};

use bismar::rehearsal::pty::PtyLine;
use live::{Cost, Live};
use load::{Bench, Pace};
use serde_json::Value;

const SCALES: usize = 4;
const RATE: u64 = 50;

/// What most people write first.
const PLAIN_LOOP: &str = r"
import re, sys
import serial
form = re.compile(rb'([+-]) +([0-9.]+) (\w*)')
port = serial.Serial(sys.argv[1], 9600)
print('ready', flush=True)
while True:
    line = port.readline()
    found = form.match(line)
    if found:
        number = float(found.group(2)) * (-1 if found.group(1) == b'-' else 1)
        print(number, found.group(3).decode(), flush=True)
";

fn main() {
    let seconds = load::seconds(60);
    println!(
        "\nlatency: {SCALES} scales x {RATE} lines/s for {seconds} s; {}",
        load::machine()
    );
    // Short rests, so that many lines cause a cue.
    let daemon = Live::start(SCALES, "[weighing]\nsteady_window = 0.3\ndwell = 0.3\n");
    let heard = collect_events(&daemon);
    daemon.begin(40);
    let folder = tempfile::tempdir().expect("a folder");
    let python_line = PtyLine::open(folder.path().join("python")).expect("a pty");
    let copy_line = PtyLine::open(folder.path().join("copy")).expect("a pty");
    let mut python = Python::start(python_line.path());
    let copied = copy(copy_line.path());

    let sent = send(&daemon, &python_line, &copy_line, seconds);
    std::thread::sleep(Duration::from_millis(500));
    let (early, late) = (&sent.early, Cost::of(daemon.pid()));
    python.stop();
    drop(copy_line);
    drop(daemon);

    let heard = Heard::of(&sent.lines, heard.iter());
    let printed = paired(&sent.python, python.times.iter().collect());
    let bare = paired(&sent.copy, copied.iter().collect());
    let mut table = Table::new(&printed);
    table.row("bismar: reading event", &heard.readings);
    table.row("bismar: cue caused by a line", &heard.cues);
    table.row("pyserial loop: printed line", &printed);
    table.row("bare copy, pty to pipe", &bare);
    println!(
        "cues that no line caused (after a row was synced to the disk), not counted above: {}",
        heard.other_cues
    );
    println!(
        "memory after a fifth of the time {:.1} MiB, at the end {:.1} MiB; open files {} and {}; {}",
        early.rss,
        late.rss,
        early.files,
        late.files,
        load::machine()
    );
    assert!(late.rss < early.rss + 4.0, "the memory grows");
    assert_eq!(early.files, late.files, "open files");
    if seconds >= 600 {
        report(seconds, &heard, &printed, early, &late);
    }
}

fn report(seconds: u64, heard: &Heard, printed: &[Duration], early: &Cost, late: &Cost) {
    let [p50, p99, p999, _] = quantiles(&heard.readings);
    let [plain50, plain99, plain999, _] = quantiles(printed);
    faults::report(
        "ten minutes at four scales",
        "50 lines a second each, a batch under way, a subscriber; beside it a plain pyserial loop on the same lines",
        format!("{} lines in {seconds} s", heard.readings.len()),
        "each line gives its reading in order; less than 4 MiB more memory at the end than after a fifth of the time, no open file more",
        format!(
            "line to reading event p50 {p50:.2}, p99 {p99:.2}, p99.9 {p999:.2} ms; the loop {plain50:.2}, {plain99:.2}, \
             {plain999:.2} ms; {:.1} and {:.1} MiB, {} and {} open files",
            early.rss, late.rss, early.files, late.files
        ),
    );
}

/// When each line was written: per scale for the daemon, and for the two others.
struct Sent {
    lines: Vec<VecDeque<(Instant, String)>>,
    python: Vec<Instant>,
    copy: Vec<Instant>,
    /// The daemon after a fifth of the time.
    early: Cost,
}

/// Writes the lines, evenly spread over each fiftieth of a second.
fn send(daemon: &Live, python: &PtyLine, copy: &PtyLine, seconds: u64) -> Sent {
    let mut sent = Sent {
        lines: vec![VecDeque::new(); SCALES],
        python: Vec::new(),
        copy: Vec::new(),
        early: Cost::of(daemon.pid()),
    };
    let mut benches: Vec<Bench> = (0..SCALES).map(|_| Bench::new(RATE as f64)).collect();
    let slot = Duration::from_micros(1_000_000 / RATE / (SCALES as u64 + 2));
    let mut due = Instant::now() + Duration::from_millis(100);
    let put = |line: &PtyLine, text: &str, due: &mut Instant| {
        std::thread::sleep(due.saturating_duration_since(Instant::now()));
        *due += slot;
        let before = Instant::now();
        let written = line.write(text.as_bytes());
        assert_eq!(
            written,
            text.len(),
            "a pty is full: its reader does not read"
        );
        before
    };
    for round in 0..seconds * RATE {
        if round == seconds * RATE / 5 {
            sent.early = Cost::of(daemon.pid());
        }
        let mut text = String::new();
        for (scale, bench) in benches.iter_mut().enumerate().rev() {
            text = bench.next(Pace::Restless);
            let before = put(&daemon.lines[scale], &text, &mut due);
            sent.lines[scale].push_back((before, weight_of(&text)));
        }
        sent.python.push(put(python, &text, &mut due));
        sent.copy.push(put(copy, &text, &mut due));
    }
    sent
}

/// The number of a line as the events write it.
fn weight_of(line: &str) -> String {
    let sign = if line.starts_with('-') { "-" } else { "" };
    let number = line.split_whitespace().nth(1).unwrap_or_default();
    format!("{sign}{number}")
}

/// Reads the event lines in a thread, each with the moment it was there.
fn collect_events(daemon: &Live) -> Receiver<(Instant, String)> {
    let events = daemon.subscribe();
    let (sender, receiver) = channel();
    std::thread::spawn(move || {
        for line in events.map_while(Result::ok) {
            if sender.send((Instant::now(), line)).is_err() {
                return;
            }
        }
    });
    receiver
}

#[derive(Default)]
struct Heard {
    readings: Vec<Duration>,
    cues: Vec<Duration>,
    other_cues: usize,
}

impl Heard {
    /// Pairs the readings with the lines in their order; a cue belongs to the line whose reading has
    /// the same time in the daemon.
    fn of(
        sent: &[VecDeque<(Instant, String)>],
        events: impl Iterator<Item = (Instant, String)>,
    ) -> Heard {
        let mut heard = Heard::default();
        let mut sent = sent.to_vec();
        let mut cues: Vec<(f64, Instant)> = Vec::new();
        let mut caused: HashMap<u64, Instant> = HashMap::new();
        for (at, line) in events {
            let event: Value = serde_json::from_str(&line).expect("an event is JSON");
            let moment = event["at"].as_f64().expect("a time");
            match event["event"].as_str() {
                Some("reading") => {
                    let name = event["scale"].as_str().unwrap_or_default();
                    let scale: usize = name.trim_start_matches("scale").parse().expect("a scale");
                    let (before, weight) = sent[scale].pop_front().expect("a line for it");
                    assert_eq!(
                        event["weight"], weight,
                        "lines and readings are out of step"
                    );
                    heard.readings.push(at - before);
                    if scale == 0 {
                        caused.insert(moment.to_bits(), before);
                    }
                }
                Some("cue") => cues.push((moment, at)),
                _ => {}
            }
        }
        let lost: usize = sent.iter().map(VecDeque::len).sum();
        assert_eq!(lost, 0, "lines without a reading");
        for (moment, at) in cues {
            match caused.get(&moment.to_bits()) {
                Some(before) => heard.cues.push(at - *before),
                None => heard.other_cues += 1,
            }
        }
        heard
    }
}

/// The plain loop, and when each of its lines came.
struct Python {
    child: Child,
    times: Receiver<Instant>,
}

impl Python {
    fn start(port: &Path) -> Python {
        let mut child = Command::new(python_with_pyserial())
            .args(["-u", "-c", PLAIN_LOOP])
            .arg(port)
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .spawn()
            .expect("python3 starts");
        let mut lines = BufReader::new(child.stdout.take().expect("its output")).lines();
        let first = lines.next().and_then(Result::ok);
        assert_eq!(
            first.as_deref(),
            Some("ready"),
            "the pyserial loop does not start"
        );
        let (sender, times) = channel();
        std::thread::spawn(move || {
            while let Some(Ok(_)) = lines.next() {
                if sender.send(Instant::now()).is_err() {
                    return;
                }
            }
        });
        Python { child, times }
    }

    fn stop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// The tests' python has pyserial; without it one is made in a folder of its own.
fn python_with_pyserial() -> String {
    let root = concat!(env!("CARGO_MANIFEST_DIR"), "/target");
    let has = |python: &str| {
        Command::new(python)
            .args(["-c", "import serial"])
            .stderr(Stdio::null())
            .status()
            .is_ok_and(|status| status.success())
    };
    let known = format!("{root}/test-python/bin/python3");
    let own = format!("{root}/bench-python");
    let own_python = format!("{own}/bin/python3");
    for python in [known.as_str(), own_python.as_str(), "python3"] {
        if has(python) {
            return python.to_owned();
        }
    }
    let run = |program: &str, args: &[&str]| {
        let done = Command::new(program).args(args).status();
        assert!(
            done.is_ok_and(|status| status.success()),
            "the comparison needs pyserial: apt install python3-venv, then bash .ci/test --no-run"
        );
    };
    run("python3", &["-m", "venv", &own]);
    run(
        &own_python,
        &["-m", "pip", "install", "--quiet", "pyserial"],
    );
    own_python
}

/// The floor: a thread that reads a pty and writes what came to a pipe; nothing is looked at.
fn copy(port: &Path) -> Receiver<Instant> {
    let mut port = std::fs::File::options()
        .read(true)
        .open(port)
        .expect("the pty opens");
    let (mut out, mut into) = std::io::pipe().expect("a pipe");
    std::thread::spawn(move || {
        let mut buffer = [0; 256];
        while let Ok(count @ 1..) = port.read(&mut buffer) {
            if into.write_all(&buffer[..count]).is_err() {
                return;
            }
        }
    });
    let (sender, times) = channel();
    std::thread::spawn(move || {
        let mut buffer = [0; 256];
        while let Ok(count @ 1..) = out.read(&mut buffer) {
            let now = Instant::now();
            // On a busy machine two lines come as one.
            let lines = buffer[..count].iter().filter(|&&byte| byte == b'\n');
            for _ in lines {
                if sender.send(now).is_err() {
                    return;
                }
            }
        }
    });
    times
}

fn paired(sent: &[Instant], came: Vec<Instant>) -> Vec<Duration> {
    assert!(
        came.len() <= sent.len() && came.len() + 1 >= sent.len(),
        "{} lines gave {} answers",
        sent.len(),
        came.len()
    );
    came.iter()
        .zip(sent)
        .map(|(at, before)| at.saturating_duration_since(*before))
        .collect()
}

/// Prints quantiles in milliseconds, and the ratio to the plain loop.
struct Table {
    plain: [f64; 4],
}

impl Table {
    fn new(plain: &[Duration]) -> Table {
        println!(
            "| milliseconds | answers | p50 | p99 | p99.9 | max | under 1 ms | p50, p99: times faster than the plain loop |"
        );
        println!("| --- | ---: | ---: | ---: | ---: | ---: | ---: | ---: |");
        Table {
            plain: quantiles(plain),
        }
    }

    fn row(&mut self, what: &str, times: &[Duration]) {
        let q = quantiles(times);
        println!(
            "| {what} | {} | {:.3} | {:.3} | {:.3} | {:.3} | {:.2} % | {:.1}, {:.1} |",
            times.len(),
            q[0],
            q[1],
            q[2],
            q[3],
            times.iter().filter(|time| time.as_micros() < 1000).count() as f64 * 100.0
                / times.len() as f64,
            self.plain[0] / q[0],
            self.plain[1] / q[1]
        );
    }
}

/// p50, p99, p99.9 and the largest, by nearest rank.
fn quantiles(times: &[Duration]) -> [f64; 4] {
    let mut sorted: Vec<f64> = times.iter().map(|time| time.as_secs_f64() * 1e3).collect();
    sorted.sort_by(f64::total_cmp);
    [0.5, 0.99, 0.999, 1.0].map(|share| {
        let rank = (share * sorted.len() as f64).ceil() as usize;
        sorted
            .get(rank.saturating_sub(1))
            .copied()
            .unwrap_or(f64::NAN)
    })
}
