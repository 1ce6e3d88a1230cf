//! One shelf: what other benches took of a lot counts at each bench, and both hear of it where it was too much.

use std::fs;

use serde_json::json;

use super::shop::{Bench, Broker, KEY, joins, until};
use super::way::{Bad, Way};
use crate::bench_side::formulas::SOAK;
use crate::bench_side::free_port;
use crate::bench_side::rig::Rig;
use crate::bench_side::script::{Script, Seat};
use bismar::wire::message::{Kind, sealed};
use bismar::wire::seal::Key;

const GOOD: Bad = Bad {
    cut_within: 0,
    twice: 0,
    slow: 0,
};

/// The list of lots of this bench has S-1 with so many grams.
fn lists(bench: &Bench, grams: u32) {
    bench.person.file(
        "home/.config/bismar/lots.toml",
        &format!("[[lot]]\nname = \"S-1\"\ningredient = \"Sea salt\"\namount = \"{grams} g\"\n"),
    );
}

fn lots(bench: &Bench) -> String {
    // Asked again and again, and every start of a program takes the others' time.
    std::thread::sleep(std::time::Duration::from_millis(200));
    let said = bench.person.run(&["lots"]).ended(0);
    format!("{}{}", said.out, said.err)
}

/// 10.11 g and 10.12 g of the first batch, 10.21 g and 10.22 g of the second and so on.
#[test]
fn what_another_bench_took_counts_and_is_told_with_its_name_and_time() {
    let mut broker = Broker::start();
    let names = ["bench-1", "bench-2"];
    let mut benches = names.map(|name| Bench::new(name, &broker, broker.port));
    benches.iter().for_each(|bench| lists(bench, 1000));
    // Weighed before anybody listens, and afterwards.
    benches[0].weighs(2);
    until("it counts", || lots(&benches[1]).contains("979.77"));
    benches[0].weighs(1);
    until("more counts", || lots(&benches[1]).contains("969.56"));
    let said = lots(&benches[1]);
    assert!(said.contains("S-1: bench-1 took 30.44 g of it\n"), "{said}");
    // One's own counts once.
    until("its own", || lots(&benches[0]).contains("969.56"));
    let said = lots(&benches[0]);
    assert!(!said.contains("took"), "{said}");
    // The cache is one.
    let shelf = benches[1]
        .person
        .path("home/.local/share/bismar/workshop/shelf");
    benches[1].kill();
    fs::remove_file(&shelf).unwrap();
    assert!(lots(&benches[1]).contains("1000.00"));
    benches[1].up();
    until("it comes back", || lots(&benches[1]).contains("969.56"));
    // Another folder's lots are told by its logs alone, and garbage is nothing.
    let other = benches[1].person.path("other");
    fs::create_dir(&other).unwrap();
    let said = benches[1]
        .person
        .run(&["lots", "--logs", other.to_str().unwrap()]);
    assert!(said.out.contains("1000.00"), "{said:?}");
    let kept = fs::read_to_string(&shelf).unwrap();
    benches[1].kill();
    for garbage in ["", "\0", "{}\n", &kept.replace("\"Sea", "\"\\ud800")] {
        fs::write(&shelf, garbage).unwrap();
        assert!(lots(&benches[1]).contains("1000.00"), "{garbage:?}");
    }
    benches[1].up();
    until("it comes back", || lots(&benches[1]).contains("969.56"));
    // A bench that breaks off is told with the time.
    benches[0].kill();
    until("it is told", || {
        lots(&benches[1]).contains("as known at 20")
    });
    let said = lots(&benches[1]);
    assert!(said.contains("bench-1 does not answer"), "{said}");
    benches[0].up();
    until("it answers", || {
        !lots(&benches[1]).contains("does not answer")
    });
    // So is one with a broker that is silent: the file is older than what it is renewed after.
    broker.kill();
    benches[1].kill();
    let old = std::time::SystemTime::now() - std::time::Duration::from_secs(120);
    fs::File::options()
        .write(true)
        .open(&shelf)
        .unwrap()
        .set_modified(old)
        .unwrap();
    let said = lots(&benches[1]);
    assert!(
        said.contains("bench-1 took 30.44 g of it as known at"),
        "{said}"
    );
}

/// Two take the last grams of one lot while the network is split: each hears it when it is whole again, and the sums are
/// those of the logs.
#[test]
fn two_that_take_the_last_grams_in_a_split_network_are_both_told() {
    let broker = Broker::start();
    let ways = [1, 2].map(|seed| Way::to(broker.port, GOOD, seed));
    let names = ["bench-1", "bench-2"];
    let mut benches = [0, 1].map(|at| Bench::new(names[at], &broker, ways[at].port));
    benches.iter().for_each(|bench| lists(bench, 100));
    benches[0].weighs(2);
    until("the other knows", || lots(&benches[1]).contains("79.77"));
    ways[0].close();
    ways[1].close();
    // 20.23 + 40.90 + 40.50 + 10.21 g: a batch's steps grow by 10 mg.
    benches[0].weighs(4);
    benches[1].weighs(4);
    benches[1].weighs(1);
    until("each knows its own", || {
        lots(&benches[0]).contains("38.87") && lots(&benches[1]).contains("29.06")
    });
    assert!(
        !benches[0].trouble().contains("S-1"),
        "{}",
        benches[0].trouble()
    );
    ways.iter().for_each(Way::reopen);
    for (bench, other) in [(0, "bench-2"), (1, "bench-1")] {
        until("it is told", || {
            let said = benches[bench].trouble();
            said.contains("Lot S-1 of Sea salt had 100.00 g") && said.contains(other)
        });
    }
    until("the sums are one", || {
        let left = |bench: &Bench| {
            let said = lots(bench);
            let line = said.lines().find(|line| line.starts_with("S-1 "));
            line.map(|line| {
                line.split_whitespace()
                    .nth(5)
                    .unwrap_or_default()
                    .to_owned()
            })
        };
        left(&benches[0]).is_some() && left(&benches[0]) == left(&benches[1])
    });
    // It is over when the list is right.
    benches.iter().for_each(|bench| lists(bench, 200));
    for bench in &mut benches {
        bench.weighs(1);
        until("it is over", || !bench.trouble().contains("S-1"));
    }
}

/// A bench whose disk is an old backup's, and one that lost it all: what they took stays taken.
#[test]
fn what_a_bench_lost_stays_counted() {
    let broker = Broker::start();
    let mut one = Bench::new("bench-1", &broker, broker.port);
    let two = Bench::new("bench-2", &broker, broker.port);
    for bench in [&one, &two] {
        lists(bench, 1000);
    }
    one.weighs(1);
    let last = one.weighs(1);
    until("both count", || lots(&two).contains("979.68"));
    one.kill();
    fs::remove_file(&last).unwrap();
    one.up();
    until("its own shelf counts it", || lots(&one).contains("979.68"));
    let said = lots(&one);
    assert!(said.contains("bench-1 took 10.21 g of it"), "{said}");
    one.weighs(1);
    // The third batch: 10.31 g.
    until("and what comes after", || lots(&two).contains("969.37"));
    assert!(lots(&one).contains("969.37"));
}

/// Who has not the key takes nothing, and one who has it and sends nonsense does no harm.
#[test]
fn a_stranger_takes_nothing_off_the_shelf() {
    let broker = Broker::start();
    let mut one = Bench::new("bench-1", &broker, broker.port);
    let two = Bench::new("bench-2", &broker, broker.port);
    lists(&two, 1000);
    one.weighs(1);
    until("it counts", || lots(&two).contains("989.89"));
    let mut sub = broker.client("mosquitto_sub");
    sub.args([
        "-t",
        "bismar/1/saltmarsh/bench-1/taken/+",
        "-C",
        "1",
        "-W",
        "20",
    ]);
    let text = sub.args(["-F", "%t %p"]).output().unwrap().stdout;
    let text = String::from_utf8(text).unwrap();
    let (topic, share) = text.trim().split_once(' ').unwrap();
    let forged = share.replace("10110000000", "500000000000");
    assert_ne!(forged, share);
    let wrong = sealed(
        Kind::Taken,
        "saltmarsh",
        "bench-1",
        forged.as_bytes(),
        &Key::new(b"no"),
    );
    broker.publish(topic, &wrong, forged.as_bytes(), true);
    broker.publish(topic, &[], forged.as_bytes(), true);
    broker.publish(topic, &[], b"", true);
    let key = Key::new(KEY.as_bytes());
    // With the key: under another topic, of no bench, no log, no rows, no JSON.
    let other = topic.replace("bench-1", "bench-3");
    broker.publish(
        &other,
        &sealed(Kind::Taken, "saltmarsh", "bench-1", share.as_bytes(), &key),
        share.as_bytes(),
        true,
    );
    let id = "0123456789abcdef0123456789abcdef";
    let of = json!({ "lot": "S-1", "ingredient": "Sea salt", "month": "" });
    for logs in [
        json!({ id: { "../x": [1, 1_000_000_000_i64] } }),
        json!({ id: { "x": [0, 1_000_000_000_i64] } }),
        json!({ id: { "x": [1, i64::MIN] } }),
        json!({ "me": { "x": [1, 1_000_000_000_i64] } }),
        json!(7),
    ] {
        let text = json!({ "of": of, "logs": logs }).to_string();
        let about = sealed(Kind::Taken, "saltmarsh", "bench-1", text.as_bytes(), &key);
        broker.publish(topic, &about, text.as_bytes(), true);
    }
    for status in ["", "{", "[]", "{\"state\":7}", "{\"state\":\"here\"}"] {
        broker.publish(
            "bismar/1/saltmarsh/bench-9/status",
            &[],
            status.as_bytes(),
            true,
        );
        broker.publish(
            "bismar/1/saltmarsh/gather/status",
            &[],
            status.as_bytes(),
            true,
        );
    }
    // What is true comes through behind it, and stands again on the broker for who comes new.
    one.weighs(1);
    until("it counts", || lots(&two).contains("979.68"));
    let three = Bench::new("bench-3", &broker, broker.port);
    lists(&three, 1000);
    until("it counts for a newcomer", || {
        lots(&three).contains("979.68")
    });
}

/// A bench that weighs is told that the other took what it would need.
#[test]
fn a_lot_that_another_bench_emptied_is_spoken_against_by_its_name() {
    let broker = Broker::start();
    let mut other = Bench::new("bench-2", &broker, broker.port);
    other.weighs(5);
    let rig = Rig::begun(
        SOAK,
        |person, text| {
            let list = "[[lot]]\nname = \"S-1\"\ningredient = \"Sea salt\"\namount = \"55 g\"\n";
            person.file("home/.config/bismar/lots.toml", list);
            let joined = joins(person, &broker, broker.port, "bench = \"bench-1\"");
            format!("{text}{joined}")
        },
        |_| {},
    );
    let mut said = rig.person.run(&["lots"]).out;
    until("it is heard", || {
        said = rig.person.run(&["lots"]).out;
        said.contains("bench-2 took 50.65 g")
    });
    let said = rig.person.run(&["lot", "S-1"]);
    let said = format!("{}{}", said.out, said.err);
    assert!(said.contains("bench-2 took 50.65 g of it"), "{said}");
}

/// On the page of a bench too, in a real browser: what is left of a lot counts what another bench took, with its name.
#[test]
fn the_page_counts_what_another_bench_took() {
    let seat = Seat::take();
    let broker = Broker::start();
    let mut other = Bench::new("bench-1", &broker, broker.port);
    let mut bench = Bench::new("bench-2", &broker, broker.port);
    bench.kill();
    let port = free_port();
    let text = fs::read_to_string(bench.person.config_file()).unwrap();
    bench
        .person
        .configures(&format!("{text}[page]\non = true\nport = {port}\n"));
    bench.up();
    for bench in [&bench, &other] {
        lists(bench, 1000);
    }
    let said = bench.person.run(&["page"]).ended(0).out;
    let (_, key) = said.trim().split_once('#').unwrap();
    let mut page = Script::start(seat, "access.py", &[]);
    let address = format!("http://127.0.0.1:{port}/");
    page.does(&json!({"do": "go-to", "address": address}));
    let door = "document.body.dataset.view === 'door'";
    page.does(&json!({"do": "wait", "until": door}));
    page.does(&json!({"do": "enter", "key": key}));
    page.does(&json!({"do": "wait", "until": format!("!({door})")}));
    // The row of the lot: its name with what is said of it, the day, what is left.
    let row = "[...document.querySelectorAll('#room-inside tr')].find((row) => row.textContent.includes('S-1'))";
    let mut shows = |left: &str, told: &str| {
        // What a room says is what was known when it was entered.
        page.does(&json!({"do": "room", "hash": "#/batches", "until": "true"}));
        // No number parts from its unit.
        let told = json!(told.replace(" g ", "\u{a0}g "));
        let until = format!(
            "{row}?.cells[2].innerText === '{left}' && {row}.cells[0].innerText === {told}"
        );
        page.does(&json!({"do": "room", "hash": "#/lots", "until": until}));
    };
    shows("1000.00", "S-1");
    // 10.11 and 10.12 g; then 10.21 g.
    other.weighs(2);
    until("it counts", || lots(&bench).contains("979.77"));
    shows("979.77", "S-1\nbench-1 took 20.23 g of it");
    // What it took itself is told of nobody: 10.11 g.
    bench.weighs(1);
    until("its own counts", || lots(&bench).contains("969.66"));
    shows("969.66", "S-1\nbench-1 took 20.23 g of it");
    // In the room of the lot as well.
    let hash = "#/lots/%5B%22S-1%22%2C%22Sea%20salt%22%5D";
    let until = "document.getElementById('room-inside').innerText.includes('Sea salt: 969.66\\u00a0g left')";
    page.does(&json!({"do": "room", "hash": hash, "until": until}));
}
