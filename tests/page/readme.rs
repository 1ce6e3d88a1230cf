//! The first batch as the README tells a maker: what it says to type is typed, what it says in bold is pressed in a
//! real Chromium, and the picture that it shows is taken anew in the middle of that pour.

use std::time::{Duration, Instant};

use serde_json::{Value, json};

use crate::bench_side::logs::{cells, only_log};
use crate::bench_side::person::repository;
use crate::bench_side::scale::Scale;
use crate::bench_side::script::{Seat, pictures};
use crate::bench_side::served::Served;
use crate::bench_side::{LONGEST, VESSEL};
use crate::rooms::{Screen, digits, has, weigh};

/// The picture that the README shows.
const KEPT: &str = "fixtures/page/pour.png";
/// Grams in the beaker when it is taken.
const POURED: f64 = 196.78;
/// How far apart, of 255, the picture and a new one may be on average: the batch's name has another time, and other
/// letters may be installed. A page that shows another thing is further off, which is tried below.
const APART: f64 = 6.0;
const JAR: f64 = 98.40;

/// The section for the first batch.
fn section() -> String {
    let readme = std::fs::read_to_string(repository("README.md")).unwrap();
    let after = readme.split("\n## Your first batch\n").nth(1);
    let section = after.expect("the section").split("\n## ").next().unwrap();
    section.to_owned()
}

/// What stands between two `mark`s, line ends taken for spaces.
fn between(text: &str, mark: &str) -> Vec<String> {
    let parts = text.split(mark).skip(1).step_by(2);
    parts
        .map(|part| part.split_whitespace().collect::<Vec<_>>().join(" "))
        .collect()
}

/// The words under the README's picture: what it says that the picture shows.
fn caption() -> String {
    let readme = std::fs::read_to_string(repository("README.md")).unwrap();
    let (before, _) = readme.split_once(&format!("]({KEPT})")).expect("shown");
    let (_, words) = before.rsplit_once("![").unwrap();
    words.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// The picture as the page is now; how far it is from the README's.
#[track_caller]
fn picture(screen: &mut Screen, name: &str) -> f64 {
    let made = format!("{}/{name}.png", pictures());
    let kept = repository(KEPT);
    let told = screen.tell(&json!(["picture", made, kept]));
    let sizes = told["sizes"].as_array().unwrap();
    assert_eq!(sizes.len(), 2, "copy {made} to {kept} and look at it");
    assert_eq!(sizes[0], sizes[1], "copy {made} to {kept} and look at it");
    println!("{name}: {} bytes, {} apart", told["bytes"], told["apart"]);
    told["apart"].as_f64().unwrap()
}

fn pour_to(pan: &Scale, grams: f64) {
    for part in 1..=20 {
        pan.put(VESSEL + grams * f64::from(part) / 20.0);
        std::thread::sleep(Duration::from_millis(80));
    }
}

#[test]
fn the_first_batch_goes_as_the_readme_tells_it_and_its_picture_is_true() {
    let seat = Seat::take();
    let section = section();
    let served = Served::on(Scale::start, "", |_| {});
    let pan = &served.pan;
    let address = format!("http://127.0.0.1:{}/#{}", served.port, served.key);
    let mut screen = Screen::at(seat, &address);
    screen.until("idle", |seen| seen["view"] == "idle");

    let pressed = between(&section, "**");
    let [
        new,
        examples,
        formula,
        plan,
        allow,
        begin,
        next,
        fill,
        fill_now,
        batches,
    ] = &pressed[..]
    else {
        panic!("ten presses: {pressed:?}");
    };
    screen.press(new);
    screen.press(examples);
    screen.press(formula);
    // `6` at "Jars": what is typed, and the field's name.
    let typed = between(&section, "`");
    let [jars, grams] = &typed[typed.len() - 2..] else {
        panic!("{typed:?}");
    };
    screen.write("Jars", jars);
    screen.write("Grams in a jar", grams);
    screen.press(plan);
    // What the README's size of jars lacks without it.
    screen.reads("Only 5 of 6 jars would get full");
    screen.reads(allow);
    screen.press(allow);
    let seen = screen.reads("12.60 g of it for losses");
    assert!(!has(&seen, "inside", "jars would get full"), "{seen:#}");
    screen.reads(begin);
    screen.press(begin);

    let seen = screen.until("the bench", |seen| {
        has(seen, "say", "Place an empty beaker")
    });
    assert_eq!(seen["hash"], "#/", "{seen:#}");
    // Another moment is another picture: the limit tells them apart.
    let before = picture(&mut screen, "before-the-pour");
    assert!(before > 1.5 * APART, "{before}");
    pan.put(VESSEL);
    screen.until("to add", |seen| has(seen, "word", "still to add"));
    pour_to(pan, POURED);
    let caption = caption();
    let mut said = between(&caption, "\"").into_iter();
    let (number, cue) = (said.next().unwrap(), said.next().unwrap());
    let at_rest = |seen: &Value| {
        let says = |key: &str, words: &str| seen[key] == words;
        says("digits", &number) && says("say", &cue) && has(seen, "scales", "steady")
    };
    let end = Instant::now() + LONGEST;
    loop {
        screen.until("what the README says", at_rest);
        let apart = picture(&mut screen, "pour");
        if at_rest(&screen.tell(&json!(["look"]))) {
            assert!(
                apart < APART,
                "{apart}: the README's picture is not the page's"
            );
            break;
        }
        assert!(Instant::now() < end, "it never rested for a picture");
    }

    // On from there, by the page alone; the first of the mixes by the key that the README names.
    pan.put(VESSEL + 283.18);
    screen.until("recorded", |seen| has(seen, "say", "Lift"));
    pan.put(0.0);
    let mixes = |seen: &Value| has(seen, "say", "Then say next");
    weigh(&mut screen, pan, VESSEL, digits, mixes);
    std::thread::sleep(Duration::from_secs(1));
    screen.press(next);
    screen.until("the next step", |seen| !mixes(seen));
    let seen = weigh(&mut screen, pan, VESSEL, digits, |seen| {
        seen["view"] == "idle"
    });
    assert!(has(&seen, "say", "Done"), "{seen:#}");
    let log = only_log(&served.person);
    assert_eq!(cells(&log, "weighed", "verdict"), ["inside"; 3]);

    // One jar.
    screen.press(fill);
    screen.reads(fill_now);
    screen.press(fill_now);
    screen.until("a jar", |seen| has(seen, "say", "Place empty jar 1"));
    std::thread::sleep(Duration::from_millis(800));
    pan.put(JAR);
    screen.until("to fill", |seen| has(seen, "say", "to fill in"));
    pan.put(JAR + 60.30);
    screen.until("recorded", |seen| has(seen, "say", "Recorded"));
    pan.put(0.0);
    screen.until("the second jar", |seen| has(seen, "say", "jar 2"));
    screen.press(batches);
    screen.reads(formula);
}
