//! The cue outputs as the loop's [`CueSink`]; the notification's buttons come back as commands.

use std::time::Duration;

use tokio::sync::mpsc::{UnboundedReceiver, UnboundedSender, unbounded_channel};

use super::ports::{Closing, CueSink};
use crate::config::Held;
use crate::cue::{CueHub, Surroundings};
use crate::vocabulary::command::Command;
use crate::vocabulary::cue::Cue;
use crate::vocabulary::status::OutputStatus;

/// See the module's text.
pub struct HubCues {
    config: Held,
    /// Started at the first cue: its outputs are tasks of the daemon's runtime.
    hub: Option<CueHub>,
    words: UnboundedSender<Command>,
    heard: Option<UnboundedReceiver<Command>>,
}

impl HubCues {
    pub fn new(config: Held) -> HubCues {
        let (words, heard) = unbounded_channel();
        HubCues {
            config,
            hub: None,
            words,
            heard: Some(heard),
        }
    }
}

impl HubCues {
    fn hub(&mut self) -> &CueHub {
        let words = &self.words;
        self.hub.get_or_insert_with(|| {
            let words = words.clone();
            let config = self.config.now();
            let around = Surroundings {
                language: config.speaks(),
                ..Surroundings::of_process()
            };
            CueHub::start_in(&config.cues, &around, move |choice| {
                // The loop has ended where nobody listens; then the choice has no meaning.
                let _ = words.send(choice.command());
            })
        })
    }
}

impl CueSink for HubCues {
    fn say(&mut self, cue: &Cue) {
        self.hub().say(cue);
    }

    fn begin(&mut self) {
        // What a daemon that died left on the screen is taken away now, not at the first cue.
        let note = Surroundings::of_process().note;
        if note.is_some_and(|note| note.exists()) {
            self.hub();
        }
    }

    fn renew(&mut self) {
        self.hub = None;
    }

    fn words(&mut self) -> Option<UnboundedReceiver<Command>> {
        self.heard.take()
    }

    fn close(&mut self) -> Closing {
        match self.hub.take() {
            Some(hub) => Box::pin(hub.close(Duration::from_secs(2))),
            None => Box::pin(std::future::ready(())),
        }
    }

    fn outputs(&self) -> Vec<OutputStatus> {
        self.hub.as_ref().map_or(Vec::new(), CueHub::status)
    }
}
