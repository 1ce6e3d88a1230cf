//! The engine in a hostile world: a literal person, every kind of scale, everything that goes wrong,
//! and the truth to the nanogram.
//!
//! The person ([`bismar::rehearsal::literal`]) knows nothing but the sentences, so that a sentence that
//! does not say what to do is found too. A case is judged by the last row of each step: wrong is what is
//! further than 2 U from what was in the vessel when it was lifted (in a bowl: for good). Columns:
//!
//! - `carried`: right as a weighing, but after a kill (or a mistaken `again`) the vessel held something
//!   of the step already, which only a question could bring to light.
//! - `hidden`: wrong where no reading can tell (see `judge::is_hidden`).
//! - `wrong then`: an earlier row that was wrong at its own moment.
//! - `stuck`: more than 12 moves of obeying without a weight, counted from the end of the mishap.
//! - `silent`: nothing was said for a minute, and what was said last asked for nothing more.
//! - `wait`: seconds from the last pour to the record.
//!
//! `BISMAR_WORLD_CASES` sets how many cases of each mishap are played (default below), `BISMAR_WORLD_RUN`
//! another draw of all of them. `BISMAR_WORLD_CASE=Tare:17` prints one case in full, under the name
//! that the tables give it (`Clean/AverageLong:3` for a scale without mishap, `Mixed:5`).
//! `BISMAR_WORLD_ONLY` plays only what begins with this name, `BISMAR_WORLD_KNOWN` each case twice: the second time
//! what the first learned of the scale is known from the start.
//!
//! `worlds/obey.rs` asks whether obeying is enough from any state, `worlds/killed.rs` what a kill costs.

mod draw;
mod judge;
mod killed;
mod obey;
mod story;

use std::collections::BTreeMap;
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Instant;

use bismar::formula::VesselWay;
use bismar::rehearsal::literal::{CaseSpec, Mishap, Outcome, Planned, run};
use bismar::time::Moment;
use draw::Family;
use judge::{Tally, judge};

use crate::bench_side::faults;

/// What is held to be too much. The aim of the first two is nothing but what no reading tells (DEVELOPERS.md);
/// these are what this engine reaches in this world, with little to spare, so that a change for the worse fails.
const LIMITS: [(&str, Measure, f64); 8] = [
    ("wrong weights, of those recorded", wrong, 0.003),
    ("wrong then, of those recorded", wrong_then, 0.0105),
    ("recorded twice, of the steps", twice, 0.0),
    ("skipped, of the steps", skipped, 0.0),
    ("stuck, of the steps", stuck, 0.001),
    ("silent, of the steps", silent, 0.0005),
    ("outside U, of those recorded", outside, 0.02),
    (
        "clean steps that need a word and hold no more than asked",
        clean_words,
        0.01,
    ),
];

/// A share of a tally, of all and of the clean steps.
type Measure = fn(&Tally, &Tally) -> f64;

fn share(part: usize, of: usize) -> f64 {
    part as f64 / of.max(1) as f64
}

fn wrong(all: &Tally, _: &Tally) -> f64 {
    share(all.wrong.len(), all.recorded)
}

fn wrong_then(all: &Tally, _: &Tally) -> f64 {
    share(all.wrong_then.len(), all.recorded)
}

fn twice(all: &Tally, _: &Tally) -> f64 {
    share(all.doubled.len(), all.steps)
}

fn skipped(all: &Tally, _: &Tally) -> f64 {
    share(all.skipped.len(), all.steps)
}

fn stuck(all: &Tally, _: &Tally) -> f64 {
    share(all.stuck.len(), all.steps)
}

fn silent(all: &Tally, _: &Tally) -> f64 {
    share(all.silent.len(), all.steps)
}

fn outside(all: &Tally, _: &Tally) -> f64 {
    1.0 - share(all.within, all.recorded)
}

fn clean_words(_: &Tally, clean: &Tally) -> f64 {
    share(clean.worded - clean.overdone, clean.steps)
}

/// Cases of each mishap, of each family of scales without one, and of all mixed.
const CASES: usize = 40;
const CLEAN_CASES: usize = 30;
const MIXED_CASES: usize = 200;

fn number(name: &str, default: usize) -> usize {
    let text = std::env::var(name).ok();
    text.and_then(|text| text.parse().ok()).unwrap_or(default)
}

/// What is played.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Kind {
    Clean(Family),
    Alone(Mishap),
    Mixed,
    /// The same while jars are filled.
    Jars,
    /// All mixed, jars too, until it goes calm.
    Obey,
    /// The process is killed, and known beakers are in the configuration.
    Killed(Mishap),
}

impl Kind {
    fn name(self) -> String {
        match self {
            Kind::Clean(family) => format!("Clean/{family:?}"),
            Kind::Alone(mishap) => format!("{mishap:?}"),
            Kind::Mixed => "Mixed".to_owned(),
            Kind::Jars => "Jars".to_owned(),
            Kind::Obey => "Obey".to_owned(),
            Kind::Killed(mishap) => format!("Killed/{mishap:?}"),
        }
    }

    fn all() -> Vec<Kind> {
        let clean = Family::ALL.into_iter().map(Kind::Clean);
        let alone = Mishap::ALL.into_iter().map(Kind::Alone);
        clean
            .chain(alone)
            .chain([Kind::Mixed, Kind::Jars])
            .collect()
    }
}

/// The families that a mishap is played with alone, and those for all mixed.
const TOLD: [Family; 19] = told();
const MIXED: [Family; 20] = mixed();

const fn told() -> [Family; 19] {
    let mut told = [Family::Plain; 19];
    let (mut from, mut to) = (0, 0);
    while from < Family::ALL.len() {
        if !matches!(Family::ALL[from], Family::Untold | Family::PaddedUntold) {
            told[to] = Family::ALL[from];
            to += 1;
        }
        from += 1;
    }
    told
}

const fn mixed() -> [Family; 20] {
    let mut mixed = [Family::Untold; 20];
    let mut at = 0;
    while at < TOLD.len() {
        mixed[at] = TOLD[at];
        at += 1;
    }
    mixed
}

/// Where a mishap can come to pass at all.
fn ways_of(mishap: Mishap) -> &'static [VesselWay] {
    match mishap {
        Mishap::SwapNear
        | Mishap::SwapOther
        | Mishap::SwapPartFilled
        | Mishap::Decanted
        | Mishap::PartFilledAsKnown
        | Mishap::Residue
        | Mishap::KillSwapKnown
        | Mishap::KillSwapUnknown => &[VesselWay::Beaker],
        Mishap::ScoopEarly
        | Mishap::DropsEarly
        | Mishap::AddedAfterRecord
        | Mishap::LiftedAndPoured
        | Mishap::Evaporation => &draw::WAYS[..5],
        _ => &draw::WAYS,
    }
}

fn quietly(spec: &CaseSpec) -> Outcome {
    run(spec, false, |_, _| {})
}

/// Case number `n` of a kind: the same case on any machine.
fn case(kind: Kind, n: usize) -> (Family, CaseSpec) {
    let run = number("BISMAR_WORLD_RUN", 1) as u64;
    let salt = kind.name().bytes().fold(run, |sum, byte| {
        sum.wrapping_mul(0x0100_0000_01b3) ^ u64::from(byte)
    });
    let seed = salt.wrapping_mul(1_000_003).wrapping_add(n as u64);
    let mut rng = fastrand::Rng::with_seed(seed ^ 0x5eed);
    let family = match kind {
        Kind::Clean(family) => family,
        // A step that nobody told and no reading shows would drown everything else.
        Kind::Alone(_) | Kind::Killed(_) => TOLD[n % TOLD.len()],
        Kind::Mixed | Kind::Jars | Kind::Obey => MIXED[n % MIXED.len()],
    };
    let steps = match kind {
        Kind::Clean(_) | Kind::Alone(_) | Kind::Killed(_) => 2,
        Kind::Mixed | Kind::Jars => 4,
        Kind::Obey => 3,
    };
    let ways: &[VesselWay] = match kind {
        Kind::Alone(mishap) | Kind::Killed(mishap) => ways_of(mishap),
        Kind::Clean(_) | Kind::Mixed => &draw::WAYS,
        Kind::Jars => &[VesselWay::Jar],
        Kind::Obey if n % 8 == 7 => &[VesselWay::Jar],
        Kind::Obey => &draw::WAYS,
    };
    let mut spec = draw::case(family, steps, ways, seed);
    let mishaps: Vec<Mishap> = match kind {
        Kind::Clean(_) => return (family, spec),
        Kind::Alone(mishap) => vec![mishap],
        Kind::Killed(mishap) => {
            draw::know(&mut spec);
            vec![mishap]
        }
        Kind::Mixed | Kind::Jars | Kind::Obey => (0..rng.usize(2..6))
            .map(|_| Mishap::ALL[rng.usize(0..Mishap::ALL.len())])
            .collect(),
    };
    // Played once without: so that the moment can be any of the whole step.
    let clean = quietly(&spec);
    for mishap in mishaps {
        let step = rng.usize(1..=steps);
        let Some(story) = clean.stories.get(&step).or(clean.stories.get(&1)) else {
            continue;
        };
        let (from, until) = (story.begun.0, story.until.0.max(story.begun.0 + 1));
        let at = Moment(from + (rng.f64() * (until - from) as f64) as u64);
        let at = match mishap {
            // These have a moment of their own within the step.
            Mishap::ScoopEarly
            | Mishap::DropsEarly
            | Mishap::UnitAtLanding
            | Mishap::Residue
            | Mishap::PartFilledAsKnown
            | Mishap::AddedAfterRecord => Moment(from),
            _ => at,
        };
        let step = story.step;
        spec.planned.push(Planned { mishap, step, at });
    }
    if kind == Kind::Obey {
        // The rarer states: a limit that is broken, an emptied beaker, the TARE key under a vessel.
        if n % 8 == 3 {
            draw::limit(&mut spec.plan);
        }
        let more = [
            None,
            Some(Mishap::WordResidue),
            None,
            None,
            Some(Mishap::Tare),
        ];
        if let Some(Some(mishap)) = more.get(n % 8) {
            let mishap = *mishap;
            let until = clean.now.0;
            spec.planned.extend((1..=3).map(|step| Planned {
                mishap,
                step,
                at: Moment((rng.f64() * until as f64) as u64),
            }));
        }
        spec.calm = obey::calm(&spec, n);
    }
    (family, spec)
}

struct Sums {
    kinds: BTreeMap<Kind, Tally>,
    families: BTreeMap<Family, Tally>,
}

fn play_all(jobs: &[(Kind, usize)]) -> Sums {
    let next = AtomicUsize::new(0);
    let sums = Mutex::new(Sums {
        kinds: BTreeMap::new(),
        families: BTreeMap::new(),
    });
    let threads = std::thread::available_parallelism().map_or(1, usize::from);
    std::thread::scope(|scope| {
        for _ in 0..threads {
            scope.spawn(|| {
                while let Some(&(kind, n)) = jobs.get(next.fetch_add(1, Ordering::Relaxed)) {
                    let (family, spec) = known_or_not(case(kind, n));
                    let outcome = quietly(&spec);
                    let tally = judge(&format!("{}:{n}", kind.name()), &spec, &outcome);
                    let mut sums = sums.lock().unwrap();
                    sums.kinds.entry(kind).or_default().add(&tally);
                    if !matches!(kind, Kind::Clean(_)) {
                        sums.families.entry(family).or_default().add(&tally);
                    }
                }
            });
        }
    });
    sums.into_inner().unwrap()
}

/// With the scale learned by one batch before, where that is asked for.
fn known_or_not((family, mut spec): (Family, CaseSpec)) -> (Family, CaseSpec) {
    if std::env::var_os("BISMAR_WORLD_KNOWN").is_some() {
        spec.known = quietly(&spec).learned;
    }
    (family, spec)
}

/// The case that the tables name so, as `Tare:17`.
pub fn named(name: &str) -> (Family, CaseSpec) {
    let (kind, n) = name.split_once(':').expect("a name like Tare:17");
    let killed = killed::KINDS.map(|(mishap, _)| Kind::Killed(mishap));
    let mut kinds = Kind::all().into_iter().chain([Kind::Obey]).chain(killed);
    let kind = kinds.find(|other| other.name() == kind);
    case(kind.expect("a kind of case"), n.parse().expect("a number"))
}

fn print_case(name: &str) {
    let (family, spec) = known_or_not(named(name));
    println!("{family:?}");
    story::print(&spec);
    let outcome = story::play(&spec);
    let tally = judge(name, &spec, &outcome);
    println!("{}\n{}", Tally::head(), tally.line(name));
    println!("{}", tally.examples(9));
    println!("{:?} unclear {:?}", outcome.end, outcome.unclear);
}

fn print_sentences(what: &str, sentences: &BTreeMap<String, usize>) {
    println!("\n{what}");
    let mut sentences: Vec<_> = sentences.iter().collect();
    sentences.sort_by_key(|&(_, count)| std::cmp::Reverse(*count));
    for (sentence, count) in sentences.into_iter().take(60) {
        println!("{count:6}  {sentence}");
    }
}

#[test]
fn a_literal_person_in_a_hostile_world() {
    if let Ok(name) = std::env::var("BISMAR_WORLD_CASE") {
        print_case(&name);
        return;
    }
    let only = std::env::var("BISMAR_WORLD_ONLY").unwrap_or_default();
    let cases = number("BISMAR_WORLD_CASES", CASES);
    let part = |many: usize| (many * cases).div_ceil(CASES);
    let jobs: Vec<(Kind, usize)> = Kind::all()
        .into_iter()
        .filter(|kind| kind.name().starts_with(&only))
        .flat_map(|kind| {
            let many = match kind {
                Kind::Clean(_) => part(CLEAN_CASES),
                Kind::Alone(_) => cases,
                Kind::Mixed | Kind::Jars => part(MIXED_CASES),
                Kind::Obey | Kind::Killed(_) => 0,
            };
            (0..many).map(move |n| (kind, n))
        })
        .collect();
    let began = Instant::now();
    let sums = play_all(&jobs);
    let took = began.elapsed().as_secs_f64();

    let mut all = Tally::default();
    for part in ["clean, by scale", "each mishap alone", "mixed"] {
        println!("\n{part}\n{}", Tally::head());
        for (kind, tally) in &sums.kinds {
            let mine = match kind {
                Kind::Clean(_) => "clean, by scale",
                Kind::Alone(_) => "each mishap alone",
                Kind::Mixed | Kind::Jars | Kind::Obey | Kind::Killed(_) => "mixed",
            };
            if mine == part {
                println!("{}", tally.line(&kind.name()));
                all.add(tally);
            }
        }
    }
    println!("\nwith mishaps, by scale\n{}", Tally::head());
    for (family, tally) in &sums.families {
        println!("{}", tally.line(&format!("{family:?}")));
    }
    println!("\nall\n{}\n{}", Tally::head(), all.line("all"));
    println!("\nexamples");
    for (kind, tally) in &sums.kinds {
        let examples = tally.examples(number("BISMAR_WORLD_EXAMPLES", 3));
        if !examples.is_empty() {
            println!("  {}\n{examples}", kind.name());
        }
    }
    print_sentences("sentences that stood when it went no further", &all.ends);
    print_sentences(
        "sentences that a literal person cannot follow",
        &all.unclear,
    );
    println!("\n{} cases, {} steps in {took:.1} s", jobs.len(), all.steps);
    let mut clean = Tally::default();
    for (kind, tally) in &sums.kinds {
        if matches!(kind, Kind::Clean(_)) {
            clean.add(tally);
        }
    }
    println!("\n| limit | allowed | measured | |\n| --- | ---: | ---: | --- |");
    let mut over = Vec::new();
    for (what, measure, most) in LIMITS {
        let measured = measure(&all, &clean);
        let word = if measured > most { "over" } else { "" };
        println!("| {what} | {most:.4} | {measured:.4} | {word} |");
        if measured > most {
            over.push(what);
        }
    }
    assert!(all.steps > 0);
    // A draw of one's own, or a part of the cases, is looked at and not judged.
    let whole = [
        "BISMAR_WORLD_ONLY",
        "BISMAR_WORLD_RUN",
        "BISMAR_WORLD_KNOWN",
    ];
    let whole = whole.iter().all(|name| std::env::var_os(name).is_none());
    if whole && cases >= CASES {
        assert!(over.is_empty(), "over the limit: {over:?}");
        report(&sums);
    }
}

/// Rows and tables of `tests/FAULTS.md`.
fn report(sums: &Sums) {
    let (mut clean, mut alone, mut mixed) = Default::default();
    let mut faults = Tally::short_head().to_owned();
    let mut scales = faults.clone();
    for (kind, tally) in &sums.kinds {
        let (part, table, name): (&mut Tally, _, _) = match kind {
            Kind::Clean(family) => (&mut clean, &mut scales, format!("{family:?}")),
            Kind::Alone(mishap) => (&mut alone, &mut faults, format!("{mishap:?}")),
            Kind::Mixed | Kind::Jars | Kind::Obey | Kind::Killed(_) => {
                (&mut mixed, &mut faults, kind.name())
            }
        };
        part.add(tally);
        *table += &tally.short_line(&name);
    }
    for (family, tally) in &sums.families {
        scales += &tally.short_line(&format!("{family:?}, with mishaps"));
    }
    faults::report_table(
        "the literal worlds, by what goes wrong",
        "Simulated (`tests/engine/worlds.rs`): each mishap at a random moment of one of two steps; Mixed and Jars: \
         two to five of them in four steps. Wrong: further than 2 U from what the vessel held, where a \
         reading could tell.",
        &faults,
    );
    faults::report_table(
        "the literal worlds, by scale",
        "The same by kind of scale (`tests/engine/worlds/draw.rs` says what each is): first without a mishap, then \
         with.",
        &scales,
    );
    let limits = LIMITS
        .iter()
        .map(|(what, _, most)| format!("{what}: {:.1} %", 100.0 * most));
    let limits = limits.collect::<Vec<_>>().join("; ");
    let holds = format!(
        "of this row and the next two together at most so many (today's limits; aim: none but what no reading \
         tells): {limits}"
    );
    let (scales, mishaps) = (Family::ALL.len(), Mishap::ALL.len());
    for (fault, how, holds, tally) in [
        (
            "every mishap alone, in the hostile world",
            format!(
                "simulated: a person who does what the sentences say and nothing else, {scales} kinds of scale, one \
                 of {mishaps} mishaps at a random moment"
            ),
            holds.as_str(),
            &alone,
        ),
        (
            "all mixed, in the hostile world",
            "the same, two to five of them in a batch of four steps; beakers, bowls, sources and jars".to_owned(),
            "as above",
            &mixed,
        ),
        (
            "each kind of scale without a mishap",
            "the same, and nothing goes wrong".to_owned(),
            "as above",
            &clean,
        ),
    ] {
        let measured = format!(
            "{} weights, {} wrong, {:.1} % within U; {} steps stuck, {} silent, {} needed a word",
            tally.recorded,
            tally.wrong.len(),
            100.0 * share(tally.within, tally.recorded),
            tally.stuck.len(),
            tally.silent.len(),
            tally.worded,
        );
        faults::report(fault, &how, format!("{} steps", tally.steps), holds, measured);
    }
}

/// The person is only worth something if it reads right: sentences, what can be seen, what is then done.
#[test]
fn the_reader_does_what_a_sentence_says() {
    use bismar::mass::Mass;
    use bismar::rehearsal::literal::reader::{Asked, Seen, read};
    use bismar::vocabulary::command::{Choice, Command};
    use bismar::vocabulary::cue::{Cue, CueKind};

    let nothing = Seen {
        empty: None,
        same: None,
        none: true,
        bowl: false,
        laid: false,
        gone: false,
        clear: false,
    };
    let seen = |empty: bool, same: bool, none: bool| Seen {
        empty: Some(empty),
        same: Some(same),
        none,
        ..nothing
    };
    let lift_and_back = "Lift the beaker, wait for the scale to rest, put the beaker back.";
    let is_empty = "Say next if it is empty; say again if it is not.";
    let same = "Say again and begin with an empty beaker; or say next, but only if it is the very same beaker.";
    let holds = "Say next if the beaker holds no salt yet; if it does, lift it off and take that out first.";
    let of_that = "Say next if nothing of that is in it yet; if some is, lift it off and take that out first.";
    let less = "3.00 g less than before. Say again if something else lay there: a lid, a spoon, another vessel, a hand before \
                the pour. Say next if that much salt was taken out, or if something only pressed on it while you poured.";
    let gone = Seen {
        gone: true,
        ..nothing
    };
    let clear = Seen {
        clear: true,
        ..nothing
    };
    let off = "Lift the bowl. Say next if nothing is on the scale.";
    let (next, again) = (Asked::Say(Command::Next), Asked::Say(Command::Again));
    let cases: [(CueKind, &str, Seen, Vec<Asked>); 18] = [
        (CueKind::Lift, off, nothing, vec![Asked::Lift]),
        (CueKind::Lift, off, clear, vec![Asked::Lift, next.clone()]),
        (CueKind::Choose, less, nothing, vec![next.clone()]),
        (CueKind::Choose, less, gone, vec![again.clone()]),
        (
            CueKind::Place,
            "Place an empty beaker.",
            nothing,
            vec![Asked::Place { back: false }],
        ),
        (
            CueKind::Place,
            "Put the bowl back.",
            nothing,
            vec![Asked::Place { back: true }],
        ),
        (
            CueKind::Add,
            "4.20 g to add: salt.",
            nothing,
            vec![Asked::Add(Mass::from_mg(4200))],
        ),
        (
            CueKind::Lift,
            "Recorded 4.20 g. Lift the beaker.",
            nothing,
            vec![Asked::Lift],
        ),
        (
            CueKind::Fault,
            lift_and_back,
            nothing,
            vec![Asked::LiftAndBack],
        ),
        (
            CueKind::Choose,
            is_empty,
            seen(true, true, true),
            vec![next.clone()],
        ),
        (
            CueKind::Choose,
            is_empty,
            seen(false, true, true),
            vec![again.clone()],
        ),
        (
            CueKind::Choose,
            same,
            seen(true, false, true),
            vec![again.clone()],
        ),
        (
            CueKind::Choose,
            holds,
            seen(true, true, true),
            vec![next.clone()],
        ),
        (
            CueKind::Choose,
            holds,
            seen(false, true, false),
            vec![Asked::Lift, Asked::TakeAllOut],
        ),
        (
            CueKind::Choose,
            of_that,
            seen(true, true, true),
            vec![next.clone()],
        ),
        (
            CueKind::Choose,
            of_that,
            seen(false, true, false),
            vec![Asked::Lift, Asked::TakeAllOut],
        ),
        (
            CueKind::Fault,
            "0.04 g stayed on the scale. Wipe it off.",
            nothing,
            vec![Asked::ClearPan],
        ),
        (
            CueKind::Fault,
            "Something is odd.",
            nothing,
            vec![Asked::Unclear],
        ),
    ];
    for (kind, say, seen, wanted) in cases {
        let cue = Cue {
            kind,
            say: say.into(),
            step: 1,
            missing: None,
            choices: match kind {
                CueKind::Choose => vec![Choice::Next, Choice::Again],
                _ => vec![],
            },
            urgent: false,
            lead: 0,
            asks: None,
        };
        let mut found = read(&cue, seen, |_| 0).asked;
        // "Begin with an empty beaker" is what follows the word by itself.
        found.dedup();
        let begins = |asked: &Asked| *asked != Asked::Place { back: false };
        if wanted == [again.clone()] {
            found.retain(begins);
        }
        assert_eq!(found, wanted, "{say}");
    }
}
