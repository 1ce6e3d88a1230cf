//! What follows a batch, from the page alone, on logs that are there: the label with what it lacks, the labels on
//! paper, the declaration; each beside what the command line says of the same files.

use std::fs;
use std::time::Duration;

use bismar::formula::Formula;
use bismar::mass::Mass;
use bismar::vocabulary::entry::{Draft, RowKind, Verdict};
use serde_json::{Value, json};

use crate::bench_side::Daemon;
use crate::bench_side::logs::{Begun, LOGS, cells, closed, jar, logs_in, weighed, weighed_inside};
use crate::bench_side::person::Person;
use crate::bench_side::scale::Scale;
use crate::bench_side::script::Seat;
use crate::bench_side::served::Served;
use crate::rooms::{Screen, has, pour, weigh};

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

/// Of what has no weight no jar, label or remedy is offered, and what is not there says so and has no fields.
#[test]
fn nothing_is_made_of_a_batch_without_weights_or_of_one_that_is_not_there() {
    let seat = Seat::take();
    let served = Served::on(Scale::start, "", |person: &Person| {
        let logs = person.path(LOGS);
        fs::create_dir_all(&logs).unwrap();
        let begun = |at| Begun {
            formula: OIL,
            label: "Dune oil",
            size: Mass::from_g(30),
            jars: None,
            at,
        };
        let rows = [weighed(1, "Sunflower oil", "F-1", 30_000), closed()];
        begun("2026-03-01T09:00:00Z").written(&logs, "oil-1", &rows);
        begun("2026-03-02T09:00:00Z").written(&logs, "oil-2", &[closed()]);
        let in_jars = Begun {
            jars: Some((1, Mass::from_g(50))),
            ..begun("2026-03-03T09:00:00Z")
        };
        in_jars.written(&logs, "oil-3", &rows);
        let in_large = Begun {
            jars: Some((1, Mass::from_g(400))),
            ..begun("2026-03-04T09:00:00Z")
        };
        in_large.written(&logs, "oil-4", &rows);
        let weighed = Draft {
            target: Some(Mass::from_g(30)),
            low: Some(Mass::from_mg(29_700)),
            high: Some(Mass::from_mg(30_300)),
            uncertainty: Some(Mass::from_mg(22)),
            verdict: Some(Verdict::Inside),
            scale: "bench".into(),
            ..weighed(1, "Sunflower oil", "F-1", 30_000)
        };
        let left = Draft {
            step: 1,
            ingredient: "Sunflower oil".into(),
            net: Some(Mass::from_mg(700)),
            ..Draft::new(RowKind::Residue, "")
        };
        begun("2026-02-28T09:00:00Z").written(&logs, "oil-0", &[weighed, left, closed()]);
    });
    let address = format!("http://127.0.0.1:{}/#{}", served.port, served.key);
    let mut screen = Screen::at(seat, &address);
    screen.until("idle", |seen| seen["view"] == "idle");
    for (batch, offered) in [("oil-1", true), ("oil-2", false)] {
        let seen = screen.tell(&json!(["go", format!("#/batches/{batch}")]));
        for key in ["\nFill jars\n", "\nLabel\n", "\nRemedies\n"] {
            assert_eq!(
                has(&seen, "inside", key),
                offered,
                "{batch} {key}: {seen:#}"
            );
        }
    }
    screen.tell(&json!(["go", "#/fill/oil-2"]));
    screen.reads("Nothing is left of oil-2 that jars could be filled from.");
    // Of those that fill a jar the last is taken.
    screen.tell(&json!(["go", "#/fill"]));
    screen.reads("Out of oil-1, Dune oil: 30.00 g were weighed");
    // What is too little for a jar like the others is offered to a smaller one.
    let told = "30.00 g are in no jar: too little for one of 50 g. A smaller jar takes them";
    let seen = screen.tell(&json!(["go", "#/batches/oil-3"]));
    assert!(has(&seen, "inside", told), "{seen:#}");
    assert!(!has(&seen, "inside", "\nFill jars\n"), "{seen:#}");
    // What stayed in a beaker stands in its sheet, and no table leaves the paper.
    screen.tell(&json!(["go", "#/batches/oil-0"]));
    screen.press("Sheet to print and sign");
    let paper = screen.tell(&json!(["tab"]));
    assert!(has(&paper, "tab", "given 29.30"), "{paper:#}");
    assert_eq!(paper["out"], json!([]), "{paper:#}");
    // What stays in bowls and spoons is offered to none.
    let seen = screen.tell(&json!(["go", "#/batches/oil-4"]));
    let lost = "30.00 g are in no jar and count as a loss.";
    assert!(has(&seen, "inside", lost), "{seen:#}");
    assert!(!has(&seen, "inside", "Fill"), "{seen:#}");
    screen.tell(&json!(["go", "#/fill/oil-4"]));
    screen.reads(lost);
    screen.tell(&json!(["go", "#/batches/oil-3"]));
    screen.press("Fill a smaller jar");
    screen.reads(told);
    screen.press("Fill jars now");
    screen.until("a refusal", |seen| {
        seen["said"]
            .to_string()
            .contains("not enough left for one jar of 50.00 g")
    });
    screen.write("Grams on the label", "20");
    // A second touch within a moment is the same touch.
    std::thread::sleep(std::time::Duration::from_secs(1));
    screen.press("Fill jars now");
    screen.until("the filling", |seen| {
        has(seen, "say", "Place empty jar 1: 20.20 g")
    });
    served.person.run(&["stop"]).ended(0);
    for (to, told) in [
        ("#/label/soak-9", "there is no batch \"soak-9\""),
        ("#/label/oil-2", "batch oil-2 has no weights"),
        ("#/remedies/soak-9", "there is no batch \"soak-9\""),
        ("#/fill/soak-9", "there is no batch \"soak-9\""),
        ("#/batches/soak-9", "there is no batch \"soak-9\""),
        ("#/begin/soak-9.toml", "there is no formula \"soak-9.toml\""),
        (
            "#/formulas/soak-9.toml",
            "there is no formula \"soak-9.toml\"",
        ),
    ] {
        let seen = screen.tell(&json!(["go", to]));
        assert!(has(&seen, "inside", told), "{to}: {seen:#}");
        let inside = seen["inside"].as_str().unwrap();
        assert!(inside.lines().count() < 5, "{to} has fields: {inside}");
    }
}

/// A weight that has no verdict says why, in the record and on the label; one that was only too little for its scale is
/// as sure as the others. The engine's own remark of a tare (`weighing/capture.rs`).
#[test]
fn a_weight_that_is_not_proven_says_why_on_the_record_and_the_label() {
    let seat = Seat::take();
    let served = Served::on(Scale::start, "", |person: &Person| {
        let logs = person.path(LOGS);
        fs::create_dir_all(&logs).unwrap();
        let begun = Begun {
            formula: "[formula]\nname = \"Dune soak\"\n[[phase]]\n[[phase.ingredient]]\nname = \"Sea salt\"\n\
                      inci = \"Maris Sal\"\npercent = 60\n[[phase.ingredient]]\nname = \"Epsom salt\"\n\
                      inci = \"Magnesium Sulfate\"\npercent = 39\n[[phase.ingredient]]\nname = \"Borage oil\"\n\
                      inci = \"Borago Officinalis Seed Oil\"\npercent = 1\n",
            label: "Dune soak",
            size: Mass::from_g(100),
            jars: None,
            at: "2026-03-01T09:00:00Z",
        };
        let unproven = |row: Draft, note: &str| Draft {
            verdict: None,
            note: note.into(),
            ..row
        };
        let tare = "tare not proven: it may be off by 108.00 g";
        let rows = [
            weighed_inside(1, "Sea salt", "", 60_000),
            unproven(
                Draft {
                    uncertainty: Some(Mass::from_mg(108_038)),
                    ..weighed_inside(1, "Sea salt", "", 60_000)
                },
                &format!("corrects seq 3; {tare}"),
            ),
            weighed_inside(2, "Epsom salt", "", 39_000),
            unproven(
                weighed_inside(3, "Borage oil", "", 1_000),
                "the scale cannot prove this tolerance",
            ),
            closed(),
            unproven(jar(1, 59_900), "more came on before the lift"),
        ];
        begun.written(&logs, "soak-1", &rows);
    });
    let mut screen = at(&served, seat);
    let seen = screen.tell(&json!(["go", "#/batches/soak-1"]));
    for (words, there) in [
        (
            "no verdict\ntare not proven: it may be off by 108.00 g, uncertain by ±108.038 g",
            true,
        ),
        ("no verdict\nthe scale cannot prove this tolerance", true),
        ("no verdict\nmore came on before the lift", true),
        ("corrects seq", false),
        // It is over: nothing of it is taken back.
        ("“Undo”", false),
    ] {
        assert_eq!(has(&seen, "inside", words), there, "{words}: {seen:#}");
    }
    screen.pictures("room-record-unproven");
    screen.tell(&json!(["go", "#/label/soak-1"]));
    let seen = screen.reads("Not proven is the weight of: Sea salt. What stands here");
    let jar = "the weight of jar 1 is not proven";
    assert!(has(&seen, "inside", jar), "{seen:#}");
    screen.pictures("room-label-unproven");
    let kept = screen.keeps("Keep the declaration", "soak-1-declaration.txt");
    assert!(
        kept.contains("Not proven is the weight of: Sea salt."),
        "{kept}"
    );
    no_faults(&mut screen);
}

/// Two soaks, the first with two jars, and the oil that is in both.
pub fn made(person: &Person) {
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
        "Best used before the end of 2 September 2027",
        "<ears>",
    ] {
        assert!(has(&sheet, "tab", words), "{words}: {sheet:#}");
    }
    assert!(sheet["styles"][0].as_u64() > Some(10), "{sheet:#}");
    assert_eq!(sheet["alive"], 0, "{sheet:#}");
    let formula = file.to_str().unwrap();
    let of = ["soak-1", "--rules", "eu", "--formula", formula];
    let kept = screen.keeps("Keep the labels", "soak-1-labels.html");
    let written = served.person.path("labels.html");
    let paper = ["--each-jar", "--sheet", written.to_str().unwrap()];
    let words: Vec<&str> = ["label"].into_iter().chain(of).chain(paper).collect();
    served.person.run(&words).ended(0);
    assert_eq!(kept, fs::read_to_string(&written).unwrap());
    let kept = screen.keeps("Keep the declaration", "soak-1-declaration.txt");
    let words: Vec<&str> = ["declaration"].into_iter().chain(of).collect();
    let told = served.person.run(&words).ended(0).out;
    assert_eq!(kept.trim_end(), told.trim_end());
    assert!(kept.starts_with("INGREDIENTS: Maris Sal"), "{kept}");
    let session = served.enter();
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

#[track_caller]
fn stands(screen: &mut Screen, label: &str, text: &str) {
    let seen = screen.tell(&json!(["field", label]));
    assert_eq!(seen["field"], text, "{label}: {seen:#}");
}

/// What is typed and not sent stays, whatever is drawn anew beside it, in another room meanwhile, and while no daemon is
/// there; what was sent does not come back.
#[test]
fn what_is_typed_and_not_sent_is_never_lost() {
    let seat = Seat::take();
    let mut served = Served::on(Scale::start, "", made);
    let mut screen = at(&served, seat);
    screen.tell(&json!(["go", "#/label/soak-1"]));
    screen.reads("The label of Dune <b>soak</b> lacks");
    let typed = [
        ("What it is", "bath soak"),
        ("Precautions", "Not for the eyes."),
        ("Keeps, months", "18"),
        ("Who answers for it", "Saltmarsh Bench"),
    ];
    for (label, text) in typed {
        screen.write(label, text);
    }
    // The field whose leaving draws the label anew.
    screen.write("Grams in one package", "55");
    screen.write("What it is", "foot soak");
    screen.reads("55 g");
    let typed = [("What it is", "foot soak"), typed[1], typed[2], typed[3]];
    for (label, text) in typed {
        stands(&mut screen, label, text);
    }
    screen.write("Sold in", "United States");
    screen.reads("US, 21 CFR 701");
    screen.tell(&json!(["go", "#/lots"]));
    screen.press("Add a lot");
    screen.write("Lot, as it stands on the package", "S-9");
    screen.tell(&json!(["go", "#/label/soak-1"]));
    screen.reads("55 g");
    for (label, text) in typed {
        stands(&mut screen, label, text);
    }
    // What is sent is no longer unsent; the rest of the page still is.
    screen.press("Write it down");
    screen.reads("Saltmarsh Bench");
    let answers = fs::read_to_string(served.person.config_file()).unwrap();
    assert!(answers.contains("Saltmarsh Bench"), "{answers}");
    stands(&mut screen, "Precautions", "Not for the eyes.");
    // The fold that it was typed in is open again.
    screen.tell(&json!(["go", "#/lots"]));
    stands(&mut screen, "Lot, as it stands on the package", "S-9");
    screen.write("Ingredient, as the formulas name it", "Sea salt");
    screen.press("Add this lot");
    screen.reads("S-9");
    screen.tell(&json!(["go", "#/batches"]));
    screen.tell(&json!(["go", "#/lots"]));
    screen.press("Add a lot");
    stands(&mut screen, "Lot, as it stands on the package", "");

    // What was typed of one batch's jars is of that batch alone.
    screen.tell(&json!(["go", "#/fill/soak-2"]));
    screen.write("Grams on the label", "40");
    screen.tell(&json!(["go", "#/lots"]));
    screen.tell(&json!(["go", "#/fill/soak-2"]));
    stands(&mut screen, "Grams on the label", "40");

    // A plan that was shown is there again.
    screen.tell(&json!(["go", "#/begin/dune-soak.toml"]));
    screen.write("Jars", "2");
    screen.write("Grams in a jar", "50");
    screen.press("Show the plan");
    screen.reads("for 2 jars of 50");
    screen.tell(&json!(["go", "#/lots"]));
    screen.tell(&json!(["go", "#/begin/dune-soak.toml"]));
    screen.reads("for 2 jars of 50");

    // A daemon that is gone for a while, and a room that cannot be read meanwhile.
    screen.tell(&json!(["go", "#/papers"]));
    screen.write("What is in it", "Linalool 38");
    served.daemon.child.kill().unwrap();
    served.daemon.child.wait().unwrap();
    screen.tell(&json!(["go", "#/batches"]));
    screen.reads("No answer from bismar");
    served.daemon = Daemon::start(&served.person);
    screen.reads("soak-1");
    screen.tell(&json!(["go", "#/papers"]));
    stands(&mut screen, "What is in it", "Linalool 38");
    // What is known of a name takes nobody's words away.
    screen.write("Of one lot alone", "L-1");
    screen.write(
        "Ingredient, by its INCI name or as the formulas name it",
        "Sea salt",
    );
    stands(&mut screen, "What is in it", "Linalool 38");
}

/// While jars are filled the key that ends it says so, and does what it says.
#[test]
fn filling_is_stopped_by_a_key_of_that_name_and_what_is_recorded_stays() {
    const JAR: f64 = 98.40;
    let seat = Seat::take();
    let served = Served::on(Scale::start, "", made);
    let mut screen = at(&served, seat);
    screen.tell(&json!(["go", "#/fill/soak-2"]));
    screen.write("Grams on the label", "40");
    screen.press("Fill jars now");
    screen.until("the bench", |seen| has(seen, "say", "Place"));
    weigh(
        &mut screen,
        &served.pan,
        JAR,
        |_| 40.30,
        |seen| has(seen, "recorded", "40.30 g"),
    );
    screen.pictures("filling");
    // Another batch cannot begin, and the key that would end this is called by its name.
    let session = served.enter();
    let begin = r#"{"do":"begin","formula":"dune-soak.toml","batch":"100g"}"#;
    let refused = served.post("/do", &session, begin);
    assert!(refused.body.contains("\"help\":\"stop\""), "{refused:?}");
    // The second one is poured and not recorded.
    served.pan.put(0.0);
    screen.until("the second", |seen| has(seen, "place", "step 2"));
    std::thread::sleep(Duration::from_secs(1));
    served.pan.put(JAR);
    screen.until("tared", |seen| has(seen, "word", "still to add"));
    pour(&served.pan, JAR, 20.0);
    screen.press("Stop filling");
    std::thread::sleep(Duration::from_secs(1));
    screen.press("Press again: stop now");
    let seen = screen.until("stopped", |seen| seen["view"] == "idle");
    assert!(
        has(&seen, "say", "Filling done. 1 jar filled, 40.30 g"),
        "{seen:#}"
    );
    // It is said once, and leads on.
    std::thread::sleep(Duration::from_secs(1));
    let seen = screen.tell(&json!(["look"]));
    assert!(!has(&seen, "answer", "Filling done"), "{seen:#}");
    screen.pictures("filling-done");
    screen.press("Record of the batch");
    screen.reads("40.30");
    let log = served.person.path(LOGS).join("soak-2.csv");
    assert_eq!(cells(&log, "filled", "net_g"), ["40.30"]);
    no_faults(&mut screen);
}

/// A lot is corrected and another taken out; the list keeps every line that it had, and the terminal says the same.
#[test]
fn a_lot_is_followed_corrected_and_taken_out_and_no_line_is_rewritten() {
    let seat = Seat::take();
    let served = Served::on(Scale::start, "", made);
    let list = served.person.path(CONFIG).join("lots.toml");
    let mut screen = at(&served, seat);

    // Forward, through the oil to both soaks and the jars; backward from a batch.
    screen.press("Lots");
    screen.press("F-1");
    screen.reads("Sunflower oil: 970.00 g left");
    screen.press("Where it went");
    let seen = screen.reads("F-1 went into 3 batches and 2 filled jars");
    for words in [
        "oil-1",
        "soak-1",
        "soak-2",
        "jars 1-2",
        "from lot oil-1",
        "2.41",
    ] {
        assert!(has(&seen, "inside", words), "{words}: {seen:#}");
    }
    screen.pictures("room-trace");
    screen.press("soak-1");
    screen.press("Its lots, and where it went");
    let seen = screen.reads("What soak-1 is made of");
    for words in [
        "S-1",
        "oil-1",
        "F-1",
        "step 1 of oil-1",
        "No other batch took from soak-1",
    ] {
        assert!(has(&seen, "inside", words), "{words}: {seen:#}");
    }
    screen.write("Lot or batch", "S-9");
    screen.press("Show where it went");
    screen.reads("no batch is named S-9 and none took from a lot S-9");

    // A lot of the list that no batch took is none that is unknown.
    let unused = "[[lot]]\nname = \"U-1\"\ningredient = \"Sunflower oil\"\namount = \"250 g\"\n";
    fs::write(&list, format!("{LOTS}{unused}")).unwrap();
    screen.write("Lot or batch", "U-1");
    screen.press("Show where it went");
    screen.reads("Lot U-1 of Sunflower oil is in the list, and no batch took from it. 250.00 g of it are left.");
    fs::write(&list, LOTS).unwrap();

    // A correction is shown first, and nothing is written meanwhile.
    screen.press("Lots");
    screen.press("S-1");
    screen.reads("Sea salt: 1764.70 g left");
    screen.write("Amount", "2,5 kg");
    screen.press("Show the correction");
    screen.reads("say why");
    screen.write("Why", "the \"bag\" was <mistyped>");
    screen.press("Show the correction");
    let seen = screen.reads("Left of it: 1764.70 g, now 2264.70 g.");
    for words in [
        "Amount: 2000 g, now 2500 g.",
        "2 batches took 235.30 g from it (soak-1, soak-2); their records stay as they are.",
    ] {
        assert!(has(&seen, "inside", words), "{words}: {seen:#}");
    }
    screen.pictures("room-lot-correction");
    assert_eq!(fs::read_to_string(&list).unwrap(), LOTS);
    // What is typed now takes what was shown away.
    // A day that is half typed is none, and takes none away.
    screen.write("Best before", "0101");
    screen.press("Show the correction");
    screen.reads("Best before: that is no day yet. Type all of it, as the field shows it.");
    screen.write("Best before", "01012020");
    let seen = screen.tell(&json!(["look"]));
    assert!(!has(&seen, "inside", "Write the correction"), "{seen:#}");
    screen.press("Show the correction");
    screen.reads("It is refused then: lot S-1 was best before 2020-01-01.");
    screen.press("Write the correction");
    screen.reads("Lot S-1 of Sea salt is corrected.");
    let text = fs::read_to_string(&list).unwrap();
    let below = text.strip_prefix(LOTS).expect("every old line");
    let today = bismar::workshop::today();
    assert_eq!(
        below,
        format!(
            "\n[[correction]]\nlot = \"S-1\"\ningredient = \"Sea salt\"\non = {today}\n\
             reason = 'the \"bag\" was <mistyped>'\nbest_before = 2020-01-01\namount = \"2500 g\"\n"
        )
    );
    let told = served.person.run(&["lots"]).ended(0).out;
    assert!(
        told.contains("2264.70  refused: lot S-1 was best before 2020-01-01"),
        "{told}"
    );
    screen.press("All lots");
    screen.press("S-1");
    screen.reads("the \"bag\" was <mistyped>");

    // Taken out, and then it may be added anew under another name.
    screen.press("Lots");
    screen.press("F-1");
    screen.write("Why", "it is F-2");
    screen.press("Show it taken out");
    let seen = screen.reads("It is taken out of the list and offered no more");
    let words = "1 batch took 30.00 g from it (oil-1)";
    assert!(has(&seen, "inside", words), "{seen:#}");
    screen.press("Take it out");
    screen.reads("Lot F-1 of Sunflower oil is taken out of the list.");
    let told = served.person.run(&["lots"]).ended(0).out;
    assert!(!told.contains("F-1"), "{told}");
    assert!(fs::read_to_string(&list).unwrap().starts_with(&text));

    // The terminal: shown, then written; who comes second is told, and a list that does not read stays as it is.
    let words = [
        "lots",
        "correct",
        "S-1",
        "--reason",
        "it is good",
        "--forget",
        "best-before",
    ];
    let before = fs::read_to_string(&list).unwrap();
    let told = served.person.run(&words).ended(0).out;
    for words in [
        "Best before: 2020-01-01, now not known.",
        "It may be used again.",
        "Nothing is written yet",
    ] {
        assert!(told.contains(words), "{words}: {told}");
    }
    assert_eq!(fs::read_to_string(&list).unwrap(), before);
    let words = [&words[..], &["--write"]].concat();
    served.person.run(&words).ended(0);
    let told = served.person.run(&words).ended(1).err;
    assert!(told.contains("says that already"), "{told}");
    let told = served
        .person
        .run(&["lots", "remove", "F-1", "--reason", "gone", "--write"]);
    let told = told.ended(1).err;
    assert!(told.contains("no lot F-1 is in"), "{told}");
    let session = served.enter();
    let post = |body: &Value| served.post("/lot-change", &session, &body.to_string());
    let change = |lot: &str| {
        json!({ "is": { "lot": lot, "ingredient": "Sea salt", "amount": "1 kg" }, "remove": false,
                "reason": "why", "write": true })
    };
    let answer = post(&change("S-8"));
    assert_eq!(answer.status, 422, "{answer:?}");
    assert!(answer.body.contains("no lot S-8 of Sea salt"), "{answer:?}");
    let whole = fs::read_to_string(&list).unwrap();
    let spoilt = format!(
        "{whole}\n[[correction]]\nlot = \"S-8\"\ningredient = \"Sea salt\"\non = 2026-01-01\nreason = \"x\"\nremoved = true\n"
    );
    fs::write(&list, &spoilt).unwrap();
    let answer = post(&change("S-1"));
    assert_eq!(answer.status, 422, "{answer:?}");
    let line = whole.lines().count() + 2;
    let why =
        format!("lots.toml:{line}:1: no lot \\\"S-8\\\" of Sea salt stands above this correction");
    assert!(answer.body.contains(&why), "{answer:?}");
    assert_eq!(fs::read_to_string(&list).unwrap(), spoilt);
    no_faults(&mut screen);
}

/// Read on a phone and in the dark: WCAG 2.2, 1.4.3 (contrast of letters), 1.4.10 (no scrolling both ways at 390 px);
/// that letters are no smaller than 12 CSS pixels is common practice, no source.
#[test]
fn a_chart_is_as_wide_as_the_screen_and_as_dark() {
    let seat = Seat::take();
    let served = Served::on(Scale::start, "", |person| {
        made(person);
        let logs = person.path(LOGS);
        let name = "Coarse grey sea salt of the northern pans, twice washed";
        let formula = format!(
            "[formula]\nname = \"Long\"\n[[phase]]\n[[phase.ingredient]]\nname = \"{name}\"\npercent = 100\n"
        );
        for n in 0..40_i64 {
            let begun = Begun {
                formula: &formula,
                label: "Long",
                size: Mass::from_g(100),
                jars: None,
                at: &format!("2026-03-{:02}T{:02}:00:00Z", 1 + n / 2, 8 + n % 2),
            };
            // One beyond the limits.
            let off = if n == 30 { 4_000 } else { (n * 37) % 110 };
            let weighed = Draft {
                target: Some(Mass::from_g(100)),
                ..weighed(1, name, "S-1", 100_000 + off)
            };
            begun.written(&logs, &format!("long-{n:02}"), &[weighed, closed()]);
        }
    });
    let mut screen = at(&served, seat);
    screen.press("Batches");
    screen.press("long-39");
    screen.until("the chart", |seen| seen["pictures"] == 1);
    let told = screen.tell(&json!(["charts", "chart"]));
    for one in told["charts"].as_array().unwrap() {
        assert_eq!(one["natural"], one["client"], "{one}");
        let wide = one["client"].as_u64().unwrap();
        assert!(wide <= one["wide"].as_u64().unwrap(), "{one}");
        assert!(one["contrast"].as_f64().unwrap() >= 4.5, "{one}");
        let dark = one["ground"][0].as_u64().unwrap() < 64;
        assert_eq!(dark, one["scheme"] == "dark", "{one}");
        assert!(has(one, "alt", "40 batches, mean"), "{one}");
        assert!(has(one, "alt", "1 beyond them"), "{one}");
    }
    let session = served.enter();
    for asked in [
        "name=Long&formula=true",
        "name=Coarse%20grey%20sea%20salt%20of%20the%20northern%20pans,%20twice%20washed",
    ] {
        for width in [0, 300, 358, 720, 5_000_000_u32] {
            let answer = served.get(&format!("/chart?{asked}&width={width}"), &session);
            let told: Value = serde_json::from_str(&answer.body).unwrap();
            let drawn = &screen.tell(&json!(["drawn", told["svg"]]))["drawn"];
            assert_eq!(
                (&drawn["out"], &drawn["over"]),
                (&json!([]), &json!([])),
                "{width}: {drawn}"
            );
            assert!(drawn["least"].as_f64().unwrap() >= 12.0, "{drawn}");
            assert!(drawn["texts"].as_u64().unwrap() >= 10, "{drawn}");
        }
    }
    no_faults(&mut screen);
}

/// A check with several loads, and what it tells is in the configuration. The scale shows each load 0.05 % heavy, and
/// 0.02 g between left and right: the gain and the slope are what was put in, worked out by hand as the module's text
/// says (half the difference across).
#[test]
fn a_scale_is_checked_with_several_loads() {
    let seat = Seat::take();
    let served = Served::on(Scale::start, "", |person: &Person| {
        let file = fs::read_to_string(person.config_file()).unwrap();
        let capacity = "[[scale]]\ncapacity = \"600 g\"";
        person.configures(&file.replacen("[[scale]]", capacity, 1));
    });
    let pan = &served.pan;
    let mut screen = at(&served, seat);
    screen.press("Scales");
    screen.reads("Check a scale with a test weight");
    screen.press("With several loads");
    screen.write("Loads, grams", "50 200");
    screen.press("Begin with these loads");
    screen.reads("3 different loads are needed at least");
    screen.pictures("room-loads-refused");
    screen.write("Loads, grams", "200 50 200+100 500");
    screen.press("Begin with these loads");
    let up = [50.03, 200.10, 300.15, 500.25];
    let around = [200.10, 200.12, 200.10, 200.08];
    let all = up.iter().chain(up.iter().rev()).chain(&around);
    for (round, load) in (1..).zip(all) {
        let seen = screen.reads(&format!("{round} of 12: put "));
        if round == 12 {
            assert!(
                has(&seen, "inside", "halfway from the middle to the left edge"),
                "{seen:#}"
            );
        }
        pan.put(*load);
        screen.reads("Lift it");
        if round == 10 {
            screen.pictures("room-loads");
        }
        pan.put(0.0);
    }
    let seen = screen.reads("bismar counts with it from now on");
    for words in [
        "500 g: up 500.25 g, down 500.25 g, allowed ± ",
        "Gain: +0.0500 %",
        "Off centre with 200 g: 0.0200 g",
        "Its scatter is ASSUMED: weigh one load ten times first",
    ] {
        assert!(has(&seen, "inside", words), "{words}: {seen:#}");
    }
    screen.pictures("room-loads-done");
    let config = fs::read_to_string(served.person.config_file()).unwrap();
    assert!(config.contains("[scale.uncertainty]"), "{config}");
    assert!(config.contains("eccentricity_load = \"200 g\""), "{config}");
    let checks = served.person.path(LOGS).join("scale-checks.csv");
    assert_eq!(cells(&checks, "scale-check", "net_g").len(), 13);
    // What was refused is a fault to the browser.
    let console = screen.tell(&json!(["console"]));
    let faults = console["console"].as_array().unwrap().iter();
    let faults = faults.filter(|line| !line.to_string().contains("a status of 400"));
    assert_eq!(faults.count(), 0, "{console:#}");
}

/// Ten weighings of one load, led by the page; the standard deviation with divisor n - 1 (USP <41>, read in a
/// reproduction, asks for ten) is what the configuration has then, and a check is told in the scale's history.
#[test]
fn a_scale_is_weighed_on_ten_times_and_its_checks_are_told() {
    let seat = Seat::take();
    let served = Served::on(Scale::start, "", |_| {});
    let pan = &served.pan;
    let mut screen = at(&served, seat);
    screen.press("Scales");
    let seen = screen.reads("Weigh one load ten times");
    assert!(has(&seen, "inside", "Its scatter is ASSUMED"), "{seen:#}");
    assert!(!has(&seen, "inside", "In a terminal"), "{seen:#}");
    screen.reads("A check before the first batch of a day is a good habit");
    screen.press("Begin the ten weighings");
    for round in 1..=10 {
        screen.reads(&format!("{round} of 10: put the load on"));
        pan.put(if round % 2 == 0 { 150.00 } else { 150.01 });
        screen.reads("Lift it");
        if round == 5 {
            screen.pictures("room-repeatability");
        }
        pan.put(0.0);
    }
    let seen = screen.reads("bismar counts with it from now on");
    // Five of 150.00 and five of 150.01: s² = 10 · 0.005² / 9.
    let s = (10.0 * 0.005_f64.powi(2) / 9.0).sqrt();
    let told = format!("s = {s:.4} g of 10 weighings, mean 150.0050 g");
    assert!(has(&seen, "inside", &told), "{seen:#}");
    assert!(has(&seen, "inside", "USP <41>"), "{seen:#}");
    let config = fs::read_to_string(served.person.config_file()).unwrap();
    assert!(
        config.contains("repeatability = \"0.005271 g\""),
        "{config}"
    );
    assert!(config.contains("weighings = 10"), "{config}");
    screen.reads("Its scatter is 0.005271 g (one standard deviation).");
    let checks = served.person.path(LOGS).join("scale-checks.csv");
    let nets = cells(&checks, "scale-check", "net_g");
    assert_eq!(
        nets.iter().filter(|net| !net.is_empty()).count(),
        10,
        "{nets:?}"
    );

    // A check that fails: told at once, in the history, and when the next is due.
    screen.press("Begin the check");
    screen.reads("Put the weight on");
    pan.put(100.20);
    screen.reads("Lift it");
    pan.put(0.0);
    screen.reads("NOT passed: 0.20 g off");
    screen.reads("Did NOT pass its last check of today.");
    screen.press("Checks of bench");
    let seen = screen.reads("+0.20 g off, NOT passed");
    assert!(has(&seen, "inside", "repeatability: s = "), "{seen:#}");
    screen.pictures("room-checks");
    // Two at once: the second ends the first, and the log is nobody's then.
    let session = served.enter();
    std::thread::sleep(Duration::from_secs(1));
    screen.press("Begin the ten weighings");
    // The pan is empty: that it is to be cleared may be over before it is read.
    screen.reads("1 of 10: put the load on");
    let body = r#"{"scale":"bench","write":false}"#;
    let answer = served.post("/repeatability", &session, body);
    assert_eq!(answer.status, 200, "{answer:?}");
    let answer = served.post(
        "/repeatability",
        &session,
        r#"{"scale":"none","write":true}"#,
    );
    assert_eq!(answer.status, 400, "{answer:?}");
    let answer = served.post("/check-end", &session, "{}");
    assert_eq!(answer.status, 200, "{answer:?}");
    assert_eq!(cells(&checks, "scale-check", "net_g").len(), 12);
    no_faults(&mut screen);
}

/// What a supplier's papers say is written down on the page, into the list that the label and the limits read; remarks in
/// it stay.
#[test]
fn what_is_in_an_oil_is_written_down_on_the_page() {
    const LIST: &str =
        "# from the binder\n[[substance]]\nname = \"Rose wax\" # old\nleave_on = 2\n";
    const SCENTED: &str = "[formula]\nname = \"Dune scent\"\nuse = \"leave-on\"\n[[phase]]\n[[phase.ingredient]]\n\
        name = \"Sea salt\"\ninci = \"Maris Sal\"\nbalance = true\n[[phase.ingredient]]\nname = \"Lavender oil\"\n\
        inci = \"Lavandula Angustifolia Oil\"\npercent = 1\n";
    let seat = Seat::take();
    let served = Served::on(Scale::start, "", |person| {
        fs::create_dir_all(person.path(FORMULAS)).unwrap();
        person.file(&format!("{FORMULAS}/scent.toml"), SCENTED);
        person.file(&format!("{FORMULAS}/substances.toml"), LIST);
        let logs = person.path(LOGS);
        fs::create_dir_all(&logs).unwrap();
        let begun = Begun {
            formula: SCENTED,
            label: "Dune scent",
            size: Mass::from_g(100),
            jars: None,
            at: "2026-03-01T09:00:00Z",
        };
        let rows = [
            weighed(1, "Sea salt", "S-1", 99_000),
            weighed(2, "Lavender oil", "LAV-2", 1_000),
            closed(),
        ];
        begun.written(&logs, "scent-1", &rows);
    });
    let address = format!("http://127.0.0.1:{}/#{}", served.port, served.key);
    let mut screen = Screen::at(seat, &address);
    screen.until("idle", |seen| seen["view"] == "idle");
    screen.tell(&json!(["go", "#/label/scent-1"]));
    let seen = screen.reads("NOT COMPLETE: what fragrance allergens are in Lavandula");
    // Each thing is said once.
    let inside = seen["inside"].as_str().unwrap();
    assert_eq!(
        inside.matches("what fragrance allergens").count(),
        1,
        "{inside}"
    );
    // What else it lacks is written down: it is not called complete for that.
    screen.write("What it is", "bath soak");
    screen.write("Keeps, months", "18");
    screen.press("Write them into the formula");
    screen.reads("Names and label texts from");
    screen.write("Who answers for it", "Saltmarsh Bench, 1 Quay Row");
    screen.press("Write it down");
    screen.reads("lacks: net contents.");
    screen.write("Grams in one package", "95\n");
    let seen = screen.reads("is not to be relied on: its ingredients are not complete");
    assert!(
        !has(&seen, "inside", "Nothing that bismar knows"),
        "{seen:#}"
    );
    screen.pictures("room-label-incomplete");
    screen.press("Suppliers’ papers");
    screen.reads("Rose wax");
    screen.write(
        "Ingredient, by its INCI name or as the formulas name it",
        "Lavandula Angustifolia Oil",
    );
    screen.write("What is in it", "Linalool");
    screen.press("Write it down");
    screen.until("refused", |seen| {
        seen["said"].to_string().contains("has no percent")
    });
    screen.write("What is in it", "Linalool 38\nLinalyl Acetate: 31.5 %");
    screen.write("At most where it stays on the skin, %", "1.5");
    screen.write("Where that is written", "the sheet of March");
    // A press within a moment of the last one is the same.
    std::thread::sleep(Duration::from_secs(1));
    screen.press("Write it down");
    screen.reads("Lavandula Angustifolia Oil: Linalool 38, Linalyl Acetate 31.5");
    // What one lot's certificate says instead.
    screen.write("Of one lot alone", "LAV-2");
    screen.write("What is in it", "Linalool 31");
    std::thread::sleep(Duration::from_secs(1));
    screen.press("Write it down");
    screen.reads("Lavandula Angustifolia Oil, lot LAV-2: Linalool 31");
    screen.pictures("room-papers");
    let list =
        fs::read_to_string(served.person.path(&format!("{FORMULAS}/substances.toml"))).unwrap();
    let expected = format!(
        "{LIST}\n[[substance]]\ninci = \"Lavandula Angustifolia Oil\"\nleave_on = 1.5\nsource = \"the sheet of March\"\n\
         constituents = {{ \"Linalool\" = 38, \"Linalyl Acetate\" = 31.5 }}\n\n[[substance.lot]]\nlot = \"LAV-2\"\n\
         constituents = {{ \"Linalool\" = 31 }}\n"
    );
    assert_eq!(list, expected);
    // 31 % of 1.00 g in 100 g, by hand.
    screen.tell(&json!(["go", "#/label/scent-1"]));
    let seen = screen.reads("Linalool");
    assert!(has(&seen, "inside", "0.3100"), "{seen:#}");
    assert!(!has(&seen, "inside", "NOT COMPLETE"), "{seen:#}");
}

/// A name that bismar does not know is no verdict on the page either.
#[test]
fn a_name_that_is_not_known_is_no_verdict_on_the_page() {
    let seat = Seat::take();
    let served = Served::on(Scale::start, "", |person| {
        made(person);
        let begun = Begun {
            formula: &SOAK
                .replace("inci = \"Maris Sal\"", "")
                .replace("Sea salt", "Dünenzeug"),
            label: "Dune <b>soak</b>",
            size: Mass::from_g(120),
            jars: None,
            at: "2026-03-04T09:00:00Z",
        };
        let rows = [
            weighed(1, "Dünenzeug", "S-1", 117_600),
            weighed(2, "Dune oil", "oil-1", 2_400),
            closed(),
        ];
        begun.written(&person.path(LOGS), "soak-3", &rows);
    });
    let mut screen = at(&served, seat);
    screen.press("Batches");
    screen.press("soak-3");
    screen.press("Label");
    let seen = screen.reads("whether fragrance allergens are in Dünenzeug is not known");
    for words in [
        "not known, as the first line says",
        "no INCI name of Dünenzeug",
    ] {
        assert!(has(&seen, "inside", words), "{words}: {seen:#}");
    }
    assert!(!has(&seen, "inside", "by what is known."), "{seen:#}");
    screen.pictures("room-label-not-known");
    no_faults(&mut screen);
}

/// A lot that was forgotten is named in the record, of a batch that is over and of one under way; and all that tells of it
/// follows.
#[test]
fn a_lot_that_was_forgotten_is_named_in_the_record() {
    const BEAKER: f64 = 102.45;
    let seat = Seat::take();
    let served = Served::on(Scale::start, "", |person: &Person| {
        let old = "[[lot]]\nname = \"F-old\"\ningredient = \"Sunflower oil\"\namount = \"1 kg\"\n\
                   best_before = 2026-02-01\n";
        person.file(&format!("{CONFIG}/lots.toml"), &format!("{LOTS}{old}"));
        let begun = Begun {
            formula: OIL,
            label: "Dune oil",
            size: Mass::from_g(30),
            jars: None,
            at: "2026-03-01T09:00:00Z",
        };
        let rows = [weighed(1, "Sunflower oil", "", 30_000), closed()];
        begun.written(&person.path(LOGS), "oil-1", &rows);
    });
    let mut screen = at(&served, seat);
    screen.tell(&json!(["go", "#/batches/oil-1"]));
    screen.reads("no lot named");
    screen.press("Name its lot");
    screen.reads("Lot of Sunflower oil, 30.00 g");
    screen.reads("None is named yet.");
    screen.pictures("late-lot");
    let says = |screen: &mut Screen, words: &str| {
        screen.until(words, |seen| seen["said"].to_string().contains(words));
    };
    screen.press("F-old");
    says(&mut screen, "lot F-old was best before");
    screen.write("Why it is taken all the same", "smelt good");
    screen.press("Take this lot");
    says(&mut screen, "Noted: lot F-old was best before");
    screen.press("Record of the batch");
    screen.reads("lot F-old");
    screen.reads("taken all the same: smelt good");
    screen.press("Another lot");
    screen.reads("Named: F-old");
    screen.press("F-1");
    says(
        &mut screen,
        "Lot F-1 for step 1, Sunflower oil, of batch oil-1; its record is corrected.",
    );
    // A second touch at once is the same touch of a glove.
    std::thread::sleep(Duration::from_secs(1));
    screen.press("F-1");
    says(&mut screen, "is of lot F-1 already");
    screen.press("Record of the batch");
    screen.press("Its lots, and where it went");
    let seen = screen.reads("step 1 of oil-1");
    assert!(has(&seen, "inside", "F-1"), "{seen:#}");
    // What was booked off the wrong one is there again.
    screen.tell(&json!(["go", "#/lots"]));
    let seen = screen.reads("970.00");
    assert!(has(&seen, "inside", "1000.00"), "{seen:#}");

    // The same in a batch under way, of a step before the one that waits.
    served.person.begins();
    screen.press("Bench");
    screen.until("the bench", |seen| has(seen, "say", "Place"));
    weigh(
        &mut screen,
        &served.pan,
        BEAKER,
        |_| 60.02,
        |seen| has(seen, "ingredient", "Epsom salt"),
    );
    let log = logs_in(&served.person.path(LOGS)).swap_remove(0);
    let batch = log.file_stem().unwrap().to_str().unwrap();
    screen.tell(&json!(["go", format!("#/batches/{batch}")]));
    screen.press("Name its lot");
    screen.press("S-1");
    says(
        &mut screen,
        "Lot S-1 for step 1, Sea salt; its record is corrected.",
    );
    let report = bismar::journal::read::verify::verify(&log).unwrap();
    assert!(report.is_ok(), "{}", report.told());
    no_faults(&mut screen);
    served.person.run(&["stop"]).ended(0);
}
