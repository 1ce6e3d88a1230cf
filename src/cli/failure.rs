//! The end of a command: its exit code, and what it tells the person on stderr.

use std::fmt;
use std::io;
use std::path::Path;
use std::process::ExitCode;

use super::said;
use crate::daemon::DaemonError;
use crate::formula::plan::PlanError;
use crate::journal::error::LogError;
use crate::language::{Sentence, Term, phrase, term};
use crate::problem::Problems;
use crate::protocol::client::ClientError;
use crate::protocol::socket::SocketError;
use crate::text::shell_word;
use crate::vocabulary::code::Help;
use crate::wire::WireError;
use crate::workshop::QueryError;
use crate::workshop::config_file::EditError;
use crate::workshop::named::Unfound;

/// The exit codes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Exit {
    Done,
    Failed,
    Usage,
    /// The batch did not come to its end.
    Incomplete,
    /// An input file is wrong; the message has file, line and column.
    BadInput,
}

impl Exit {
    pub const fn code(self) -> u8 {
        match self {
            Exit::Done => 0,
            Exit::Failed => 1,
            Exit::Usage => 2,
            Exit::Incomplete => 3,
            Exit::BadInput => 4,
        }
    }
}

impl From<Exit> for ExitCode {
    fn from(exit: Exit) -> ExitCode {
        ExitCode::from(exit.code())
    }
}

/// What every command gives back.
pub type Outcome = Result<Exit, Failure>;

/// Why a command did not do its work.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Failure {
    pub exit: Exit,
    /// What happened, for a person. Empty: nothing is to be said.
    pub message: Sentence,
    /// What to do, where the message does not say it already.
    pub remedy: Option<Sentence>,
}

impl Failure {
    /// A text that is no sentence of ours stays as it is in every language.
    pub fn new(exit: Exit, message: impl Into<Sentence>) -> Failure {
        Failure {
            exit,
            message: message.into(),
            remedy: None,
        }
    }

    /// In the language of the terminal.
    pub fn told(&self) -> String {
        let remedy = self.remedy.as_ref().map(|remedy| {
            let remedy = remedy.clone();
            said(phrase!("Remedy: {remedy}", remedy))
        });
        lines(&said(self.message.clone()), remedy.as_deref())
    }

    /// Exit code 1.
    pub fn failed(message: impl Into<Sentence>) -> Failure {
        Failure::new(Exit::Failed, message)
    }

    /// Exit code 4; the message begins with `file:line:column:`.
    pub fn bad_input(message: impl Into<Sentence>) -> Failure {
        Failure::new(Exit::BadInput, message)
    }

    pub fn usage(message: impl Into<Sentence>) -> Failure {
        Failure::new(Exit::Usage, message)
    }

    pub fn remedy(mut self, remedy: impl Into<Sentence>) -> Failure {
        self.remedy = Some(remedy.into());
        self
    }

    /// What happened and what to do, for a list of several.
    pub fn in_a_line(&self) -> Sentence {
        let message = self.message.clone();
        match self.remedy.clone() {
            Some(remedy) => phrase!("{message}; {remedy}", message, remedy),
            None => message,
        }
    }

    /// In the words of the system or of a library, which are the same in every language.
    pub fn theirs(error: impl fmt::Display) -> Failure {
        Failure::failed(error.to_string())
    }

    #[must_use]
    pub fn with(self, exit: Exit) -> Failure {
        Failure { exit, ..self }
    }

    /// Of a file or a folder that the system does not let read or write, in its words.
    pub fn of_file(path: &Path, error: impl fmt::Display) -> Failure {
        Failure::theirs(format!("{}: {error}", path.display()))
    }

    /// Of writing to standard output. A reader that has left (`bismar check ... | head -1`) has what
    /// it wanted, so that is no failure.
    pub fn of_stdout(error: &io::Error) -> Failure {
        if error.kind() == io::ErrorKind::BrokenPipe {
            Failure::new(Exit::Done, "")
        } else {
            Failure::failed(phrase!(
                "standard output: {error}",
                error = error.to_string(),
            ))
        }
    }
}

/// Each line after `bismar: `, so that a message of several lines stays recognisable in a journal.
fn lines(message: &str, remedy: Option<&str>) -> String {
    let lines = message.lines().map(|line| format!("bismar: {line}"));
    let lines: Vec<String> = lines.chain(remedy.map(str::to_owned)).collect();
    lines.join("\n")
}

/// In English, as the journal has it.
impl fmt::Display for Failure {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let remedy = self.remedy.as_ref();
        let remedy = remedy.map(|remedy| format!("Remedy: {remedy}"));
        f.write_str(&lines(&self.message, remedy.as_deref()))
    }
}

impl From<Problems> for Failure {
    fn from(problems: Problems) -> Failure {
        Failure::bad_input(problems.told())
    }
}

impl From<ClientError> for Failure {
    fn from(error: ClientError) -> Failure {
        let (message, help) = match error {
            ClientError::Refused(refusal) => {
                let help = refusal
                    .help
                    .and_then(|help| help_by_command(help, refusal.of));
                (refusal.error, help)
            }
            other => (other.told(), None),
        };
        Failure {
            remedy: help,
            ..Failure::failed(message)
        }
    }
}

/// What helps where no scale is set up yet.
pub(super) const FIND_SCALE: Term =
    term!("plug the scale in, switch it on and run `bismar identify --write`, which adds it");

/// The same where it may be read on the page.
pub(super) fn find_scale() -> Sentence {
    phrase!(
        "plug the scale in and switch it on; {find_at_terminal} finds it",
        find_at_terminal = "`bismar identify --write`"
    )
}

/// How a command helps; `of` is the scale, lot or batch that it is about.
fn help_by_command(help: Help, of: Option<String>) -> Option<Sentence> {
    let of = |name: &str| of.as_deref().map_or(name.to_owned(), shell_word);
    Some(match help {
        Help::Begin => phrase!("Begin one with `bismar begin FORMULA --batch 500g`"),
        Help::Stop => phrase!("`bismar stop` ends it"),
        Help::Remedies => phrase!("`bismar remedy {log}` shows the others", log = of("LOG")),
        Help::Despite => format!("bismar lot {} --despite \"REASON\"", of("LOT")).into(),
        Help::Note => "bismar note \"TEXT\"".into(),
        Help::ScaleCheck => phrase!(
            "bismar scale-check --scale {name} --weight 100g --class M1 (with your weight and its class)",
            name = of("NAME"),
        ),
        Help::JarFill => "bismar fill --fill 55g".into(),
        Help::FindScale => FIND_SCALE.into(),
        Help::Other => return None,
    })
}

impl From<PlanError> for Failure {
    fn from(error: PlanError) -> Failure {
        Failure::failed(error.told())
    }
}

impl From<SocketError> for Failure {
    fn from(error: SocketError) -> Failure {
        Failure::failed(error.told())
    }
}

impl From<WireError> for Failure {
    fn from(error: WireError) -> Failure {
        match error {
            WireError::File(problems) => problems.into(),
            WireError::Io { .. }
            | WireError::Held(_)
            | WireError::OwnLogs(_)
            | WireError::System(_)
            | WireError::NotBuilt => Failure::failed(error.told()),
        }
    }
}

impl From<DaemonError> for Failure {
    fn from(error: DaemonError) -> Failure {
        Failure::failed(error.told())
    }
}

impl From<LogError> for Failure {
    fn from(error: LogError) -> Failure {
        match error {
            LogError::Bad(_) | LogError::NotAFile { .. } | LogError::TooLarge { .. } => {
                Failure::bad_input(error.told())
            }
            LogError::Io { .. }
            | LogError::Locked { .. }
            | LogError::Exists { .. }
            | LogError::Moved { .. }
            | LogError::OtherRow { .. }
            | LogError::TooLong(_)
            | LogError::Changed { .. } => Failure::failed(error.told()),
        }
    }
}

impl From<QueryError> for Failure {
    fn from(error: QueryError) -> Failure {
        match error {
            QueryError::Log(error) => error.into(),
            QueryError::File(problems) => problems.into(),
            QueryError::Name(unfound) => unfound.into(),
            QueryError::NoFormula(_) => Failure::bad_input(error.told()).remedy(phrase!(
                "Begin the batch anew; nothing was weighed in this one."
            )),
            QueryError::Plan(_)
            | QueryError::Assumed(_)
            | QueryError::Refused(_)
            | QueryError::Other(_) => Failure::failed(error.told()),
        }
    }
}

impl From<Unfound> for Failure {
    fn from(unfound: Unfound) -> Failure {
        Failure::failed(unfound.what).remedy(unfound.remedy)
    }
}

impl From<EditError> for Failure {
    fn from(error: EditError) -> Failure {
        match error {
            EditError::File(problems) => problems.into(),
            EditError::Other { what, remedy } => Failure {
                remedy,
                ..Failure::failed(what)
            },
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::protocol::reply::Refusal;

    #[test]
    fn every_line_of_a_message_bears_the_name_and_the_remedy_comes_last() {
        let failure = Failure::bad_input("a.toml:1:2: x.\na.toml:3:4: y.").remedy("mend it");
        assert_eq!(
            failure.to_string(),
            "bismar: a.toml:1:2: x.\nbismar: a.toml:3:4: y.\nRemedy: mend it"
        );
    }

    #[test]
    fn a_refusal_is_helped_by_a_command_that_can_be_typed_as_it_stands() {
        let refused = Refusal::new("It is empty.").help_of(Help::Despite, "B 12");
        assert_eq!(
            Failure::from(ClientError::Refused(refused)).to_string(),
            "bismar: It is empty.\nRemedy: bismar lot 'B 12' --despite \"REASON\""
        );
        let newer = ClientError::Refused(Refusal::new("No.").help(Help::Other));
        assert_eq!(Failure::from(newer).to_string(), "bismar: No.");
    }

    #[test]
    fn a_reader_that_left_is_no_failure() {
        let broken = Failure::of_stdout(&io::ErrorKind::BrokenPipe.into());
        assert_eq!((broken.exit, broken.message.as_str()), (Exit::Done, ""));
        let full = Failure::of_stdout(&io::ErrorKind::StorageFull.into());
        assert_eq!(full.exit, Exit::Failed);
    }
}
