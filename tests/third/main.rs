//! A third world, by an outsider who read only what the engine says and takes: makers' habits, and scales that
//! speak seldom, late, or with two steps.
//!
//! `THIRD="Deed kind seed" cargo test --test third replay -- --nocapture` shows one case line by line;
//! `THIRD_CASES=n`, `THIRD_CLEAN=n`, `THIRD_ONLY=Deed,Deed` and `THIRD_KINDS=name,name` size the table. Scales that
//! README does not promise (`*`) are asked by name, or in clean work.

#[path = "../bench_side/agreed.rs"]
mod agreed;
mod deeds;
mod scale;
#[path = "../bench_side/told.rs"]
mod told;
mod words;
mod world;

use std::collections::BTreeMap;

use deeds::{ALL, Deed};
use scale::KINDS;
use world::{Outcome, World};

#[test]
fn replay() {
    let Ok(text) = std::env::var("THIRD") else {
        return;
    };
    let words: Vec<&str> = text.split_whitespace().collect();
    let deed = *ALL
        .iter()
        .find(|d| format!("{d:?}") == words[0])
        .expect("a deed of this name");
    let o = World::new(
        words[2].parse().unwrap(),
        words[1].parse().unwrap(),
        deed,
        true,
    )
    .run();
    for line in &o.trace {
        println!("{line}");
    }
    for s in &o.steps {
        println!("{s:?} off {:.4}", s.net.unwrap_or(0.0) - s.truth);
    }
    println!(
        "{} {} stuck {:?} silent {:?} twice {} complete {} after {:.0} s",
        o.kind, o.scene, o.stuck, o.silent, o.twice, o.complete, o.seconds
    );
}

fn number(name: &str, usual: u64) -> u64 {
    std::env::var(name).map_or(usual, |n| n.parse().unwrap())
}

/// Cases, steps, fired, wrong, flagged and off, stuck, silent, worded, not complete.
type Counts = [usize; 9];

fn count(into: &mut Counts, o: &Outcome) {
    let steps = |is: &dyn Fn(&world::Step) -> bool| o.steps.iter().filter(|s| is(s)).count();
    let seen = [
        1,
        o.steps.len(),
        usize::from(o.fired),
        steps(&|s| s.off() && !s.flagged),
        steps(&|s| s.off() && s.flagged),
        usize::from(o.stuck.is_some()),
        usize::from(o.silent.is_some()),
        steps(&|s| s.worded),
        usize::from(!o.complete || o.twice > 0),
    ];
    for (sum, n) in into.iter_mut().zip(seen) {
        *sum += n;
    }
}

/// Every two seconds, at rest or at a change only, with a tare of its own: nobody can weigh by that. It is
/// said what to set, and who sets it weighs on.
#[test]
fn a_scale_that_is_set_otherwise_is_named_and_who_sets_it_gets_on() {
    let mut steps = 0;
    for (kind, _) in KINDS.iter().enumerate().filter(|(_, kind)| !kind.promised) {
        for seed in (0..12).map(|n| n * KINDS.len() as u64 + kind as u64) {
            let o = World::new(seed, kind, Deed::Clean, false).run();
            // Papers of less than a gram are no vessels on any scale.
            if o.scene == "Boats" {
                continue;
            }
            let off = o.steps.iter().filter(|s| s.off()).count();
            assert!(
                o.complete && off == 0 && o.stuck.is_none() && o.silent.is_none(),
                "{} {seed}: {off} off, {:?} {:?}",
                o.kind,
                o.stuck,
                o.silent
            );
            steps += o.steps.len();
        }
    }
    assert!(steps > 100, "{steps}");
}

#[test]
fn table() {
    let cases = number("THIRD_CASES", 15);
    let clean = number("THIRD_CLEAN", 45);
    let mut ordinary = Counts::default();
    let only = std::env::var("THIRD_ONLY").ok();
    let kinds = std::env::var("THIRD_KINDS").ok();
    let mut lines = Vec::new();
    let mut cases_told = Vec::new();
    let mut said: BTreeMap<String, usize> = BTreeMap::new();
    let mut notes: BTreeMap<String, usize> = BTreeMap::new();
    println!(
        "deed         scale        cases  steps  fired  wrong offflg  stuck silent worded   open"
    );
    for &deed in ALL {
        let name = format!("{deed:?}");
        if only
            .as_ref()
            .is_some_and(|o| !o.split(',').any(|o| o == name))
        {
            continue;
        }
        let mut by: BTreeMap<&str, Counts> = BTreeMap::new();
        for seed in 0..if deed == Deed::Clean { clean } else { cases } {
            let kind = seed as usize % KINDS.len();
            let chosen = kinds
                .as_ref()
                .is_none_or(|k| k.split(',').any(|k| k == KINDS[kind].name));
            if !chosen || (deed != Deed::Clean && kinds.is_none() && !KINDS[kind].promised) {
                continue;
            }
            let o = World::new(seed, kind, deed, false).run();
            count(by.entry("all").or_default(), &o);
            count(by.entry(o.kind).or_default(), &o);
            if deed == Deed::Clean && KINDS[kind].is_plain() && o.scene != "Boats" {
                count(&mut ordinary, &o);
            }
            let star = if KINDS[kind].promised { "" } else { "*" };
            let place = format!("{name} {kind} {seed} ({}{star} {})", o.kind, o.scene);
            let wrong = o.steps.iter().filter(|s| s.off() && !s.flagged).count();
            let asked = o.steps.iter().filter(|s| s.worded).count();
            let steps = o.steps.len();
            cases_told.push(format!(
                "CASE {place} fired {} wrong {wrong} asked {asked} of {steps}",
                o.fired
            ));
            for s in &o.steps {
                let note: String = s
                    .note
                    .chars()
                    .map(|c| if c.is_ascii_digit() { '#' } else { c })
                    .collect();
                *notes
                    .entry(format!("{} {note}", if s.flagged { "F" } else { " " }))
                    .or_default() += 1;
                if s.off() && !s.flagged {
                    lines.push(format!(
                        "WRONG{} {place} step {} off {:.3} U {:.3} {:?}",
                        if deed.tells() { "" } else { "-UNTOLD" },
                        s.step,
                        s.net.unwrap_or(0.0) - s.truth,
                        s.u,
                        s.note
                    ));
                }
            }
            for (k, n) in &o.said {
                *said.entry(k.clone()).or_default() += n;
            }
            if let Some(why) = &o.stuck {
                lines.push(format!("STUCK {place} {why}"));
            }
            if let Some(why) = &o.silent {
                lines.push(format!("SILENT {place} {why}"));
            }
            if o.floods > 0 {
                lines.push(format!("FLOOD {place}"));
            }
            if o.twice > 0 {
                lines.push(format!("TWICE {place}"));
            }
        }
        for (slot, counts) in &by {
            if *slot == "all" || deed == Deed::Clean {
                print!("{name:<12} {slot:<11}");
                for n in counts {
                    print!(" {n:6}");
                }
                println!();
            }
        }
        if deed == Deed::Clean && clean <= 45 {
            // Where nothing goes wrong, on a scale without a habit of its own: nothing wrong, nobody left alone.
            let [_, steps, _, wrong, _, stuck, silent, worded, open] = ordinary;
            let bad = (wrong, stuck, silent, worded, open);
            assert!(
                steps > 30 && bad == (0, 0, 0, 0, 0),
                "{bad:?} of {steps}: {lines:?}"
            );
        }
    }
    for line in lines {
        println!("{line}");
    }
    if std::env::var("THIRD_SAID").is_ok() {
        for line in cases_told {
            println!("{line}");
        }
        for (k, n) in said {
            println!("SAID {n:6} {k}");
        }
        for (k, n) in notes {
            println!("NOTE {n:6} {k}");
        }
    }
}
