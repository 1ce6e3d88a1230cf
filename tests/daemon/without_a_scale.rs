//! A daemon that has its page and no scale yet: it says what to do, weighs nothing, and weighs once a scale is
//! set up. Without the page nobody would be told, and there it does not start (`tests/commands/cli.rs`).

use bismar::protocol::client::Client;
use bismar::protocol::request::Request;
use bismar::vocabulary::cue::CueKind;
use rustix::process::{Pid, Signal, kill_process};

use crate::bench_side::formulas::SOAK;
use crate::bench_side::logs::LOGS;
use crate::bench_side::person::Person;
use crate::bench_side::rig::{HOLDS, Rig, subscribed};
use crate::bench_side::scale::{Hand, Scale};
use crate::bench_side::{Daemon, bench, config, free_port};

const SAYS: &str = "No scale is set up yet";
const HELPS: &str = "plug the scale in, switch it on and run `bismar identify --write`";

fn page() -> String {
    format!("[page]\non = true\nport = {}\n", free_port())
}

/// What `watch` says until `words` have come.
fn watched(person: &Person, words: &str) -> String {
    use std::io::{BufRead as _, BufReader};
    let mut watch = person
        .command(&["watch"])
        .stdout(std::process::Stdio::piped())
        .spawn()
        .expect("the binary runs");
    let out = BufReader::new(watch.stdout.take().unwrap());
    let mut said = String::new();
    for line in out.lines().map_while(Result::ok) {
        said.push_str(&line);
        said.push(' ');
        if said.contains(words) {
            break;
        }
    }
    watch.kill().unwrap();
    watch.wait().unwrap();
    said
}

#[test]
fn without_a_scale_it_says_what_to_do_and_weighs_once_there_is_one() {
    let person = Person::new();
    let page = page();
    person.configures(&page);
    person.file("soak.toml", SOAK);
    let daemon = Daemon::start(&person);
    person.run(&["page"]).ended(0);
    let status = person.run(&["status"]).ended(0).out;
    assert!(
        status.contains(SAYS) && status.contains(HELPS),
        "what to do: {status}"
    );
    assert!(!status.contains("bismar begin"), "not yet: {status}");
    let said = watched(&person, "identify --write");
    assert!(said.contains(SAYS), "{said}");
    for word in [
        &["begin", "soak.toml", "--batch", "100g"][..],
        &["scale-check", "--weight", "100g", "--class", "M1"],
    ] {
        let said = person.run(word).ended(1);
        let plain = said.err.to_lowercase();
        assert!(plain.contains(&SAYS.to_lowercase()), "{said:?}");
        assert!(said.err.contains(HELPS), "{said:?}");
    }
    let logs = std::fs::read_dir(person.path(LOGS));
    assert_eq!(logs.map_or(0, Iterator::count), 0, "nothing was begun");

    let scale = Scale::start(person.path("scale"));
    let text = config(&person.path("scale"), "0.01 g");
    person.configures(&format!("{text}{page}"));
    kill_process(Pid::from_child(&daemon.child), Signal::HUP).unwrap();
    daemon.until(|| {
        let status = person.run(&["status"]).ended(0).out;
        status.contains("bench: listening, shows")
    });
    let status = person.run(&["status"]).ended(0).out;
    assert!(!status.contains(SAYS), "{status}");
    person.begins();
    let mut rig = Rig {
        heard: subscribed(&person),
        person,
        daemon,
        scale,
        hand: Hand::new(),
        truth: Default::default(),
        said: Vec::new(),
        last: None,
    };
    let worst = rig.finish();
    println!("{HOLDS}: largest error {worst:.2} U");
}

/// Who asks for it hears of it when it holds: the very next question is answered by it.
#[test]
fn a_client_has_the_configuration_read_anew_and_hears_whether_it_holds() {
    let (person, _pan) = bench(SOAK);
    let _daemon = Daemon::start(&person);
    let reload = || {
        let mut client = Client::connect_to(&person.socket()).unwrap();
        client.say(&Request::Reload).map_err(|why| why.to_string())
    };
    let text = std::fs::read_to_string(person.config_file()).unwrap();
    assert_eq!(reload().unwrap(), "The configuration was read anew.");
    let renamed = text.replace("\"bench\"", "\"fine\"");
    person.configures(&renamed);
    reload().unwrap();
    let status = person.run(&["status"]).ended(0).out;
    assert!(
        status.contains("fine: ") && !status.contains("bench: "),
        "{status}"
    );
    person.configures("[[scale]\n");
    let refused = reload().unwrap_err();
    assert!(
        refused.contains("stays as it was") && refused.contains("config.toml:1:"),
        "{refused}"
    );
    person.configures(&renamed);
    person.begins();
    person.configures(&text);
    let waits = reload().unwrap();
    assert!(waits.contains("when the batch is closed"), "{waits}");
    let status = person.run(&["status"]).ended(0).out;
    assert!(status.contains("fine: "), "{status}");
}

/// A weight that is under way is worth more than a file that has just lost its scale.
#[test]
fn a_batch_under_way_keeps_the_scale_that_the_file_has_lost() {
    let page = page();
    let mut rig = Rig::begun(SOAK, |_, text| format!("{text}{page}"), |_| {});
    rig.until(|rig| {
        let asked = rig.last.as_ref();
        asked.is_some_and(|cue| cue.step == 2 && cue.kind == CueKind::Place)
    });
    let taken = rig
        .person
        .path("home/.local/share/bismar/config-taken.toml");
    rig.daemon.until(|| taken.exists());
    rig.person.configures(&page);
    rig.daemon.child.kill().unwrap();
    rig.daemon.child.wait().unwrap();
    rig.daemon = Daemon::start(&rig.person);
    rig.heard = subscribed(&rig.person);
    let status = rig.person.run(&["status"]).ended(0).out;
    assert!(
        status.contains("The configuration stays as it was") && status.contains("no [[scale]]"),
        "{status}"
    );
    assert!(status.contains("step 2 of 3"), "{status}");
    let worst = rig.finish();
    println!("{HOLDS}: largest error {worst:.2} U");
}
