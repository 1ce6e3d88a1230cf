//! The real daemon's control socket in the hands of others: another user, requests with faults in them,
//! far too many clients, a daemon that was killed. A batch is under way each time, and ends right.

mod asker;
mod mutants;
mod other_user;

use std::collections::BTreeSet;
use std::fs;
use std::io::{BufReader, Read as _, Write as _};
use std::os::unix::fs::MetadataExt as _;
use std::os::unix::net::UnixStream;
use std::path::Path;
use std::process::{Command, Stdio};
use std::sync::Barrier;
use std::thread;
use std::time::{Duration, Instant};

use asker::{Asker, connect, read};
use bismar::daemon::control::MOST_CLIENTS;
use bismar::journal::read::record;
use bismar::protocol::client::Client;
use bismar::protocol::request::Request;
use bismar::weighing::event::Event;
use rustix::process::{Pid, Signal, kill_process};
use serde_json::Value;

use crate::bench_side::formulas::SOAK;
use crate::bench_side::logs::{LOGS, cells, logs_in, only_log, rows};
use crate::bench_side::person::Person;
use crate::bench_side::rig::{Rig, subscribed};
use crate::bench_side::scale::Line;
use crate::bench_side::{Daemon, VESSEL, config, faults};

#[track_caller]
fn ended(rig: Rig) {
    let log = rig.daemon.log.clone();
    assert_eq!(rig.daemon.terminate(), Some(0));
    let log = log.lock().unwrap();
    assert!(!log.contains("panicked"), "{log}");
}

/// What stands around a daemon that is started by hand, by the system's own word (proc(5)): glibc is told to give back
/// what a look at years of logs took. What somebody set himself stays.
#[test]
#[cfg(target_env = "gnu")]
fn a_daemon_started_by_hand_is_told_to_give_memory_back() {
    let around = |own: &[(&str, &str)]| {
        let person = Person::new();
        person.configures(&config(&person.path("scale"), "0.01 g"));
        let mut command = person.command(&["daemon"]);
        command.envs(own.iter().copied());
        let daemon = Daemon::spawn(command, &person);
        let environ = format!("/proc/{}/environ", daemon.child.id());
        let environ = fs::read_to_string(environ).unwrap();
        let told = environ.split('\0').filter(|one| one.starts_with("MALLOC_"));
        let mut told: Vec<String> = told.map(str::to_owned).collect();
        told.sort();
        assert_eq!(daemon.terminate(), Some(0));
        told
    };
    let told = ["MALLOC_ARENA_MAX=1", "MALLOC_TRIM_THRESHOLD_=131072"];
    assert_eq!(around(&[]), told);
    assert_eq!(around(&[("MALLOC_ARENA_MAX", "4")]), ["MALLOC_ARENA_MAX=4"]);
}

fn open_files(daemon: &Daemon) -> usize {
    let folder = format!("/proc/{}/fd", daemon.child.id());
    fs::read_dir(folder).unwrap().count()
}

// ---- requests with faults in them --------------------------------------------------------------

/// Whether it is a word that the person at the scale says, and the weighing goes on by it.
fn is_a_word(line: &[u8]) -> bool {
    matches!(
        Request::parse(line),
        Ok(Request::Next
            | Request::Again
            | Request::Keep
            | Request::Residue { .. }
            | Request::Remedy { batch: None, .. }
            | Request::Stop)
    )
}

/// Asks, and checks that the answer is one. Whether the request was taken.
fn asked(asker: &mut Asker, line: &[u8]) -> bool {
    let reply = asker.ask(line);
    let shown = || String::from_utf8_lossy(&line[..line.len().min(300)]).into_owned();
    match reply["ok"].as_bool() {
        Some(true) => {
            if matches!(Request::parse(line), Ok(Request::Subscribe { .. })) {
                asker.leave();
            }
            true
        }
        Some(false) => {
            let why = reply["error"].as_str().unwrap();
            assert!(why.len() > 10, "{why:?} to {}", shown());
            assert!(
                why.len() < 5000,
                "{} bytes to {}: {why}",
                why.len(),
                shown()
            );
            false
        }
        None => panic!("{reply} to {}", shown()),
    }
}

/// What was taken is a request by Python's json too: an object with one `do` that is known, and no
/// field twice.
fn judged_by_python(taken: &[Vec<u8>]) {
    let judge = "
import json, sys
known = set('hello status begin fill go-on next again keep lot note remedy residue stop subscribe'.split())
def once(pairs):
    assert len(dict(pairs)) == len(pairs), pairs
    return dict(pairs)
count = 0
for line in sys.stdin.buffer:
    request = json.loads(line.decode(), object_pairs_hook=once)
    assert request['do'] in known, line
    count += 1
print(count)
";
    let mut python = Command::new("/usr/bin/python3");
    python
        .args(["-I", "-c", judge])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped());
    let mut python = python.spawn().expect("this test needs python3");
    let mut lines = taken.join(&b'\n');
    lines.push(b'\n');
    python.stdin.take().unwrap().write_all(&lines).unwrap();
    let output = python.wait_with_output().unwrap();
    assert!(output.status.success());
    let count: usize = String::from_utf8(output.stdout)
        .unwrap()
        .trim()
        .parse()
        .unwrap();
    assert_eq!(count, taken.len());
}

#[test]
fn a_thousand_requests_with_faults_in_them() {
    let mut rig = Rig::in_a_pour();
    let log = only_log(&rig.person);
    let batch = log.file_stem().unwrap().to_str().unwrap().to_owned();
    let formula = rig.person.path("soak.toml");
    let right = mutants::right(formula.to_str().unwrap(), &batch);
    // Another seed for a search; the row is of this one.
    let seed = std::env::var("BISMAR_REQUEST_SEED").map_or(1729, |seed| seed.parse().unwrap());
    let mut rng = fastrand::Rng::with_seed(seed);
    let lines: Vec<Vec<u8>> = (0..1000)
        .map(|_| mutants::mutant(&right, &mut rng))
        .collect();
    let (before, open) = (rig.memory("VmRSS:"), open_files(&rig.daemon));
    let socket = rig.person.socket();

    // In the batch: all but the words that steer it.
    let in_batch: Vec<Vec<u8>> = lines
        .iter()
        .filter(|line| !is_a_word(line))
        .cloned()
        .collect();
    let asking = thread::spawn(move || {
        let mut asker = Asker::new(&socket);
        let mut taken = in_batch.clone();
        taken.retain(|line| {
            // As long as a step takes.
            thread::sleep(Duration::from_millis(8));
            asked(&mut asker, line)
        });
        (in_batch.len(), taken)
    });
    // Step 2 is weighed meanwhile, and step 3 begun.
    while !asking.is_finished() {
        if rig.hand.step == 3 && rig.hand.holds >= 5.0 && rig.hand.on_pan {
            rig.idle(0.1);
        } else {
            rig.turn();
        }
    }
    let (sent, mut taken) = asking.join().unwrap();
    let steps = cells(&log, "weighed", "step");
    assert!(steps == ["1"] || steps == ["1", "2"], "{steps:?}");
    let worst = rig.finish();
    assert_eq!(cells(&log, "weighed", "verdict"), ["inside"; 3]);
    let rows: BTreeSet<String> = rows(&log).iter().map(|row| row["kind"].clone()).collect();
    let wanted = ["opened", "note", "weighed", "closed"].map(str::to_owned);
    assert!(rows.is_subset(&wanted.into()), "{rows:?}");

    // After it: all of them. What one of them begins is ended again.
    let mut asker = Asker::new(&rig.person.socket());
    // A slow disk may still have a row of the batch before.
    rig.daemon.until(|| {
        let begun = asked(&mut asker, right[2].to_string().as_bytes());
        begun && asked(&mut asker, br#"{"do":"stop"}"#)
    });
    let mut begun = 0;
    for line in &lines {
        if asked(&mut asker, line) {
            taken.push(line.clone());
            if running(&rig.person) {
                begun += 1;
                asked(&mut asker, br#"{"do":"stop"}"#);
            }
        }
    }
    assert!(
        begun > 5,
        "{begun} are too few to try what a batch begins with; asked rightly: {}",
        asker.ask(right[2].to_string().as_bytes())
    );
    judged_by_python(&taken);
    let more = rig.memory("VmHWM:") - before;
    assert!(more < 16.0, "{more} MiB more");
    drop(asker);
    rig.daemon.until(|| open_files(&rig.daemon) <= open);
    for log in logs_in(&rig.person.path(LOGS)) {
        rig.person
            .run(&["log", "verify", log.to_str().unwrap()])
            .ended(0);
    }
    ended(rig);
    faults::report(
        "1,000 requests with faults in them",
        "right ones of each kind with bits flipped, cut, wrong types, huge numbers, numbers at and past the limits, up to 50,000 brackets, up \
         to 70,000 bytes of text, doubled fields, two in one; once in a batch, once after it",
        format!("{sent} in the batch (no word that steers it), 1000 after it; seed {seed}"),
        "each gets a reply with a reason, or is a request by Python's json as well; no panic, less than 16 MiB \
         more memory, no file left open; the batch ends complete, no weight off by more than its U, every \
         chain holds",
        format!(
            "{} taken, {begun} batches and fillings begun; {more:.1} MiB more at the peak; largest error \
             {worst:.2} U",
            taken.len()
        ),
    );
}

fn running(person: &Person) -> bool {
    let mut client = Client::connect_to(&person.socket()).unwrap();
    client.status().unwrap().batch.is_some()
}

// ---- many clients ------------------------------------------------------------------------------

/// 200 clients at the same time, each with its line; those that are answered stay as long as the rest.
fn all_at_once(socket: &Path, line: &[u8]) -> Vec<Value> {
    const COUNT: usize = 200;
    let (start, end) = (Barrier::new(COUNT), Barrier::new(COUNT));
    thread::scope(|scope| {
        let one = || {
            start.wait();
            let mut stream = connect(socket);
            // It may be turned away before it has asked.
            let _ = stream.get_mut().write_all(line);
            let reply = read(&mut stream).unwrap();
            end.wait();
            serde_json::from_str(&reply).unwrap_or_else(|e| panic!("{e}: {reply:?}"))
        };
        let clients: Vec<_> = (0..COUNT).map(|_| scope.spawn(one)).collect();
        clients
            .into_iter()
            .map(|client| client.join().unwrap())
            .collect()
    })
}

/// Whether it was sent away with a word, rather than left waiting.
fn was_told(client: &BufReader<UnixStream>) -> bool {
    client.get_ref().set_nonblocking(true).unwrap();
    let mut line = [0; 200];
    let read = (&mut client.get_ref()).read(&mut line).unwrap_or(0);
    let line = String::from_utf8_lossy(&line[..read]);
    line.contains("ask again") || line.contains("32 clients")
}

#[test]
fn two_hundred_clients_at_once() {
    let mut rig = Rig::in_a_pour();
    let socket = rig.person.socket();
    let open = open_files(&rig.daemon);
    let before = rig.memory("VmRSS:");
    let mut turned_away = 0;
    for _ in 0..3 {
        // The person's own window has a place.
        let replies = all_at_once(&socket, b"{\"do\":\"subscribe\"}\n");
        let taken = replies.iter().filter(|reply| reply["ok"] == true).count();
        assert_eq!(taken, MOST_CLIENTS - 1);
        for reply in replies.iter().filter(|reply| reply["ok"] != true) {
            let why = reply["error"].as_str().unwrap();
            assert!(
                why.contains("32 clients are connected already; close one"),
                "{why}"
            );
            turned_away += 1;
        }
        // They have left: the next is served, and nothing of them stays.
        rig.daemon
            .until(|| rig.person.run(&["status"]).code == Some(0));
        rig.daemon.until(|| open_files(&rig.daemon) <= open);
    }
    // While all places are taken, a command is told so in words.
    let mut listeners: Vec<_> = (1..MOST_CLIENTS).map(|_| connect(&socket)).collect();
    for listener in &mut listeners {
        listener
            .get_mut()
            .write_all(b"{\"do\":\"subscribe\"}\n")
            .unwrap();
        assert!(read(listener).unwrap().contains("\"ok\":true"));
    }
    for _ in 0..20 {
        let said = rig.person.run(&["status"]).ended(1);
        assert!(
            said.err.contains("32 clients are connected already"),
            "{said:?}"
        );
    }
    drop(listeners);
    rig.daemon
        .until(|| rig.person.run(&["status"]).code == Some(0));
    rig.daemon.until(|| open_files(&rig.daemon) <= open);
    // Those that say nothing keep nobody out who does.
    let mute: Vec<_> = (0..200).map(|_| connect(&socket)).collect();
    rig.person.run(&["status"]).ended(0);
    let told = mute.into_iter().filter(was_told).count();
    assert!(told >= 200 - MOST_CLIENTS, "{told}");
    rig.daemon.until(|| open_files(&rig.daemon) <= open);
    let more = rig.memory("VmHWM:") - before;
    assert!(more < 16.0, "{more} MiB more");
    let worst = rig.finish();
    ended(rig);
    faults::report(
        "200 clients at once",
        "200 connections in the same moment, each asks to hear the events and stays; three times; then 200 \
         that say nothing",
        "800 clients",
        "32 places and no more; who has none, or says nothing while others wait, is told so in words; a command after the mute ones \
         is answered; when they have left, new ones are served and \
         no file stays open; less than 16 MiB more memory; the batch ends complete, no weight off by more \
         than its U",
        format!(
            "{turned_away} turned away; {more:.1} MiB more at the peak; largest error {worst:.2} U"
        ),
    );
}

// ---- all of it at once ---------------------------------------------------------------------------

/// One line for the daemon of a whole session; its answer, where there is one, is nobody's.
fn thrown(socket: &Path, line: &[u8]) {
    let Ok(mut stream) = UnixStream::connect(socket) else {
        return;
    };
    let _ = stream.write_all(&[line, b"\n"].concat());
    let _ = stream.set_read_timeout(Some(Duration::from_millis(100)));
    let _ = read(&mut BufReader::new(stream));
}

/// The person goes on for a while; the rows that are called recorded meanwhile are promises.
fn works(rig: &mut Rig, seconds: f64, promised: &mut BTreeSet<(u64, String)>) {
    let end = Instant::now() + Duration::from_secs_f64(seconds);
    loop {
        if let Some(Event::Recorded { seq, net, .. }) = rig.turn() {
            promised.insert((seq, format!("{:.2}", net.to_g_f64())));
        } else if Instant::now() > end {
            return;
        }
    }
}

/// Everything at once and in any order: loads on the pan, bytes that are no lines, words right and wrong, new
/// configurations good and bad, kills. `BISMAR_SESSION_SEED` and `BISMAR_SESSION_DEEDS` try others and more.
#[test]
fn a_session_of_mixed_bytes_words_and_kills() {
    let number = |name: &str, usual: u64| {
        std::env::var(name).map_or(usual, |number| number.parse().expect(name))
    };
    let deeds = number("BISMAR_SESSION_DEEDS", 120);
    let mut rng = fastrand::Rng::with_seed(number("BISMAR_SESSION_SEED", 6));
    let mut rig = Rig::begun(SOAK, |_, text| text, |_| {});
    let config = fs::read_to_string(rig.person.config_file()).unwrap();
    let batch = only_log(&rig.person);
    let batch = batch.file_stem().unwrap().to_str().unwrap().to_owned();
    let formula = rig.person.path("soak.toml");
    let right = mutants::right(formula.to_str().unwrap(), &batch);
    let socket = rig.person.socket();
    let lines = [
        Line::Silent,
        Line::Garbage,
        Line::Halves,
        Line::FloodOfNoise,
        Line::Stuck,
        Line::Unplugged,
    ];
    let mut promised = BTreeSet::new();
    let mut kills = 0;
    for _ in 0..deeds {
        assert!(
            rig.daemon.child.try_wait().unwrap().is_none(),
            "{}",
            rig.daemon.log()
        );
        match rng.u8(0..24) {
            0..8 => works(&mut rig, rng.f64() * 3.0, &mut promised),
            // Something else on the pan than she thinks.
            8 => {
                rig.scale.put(rng.f64() * 2.0 * VESSEL);
                thread::sleep(Duration::from_millis(rng.u64(0..800)));
                rig.hand.show(&rig.scale);
            }
            9 => {
                rig.scale.set(*rng.choice(&lines).unwrap());
                thread::sleep(Duration::from_millis(rng.u64(0..300)));
                rig.scale.set(Line::Good);
            }
            10..17 => {
                let line = rng.choice(&right).unwrap().to_string();
                thrown(&socket, line.as_bytes());
            }
            17..21 => thrown(&socket, &mutants::mutant(&right, &mut rng)),
            21..23 => {
                let spoilt = config.replace("[[scale]]", "[[scale]");
                let text = if rng.bool() { &config } else { &spoilt };
                rig.person.configures(text);
                kill_process(Pid::from_child(&rig.daemon.child), Signal::HUP).unwrap();
            }
            _ => {
                rig.daemon.child.kill().unwrap();
                rig.daemon.child.wait().unwrap();
                works(&mut rig, 0.0, &mut promised);
                let log = rig.daemon.log();
                assert!(!log.contains("panicked"), "{log}");
                // With nothing under way a daemon does not start with a wrong one.
                rig.person.configures(&config);
                rig.daemon = Daemon::start(&rig.person);
                rig.heard = subscribed(&rig.person);
                kills += 1;
            }
        }
    }
    rig.scale.set(Line::Good);
    if running(&rig.person) {
        rig.person.run(&["stop"]).ended(0);
    }
    works(&mut rig, 0.5, &mut promised);
    let logs = logs_in(&rig.person.path(LOGS));
    let mut written = BTreeSet::new();
    for log in &logs {
        let record = record::read(log).unwrap();
        assert!(record.is_proved(), "{}: {:?}", log.display(), record.fault);
        rig.person
            .run(&["log", "verify", log.to_str().unwrap()])
            .ended(0);
        for row in rows(log) {
            let net = row["net_g"].parse::<f64>().unwrap_or(f64::NAN);
            written.insert((row["seq"].parse::<u64>().unwrap(), format!("{net:.2}")));
        }
    }
    println!(
        "{kills} kills, {} logs, {} weights called recorded",
        logs.len(),
        promised.len()
    );
    for promise in &promised {
        assert!(
            written.contains(promise),
            "{promise:?} was promised and is lost"
        );
    }
    assert!(
        kills > 3 && !promised.is_empty(),
        "too little happened: {kills}, {promised:?}"
    );
    ended(rig);
}

// ---- a daemon that was killed ------------------------------------------------------------------

#[test]
fn the_socket_of_a_killed_daemon_is_taken_over_and_that_of_a_live_one_is_not() {
    let mut rig = Rig::in_a_pour();
    let socket = rig.person.socket();
    let inode = || fs::symlink_metadata(&socket).unwrap().ino();
    let refused = |rig: &Rig| {
        let said = rig.person.run(&["daemon"]).ended(1);
        assert!(said.err.contains("is running already"), "{said:?}");
    };
    // Alive, also where it does not answer.
    let first = inode();
    let pid = Pid::from_child(&rig.daemon.child);
    refused(&rig);
    kill_process(pid, Signal::STOP).unwrap();
    refused(&rig);
    kill_process(pid, Signal::CONT).unwrap();
    assert_eq!(inode(), first);
    rig.person.run(&["status"]).ended(0);

    rig.daemon.child.kill().unwrap();
    rig.daemon.child.wait().unwrap();
    assert_eq!(inode(), first, "SIGKILL leaves it");
    let said = rig.person.run(&["status"]).ended(1);
    assert!(
        said.err.contains("no daemon is running; start it"),
        "{said:?}"
    );

    // Five at once at a dead socket: one gets it.
    let start = || {
        let mut command = rig.person.command(&["daemon"]);
        command
            .stderr(Stdio::piped())
            .stdout(Stdio::null())
            .spawn()
            .unwrap()
    };
    let mut five: Vec<_> = (0..5).map(|_| start()).collect();
    let mut lost = 0;
    rig.daemon.until(|| {
        five.retain_mut(|child| {
            let Some(status) = child.try_wait().unwrap() else {
                return true;
            };
            assert_eq!(status.code(), Some(1));
            let mut said = String::new();
            let mut stderr = child.stderr.take().unwrap();
            stderr.read_to_string(&mut said).unwrap();
            assert!(said.contains("is running already"), "{said}");
            lost += 1;
            false
        });
        five.len() == 1
    });
    rig.daemon
        .until(|| rig.person.run(&["status"]).code == Some(0));
    let mut winner = five.remove(0);
    kill_process(Pid::from_child(&winner), Signal::TERM).unwrap();
    assert_eq!(winner.wait().unwrap().code(), Some(0));
    assert!(!socket.exists());

    rig.daemon = Daemon::start(&rig.person);
    rig.heard = subscribed(&rig.person);
    rig.idle(1.5);
    // The beaker stands there with what was poured before. It is asked about, and taken off.
    let asked = rig.last.clone().expect("a cue");
    assert!(
        asked.say.contains("The batch goes on with"),
        "{:?}",
        rig.said
    );
    rig.hand.hear(&asked);
    let worst = rig.finish();
    ended(rig);
    faults::report(
        "socket of a killed daemon",
        "a second daemon beside a live one and a stopped one (SIGSTOP); then SIGKILL, and five daemons at once",
        "7 starts",
        "the live one's socket stays its own; the dead one's goes to one daemon, the others are told; the batch \
         ends complete, no weight off by more than its U",
        format!("{lost} of 5 told that one is running; largest error {worst:.2} U"),
    );
}
