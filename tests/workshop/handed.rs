//! Formulas and lots handed out from one place: signed, taken whole and between batches, never over a bench's own change.

use std::fs;
use std::process::Command;

use serde_json::Value;

use super::shop::{Bench, Broker, Gatherer, joins, until};
use crate::bench_side::config;
use crate::bench_side::formulas::SOAK;
use crate::bench_side::rig::Rig;

const TOPIC: &str = "bismar/1/saltmarsh/gather/handed";

/// A gatherer with a folder that is handed out, and the key that it prints.
fn hands_out(broker: &Broker) -> (Gatherer, String) {
    let gatherer = Gatherer::down(broker, broker.port, &["bench-1", "bench-2"]);
    let folder = gatherer.person.path("handed");
    fs::create_dir(&folder).unwrap();
    let more = format!(
        "benches = [\"bench-1\", \"bench-2\"]\nhand_out = {:?}",
        folder.to_str().unwrap()
    );
    let text = joins(&gatherer.person, broker, broker.port, &more);
    gatherer.person.configures(&text);
    put(&gatherer, "soak.toml", SOAK);
    let by = sign(&gatherer, "Version 1 is handed out");
    (gatherer, by)
}

fn put(gatherer: &Gatherer, name: &str, text: &str) {
    gatherer.person.file(&format!("handed/{name}"), text);
}

/// Signs, and gives the key.
fn sign(gatherer: &Gatherer, says: &str) -> String {
    let said = gatherer.person.run(&["gather", "--hand-out"]).ended(0).out;
    assert!(said.contains(says), "{said}");
    let (_, by) = said.split_once("handed_by = \"").expect(&said);
    by[..64].to_owned()
}

/// A bench that takes what `by` hands out.
fn bench(name: &str, broker: &Broker, by: &str) -> Bench {
    let mut bench = Bench::new(name, broker, broker.port);
    bench.kill();
    let more = format!("bench = \"{name}\"\nhanded_by = \"{by}\"");
    let text = joins(&bench.person, broker, broker.port, &more);
    let scale = config(&bench.person.path("no-scale"), "0.01 g");
    bench.person.configures(&format!("{scale}{text}"));
    bench.up();
    bench
}

fn formula(bench: &Bench, name: &str) -> String {
    let path = format!("home/.local/share/bismar/formulas/{name}");
    fs::read_to_string(bench.person.path(&path)).unwrap_or_default()
}

#[test]
fn a_version_is_taken_whole_and_what_stood_there_is_kept() {
    let broker = Broker::start();
    let (mut gatherer, by) = hands_out(&broker);
    gatherer.up();
    let one = bench("bench-1", &broker, &by);
    until("version 1", || formula(&one, "soak.toml") == SOAK);
    // A newer one, with lots that go on with what the bench has.
    let newer = SOAK.replace("version = 1", "version = 2");
    let lot = "[[lot]]\nname = \"S-1\"\ningredient = \"Sea salt\"\namount = \"1 kg\"\n";
    one.person.file("home/.config/bismar/lots.toml", lot);
    put(&gatherer, "soak.toml", &newer);
    put(
        &gatherer,
        "lots.toml",
        &format!("{lot}\n{}", lot.replace("S-1", "S-2")),
    );
    assert_eq!(sign(&gatherer, "Version 2"), by);
    sign(&gatherer, "Nothing has changed");
    until("version 2", || formula(&one, "soak.toml") == newer);
    until("its lots", || one.person.run(&["lots"]).out.contains("S-2"));
    let kept = "home/.local/share/bismar/workshop/handed/before-2/soak.toml";
    assert_eq!(fs::read_to_string(one.person.path(kept)).unwrap(), SOAK);
    until("the status says so", || {
        let text = broker.retained("bismar/1/saltmarsh/bench-1/status");
        let status: Value = serde_json::from_str(&text).unwrap_or_default();
        status["handed"] == 2
    });
    // What was changed at the bench stays, and is told; moved away, the rest is taken.
    let own = newer.replace("Marram", "My own");
    one.person
        .file("home/.local/share/bismar/formulas/soak.toml", &own);
    let third = SOAK.replace("version = 1", "version = 3");
    put(&gatherer, "soak.toml", &third);
    put(&gatherer, "other.toml", &SOAK.replace("Marram", "Other"));
    sign(&gatherer, "Version 3");
    until("it is told", || {
        one.trouble().contains("was changed at this bench")
    });
    assert_eq!(formula(&one, "soak.toml"), own);
    assert_eq!(formula(&one, "other.toml"), "");
    fs::remove_file(
        one.person
            .path("home/.local/share/bismar/formulas/soak.toml"),
    )
    .unwrap();
    until("version 3", || {
        formula(&one, "soak.toml") == third && !formula(&one, "other.toml").is_empty()
    });
    until("it is over", || !one.trouble().contains("was changed"));
    // What does not read is not handed out at all.
    put(&gatherer, "other.toml", "[formula]\nname = 7\n");
    let said = gatherer.person.run(&["gather", "--hand-out"]).ended(4).err;
    assert!(said.contains("other.toml:2:"), "{said}");
    put(&gatherer, "other.toml", SOAK);
    put(&gatherer, "no good.toml", SOAK);
    assert!(
        gatherer
            .person
            .run(&["gather", "--hand-out"])
            .ended(4)
            .err
            .contains("by its name")
    );
}

#[test]
fn what_is_not_signed_or_older_is_refused_and_told() {
    let broker = Broker::start();
    let (mut gatherer, by) = hands_out(&broker);
    let envelope = gatherer.person.path("handed/handed.json");
    let first = fs::read(&envelope).unwrap();
    put(
        &gatherer,
        "soak.toml",
        &SOAK.replace("version = 1", "version = 2"),
    );
    sign(&gatherer, "Version 2");
    let second = fs::read_to_string(&envelope).unwrap();
    let one = bench("bench-1", &broker, &by);
    // Another key's, changed, and no such text.
    let (other, _) = hands_out(&broker);
    let foreign = fs::read_to_string(other.person.path("handed/handed.json")).unwrap();
    for forged in [
        foreign,
        second.replace("percent = 30", "percent = 31"),
        second.replace("soak.toml", "../../x.toml"),
        "7".to_owned(),
        "\u{0}".to_owned(),
    ] {
        broker.publish(TOPIC, &[], forged.as_bytes(), true);
        until("it is told", || {
            one.trouble().contains("are not signed by the key")
        });
        broker.publish(TOPIC, &[], b"", true);
        until("it is over", || !one.trouble().contains("are not signed"));
    }
    assert_eq!(formula(&one, "soak.toml"), "");
    broker.publish(TOPIC, &[], second.as_bytes(), true);
    until("it is taken", || {
        formula(&one, "soak.toml").contains("version = 2")
    });
    broker.publish(TOPIC, &[], &first, true);
    until("it is told", || {
        one.trouble().contains("this bench has version 2 already")
    });
    assert!(formula(&one, "soak.toml").contains("version = 2"));
    // Who hands out puts the right one back.
    gatherer.up();
    until("it is over", || !one.trouble().contains("already"));
    broker.publish(TOPIC, &[], b"{}", true);
    until("it is put back", || broker.retained(TOPIC) == second);
}

/// The signature by another implementation: OpenSSL, with the key as RFC 8410, 4 writes it.
#[test]
fn openssl_says_the_same_of_the_signature() {
    let broker = Broker::start();
    let (gatherer, by) = hands_out(&broker);
    let text = fs::read_to_string(gatherer.person.path("handed/handed.json")).unwrap();
    let envelope: Value = serde_json::from_str(&text).unwrap();
    let bundle = envelope["bundle"].as_str().unwrap();
    gatherer
        .person
        .file("signed", &format!("bismar handed 1\n{bundle}"));
    let signature = envelope["signature"].as_str().unwrap();
    let bytes = "python3 -c 'import sys; sys.stdout.buffer.write(bytes.fromhex(sys.argv[1]))'";
    let script = format!(
        "{bytes} 302a300506032b6570032100{by} > key.der && {bytes} {signature} > signature && \
         openssl pkeyutl -verify -pubin -keyform DER -inkey key.der -rawin -in signed -sigfile signature"
    );
    let verify = || {
        let mut command = Command::new("sh");
        let command = command
            .current_dir(gatherer.person.path(""))
            .args(["-ec", &script]);
        command.output().unwrap()
    };
    let said = verify();
    assert!(said.status.success(), "{said:?}");
    gatherer
        .person
        .file("signed", &format!("bismar handed 1\n{bundle} "));
    assert!(!verify().status.success());
}

/// A version that comes in the middle of a batch is taken when it is over.
#[test]
fn a_batch_is_weighed_by_the_formula_that_it_began_with() {
    let broker = Broker::start();
    let (mut gatherer, by) = hands_out(&broker);
    let mut rig = Rig::begun(
        SOAK,
        |person, text| {
            let more = format!("bench = \"bench-1\"\nhanded_by = \"{by}\"");
            format!("{text}{}", joins(person, &broker, broker.port, &more))
        },
        |_| {},
    );
    rig.pour_of_step_2();
    gatherer.up();
    until("it is handed out", || gatherer.log().contains("hands out"));
    let path = rig
        .person
        .path("home/.local/share/bismar/formulas/soak.toml");
    // The bench has it within a second, and it waits.
    rig.idle(4.0);
    assert!(!path.exists());
    let status = broker.retained("bismar/1/saltmarsh/bench-1/status");
    assert!(status.contains("\"handed\":0"), "{status}");
    rig.finish();
    until("it is taken", || path.exists());
    let log = crate::bench_side::logs::only_log(&rig.person);
    rig.judge(&log);
}
