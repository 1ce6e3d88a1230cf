//! The daemon's replies, both ways: one JSON object a line.

use serde::{Deserialize, Serialize};

use super::event::Recorded;
use super::json;
use crate::language::{Language, Sentence, phrase};
use crate::vocabulary::code::Help;
use crate::vocabulary::progress::Refused;
use crate::vocabulary::status::{OutputStatus, Status};

/// What a request gets: `{"ok":true,...}` or `{"ok":false,"error":"..."}`.
pub type Reply = Result<Answer, Refusal>;

/// A request was taken.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(untagged)]
pub enum Answer {
    Status(Box<Standing>),
    Hello(Hello),
    Pass(Pass),
    Said(Said),
}

/// The answer to `hello`.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Hello {
    pub hello: String,
    pub version: String,
    pub protocol: u32,
}

/// The answer to `status`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Standing {
    pub status: Status,
    /// The name of the batch under way.
    pub batch: Option<String>,
    /// Whether jars are filled from it, each a step.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub filling: bool,
    /// The file of its log, where its path is text: the configuration on the disk may name another folder
    /// meanwhile.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub log: Option<String>,
    /// What was recorded last in the batch under way and was not taken back.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub recorded: Option<Recorded<'static>>,
    pub lines: Vec<LineStatus>,
    pub cues: Vec<OutputStatus>,
    /// One line for each thing that a person should know.
    pub trouble: Option<Sentence>,
}

/// The answer to `let-in`: an address that lets one browser in, once, for so long.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Pass {
    pub link: String,
    pub seconds: u64,
}

/// How the line to a scale stands.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct LineStatus {
    pub scale: String,
    /// `None` while it is not open.
    pub port: Option<String>,
    /// Why it is not open: a stable short word, and words for a person.
    pub code: Option<String>,
    pub trouble: Option<Sentence>,
}

/// The answer to everything else.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Said {
    pub say: Sentence,
    /// How many rows that the word made are not on the disk; `None` for a word that makes none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub pending: Option<usize>,
    /// What of it is to be heeded, one sentence each; `say` has them too.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub notes: Vec<Sentence>,
}

/// Why a request is not taken.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, thiserror::Error)]
#[error("{error}")]
pub struct Refusal {
    /// For a person.
    pub error: Sentence,
    /// What helps, and the scale, lot or batch that it is about.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub help: Option<Help>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub of: Option<String>,
    /// The field of the request that is wrong, and why: `error` is both.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub field: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub why: Option<Box<Sentence>>,
}

impl Refusal {
    pub fn new(error: impl Into<Sentence>) -> Refusal {
        Refusal {
            error: error.into(),
            help: None,
            of: None,
            field: None,
            why: None,
        }
    }

    /// Of one field of the request.
    pub fn of_field(field: &str, why: impl Into<Sentence>) -> Refusal {
        let why = why.into();
        Refusal {
            field: Some(field.to_owned()),
            why: Some(Box::new(why.clone())),
            ..Refusal::new(phrase!("{field} {why}", field, why))
        }
    }

    /// As it is shown to a person, each sentence as `say` says it.
    #[must_use]
    pub fn said_as(self, say: &dyn Fn(&Sentence) -> Sentence) -> Refusal {
        Refusal {
            error: say(&self.error),
            why: self.why.map(|why| Box::new(say(&why))),
            ..self
        }
    }

    pub fn help(self, help: Help) -> Refusal {
        Refusal {
            help: Some(help),
            ..self
        }
    }

    /// Help that is about `of`.
    pub fn help_of(self, help: Help, of: &str) -> Refusal {
        Refusal {
            of: Some(of.to_owned()),
            ..self.help(help)
        }
    }
}

/// A reply as it is shown to a person of that language.
///
/// # Errors
/// The refusal that it is.
pub fn put_into(reply: Reply, language: Language) -> Reply {
    said_as(reply, &|say| say.put_into(language))
}

/// A reply as it is shown to a person, each sentence as `say` says it.
///
/// # Errors
/// The refusal that it is.
pub fn said_as(reply: Reply, say: &dyn Fn(&Sentence) -> Sentence) -> Reply {
    match reply {
        Ok(answer) => Ok(answer.said_as(say)),
        Err(refusal) => Err(refusal.said_as(say)),
    }
}

impl From<Sentence> for Refusal {
    fn from(error: Sentence) -> Refusal {
        Refusal::new(error)
    }
}

impl From<Refused> for Refusal {
    fn from(refused: Refused) -> Refusal {
        Refusal {
            help: refused.help,
            ..Refusal::new(refused.say)
        }
    }
}

impl Said {
    pub fn new(say: impl Into<Sentence>) -> Said {
        Said {
            say: say.into(),
            pending: None,
            notes: Vec::new(),
        }
    }

    /// Says one thing more, that is to be heeded.
    pub fn note(&mut self, note: impl Into<Sentence>) {
        let note = note.into();
        let said = std::mem::take(&mut self.say);
        self.say = phrase!("{said}\nNote: {note}", said, note = note.clone());
        self.notes.push(note);
    }

    fn said_as(self, say: &dyn Fn(&Sentence) -> Sentence) -> Said {
        Said {
            say: say(&self.say),
            notes: self.notes.iter().map(say).collect(),
            ..self
        }
    }
}

impl Answer {
    pub fn said(say: impl Into<Sentence>) -> Answer {
        Answer::Said(Said::new(say))
    }

    /// As it is shown to a person, each sentence as `say` says it.
    #[must_use]
    pub fn said_as(self, say: &dyn Fn(&Sentence) -> Sentence) -> Answer {
        match self {
            Answer::Said(said) => Answer::Said(said.said_as(say)),
            Answer::Status(mut standing) => {
                for line in &mut standing.lines {
                    line.trouble = line.trouble.as_ref().map(say);
                }
                standing.trouble = standing.trouble.as_ref().map(say);
                Answer::Status(standing)
            }
            Answer::Hello(_) | Answer::Pass(_) => self,
        }
    }
}

#[derive(Serialize)]
struct Line<'a, T> {
    ok: bool,
    #[serde(flatten)]
    rest: &'a T,
}

/// A reply as one line with its line feed.
pub fn line(reply: &Reply) -> Vec<u8> {
    let mut out = Vec::new();
    match reply {
        Ok(rest) => json::line(&mut out, &Line { ok: true, rest }),
        Err(rest) => json::line(&mut out, &Line { ok: false, rest }),
    }
    out
}

/// Reads one line.
///
/// # Errors
/// For what is no reply of this version.
pub fn read(line: &[u8]) -> serde_json::Result<Reply> {
    #[derive(Deserialize)]
    struct Head {
        ok: bool,
    }
    let Head { ok } = serde_json::from_slice(line)?;
    Ok(if ok {
        Ok(serde_json::from_slice(line)?)
    } else {
        Err(serde_json::from_slice(line)?)
    })
}

#[cfg(test)]
mod tests {
    use crate::mass::Mass;
    use crate::protocol::reply::*;
    use crate::vocabulary::entry::Verdict;
    use crate::vocabulary::weight::Weight;

    #[test]
    fn each_reply_has_its_fixed_line_and_is_read_back() {
        let replies: [(Reply, &str); 7] = [
            (
                Ok(Answer::Pass(Pass {
                    link: "http://192.0.2.1/#once-1".to_owned(),
                    seconds: 300,
                })),
                r#"{"ok":true,"link":"http://192.0.2.1/#once-1","seconds":300}"#,
            ),
            (
                Ok(Answer::said("a \"b\" \u{202e}")),
                r#"{"ok":true,"say":"a \"b\" \u202e"}"#,
            ),
            (
                Ok(Answer::Said(Said {
                    say: "noted".into(),
                    pending: Some(0),
                    notes: Vec::new(),
                })),
                r#"{"ok":true,"say":"noted","pending":0}"#,
            ),
            (
                Ok(Answer::Hello(Hello {
                    hello: "bismar".to_owned(),
                    version: "0.1.0".to_owned(),
                    protocol: 1,
                })),
                r#"{"ok":true,"hello":"bismar","version":"0.1.0","protocol":1}"#,
            ),
            (Err(Refusal::new("no")), r#"{"ok":false,"error":"no"}"#),
            (
                Err(Refusal::new("no").help_of(Help::Despite, "B-12")),
                r#"{"ok":false,"error":"no","help":"despite","of":"B-12"}"#,
            ),
            (
                Err(Refusal::of_field("fill", "\"5\": no unit".to_owned())),
                r#"{"ok":false,"error":"fill \"5\": no unit","field":"fill","why":"\"5\": no unit"}"#,
            ),
        ];
        for (reply, text) in replies {
            let written = line(&reply);
            assert_eq!(String::from_utf8(written).unwrap(), format!("{text}\n"));
            assert_eq!(read(text.as_bytes()).unwrap(), reply);
        }
        let standing = Ok(Answer::Status(Box::new(Standing {
            status: Status::default(),
            batch: Some("soak-1".to_owned()),
            filling: true,
            log: Some("/logs/soak-1.csv".to_owned()),
            recorded: Some(Recorded {
                step: 1,
                ingredient: "Sea salt".into(),
                net: Weight::plain(Mass::from_mg(60_000)),
                verdict: Some(Verdict::Inside),
                seq: 7,
            }),
            lines: vec![LineStatus {
                scale: "bench".to_owned(),
                port: None,
                code: Some("absent".to_owned()),
                trouble: Some("it is not there".into()),
            }],
            cues: Vec::new(),
            trouble: None,
        })));
        let written = line(&standing);
        assert!(written.starts_with(br#"{"ok":true,"status":{"formula":null,"#));
        assert_eq!(read(&written).unwrap(), standing);
    }

    #[test]
    fn what_is_no_reply_is_an_error() {
        for bad in [
            "",
            "{}",
            "[]",
            r#"{"ok":true}"#,
            r#"{"ok":false}"#,
            r#"{"ok":1}"#,
        ] {
            assert!(read(bad.as_bytes()).is_err(), "{bad}");
        }
    }
}
