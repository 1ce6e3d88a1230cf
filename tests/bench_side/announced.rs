//! Bodies of a gigabyte that are announced to a page, and do not come, or slowly, or without end.

use std::io::{ErrorKind, Read as _, Write as _};
use std::net::{Shutdown, TcpStream};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::{Duration, Instant};

use super::LONGEST;

/// Of one address there are 16 places without a key; some are left for whoever looks meanwhile.
const EACH: usize = 4;

/// What is sent after the head.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Comes {
    Nothing,
    /// A byte ten times a second.
    Slowly,
    /// As much as is taken.
    All,
}

/// What became of the connections.
#[derive(Debug)]
pub struct Kept {
    /// Until the last one was closed.
    pub longest: Duration,
    /// The most that was taken of one, in bytes.
    pub most: usize,
}

/// Announces bodies at `path` of the page at `port`, some of each kind at a time, and does something else meanwhile, until
/// the page has closed them all.
#[track_caller]
pub fn announced(
    port: u16,
    path: &str,
    more: &str,
    kinds: &[Comes],
    mut meanwhile: impl FnMut(),
) -> Kept {
    let head = format!(
        "POST {path} HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nOrigin: http://127.0.0.1:{port}\r\n\
         Content-Type: application/json\r\nContent-Length: 1073741824\r\n{more}\r\n"
    );
    let all = EACH * kinds.len();
    let (closed, most) = (AtomicUsize::new(0), AtomicUsize::new(0));
    let begun = Instant::now();
    std::thread::scope(|scope| {
        for kind in kinds.iter().flat_map(|kind| [*kind; EACH]) {
            let (head, closed, most) = (&head, &closed, &most);
            scope.spawn(move || {
                let taken = one(port, head, kind);
                most.fetch_max(taken.unwrap_or(usize::MAX), Ordering::Relaxed);
                closed.fetch_add(1, Ordering::Relaxed);
            });
        }
        while closed.load(Ordering::Relaxed) < all {
            meanwhile();
        }
    });
    let most = most.into_inner();
    assert_ne!(most, usize::MAX, "a connection was kept");
    let longest = begun.elapsed();
    Kept { longest, most }
}

/// How many bytes of the body were taken until the page closed the connection; `None` where it never did.
fn one(port: u16, head: &str, kind: Comes) -> Option<usize> {
    let end = Instant::now() + LONGEST;
    let mut stream = TcpStream::connect(("127.0.0.1", port)).unwrap();
    stream.write_all(head.as_bytes()).unwrap();
    stream.set_nonblocking(true).unwrap();
    let piece = [b'['; 1 << 16];
    let (mut taken, mut answered) = (0, false);
    while Instant::now() < end {
        match stream.read(&mut [0; 4096]) {
            Ok(0) => return Some(taken),
            Ok(_) => answered = true,
            Err(error) if error.kind() == ErrorKind::WouldBlock => {}
            Err(_) => return Some(taken),
        }
        let sends = match kind {
            // Who has its answer sends no more.
            _ if answered => {
                let _ = stream.shutdown(Shutdown::Write);
                &[]
            }
            Comes::Nothing => &[],
            Comes::Slowly => &piece[..1],
            Comes::All => &piece[..],
        };
        match stream.write(sends) {
            Ok(sent) => taken += sent,
            Err(error) if error.kind() == ErrorKind::WouldBlock => {}
            Err(_) => return Some(taken),
        }
        if kind != Comes::All || answered {
            std::thread::sleep(Duration::from_millis(100));
        }
    }
    None
}
