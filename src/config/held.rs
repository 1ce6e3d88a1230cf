//! The configuration that holds, held once: who needs a value of it asks for the one of now.

use std::sync::Arc;

use tokio::sync::watch;

use super::Config;

/// Says what holds. There is one, and one alone has it.
#[derive(Debug)]
pub struct Holder(watch::Sender<Arc<Config>>);

/// What holds, for everybody else.
#[derive(Debug, Clone)]
pub struct Held(watch::Receiver<Arc<Config>>);

impl Holder {
    pub fn new(config: Config) -> Holder {
        Holder(watch::Sender::new(Arc::new(config)))
    }

    /// From now on `config` holds.
    pub fn hold(&self, config: Config) {
        self.0.send_replace(Arc::new(config));
    }

    pub fn now(&self) -> Arc<Config> {
        Arc::clone(&self.0.borrow())
    }

    pub fn held(&self) -> Held {
        Held(self.0.subscribe())
    }
}

impl Held {
    /// The configuration of this moment; keep it no longer than for one answer.
    pub fn now(&self) -> Arc<Config> {
        Arc::clone(&self.0.borrow())
    }
}
