//! A batch in another language: the real daemon on a real pty with a real D-Bus session. What she sees and hears is in
//! it, with its decimal sign; what is written is the same to the byte as in English.

use std::collections::BTreeSet;
use std::time::Instant;

use bismar::vocabulary::cue::CueKind;
use bismar::weighing::event::Event;

use crate::bench_side::desk::{Bus, Manner, Server, Shown, runtime};
use crate::bench_side::formulas::SOAK;
use crate::bench_side::logs::{only_log, rows};
use crate::bench_side::person::Person;
use crate::bench_side::{Daemon, LONGEST, VESSEL, bench, events};

/// What one batch showed and wrote.
struct Course {
    /// Sentences of the events, as clients get them.
    said: Vec<String>,
    /// The notifications.
    shown: Vec<Shown>,
    /// What `status` said in the middle of it.
    status: String,
    refused: String,
    log: Vec<Vec<(String, String)>>,
}

/// A batch of three steps, with too much in the second one: that asks for an answer.
fn weighed(language: &str) -> Course {
    let bus = Bus::start(None);
    let mut server = runtime().block_on(Server::start(&bus, Manner::Answering));
    let (person, pan) = bench(SOAK);
    let file = std::fs::read_to_string(person.config_file()).unwrap();
    let cues = file.replace("desktop = false", "desktop = true");
    person.configures(&format!("language = \"{language}\"\n{cues}"));
    let mut command = person.command(&["daemon"]);
    command.env("DBUS_SESSION_BUS_ADDRESS", &bus.address);
    let daemon = Daemon::spawn(command, &person);
    let events = events(&person);
    person.begins();
    let mut said = Vec::new();
    let (mut status, mut refused) = (String::new(), String::new());
    let targets = [50.0, 32.0, 20.0];
    let last = Instant::now() + LONGEST;
    for event in events {
        assert!(Instant::now() < last, "no end: {said:#?}\n{}", daemon.log());
        let Event::Cue(cue) = event else {
            match event {
                Event::Closed { .. } => break,
                _ => continue,
            }
        };
        said.push(format!("{} {}", cue.kind.name(), cue.say));
        match cue.kind {
            CueKind::Place => pan.put(VESSEL),
            CueKind::Add => pan.pour_to(VESSEL + targets[cue.step - 1]),
            CueKind::TakeOut => {
                status = person.run(&["status"]).ended(0).out;
                refused = person.run(&["skip", "none", "left"]).err;
                person.run(&["keep"]).ended(0);
            }
            CueKind::Lift => pan.put(0.0),
            CueKind::EaseOff
            | CueKind::Hold
            | CueKind::Mix
            | CueKind::Choose
            | CueKind::Fault
            | CueKind::Done => {}
        }
    }
    let log = only_log(&person);
    assert_eq!(daemon.terminate(), Some(0));
    let mut shown = Vec::new();
    while let Ok(one) = server.log.try_recv() {
        shown.push(one);
    }
    Course {
        said,
        shown,
        status,
        refused,
        log: rows(&log).into_iter().map(told).collect(),
    }
}

/// A row without what no two batches have alike: times (a batch has its minute in its name), the chain, and how
/// many readings came in time.
fn told(row: std::collections::BTreeMap<String, String>) -> Vec<(String, String)> {
    let by_chance = ["at", "batch", "chain", "readings", "uncertainty_g"];
    let cells = row.into_iter();
    cells
        .filter(|(name, _)| !by_chance.contains(&name.as_str()))
        .collect()
}

/// Numbers with a decimal sign.
fn decimals(text: &str, sign: char) -> BTreeSet<String> {
    let words = text.split(|c: char| !c.is_ascii_digit() && c != sign);
    let is = |word: &&str| {
        let parts: Vec<&str> = word.split(sign).collect();
        parts.len() == 2 && parts.iter().all(|part| !part.is_empty())
    };
    words.filter(is).map(str::to_owned).collect()
}

#[test]
fn a_german_batch_is_german_with_commas_and_its_log_is_the_english_one() {
    let german = weighed("de");
    let english = weighed("en");
    let all = german.said.join("\n");
    for sentence in [
        "place Stell einen leeren Becher auf: als Nächstes 50,00 g Sea salt.",
        "add 50,00 g zugeben: Sea salt.",
        "take-out 2,00 g herausnehmen: Epsom salt.",
        "lift 50,00 g erfasst. Heb den Becher ab.",
        "done Fertig. 102,00 g in 3 Schritten gewogen.",
    ] {
        assert!(
            german.said.iter().any(|said| said == sentence),
            "{sentence}:\n{all}"
        );
    }
    assert!(decimals(&all, '.').is_empty(), "a point: {all}");
    assert!(
        english
            .said
            .iter()
            .any(|said| said == "add 50.00 g to add: Sea salt.")
    );
    // The notifications, with the answers they offer.
    let summaries: Vec<&str> = german
        .shown
        .iter()
        .map(|one| one.summary.as_str())
        .collect();
    assert!(
        summaries.contains(&"2,00 g herausnehmen: Epsom salt."),
        "{summaries:#?}"
    );
    let asked = |one: &&Shown| one.summary.starts_with("2,00 g herausnehmen");
    let asked = german.shown.iter().find(asked).unwrap();
    let labels: Vec<&str> = asked
        .actions
        .iter()
        .skip(1)
        .step_by(2)
        .map(String::as_str)
        .collect();
    assert_eq!(labels, ["Behalten", "Nochmal"]);
    assert_eq!(asked.body, "Schritt 2");
    // What the terminal is answered.
    assert!(
        german.status.contains("2,00 g herausnehmen: Epsom salt."),
        "{}",
        german.status
    );
    let refused = "Etwas von diesem Schritt ist auf der Waage oder erfasst.";
    assert!(german.refused.contains(refused), "{}", german.refused);
    // The log.
    assert!(german.log.len() > 5, "{:?}", german.log);
    assert_eq!(german.log, english.log);
}

#[test]
fn every_sentence_and_answer_of_a_batch_goes_through_the_messages() {
    let marked = weighed("x-marked");
    let bare = |text: &str| -> String {
        let mut depth = 0;
        let outside = |c: &char| {
            depth += i32::from(*c == '⟦') - i32::from(*c == '⟧');
            depth == 0 && *c != '⟧'
        };
        text.chars().filter(outside).collect()
    };
    assert!(marked.said.len() > 10);
    for said in &marked.said {
        let (_, said) = said.split_once(' ').unwrap();
        assert!(bare(said).trim().is_empty() && !said.is_empty(), "{said}");
    }
    assert!(marked.shown.len() > 5);
    for shown in &marked.shown {
        let labels = shown.actions.iter().skip(1).step_by(2);
        for text in labels.chain([&shown.summary, &shown.body]) {
            assert!(bare(text).trim().is_empty(), "{text}");
        }
    }
}

#[test]
fn the_environment_chooses_where_the_configuration_does_not() {
    let (person, pan) = bench(SOAK);
    let mut command = person.command(&["daemon"]);
    command.env("LANG", "fr_CA.UTF-8");
    let daemon = Daemon::spawn(command, &person);
    person.begins();
    let says = |words: &str| person.run(&["status"]).ended(0).out.contains(words);
    daemon.until(|| says("Posez un bécher vide\u{a0}: ensuite, 50,00 g de Sea salt."));
    drop(pan);
    assert_eq!(daemon.terminate(), Some(0));
}

#[test]
fn a_language_without_messages_is_refused_with_those_there_are() {
    let person = Person::new();
    person.configures("\nlanguage = \"tlh\"\n");
    let said = person.run(&["daemon"]).ended(4);
    assert!(said.err.contains("config.toml:2:"), "{said:?}");
    assert!(
        said.err.contains("no messages in the language \"tlh\""),
        "{said:?}"
    );
    assert!(said.err.contains("\"en\", \"de\", \"fr\""), "{said:?}");
}
