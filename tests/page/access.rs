//! Whether everybody can use the bench page: WCAG 2.2, levels A and AA, by axe-core in a real Chromium, in
//! every state of the page, both colours and two sizes, while a batch is weighed. What a tool cannot tell is
//! looked at beside it: the keyboard, the mark of the focus, the accessibility tree, what is read aloud, the
//! pixels behind the letters, a narrow screen, large letters. The reader (tests/page/access.py) measures;
//! what must hold stands here, with its success criterion.

use std::time::{Duration, Instant};

use bismar::vocabulary::cue::CueKind;
use serde_json::{Value, json};

use crate::after::made;
use crate::bench_side;
use crate::bench_side::VESSEL;
use crate::bench_side::rig::Rig;
use crate::bench_side::scale::{Line, Scale};
use crate::bench_side::script::{Script, Seat};
use crate::bench_side::served::Served;
use crate::languages::ROOMS;

/// A mix, a lot that is needed, and a limit that an over-pour breaks: all that the page can ask.
const FORMULA: &str = r#"
[formula]
name = "Marram soak"
version = 1
[[phase]]
name = "Dry"
mix = "Stir until even"
[[phase.ingredient]]
name = "Sea salt"
balance = true
tolerance = { percent = 2.0 }
limits = { max = 62 }
[[phase.ingredient]]
name = "Epsom salt"
percent = 30
tolerance = { percent = 2.0 }
[[phase]]
name = "Scent"
[[phase.ingredient]]
name = "Oat flour"
percent = 10
tolerance = { percent = 2.0 }
lot_required = true
"#;

const LOTS: &str = r#"
[[lot]]
name = "S-12"
ingredient = "Sea salt"
amount = "5 kg"
best_before = 2020-12-31
[[lot]]
name = "O-3"
ingredient = "Oat flour"
amount = "900 g"
"#;

/// What was read aloud last.
const READ: &str = "document.getElementById('polite').textContent + document.getElementById('assertive').textContent";

const PHONE: (u32, u32) = (390, 844);
const DESK: (u32, u32) = (1366, 768);

/// The browser; it does one thing after the other.
struct Page(Script);

impl Page {
    fn start(seat: Seat) -> Page {
        Page(Script::start(seat, "access.py", &[]))
    }

    #[track_caller]
    fn does(&mut self, what: Value) -> Value {
        self.0.does(&what)
    }

    #[track_caller]
    fn waits(&mut self, until: &str) {
        self.does(json!({"do": "wait", "until": until}));
    }

    #[track_caller]
    fn says(&mut self, words: &str) {
        self.waits(&said(words));
    }

    #[track_caller]
    fn room(&mut self, hash: &str, until: &str) {
        self.does(json!({"do": "room", "hash": hash, "until": until}));
    }

    #[track_caller]
    fn press(&mut self, keys: &[&str]) {
        self.does(json!({"do": "press", "keys": keys}));
    }

    #[track_caller]
    fn tab_to(&mut self, name: &str) {
        self.does(json!({"do": "tab-to", "name": name}));
    }

    /// Answers a question by the keyboard; again where it changed in the moment before.
    #[track_caller]
    fn chooses(&mut self, name: &str, key: &str, then: &str) {
        let early = "document.getElementById('answer').textContent.includes('press again')";
        self.tab_to(name);
        for _ in 0..5 {
            self.press(&[key]);
            self.waits(&format!("{then} || {early}"));
            if self.does(json!({"do": "read", "what": early}))["is"] == false {
                return;
            }
            std::thread::sleep(Duration::from_secs(1));
        }
        panic!("{name} is never taken");
    }

    #[track_caller]
    fn reads(&mut self, what: &str) -> String {
        let told = self.does(json!({"do": "read", "what": what}));
        told["is"].as_str().unwrap_or_default().to_owned()
    }

    fn ends(&mut self) -> Vec<Value> {
        self.0.no_more();
        self.0.answer()["log"].as_array().unwrap().clone()
    }
}

fn list<'a>(of: &'a Value, key: &str) -> &'a Vec<Value> {
    of[key].as_array().unwrap_or_else(|| panic!("{key}: {of}"))
}

fn text<'a>(of: &'a Value, key: &str) -> &'a str {
    of[key].as_str().unwrap_or_default()
}

fn number(of: &Value, key: &str) -> f64 {
    of[key].as_f64().unwrap_or_else(|| panic!("{key}: {of}"))
}

/// JavaScript: the page's sentence has `words` in it.
fn said(words: &str) -> String {
    format!(
        "document.getElementById('say').textContent.replace(/([0-9])\\u00a0(?=[a-z%])/g, '$1 ').includes({})",
        json!(words)
    )
}

/// All that is wrong with a state, as lines for a person.
#[derive(Default)]
struct Findings {
    wrong: Vec<String>,
    states: usize,
    texts: usize,
    stops: usize,
    /// The least contrast of letters and of shapes.
    least: [Option<(f64, String)>; 2],
}

impl Findings {
    fn look(&mut self, page: &mut Page, state: &str) {
        self.looked(page, state, false);
    }

    /// With the contrast of every text by its pixels.
    fn look_closely(&mut self, page: &mut Page, state: &str) -> Value {
        self.looked(page, state, true)
    }

    fn looked(&mut self, page: &mut Page, state: &str, pixels: bool) -> Value {
        let told = page.does(json!({"do": "look", "pixels": pixels}));
        self.states += 1;
        self.texts += list(&told, "contrast").len();
        for (least, key) in self.least.iter_mut().zip(["contrast", "shapes"]) {
            for one in list(&told, key) {
                let ratio = number(one, "ratio");
                if least.as_ref().is_none_or(|(known, _)| ratio < *known) {
                    *least = Some((ratio, format!("{state}: {one}")));
                }
            }
        }
        println!(
            "{state}: {} rules held, {} controls in the tree, {} s",
            list(&told, "rules").len(),
            told["controls"],
            told["took"]
        );
        for one in list(&told, "incomplete") {
            println!("{state}: the tool cannot tell: {one}");
        }
        self.keep(state, wrongs(&told));
        told
    }

    /// Told at once, and held against the page at the end.
    fn keep(&mut self, state: &str, wrong: impl Iterator<Item = String>) {
        for wrong in wrong {
            println!("{state}: WRONG: {wrong}");
            self.wrong.push(format!("{state}: {wrong}"));
        }
    }

    fn walk(&mut self, page: &mut Page, state: &str, (wide, high): (u32, u32)) {
        let told = page.does(json!({"do": "walk", "wide": wide, "high": high}));
        let stops = list(&told, "stops").len();
        self.stops += stops;
        let state = format!("{state} {wide}x{high}");
        println!("{state}: {stops} stops of the keyboard, {} s", told["took"]);
        self.keep(&state, wrongs_of_walk(&told));
    }
}

fn wrongs(told: &Value) -> impl Iterator<Item = String> + use<> {
    let mut wrong = Vec::new();
    for one in list(told, "violations") {
        if one["standard"] == true {
            wrong.push(format!("violation {one}"));
        } else {
            println!("good practice, not asked for: {one}");
        }
    }
    // SC 1.4.3 asks for 4.5:1, and 3:1 for large letters (18 pt, or 14 pt in bold); read from 2 m, these
    // have what SC 1.4.6 (AAA) asks for.
    for one in list(told, "contrast") {
        let least = if one["big"] == true { 4.5 } else { 7.0 };
        if number(one, "ratio") < least {
            wrong.push(format!("contrast of letters {one}"));
        }
    }
    // SC 1.4.11.
    for one in list(told, "shapes") {
        if number(one, "ratio") < 3.0 {
            wrong.push(format!("contrast of a shape {one}"));
        }
    }
    // SC 2.5.8 asks for 24 CSS pixels, SC 2.5.5 (AAA) for 44; gloves need these.
    for one in list(told, "small") {
        wrong.push(format!("small target {one}"));
    }
    // SC 1.4.10 and 1.4.4.
    for one in list(told, "muddle") {
        wrong.push(format!("in a muddle {one}"));
    }
    // SC 4.1.2.
    for one in list(told, "unnamed") {
        wrong.push(format!("no name in the tree: {one}"));
    }
    wrong.into_iter()
}

fn wrongs_of_walk(told: &Value) -> impl Iterator<Item = String> + use<> {
    let mut wrong = Vec::new();
    for one in list(told, "stops") {
        // SC 2.4.7, with the size and the contrast of SC 2.4.13 (AAA): a line around it of two pixels, 3:1.
        if number(one, "mark") < 2.0 || number(one, "contrast") < 3.0 {
            wrong.push(format!("no mark of the focus {one}"));
        }
        // SC 2.4.11 asks that it is not wholly covered.
        if number(one, "open") < 0.5 {
            wrong.push(format!("focused and covered {one}"));
        }
    }
    // SC 2.1.1.
    for one in list(told, "missed") {
        wrong.push(format!("the keyboard never comes to {one}"));
    }
    // SC 2.4.3 and 1.3.2.
    for one in list(told, "order") {
        wrong.push(format!("order: {one}"));
    }
    wrong.into_iter()
}

/// Each check finds what it is there to find.
fn checks_can_fail(page: &mut Page) {
    page.room("#/lots", "document.querySelector('#room-inside summary')");
    page.does(json!({"do": "spoil"}));
    let told = page.does(json!({"do": "look", "all": false}));
    for (id, place) in [
        ("color-contrast", "#pale"),
        ("button-name", "#nameless"),
        ("target-size", "#tiny"),
    ] {
        let found = list(&told, "violations");
        assert!(
            found
                .iter()
                .any(|one| text(one, "id") == id && text(one, "where") == place),
            "{id} at {place}: {found:#?}"
        );
    }
    // What the tool leaves open is measured.
    let unsure = list(&told, "incomplete");
    assert!(
        unsure.iter().any(|one| text(one, "where") == "#pictured"),
        "{unsure:#?}"
    );
    let wrong: Vec<String> = wrongs(&told).collect();
    let walked = page.does(json!({"do": "walk", "wide": 390, "high": 844}));
    let walked: Vec<String> = wrongs_of_walk(&walked).collect();
    for (words, place) in [
        ("contrast of letters", "pictured"),
        ("small target", "tiny"),
        ("in a muddle", "wider than the screen"),
        ("in a muddle", "words that lie | over others"),
        ("no name in the tree", "button"),
        ("no mark of the focus", "no mark"),
        ("focused and covered", "under the rooms"),
        ("order", "out of order"),
    ] {
        let mut all = wrong.iter().chain(&walked);
        assert!(
            all.any(|one| one.contains(words) && one.contains(place)),
            "{words}, {place}: {wrong:#?} {walked:#?}"
        );
    }
    page.does(json!({"do": "mend"}));
}

#[test]
fn everybody_can_use_the_page() {
    let seat = Seat::take();
    let port = bench_side::free_port();
    let mut rig = Rig::begun(
        FORMULA,
        |person, config| {
            person.file("home/.config/bismar/lots.toml", LOTS);
            person.file("home/.local/share/bismar/formulas/soak.toml", FORMULA);
            format!("{config}[page]\non = true\nport = {port}\n")
        },
        |_| {},
    );
    let address = rig.person.run(&["page"]).ended(0).out;
    let (address, key) = address.trim().split_once('#').unwrap();
    let mut page = Page::start(seat);
    let mut found = Findings::default();

    // The door.
    page.does(json!({"do": "go-to", "address": address}));
    page.waits("document.body.dataset.view === 'door'");
    found.look_closely(&mut page, "door");
    found.walk(&mut page, "door", PHONE);
    page.does(json!({"do": "enter", "key": "wrong"}));
    page.waits("document.getElementById('door-said').textContent");
    found.look(&mut page, "door, the key was wrong");
    page.does(json!({"do": "go-to", "address": address}));
    page.waits("document.body.dataset.view === 'door'");
    page.does(json!({"do": "enter", "key": key}));
    page.says("Place an empty beaker");
    checks_can_fail(&mut page);

    // A batch.
    page.room("#/", "document.getElementById('say').offsetParent");
    found.look_closely(&mut page, "place");
    page.room("#/begin", "document.querySelector('.picks a')");
    found.look(&mut page, "begin in a batch");
    page.room("#/answers", "document.querySelector('.picks button')");
    found.look_closely(&mut page, "answers");
    found.walk(&mut page, "answers", PHONE);
    page.room("#/", "document.getElementById('say').offsetParent");

    // A pour, its number live: what is read aloud, what moves.
    // What the page has to read from before is read before it is listened to.
    page.waits(&format!("({READ}).includes('Place an empty beaker')"));
    rig.said.clear();
    page.does(json!({"do": "listen"}));
    page.does(json!({"do": "watch", "motion": "no-preference"}));
    rig.until(|rig| rig.hand.on_pan && rig.hand.holds >= 15.0);
    rig.idle(0.5);
    let moved = page.does(json!({"do": "watched"}));
    page.does(json!({"do": "watch", "motion": "reduce"}));
    rig.until(|rig| rig.hand.holds >= 35.0);
    rig.idle(1.0);
    let stilled = page.does(json!({"do": "watched"}));
    read_all_cues(&mut page, &mut rig);
    let heard = page.does(json!({"do": "heard"}));
    judge_motion(&moved, &stilled);
    judge_speech(&heard, &rig.said);
    let told = found.look_closely(&mut page, "adding");
    // SC 1.1.1: the numbers in the picture are told to those who do not see it.
    let window = page.reads("document.getElementById('t-gate').textContent");
    let numbers: Vec<&str> = window
        .split_whitespace()
        .filter(|word| word.contains('.'))
        .collect();
    assert_eq!(numbers.len(), 2, "{window}");
    for number in numbers {
        let pictures = list(&told, "pictures");
        assert!(
            pictures
                .iter()
                .any(|name| name.to_string().contains(number)),
            "{pictures:?}"
        );
    }
    found.walk(&mut page, "adding", PHONE);
    found.walk(&mut page, "adding", DESK);

    // Into a room and back by the keyboard alone.
    page.tab_to("#more");
    page.press(&["ENTER"]);
    found.look_closely(&mut page, "rooms in a batch");
    page.tab_to("a \"Lots\"");
    page.press(&["ENTER"]);
    page.waits("document.body.dataset.room === 'lots' && document.querySelector('summary')");
    assert_eq!(
        page.reads("access.name(document.activeElement)"),
        "#room-title"
    );
    found.look_closely(&mut page, "lots in a batch");
    page.tab_to("Bench");
    page.press(&["ENTER"]);
    page.waits("document.body.dataset.room === ''");
    assert_eq!(
        page.reads("access.name(document.activeElement)"),
        "#ingredient"
    );

    // Too much, and it is kept, by the keyboard.
    for _ in 0..10 {
        rig.hand.pour_blindly(&rig.scale, 3.0);
        rig.idle(0.06);
    }
    page.says("g to take out");
    found.look_closely(&mut page, "over-poured");
    found.walk(&mut page, "over-poured", PHONE);
    page.chooses("Keep", "SPACE", &said("Recorded 66.00 g"));
    found.look_closely(&mut page, "recorded");

    // The scale is unplugged in the next pour.
    rig.pour_of_step_2();
    rig.scale.set(Line::Unplugged);
    page.waits("document.querySelector('#now.urgent') && document.body.dataset.pour === 'no'");
    rig.idle(0.5);
    // What is urgent interrupts what is being read aloud.
    page.waits(
        "document.getElementById('assertive').textContent === document.getElementById('say').textContent",
    );
    found.look_closely(&mut page, "fault");
    page.room("#/batches", "document.querySelector('.picks a')");
    found.look(&mut page, "a room while there is a fault");
    page.room("#/", "document.getElementById('say').offsetParent");
    rig.scale.set(Line::Good);

    rig.until(|rig| {
        rig.last
            .as_ref()
            .is_some_and(|cue| cue.kind == CueKind::Mix)
    });
    page.says("Stir until even");
    found.look(&mut page, "mixing");
    page.chooses("Next", "ENTER", &said("Place an empty beaker"));

    // The lot that the step waits for.
    page.waits("document.getElementById('to-lot').offsetParent");
    found.look(&mut page, "a lot is needed");
    page.tab_to("#to-lot");
    page.press(&["ENTER"]);
    page.waits("document.body.dataset.room === 'lots' && document.querySelector('.picks button')");
    found.look_closely(&mut page, "the lot of a step");
    found.walk(&mut page, "the lot of a step", DESK);
    page.tab_to("Another lot");
    page.does(json!({"do": "write", "text": "O-3"}));
    page.tab_to("Take this lot");
    page.press(&["SPACE"]);
    page.waits("document.querySelector('.said').textContent === 'Named: O-3'");
    page.room("#/", "document.getElementById('say').offsetParent");

    // A limit is broken: the batch waits for a word.
    rig.until(|rig| {
        rig.last
            .as_ref()
            .is_some_and(|cue| cue.kind == CueKind::Choose)
    });
    rig.hand.rest();
    page.says("A remedy may mend it");
    // The lot of the last step goes a moment after the question comes.
    page.waits("!document.getElementById('lot').offsetParent");
    page.waits("document.getElementById('to-remedies').offsetParent");
    found.look_closely(&mut page, "decision");
    page.tab_to("#to-remedies");
    page.press(&["ENTER"]);
    page.waits("document.body.dataset.room === 'remedies' && document.querySelector('.way')");
    found.look(&mut page, "remedies in a batch");
    found.walk(&mut page, "remedies in a batch", DESK);
    page.room("#/", "document.getElementById('say').offsetParent");
    page.tab_to("#stop");
    page.press(&["SPACE"]);
    found.look(&mut page, "stop, asked for once");
    page.chooses("Next", "SPACE", "document.body.dataset.view === 'idle'");
    found.look(&mut page, "done");

    // No batch.
    page.does(json!({"do": "go-to", "address": address}));
    page.says("No batch is under way");
    found.look_closely(&mut page, "idle");
    found.walk(&mut page, "idle", PHONE);
    page.room("#/begin", "document.querySelector('.picks a')");
    found.look(&mut page, "begin");
    page.tab_to("Marram soak");
    page.press(&["ENTER"]);
    page.waits("document.querySelector('#room-inside form')");
    page.tab_to("Jars");
    page.does(json!({"do": "write", "text": "2"}));
    page.tab_to("Grams in a jar");
    page.does(json!({"do": "write", "text": "50"}));
    page.press(&["ENTER"]);
    page.waits("document.querySelector('#plan .key.main')");
    found.look_closely(&mut page, "plan");
    found.walk(&mut page, "plan", PHONE);
    found.walk(&mut page, "plan", DESK);
    page.room("#/formulas", "document.querySelector('.picks a')");
    found.look(&mut page, "formulas");
    page.tab_to("Marram soak");
    page.press(&["ENTER"]);
    page.waits("document.querySelector('#formulas-room .window')");
    found.look_closely(&mut page, "formula");
    page.tab_to("More of 1");
    page.press(&["SPACE"]);
    page.waits("document.querySelector('#formulas-room details[open]')");
    page.tab_to("At most, percent of the batch, 1");
    page.does(json!({"do": "write", "text": "5"}));
    page.waits("document.querySelector('[aria-invalid]')");
    found.look_closely(&mut page, "formula with a fault");
    found.walk(&mut page, "formula with a fault", PHONE);
    found.walk(&mut page, "formula with a fault", DESK);
    page.room(
        "#/formulas/%3Dtable",
        "document.querySelector('#formulas-room textarea')",
    );
    page.tab_to("Cells");
    page.does(json!({"do": "write", "text": "Ingredient;Share\nSalt;30\nOil;20"}));
    page.tab_to("Look at it");
    page.press(&["ENTER"]);
    page.waits("document.querySelector('#formulas-room table')");
    found.look_closely(&mut page, "spreadsheet");
    found.walk(&mut page, "spreadsheet", PHONE);
    page.room("#/lots", "document.querySelector('#room-inside summary')");
    page.tab_to("Add a lot");
    page.press(&["SPACE"]);
    page.waits("document.querySelector('details[open]')");
    found.look_closely(&mut page, "lots");
    found.walk(&mut page, "lots", PHONE);
    page.room("#/batches", "document.querySelector('.picks a')");
    found.look(&mut page, "batches");
    let batch = page.reads("document.querySelector('.picks a').hash");
    page.room(&batch, "document.querySelector('#room-inside table')");
    found.look_closely(&mut page, "record");
    found.walk(&mut page, "record", DESK);
    page.room(
        &batch.replace("batches", "remedies"),
        "document.querySelector('.way')",
    );
    found.look_closely(&mut page, "remedies");
    page.room("#/fill", "document.querySelector('#room-inside .key.main')");
    found.look_closely(&mut page, "fill");
    page.room("#/scales", "document.querySelector('#room-inside select')");
    found.look_closely(&mut page, "scales");
    found.walk(&mut page, "scales", PHONE);
    // Another scale is looked for and heard.
    let second = rig.person.path("second");
    let _second = Scale::start(second.clone());
    page.tab_to("Find the scale");
    page.press(&["SPACE"]);
    page.tab_to("Another port");
    page.press(&["SPACE"]);
    page.tab_to("Port");
    page.does(json!({"do": "write", "text": second.to_str().unwrap()}));
    page.tab_to("Listen there");
    page.press(&["ENTER"]);
    page.waits("document.querySelector('#heard .key.main')");
    found.look_closely(&mut page, "a scale is found");
    found.walk(&mut page, "a scale is found", PHONE);
    found.walk(&mut page, "a scale is found", DESK);
    page.tab_to("Stop listening");
    page.press(&["ENTER"]);
    page.waits("!document.querySelector('#heard .key.main')");
    page.tab_to("Change bench");
    page.press(&["SPACE"]);
    page.waits("document.querySelector('.way details[open]')");
    found.look(&mut page, "a scale is changed");
    page.room("#/tablet", "document.querySelector('#room-inside .key')");
    page.tab_to("Show a code");
    page.press(&["ENTER"]);
    page.waits("document.querySelector('#room-inside .wrong')");
    found.look_closely(&mut page, "tablet");
    found.walk(&mut page, "tablet", PHONE);

    // The daemon is killed in a batch.
    rig.person.begins();
    page.room("#/", "document.getElementById('say').offsetParent");
    page.says("Place an empty beaker");
    rig.daemon.child.kill().unwrap();
    page.says("has lost bismar");
    found.look_closely(&mut page, "lost");

    println!(
        "{} states, {} texts by their pixels, {} stops of the keyboard; least contrast {:#?}",
        found.states, found.texts, found.stops, found.least
    );
    let log = page.ends();
    let policy = log
        .iter()
        .filter(|line| line.to_string().contains("Security Policy"));
    assert_eq!(policy.count(), 0, "{log:#?}");
    assert!(found.wrong.is_empty(), "{}", found.wrong.join("\n"));
}

/// What follows a batch: each room in both sizes and colours, by the keyboard, its letters by their pixels.
/// The rooms and a weighing in the other languages, whose words are longer: the tool, the contrasts, the tree, what lies
/// over what.
#[test]
fn everybody_can_use_the_page_in_another_language() {
    // The words by which a state of the weighing is known, and its number is read aloud.
    for (tag, add, out, lift) in [
        ("de", "g zugeben", "g herausnehmen", "Heb den Becher ab"),
        ("fr", "g à ajouter", "g à retirer", "Retirez le bécher"),
    ] {
        let seat = Seat::take();
        let served = Served::on(Scale::start, "", |person| {
            let file = std::fs::read_to_string(person.config_file()).unwrap();
            person.configures(&format!("language = \"{tag}\"\n{file}"));
            made(person);
        });
        let mut page = Page::start(seat);
        let mut found = Findings::default();
        let address = format!("http://127.0.0.1:{}/", served.port);
        page.does(json!({"do": "go-to", "address": address}));
        page.waits("document.body.dataset.view === 'door'");
        found.look(&mut page, &format!("{tag} door"));
        page.does(json!({"do": "enter", "key": served.key}));
        page.waits("document.body.dataset.view === 'idle'");
        found.look(&mut page, &format!("{tag} idle"));
        for (state, hash) in ROOMS {
            page.room(
                hash,
                "document.getElementById('room-inside').children.length",
            );
            found.look(&mut page, &format!("{tag} {state}"));
        }
        page.room("#/", "document.getElementById('say').offsetParent");
        served.person.begins();
        page.waits("document.body.dataset.view !== 'idle'");
        found.look(&mut page, &format!("{tag} placing"));
        served.pan.put(VESSEL);
        page.says(add);
        found.look(&mut page, &format!("{tag} adding"));
        served.pan.put(VESSEL + 62.0);
        page.says(out);
        found.look(&mut page, &format!("{tag} over-poured"));
        served.pan.put(VESSEL + 60.0);
        page.says(lift);
        found.look(&mut page, &format!("{tag} recorded"));
        assert!(found.wrong.is_empty(), "{}", found.wrong.join("\n"));
    }
}

#[test]
fn everybody_can_use_what_follows_a_batch() {
    let seat = Seat::take();
    let served = Served::on(Scale::start, "", made);
    let mut page = Page::start(seat);
    let mut found = Findings::default();
    let address = format!("http://127.0.0.1:{}/", served.port);
    page.does(json!({"do": "go-to", "address": address}));
    page.waits("document.body.dataset.view === 'door'");
    page.does(json!({"do": "enter", "key": served.key}));
    page.waits("document.body.dataset.view === 'idle'");
    let lot = "#/lots/%5B%22S-1%22%2C%22Sea%20salt%22%5D";
    for (state, hash, until) in [
        (
            "label",
            "#/label/soak-1",
            "document.querySelector('.names')",
        ),
        (
            "trace",
            "#/trace/F-1",
            "document.querySelectorAll('.go').length > 2",
        ),
        (
            "trace of a batch",
            "#/trace/soak-1",
            "document.querySelectorAll('.go').length > 2",
        ),
        (
            "a lot",
            lot,
            "document.querySelector('#room-inside section input')",
        ),
        ("lots", "#/lots", "document.querySelector('.go')"),
        (
            "record",
            "#/batches/soak-1",
            "document.querySelector('#room-inside table')",
        ),
        (
            "scales",
            "#/scales",
            "document.getElementById('repeated-say')",
        ),
    ] {
        page.room(hash, until);
        found.look_closely(&mut page, state);
        found.walk(&mut page, state, PHONE);
    }
    // By the keyboard alone: a correction is shown, and what it changes is read aloud.
    page.room(lot, "document.querySelector('#room-inside section input')");
    page.tab_to("Why");
    page.does(json!({"do": "write", "text": "spilt"}));
    page.tab_to("Show it taken out");
    page.press(&["ENTER"]);
    page.waits("document.querySelector('[aria-live] .key')");
    found.look_closely(&mut page, "a lot taken out, shown");
    found.walk(&mut page, "a lot taken out, shown", PHONE);
    assert!(found.wrong.is_empty(), "{}", found.wrong.join("\n"));
}

fn judge_motion(moved: &Value, stilled: &Value) {
    println!("animations: {moved}; with less motion asked for: {stilled}");
    for told in [moved, stilled] {
        assert!(number(told, "moves") > 2.0, "{told}");
    }
    // Where motion is in nobody's way, there is some: the count does count.
    assert!(number(moved, "running") >= 1.0, "{moved}");
    assert_eq!(number(stilled, "running"), 0.0, "{stilled}");
}

/// Goes on until the page has read aloud the cue that was heard last: it hears and draws in its own time.
#[track_caller]
fn read_all_cues(page: &mut Page, rig: &mut Rig) {
    let end = Instant::now() + bench_side::LONGEST;
    loop {
        rig.idle(0.2);
        let read = page.reads(READ);
        if rig.said.last() == Some(&read) {
            return;
        }
        assert!(Instant::now() < end, "read {read:?}; cues {:#?}", rig.said);
    }
}

/// A cue is read aloud once; a reading never.
fn judge_speech(heard: &Value, cues: &[String]) {
    let said = list(heard, "said");
    println!(
        "read aloud {said:?}; the number changed {} times",
        heard["digits"]
    );
    assert!(
        !said.is_empty() && said.len() <= cues.len(),
        "{said:?}; cues {cues:#?}"
    );
    for one in said {
        let one = one.as_str().unwrap();
        assert!(
            cues.iter().any(|cue| cue == one),
            "{one} is no cue of {cues:#?}"
        );
    }
    // None is lost: the one that stands was read.
    assert_eq!(
        said.last().and_then(Value::as_str),
        cues.last().map(String::as_str)
    );
    for pair in said.windows(2) {
        assert_ne!(pair[0], pair[1], "read twice");
    }
    assert!(number(heard, "digits") > 5.0 * said.len() as f64, "{heard}");
    assert!(list(heard, "others").is_empty(), "{heard}");
}

/// A stopped batch: the bench that offers it, the room with what is still open, the question before a second press;
/// and by the keyboard alone it goes on.
#[test]
fn everybody_can_go_on_with_a_stopped_batch() {
    let seat = Seat::take();
    let served = Served::on(Scale::start, "", crate::stopped::made);
    let mut page = Page::start(seat);
    let mut found = Findings::default();
    let address = format!("http://127.0.0.1:{}/", served.port);
    page.does(json!({"do": "go-to", "address": address}));
    page.waits("document.body.dataset.view === 'door'");
    page.does(json!({"do": "enter", "key": served.key}));
    page.waits("!document.getElementById('to-stopped').hidden");
    found.look_closely(&mut page, "a batch was stopped");
    found.walk(&mut page, "a batch was stopped", PHONE);
    page.tab_to("#to-stopped");
    page.press(&["ENTER"]);
    page.waits("document.querySelectorAll('#room-inside .way').length === 3");
    found.look_closely(&mut page, "stopped batches");
    found.walk(&mut page, "stopped batches", PHONE);
    page.tab_to("Go on with reed-1");
    page.press(&["ENTER"]);
    page.waits("document.querySelector('.key.armed')");
    found.look(&mut page, "a second press is asked for");
    page.room("#/begin", "document.querySelector('#room-inside .picks')");
    found.look(&mut page, "new batch beside a stopped one");
    page.tab_to("Go on with a stopped batch");
    page.press(&["ENTER"]);
    page.waits("document.querySelectorAll('#room-inside .way').length === 3");
    page.tab_to("Go on with rinse-3");
    page.press(&["ENTER"]);
    page.waits("document.body.dataset.view === 'batch'");
    page.says("Stir until even");
    assert!(found.wrong.is_empty(), "{}", found.wrong.join("\n"));
}

/// A rehearsal: the key that begins it, a pour and the batches in it, its end; by the keyboard alone.
#[test]
fn everybody_can_try_it() {
    let seat = Seat::take();
    let (person, _daemon) = crate::try_it::first_day();
    let address = person.run(&["page"]).ended(0).out;
    let mut page = Page::start(seat);
    let mut found = Findings::default();
    page.does(json!({"do": "go-to", "address": address.trim()}));
    page.says("No scale is set up yet");
    found.look_closely(&mut page, "the first day");
    found.walk(&mut page, "the first day", PHONE);
    page.tab_to("#try");
    page.press(&["ENTER"]);
    page.waits("location.pathname === '/try/' && document.body.dataset.view === 'batch'");
    found.look(&mut page, "a rehearsal");
    page.room(
        "#/batches",
        "document.querySelector('#room-inside .picks .key')",
    );
    found.look(&mut page, "batches of a rehearsal");
    // Not where the hands go on meanwhile: what is drawn anew under a walk is none of the keyboard's.
    found.walk(&mut page, "batches of a rehearsal", PHONE);
    page.room("#/answers", "document.querySelector('#room-inside .picks')");
    found.look(&mut page, "answers in a rehearsal");
    page.tab_to("#try-end");
    page.press(&["ENTER"]);
    page.waits("location.pathname === '/' && document.body.dataset.view === 'idle'");
    assert!(found.wrong.is_empty(), "{}", found.wrong.join("\n"));
}
