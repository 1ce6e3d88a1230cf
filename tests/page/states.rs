//! Every state of the weighing, in a real Chromium, on five screens and with letters of twice the size: no key is
//! cut off, nothing lies over anything else, the number has its size. The states are fed to the page: those of a
//! usual batch as a replay of a capture told them, the rare ones as the engine words them. And every answer
//! pressed on the page is in the log as the same word of a terminal.

use std::collections::BTreeMap;
use std::path::Path;

use bismar::formula::examples;
use bismar::language::Language;
use serde_json::{Value, json};

use crate::bench_side::logs::{cells, only_log, rows};
use crate::bench_side::person::{Person, repository};
use crate::bench_side::script::{Script, Seat, pictures};
use crate::bench_side::served::{FORMULA, Served};
use crate::rooms::{Screen, has};

/// A phone, a tablet upright and lying, a small and a large screen; CSS pixels.
const SCREENS: [(u32, u32); 5] = [
    (390, 844),
    (768, 1024),
    (1024, 768),
    (1366, 768),
    (1920, 1080),
];
/// The browser's usual letters, and twice that (WCAG 2.2, SC 1.4.4).
const LETTERS: [u32; 2] = [16, 32];

struct Fed(Script);

impl Fed {
    fn open(served: &Served) -> Fed {
        let address = format!("http://127.0.0.1:{}/#{}", served.port, served.key);
        Fed(Script::start(
            Seat::take(),
            "fed.py",
            &[&address, &pictures()],
        ))
    }

    #[track_caller]
    fn does(&mut self, what: Value) -> Value {
        self.0.does(&what)
    }

    #[track_caller]
    fn shows(&mut self, state: &State) {
        let mut status = status(&state.more);
        // The daemon's status has what was recorded last.
        let mut last = state.events.iter().rev();
        if let Some(last) = last.find(|one| one["event"] == "recorded") {
            status["recorded"] = last.clone();
        }
        self.does(
            json!({"do": "state", "status": status, "events": state.events, "say": state.say, "store": store()}),
        );
    }

    #[track_caller]
    fn reads(&mut self, (wide, high): (u32, u32), letters: u32) -> Value {
        self.does(json!({"do": "read", "wide": wide, "high": high, "letters": letters}))
    }
}

/// What the page is fed with, and a part of the sentence that it shows then.
struct State {
    name: &'static str,
    events: Vec<Value>,
    more: Value,
    say: String,
}

fn status(more: &Value) -> Value {
    let mut status = json!({"formula": "Two beakers", "step": 1, "of": 2, "phase": "Dry", "ingredient": "Sea salt",
        "target": "60.00", "low": "59.43", "high": "60.57", "lot": null, "lot_required": false,
        "ahead": [{"ingredient": "Oat flour", "target": "40.00"}], "missing": null, "say": null,
        "tare": "vessel tared", "state": "tared", "undo": "12.00 g Epsom salt",
        "scales": [{"name": "scale", "line": "open", "assumed": false, "weight": "150.20", "unit": "g",
            "steady": true, "good_lines": 1, "rejected_lines": 0}]});
    for (key, value) in more.as_object().unwrap() {
        status[key] = value.clone();
    }
    let [trouble, filling] = ["trouble", "filling"].map(|key| status[key].take());
    json!({"ok": true, "status": status, "batch": "two-beakers-20260101-0900", "lines": [], "cues": [],
        "trouble": trouble, "filling": filling == true})
}

/// One good lot, and one that is past its day.
fn store() -> Value {
    let lot = |name: &str, refused: Value| {
        json!({"lot": name, "ingredient": "Sea salt", "supplier": null,
        "best_before": null, "left": "900.00", "refused": refused})
    };
    json!({"ok": true, "file": "lots.toml", "damaged": [], "known": [],
        "lots": [lot("S-12", Value::Null), lot("S-3", json!("its day is past"))]})
}

/// What a replay of the capture told up to and with the first event that `last` is true of.
fn replayed(events: &[Value], last: impl Fn(&Value) -> bool) -> Vec<Value> {
    let end = events.iter().position(last).expect("the event");
    let mut told: Vec<Value> = Vec::new();
    for event in &events[..=end] {
        // Of the readings the newest is enough.
        if event["event"] == "reading" {
            told.retain(|one| one["event"] != "reading");
        }
        told.push(event.clone());
    }
    told
}

fn cue(kind: &str, say: &str, choices: &[&str], more: Value) -> Value {
    let mut cue = json!({"at": 9.0, "event": "cue", "cue": kind, "say": say, "step": 1, "missing": null,
        "choices": choices, "urgent": true});
    for (key, value) in more.as_object().unwrap() {
        cue[key] = value.clone();
    }
    cue
}

fn tare(code: &str) -> Value {
    json!({"at": 9.0, "event": "tare", "state": code, "tare": null, "code": code})
}

fn reading(net: &str, missing: &str) -> Value {
    json!({"at": 9.0, "event": "reading", "scale": "scale", "weight": "210.20", "net": net, "missing": missing,
        "steady": true})
}

fn states(served: &Served) -> Vec<State> {
    let (log, told) = (
        served.person.path("kept.csv"),
        served.person.path("kept.jsonl"),
    );
    let fixture = |name: &str| repository(&format!("fixtures/captures/{name}"));
    let text = |path: &Path| path.to_str().unwrap().to_owned();
    served
        .person
        .run(&[
            "replay",
            &fixture("over_pour_kept.capture"),
            "--formula",
            &fixture("two_beakers.toml"),
            "--batch",
            "100g",
            "--log",
            &text(&log),
            "--events",
            &text(&told),
            "--start",
            "2026-01-01T09:00:00Z",
        ])
        .ended(0);
    let told = std::fs::read_to_string(told).unwrap();
    let told: Vec<Value> = told
        .lines()
        .map(|line| serde_json::from_str(line).unwrap())
        .collect();
    let of = |name: &'static str, kind: &str, state: &str| {
        let mut events = replayed(&told, |event| event["cue"] == kind);
        let say = events.last().unwrap()["say"].as_str().unwrap().to_owned();
        events.push(tare(state));
        State {
            name,
            events,
            more: json!({"state": state, "tare": state}),
            say: say.split(" g ").last().unwrap().to_owned(),
        }
    };
    let step = told[0].clone();
    // What was asked before; a fault hides it.
    let taking_out = cue(
        "take-out",
        "16.03 g to take out: Sea salt. If something was laid there, take that off instead.",
        &["keep", "again"],
        json!({"missing": "-16.03", "lead": 8}),
    );
    let adding = cue(
        "add",
        "60.00 g to add: Sea salt.",
        &[],
        json!({"lead": 8, "urgent": false}),
    );
    let rare = |name, state: &str, reading: Value, cue: Value, more: Value| {
        let say = cue["say"].as_str().unwrap();
        let say = say.split(" g ").last().unwrap().to_owned();
        let mut more = more;
        more["state"] = json!(state);
        State {
            name,
            events: vec![step.clone(), tare(state), reading, adding.clone(), cue],
            more,
            say,
        }
    };
    let away = || json!({"at": 9.0, "event": "reading", "scale": "scale", "weight": "0.00", "net": null, "missing": null, "steady": true});
    vec![
        of("place", "place", "empty"),
        of("add", "add", "tared"),
        of("ease off", "ease-off", "tared"),
        of("hold", "hold", "tared"),
        of("take out", "take-out", "tared"),
        of("lift", "lift", "lift"),
        rare(
            "short",
            "tared",
            reading("59.10", "0.90"),
            cue(
                "choose",
                "0.90 g of Sea salt are missing still. Say keep if that was the last of it.",
                &["keep"],
                json!({"missing": "0.90"}),
            ),
            json!({}),
        ),
        rare(
            "something stays wrong",
            "tared",
            reading("76.03", "-16.03"),
            taking_out.clone(),
            json!({"trouble": "The configuration stays as it was: /home/maker/.config/bismar/config.toml:12:1: [page] has no key \"prot\". \
                Write \"port\", or remove the key."}),
        ),
        rare(
            "adding",
            "tared",
            reading("43.97", "16.03"),
            adding.clone(),
            json!({}),
        ),
        rare(
            "taking out",
            "tared",
            reading("76.03", "-16.03"),
            taking_out.clone(),
            json!({}),
        ),
        rare(
            "taken out in vain",
            "tared",
            reading("76.03", "-16.03"),
            cue(
                "choose",
                "16.03 g too much is there still. Take off what does not belong to the beaker. Say keep if it stays so; or say again, and begin this step with an empty beaker.",
                &["keep", "again"],
                json!({"missing": "-16.03"}),
            ),
            json!({}),
        ),
        rare(
            "lot",
            "tared",
            reading("60.02", "-0.02"),
            cue(
                "choose",
                "Name the lot of Sea salt. The weight waits for it.",
                &["again"],
                json!({"asks": "lot"}),
            ),
            json!({"lot_required": true}),
        ),
        rare(
            "stranger",
            "stranger",
            away(),
            cue(
                "choose",
                "Not as it left. Say again and begin this step with an empty beaker; or say next, but only if it is the very same beaker.",
                &["again", "next"],
                json!({}),
            ),
            json!({}),
        ),
        rare(
            "unsure",
            "unsure",
            away(),
            cue(
                "choose",
                "Still not sure of the tare. Say next if the beaker stands there with no Sea salt in it; or if some is, lift it off, take that out, and place it again.",
                &["next", "again"],
                json!({}),
            ),
            json!({}),
        ),
        rare(
            "more on it",
            "lift",
            reading("61.00", "-1.00"),
            cue(
                "lift",
                "1.00 g more than recorded. Take off what was set down, then lift the vessel; or say undo, if it went in, and weigh the step again.",
                &["undo"],
                json!({}),
            ),
            json!({}),
        ),
        rare(
            "mix",
            "mixing",
            away(),
            cue(
                "mix",
                "Dry phase is weighed. Tip the dry parts into the bowl and stir until even. Then say next, press the pan twice, or place the next vessel.",
                &["next"],
                json!({"urgent": false}),
            ),
            json!({}),
        ),
        rare(
            "emptied beaker",
            "emptied-beaker",
            away(),
            cue(
                "choose",
                "0.80 g Sea salt are missing: 0.82 g stayed in the beaker. Say next to weigh them, or cancel to leave it so.",
                &["next", "cancel"],
                json!({}),
            ),
            json!({}),
        ),
        rare(
            "decision",
            "decision",
            away(),
            cue(
                "choose",
                "Sea salt is 66.2 % of the batch, above its limit of 62 %. A remedy may mend it; say next to close the batch as it is.",
                &["next"],
                json!({"asks": "remedy", "step": 0}),
            ),
            json!({"step": null, "ingredient": null, "target": null, "low": null, "high": null, "ahead": []}),
        ),
        rare(
            "filling",
            "tared",
            reading("43.97", "16.03"),
            cue(
                "add",
                "16.03 g to add: jar 2.",
                &[],
                json!({"lead": 8, "urgent": false}),
            ),
            json!({"filling": true, "ingredient": "jar 2", "ahead": []}),
        ),
        rare(
            "no rest",
            "tared",
            reading("59.10", "0.90"),
            cue(
                "fault",
                "The scale does not come to rest. Shield it from the draught and take your hands off the bench. Say keep if it stays so; the record says how sure it is.",
                &["keep"],
                json!({}),
            ),
            json!({}),
        ),
    ]
}

/// An English text as another language says it, found among all that it says in a context as a reader would: the message
/// whose words it has, in its order, with what stands in the gaps.
pub fn said_in(language: Language, of: &str, english: &str) -> String {
    if english.is_empty() {
        return String::new();
    }
    let all: Vec<_> = (language.all())
        .filter(|(context, ..)| *context == of)
        .collect();
    let mut found: Vec<_> = all
        .iter()
        .filter_map(|(_, pattern, own)| Some((pattern.len(), *own, gaps(pattern, english)?)))
        .collect();
    // The one with most words of its own.
    found.sort_by_key(|(length, _, gaps)| {
        let inside: usize = gaps.iter().map(|(_, text)| text.len()).sum();
        (inside, usize::MAX - length)
    });
    if let Some((_, own, gaps)) = found.into_iter().next() {
        return filled(language, own, &gaps);
    }
    // Sentences behind each other.
    let ends = english.rmatch_indices(". ").map(|(at, _)| at + 1);
    for end in ends {
        let (first, rest) = english.split_at(end);
        if all
            .iter()
            .any(|(_, pattern, _)| gaps(pattern, first).is_some())
        {
            let (first, rest) = (
                said_in(language, of, first),
                said_in(language, of, rest.trim_start()),
            );
            return format!("{first} {rest}");
        }
    }
    panic!("{language:?} has no {english:?}");
}

/// What stands in the slots of `pattern` where that is all of `text`.
fn gaps<'t>(pattern: &str, text: &'t str) -> Option<Vec<(String, &'t str)>> {
    let Some((before, after)) = pattern.split_once('{') else {
        return (pattern == text).then(Vec::new);
    };
    let (name, behind) = after.split_once('}')?;
    let rest = text.strip_prefix(before)?;
    let next = behind.split('{').next()?;
    let ends = match next {
        "" => vec![rest.len()],
        next => rest.match_indices(next).map(|(at, _)| at).collect(),
    };
    ends.into_iter().find_map(|end| {
        let (inside, left) = rest.split_at(end);
        // No sentence ends within a gap, but for one that is a sentence.
        if inside.is_empty() || inside.contains(". ") && !name.starts_with("how") {
            return None;
        }
        let mut all = vec![(name.to_owned(), inside)];
        all.extend(gaps(behind, left)?);
        Some(all)
    })
}

/// A message with its gaps filled: numbers with the language's sign, words of ours in the form that is asked for.
fn filled(language: Language, own: &str, gaps: &[(String, &str)]) -> String {
    let mut parts = own.split('{');
    let mut text = parts.next().unwrap_or_default().to_owned();
    for part in parts {
        let (slot, behind) = part.split_once('}').unwrap();
        let (name, form) = slot.split_once(':').unwrap_or((slot, ""));
        let inside = gaps.iter().find(|(gap, _)| gap == name).unwrap().1;
        let number = inside.parse::<f64>().is_ok();
        let word = language.message(form, inside);
        let word = word.or_else(|| language.message("page", inside));
        // What a maker named stays, though an example's is called so too.
        let named = format!("name = \"{inside}\"");
        let own = examples::ALL.iter().any(|(_, file)| file.contains(&named));
        let word = word.filter(|_| !own).map(str::to_owned);
        // French elision, as far as names of these tests need it.
        if language == Language::French && inside.starts_with(['A', 'E', 'H', 'O']) {
            text = match text.strip_suffix("de ") {
                Some(before) => format!("{before}d'"),
                None => text,
            };
        }
        text.push_str(&match number {
            true => language.number(inside),
            false => word.unwrap_or_else(|| inside.to_owned()),
        });
        text.push_str(behind);
    }
    text
}

/// The same in the language: what the daemon would say, and what it would tell of the tare.
fn in_language(state: State, language: Language) -> State {
    let said = |event: Value| {
        let mut event = event;
        if let Some(say) = event["say"].as_str() {
            let say = said_in(language, "", say);
            event["lead"] = match event["lead"].as_u64() {
                Some(lead) if lead > 0 => json!(say.find(" g ").unwrap() + 3),
                Some(_) | None => Value::Null,
            };
            event["say"] = json!(say);
        }
        event
    };
    let events: Vec<Value> = state.events.into_iter().map(said).collect();
    let say = events.iter().rev().find_map(|event| event["say"].as_str());
    let say = say.unwrap().split(" g ").last().unwrap().to_owned();
    State {
        say,
        events,
        ..state
    }
}

/// All states of a weighing in German and French, on the five screens: as in English, and no word is broken off within.
#[test]
fn in_each_language_every_state_is_whole_on_every_screen() {
    for language in [Language::German, Language::French] {
        let tag = language.tag();
        let served = Served::with("", |person: &Person| {
            let file = std::fs::read_to_string(person.config_file()).unwrap();
            person.configures(&format!("language = \"{tag}\"\n{file}"));
        });
        let mut page = Fed::open(&served);
        let mut wrong = Vec::new();
        for state in states(&served) {
            let state = in_language(state, language);
            page.shows(&state);
            for screen in SCREENS {
                let seen = page.reads(screen, LETTERS[0]);
                for fault in ["cut", "covered", "over", "out", "broken", "parted"] {
                    if seen[fault] != json!([]) {
                        let (name, what) = (state.name, &seen[fault]);
                        wrong.push(format!("{tag} {name} {screen:?}: {fault} {what}"));
                    }
                }
                if seen["wide"] == true {
                    wrong.push(format!("{tag} {} {screen:?}: wider than it", state.name));
                }
            }
        }
        assert!(wrong.is_empty(), "{}", wrong.join("\n"));
    }
}

#[test]
fn no_key_is_cut_off_and_nothing_lies_over_anything_in_any_state() {
    let served = Served::start();
    let mut page = Fed::open(&served);
    let mut wrong = Vec::new();
    // The height of the letters of the weight, by what is to be done and the screen.
    let mut letters: BTreeMap<(&str, (u32, u32)), f64> = BTreeMap::new();
    let states = states(&served);
    for state in &states {
        page.shows(state);
        for screen in SCREENS {
            for size in LETTERS {
                let seen = page.reads(screen, size);
                for fault in ["cut", "covered", "over", "out", "parted"] {
                    // Letters of twice the size may need the page to be rolled; nothing may be cut or lie over.
                    let rolls = size > LETTERS[0] && ["cut", "covered"].contains(&fault);
                    if !rolls && seen[fault] != json!([]) {
                        wrong.push(format!(
                            "{} {screen:?} {size}: {fault} {}",
                            state.name, seen[fault]
                        ));
                    }
                }
                if seen["wide"] == true {
                    wrong.push(format!(
                        "{} {screen:?} {size}: wider than the screen",
                        state.name
                    ));
                }
                if size == LETTERS[0] {
                    letters.insert((state.name, screen), seen["letters"].as_f64().unwrap());
                }
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
    // Numbers of as many digits: what is to be taken out is as large as what is to be added.
    for screen in SCREENS {
        let [add, out] = ["adding", "taking out"].map(|name| letters[&(name, screen)]);
        assert!(out >= add * 0.98, "{screen:?}: {add} and {out} px");
    }
    // On a phone the rooms are behind one key, and on the screen once that is pressed.
    for state in states
        .iter()
        .filter(|state| ["add", "lot"].contains(&state.name))
    {
        page.shows(state);
        let seen = page.reads(SCREENS[0], LETTERS[0]);
        assert!(!seen["keys"].to_string().contains("Answers"), "{seen:#}");
        page.does(json!({"do": "press", "id": "more"}));
        let rooms = page.does(json!({"do": "script", "text":
            "return [...document.querySelectorAll('#rooms .key')].filter((one) => { const { top, bottom, height } = one.getBoundingClientRect(); return height && top >= 0 && bottom <= innerHeight; }).map((one) => one.innerText)"}));
        let all = [
            "Answers", "Remedies", "Formulas", "Lots", "Batches", "Scales",
        ];
        assert_eq!(rooms["is"], json!(all), "{}", state.name);
        page.does(json!({"do": "press", "id": "more"}));
    }
    // The check can fail: a key that is put where it is cut off and covers another is found.
    page.does(json!({"do": "script", "text":
        "document.adoptedStyleSheets = [new CSSStyleSheet()]; document.adoptedStyleSheets[0].replaceSync('#choices .key { position: relative; z-index: -1; left: -30px; top: -300px; }'); return 1"}));
    let stranger = states.iter().find(|state| state.name == "stranger");
    page.shows(stranger.unwrap());
    let seen = page.reads(SCREENS[0], LETTERS[0]);
    for fault in ["cut", "covered", "over"] {
        assert_ne!(seen[fault], json!([]), "{fault} is never found: {seen:#}");
    }
}

#[test]
fn each_key_says_what_it_will_do_and_what_is_shown_is_what_counts() {
    let served = Served::start();
    let mut page = Fed::open(&served);
    let states = states(&served);
    let screen = SCREENS[3];
    for (name, keys) in [
        ("short", vec!["leave it 0.90 g short"]),
        (
            "taken out in vain",
            vec!["leave it 16.03 g over", "76.03 g do not count"],
        ),
        ("unsure", vec!["nothing of this step is in it yet"]),
        ("stranger", vec!["it is the same one"]),
        ("more on it", vec!["take back 12.00 g Epsom salt"]),
        ("mix", vec!["it is mixed"]),
        (
            "emptied beaker",
            vec!["weigh what is missing", "leave the beaker as it is"],
        ),
        (
            "decision",
            vec!["close the batch as it is", "Compare the remedies"],
        ),
        (
            "lot",
            vec!["Take lot S-12", "900.00 g left", "Choose its lot"],
        ),
    ] {
        let state = states.iter().find(|state| state.name == name).unwrap();
        page.shows(state);
        let seen = page.reads(screen, LETTERS[0]);
        let all = seen["keys"].to_string();
        for key in keys {
            assert!(all.contains(key), "{name}: {key}: {seen:#}");
        }
    }
    // One press takes the one good lot, for the step that is shown.
    let sent = page.does(json!({"do": "press", "id": "Take lot S-12"}));
    assert!(
        sent["sent"]
            .as_array()
            .unwrap()
            .contains(&json!({"do": "lot", "lot": "S-12",
        "about": {"batch": "two-beakers-20260101-0900", "step": 1}})),
        "{sent:#}"
    );

    // At the lift the recorded weight is large, and it has a mark.
    let lift = states.iter().find(|state| state.name == "lift").unwrap();
    page.shows(lift);
    let seen = page.reads(screen, LETTERS[0]);
    assert_eq!(
        (&seen["digits"], &seen["big"], &seen["word"]),
        (
            &json!("61.80"),
            &json!("recorded"),
            &json!("recorded, kept")
        ),
        "{seen:#}"
    );
    let seal = page
        .does(json!({"do": "script", "text": "return document.getElementById('seal').innerText"}));
    assert_eq!(seal["is"], "!");

    // What nobody could judge is neither good nor off.
    let mut unproven = lift.events.clone();
    for event in &mut unproven {
        if event["event"] == "recorded" {
            event["verdict"] = Value::Null;
        }
    }
    let state = State {
        name: "lift without a verdict",
        events: unproven,
        more: lift.more.clone(),
        say: lift.say.clone(),
    };
    page.shows(&state);
    for (tag, screen) in ["390", "1366"].into_iter().zip([SCREENS[0], SCREENS[3]]) {
        let seen = page.reads(screen, LETTERS[0]);
        assert_eq!(seen["word"], json!("recorded, no verdict"), "{seen:#}");
        assert!(has(&seen, "recorded", "61.80 g, no verdict"), "{seen:#}");
        for fault in ["cut", "covered", "over", "out", "broken"] {
            assert_eq!(seen[fault], json!([]), "{tag} {fault}: {seen:#}");
        }
    }
    let seal = page
        .does(json!({"do": "script", "text": "return document.getElementById('seal').innerText"}));
    assert_eq!(seal["is"], "□");

    // What was recorded before is none of the emptied beaker's, nor is the next step's lot.
    let recorded = json!({"at": 8.0, "event": "recorded", "step": 1, "ingredient": "Sea salt", "net": "60.20",
        "verdict": "inside", "seq": 3});
    let say = "0.70 g Sea salt stayed in the beaker; enough went in. Lift it.";
    let state = State {
        name: "emptied beaker is off",
        events: vec![
            recorded,
            tare("emptied-beaker"),
            json!({"at": 9.0, "event": "reading", "scale": "scale", "weight": "148.90", "net": null, "missing": null,
 "steady": true}),
            cue("lift", say, &[], json!({"urgent": false})),
        ],
        more: json!({"state": "emptied-beaker"}),
        say: "stayed in the beaker; enough went in".into(),
    };
    page.shows(&state);
    let seen = page.reads(screen, LETTERS[0]);
    assert_eq!(
        (&seen["digits"], &seen["word"]),
        (&json!("–"), &json!("What stayed in a beaker")),
        "{seen:#}"
    );
    assert!(!seen["keys"].to_string().contains("Take lot"), "{seen:#}");

    // A scale of 0.1 g: no number is finer, whatever the plan has.
    let mut coarse = reading("33.3", "26.713");
    coarse["weight"] = json!("183.5");
    let step = json!({"at": 0.0, "event": "step", "step": 1, "of": 2, "phase": "Dry", "ingredient": "Sea salt",
        "target": "60.013", "low": "59.50", "high": "60.50", "scale": "scale"});
    let add = cue(
        "add",
        "26.7 g to add: Sea salt.",
        &[],
        json!({"lead": 7, "urgent": false}),
    );
    let state = State {
        name: "coarse",
        events: vec![step, tare("tared"), coarse, add],
        more: json!({"target": "60.013", "low": "59.5", "high": "60.5", "scales": []}),
        say: "to add".into(),
    };
    page.shows(&state);
    let seen = page.reads(screen, LETTERS[0]);
    assert_eq!(seen["digits"], "26.7", "{seen:#}");
    assert_eq!(seen["gate"], "window\n59.5 – 60.5 g", "{seen:#}");
    assert_eq!(seen["say"], "26.7 g to add: Sea salt.", "{seen:#}");

    // A fault that leaves the weight live does not hide the next move, nor what can be answered.
    let fault = cue(
        "fault",
        "The scale shows oz now; weights are converted. Press the unit key until it shows g again.",
        &[],
        json!({}),
    );
    page.does(json!({"do": "more", "events": [fault]}));
    let told = page.does(
        json!({"do": "script", "text": "return document.getElementById('beside').innerText"}),
    );
    assert_eq!(told["is"], "Then: 26.7 g to add: Sea salt.");

    // Why a hold takes long.
    let hold = states.iter().find(|state| state.name == "hold").unwrap();
    page.shows(hold);
    let mut moving = reading("60.02", "-0.02");
    moving["steady"] = json!(false);
    page.does(json!({"do": "more", "events": [moving]}));
    page.does(json!({"do": "until", "text": "document.getElementById('beside').innerText.includes('still moves')"}));
}

/// What a log says, without its times.
fn story(served: &Served) -> Vec<[String; 6]> {
    let told = ["kind", "step", "ingredient", "lot", "verdict", "note"];
    rows(&only_log(&served.person))
        .iter()
        .skip(2)
        .map(|row| told.map(|column| row[column].clone()))
        .collect()
}

#[test]
fn the_answers_of_the_page_make_the_log_that_a_terminal_makes() {
    let lots = "[[lot]]\nname = \"S-12\"\ningredient = \"Sea salt\"\namount = \"900 g\"\n";
    let formula = FORMULA.replace("percent = 60\n", "percent = 60\nlot_required = true\n");
    let served = |_: &str| {
        Served::with("", |person| {
            person.file("home/.config/bismar/lots.toml", lots);
            person.file("soak.toml", &formula);
        })
    };

    let terminal = served("terminal");
    terminal.person.begins();
    for words in [
        vec!["lot", "S-12"],
        vec!["note", "cool bench"],
        vec!["skip", "none is left"],
        vec!["undo"],
        vec!["skip", "none is left"],
        vec!["skip", "spilt"],
        vec!["undo"],
    ] {
        terminal.person.run(&words).ended(0);
    }
    terminal.person.run(&["stop"]).ended(0);

    let page = served("page");
    page.person.begins();
    let address = format!("http://127.0.0.1:{}/#{}", page.port, page.key);
    let mut screen = Screen::at(Seat::take(), &address);
    screen.until("the lot", |seen| {
        seen["links"].to_string().contains("Choose its lot")
    });
    std::thread::sleep(std::time::Duration::from_secs(1));
    screen.press("Take lot S-12");
    screen.until("the lot is named", |seen| seen["lot"] == "Lot: S-12");
    screen.press("Answers");
    screen.write("A remark for the record", "cool bench");
    screen.press("Write it down");
    screen.until("noted", |seen| seen["said"].to_string().contains("Noted"));
    let twice = |screen: &mut Screen, first: &str, then: &str| {
        screen.press(first);
        std::thread::sleep(std::time::Duration::from_secs(1));
        screen.press(then);
        screen.until("the bench", |seen| seen["hash"] == "#/");
        screen.press("Answers");
    };
    let skip = |screen: &mut Screen, name: &str, why: &str| {
        screen.reads(&format!("Leave {name} out"));
        screen.write("Why it is left out, for the record", why);
        twice(
            screen,
            &format!("Leave {name} out"),
            &format!("Press again: leave {name} out"),
        );
    };
    skip(&mut screen, "Sea salt", "none is left");
    screen.reads("take back leaving Sea salt out");
    twice(&mut screen, "Undo", "Press again: undo");
    skip(&mut screen, "Sea salt", "none is left");
    skip(&mut screen, "Epsom salt", "spilt");
    screen.reads("take back leaving Epsom salt out");
    twice(&mut screen, "Undo", "Press again: undo");
    screen.pictures("room-answers");
    screen.press("Bench");
    screen.press("Stop the batch");
    std::thread::sleep(std::time::Duration::from_secs(1));
    screen.press("Press again: stop now");
    screen.until("stopped", |seen| seen["view"] == "idle");

    // Its record says what was left out and why, and calls it incomplete.
    screen.press("Batches");
    let name = cells(&only_log(&page.person), "opened", "batch").remove(0);
    screen.press(&name);
    let seen = screen.reads("skipped: none is left");
    assert!(
        has(
            &seen,
            "inside",
            "incomplete: Sea salt skipped, Epsom salt not weighed"
        ),
        "{seen:#}"
    );
    assert!(!has(&seen, "inside", "kept"), "{seen:#}");

    assert_eq!(story(&page), story(&terminal));
    assert!(story(&page).len() > 7);
}

/// What is not seen is not told as if it was, and nobody pours on without a weight; numbers are no finer than the scale.
#[test]
fn what_the_page_cannot_know_or_show_it_does_not_claim() {
    let served = Served::start();
    let mut page = Fed::open(&served);
    let step = |target: &str, low: &str, high: &str| {
        json!({"at": 0.0, "event": "step", "step": 1, "of": 2, "phase": "Dry", "ingredient": "Sea salt",
            "target": target, "low": low, "high": high, "scale": "scale"})
    };
    let usual = || step("60.00", "59.43", "60.57");
    let add = |say: &str, lead: usize| cue("add", say, &[], json!({"lead": lead, "urgent": false}));
    let beside = |page: &mut Fed| {
        page.does(
            json!({"do": "script", "text": "return document.getElementById('beside').innerText"}),
        )["is"]
            .clone()
    };

    // The cable is pulled in the pour: the engine's sentence, and that nothing is to be poured.
    let gone =
        "The line to scale scale is gone. Plug it in or switch it on; what is recorded is safe.";
    page.shows(&State {
        name: "cable",
        events: vec![
            usual(),
            tare("tared"),
            add("60.00 g to add: Sea salt.", 8),
            json!({"at": 9.0, "event": "fault", "fault": gone, "scale": "scale", "code": "lost", "over": false}),
            cue("fault", gone, &[], json!({})),
        ],
        more: json!({"scales": [{"name": "scale", "line": "lost"}]}),
        say: "is gone".into(),
    });
    assert_eq!(beside(&mut page), "Stop pouring until the weight is back.");
    let seen = page.reads(SCREENS[0], LETTERS[0]);
    assert_eq!(seen["tare"], "Pan and tare: not known now", "{seen:#}");
    for fault in ["cut", "covered", "over", "out", "broken"] {
        assert_eq!(seen[fault], json!([]), "{fault}: {seen:#}");
    }

    // While the batch runs a weight without a verdict can be weighed again, and its record says how; not one for which the
    // scale is too coarse.
    for (again, told) in [(true, "one reason"), (false, "another reason")] {
        let record = json!({"ok": true, "batch": "two-beakers-20260101-0900", "formula": "Two beakers", "bare": "Two beakers",
            "state": "open", "code": "open", "grams": "60.00", "jars": [], "notes": [], "steps": [{"step": 1, "ingredient": "Sea salt",
            "net": "60.00", "verdict": null, "unproven": {"why": told, "off": null, "again": again}}]});
        let shows = format!(
            "fed.record = {record}; location.hash = '#/'; \
             setTimeout(() => {{ location.hash = '#/batches/two-beakers-20260101-0900'; }}, 300)"
        );
        page.does(json!({"do": "script", "text": shows}));
        let inside = "document.getElementById('room-inside').innerText";
        page.does(json!({"do": "until", "text": format!("{inside}.includes({told:?})")}));
        let undo = page
            .does(json!({"do": "script", "text": format!("return {inside}.includes('“Undo”')")}));
        assert_eq!(undo["is"], json!(again));
    }

    // An ounce scale of 0.0001 oz shows 0.0028 g: what is read has three decimals, the window rounded inward.
    let mut ounces = reading("52.555671", "7.444330");
    ounces["weight"] = json!("202.555671");
    page.shows(&State {
        name: "ounces",
        events: vec![
            step("60.000001", "59.430878", "60.569635"),
            tare("tared"),
            ounces,
            add("7.444 g to add: Sea salt.", 8),
        ],
        more: json!({"target": "60.000001", "low": "59.430878", "high": "60.569635", "scales": []}),
        say: "to add".into(),
    });
    let seen = page.reads(SCREENS[3], LETTERS[0]);
    assert_eq!(seen["digits"], "7.444", "{seen:#}");
    assert_eq!(seen["gate"], "window\n59.431 – 60.569 g", "{seen:#}");

    // At nothing the mark stands whole on a phone.
    page.shows(&State {
        name: "nothing yet",
        events: vec![
            usual(),
            tare("tared"),
            reading("0.00", "60.00"),
            add("60.00 g to add: Sea salt.", 8),
        ],
        more: json!({}),
        say: "to add".into(),
    });
    page.reads(SCREENS[0], LETTERS[0]);
    std::thread::sleep(std::time::Duration::from_millis(400));
    let left = page.does(json!({"do": "script",
        "text": "return document.getElementById('head').getBoundingClientRect().left"}));
    assert!(
        left["is"].as_f64().is_some_and(|left| left >= 0.0),
        "{left}"
    );

    // A jar is told by its number; what comes after a batch is offered with its name.
    let jar = json!({"at": 8.0, "event": "recorded", "step": 2, "ingredient": "First soak 1.0", "net": "62.00",
        "verdict": "inside", "seq": 9});
    page.shows(&State {
        name: "jars",
        events: vec![
            usual(),
            jar,
            cue("place", "Place empty jar 3.", &[], json!({"urgent": false})),
        ],
        more: json!({"filling": true, "state": "empty"}),
        say: "Place empty jar 3".into(),
    });
    let seen = page.reads(SCREENS[3], LETTERS[0]);
    assert_eq!(seen["recorded"], "Jar 2: 62.00 g, inside", "{seen:#}");
    for (filling, leads) in [
        (
            true,
            "Record of the batch #/batches/two-beakers-20260101-0900",
        ),
        (false, "Fill jars #/fill/two-beakers-20260101-0900"),
    ] {
        let done = cue(
            "done",
            "Done. 100.00 g weighed in 2 steps.",
            &[],
            json!({"urgent": false}),
        );
        page.shows(&State {
            name: "done",
            events: vec![
                usual(),
                cue("place", "Place it.", &[], json!({"urgent": false})),
            ],
            more: json!({"filling": filling, "state": "empty"}),
            say: "Place it".into(),
        });
        page.does(json!({"do": "more", "events": [done, {"at": 9.0, "event": "closed", "complete": true}]}));
        let shown = page.does(json!({"do": "script", "text":
            "const key = document.getElementById('to-after'); \
             return [document.getElementById('batch').innerText, key.hidden ? '' : \
             document.getElementById('to-after-word').innerText + ' ' + key.getAttribute('href').replace(/^.*#/, '#')]"}));
        let name = "batch two-beakers-20260101-0900";
        assert_eq!(shown["is"], json!([name, leads]), "{filling}");
    }
}
