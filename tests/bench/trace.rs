//! How long a trace takes over 10,000 batches, reading and proving every log. Printed, not asserted.

use std::process::Command;
use std::time::Instant;

use bismar::batch::log::LogFile;
use bismar::batch::resume::{Opening, opening_drafts, plain_draft};
use bismar::mass::Mass;
use bismar::scale::Moment;
use bismar::weighing::event::{Draft, RowKind};

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
        let mut log =
            LogFile::create(dir, &format!("soak-{n}"), "Glasswort bath soak 1.0").unwrap();
        let opened = opening_drafts(&opening, "Glasswort bath soak 1.0", 1, Moment(0)).unwrap();
        let at = jiff::Timestamp::UNIX_EPOCH;
        for draft in &opened {
            log.append(draft, at).unwrap();
        }
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
                ..plain_draft(RowKind::Weighed, String::new(), 1, Moment(0))
            };
            log.append(&draft, at).unwrap();
        }
    }
}

fn main() {
    let dir = tempfile::tempdir().unwrap();
    write_logs(dir.path());
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
