//! The engine's events as lines of the protocol: scales by their names. Pure and deterministic.

use std::borrow::Cow;

use super::event::{self, Told};
use super::json;
use crate::config::Config;
use crate::language::{Language, remark};
use crate::mass::Mass;
use crate::time::Moment;
use crate::vocabulary::reading::ScaleIndex;
use crate::vocabulary::weight::Weight;
use crate::weighing::event::{Event, Live};

/// Writes events as JSON lines.
#[derive(Debug, Clone, Default)]
pub struct Wire {
    /// The scales' names, by index.
    scales: Vec<String>,
    language: Language,
}

impl Wire {
    pub fn new(config: &Config) -> Wire {
        Wire::with_names(config.scales.iter().map(|scale| scale.name.as_str()))
    }

    /// For scales named `names`, in the configuration's order.
    pub fn with_names<'a>(names: impl IntoIterator<Item = &'a str>) -> Wire {
        Wire {
            scales: names.into_iter().map(str::to_owned).collect(),
            language: Language::English,
        }
    }

    /// With sentences as they are shown; what goes into a file stays English.
    #[must_use]
    pub fn speaking(self, language: Language) -> Wire {
        Wire { language, ..self }
    }

    /// Appends `event` to `out` as one line with its line feed. `at` is when it came out of the
    /// engine. A row on its way to the log ([`Event::Log`]) is no event of the wire: nothing is
    /// written and `false` is returned.
    pub fn write(&self, out: &mut Vec<u8>, at: Moment, event: &Event) -> bool {
        let Some(event) = self.event(event) else {
            return false;
        };
        json::line(out, &Told { at, event });
        true
    }

    fn event<'a>(&'a self, event: &'a Event) -> Option<event::Event<'a>> {
        Some(match event {
            Event::Log(_) => return None,
            Event::Reading(live) => event::Event::Reading(self.reading(live)),
            Event::Cue(cue) => event::Event::Cue(event::Cue {
                kind: cue.kind,
                say: Cow::Owned(cue.say.in_language(self.language)),
                step: cue.step,
                missing: cue.missing.map(Weight::plain),
                choices: Cow::Borrowed(&cue.choices),
                urgent: cue.urgent,
                lead: cue.lead,
                asks: cue.asks,
            }),
            Event::Recorded { .. } => event::Event::Recorded(recorded(event)?),
            Event::Step {
                step,
                of,
                phase,
                ingredient,
                target,
                low,
                high,
                scale,
            } => event::Event::Step(event::Step {
                step: *step,
                of: *of,
                phase: Cow::Owned(remark::told(phase).in_language(self.language)),
                ingredient: Cow::Borrowed(ingredient),
                target: Weight::plain(*target),
                low: Weight::plain(*low),
                high: Weight::plain(*high),
                scale: self.scale(*scale),
            }),
            Event::Fault { scale, code, over } => event::Event::Fault(event::Fault {
                scale: scale.and_then(|index| self.scale(index)),
                code: *code,
                over: *over,
            }),
            Event::Tare { state, tare } => event::Event::Tare(event::Tare {
                state: self.language.text(state.words()),
                tare: tare.map(Weight::plain),
                code: *state,
            }),
            Event::Closed { complete } => event::Event::Closed {
                complete: *complete,
            },
        })
    }

    fn reading(&self, live: &Live) -> event::Reading<'_> {
        let weight = |mass: Mass| Weight::new(mass, live.readability);
        event::Reading {
            scale: self.scale(live.scale),
            weight: weight(live.weight),
            net: live.net.map(weight),
            missing: live.missing.map(weight),
            steady: live.steady,
        }
    }

    fn scale(&self, index: ScaleIndex) -> Option<Cow<'_, str>> {
        self.scales.get(index).map(|name| Cow::Borrowed(&**name))
    }
}

/// What `event` says is recorded.
pub fn recorded(event: &Event) -> Option<event::Recorded<'_>> {
    let Event::Recorded {
        step,
        ingredient,
        net,
        verdict,
        seq,
        readability,
    } = event
    else {
        return None;
    };
    Some(event::Recorded {
        step: *step,
        ingredient: Cow::Borrowed(ingredient),
        net: Weight::new(*net, *readability),
        verdict: *verdict,
        seq: *seq,
    })
}

#[cfg(test)]
mod tests {
    use crate::protocol::wire::*;
    use crate::vocabulary::code::{FaultCode, Stands};
    use crate::vocabulary::command::Choice;
    use crate::vocabulary::cue::{Ask, Cue, CueKind};
    use crate::vocabulary::entry::Verdict;

    fn line(event: &Event) -> String {
        let mut out = Vec::new();
        assert!(Wire::with_names(["bench", "fi\"ne"]).write(
            &mut out,
            Moment::from_millis(1_250),
            event
        ));
        String::from_utf8(out).unwrap()
    }

    fn ease_off() -> Event {
        Event::Cue(Cue {
            kind: CueKind::EaseOff,
            say: "3.2 g to go: ease off \"now\"".into(),
            step: 2,
            missing: Some(Mass::from_mg(3_200)),
            choices: vec![Choice::Next, Choice::Keep],
            urgent: false,
            lead: 0,
            asks: None,
        })
    }

    #[test]
    fn each_event_has_its_fixed_line() {
        assert_eq!(
            line(&ease_off()),
            "{\"at\":1.250000,\"event\":\"cue\",\"cue\":\"ease-off\",\"say\":\"3.2 g to go: ease \
             off \\\"now\\\"\",\"step\":2,\"missing\":\"3.20\",\"choices\":[\"next\",\"keep\"],\
             \"urgent\":false}\n"
        );
        let lot = Event::Cue(Cue {
            kind: CueKind::Add,
            say: "3.20 g to add: salt.".into(),
            step: 2,
            missing: Some(Mass::from_mg(3_200)),
            choices: Vec::new(),
            urgent: false,
            lead: 7,
            asks: Some(Ask::Lot),
        });
        assert_eq!(
            line(&lot),
            "{\"at\":1.250000,\"event\":\"cue\",\"cue\":\"add\",\"say\":\"3.20 g to add: salt.\",\
             \"step\":2,\"missing\":\"3.20\",\"choices\":[],\"urgent\":false,\"lead\":7,\
             \"asks\":\"lot\"}\n"
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
            code: FaultCode::Lost,
            over: true,
        };
        assert_eq!(
            line(&fault),
            "{\"at\":1.250000,\"event\":\"fault\",\"scale\":null,\"code\":\"lost\",\"over\":true}\n"
        );
        let tare = Event::Tare {
            state: Stands::ZeroLost,
            tare: None,
        };
        assert_eq!(
            line(&tare),
            "{\"at\":1.250000,\"event\":\"tare\",\"state\":\"zero lost, lift and put back\",\
             \"tare\":null,\"code\":\"zero-lost\"}\n"
        );
    }

    #[test]
    fn what_is_written_is_read_back_and_written_the_same() {
        let mg = Mass::from_mg;
        let events = [
            ease_off(),
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
                ingredient: "Épsom \u{202e}salt".into(),
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
            Event::Fault {
                scale: None,
                code: FaultCode::Silent,
                over: false,
            },
            Event::Tare {
                state: Stands::Tared,
                tare: Some(mg(151_200)),
            },
            Event::Closed { complete: false },
        ];
        let wire = Wire::with_names(["bench", "fi\"ne"]);
        for happened in events {
            let text = line(&happened);
            let told = Told::read(text.as_bytes()).unwrap();
            assert_eq!(Some(&told.event), wire.event(&happened).as_ref());
            let mut again = Vec::new();
            json::line(&mut again, &told);
            assert_eq!(String::from_utf8(again).unwrap(), text);
        }
    }

    #[test]
    fn an_event_and_an_answer_of_a_newer_version_harm_nobody() {
        let newer = br#"{"at":1.5,"event":"humidity","percent":40}"#;
        assert_eq!(Told::read(newer).unwrap().event, event::Event::Other);
        let newer = line(&ease_off()).replace("\"keep\"", "\"ponder\"");
        let event::Event::Cue(cue) = Told::read(newer.as_bytes()).unwrap().event else {
            panic!("a cue");
        };
        assert_eq!(*cue.choices, [Choice::Next]);
    }
}
