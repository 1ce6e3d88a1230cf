//! Formulas written on the page: by hand from an empty folder to a begun batch, out of a spreadsheet's cells, a new
//! version beside its batches; and each thing that can go wrong with a file that two have open.

use std::fs;
use std::os::unix::fs::PermissionsExt as _;

use bismar::formula::form::Fields;
use bismar::formula::{Formula, examples};
use serde_json::{Value, json};

use crate::bench_side::person::Person;
use crate::bench_side::scale::Scale;
use crate::bench_side::script::Seat;
use crate::bench_side::served::{Answer, FORMULA, Served};
use crate::rooms::{Screen, has};

const FORMULAS: &str = "home/.local/share/bismar/formulas";

fn text(person: &Person, file: &str) -> String {
    fs::read_to_string(person.path(FORMULAS).join(file)).unwrap()
}

fn parsed(person: &Person, file: &str) -> Formula {
    Formula::parse(&text(person, file), file).unwrap()
}

fn at(served: &Served<Scale>, seat: Seat) -> Screen {
    let address = format!("http://127.0.0.1:{}/#{}", served.port, served.key);
    let mut screen = Screen::at(seat, &address);
    screen.until("idle", |seen| seen["view"] == "idle");
    screen
}

#[test]
fn a_formula_is_typed_in_by_hand_from_an_empty_folder_to_a_begun_batch() {
    let seat = Seat::take();
    let served = Served::on(Scale::start, "", |_| {});
    let mut screen = at(&served, seat);
    screen.press("Formulas");
    screen.reads("There is no formula yet");
    screen.pictures("room-formulas-none");
    screen.press("New formula");
    screen.write("Name of the formula", "Hand soak");
    screen.write("Ingredient 1", "Sea salt");
    screen.write("Percent of 1", "80");
    screen.reads("80 %: 20 is missing to 100");
    screen.reads("from 79.23 to 80.77 g on scale");
    screen.press("Add an ingredient to phase 1");
    screen.write("Ingredient 2", "Lavender oil");
    screen.write("Percent of 2", "19,5 %");
    screen.reads("99.5 %: 0.5 is missing to 100");
    screen.press("Save");
    screen.reads("0.5 is missing to 100. Raise one or more");
    // Nothing was written.
    assert!(!served.person.path(FORMULAS).exists());
    screen.write("Percent of 1", "80.5");
    screen.press("More of 2");
    screen.write("Tolerance of 2, percent", "0.01");
    // Red before the save, with what would help.
    let seen = screen.reads("this scale cannot prove it");
    assert!(
        has(&seen, "inside", "To prove it: make a larger batch"),
        "{seen:#}"
    );
    screen.write("At most, percent of the batch, 2", "10");
    screen.reads("above its greatest share of 10 %");
    screen.pictures("room-formula-faults");
    screen.write("At most, percent of the batch, 2", "20");
    screen.write("Tolerance of 2, percent", "2");
    screen.until("mended", |seen| {
        !has(seen, "inside", "cannot prove") && !has(seen, "inside", "greatest share")
    });
    // What is typed outlives a reload.
    screen.tell(&json!(["reload"]));
    screen.reads("Not saved yet");
    screen.write("What is done after phase 1", "Stir until even");
    screen.press("Save");
    screen.reads("Hand soak, version 1 is saved.");
    let formula = parsed(&served.person, "hand-soak.toml");
    let shares: Vec<String> = formula.shares().iter().map(|p| p.text()).collect();
    assert_eq!(shares, ["80.5", "19.5"]);
    screen.pictures("room-formula");
    screen.press("Card to print");
    let tab = screen.tell(&json!(["tab"]));
    assert!(
        has(&tab, "tab", "Hand soak") && has(&tab, "tab", "For a batch of 100.00 g"),
        "{tab:#}"
    );
    let table = screen.keeps("Table (CSV)", "hand-soak.csv");
    for cell in ["Sea salt", "80.5", "Lavender oil", "19.5"] {
        assert!(table.contains(cell), "{cell}: {table}");
    }
    screen.press("New batch of it");
    screen.write("Jars", "4");
    screen.write("Grams in a jar", "50");
    screen.press("Show the plan");
    screen.reads("Begin this batch");
    screen.press("Begin this batch");
    screen.until("the bench", |seen| {
        has(seen, "say", "Place an empty beaker")
    });
    // In the middle of the batch, whose log has the text that it began with, it may be changed.
    screen.press("Formulas");
    screen.press("Hand soak");
    screen.write("Percent of 1", "81");
    screen.write("Percent of 2", "19");
    screen.press("Save");
    screen.reads("Hand soak, version 2 is saved. Batches of version 1 keep its text.");
    screen.press("Versions and their batches");
    screen.press("Compare them");
    let seen = screen.reads("80.5 %");
    assert!(has(&seen, "inside", "81 %"), "{seen:#}");
    screen.pictures("room-formula-versions");
    assert_eq!(parsed(&served.person, "hand-soak.toml").version, "2");
    // The browser's own word for what was refused above.
    let console = screen.tell(&json!(["console"]));
    let said = console["console"].as_array().unwrap();
    let refused = |one: &&Value| {
        one.as_str()
            .is_some_and(|text| text.contains("status of 422"))
    };
    assert_eq!(said.iter().filter(refused).count(), 1, "{console:#}");
    assert_eq!(said.len(), 1, "{console:#}");
}

#[test]
fn a_spreadsheets_cells_become_a_formula_and_the_examples_come_by_one_key() {
    let seat = Seat::take();
    let served = Served::on(Scale::start, "", |_| {});
    let mut screen = at(&served, seat);
    screen.press("Formulas");
    screen.press("Start from the examples");
    screen.reads("First soak");
    for (name, example) in examples::ALL {
        assert_eq!(text(&served.person, name), example);
    }
    screen.press("From a spreadsheet");
    let cells = "Amount (g)\tINCI\tShelf\tRaw material\n240,00\tMaris Sal\tA1\tSea salt\n\
                 57,5\t\"Avena Sativa\nKernel Flour\"\tA2\tOat flour\n2,50\t\t\tLavender oil\n300,00\t\t\tTotal\n";
    screen.tell(&json!(["paste", "Cells", cells]));
    screen.press("Look at it");
    let seen = screen.reads("300 g in all");
    for told in [
        "Commas are decimal commas",
        "\"Shelf\" is not used",
        "it is the sum",
        "rounded",
    ] {
        assert!(has(&seen, "inside", told), "{told}: {seen:#}");
    }
    screen.pictures("room-spreadsheet");
    screen.press("Take it over into the form");
    screen.write("Name of the formula", "Pasted soak");
    screen.press("Save");
    screen.reads("Pasted soak, version 1 is saved");
    let formula = parsed(&served.person, "pasted-soak.toml");
    let shares: Vec<String> = formula.shares().iter().map(|p| p.text()).collect();
    // 240, 57.5 and 2.5 of 300, by hand.
    assert_eq!(shares, ["80", "19.1667", "0.8333"]);
    let inci: Vec<_> = formula.ingredients().map(|one| one.inci.clone()).collect();
    assert_eq!(inci[1].as_deref(), Some("Avena Sativa Kernel Flour"));
    // Two of them are a premix by one key, pressed twice.
    screen.press("Formulas");
    screen.press("Tideline bath salts");
    screen.press("Remove phase 1");
    screen.press("Make it a premix");
    std::thread::sleep(std::time::Duration::from_secs(1));
    screen.press("Press again: make a new formula of this phase");
    screen.reads("Tideline bath salts oil phase, version 1 is saved");
    let blend = parsed(&served.person, "tideline-bath-salts-oil-phase.toml");
    // 4.0 and 1.5 of 5.5, by hand.
    let shares: Vec<String> = blend.shares().iter().map(|p| p.text()).collect();
    assert_eq!(shares, ["72.727272727", "27.272727273"]);
    screen.reads("5.5 %, 5.50 g");
    // Many and long columns are read on a phone as well, without a way to the side.
    screen.press("Formulas");
    screen.press("From a spreadsheet");
    let wide = "Amount (g);Raw material;Supplier;Where it comes from;Certificate\n\
                240,00;Sea salt;A supplier with a long name;the coast;EU-2031-0000123456\n60;Oat flour;;;\n";
    screen.tell(&json!(["paste", "Cells", wide]));
    screen.press("Look at it");
    screen.reads("\"Certificate\" is not used");
    screen.pictures("room-spreadsheet-wide");
    let console = screen.tell(&json!(["console"]));
    assert_eq!(console["console"], json!([]), "{console:#}");
}

/// The examples are offered in the page's language, and are the maker's own text from then on.
#[test]
fn the_examples_come_in_the_language_of_who_asks() {
    for (language, soak, salt, premix) in [
        (
            "de",
            "Erstes Bad",
            "Grobes Meersalz",
            "Salzwiesen-Duftmischung",
        ),
        (
            "fr",
            "Premier bain",
            "Gros sel de mer",
            "Mélange parfumé Prés salés",
        ),
    ] {
        let served = Served::with("", |person: &Person| {
            let file = std::fs::read_to_string(person.config_file()).unwrap();
            person.configures(&format!("language = \"{language}\"\n{file}"));
        });
        let who = served.enter();
        let told = asked(&served.post("/formula-examples", &who, "{}"));
        assert_eq!(told["ok"], true, "{told:#}");
        let formula = parsed(&served.person, "first-soak.toml");
        let first = formula.ingredients().next().unwrap();
        assert_eq!((&*formula.name, &*first.name), (soak, salt));
        assert!(text(&served.person, "first-soak.toml").starts_with("# First soak"));
        // What is made of them reads in one language.
        let plan = served.get("/plan?formula=tideline-bath-salts.toml&batch=440g", &who);
        for english in ["Dry phase", "Tip the dry", "Coarse", "Fine dust"] {
            assert!(!plan.body.contains(english), "{english}: {plan:?}");
        }
        let premixes = parsed(&served.person, "tideline-bath-salts.toml");
        let premixes: Vec<_> = premixes
            .ingredients()
            .filter_map(|one| one.premix.clone())
            .collect();
        assert_eq!(premixes, [premix]);
    }
}

fn asked(answer: &Answer) -> Value {
    serde_json::from_str(&answer.body).unwrap_or_else(|_| panic!("{answer:?}"))
}

fn opened(served: &Served, who: &str) -> Value {
    asked(&served.get("/formula?file=soak.toml", who))
}

fn saved(served: &Served, who: &str, opened: &Value, change: impl Fn(&mut Fields)) -> Value {
    let mut fields: Fields = serde_json::from_value(opened["fields"].clone()).unwrap();
    change(&mut fields);
    let body = json!({ "file": "soak.toml", "base": opened["base"], "fields": fields });
    asked(&served.post("/formula-save", who, &body.to_string()))
}

fn bench() -> Served {
    Served::with("", |person| {
        fs::create_dir_all(person.path(FORMULAS)).unwrap();
        person.file(
            &format!("{FORMULAS}/soak.toml"),
            &format!("# mine\n{FORMULA}"),
        );
    })
}

#[test]
fn of_two_who_write_the_second_overwrites_nothing_and_a_version_with_batches_stays() {
    let served = bench();
    let who = served.enter();
    let (one, other) = (opened(&served, &who), opened(&served, &who));
    let told = saved(&served, &who, &one, |fields| {
        fields.phases[0].ingredients[0].inci = "Maris Sal".into()
    });
    assert_eq!(told["ok"], true, "{told}");
    // No batch was made of it.
    assert_eq!(told["fields"]["version"], "1");
    let after = text(&served.person, "soak.toml");
    assert!(after.starts_with("# mine\n"), "{after}");
    let told = saved(&served, &who, &other, |fields| fields.name = "Other".into());
    assert_eq!(told["changed"], true, "{told}");
    assert_eq!(text(&served.person, "soak.toml"), after);
    // Nor does an editor's change go under.
    let mine = opened(&served, &who);
    fs::write(
        served.person.path(FORMULAS).join("soak.toml"),
        format!("{after}# by hand\n"),
    )
    .unwrap();
    let told = saved(&served, &who, &mine, |fields| fields.notes = "x".into());
    assert_eq!(told["changed"], true, "{told}");

    let begin = r#"{"do":"begin","formula":"soak.toml","batch":"100g"}"#;
    assert_eq!(served.post("/do", &who, begin).status, 200);
    let mine = opened(&served, &who);
    // What changes nothing raises nothing.
    let told = saved(&served, &who, &mine, |_| {});
    assert_eq!(told["fields"]["version"], "1", "{told}");
    let told = saved(&served, &who, &mine, |fields| {
        fields.notes = "Gently.".into()
    });
    assert_eq!(told["fields"]["version"], "2", "{told}");
    assert!(
        told["say"]
            .as_str()
            .unwrap()
            .contains("Batches of version 1 keep its text"),
        "{told}"
    );
    let versions = asked(&served.get("/formula-versions?file=soak.toml", &who));
    assert_eq!(versions["versions"][0]["version"], "1", "{versions}");
    let batch = versions["versions"][0]["batch"].as_str().unwrap();
    let found = asked(&served.get(
        &format!("/formula-compare?file=soak.toml&was={batch}"),
        &who,
    ));
    assert_eq!(
        found["differences"],
        json!([{"what": "Notes", "was": "", "is": "Gently."}])
    );
    // Back to a number that batches have: another text under it would be two formulas in one.
    let mine = opened(&served, &who);
    let told = saved(&served, &who, &mine, |fields| fields.version = "1".into());
    assert_eq!(told["faults"][0]["at"], "version", "{told}");
    // Another file's name is no new formula's.
    let mut fields: Fields = serde_json::from_value(mine["fields"].clone()).unwrap();
    fields = fields.of_no_file();
    let body = json!({ "fields": fields }).to_string();
    let told = asked(&served.post("/formula-save", &who, &body));
    assert_eq!(told["faults"][0]["at"], "name", "{told}");
    fields.name = "Soak".into();
    let body = json!({ "fields": fields }).to_string();
    let told = asked(&served.post("/formula-save", &who, &body));
    assert_eq!(told["file"], "soak-2.toml", "{told}");
    // A copy takes along what no field shows.
    let label = "\n# from the papers\n[label]\nfunction = \"soak\"\n";
    let labelled = format!("{}{label}", FORMULA.replace("Marram soak", "Labelled soak"));
    served
        .person
        .file(&format!("{FORMULAS}/labelled.toml"), &labelled);
    fields.name = "Copied soak".into();
    let body = json!({ "like": "labelled.toml", "fields": fields }).to_string();
    let told = asked(&served.post("/formula-save", &who, &body));
    assert_eq!(told["file"], "copied-soak.toml", "{told}");
    assert!(text(&served.person, "copied-soak.toml").ends_with(label));
}

#[test]
fn what_a_plan_says_on_the_page_names_no_key_of_a_file() {
    let served = bench();
    let who = served.enter();
    assert_eq!(served.post("/formula-examples", &who, "{}").status, 200);
    for (file, _) in examples::ALL {
        let plan = served.get(&format!("/plan?formula={file}&jars=3&fill=60g"), &who);
        assert_eq!(plan.status, 200, "{file}: {plan:?}");
        for key in ["vessel =", "leave_on", "rinse_off", "limits =", "{ g"] {
            assert!(!plan.body.contains(key), "{file} {key}: {}", plan.body);
        }
    }
}

#[test]
fn what_cannot_be_written_says_why_and_strangers_write_nothing() {
    let served = bench();
    let who = served.enter();
    let folder = served.person.path(FORMULAS);
    let before = text(&served.person, "soak.toml");
    let mine = opened(&served, &who);
    let body =
        json!({ "file": "soak.toml", "base": mine["base"], "fields": mine["fields"] }).to_string();
    for path in [
        "/formula-check",
        "/formula-save",
        "/formula-premix",
        "/formula-sheet",
        "/formula-examples",
    ] {
        assert_eq!(served.post(path, "", &body).status, 401, "{path}");
        let foreign = format!("{who}\nSec-Fetch-Site: cross-site");
        assert_ne!(served.post(path, &foreign, &body).status, 200, "{path}");
        assert_eq!(served.post(path, &who, "{").status, 400, "{path}");
        assert_eq!(
            served.post(path, &who, r#"{"other":1}"#).status,
            400,
            "{path}"
        );
        let long = format!("{{\"text\":\"{}\"}}", "x".repeat(300_000));
        assert!(
            [413, 0].contains(&served.post(path, &who, &long).status),
            "{path}"
        );
        std::thread::sleep(std::time::Duration::from_secs(1));
    }
    for path in [
        "/formula",
        "/formula-versions",
        "/formula-csv",
        "/formula-card",
    ] {
        assert_eq!(
            served.get(&format!("{path}?file=soak.toml"), "").status,
            401,
            "{path}"
        );
        for file in ["..%2Fsoak.toml", "%2Fetc%2Fpasswd", ".toml", "no.toml"] {
            assert_eq!(
                served.get(&format!("{path}?file={file}"), &who).status,
                422,
                "{path} {file}"
            );
        }
    }
    // A name of a file that leads elsewhere is none.
    let escaping =
        json!({ "file": "../soak.toml", "base": "", "fields": mine["fields"] }).to_string();
    assert_eq!(served.post("/formula-save", &who, &escaping).status, 422);
    std::thread::sleep(std::time::Duration::from_secs(3));
    // What its maker has write-protected stays.
    let file = folder.join("soak.toml");
    fs::set_permissions(&file, fs::Permissions::from_mode(0o400)).unwrap();
    let told = saved(&served, &who, &mine, |fields| fields.notes = "x".into());
    assert!(
        told["error"].as_str().unwrap().contains("write-protected"),
        "{told}"
    );
    assert_eq!(text(&served.person, "soak.toml"), before);
    // A file that no form can change part by part is left alone.
    let inline =
        "[formula]\nname = \"Inline\"\n[[phase]]\ningredient = [{ name = \"B\", percent = 100 }]\n";
    fs::write(folder.join("inline.toml"), inline).unwrap();
    let opened = asked(&served.get("/formula?file=inline.toml", &who));
    let mut fields: Fields = serde_json::from_value(opened["fields"].clone()).unwrap();
    fields.phases[0].ingredients[0].name = "C".into();
    let body =
        json!({ "file": "inline.toml", "base": opened["base"], "fields": fields }).to_string();
    let told = asked(&served.post("/formula-save", &who, &body));
    assert!(
        told["error"].as_str().unwrap().contains("text editor"),
        "{told}"
    );
    assert_eq!(
        fs::read_to_string(folder.join("inline.toml")).unwrap(),
        inline
    );
    // No half file is left anywhere.
    let names: Vec<_> = fs::read_dir(&folder)
        .unwrap()
        .map(|one| one.unwrap().file_name())
        .collect();
    assert_eq!(names.len(), 2, "{names:?}");
}
