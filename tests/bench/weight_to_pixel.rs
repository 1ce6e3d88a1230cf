//! From the last byte of a scale's line to the digits that Chromium has drawn.
//!
//! A batch step under way at the real daemon, its page in a real Chromium, and a scale on a real pty that
//! adds half a gram with each line, 5 to 10 lines a second at random distances, so that they keep no step
//! with the browser's frames. Beside it, for the same lines in the same seconds: a plain client of the
//! control socket. Of the times nothing is asserted; each line must have been seen by both, or have been
//! overtaken on the page by a later one.
//!
//! The clock (`CLOCK_MONOTONIC`) starts after the write of the whole line to the pty. How the browser's
//! clock is brought onto it, and what the page's three times are: `tests/page/pixel.py`.

#[path = "../bench_side/mod.rs"]
mod bench_side;
mod load;

use std::collections::{HashMap, HashSet};
use std::sync::mpsc::{Receiver, channel};
use std::time::{Duration, Instant};

use bench_side::person::Person;
use bench_side::script::{Script, Seat};
use bench_side::{Daemon, LONGEST, VESSEL, config, free_port};
use bismar::protocol::client::Client;
use bismar::rehearsal::pty::PtyLine;
use nix::time::{ClockId, clock_gettime};
use serde_json::Value;

const LINES: u32 = 400;
/// A pour that stays far below the window of 500 g, where the page shows a number.
const EACH: f64 = 0.5;

const FORMULA: &str = r#"
[formula]
name = "Marram soak"
version = 1
[[phase]]
name = "Dry"
[[phase.ingredient]]
name = "Sea salt"
percent = 50
[[phase.ingredient]]
name = "Oat flour"
balance = true
"#;

fn main() {
    println!("\nweight to pixel: {LINES} lines; {}", load::machine());
    let person = Person::new();
    let scale = PtyLine::open(person.path("scale")).expect("a pty");
    let port = free_port();
    let text = config(&person.path("scale"), "0.01 g");
    let text = format!("{text}[page]\non = true\nport = {port}\n");
    person.configures(&text);
    person.file("soak.toml", FORMULA);
    let _daemon = Daemon::start(&person);
    let heard = readings(&person);
    person
        .run(&["begin", "soak.toml", "--batch", "1000g"])
        .ended(0);

    // The vessel, until it is tared, then until the page shows what is missing.
    let tared = |reading: &(i64, Value)| reading.1["missing"].is_string();
    show_until(&scale, 0.0, || {
        !heard.try_iter().collect::<Vec<_>>().is_empty()
    });
    show_until(&scale, VESSEL, || heard.try_iter().any(|one| tared(&one)));
    let address = person.run(&["page"]).ended(0).out;
    let mut page = Script::start(Seat::take(), "pixel.py", &[address.trim()]);
    show_until(&scale, VESSEL, || page.lines.try_recv().is_ok());
    while heard.try_recv().is_ok() {}

    let written = pour(&scale);
    show_until(&scale, VESSEL + EACH * f64::from(LINES), {
        let end = Instant::now() + Duration::from_millis(500);
        move || Instant::now() > end
    });
    page.say(&"end".into());
    let seen = page.answer();
    report(&written, &heard.try_iter().collect::<Vec<_>>(), &seen);
}

fn now() -> i64 {
    let now = clock_gettime(ClockId::CLOCK_MONOTONIC).expect("a clock");
    now.tv_sec() * 1_000_000_000 + now.tv_nsec()
}

/// The readings in a thread, each with the moment it was there.
fn readings(person: &Person) -> Receiver<(i64, Value)> {
    let events = Client::connect_to(&person.socket())
        .and_then(|client| client.subscribe(true))
        .expect("the daemon takes a subscriber");
    let (sender, receiver) = channel();
    std::thread::spawn(move || {
        for line in events.map_while(Result::ok) {
            let at = now();
            let event: Value = serde_json::from_str(&line).expect("an event is JSON");
            if event["event"] == "reading" && sender.send((at, event)).is_err() {
                return;
            }
        }
    });
    receiver
}

fn put(scale: &PtyLine, text: &str) {
    let written = scale.write(text.as_bytes());
    assert_eq!(
        written,
        text.len(),
        "a pty is full: its reader does not read"
    );
}

fn show_until(scale: &PtyLine, grams: f64, mut done: impl FnMut() -> bool) {
    let limit = Instant::now() + LONGEST;
    while !done() {
        assert!(Instant::now() < limit, "waited too long at {grams} g");
        put(scale, &load::line(grams, true));
        std::thread::sleep(Duration::from_millis(100));
    }
}

/// When each line was written, by its weight as the events write it.
fn pour(scale: &PtyLine) -> Vec<(String, i64)> {
    let mut random = fastrand::Rng::with_seed(500);
    (1..=LINES)
        .map(|n| {
            std::thread::sleep(Duration::from_micros(random.u64(100_000..200_000)));
            let grams = VESSEL + EACH * f64::from(n);
            put(scale, &load::line(grams, false));
            (format!("{grams:.2}"), now())
        })
        .collect()
}

fn report(written: &[(String, i64)], heard: &[(i64, Value)], seen: &Value) {
    // Each line's reading at the socket, and by what is missing in it the page's digits.
    let mut socket = Vec::new();
    // A reading of the vessel may still have been on its way when the pour began.
    let poured = heard
        .iter()
        .skip_while(|(_, reading)| reading["weight"] != written[0].0.as_str());
    let mut lines: HashMap<&str, (usize, i64)> = HashMap::new();
    for (n, ((weight, at), (came, reading))) in written.iter().zip(poured).enumerate() {
        assert_eq!(
            reading["weight"],
            weight.as_str(),
            "lines and readings are out of step"
        );
        let missing = reading["missing"].as_str().expect("the step is under way");
        socket.push(came - at);
        lines.insert(missing, (n, *at));
    }
    assert_eq!(lines.len(), written.len(), "lines without a reading");

    let mut shown = HashSet::new();
    let [mut changed, mut handed, mut presented] = [const { Vec::new() }; 3];
    for change in seen["changes"].as_array().expect("a list") {
        let text = change["text"].as_str().expect("a text");
        let (n, at) = *lines
            .get(text)
            .unwrap_or_else(|| panic!("no line gave {text}"));
        assert!(shown.insert(n), "{text} was shown twice");
        for (times, key) in [
            (&mut changed, "changed"),
            (&mut handed, "handed"),
            (&mut presented, "presented"),
        ] {
            times.extend(change[key].as_i64().map(|then| then - at));
        }
    }
    assert!(
        shown.contains(&(written.len() - 1)),
        "the last line never came to the page"
    );
    println!(
        "| milliseconds after the line's last byte | readings | p50 | p95 | p99 | max | p50, p95: times the socket's |"
    );
    println!("| --- | ---: | ---: | ---: | ---: | ---: | ---: |");
    let base = quantiles(&socket);
    for (what, times) in [
        ("a client of the control socket has the reading", &socket),
        ("the page sets the digits", &changed),
        (
            "the frame is handed to Chromium's compositor (a task after it)",
            &handed,
        ),
        (
            "Chromium reports that frame as presented (trace)",
            &presented,
        ),
    ] {
        let q = quantiles(times);
        println!(
            "| {what} | {} | {:.2} | {:.2} | {:.2} | {:.2} | {:.0}, {:.0} |",
            times.len(),
            q[0],
            q[1],
            q[2],
            q[3],
            q[0] / base[0],
            q[1] / base[1]
        );
    }
    println!(
        "overtaken on the page by the next reading: {}; shown, but in no frame that the trace calls presented: {}",
        written.len() - shown.len(),
        changed.len() - presented.len()
    );
    let micros = |key: &str| seen[key].as_f64().unwrap_or(f64::NAN) / 1e3;
    println!(
        "the browser's clock is known within ±{:.0} µs; the trace's own clock lies {:.0} µs from it; {}",
        micros("within"),
        micros("trace_apart"),
        load::machine()
    );
    println!(
        "Not measured: the scale before its last byte, a USB adapter's own wait, a network to another \
         machine, and a screen: Chromium draws without a window, in software, at the ticks of a 60 Hz \
         timer; scan-out and the panel come on top."
    );
}

/// p50, p95, p99 and the largest in milliseconds, by nearest rank.
fn quantiles(times: &[i64]) -> [f64; 4] {
    let mut sorted = times.to_vec();
    sorted.sort_unstable();
    [0.5, 0.95, 0.99, 1.0].map(|share| {
        let rank = (share * sorted.len() as f64).ceil() as usize;
        sorted
            .get(rank.saturating_sub(1))
            .map_or(f64::NAN, |&time| time as f64 / 1e6)
    })
}
