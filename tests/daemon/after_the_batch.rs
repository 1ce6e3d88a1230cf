//! What follows the weighing, with the real daemon on a real pty: jars that are filled, a daemon that
//! is killed between two of them, an emptied beaker, a remedy that becomes steps, a limit that is
//! broken. The person is `bismar` itself.

use std::time::{Duration, Instant};

use bismar::protocol::client;
use bismar::protocol::client::Client;
use bismar::protocol::request::Overweigh;
use bismar::vocabulary::cue::{Cue, CueKind};
use bismar::weighing::event::Event;

use crate::bench_side::logs::{cells, only_log};
use crate::bench_side::person::{Person, Said};
use crate::bench_side::{Daemon, LONGEST, Pan, VESSEL, bench, config, events};

const FORMULA: &str = r#"
[formula]
name = "Sea lavender soak"
version = 1
[[phase]]
name = "Base"
mix = "Stir until even"
[[phase.ingredient]]
name = "Sea salt"
balance = true
tolerance = { percent = 2.0 }
[[phase.ingredient]]
name = "Glycerin"
percent = 36
tolerance = { percent = 2.0 }
[[phase]]
name = "Scent"
[[phase.ingredient]]
name = "Scent"
percent = 4
tolerance = { percent = 5.0 }
limits = { max = 5 }
"#;

const JAR: f64 = 98.40;

/// Follows the cues: `vessel` is what it puts down, `grams` says from the cue how much it pours, `word`
/// what it types at a cue. Ends with the batch or when `stop` says so.
fn follow(
    person: &Person,
    pan: &Pan,
    events: impl Iterator<Item = Event>,
    vessel: f64,
    mut grams: impl FnMut(&Cue) -> f64,
    mut word: impl FnMut(&Cue) -> Option<Vec<&'static str>>,
) -> Vec<String> {
    let mut heard = Vec::new();
    let last = Instant::now() + LONGEST;
    for event in events {
        assert!(
            Instant::now() < last,
            "no end: {heard:#?}\n{}",
            person.run(&["status"]).out
        );
        match event {
            Event::Closed { .. } => return heard,
            Event::Cue(cue) => {
                heard.push(cue.say.to_string());
                if let Some(words) = word(&cue) {
                    if words.is_empty() {
                        return heard;
                    }
                    person.run(&words).ended(0);
                    continue;
                }
                match cue.kind {
                    CueKind::Place => {
                        // The empty pan is seen at rest before a hand is there.
                        std::thread::sleep(Duration::from_millis(800));
                        pan.put(vessel);
                    }
                    CueKind::Add => pan.pour_to(vessel + grams(&cue)),
                    CueKind::Lift => pan.put(0.0),
                    CueKind::EaseOff
                    | CueKind::Hold
                    | CueKind::TakeOut
                    | CueKind::Mix
                    | CueKind::Choose
                    | CueKind::Fault
                    | CueKind::Done => {}
                }
            }
            _ => {}
        }
    }
    panic!("the events ended: {heard:#?}");
}

/// What the README shows of it was really said; the batch's name has its own date there.
#[track_caller]
fn readme_shows(said: &[&str]) {
    let readme = include_str!("../../README.md");
    let undated = |line: &str| match line.split_once("sea-lavender-soak-") {
        Some((before, rest)) => {
            let after = rest.split_once(':').map_or("", |(_, after)| after);
            format!("{before}sea-lavender-soak:{after}")
        }
        None => line.to_owned(),
    };
    let readme: Vec<String> = readme.lines().map(undated).collect();
    for line in said.iter().flat_map(|text| text.lines()) {
        assert!(readme.contains(&undated(line)), "not in the README: {line}");
    }
}

/// The last row is on the disk a moment before the daemon knows it.
fn once_written(person: &Person, daemon: &Daemon, words: &[&str]) -> Said {
    let mut said = person.run(words);
    daemon.until(|| {
        let again = said.err.contains("still being written");
        if again {
            said = person.run(words);
        }
        !again
    });
    said
}

fn missing(cue: &Cue) -> f64 {
    cue.missing.map_or(0.0, |missing| missing.to_g_f64())
}

fn mixed(cue: &Cue) -> Option<Vec<&'static str>> {
    (cue.kind == CueKind::Mix).then(|| vec!["next"])
}

/// Keeps what is too much, mixes, and closes the batch as it is.
fn goes_on(cue: &Cue) -> Option<Vec<&'static str>> {
    match cue.kind {
        CueKind::TakeOut => Some(vec!["keep"]),
        CueKind::Mix | CueKind::Choose => Some(vec!["next"]),
        _ => None,
    }
}

/// Weighs 120 g (two jars of 60 g) without a fault.
fn weighed(person: &Person, pan: &Pan) {
    let watched = events(person);
    let said = person
        .run(&["begin", "soak.toml", "--jars", "2", "--fill", "60g"])
        .ended(0);
    let short = "Only 1 of 2 jars would get full";
    let would_do = "An allowance for losses of 3.5 % would do. Before anything is poured, stop and begin again with it.";
    assert!(
        said.out.contains(short) && said.out.contains(would_do),
        "{said:?}"
    );
    follow(person, pan, watched, VESSEL, missing, mixed);
}

#[test]
fn jars_are_filled_without_a_touch_over_a_killed_daemon_and_stand_in_the_sheet() {
    let (person, pan) = bench(FORMULA);
    let daemon = Daemon::start(&person);
    let early = person.run(&["fill"]).ended(1);
    assert!(
        early.err.contains("no batch to fill jars from"),
        "{early:?}"
    );
    weighed(&person, &pan);
    let log = only_log(&person);
    daemon.until(|| cells(&log, "closed", "note").len() == 1);

    let watched = events(&person);
    let said = once_written(&person, &daemon, &["fill", "--fill", "30g", "--over", "1g"]).ended(0);
    assert!(
        said.out
            .contains("up to 4 of 30.00 g each, 31.00 g at most"),
        "{said:?}"
    );
    assert!(said.out.contains("Directive 76/211/EEC"), "{said:?}");
    assert!(said.out.contains("for inspectors"), "{said:?}");
    let (first_lines, _) = said.out.split_once("\n`bismar watch`").unwrap();
    readme_shows(&[first_lines]);
    // The kill comes when the second empty jar is asked for.
    let heard = follow(&person, &pan, watched, JAR, missing, |cue| {
        (cue.step == 2 && cue.kind == CueKind::Place).then(Vec::new)
    });
    assert!(
        heard
            .iter()
            .any(|say| say.contains("1 filled, mean 30.50 g; enough for 2 more")),
        "{heard:#?}"
    );
    daemon.kill();

    let daemon = Daemon::start(&person);
    daemon.until(|| daemon.log().contains("Going on with filling jars"));
    let watched = events(&person);
    let heard = follow(&person, &pan, watched, JAR, missing, |cue| {
        (cue.step == 4 && cue.kind == CueKind::Place).then(|| vec!["stop"])
    });
    let last = heard.last().map_or("", String::as_str);
    assert!(
        last.contains("3 jars filled, 91.50 g, mean 30.50 g, yield 76.2 %; 28.50 g not in a jar"),
        "{heard:#?}"
    );
    readme_shows(&[last, "Place empty jar 1: 30.50 g goes in."]);
    readme_shows(&["Recorded 30.50 g. Lift the jar. 1 filled, mean 30.50 g; enough for 2 more."]);
    daemon.until(|| cells(&log, "closed", "note").len() == 2);
    assert_eq!(cells(&log, "filled", "net_g"), ["30.50"; 3]);
    assert_eq!(cells(&log, "filled", "target_g"), ["30.00"; 3]);
    assert_eq!(cells(&log, "filled", "step"), ["1", "2", "3"]);
    assert_eq!(cells(&log, "filled", "tare_g"), ["98.40"; 3]);
    person
        .run(&["log", "verify", log.to_str().unwrap()])
        .ended(0);

    // Not enough for a jar of 30 g is left; smaller ones go on from number 4.
    let refused = person.run(&["fill", "--fill", "30g"]).ended(1);
    assert!(
        refused.err.contains("not enough left for one jar"),
        "{refused:?}"
    );
    let said = person
        .run(&[
            "fill",
            "--fill",
            "10g",
            "--rule",
            "hb133",
            "--allowable",
            "0.9g",
        ])
        .ended(0);
    assert!(said.out.contains("up to 2 of 10.00 g"), "{said:?}");
    let watched = events(&person);
    follow(&person, &pan, watched, JAR, missing, |_| None);
    daemon.until(|| cells(&log, "closed", "note").len() == 3);
    assert_eq!(cells(&log, "filled", "step"), ["1", "2", "3", "4", "5"]);

    let name = log.file_stem().unwrap().to_str().unwrap();
    let page = person.run(&["sheet", name, "--out", "-"]).ended(0).out;
    for words in ["NIST Handbook 133", "<td>5<td", "Filled"] {
        assert!(page.contains(words), "{words}");
    }
    assert_eq!(daemon.terminate(), Some(0));
}

#[test]
fn a_remedy_and_an_emptied_beaker_become_steps_over_a_killed_daemon() {
    let (person, pan) = bench(FORMULA);
    let daemon = Daemon::start(&person);
    let watched = events(&person);
    person.begins();
    // 9 g too much of the glycerin, kept, and mixed in.
    let heard = follow(
        &person,
        &pan,
        watched,
        VESSEL,
        |cue| missing(cue) + if cue.step == 2 { 9.0 } else { 0.0 },
        |cue| match cue.kind {
            CueKind::TakeOut => Some(vec!["keep"]),
            CueKind::Mix => Some(vec![]),
            _ => None,
        },
    );
    let log = only_log(&person);
    let refused = person.run(&["residue", "7"]).ended(1);
    assert!(refused.err.contains("no emptied beaker"), "{refused:?}");
    // 1.50 g of it stayed in its beaker, which leaves enough.
    let watched = events(&person);
    readme_shows(&[&person.run(&["residue"]).ended(0).out]);
    pan.put(VESSEL + 1.5);
    let stayed = follow(&person, &pan, watched, VESSEL, missing, |cue| {
        (cue.kind == CueKind::Lift).then(Vec::new)
    });
    pan.put(0.0);
    assert!(
        stayed
            .iter()
            .any(|say| say.contains("1.50 g Glycerin stayed in the beaker")),
        "{heard:#?} {stayed:#?}"
    );
    readme_shows(&[stayed.last().unwrap()]);
    assert_eq!(cells(&log, "residue", "net_g"), ["1.50"]);
    daemon.until(|| {
        person
            .run(&["status"])
            .ended(0)
            .out
            .contains("Base is weighed")
    });
    person.run(&["next"]).ended(0);
    let status = person.run(&["status"]).ended(0);
    assert!(status.out.contains("step 3 of 3"), "{status:?}");

    let said = person.run(&["remedy", "--take", "in-proportion"]).ended(0);
    // 43.50 g glycerin are 36 % of 120.83 g (steps of 0.01 g).
    assert!(
        said.out.contains("1 step more, 1 target raised"),
        "{said:?}"
    );
    readme_shows(&[&said.out]);
    daemon.kill();
    let daemon = Daemon::start(&person);
    daemon.until(|| daemon.log().contains("2 of 4 steps are recorded"));
    let watched = events(&person);
    let heard = follow(&person, &pan, watched, VESSEL, missing, mixed);
    daemon.until(|| cells(&log, "closed", "note").len() == 1);
    assert_eq!(
        cells(&log, "weighed", "step"),
        ["1", "2", "3", "4"],
        "{heard:#?}"
    );
    let nets: Vec<f64> = cells(&log, "weighed", "net_g")
        .iter()
        .map(|net| net.parse().unwrap())
        .collect();
    let total: f64 = nets.iter().sum::<f64>() - 1.5;
    // The batch stands in the formula's proportion again, within the steps of the scale.
    assert!(
        ((nets[0] + nets[2]) / total - 0.60).abs() < 3e-4,
        "{nets:?}"
    );
    assert!(((nets[1] - 1.5) / total - 0.36).abs() < 3e-4, "{nets:?}");
    assert!((nets[3] / total - 0.04).abs() < 3e-4, "{nets:?}");
    person
        .run(&["log", "verify", log.to_str().unwrap()])
        .ended(0);
    let name = log.file_stem().unwrap().to_str().unwrap();
    let page = person.run(&["sheet", name, "--out", "-"]).ended(0).out;
    assert!(page.contains("in proportion; "), "{page}");
    assert!(
        !page.contains("still open") && !page.contains("not weighed"),
        "{page}"
    );
    assert_eq!(daemon.terminate(), Some(0));
}

#[test]
fn a_batch_over_its_limit_is_closed_only_by_a_word() {
    let (person, pan) = bench(FORMULA);
    let daemon = Daemon::start(&person);
    let watched = events(&person);
    person.begins();
    let heard = follow(
        &person,
        &pan,
        watched,
        VESSEL,
        |cue| missing(cue) + if cue.step == 3 { 4.0 } else { 0.0 },
        goes_on,
    );
    let asked = heard
        .iter()
        .find(|say| say.contains("over its limit of 5 %"));
    assert!(asked.is_some(), "{heard:#?}");
    let log = only_log(&person);
    daemon.until(|| cells(&log, "closed", "note").len() == 1);
    let notes = cells(&log, "note", "note");
    assert!(
        notes
            .iter()
            .any(|note| note.contains("closed as it is. Scent is 7.69 %")),
        "{notes:?}"
    );
    // Thought better of: it is opened again, killed, and weighed to its end.
    let log_text = log.to_str().unwrap();
    let mend = ["remedy", log_text, "--take", "in-proportion"];
    let said = once_written(&person, &daemon, &mend).ended(0);
    assert!(
        said.out
            .contains("is open again and becomes 200.00 g: 2 steps more"),
        "{said:?}"
    );
    daemon.kill();
    let daemon = Daemon::start(&person);
    daemon.until(|| daemon.log().contains("3 of 5 steps are recorded"));
    let watched = events(&person);
    follow(&person, &pan, watched, VESSEL, missing, mixed);
    daemon.until(|| cells(&log, "closed", "note").len() == 2);
    assert_eq!(
        cells(&log, "weighed", "net_g"),
        ["60.00", "36.00", "8.00", "60.00", "36.00"]
    );
    person.run(&["log", "verify", log_text]).ended(0);
    let nothing = person.run(&mend);
    assert_eq!(nothing.code, Some(1), "{nothing:?}");
    assert_eq!(daemon.terminate(), Some(0));
}

/// A constituent that the maker's list names is held against its limit like an ingredient: asked about, kept
/// by a remedy, and known again by a daemon that has only the log.
#[test]
fn a_constituent_over_its_limit_is_asked_about_and_mended() {
    let formula = FORMULA
        .replace("version = 1", "version = 1\nuse = \"leave-on\"")
        .replace(
            "limits = { max = 5 }",
            "limits = { max = 5 }\ninci = \"Syzygium Aromaticum Leaf Oil\"",
        );
    let (person, pan) = bench(&formula);
    let list = "[[substance]]\ninci = \"SYZYGIUM aromaticum  leaf oil\"\nconstituents = { Eugenol = 80 }\n\
                [[substance]]\ninci = \"Eugenol\"\nleave_on = 3.4\n";
    let list = person.file("substances.toml", list);
    let daemon = Daemon::start(&person);
    let watched = events(&person);
    person.begins();
    let heard = follow(
        &person,
        &pan,
        watched,
        VESSEL,
        |cue| missing(cue) + if cue.step == 3 { 1.0 } else { 0.0 },
        goes_on,
    );
    // 100 g of 60 + 36 + 4, and 1 g too much: 5 g · 80 % of 101 g.
    let wanted = "Eugenol is 3.96 % of the batch (4.00 g of 101.00 g), over its leave-on limit (substances.toml:4) \
                  of 3.4 %; it comes with \"Scent\".";
    assert!(heard.iter().any(|say| say.contains(wanted)), "{heard:#?}");
    let log = only_log(&person);
    daemon.until(|| cells(&log, "closed", "note").len() == 1);
    // The log alone is enough from here on.
    std::fs::remove_file(list).unwrap();
    let log_text = log.to_str().unwrap();
    let said = once_written(&person, &daemon, &["remedy", log_text]).ended(0);
    let words = said.out.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(words.contains(&format!("Limit: {wanted}")), "{words}");
    let mend = ["remedy", log_text, "--take", "least-added"];
    person.run(&mend).ended(0);
    daemon.kill();
    let daemon = Daemon::start(&person);
    daemon.until(|| daemon.log().contains("steps are recorded"));
    let watched = events(&person);
    follow(&person, &pan, watched, VESSEL, missing, mixed);
    daemon.until(|| cells(&log, "closed", "note").len() == 2);
    let net: Vec<f64> = cells(&log, "weighed", "net_g")
        .iter()
        .map(|net| net.parse().unwrap())
        .collect();
    // 4 g are 3.4 % of 117.65 g: the least that can be added, whole steps of 0.01 g, weighed to 0.02 g.
    let total: f64 = net.iter().sum();
    assert!((117.6..117.75).contains(&total), "{net:?}");
    person.run(&["log", "verify", log_text]).ended(0);
    let batch = log.file_stem().unwrap().to_str().unwrap();
    let sheet = person.path("sheet.html");
    person
        .run(&["sheet", batch, "--out", sheet.to_str().unwrap()])
        .ended(0);
    let html = std::fs::read_to_string(sheet).unwrap();
    assert!(
        html.contains("Eugenol is 3.96 %") && !html.contains("contents ["),
        "{html}"
    );
    assert_eq!(daemon.terminate(), Some(0));
}

/// What stayed in a beaker in three batches is weighed on top in the fourth, and the window moves with it.
#[test]
fn what_usually_stays_is_learned_and_weighed_on_top() {
    let (person, pan) = bench(FORMULA);
    let daemon = Daemon::start(&person);
    let early = person
        .run(&["begin", "soak.toml", "--batch", "100g", "--overweigh"])
        .ended(0);
    assert!(
        early.out.contains("no ingredient was weighed back"),
        "{early:?}"
    );
    person.run(&["stop"]).ended(0);
    for stayed in [0.4, 0.6, 3.0] {
        let watched = events(&person);
        person.begins();
        follow(&person, &pan, watched, VESSEL, missing, |cue| {
            (cue.kind == CueKind::Mix).then(Vec::new)
        });
        let watched = events(&person);
        person.run(&["residue"]).ended(0);
        pan.put(VESSEL + stayed);
        follow(&person, &pan, watched, VESSEL, missing, |cue| {
            matches!(cue.kind, CueKind::Lift | CueKind::Choose).then(Vec::new)
        });
        pan.put(0.0);
        std::thread::sleep(Duration::from_millis(800));
        person.run(&["stop"]).ended(0);
    }
    // The median of 0.4, 0.6 and 3.0 g; 36 g are planned.
    let said = person
        .run(&["begin", "soak.toml", "--batch", "100g", "--overweigh"])
        .ended(0);
    let words =
        "about 0.60 g Glycerin stays in its beaker (3 weighings); that much more is weighed";
    assert!(said.out.contains(words), "{said:?}");
    let watched = events(&person);
    let heard = follow(&person, &pan, watched, VESSEL, missing, mixed);
    assert!(
        heard
            .iter()
            .any(|say| say.contains("36.60 g Glycerin comes next")),
        "{heard:#?}"
    );
    // By the socket, without the command line's own bound.
    let request =
        client::begin(&person.path("soak.toml"), Some("100g".into()), None, None).unwrap();
    let more = Overweigh {
        step: 2,
        mass: "5g".into(),
    };
    let request = request.with_overweigh(vec![more]);
    let mut refused = String::new();
    daemon.until(|| {
        let mut client = Client::connect_to(&person.socket()).unwrap();
        refused = client.say(&request).unwrap_err().to_string();
        !refused.contains("still being written")
    });
    assert!(refused.contains("over a tenth of its 36"), "{refused}");
    assert_eq!(daemon.terminate(), Some(0));
}

/// The configuration was edited during the batch and names another folder of logs: the daemon goes on in the
/// old one, and the remedy of the batch under way is looked for there.
#[test]
fn a_remedy_is_looked_for_where_the_daemon_writes() {
    let (person, _pan) = bench(FORMULA);
    let _daemon = Daemon::start(&person);
    person.begins();
    let log = only_log(&person);
    let elsewhere = person.path("elsewhere");
    let edited = format!(
        "log_dir = {elsewhere:?}\n{}",
        config(&person.path("scale"), "0.01 g")
    );
    person.configures(&edited);
    let said = person.run(&["remedy"]).ended(0);
    assert!(
        said.out.starts_with("Sea lavender soak, batch 100.00 g\n"),
        "{said:?}"
    );
    let status: serde_json::Value =
        serde_json::from_str(&person.run(&["status", "--json"]).ended(0).out).unwrap();
    assert_eq!(status["log"], log.to_str().unwrap());
    person.run(&["stop"]).ended(0);
    let status = person.run(&["status", "--json"]).ended(0).out;
    assert!(!status.contains("\"log\""), "{status}");
}
