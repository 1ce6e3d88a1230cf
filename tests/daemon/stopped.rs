//! A batch that was stopped goes on by a person's word: what is told of it, what the bench asks then, and what
//! happens where the word comes twice, is cut off by a kill, or meets a log that cannot be written.
//! What it must be like is the founder's own wish; there is no source for it.

use std::fs;
use std::os::unix::fs::PermissionsExt as _;
use std::path::{Path, PathBuf};

use bismar::journal::read::record;
use bismar::mass::Mass;
use bismar::protocol::client::Client;
use bismar::protocol::request::Request;
use bismar::vocabulary::entry::{Draft, RowKind, goes_on};
use serde_json::json;

use crate::bench_side::formulas::SOAK;
use crate::bench_side::logs::{Begun, LOGS, cells, closed, jar, only_log, weighed};
use crate::bench_side::person::{Person, Said};
use crate::bench_side::rig::{Rig, subscribed};
use crate::bench_side::small_disk::SmallDisk;
use crate::bench_side::{Daemon, bench};

const GOES_ON: &str = "taken up again: ";

/// A word, once the rows before it are on the disk.
fn once_written(person: &Person, daemon: &Daemon, words: &[&str]) -> Said {
    let mut said = person.run(words);
    daemon.until(|| {
        let again = said.err.contains("still being written");
        if again {
            said = person.run(words);
        }
        !again
    });
    said
}

fn stopped_in_a_pour() -> (Rig, PathBuf, String) {
    let rig = Rig::in_a_pour();
    rig.person.run(&["stop"]).ended(0);
    let log = only_log(&rig.person);
    rig.daemon
        .until(|| cells(&log, "closed", "note").len() == 1);
    let batch = log.file_stem().unwrap().to_str().unwrap().to_owned();
    (rig, log, batch)
}

fn taken_up(rig: &Rig, batch: &str) -> Said {
    once_written(&rig.person, &rig.daemon, &["begin", "--go-on", batch])
}

/// What the bench asks of who comes to a beaker that is half full.
fn asked(rig: &Rig) -> String {
    let now = |out: &str| {
        let line = out
            .lines()
            .find(|line| line.contains("Now: "))
            .unwrap_or_default();
        line.trim().to_owned()
    };
    let mut said = String::new();
    rig.daemon.until(|| {
        said = now(&rig.person.run(&["status"]).out);
        said.contains("The batch goes on with")
    });
    said
}

#[test]
fn a_stopped_batch_is_told_and_goes_on_as_after_a_kill() {
    let mut killed = Rig::in_a_pour();
    killed.daemon.child.kill().unwrap();
    killed.daemon.child.wait().unwrap();
    killed.daemon = Daemon::start(&killed.person);
    let wanted = asked(&killed);
    drop(killed);

    let (mut rig, log, batch) = stopped_in_a_pour();
    let told = rig.person.run(&["begin", "--go-on"]).ended(0);
    let words = format!(
        "{batch}, Marram soak 1: 1 of 3 weighed; still open: phase Dry (Epsom salt, Oat flour).\n  bismar begin --go-on {batch}\n"
    );
    assert_eq!(told.out, words);
    let said = taken_up(&rig, &batch).ended(0);
    assert!(said.out.contains("1 of 3 steps are recorded"), "{said:?}");
    assert_eq!(asked(&rig), wanted);
    let running = rig.person.run(&["begin", "--go-on"]).ended(0);
    assert_eq!(running.out, format!("{batch} is under way.\n"));
    let second = taken_up(&rig, &batch).ended(1);
    assert!(
        second.err.contains("a batch is being weighed"),
        "{second:?}"
    );
    let verified = rig
        .person
        .run(&["log", "verify", log.to_str().unwrap()])
        .ended(0);
    assert!(verified.out.contains("batch not closed"), "{verified:?}");

    // What was poured under no eye goes; the step begins anew.
    rig.scale.put(0.0);
    rig.hand.on_pan = false;
    // The end of before is not the one to come.
    rig.heard = subscribed(&rig.person);
    rig.finish();
    let verified = rig
        .person
        .run(&["log", "verify", log.to_str().unwrap()])
        .ended(0);
    assert!(verified.out.contains("batch closed"), "{verified:?}");
    let ends = cells(&log, "closed", "note");
    assert_eq!(ends, ["stopped after 1 of 3 weighings", "complete"]);
    let over = taken_up(&rig, &batch).ended(1);
    assert!(over.err.contains("nothing of batch"), "{over:?}");
    let told = rig.person.run(&["begin", "--go-on"]).ended(0);
    assert_eq!(told.out, "No batch is stopped; each is finished.\n");
}

/// The row that takes it up is all it needs: whoever is killed right behind it finds the batch under way, and whoever
/// is killed in the middle of it finds it as stopped as before.
#[test]
fn killed_right_after_the_word_it_goes_on_at_the_next_start_and_in_the_middle_of_it_by_a_word() {
    let (mut rig, log, batch) = stopped_in_a_pour();
    rig.scale.put(0.0);
    rig.hand.on_pan = false;
    let stopped = fs::read(&log).unwrap().len();
    taken_up(&rig, &batch).ended(0);
    let starts = |rig: &mut Rig, bytes: &[u8]| {
        let _ = rig.daemon.child.kill();
        rig.daemon.child.wait().unwrap();
        fs::write(&log, bytes).unwrap();
        rig.daemon = Daemon::start(&rig.person);
        rig.person.run(&["status"]).ended(0).out
    };
    let rows = fs::read(&log).unwrap();
    assert!(String::from_utf8_lossy(&rows[stopped..]).contains(GOES_ON));
    let status = starts(&mut rig, &rows);
    assert!(status.contains("step 2 of 3"), "{status}");
    let status = starts(&mut rig, &rows[..stopped + 20]);
    assert!(status.contains("No batch is under way"), "{status}");
    let told = rig.person.run(&["begin", "--go-on"]).ended(0).out;
    assert!(told.contains("1 of 3 weighed"), "{told}");
    let said = taken_up(&rig, &batch).ended(0);
    assert!(said.out.contains("were set aside in"), "{said:?}");
    rig.heard = subscribed(&rig.person);
    rig.finish();
    rig.person
        .run(&["log", "verify", log.to_str().unwrap()])
        .ended(0);
}

#[test]
fn two_who_say_it_at_once_take_it_up_once() {
    let (rig, log, batch) = stopped_in_a_pour();
    rig.daemon.until(|| {
        let said = rig.person.run(&["status"]).ended(0);
        said.out.contains("No batch is under way")
    });
    let socket = rig.person.socket();
    let both: Vec<_> = (0..2)
        .map(|_| {
            let (socket, batch) = (socket.clone(), batch.clone());
            std::thread::spawn(move || {
                let mut client = Client::connect_to(&socket).unwrap();
                client.say(&Request::GoOn { batch }).is_ok()
            })
        })
        .collect();
    let taken = both.into_iter().map(|one| one.join().unwrap());
    assert_eq!(taken.filter(|taken| *taken).count(), 1);
    let notes = cells(&log, "note", "note");
    let markers = notes.iter().filter(|note| note.starts_with(GOES_ON));
    assert_eq!(markers.count(), 1, "{notes:#?}");
}

/// Whatever is wrong with the log, it stays as it is, and what to do is said.
#[test]
fn a_log_that_cannot_be_written_or_is_damaged_is_told_and_left_alone() {
    let (rig, log, batch) = stopped_in_a_pour();
    let before = fs::read(&log).unwrap();
    let readable = |mode| fs::set_permissions(&log, fs::Permissions::from_mode(mode)).unwrap();
    readable(0o400);
    // Root may write whatever the mode says.
    if fs::OpenOptions::new().append(true).open(&log).is_err() {
        let refused = taken_up(&rig, &batch).ended(1);
        assert!(refused.err.contains(log.to_str().unwrap()), "{refused:?}");
    }
    readable(0o600);
    let mut edited = before.clone();
    let at = before.windows(5).position(|five| five == b"50.00").unwrap();
    edited[at] = b'4';
    let cut = {
        let text = String::from_utf8(before.clone()).unwrap();
        let rows: Vec<&str> = text.lines().collect();
        format!("{}\n", [&rows[..3], &rows[4..]].concat().join("\n")).into_bytes()
    };
    for (bytes, why) in [
        (edited, "was changed after it was written"),
        (cut, "missing"),
    ] {
        fs::write(&log, &bytes).unwrap();
        let told = rig.person.run(&["begin", "--go-on"]).ended(0);
        assert!(
            told.out.contains("It cannot go on: ") && told.out.contains(why),
            "{told:?}"
        );
        let refused = taken_up(&rig, &batch).ended(1);
        assert!(refused.err.contains(why), "{refused:?}");
        assert_eq!(fs::read(&log).unwrap(), bytes);
    }
    let status = rig.person.run(&["status"]).ended(0);
    assert!(status.out.contains("No batch is under way"), "{status:?}");
    let unknown = taken_up(&rig, "soak-of-nobody").ended(1);
    assert!(unknown.err.contains("soak-of-nobody"), "{unknown:?}");
    for odd in ["", ".", "../soak", "a/b", &"x".repeat(3000)] {
        let refused = rig.person.run(&["begin", "--go-on", odd]);
        assert_ne!(refused.code, Some(0), "{odd}: {refused:?}");
    }
    assert!(
        !rig.daemon.log().contains("panicked"),
        "{}",
        rig.daemon.log()
    );
}

#[test]
fn on_a_full_disk_it_is_refused_and_goes_on_when_there_is_room() {
    let (person, _pan) = bench(SOAK);
    let logs = person.path(LOGS);
    fs::create_dir_all(&logs).unwrap();
    // The daemon alone sees the small disk.
    let disk = SmallDisk::at(&logs);
    let (plain, before) = (person.command(&["daemon"]), disk.before());
    let mut command = std::process::Command::new(&before[0]);
    command
        .args(&before[1..])
        .arg(plain.get_program())
        .args(plain.get_args())
        .env_clear()
        .envs(
            plain
                .get_envs()
                .filter_map(|(name, value)| Some((name, value?))),
        );
    let daemon = Daemon::spawn(command, &person);
    let logs = disk.seen_by(daemon.child.id());
    // Its last page has no room for a row.
    let remark = |bytes: usize| Draft::new(RowKind::Note, "x".repeat(bytes));
    let written = |rest: usize| {
        let rows = [first(), remark(1000), remark(1000), remark(rest), stop()];
        let log = at_rest(&rows, "soak-1", &logs, "2026-09-01T09:00:00Z");
        fs::metadata(log).unwrap().len() as usize
    };
    let bytes = written(10);
    fs::remove_file(logs.join("soak-1.csv")).unwrap();
    let bytes = written(10 + (4096 - bytes % 4096) % 4096);
    assert_eq!(bytes % 4096, 0);
    let ballast = logs.join("ballast");
    disk.fill(&ballast);
    let log = logs.join("soak-1.csv");
    let refused = once_written(&person, &daemon, &["begin", "--go-on", "soak-1"]).ended(1);
    assert!(refused.err.contains("make room"), "{refused:?}");
    let status = person.run(&["status"]).ended(0).out;
    assert!(status.contains("No batch is under way"), "{status}");
    fs::remove_file(&ballast).unwrap();
    once_written(&person, &daemon, &["begin", "--go-on", "soak-1"]).ended(0);
    daemon.until(|| person.run(&["status"]).ended(0).out.contains("step 2 of 3"));
    let record = record::read(&log).unwrap();
    assert!(record.is_proved() && !record.ended, "{:?}", record.fault);
    assert_eq!(daemon.terminate(), Some(0));
    disk.tell();
}

fn at_rest(rows: &[Draft], batch: &str, logs: &Path, at: &'static str) -> PathBuf {
    of(SOAK, rows, batch, logs, at)
}

fn of(
    formula: &'static str,
    rows: &[Draft],
    batch: &str,
    logs: &Path,
    at: &'static str,
) -> PathBuf {
    let begun = Begun {
        formula,
        label: "Marram soak 1",
        size: Mass::from_g(100),
        jars: None,
        at,
    };
    fs::create_dir_all(logs).unwrap();
    begun.written(logs, batch, rows)
}

fn first() -> Draft {
    Draft {
        target: Some(Mass::from_g(50)),
        ..weighed(1, "Sea salt", "", 50_010)
    }
}

fn rest() -> [Draft; 2] {
    [(2, "Epsom salt", 30_000), (3, "Oat flour", 20_000)].map(|(step, name, mg)| Draft {
        target: Some(Mass::from_mg(mg)),
        ..weighed(step, name, "", mg)
    })
}

fn stop() -> Draft {
    Draft::new(RowKind::Closed, "stopped after 1 of 3 weighings")
}

/// What was made again, or whose formula is another now, is told so; the weights belong to the text in their own log.
#[test]
fn what_was_made_again_or_changed_is_told_and_only_what_is_open_is_listed() {
    let (person, _pan) = bench(SOAK);
    let logs = person.path(LOGS);
    at_rest(&[first(), stop()], "soak-1", &logs, "2026-09-01T09:00:00Z");
    let [second, third] = rest();
    at_rest(
        &[first(), second.clone(), third.clone(), closed()],
        "soak-2",
        &logs,
        "2026-09-02T09:00:00Z",
    );
    // Filled already, though a step is missing; left out by a word; and stopped after its last weight.
    let filling = "filling {\"fill_ng\":60000000000,\"over_ng\":1000000000,\"rule\":\"eu\",\"allowable_ng\":null,\
                   \"made_ng\":50010000000,\"first\":1,\"last\":1}";
    let filled = [
        first(),
        stop(),
        Draft::new(RowKind::Note, filling),
        jar(1, 50_010),
        closed(),
    ];
    at_rest(&filled, "soak-3", &logs, "2026-09-03T09:00:00Z");
    let skipped = Draft {
        net: Some(Mass::ZERO),
        note: "skipped: none left".into(),
        ..third.clone()
    };
    at_rest(
        &[first(), second.clone(), skipped, closed()],
        "soak-4",
        &logs,
        "2026-08-01T09:00:00Z",
    );
    let last = Draft::new(RowKind::Closed, "stopped after 3 of 3 weighings");
    at_rest(
        &[first(), second, third, last],
        "soak-5",
        &logs,
        "2026-08-02T09:00:00Z",
    );
    let daemon = Daemon::start(&person);
    let folder = person.path("home/.local/share/bismar/formulas");
    fs::create_dir_all(&folder).unwrap();
    let told = || person.run(&["begin", "--go-on"]).ended(0).out;
    let none = told();
    assert!(
        none.contains(
            "soak-1, Marram soak 1: 1 of 3 weighed; still open: phase Dry (Epsom salt, Oat flour)."
        ),
        "{none}"
    );
    assert!(
        none.contains("It was made again since, as soak-2."),
        "{none}"
    );
    // Begun by its path, as here, it may lie anywhere.
    assert!(!none.contains("changed"), "{none}");
    for other in ["soak-2", "soak-3", "soak-4", "soak-5"] {
        assert!(!none.contains(&format!("{other},")), "{none}");
    }
    fs::write(folder.join("marram.toml"), SOAK).unwrap();
    assert!(!told().contains("changed"), "{}", told());
    fs::write(
        folder.join("marram.toml"),
        SOAK.replace("percent = 30", "percent = 20"),
    )
    .unwrap();
    assert!(
        told().contains("marram.toml was changed since; the batch goes on as it was begun"),
        "{}",
        told()
    );

    // It goes on by its own text: 30 g of Epsom salt, not 20.
    let said = person.run(&["begin", "--go-on", "soak-1"]).ended(0);
    assert!(said.out.contains("1 of 3 steps are recorded"), "{said:?}");
    let status = person.run(&["status"]).ended(0);
    assert!(status.out.contains("step 2 of 3, Epsom salt"), "{status:?}");
    let mut client = Client::connect_to(&person.socket()).unwrap();
    let target = json!(client.status().unwrap().status.target);
    assert_eq!(target, json!("30.00"));
    person.run(&["stop"]).ended(0);
    for (batch, why) in [
        ("soak-2", "nothing of batch soak-2 is open"),
        ("soak-3", "nothing of batch soak-3"),
        ("soak-4", "nothing of batch soak-4"),
        ("soak-5", "nothing of batch soak-5"),
    ] {
        let refused = once_written(&person, &daemon, &["begin", "--go-on", batch]).ended(1);
        assert!(refused.err.contains(why), "{refused:?}");
    }
    assert_eq!(daemon.terminate(), Some(0));
}

/// All is weighed, and what was weighed last is not mixed: stopped there it goes on with its mixing, and only then.
#[test]
fn what_was_stopped_in_its_last_mixing_goes_on_with_it() {
    let (person, _pan) = bench(SOAK);
    let logs = person.path(LOGS);
    let mixed = SOAK.replace(
        "name = \"Dry\"",
        "name = \"Dry\"\nmix = \"Stir until even\"",
    );
    let mixed: &'static str = Box::leak(mixed.into_boxed_str());
    let [second, third] = rest();
    let rows = [first(), second, third];
    let ends = [
        ("soak-1", "stopped after 3 of 3 weighings"),
        ("soak-2", "complete; the last mixing was not confirmed"),
    ];
    for (batch, note) in ends {
        let end = [Draft::new(RowKind::Closed, note)];
        of(
            mixed,
            &[&rows[..], &end].concat(),
            batch,
            &logs,
            "2026-09-01T09:00:00Z",
        );
    }
    let daemon = Daemon::start(&person);
    let told = || person.run(&["begin", "--go-on"]).ended(0).out;
    let words = "soak-1, Marram soak 1: 3 of 3 weighed; still open: the mixing of phase Dry.";
    assert_eq!(told(), format!("{words}\n  bismar begin --go-on soak-1\n"));
    let over = once_written(&person, &daemon, &["begin", "--go-on", "soak-2"]).ended(1);
    assert!(
        over.err.contains("nothing of batch soak-2 is open"),
        "{over:?}"
    );
    once_written(&person, &daemon, &["begin", "--go-on", "soak-1"]).ended(0);
    let says = |words: &str| person.run(&["status"]).ended(0).out.contains(words);
    daemon.until(|| says("Stir until even"));
    // Killed there it is under way like any other.
    daemon.kill();
    let daemon = Daemon::start(&person);
    daemon.until(|| says("Stir until even"));
    person.run(&["next"]).ended(0);
    let log = logs.join("soak-1.csv");
    daemon.until(|| cells(&log, "closed", "note").len() == 2);
    assert_eq!(cells(&log, "closed", "note")[1], "complete");
    let path = log.to_str().unwrap();
    let verified = person.run(&["log", "verify", path]).ended(0);
    assert!(verified.out.contains("batch closed"), "{verified:?}");
    daemon.until(|| told() == "No batch is stopped; each is finished.\n");
    assert_eq!(daemon.terminate(), Some(0));
}

/// Of two logs without an end the one that was worked at last goes on at a start; the other by a word.
#[test]
fn a_second_open_log_goes_on_by_a_word_and_is_then_the_one_that_a_start_goes_on_with() {
    let (person, _pan) = bench(SOAK);
    let logs = person.path(LOGS);
    at_rest(&[first()], "soak-1", &logs, "2026-09-01T09:00:00Z");
    at_rest(&[first()], "soak-2", &logs, "2026-09-02T09:00:00Z");
    let daemon = Daemon::start(&person);
    daemon.until(|| daemon.log().contains("Going on with batch soak-2"));
    let told = person.run(&["begin", "--go-on"]).ended(0).out;
    assert!(
        told.starts_with("soak-2 is under way.\nsoak-1, ") && !told.contains("soak-2,"),
        "{told}"
    );
    person.run(&["stop"]).ended(0);
    once_written(&person, &daemon, &["begin", "--go-on", "soak-1"]).ended(0);
    daemon.kill();
    let daemon = Daemon::start(&person);
    daemon.until(|| daemon.log().contains("Going on with batch soak-1"));
    let record = record::read(&logs.join("soak-1.csv")).unwrap();
    assert!(record.is_proved(), "{:?}", record.fault);
    assert_eq!(daemon.terminate(), Some(0));
}

/// The row that takes a batch up names the one that closed it. What only reads so opens nothing: another number, a
/// remark in a batch under way, somebody's own spelling of it.
#[test]
fn only_the_row_that_names_what_closed_it_takes_a_batch_up() {
    let (person, _pan) = bench(SOAK);
    let logs = person.path(LOGS);
    let note = |text: &str| Draft::new(RowKind::Note, text);
    let second = Draft {
        target: Some(Mass::from_g(30)),
        ..weighed(2, "Epsom salt", "", 30_000)
    };
    // Rows 1 and 2 open the batch.
    let cases = [
        (
            vec![first(), stop(), note(&goes_on(4)), second.clone()],
            true,
            false,
        ),
        (
            vec![first(), stop(), note(&goes_on(3)), second.clone()],
            false,
            true,
        ),
        (
            vec![
                first(),
                stop(),
                note(&goes_on(4).replace('4', "04")),
                second.clone(),
            ],
            false,
            true,
        ),
        // As logs have it that were written before.
        (
            vec![
                first(),
                stop(),
                note("the batch goes on: seq 4 did not end it"),
                second.clone(),
            ],
            true,
            false,
        ),
        (
            vec![
                first(),
                stop(),
                note("the batch goes on: seq 04 did not end it"),
                second.clone(),
            ],
            false,
            true,
        ),
        (
            vec![first(), note(&goes_on(5)), stop(), second.clone()],
            false,
            true,
        ),
        (
            vec![first(), note(&goes_on(4)), second.clone()],
            true,
            false,
        ),
        (
            vec![
                first(),
                stop(),
                note(&goes_on(4)),
                stop(),
                note(&goes_on(4)),
            ],
            true,
            true,
        ),
    ];
    for (n, (rows, agrees, ended)) in cases.into_iter().enumerate() {
        let batch = format!("soak-{n}");
        let log = at_rest(&rows, &batch, &logs, "2026-09-01T09:00:00Z");
        let verified = person.run(&["log", "verify", log.to_str().unwrap()]);
        assert_eq!(verified.code == Some(0), agrees, "{n}: {verified:?}");
        let record = record::read(&log).unwrap();
        assert_eq!(record.ended, ended, "{n}");
        if agrees {
            let words = if ended {
                "batch closed"
            } else {
                "batch not closed"
            };
            assert!(verified.out.contains(words), "{n}: {verified:?}");
        }
    }
}
