//! The page's connections. Whoever reaches the address can open some before any key is asked for, and each
//! takes a file descriptor of the process that reads the scales. So those who have shown no session yet have
//! places of their own, few for each of them; a new one gets the oldest place of who has most. Who is in has
//! a place that nobody outside can take.

use std::collections::VecDeque;
use std::convert::Infallible;
use std::io;
use std::pin::Pin;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::task::{Context, Poll};
use std::time::Duration;

use futures_util::FutureExt as _;
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::oneshot;
use tokio::time::{Instant, Sleep, sleep};

use super::peer::{Ends, Owner, Who, owners};

/// Connections that were accepted and whose owner is being looked up.
pub const MOST_ARRIVING: usize = 64;
/// Connections of those who have shown no session.
pub const MOST_OUTSIDE: usize = 64;
const OUTSIDE_OF_ONE: usize = 16;
/// Connections of those who are in: more than all their browsers open (six each).
pub const MOST_INSIDE: usize = 96;
const INSIDE_OF_ONE: usize = 12;
/// One to which nothing was answered for so long is closed: a request that comes a byte at a time never ends.
/// What follows the events has a beat.
const SILENCE_OUTSIDE: Duration = Duration::from_secs(10);
/// A browser that is in keeps its connections for the next press.
const SILENCE_INSIDE: Duration = Duration::from_secs(120);
/// One that takes nothing of what is sent for so long is closed.
const STALL: Duration = Duration::from_secs(10);
/// Before the next try where the system gives no connection.
const PAUSE: Duration = Duration::from_millis(200);
/// Connections that wait in the system's queue, so that none is turned away unseen.
const QUEUE: i32 = 1024;
/// What the system keeps of an answer that is not taken, bytes: who does not read is noticed soon.
const KEPT: usize = 16 * 1024;
/// What was sent and not acknowledged for so long ends the connection (RFC 5482), ms: a tablet that left.
const UNHEARD: u32 = 20_000;

/// Sets on a listener what each of its connections inherits.
///
/// # Errors
/// Where the system refuses.
pub fn set(listener: &std::net::TcpListener) -> io::Result<()> {
    use rustix::net::{listen, sockopt};
    listener.set_nonblocking(true)?;
    sockopt::set_socket_send_buffer_size(listener, KEPT)?;
    sockopt::set_tcp_user_timeout(listener, UNHEARD)?;
    // A second call only makes the queue longer.
    listen(listener, QUEUE)?;
    Ok(())
}

/// A connection that came, and whose it is.
#[derive(Debug)]
pub struct Arrived {
    pub stream: TcpStream,
    pub who: Who,
    pub owner: Owner,
}

/// Those that wait at the listener, at least one: their owners are looked up together.
pub async fn arrivals(listener: &TcpListener) -> Vec<Arrived> {
    let mut streams = Vec::new();
    while streams.is_empty() {
        match listener.accept().await {
            Ok((stream, _)) => streams.push(stream),
            Err(error) => {
                tracing::debug!(%error, "a browser could not be accepted");
                sleep(PAUSE).await;
            }
        }
    }
    while streams.len() < MOST_ARRIVING
        && let Some(Ok((stream, _))) = listener.accept().now_or_never()
    {
        streams.push(stream);
    }
    // One that has no ends any more was closed meanwhile.
    let (ends, streams): (Vec<Ends>, Vec<TcpStream>) = streams
        .into_iter()
        .filter_map(|stream| {
            let (theirs, ours) = (stream.peer_addr().ok()?, stream.local_addr().ok()?);
            Some((Ends { theirs, ours }, stream))
        })
        .unzip();
    let asked = ends.clone();
    let found = tokio::task::spawn_blocking(move || owners(&asked)).await;
    let found = found.unwrap_or_default();
    let all = streams.into_iter().zip(ends).zip(found);
    // One that was ended meanwhile may not have been there to be asked about.
    let still = all.filter(|((stream, _), _)| stream.peer_addr().is_ok());
    still
        .map(|((stream, ends), owner)| {
            // A weight is a small packet that must not wait for the next.
            let _ = stream.set_nodelay(true);
            let who = Who::new(ends.theirs.ip(), owner);
            Arrived { stream, who, owner }
        })
        .collect()
}

/// The places.
#[derive(Debug, Default)]
pub struct Seats(Mutex<Table>);

#[derive(Debug, Default)]
struct Table {
    last: u64,
    /// The oldest first.
    outside: VecDeque<Taken<Who>>,
    /// By session.
    inside: VecDeque<Taken<u64>>,
}

#[derive(Debug)]
struct Taken<O> {
    number: u64,
    of: O,
    /// Dropped, it ends the connection.
    stay: oneshot::Sender<Infallible>,
}

fn count<O: Copy + PartialEq>(taken: &VecDeque<Taken<O>>, of: O) -> usize {
    taken.iter().filter(|one| one.of == of).count()
}

fn position<O>(taken: &VecDeque<Taken<O>>, number: u64) -> Option<usize> {
    taken.iter().position(|one| one.number == number)
}

/// A connection's place until it is dropped.
#[derive(Debug)]
pub struct Seat {
    seats: Arc<Seats>,
    number: u64,
    inside: AtomicBool,
}

impl Seats {
    /// A place for who has shown no session yet; the receiver ends when it is given to another.
    pub fn take(self: &Arc<Self>, who: Who) -> (Arc<Seat>, oneshot::Receiver<Infallible>) {
        let (stay, gone) = oneshot::channel();
        let mut table = self.table();
        let outside = &mut table.outside;
        let mine = count(outside, who);
        let goes = if mine >= OUTSIDE_OF_ONE {
            outside.iter().position(|one| one.of == who)
        } else if outside.len() >= MOST_OUTSIDE {
            // Who comes counts with the place that is wanted.
            let has = |of: Who| count(outside, of) + usize::from(of == who);
            let most = outside.iter().map(|one| has(one.of)).max();
            outside.iter().position(|one| Some(has(one.of)) == most)
        } else {
            None
        };
        if let Some(at) = goes {
            outside.remove(at);
        }
        table.last += 1;
        let number = table.last;
        let of = who;
        table.outside.push_back(Taken { number, of, stay });
        let seat = Seat {
            seats: Arc::clone(self),
            number,
            inside: AtomicBool::new(false),
        };
        (Arc::new(seat), gone)
    }

    fn table(&self) -> MutexGuard<'_, Table> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Seat {
    /// This connection showed `session`. It keeps a place among those outside where that session has all
    /// that one may have.
    pub fn let_in(&self, session: u64) {
        if self.inside.load(Ordering::Relaxed) {
            return;
        }
        let mut table = self.seats.table();
        let full = table.inside.len() >= MOST_INSIDE;
        if full || count(&table.inside, session) >= INSIDE_OF_ONE {
            return;
        }
        let at = position(&table.outside, self.number);
        if let Some(taken) = at.and_then(|at| table.outside.remove(at)) {
            let Taken { number, stay, .. } = taken;
            let of = session;
            table.inside.push_back(Taken { number, of, stay });
            self.inside.store(true, Ordering::Relaxed);
        }
    }

    fn silence(&self) -> Duration {
        match self.inside.load(Ordering::Relaxed) {
            true => SILENCE_INSIDE,
            false => SILENCE_OUTSIDE,
        }
    }
}

impl Drop for Seat {
    fn drop(&mut self) {
        let mut table = self.seats.table();
        if let Some(at) = position(&table.outside, self.number) {
            table.outside.remove(at);
        } else if let Some(at) = position(&table.inside, self.number) {
            table.inside.remove(at);
        }
    }
}

/// One connection with its limits of time.
#[derive(Debug)]
pub struct Connection<S> {
    stream: S,
    seat: Arc<Seat>,
    answered: Instant,
    silence: Pin<Box<Sleep>>,
    /// Since when nothing is taken of what is sent.
    stall: Option<Pin<Box<Sleep>>>,
}

impl<S> Connection<S> {
    pub fn new(stream: S, seat: Arc<Seat>) -> Connection<S> {
        Connection {
            stream,
            silence: Box::pin(sleep(seat.silence())),
            seat,
            answered: Instant::now(),
            stall: None,
        }
    }

    fn is_too_silent(&mut self, cx: &mut Context<'_>) -> bool {
        while self.silence.as_mut().poll(cx).is_ready() {
            let end = self.answered + self.seat.silence();
            if end <= Instant::now() {
                return true;
            }
            self.silence.as_mut().reset(end);
        }
        false
    }

    fn is_stalled(&mut self, cx: &mut Context<'_>) -> bool {
        let stall = self.stall.get_or_insert_with(|| Box::pin(sleep(STALL)));
        stall.as_mut().poll(cx).is_ready()
    }
}

impl<S: AsyncRead + Unpin> AsyncRead for Connection<S> {
    fn poll_read(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        buffer: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        if self.is_too_silent(cx) {
            return Poll::Ready(Err(io::ErrorKind::TimedOut.into()));
        }
        Pin::new(&mut self.stream).poll_read(cx, buffer)
    }
}

impl<S: AsyncWrite + Unpin> AsyncWrite for Connection<S> {
    fn poll_write(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        bytes: &[u8],
    ) -> Poll<io::Result<usize>> {
        let written = Pin::new(&mut self.stream).poll_write(cx, bytes);
        if written.is_ready() {
            self.stall = None;
            self.answered = Instant::now();
        } else if self.is_stalled(cx) {
            return Poll::Ready(Err(io::ErrorKind::TimedOut.into()));
        }
        written
    }

    fn poll_flush(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_flush(cx)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_shutdown(cx)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn who(last: u8) -> Who {
        Who::new([192, 0, 2, last].into(), Owner::Untold)
    }

    fn is_open(gone: &mut oneshot::Receiver<Infallible>) -> bool {
        matches!(gone.try_recv(), Err(oneshot::error::TryRecvError::Empty))
    }

    #[test]
    fn who_has_most_gives_way_and_who_is_in_never() {
        let seats = Arc::new(Seats::default());
        let (maker, mut stays) = seats.take(who(1));
        maker.let_in(7);
        let (_waiting, mut waits) = seats.take(who(1));
        let mut crowd = Vec::new();
        for turn in 0..1000_usize {
            let (seat, mut gone) = seats.take(who(2 + (turn % 3) as u8));
            assert!(is_open(&mut gone));
            crowd.push((seat, gone));
            assert!(seats.table().outside.len() <= MOST_OUTSIDE);
        }
        assert!(is_open(&mut stays) && is_open(&mut waits));
        let open = crowd
            .iter_mut()
            .filter_map(|(_, gone)| is_open(gone).then_some(()));
        assert_eq!(open.count(), 3 * OUTSIDE_OF_ONE);
        drop(crowd);
        assert_eq!(seats.table().outside.len(), 1);
    }

    #[test]
    fn as_many_addresses_as_places_still_leave_one_for_who_comes() {
        let seats = Arc::new(Seats::default());
        let crowd: Vec<_> = (0..200).map(|last| seats.take(who(last))).collect();
        let (seat, mut gone) = seats.take(who(201));
        assert!(is_open(&mut gone));
        seat.let_in(1);
        let more: Vec<_> = (0..200).map(|last| seats.take(who(last))).collect();
        assert!(is_open(&mut gone));
        drop((crowd, more, seat));
        let table = seats.table();
        assert!(table.outside.is_empty() && table.inside.is_empty());
    }

    #[test]
    fn a_session_has_no_more_than_its_own_places_inside() {
        let seats = Arc::new(Seats::default());
        let mine: Vec<_> = (0..40).map(|_| seats.take(who(1))).collect();
        for (seat, _) in &mine {
            seat.let_in(1);
        }
        assert_eq!(seats.table().inside.len(), INSIDE_OF_ONE);
        let (other, mut gone) = seats.take(who(2));
        other.let_in(2);
        assert!(is_open(&mut gone) && other.inside.load(Ordering::Relaxed));
    }
}
