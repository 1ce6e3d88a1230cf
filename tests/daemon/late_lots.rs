//! A lot that was forgotten is named steps later, after a kill, or after the end, at the real daemon on its socket.

use std::path::{Path, PathBuf};

use bismar::journal::read::record;
use bismar::journal::read::verify::verify;
use bismar::protocol::client::{Client, ClientError};
use bismar::protocol::request::Request;
use bismar::vocabulary::code::Help;

use crate::bench_side::Daemon;
use crate::bench_side::logs::{cells, only_log, rows};
use crate::bench_side::person::Person;
use crate::bench_side::rig::{Rig, subscribed};

const LOTS: &str = r#"
[[lot]]
name = "S-1"
ingredient = "Sea salt"
amount = "5 kg"
[[lot]]
name = "S-2"
ingredient = "Sea salt"
amount = "51 g"
[[lot]]
name = "S-old"
ingredient = "Sea salt"
best_before = 2020-12-31
[[lot]]
name = "O-1"
ingredient = "Oat flour"
"#;

fn late(lot: &str, step: usize, batch: Option<&str>) -> Request {
    Request::Lot {
        lot: lot.into(),
        despite: None,
        step: Some(step),
        batch: batch.map(str::to_owned),
    }
}

fn said(person: &Person, request: &Request) -> Result<String, ClientError> {
    Client::connect_to(&person.socket())?.say(request)
}

fn refused(person: &Person, request: &Request) -> String {
    said(person, request).unwrap_err().to_string()
}

/// The lots of the rows of step 1 that have a weight, with their notes.
fn of_step_1(log: &Path) -> Vec<(String, String)> {
    let rows = rows(log).into_iter();
    let mine = rows.filter(|row| row["kind"] == "weighed" && row["step"] == "1");
    mine.map(|row| (row["lot"].clone(), row["note"].clone()))
        .collect()
}

fn agrees(log: &Path) {
    let report = verify(log).unwrap();
    assert!(report.is_ok(), "{}", report.told());
}

fn in_a_pour() -> (Rig, PathBuf) {
    let rig = Rig::in_a_pour();
    rig.person.file("home/.config/bismar/lots.toml", LOTS);
    let log = only_log(&rig.person);
    (rig, log)
}

#[test]
fn a_lot_is_named_in_the_middle_of_a_later_pour_and_the_batch_goes_on() {
    let (mut rig, log) = in_a_pour();
    let person = &rig.person;
    let before = rows(&log).len();
    let asks = |request: Request, why: &str| {
        let said = refused(person, &request);
        assert!(said.contains(why), "{said}");
    };
    asks(
        late("S-1", 9, None),
        "There is no step 9: the steps of this batch are 1 to 3.",
    );
    asks(
        late("O-1", 3, None),
        "Step 3 (Oat flour) is not weighed yet; name its lot when it is there.",
    );
    asks(
        late("O-1", 1, None),
        "lot O-1 is of Oat flour, and this step weighs Sea salt",
    );
    asks(
        late("S-old", 1, None),
        "lot S-old was best before 2020-12-31",
    );
    asks(
        late("S-1", 1, Some("soak-9")),
        "there is no batch \"soak-9\"",
    );
    let whole = Request::Lot {
        lot: "S-1".into(),
        despite: None,
        step: None,
        batch: Some("soak-9".into()),
    };
    asks(whole, "say which step of batch");
    let of_it = |row: &&std::collections::BTreeMap<String, String>| row["note"].contains("lot");
    assert_eq!(rows(&log)[before..].iter().filter(of_it).count(), 0);
    match said(person, &late("S-old", 1, None)).unwrap_err() {
        ClientError::Refused(refusal) => assert_eq!(refusal.help, Some(Help::Despite)),
        other => panic!("{other}"),
    }
    // Of the lot that is short only what this step took of another one is asked for.
    let words = "Lot S-2 for step 1, Sea salt; its record is corrected.";
    assert_eq!(said(person, &late("S-2", 1, None)).unwrap(), words);
    let again = "Step 1 (Sea salt) is of lot S-2 already.";
    let batch = log.file_stem().unwrap().to_str().unwrap();
    assert_eq!(said(person, &late("S-2", 1, Some(batch))).unwrap(), again);
    let named = person.run(&["lot", "--step", "1", "S-1"]).ended(0);
    assert_eq!(
        named.out,
        "Lot S-1 for step 1, Sea salt; its record is corrected.\n"
    );
    let lots: Vec<String> = of_step_1(&log).into_iter().map(|row| row.0).collect();
    assert_eq!(lots, ["", "S-2", "S-1"]);
    // What it took of the wrong one is there again.
    let left = person.run(&["lots"]).ended(0).out;
    assert!(left.contains("51.00"), "{left}");
    let undone = person.run(&["undo"]).ended(0).out;
    assert_eq!(undone, "The lot of Sea salt is S-2 again.\n");
    assert_eq!(of_step_1(&log).last().unwrap().0, "S-2");
    // The pour was never held up, and the weights are what is in the beakers.
    assert!(rig.finish() <= 1.0);
    agrees(&log);
    assert_eq!(record::read(&log).unwrap().steps[&1].lot, "S-2");
}

#[test]
fn after_a_kill_the_lot_is_named_of_the_weight_that_holds() {
    let (mut rig, log) = in_a_pour();
    said(&rig.person, &late("S-2", 1, None)).unwrap();
    rig.daemon.child.kill().unwrap();
    rig.daemon.child.wait().unwrap();
    // No daemon runs: the command writes it itself, and the batch goes on with it.
    let named = rig.person.run(&["lot", "--step", "1", "S-1"]).ended(0);
    assert!(
        named
            .out
            .starts_with("Lot S-1 for step 1, Sea salt, of batch "),
        "{named:?}"
    );
    rig.daemon = Daemon::start(&rig.person);
    rig.heard = subscribed(&rig.person);
    let again = said(&rig.person, &late("S-1", 1, None)).unwrap();
    assert_eq!(again, "Step 1 (Sea salt) is of lot S-1 already.");
    said(&rig.person, &late("S-2", 1, None)).unwrap();
    let all = of_step_1(&log);
    let seqs: Vec<String> = rows(&log)
        .into_iter()
        .filter(|row| row["kind"] == "weighed" && row["step"] == "1")
        .map(|row| row["seq"].clone())
        .collect();
    assert_eq!(all.len(), 4);
    for (at, (lot, note)) in all.iter().enumerate().skip(1) {
        let before = &seqs[at - 1];
        assert_eq!(
            *note,
            format!("corrects seq {before}; lot of Sea salt: {lot}")
        );
    }
    assert_eq!(all[3].0, "S-2");
    agrees(&log);
    rig.person.run(&["stop"]).ended(0);
}

#[test]
fn after_the_end_it_is_written_away_from_the_loop_and_once() {
    let (mut rig, log) = in_a_pour();
    rig.finish();
    let batch = log.file_stem().unwrap().to_str().unwrap().to_owned();
    let first = once_written(|| refused_or_said(&rig.person, &late("S-1", 1, None)));
    assert_eq!(
        first,
        format!("Lot S-1 for step 1, Sea salt, of batch {batch}; its record is corrected.")
    );
    agrees(&log);
    assert_eq!(cells(&log, "closed", "note").len(), 1);
    // Two at a time, and the same from several clients: never written twice.
    let before = rows(&log).len();
    let clients: Vec<_> = (0..6)
        .map(|_| {
            let socket = rig.person.socket();
            let batch = batch.clone();
            std::thread::spawn(move || {
                let mut client = Client::connect_to(&socket).unwrap();
                client
                    .say(&late("S-2", 1, Some(&batch)))
                    .map_err(|error| error.to_string())
            })
        })
        .collect();
    let told: Vec<_> = clients
        .into_iter()
        .map(|client| client.join().unwrap())
        .collect();
    assert!(told.iter().any(Result::is_ok), "{told:?}");
    for one in told.iter().filter_map(|one| one.as_ref().err()) {
        assert!(one.contains("name it again in a moment"), "{one}");
    }
    assert_eq!(rows(&log).len(), before + 1, "{told:?}");
    // While the next batch is weighed the one before is named; without a name it is the one under way.
    rig.person.begins();
    let named = said(&rig.person, &late("S-1", 1, Some(&batch))).unwrap();
    assert!(named.contains(&format!("of batch {batch};")), "{named}");
    assert_eq!(rows(&log).len(), before + 2);
    agrees(&log);
    // Before anything is weighed the step that waits is named as ever.
    let waits = said(&rig.person, &late("S-1", 1, None));
    assert!(
        waits
            .as_ref()
            .is_ok_and(|said| said == "Lot S-1 for Sea salt."),
        "{waits:?}"
    );
    rig.person.run(&["stop"]).ended(0);
}

fn refused_or_said(person: &Person, request: &Request) -> String {
    said(person, request).unwrap_or_else(|error| error.to_string())
}

/// What is said once the last rows of a batch are in its log.
fn once_written(mut say: impl FnMut() -> String) -> String {
    let mut said = say();
    for _ in 0..100 {
        if !said.contains("still being written") {
            break;
        }
        std::thread::sleep(std::time::Duration::from_millis(50));
        said = say();
    }
    said
}

#[test]
fn while_jars_are_filled_it_waits() {
    let (mut rig, log) = in_a_pour();
    rig.finish();
    let fill = once_written(|| {
        let fill = rig.person.run(&["fill", "--fill", "50g"]);
        format!("{}{}", fill.out, fill.err)
    });
    assert!(fill.starts_with("Filling jars of batch "), "{fill}");
    let batch = log.file_stem().unwrap().to_str().unwrap();
    for request in [late("S-1", 1, None), late("S-1", 1, Some(batch))] {
        let why = refused(&rig.person, &request);
        assert_eq!(
            why,
            "Jars are being filled; name the lot when that is done."
        );
    }
    rig.person.run(&["stop"]).ended(0);
    let named = once_written(|| refused_or_said(&rig.person, &late("S-1", 1, Some(batch))));
    assert!(named.contains("its record is corrected"), "{named}");
    agrees(&log);
}

/// The folder of a gatherer has what other benches weighed as well, in folders of their own.
#[test]
fn what_another_bench_weighed_is_added_to_at_that_bench_alone() {
    let (mut rig, log) = in_a_pour();
    rig.daemon.child.kill().unwrap();
    rig.daemon.child.wait().unwrap();
    let bench = log.with_file_name("dune");
    std::fs::create_dir(&bench).unwrap();
    std::fs::write(bench.join("bench.id"), "dune\n").unwrap();
    let there = bench.join(log.file_name().unwrap());
    std::fs::rename(&log, &there).unwrap();
    let before = std::fs::read(&there).unwrap();
    let batch = log.file_stem().unwrap().to_str().unwrap();
    rig.daemon = Daemon::start(&rig.person);
    for words in [
        &["lot", "--step", "1", "S-1", "--batch", batch][..],
        &["fill", "--fill", "50g", batch],
        &["begin", "--go-on", batch],
        &["remedy", batch, "--take", "least-added"],
    ] {
        let said = rig.person.run(words);
        let elsewhere = said.err.contains("was weighed at another bench");
        assert!(elsewhere, "{words:?}: {said:?}");
    }
    // Nor did the daemon go on with it when it started.
    assert_eq!(std::fs::read(&there).unwrap(), before);
    rig.person.begins();
    rig.person.run(&["stop"]).ended(0);
}
