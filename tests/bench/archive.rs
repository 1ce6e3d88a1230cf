//! How long the questions of a folder of logs take: the first time, and with the index; beside SQLite and DuckDB over the
//! same files (`archive.py`), and the mere bytes. 10,000 logs; `BISMAR_BENCH_LOGS` takes as many as it says. DuckDB is asked
//! where `BISMAR_BENCH_PYTHON`, or `python3`, has it. Printed, not asserted.

use std::path::Path;
use std::process::Command;
use std::time::Instant;

use bismar::journal::format::chain;
use bismar::journal::format::opening::Opening;
use bismar::journal::format::row::{Row, Stamp, header};
use bismar::journal::read::folder;
use bismar::mass::Mass;
use bismar::vocabulary::entry::{Draft, RowKind};

/// Every tenth batch is a premix that the nine after it take from.
fn write_logs(dir: &Path, count: usize) {
    let text = include_str!("../../config/formulas/glasswort-bath-soak.toml");
    let opening = Opening {
        text: text.into(),
        batch: Mass::from_g(360),
        jars: Some((6, Mass::from_g(60))),
    };
    for n in 0..count {
        let batch = format!("soak-{n}");
        let mut drafts = opening.drafts("Glasswort bath soak 1.0").unwrap().to_vec();
        for step in 1..=4 {
            let premix = step == 4 && n % 10 != 0;
            let draft = Draft {
                step,
                ingredient: format!("ingredient {step}"),
                lot: if premix {
                    format!("soak-{}", n - n % 10)
                } else {
                    format!("L-{step}-{}", n / 500)
                },
                net: Some(Mass::from_g(90)),
                target: Some(Mass::from_g(90)),
                ..Draft::new(RowKind::Weighed, "")
            };
            drafts.push(draft);
        }
        std::fs::write(dir.join(format!("{batch}.csv")), log_text(&batch, &drafts)).unwrap();
    }
}

/// Each lot that the logs name, of a ton.
fn write_lots(file: &Path, count: usize) {
    let of_lot = |step: usize, lot: usize| {
        format!(
            "[[lot]]\nname = \"L-{step}-{lot}\"\ningredient = \"ingredient {step}\"\namount = \"1000 kg\"\n"
        )
    };
    let lots = (0..count.div_ceil(500)).flat_map(|lot| (1..=4).map(move |step| of_lot(step, lot)));
    std::fs::write(file, lots.collect::<String>()).unwrap();
}

/// A whole log without the writer, which waits for the disk at each row.
fn log_text(batch: &str, drafts: &[Draft]) -> Vec<u8> {
    let mut text = format!("{}\n", header()).into_bytes();
    let mut previous = chain::start(batch);
    for (seq, draft) in (1..).zip(drafts) {
        let stamp = Stamp {
            batch,
            seq,
            at: jiff::Timestamp::UNIX_EPOCH,
            formula: "Glasswort bath soak 1.0",
        };
        let row = Row::from_draft(draft, stamp).sealed(&previous);
        text.extend(row.line());
        previous = row.chain;
    }
    text
}

/// Side by side, round by round, so that what else the machine does is shared.
fn compare(dir: &Path) {
    let paths = folder::batches_in(dir).unwrap();
    let all = folder::all_threads();
    let timed = |work: &dyn Fn() -> usize| {
        let begun = Instant::now();
        assert_eq!(work(), paths.len());
        begun.elapsed()
    };
    let proved = |threads| {
        let read = folder::read_each(&paths, threads, |record| record.is_proved());
        read.iter().filter(|read| matches!(read, Ok(true))).count()
    };
    for round in 1..=5 {
        let bytes = timed(&|| paths.iter().flat_map(std::fs::read).count());
        let (one, many) = (timed(&|| proved(1)), timed(&|| proved(all)));
        let ratio = |time: std::time::Duration| time.as_secs_f64() / one.as_secs_f64();
        println!(
            "round {round}: bytes alone {bytes:?} ({:.2}), proved by one thread {one:?} (1), by {all} \
             {many:?} ({:.2})",
            ratio(bytes),
            ratio(many)
        );
    }
}

/// A command in a home of its own, and how long it took.
fn timed(home: &Path, program: &str, args: &[&str]) -> Option<f64> {
    let begun = Instant::now();
    let done = Command::new(program)
        .env("HOME", home)
        .env_remove("XDG_CACHE_HOME")
        .args(args)
        .output();
    let done = done.expect("the program runs");
    done.status.success().then(|| begun.elapsed().as_secs_f64())
}

fn main() {
    let (dir, home) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    let logs = dir.path().join("logs");
    std::fs::create_dir(&logs).unwrap();
    let lots = dir.path().join("lots.toml");
    let count = std::env::var("BISMAR_BENCH_LOGS")
        .ok()
        .and_then(|n| n.parse().ok())
        .unwrap_or(10_000);
    write_logs(&logs, count);
    write_lots(&lots, count);
    compare(&logs);
    // What was written in the last seconds is not kept.
    std::thread::sleep(std::time::Duration::from_secs(4));
    let (folder, lots) = (logs.to_str().unwrap(), lots.to_str().unwrap());
    let python = std::env::var("BISMAR_BENCH_PYTHON").unwrap_or_else(|_| "python3".into());
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/bench/archive.py");
    println!(
        "\nseconds, and times what bismar takes with its index, over {count} logs; best of three"
    );
    println!(
        "| question | bismar, first time | bismar | SQLite, files read | SQLite, loaded before | DuckDB, files read |"
    );
    println!("| --- | ---: | ---: | ---: | ---: | ---: |");
    for (question, name, args) in [
        ("trace", "L-4-1", vec!["trace", "L-4-1", "--logs", folder]),
        (
            "trace",
            "soak-4320",
            vec!["trace", "soak-4320", "--logs", folder],
        ),
        ("lots", "", vec!["lots", "--logs", folder, "--lots", lots]),
        (
            "history",
            "ingredient 3",
            vec!["history", "ingredient 3", "--logs", folder],
        ),
    ] {
        let best = |program: &str, args: &[&str]| {
            let times = (0..3).filter_map(|_| timed(home.path(), program, args));
            times.min_by(f64::total_cmp)
        };
        let _ = std::fs::remove_dir_all(home.path().join(".cache"));
        let bismar = env!("CARGO_BIN_EXE_bismar");
        let first = timed(home.path(), bismar, &args);
        let ours = best(bismar, &args);
        let other = |way: &str| best(&python, &[script, way, question, folder, name]);
        let cell = |time: Option<f64>| match (time, ours) {
            (Some(time), Some(ours)) => format!("{time:.3} ({:.1})", time / ours),
            _ => "-".to_owned(),
        };
        println!(
            "| {question} {name} | {} | {} | {} | {} | {} |",
            cell(first),
            cell(ours),
            cell(other("sqlite")),
            cell(other("loaded")),
            cell(other("duckdb"))
        );
    }
}
