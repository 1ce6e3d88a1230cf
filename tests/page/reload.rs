//! SIGHUP under an open page: what it lists and writes afterwards lies where the new configuration says, and
//! what belongs to the running batch stays until that is closed.

use std::path::Path;
use std::time::Duration;

use bismar::mass::Mass;
use rustix::process::{Pid, Signal, kill_process};
use serde_json::{Value, json};

use crate::bench_side::logs::{Begun, LOGS, cells, closed};
use crate::bench_side::scale::Scale;
use crate::bench_side::script::Seat;
use crate::bench_side::served::{FORMULA, Served};
use crate::rooms::{Screen, has};

const FORMULAS: &str = "home/.local/share/bismar/formulas";

/// A batch of the past, in `folder`.
fn batch(folder: &Path, name: &str) {
    std::fs::create_dir_all(folder).unwrap();
    let begun = Begun {
        formula: FORMULA,
        label: "Marram soak 1",
        size: Mass::from_g(100),
        jars: None,
        at: "2026-04-01T08:00:00Z",
    };
    begun.written(folder, name, &[closed()]);
}

impl Served {
    /// Has the daemon read its configuration with `keys` at the top, and `scale` in the scale's part.
    fn reloads(&self, keys: &str, scale: &str) {
        let text = std::fs::read_to_string(self.person.config_file()).unwrap();
        let (_, rest) = text.split_once("[[scale]]").unwrap();
        self.person
            .configures(&format!("{keys}[[scale]]\n{scale}{rest}"));
        kill_process(Pid::from_child(&self.daemon.child), Signal::HUP).unwrap();
    }

    fn told(&self, path: &str, cookie: &str) -> Value {
        let answer = self.get(path, cookie);
        assert_eq!(answer.status, 200, "{path}: {answer:?}");
        serde_json::from_str(&answer.body).unwrap()
    }

    /// The names of the page's list at `path`.
    fn list(&self, path: &str, list: &str, key: &str, cookie: &str) -> Vec<String> {
        let told = self.told(path, cookie);
        let all = told[list].as_array().unwrap().iter();
        all.map(|one| one[key].as_str().unwrap().to_owned())
            .collect()
    }

    fn batches(&self, cookie: &str) -> Vec<String> {
        self.list("/batches", "batches", "batch", cookie)
    }

    fn formulas(&self, cookie: &str) -> Vec<String> {
        self.list("/formulas", "formulas", "file", cookie)
    }

    fn says(&self, words: &str) {
        self.daemon.until(|| {
            let said = self.person.run(&["status", "--json"]).ended(0).out;
            said.contains(words)
        });
    }
}

fn bench() -> Served {
    Served::with("", |person| {
        person.file(&format!("{FORMULAS}/old.toml"), FORMULA);
        person.file("formulas/new.toml", FORMULA);
        batch(&person.path(LOGS), "past-one");
        batch(&person.path("logs"), "moved-one");
    })
}

#[test]
fn lists_and_scale_checks_follow_folders_that_alone_have_changed() {
    let served = bench();
    let cookie = served.enter();
    assert_eq!(served.formulas(&cookie), ["old.toml"]);
    assert_eq!(served.batches(&cookie), ["past-one"]);
    assert_eq!(served.told("/scales", &cookie)["daily"], false);

    let (logs, formulas) = (served.person.path("logs"), served.person.path("formulas"));
    let keys = format!(
        "log_dir = {:?}\nformula_dir = {:?}\ndaily_scale_check = true\n",
        logs.display().to_string(),
        formulas.display().to_string()
    );
    served.reloads(&keys, "");
    served
        .daemon
        .until(|| served.formulas(&cookie) == ["new.toml"]);
    assert_eq!(served.batches(&cookie), ["moved-one"]);
    let scales = served.told("/scales", &cookie);
    assert_eq!(
        (&scales["daily"], &scales["scales"][0]["today"]),
        (&json!(true), &Value::Null)
    );
    let plan = served.told("/plan?formula=new.toml&batch=100g", &cookie);
    assert_eq!(plan["unchecked"], json!(["bench"]), "{plan:#}");

    // Without a check of today no batch begins; the page's own check counts.
    let begin = r#"{"do":"begin","formula":"new.toml","batch":"100g"}"#;
    let refused = served.post("/do", &cookie, begin);
    assert!(refused.body.contains("no check of today"), "{refused:?}");
    let check = r#"{"scale":"bench","weight":"100g","class":"M1"}"#;
    let begun = served.post("/check", &cookie, check);
    assert_eq!(begun.status, 200, "{begun:?}");
    // The empty pan, the weight, the empty pan: each seen at rest.
    for grams in [0.0, 100.0, 0.0] {
        served.pan.put(grams);
        std::thread::sleep(Duration::from_secs(4));
    }
    served
        .daemon
        .until(|| served.told("/scales", &cookie)["scales"][0]["today"] == "inside");
    let checks = cells(&logs.join("scale-checks.csv"), "scale-check", "net_g");
    assert_eq!(checks, ["100.00"]);
    assert!(!served.person.path(LOGS).join("scale-checks.csv").exists());
    let begun = served.post("/do", &cookie, begin);
    assert!(begun.body.starts_with("{\"ok\":true"), "{begun:?}");
    assert_eq!(served.batches(&cookie).len(), 2);
}

/// The scales and the folder of the logs belong to the batch that is weighed: its log lies there.
#[test]
fn what_belongs_to_the_running_batch_waits_for_its_end() {
    let served = bench();
    let cookie = served.enter();
    served.person.begins();
    served.says("Place");
    let running = served.batches(&cookie);
    assert_eq!(running.len(), 2, "{running:?}");

    let keys = format!(
        "log_dir = {:?}\nformula_dir = {:?}\n",
        served.person.path("logs").display().to_string(),
        served.person.path("formulas").display().to_string()
    );
    served.reloads(&keys, "capacity = \"600 g\"\n");
    served
        .daemon
        .until(|| served.formulas(&cookie) == ["new.toml"]);
    assert_eq!(served.batches(&cookie), running);
    let scales = served.told("/scales", &cookie);
    assert_eq!(scales["scales"][0]["capacity"], Value::Null);
    assert_eq!(scales["scales"][0]["weights"][0], "1");
    let name = running.iter().find(|name| *name != "past-one").unwrap();
    let remedies = served.told(&format!("/remedies?batch={name}"), &cookie);
    assert_eq!(remedies["batch"], json!(name));

    served.person.run(&["stop"]).ended(0);
    served
        .daemon
        .until(|| served.batches(&cookie) == ["moved-one"]);
    let scales = served.told("/scales", &cookie);
    assert_eq!(scales["scales"][0]["capacity"], "600.00");
    // 5 to 100 % of it (USP <41>, accuracy; read in a reproduction).
    let weights = json!(["50", "100", "200", "500"]);
    assert_eq!(scales["scales"][0]["weights"], weights);
}

/// A bad configuration is told until it is mended, whatever the bench says meanwhile.
#[test]
fn a_bad_configuration_stands_on_the_page_until_it_is_read_well() {
    let seat = Seat::take();
    let served = Served::on(Scale::start, "", |person| {
        person.file(&format!("{FORMULAS}/soak.toml"), FORMULA);
    });
    let who = served.enter();
    let address = format!("http://127.0.0.1:{}/#{}", served.port, served.key);
    let mut screen = Screen::at(seat, &address);
    screen.until("idle", |seen| seen["view"] == "idle");
    let good = std::fs::read_to_string(served.person.config_file()).unwrap();
    let reload = || kill_process(Pid::from_child(&served.daemon.child), Signal::HUP).unwrap();
    served.person.configures(&format!("prot = 3\n{good}"));
    reload();
    let words = "The configuration stays as it was";
    screen.until("the fault", |seen| has(seen, "say", words));
    let begin = r#"{"do":"begin","formula":"soak.toml","batch":"100g"}"#;
    assert_eq!(served.post("/do", &who, begin).status, 200);
    // The next cue takes the place of the one that told it.
    let placing = |seen: &Value| has(seen, "say", "Place an empty beaker");
    let stands = |seen: &Value| has(seen, "trouble", words);
    screen.until("both", |seen| placing(seen) && stands(seen));
    screen.tell(&json!(["reload"]));
    screen.until("both anew", |seen| placing(seen) && stands(seen));
    screen.tell(&json!(["go", "#/lots"]));
    screen.until("in a room", stands);
    screen.press("Bench");
    served.person.configures(&good);
    reload();
    screen.until("mended", |seen| placing(seen) && seen["trouble"].is_null());
}

/// What the plan told is not told once more by the answer that the batch has begun; who read no plan is told.
#[test]
fn a_begun_batch_tells_nothing_that_its_plan_told() {
    let served = bench();
    let who = served.enter();
    let plan = served.told("/plan?formula=old.toml&jars=2&fill=50g", &who);
    let short = plan["short"]["say"].as_str().unwrap().to_owned();
    let mut begin = json!({ "do": "begin", "formula": "old.toml", "jars": 2, "fill": "50g" });
    for planned in [false, true] {
        if planned {
            begin["planned"] = plan["text"].clone();
        }
        let answer = served.post("/do", &who, &begin.to_string());
        assert_eq!(answer.status, 200, "{answer:?}");
        assert_eq!(answer.body.contains(&short), !planned, "{answer:?}");
        served.person.run(&["stop"]).ended(0);
        served.says("\"batch\":null");
    }
}
