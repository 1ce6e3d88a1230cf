//! Requests of a client over the control socket: one JSON object a line.
//!
//! | request | reply |
//! | --- | --- |
//! | `{"do":"hello"}` | `{"ok":true,"hello":"bismar","version":"0.1.0","protocol":1}` |
//! | `{"do":"status"}` | `{"ok":true,"status":{...},"batch":"soak-1","lines":[...],"cues":[...],"trouble":null}` |
//! | `{"do":"begin","formula":"/home/.../balm.toml","batch":"500g"}` | `{"ok":true,"say":"..."}` |
//! | `{"do":"begin","formula":"/...","jars":8,"fill":"55g"}` | the same |
//! | `{"do":"fill","batch":"soak-1","fill":"55g","rule":"eu"}` | the same; every field may be left out |
//! | `{"do":"begin",...,"allowance":"3%"}` | the same, 3 % more than that |
//! | `{"do":"begin",...,"overweigh":[{"step":2,"mass":"1.5g"}]}` | the same, with more of step 2 for its beaker |
//! | `{"do":"begin",...,"planned":true}` | the same, without what the plan told |
//! | `{"do":"next"}`, `again`, `keep`, `stop` | `{"ok":true,"say":"...","pending":0}` |
//! | `{"do":"lot","lot":"B-12"}`, `{"do":"note","note":"..."}` | the same |
//! | `{"do":"remedy","way":"in-proportion"}`, `{"do":"residue","step":3}` | the same |
//! | `{"do":"remedy","way":"in-proportion","batch":"soak-1"}` | the same, of a closed batch, which is opened again |
//! | `{"do":"go-on","batch":"soak-1"}` | the same, of a batch that was stopped before its last step |
//! | `{"do":"lot","lot":"B-12","despite":"tested today"}` | the same |
//! | `{"do":"lot","lot":"B-12","step":2}` | the same, of a step that is weighed already |
//! | `{"do":"lot","lot":"B-12","step":2,"batch":"soak-1"}` | the same, of that batch, under way or over |
//! | `{"do":"let-in"}` | `{"ok":true,"link":"http://.../#once-...","seconds":300}`, for one browser, once |
//! | `{"do":"reload"}` | `{"ok":true,"say":"..."}`; the configuration file is read anew |
//! | `{"do":"subscribe","readings":true}` | `{"ok":true,"say":"..."}`, then events, one a line |
//!
//! A word that makes rows of the log is answered when they are on the disk, or known not to be, or
//! after two seconds; `pending` is how many rows are not on the disk then, and `say` tells why.
//! A lot that the list of lots or the logs speak against (of another ingredient, past its day, empty,
//! less than the step needs, or not to be looked up) is not taken without `despite`, the reason, which
//! goes into the log as a note.
//! A subscription begins with the step and the cue that hold. A fault of the code `slow` ends one
//! whose events are not read. `trouble` has one line for each thing that a person should know.
//!
//! A request that is not understood or not taken gets `{"ok":false,"error":"..."}`. Beside it may stand
//! `help`, a stable word for what would help, with `of`, what that is about; and `field` with `why`, where
//! one field of the request is wrong. `notes` has what of `say` is to be heeded.

use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use super::reply::Refusal;
use crate::document::shown;
use crate::formula::allowance::{Allowance, AllowanceError};
use crate::formula::plan::BatchSize;
use crate::journal::format::cell::breaks;
use crate::language::{Sentence, Term, phrase, term};
use crate::mass::Mass;
use crate::metrology::prepackage::Rule;
use crate::text::alike::is_invisible;
use crate::text::harmless;
use crate::vocabulary::command::Command;
use crate::vocabulary::command::Way;

/// Version of this protocol; grows when a client must change.
pub const PROTOCOL: u32 = 1;

/// The longest text of a lot or a note, in bytes.
pub const LONGEST_TEXT: usize = 1000;

/// The longest lot and the longest reason for one, in characters: both fit whole into a note.
const LONGEST_LOT: usize = 150;
const LONGEST_REASON: usize = 200;

/// The longest reason why a line is no request, in characters.
const LONGEST_WHY: usize = 300;

/// The longest path that Linux takes, in bytes (`PATH_MAX` of limits.h).
const LONGEST_PATH: usize = 4096;

/// One request. See the module's text for the JSON.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "do", rename_all = "kebab-case", deny_unknown_fields)]
pub enum Request {
    Hello,
    Status,
    Begin {
        /// Absolute: the daemon's working folder is not the client's.
        formula: PathBuf,
        /// Mass of the batch with its unit, `500g`.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        batch: Option<String>,
        #[serde(default, skip_serializing_if = "Option::is_none")]
        jars: Option<u32>,
        /// Fill of one jar with its unit, `55g`.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        fill: Option<String>,
        /// What is made more for losses, `3%`.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        allowance: Option<String>,
        /// What usually stays in the beakers of steps and is weighed on top.
        #[serde(default, skip_serializing_if = "Vec::is_empty")]
        overweigh: Vec<Overweigh>,
        /// Its plan was read: what that tells is not told again.
        #[serde(default, skip_serializing_if = "std::ops::Not::not")]
        planned: bool,
    },
    /// Fills jars out of a batch that is weighed; what is left out is as planned, or the default.
    Fill {
        /// The batch's name; without it the one that was weighed last.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        batch: Option<String>,
        /// The net content on the label, `55g`.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        fill: Option<String>,
        /// How much more is let in, `1g`.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        over: Option<String>,
        /// How many jars at most.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        jars: Option<u32>,
        /// `eu`, `r87` or `hb133`.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        rule: Option<String>,
        /// With `hb133`: the maximum allowable variation of one package, `2.5g`.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        allowable: Option<String>,
    },
    Next,
    Again,
    Keep,
    /// Takes back what was done last.
    Undo,
    /// Gives up what was begun besides the steps.
    Cancel,
    /// Leaves the running step out.
    Skip {
        reason: String,
    },
    Lot {
        lot: String,
        /// Why it is taken whatever speaks against it.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        despite: Option<String>,
        /// The step, which may be weighed already; without it the one that waits.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        step: Option<usize>,
        /// The batch of that step; without it the one under way, or else the one that was begun last.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        batch: Option<String>,
    },
    Note {
        note: String,
    },
    /// Mends an over-pour by one of the ways of `bismar remedy`.
    Remedy {
        /// `keep`, `in-proportion` or `least-added`.
        way: String,
        /// A batch that is closed already and is opened again for it; without it the running one.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        batch: Option<String>,
    },
    /// A batch that was stopped goes on.
    GoOn {
        batch: String,
    },
    /// The emptied beaker of a step is put back.
    Residue {
        #[serde(default, skip_serializing_if = "Option::is_none")]
        step: Option<usize>,
    },
    Stop,
    /// A pass to the page for one browser.
    LetIn,
    /// The configuration file is read anew.
    Reload,
    Subscribe {
        /// Whether live readings are wanted besides the other events.
        #[serde(default)]
        readings: bool,
    },
    /// What the workshop's wire has to tell the person at this bench, all of it: what is new is said as a cue, and all
    /// stands in the status until it is over. None that a client can ask.
    #[serde(skip)]
    Heed(Vec<Sentence>),
}

/// What is weighed on top in one step, for what stays in its beaker.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Overweigh {
    /// The step's number.
    pub step: usize,
    /// With its unit, `1.5g`.
    pub mass: String,
}

/// A batch to begin, checked.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BeginRequest {
    pub formula: PathBuf,
    /// With the allowance.
    pub amount: BatchSize,
    /// Step number and what is weighed on top.
    pub overweigh: Vec<(usize, Mass)>,
    /// Whether its plan was read.
    pub planned: bool,
}

/// Jars to fill, checked.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct FillRequest {
    pub batch: Option<String>,
    pub fill: Option<Mass>,
    pub over: Option<Mass>,
    pub jars: Option<u32>,
    pub rule: Option<Rule>,
}

impl Request {
    /// Reads one line, without its line feed.
    ///
    /// # Errors
    /// [`Refusal`] for what is no JSON object of the table above.
    pub fn parse(line: &[u8]) -> Result<Request, Refusal> {
        serde_json::from_slice(line).map_err(|error| {
            // It repeats what was sent, whatever that is.
            let why = error.to_string();
            let why: String = harmless(&why).chars().take(LONGEST_WHY).collect();
            Refusal::new(phrase!("this is no request that bismar knows: {why}", why))
        })
    }

    /// The batch that a `begin` asks for, checked; `None` for any other request.
    pub fn begins(&self) -> Option<Result<BeginRequest, Refusal>> {
        let Request::Begin {
            formula,
            batch,
            jars,
            fill,
            allowance,
            overweigh,
            planned,
        } = self
        else {
            return None;
        };
        let (batch, fill, allowance) = (batch.as_deref(), fill.as_deref(), allowance.as_deref());
        let checked = || {
            Ok(BeginRequest {
                formula: whole_path(formula)?,
                amount: amount(batch, *jars, fill, allowance)?,
                overweigh: self::overweigh(overweigh)?,
                planned: *planned,
            })
        };
        Some(checked())
    }

    /// A `begin` with an allowance for losses; any other request as it is.
    pub fn with_allowance(mut self, text: Option<String>) -> Request {
        if let Request::Begin { allowance, .. } = &mut self {
            *allowance = text;
        }
        self
    }

    /// A `begin` that weighs more in some steps; any other request as it is.
    pub fn with_overweigh(mut self, wanted: Vec<Overweigh>) -> Request {
        if let Request::Begin { overweigh, .. } = &mut self {
            *overweigh = wanted;
        }
        self
    }

    /// The command of the weighing engine that this request is, if it is one.
    ///
    /// # Errors
    /// [`Refusal`] for an empty or over-long text.
    pub fn command(&self) -> Result<Option<Command>, Refusal> {
        Ok(match self {
            Request::Next => Some(Command::Next),
            Request::Again => Some(Command::Again),
            Request::Keep => Some(Command::Keep),
            Request::Lot {
                lot,
                despite,
                step,
                batch,
            } => {
                if let Some(reason) = despite {
                    plain(
                        term!("reason"),
                        checked(term!("reason"), reason)?,
                        LONGEST_REASON,
                    )?;
                }
                let lot = plain(term!("lot"), checked(term!("lot"), lot)?, LONGEST_LOT)?;
                match (step, batch) {
                    (Some(step), _) => Some(Command::LotOf(*step, lot)),
                    (None, None) => Some(Command::Lot(lot)),
                    (None, Some(batch)) => {
                        return Err(Refusal::new(phrase!(
                            "say which step of batch {batch} the lot is of",
                            batch = shown(batch),
                        )));
                    }
                }
            }
            Request::Note { note } => Some(Command::Note(checked(term!("note"), note)?)),
            Request::Remedy { way, batch: None } => Some(Command::Remedy(way_of(way)?)),
            Request::Remedy { batch: Some(_), .. } => None,
            Request::Residue { step } => Some(Command::Residue(*step)),
            Request::Undo => Some(Command::Undo),
            Request::Cancel => Some(Command::Cancel),
            Request::Skip { reason } => {
                let reason = plain(
                    term!("reason"),
                    checked(term!("reason"), reason)?,
                    LONGEST_REASON,
                )?;
                Some(Command::Skip(reason))
            }
            Request::Stop => Some(Command::Stop),
            Request::Hello
            | Request::Status
            | Request::Begin { .. }
            | Request::Fill { .. }
            | Request::GoOn { .. }
            | Request::LetIn
            | Request::Heed(_)
            | Request::Reload
            | Request::Subscribe { .. } => None,
        })
    }

    /// The reason given for a lot.
    pub fn despite(&self) -> Option<String> {
        let Request::Lot { despite, .. } = self else {
            return None;
        };
        despite.as_deref().map(|reason| reason.trim().to_owned())
    }

    /// The batch whose step a lot is named for, where it is told.
    pub fn batch_of_lot(&self) -> Option<&str> {
        let Request::Lot { batch, .. } = self else {
            return None;
        };
        batch.as_deref()
    }
}

/// The way of a remedy.
///
/// # Errors
/// [`Refusal`] for another word.
pub fn way_of(word: &str) -> Result<Way, Refusal> {
    Way::from_word(word).ok_or_else(|| {
        Refusal::new(phrase!(
            "\"{word}\" is no remedy; the ways are keep, in-proportion and least-added",
            word = shown(word),
        ))
    })
}

fn checked(what: Term, text: &str) -> Result<String, Refusal> {
    let text = text.trim();
    if is_invisible(text) {
        return Err(Refusal::new(phrase!(
            "the {what} is empty; write its text",
            what
        )));
    }
    if text.len() > LONGEST_TEXT {
        return Err(Refusal::new(phrase!(
            "the {what} is longer than {most} bytes; shorten it",
            what,
            most = LONGEST_TEXT,
        )));
    }
    Ok(text.to_owned())
}

/// A text that stands in the log as it was given: a lot that is cut or changed is another lot.
fn plain(what: Term, text: String, longest: usize) -> Result<String, Refusal> {
    if let Some(c) = text.chars().find(|c| breaks(*c)) {
        return Err(Refusal::new(phrase!(
            "the {what} has a control character ({code}) in it; type it without, or set the code reader to leave it out",
            what,
            code = format!("U+{:04X}", u32::from(c)),
        )));
    }
    if text.chars().count() > longest {
        return Err(Refusal::new(phrase!(
            "the {what} is longer than {longest} characters; shorten it",
            what,
            longest,
        )));
    }
    Ok(text)
}

fn whole_path(formula: &Path) -> Result<PathBuf, Refusal> {
    if !formula.is_absolute() {
        return Err(Refusal::new(phrase!(
            "{path} is a relative path; give the formula's whole path",
            path = shown(&formula.display().to_string()),
        )));
    }
    if formula.as_os_str().len() > LONGEST_PATH {
        return Err(Refusal::new(phrase!(
            "the formula's path is longer than {most} bytes; there is no such file",
            most = LONGEST_PATH,
        )));
    }
    Ok(formula.to_owned())
}

/// How much a client wants, from its texts: a batch, or jars with their fill, and the allowance on top.
///
/// # Errors
/// [`Refusal`] when the size is missing, doubled, no mass or too much, or the allowance is no percentage
/// from 0 to 50.
pub fn amount(
    batch: Option<&str>,
    jars: Option<u32>,
    fill: Option<&str>,
    allowance: Option<&str>,
) -> Result<BatchSize, Refusal> {
    let asked = match (batch, jars, fill) {
        (Some(batch), None, None) => BatchSize::Batch(mass("batch", batch)?),
        (None, Some(count), Some(fill)) if count > 0 => BatchSize::Jars {
            count,
            fill: mass("fill", fill)?,
        },
        (None, Some(0), Some(_)) => {
            return Err(Refusal::new(phrase!("0 jars is no batch; give 1 or more")));
        }
        _ => {
            return Err(Refusal::new(phrase!(
                "give either a batch size ({batch_at_terminal}) or jars with their fill ({jars_at_terminal})",
                batch_at_terminal = "--batch 500g",
                jars_at_terminal = "--jars 8 --fill 55g",
            )));
        }
    };
    let allowance = match allowance {
        Some(text) => text.parse().map_err(|error: AllowanceError| {
            Refusal::of_field("allowance", of_text(text, error.told()))
        })?,
        None => Allowance::NONE,
    };
    (asked.with(allowance)).map_err(|error| Refusal::new(error.told()))
}

/// Reads what is weighed on top.
fn overweigh(wanted: &[Overweigh]) -> Result<Vec<(usize, Mass)>, Refusal> {
    let one = |over: &Overweigh| Ok((over.step, mass("overweigh", &over.mass)?));
    wanted.iter().map(one).collect()
}

/// Checks the fields of a `fill`.
///
/// # Errors
/// [`Refusal`] for no mass, no jar, a rule that is not known, or an allowable variation where none
/// belongs or one is missing.
pub fn fill(request: Request) -> Result<FillRequest, Refusal> {
    let Request::Fill {
        batch,
        fill,
        over,
        jars,
        rule,
        allowable,
    } = request
    else {
        return Ok(FillRequest::default());
    };
    let masses = |what, text: Option<String>| text.map(|text| mass(what, &text)).transpose();
    if jars == Some(0) {
        return Err(Refusal::new(phrase!("0 jars are none; give 1 or more")));
    }
    let allowable = masses("allowable", allowable)?;
    let rule = match (rule.as_deref(), allowable) {
        (None, None) => None,
        (Some("eu"), None) => Some(Rule::Eu76211),
        (Some("de"), None) => Some(Rule::FPackV),
        (Some("r87"), None) => Some(Rule::OimlR87),
        (Some("hb133"), Some(allowable_variation)) => Some(Rule::Handbook133 {
            allowable_variation,
        }),
        (Some("hb133"), None) => {
            return Err(Refusal::new(phrase!(
                "with hb133 look the maximum allowable variation of your label up in NIST Handbook 133 and give it ({allowable_at_terminal})",
                allowable_at_terminal = "--allowable 2.5g",
            )));
        }
        (Some(rule), None) => {
            return Err(Refusal::new(phrase!(
                "the rule \"{rule}\" is not known; give eu, de, r87 or hb133",
                rule = shown(rule),
            )));
        }
        (_, Some(_)) => {
            return Err(Refusal::new(phrase!(
                "an allowable variation belongs to the rule hb133; the others have their own table"
            )));
        }
    };
    Ok(FillRequest {
        batch,
        fill: masses("fill", fill)?,
        over: masses("over", over)?,
        jars,
        rule,
    })
}

/// What is wrong with a text that was given.
fn of_text(text: &str, why: Sentence) -> Sentence {
    phrase!("\"{text}\": {why}", text = shown(text), why)
}

fn mass(what: &str, text: &str) -> Result<Mass, Refusal> {
    let wrong = |why| Refusal::of_field(what, of_text(text, why));
    let mass = Mass::parse_with_unit(text).map_err(|error| wrong(error.into()))?;
    if mass <= Mass::ZERO {
        return Err(wrong(phrase!("must be above zero")));
    }
    Ok(mass)
}

#[cfg(test)]
mod tests {
    use crate::protocol::request::*;

    #[test]
    fn the_requests_of_the_table_are_read() {
        let cases: [(&str, Request); 8] = [
            (r#"{"do":"hello"}"#, Request::Hello),
            (r#"{"do":"next"}"#, Request::Next),
            (
                r#"{"do":"lot","lot":"B-12"}"#,
                Request::Lot {
                    lot: "B-12".into(),
                    despite: None,
                    step: None,
                    batch: None,
                },
            ),
            (
                r#"{"do":"lot","lot":"B-12","despite":"tested"}"#,
                Request::Lot {
                    lot: "B-12".into(),
                    despite: Some("tested".into()),
                    step: None,
                    batch: None,
                },
            ),
            (
                r#"{"do":"lot","lot":"B-12","step":2,"batch":"soak-1"}"#,
                Request::Lot {
                    lot: "B-12".into(),
                    despite: None,
                    step: Some(2),
                    batch: Some("soak-1".into()),
                },
            ),
            (
                r#"{"do":"subscribe"}"#,
                Request::Subscribe { readings: false },
            ),
            (
                r#"{"do":"subscribe","readings":true}"#,
                Request::Subscribe { readings: true },
            ),
            (
                r#"{"do":"begin","formula":"/f.toml","batch":"500g"}"#,
                Request::Begin {
                    formula: "/f.toml".into(),
                    batch: Some("500g".into()),
                    jars: None,
                    fill: None,
                    allowance: None,
                    overweigh: Vec::new(),
                    planned: false,
                },
            ),
        ];
        for (json, wanted) in cases {
            let got = Request::parse(json.as_bytes()).unwrap();
            assert_eq!(got, wanted, "{json}");
            let again = serde_json::to_string(&got).unwrap();
            assert_eq!(Request::parse(again.as_bytes()).unwrap(), wanted);
        }
    }

    #[test]
    fn what_is_no_request_is_an_error() {
        for bad in [
            "",
            "{}",
            "[]",
            "null",
            "{\"do\":\"fly\"}",
            "{\"do\":\"lot\"}",
            "{\"do\":\"lot\",\"lot\":5}",
            "{\"do\":\"lot\",\"lot\":\"5\",\"step\":-1}",
            "{\"do\":\"begin\",\"formula\":\"/f\",\"batsh\":\"5g\"}",
            "{\"do\":\"next\"} {\"do\":\"next\"}",
            "\u{0}",
        ] {
            assert!(Request::parse(bad.as_bytes()).is_err(), "{bad:?}");
        }
        assert!(Request::parse(b"\xff\xfe").is_err());
        assert!(Request::parse("[".repeat(100_000).as_bytes()).is_err());
        // The reason repeats what was sent, but not all of it.
        let long = format!("{{\"do\":\"{}\"}}", "\u{202e}".repeat(10_000));
        let why = Request::parse(long.as_bytes()).unwrap_err().to_string();
        assert!(why.chars().count() < LONGEST_WHY + 50, "{why}");
        assert!(!why.contains('\u{202e}'));
    }

    #[test]
    fn a_batch_has_exactly_one_size() {
        let batch = amount(Some("500g"), None, None, None);
        assert_eq!(batch, Ok(BatchSize::Batch(Mass::from_g(500))));
        let jars = amount(None, Some(8), Some("55 g"), None);
        let fill = Mass::from_g(55);
        assert_eq!(jars, Ok(BatchSize::Jars { count: 8, fill }));
        for (b, j, f) in [
            (None, None, None),
            (Some("5g"), Some(2), None),
            (Some("5g"), Some(2), Some("3g")),
            (None, Some(2), None),
            (None, None, Some("3g")),
            (None, Some(0), Some("3g")),
            (Some("5"), None, None),
            (Some("-5g"), None, None),
            (Some("0g"), None, None),
            (Some("1001kg"), None, None),
            (None, Some(1001), Some("1kg")),
        ] {
            assert!(amount(b, j, f, None).is_err(), "{b:?} {j:?} {f:?}");
        }
        let relative = whole_path(Path::new("f.toml")).unwrap_err();
        assert!(relative.to_string().contains("relative"));
    }

    #[test]
    fn an_allowance_is_a_percentage_from_0_to_50() {
        let with = |allowance| amount(Some("500g"), None, None, allowance);
        assert_eq!(with(None), Ok(BatchSize::Batch(Mass::from_g(500))));
        assert_eq!(with(Some("50%")), Ok(BatchSize::Batch(Mass::from_g(750))));
        for wrong in ["", "3", "-1%", "3,5%", "51%", "%"] {
            assert!(with(Some(wrong)).is_err(), "{wrong:?}");
        }
    }

    #[test]
    fn texts_are_bounded_and_not_empty() {
        let note = |text: String| Request::Note { note: text }.command();
        assert!(note(" ".into()).is_err());
        assert!(note("x".repeat(LONGEST_TEXT + 1)).is_err());
        assert_eq!(
            note(" warm room ".into()),
            Ok(Some(Command::Note("warm room".into())))
        );
    }
}
