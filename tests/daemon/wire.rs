//! The event lines read back by another JSON implementation (Python's json module) and their grams
//! by another decimal arithmetic (Python's decimal module).

use bismar::mass::Mass;
use bismar::protocol::wire::Wire;
use bismar::time::Moment;
use bismar::vocabulary::code::{FaultCode, Stands};
use bismar::vocabulary::command::Choice;
use bismar::vocabulary::cue::{Cue, CueKind};
use bismar::vocabulary::entry::{Draft, RowKind, Verdict};
use bismar::weighing::event::{Event, Live};
use serde_json::{Value, json};

use crate::bench_side::python::{self, NO_WORDS};

/// Reads JSON lines strictly (no NaN, no double key, UTF-8 only); gives each back as Python sees it, with
/// what looks like grams turned into whole nanograms.
const READER: &str = r#"
import decimal, json, sys
def once(pairs):
    keys = [k for k, _ in pairs]
    assert len(keys) == len(set(keys)), keys
    return dict(pairs)
def refuse(word):
    raise ValueError(word)
raw = sys.stdin.buffer.read()
assert raw.endswith(b"\n") and b"\r" not in raw
out = []
for line in raw[:-1].split(b"\n"):
    event = json.loads(line.decode("utf-8", "strict"), object_pairs_hook=once, parse_constant=refuse)
    for key in ("missing", "weight", "net", "target", "low", "high", "tare"):
        if isinstance(event.get(key), str):
            assert "e" not in event[key].lower(), event[key]
            ng = decimal.Decimal(event[key]) * 10**9
            assert ng == int(ng)
            event[key + "_ng"] = int(ng)
    out.append(event)
json.dump(out, sys.stdout)
"#;

/// What Python reads from the lines of `events`, each with the same time.
fn read_back(events: &[Event]) -> Vec<Value> {
    let wire = Wire::with_names(["bench", "fine \"0.01\"\\\n"]);
    let mut lines = Vec::new();
    for event in events {
        assert!(wire.write(&mut lines, Moment::from_micros(83_000_001), event));
    }
    serde_json::from_str(&python::asked(READER, NO_WORDS, &lines)).unwrap()
}

fn cue(kind: CueKind, say: &str, missing: Option<Mass>) -> Event {
    Event::Cue(Cue {
        kind,
        say: say.into(),
        step: 3,
        missing,
        choices: vec![Choice::Next, Choice::Again, Choice::Keep],
        urgent: true,
        lead: 0,
        asks: None,
    })
}

#[test]
fn every_kind_of_event_is_read_by_python() {
    let mut events: Vec<Event> = CueKind::ALL
        .into_iter()
        .map(|kind| cue(kind, "lift the beaker", None))
        .collect();
    let verdicts = Verdict::ALL.into_iter().map(Some).chain([None]);
    events.extend(verdicts.map(|verdict| Event::Recorded {
        step: 3,
        ingredient: "Sea salt, \"coarse\"".into(),
        net: Mass::from_mg(50_130),
        verdict,
        seq: 12,
        readability: Mass::from_mg(10),
    }));
    events.push(Event::Step {
        step: 3,
        of: 9,
        phase: "Oil phase".into(),
        ingredient: "Sheabutter – café ☕".into(),
        target: Mass::from_g(50),
        low: Mass::from_ng(49_512_345_000),
        high: Mass::from_mg(50_500),
        scale: 1,
    });
    events.push(Event::Fault {
        scale: None,
        code: FaultCode::Unit,
        over: false,
    });
    events.push(Event::Tare {
        state: Stands::Unsure,
        tare: Some(Mass::from_mg(-210_500)),
    });
    events.push(Event::Closed { complete: true });
    let read = read_back(&events);
    assert_eq!(read.len(), events.len());
    for (kind, got) in CueKind::ALL.into_iter().zip(&read) {
        assert_eq!(
            *got,
            json!({"at": 83.000001, "event": "cue", "cue": kind.name(), "say": "lift the beaker",
                "step": 3, "missing": null, "choices": ["next", "again", "keep"], "urgent": true})
        );
    }
    assert_eq!(
        read[10],
        json!({"at": 83.000001, "event": "recorded", "step": 3,
            "ingredient": "Sea salt, \"coarse\"", "net": "50.13", "verdict": "inside", "seq": 12,
            "net_ng": 50_130_000_000i64})
    );
    assert_eq!(read[14]["verdict"], Value::Null);
    assert_eq!(
        read[15],
        json!({"at": 83.000001, "event": "step", "step": 3, "of": 9, "phase": "Oil phase",
            "ingredient": "Sheabutter – café ☕", "target": "50.00", "low": "49.512345",
            "high": "50.50", "scale": "fine \"0.01\"\\\n", "target_ng": 50_000_000_000i64,
            "low_ng": 49_512_345_000i64, "high_ng": 50_500_000_000i64})
    );
    assert_eq!(read[16]["scale"], Value::Null);
    assert_eq!(
        read[17],
        json!({"at": 83.000001, "event": "tare", "state": "not sure of the tare", "tare": "-210.50",
            "code": "unsure", "tare_ng": -210_500_000_000i64})
    );
    assert_eq!(
        read[18],
        json!({"at": 83.000001, "event": "closed", "complete": true})
    );
}

#[test]
fn any_text_comes_through() {
    let mut texts: Vec<String> = (0u32..0x250)
        .chain([0x2028, 0x2029, 0xfeff, 0xfffd, 0xffff, 0x10000, 0x10ffff])
        .filter_map(char::from_u32)
        .map(|c| format!("a{c}{c}b"))
        .collect();
    texts.push(r#"\"},{"event":"closed","x":"\u0000"#.into());
    texts.push("\u{1b}[31m".repeat(1000));
    let events: Vec<Event> = texts.iter().map(|t| cue(CueKind::Add, t, None)).collect();
    let read = read_back(&events);
    for (text, got) in texts.iter().zip(&read) {
        assert_eq!(got["say"].as_str(), Some(text.as_str()));
    }
    assert_eq!(read.len(), texts.len());
}

#[test]
fn readings_keep_every_digit_of_the_scale() {
    let mut random = fastrand::Rng::with_seed(7);
    let live: Vec<Live> = (0..5000)
        .map(|i| {
            let step = [
                1_000_000i64,
                10_000_000,
                100_000_000,
                1_000_000_000,
                50_000_000,
            ][i % 5];
            let weight = Mass::from_ng(random.i64(-1_000_000..1_000_000) * step);
            Live {
                scale: i % 2,
                weight,
                net: (i % 3 == 0).then_some(-weight),
                missing: (i % 7 == 0).then_some(weight),
                steady: i % 4 == 0,
                readability: Mass::from_ng(step),
            }
        })
        .collect();
    let events: Vec<Event> = live.iter().copied().map(Event::Reading).collect();
    let read = read_back(&events);
    assert_eq!(read.len(), live.len());
    for (live, got) in live.iter().zip(&read) {
        assert_eq!(got["event"], "reading");
        assert_eq!(got["weight_ng"].as_i64(), Some(live.weight.ng()));
        assert_eq!(got["net_ng"].as_i64(), live.net.map(Mass::ng));
        assert_eq!(got["missing_ng"].as_i64(), live.missing.map(Mass::ng));
        assert_eq!(got["steady"], live.steady);
    }
}

#[test]
fn a_row_on_its_way_is_no_event() {
    let draft = Draft::new(RowKind::Note, "");
    let mut out = Vec::new();
    let event = Event::Log(Box::new(draft));
    assert!(!Wire::default().write(&mut out, Moment::default(), &event));
    assert_eq!(out, b"");
}

/// Shown, not judged: how long a reading's line takes, beside the general JSON library.
#[test]
fn the_cost_of_a_reading_is_shown() {
    let wire = Wire::with_names(["bench"]);
    let event = Event::Reading(Live {
        scale: 0,
        weight: Mass::from_mg(123_450),
        net: Some(Mass::from_mg(50_010)),
        missing: Some(Mass::from_mg(-10)),
        steady: true,
        readability: Mass::from_mg(10),
    });
    let rounds = 20_000u32;
    let mut out = Vec::with_capacity(1 << 25);
    let began = std::time::Instant::now();
    for i in 0..rounds {
        wire.write(&mut out, Moment::from_millis(u64::from(i)), &event);
    }
    let ours = began.elapsed() / rounds;
    let mut other = Vec::with_capacity(1 << 25);
    let began = std::time::Instant::now();
    for i in 0..rounds {
        let value = json!({"at": f64::from(i) / 1e3, "event": "reading", "scale": "bench",
            "weight": "123.45", "net": "50.01", "missing": "-0.01", "steady": true});
        serde_json::to_writer(&mut other, &value).unwrap();
    }
    println!(
        "a reading's line: {ours:?}; by serde_json: {:?}",
        began.elapsed() / rounds
    );
    assert_eq!(
        out.iter().filter(|&&byte| byte == b'\n').count(),
        rounds as usize
    );
}
