//! The words of a person to the daemon: `next`, `again`, `keep`, `undo`, `skip`, `lot`, `note`, `stop`.

use std::io::{BufRead as _, IsTerminal as _, Read as _, Write as _};
use std::path::PathBuf;

use clap::Args;

use super::{Exit, Failure, Outcome, print, said};
use crate::config::paths::Places;
use crate::daemon::late_lot::{Files, LateLot};
use crate::journal::name_of;
use crate::language::{Sentence, phrase};
use crate::protocol::client::{Client, ClientError};
use crate::protocol::request::Request;
use crate::text::shell_word;
use crate::vocabulary::code::Help;
use crate::vocabulary::command::Command;

/// The longest line that is read for a lot, in bytes.
const LONGEST_LINE: u64 = 4096;

#[derive(Debug, Args)]
pub struct LotArgs {
    /// The lot as it stands on the package; without it one line is read, so that a code reader that
    /// types can say it
    #[arg(value_name = "LOT")]
    lot: Vec<String>,
    /// Take a lot that is expired, empty or another ingredient's all the same; the reason goes into
    /// the batch log
    #[arg(long, value_name = "REASON")]
    despite: Option<String>,
    /// The number of the step that the lot is of, where that is weighed already: its record is
    /// corrected
    #[arg(long, value_name = "STEP")]
    step: Option<usize>,
    /// With --step: the batch, under way or over (default: the one under way, or else the one that
    /// was begun last)
    #[arg(long, value_name = "BATCH", requires = "step")]
    batch: Option<PathBuf>,
}

#[derive(Debug, Args)]
pub struct NoteArgs {
    /// The remark
    #[arg(required = true, value_name = "TEXT")]
    text: Vec<String>,
}

#[derive(Debug, Args)]
pub struct ResidueArgs {
    /// The number of the step whose beaker it is (default: the last one weighed in a beaker)
    #[arg(value_name = "STEP")]
    step: Option<usize>,
}

/// The emptied beaker is put back on the scale, to weigh what stayed in it.
pub fn residue(args: &ResidueArgs) -> Outcome {
    tell(&Request::Residue { step: args.step })
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

pub fn undo() -> Outcome {
    tell(&Request::Undo)
}

pub fn cancel() -> Outcome {
    tell(&Request::Cancel)
}

#[derive(Debug, Args)]
pub struct SkipArgs {
    /// Why, for the log
    #[arg(required = true, value_name = "REASON")]
    reason: Vec<String>,
}

/// The running step is left out.
pub fn skip(args: &SkipArgs) -> Outcome {
    tell(&Request::Skip {
        reason: args.reason.join(" "),
    })
}

pub fn stop() -> Outcome {
    tell(&Request::Stop)
}

/// The daemon decides whether the lot may be taken.
pub fn lot(args: LotArgs) -> Outcome {
    let lot = match args.lot.as_slice() {
        [] => typed_lot()?,
        words => words.join(" "),
    };
    let batch = args.batch.as_deref().map(name_of);
    let request = Request::Lot {
        lot,
        despite: args.despite,
        step: args.step,
        batch: batch.clone(),
    };
    // Told whether a daemon runs or not.
    let command = request
        .command()
        .map_err(|refusal| Failure::usage(refusal.error))?;
    let Some(Command::LotOf(step, lot)) = command else {
        return tell(&request);
    };
    let again = format!(
        "bismar lot --step {step}{} {} --despite \"REASON\"",
        (batch.as_ref()).map_or(String::new(), |batch| format!(
            " --batch {}",
            shell_word(batch)
        )),
        shell_word(&lot),
    );
    let answer = match Client::connect() {
        Err(ClientError::NoDaemon) => {
            let places = Places::from_env();
            let files = Files {
                logs: super::config::load(None)?.logs()?,
                lots: places.lots_file(),
                kept: places.spill_dirs(),
            };
            let despite = request.despite();
            let late = LateLot {
                batch,
                step,
                lot,
                despite,
            };
            let written = late.write(&files);
            written
                .map(|written| said(written.say))
                .map_err(ClientError::from)
        }
        client => client.and_then(|mut client| client.say(&request)),
    };
    match answer {
        Ok(say) => print(&say)?,
        Err(ClientError::Refused(refusal)) if refusal.help == Some(Help::Despite) => {
            return Err(Failure::failed(refusal.error).remedy(again));
        }
        Err(error) => return Err(error.into()),
    }
    Ok(Exit::Done)
}

/// One line of standard input, as a code reader types it.
fn typed_lot() -> Result<String, Failure> {
    let mut input = std::io::stdin().lock();
    if input.is_terminal() {
        let mut prompt = std::io::stderr();
        // Who does not see the question can answer all the same.
        let _ = write!(prompt, "{} ", said(phrase!("Lot:"))).and_then(|()| prompt.flush());
    }
    let mut line = Vec::new();
    let read = (&mut input).take(LONGEST_LINE).read_until(b'\n', &mut line);
    read.map_err(|error| {
        Failure::failed(phrase!(
            "standard input: {error}",
            error = error.to_string(),
        ))
    })?;
    let none = |why: Sentence| {
        Failure::usage(why).remedy(phrase!(
            "read the code again, or type the lot: bismar lot LOT"
        ))
    };
    if line.len() as u64 == LONGEST_LINE && !line.ends_with(b"\n") {
        return Err(none(phrase!("the line with the lot does not end")));
    }
    let line = String::from_utf8(line).map_err(|_| none(phrase!("the lot is no text in UTF-8")))?;
    match line.trim() {
        "" => Err(none(phrase!("no lot was read; the line is empty"))),
        lot => Ok(lot.to_owned()),
    }
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
