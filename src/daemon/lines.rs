//! The scales' serial lines as the loop sees them: one task each, one queue of news.

use std::path::PathBuf;

use tokio::sync::mpsc;
use tokio::task::JoinHandle;

use crate::protocol::reply::LineStatus;
use crate::scale::link::{self, LinkFault, LinkMessage, LinkNews};
use crate::scale::settings::ScaleSettings;
use crate::vocabulary::reading::ScaleIndex;

/// News that may wait; a full queue only makes a link wait.
const QUEUE: usize = 1024;

/// The running links.
#[derive(Debug)]
pub struct Lines {
    news: mpsc::Receiver<LinkMessage>,
    tasks: Vec<JoinHandle<()>>,
    states: Vec<State>,
}

/// What is known of one line.
#[derive(Debug)]
struct State {
    scale: String,
    port: Option<PathBuf>,
    fault: Option<LinkFault>,
}

impl Lines {
    /// Starts one link a scale. Needs a running tokio runtime.
    pub fn start(scales: &[ScaleSettings]) -> Lines {
        let (sender, news) = mpsc::channel(QUEUE);
        let start = |(index, scale): (ScaleIndex, &ScaleSettings)| {
            tokio::spawn(link::run(index, scale.clone(), sender.clone()))
        };
        Lines {
            tasks: scales.iter().enumerate().map(start).collect(),
            states: scales
                .iter()
                .map(|scale| State {
                    scale: scale.name.clone(),
                    port: None,
                    fault: None,
                })
                .collect(),
            news,
        }
    }

    /// The next news of any line; waits for ever where there is no scale.
    pub async fn next(&mut self) -> LinkMessage {
        match self.news.recv().await {
            Some(message) => message,
            None => std::future::pending().await,
        }
    }

    /// Keeps what `news` says of the line. Returns whether the line's being open changed, which is
    /// when the bench must hear of it.
    pub fn note(&mut self, scale: ScaleIndex, news: &LinkNews) -> bool {
        let Some(state) = self.states.get_mut(scale) else {
            return false;
        };
        match news {
            LinkNews::Bytes(_) => false,
            LinkNews::Back { path } => {
                state.port = Some(path.clone());
                state.fault = None;
                true
            }
            LinkNews::Lost(fault) => {
                let first = state.fault.is_none();
                state.port = None;
                state.fault = Some(fault.clone());
                first
            }
        }
    }

    /// Whether every link's task lives. A scale that is not there is healthy.
    pub fn are_healthy(&self) -> bool {
        !self.tasks.iter().any(JoinHandle::is_finished)
    }

    /// The scales whose line was lost.
    pub fn lost(&self) -> impl Iterator<Item = ScaleIndex> {
        let lost = |(index, state): (ScaleIndex, &State)| state.fault.as_ref().map(|_| index);
        self.states.iter().enumerate().filter_map(lost)
    }

    /// Scales whose line is not open, in words; empty when all are. No scale at all is missing too.
    pub fn missing(&self) -> Vec<String> {
        if self.states.is_empty() {
            return vec!["no scale is set up yet".to_owned()];
        }
        self.states
            .iter()
            .filter_map(|state| Some(format!("{}: {}", state.scale, state.fault.as_ref()?.code())))
            .collect()
    }

    /// For the `status` reply.
    pub fn status(&self) -> Vec<LineStatus> {
        let one = |state: &State| LineStatus {
            scale: state.scale.clone(),
            port: state.port.as_ref().map(|port| port.display().to_string()),
            code: state.fault.as_ref().map(|fault| fault.code().to_owned()),
            trouble: state.fault.as_ref().map(LinkFault::told),
        };
        self.states.iter().map(one).collect()
    }

    /// Closes every port, and waits until they are closed.
    pub async fn stop(&mut self) {
        for task in &self.tasks {
            task.abort();
        }
        for task in self.tasks.drain(..) {
            // Cancelled, as it should be.
            let _ = task.await;
        }
    }
}

impl Drop for Lines {
    fn drop(&mut self) {
        for task in &self.tasks {
            task.abort();
        }
    }
}
