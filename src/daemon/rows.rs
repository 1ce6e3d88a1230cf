//! The open batch log as the loop sees it: rows handed on, answers awaited.

use std::time::{Duration, Instant};

use tokio::sync::mpsc;

use super::seams::{LogAnswer, RowSink};
use crate::weighing::event::Draft;

/// An open log and the rows whose answer is still awaited.
pub struct Rows {
    sink: Box<dyn RowSink>,
    answers: mpsc::UnboundedReceiver<LogAnswer>,
    waiting: Vec<(u64, Instant)>,
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
        self.waiting.push((draft.ticket, Instant::now()));
        self.sink.write(draft, at);
    }

    pub fn is_idle(&self) -> bool {
        self.waiting.is_empty()
    }

    /// How long the oldest row has been waiting.
    pub fn oldest_wait(&self) -> Duration {
        self.waiting
            .first()
            .map_or(Duration::ZERO, |(_, since)| since.elapsed())
    }

    /// The next answer to a row that waits for one. When the writer has ended, every waiting row is
    /// answered as not written. Loses nothing when it is dropped half-way.
    pub async fn answer(&mut self) -> LogAnswer {
        loop {
            match self.answers.recv().await {
                Some(answer) => {
                    if self.settle(answer.ticket) {
                        return answer;
                    }
                    tracing::warn!(ticket = answer.ticket, "an answer to no waiting row");
                }
                None => match self.waiting.first().copied() {
                    Some((ticket, _)) => {
                        self.settle(ticket);
                        return LogAnswer {
                            ticket,
                            outcome: Err("the log's writer has ended; stop the batch and \
                                          begin it again to go on"
                                .to_owned()),
                        };
                    }
                    None => std::future::pending::<()>().await,
                },
            }
        }
    }

    fn settle(&mut self, ticket: u64) -> bool {
        let place = self
            .waiting
            .iter()
            .position(|(waiting, _)| *waiting == ticket);
        place.map(|i| self.waiting.remove(i)).is_some()
    }
}
