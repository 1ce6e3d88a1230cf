//! Whoever obeys gets on: from any state that faults lead to, each step is recorded, or the batch ends,
//! within [`MOST_MOVES`] moves of obeying the sentences and nothing else; and no state that stands at
//! rest waits for a person without a sentence, or an answer offered with it, that names what to do.
//!
//! A world of mishaps is played, and played again: at a random moment of it everything goes calm
//! ([`CaseSpec::calm`]). Both limits are the aim, none; each case above is printed
//! by its class and name (`BISMAR_WORLD_CASE=Obey:70` tells it in full). `BISMAR_WORLD_OBEY` sets how many.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};

use bismar::rehearsal::literal::reader::{Asked, Seen, read};
use bismar::rehearsal::literal::{CaseSpec, End, MOST_MOVES, Told, run};
use bismar::time::Moment;
use bismar::vocabulary::code::Stands;
use bismar::vocabulary::cue::{Cue, CueKind};
use bismar::weighing::event::Event;

use super::judge::bare;
use super::{Kind, case, number};
use crate::bench_side::faults;

const CASES: usize = 500;
/// Share of the cases that went on without end.
const MOST_ENDLESS: f64 = 0.001;
/// Share of the cases with a wait at rest in which nothing to do was named.
const MOST_UNTOLD: f64 = 0.0;
/// So long nothing is said, done or shown but a weight at rest: somebody waits for somebody. To hold
/// still is an answer for as long as the slowest scale takes to be believed.
const WAITS_US: u64 = 1_000_000;
const HOLDS_US: u64 = 5_000_000;

/// States in which the engine waits for the scale or the disk, by their words in `status`.
const NOT_FOR_A_PERSON: [&str; 3] = [
    Stands::Landing.words(),
    Stands::Writing.words(),
    Stands::Over.words(),
];

/// Every name that a state can have, as the engine's source has them: one that comes to be is not missed.
fn states() -> BTreeSet<&'static str> {
    let source = include_str!("../../../src/vocabulary/code.rs");
    let body = source.split("pub const fn said(self)").nth(1);
    let body = body.and_then(|rest| rest.split("\n    }\n").next());
    let body = body.expect("Stands::said in code.rs");
    let mut all: BTreeSet<&str> = body.split('"').skip(1).step_by(2).collect();
    assert!(all.remove(Stands::Other.words()), "no state of the engine");
    all
}

/// The engine at rest: its state and the cue that stands, for [`WAITS_US`] or for [`HOLDS_US`].
struct Wait {
    state: &'static str,
    cue: Cue,
    long: bool,
}

/// What one case came to.
#[derive(Default)]
struct Came {
    waits: Vec<Wait>,
    calm_in: &'static str,
    state: &'static str,
    mishaps: String,
    /// How it went on, and the sentence that stood.
    endless: Option<(&'static str, String)>,
}

fn play(spec: &CaseSpec) -> Came {
    let mut came = Came::default();
    let mut cue: Option<Cue> = None;
    let mut rests: Option<Moment> = None;
    let mut told_of = 0;
    let outcome = run(spec, true, |at, told| {
        if let Told::Event(Event::Reading(live)) = told {
            if !live.steady {
                rests = None;
                return;
            }
            let rested = at.since(*rests.get_or_insert(at));
            // Each once for each rest.
            for (nth, least) in [WAITS_US, HOLDS_US].into_iter().enumerate() {
                if rested >= least && told_of == nth {
                    told_of += 1;
                    came.waits.extend(cue.clone().map(|cue| Wait {
                        state: came.state,
                        cue,
                        long: least == HOLDS_US,
                    }));
                }
            }
            return;
        }
        (rests, told_of) = (None, 0);
        match told {
            Told::Event(Event::Tare { state, .. }) => came.state = state.words(),
            Told::Event(Event::Cue(said)) => {
                assert!(said.say.is_ours(), "goes round the messages: {said:?}");
                cue = Some(said.clone());
            }
            Told::Calm => came.calm_in = came.state,
            Told::Killed => cue = None,
            Told::Event(_) | Told::Hands(_) | Told::Word(..) | Told::Row(_) | Told::Begun(_) => {}
        }
    });
    let mishaps: Vec<_> = outcome.done.iter().map(|(p, _)| p.mishap).collect();
    came.mishaps = format!("{mishaps:?}");
    // Before it is calm nothing is promised.
    came.endless = match outcome.end {
        _ if came.calm_in.is_empty() => None,
        End::Closed { .. } => None,
        End::Stuck(say) => Some(("stuck", say)),
        End::Silent(say) => Some(("silent", say)),
        End::Refused(say) => Some(("refused", say.to_string())),
        End::TooLong => Some(("too long", String::new())),
    };
    came
}

/// The moment at which it goes calm: soon after something went wrong, or any later one.
pub fn calm(spec: &CaseSpec, n: usize) -> Option<Moment> {
    let mut rng = fastrand::Rng::with_seed(spec.seed ^ 0x00ca_1400);
    let world = run(spec, false, |_, _| {});
    let first = world.done.first()?.1;
    let (_, fault) = world.done[rng.usize(0..world.done.len())];
    Some(match n % 2 {
        0 => fault.plus_micros((rng.f64() * 10e6) as u64),
        _ => first.plus_micros((rng.f64() * world.now.since(first) as f64) as u64),
    })
}

/// Whether a person who sees the cue knows of something to do.
fn names_something(Wait { cue, long, .. }: &Wait) -> bool {
    if matches!(cue.kind, CueKind::Hold | CueKind::EaseOff) && !long {
        return true;
    }
    let seen = |yes: bool| Seen {
        empty: Some(yes),
        same: Some(yes),
        none: yes,
        bowl: false,
        laid: false,
        gone: yes,
        clear: yes,
    };
    let does = |asked: &Asked| !matches!(asked, Asked::Unclear | Asked::Stop);
    let read = |seen| read(cue, seen, |_| 0).asked;
    let named = [seen(true), seen(false)].map(|seen| read(seen).iter().any(does));
    cue.kind != CueKind::Hold && (named.contains(&true) || !cue.choices.is_empty())
}

fn play_all(cases: usize) -> Vec<(String, Came)> {
    let next = AtomicUsize::new(0);
    let found = Mutex::new(Vec::new());
    let threads = std::thread::available_parallelism().map_or(1, usize::from);
    std::thread::scope(|scope| {
        for _ in 0..threads {
            scope.spawn(|| {
                loop {
                    let n = next.fetch_add(1, Ordering::Relaxed);
                    if n >= cases {
                        return;
                    }
                    let (_, spec) = case(Kind::Obey, n);
                    let came = play(&spec);
                    found.lock().unwrap().push((n, came));
                }
            });
        }
    });
    let mut found = found.into_inner().unwrap();
    found.sort_by_key(|&(n, _)| n);
    let named = found.into_iter();
    named.map(|(n, came)| (format!("Obey:{n}"), came)).collect()
}

/// The cases that went on without end, by how, in which state and by which sentence, the most first.
fn print_endless(found: &[(String, Came)]) -> usize {
    let mut classes: BTreeMap<(&str, &str, String), Vec<String>> = BTreeMap::new();
    for (name, came) in found {
        if let Some((how, say)) = &came.endless {
            let class = classes.entry((how, came.state, bare(say))).or_default();
            class.push(format!(
                "{name} calm in [{}], {}\n         {say}",
                came.calm_in, came.mishaps
            ));
        }
    }
    let mut classes: Vec<_> = classes.into_iter().collect();
    classes.sort_by_key(|(_, cases)| std::cmp::Reverse(cases.len()));
    for ((how, state, say), cases) in &classes {
        println!("{:4} {how} in [{state}]: {say}", cases.len());
        for case in cases.iter().take(number("BISMAR_WORLD_EXAMPLES", 3)) {
            println!("       {case}");
        }
    }
    classes.iter().map(|(_, cases)| cases.len()).sum()
}

#[test]
fn whoever_obeys_gets_on_from_any_state() {
    let cases = number("BISMAR_WORLD_OBEY", CASES);
    let found = play_all(cases);
    println!("\ncases that went on without end");
    let endless = print_endless(&found);

    let mut waits: BTreeMap<&str, (usize, usize)> = BTreeMap::new();
    let mut untold: BTreeMap<(&str, String), Vec<&str>> = BTreeMap::new();
    for (name, came) in &found {
        for wait in &came.waits {
            if NOT_FOR_A_PERSON.contains(&wait.state) {
                continue;
            }
            let (all, mute) = waits.entry(wait.state).or_default();
            *all += 1;
            if !names_something(wait) {
                *mute += 1;
                let cue = &wait.cue;
                let what = format!("{}: {}", cue.kind.name(), bare(&cue.say));
                untold.entry((wait.state, what)).or_default().push(name);
            }
        }
    }
    println!("\nwaits at rest in which the sentence names nothing to do");
    for ((state, say), names) in &untold {
        println!("{:4} in [{state}]: {say}  ({})", names.len(), names[0]);
    }
    println!("\n| state | waits at rest | nothing named |\n| --- | ---: | ---: |");
    for (state, (all, mute)) in &waits {
        println!("| {state} | {all} | {mute} |");
    }
    let all: usize = waits.values().map(|(all, _)| all).sum();
    let mute: BTreeSet<&str> = untold.values().flatten().copied().collect();
    let mute = mute.len();
    println!(
        "{endless} of {cases} cases went on without end, {mute} had a wait that named nothing"
    );

    let known = states();
    let told: BTreeSet<&str> = waits.keys().copied().collect();
    assert!(
        NOT_FOR_A_PERSON.iter().all(|state| known.contains(state)),
        "a state has another name now: {known:?}"
    );
    assert!(told.is_subset(&known), "{told:?}");
    let mut missed = known.clone();
    missed.retain(|state| !told.contains(state) && !NOT_FOR_A_PERSON.contains(state));
    assert!(missed.is_empty(), "no case waited in {missed:?}");
    let share = |part: usize, of: usize| part as f64 / of.max(1) as f64;
    assert!(
        share(endless, cases) <= MOST_ENDLESS,
        "{endless} cases went on"
    );
    assert!(
        share(mute, cases) <= MOST_UNTOLD,
        "in {mute} cases a wait named nothing"
    );
    faults::report(
        "obeying from any state",
        "worlds as \"all mixed\" on every kind of scale, jars too, calm from a random moment after the first \
         mishap on: from then on each sentence is obeyed and nothing else is done",
        format!(
            "{cases} worlds, {all} waits of a second and more at rest in {} states",
            told.len()
        ),
        &format!(
            "each step recorded or the batch ended within {MOST_MOVES} moves: all but {:.1} % (aim: all); no wait \
             at rest without something to do in the sentence or an answer (to hold still is something for 5 s): \
             all but {:.1} % (aim: all); every state that waits for a person was waited in",
            100.0 * MOST_ENDLESS,
            100.0 * MOST_UNTOLD
        ),
        format!(
            "{endless} worlds went on without end ({:.1} %); {mute} worlds had a wait that named nothing ({:.1} %)",
            100.0 * share(endless, cases),
            100.0 * share(mute, cases)
        ),
    );
}
