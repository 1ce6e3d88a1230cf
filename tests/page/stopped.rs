//! A batch that was stopped, from the page alone: the bench says that there is one, a room says what is still open,
//! one press goes on with it. What it must be like is the founder's own wish; there is no source for it.

use std::fs;
use std::time::Duration;

use bismar::journal::read::record;
use bismar::mass::Mass;
use bismar::vocabulary::entry::{Draft, RowKind, Verdict};
use serde_json::json;

use crate::bench_side::logs::{Begun, LOGS, cells, closed, weighed};
use crate::bench_side::person::Person;
use crate::bench_side::scale::Scale;
use crate::bench_side::script::Seat;
use crate::bench_side::served::Served;
use crate::bench_side::{LONGEST, VESSEL};
use crate::rooms::{Screen, digits, has, pour, weigh};

const FORMULAS: &str = "home/.local/share/bismar/formulas";

const RINSE: &str = r#"
[formula]
name = "Dune rinse base"
version = 1
[[phase]]
name = "Dry"
mix = "Stir until even"
[[phase.ingredient]]
name = "Sea salt"
balance = true
tolerance = { percent = 2.0 }
[[phase]]
name = "Wet phase"
[[phase.ingredient]]
name = "Glycerin"
percent = 36
tolerance = { percent = 2.0 }
[[phase.ingredient]]
name = "Scent"
percent = 4
tolerance = { percent = 5.0 }
"#;

fn first() -> Draft {
    Draft {
        target: Some(Mass::from_g(60)),
        verdict: Some(Verdict::Kept),
        ..weighed(1, "Sea salt", "", 60_010)
    }
}

fn stop() -> Draft {
    Draft::new(RowKind::Closed, "stopped after 1 of 3 weighings")
}

/// One that can go on, and was stopped an hour ago; one whose formula is another now, made again since; a damaged one.
pub fn made(person: &Person) {
    let logs = person.path(LOGS);
    fs::create_dir_all(&logs).unwrap();
    let hours_ago = |hours: i64| {
        let then = jiff::Timestamp::now() - jiff::SignedDuration::from_hours(hours);
        &*Box::leak(then.to_string().into_boxed_str())
    };
    let begun = |formula, label, hours| Begun {
        formula,
        label,
        size: Mass::from_g(100),
        jars: None,
        at: hours_ago(hours),
    };
    let rinse = |hours| begun(RINSE, "Dune rinse base 1", hours);
    rinse(1).written(&logs, "rinse-3", &[first(), stop()]);
    let other = RINSE.replace("Dune rinse base", "Reed rinse");
    let other: &'static str = Box::leak(other.into_boxed_str());
    let reed = |hours| begun(other, "Reed rinse 1", hours);
    reed(30).written(&logs, "reed-1", &[first(), stop()]);
    let rest = [(2, "Glycerin", 36_000), (3, "Scent", 4_000)].map(|(step, name, mg)| Draft {
        target: Some(Mass::from_mg(mg)),
        ..weighed(step, name, "", mg)
    });
    let [second, third] = rest;
    reed(20).written(&logs, "reed-2", &[first(), second, third, closed()]);
    let bad = rinse(40).written(&logs, "rinse-1", &[first(), stop()]);
    let text = fs::read_to_string(&bad).unwrap();
    fs::write(&bad, text.replace("60.01", "61.01")).unwrap();
    person.file(&format!("{FORMULAS}/rinse.toml"), RINSE);
    let changed = other.replace("percent = 36", "percent = 35");
    person.file(&format!("{FORMULAS}/reed.toml"), &changed);
}

fn address(served: &Served<Scale>) -> String {
    format!("http://127.0.0.1:{}/#{}", served.port, served.key)
}

#[test]
fn a_stopped_batch_goes_on_by_one_press() {
    let seat = Seat::take();
    let served = Served::on(Scale::start, "", made);
    let mut screen = Screen::at(seat, &address(&served));
    screen.until("the bench's key", |seen| {
        seen["links"].is_array() && has(seen, "to_stopped", "rinse-3: 1 of 3 weighed")
    });
    screen.pictures("stopped-bench");
    screen.press("Go on with a stopped batch");
    let seen = screen.reads("Go on with rinse-3");
    for words in [
        "1 of 3 weighed; still open: the mixing of phase Dry, Wet phase.",
        "It was made again since, as reed-2.",
        "reed.toml was changed since; the batch goes on as it was begun, by the formula in its own log.",
        "Its log is damaged.",
        "It cannot go on: ",
        "the row was changed after it was written",
    ] {
        assert!(has(&seen, "inside", words), "{words}: {seen:#}");
    }
    screen.pictures("stopped-room");

    // What is to be thought of first takes a second press.
    screen.press("Go on with reed-1");
    screen.reads("Press again: go on with it all the same");
    let rinse = served.person.path(LOGS).join("rinse-3.csv");
    let seen = screen.tell(&json!(["look"]));
    assert_eq!(seen["view"], "idle", "{seen:#}");

    screen.press("Go on with rinse-3");
    screen.until("the bench", |seen| {
        seen["view"] == "batch" && seen["hash"] == "#/"
    });
    let seen = screen.until("the next step", |seen| has(seen, "say", "Stir until even"));
    assert!(seen["to_stopped"].is_null(), "{seen:#}");
    assert_eq!(seen["recorded"], "Recorded: Sea salt 60.01 g, kept");
    std::thread::sleep(Duration::from_secs(1));
    screen.press("Next");
    // As after a restart bismar does not know what the first beaker holds.
    screen.until("the next beaker", |seen| has(seen, "say", "Place"));
    std::thread::sleep(Duration::from_millis(800));
    served.pan.put(VESSEL);
    screen.until("the question", |seen| {
        has(seen, "say", "The batch goes on with Glycerin. Say next if")
    });
    std::thread::sleep(Duration::from_secs(1));
    screen.press("Next");
    let seen = screen.until("the pour", |seen| has(seen, "word", "still to add"));
    pour(&served.pan, VESSEL, digits(&seen));
    screen.until("the lift", |seen| has(seen, "say", "Lift"));
    served.pan.put(0.0);
    let seen = weigh(&mut screen, &served.pan, VESSEL, digits, |seen| {
        has(seen, "say", "Done") && seen["view"] == "idle"
    });
    assert!(
        seen["to_stopped"].is_null() || !has(&seen, "to_stopped", "rinse-3"),
        "{seen:#}"
    );
    served
        .daemon
        .until(|| cells(&rinse, "closed", "note").len() == 2);
    assert_eq!(
        cells(&rinse, "closed", "note"),
        ["stopped after 1 of 3 weighings", "complete"]
    );
    // The first weight was put there by this test, on no scale: the rows are proved, and held against nothing.
    let record = record::read(&rinse).unwrap();
    assert!(record.is_proved() && record.is_complete(), "{record:#?}");
    let console = screen.tell(&json!(["console"]));
    assert_eq!(console["console"], json!([]), "{console:#}");
}

/// The batch that was just stopped is offered at once, and what two pages press is taken once.
#[test]
fn what_was_just_stopped_is_offered_and_two_pages_take_it_up_once() {
    let seat = Seat::take();
    let served = Served::on(Scale::start, "", made);
    let mut screen = Screen::at(seat, &address(&served));
    screen.until("the bench's key", |seen| has(seen, "to_stopped", "rinse-3"));
    screen.press("Go on with a stopped batch");
    screen.reads("Go on with rinse-3");
    // Another page, or the command line, was quicker.
    served.person.run(&["begin", "--go-on", "rinse-3"]).ended(0);
    screen.until("the strip", |seen| !seen["strip"].is_null());
    screen.press("Go on with rinse-3");
    screen.until("the refusal", |seen| {
        seen["said"]
            .to_string()
            .contains("the bench has gone on meanwhile")
            || seen["said"]
                .to_string()
                .contains("a batch is being weighed")
    });
    let log = served.person.path(LOGS).join("rinse-3.csv");
    let taken = cells(&log, "note", "note");
    let taken = taken
        .iter()
        .filter(|note| note.contains("no longer counts"));
    assert_eq!(taken.count(), 1);
    served.person.run(&["stop"]).ended(0);
    screen.press("Bench");
    let end = std::time::Instant::now() + LONGEST;
    let seen = screen.until("the key again", |seen| {
        has(seen, "to_stopped", "rinse-3: 1 of 3 weighed") || std::time::Instant::now() > end
    });
    assert!(has(&seen, "to_stopped", "rinse-3"), "{seen:#}");
}
