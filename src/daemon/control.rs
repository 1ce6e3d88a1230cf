//! The control socket's connections: lines of JSON in, replies and events out.
//!
//! A client can do no harm to the weighing: lines, clients, queues and waits are bounded, a
//! malformed line costs one error reply, a subscriber that does not read is let go, and a client
//! that asks nothing gives its place up to one that does.

use std::io;
use std::sync::Arc;
use std::time::{Duration, Instant};

use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};
use tokio::net::{UnixListener, UnixStream, unix::WriteHalf};
use tokio::sync::{mpsc, oneshot};
use tokio::task::JoinSet;

use super::admission::{Full, Slot, Slots};
use super::clock::sleep_until;
use crate::config::Held;
use crate::display::passes::{self, Clocks, Passes};
use crate::language::phrase;
use crate::protocol::call::Call;
use crate::protocol::reply::{self, Answer, Pass, Refusal, Reply};
use crate::protocol::request::Request;
use crate::protocol::subscribers;
use crate::protocol::subscribers::Inbox;

/// The passes of the page that is served.
pub type Door = Option<Arc<Passes>>;

/// The longest request line in bytes.
pub const LONGEST_LINE: usize = 64 * 1024;
/// The most clients at a time.
pub const MOST_CLIENTS: usize = 32;
/// The longest wait for a client to take its bytes.
const WRITE_LIMIT: Duration = Duration::from_secs(10);
/// The longest wait of a client for a place.
const LONGEST_WAIT: Duration = Duration::from_secs(4);
/// The longest wait for the clients' last lines when the daemon stops.
const STOP_LIMIT: Duration = Duration::from_secs(1);
/// Lines put together into one write.
const AT_ONCE: usize = 64;

/// Whether a client of user `peer` may speak to the daemon of user `own`: the same user, or root.
pub const fn is_allowed(peer: u32, own: u32) -> bool {
    peer == own || peer == 0
}

/// Serves clients until the receiver of `calls` is dropped; subscribers then get what is queued for
/// them. Dropping the future closes every connection at once.
pub async fn serve(listener: UnixListener, calls: mpsc::Sender<Call>, page: Door, config: Held) {
    let mut seats = Slots::new(MOST_CLIENTS);
    // One that waits for a place; those behind it wait in the socket's own queue.
    let mut waiting: Option<Waiting> = None;
    let own = rustix::process::geteuid().as_raw();
    let mut clients = JoinSet::new();
    loop {
        if let Some(Waiting { stream, limit, .. }) = waiting.take() {
            let now = Instant::now();
            match seats.take(now) {
                Ok(slot) => admit(&mut clients, stream, slot, (&calls, &page, &config)),
                Err(Full::Until(again)) if now < limit => {
                    let again = again.min(limit);
                    waiting = Some(Waiting {
                        stream,
                        limit,
                        again,
                    });
                }
                Err(Full::Until(_) | Full::Busy) => {
                    let text = format!("{MOST_CLIENTS} clients are connected already; close one");
                    turn_away(&stream, &text);
                }
            }
        }
        let accepted = tokio::select! {
            accepted = listener.accept(), if waiting.is_none() => accepted,
            () = sleep_until(waiting.as_ref().map(|waiting| waiting.again)) => continue,
            Some(_ended) = clients.join_next() => continue,
            () = calls.closed() => break,
        };
        let stream = match accepted {
            Ok((stream, _)) => stream,
            Err(error) => {
                // Out of file descriptors, say; at once again would spin.
                tracing::warn!(%error, "a client could not be accepted");
                tokio::time::sleep(Duration::from_millis(100)).await;
                continue;
            }
        };
        match stream.peer_cred() {
            Ok(peer) if is_allowed(peer.uid(), own) => {}
            Ok(peer) => {
                tracing::warn!(uid = peer.uid(), "a client of another user was turned away");
                turn_away(&stream, "this bismar belongs to another user");
                continue;
            }
            Err(error) => {
                tracing::warn!(%error, "a client without credentials was turned away");
                continue;
            }
        }
        let now = Instant::now();
        waiting = Some(Waiting {
            stream,
            limit: now + LONGEST_WAIT,
            again: now,
        });
    }
    let last_lines = async { while clients.join_next().await.is_some() {} };
    let _ = tokio::time::timeout(STOP_LIMIT, last_lines).await;
}

/// A client that waits for a place.
struct Waiting {
    stream: UnixStream,
    /// When it is turned away.
    limit: Instant,
    /// When to look for a place again.
    again: Instant,
}

fn admit(
    clients: &mut JoinSet<()>,
    stream: UnixStream,
    slot: Arc<Slot>,
    (calls, page, config): (&mpsc::Sender<Call>, &Door, &Held),
) {
    let (calls, page, config) = (calls.clone(), page.clone(), config.clone());
    clients.spawn(async move {
        if let Err(error) = attend(stream, calls, &page, &config, &slot).await {
            tracing::debug!(%error, "a client left");
        }
    });
}

/// One short reply without waiting; a fresh socket's buffer takes it.
fn turn_away(stream: &UnixStream, why: &str) {
    let _ = stream.try_write(&reply::line(&Err(Refusal::new(why))));
}

/// Serves one client until it leaves.
async fn attend(
    mut stream: UnixStream,
    calls: mpsc::Sender<Call>,
    page: &Door,
    config: &Held,
    slot: &Slot,
) -> io::Result<()> {
    let (mut reader, mut writer) = stream.split();
    let mut buffer = [0u8; 4096];
    let mut cutter = Cutter::default();
    let mut events: Option<Inbox> = None;
    loop {
        tokio::select! {
            read = reader.read(&mut buffer) => {
                let n = read?;
                if n == 0 {
                    return Ok(());
                }
                slot.busy();
                for cut in cutter.push(buffer.get(..n).unwrap_or(&[])) {
                    let (reply, subscribed) = answer(cut, &calls, page).await;
                    if subscribed.is_some() {
                        events = subscribed;
                    }
                    let reply = reply::put_into(reply, config.now().speaks());
                    write(&mut writer, &reply::line(&reply)).await?;
                }
                if events.is_some() {
                    slot.listens();
                } else {
                    slot.idle();
                }
            }
            () = slot.sent_away() => {
                let text = "nothing was asked for a while and others wait; ask again";
                return write(&mut writer, &reply::line(&Err(Refusal::new(text)))).await;
            }
            first = next(&mut events) => {
                let (Some(first), Some(inbox)) = (first, &mut events) else {
                    return match events.and_then(|inbox| inbox.last()) {
                        Some(last) => write(&mut writer, &last).await,
                        None => Ok(()),
                    };
                };
                let mut lines = first.to_vec();
                for line in std::iter::from_fn(|| inbox.waiting()).take(AT_ONCE - 1) {
                    lines.extend_from_slice(&line);
                }
                write(&mut writer, &lines).await?;
            }
            () = calls.closed(), if events.is_none() => return Ok(()),
        }
    }
}

async fn next(events: &mut Option<Inbox>) -> Option<subscribers::Line> {
    match events {
        Some(inbox) => inbox.next().await,
        None => std::future::pending().await,
    }
}

async fn write(writer: &mut WriteHalf<'_>, bytes: &[u8]) -> io::Result<()> {
    match tokio::time::timeout(WRITE_LIMIT, writer.write_all(bytes)).await {
        Ok(written) => written,
        Err(_) => Err(io::Error::new(
            io::ErrorKind::TimedOut,
            "the client does not read",
        )),
    }
}

/// A pass to the page.
fn pass(page: &Door) -> Reply {
    let Some(passes) = page else {
        return Err(Refusal::new(
            "the page is off, or could not be served; write [page] and on = true into the configuration and \
             start the daemon anew: its log says why it is not there",
        ));
    };
    match passes.give(Clocks::at(Instant::now())) {
        Ok(link) => Ok(Answer::Pass(Pass {
            link,
            seconds: passes::GOOD_FOR.as_secs(),
        })),
        Err(error) => Err(Refusal::new(phrase!(
            "the system gives no random numbers: {error}",
            error = error.to_string(),
        ))),
    }
}

/// The reply to one line, and the event queue where it was a `subscribe` that was taken.
async fn answer(cut: Cut, calls: &mpsc::Sender<Call>, page: &Door) -> (Reply, Option<Inbox>) {
    let line = match cut {
        Cut::Line(line) => line,
        Cut::TooLong => {
            let text = format!("the request is longer than {LONGEST_LINE} bytes; shorten it");
            return (Err(Refusal::new(text)), None);
        }
    };
    let request = match Request::parse(&line) {
        Ok(request) => request,
        Err(error) => return (Err(error), None),
    };
    let (outbox, inbox) = match request {
        Request::Subscribe { .. } => {
            let (outbox, inbox) = subscribers::queue();
            (Some(outbox), Some(inbox))
        }
        Request::LetIn => return (pass(page), None),
        Request::Hello
        | Request::Heed(_)
        | Request::Status
        | Request::Begin { .. }
        | Request::Fill { .. }
        | Request::GoOn { .. }
        | Request::Next
        | Request::Again
        | Request::Keep
        | Request::Lot { .. }
        | Request::Note { .. }
        | Request::Remedy { .. }
        | Request::Residue { .. }
        | Request::Undo
        | Request::Cancel
        | Request::Skip { .. }
        | Request::Reload
        | Request::Stop => (None, None),
    };
    let (reply, replied) = oneshot::channel();
    let call = Call {
        request,
        about: None,
        events: outbox,
        reply,
    };
    if calls.send(call).await.is_ok()
        && let Ok(reply) = replied.await
    {
        return (reply, inbox);
    }
    (
        Err(Refusal::new(phrase!("the daemon is stopping; try again"))),
        None,
    )
}

/// What [`Cutter`] cuts out.
#[derive(Debug, PartialEq, Eq)]
enum Cut {
    /// Without its line feed.
    Line(Vec<u8>),
    TooLong,
}

/// Cuts bytes into lines of at most [`LONGEST_LINE`]; the rest of a longer one is thrown away.
#[derive(Debug, Default)]
struct Cutter {
    tail: Vec<u8>,
    skipping: bool,
}

impl Cutter {
    fn push(&mut self, bytes: &[u8]) -> Vec<Cut> {
        let mut cuts = Vec::new();
        for piece in bytes.split_inclusive(|&byte| byte == b'\n') {
            let (text, ends) = match piece.split_last() {
                Some((b'\n', text)) => (text, true),
                Some(_) | None => (piece, false),
            };
            if !self.skipping {
                if self.tail.len() + text.len() > LONGEST_LINE {
                    cuts.push(Cut::TooLong);
                    self.skipping = true;
                    self.tail = Vec::new();
                } else {
                    self.tail.extend_from_slice(text);
                }
            }
            if ends {
                if !self.skipping && !self.tail.trim_ascii().is_empty() {
                    cuts.push(Cut::Line(std::mem::take(&mut self.tail)));
                }
                self.tail.clear();
                self.skipping = false;
            }
        }
        cuts
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_the_same_user_and_root_are_let_in() {
        assert!(is_allowed(1000, 1000));
        assert!(is_allowed(0, 1000));
        assert!(!is_allowed(1001, 1000));
        assert!(!is_allowed(1000, 0));
    }

    #[test]
    fn lines_are_the_same_wherever_the_bytes_are_split() {
        let text = b"{\"do\":\"next\"}\n\n  \r\n{\"a\"}\nrest";
        let whole = Cutter::default().push(text);
        assert_eq!(
            whole,
            [
                Cut::Line(b"{\"do\":\"next\"}".to_vec()),
                Cut::Line(b"{\"a\"}".to_vec())
            ]
        );
        for split in 0..=text.len() {
            let mut cutter = Cutter::default();
            let mut cuts = cutter.push(&text[..split]);
            cuts.extend(cutter.push(&text[split..]));
            assert_eq!(cuts, whole, "split at {split}");
        }
    }

    #[test]
    fn an_over_long_line_is_told_once_and_the_next_is_read() {
        let mut cutter = Cutter::default();
        let mut cuts = Vec::new();
        for _ in 0..40 {
            cuts.extend(cutter.push(&[b'x'; 4096]));
        }
        cuts.extend(cutter.push(b"\nnext\n"));
        assert_eq!(cuts, [Cut::TooLong, Cut::Line(b"next".to_vec())]);
        let just_fits = [vec![b'y'; LONGEST_LINE], b"\n".to_vec()].concat();
        assert!(matches!(cutter.push(&just_fits).as_slice(), [Cut::Line(_)]));
    }
}
