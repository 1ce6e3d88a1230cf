//! Rows out and in: a batch that is weighed, what is told of all benches, TLS, secrets.

use std::fs;
use std::time::{Duration, Instant};

use serde_json::Value;

use super::shop::{Bench, Broker, Gatherer, PASSWORD, joins, until};
use crate::bench_side::formulas::SOAK;
use crate::bench_side::logs::only_log;
use crate::bench_side::person::Person;
use crate::bench_side::rig::Rig;

pub fn state(broker: &Broker, bench: &str) -> String {
    let text = broker.retained(&format!("bismar/1/saltmarsh/{bench}/status"));
    let status: Value = serde_json::from_str(&text).unwrap_or_default();
    status["state"].as_str().unwrap_or_default().to_owned()
}

/// A batch is weighed with the broker away in its middle; no weight waits for it, and all of its rows arrive.
#[test]
fn a_batch_is_weighed_without_the_broker_and_arrives_whole() {
    let mut broker = Broker::start();
    let port = broker.port;
    let mut gatherer = Gatherer::new(&broker, port, &["bench-1"]);
    let mut cues = broker.client("mosquitto_sub");
    cues.args(["-t", "bismar/1/saltmarsh/+/cue", "-C", "1", "-W", "60"]);
    let cues = cues.stdout(std::process::Stdio::piped()).spawn().unwrap();
    let mut rig = Rig::begun(
        SOAK,
        |person, text| {
            format!(
                "{text}{}",
                joins(person, &broker, port, "bench = \"bench-1\"")
            )
        },
        |_| {},
    );
    rig.pour_of_step_2();
    until("the bench is there", || state(&broker, "bench-1") == "here");
    let now = broker.retained("bismar/1/saltmarsh/bench-1/now");
    assert!(now.contains("Marram soak"), "{now}");
    let cue = cues.wait_with_output().unwrap().stdout;
    let cue: Value = serde_json::from_slice(&cue).expect("a cue");
    assert_eq!(cue["event"], "cue");
    broker.kill();
    rig.finish();
    let log = only_log(&rig.person);
    rig.judge(&log);
    broker.up();
    let there = gatherer
        .folder()
        .join("bench-1")
        .join(log.file_name().unwrap());
    until("the log arrives", || {
        fs::read(&there).is_ok_and(|bytes| bytes == fs::read(&log).unwrap())
    });
    // Killed, it is seen to be gone by the broker alone.
    until("the bench is there again", || {
        state(&broker, "bench-1") == "here"
    });
    rig.daemon.child.kill().unwrap();
    until("it is gone", || state(&broker, "bench-1") == "gone");
    assert_eq!(gatherer.terminate(), Some(0));
    let joined = gatherer.folder();
    let joined = joined.to_str().unwrap();
    let history = gatherer
        .person
        .run(&["history", "Sea salt", "--logs", joined])
        .ended(0);
    assert!(history.out.contains("One batch only"), "{history:?}");
    let verified = gatherer
        .person
        .run(&["log", "verify", there.to_str().unwrap()])
        .ended(0);
    assert!(verified.out.contains("batch closed"), "{verified:?}");
}

/// A daemon that is stopped says so; one that comes back says that too.
#[test]
fn a_bench_that_is_stopped_says_so() {
    let broker = Broker::start();
    let mut bench = Bench::new("bench-1", &broker, broker.port);
    until("it is there", || state(&broker, "bench-1") == "here");
    assert_eq!(bench.daemon.take().unwrap().terminate(), Some(0));
    until("it ended", || state(&broker, "bench-1") == "ended");
    bench.up();
    until("it is there again", || state(&broker, "bench-1") == "here");
}

/// A lot that two benches took of, over the joined folder: each command that tells of batches counts both.
#[test]
fn the_joined_folder_tells_of_all_benches() {
    let broker = Broker::start();
    let mut benches: Vec<Bench> = ["bench-1", "bench-2"]
        .iter()
        .map(|name| Bench::new(name, &broker, broker.port))
        .collect();
    // Weighed before anybody listens.
    for bench in &mut benches {
        bench.weighs(2);
    }
    let gatherer = Gatherer::new(&broker, broker.port, &["bench-1", "bench-2"]);
    benches.iter().for_each(|bench| gatherer.has_all_of(bench));
    let joined = gatherer.folder();
    let joined = joined.to_str().unwrap();
    let lots = gatherer.person.file(
        "lots.toml",
        "[[lot]]\nname = \"S-1\"\ningredient = \"Sea salt\"\namount = \"1 kg\"\n",
    );
    let lots = lots.to_str().unwrap();
    let history = &["history", "Sea salt"][..];
    for command in [&["trace", "S-1"][..], &["lots"], history] {
        let list: &[&str] = match command[0] {
            "history" => &[],
            _ => &["--lots", lots],
        };
        let words = [command, &["--logs", joined], list].concat();
        let said = gatherer.person.run(&words).ended(0).out;
        // 10.11 + 10.12 g of each bench: 1000 g less 40.46 g.
        match command[0] {
            "trace" | "history" => {
                for bench in ["bench-1", "bench-2"] {
                    assert!(
                        said.contains(&format!("marram-soak-{bench}-00001")),
                        "{said}"
                    );
                }
            }
            _ => assert!(said.contains("959.5"), "{said}"),
        }
        // A second time it comes out of the index.
        assert_eq!(gatherer.person.run(&words).ended(0).out, said);
    }
    // A batch is found by its name in whichever bench's folder it lies.
    let batch = "marram-soak-bench-2-00001";
    let words = ["sheet", batch, "--logs", joined, "--out", "-"];
    let sheet = gatherer.person.run(&words).ended(0).out;
    assert!(sheet.contains("<html") && sheet.contains(batch), "{sheet}");
    let words = ["declaration", batch, "--logs", joined];
    let declared = gatherer.person.run(&words).ended(0).out;
    assert!(declared.contains("Sea salt"), "{declared}");
}

#[test]
fn tls_with_certificates_and_no_secret_in_any_word() {
    let broker = Broker::with_certificates(None);
    let mut bench = Bench::new("bench-1", &broker, broker.port);
    let gatherer = Gatherer::new(&broker, broker.port, &["bench-1"]);
    bench.weighs(3);
    gatherer.has_all_of(&bench);
    // A wrong password and a broker of another authority: told, without a secret, and weighing goes on.
    let person = Person::new();
    let scale = crate::bench_side::config(&person.path("no-scale"), "0.01 g");
    let text = joins(&person, &broker, broker.port, "bench = \"bench-2\"");
    let secrets = person.path("home/.config/bismar/workshop.secrets");
    let wrong = fs::read_to_string(&secrets)
        .unwrap()
        .replace(PASSWORD, "wrong-word-here");
    fs::write(&secrets, wrong).unwrap();
    person.configures(&format!("{scale}{text}"));
    let daemon = crate::bench_side::Daemon::start(&person);
    daemon.until(|| daemon.log().contains("does not let this program in"));
    person.run(&["status"]).ended(0);
    assert!(
        !daemon.log().contains("wrong-word-here"),
        "{}",
        daemon.log()
    );
    let authority = text.lines().find(|line| line.starts_with("ca = ")).unwrap();
    let other = text.replace(authority, "");
    person.configures(&format!("{scale}{other}"));
    drop(daemon);
    let daemon = crate::bench_side::Daemon::start(&person);
    daemon.until(|| daemon.log().contains("is not reached"));
    assert!(
        daemon.log().to_lowercase().contains("certificate"),
        "{}",
        daemon.log()
    );
    for log in [
        daemon.log(),
        gatherer.log(),
        bench.daemon.as_ref().unwrap().log(),
    ] {
        assert!(
            !log.contains(PASSWORD) && !log.contains(super::shop::KEY),
            "{log}"
        );
    }
}

/// What is wrong with the secrets is said with the file and what to do; a bench weighs on, a gatherer ends.
#[test]
fn secrets_that_others_can_read_are_not_used() {
    let broker = Broker::start();
    let mut gatherer = Gatherer::down(&broker, broker.port, &["bench-1"]);
    let secrets = gatherer.person.path("home/.config/bismar/workshop.secrets");
    let mode = |mode| {
        fs::set_permissions(&secrets, std::os::unix::fs::PermissionsExt::from_mode(mode)).unwrap()
    };
    mode(0o640);
    let said = gatherer.person.run(&["gather"]).ended(4).err;
    assert!(
        said.contains("chmod 600") && said.contains("workshop.secrets"),
        "{said}"
    );
    fs::remove_file(&secrets).unwrap();
    let said = gatherer.person.run(&["gather"]).ended(4).err;
    assert!(said.contains("workshop.secrets: cannot be read"), "{said}");
    // From a unit's credentials.
    let credentials = gatherer.person.path("credentials");
    gatherer
        .person
        .file("credentials/bismar-workshop", "key = short\n");
    let said = gatherer
        .person
        .command(&["gather"])
        .env("CREDENTIALS_DIRECTORY", &credentials)
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&said.stderr).into_owned();
    assert!(
        said.contains("credentials/bismar-workshop: the key has fewer"),
        "{said}"
    );
    // Without a configuration, and with one that names no bench.
    gatherer.person.configures("");
    let said = gatherer.person.run(&["gather"]).ended(4).err;
    assert!(said.contains("no [workshop]"), "{said}");
    gatherer
        .person
        .configures(&joins(&gatherer.person, &broker, broker.port, ""));
    let said = gatherer.person.run(&["gather"]).ended(4).err;
    assert!(said.contains("benches ="), "{said}");
    // Two at once.
    gatherer.person.configures(&joins(
        &gatherer.person,
        &broker,
        broker.port,
        "benches = [\"bench-1\"]",
    ));
    gatherer.up();
    let begun = Instant::now();
    while !gatherer.log().contains("gathers into") {
        assert!(
            begun.elapsed() < Duration::from_secs(60),
            "{}",
            gatherer.log()
        );
        std::thread::sleep(Duration::from_millis(20));
    }
    let folder = gatherer.folder();
    let said = gatherer
        .person
        .run(&["gather", "--to", folder.to_str().unwrap()])
        .ended(1)
        .err;
    assert!(said.contains("another `bismar gather`"), "{said}");
}
