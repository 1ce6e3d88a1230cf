//! Messages on the wire, as values and texts; no broker in it.

use serde::{Deserialize, Serialize};

use super::seal::Key;
use crate::journal::format::names::{LONGEST_NAME, safe_batch_name};
use crate::journal::read::scan::LONGEST_LINE;
use crate::lots::elsewhere::State;
use crate::vocabulary::cue::CueKind;

/// The longest message that is not a row, in bytes.
pub const LONGEST_TEXT: usize = 256 << 10;

/// The largest packet that either end takes: the longest line and what stands around it.
pub const LARGEST_PACKET: u32 = LONGEST_LINE as u32 + (64 << 10);

/// How many logs one answer to "how far" tells of: so few that it is through before a bad way ends.
pub const HEADS_AT_ONCE: usize = 50;

/// What a message is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    Row,
    Status,
    Cue,
    Ask,
    Heads,
    Refused,
    Taken,
    Now,
}

impl Kind {
    pub const ALL: [Kind; 8] = [
        Kind::Row,
        Kind::Status,
        Kind::Cue,
        Kind::Ask,
        Kind::Heads,
        Kind::Refused,
        Kind::Taken,
        Kind::Now,
    ];

    pub const fn name(self) -> &'static str {
        match self {
            Kind::Row => "row",
            Kind::Status => "status",
            Kind::Cue => "cue",
            Kind::Ask => "ask",
            Kind::Heads => "heads",
            Kind::Refused => "refused",
            Kind::Taken => "taken",
            Kind::Now => "now",
        }
    }
}

/// The topic of a message; `bench` may be `+` for all of them.
pub fn topic(workshop: &str, bench: &str, kind: Kind) -> String {
    format!("bismar/1/{workshop}/{bench}/{}", kind.name())
}

/// A message as it came from the broker.
#[derive(Debug, Clone, Copy)]
pub struct Message<'m> {
    pub topic: &'m [u8],
    /// What stands beside the text: names with values.
    pub about: &'m [(String, String)],
    pub text: &'m [u8],
    /// Whether the broker had it since before.
    pub retained: bool,
}

impl<'m> Message<'m> {
    pub fn topic(&self) -> Option<&'m str> {
        std::str::from_utf8(self.topic).ok()
    }

    /// The bench and the kind that its topic names.
    pub fn place(&self, workshop: &str) -> Option<(&'m str, Kind)> {
        read_topic(self.topic()?, workshop)
    }

    /// What it says of `bench` as `kind`; `None` where it is none of ours.
    pub fn unsealed<T: Deserialize<'m>>(
        &self,
        kind: Kind,
        workshop: &str,
        bench: &str,
        key: &Key,
    ) -> Option<T> {
        unsealed(kind, workshop, bench, self.about, self.text, key)
    }
}

/// The topic of what is handed out.
pub fn handed(workshop: &str) -> String {
    format!("bismar/1/{workshop}/gather/handed")
}

/// The bench and the kind that a topic of this workshop names.
pub fn read_topic<'t>(topic: &'t str, workshop: &str) -> Option<(&'t str, Kind)> {
    let rest = topic.strip_prefix("bismar/1/")?.strip_prefix(workshop)?;
    let (bench, kind) = rest.strip_prefix('/')?.split_once('/')?;
    let kind = match kind.split_once('/') {
        // A topic for each share.
        Some((taken, share)) if taken == Kind::Taken.name() && !share.contains('/') => taken,
        Some(_) => return None,
        None => kind,
    };
    let kind = Kind::ALL.into_iter().find(|one| one.name() == kind)?;
    crate::config::is_part(bench).then_some((bench, kind))
}

/// A log's line on its way, without the bench.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RowMessage {
    /// The batch's name, which is its log's.
    pub log: String,
    /// From 1.
    pub row: u64,
    /// Who the bench is (see [`super::settings::identity`]).
    pub id: String,
    /// With its line feed.
    pub line: Vec<u8>,
}

impl RowMessage {
    /// What stands beside the line in a message, the seal last.
    pub fn properties(&self, workshop: &str, bench: &str, key: &Key) -> Vec<(String, String)> {
        let row = self.row.to_string();
        let heads = [workshop, bench, "row", &self.log, &row, &self.id];
        let seal = key.seal(&heads, &self.line);
        [
            ("log", self.log.clone()),
            ("row", row.clone()),
            ("id", self.id.clone()),
            ("seal", seal),
        ]
        .map(|(name, value)| (name.to_owned(), value))
        .into()
    }

    /// The row of a message; `None` where it is none of ours: no seal of this key, or no log's name.
    pub fn read(
        properties: &[(String, String)],
        line: &[u8],
        workshop: &str,
        bench: &str,
        key: &Key,
    ) -> Option<RowMessage> {
        let (log, row, id) = (
            property(properties, "log")?,
            property(properties, "row")?,
            property(properties, "id")?,
        );
        let seal = property(properties, "seal")?;
        let number: u64 = row.parse().ok().filter(|number| *number > 0)?;
        let plain = number.to_string() == row && is_log(log) && is_id(id);
        let fits = key.fits(seal, &[workshop, bench, "row", log, row, id], line);
        (plain && fits).then(|| RowMessage {
            log: log.to_owned(),
            row: number,
            id: id.to_owned(),
            line: line.to_owned(),
        })
    }
}

/// Whether a name can be a log's.
pub fn is_log(name: &str) -> bool {
    name.len() <= LONGEST_NAME && safe_batch_name(name) == name
}

/// Whether a text can say who a bench is: 32 hexadecimal digits.
pub fn is_id(text: &str) -> bool {
    text.len() == 32 && text.bytes().all(|b| matches!(b, b'0'..=b'9' | b'a'..=b'f'))
}

fn property<'p>(properties: &'p [(String, String)], name: &str) -> Option<&'p str> {
    let mut found = properties.iter().filter(|(one, _)| one == name);
    let first = found.next()?;
    // Of two one would be read here and the other elsewhere.
    found.next().is_none().then_some(first.1.as_str())
}

/// A text under a seal: what is asked, and how far logs go.
pub fn sealed(
    kind: Kind,
    workshop: &str,
    bench: &str,
    text: &[u8],
    key: &Key,
) -> Vec<(String, String)> {
    let seal = key.seal(&[workshop, bench, kind.name()], text);
    vec![("seal".to_owned(), seal)]
}

/// How a bench, or the gatherer, stands.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Presence {
    pub state: State,
    /// Another word for each of its connections.
    pub connection: String,
    /// Of a bench: see [`super::settings::identity`].
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// By its own clock.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub at: Option<String>,
    /// Of a bench: the version of what was handed out to it.
    #[serde(default)]
    pub handed: Option<u64>,
    /// Of the gatherer: why rows cannot be written.
    #[serde(default)]
    pub fault: Option<String>,
}

impl Presence {
    pub fn new(state: State, connection: &str) -> Presence {
        Presence {
            state,
            connection: connection.to_owned(),
            id: None,
            at: None,
            handed: None,
            fault: None,
        }
    }

    /// As it is sent: the topic, the seal, the text. `bench` is a bench's name, or [`GATHERER`].
    pub fn sealed(&self, workshop: &str, bench: &str, key: &Key) -> Spoken {
        let text = serde_json::to_vec(self).unwrap_or_default();
        Spoken {
            topic: topic(workshop, bench, Kind::Status),
            about: sealed(Kind::Status, workshop, bench, &text, key),
            text,
        }
    }
}

/// Where the gatherer stands among the benches.
pub const GATHERER: &str = "gather";

/// What is said under a topic, with the properties beside it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Spoken {
    pub topic: String,
    pub about: Vec<(String, String)>,
    pub text: Vec<u8>,
}

/// What a bench weighs now. `S` is how it stands: what the daemon answers to `status`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Now<S> {
    /// Of its presence.
    pub connection: String,
    /// The how manieth it is of this connection, so that an old one that is sent again is none.
    pub count: u64,
    /// By its own clock.
    pub at: String,
    /// `None` where the daemon's loop does not answer.
    pub bench: Option<S>,
    /// What it tells the person to do.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub cue: Option<Told>,
    /// For so many seconds it has waited for a person.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub waits: Option<u64>,
}

/// A cue as a bench said it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Told {
    pub kind: CueKind,
    pub say: String,
    pub urgent: bool,
    /// So many characters of it are the amount that it begins with.
    #[serde(default)]
    pub lead: usize,
}

/// What a sealed text says; `None` where it is none of ours.
pub fn unsealed<'t, T: Deserialize<'t>>(
    kind: Kind,
    workshop: &str,
    bench: &str,
    properties: &[(String, String)],
    text: &'t [u8],
    key: &Key,
) -> Option<T> {
    let seal = property(properties, "seal")?;
    let fits = text.len() <= LONGEST_TEXT && key.fits(seal, &[workshop, bench, kind.name()], text);
    fits.then(|| serde_json::from_slice(text).ok()).flatten()
}

/// What the gatherer asks of a bench.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub enum Ask {
    /// The rows of a log from this one on.
    Rows { log: String, from: u64 },
    /// How far each log goes; the answer says this word again.
    Heads { word: String },
}

/// How far logs go.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Heads {
    pub id: String,
    /// That of the question.
    pub word: String,
    pub heads: Vec<Head>,
}

/// How far one log goes.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Head {
    pub log: String,
    pub rows: u64,
    /// The chain cell of the last of them.
    pub chain: String,
}

#[cfg(test)]
mod tests {
    use super::*;

    fn row() -> RowMessage {
        RowMessage {
            log: "balm-20260101-0900".into(),
            row: 3,
            id: "0123456789abcdef0123456789abcdef".into(),
            line: b"a,b\n".to_vec(),
        }
    }

    #[test]
    fn a_row_comes_back_as_it_went_and_nothing_of_it_can_be_changed() {
        let key = Key::new(b"key of the workshop");
        let sent = row().properties("saltmarsh", "bench-1", &key);
        let read = |properties: &[(String, String)], line: &[u8], bench: &str| {
            RowMessage::read(properties, line, "saltmarsh", bench, &key)
        };
        assert_eq!(read(&sent, b"a,b\n", "bench-1"), Some(row()));
        assert_eq!(read(&sent, b"a,c\n", "bench-1"), None);
        assert_eq!(read(&sent, b"a,b\n", "bench-2"), None);
        for at in 0..sent.len() {
            let mut other = sent.clone();
            other[at].1.push('0');
            assert_eq!(read(&other, b"a,b\n", "bench-1"), None, "{at}");
            other = sent.clone();
            other.push(sent[at].clone());
            assert_eq!(read(&other, b"a,b\n", "bench-1"), None, "twice {at}");
            other.truncate(at);
            assert_eq!(read(&other, b"a,b\n", "bench-1"), None, "without {at}");
        }
    }

    /// A name that leads out of the folder is refused though its seal fits.
    #[test]
    fn a_log_s_name_leads_nowhere_else() {
        let key = Key::new(b"key of the workshop");
        for name in ["../x", "a/b", ".x", "-x", "", "a\0b", "é", &"x".repeat(81)] {
            let sent = RowMessage {
                log: name.into(),
                ..row()
            };
            let properties = sent.properties("w", "b", &key);
            let read = RowMessage::read(&properties, &sent.line, "w", "b", &key);
            assert_eq!(read, None, "{name:?}");
        }
    }

    #[test]
    fn a_topic_is_read_as_it_is_written() {
        let written = topic("saltmarsh", "bench-1", Kind::Row);
        assert_eq!(written, "bismar/1/saltmarsh/bench-1/row");
        assert_eq!(
            read_topic(&written, "saltmarsh"),
            Some(("bench-1", Kind::Row))
        );
        for bad in [
            "bismar/1/saltmarsh/../row",
            "bismar/1/saltmarsh2/bench-1/row",
            "bismar/1/saltmarsh/bench-1/row/x",
            "bismar/2/saltmarsh/bench-1/row",
            "bismar/1/saltmarsh/gather/row",
            "bismar/1/saltmarsh//row",
            "",
        ] {
            assert_eq!(read_topic(bad, "saltmarsh"), None, "{bad}");
        }
    }
}
