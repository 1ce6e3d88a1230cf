//! The gatherer's part in each message: who may speak, what is written, what is to be done for it. No broker in it.

use std::collections::BTreeMap;

use super::WireError;
use super::joined::{Joined, Refusal, Taken};
use super::message::{Heads, Kind, Message, Presence, RowMessage, is_id, is_log};
use super::seal::Key;
use crate::language::phrase;
use crate::lots::elsewhere::State;

/// Whose messages are taken.
#[derive(Debug, Clone, Copy)]
pub struct Intake<'a> {
    pub workshop: &'a str,
    pub benches: &'a [String],
    pub key: &'a Key,
    /// That of the questions of this connection.
    pub word: &'a str,
}

/// What is to be done after messages are written.
#[derive(Debug, Default)]
pub struct Then {
    /// Whether a row was written.
    pub added: bool,
    /// Logs of benches of which rows are missing, up to one.
    pub missing: Vec<(String, String, u64)>,
    /// The last of each bench.
    pub refused: BTreeMap<String, Refusal>,
    /// Benches that came: they are asked how far their logs go.
    pub came: Vec<String>,
    /// Benches and their logs to which a row was added that closes a batch, or its filling.
    pub closed: Vec<(String, String)>,
}

/// Takes one message in.
///
/// # Errors
/// The disk's; then nothing of what was taken since the last sync counts.
pub fn take(
    joined: &mut Joined,
    of: &Intake<'_>,
    message: &Message<'_>,
    then: &mut Then,
) -> Result<(), WireError> {
    let (workshop, key) = (of.workshop, of.key);
    let Some((bench, kind)) = message.place(workshop) else {
        return Ok(());
    };
    if !of.benches.iter().any(|one| one == bench) {
        return Ok(());
    }
    let mut done = |bench: &str, log: &str, taken: Taken| match taken {
        Taken::Added => then.added = true,
        Taken::Double => {}
        Taken::Missing { until } => {
            then.missing.push((bench.to_owned(), log.to_owned(), until));
        }
        Taken::Refused(refusal) if refusal.new => {
            then.refused.insert(bench.to_owned(), refusal);
        }
        Taken::Refused(refusal) => {
            then.refused.entry(bench.to_owned()).or_insert(refusal);
        }
    };
    match kind {
        Kind::Row => match RowMessage::read(message.about, message.text, workshop, bench, key) {
            Some(row) => {
                let taken = joined.take(bench, &row)?;
                if taken == Taken::Added && closes(&row.line) {
                    then.closed.push((bench.to_owned(), row.log.clone()));
                }
                done(bench, &row.log, taken);
            }
            None => {
                let why =
                    phrase!("a row without the workshop's seal; whoever sent it has not its key");
                let refusal = joined.refuse(bench, "", 0, why, message.text)?;
                done(bench, "", Taken::Refused(refusal));
            }
        },
        Kind::Heads => {
            let heads = message.unsealed::<Heads>(kind, workshop, bench, key);
            if let Some(heads) = heads {
                for head in &heads.heads {
                    let good = is_log(&head.log) && is_id(&heads.id) && head.rows > 0;
                    // An answer to an earlier question tells of what was: of rows that are not here, and of no more.
                    let tells = heads.word == of.word || joined.lacks(bench, &heads.id, head)?;
                    if good && tells {
                        let taken = joined.compare(bench, &heads.id, head)?;
                        done(bench, &head.log, taken);
                    }
                }
            }
        }
        Kind::Status => {
            match message.unsealed::<Presence>(kind, workshop, bench, key) {
                Some(said) if said.state == State::Here => {
                    then.came.extend(joined.came(bench, &said.connection));
                }
                Some(said) => joined.left(bench, &said.connection),
                // A stranger's word is none of the bench.
                None => {}
            }
        }
        Kind::Cue | Kind::Ask | Kind::Refused | Kind::Taken | Kind::Now => {}
    }
    Ok(())
}

/// Whether a row closes a batch, or its filling: no name of a batch has a comma in it.
fn closes(line: &[u8]) -> bool {
    line.split(|byte| *byte == b',').nth(3) == Some(b"closed")
}

#[cfg(test)]
mod tests {
    use jiff::Timestamp;

    use super::*;
    use crate::journal::store::log::LogFile;
    use crate::vocabulary::entry::{Draft, RowKind};
    use crate::wire::message::{Head, sealed, topic};

    const ID: &str = "00112233445566778899aabbccddeeff";

    /// An answer to an earlier question is true of rows that are not here; it is no word of a log that was set back, since
    /// rows may have come after it.
    #[test]
    fn an_old_answer_tells_of_missing_rows_and_of_nothing_else() {
        let dir = tempfile::tempdir().unwrap();
        let mut log = LogFile::create(&dir.path().join("own"), "soak", "Soak 1").unwrap();
        for text in ["a", "b"] {
            let draft = Draft::new(RowKind::Note, text);
            log.append(&draft, Timestamp::UNIX_EPOCH).unwrap();
        }
        let text = std::fs::read_to_string(log.path()).unwrap();
        let lines: Vec<&str> = text.lines().collect();
        let mut joined = Joined::open(&dir.path().join("joined")).unwrap();
        let key = Key::new(b"a key of the workshop");
        let benches = ["b".to_owned()];
        let of = Intake {
            workshop: "w",
            benches: &benches,
            key: &key,
            word: "this one",
        };
        let mut says = |kind: Kind, about: &[(String, String)], text: &[u8]| {
            let mut then = Then::default();
            let topic = topic("w", "b", kind);
            let message = Message {
                topic: topic.as_bytes(),
                about,
                text,
                retained: false,
            };
            take(&mut joined, &of, &message, &mut then).unwrap();
            then
        };
        let mut row = |row: usize| {
            let message = RowMessage {
                log: "soak".into(),
                row: row as u64,
                id: ID.into(),
                line: format!("{}\n", lines[row]).into_bytes(),
            };
            let about = message.properties("w", "b", &key);
            assert!(says(Kind::Row, &about, &message.line).added);
        };
        row(1);
        row(2);
        let mut told = |word: &str, rows: u64, chain: &str| {
            let heads = Heads {
                id: ID.into(),
                word: word.into(),
                heads: vec![Head {
                    log: "soak".into(),
                    rows,
                    chain: chain.into(),
                }],
            };
            let text = serde_json::to_vec(&heads).unwrap();
            let about = sealed(Kind::Heads, "w", "b", &text, &key);
            let then = says(Kind::Heads, &about, &text);
            (then.missing, then.refused.len())
        };
        let chain = |row: usize| lines[row].rsplit(',').next().unwrap();
        let missing = vec![("b".to_owned(), "soak".to_owned(), 5)];
        for word in ["this one", "an earlier one"] {
            assert_eq!(told(word, 5, chain(2)), (missing.clone(), 0), "{word}");
            assert_eq!(told(word, 2, chain(2)), (Vec::new(), 0), "{word}");
        }
        for (rows, chain) in [(1, chain(1)), (2, "0123456789abcdef")] {
            assert_eq!(told("an earlier one", rows, chain), (Vec::new(), 0));
            assert_eq!(told("this one", rows, chain), (Vec::new(), 1));
        }
    }
}
