//! The other end of the control socket, for the command line. Blocking: a command has nothing else
//! to do.

use std::io::{self, BufRead, BufReader, Read as _, Write as _};
use std::os::unix::net::UnixStream;
use std::path::{Path, PathBuf};
use std::time::Duration;

use crate::language::{Sentence, phrase};
use crate::protocol::reply::{self, Answer, Pass, Refusal, Standing};
use crate::protocol::request::Request;
use crate::protocol::socket;
use crate::protocol::socket::SocketError;

/// The longest wait for a reply.
pub const REPLY_LIMIT: Duration = Duration::from_secs(5);

/// The longest line taken from the daemon, in bytes.
const LONGEST_REPLY: u64 = 1024 * 1024;

/// Why a request has no good reply; the text says what to do.
#[derive(Debug, thiserror::Error)]
pub enum ClientError {
    #[error(
        "no daemon is running; start it with `systemctl --user start bismar` or `bismar daemon`"
    )]
    NoDaemon,
    #[error("the daemon does not answer within 5 s; look at `journalctl --user -u bismar`")]
    NoReply,
    /// The daemon's own words.
    #[error(transparent)]
    Refused(#[from] Refusal),
    #[error("the daemon's reply is not understood ({0}); are both of the same version?")]
    NotUnderstood(String),
    /// The line was cut: the daemon waits for nobody who does not read.
    #[error("the daemon's line was cut off; ask again")]
    Cut,
    #[error(transparent)]
    Socket(#[from] SocketError),
    #[error("the daemon cannot be reached: {0}")]
    Io(io::Error),
}

impl ClientError {
    /// In words that say what to do.
    pub fn told(&self) -> Sentence {
        match self {
            ClientError::NoDaemon => phrase!(
                "no daemon is running; start it with `systemctl --user start bismar` or `bismar daemon`"
            ),
            ClientError::NoReply => phrase!(
                "the daemon does not answer within 5 s; look at `journalctl --user -u bismar`"
            ),
            ClientError::Refused(refusal) => refusal.error.clone(),
            ClientError::NotUnderstood(why) => phrase!(
                "the daemon's reply is not understood ({why}); are both of the same version?",
                why,
            ),
            ClientError::Cut => phrase!("the daemon's line was cut off; ask again"),
            ClientError::Socket(error) => error.told(),
            ClientError::Io(error) => {
                phrase!(
                    "the daemon cannot be reached: {error}",
                    error = error.to_string()
                )
            }
        }
    }
}

impl From<io::Error> for ClientError {
    fn from(error: io::Error) -> ClientError {
        match error.kind() {
            io::ErrorKind::NotFound | io::ErrorKind::ConnectionRefused => ClientError::NoDaemon,
            io::ErrorKind::WouldBlock | io::ErrorKind::TimedOut => ClientError::NoReply,
            _ => ClientError::Io(error),
        }
    }
}

/// A connection to the daemon.
#[derive(Debug)]
pub struct Client {
    stream: BufReader<UnixStream>,
}

impl Client {
    /// Connects to the daemon of this user's session.
    ///
    /// # Errors
    /// [`ClientError::NoDaemon`] when none runs; [`ClientError::Socket`] without a session.
    pub fn connect() -> Result<Client, ClientError> {
        Client::connect_to(&socket::default_path()?)
    }

    /// Connects to the daemon that listens at `path`.
    ///
    /// # Errors
    /// As [`Client::connect`].
    pub fn connect_to(path: &Path) -> Result<Client, ClientError> {
        socket::check_length(path)?;
        let stream = UnixStream::connect(path)?;
        // Where the folder of the socket is not ours, anybody could answer.
        let peer = rustix::net::sockopt::socket_peercred(&stream).map_err(io::Error::from)?;
        if !may_answer(peer.uid.as_raw(), rustix::process::geteuid().as_raw()) {
            return Err(SocketError::Foreign {
                path: path.to_owned(),
            }
            .into());
        }
        stream.set_read_timeout(Some(REPLY_LIMIT))?;
        stream.set_write_timeout(Some(REPLY_LIMIT))?;
        Ok(Client {
            stream: BufReader::new(stream),
        })
    }

    /// Sends one request and gives the answer.
    ///
    /// # Errors
    /// [`ClientError::Refused`] with the daemon's words, [`ClientError::NoReply`] after 5 s, the
    /// others as their texts say.
    pub fn ask(&mut self, request: &Request) -> Result<Answer, ClientError> {
        let mut line = serde_json::to_vec(request)
            .map_err(|error| ClientError::NotUnderstood(error.to_string()))?;
        line.push(b'\n');
        match self.stream.get_mut().write_all(&line) {
            // A daemon that turns a client away says why without being asked, and hangs up.
            Err(error) if error.kind() == io::ErrorKind::BrokenPipe => {}
            sent => sent?,
        }
        let Some(line) = self.line()? else {
            return Err(ClientError::Io(io::ErrorKind::UnexpectedEof.into()));
        };
        let reply = reply::read(line.as_bytes())
            .map_err(|error| ClientError::NotUnderstood(error.to_string()))?;
        Ok(reply?)
    }

    /// Asks how things stand.
    ///
    /// # Errors
    /// As [`Client::ask`].
    pub fn status(&mut self) -> Result<Standing, ClientError> {
        match self.ask(&Request::Status)? {
            Answer::Status(standing) => Ok(*standing),
            other @ (Answer::Hello(_) | Answer::Pass(_) | Answer::Said(_)) => {
                Err(no_answer(&other))
            }
        }
    }

    /// Asks for a pass to the page.
    ///
    /// # Errors
    /// As [`Client::ask`].
    pub fn pass(&mut self) -> Result<Pass, ClientError> {
        match self.ask(&Request::LetIn)? {
            Answer::Pass(pass) => Ok(pass),
            other @ (Answer::Hello(_) | Answer::Said(_) | Answer::Status(_)) => {
                Err(no_answer(&other))
            }
        }
    }

    /// Sends one request and gives the sentence of its reply.
    ///
    /// # Errors
    /// As [`Client::ask`].
    pub fn say(&mut self, request: &Request) -> Result<String, ClientError> {
        match self.ask(request)? {
            Answer::Said(said) => Ok(said.say.into()),
            other @ (Answer::Hello(_) | Answer::Pass(_) | Answer::Status(_)) => {
                Err(no_answer(&other))
            }
        }
    }

    /// Subscribes; the iterator then waits for events without a limit, one line each (without its line
    /// feed; see [`super::event::Told`]), and ends when the daemon stops. Those that hold now come first. Who does not
    /// read fast enough gets a fault of code `slow` as the last one, or [`ClientError::Cut`].
    ///
    /// # Errors
    /// As [`Client::ask`].
    pub fn subscribe(mut self, readings: bool) -> Result<Events, ClientError> {
        self.ask(&Request::Subscribe { readings })?;
        self.stream.get_ref().set_read_timeout(None)?;
        Ok(Events { client: self })
    }

    fn line(&mut self) -> Result<Option<String>, ClientError> {
        let mut line = String::new();
        let mut bounded = (&mut self.stream).take(LONGEST_REPLY);
        let read = bounded.read_line(&mut line)?;
        if read == 0 {
            return Ok(None);
        }
        if !line.ends_with('\n') {
            return Err(ClientError::Cut);
        }
        line.truncate(line.trim_end().len());
        Ok(Some(line))
    }
}

/// The answer is another request's.
fn no_answer(answer: &Answer) -> ClientError {
    ClientError::NotUnderstood(format!("{answer:?}"))
}

/// Whether a daemon of user `peer` may answer user `own`: the same user's, and root asks anybody's.
const fn may_answer(peer: u32, own: u32) -> bool {
    peer == own || own == 0
}

/// The event lines of a subscription.
#[derive(Debug)]
pub struct Events {
    client: Client,
}

impl Iterator for Events {
    type Item = Result<String, ClientError>;

    fn next(&mut self) -> Option<Self::Item> {
        self.client.line().transpose()
    }
}

/// A `begin` with the formula's path made absolute against the working folder.
///
/// # Errors
/// [`ClientError::Io`] when the working folder is gone.
pub fn begin(
    formula: &Path,
    batch: Option<String>,
    jars: Option<u32>,
    fill: Option<String>,
) -> Result<Request, ClientError> {
    let formula: PathBuf = std::path::absolute(formula).map_err(ClientError::Io)?;
    Ok(Request::Begin {
        formula,
        batch,
        jars,
        fill,
        allowance: None,
        overweigh: Vec::new(),
        planned: false,
    })
}

#[cfg(test)]
mod tests {
    use crate::protocol::client::*;

    #[test]
    fn who_is_turned_away_hears_why_though_nobody_listens_any_more() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("control.sock");
        let listener = std::os::unix::net::UnixListener::bind(&path).unwrap();
        let mut client = Client::connect_to(&path).unwrap();
        let (mut there, _) = listener.accept().unwrap();
        there
            .write_all(b"{\"ok\":false,\"error\":\"all places are taken\"}\n")
            .unwrap();
        drop(there);
        let error = client.ask(&Request::Status).unwrap_err();
        assert_eq!(error.to_string(), "all places are taken");
    }

    #[test]
    fn only_the_users_own_daemon_is_believed() {
        assert!(may_answer(1000, 1000));
        assert!(may_answer(1000, 0));
        assert!(!may_answer(1001, 1000));
        assert!(!may_answer(0, 1000));
    }
}
