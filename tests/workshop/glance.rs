//! The page with all benches: a real broker, benches that weigh on ptys, the gatherer with its page, and a real browser
//! that reads it. Nothing but a bench's own word under the workshop's seal shows as its word.

use std::time::{Duration, Instant};

use bismar::vocabulary::cue::{Cue, CueKind};
use bismar::wire::message::{Kind, Presence, sealed};
use bismar::wire::seal::Key;
use serde_json::{Value, json};

use super::shop::{Bench, Broker, Gatherer, KEY, LONGEST, joins, until};
use crate::bench_side::announced::{Comes, announced};
use crate::bench_side::crowd::Crowd;
use crate::bench_side::formulas::SOAK;
use crate::bench_side::rig::Rig;
use crate::bench_side::script::{Script, Seat, pictures};
use crate::bench_side::served::{Answer, loaded, raw};
use crate::bench_side::{desk, free_port, memory};

/// The page of a gatherer, and its key.
struct Page {
    gatherer: Gatherer,
    port: u16,
    key: String,
}

impl Page {
    fn of(broker: &Broker, benches: &[&str], before: &str) -> Page {
        let port = free_port();
        let more = format!("page = {{ on = true, port = {port} }}");
        let mut gatherer = Gatherer::configured(broker, broker.port, benches, before, &more);
        gatherer.up();
        let mut key = String::new();
        until("the page has its address", || {
            let said = gatherer.person.run(&["page", "--benches"]);
            key = said.out.trim().rsplit('#').next().unwrap().to_owned();
            said.code == Some(0)
        });
        Page {
            gatherer,
            port,
            key,
        }
    }

    fn raw(&self, head: &str, body: &str) -> Answer {
        raw(self.port, head, body)
    }

    fn get(&self, path: &str, more: &str) -> Answer {
        let head = format!("GET {path} HTTP/1.1\nHost: 127.0.0.1:{{p}}\n{more}");
        self.raw(&head, "")
    }

    fn post(&self, path: &str, body: &str) -> Answer {
        let own =
            "Host: 127.0.0.1:{p}\nOrigin: http://127.0.0.1:{p}\nContent-Type: application/json";
        self.raw(&format!("POST {path} HTTP/1.1\n{own}"), body)
    }
}

/// The browser that reads it.
struct Screen(Script);

impl Screen {
    fn at(seat: Seat, page: &Page) -> Screen {
        let mut screen = Screen(Script::start(seat, "access.py", &[]));
        let address = format!("http://127.0.0.1:{}/", page.port);
        screen.does(json!({"do": "go-to", "address": address}));
        screen.waits("document.body.dataset.view === 'door'");
        screen.is_for_everybody("door");
        screen.does(json!({"do": "enter", "key": page.key}));
        screen.waits("document.body.dataset.view === 'inside'");
        screen
    }

    #[track_caller]
    fn does(&mut self, what: Value) -> Value {
        self.0.does(&what)
    }

    #[track_caller]
    fn waits(&mut self, until: &str) {
        self.does(json!({"do": "wait", "until": until}));
    }

    /// Waits until a bench's card stands so, with these words on it.
    #[track_caller]
    fn shows(&mut self, bench: &str, stands: &str, words: &str) {
        let words = json!(words);
        self.waits(&format!(
            "[...document.querySelectorAll('.bench')].some((one) => one.querySelector('h2').textContent === '{bench}' \
             && one.dataset.stands === '{stands}' && one.innerText.includes({words}))"
        ));
    }

    /// What the accessibility tree says of the cards, in their order: the name of each, and all its words.
    fn cards(&mut self) -> Vec<(String, String)> {
        let told = self.does(json!({"do": "told"}));
        let mut cards: Vec<(String, String)> = Vec::new();
        for one in told["told"].as_array().unwrap() {
            let (role, name) = (one[0].as_str().unwrap(), one[1].as_str().unwrap());
            match (role, cards.last_mut()) {
                ("listitem", _) => cards.push(Default::default()),
                ("heading", Some(card)) => card.0 = name.to_owned(),
                ("StaticText", Some(card)) => {
                    card.1 += name;
                    card.1 += "\n";
                }
                _ => {}
            }
        }
        cards
    }

    /// As `tests/page/access.rs` looks at the page of a bench: WCAG 2.2, levels A and AA, by axe-core, and beside it the
    /// pixels, the tree and how it flows.
    #[track_caller]
    fn is_for_everybody(&mut self, state: &str) {
        let told = self.does(json!({"do": "look", "pixels": true}));
        let all = |key: &str| told[key].as_array().unwrap().clone();
        for key in ["muddle", "small", "unnamed"] {
            assert!(all(key).is_empty(), "{state}, {key}: {:#?}", all(key));
        }
        let wrong: Vec<Value> = all("violations")
            .into_iter()
            .filter(|one| one["standard"] == true)
            .collect();
        assert!(wrong.is_empty(), "{state}: {wrong:#?}");
        for one in all("shapes") {
            assert!(one["ratio"].as_f64().unwrap() >= 3.0, "{state}: {one}");
        }
        assert!(!all("contrast").is_empty(), "{state}: nothing was measured");
        for one in all("contrast") {
            let least = if one["big"] == true { 4.5 } else { 7.0 };
            assert!(one["ratio"].as_f64().unwrap() >= least, "{state}: {one}");
        }
    }

    fn pictures(&mut self, name: &str) {
        let folder = pictures();
        for (wide, high, scheme, letters) in [
            (390, 844, "light", 16),
            (1366, 768, "light", 16),
            (1366, 768, "dark", 16),
            (390, 844, "dark", 32),
        ] {
            let path = format!("{folder}/{name}-{wide}-{scheme}-{letters}.png");
            let told = self.does(json!({
                "do": "shot", "path": path, "wide": wide, "high": high, "scheme": scheme, "letters": letters
            }));
            assert!(told["wide"].as_u64().unwrap() <= wide, "{name}: {told}");
        }
    }
}

fn weighs(broker: &Broker, bench: &str, formula: &str) -> Rig {
    let joined = |person: &crate::bench_side::person::Person, config: String| {
        let bench = format!("bench = \"{bench}\"");
        format!("{config}{}", joins(person, broker, broker.port, &bench))
    };
    Rig::begun(formula, joined, |_| {})
}

/// Pours too much into the first beaker, so that the bench asks.
fn over_pours(rig: &mut Rig) {
    rig.until(|rig| rig.hand.on_pan && rig.hand.holds >= 15.0);
    rig.hand.rest();
    while rig.hand.holds < 57.0 {
        rig.hand.pour_blindly(&rig.scale, 3.0);
        std::thread::sleep(Duration::from_millis(80));
    }
    let asks = |cue: &Cue| cue.urgent && cue.kind == CueKind::TakeOut;
    let end = Instant::now() + LONGEST;
    while !rig.last.as_ref().is_some_and(asks) {
        assert!(Instant::now() < end, "{:?}", rig.said);
        rig.turn();
        rig.hand.rest();
    }
}

#[test]
fn all_benches_are_read_at_a_glance() {
    let seat = Seat::take();
    let broker = Broker::start();
    let names = ["bench-1", "bench-2", "bench-3", "bench-4", "bench-5"];
    let page = Page::of(&broker, &names, "");
    let mut done = Bench::new("bench-1", &broker, broker.port);
    let mut pours = weighs(&broker, "bench-2", SOAK);
    let mut asks = weighs(&broker, "bench-3", SOAK);
    let mut dies = Bench::new("bench-4", &broker, broker.port);
    let mut screen = Screen::at(seat, &page);

    done.weighs(3);
    screen.shows(
        "bench-1",
        "idle",
        "Ended last, not complete: Marram soak 1, marram-soak-bench-1-00001",
    );
    screen.shows("bench-2", "works", "1 of 3, Sea salt");
    screen.shows("bench-5", "silent", "not heard of yet");
    over_pours(&mut asks);
    screen.shows("bench-3", "waits", "g to take out");
    screen.shows("bench-4", "idle", "No batch");
    let (mut held, mut amounts) = (0.0, 0);
    pours.until(|rig| {
        let holds = rig.hand.holds;
        if rig.hand.step == 1 && holds > held {
            (held, amounts) = (holds, amounts + 1);
        }
        rig.hand.step == 1 && holds >= 30.0
    });
    assert!(amounts > 0);
    pours.hand.rest();
    screen.shows("bench-2", "works", "of 50.00");

    // Killed, it is seen gone by its last will, and read aloud.
    screen.does(json!({"do": "listen"}));
    dies.kill();
    screen.shows("bench-4", "silent", "last heard at");
    let heard = screen.does(json!({"do": "heard"}))["said"].to_string();
    assert!(
        heard.contains("bench-4: Silent") && !heard.contains("bench-5"),
        "{heard}"
    );
    let cards = screen.cards();
    let order: Vec<&str> = cards.iter().map(|(name, _)| name.as_str()).collect();
    assert_eq!(
        order,
        ["bench-3", "bench-4", "bench-5", "bench-2", "bench-1"],
        "{cards:#?}"
    );
    assert!(
        cards[0].1.contains("Waits for a person since") && cards[0].1.contains("Sea salt"),
        "{cards:#?}"
    );
    assert!(
        cards[3].1.contains("to add") || cards[3].1.contains("Hold"),
        "{cards:#?}"
    );
    screen.pictures("benches");
    screen.is_for_everybody("all kinds");

    // It comes back; the other gets its answer and goes on.
    dies.up();
    screen.shows("bench-4", "idle", "No batch");
    asks.person.run(&["keep"]).ended(0);
    screen.shows("bench-3", "works", "Sea salt");
    // A daemon that says farewell is not silent.
    dies.daemon.take().unwrap().terminate();
    screen.shows("bench-4", "off", "Ended at");
}

#[test]
fn what_a_stranger_says_of_a_bench_never_shows() {
    let seat = Seat::take();
    let mut broker = Broker::start();
    let page = Page::of(&broker, &["bench-1", "bench-2"], "");
    let bench = Bench::new("bench-1", &broker, broker.port);
    let mut screen = Screen::at(seat, &page);
    screen.shows("bench-1", "idle", "No batch");
    let key = Key::new(KEY.as_bytes());
    let forged = json!({
        "connection": "x", "count": 9, "at": "2026-11-28T10:00:00.000Z", "waits": 7,
        "bench": {"status": {"formula": "FORGED", "step": 1, "of": 1}, "batch": "FORGED", "lines": [], "cues": [], "trouble": "FORGED"},
        "cue": {"kind": "choose", "say": "FORGED", "urgent": true}
    })
    .to_string();
    let now = "bismar/1/saltmarsh/bench-1/now";
    let here = "bismar/1/saltmarsh/bench-1/status";
    let gone = json!({"state": "gone", "connection": "x"}).to_string();
    let other = Key::new(b"another key, which nobody of this workshop has");
    let seals = [
        Vec::new(),
        sealed(Kind::Now, "saltmarsh", "bench-1", forged.as_bytes(), &other),
        sealed(Kind::Now, "saltmarsh", "bench-2", forged.as_bytes(), &key),
        sealed(
            Kind::Status,
            "saltmarsh",
            "bench-1",
            forged.as_bytes(),
            &key,
        ),
        sealed(Kind::Now, "marsh", "bench-1", forged.as_bytes(), &key),
    ];
    for about in &seals {
        for retained in [true, false] {
            broker.publish(now, about, forged.as_bytes(), retained);
            broker.publish(here, about, gone.as_bytes(), retained);
        }
    }
    for text in ["", "{", "[]", "null", &"[".repeat(100_000)] {
        broker.publish(now, &[], text.as_bytes(), true);
        broker.publish(here, &[], text.as_bytes(), true);
    }
    std::thread::sleep(Duration::from_secs(2));
    let shown: String = screen
        .cards()
        .iter()
        .map(|(_, words)| words.as_str())
        .collect();
    assert!(!shown.contains("FORGED"), "{shown}");
    screen.shows("bench-1", "idle", "No batch");
    screen.shows("bench-2", "silent", "not heard of yet");

    // A row without the seal is the gatherer's to tell.
    broker.publish(
        "bismar/1/saltmarsh/bench-1/row",
        &[],
        b"forged,row\n",
        false,
    );
    screen.shows("bench-1", "idle", "a row without the workshop's seal");
    screen.shows("bench-1", "idle", "Refused at");

    // With the key, and names made to break the page: shown as they are, in their place.
    let hostile = format!("<img src=x onerror=alert(1)>\u{202e}{}", "W".repeat(400));
    let said = forged.replace("FORGED", &hostile.replace('"', "\\\""));
    let about = sealed(Kind::Now, "saltmarsh", "bench-2", said.as_bytes(), &key);
    broker.publish(
        "bismar/1/saltmarsh/bench-2/now",
        &about,
        said.as_bytes(),
        false,
    );
    screen.shows(
        "bench-2",
        "waits",
        "<img src=x onerror=alert(1)>\u{fffd}WWW",
    );
    screen.pictures("benches-hostile");
    let gone = Presence::new(bismar::lots::elsewhere::State::Gone, "x");
    let gone = gone.sealed("saltmarsh", "bench-2", &key);
    broker.publish(&gone.topic, &gone.about, &gone.text, true);
    screen.shows("bench-2", "silent", "last heard at");

    // Without the broker nobody is called silent, and the page says why.
    broker.kill();
    screen.waits(
        "document.getElementById('heed').textContent.includes('has not reached the broker since')",
    );
    screen.shows("bench-1", "idle", "No batch");
    screen.pictures("benches-unreached");
    broker.up();
    screen.waits("document.getElementById('heed').textContent === ''");
    screen.shows("bench-1", "idle", "No batch");
    drop(bench);
    let log = {
        screen.0.no_more();
        screen.0.answer()
    };
    assert!(!log.to_string().contains("onerror"), "{log}");
}

#[test]
fn nobody_comes_in_by_another_way_than_at_a_bench() {
    let broker = Broker::start();
    let page = Page::of(&broker, &["bench-1"], "");
    let file = page.gatherer.person.path("home/bismar-gather/page.url");
    let file = if file.exists() {
        file
    } else {
        page.gatherer.person.path("run/bismar-gather/page.url")
    };
    let mode =
        std::os::unix::fs::PermissionsExt::mode(&std::fs::metadata(&file).unwrap().permissions());
    assert_eq!(mode & 0o777, 0o600);
    let none = format!("Bismar-Session: {}", "0".repeat(64));
    for more in ["", &none] {
        let answer = page.get("/events", more);
        assert_eq!(answer.status, 401, "{answer:?}");
        assert!(!answer.body.contains("bench-1"), "{answer:?}");
    }
    for host in [
        "evil.example:{p}",
        "127.0.0.1",
        "127.0.0.1.evil.example:{p}",
    ] {
        for path in ["/", "/events", "/benches.js"] {
            let answer = page.raw(&format!("GET {path} HTTP/1.1\nHost: {host}"), "");
            assert_eq!(answer.status, 421, "{host} {path}: {answer:?}");
        }
    }
    let entered = page.post("/enter", &format!("{{\"key\":\"{}\"}}", page.key));
    assert_eq!(entered.status, 200, "{entered:?}");
    assert!(!entered.head.contains("set-cookie"), "{entered:?}");
    let told: Value = serde_json::from_str(&entered.body).unwrap();
    let session = format!("Bismar-Session: {}", told["session"].as_str().unwrap());
    for site in ["cross-site", "same-site"] {
        let answer = page.get("/events", &format!("{session}\nSec-Fetch-Site: {site}"));
        assert_eq!(answer.status, 403, "{answer:?}");
    }
    // It is looked at, and nothing is pressed: what the page of a bench takes is not here.
    for path in ["/do", "/let-in", "/begin", "/try-begin", "/lots"] {
        assert_eq!(page.post(path, "{\"do\":\"next\"}").status, 404, "{path}");
    }
    for path in ["/status", "/record?batch=x", "/store", "/formulas", "/try/"] {
        assert_eq!(page.get(path, &session).status, 404, "{path}");
    }
    let shown = page.get("/", "");
    assert!(
        shown.head.contains("frame-ancestors 'none'") && shown.head.contains("script-src 'self'")
    );
    assert!(!shown.head.contains("unsafe") && !shown.head.contains("access-control-allow"));
    assert!(!shown.body.contains("bench-1"), "{shown:?}");
    // Other words of the control socket than for a pass are none.
    let said = page
        .gatherer
        .person
        .run(&["page", "--benches", "--qr"])
        .ended(0);
    assert!(
        said.out
            .contains(&format!("http://127.0.0.1:{}/#once-", page.port)),
        "{said:?}"
    );
    let pass = said.out.lines().next().unwrap().rsplit('#').next().unwrap();
    let by = format!("{{\"key\":\"{pass}\"}}");
    assert_eq!(page.post("/enter", &by).status, 200);
    assert_eq!(page.post("/enter", &by).status, 403, "once");
    for _ in 0..12 {
        page.post("/enter", "{\"key\":\"1\"}");
    }
    let answer = page.post("/enter", &format!("{{\"key\":\"{}\"}}", page.key));
    assert_eq!(answer.status, 429, "after many wrong keys: {answer:?}");
}

/// What its page loads beside what every page has, and all that it loads: less than half of the 160 KiB of a bench's.
#[test]
fn the_page_is_small_and_asks_nobody_else() {
    let broker = Broker::start();
    let page = Page::of(&broker, &["bench-1"], "");
    let (names, all) = loaded(&["/"], |name| page.get(name, ""));
    let known = [
        "/",
        "/bare.css",
        "/benches.css",
        "/benches.js",
        "/core.js",
        "/door.js",
        "/mark.svg",
        "/page.css",
        "/words.js",
    ];
    assert_eq!(names, known);
    assert!(all < 64 * 1024, "{all} bytes");
}

/// As many benches as a workshop may have: each is found, none runs out of the page.
#[test]
fn fifty_benches_are_readable_in_each_language() {
    let key = Key::new(KEY.as_bytes());
    for (tag, waits) in [
        ("en", "Waits for a person since"),
        ("de", "Wartet seit"),
        ("fr", "Attend quelqu'un depuis"),
    ] {
        let seat = Seat::take();
        let broker = Broker::start();
        let names: Vec<String> = (1..=50).map(|n| format!("bench-{n}")).collect();
        let names: Vec<&str> = names.iter().map(String::as_str).collect();
        let page = Page::of(&broker, &names, &format!("language = \"{tag}\"\n"));
        for (n, name) in (1..).zip(&names) {
            let formula = (n % 5 != 0).then_some("Glasswort and marram bath salt with rosehip");
            let said = json!({
                "connection": "c", "count": 1, "at": "2026-11-28T10:00:00.000Z", "waits": (n % 7 == 0).then_some(60 * n),
                "bench": {
                    "status": {"formula": formula, "step": 3, "of": 7, "ingredient": "Rosehip oil", "target": "45.00", "missing": "3.80"},
                    "batch": formula.map(|_| format!("bath-salt-20261128-{n}")), "lines": [], "cues": [], "trouble": null
                },
                "cue": {"kind": "add", "say": "3.80 g to add", "urgent": false, "lead": 7}
            })
            .to_string();
            let topic = format!("bismar/1/saltmarsh/{name}/now");
            let about = sealed(Kind::Now, "saltmarsh", name, said.as_bytes(), &key);
            broker.publish(&topic, &about, said.as_bytes(), false);
        }
        let mut screen = Screen::at(seat, &page);
        screen.shows("bench-49", "waits", waits);
        let cards = screen.cards();
        assert_eq!(cards.len(), 50);
        assert_eq!(cards[0].0, "bench-49", "who waits longest is first");
        screen.pictures(&format!("benches-50-{tag}"));
        let told = screen.does(json!({"do": "look"}));
        let muddle = told["muddle"].as_array().unwrap();
        assert!(muddle.is_empty(), "{tag}: {muddle:#?}");
    }
}

/// One click: the browser is in without a key, what it was given lets nobody else in, and a bench's own page is not
/// touched by it.
#[test]
fn one_click_opens_the_page_with_all_benches() {
    let seat = Seat::take();
    let broker = Broker::start();
    let page = Page::of(&broker, &["bench-1"], "");
    let person = &page.gatherer.person;
    desk::opens(person);
    let said = desk::clicks(person, &["page", "--benches", "--open"]).ended(0);
    assert_eq!((said.out.as_str(), said.err.as_str()), ("", ""), "{said:?}");
    let file = desk::given(person);
    let html = std::fs::read_to_string(&file).unwrap();
    assert!(!html.contains(&page.key), "{html}");
    let script = Script::start(seat, "opened.py", &[file.to_str().unwrap()]);
    let first = script.answer();
    assert_eq!(first["view"], "inside", "{first}");
    let place = format!("http://127.0.0.1:{}/", page.port);
    assert_eq!(first["address"], place, "the bar is clear");
    let late = script.answer();
    assert_eq!(late["view"], "door", "the pass is used up: {late}");

    // Without a gatherer there is nothing to be opened, and nothing is started.
    let nobody = desk::desk();
    let said = desk::clicks(&nobody, &["page", "--benches", "--open"]).ended(1);
    assert!(said.err.contains("no `bismar gather` serves"), "{said:?}");
    assert!(!nobody.path("given").exists());
}

/// Connections without a key, from several addresses, while rows come in and somebody who is in looks.
#[test]
fn a_crowd_at_the_page_keeps_no_row_and_nobody_who_is_in() {
    const SIZE: usize = 200;
    let seat = Seat::take();
    let broker = Broker::start();
    let page = Page::of(&broker, &["bench-1", "bench-2"], "");
    let mut benches = ["bench-1", "bench-2"].map(|name| Bench::new(name, &broker, broker.port));
    let mut screen = Screen::at(seat, &page);
    screen.shows("bench-1", "idle", "No batch");
    let crowd = Crowd::at(page.port, SIZE);
    until("all have come", || crowd.came() >= SIZE);
    for batch in 1..=20 {
        benches.iter_mut().for_each(|bench| {
            bench.weighs(4);
        });
        if batch % 5 == 0 {
            for bench in ["bench-1", "bench-2"] {
                let last = format!("marram-soak-{bench}-{batch:05}");
                screen.shows(bench, "idle", &last);
            }
        }
    }
    benches
        .iter()
        .for_each(|bench| page.gatherer.has_all_of(bench));
    benches[1].kill();
    screen.shows("bench-2", "silent", "last heard at");
    let open = std::fs::read_dir(format!("/proc/{}/fd", page.gatherer.id()));
    let open = open.unwrap().count();
    let came = crowd.leaves();
    assert!(
        !page.gatherer.log().contains("refused of"),
        "{}",
        page.gatherer.log()
    );
    crate::bench_side::faults::report(
        "200 connections at the page with all benches",
        "from eight addresses, without a key, as at a bench's page; meanwhile two benches weigh, one is killed, and \
         somebody who is in looks",
        format!("{SIZE} at a time, 2 benches of 20 batches"),
        "the joined logs are the benches' logs, byte for byte; what is new shows to who is in",
        format!(
            "{came} connections in all; {open} files open at the gatherer while they are there"
        ),
    );
}

/// A body of a gigabyte that is announced, and does not come, or slowly, or is sent as fast as it is taken.
#[test]
fn a_body_of_a_gigabyte_is_neither_held_nor_waited_for() {
    let broker = Broker::start();
    let page = Page::of(&broker, &["bench-1"], "");
    let mut bench = Bench::new("bench-1", &broker, broker.port);
    bench.weighs(1);
    page.gatherer.has_all_of(&bench);
    let before = memory(page.gatherer.id(), "VmRSS:");
    let mut held = before;
    let kinds = [Comes::Nothing, Comes::Slowly, Comes::All];
    let kept = announced(page.port, "/enter", "", &kinds, || {
        bench.weighs(1);
        page.gatherer.has_all_of(&bench);
        assert_eq!(page.get("/", "").status, 200);
        held = held.max(memory(page.gatherer.id(), "VmRSS:"));
        std::thread::sleep(Duration::from_millis(300));
    });
    assert!(held - before < 8.0, "{before} and {held} MiB");
    assert!(kept.most < 64 << 20, "{kept:?}");
}
