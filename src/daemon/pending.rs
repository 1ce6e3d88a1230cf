//! Replies that wait for rows: what a person is told of a word that makes a row is true only once
//! the row is on the disk, or is known not to be.

use std::time::{Duration, Instant};

use tokio::sync::oneshot;

use super::rows::Rows;
use crate::language::{Sentence, Term, phrase};
use crate::protocol::reply::{Answer, Refusal, Reply, Said};

/// The longest wait of a reply; well below what a client waits for one.
const LONGEST: Duration = Duration::from_secs(2);

/// The replies that are owed.
#[derive(Debug, Default)]
pub struct PendingReplies(Vec<PendingReply>);

#[derive(Debug)]
pub struct PendingReply {
    pub reply: oneshot::Sender<Reply>,
    /// What the bench said of the word.
    pub say: String,
    /// Said instead where the rows are not on the disk: `say` would not be true.
    pub unwritten: Option<Term>,
    /// The rows that it made.
    pub tickets: Vec<u64>,
    pub due: Instant,
}

impl PendingReply {
    pub fn new(
        reply: oneshot::Sender<Reply>,
        say: String,
        unwritten: Option<Term>,
        tickets: Vec<u64>,
    ) -> PendingReply {
        PendingReply {
            reply,
            say,
            unwritten,
            tickets,
            due: Instant::now() + LONGEST,
        }
    }

    /// What was said of the word, where the rows are not on the disk.
    fn said(&self) -> Sentence {
        let say = || Sentence::from(self.say.as_str());
        self.unwritten.map_or_else(say, Sentence::from)
    }

    fn is_settled(&self, rows: Option<&Rows>, now: Instant) -> bool {
        let waits = |rows: &Rows| self.tickets.iter().any(|ticket| rows.waits(*ticket));
        match rows {
            Some(rows) if waits(rows) => rows.failure().is_some() || now >= self.due,
            Some(_) | None => true,
        }
    }

    /// Sends the reply with how things stand.
    fn send(self, rows: Option<&Rows>) {
        let rows = rows.filter(|rows| self.tickets.iter().any(|ticket| rows.waits(*ticket)));
        let (pending, say) = match rows {
            Some(rows) => {
                let said = self.said().and(pending_words(rows));
                (rows.waiting(), said)
            }
            None => (0, self.say.into()),
        };
        let said = Said {
            pending: Some(pending),
            ..Said::new(say)
        };
        // The client may have left meanwhile; what it asked for is done all the same.
        let _ = self.reply.send(Ok(Answer::Said(said)));
    }
}

impl PendingReplies {
    pub fn add(&mut self, reply: PendingReply) {
        self.0.push(reply);
    }

    /// When the next reply is due, whatever the rows do.
    pub fn due(&self) -> Option<Instant> {
        self.0.iter().map(|reply| reply.due).min()
    }

    /// Sends the replies whose rows have their answers, or that are due.
    pub fn send(&mut self, rows: Option<&Rows>) {
        let now = Instant::now();
        for reply in self.0.extract_if(.., |reply| reply.is_settled(rows, now)) {
            reply.send(rows);
        }
    }

    /// The row of `ticket` will never be written; `why` is for a person.
    pub fn lost(&mut self, ticket: u64, why: Sentence) {
        for reply in (self.0).extract_if(.., |reply| reply.tickets.contains(&ticket)) {
            let said = reply.said();
            let refusal = Refusal::new(phrase!(
                "{said} NOT in the log: {why}",
                said,
                why = why.clone()
            ));
            let _ = reply.reply.send(Err(refusal));
        }
    }

    /// Sends all replies.
    pub fn send_all(&mut self, rows: Option<&Rows>) {
        for reply in self.0.drain(..) {
            reply.send(rows);
        }
    }
}

/// `1 row is`, `2 rows are`.
pub fn rows_are(count: usize) -> Sentence {
    match count {
        1 => phrase!("1 row is"),
        n => phrase!("{n} rows are", n),
    }
}

/// How many rows are in no log, why, and what becomes of them.
pub fn pending_words(rows: &Rows) -> Sentence {
    let count = rows_are(rows.waiting());
    match rows.failure() {
        Some(why) => phrase!(
            "{count} NOT in the log yet: {why}. What is not written is tried again every second; if the daemon ends before \
             that, it is kept in a file and the daemon says where.",
            count,
            why = why.clone(),
        ),
        None => phrase!("{count} still on the way to the log.", count),
    }
}
