//! The trials of the engine in full: 10,000 simulated steps of careful and of clumsy hands, and how
//! often the first stop is over the window with the early cue and without it. What must hold is
//! asserted in `tests/engine/truth.rs`; here it is printed. `BISMAR_BENCH_SECONDS` takes 100 steps a second.

#[path = "../bench_side/mod.rs"]
mod bench_side;
#[path = "../engine/trials.rs"]
mod trials;

use std::time::Instant;

use bismar::rehearsal::Habits;
use bismar::vocabulary::rules::Rules;
use trials::{Tally, one_trial, run_trials};

fn main() {
    let steps = std::env::var("BISMAR_BENCH_SECONDS")
        .ok()
        .and_then(|text| text.parse::<usize>().ok())
        .map_or(10_000, |seconds| seconds.max(2) * 100);
    for (hands, clumsy, seed) in [("careful", false, 1), ("clumsy", true, 2)] {
        let began = Instant::now();
        let tally = run_trials(steps, clumsy, seed);
        println!(
            "\n{steps} steps, {hands} hands, {:.0} s\n{tally}",
            began.elapsed().as_secs_f64()
        );
        for wrong in tally
            .wrong
            .iter()
            .chain(&tally.doubled)
            .chain(&tally.skipped)
        {
            println!("not as it must be: {wrong}");
        }
    }
    without_the_early_cue(steps / 2);
}

/// The same hands on the same scales with the same plans; only the cue is left out.
fn without_the_early_cue(steps: usize) {
    println!("\n| first stops over the window | of steps | over | share |");
    println!("| --- | ---: | ---: | ---: |");
    let mut shares = Vec::new();
    for (what, early_cue) in [("with the early cue", true), ("without it", false)] {
        let rules = Rules {
            early_cue,
            ..Rules::default()
        };
        let mut tally = Tally::default();
        let mut seed = 3 << 32;
        while tally.steps < steps {
            one_trial(&mut tally, Habits::careful(), rules, seed, false);
            seed += 1;
        }
        let share = tally.over_pours as f64 / tally.steps as f64;
        println!(
            "| {what} | {} | {} | {:.2} % |",
            tally.steps,
            tally.over_pours,
            share * 100.0
        );
        shares.push(share);
    }
    if let [with, without] = shares[..] {
        println!(
            "{:.1} times fewer over-pours with the early cue",
            without / with
        );
    }
}
