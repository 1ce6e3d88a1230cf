//! The open batch log as the loop sees it: rows handed on, answers awaited.
//!
//! A row that could not be written stays due: its writer tries on, and its good answer comes later.

use std::time::{Duration, Instant};

use tokio::sync::mpsc;

use super::ports::{LeftOver, LogAnswer, RowSink};
use crate::language::{Sentence, phrase};
use crate::vocabulary::entry::Draft;

/// An open log and the rows that are not on the disk yet.
pub struct Rows {
    sink: Box<dyn RowSink>,
    answers: mpsc::UnboundedReceiver<LogAnswer>,
    waiting: Vec<Waiting>,
}

/// A row on its way.
#[derive(Debug, Clone)]
struct Waiting {
    ticket: u64,
    since: Instant,
    /// Why the sink could not write it yet; it tries on.
    failed: Option<Sentence>,
}

impl Rows {
    pub fn new(sink: Box<dyn RowSink>, answers: mpsc::UnboundedReceiver<LogAnswer>) -> Rows {
        Rows {
            sink,
            answers,
            waiting: Vec::new(),
        }
    }

    pub fn write(&mut self, draft: Draft, at: jiff::Timestamp) {
        self.waiting.push(Waiting {
            ticket: draft.ticket,
            since: Instant::now(),
            failed: None,
        });
        self.sink.write(draft, at);
    }

    /// Whether every row is on the disk.
    pub fn is_idle(&self) -> bool {
        self.waiting.is_empty()
    }

    /// Rows that are not on the disk.
    pub fn waiting(&self) -> usize {
        self.waiting.len()
    }

    /// Whether the row of `ticket` is not on the disk.
    pub fn waits(&self, ticket: u64) -> bool {
        self.waiting.iter().any(|row| row.ticket == ticket)
    }

    /// Why the oldest row could not be written yet; those behind it wait for it.
    pub fn failure(&self) -> Option<&Sentence> {
        self.waiting.first()?.failed.as_ref()
    }

    /// Gives up what is not on the disk to the sink; see [`RowSink::end`].
    pub fn end(mut self) -> Option<LeftOver> {
        self.sink.end()
    }

    /// How long the oldest row has been waiting without any answer. A full disk is an answer: the
    /// rows behind the failed one wait for it, and a restart would only lose them.
    pub fn oldest_wait(&self) -> Duration {
        match self.waiting.first() {
            Some(first) if first.failed.is_none() => first.since.elapsed(),
            Some(_) | None => Duration::ZERO,
        }
    }

    /// The next answer to a row that waits for one. When the writer has ended, every waiting row is
    /// answered as not written. Loses nothing when it is dropped half-way.
    pub async fn answer(&mut self) -> LogAnswer {
        loop {
            match self.answers.recv().await {
                Some(answer) => {
                    let known = match &answer.outcome {
                        Ok(_) => self.settle(answer.ticket),
                        Err(why) => self.mark_failed(answer.ticket, why),
                    };
                    if known {
                        return answer;
                    }
                    tracing::warn!(ticket = answer.ticket, "an answer to no waiting row");
                }
                None => match self.waiting.first().cloned() {
                    Some(Waiting { ticket, .. }) => {
                        self.settle(ticket);
                        return LogAnswer {
                            ticket,
                            outcome: Err(phrase!(
                                "the log's writer has ended; stop the batch and begin it again to go on"
                            )),
                        };
                    }
                    None => std::future::pending::<()>().await,
                },
            }
        }
    }

    fn settle(&mut self, ticket: u64) -> bool {
        let place = self.waiting.iter().position(|row| row.ticket == ticket);
        place.map(|i| self.waiting.remove(i)).is_some()
    }

    fn mark_failed(&mut self, ticket: u64, why: &Sentence) -> bool {
        let row = self.waiting.iter_mut().find(|row| row.ticket == ticket);
        row.map(|row| row.failed = Some(why.clone())).is_some()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    struct Nowhere;

    impl RowSink for Nowhere {
        fn write(&mut self, _: Draft, _: jiff::Timestamp) {}
    }

    /// A full disk: the row fails, the sink tries on, and the row is there in the end.
    #[tokio::test]
    async fn a_row_that_failed_waits_for_its_good_answer() {
        let (sender, answers) = mpsc::unbounded_channel();
        let mut rows = Rows::new(Box::new(Nowhere), answers);
        let draft = Draft {
            ticket: 7,
            ..Draft::default()
        };
        rows.write(draft, jiff::Timestamp::UNIX_EPOCH);
        let failed = LogAnswer {
            ticket: 7,
            outcome: Err("no room on the disk".into()),
        };
        let written = LogAnswer {
            ticket: 7,
            outcome: Ok(3),
        };
        for answer in [&failed, &written, &written] {
            sender.send(answer.clone()).unwrap();
        }
        assert_eq!(rows.answer().await, failed);
        assert!(!rows.is_idle());
        assert_eq!(
            (rows.waiting(), rows.failure().map(Sentence::as_str)),
            (1, Some("no room on the disk"))
        );
        assert_eq!(rows.oldest_wait(), Duration::ZERO, "it was answered");
        assert_eq!(rows.answer().await, written);
        assert!(rows.is_idle());
        drop(sender);
        let more = tokio::time::timeout(Duration::from_millis(10), rows.answer());
        assert!(more.await.is_err(), "an answer too many is no answer");
    }
}
