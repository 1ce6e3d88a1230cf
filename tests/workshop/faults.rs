//! Everything between the benches and the joined folder fails, and every row arrives once, as it was.
//!
//! `BISMAR_WORKSHOP_KILLS` (12) and `BISMAR_WORKSHOP_BATCHES` (60 a bench) make them longer.

use std::cell::OnceCell;
use std::path::Path;
use std::process::Command;
use std::time::{Duration, Instant};

use bismar::journal::read::record;
use bismar::vocabulary::cue::CueKind;
use rustix::process::{Pid, Signal, kill_process};

use super::cable::Cable;
use super::rows::state;
use super::shop::{Bench, Broker, Gatherer, behind, joins, until};
use super::way::{Bad, GOOD, Way};
use crate::bench_side::faults::report;
use crate::bench_side::formulas::SOAK;
use crate::bench_side::logs::{LOGS, logs_in};
use crate::bench_side::rig::Rig;
use crate::bench_side::small_disk::SmallDisk;

fn number(name: &str, usual: usize) -> usize {
    std::env::var(name)
        .ok()
        .and_then(|text| text.parse().ok())
        .unwrap_or(usual)
}

const NAMES: [&str; 5] = ["bench-1", "bench-2", "bench-3", "bench-4", "bench-5"];

/// The broker is killed again and again under load, a bench or the gatherer each second time.
#[test]
fn kills_of_all_three_lose_double_and_alter_no_row() {
    let kills = number("BISMAR_WORKSHOP_KILLS", 12);
    let batches = number("BISMAR_WORKSHOP_BATCHES", 60);
    let mut broker = Broker::start();
    let mut benches = NAMES.map(|name| Bench::new(name, &broker, broker.port));
    let mut gatherer = Gatherer::new(&broker, broker.port, &NAMES);
    let mut random = fastrand::Rng::with_seed(17);
    let mut weighed = 0;
    for kill in 0..kills {
        let share = batches * (kill + 1) / kills;
        while weighed < share {
            weighed += 1;
            for bench in &mut benches {
                bench.weighs(random.usize(1..9));
            }
        }
        std::thread::sleep(Duration::from_millis(random.u64(0..1200)));
        broker.kill();
        match kill % 4 {
            1 => gatherer.kill(),
            3 => random.choice(&mut benches).unwrap().kill(),
            _ => {}
        }
        std::thread::sleep(Duration::from_millis(random.u64(0..300)));
        broker.up();
        gatherer.up();
        benches.iter_mut().for_each(Bench::up);
    }
    let begun = Instant::now();
    benches.iter().for_each(|bench| gatherer.has_all_of(bench));
    assert!(!gatherer.log().contains("refused of"), "{}", gatherer.log());
    let count = |text: &str| gatherer.log().matches(text).count();
    report(
        "broker, gatherer and benches killed under load",
        "SIGKILL to a real mosquitto, to the gatherer at each fourth time, to a bench at each fourth; weighed meanwhile",
        format!("{kills} kills, 5 benches of {batches} batches"),
        "the joined logs are the benches' logs, byte for byte; nothing is refused",
        format!(
            "0 rows lost, doubled or altered; all there {:.0} s after the last batch; {} starts of the gatherer",
            begun.elapsed().as_secs_f64(),
            count("gathers into")
        ),
    );
}

/// A way that cuts packets in the middle, says them twice and is slow, to and from the broker.
#[test]
fn a_bad_way_loses_doubles_and_alters_no_row() {
    let broker = Broker::start();
    let bad = Bad {
        cut_within: 60_000,
        twice: 9,
        slow: 3,
    };
    let ways = [1, 2, 3].map(|seed| Way::to(broker.port, bad, seed));
    let mut benches = [0, 1].map(|at| Bench::new(NAMES[at], &broker, ways[at].port));
    let gatherer = Gatherer::new(&broker, ways[2].port, &NAMES[..2]);
    for _ in 0..number("BISMAR_WORKSHOP_BATCHES", 60) / 2 {
        benches.iter_mut().for_each(|bench| {
            bench.weighs(4);
        });
    }
    benches.iter().for_each(|bench| gatherer.has_all_of(bench));
    assert!(!gatherer.log().contains("refused of"), "{}", gatherer.log());
    let [cuts, doubles] = [
        ways.iter()
            .map(|way| way.cuts.load(std::sync::atomic::Ordering::Relaxed))
            .sum::<u64>(),
        ways.iter()
            .map(|way| way.doubles.load(std::sync::atomic::Ordering::Relaxed))
            .sum::<u64>(),
    ];
    report(
        "way to the broker that cuts, doubles and is slow",
        "a proxy that knows MQTT's packets before the broker, for two benches and the gatherer",
        format!("{cuts} cuts in a packet, {doubles} packets twice"),
        "the joined logs are the benches' logs, byte for byte; nothing is refused",
        "0 rows lost, doubled or altered",
    );
    for way in &ways {
        let count = |counter: &std::sync::atomic::AtomicU64| {
            counter.load(std::sync::atomic::Ordering::Relaxed)
        };
        assert!(
            count(&way.cuts) + count(&way.doubles) > 0,
            "the way was good"
        );
    }
}

/// A network that is split: what was weighed on both sides arrives when it is whole again.
#[test]
fn a_split_network_heals() {
    let broker = Broker::start();
    let ways = [1, 2].map(|seed| Way::to(broker.port, GOOD, seed));
    let mut benches = [0, 1].map(|at| Bench::new(NAMES[at], &broker, ways[at].port));
    let gatherer = Gatherer::new(&broker, broker.port, &NAMES[..2]);
    let each = |benches: &mut [Bench; 2]| {
        benches.iter_mut().for_each(|bench| {
            bench.weighs(3);
        })
    };
    each(&mut benches);
    benches.iter().for_each(|bench| gatherer.has_all_of(bench));
    ways[0].close();
    each(&mut benches);
    gatherer.has_all_of(&benches[1]);
    assert!(gatherer.difference(&benches[0]).is_some());
    ways[0].reopen();
    benches.iter().for_each(|bench| gatherer.has_all_of(bench));
    report(
        "network between two benches split",
        "a proxy before the broker closed for one of two benches; both weigh meanwhile",
        "2 benches of 2 batches",
        "the other bench's rows arrive meanwhile; then the joined logs are the benches' logs, byte for byte",
        "0 rows lost, doubled or altered",
    );
}

/// The cable of a bench is pulled and plugged in again, for moments and for longer than a connection lives: it is told
/// that the bench is not heard, nothing is held up there, and every row arrives.
#[test]
fn a_cable_that_is_pulled_loses_no_row() {
    let (cable, broker) = Cable::with_broker();
    let mut far = cable.bench(NAMES[0], &broker);
    let mut near = Bench::new(NAMES[1], &broker, broker.port);
    let gatherer = Gatherer::new(&broker, broker.port, &NAMES[..2]);
    let times = number("BISMAR_WORKSHOP_BATCHES", 60) / 10;
    for time in 0..times {
        for _ in 0..3 {
            far.weighs(5);
            near.weighs(2);
        }
        // In the middle of what goes out.
        std::thread::sleep(Duration::from_millis(100 * (time as u64 % 7)));
        cable.pull();
        far.weighs(5);
        near.weighs(2);
        if time % 3 == 0 {
            until("it is seen that the bench is not heard", || {
                state(&broker, NAMES[0]) == "gone"
            });
            // It answers its own person.
            far.person.run(&["status"]).ended(0);
        } else {
            std::thread::sleep(Duration::from_millis(1500));
        }
        gatherer.has_all_of(&near);
        assert!(gatherer.difference(&far).is_some());
        cable.plug_in();
        if time % 3 == 0 {
            until("it is heard again", || state(&broker, NAMES[0]) == "here");
        }
    }
    for bench in [&far, &near] {
        gatherer.has_all_of(bench);
    }
    assert!(!gatherer.log().contains("refused of"), "{}", gatherer.log());
    report(
        "cable of a bench pulled",
        cable.kind(),
        format!("{times} times, each third until the broker counts the bench as gone"),
        "the bench answers, the other's rows arrive meanwhile; then the joined logs are the benches' logs, byte for byte",
        "0 rows lost, doubled or altered",
    );
}

/// A bench's daemon, the gatherer and the broker stand still one after the other (SIGSTOP), as on a machine that swaps or
/// sleeps, longer than a connection lives.
#[test]
fn a_process_that_stands_still_loses_no_row_and_keeps_nobody_up() {
    let signal = |id: u32, signal| {
        let id = Pid::from_raw(i32::try_from(id).unwrap()).unwrap();
        kill_process(id, signal).unwrap();
    };
    let broker = Broker::start();
    let mut benches = [0, 1].map(|at| Bench::new(NAMES[at], &broker, broker.port));
    let gatherer = Gatherer::new(&broker, broker.port, &NAMES[..2]);
    let each = |benches: &mut [Bench; 2]| {
        benches.iter_mut().for_each(|bench| {
            bench.weighs(5);
        });
    };
    let arrived = |benches: &[Bench; 2]| benches.iter().for_each(|one| gatherer.has_all_of(one));
    each(&mut benches);
    arrived(&benches);

    let daemon = benches[0].daemon.as_ref().unwrap().child.id();
    signal(daemon, Signal::STOP);
    each(&mut benches);
    gatherer.has_all_of(&benches[1]);
    until("the bench is seen gone", || {
        state(&broker, NAMES[0]) == "gone"
    });
    signal(daemon, Signal::CONT);
    arrived(&benches);
    until("it is heard again", || state(&broker, NAMES[0]) == "here");

    for stopped in [gatherer.id(), broker.id()] {
        signal(stopped, Signal::STOP);
        each(&mut benches);
        // Beyond the 20 s after which a connection counts as hanging.
        std::thread::sleep(Duration::from_secs(24));
        for bench in &benches {
            bench.person.run(&["status"]).ended(0);
        }
        assert!(gatherer.difference(&benches[0]).is_some());
        signal(stopped, Signal::CONT);
        arrived(&benches);
    }
    assert!(!gatherer.log().contains("refused of"), "{}", gatherer.log());
    report(
        "bench, gatherer and broker stand still",
        "SIGSTOP to each in turn, for longer than a connection lives, then SIGCONT; weighed meanwhile",
        "3 stops, 2 benches",
        "a bench that stands still is seen gone, one whose broker does answers its person; then the joined logs are the \
         benches' logs, byte for byte",
        "0 rows lost, doubled or altered",
    );
}

/// The gatherer's disk is full: nothing is acknowledged that is not on it, and with room again all arrives.
#[test]
fn a_full_disk_at_the_gatherer_loses_nothing() {
    let broker = Broker::start();
    let mut bench = Bench::new("bench-1", &broker, broker.port);
    let mut gatherer = Gatherer::down(&broker, broker.port, &["bench-1"]);
    let folder = gatherer.folder().join("bench-1");
    std::fs::create_dir_all(&folder).unwrap();
    let disk = SmallDisk::at(&folder);
    let plain = gatherer
        .person
        .command(&["gather", "--to", gatherer.folder().to_str().unwrap()]);
    let command = behind(&disk.before(), plain);
    gatherer.up_by(command);
    until("it gathers", || gatherer.log().contains("gathers into"));
    let there = disk.seen_by(gatherer.id());
    bench.weighs(2);
    until("the first log arrives", || {
        there.join("marram-soak-bench-1-00001.csv").is_file()
    });
    let ballast = there.join("ballast");
    disk.fill(&ballast);
    let last = bench.weighs(20);
    until("it says so", || gatherer.log().contains("No space left"));
    // A person at the bench sees it.
    let told = |bench: &Bench| bench.person.run(&["status"]).out;
    until("the bench tells it", || {
        told(&bench).contains("not gathered any more") && told(&bench).contains("No space left")
    });
    // More rows meanwhile, and a new start of the bench.
    bench.weighs(3);
    bench.kill();
    bench.up();
    std::fs::remove_file(&ballast).unwrap();
    let ours = crate::bench_side::logs::logs_in(&bench.logs());
    let end = Instant::now() + super::shop::LONGEST;
    let same = || {
        ours.iter().all(|log| {
            let joined = there.join(log.file_name().unwrap());
            std::fs::read(joined).is_ok_and(|bytes| bytes == std::fs::read(log).unwrap())
        })
    };
    while !same() {
        assert!(
            Instant::now() < end,
            "{}: {}",
            last.display(),
            gatherer.log()
        );
        std::thread::sleep(Duration::from_millis(50));
    }
    until("it is over", || !told(&bench).contains("not gathered"));
    disk.tell();
    report(
        "disk of the gatherer full",
        "a small file system filled to its last byte, or a library before libc where none may be mounted; weighed meanwhile, and the bench killed and started anew",
        format!(
            "{} batches, {} of them while it is full",
            ours.len(),
            ours.len() - 1
        ),
        "the gatherer and a person at the bench are told; with room again the joined logs are the bench's logs, byte for byte",
        "0 rows lost, doubled or altered",
    );
}

/// A bench's disk is full in a pour, and the wire is on: what is on the disk is sent, the bench weighs on and says what is
/// not in the log, and with room again each row is written and arrives.
#[test]
fn a_full_disk_at_a_bench_loses_no_row() {
    let broker = Broker::start();
    let gatherer = Gatherer::new(&broker, broker.port, &["bench-1"]);
    let disk = OnceCell::new();
    let mut rig = Rig::begun(
        SOAK,
        |person, text| {
            let logs = person.path(LOGS);
            std::fs::create_dir_all(&logs).unwrap();
            let _ = disk.set(SmallDisk::at(&logs));
            let joins = joins(person, &broker, broker.port, "bench = \"bench-1\"");
            format!("{text}{joins}")
        },
        |command| {
            let plain = std::mem::replace(command, Command::new("true"));
            *command = behind(&disk.get().unwrap().before(), plain);
        },
    );
    let disk = disk.get().unwrap();
    let logs = disk.seen_by(rig.daemon.child.id());
    rig.pour_of_step_2();
    let log = logs_in(&logs).remove(0);
    let there = gatherer.folder().join("bench-1");
    let there = there.join(log.file_name().unwrap());
    let read = |path: &Path| std::fs::read(path).unwrap_or_default();
    until("step 1 arrives", || {
        read(&there) == read(&log) && read(&there).len() > 1000
    });
    let ballast = logs.join("ballast");
    disk.fill(&ballast);
    // The page of the last row has room for some yet.
    let mut notes = 0;
    loop {
        notes += 1;
        let text = format!("{notes} {}", "x".repeat(300));
        if rig.person.run(&["note", &text]).ended(0).out != "Noted.\n" {
            break;
        }
        assert!(notes < 100);
    }
    // What she weighs meanwhile is not said to be recorded, and waits.
    rig.until(|rig| rig.said.iter().any(|say| say.contains("not written yet")));
    rig.until(|rig| {
        rig.last
            .as_ref()
            .is_some_and(|cue| cue.kind == CueKind::Hold)
    });
    rig.idle(3.0);
    assert_eq!(rig.hand.step, 2, "{:#?}", rig.said);
    until("what is on the disk arrives", || read(&there) == read(&log));
    std::fs::remove_file(&ballast).unwrap();
    let closed = |log: &Path| record::read(log).is_ok_and(|record| record.closed.is_some());
    rig.until(|_| closed(&log));
    let worst = rig.judge(&log);
    until("the rest arrives", || read(&there) == read(&log));
    let text = std::fs::read_to_string(&there).unwrap();
    let noted = text.lines().filter(|row| row.contains("xxx")).count();
    assert_eq!(noted, notes, "{text}");
    assert!(!gatherer.log().contains("refused of"), "{}", gatherer.log());
    disk.tell();
    report(
        "disk of a bench full, with the wire on",
        "a small file system filled to its last byte in a pour, or a library before libc where none may be mounted; then freed",
        format!("1 batch of 3 steps, {notes} notes"),
        "what is on the disk arrives meanwhile, the weight waits and is not called recorded; with room again each row is \
         written, and the joined log is the bench's log, byte for byte",
        format!("0 rows lost, doubled or altered; no weight off by more than {worst:.2} U"),
    );
}

/// A clock that is years off, and jumps: rows are known by their numbers and chains alone, and what they took counts.
#[test]
fn a_wrong_clock_loses_no_row_and_no_gram() {
    let broker = Broker::start();
    let mut bench = Bench::new("bench-1", &broker, broker.port);
    let other = Bench::new("bench-2", &broker, broker.port);
    let list = "[[lot]]\nname = \"S-1\"\ningredient = \"Sea salt\"\namount = \"1 kg\"\n";
    for one in [&bench, &other] {
        one.person.file("home/.config/bismar/lots.toml", list);
    }
    let gatherer = Gatherer::new(&broker, broker.port, &["bench-1"]);
    // 10.11, 10.21, 10.31 and 10.41 g.
    for at in [
        "2099-12-31T23:59:59Z",
        "1970-01-01T00:00:00Z",
        "2026-11-28T12:00:00Z",
        "1970-01-02T00:00:00Z",
    ] {
        bench.weighs_at(1, at.parse().unwrap());
    }
    gatherer.has_all_of(&bench);
    until("all of it counts", || {
        std::thread::sleep(Duration::from_millis(200));
        other.person.run(&["lots"]).out.contains("958.96")
    });
    assert!(!gatherer.log().contains("refused of"), "{}", gatherer.log());
    report(
        "clock of a bench years off",
        "batches of 2099, 1970, 2026 and 1970 again, one after another",
        "4 batches",
        "the joined logs are the bench's logs, byte for byte; another bench counts all that was taken; nothing is refused",
        "0 rows lost, doubled or altered",
    );
}

/// Hours without a broker: the bench runs, and sends all when it comes.
#[test]
fn a_bench_that_never_had_a_broker_sends_all_when_it_comes() {
    let mut broker = Broker::start();
    broker.kill();
    let mut bench = Bench::new("bench-1", &broker, broker.port);
    for _ in 0..40 {
        bench.weighs(5);
    }
    bench.kill();
    bench.up();
    bench.weighs(5);
    broker.up();
    let mut gatherer = Gatherer::new(&broker, broker.port, &["bench-1"]);
    gatherer.has_all_of(&bench);
    // The cursor is a cache: without it all is sent again, and nothing is there twice.
    bench.kill();
    gatherer.kill();
    let cursor = bench.person.path("home/.local/share/bismar/workshop/sent");
    std::fs::write(&cursor, "garbage\n\0\n").unwrap();
    bench.up();
    gatherer.up();
    bench.weighs(1);
    gatherer.has_all_of(&bench);
    until("the cursor is kept", || {
        std::fs::read_to_string(&cursor).is_ok_and(|text| text.lines().count() == 43)
    });
    assert!(!gatherer.log().contains("refused of"), "{}", gatherer.log());
}
