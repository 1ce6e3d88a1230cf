//! The bench page in another language: what is read on it, with its decimal sign; keys that say what the sentences call
//! them; nothing cut off. That the words are right nobody here can test: they are marked as not reviewed.

use serde_json::{Value, json};

use crate::after::made;
use crate::bench_side::marked::{outside, unknown};
use crate::bench_side::person::Person;
use crate::bench_side::scale::Scale;
use crate::bench_side::script::Seat;
use crate::bench_side::served::Served;
use crate::bench_side::{LONGEST, VESSEL};
use crate::rooms::{Screen, has};

fn speaking(language: &str) -> Served {
    Served::with("", |person: &Person| {
        let file = std::fs::read_to_string(person.config_file()).unwrap();
        person.configures(&format!("language = \"{language}\"\n{file}"));
    })
}

/// With batches, lots and formulas.
fn kept(language: &str) -> Served<Scale> {
    Served::on(Scale::start, "", |person: &Person| {
        let file = std::fs::read_to_string(person.config_file()).unwrap();
        person.configures(&format!("language = \"{language}\"\n{file}"));
        made(person);
    })
}

/// The rooms, with a formula's plan in jars.
pub const ROOMS: [(&str, &str); 18] = [
    ("scales", "#/scales"),
    ("begin", "#/begin"),
    ("size", "#/begin/dune-soak.toml"),
    ("stopped", "#/stopped"),
    ("lots", "#/lots"),
    ("lot", "#/lots/%5B%22S-1%22%2C%22Sea%20salt%22%5D"),
    ("batches", "#/batches"),
    ("record", "#/batches/soak-1"),
    ("fill", "#/fill/soak-2"),
    ("formulas", "#/formulas"),
    ("formula", "#/formulas/dune-soak.toml"),
    ("new-formula", "#/formulas/%3Dnew"),
    ("spreadsheet", "#/formulas/%3Dtable"),
    ("papers", "#/papers"),
    ("tablet", "#/tablet"),
    ("answers", "#/answers"),
    ("label", "#/label/soak-1"),
    ("trace", "#/trace/soak-1"),
];

fn screen<P>(seat: Seat, served: &Served<P>) -> Screen {
    let address = format!("http://127.0.0.1:{}/#{}", served.port, served.key);
    Screen::at(seat, &address)
}

fn text(seen: &Value, key: &str) -> String {
    seen[key].as_str().unwrap_or_default().to_owned()
}

/// What the page of one language reads in the states of a weighing.
struct Words {
    tag: &'static str,
    idle: &'static str,
    rooms: &'static str,
    place: &'static str,
    add: &'static str,
    still: &'static str,
    out: &'static str,
    keep: &'static str,
    kept: &'static str,
    recorded: &'static str,
    lift: &'static str,
}

#[test]
fn a_weighing_is_read_and_answered_in_the_language() {
    for words in [
        Words {
            tag: "de",
            idle: "Es läuft keine Charge. „Neue Charge“ beginnt eine.",
            rooms: "Rezepturen",
            place: "Stell einen leeren Becher auf: als Nächstes 60,00 g Sea salt.",
            add: "g zugeben: Sea salt.",
            still: "noch zugeben",
            out: "2,00 g herausnehmen: Sea salt.",
            keep: "Behalten",
            kept: "mit 2,00 g zu viel lassen",
            recorded: "Erfasst: Sea salt 62,00 g, behalten",
            lift: "62,00 g erfasst. Heb den Becher ab.",
        },
        Words {
            tag: "fr",
            idle: "Aucune fabrication en cours. «\u{a0}Nouvelle fabrication\u{a0}» en commence une.",
            rooms: "Formules",
            place: "Posez un bécher vide\u{a0}: ensuite, 60,00 g de Sea salt.",
            add: "g à ajouter\u{a0}: Sea salt.",
            still: "encore à ajouter",
            out: "2,00 g à retirer\u{a0}: Sea salt.",
            keep: "Garder",
            kept: "laisser avec 2,00 g de trop",
            recorded: "Enregistré\u{a0}: Sea salt 62,00 g, gardé",
            lift: "62,00 g enregistrés. Retirez le bécher.",
        },
    ] {
        let tag = words.tag;
        let seat = Seat::take();
        let served = speaking(tag);
        let tree = served.get("/", "").body;
        assert!(tree.contains(&format!("<html lang=\"{tag}\">")), "{tree}");
        let mut screen = screen(seat, &served);
        let seen = screen.until("idle", |seen| text(seen, "say") == words.idle);
        assert!(seen["links"].to_string().contains(words.rooms), "{seen:#}");
        screen.pictures(&format!("language-{tag}-idle"));
        served.person.begins();
        screen.until("placing", |seen| {
            text(seen, "say") == words.place && text(seen, "digits") == "60,00"
        });
        screen.pictures(&format!("language-{tag}-place"));
        served.pan.put(VESSEL);
        screen.until("adding", |seen| {
            has(seen, "say", words.add) && text(seen, "word") == words.still
        });
        served.pan.pour_to(VESSEL + 12.34);
        screen.until("pouring", |seen| {
            text(seen, "digits") == "47,66" && has(seen, "say", &format!("47,66 {}", words.add))
        });
        screen.pictures(&format!("language-{tag}-add"));
        served.pan.pour_to(VESSEL + 62.0);
        let seen = screen.until("too much", |seen| {
            has(seen, "say", words.out) && text(seen, "digits") == "2,00"
        });
        assert!(has(&seen, "choices", words.kept), "{seen:#}");
        screen.pictures(&format!("language-{tag}-over"));
        screen.press(words.keep);
        let kept = |seen: &Value| {
            text(seen, "say") == words.lift && text(seen, "recorded") == words.recorded
        };
        screen.until("kept", kept);
        screen.pictures(&format!("language-{tag}-lift"));
        drop(served);
    }
}

/// What was recorded is read after the page is opened anew, in any language: no sentence is taken apart for it.
#[test]
fn a_record_is_read_anew_in_any_language() {
    for (tag, digits) in [("en", "60.00"), ("de", "60,00")] {
        let seat = Seat::take();
        let served = speaking(tag);
        served.person.begins();
        let last = std::time::Instant::now() + LONGEST;
        let lift = |status: &str| {
            status.contains("Lift the beaker") || status.contains("Heb den Becher ab")
        };
        served.pan.put(VESSEL);
        std::thread::sleep(std::time::Duration::from_secs(2));
        served.pan.pour_to(VESSEL + 60.0);
        while !lift(&served.person.run(&["status"]).ended(0).out) {
            assert!(std::time::Instant::now() < last, "{}", served.daemon.log());
            std::thread::sleep(std::time::Duration::from_millis(50));
        }
        let mut screen = screen(seat, &served);
        screen.until("the record", |seen| text(seen, "digits") == digits);
    }
}

#[test]
fn no_text_of_the_bench_goes_round_the_messages() {
    let seat = Seat::take();
    let served = speaking("x-marked");
    let mut screen = screen(seat, &served);
    let mut all = |done: &str| {
        let seen = screen.until(done, |seen| has(seen, "say", done));
        for key in ["say", "word", "sound", "tare", "place", "scales", "choices"] {
            // The live amount takes the place of the one that a sentence begins with, and of the mark before it.
            let text = text(&seen, key);
            let text = match text.starts_with(|c: char| c.is_ascii_digit()) {
                true => format!("⟦{text}"),
                false => text,
            };
            let names = outside(&text).replace("Dry", "").replace("bench", "");
            assert!(!names.chars().any(char::is_alphabetic), "{key}: {text}");
        }
        for link in seen["links"].as_array().unwrap() {
            assert!(link.as_str().unwrap().starts_with('⟦'), "{seen:#}");
        }
    };
    all("No batch is under way");
    served.person.begins();
    all("Place an empty beaker");
    served.pan.put(VESSEL);
    all("to add");
    served.pan.pour_to(VESSEL + 62.0);
    all("to take out");
    assert_eq!(
        json!(served.daemon.log().contains("panicked")),
        json!(false)
    );
}

/// Where a comma is the decimal sign a point before three digits may be one for thousands: it is asked, never guessed.
#[test]
fn an_amount_is_typed_with_the_comma_of_the_page() {
    let seat = Seat::take();
    let served = kept("de");
    let mut screen = screen(seat, &served);
    screen.until("idle", |seen| seen["view"] == "idle");
    screen.tell(&json!(["go", "#/begin/dune-soak.toml"]));
    screen.press("Nach Gewicht");
    for (typed, planned) in [
        ("120,5", "120,50 g"),
        ("1,500", "1,50 g"),
        ("0.125 kg", "125,00 g"),
        // What is refused is quoted as it was typed, whatever became of it on the way.
        ("0,0", "„0,0“: "),
        ("1,5 stone", "„1,5 stone“: "),
        ("1,2,3", "„1,2,3“: "),
        ("1.500", "„1.500“: kann 1,5 g oder 1500 g sein"),
    ] {
        screen.write("Gramm der ganzen Charge", typed);
        screen.press("Plan zeigen");
        screen.reads(planned);
    }
    screen.pictures("language-de-amount-refused");
    screen.write("Gramm der ganzen Charge", "150,50");
    screen.write("Zuschlag für Verluste, %", "60,5");
    screen.press("Plan zeigen");
    screen.reads("„60,5%“: mehr als 50 %");
    screen.tell(&json!(["go", "#/fill/soak-2"]));
    screen.write("Gramm auf dem Etikett", "1.500");
    screen.press("Jetzt Tiegel füllen");
    screen.until("refused", |seen| {
        seen["said"]
            .to_string()
            .contains("„1.500“: kann 1,5 g oder 1500 g sein")
    });
}

/// What the maker wrote ("sweep up what is spilt" too), and what is called so everywhere.
const NAMES: [&str; 33] = [
    "dune",
    "soak",
    "oil",
    "sea",
    "salt",
    "sunflower",
    "bench",
    "bath",
    "salts",
    "maris",
    "sal",
    "helianthus",
    "annuus",
    "seed",
    "g",
    "utc",
    "k",
    "directive",
    "fpackv",
    "oiml",
    "nist",
    "handbook",
    "b",
    "scale",
    "r",
    "name",
    "dpt",
    "eu",
    "regulation",
    "sweep",
    "up",
    "what",
    "is",
];

#[test]
fn no_text_of_a_room_goes_round_the_messages() {
    let seat = Seat::take();
    let served = kept("x-marked");
    let mut screen = screen(seat, &served);
    screen.until("idle", |seen| seen["view"] == "idle");
    let mut round = Vec::new();
    for (name, to) in ROOMS {
        let seen = screen.tell(&json!(["go", to]));
        let all = format!("{}\n{}", text(&seen, "title"), text(&seen, "inside"));
        for line in all.lines() {
            let unknown = unknown(line, &NAMES, "/.");
            if !unknown.is_empty() {
                round.push(format!("{name}: {unknown:?} in {line:?}"));
            }
        }
    }
    assert!(round.is_empty(), "{}", round.join("\n"));
}

/// What one browser loads for its language beside what all load: the words, about half as much again as the page's script
/// says. The page in English stays in the limit of `strangers.rs`.
#[test]
fn the_words_of_a_language_are_few() {
    for tag in ["en", "de", "fr"] {
        let served = speaking(tag);
        let bytes = served.get("/words.js", "").body.len();
        let most = if tag == "en" { 100 } else { 48 * 1024 };
        println!("{tag}: {bytes} bytes");
        assert!((20..most).contains(&bytes), "{tag}: {bytes} bytes");
    }
}

/// Whether a sign stands at its word without the space that French has there (Imprimerie nationale, Lexique des règles
/// typographiques; from memory): what is put together outside the messages.
fn is_loose(line: &str) -> bool {
    let marks = line.char_indices().filter(|(_, c)| ":;?!»".contains(*c));
    marks.into_iter().any(|(at, c)| {
        let ends = line[at + c.len_utf8()..]
            .chars()
            .next()
            .is_none_or(char::is_whitespace);
        let before = line[..at].chars().next_back();
        ends && before.is_some_and(|before| !"\u{a0}\u{202f}".contains(before))
    })
}

fn has_iso_day(line: &str) -> bool {
    let is_one = |word: &str| {
        let shape = word
            .chars()
            .map(|c| if c.is_ascii_digit() { '0' } else { c });
        shape.take(10).collect::<String>() == "0000-00-00"
    };
    line.split(|c: char| c.is_whitespace() || "(,;".contains(c))
        .any(is_one)
}

#[test]
fn what_is_looked_for_is_found() {
    assert!(is_loose("petite: stable") && is_loose("un; deux") && is_loose("Pot :"));
    assert!(!is_loose("petite\u{a0}: stable, 12:30, c:/d"));
    assert!(has_iso_day("lot (2031-12-31)") && !has_iso_day("soak-20311231-1200, 31/12/2031"));
}

/// In five sizes and both colours nothing runs out of the side, and every key is whole.
#[test]
fn the_rooms_are_whole_in_each_language() {
    for (tag, title) in [("de", "Waagen"), ("fr", "Balances")] {
        let seat = Seat::take();
        let served = kept(tag);
        let mut screen = screen(seat, &served);
        screen.until("idle", |seen| seen["view"] == "idle");
        for (name, to) in ROOMS {
            let seen = screen.tell(&json!(["go", to]));
            assert!(name != "scales" || has(&seen, "title", title), "{seen:#}");
            let all = format!("{}\n{}", text(&seen, "title"), text(&seen, "inside"));
            let loose = all.lines().filter(|line| tag == "fr" && is_loose(line));
            let loose: Vec<_> = loose.collect();
            assert!(loose.is_empty(), "{name}: {loose:#?}");
            // Files have days as ISO 8601; a person reads them as the place writes them.
            let iso = all.lines().filter(|line| has_iso_day(line));
            let iso: Vec<_> = iso.collect();
            assert!(iso.is_empty(), "{name}: {iso:#?}");
            screen.pictures(&format!("language-{tag}-room-{name}"));
        }
    }
}
