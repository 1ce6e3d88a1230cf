//! The real daemon weighs a batch while what carries its cues is broken: the batch ends complete and
//! right, `status` says what is wrong, and no signal counts that no person pressed.
//!
//! Needs the Debian package dbus-daemon.

mod buttons;
mod programs;

use std::os::unix::net::UnixListener;
use std::thread;
use std::time::Instant;

use bismar::protocol::client::Client;
use bismar::vocabulary::command::Choice;
use bismar::vocabulary::cue::CueKind;
use buttons::Flood;

use crate::bench_side::desk::{Bus, Manner, Server, runtime};
use crate::bench_side::formulas::SOAK;
use crate::bench_side::logs::{cells, only_log};
use crate::bench_side::rig::Rig;
use crate::bench_side::{LONGEST, faults};

const HOLDS: &str =
    "the batch ends complete, no weight is off by more than its U, `status` says what is wrong";

const MIXED: &str = r#"
[formula]
name = "Marram soak"
version = 1
[[phase]]
name = "Salts"
mix = "Stir until even"
[[phase.ingredient]]
name = "Sea salt"
balance = true
tolerance = { percent = 2.0 }
[[phase]]
name = "Flour"
[[phase.ingredient]]
name = "Epsom salt"
percent = 30
tolerance = { percent = 2.0 }
[[phase.ingredient]]
name = "Oat flour"
percent = 20
tolerance = { percent = 2.0 }
"#;

// ---- a batch with outputs ----------------------------------------------------------------------

/// The usual configuration with these lines for its outputs.
fn outputs(text: &str, wanted: &str) -> String {
    let none = "desktop = false\nsound = false\n";
    assert!(text.contains(none));
    text.replace(none, wanted)
}

/// A batch whose daemon shows its cues on the bus at `address`.
fn shown_on(address: Option<&str>, formula: &str) -> Rig {
    let desktop = "desktop = true\nsound = false\n";
    Rig::begun(
        formula,
        |_, text| outputs(&text, desktop),
        |command| {
            if let Some(address) = address {
                command.env("DBUS_SESSION_BUS_ADDRESS", address);
            }
        },
    )
}

/// What `status` says of an output.
fn state(rig: &Rig, output: &str) -> String {
    let standing = Client::connect_to(&rig.person.socket())
        .and_then(|mut client| client.status())
        .expect("a status");
    let of = standing.cues.into_iter().find(|cue| cue.output == output);
    of.map_or(String::new(), |cue| cue.state)
}

/// Waits, with the hand at its work, until `status` has one of `words` of an output. Gives its state.
#[track_caller]
fn until_said(rig: &mut Rig, output: &str, words: &[&str]) -> String {
    let mut last = String::new();
    rig.until(|rig| {
        last = state(rig, output);
        words.iter().any(|words| last.contains(words))
    });
    let status = rig.person.run(&["status"]).ended(0).out;
    assert!(status.contains(&format!("  {output}: ")), "{status}");
    last
}

/// The end of the batch and of the daemon. Gives the largest error in units of U.
#[track_caller]
fn finish(mut rig: Rig) -> f64 {
    let worst = rig.finish();
    ended(rig);
    worst
}

#[track_caller]
fn ended(rig: Rig) {
    let log = rig.daemon.log.clone();
    assert_eq!(rig.daemon.terminate(), Some(0));
    let log = log.lock().unwrap();
    assert!(!log.contains("panicked"), "{log}");
}

// ---- the bus -----------------------------------------------------------------------------------

#[test]
fn without_a_session_bus() {
    let folder = tempfile::tempdir().unwrap();
    let silent = folder.path().join("silent");
    let listener = UnixListener::bind(&silent).unwrap();
    let silent = format!("unix:path={}", silent.display());
    let cases = [
        (None, "no session bus: "),
        (Some(""), "no session bus: "),
        (Some("unix:path=/nonexistent/bus"), "no session bus: "),
        (Some("no address at all"), "no session bus: "),
        (Some(&*silent), "no session bus: no answer within 2 s"),
    ];
    let worst = thread::scope(|scope| {
        let batches = cases.map(|(address, words)| {
            scope.spawn(move || {
                let mut rig = shown_on(address, SOAK);
                until_said(&mut rig, "desktop", &[words]);
                finish(rig)
            })
        });
        let worst = batches.map(|batch| batch.join().unwrap());
        worst.into_iter().fold(0.0, f64::max)
    });
    drop(listener);
    faults::report(
        "no session bus in a batch",
        "DBUS_SESSION_BUS_ADDRESS missing, empty, of a place that is not there, no address, and of a \
         socket that takes the connection and says nothing",
        format!("{} batches", cases.len()),
        HOLDS,
        format!("`no session bus: ...` each time; largest error {worst:.2} U"),
    );
}

#[test]
fn the_bus_dies_and_another_one_comes_in_its_place() {
    let mut bus = Bus::start(None);
    let runtime = runtime();
    let mut server = runtime.block_on(Server::start_after(&bus, Manner::Answering, 40));
    let mut rig = shown_on(Some(bus.place()), SOAK);
    rig.pour_of_step_2();
    assert_eq!(runtime.block_on(server.shown()).id, 41);
    assert_eq!(state(&rig, "desktop"), "ok");
    bus.daemon.stop();
    let lost = [
        "the connection to the session bus is lost",
        "no session bus",
    ];
    let said = until_said(&mut rig, "desktop", &lost);
    rig.idle(1.0);
    bus.start_again();
    // Names and ids begin anew; were the old ones taken along, another program's notification would go.
    let mut server = runtime.block_on(Server::start_after(&bus, Manner::Answering, 90));
    let worst = rig.finish();
    let shown = runtime.block_on(async {
        let shown = tokio::time::timeout(LONGEST, server.log.recv()).await;
        shown.expect("nothing on the new bus").unwrap()
    });
    assert_eq!((shown.replaces, shown.id), (0, 91));
    until_ok(&rig);
    ended(rig);
    faults::report(
        "session bus dies in a batch and another one comes",
        "the private bus is killed in step 2 and another one started at its address, with another server",
        "1 batch of 3 steps",
        "as above; what is to be done is shown on the new bus, in nobody else's place",
        format!("said meanwhile: {said}; largest error {worst:.2} U"),
    );
}

/// Waits until the desktop shows again; the batch is over.
#[track_caller]
fn until_ok(rig: &Rig) {
    rig.daemon.until(|| state(rig, "desktop") == "ok");
}

// ---- the server --------------------------------------------------------------------------------

fn bad_server(fault: &str, how: &str, manner: Manner, words: &str) {
    let bus = Bus::start(None);
    let runtime = runtime();
    let mut server = runtime.block_on(Server::start(&bus, manner));
    let mut rig = shown_on(Some(&bus.address), SOAK);
    let said = until_said(&mut rig, "desktop", &[words]);
    let worst = finish(rig);
    let asked = std::iter::from_fn(|| server.log.try_recv().ok()).count();
    assert!(asked > 0);
    faults::report(
        fault,
        how,
        "1 batch of 3 steps",
        HOLDS,
        format!("said: {said}; asked {asked} times; largest error {worst:.2} U"),
    );
}

#[test]
fn the_server_hangs() {
    bad_server(
        "notification server hangs in a batch",
        "it takes each call and never answers",
        Manner::Silent,
        "no notification server: no answer within 2 s",
    );
}

#[test]
fn the_server_refuses() {
    bad_server(
        "notification server refuses in a batch",
        "each call gets an error",
        Manner::Refusing,
        "the notification server refused: ",
    );
}

// ---- its buttons -------------------------------------------------------------------------------

/// Nobody presses anything while `signals` more are sent, 2 s at least.
fn flooded(rig: &mut Rig, flood: &Flood, signals: u32) {
    let (before, end) = (flood.sent(), Instant::now() + LONGEST);
    rig.idle(2.0);
    while flood.sent() - before < signals {
        assert!(
            Instant::now() < end,
            "{} are no flood",
            flood.sent() - before
        );
        rig.idle(0.1);
    }
}

#[test]
fn a_flood_of_buttons_that_nobody_pressed() {
    let bus = Bus::start(None);
    let server = runtime().block_on(Server::start(&bus, Manner::Answering));
    let flood = Flood::start(&bus, server);
    let mut rig = shown_on(Some(&bus.address), MIXED);
    let is = |rig: &Rig, kind| rig.last.as_ref().is_some_and(|cue| cue.kind == kind);
    let before = rig.memory("VmRSS:");

    // A question that one press would answer.
    rig.until(|rig| is(rig, CueKind::Mix));
    let log = only_log(&rig.person);
    flooded(&mut rig, &flood, 3000);
    assert!(is(&rig, CueKind::Mix), "{:#?}", rig.said);
    assert!(cells(&log, "mixed", "seq").is_empty());
    // What a person presses gets through between them.
    flood.press(Choice::Next);
    rig.until(|_| cells(&log, "mixed", "seq").len() == 1);

    // Another one, that a press would answer with a wrong weight in the record.
    rig.pour_of_step_2();
    for _ in 0..10 {
        rig.hand.pour_blindly(&rig.scale, 1.7);
        rig.idle(0.06);
    }
    rig.until(|rig| is(rig, CueKind::TakeOut));
    rig.hand.rest();
    flooded(&mut rig, &flood, 3000);
    assert!(is(&rig, CueKind::TakeOut), "{:#?}", rig.said);
    assert_eq!(cells(&log, "weighed", "step"), ["1"]);

    let worst = rig.finish();
    assert_eq!(cells(&log, "weighed", "verdict"), ["inside"; 3]);
    assert_eq!(cells(&log, "mixed", "seq").len(), 1);
    let more = rig.memory("VmHWM:") - before;
    assert!(more < 16.0, "{more} MiB more");
    until_ok(&rig);
    ended(rig);
    let (signals, questions) = flood.stop();
    assert!(questions >= 2);
    faults::report(
        "flood of button signals in a batch",
        "ActionInvoked without a press while the batch asks `mixed?` and `too much: keep?`: ids that are \
         not ours, keys of other questions, daemons and programs, other types, and the right ones from \
         another program",
        format!("{signals} signals"),
        "none advances or records anything; the press between them does; the batch ends complete, no \
         weight off by more than its U; less than 16 MiB more memory",
        format!("{more:.1} MiB more at the peak; largest error {worst:.2} U"),
    );
}
