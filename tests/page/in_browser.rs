//! The bench page in a real Chromium while a batch is weighed from its beginning to its end by a hand
//! that follows the cues: what the page shows is read as a person reads it.

use std::time::{Duration, Instant};

use serde_json::Value;

use crate::bench_side::formulas::SOAK;
use crate::bench_side::rig::Rig;
use crate::bench_side::scale::Line;
use crate::bench_side::script::{Script, Seat, pictures};
use crate::bench_side::{LONGEST, free_port};

struct Reader(Script);

impl Reader {
    fn start(seat: Seat, address: &str) -> Reader {
        Reader(Script::start(seat, "browser.py", &[address, &pictures()]))
    }

    /// Reads on until `done`; keeps what it read.
    #[track_caller]
    fn until(&self, kept: &mut Vec<Value>, done: impl Fn(&Value) -> bool) -> Instant {
        let end = Instant::now() + LONGEST;
        loop {
            let (at, line) = self
                .0
                .lines
                .recv_timeout(end.saturating_duration_since(Instant::now()))
                .unwrap_or_else(|_| panic!("the page never showed it; last {:#?}", kept.last()));
            kept.push(line);
            if kept.last().is_some_and(&done) {
                return at;
            }
        }
    }
}

fn has(line: &Value, key: &str, words: &str) -> bool {
    line[key].as_str().is_some_and(|text| text.contains(words))
}

/// A batch begun, and its page open; what the page showed so far. The hand begins when the page is there.
fn begun_with_page() -> (Rig, Reader, Vec<Value>) {
    let seat = Seat::take();
    let port = free_port();
    let with_page = |text: String| format!("{text}[page]\non = true\nport = {port}\n");
    let rig = Rig::begun(SOAK, |_, text| with_page(text), |_| {});
    let address = rig.person.run(&["page"]).ended(0).out;
    let reader = Reader::start(seat, address.trim());
    let mut seen = Vec::new();
    reader.until(&mut seen, |line| has(line, "say", "Place an empty beaker"));
    (rig, reader, seen)
}

#[test]
fn a_batch_is_read_on_the_page_to_its_end() {
    let (mut rig, reader, mut seen) = begun_with_page();
    assert!(
        has(seen.last().unwrap(), "ahead", "Epsom salt"),
        "{seen:#?}"
    );
    rig.finish();
    reader.until(&mut seen, |line| has(line, "say", "Done"));
    for ingredient in ["Sea salt", "Epsom salt", "Oat flour"] {
        let shown = seen
            .iter()
            .any(|line| has(line, "ingredient", ingredient) && has(line, "word", "still to add"));
        assert!(shown, "{ingredient}: {seen:#?}");
    }
    assert!(
        seen.iter()
            .any(|line| has(line, "recorded", "Sea salt 50.0") && has(line, "recorded", "inside"))
    );
    // Whenever a number was said to be still to go, the picture said that it is below the window.
    for line in &seen {
        if has(line, "word", "still to add") {
            assert_eq!(line["pour"], "short", "{line:#?}");
        }
        assert!(!has(line, "say", "has lost"), "{line:#?}");
        assert!(!line["wide"].as_bool().unwrap_or(false), "{line:#?}");
        assert_eq!(
            line["small"].as_u64().unwrap_or(0),
            0,
            "buttons too small: {line:#?}"
        );
    }
    // The daemon is killed: the page says so, and shows no weight.
    reader.until(&mut seen, |line| {
        line["at"] == 1366 && has(line, "say", "Done")
    });
    rig.daemon.child.kill().unwrap();
    let killed = Instant::now();
    let told = reader.until(&mut seen, |line| has(line, "say", "has lost bismar"));
    println!("told {:?} after the kill", told - killed);
    // 2 s by the page's own clock; the reader and a busy machine take their part.
    assert!(told - killed < Duration::from_secs(5));
    reader.until(&mut seen, |line| line["log"].is_array());
    let end = seen.last().unwrap();
    assert!(
        !has(end, "address", "#"),
        "the key stays in the address bar: {end:#?}"
    );
    let complaints = end["log"].as_array().unwrap();
    let policy = complaints
        .iter()
        .filter(|line| line.to_string().contains("Security Policy"));
    assert_eq!(policy.count(), 0, "{complaints:#?}");
}

/// A sentence that asks for a word shows the word, also where it tells a fault.
#[test]
fn what_a_fault_asks_for_can_be_pressed() {
    let (mut rig, reader, mut seen) = begun_with_page();
    rig.pour_of_step_2();
    rig.scale.set(Line::Silent);
    reader.until(&mut seen, |line| has(line, "say", "No weight from scale"));
    // Switched off and on: it calls zero what stands on it.
    rig.scale.zero_here();
    rig.scale.set(Line::Good);
    reader.until(&mut seen, |line| {
        has(line, "say", "The tare must be seen again") && has(line, "choices", "Again")
    });
}
