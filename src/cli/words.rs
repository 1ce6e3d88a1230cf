//! The words of a person to the daemon: `next`, `again`, `keep`, `lot`, `note`, `stop`.

use clap::Args;

use super::{Exit, Outcome, print};
use crate::daemon::client::Client;
use crate::daemon::request::Request;

#[derive(Debug, Args)]
pub struct LotArgs {
    /// The lot as it stands on the package
    #[arg(required = true, value_name = "LOT")]
    lot: Vec<String>,
}

#[derive(Debug, Args)]
pub struct NoteArgs {
    /// The remark
    #[arg(required = true, value_name = "TEXT")]
    text: Vec<String>,
}

pub fn next() -> Outcome {
    tell(&Request::Next)
}

pub fn again() -> Outcome {
    tell(&Request::Again)
}

pub fn keep() -> Outcome {
    tell(&Request::Keep)
}

pub fn stop() -> Outcome {
    tell(&Request::Stop)
}

pub fn lot(args: LotArgs) -> Outcome {
    tell(&Request::Lot {
        lot: args.lot.join(" "),
    })
}

pub fn note(args: NoteArgs) -> Outcome {
    tell(&Request::Note {
        note: args.text.join(" "),
    })
}

fn tell(request: &Request) -> Outcome {
    print(&Client::connect()?.say(request)?)?;
    Ok(Exit::Done)
}
