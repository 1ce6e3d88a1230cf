//! The words of a person to the daemon: `next`, `again`, `keep`, `lot`, `note`, `stop`.

use clap::Args;

use super::{Exit, Failure, Outcome, print};
use crate::daemon::client::Client;
use crate::daemon::request::Request;

#[derive(Debug, Args)]
pub struct LotArgs {
    /// The lot as it stands on the package
    #[arg(required = true, value_name = "LOT")]
    lot: Vec<String>,
    /// Take a lot that is expired, empty or not the premix wanted all the same; the reason goes into the batch log
    #[arg(long, value_name = "REASON")]
    despite: Option<String>,
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

/// A lot on the list of lots that is expired or empty goes no further without a reason, nor does one that
/// is not the premix that the step wants; any other that is not on the list is taken as it is.
pub fn lot(args: LotArgs) -> Outcome {
    let lot = args.lot.join(" ");
    let mut why = super::lots::refusal(&lot)?.map(|why| why.to_string());
    if why.is_none() {
        let status = Client::connect()?.ask(&Request::Status)?;
        why = super::premix_lot::refusal(&lot, &status)?;
    }
    match (why, args.despite) {
        (Some(why), None) => {
            let remedy = "take another lot, or say why this one is good: \
                          bismar lot LOT --despite \"REASON\"";
            return Err(Failure::failed(why).remedy(remedy));
        }
        (Some(why), Some(reason)) => {
            let note = format!("{why}; taken all the same: {reason}");
            print(&Client::connect()?.say(&Request::Note { note })?)?;
        }
        (None, _) => {}
    }
    tell(&Request::Lot { lot })
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
