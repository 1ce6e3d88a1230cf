//! An event line read back, for who follows a subscription: the other direction of [`super::wire`].

use serde_json::Value;

use crate::mass::{Mass, Unit};
use crate::vocabulary::command::Choice;
use crate::vocabulary::cue::{Cue, CueKind};
use crate::vocabulary::entry::Verdict;
use crate::weighing::event::{Event, Live};

/// The event of one line, for scales named `scales` in the configuration's order. A scale that is
/// not among them gets the index after the last. `None` for an event of a newer version, and for
/// `fault` and `tare`, whose words belong to the engine.
pub fn read(line: &Value, scales: &[String]) -> Option<Event> {
    let text = |key: &str| line[key].as_str().map(str::to_owned);
    let count = |key: &str| usize::try_from(line[key].as_u64()?).ok();
    let scale = || {
        let name = line["scale"].as_str();
        let found = scales.iter().position(|scale| Some(scale.as_str()) == name);
        found.unwrap_or(scales.len())
    };
    Some(match line["event"].as_str()? {
        "cue" => Event::Cue(cue(line)?),
        "reading" => Event::Reading(Live {
            scale: scale(),
            ..live(line)?
        }),
        "recorded" => Event::Recorded {
            step: count("step")?,
            ingredient: text("ingredient")?,
            net: grams(&line["net"])?,
            verdict: line["verdict"].as_str().and_then(Verdict::from_name),
            seq: line["seq"].as_u64()?,
            readability: last_decimal(line["net"].as_str()?),
        },
        "step" => Event::Step {
            step: count("step")?,
            of: count("of")?,
            phase: text("phase")?,
            ingredient: text("ingredient")?,
            target: grams(&line["target"])?,
            low: grams(&line["low"])?,
            high: grams(&line["high"])?,
            scale: scale(),
        },
        "closed" => Event::Closed {
            complete: line["complete"].as_bool()?,
        },
        _ => return None,
    })
}

/// Whether a "recorded" event tells of a step that was left out: nothing, kept so.
pub fn left_out(event: &Value) -> bool {
    let net = event["net"].as_str().unwrap_or_default();
    event["verdict"] == "kept" && net.parse::<f64>().is_ok_and(|net| net == 0.0)
}

/// The cue of a line.
pub fn cue(line: &Value) -> Option<Cue> {
    let kind = line["cue"].as_str()?;
    let choices = line["choices"].as_array().map_or(&[][..], Vec::as_slice);
    Some(Cue {
        kind: CueKind::ALL.into_iter().find(|k| k.name() == kind)?,
        say: line["say"].as_str()?.to_owned(),
        step: usize::try_from(line["step"].as_u64()?).ok()?,
        missing: grams(&line["missing"]),
        choices: choices.iter().filter_map(choice).collect(),
        urgent: line["urgent"] == true,
    })
}

fn choice(name: &Value) -> Option<Choice> {
    let name = name.as_str()?;
    Choice::ALL.into_iter().find(|choice| choice.name() == name)
}

/// The reading of a line; its scale is 0. The readability is what the last decimal shows: enough to
/// write the numbers again as they were.
pub fn live(line: &Value) -> Option<Live> {
    Some(Live {
        scale: 0,
        weight: grams(&line["weight"])?,
        net: grams(&line["net"]),
        missing: grams(&line["missing"]),
        steady: line["steady"] == true,
        readability: last_decimal(line["weight"].as_str()?),
    })
}

fn last_decimal(number: &str) -> Mass {
    let decimals = number.split_once('.').map_or(0, |(_, part)| part.len());
    Mass::from_ng(10i64.pow(9 - decimals.min(9) as u32))
}

fn grams(value: &Value) -> Option<Mass> {
    Mass::parse(value.as_str()?.as_bytes(), Unit::Gram).ok()
}

#[cfg(test)]
mod tests {
    use crate::protocol::event_line::*;
    use crate::protocol::wire::Wire;
    use crate::time::Moment;

    #[test]
    fn what_the_wire_writes_is_read_back() {
        let mg = Mass::from_mg;
        let events = [
            Event::Cue(Cue {
                kind: CueKind::TakeOut,
                say: "0.30 g too much \"now\"".into(),
                step: 2,
                missing: Some(mg(-300)),
                choices: vec![Choice::Keep, Choice::Again],
                urgent: true,
            }),
            Event::Reading(Live {
                scale: 1,
                weight: mg(158_330),
                net: None,
                missing: Some(mg(4_200)),
                steady: true,
                readability: mg(10),
            }),
            Event::Recorded {
                step: 3,
                ingredient: "Épsom salt".into(),
                net: mg(118_800),
                verdict: Some(Verdict::Inside),
                seq: 7,
                readability: mg(10),
            },
            Event::Step {
                step: 1,
                of: 6,
                phase: "Dry".into(),
                ingredient: "Sea salt".into(),
                target: mg(100_000),
                low: mg(99_000),
                high: mg(101_000),
                scale: 0,
            },
            Event::Closed { complete: false },
        ];
        let scales = ["bench".to_owned(), "fine".to_owned()];
        let wire = Wire::with_names(scales.iter().map(String::as_str));
        for event in events {
            let mut line = Vec::new();
            wire.write(&mut line, Moment::default(), &event);
            let line = serde_json::from_slice(&line).unwrap();
            assert_eq!(read(&line, &scales), Some(event));
        }
    }
}
