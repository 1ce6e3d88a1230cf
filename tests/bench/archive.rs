//! How long the questions of a folder of logs take: the first time, and with the index; beside SQLite and DuckDB over the
//! same files (`archive.py`), and the mere bytes. 10,000 logs of twenty rows and 10 kB; `BISMAR_BENCH_LOGS` takes as many as
//! it says. DuckDB is asked where `BISMAR_BENCH_PYTHON`, or `python3`, has it. `BISMAR_BENCH_DIR` only leaves the logs and
//! their lots in that folder. Printed, not asserted.

use std::path::Path;
use std::process::Command;
use std::time::Instant;

use bismar::journal::format::chain;
use bismar::journal::format::opening::Opening;
use bismar::journal::format::row::{Row, Stamp, header};
use bismar::journal::read::folder;
use bismar::mass::Mass;
use bismar::mass::Unit;
use bismar::vocabulary::entry::{Draft, RowKind, Verdict};

/// Steps of a batch; with a note of the lot before each, a batch has twenty rows.
const STEPS: usize = 8;

/// Eight equal parts; in the soak the last is a batch of the blend.
fn formula(name: &str) -> String {
    let one = |step: usize| {
        let premix = if step == STEPS && name == SOAK {
            "premix = \"Bench blend\"\n"
        } else {
            ""
        };
        format!("[[phase.ingredient]]\nname = \"Ingredient {step}\"\npercent = 12.5\n{premix}")
    };
    let steps: String = (1..=STEPS).map(one).collect();
    let notes = "A remark of ten. ".repeat(340);
    format!(
        "[formula]\nname = \"{name}\"\nversion = \"1.0\"\nnotes = \"{notes}\"\n[[phase]]\nname = \"All\"\n{steps}"
    )
}

const SOAK: &str = "Bench soak";
const BLEND: &str = "Bench blend";

/// Every tenth batch is a premix that the nine after it take from.
fn write_logs(dir: &Path, count: usize) {
    let opened = [SOAK, BLEND].map(|name| {
        let opening = Opening {
            text: formula(name),
            batch: Mass::from_g(400),
            jars: None,
        };
        let label = format!("{name} 1.0");
        (opening.drafts(&label).unwrap().to_vec(), label)
    });
    for n in 0..count {
        let batch = format!("soak-{n}");
        let (opening, label) = &opened[usize::from(n % 10 == 0)];
        let mut drafts = opening.clone();
        for step in 1..=STEPS {
            let premix = step == STEPS && n % 10 != 0;
            let ingredient = format!("Ingredient {step}");
            let lot = if premix {
                format!("soak-{}", n - n % 10)
            } else {
                format!("L-{step}-{}", n / 500)
            };
            drafts.push(Draft {
                step,
                phase: "All".into(),
                ingredient: ingredient.clone(),
                lot: lot.clone(),
                scale: "bench".into(),
                ..Draft::new(RowKind::Note, format!("lot of {ingredient}: {lot}"))
            });
            let net = Mass::from_mg(50_000 + ((n * 7 + step * 13) % 41) as i64 * 10);
            let target = Mass::from_g(50);
            drafts.push(Draft {
                step,
                phase: "All".into(),
                ingredient,
                lot,
                vessel: "beaker".into(),
                target: Some(target),
                low: Some(target - Mass::from_mg(500)),
                high: Some(target + Mass::from_mg(500)),
                tare: Some(Mass::from_g(90)),
                gross: Some(Mass::from_g(90) + net),
                net: Some(net),
                uncertainty: Some(Mass::from_mg(22)),
                verdict: Some(Verdict::Inside),
                scale: "bench".into(),
                unit: Some(Unit::Gram),
                readings: Some(26),
                readability: Mass::from_mg(10),
                ..Draft::new(RowKind::Weighed, "")
            });
        }
        drafts.push(Draft::new(RowKind::Mixed, "stir until even (confirmed)"));
        drafts.push(Draft::new(RowKind::Closed, "complete"));
        let at = jiff::Timestamp::from_second(1_500_000_000 + 3_000 * n as i64).unwrap();
        std::fs::write(
            dir.join(format!("{batch}.csv")),
            log_text(&batch, label, at, &drafts),
        )
        .unwrap();
    }
}

/// Each lot that the logs name, of a ton.
fn write_lots(file: &Path, count: usize) {
    let of_lot = |step: usize, lot: usize| {
        format!(
            "[[lot]]\nname = \"L-{step}-{lot}\"\ningredient = \"Ingredient {step}\"\namount = \"1000 kg\"\n"
        )
    };
    let lots =
        (0..count.div_ceil(500)).flat_map(|lot| (1..=STEPS).map(move |step| of_lot(step, lot)));
    std::fs::write(file, lots.collect::<String>()).unwrap();
}

/// A whole log without the writer, which waits for the disk at each row.
fn log_text(batch: &str, label: &str, begun: jiff::Timestamp, drafts: &[Draft]) -> Vec<u8> {
    let mut text = format!("{}\n", header()).into_bytes();
    let mut previous = chain::start(batch);
    for (seq, draft) in (1..).zip(drafts) {
        let stamp = Stamp {
            batch,
            seq,
            at: begun + jiff::SignedDuration::from_secs(12 * seq as i64),
            formula: label,
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
    let count = std::env::var("BISMAR_BENCH_LOGS")
        .ok()
        .and_then(|n| n.parse().ok())
        .unwrap_or(10_000);
    let keep = std::env::var_os("BISMAR_BENCH_DIR").map(std::path::PathBuf::from);
    let dir = keep.as_deref().unwrap_or(dir.path());
    let (logs, lots) = (dir.join("logs"), dir.join("lots.toml"));
    std::fs::create_dir_all(&logs).unwrap();
    write_logs(&logs, count);
    write_lots(&lots, count);
    if keep.is_some() {
        return;
    }
    compare(&logs);
    // What was written in the last seconds is not kept.
    std::thread::sleep(std::time::Duration::from_secs(4));
    let (folder, lots) = (logs.to_str().unwrap(), lots.to_str().unwrap());
    let python = std::env::var("BISMAR_BENCH_PYTHON").unwrap_or_else(|_| "python3".into());
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/bench/archive.py");
    println!(
        "\nseconds, and times what bismar takes with its index, over {count} logs; best of three where the files are not read"
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
            "Ingredient 3",
            vec!["history", "Ingredient 3", "--logs", folder],
        ),
    ] {
        let best = |times: usize, program: &str, args: &[&str]| {
            let times = (0..times).filter_map(|_| timed(home.path(), program, args));
            times.min_by(f64::total_cmp)
        };
        let _ = std::fs::remove_dir_all(home.path().join(".cache"));
        let bismar = env!("CARGO_BIN_EXE_bismar");
        let first = timed(home.path(), bismar, &args);
        let ours = best(3, bismar, &args);
        let other = |times, way: &str| best(times, &python, &[script, way, question, folder, name]);
        let cell = |time: Option<f64>| match (time, ours) {
            (Some(time), Some(ours)) => format!("{time:.3} ({:.1})", time / ours),
            _ => "-".to_owned(),
        };
        println!(
            "| {question} {name} | {} | {} | {} | {} | {} |",
            cell(first),
            cell(ours),
            cell(other(1, "sqlite")),
            cell(other(3, "loaded")),
            cell(other(1, "duckdb"))
        );
    }
}
