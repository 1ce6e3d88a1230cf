//! A day at the bench, in virtual time: one bench weighs batch after batch for 24 simulated hours, by
//! clumsy hands with every fault, each batch into a real log. Memory and open files stay as they are.
//! They are those of a process of its own: beside other tests they would be everybody's.

use std::fs;

use bismar::bench::Bench;
use bismar::config::Config;
use bismar::journal::read::verify::verify;
use bismar::journal::store::log::LogFile;
use bismar::rehearsal::{Habits, LineShape, SimScaleSpec, Stage, StageSpec};
use bismar::time::Moment;
use bismar::vocabulary::command::Command;
use jiff::{SignedDuration, Timestamp};

use super::trials::{Tally, one_batch, random_plan, scale_config};
use crate::bench_side::{again, faults};

/// Set for the process that weighs the day.
const ALONE: &str = "BISMAR_TEST_SOAK";

const HOUR_US: u64 = 3_600_000_000;
const HOURS: u64 = 24;
/// Between two batches the bench is cleaned; the scale is off.
const PAUSE_US: u64 = 90_000_000;

/// Resident memory of this process in KiB, from proc(5).
fn memory() -> u64 {
    let status = fs::read_to_string("/proc/self/status").unwrap();
    let line = status.lines().find(|line| line.starts_with("VmRSS:"));
    let number = line.unwrap().split_whitespace().nth(1).unwrap();
    number.parse().unwrap()
}

fn open_files() -> usize {
    fs::read_dir("/proc/self/fd").unwrap().count()
}

#[test]
fn a_day_of_batches_leaves_memory_and_open_files_as_they_were() {
    if std::env::var_os(ALONE).is_some() {
        return a_day_of_batches();
    }
    let me = "a_day_of_batches_leaves_memory_and_open_files_as_they_were";
    let day = again(module_path!(), me).env(ALONE, "1").output().unwrap();
    let told = String::from_utf8_lossy(&day.stderr);
    assert!(day.status.success(), "{told}");
    assert!(told.contains("the day is over"), "{told}");
}

fn a_day_of_batches() {
    let logs = tempfile::tempdir().unwrap();
    let began: Timestamp = "2026-03-02T00:00:00Z".parse().unwrap();
    let mut tally = Tally::default();
    let spec = SimScaleSpec {
        shape: LineShape::SignNumberUnit16,
        rate: 10.0,
        ..SimScaleSpec::default()
    };
    let config = Config {
        scales: vec![scale_config(&spec, 0)],
        ..Config::default()
    };
    let mut bench = Bench::at_line_start(&config).unwrap();
    bench.set_readings(true);
    let mut now = Moment::default();
    let mut rows = 0_usize;
    // After each hour.
    let mut seen: Vec<(u64, usize)> = Vec::new();
    while now.0 < HOURS * HOUR_US {
        let seed = 0x50_a4 << 32 | tally.batches as u64;
        let plan = random_plan(&mut fastrand::Rng::with_seed(seed), spec.d);
        let of_batch = StageSpec::for_plan(&plan, vec![spec.clone()], Habits::clumsy(), seed);
        let stage = Stage::new(of_batch);
        let at = began + SignedDuration::from_micros(now.0 as i64);
        let mut log = LogFile::create_unique(logs.path(), "Trial 1", at).unwrap();
        let path = log.path().to_owned();
        let written = |draft: &_| {
            log.append(draft, at).unwrap();
            rows += 1;
        };
        now = one_batch(
            &mut tally, now, &mut bench, plan, stage, seed, false, written,
        );
        if bench.is_busy() {
            // The hands gave up.
            let _ = bench.command(Command::Stop, now);
            while bench.poll().is_some() {}
        }
        drop(log);
        assert_eq!(verify(&path).unwrap().fault, None);
        now = now.plus_micros(PAUSE_US);
        while (seen.len() as u64) < now.0 / HOUR_US {
            seen.push((memory(), open_files()));
        }
    }
    // What the engine does not reach (DEVELOPERS.md): one weight in some thousands. More is a fault.
    let wrong = tally.wrong.len();
    assert!(wrong * 1000 <= tally.recorded * 2, "{:#?}", tally.wrong);
    assert!(tally.doubled.is_empty(), "{:#?}", tally.doubled);
    assert!(tally.skipped.is_empty(), "{:#?}", tally.skipped);
    // In the first hours the allocator still grows to what one batch at a time takes.
    let (early, late) = (seen[2], *seen.last().unwrap());
    let grown = late.0.saturating_sub(early.0);
    assert!(grown < 2048, "KiB and open files after each hour: {seen:?}");
    assert_eq!(
        early.1, late.1,
        "KiB and open files after each hour: {seen:?}"
    );
    faults::report(
        "a day of batches",
        "one bench in virtual time, ten lines a second, clumsy hands with every fault, each batch into a log of its own",
        format!("{HOURS} simulated hours, {} batches", tally.batches),
        "less than 2 MiB more memory at the end than after 3 hours, no open file more; at most 2 weights in 1,000 wrong (beyond 2 U), none twice; every chain holds",
        format!(
            "{} lines, {} weights, {wrong} rows wrong, {rows} rows; {} KiB after 3 hours, {} at the end; {} open files at both",
            tally.readings, tally.recorded, early.0, late.0, late.1
        ),
    );
    eprintln!("the day is over");
}
