//! An event as one line of JSON: what `subscribe` sends and `replay --events` writes.
//!
//! Pure and deterministic: the same events give the same bytes. Masses are grams as text, so that
//! no reader's float changes a weight. Lines are built by hand, since a reading comes many times a
//! second and a million times in a replay.

use std::io::Write as _;

use crate::config::Config;
use crate::mass::{Mass, decimals_of};
use crate::text::misleads;
use crate::time::Moment;
use crate::vocabulary::cue::Cue;
use crate::vocabulary::entry::Verdict;
use crate::vocabulary::reading::ScaleIndex;
use crate::weighing::event::{Event, Live};

/// The least decimals of a number that belongs to no scale.
const STEP: Mass = Mass::from_mg(10);

/// Writes events as JSON lines.
#[derive(Debug, Clone, Default)]
pub struct Wire {
    /// The scales' names, quoted and escaped, by index.
    scales: Vec<Vec<u8>>,
}

impl Wire {
    pub fn new(config: &Config) -> Wire {
        Wire::with_names(config.scales.iter().map(|scale| scale.name.as_str()))
    }

    /// For scales named `names`, in the configuration's order.
    pub fn with_names<'a>(names: impl IntoIterator<Item = &'a str>) -> Wire {
        let quoted = |name: &str| {
            let mut out = Vec::with_capacity(name.len() + 2);
            text(&mut out, name);
            out
        };
        Wire {
            scales: names.into_iter().map(quoted).collect(),
        }
    }

    /// Appends `event` to `out` as one line with its line feed. `at` is when it came out of the
    /// engine, in seconds since the session began. A row on its way to the log ([`Event::Log`]) is
    /// no event of the wire: nothing is written and `false` is returned.
    pub fn write(&self, out: &mut Vec<u8>, at: Moment, event: &Event) -> bool {
        match event {
            Event::Log(_) => return false,
            Event::Reading(live) => self.reading(out, at, live),
            Event::Cue(said) => cue(out, at, said),
            Event::Recorded {
                step,
                ingredient,
                net,
                verdict,
                seq,
                readability,
            } => {
                head(out, at, "recorded");
                key_number(out, "step", *step as u64);
                key_text(out, "ingredient", ingredient);
                key_grams(out, "net", Some(*net), *readability);
                key_word(out, "verdict", verdict.map(Verdict::name));
                key_number(out, "seq", *seq);
            }
            Event::Step {
                step,
                of,
                phase,
                ingredient,
                target,
                low,
                high,
                scale,
            } => {
                head(out, at, "step");
                key_number(out, "step", *step as u64);
                key_number(out, "of", *of as u64);
                key_text(out, "phase", phase);
                key_text(out, "ingredient", ingredient);
                key_grams(out, "target", Some(*target), STEP);
                key_grams(out, "low", Some(*low), STEP);
                key_grams(out, "high", Some(*high), STEP);
                self.key_scale(out, Some(*scale));
            }
            Event::Fault { scale, code, over } => {
                head(out, at, "fault");
                self.key_scale(out, *scale);
                key_text(out, "code", code);
                key_bool(out, "over", *over);
            }
            Event::Tare { state, tare } => {
                head(out, at, "tare");
                key_text(out, "state", state);
                key_grams(out, "tare", *tare, STEP);
            }
            Event::Closed { complete } => {
                head(out, at, "closed");
                key_bool(out, "complete", *complete);
            }
        }
        out.extend_from_slice(b"}\n");
        true
    }

    fn reading(&self, out: &mut Vec<u8>, at: Moment, live: &Live) {
        head(out, at, "reading");
        self.key_scale(out, Some(live.scale));
        key_grams(out, "weight", Some(live.weight), live.readability);
        key_grams(out, "net", live.net, live.readability);
        key_grams(out, "missing", live.missing, live.readability);
        key_bool(out, "steady", live.steady);
    }

    /// The scale's name; `null` for none and for one that the configuration does not have.
    fn key_scale(&self, out: &mut Vec<u8>, scale: Option<ScaleIndex>) {
        key(out, "scale");
        match scale.and_then(|index| self.scales.get(index)) {
            Some(name) => out.extend_from_slice(name),
            None => out.extend_from_slice(b"null"),
        }
    }
}

fn cue(out: &mut Vec<u8>, at: Moment, cue: &Cue) {
    head(out, at, "cue");
    key_text(out, "cue", cue.kind.name());
    key_text(out, "say", &cue.say);
    key_number(out, "step", cue.step as u64);
    key_grams(out, "missing", cue.missing, STEP);
    key(out, "choices");
    out.push(b'[');
    for (i, choice) in cue.choices.iter().enumerate() {
        if i > 0 {
            out.push(b',');
        }
        text(out, choice.name());
    }
    out.push(b']');
    key_bool(out, "urgent", cue.urgent);
}

fn head(out: &mut Vec<u8>, at: Moment, event: &str) {
    out.extend_from_slice(b"{\"at\":");
    decimal(out, at.0, 6);
    key_text(out, "event", event);
}

/// Keys are our own plain words; they need no escape.
fn key(out: &mut Vec<u8>, name: &str) {
    out.extend_from_slice(b",\"");
    out.extend_from_slice(name.as_bytes());
    out.extend_from_slice(b"\":");
}

fn key_text(out: &mut Vec<u8>, name: &str, value: &str) {
    key(out, name);
    text(out, value);
}

fn key_word(out: &mut Vec<u8>, name: &str, value: Option<&str>) {
    key(out, name);
    match value {
        Some(word) => text(out, word),
        None => out.extend_from_slice(b"null"),
    }
}

fn key_bool(out: &mut Vec<u8>, name: &str, value: bool) {
    key(out, name);
    out.extend_from_slice(if value { b"true" } else { b"false" });
}

fn key_number(out: &mut Vec<u8>, name: &str, value: u64) {
    key(out, name);
    decimal(out, value, 0);
}

fn key_grams(out: &mut Vec<u8>, name: &str, value: Option<Mass>, step: Mass) {
    key(out, name);
    match value {
        Some(mass) => {
            out.push(b'"');
            grams(out, mass, step);
            out.push(b'"');
        }
        None => out.extend_from_slice(b"null"),
    }
}

/// The same text as [`Mass::grams`], without its 128-bit arithmetic where the mass is a whole number
/// of the step's last decimal, which a scale's number nearly always is.
fn grams(out: &mut Vec<u8>, mass: Mass, step: Mass) {
    let decimals = u32::from(decimals_of(step));
    let unit = 10u64.pow(9u32.saturating_sub(decimals));
    let ng = mass.ng().unsigned_abs();
    if ng.is_multiple_of(unit) {
        if mass.is_negative() {
            out.push(b'-');
        }
        decimal(out, ng / unit, decimals as usize);
    } else {
        // Writing into a Vec cannot fail.
        let _ = write!(out, "{}", mass.grams(step));
    }
}

/// `value / 10^decimals` in plain decimals; `decimals` is 9 at most.
fn decimal(out: &mut Vec<u8>, value: u64, decimals: usize) {
    let mut digits = [b'0'; 24];
    let mut rest = value;
    let mut count = 0;
    for place in digits.iter_mut().rev() {
        if rest == 0 && count > decimals {
            break;
        }
        *place = b'0' + (rest % 10) as u8;
        rest /= 10;
        count += 1;
    }
    let shown = digits.get(digits.len() - count..).unwrap_or(&[]);
    let (whole, part) = shown
        .split_at_checked(count - decimals)
        .unwrap_or((shown, &[]));
    out.extend_from_slice(whole);
    if !part.is_empty() {
        out.push(b'.');
        out.extend_from_slice(part);
    }
}

/// `value` as a JSON string (RFC 8259, section 7): quote, backslash and every character that
/// [`misleads`] a terminal is escaped, everything else stays as it is.
pub(super) fn text(out: &mut Vec<u8>, value: &str) {
    out.push(b'"');
    for c in value.chars() {
        match c {
            '"' => out.extend_from_slice(b"\\\""),
            '\\' => out.extend_from_slice(b"\\\\"),
            '\n' => out.extend_from_slice(b"\\n"),
            '\r' => out.extend_from_slice(b"\\r"),
            '\t' => out.extend_from_slice(b"\\t"),
            // All of them are in the basic plane: one unit.
            c if misleads(c) => {
                let _ = write!(out, "\\u{:04x}", u32::from(c));
            }
            c => out.extend_from_slice(c.encode_utf8(&mut [0; 4]).as_bytes()),
        }
    }
    out.push(b'"');
}

#[cfg(test)]
mod tests {
    use crate::protocol::wire::*;
    use crate::vocabulary::command::Choice;
    use crate::vocabulary::cue::CueKind;
    use proptest::prelude::*;

    fn line(event: &Event) -> String {
        let mut out = Vec::new();
        assert!(Wire::with_names(["bench", "fi\"ne"]).write(
            &mut out,
            Moment::from_millis(1_250),
            event
        ));
        String::from_utf8(out).unwrap()
    }

    #[test]
    fn each_event_has_its_fixed_line() {
        let cue = Event::Cue(Cue {
            kind: CueKind::EaseOff,
            say: "3.2 g to go: ease off \"now\"".into(),
            step: 2,
            missing: Some(Mass::from_mg(3_200)),
            choices: vec![Choice::Next, Choice::Keep],
            urgent: false,
        });
        assert_eq!(
            line(&cue),
            "{\"at\":1.250000,\"event\":\"cue\",\"cue\":\"ease-off\",\"say\":\"3.2 g to go: ease \
             off \\\"now\\\"\",\"step\":2,\"missing\":\"3.20\",\"choices\":[\"next\",\"keep\"],\
             \"urgent\":false}\n"
        );
        let reading = Event::Reading(Live {
            scale: 1,
            weight: Mass::from_mg(-50),
            net: None,
            missing: Some(Mass::from_g(12)),
            steady: true,
            readability: Mass::from_mg(10),
        });
        assert_eq!(
            line(&reading),
            "{\"at\":1.250000,\"event\":\"reading\",\"scale\":\"fi\\\"ne\",\"weight\":\"-0.05\",\
             \"net\":null,\"missing\":\"12.00\",\"steady\":true}\n"
        );
        let fault = Event::Fault {
            scale: Some(7),
            code: "lost",
            over: true,
        };
        assert_eq!(
            line(&fault),
            "{\"at\":1.250000,\"event\":\"fault\",\"scale\":null,\"code\":\"lost\",\"over\":true}\n"
        );
    }

    proptest! {
        #[test]
        fn the_short_way_to_grams_is_the_long_one(
            units in -20_000_000i64..20_000_000,
            exponent in 0u32..10,
            step in prop::sample::select(vec![
                1i64, 10, 1_000_000, 2_000_000, 5_000_000, 10_000_000, 50_000_000, 100_000_000,
                1_000_000_000, 5_000_000_000, 2_834_952_313, 0, -10,
            ]),
        ) {
            let mass = Mass::from_ng(units.saturating_mul(10i64.pow(exponent)));
            let step = Mass::from_ng(step);
            let mut out = Vec::new();
            grams(&mut out, mass, step);
            prop_assert_eq!(String::from_utf8(out).unwrap(), mass.grams(step).to_string());
        }

        #[test]
        fn any_text_comes_back_the_same(value in any::<String>()) {
            let mut out = Vec::new();
            text(&mut out, &value);
            prop_assert_eq!(serde_json::from_slice::<String>(&out).unwrap(), value);
        }

        #[test]
        fn any_moment_is_a_json_number(us in any::<u64>()) {
            let mut out = Vec::new();
            decimal(&mut out, us, 6);
            let text = String::from_utf8(out).unwrap();
            prop_assert_eq!(text.clone(), format!("{}.{:06}", us / 1_000_000, us % 1_000_000));
            prop_assert!(serde_json::from_str::<f64>(&text).is_ok());
        }
    }
}
