//! A thousand connections of people without a key, from several addresses, while the maker presses her keys.

use std::io::{Read as _, Write as _};
use std::net::TcpStream;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::time::{Duration, Instant};

use rustix::net::{AddressFamily, SocketType, bind, connect, socket};
use rustix::process::{Resource, getrlimit, setrlimit};

use crate::bench_side::faults;
use crate::bench_side::served::Served;

/// In the full run; `BISMAR_CROWD` says how many, each press for ten of them.
const CROWD: usize = 1000;
const USUAL: usize = 200;
/// Just slower than her own allowance of presses.
const BETWEEN: Duration = Duration::from_millis(270);

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

#[test]
fn a_thousand_connections_without_a_key_take_nothing_of_the_maker_s() {
    let mut limit = getrlimit(Resource::Nofile);
    limit.current = limit.maximum;
    setrlimit(Resource::Nofile, limit).unwrap();
    let size = std::env::var("BISMAR_CROWD").map_or(USUAL, |size| size.parse().expect("a number"));
    let presses = size.min(CROWD) / 10;
    let served = Served::start();
    let session = served.enter();
    served.person.begins();
    let files = || {
        let path = format!("/proc/{}/fd", served.daemon.child.id());
        std::fs::read_dir(path).unwrap().count()
    };
    let before = files();
    let (stop, came) = (
        Arc::new(AtomicBool::new(false)),
        Arc::new(AtomicUsize::new(0)),
    );
    let there = {
        let (port, stop, came) = (served.port, Arc::clone(&stop), Arc::clone(&came));
        std::thread::spawn(move || crowd(size, port, &stop, &came))
    };
    served.daemon.until(|| came.load(Ordering::Relaxed) >= size);

    let mut took: Vec<f64> = Vec::new();
    let mut most_files = 0;
    for press in 0..presses {
        let note = format!("{{\"do\":\"note\",\"note\":\"press {press}\"}}");
        let began = Instant::now();
        let answer = served.post("/do", &session, &note);
        took.push(began.elapsed().as_secs_f64() * 1000.0);
        assert_eq!(answer.status, 200, "press {press}: {answer:?}");
        most_files = most_files.max(files());
        std::thread::sleep(BETWEEN);
    }
    stop.store(true, Ordering::Relaxed);
    there.join().unwrap();
    took.sort_by(f64::total_cmp);
    let (p50, p95, longest) = (
        took[presses / 2],
        took[presses * 95 / 100],
        took[presses - 1],
    );
    let came = came.load(Ordering::Relaxed);
    let measured = format!(
        "{came} connections in all; a press answered in {p50:.0} ms (median), {p95:.0} ms (p95), {longest:.0} ms \
         (longest); at most {} connections open at the daemon",
        most_files - before
    );
    println!("{measured}");
    // The weighing has gone on, and its rows are all there.
    let said = served.person.run(&["status"]).ended(0);
    assert!(said.out.contains("step 1 of 3"), "{said:?}");
    served.person.run(&["stop"]).ended(0);
    let log = crate::bench_side::logs::only_log(&served.person);
    let notes = crate::bench_side::logs::cells(&log, "note", "note");
    let pressed = notes
        .iter()
        .filter(|note| note.starts_with("press "))
        .count();
    assert_eq!(pressed, presses);
    faults::report(
        "1,000 connections at the page",
        "from eight addresses, the maker's own among them, without a key: silent, half a header a byte at a time, words and wrong keys without end, events asked \
         for, answers not read; ten times a second each, closed ones come again after a second; meanwhile the maker presses keys, each on a new connection",
        format!("{size} at a time, {presses} presses"),
        "each press is taken and answered, its row is in the log, the batch goes on",
        measured,
    );
}
