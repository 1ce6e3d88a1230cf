//! `bismar scale-check` and `bismar repeatability`: the guide by itself, and both commands with the
//! real daemon and a simulated scale on a real pty.

use std::collections::BTreeMap;
use std::fs;
use std::io::{BufRead as _, BufReader};
use std::path::Path;
use std::process::{Child, Stdio};
use std::sync::atomic::{AtomicBool, AtomicI64, Ordering};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use bismar::guide::{Guide, Seen, Told};
use bismar::mass::Mass;
use bismar::rehearsal::SimScaleSpec;
use bismar::rehearsal::pty::PtyLine;
use bismar::rehearsal::scale::SimScale;
use bismar::time::Moment;
use proptest::prelude::*;

use crate::bench_side::logs::{LOGS, rows};
use crate::bench_side::person::{self, Person, Said};
use crate::bench_side::{Daemon, LONGEST, config};

const D: Mass = Mass::from_mg(10);

fn hundredths(count: i64) -> Mass {
    Mass::from_mg(10 * count)
}

/// Feeds readings of `(weight in 0.01 g, steady)`, ten a second, and gives all that was said.
fn feed(guide: &mut Guide, clock: &mut u64, readings: &[(i64, bool)]) -> Vec<Told> {
    let mut told = Vec::new();
    for &(weight, steady) in readings {
        *clock += 100;
        told.extend(guide.see(Seen {
            at: Moment::from_millis(*clock),
            weight: hundredths(weight),
            steady,
        }));
    }
    told
}

const fn still(weight: i64) -> [(i64, bool); 4] {
    [(weight, true); 4]
}

// ---- the guide -------------------------------------------------------------------------------------

#[test]
fn a_check_goes_from_empty_to_empty() {
    let mut guide = Guide::new(1, Some(Mass::from_g(100)), D);
    let mut now = 0;
    let put_on = Told::PutOn { round: 1, of: 1 };
    assert_eq!(feed(&mut guide, &mut now, &still(0)), [put_on]);
    assert_eq!(feed(&mut guide, &mut now, &[(5_000, false)]), []);
    let shown = hundredths(10_001);
    assert_eq!(
        feed(&mut guide, &mut now, &still(10_001)),
        [Told::Lift { shown }]
    );
    assert!(guide.taken().is_empty(), "nothing counts before the lift");
    let counted = Told::Counted {
        round: 1,
        net: shown,
    };
    assert_eq!(feed(&mut guide, &mut now, &still(0)), [counted, Told::Done]);
    assert!(guide.is_done());
}

#[test]
fn what_is_not_certain_does_not_count_and_is_said() {
    let mut now = 0;
    let fresh = || Guide::new(1, Some(Mass::from_g(100)), D);
    // Something on the pan at the beginning.
    let mut guide = fresh();
    let shown = hundredths(15_120);
    assert_eq!(
        feed(&mut guide, &mut now, &still(15_120)),
        [Told::ClearPan { shown }]
    );
    // Another weight than the one that was named.
    let mut guide = fresh();
    feed(&mut guide, &mut now, &still(0));
    let not_that = feed(&mut guide, &mut now, &still(5_000));
    assert!(
        matches!(not_that[..], [Told::NotThat { .. }]),
        "{not_that:?}"
    );
    // The zero moves by more than a step while the weight is on.
    let mut guide = fresh();
    feed(&mut guide, &mut now, &still(0));
    feed(&mut guide, &mut now, &still(10_000));
    let by = hundredths(3);
    let moved = feed(&mut guide, &mut now, &still(3)[..3]);
    assert_eq!(moved, [Told::ZeroMoved { by }]);
    assert!(guide.taken().is_empty());
    // Half of it is lifted, or a hand leans on it.
    let mut guide = fresh();
    feed(&mut guide, &mut now, &still(0));
    feed(&mut guide, &mut now, &still(10_000));
    let changed = feed(&mut guide, &mut now, &still(8_000)[..3]);
    assert!(matches!(changed[..], [Told::Changed { .. }]), "{changed:?}");
    // Four seconds without a reading.
    let mut guide = fresh();
    feed(&mut guide, &mut now, &still(0));
    feed(&mut guide, &mut now, &still(10_000));
    now += 4_000;
    let unseen = feed(&mut guide, &mut now, &still(0)[..1]);
    assert_eq!(unseen, [Told::Interrupted]);
    assert!(guide.taken().is_empty());
}

proptest! {
    /// Whatever comes, a weight that is taken was shown steady, by three readings in a row, and so
    /// was its empty pan.
    #[test]
    fn no_unsteady_reading_is_ever_taken(
        stretches in prop::collection::vec(
            (prop::sample::select(vec![0i64, 1, 2, 4_000, 9_999, 10_000, 10_001, 10_030]),
             prop::bool::weighted(0.8), 1usize..8), 1..60),
    ) {
        let mut guide = Guide::new(3, Some(Mass::from_g(100)), D);
        let mut now = 0;
        let mut shown: Vec<(i64, bool)> = Vec::new();
        let mut rested = std::collections::BTreeSet::new();
        for (weight, steady, count) in stretches {
            for _ in 0..count {
                shown.push((weight, steady));
                if let [.., a, b, c] = shown[..]
                    && a.1 && b.1 && c.1
                    && (a.0 - c.0).abs() <= 1 && (a.0 - b.0).abs() <= 1 && (b.0 - c.0).abs() <= 1
                {
                    rested.insert(hundredths(weight));
                }
                feed(&mut guide, &mut now, &[(weight, steady)]);
            }
        }
        for taken in guide.taken() {
            prop_assert!(rested.contains(&taken.empty) && rested.contains(&taken.loaded));
        }
    }
}

// ---- the commands ----------------------------------------------------------------------------------

const FORMULA: &str = "[formula]\nname = \"Glasswort soak\"\nversion = 2\n[[phase]]\nname = \"Dry\"\n\
    [[phase.ingredient]]\nname = \"Sea salt\"\nbalance = true\ntolerance = { percent = 2.0 }\n";

/// A simulated scale on a pty, with a load that the test sets.
struct Bench {
    load: Arc<AtomicI64>,
    stop: Arc<AtomicBool>,
}

impl Bench {
    fn start(port: std::path::PathBuf) -> Bench {
        let line = PtyLine::open(port).unwrap();
        let bench = Bench {
            load: Arc::default(),
            stop: Arc::default(),
        };
        let (load, stop) = (Arc::clone(&bench.load), Arc::clone(&bench.stop));
        std::thread::spawn(move || {
            let mut scale = SimScale::new(SimScaleSpec {
                rate: 25.0,
                tau: 0.03,
                noise: 0.0,
                seed: 5,
                ..SimScaleSpec::default()
            });
            let begun = Instant::now();
            let mut out = Vec::new();
            while !stop.load(Ordering::Relaxed) {
                scale.set_load(load.load(Ordering::Relaxed) as f64 / 1000.0);
                scale.advance(
                    Moment::from_millis(begun.elapsed().as_millis() as u64),
                    &mut out,
                );
                for (_, bytes) in out.drain(..) {
                    line.write(&bytes);
                }
                std::thread::sleep(Duration::from_millis(10));
            }
        });
        bench
    }

    fn put(&self, milligrams: i64) {
        self.load.store(milligrams, Ordering::Relaxed);
    }
}

impl Drop for Bench {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
    }
}

/// A child that is killed when dropped.
struct Killed(Child);

impl Drop for Killed {
    fn drop(&mut self) {
        // Ended already, where the test went well.
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// A person who does what the command says: `loads` in milligrams, one after another. `asked` sees
/// each line before it is followed.
fn guided(
    person: &Person,
    bench: &Bench,
    args: &[&str],
    loads: &[i64],
    mut asked: impl FnMut(&str),
) -> Said {
    let mut command = person.command(args);
    command.stdout(Stdio::piped()).stderr(Stdio::piped());
    let mut child = Killed(command.spawn().unwrap());
    // A watchdog: a command that waits for ever must fail the test, not hang it.
    let pid = child.0.id();
    let over = Arc::new(Mutex::new(false));
    let watched = Arc::clone(&over);
    std::thread::spawn(move || {
        std::thread::sleep(LONGEST);
        let over = watched.lock().unwrap();
        if let (false, Some(pid)) = (*over, rustix::process::Pid::from_raw(pid as i32)) {
            let _ = rustix::process::kill_process(pid, rustix::process::Signal::KILL);
        }
    });
    let mut loads = loads.iter();
    let mut out = String::new();
    for line in BufReader::new(child.0.stdout.take().unwrap()).lines() {
        let line = line.unwrap();
        asked(&line);
        if line.contains(" on.") {
            bench.put(*loads.next().expect("a load for each weighing"));
        } else if line.contains("Lift it") {
            bench.put(0);
        }
        out.push_str(&line);
        out.push('\n');
    }
    let mut err = String::new();
    let mut stderr = child.0.stderr.take().unwrap();
    std::io::Read::read_to_string(&mut stderr, &mut err).unwrap();
    let mut over = over.lock().unwrap();
    let code = child.0.wait().unwrap().code();
    *over = true;
    Said { code, out, err }
}

fn table(person: &Person) -> Vec<BTreeMap<String, String>> {
    rows(&person.path(LOGS).join("scale-checks.csv"))
}

const CHECK: [&str; 5] = ["scale-check", "--weight", "100g", "--class", "m1"];
const BEGIN: [&str; 4] = ["begin", "soak.toml", "--batch", "100g"];

/// The usual configuration; `first` stands above it.
fn configure(person: &Person, port: &Path, first: &str) {
    person.configures(&format!("{first}{}", config(port, "0.01 g")));
}

#[test]
fn a_batch_begins_only_after_the_scale_has_passed_its_check_of_the_day() {
    let person = Person::new();
    let port = person.path("scale");
    let bench = Bench::start(port.clone());
    configure(&person, &port, "daily_scale_check = true\n");
    person.file("soak.toml", FORMULA);
    let _daemon = Daemon::start(&person);

    let refused = person.run(&BEGIN).ended(1);
    assert!(
        refused.err.contains("scale bench has no check of today"),
        "{refused:?}"
    );
    assert!(
        refused.err.contains("bismar scale-check --scale bench"),
        "{refused:?}"
    );

    // 100.05 g where 0.0266 g is allowed: not passed, and still refused.
    let said = guided(&person, &bench, &CHECK, &[100_050], |_| {}).ended(1);
    assert!(said.out.contains("NOT passed: 0.05 g off"), "{said:?}");
    let refused = person.run(&BEGIN).ended(1);
    assert!(
        refused.err.contains("did not pass its last check"),
        "{refused:?}"
    );

    // The wrong weight first: it is said, and nothing is taken of it. Meanwhile a second check is
    // refused, since this one holds the log.
    let mut second = None;
    let said = guided(&person, &bench, &CHECK, &[50_000, 100_000], |line| {
        if line.contains("Put the weight on") {
            second = Some(person.run(&CHECK));
        }
    })
    .ended(0);
    let second = second.unwrap().ended(1);
    assert!(second.err.contains("scale-checks"), "{second:?}");
    assert!(
        said.out.contains("Passed: 0.00 g off, allowed 0.0266 g"),
        "{said:?}"
    );
    person.run(&BEGIN).ended(0);
    // While a batch is weighed there is no check.
    let busy = person.run(&CHECK).ended(1);
    assert!(busy.err.contains("is being weighed"), "{busy:?}");
    person.run(&["stop"]).ended(0);

    let rows = table(&person);
    let column = |name: &str| rows.iter().map(|row| row[name].clone()).collect::<Vec<_>>();
    assert_eq!(column("kind"), ["scale-check"; 2]);
    assert_eq!(column("net_g"), ["100.05", "100.00"]);
    assert_eq!(column("verdict"), ["over", "inside"]);
    let log = person.path(LOGS).join("scale-checks.csv");
    person
        .run(&["log", "verify", log.to_str().unwrap()])
        .ended(0);

    // The README shows this very course.
    let readme = fs::read_to_string(person::repository("README.md")).unwrap();
    let shown = said
        .out
        .lines()
        .filter(|line| !line.starts_with("Logged in"));
    for line in shown {
        assert!(
            readme.contains(line),
            "not in the README: {line}\n{}",
            said.out
        );
    }
}

#[test]
fn ten_weighings_of_one_load_give_the_repeatability() {
    let person = Person::new();
    let port = person.path("scale");
    let bench = Bench::start(port.clone());
    configure(&person, &port, "");
    let _daemon = Daemon::start(&person);
    let loads = [
        50_000, 50_010, 49_990, 50_000, 50_020, 50_000, 49_980, 50_010, 50_000, 50_000,
    ];
    // Refused before anything is weighed: the file named has no such scale.
    let other = person.file("other.toml", "# no scale\n");
    let args = [
        "repeatability",
        "--write",
        "--config",
        other.to_str().unwrap(),
    ];
    let refused = guided(&person, &bench, &args, &[], |_| {}).ended(1);
    assert!(
        refused.err.contains("has no scale \"bench\""),
        "{refused:?}"
    );
    let place = person.config_file();
    let before = fs::read_to_string(&place).unwrap();
    let said = guided(
        &person,
        &bench,
        &["repeatability", "--write"],
        &loads,
        |_| {},
    )
    .ended(0);
    // Two lines more, everything else as it was; and `check` goes by it.
    let after = fs::read_to_string(&place).unwrap();
    let lines = ["repeatability = \"0.011006 g\"\n", "weighings = 10\n"];
    let less = after.replacen(lines[0], "", 1).replacen(lines[1], "", 1);
    assert_eq!(less, before);
    assert_ne!(after, before);
    person.file("soak.toml", FORMULA);
    let checked = person.run(&["check", "soak.toml", "--batch", "500g"]);
    assert!(
        checked.out.contains("s = 0.0110 g (as measured)"),
        "{checked:?}"
    );
    let grams: Vec<f64> = loads.iter().map(|mg| *mg as f64 / 1000.0).collect();
    let s = statrs::statistics::Statistics::std_dev(grams.as_slice());
    assert!(
        said.out.contains(&format!("s = {s:.4} g of 10 weighings")),
        "{said:?}"
    );
    let rows = table(&person);
    assert_eq!(rows.len(), 11);
    assert!(rows[10]["note"].contains(&format!("s = {s:.4} g")));
    assert!(rows.iter().all(|row| row["verdict"].is_empty()));
    let readme = fs::read_to_string(person::repository("README.md")).unwrap();
    let shown = said
        .out
        .lines()
        .skip_while(|line| !line.starts_with("s = "));
    let places = |line: &&str| line.starts_with("Logged in") || line.starts_with("Written into");
    for line in shown.filter(|line| !places(line)) {
        assert!(
            readme.contains(line),
            "not in the README: {line}\n{}",
            said.out
        );
    }
}
