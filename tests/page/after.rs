//! What follows a batch, from the page alone, on logs that are there: the label with what it lacks, the labels on
//! paper, the declaration; each beside what the command line says of the same files.

use std::fs;
use std::time::Duration;

use bismar::formula::Formula;
use bismar::mass::Mass;
use bismar::vocabulary::entry::{Draft, RowKind, Verdict};
use serde_json::{Value, json};

use crate::bench_side::logs::{Begun, LOGS, closed, weighed};
use crate::bench_side::person::Person;
use crate::bench_side::scale::Scale;
use crate::bench_side::script::Seat;
use crate::bench_side::served::Served;
use crate::rooms::{Screen, has};

const FORMULAS: &str = "home/.local/share/bismar/formulas";
const CONFIG: &str = "home/.config/bismar";

const SOAK: &str = r#"# Mine, and it stays.
[formula]
name = "Dune <b>soak</b>"
use = "rinse-off"
[[phase]]
[[phase.ingredient]]
name = "Sea salt"
inci = "Maris Sal"
percent = 98
caution = "Sweep up what is spilt."
[[phase.ingredient]]
name = "Dune oil"
premix = "Dune oil"
inci = "Helianthus Annuus Seed Oil"
percent = 2
"#;
const OIL: &str = "[formula]\nname = \"Dune oil\"\nuse = \"premix\"\n[[phase]]\n[[phase.ingredient]]\n\
                   name = \"Sunflower oil\"\ninci = \"Helianthus Annuus Seed Oil\"\npercent = 100\n";
const LOTS: &str = "# The shelf\n[[lot]]\nname = \"S-1\"\ningredient = \"Sea salt\"\namount = \"2 kg\" # weighed\n\
                    best_before = 2030-01-01\n\n[[lot]]\nname = \"F-1\"\ningredient = \"Sunflower oil\"\n\
                    amount = \"1 kg\"\nbest_before = 2030-09-30\n";

fn jar(number: usize, net_mg: i64) -> Draft {
    Draft {
        step: number,
        target: Some(Mass::from_g(60)),
        net: Some(Mass::from_mg(net_mg)),
        verdict: Some(Verdict::Inside),
        readability: Mass::from_mg(10),
        ..Draft::new(RowKind::Filled, "")
    }
}

/// Two soaks, the first with two jars, and the oil that is in both.
fn made(person: &Person) {
    let logs = person.path(LOGS);
    fs::create_dir_all(&logs).unwrap();
    let begun = |formula, label, size, at| Begun {
        formula,
        label,
        size: Mass::from_g(size),
        jars: None,
        at,
    };
    let oil = [weighed(1, "Sunflower oil", "F-1", 30_000), closed()];
    begun(OIL, "Dune oil", 30, "2026-03-01T09:00:00Z").written(&logs, "oil-1", &oil);
    let soak = |at| begun(SOAK, "Dune <b>soak</b>", 120, at);
    let rows = [
        weighed(1, "Sea salt", "S-1", 117_600),
        weighed(2, "Dune oil", "oil-1", 2_400),
        closed(),
        jar(1, 59_900),
        jar(2, 60_040),
    ];
    soak("2026-03-02T09:00:00Z").written(&logs, "soak-1", &rows);
    let rows = [
        weighed(1, "Sea salt", "S-1", 117_700),
        weighed(2, "Dune oil", "oil-1", 2_410),
        closed(),
    ];
    soak("2026-03-03T09:00:00Z").written(&logs, "soak-2", &rows);
    for (name, text) in [("dune-soak.toml", SOAK), ("dune-oil.toml", OIL)] {
        person.file(&format!("{FORMULAS}/{name}"), text);
    }
    person.file(&format!("{CONFIG}/lots.toml"), LOTS);
}

fn at(served: &Served<Scale>, seat: Seat) -> Screen {
    let address = format!("http://127.0.0.1:{}/#{}", served.port, served.key);
    let mut screen = Screen::at(seat, &address);
    screen.until("idle", |seen| seen["view"] == "idle");
    screen
}

fn no_faults(screen: &mut Screen) {
    let console = screen.tell(&json!(["console"]));
    let console = console["console"].as_array().unwrap().iter();
    // A refusal is an answer with such a status, and the browser writes that down.
    let faults = console.filter(|line| !line.to_string().contains("a status of 422"));
    assert_eq!(faults.collect::<Vec<_>>(), Vec::<&Value>::new());
}

/// What a label needs: Regulation (EC) No 1223/2009, article 19(1), as STANDARDS have it (a list, read in a
/// reproduction): who answers, contents, durability, precautions, batch, function, ingredients.
#[test]
fn a_label_is_completed_and_printed_from_the_page_alone() {
    let seat = Seat::take();
    let served = Served::on(Scale::start, "", made);
    let mut screen = at(&served, seat);
    screen.press("Batches");
    screen.press("soak-1");
    screen.press("Label");
    let seen = screen.reads("The label of Dune <b>soak</b> lacks");
    for words in [
        "lacks: responsible person, function.",
        // Of the lots the earliest day.
        "best before 2030-01-01 (lot S-1 of Sea salt)",
        "Maris Sal, Helianthus Annuus Seed Oil",
        // The lightest jar, rounded down.
        "59 g, rounded down (the lightest jar filled)",
        "write it below, at “Who answers for it”",
        "Sea salt: Sweep up what is spilt.",
        "General workshop habits, not professional advice.",
        "this list is no legal advice",
        // 2.4 of 120 g.
        "2.000",
    ] {
        assert!(has(&seen, "inside", words), "{words}: {seen:#}");
    }
    // No word of the terminal.
    for words in ["--", "config.toml", "[label]", "keeps_months"] {
        assert!(!has(&seen, "inside", words), "{words}: {seen:#}");
    }
    screen.pictures("room-label-lacks");

    // What is no number of months is said, and nothing is written.
    let file = served.person.path(FORMULAS).join("dune-soak.toml");
    screen.write("What it is", "bath soak");
    screen.write("Precautions", "Keep out of \"eyes\" & <ears>.");
    screen.write("Keeps, months", "many");
    screen.press("Write them into the formula");
    screen.reads("\"many\" is no number of months");
    assert_eq!(fs::read_to_string(&file).unwrap(), SOAK);
    screen.write("Keeps, months", "18");
    // A second touch within a moment is the same touch.
    std::thread::sleep(Duration::from_secs(1));
    screen.press("Write them into the formula");
    // The log has the old text; the label is of the new one now, and says so.
    let seen = screen.reads("best before 2027-09-02 (18 months from 2026-03-02)");
    assert!(
        has(&seen, "inside", "Names and label texts from"),
        "{seen:#}"
    );
    screen.write("Who answers for it", "Saltmarsh Bench, 1 Quay Row");
    screen.press("Write it down");
    let seen = screen.reads("Nothing that bismar knows of is missing");
    assert!(
        has(&seen, "inside", "Saltmarsh Bench, 1 Quay Row"),
        "{seen:#}"
    );
    let text = fs::read_to_string(&file).unwrap();
    assert!(text.starts_with(SOAK), "{text}");
    let labelling = Formula::parse(&text, "").unwrap().labelling;
    assert_eq!(labelling.keeps_months, Some(18));
    let precautions = labelling.precautions.as_deref();
    assert_eq!(precautions, Some("Keep out of \"eyes\" & <ears>."));
    screen.pictures("room-label");

    // On paper: one label for each jar, and what the terminal writes of the same files is the same.
    screen.write("Net weight on the labels", "Each jar its own");
    screen.press("Labels to print");
    let sheet = screen.tell(&json!(["tab"]));
    for words in [
        "59 g",
        "60 g",
        "jar 1",
        "jar 2",
        "Best before 2027-09-02",
        "<ears>",
    ] {
        assert!(has(&sheet, "tab", words), "{words}: {sheet:#}");
    }
    assert!(sheet["styles"][0].as_u64() > Some(10), "{sheet:#}");
    assert_eq!(sheet["alive"], 0, "{sheet:#}");
    let session = served.enter();
    let named = "batch=soak-1&rules=eu&as_now=true";
    let formula = file.to_str().unwrap();
    let of = ["soak-1", "--rules", "eu", "--formula", formula];
    let answer = served.get(&format!("/labels?{named}&each_jar=true"), &session);
    let written = served.person.path("labels.html");
    let paper = ["--each-jar", "--sheet", written.to_str().unwrap()];
    let words: Vec<&str> = ["label"].into_iter().chain(of).chain(paper).collect();
    served.person.run(&words).ended(0);
    assert_eq!(answer.body, fs::read_to_string(&written).unwrap());
    let answer = served.get(&format!("/declaration?{named}"), &session);
    let words: Vec<&str> = ["declaration"].into_iter().chain(of).collect();
    let told = served.person.run(&words).ended(0).out;
    assert_eq!(answer.body.trim_end(), told.trim_end());
    for (asked, why) in [
        ("batch=soak-2&rules=eu&each_jar=true", "has no filled jar"),
        ("batch=soak-9&rules=eu", "there is no batch \\\"soak-9\\\""),
        ("batch=../soak-1&rules=eu", "there is no batch"),
        ("batch=soak-1&rules=moon", "us, eu or ca"),
        ("batch=soak-1&rules=us&net=0g", "more than nothing"),
        ("batch=soak-1&rules=us&net=NaNg", "what one package holds"),
    ] {
        let answer = served.get(&format!("/labels?{asked}"), &session);
        assert_eq!(answer.status, 422, "{asked}: {answer:?}");
        assert!(answer.body.contains(why), "{asked}: {answer:?}");
    }
    no_faults(&mut screen);
}
