//! How long a trace takes over 10,000 batches, reading and proving every log; and how long the reading
//! takes with one thread and with all, beside the mere bytes. Printed, not asserted.

use std::process::Command;
use std::time::Instant;

use bismar::journal::format::chain;
use bismar::journal::format::opening::Opening;
use bismar::journal::format::row::{Row, Stamp, header};
use bismar::journal::read::folder;
use bismar::mass::Mass;
use bismar::vocabulary::entry::{Draft, RowKind};

const BATCHES: usize = 10_000;

/// Every tenth batch is a premix that the nine after it take from.
fn write_logs(dir: &std::path::Path) {
    let text = include_str!("../../config/formulas/glasswort-bath-soak.toml");
    let opening = Opening {
        text: text.into(),
        batch: Mass::from_g(360),
        jars: Some((6, Mass::from_g(60))),
    };
    for n in 0..BATCHES {
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
                ..Draft::new(RowKind::Weighed, "")
            };
            drafts.push(draft);
        }
        std::fs::write(dir.join(format!("{batch}.csv")), log_text(&batch, &drafts)).unwrap();
    }
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
fn compare(dir: &std::path::Path) {
    let paths = folder::batches_in(dir).unwrap();
    let all = folder::all_threads();
    let timed = |work: &dyn Fn() -> usize| {
        let begun = Instant::now();
        assert_eq!(work(), BATCHES);
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

fn main() {
    let dir = tempfile::tempdir().unwrap();
    write_logs(dir.path());
    compare(dir.path());
    for name in ["L-4-7", "soak-4321", "soak-4320"] {
        for round in 1..=3 {
            let begun = Instant::now();
            let output = Command::new(env!("CARGO_BIN_EXE_bismar"))
                .args(["trace", name, "--logs"])
                .arg(dir.path())
                .output()
                .unwrap();
            let lines = output.stdout.iter().filter(|byte| **byte == b'\n').count();
            println!(
                "trace {name} over {BATCHES} batches, round {round}: {:?}, {lines} lines",
                begun.elapsed()
            );
        }
    }
}
