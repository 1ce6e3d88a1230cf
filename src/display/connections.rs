//! The page's connections: few at a time, and none that says nothing for long. Whoever reaches the
//! address can open connections before any key is asked for, and each takes a file descriptor of the
//! process that reads the scales.

use std::io;
use std::net::SocketAddr;
use std::pin::Pin;
use std::sync::Arc;
use std::task::{Context, Poll};
use std::time::Duration;

use axum::serve::Listener;
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{OwnedSemaphorePermit, Semaphore};
use tokio::time::{Instant, Sleep, sleep};

/// Connections at a time; further ones wait in the system's queue.
pub const MOST: usize = 64;
/// One to which nothing was answered for so long is closed: a request that comes a byte at a time never ends.
/// What follows the events has a beat.
const LONGEST_SILENCE: Duration = Duration::from_secs(10);
/// Before the next try where the system gives no connection.
const PAUSE: Duration = Duration::from_millis(200);

/// A listener of at most [`MOST`] connections.
#[derive(Debug)]
pub struct Few {
    listener: TcpListener,
    room: Arc<Semaphore>,
}

impl Few {
    pub fn new(listener: TcpListener) -> Few {
        Few {
            listener,
            room: Arc::new(Semaphore::new(MOST)),
        }
    }
}

impl Listener for Few {
    type Io = Connection;
    type Addr = SocketAddr;

    async fn accept(&mut self) -> (Connection, SocketAddr) {
        loop {
            let Ok(seat) = Arc::clone(&self.room).acquire_owned().await else {
                // Nobody closes the semaphore.
                std::future::pending::<()>().await;
                continue;
            };
            match self.listener.accept().await {
                Ok((stream, from)) => {
                    // A weight is a small packet that must not wait for the next.
                    let _ = stream.set_nodelay(true);
                    let connection = Connection {
                        stream,
                        silence: Box::pin(sleep(LONGEST_SILENCE)),
                        _seat: seat,
                    };
                    return (connection, from);
                }
                Err(error) => {
                    tracing::debug!(%error, "a browser could not be accepted");
                    sleep(PAUSE).await;
                }
            }
        }
    }

    fn local_addr(&self) -> io::Result<SocketAddr> {
        self.listener.local_addr()
    }
}

/// One connection, and its seat until it is closed.
#[derive(Debug)]
pub struct Connection {
    stream: TcpStream,
    silence: Pin<Box<Sleep>>,
    _seat: OwnedSemaphorePermit,
}

impl Connection {
    fn answered(&mut self) {
        self.silence
            .as_mut()
            .reset(Instant::now() + LONGEST_SILENCE);
    }
}

impl AsyncRead for Connection {
    fn poll_read(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        buffer: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        if self.silence.as_mut().poll(cx).is_ready() {
            return Poll::Ready(Err(io::ErrorKind::TimedOut.into()));
        }
        Pin::new(&mut self.stream).poll_read(cx, buffer)
    }
}

impl AsyncWrite for Connection {
    fn poll_write(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        bytes: &[u8],
    ) -> Poll<io::Result<usize>> {
        let written = Pin::new(&mut self.stream).poll_write(cx, bytes);
        if written.is_ready() {
            self.answered();
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
