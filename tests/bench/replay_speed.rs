//! How many readings a second `replay` takes through the whole engine, with the log on the disk,
//! beside a Python loop that only takes the numbers out of the same file.
//!
//! 2 million lines of a 16-character layout at 50 a second: a bench where one step after the other is
//! weighed. Nothing is asserted; with `BISMAR_BENCH_SECONDS` 50,000 lines are taken a second of it.

mod load;

use std::fmt::Write as _;
use std::fs::File;
use std::io::{BufWriter, Write as _};
use std::path::Path;
use std::process::Command;
use std::time::Instant;

use load::{Bench, Pace, equal_steps};

const RATE: f64 = 50.0;

/// Only the number, and the largest of them; nothing of what the engine does.
const PLAIN_LOOP: &str = r"
import re, sys
form = re.compile(r'([0-9.]+)\t([+-]) +([0-9.]+) (\w*)')
count, most = 0, 0.0
for line in open(sys.argv[1], encoding='ascii'):
    found = form.match(line)
    if found:
        number = float(found.group(3)) * (-1 if found.group(2) == '-' else 1)
        most = max(most, number)
        count += 1
print(count, most)
";

fn main() {
    let lines = load::seconds(40) as usize * 50_000;
    let folder = tempfile::tempdir().expect("a folder");
    let capture = folder.path().join("long.capture");
    let formula = folder.path().join("bench-mix.toml");
    let steps = write_capture(&capture, lines);
    std::fs::write(&formula, equal_steps(steps)).expect("the formula is written");
    println!(
        "\nreplay of {lines} lines, {steps} steps; {}",
        load::machine()
    );
    println!(
        "| what | lines/s by the clock | lines/s of one core's time | times the Python loop |"
    );
    println!("| --- | ---: | ---: | ---: |");
    let replay = |events: bool| {
        let log = folder.path().join("long.csv");
        let mut command = Command::new(env!("CARGO_BIN_EXE_bismar"));
        command
            .arg("replay")
            .arg(&capture)
            .arg("--formula")
            .arg(&formula);
        command.args(["--batch", &format!("{}g", steps * 100)]);
        command.arg("--log").arg(&log);
        if events {
            command
                .arg("--events")
                .arg(folder.path().join("long.jsonl"));
        }
        let took = run(&mut command);
        let text = std::fs::read_to_string(&log).expect("the log is there");
        let weighed = text.lines().filter(|row| row.contains(",weighed,")).count();
        assert_eq!(weighed, steps, "steps recorded");
        took
    };
    let mut python = Command::new("python3");
    python.args(["-c", PLAIN_LOOP]).arg(&capture);
    let plain = run(&mut python);
    for (what, took) in [
        ("bismar replay", replay(false)),
        ("bismar replay --events", replay(true)),
        ("Python loop, numbers only", plain),
    ] {
        println!(
            "| {what} | {:.0} | {:.0} | {:.1} |",
            lines as f64 / took.clock,
            lines as f64 / took.processor,
            plain.clock / took.clock
        );
    }
}

/// Writes the capture; returns how many steps were weighed to their end in it.
fn write_capture(path: &Path, lines: usize) -> usize {
    let mut out = BufWriter::new(File::create(path).expect("the capture is made"));
    out.write_all(b"# bismar capture 1\n").expect("written");
    let mut bench = Bench::new(RATE);
    let mut record = String::new();
    for n in 0..lines {
        let line = bench.next(Pace::Calm);
        record.clear();
        let micros = n as u64 * 20_000;
        let (whole, part) = (micros / 1_000_000, micros % 1_000_000);
        writeln!(
            record,
            "{whole}.{part:06}\t{}\\r\\n",
            line.trim_end_matches(['\r', '\n'])
        )
        .expect("text");
        out.write_all(record.as_bytes()).expect("written");
    }
    out.flush().expect("written");
    bench.steps_done()
}

#[derive(Clone, Copy)]
struct Took {
    clock: f64,
    processor: f64,
}

/// Runs a child to its end. Its processor time is what the children of this process have used more
/// than before (proc(5), fields 16 and 17 of stat, in hundredths of a second).
fn run(command: &mut Command) -> Took {
    let before = children_seconds();
    let began = Instant::now();
    let done = command.output().expect("the program runs");
    let clock = began.elapsed().as_secs_f64();
    assert!(
        matches!(done.status.code(), Some(0 | 3)),
        "{}",
        String::from_utf8_lossy(&done.stderr)
    );
    Took {
        clock,
        processor: children_seconds() - before,
    }
}

fn children_seconds() -> f64 {
    let stat = std::fs::read_to_string("/proc/self/stat").unwrap_or_default();
    let after_name = stat.rsplit(')').next().unwrap_or_default();
    let ticks: f64 = after_name
        .split_whitespace()
        .skip(13)
        .take(2)
        .filter_map(|ticks| ticks.parse::<f64>().ok())
        .sum();
    ticks / 100.0
}
