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
            // An answer to an earlier question tells of what was.
            if let Some(heads) = heads.filter(|heads| heads.word == of.word) {
                for head in &heads.heads {
                    let good = is_log(&head.log) && is_id(&heads.id) && head.rows > 0;
                    if good {
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
