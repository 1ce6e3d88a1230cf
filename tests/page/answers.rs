//! What the page asks for beside the live weight, attacked: the answers that are read from files and the
//! words that change something. Each attack is made on the real daemon.

use std::fmt::Write as _;
use std::path::Path;
use std::time::{Duration, Instant};

use bismar::mass::Mass;
use bismar::vocabulary::entry::Draft;
use rustix::fs::{CWD, FileType, Mode, mknodat};
use serde_json::json;

use crate::bench_side::logs::{self, Begun, LOGS, closed};
use crate::bench_side::served::{self, FORMULA, Served};
use crate::bench_side::{self, python};

const FORMULAS: &str = "home/.local/share/bismar/formulas";

const VIEWS: [&str; 15] = [
    "/formulas",
    "/plan?formula=soak.toml&batch=100g",
    "/store",
    "/remedies?batch=x",
    "/batches",
    "/record?batch=x",
    "/sheet?batch=x",
    "/chart?name=Sea%20salt",
    "/scales",
    "/ports",
    "/formula?file=soak.toml",
    "/formula-versions?file=soak.toml",
    "/formula-compare?file=soak.toml&was=x",
    "/formula-csv?file=soak.toml",
    "/formula-card?file=soak.toml&batch=100g",
];

const WORDS: [(&str, &str); 14] = [
    (
        "/do",
        r#"{"do":"begin","formula":"soak.toml","batch":"100g"}"#,
    ),
    ("/do", r#"{"do":"fill"}"#),
    ("/do", r#"{"do":"note","note":"hello"}"#),
    ("/do", r#"{"do":"remedy","way":"keep"}"#),
    ("/lots", r#"{"lot":"S-1","ingredient":"Sea salt"}"#),
    (
        "/check",
        r#"{"scale":"bench","weight":"100g","class":"M1"}"#,
    ),
    ("/check-end", "{}"),
    ("/find", r#"{"ports":["/dev/null"]}"#),
    ("/find-end", "{}"),
    ("/scale-add", r#"{"port":"/dev/null","name":"other"}"#),
    ("/scale-change", r#"{"scale":"bench","name":"other"}"#),
    ("/scale-remove", r#"{"scale":"bench"}"#),
    ("/vessel-weigh", r#"{"scale":"bench","name":"beaker"}"#),
    ("/vessel-remove", r#"{"vessel":"beaker"}"#),
];

/// A bench with a formula in its folder.
fn served() -> Served {
    Served::with("", |person| {
        std::fs::create_dir_all(person.path(FORMULAS)).unwrap();
        person.file(&format!("{FORMULAS}/soak.toml"), FORMULA);
    })
}

impl Served {
    /// Nothing was begun, written or checked.
    fn is_untouched(&self) {
        assert_eq!(self.step(), serde_json::Value::Null);
        let list = self.person.path("home/.config/bismar/lots.toml");
        assert!(!list.exists());
        let logs = std::fs::read_dir(self.person.path(LOGS));
        let names = logs.into_iter().flatten().flatten();
        let names: Vec<_> = names.map(|entry| entry.file_name()).collect();
        assert!(names.is_empty(), "{names:?}");
        let config = std::fs::read_to_string(self.person.config_file()).unwrap();
        assert!(
            config.starts_with("[[scale]]\nname = \"bench\"\n"),
            "{config}"
        );
        let said = self.daemon.log();
        assert!(!said.contains("panicked"), "{said}");
    }

    /// What the page may ask for without waiting for its turn among the changes.
    fn patient(&self, path: &str, cookie: &str, body: &str) -> served::Answer {
        let end = Instant::now() + bench_side::LONGEST;
        loop {
            let answer = self.post(path, cookie, body);
            if answer.status != 429 || Instant::now() > end {
                return answer;
            }
            std::thread::sleep(Duration::from_millis(200));
        }
    }
}

fn encoded(text: &str) -> String {
    text.bytes().fold(String::new(), |mut all, byte| {
        write!(all, "%{byte:02X}").unwrap();
        all
    })
}

#[test]
fn nothing_is_told_and_nothing_done_without_the_key() {
    let served = served();
    let wrong = "Cookie: bismar-{p}=00000000000000000000000000000000";
    for cookie in ["", wrong] {
        for path in VIEWS {
            let answer = served.get(path, cookie);
            assert_eq!(answer.status, 401, "{path}: {answer:?}");
            assert!(!answer.body.contains("bench"), "{path}: {answer:?}");
        }
        for (path, body) in WORDS {
            let answer = served.post(path, cookie, body);
            assert_eq!(answer.status, 401, "{path}: {answer:?}");
        }
    }
    served.is_untouched();
}

#[test]
fn another_site_s_page_gets_nothing_and_changes_nothing() {
    let served = served();
    let cookie = served.enter();
    let ours = "Origin: http://127.0.0.1:{p}";
    let json = "Content-Type: application/json";
    for (path, body) in WORDS {
        for (head, status) in [
            // A form and a script of another site, and of another port of this machine.
            (format!("Origin: http://evil.example\n{json}"), 403),
            (format!("Origin: http://127.0.0.1:1\n{json}"), 403),
            (format!("Origin: https://127.0.0.1:{{p}}\n{json}"), 403),
            (format!("Origin: null\n{json}"), 403),
            (json.to_owned(), 403),
            (format!("{ours}\nSec-Fetch-Site: same-site\n{json}"), 403),
            // What a form can send without being asked.
            (format!("{ours}\nContent-Type: text/plain"), 415),
            (
                format!("{ours}\nContent-Type: application/x-www-form-urlencoded"),
                415,
            ),
            (ours.to_owned(), 415),
        ] {
            let head = format!("POST {path} HTTP/1.1\nHost: 127.0.0.1:{{p}}\n{cookie}\n{head}");
            let answer = served.raw(&head, body);
            assert_eq!(answer.status, status, "{head}: {answer:?}");
        }
        for method in ["GET", "PUT", "DELETE", "OPTIONS"] {
            let head = format!("{method} {path} HTTP/1.1\nHost: 127.0.0.1:{{p}}\n{cookie}\n{ours}");
            let answer = served.raw(&format!("{head}\n{json}"), body);
            assert_eq!(answer.status, 405, "{head}: {answer:?}");
            assert!(!answer.head.contains("access-control"), "{answer:?}");
        }
    }
    for path in VIEWS {
        let other = format!("{cookie}\nSec-Fetch-Site: cross-site");
        let answer = served.get(path, &other);
        assert_eq!(answer.status, 403, "{path}: {answer:?}");
        let head = format!("GET {path} HTTP/1.1\nHost: evil.example:{{p}}\n{cookie}");
        assert_eq!(served.raw(&head, "").status, 421, "{path}");
        assert_eq!(served.post(path, &cookie, "{}").status, 405, "{path}");
    }
    served.is_untouched();
}

#[test]
fn no_file_is_reached_but_the_formulas_and_the_batches() {
    let outside = "outside-the-folder";
    let served = Served::with("", |person| {
        std::fs::create_dir_all(person.path(&format!("{FORMULAS}/deeper"))).unwrap();
        let other = FORMULA.replace("Marram soak", outside);
        person.file("home/.local/share/bismar/other.toml", &other);
        person.file("home/.local/share/bismar/other.csv", outside);
        person.file(&format!("{FORMULAS}/deeper/other.toml"), &other);
        person.file(&format!("{FORMULAS}/.hidden.toml"), &other);
        person.file(&format!("{FORMULAS}/other.txt"), &other);
        person.file(&format!("{FORMULAS}/soak.toml"), FORMULA);
        std::fs::create_dir(person.path(&format!("{FORMULAS}/folder.toml"))).unwrap();
        // Who opens one waits for a writer for ever.
        let pipe = person.path(&format!("{FORMULAS}/pipe.toml"));
        mknodat(CWD, &pipe, FileType::Fifo, Mode::RWXU, 0).unwrap();
        std::fs::create_dir_all(person.path(LOGS)).unwrap();
        let pipe = person.path(&format!("{LOGS}/pipe.csv"));
        mknodat(CWD, &pipe, FileType::Fifo, Mode::RWXU, 0).unwrap();
    });
    let cookie = served.enter();
    let absolute = served.person.path("home/.local/share/bismar/other.toml");
    let absolute = absolute.to_str().unwrap();
    for name in [
        "../other.toml",
        "deeper/../../other.toml",
        "deeper/other.toml",
        "..\\other.toml",
        ".hidden.toml",
        "other.txt",
        "soak.toml\0",
        "soak.toml/",
        "soak",
        "folder.toml",
        "pipe.toml",
        "",
        ".",
        "..",
        "/etc/passwd",
        absolute,
        &"x".repeat(3000),
    ] {
        let path = format!("/plan?formula={}&batch=100g", encoded(name));
        let answer = served.get(&path, &cookie);
        assert_eq!(answer.status, 422, "{name:?}: {answer:?}");
        assert!(!answer.body.contains(outside), "{name:?}: {answer:?}");
        let begin = serde_json::json!({"do": "begin", "formula": name, "batch": "100g"});
        let answer = served.patient("/do", &cookie, &begin.to_string());
        assert_eq!(answer.status, 422, "{name:?}: {answer:?}");
    }
    let listed = served.get("/formulas", &cookie);
    let said: serde_json::Value = serde_json::from_str(&listed.body).expect(&listed.body);
    assert!(!listed.body.contains(outside), "{said:#}");
    let soak = said["formulas"].as_array().unwrap().iter();
    let soak: Vec<_> = soak.filter(|one| one["error"].is_null()).collect();
    assert_eq!(soak.len(), 1, "{said:#}");
    for name in [
        "../other",
        "../other.csv",
        "/etc/passwd",
        "x\0",
        ".",
        "..",
        "",
        "pipe",
    ] {
        for view in ["record", "sheet", "remedies"] {
            let path = format!("/{view}?batch={}", encoded(name));
            let answer = served.get(&path, &cookie);
            assert_eq!(answer.status, 422, "{path}: {answer:?}");
            assert!(!answer.body.contains(outside), "{path}: {answer:?}");
            assert!(!answer.body.contains("root:"), "{path}: {answer:?}");
        }
    }
    // What waits for nobody is told of all the same.
    let batches = served.get("/batches", &cookie);
    assert_eq!(batches.status, 200, "{batches:?}");
    assert_eq!(served.step(), serde_json::Value::Null);
}

#[test]
fn questions_and_words_of_any_kind_are_answered_in_words() {
    let served = served();
    let cookie = served.enter();
    for question in [
        "/plan",
        "/plan?formula=soak.toml",
        "/plan?formula=soak.toml&batch=NaN",
        "/plan?formula=soak.toml&batch=-5g",
        "/plan?formula=soak.toml&batch=1e400kg",
        "/plan?formula=soak.toml&batch=99999999999999999999kg",
        "/plan?formula=soak.toml&batch=100",
        "/plan?formula=soak.toml&batch=100oz%00",
        "/plan?formula=soak.toml&jars=-1",
        "/plan?formula=soak.toml&jars=4294967296&fill=1kg",
        "/plan?formula=soak.toml&jars=4294967295&fill=99999999kg",
        "/plan?formula=soak.toml&jars=0&fill=100g",
        "/plan?formula=soak.toml&jars=2",
        "/plan?formula=soak.toml&batch=100g&jars=2&fill=50g",
        "/plan?formula=soak.toml&batch=100g&more=1",
        "/plan?formula=soak.toml&formula=soak.toml&batch=100g",
        "/plan?formula=%FF&batch=100g",
        "/plan?%",
        "/record",
        "/record?batch=%E2%80%AE",
        "/batches?skip=-1",
        "/batches?skip=x",
        "/chart?name=",
        "/chart?name=x&formula=maybe",
        "/chart",
    ] {
        let answer = served.get(question, &cookie);
        assert!(matches!(answer.status, 400 | 422), "{question}: {answer:?}");
        let said: serde_json::Value = serde_json::from_str(&answer.body).expect(question);
        assert_eq!(said["ok"], false, "{question}: {said}");
        assert!(said["error"].as_str().is_some_and(|why| why.len() > 10));
        assert!(!answer.body.contains('\u{202e}'), "{question}: {said}");
    }
    assert_eq!(
        served
            .get("/batches?skip=18446744073709551615", &cookie)
            .status,
        200
    );
    for (path, body) in [
        ("/do", r#"{"do":"begin","formula":"soak.toml"}"#),
        ("/do", r#"{"do":"begin","formula":7,"batch":"100g"}"#),
        (
            "/do",
            r#"{"do":"begin","formula":"soak.toml","batch":"1 stone"}"#,
        ),
        ("/do", r#"{"do":"fill","rule":"none"}"#),
        ("/do", r#"{"do":"fill","jars":1.5}"#),
        ("/do", r#"{"do":"remedy","way":"sideways"}"#),
        ("/do", r#"{"do":"residue","step":-1}"#),
        ("/lots", "{}"),
        ("/lots", "[]"),
        (
            "/lots",
            r#"{"lot":"1","ingredient":"Sea salt","amount":"a lot"}"#,
        ),
        (
            "/lots",
            r#"{"lot":"1","ingredient":"Sea salt","amount":"-1g"}"#,
        ),
        (
            "/lots",
            r#"{"lot":"1","ingredient":"Sea salt","opened":"2026-02-30"}"#,
        ),
        (
            "/lots",
            r#"{"lot":"1","ingredient":"Sea salt","price_per_kg":"-1"}"#,
        ),
        (
            "/lots",
            r#"{"lot":"1","ingredient":"Sea salt","colour":"red"}"#,
        ),
        (
            "/check",
            r#"{"scale":"other","weight":"100g","class":"M1"}"#,
        ),
        ("/check", r#"{"scale":"bench","weight":"100","class":"M1"}"#),
        (
            "/check",
            r#"{"scale":"bench","weight":"-100g","class":"M1"}"#,
        ),
        (
            "/check",
            r#"{"scale":"bench","weight":"1e300kg","class":"M1"}"#,
        ),
        (
            "/check",
            r#"{"scale":"bench","weight":"100g","class":"X9"}"#,
        ),
    ] {
        let answer = served.patient(path, &cookie, body);
        // What the daemon's loop refuses comes with 200, as its reply.
        assert!(
            matches!(answer.status, 200 | 400 | 422),
            "{body}: {answer:?}"
        );
        let said: serde_json::Value = serde_json::from_str(&answer.body).expect(body);
        assert_eq!(said["ok"], false, "{body}: {said}");
    }
    let long = format!(
        r#"{{"lot":"{}","ingredient":"Sea salt"}}"#,
        "x".repeat(100_000)
    );
    assert_eq!(served.patient("/lots", &cookie, &long).status, 413);
    served.is_untouched();
}

#[test]
fn the_list_of_lots_stays_whole_whatever_a_lot_is_called() {
    let served = served();
    let cookie = served.enter();
    let mut taken = Vec::new();
    for name in [
        "S-1",
        "a \"quoted\" one",
        "'''",
        "\"\"\"",
        "back\\slash",
        "two\nlines",
        "x\"\n[[lot]]\nname = \"forged\"\ningredient = \"Sea salt\"\n",
        "tab\there",
        "nul\0byte",
        "\u{202e}backwards",
        "\u{1b}[31mred",
        "<img src=x onerror=alert(1)>",
        "=1+1",
        "ßæ漢字",
        "",
        " ",
        &"long".repeat(300),
    ] {
        let lot = serde_json::json!({
            "lot": name, "ingredient": "Sea salt", "supplier": name, "amount": "1kg",
        });
        let answer = served.patient("/lots", &cookie, &lot.to_string());
        match answer.status {
            200 => taken.push(name.trim().to_owned()),
            400 | 422 => {}
            _ => panic!("{name:?}: {answer:?}"),
        }
    }
    assert!(
        taken.iter().any(|name| name == "a \"quoted\" one"),
        "{taken:?}"
    );
    // The first again is refused: a lot is named once.
    let again = r#"{"lot":"S-1","ingredient":"Sea salt"}"#;
    let again = served.patient("/lots", &cookie, again);
    assert_eq!(again.status, 422);
    assert!(again.body.contains("in the list already"), "{again:?}");
    let list = served.person.path("home/.config/bismar/lots.toml");
    let read = "import sys,tomllib,json; print(json.dumps(tomllib.load(open(sys.argv[1],'rb'))))";
    let parsed: serde_json::Value =
        serde_json::from_str(&python::asked(read, [&list], b"")).unwrap();
    let text = std::fs::read_to_string(&list).unwrap();
    let lots = parsed["lot"].as_array().unwrap();
    let names: Vec<_> = lots
        .iter()
        .map(|lot| lot["name"].as_str().unwrap())
        .collect();
    assert_eq!(names, taken, "{text}");
    let told = served.get("/store", &cookie);
    let told: serde_json::Value = serde_json::from_str(&told.body).unwrap();
    assert_eq!(told["lots"].as_array().unwrap().len(), taken.len());
    served.person.run(&["lots"]).ended(0);
}

/// A text that is refused stands in no file: its field is named, and no line that nobody could look up.
#[test]
fn what_was_not_written_is_refused_by_its_field() {
    let served = served();
    let cookie = served.enter();
    let lot = r#"{"lot":"S-1","ingredient":"Sea salt"}"#;
    assert_eq!(served.patient("/lots", &cookie, lot).status, 200);
    let long = "x".repeat(3_000);
    for (path, body, field) in [
        (
            "/lots",
            json!({"lot": "S-2", "ingredient": "Sea salt", "supplier": long}),
            "\"Supplier\" has 3000 characters",
        ),
        (
            "/lots",
            json!({"lot": "S\u{1b}2", "ingredient": "Sea salt"}),
            "\"Lot\" holds the control character",
        ),
        (
            "/lots",
            json!({"lot": "S-2", "ingredient": "Sea salt", "amount": "0g"}),
            "\"Amount\": \"0 g\" must be more than nothing",
        ),
        (
            "/lot-change",
            json!({"is": {"lot": "S-1", "ingredient": "Sea salt", "amount": "1kg"}, "remove": false,
                   "reason": long, "write": true}),
            "\"Why\" has 3000 characters",
        ),
        (
            "/papers",
            json!({"name": "Sea salt", "leave_on": "200"}),
            "At most where it stays on the skin",
        ),
        (
            "/papers",
            json!({"name": "Sea salt", "source": long}),
            "Where that is written",
        ),
        (
            "/formula-label",
            json!({"file": "soak.toml", "facts": {"function": long}}),
            "\"What it is\" has 3000 characters",
        ),
        (
            "/formula-label",
            json!({"file": "soak.toml", "facts": {"keeps_months": "5000"}}),
            "Keeps, months",
        ),
        (
            "/scale-change",
            json!({"scale": "bench", "capacity": "0.001g"}),
            "\"Smallest step\" is not smaller",
        ),
        ("/responsible", json!({"responsible": long}), "characters"),
    ] {
        let answer = served.patient(path, &cookie, &body.to_string());
        assert_eq!(answer.status, 422, "{path}: {answer:?}");
        let said: serde_json::Value = serde_json::from_str(&answer.body).unwrap();
        let said = said["error"].as_str().unwrap();
        assert!(said.contains(field), "{field}: {said}");
        assert!(!said.contains(".toml"), "{field}: {said}");
    }
}

/// What the terminal is told with a command the page is told with its own room.
#[test]
fn a_batch_that_begins_points_to_the_page_s_own_rooms() {
    let served = Served::with("", |person| {
        let text = std::fs::read_to_string(person.config_file()).unwrap();
        person.configures(&text.replace("readability = \"0.01 g\"", "readability = \"1 g\""));
        person.file(&format!("{FORMULAS}/soak.toml"), FORMULA);
    });
    let cookie = served.enter();
    let begin = r#"{"do":"begin","formula":"soak.toml","batch":"100g"}"#;
    let said = served.patient("/do", &cookie, begin).body;
    let told: serde_json::Value = serde_json::from_str(&said).unwrap();
    let note = told["notes"][0].as_str().unwrap();
    assert!(
        note.contains("its plan under “New batch” tells what would help"),
        "{note}"
    );
    assert!(
        !said.contains("bismar check") && said.contains("its plan"),
        "{said}"
    );
    served.person.run(&["stop"]).ended(0);
    let said = served.person.begins();
    assert!(
        format!("{said:?}").contains("`bismar check` with the same formula"),
        "{said:?}"
    );
    served.person.run(&["stop"]).ended(0);
    // A refusal that would name an option.
    let fill = r#"{"do":"fill","fill":"50g","rule":"hb133"}"#;
    let said = served.patient("/do", &cookie, fill).body;
    assert!(
        said.contains("give it (“Allowable variation of one package”)"),
        "{said}"
    );
}

/// Two lots that differ by the case of a letter are two, and she hears of it, when it is added and in the list.
#[test]
fn a_lot_that_looks_like_another_is_taken_and_told() {
    let served = served();
    let cookie = served.enter();
    let add = |name: &str| {
        let lot = json!({"lot": name, "ingredient": "Sea salt"});
        let answer = served.patient("/lots", &cookie, &lot.to_string());
        assert_eq!(answer.status, 200, "{answer:?}");
        let told: serde_json::Value = serde_json::from_str(&answer.body).unwrap();
        told["say"].as_str().unwrap().to_owned()
    };
    assert_eq!(add("L-1"), "Lot L-1 of Sea salt is in the list.");
    let alike = "lots.toml:6:1: the lot \"l-1\" looks like \"L-1\" in line 2 and is another one";
    assert!(add("l-1").contains(alike));
    assert_eq!(add("L-2"), "Lot L-2 of Sea salt is in the list.");
    let told = served.get("/store", &cookie);
    let told: serde_json::Value = serde_json::from_str(&told.body).unwrap();
    assert_eq!(told["alike"].as_array().unwrap().len(), 1, "{told:#}");
    assert!(
        told["alike"][0].as_str().unwrap().contains(alike),
        "{told:#}"
    );
}

#[test]
fn lots_that_are_added_at_once_are_all_in_the_list() {
    let served = served();
    let cookie = served.enter();
    let added = std::thread::scope(|scope| {
        let add = |i: usize| {
            let (served, cookie) = (&served, &cookie);
            scope.spawn(move || {
                // Half of them fight for the same name: one gets it.
                let name = if i.is_multiple_of(2) { i } else { 1 };
                let body = format!(r#"{{"lot":"S-{name}","ingredient":"Sea salt"}}"#);
                served.patient("/lots", cookie, &body).status == 200
            })
        };
        let all: Vec<_> = (0..16).map(add).collect();
        let each = all.into_iter().map(|one| one.join().unwrap());
        each.collect::<Vec<_>>()
    });
    assert_eq!(
        added.iter().filter(|added| **added).count(),
        8 + 1,
        "{added:?}"
    );
    let shown = served.person.run(&["lots"]).ended(0).out;
    for i in [0, 1, 2, 4, 14] {
        assert!(shown.contains(&format!("S-{i}")), "{shown}");
    }
}

#[test]
fn a_batch_has_the_scale_and_a_check_waits() {
    let served = served();
    let cookie = served.enter();
    let check = r#"{"scale":"bench","weight":"100g","class":"M1"}"#;
    let begun = served.patient("/check", &cookie, check);
    assert_eq!(begun.status, 200, "{begun:?}");
    assert!(begun.body.contains("take everything off"), "{begun:?}");
    let begin = r#"{"do":"begin","formula":"soak.toml","batch":"100g"}"#;
    let batch = served.patient("/do", &cookie, begin);
    assert!(batch.body.contains("\"ok\":true"), "{batch:?}");
    assert_eq!(served.step(), 1);
    let refused = served.patient("/check", &cookie, check);
    assert_eq!(refused.status, 400, "{refused:?}");
    assert!(
        refused.body.contains("a batch is being weighed"),
        "{refused:?}"
    );
    // A second batch is not begun over the first.
    let second = served.patient("/do", &cookie, begin);
    assert!(second.body.contains("\"ok\":false"), "{second:?}");
}

/// The plan that she read is the one that is weighed.
#[test]
fn a_formula_that_an_editor_changed_after_its_plan_is_not_begun() {
    let served = served();
    let cookie = served.enter();
    let plan = || {
        let plan = served.get("/plan?formula=soak.toml&batch=100g", &cookie);
        let plan: serde_json::Value = serde_json::from_str(&plan.body).unwrap();
        let begin = serde_json::json!({
            "do": "begin", "formula": "soak.toml", "batch": "100g", "planned": plan["text"],
        });
        begin.to_string()
    };
    let old = plan();
    let path = served
        .person
        .path("home/.local/share/bismar/formulas/soak.toml");
    let text = std::fs::read_to_string(&path).unwrap();
    std::fs::write(&path, text.replace("percent = 60", "percent = 59")).unwrap();
    let refused = served.patient("/do", &cookie, &old);
    assert_eq!(refused.status, 422, "{refused:?}");
    assert!(refused.body.contains("show the plan again"), "{refused:?}");
    served.is_untouched();
    let begun = served.patient("/do", &cookie, &plan());
    assert!(begun.body.contains("\"ok\":true"), "{begun:?}");
    assert_eq!(served.step(), 1);
}

#[test]
fn the_sheet_may_do_nothing_in_the_browser() {
    let served = served();
    let cookie = served.enter();
    let begin = r#"{"do":"begin","formula":"soak.toml","batch":"100g"}"#;
    let begun = served.patient("/do", &cookie, begin);
    assert!(begun.body.contains("\"ok\":true"), "{begun:?}");
    let batches = served.get("/batches", &cookie);
    let batches: serde_json::Value = serde_json::from_str(&batches.body).unwrap();
    let name = batches["batches"][0]["batch"].as_str().unwrap();
    let sheet = served.get(&format!("/sheet?batch={name}"), &cookie);
    assert_eq!(sheet.status, 200, "{sheet:?}");
    // The page knows the configuration, so its sheets have the budget.
    let budget = "By the configuration on the day of printing";
    assert!(sheet.body.contains(budget), "{sheet:?}");
    let policy = sheet
        .head
        .lines()
        .filter(|line| line.starts_with("content-security-policy"));
    let policy: Vec<_> = policy.collect();
    assert_eq!(policy.len(), 1, "{policy:?}");
    for word in [
        "default-src 'none'",
        "form-action 'none'",
        "frame-ancestors 'none'",
        "; sandbox",
    ] {
        assert!(policy[0].contains(word), "{policy:?}");
    }
    assert!(!policy[0].contains("script-src"), "{policy:?}");
    assert!(
        sheet.head.contains("cache-control: no-store"),
        "{}",
        sheet.head
    );
    served.person.run(&["stop"]).ended(0);
}

/// A log of one weight as the daemon writes it, begun in the given hour.
fn weighed(folder: &Path, name: &str, hour: i64) {
    let weighed = Draft {
        vessel: "beaker".into(),
        ..logs::weighed(1, "Sea salt", "", 60_000)
    };
    let begun = Begun {
        formula: FORMULA,
        label: "Marram soak",
        size: Mass::from_g(100),
        jars: None,
        at: &format!("2026-09-01T{hour:02}:00:00Z"),
    };
    begun.written(folder, name, &[weighed, closed()]);
}

/// A copy that was put back has a new file time; jars go into the batch that was weighed last.
#[test]
fn the_last_batch_is_the_one_that_was_begun_last() {
    let served = Served::with("", |person| {
        let logs = person.path(LOGS);
        std::fs::create_dir_all(&logs).unwrap();
        for (name, hour) in [("second", 2), ("third", 3), ("first", 1)] {
            weighed(&logs, name, hour);
            std::thread::sleep(Duration::from_millis(20));
        }
    });
    let cookie = served.enter();
    let told = served.get("/batches", &cookie);
    let told: serde_json::Value = serde_json::from_str(&told.body).unwrap();
    let names = told["batches"].as_array().unwrap().iter();
    let names: Vec<_> = names.map(|one| one["batch"].as_str().unwrap()).collect();
    assert_eq!(names, ["third", "second", "first"]);
    // A formula without a version: the last word of its name is none, and its chart is of no other.
    let record = served.get("/record?batch=third", &cookie);
    let record: serde_json::Value = serde_json::from_str(&record.body).unwrap();
    assert_eq!(record["bare"], "Marram soak");
    let filling = served.patient("/do", &cookie, r#"{"do":"fill","fill":"20g"}"#);
    assert!(filling.body.contains("batch third"), "{filling:?}");
}

/// A word that was said about another step, or another batch, is not taken for this one.
#[test]
fn a_word_counts_for_the_step_that_the_page_showed() {
    let served = served();
    let cookie = served.enter();
    let begin = r#"{"do":"begin","formula":"soak.toml","batch":"100g"}"#;
    served.patient("/do", &cookie, begin);
    assert_eq!(served.step(), 1);
    let status = served.get("/status", &cookie);
    let status: serde_json::Value = serde_json::from_str(&status.body).unwrap();
    let batch = &status["batch"];
    let lot = |about: serde_json::Value| {
        let word = serde_json::json!({"do": "lot", "lot": "S-9", "about": about});
        served.patient("/do", &cookie, &word.to_string())
    };
    for other in [
        serde_json::json!({"batch": batch, "step": 2}),
        serde_json::json!({"batch": batch, "step": null}),
        serde_json::json!({"batch": "another", "step": 1}),
        serde_json::json!({"batch": null, "step": 1}),
    ] {
        let answer = lot(other.clone());
        assert!(answer.body.contains("\"ok\":false"), "{other}: {answer:?}");
        assert!(answer.body.contains("has gone on"), "{other}: {answer:?}");
    }
    for broken in [serde_json::json!(1), serde_json::json!({"step": -1})] {
        assert_eq!(lot(broken).status, 400);
    }
    let named = || {
        let status = served.get("/status", &cookie);
        let status: serde_json::Value = serde_json::from_str(&status.body).unwrap();
        status["status"]["lot"].clone()
    };
    assert_eq!(named(), serde_json::Value::Null);
    let answer = lot(serde_json::json!({"batch": batch, "step": 1}));
    assert!(answer.body.contains("\"ok\":true"), "{answer:?}");
    assert_eq!(named(), "S-9");
}
