//! A cue as the hub takes it, and what comes of it a moment later.

use std::time::Duration;

use bismar::vocabulary::cue::{Cue, CueKind};

use crate::bench_side::desk::GUARD;

pub fn cue(kind: CueKind, say: &str) -> Cue {
    Cue {
        kind,
        say: say.into(),
        step: 2,
        missing: None,
        choices: Vec::new(),
        urgent: false,
        lead: 0,
        asks: None,
    }
}

pub async fn until(mut condition: impl FnMut() -> bool) {
    let wait = async {
        while !condition() {
            tokio::time::sleep(Duration::from_millis(5)).await;
        }
    };
    tokio::time::timeout(GUARD, wait)
        .await
        .expect("it never came to be");
}
