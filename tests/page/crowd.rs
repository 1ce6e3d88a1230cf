//! A thousand connections of people without a key, from several addresses, while the maker presses her keys; and requests
//! that announce a gigabyte.

use std::time::{Duration, Instant};

use crate::bench_side::announced::{Comes, announced};
use crate::bench_side::crowd::Crowd;
use crate::bench_side::served::Served;
use crate::bench_side::{faults, memory};

/// In the full run; `BISMAR_CROWD` says how many, each press for ten of them.
const CROWD: usize = 1000;
const USUAL: usize = 200;
/// Just slower than her own allowance of presses.
const BETWEEN: Duration = Duration::from_millis(270);

#[test]
fn a_thousand_connections_without_a_key_take_nothing_of_the_maker_s() {
    let size = std::env::var("BISMAR_CROWD").map_or(USUAL, |size| size.parse().expect("a number"));
    let presses = size.min(CROWD) / 10;
    let served = Served::start();
    let session = served.enter();
    served.person.begins();
    let files = || {
        let path = format!("/proc/{}/fd", served.daemon.child.id());
        std::fs::read_dir(path).unwrap().count()
    };
    let before = files();
    let crowd = Crowd::at(served.port, size);
    served.daemon.until(|| crowd.came() >= size);

    let mut took: Vec<f64> = Vec::new();
    let (mut most_files, mut again) = (0, 0);
    for press in 0..presses {
        let note = format!("{{\"do\":\"note\",\"note\":\"press {press}\"}}");
        let began = Instant::now();
        let mut answer = served.post("/do", &session, &note);
        if answer.status == 0 {
            // On a busy processor the crowd of her own address may have had the place before the press was
            // read: the page says so, and she presses again.
            again += 1;
            answer = served.post("/do", &session, &note);
        }
        took.push(began.elapsed().as_secs_f64() * 1000.0);
        assert_eq!(answer.status, 200, "press {press}: {answer:?}");
        most_files = most_files.max(files());
        std::thread::sleep(BETWEEN);
    }
    let came = crowd.leaves();
    assert!(again * 20 <= presses, "{again} of {presses} pressed again");
    took.sort_by(f64::total_cmp);
    let (p50, p95, longest) = (
        took[presses / 2],
        took[presses * 95 / 100],
        took[presses - 1],
    );
    let measured = format!(
        "{came} connections in all; a press answered in {p50:.0} ms (median), {p95:.0} ms (p95), {longest:.0} ms \
         (longest), {again} pressed again; at most {} connections open at the daemon",
        most_files - before
    );
    println!("{measured}");
    // The weighing has gone on, and its rows are all there.
    let said = served.person.run(&["status"]).ended(0);
    assert!(said.out.contains("step 1 of 3"), "{said:?}");
    served.person.run(&["stop"]).ended(0);
    let log = crate::bench_side::logs::only_log(&served.person);
    let notes = crate::bench_side::logs::cells(&log, "note", "note");
    let pressed = notes
        .iter()
        .filter(|note| note.starts_with("press "))
        .count();
    assert_eq!(pressed, presses);
    faults::report(
        "1,000 connections at the page",
        "from eight addresses, the maker's own among them, without a key: silent, half a header a byte at a time, words and wrong keys without end, events asked \
         for, answers not read; ten times a second each, closed ones come again after a second; meanwhile the maker presses keys, each on a new connection",
        format!("{size} at a time, {presses} presses"),
        "each press is taken and answered, one in twenty at the second try at most, its row is in the log once, the batch goes on",
        measured,
    );
}

/// A body of a gigabyte that is announced, and does not come, or slowly, or is sent as fast as it is taken.
#[test]
fn a_body_of_a_gigabyte_is_neither_held_nor_waited_for() {
    let served = Served::start();
    let session = served.enter();
    served.person.begins();
    let before = memory(served.daemon.child.id(), "VmRSS:");
    let (mut asked, mut held) = (0, before);
    let presses = || {
        std::thread::sleep(BETWEEN);
        let note = format!("{{\"do\":\"note\",\"note\":\"press {asked}\"}}");
        let answer = served.post("/do", &session, &note);
        assert_eq!(answer.status, 200, "press {asked}: {answer:?}");
        asked += 1;
        held = held.max(memory(served.daemon.child.id(), "VmRSS:"));
    };
    let kinds = [Comes::Nothing, Comes::Slowly, Comes::All];
    let kept = announced(served.port, "/enter", "", &kinds, presses);
    assert!(asked > 0);
    // Who is in may wait longer for an answer, and gets no more room.
    let inside = announced(
        served.port,
        "/do",
        &format!("{session}\r\n"),
        &[Comes::All],
        || {
            held = held.max(memory(served.daemon.child.id(), "VmRSS:"));
            std::thread::sleep(Duration::from_millis(20));
        },
    );
    assert!(held - before < 8.0, "{before} and {held} MiB");
    let most = kept.most.max(inside.most);
    // What the kernel holds for a connection is no memory of the daemon's.
    assert!(most < 64 << 20, "{most} bytes were taken of one");
    served.person.run(&["stop"]).ended(0);
    let log = crate::bench_side::logs::only_log(&served.person);
    let notes = crate::bench_side::logs::cells(&log, "note", "note");
    let pressed = notes.iter().filter(|note| note.starts_with("press "));
    assert_eq!(pressed.count(), asked);
    faults::report(
        "a gigabyte announced to the page",
        "Content-Length of 1 GiB without a key: nothing of it sent, a byte ten times a second, all as fast as it is taken; with the key the last; \
         meanwhile the maker presses keys",
        format!("16 requests, {asked} presses"),
        "each connection is closed, less than 8 MiB more memory; each press is answered and its row is in the log",
        format!(
            "the last without a key closed after {:.0} s, at most {} kB taken of one, {:.1} MiB more",
            kept.longest.as_secs_f64(),
            most / 1000,
            held - before
        ),
    );
}
