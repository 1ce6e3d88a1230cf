//! The process is killed at a random moment of a step and begun again from the log, by what is done with
//! the beaker meanwhile. (`tests/records/kills.rs` kills the real daemon; here there is the truth, and a person
//! who may do anything with the beaker.) Columns as in the tables of `worlds.rs`, and:
//!
//! - `asked`: kills after which a question was asked before the next record.
//! - `lost`: a weight that was said to be recorded, or was on the disk, is not in the log in the end or
//!   not known to the batch that is begun again, or the batch ended complete without it.
//! - `stuck`: no further after 12 moves, or a minute of silence.
//!
//! `BISMAR_WORLD_KILLS` sets how many of each; a case is printed by `BISMAR_WORLD_CASE=Killed/KillLeft:3`.

use std::collections::BTreeSet;
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};

use bismar::mass::Mass;
use bismar::rehearsal::literal::{CaseSpec, Mishap, Told, run};
use bismar::vocabulary::cue::CueKind;
use bismar::vocabulary::entry::RowKind;
use bismar::weighing::event::Event;

use super::judge::{Tally, judge};
use super::{Kind, case, number};
use crate::bench_side::faults;

const EACH: usize = 200;
/// Of the weights recorded; the aim is nothing wrong but what a swapped beaker hides from every reading.
const MOST_WRONG: f64 = 0.004;
const MOST_CARRIED: f64 = 0.004;
/// Of the kills; the aim is 0.
const MOST_STUCK: f64 = 0.015;

/// Each by what is done with the beaker.
pub const KINDS: [(Mishap, &str); 6] = [
    (Mishap::KillLeft, "left"),
    (Mishap::KillLiftedBefore, "lifted before the restart"),
    (Mishap::KillLiftedAfter, "lifted after the restart"),
    (Mishap::KillPutBack, "lifted and put back"),
    (Mishap::KillSwapKnown, "swapped for a known one"),
    (Mishap::KillSwapUnknown, "swapped for an unknown one"),
];

#[derive(Default)]
struct Kills {
    kills: usize,
    asked: usize,
    lost: Vec<String>,
    tally: Tally,
}

fn play(name: &str, spec: &CaseSpec) -> Kills {
    let (mut kills, mut asked) = (0, 0);
    let mut after = false;
    // Step, row and net weight as they were promised.
    let mut promised: Vec<(usize, u64, Mass)> = Vec::new();
    let mut lost = Vec::new();
    let outcome = run(spec, false, |_, told| match told {
        Told::Killed => {
            kills += 1;
            after = true;
        }
        Told::Event(Event::Cue(cue)) if after && cue.kind == CueKind::Choose => {
            asked += 1;
            after = false;
        }
        Told::Event(Event::Recorded { step, seq, net, .. }) => {
            promised.push((*step, *seq, *net));
            after = false;
        }
        Told::Row(row) if matches!(row.draft.kind, RowKind::Weighed) => {
            let net = row.draft.net;
            promised.extend(net.map(|net| (row.draft.step, row.seq, net)));
        }
        Told::Begun(progress) => {
            let steps: BTreeSet<usize> = promised.iter().map(|&(step, ..)| step).collect();
            let gone = steps
                .into_iter()
                .filter(|step| !progress.weighed.contains_key(step));
            lost.extend(gone.map(|step| format!("{name} step {step}: weighed again")));
        }
        Told::Event(_) | Told::Hands(_) | Told::Word(..) | Told::Row(_) | Told::Calm => {}
    });
    let tally = judge(name, spec, &outcome);
    let there = |&(step, seq, net): &(usize, u64, Mass)| {
        let mut rows = outcome.rows.iter();
        rows.any(|row| (row.draft.step, row.seq, row.draft.net) == (step, seq, Some(net)))
    };
    let gone = promised.iter().filter(|&promise| !there(promise));
    lost.extend(gone.map(|promise| format!("{name}: {promise:?}")));
    lost.extend(tally.skipped.iter().cloned());
    Kills {
        kills,
        asked,
        lost,
        tally,
    }
}

fn play_all(each: usize) -> Vec<Kills> {
    let next = AtomicUsize::new(0);
    let sums: Vec<_> = KINDS.iter().map(|_| Mutex::new(Kills::default())).collect();
    let threads = std::thread::available_parallelism().map_or(1, usize::from);
    std::thread::scope(|scope| {
        for _ in 0..threads {
            scope.spawn(|| {
                loop {
                    let job = next.fetch_add(1, Ordering::Relaxed);
                    let Some(&(mishap, _)) = KINDS.get(job / each.max(1)) else {
                        return;
                    };
                    let kind = Kind::Killed(mishap);
                    let n = job % each.max(1);
                    let (_, spec) = case(kind, n);
                    let one = play(&format!("{}:{n}", kind.name()), &spec);
                    let mut sum = sums[job / each.max(1)].lock().unwrap();
                    sum.kills += one.kills;
                    sum.asked += one.asked;
                    sum.lost.extend(one.lost);
                    sum.tally.add(&one.tally);
                }
            });
        }
    });
    let sums = sums.into_iter().map(Mutex::into_inner);
    sums.collect::<Result<_, _>>().unwrap()
}

#[test]
fn killed_by_what_is_done_with_the_beaker() {
    let sums = play_all(number("BISMAR_WORLD_KILLS", EACH));
    let mut all = Kills::default();
    let mut table =
        "| beaker | kills | steps | recorded | wrong | carried | asked | lost | twice | stuck |\n\
                     | --- | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: |\n"
            .to_owned();
    for ((_, what), sum) in KINDS.iter().zip(&sums) {
        all.kills += sum.kills;
        all.asked += sum.asked;
        all.lost.extend(sum.lost.iter().cloned());
        all.tally.add(&sum.tally);
        table += &line(what, sum);
    }
    table += &line("all", &all);
    println!("\n{table}\nexamples\n{}", all.tally.examples(8));
    let (kills, lost, asked) = (all.kills, &all.lost, all.asked);
    let Tally {
        recorded,
        wrong,
        carried,
        doubled,
        ..
    } = &all.tally;
    let recorded = *recorded;
    let stuck = all.tally.stuck.len() + all.tally.silent.len();
    let refused = &all.tally.refused;
    assert!(kills > 0);
    assert!(lost.is_empty(), "lost: {lost:?}");
    assert!(doubled.is_empty(), "twice: {doubled:?}");
    assert!(refused.is_empty(), "not begun again: {refused:?}");
    let share = |part: usize, of: usize| part as f64 / of.max(1) as f64;
    assert!(share(wrong.len(), recorded) <= MOST_WRONG, "{wrong:#?}");
    assert!(
        share(carried.len(), recorded) <= MOST_CARRIED,
        "{carried:#?}"
    );
    assert!(
        share(stuck, kills) <= MOST_STUCK,
        "{stuck} of {kills} stuck"
    );
    faults::report_table(
        "killed, by what is done with the beaker",
        "Simulated (`tests/engine/worlds/killed.rs`), by what the hand does with the beaker while the process is \
         down or soon after. Wrong: further than 2 U from what the vessel held; carried: right as a weighing, \
         of a vessel that held some of the step already.",
        &table,
    );
    faults::report(
        "killed, by what is done with the beaker",
        "simulated: killed at a random moment of a step and begun again from the log 0.2 to 12 s later; the \
         beaker left, lifted before or after, put back, swapped for a clean one that is known or not",
        format!("{kills} kills"),
        &format!(
            "no weight that was called recorded lost, none twice; of the weights at most {:.1} % wrong (beyond \
             2 U; aim: none) and {:.1} % of a vessel that held some already; of the kills at most {:.1} % stuck (aim: \
             none)",
            100.0 * MOST_WRONG,
            100.0 * MOST_CARRIED,
            100.0 * MOST_STUCK,
        ),
        format!(
            "{recorded} weights, {} wrong, {} of a vessel that held some already, {asked} asked about, {stuck} \
             stuck",
            wrong.len(),
            carried.len(),
        ),
    );
}

fn line(what: &str, sum: &Kills) -> String {
    format!(
        "| {what} | {} | {} | {} | {} | {} | {} | {} | {} | {} |\n",
        sum.kills,
        sum.tally.steps,
        sum.tally.recorded,
        sum.tally.wrong.len(),
        sum.tally.carried.len(),
        sum.asked,
        sum.lost.len(),
        sum.tally.doubled.len(),
        sum.tally.stuck.len() + sum.tally.silent.len(),
    )
}
