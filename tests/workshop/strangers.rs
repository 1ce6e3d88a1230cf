//! What a stranger on the broker can send, and a bench that is not what it was.

use std::fs;

use bismar::journal::store::log::LogFile;
use bismar::wire::message::RowMessage;

use super::shop::{Bench, Broker, Gatherer, sends, until};
use crate::bench_side::faults::report;
use crate::bench_side::logs::{closed, weighed};

/// The bench's record of what was refused.
fn refused(gatherer: &Gatherer, bench: &str) -> String {
    let path = gatherer.folder().join(bench).join("refused.jsonl");
    fs::read_to_string(path).unwrap_or_default()
}

#[test]
fn forged_rows_are_refused_and_told() {
    let broker = Broker::start();
    let mut bench = Bench::new("bench-1", &broker, broker.port);
    let gatherer = Gatherer::new(&broker, broker.port, &["bench-1"]);
    let log = bench.weighs(3);
    gatherer.has_all_of(&bench);
    let topic = "bismar/1/saltmarsh/bench-1/row";
    // Without the key; with a weight that is another; out of another batch; no row at all.
    let good = bench.message(&log, 3);
    broker.publish(topic, &[], &good.line, false);
    until("no seal", || {
        refused(&gatherer, "bench-1").contains("without the workshop's seal")
    });
    let text = String::from_utf8(good.line.clone()).unwrap();
    let forged = RowMessage {
        line: text.replace("10.11", "10.99").into_bytes(),
        ..good.clone()
    };
    assert_ne!(forged.line, good.line);
    sends(&broker, "bench-1", &forged);
    until("it does not fit", || {
        refused(&gatherer, "bench-1").contains("does not go on with")
    });
    let other = RowMessage {
        log: "another-batch".into(),
        row: 1,
        ..bench.message(&log, 1)
    };
    sends(&broker, "bench-1", &other);
    until("another batch's", || {
        refused(&gatherer, "bench-1").contains("another-batch")
    });
    for line in [&b"\n"[..], b"", b"a\nb\n", b"no end", b"\xff\xfe\n"] {
        let line = line.to_vec();
        sends(
            &broker,
            "bench-1",
            &RowMessage {
                row: 4,
                line,
                ..good.clone()
            },
        );
    }
    until("no whole line", || {
        refused(&gatherer, "bench-1").contains("no whole line")
    });
    let told = broker.retained("bismar/1/saltmarsh/bench-1/refused");
    assert!(told.contains("\"why\""), "{told}");
    assert!(
        gatherer.log().contains("refused of bench-1"),
        "{}",
        gatherer.log()
    );
    // A row that is far ahead is asked for, and does no harm.
    sends(
        &broker,
        "bench-1",
        &RowMessage {
            row: u64::MAX,
            ..good.clone()
        },
    );
    // A row that is there already, and the same.
    sends(&broker, "bench-1", &good);
    bench.weighs(2);
    gatherer.has_all_of(&bench);
    report(
        "rows forged at the broker",
        "without the key; with another weight; out of another batch; no whole line; one far ahead; one that is there",
        "10 messages",
        "refused, told in the log, in a file and at the broker; the joined logs are the bench's logs, byte for byte",
        "0 rows lost, doubled or altered",
    );
}

#[test]
fn what_a_stranger_sends_leads_nowhere_and_stops_nothing() {
    let broker = Broker::start();
    let mut bench = Bench::new("bench-1", &broker, broker.port);
    let gatherer = Gatherer::new(&broker, broker.port, &["bench-1"]);
    let log = bench.weighs(1);
    gatherer.has_all_of(&bench);
    let good = bench.message(&log, 1);
    for name in [
        "../../outside",
        "/tmp/outside",
        "a/b",
        ".hidden",
        "bench.id",
        "refused",
    ] {
        sends(
            &broker,
            "bench-1",
            &RowMessage {
                log: name.into(),
                ..good.clone()
            },
        );
    }
    for stranger in ["bench-9", "gather", "x.y"] {
        sends(&broker, stranger, &good);
    }
    let big = vec![b'x'; 5 << 20];
    for kind in [
        "row", "status", "heads", "ask", "cue", "refused", "row/more",
    ] {
        let topic = format!("bismar/1/saltmarsh/bench-1/{kind}");
        for text in [
            &b"\xff\0{"[..],
            b"[[[[[[[[[[[[[[[[",
            br#"{"state":"here","connection":7}"#,
            b"null",
        ] {
            broker.publish(
                &topic,
                &[("log".into(), "x".into()), ("log".into(), "y".into())],
                text,
                false,
            );
        }
        broker.publish(&topic, &[], &vec![b'['; 200_000], true);
        broker.publish(&topic, &[], &big, false);
    }
    bench.weighs(2);
    gatherer.has_all_of(&bench);
    let folder = gatherer.folder();
    let mut names: Vec<String> = fs::read_dir(&folder)
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .collect();
    names.sort();
    assert_eq!(names, ["bench-1", "gather.lock"]);
    assert!(!gatherer.person.path("outside.csv").exists());
    assert!(
        !gatherer.log().contains("panicked")
            && !bench.daemon.as_ref().unwrap().log().contains("panicked")
    );
    report(
        "stranger at the broker",
        "with the key's own seal: names that are paths, benches that are named nowhere; without: garbage, 200,000 brackets retained and 5 MB, below each topic of a bench",
        "51 messages",
        "no file beside the bench's folder, no panic; the joined logs are the bench's logs, byte for byte",
        "0 rows lost, doubled or altered",
    );
}

/// Restored from an old copy: fewer rows than were gathered, then other rows in their places.
#[test]
fn a_log_that_was_set_back_is_told_and_not_merged() {
    let broker = Broker::start();
    let mut bench = Bench::new("bench-1", &broker, broker.port);
    let gatherer = Gatherer::new(&broker, broker.port, &["bench-1"]);
    let path = bench.logs().join("marram-soak-old.csv");
    let at = jiff::Timestamp::now();
    let mut log = LogFile::create(&bench.logs(), "marram-soak-old", "Marram soak 1").unwrap();
    log.append(&weighed(1, "Sea salt", "S-1", 10_000), at)
        .unwrap();
    let old = fs::read(&path).unwrap();
    log.append(&weighed(2, "Epsom salt", "E-1", 20_000), at)
        .unwrap();
    drop(log);
    gatherer.has_all_of(&bench);
    let gathered = fs::read(&path).unwrap();
    bench.kill();
    fs::write(&path, &old).unwrap();
    bench.up();
    until("set back", || {
        refused(&gatherer, "bench-1").contains("was set back")
    });
    let (mut log, _) = LogFile::open(&path).unwrap();
    log.append(&weighed(2, "Epsom salt", "E-2", 21_000), at)
        .unwrap();
    log.append(&closed(), at).unwrap();
    drop(log);
    until("another row", || {
        refused(&gatherer, "bench-1").contains("another row stands here")
    });
    let there = gatherer.folder().join("bench-1/marram-soak-old.csv");
    assert_eq!(fs::read(there).unwrap(), gathered);
    // Nobody asks again and again for what does not fit: the way is silent where nothing is weighed.
    let mut rows = broker.client("mosquitto_sub");
    rows.args(["-t", "bismar/1/saltmarsh/+/row", "-W", "6"]);
    let rows = rows.output().unwrap().stdout;
    assert_eq!(String::from_utf8_lossy(&rows), "");
    // The other logs go on.
    let new = bench.weighs(2);
    let there = gatherer
        .folder()
        .join("bench-1")
        .join(new.file_name().unwrap());
    until("a new batch", || {
        fs::read(&there).is_ok_and(|bytes| bytes == fs::read(&new).unwrap())
    });
    report(
        "bench set back to an old copy of its log",
        "a log with a row fewer than was gathered, then with another row in its place",
        "1 log of 2 rows, 1 new batch",
        "told and not merged: what was gathered stays byte for byte, nobody asks for it again and again, the next batch arrives",
        "0 rows of what was gathered lost, doubled or altered; the other row is refused",
    );
}

/// Another machine under a name that is taken: nothing of it is merged until a person says that it is meant.
#[test]
fn a_bench_that_was_replaced_is_told_and_taken_after_a_word() {
    let broker = Broker::start();
    let mut bench = Bench::new("bench-1", &broker, broker.port);
    let mut gatherer = Gatherer::new(&broker, broker.port, &["bench-1"]);
    bench.weighs(1);
    gatherer.has_all_of(&bench);
    bench.kill();
    let before = fs::read_dir(gatherer.folder().join("bench-1"))
        .unwrap()
        .count();
    let mut other = Bench::new("bench-1", &broker, broker.port);
    let new = other.weighs(4);
    // Its first batch has the name of the other's first.
    assert_eq!(
        new.file_name(),
        Some("marram-soak-bench-1-00001.csv".as_ref())
    );
    let newer = other.weighs(2);
    until("it is told", || {
        refused(&gatherer, "bench-1").contains("another bench speaks")
    });
    let after = fs::read_dir(gatherer.folder().join("bench-1"))
        .unwrap()
        .count();
    assert_eq!(after, before + 1, "the record of what was refused alone");
    fs::remove_file(gatherer.folder().join("bench-1/bench.id")).unwrap();
    assert_eq!(gatherer.terminate(), Some(0));
    gatherer.up();
    let there = gatherer
        .folder()
        .join("bench-1")
        .join(newer.file_name().unwrap());
    until("its batches come", || {
        fs::read(&there).is_ok_and(|bytes| bytes == fs::read(&newer).unwrap())
    });
    until("and the one that clashes is told", || {
        let refused = refused(&gatherer, "bench-1");
        refused.lines().any(|line| {
            line.contains("does not go on with") && line.contains("marram-soak-bench-1-00001")
        })
    });
    let there = gatherer
        .folder()
        .join("bench-1")
        .join(new.file_name().unwrap());
    assert_eq!(
        fs::read(there).unwrap(),
        fs::read(bench.logs().join(new.file_name().unwrap())).unwrap()
    );
    report(
        "bench replaced by another machine",
        "another one under the same name, with a batch of the same name",
        "2 machines, 3 batches",
        "told and nothing merged until a person takes the folder's bench.id away; then its new batch arrives, and the one that clashes is told and leaves the first as it was",
        "0 rows of the first lost, doubled or altered; 1 batch refused",
    );
}

/// Two benches of one name push each other off the broker: told at both.
#[test]
fn two_benches_of_one_name_are_told() {
    let broker = Broker::start();
    let one = Bench::new("bench-1", &broker, broker.port);
    let two = Bench::new("bench-1", &broker, broker.port);
    let told = |bench: &Bench| {
        let log = bench.daemon.as_ref().unwrap().log();
        log.contains("give each bench its own name")
    };
    let end = std::time::Instant::now() + std::time::Duration::from_secs(60);
    while !told(&one) || !told(&two) {
        let logs = [&one, &two].map(|bench| bench.daemon.as_ref().unwrap().log());
        assert!(std::time::Instant::now() < end, "{}\n{}", logs[0], logs[1]);
        std::thread::sleep(std::time::Duration::from_millis(50));
    }
}

/// What is gathered beside a bench's own logs would count twice there.
#[test]
fn a_folder_with_logs_of_a_bench_is_not_gathered_into() {
    let broker = Broker::start();
    let mut bench = Bench::new("bench-1", &broker, broker.port);
    bench.weighs(1);
    let gatherer = Gatherer::down(&broker, broker.port, &["bench-1"]);
    let folder = bench.logs();
    let words = ["gather", "--to", folder.to_str().unwrap()];
    let said = gatherer.person.run(&words).ended(1).err;
    assert!(said.contains("logs of a bench lie here"), "{said}");
}
