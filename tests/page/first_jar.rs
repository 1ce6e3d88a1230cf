//! From a scale that was never plugged in to the printed label of the second jar, in one run, from the page alone. The
//! test moves what the scale carries, the page's keys and its fields, and nothing else; what the log and the label say
//! is held against what the scale carried.

use std::thread::sleep;
use std::time::Duration;

use crate::bench_side::VESSEL;
use crate::bench_side::logs::{only_log, rows};
use crate::bench_side::scale::Scale;
use crate::bench_side::script::Seat;
use crate::rooms::{Screen, digits, has, weigh};
use crate::try_it::first_day;

const JAR: f64 = 98.40;
/// Ingredient, INCI name, percent, lot.
const PARTS: [[&str; 4]; 3] = [
    ["Sea salt", "Maris Sal", "80", "S-7"],
    ["Sunflower oil", "Helianthus Annuus Seed Oil", "15", "O-3"],
    ["Oat flour", "Avena Sativa Kernel Flour", "5", "F-1"],
];

#[test]
fn from_a_scale_in_its_box_to_the_second_jar_s_label_by_the_page_alone() {
    let seat = Seat::take();
    let (person, daemon) = first_day();
    let port = person.path("line");
    let pan = Scale::start(port.clone());
    let address = person.run(&["page"]).ended(0).out;
    let mut screen = Screen::at(seat, address.trim());
    // By a finger, as on the tablet at the bench: each key is touched, and no mouse is there.
    screen.tell(&serde_json::json!(["finger"]));

    // The scale is found, its pan pressed; a vessel is weighed empty.
    screen.until("idle", |seen| has(seen, "say", "“Scales” finds it"));
    screen.press("Scales");
    screen.press("Another port");
    screen.write("Port", port.to_str().unwrap());
    screen.press("Listen there");
    screen.reads("It sends lines with a weight in grams");
    pan.put(41.35);
    screen.reads("41.35 g");
    pan.put(0.0);
    screen.write("Name", "small");
    screen.write("Largest load, grams", "600");
    screen.press("Use this scale");
    screen.reads("0.00 g, steady");
    screen.write("Its name", "beaker");
    screen.write("What it holds, grams", "250");
    screen.press("Weigh it empty");
    screen.reads("Put the empty vessel on");
    pan.put(VESSEL);
    screen.reads("Lift it");
    pan.put(0.0);
    screen.reads("beaker weighs");

    // The formula, and the lots that came.
    screen.press("Formulas");
    screen.press("New formula");
    screen.write("Name of the formula", "Hand soak");
    for (number, [name, inci, percent, _]) in (1..).zip(PARTS) {
        if number > 1 {
            screen.press("Add an ingredient to phase 1");
        }
        screen.write(&format!("Ingredient {number}"), name);
        screen.write(&format!("Percent of {number}"), percent);
        screen.press(&format!("More of {number}"));
        screen.write(&format!("INCI name of {number}"), inci);
    }
    screen.write("What is done after phase 1", "Stir until even");
    screen.press("Save");
    screen.reads("Hand soak, version 1 is saved.");
    screen.press("Lots");
    screen.press("Add a lot");
    for [name, _, _, lot] in PARTS {
        screen.write("Lot, as it stands on the package", lot);
        screen.write("Ingredient, as the formulas name it", name);
        screen.write("Amount", "2 kg");
        screen.write("Best before", "12312031");
        // A second touch within a moment is the same touch.
        sleep(Duration::from_secs(1));
        screen.press("Add this lot");
        screen.reads(&format!("Lot {lot} of {name} is in the list"));
    }

    // Planned for two jars, begun and weighed, each from its lot.
    screen.press("New batch");
    screen.press("Hand soak");
    screen.write("Jars", "2");
    screen.write("Grams in a jar", "50");
    screen.press("Show the plan");
    screen.press("Allow 3.5 % for losses");
    screen.reads("on hand: lot S-7");
    screen.press("Begin this batch");
    let mut truth = Vec::new();
    for [name, _, _, lot] in PARTS {
        let seen = screen.until(name, |seen| has(seen, "ingredient", name));
        // A question is answered once it has been read.
        sleep(Duration::from_secs(1));
        screen.press(&format!("Take lot {lot}"));
        screen.until("its lot", |seen| has(seen, "lot", lot));
        // A little beside the target.
        let poured = digits(&seen) + 0.02;
        weigh(
            &mut screen,
            &pan,
            VESSEL,
            |_| poured,
            |seen| has(seen, "recorded", name),
        );
        truth.push(poured);
        pan.put(0.0);
    }
    let idle = |seen: &serde_json::Value| seen["view"] == "idle";
    weigh(&mut screen, &pan, VESSEL, digits, idle);

    // Two jars, the second a little fuller.
    screen.press("Fill jars");
    screen.write("Grams on the label", "50");
    screen.write("Jars at most", "2");
    screen.press("Fill jars now");
    for grams in [50.21, 50.64] {
        let done = format!("{grams} g");
        weigh(
            &mut screen,
            &pan,
            JAR,
            |_| grams,
            |seen| has(seen, "recorded", &done),
        );
        truth.push(grams);
        pan.put(0.0);
    }
    weigh(&mut screen, &pan, JAR, digits, idle);

    // What the label lacks is written down, and it is printed.
    let log = only_log(&person);
    let batch = log.file_stem().unwrap().to_str().unwrap();
    screen.press("Batches");
    screen.press(batch);
    screen.press("Label");
    screen.reads("The label of Hand soak lacks: responsible person, function.");
    screen.write("What it is", "bath soak");
    screen.press("Write them into the formula");
    screen.reads("Names and label texts from");
    screen.write("Who answers for it", "Saltmarsh Bench, 1 Quay Row");
    screen.press("Write it down");
    screen.reads("Nothing that bismar knows of is missing");
    screen.write("Net weight on the labels", "Each jar its own");
    screen.press("Labels to print");
    let paper = screen.tell(&serde_json::json!(["tab"]));
    for fault in ["parted", "out"] {
        assert_eq!(paper[fault], serde_json::json!([]), "{paper:#}");
    }
    let labels = paper["tab"].as_str().unwrap();
    let (_, second) = labels.split_once("jar 1").unwrap();
    // No file and no key of one is named where she wrote none.
    for words in [".toml", "keeps_months", "[label]", " = \""] {
        assert!(!labels.contains(words), "{words}: {labels}");
    }
    for words in [
        "Hand soak\nbath soak\n50 g",
        "Ingredients: Maris Sal, Helianthus Annuus Seed Oil, Avena Sativa Kernel Flour",
        "Best used before the end of 31 December 2031",
        &format!("Batch: {batch}, jar 2"),
        "Saltmarsh Bench, 1 Quay Row",
    ] {
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
    let said = daemon.log();
    assert!(!said.contains("panicked"), "{said}");
}
