//! From a scale that was never plugged in to the printed label of the second jar, in one run, from the page alone. The
//! test moves what the scale carries, the page's keys and its fields, and nothing else; what the log and the label say
//! is held against what the scale carried.
//!
//! Once more in other languages and sizes, which takes minutes, and once more with the program that the Debian package
//! put into a system of its own, begun by the click on its desktop entry (`.ci/package-test`).

use std::path::Path;
use std::thread::sleep;
use std::time::{Duration, Instant};

use bismar::language::Language;
use serde_json::{Value, json};

use crate::bench_side::logs::{LOGS, logs_in, rows};
use crate::bench_side::scale::Scale;
use crate::bench_side::script::Seat;
use crate::bench_side::{LONGEST, VESSEL};
use crate::rooms::{Screen, digits, has, weigh};
use crate::try_it::first_day_with;

const JAR: f64 = 98.40;
/// Ingredient, INCI name, percent, lot.
const PARTS: [[&str; 4]; 3] = [
    ["Sea salt", "Maris Sal", "80", "S-7"],
    ["Sunflower oil", "Helianthus Annuus Seed Oil", "15", "O-3"],
    ["Oat flour", "Avena Sativa Kernel Flour", "5", "F-1"],
];

/// On the page of a daemon of this test's own, in a language: `as_it` sees the page first.
fn goes_the_way(
    language: Language,
    as_it: impl FnOnce(&mut Screen),
    then: impl FnOnce(&mut Screen, &Scale),
) {
    let seat = Seat::take();
    let (person, daemon) = first_day_with(&format!("language = \"{}\"\n", language.tag()));
    let port = person.path("line");
    let pan = Scale::start(port.clone());
    let address = person.run(&["page"]).ended(0).out;
    let mut screen = Screen::at(seat, address.trim());
    as_it(&mut screen);
    walk(
        &mut screen,
        &pan,
        port.to_str().unwrap(),
        &person.path(LOGS),
    );
    then(&mut screen, &pan);
    let said = daemon.log();
    assert!(!said.contains("panicked"), "{said}");
}

#[test]
fn from_a_scale_in_its_box_to_the_second_jar_s_label_by_the_page_alone() {
    goes_the_way(Language::English, |_| (), |_, _| ());
}

/// On a phone and on a wide screen.
fn in_the_language(language: Language) {
    for size in [(390, 844), (1366, 768)] {
        goes_the_way(language, |screen| screen.goes(language, size), after_it);
    }
}

#[test]
#[ignore = "takes minutes; cargo test --features workshop --test page -- --ignored first_jar::in_"]
fn in_german_on_a_phone_and_a_wide_screen_the_whole_way_is_whole() {
    in_the_language(Language::German);
}

#[test]
#[ignore = "takes minutes; cargo test --features workshop --test page -- --ignored first_jar::in_"]
fn in_french_on_a_phone_and_a_wide_screen_the_whole_way_is_whole() {
    in_the_language(Language::French);
}

#[test]
#[ignore = "a part of .ci/package-test, which says where the package is used and what its click opened"]
fn of_the_package_from_the_click_to_the_second_jar_s_label() {
    let told = |name: &str| {
        std::env::var(name)
            .unwrap_or_else(|_| panic!("{name} is not set; .ci/package-test sets it"))
    };
    let (opened, home) = (told("BISMAR_OPENED"), told("BISMAR_HOME"));
    let seat = Seat::take();
    let folder = tempfile::tempdir().unwrap();
    let link = folder.path().join("line");
    let pan = Scale::start(link.clone());
    // The link lies outside of that system; the line that it leads to is inside too.
    let end = Instant::now() + LONGEST;
    let port = loop {
        match std::fs::read_link(&link) {
            Ok(port) => break port,
            Err(error) => assert!(Instant::now() < end, "no line: {error}"),
        }
        sleep(Duration::from_millis(20));
    };
    let mut screen = Screen::at(seat, &format!("file://{opened}"));
    let logs = Path::new(&home).join(".local/share/bismar/logs");
    walk(&mut screen, &pan, port.to_str().unwrap(), &logs);
}

/// The way, with the words of the page's language.
fn walk(screen: &mut Screen, pan: &Scale, port: &str, logs: &Path) {
    // By a finger, as on the tablet at the bench: each key is touched, and no mouse is there.
    screen.tell(&json!(["finger"]));

    let finds = screen.own("Plug the scale in and switch it on; “Scales” finds it.");
    screen.until("idle", |seen| has(seen, "say", &finds));
    screen.on_the_way("first-day");
    screen.press(&screen.own("Scales"));
    screen.press(&screen.own("Another port"));
    screen.write(&screen.own("Port"), port);
    screen.press(&screen.own("Listen there"));
    // What follows in the sentence is told by the line.
    let sends = screen.begins("It sends lines with a weight{unit}{rate}{step}.");
    screen.reads(&sends);
    pan.put(41.35);
    let shown = format!("{} g", screen.number("41.35"));
    screen.reads(&shown);
    screen.on_the_way("heard");
    pan.put(0.0);
    screen.write(&screen.own("Name"), "small");
    screen.write(&screen.own("Largest load, grams"), "600");
    screen.press(&screen.own("Use this scale"));
    screen.reads(&screen.own("0.00 g, steady"));
    screen.write(&screen.own("Its name"), "tall glass");
    screen.write(&screen.own("What it holds, grams"), "250");
    screen.press(&screen.own("Weigh it empty"));
    screen.reads(&screen.told("Put the empty vessel on."));
    pan.put(VESSEL);
    let lift = format!("Steady at {VESSEL:.2} g. Lift it.");
    screen.reads(&screen.told(&lift));
    pan.put(0.0);
    let weighs = format!("tall glass weighs {VESSEL:.2} g");
    screen.reads(&screen.told(&weighs));
    screen.on_the_way("scales");

    // The formula, and the lots that came.
    screen.press(&screen.own("Formulas"));
    screen.press(&screen.own("New formula"));
    screen.write(&screen.own("Name of the formula"), "Hand soak");
    for (number, [name, inci, percent, _]) in (1..).zip(PARTS) {
        if number > 1 {
            screen.press(&screen.own("Add an ingredient to phase 1"));
        }
        screen.write(&screen.own(&format!("Ingredient {number}")), name);
        screen.write(&screen.own(&format!("Percent of {number}")), percent);
        screen.press(&screen.own(&format!("More of {number}")));
        screen.write(&screen.own(&format!("INCI name of {number}")), inci);
    }
    screen.write(&screen.own("What is done after phase 1"), "Stir until even");
    screen.press(&screen.own("Save"));
    screen.reads(&screen.told("Hand soak, version 1"));
    screen.on_the_way("formula");
    screen.press(&screen.own("Lots"));
    screen.press(&screen.own("Add a lot"));
    for [name, _, _, lot] in PARTS {
        screen.write(&screen.own("Lot, as it stands on the package"), lot);
        screen.write(&screen.own("Ingredient, as the formulas name it"), name);
        screen.write(&screen.own("Amount"), "2 kg");
        screen.write(&screen.own("Best before"), "12312031");
        // A second touch within a moment is the same touch.
        sleep(Duration::from_secs(1));
        screen.press(&screen.own("Add this lot"));
        let listed = format!("Lot {lot} of {name} is in the list.");
        screen.reads(&screen.told(&listed));
    }
    screen.on_the_way("lots");

    // Planned for two jars, begun and weighed, each from its lot.
    screen.press(&screen.own("New batch"));
    screen.press("Hand soak");
    screen.write(&screen.own("Jars"), "2");
    screen.write(&screen.own("Grams in a jar"), "50");
    screen.press(&screen.own("Show the plan"));
    screen.press(&screen.own("Allow 3.5 % for losses"));
    screen.reads(&screen.own("on hand: lot S-7"));
    screen.on_the_way("plan");
    screen.press(&screen.own("Begin this batch"));
    let mut truth = Vec::new();
    for [name, _, _, lot] in PARTS {
        let seen = screen.until(name, |seen| {
            has(seen, "ingredient", name) && !has(seen, "digits", "–")
        });
        // A question is answered once it has been read.
        sleep(Duration::from_secs(1));
        let take = screen.own(&format!("Take lot {lot}"));
        screen.press(&take);
        screen.until("its lot", |seen| has(seen, "lot", lot));
        // A little beside the target.
        let poured = digits(&seen) + 0.02;
        weigh(
            screen,
            pan,
            VESSEL,
            |_| poured,
            |seen| has(seen, "recorded", name),
        );
        screen.on_the_way(lot);
        truth.push(poured);
        pan.put(0.0);
    }
    let idle = |seen: &Value| seen["view"] == "idle";
    weigh(screen, pan, VESSEL, digits, idle);

    // Two jars, the second a little fuller.
    screen.press(&screen.own("Fill jars"));
    screen.write(&screen.own("Grams on the label"), "50");
    screen.write(&screen.own("Jars at most"), "2");
    screen.press(&screen.own("Fill jars now"));
    for grams in [50.21, 50.64] {
        let done = format!("{} g", screen.number(&grams.to_string()));
        weigh(
            screen,
            pan,
            JAR,
            |_| grams,
            |seen| has(seen, "recorded", &done),
        );
        screen.on_the_way("jar");
        truth.push(grams);
        pan.put(0.0);
    }
    weigh(screen, pan, JAR, digits, idle);

    // What the label lacks is written down, and it is printed.
    let mut all = logs_in(logs);
    assert_eq!(all.len(), 1, "{all:?}");
    let log = all.remove(0);
    let batch = log.file_stem().unwrap().to_str().unwrap();
    screen.press(&screen.own("Batches"));
    screen.press(batch);
    screen.press(&screen.own("Label"));
    let lacks = ["responsible person", "function"].map(|lack| screen.told(lack));
    let lacks = format!("The label of Hand soak lacks: {}.", lacks.join(", "));
    screen.reads(&screen.own(&lacks));
    screen.on_the_way("label-lacks");
    screen.write(&screen.own("What it is"), "bath soak");
    screen.press(&screen.own("Write them into the formula"));
    screen.reads(&screen.own("Names and label texts from"));
    screen.write(
        &screen.own("Who answers for it"),
        "Saltmarsh Bench, 1 Quay Row",
    );
    screen.press(&screen.own("Write it down"));
    let nothing = "Nothing that bismar knows of is missing on the label of Hand soak.";
    screen.reads(&screen.own(nothing));
    screen.on_the_way("label");
    let each = screen.own("Each jar its own");
    screen.write(&screen.own("Net weight on the labels"), &each);
    screen.press(&screen.own("Labels to print"));
    let paper = screen.tell(&json!(["tab"]));
    for fault in ["parted", "out"] {
        assert_eq!(paper[fault], json!([]), "{paper:#}");
    }
    let labels = paper["tab"].as_str().unwrap();
    // Behind the sheet's head the first jar's label, the second's, and what the label has.
    let ends: Vec<_> = labels.match_indices(batch).collect();
    assert_eq!(ends.len(), 4, "{labels}");
    let second = labels.split_at(ends[1].0 + batch.len()).1;
    // No file and no key of one is named where she wrote none.
    for words in [".toml", "keeps_months", "[label]", " = \""] {
        assert!(!labels.contains(words), "{words}: {labels}");
    }
    let until = screen.told("Best used before the end of");
    for words in [
        "Hand soak\nbath soak\n50 g",
        "Maris Sal, Helianthus Annuus Seed Oil, Avena Sativa Kernel Flour",
        &*until,
        "2031",
        "Saltmarsh Bench, 1 Quay Row",
    ] {
        assert!(second.contains(words), "{words}: {labels}");
    }
    let in_english = [
        "Ingredients: Maris Sal, ".to_owned(),
        "Best used before the end of 31 December 2031".to_owned(),
        format!("Batch: {batch}, jar 2"),
    ];
    for words in in_english.iter().filter(|_| screen.is_english()) {
        assert!(second.contains(words), "{words}: {labels}");
    }

    // What the log has is what the scale carried, within the uncertainty that stands beside it, from the lots taken.
    let weights = rows(&log).into_iter();
    let weights: Vec<_> = weights
        .filter(|row| ["weighed", "filled"].contains(&row["kind"].as_str()))
        .collect();
    assert_eq!(weights.len(), truth.len(), "{weights:#?}");
    for (row, carried) in weights.iter().zip(truth) {
        let grams = |column: &str| row[column].parse::<f64>().unwrap();
        let off = (grams("net_g") - carried).abs();
        assert!(off <= grams("uncertainty_g"), "{carried}: {row:#?}");
        assert!(grams("uncertainty_g") < 0.05, "{row:#?}");
    }
    for (row, [name, _, _, lot]) in weights.iter().zip(PARTS) {
        assert_eq!((&*row["ingredient"], &*row["lot"]), (name, lot));
    }
}

/// What follows a batch: where it went, a lot, a scale check, the declaration.
fn after_it(screen: &mut Screen, pan: &Scale) {
    let label = screen.tell(&json!(["look"]))["hash"].clone();
    let batch = label
        .as_str()
        .unwrap()
        .trim_start_matches("#/label/")
        .to_owned();
    let declaration = screen.own("Keep the declaration");
    let kept = screen.keeps(&declaration, &format!("{batch}-declaration.txt"));
    for [_, inci, ..] in PARTS {
        assert!(kept.contains(inci), "{kept}");
    }
    screen.press(&screen.own("Batches"));
    screen.press(&batch);
    screen.reads("Sunflower oil");
    screen.on_the_way("record");
    screen.press(&screen.own("Its lots, and where it went"));
    for [.., lot] in PARTS {
        screen.reads(lot);
    }
    screen.on_the_way("trace");
    screen.press(&screen.own("Lots"));
    screen.reads("Sunflower oil");
    screen.on_the_way("lots-after");
    screen.press("S-7");
    screen.reads(&screen.own("Best before"));
    screen.on_the_way("lot");
    screen.press(&screen.own("Scales"));
    screen.press(&screen.own("Begin the check"));
    screen.reads(&screen.told("Put the weight on."));
    screen.on_the_way("check");
    pan.put(100.0);
    screen.reads(&screen.told("Steady at 100.00 g. Lift it."));
    pan.put(0.0);
    screen.reads(&screen.own("Passed its last check of today."));
    screen.on_the_way("checked");
}
