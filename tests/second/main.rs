//! A second world that knows nothing of the engine: another scale, other hands, another truth.
//!
//! `SECOND="Mishap kind seed" cargo test --test second replay -- --nocapture` shows one case line by line;
//! `SECOND_CASES=n` and `SECOND_ONLY=Mishap` size the table.

#[path = "../bench_side/agreed.rs"]
mod agreed;
mod indicator;
mod mishap;
mod sentences;
#[path = "../bench_side/told.rs"]
mod told;
mod world;

use std::collections::BTreeMap;

use mishap::{ALL, Mishap};
use world::{Outcome, World};

fn named(name: &str) -> Mishap {
    *ALL.iter()
        .find(|m| format!("{m:?}") == name)
        .expect("a mishap of this name")
}

#[test]
fn replay() {
    let Ok(text) = std::env::var("SECOND") else {
        return;
    };
    let words: Vec<&str> = text.split_whitespace().collect();
    let outcome = World::new(
        words[2].parse().unwrap(),
        Some(words[1].parse().unwrap()),
        named(words[0]),
        true,
    )
    .run();
    for line in &outcome.trace {
        println!("{line}");
    }
    tell(&outcome);
}

fn tell(o: &Outcome) {
    for s in &o.steps {
        println!(
            "step {} net {:?} U {} truth {} off {} flagged {} worded {} note {:?}",
            s.step,
            s.net.map(|n| n as f64 / 1e9),
            s.u as f64 / 1e9,
            s.truth as f64 / 1e9,
            s.net.map_or(0.0, |n| (n - s.truth) as f64 / 1e9),
            s.flagged,
            s.worded,
            s.note
        );
    }
    println!(
        "stuck {:?} silent {:?} complete {} fired {} after {:.0} s",
        o.stuck, o.silent, o.complete, o.fired, o.seconds
    );
}

fn is_wrong(s: &world::Step) -> bool {
    s.net.is_some_and(|n| (n - s.truth).abs() > 2 * s.u) && !s.flagged
}

/// Each was once a maker left alone, or sent round in a circle: what stood on the pan was asked off, went, and
/// nothing was made of it.
#[test]
fn who_obeys_gets_on_where_she_once_did_not() {
    for (mishap, kind, seed) in [
        (Mishap::TareKey, 6, 42),
        (Mishap::TareKey, 6, 69),
        (Mishap::TareAndPour, 4, 22),
        (Mishap::TareAndPour, 6, 105),
        (Mishap::TareAndPour, 7, 115),
        (Mishap::PowerAndPour, 0, 45),
        (Mishap::PowerAndPour, 1, 109),
        (Mishap::PowerAndPour, 2, 47),
        (Mishap::PowerAndPour, 2, 74),
        (Mishap::PowerAndPour, 5, 23),
        (Mishap::PowerAndPour, 7, 34),
        (Mishap::TareOnPlacing, 4, 31),
        (Mishap::UnitKey, 3, 84),
        (Mishap::PutsBack, 3, 21),
    ] {
        let outcome = World::new(seed, Some(kind), mishap, false).run();
        let case = format!("{mishap:?} {kind} {seed}");
        assert_eq!(outcome.stuck, None, "{case}");
        assert_eq!(outcome.silent, None, "{case}");
        assert!(outcome.complete, "{case}");
        let wrong = outcome.steps.iter().filter(|step| is_wrong(step)).count();
        assert_eq!(wrong, 0, "{case}");
    }
}

#[test]
fn table() {
    let cases: u64 = std::env::var("SECOND_CASES").map_or(9, |n| n.parse().unwrap());
    let clean: u64 = std::env::var("SECOND_CLEAN").map_or(45, |n| n.parse().unwrap());
    let only = std::env::var("SECOND_ONLY").ok();
    let mut said: BTreeMap<String, usize> = BTreeMap::new();
    let mut notes: BTreeMap<String, usize> = BTreeMap::new();
    let mut lines = Vec::new();
    let kinds = indicator::kinds().len();
    println!("mishap            steps fired wrong flaggedoff stuck silent incomplete worded");
    for &mishap in ALL {
        if only
            .as_ref()
            .is_some_and(|o| !o.split(',').any(|o| o == format!("{mishap:?}")))
        {
            continue;
        }
        let n = if mishap == Mishap::Clean {
            clean
        } else {
            cases
        };
        let mut by: BTreeMap<&str, [usize; 8]> = BTreeMap::new();
        for seed in 0..n {
            let kind = seed as usize % kinds;
            let o = World::new(seed, Some(kind), mishap, false).run();
            for (k, n) in &o.said {
                *said.entry(k.clone()).or_default() += n;
            }
            for slot in ["all", o.kind] {
                let row = by.entry(slot).or_default();
                row[0] += o.steps.len();
                row[1] += o.fired;
                row[2] += o.steps.iter().filter(|s| is_wrong(s)).count();
                row[3] += o
                    .steps
                    .iter()
                    .filter(|s| s.flagged && s.net.is_some_and(|n| (n - s.truth).abs() > 2 * s.u))
                    .count();
                row[4] += usize::from(o.stuck.is_some());
                row[5] += usize::from(o.silent.is_some());
                row[6] += usize::from(!o.complete);
                row[7] += o.steps.iter().filter(|s| s.worded).count();
            }
            for s in &o.steps {
                let note: String = s
                    .note
                    .chars()
                    .map(|c| if c.is_ascii_digit() { '#' } else { c })
                    .collect();
                *notes
                    .entry(format!("{} {note}", if s.flagged { "F" } else { " " }))
                    .or_default() += 1;
                if is_wrong(s) {
                    lines.push(format!(
                        "WRONG {mishap:?} {kind} {seed} ({}, d {}) step {} off {:.4} U {:.4} ({:.1} U) note {:?}",
                        o.kind, o.d, s.step,
                        (s.net.unwrap_or(0) - s.truth) as f64 / 1e9,
                        s.u as f64 / 1e9,
                        (s.net.unwrap_or(0) - s.truth) as f64 / s.u as f64,
                        s.note
                    ));
                }
            }
            if let Some(say) = &o.stuck {
                lines.push(format!(
                    "STUCK {mishap:?} {kind} {seed} ({}) {say:?}",
                    o.kind
                ));
            }
            if let Some(say) = &o.silent {
                lines.push(format!(
                    "SILENT {mishap:?} {kind} {seed} ({}) {say:?}",
                    o.kind
                ));
            }
        }
        if mishap == Mishap::Clean && clean <= 45 {
            // Where nothing goes wrong every weight is right, and she is never left alone.
            let r = by.get("all").copied().unwrap_or_default();
            assert_eq!((r[2], r[4], r[5]), (0, 0, 0), "{lines:?}");
        } else if cases <= 9 {
            // Whatever goes wrong, who obeys gets on.
            let r = by.get("all").copied().unwrap_or_default();
            assert_eq!((r[4], r[5]), (0, 0), "{lines:?}");
        }
        for (slot, r) in &by {
            if *slot == "all" || mishap == Mishap::Clean {
                println!(
                    "{:<16} {:<8} {:6} {:5} {:5} {:5} {:5} {:5} {:5} {:5}",
                    format!("{mishap:?}"),
                    slot,
                    r[0],
                    r[1],
                    r[2],
                    r[3],
                    r[4],
                    r[5],
                    r[6],
                    r[7]
                );
            }
        }
    }
    for line in lines {
        println!("{line}");
    }
    for (k, n) in said {
        println!("SAID {n:6} {k}");
    }
    for (k, n) in notes {
        println!("NOTE {n:6} {k}");
    }
}
