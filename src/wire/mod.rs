//! The wire between the benches of a workshop: rows out to a broker (MQTT 5, ISO/IEC 20922), and in from it into one
//! folder.
//!
//! The log is the queue. What is sent is a log's own line, read back from the disk; the daemon's loop knows nothing of
//! it, and nothing here can hold a weighing up. [`tail`] reads the logs and keeps how far the broker has acknowledged
//! them; `out` sends; `gather` takes in, and [`joined`] is the folder that it fills.
//!
//! Topics, all below `bismar/1/<workshop>/<bench>/`: `row` (a line, QoS 1), `status` (retained, with a last will),
//! `now` (retained: what the bench weighs, as on the control socket, and what it tells the person), `cue`, `ask` (of the gatherer: rows from, or how
//! far each log goes), `heads` (the answer to that), `refused` (retained, of the gatherer) and `taken/...` (retained, a
//! share of a lot each: see `shelf`). What is handed out (see `hand`) is retained under `gather/handed`.

pub mod benches;
#[cfg(feature = "workshop")]
pub mod gather;
#[cfg(feature = "workshop")]
pub mod glance;
#[cfg(feature = "workshop")]
pub mod hand;
pub mod intake;
pub mod joined;
#[cfg(feature = "workshop")]
mod link;
pub mod message;
#[cfg(feature = "workshop")]
mod order;
#[cfg(feature = "workshop")]
pub mod out;
pub mod seal;
pub mod settings;
pub mod shelf;
pub mod tail;

use std::path::{Path, PathBuf};

use crate::language::{Sentence, Term, phrase, shown_as_told};
use crate::problem::Problems;

/// Why a bench or the gatherer is not on the wire.
#[derive(Debug)]
pub enum WireError {
    File(Problems),
    Io {
        path: PathBuf,
        doing: Term,
        source: std::io::Error,
    },
    Held(PathBuf),
    OwnLogs(PathBuf),
    System(std::io::Error),
    NotBuilt,
}

impl WireError {
    /// What it is and what to do.
    pub fn told(&self) -> Sentence {
        match self {
            WireError::File(problems) => problems.told(),
            WireError::Io {
                path,
                doing,
                source,
            } => phrase!(
                "{file}: cannot {doing}: {why}",
                file = path.display().to_string(),
                doing = *doing,
                why = source.to_string(),
            ),
            WireError::Held(path) => phrase!(
                "{folder}: another `bismar gather` writes there; stop it first",
                folder = path.display().to_string(),
            ),
            WireError::OwnLogs(path) => phrase!(
                "{folder}: logs of a bench lie here; name a folder of its own for what is gathered",
                folder = path.display().to_string(),
            ),
            WireError::System(error) => {
                phrase!(
                    "the program cannot be set up: {why}",
                    why = error.to_string()
                )
            }
            WireError::NotBuilt => phrase!(
                "this bismar was built without the wire between benches; build it with `cargo build --release --features \
                 workshop`"
            ),
        }
    }
}

shown_as_told!(WireError);

impl std::error::Error for WireError {}

impl From<Problems> for WireError {
    fn from(problems: Problems) -> WireError {
        WireError::File(problems)
    }
}

/// A word that nobody guesses, and nobody else has: 32 hexadecimal digits.
fn word() -> Result<String, WireError> {
    crate::files::random_hex(16).map_err(WireError::System)
}

impl WireError {
    fn io(path: &Path, doing: Term) -> impl FnOnce(std::io::Error) -> WireError {
        move |source| WireError::Io {
            path: path.to_owned(),
            doing,
            source,
        }
    }
}
