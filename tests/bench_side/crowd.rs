//! Connections of people without a key to a page, from several addresses, that come again and again.

use std::io::{Read as _, Write as _};
use std::net::TcpStream;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use rustix::net::{AddressFamily, SocketType, bind, connect, socket};
use rustix::process::{Resource, getrlimit, setrlimit};

/// A connection from one of eight addresses of this machine, the maker's own among them; none where there is no place for it.
fn from_one_of_eight(number: usize, port: u16) -> Option<TcpStream> {
    let own = [127, 0, 0, 1 + u8::try_from(number % 8).unwrap()];
    let fd = socket(AddressFamily::INET, SocketType::STREAM, None).ok()?;
    bind(&fd, &std::net::SocketAddrV4::new(own.into(), 0)).ok()?;
    connect(
        &fd,
        &std::net::SocketAddrV4::new([127, 0, 0, 1].into(), port),
    )
    .ok()?;
    let stream = TcpStream::from(fd);
    stream.set_nonblocking(true).ok()?;
    Some(stream)
}

/// What one of them sends next; each does one thing, and does it again and again.
fn next_of(number: usize, port: u16, times: usize) -> Vec<u8> {
    let head = format!("Host: 127.0.0.1:{port}\r\nOrigin: http://127.0.0.1:{port}\r\n");
    match number % 6 {
        // Says nothing.
        0 => Vec::new(),
        // Half a request, then a byte at a time.
        1 if times == 0 => b"GET / HTTP/1.1\r\nHost: ".to_vec(),
        1 => b"x".to_vec(),
        2 => format!("POST /do HTTP/1.1\r\n{head}Content-Type: application/json\r\nContent-Length: 13\r\n\r\n{{\"do\":\"next\"}}").into_bytes(),
        3 => format!("POST /enter HTTP/1.1\r\n{head}Content-Type: application/json\r\nContent-Length: 11\r\n\r\n{{\"key\":\"1\"}}").into_bytes(),
        4 => format!("GET /events HTTP/1.1\r\n{head}\r\n").into_bytes(),
        // Asks for the page and reads nothing of it.
        _ => format!("GET / HTTP/1.1\r\n{head}\r\n").repeat(20).into_bytes(),
    }
}

/// Before one that was closed comes again.
const AGAIN: Duration = Duration::from_secs(1);

/// One of them: its connection and how often it has said its word, or since when it has none.
enum One {
    In(TcpStream, usize),
    Out(Option<Instant>),
}

/// Keeps a thousand connections open and busy; one that was closed comes again after a second.
fn crowd(size: usize, port: u16, stop: &AtomicBool, came: &AtomicUsize) {
    let mut all: Vec<One> = (0..size).map(|_| One::Out(None)).collect();
    while !stop.load(Ordering::Relaxed) {
        let round = Instant::now();
        for (number, one) in all.iter_mut().enumerate() {
            let gone = match one {
                One::Out(since) => {
                    let now = since.is_none_or(|since| since.elapsed() >= AGAIN);
                    let stream = now.then(|| from_one_of_eight(number, port)).flatten();
                    if let Some(stream) = stream {
                        *one = One::In(stream, 0);
                        came.fetch_add(1, Ordering::Relaxed);
                    }
                    continue;
                }
                One::In(stream, times) => {
                    let said = stream.write_all(&next_of(number, port, *times));
                    *times += 1;
                    let full =
                        |error: std::io::Error| error.kind() != std::io::ErrorKind::WouldBlock;
                    let mut bytes = [0; 4096];
                    let reads = number % 6 != 5;
                    said.is_err_and(full) || (reads && matches!(stream.read(&mut bytes), Ok(0)))
                }
            };
            if gone {
                *one = One::Out(Some(Instant::now()));
            }
        }
        // Each has its word ten times a second.
        std::thread::sleep(Duration::from_millis(100).saturating_sub(round.elapsed()));
    }
}

/// Leaves when it is dropped.
pub struct Crowd {
    stop: Arc<AtomicBool>,
    came: Arc<AtomicUsize>,
    there: Option<JoinHandle<()>>,
}

impl Crowd {
    /// `size` of them at the page on `port`.
    pub fn at(port: u16, size: usize) -> Crowd {
        let mut limit = getrlimit(Resource::Nofile);
        limit.current = limit.maximum;
        setrlimit(Resource::Nofile, limit).unwrap();
        let (stop, came) = (
            Arc::new(AtomicBool::new(false)),
            Arc::new(AtomicUsize::new(0)),
        );
        let (stops, counts) = (Arc::clone(&stop), Arc::clone(&came));
        let there = std::thread::spawn(move || crowd(size, port, &stops, &counts));
        Crowd {
            stop,
            came,
            there: Some(there),
        }
    }

    /// How many connections there were so far.
    pub fn came(&self) -> usize {
        self.came.load(Ordering::Relaxed)
    }

    /// How many there were in all.
    pub fn leaves(mut self) -> usize {
        self.stop.store(true, Ordering::Relaxed);
        self.there.take().unwrap().join().unwrap();
        self.came()
    }
}

impl Drop for Crowd {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
    }
}
