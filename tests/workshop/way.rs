//! A way to the broker that is bad: it cuts, it is slow, it says packets twice.

use std::io::{Read, Write};
use std::net::{Shutdown, TcpListener, TcpStream};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::Duration;

/// How bad it is, for the whole of its life.
#[derive(Debug, Clone, Copy)]
pub struct Bad {
    /// Cut after so many bytes at most, at a place by chance.
    pub cut_within: u64,
    /// One packet in so many is said twice.
    pub twice: u64,
    /// Waits up to so many milliseconds before a piece.
    pub slow: u64,
}

/// One that is good until it is closed, or holds.
pub const GOOD: Bad = Bad {
    cut_within: 0,
    twice: 0,
    slow: 0,
};

/// Between clients and a broker.
pub struct Way {
    pub port: u16,
    open: Arc<AtomicBool>,
    holds: Arc<AtomicBool>,
    pub cuts: Arc<AtomicU64>,
    pub doubles: Arc<AtomicU64>,
}

impl Way {
    pub fn to(broker: u16, bad: Bad, seed: u64) -> Way {
        let listener = TcpListener::bind(("127.0.0.1", 0)).unwrap();
        let port = listener.local_addr().unwrap().port();
        let open = Arc::new(AtomicBool::new(true));
        let holds = Arc::new(AtomicBool::new(false));
        let [cuts, doubles] = [const { AtomicU64::new(0) }; 2].map(Arc::new);
        let way = Way {
            port,
            open: Arc::clone(&open),
            holds: Arc::clone(&holds),
            cuts: Arc::clone(&cuts),
            doubles: Arc::clone(&doubles),
        };
        let mut random = fastrand::Rng::with_seed(seed);
        std::thread::spawn(move || {
            for client in listener.incoming().map_while(Result::ok) {
                if !open.load(Ordering::Relaxed) {
                    continue;
                }
                let Ok(server) = TcpStream::connect(("127.0.0.1", broker)) else {
                    continue;
                };
                for (from, to) in [(&client, &server), (&server, &client)] {
                    let (from, to) = (from.try_clone().unwrap(), to.try_clone().unwrap());
                    let (open, holds) = (Arc::clone(&open), Arc::clone(&holds));
                    let (cuts, doubles) = (Arc::clone(&cuts), Arc::clone(&doubles));
                    let random = random.fork();
                    std::thread::spawn(move || {
                        carry(from, to, bad, random, &open, &holds, &cuts, &doubles)
                    });
                }
            }
        });
        way
    }

    /// No connection comes through any more, and those there are end.
    pub fn close(&self) {
        self.open.store(false, Ordering::Relaxed);
    }

    /// Nothing comes through while it holds, and nobody is told.
    pub fn hold(&self, holds: bool) {
        self.holds.store(holds, Ordering::Relaxed);
    }

    pub fn reopen(&self) {
        self.open.store(true, Ordering::Relaxed);
    }
}

/// Carries MQTT packets one by one.
#[allow(clippy::too_many_arguments, reason = "what the threads of a way share")]
fn carry(
    mut from: TcpStream,
    mut to: TcpStream,
    bad: Bad,
    mut random: fastrand::Rng,
    open: &AtomicBool,
    holds: &AtomicBool,
    cuts: &AtomicU64,
    doubles: &AtomicU64,
) {
    let mut left = match bad.cut_within {
        0 => u64::MAX,
        most => random.u64(most / 4..most),
    };
    let _ = from.set_read_timeout(Some(Duration::from_millis(200)));
    let mut held = Vec::new();
    let mut piece = [0; 4096];
    'carried: while open.load(Ordering::Relaxed) {
        match from.read(&mut piece) {
            Ok(0) => break,
            Ok(read) => held.extend_from_slice(&piece[..read]),
            Err(error)
                if matches!(
                    error.kind(),
                    std::io::ErrorKind::WouldBlock | std::io::ErrorKind::TimedOut
                ) =>
            {
                continue;
            }
            Err(_) => break,
        }
        while let Some(length) = packet(&held) {
            let packet: Vec<u8> = held.drain(..length).collect();
            // PUBLISH is 3 in the upper half of the first byte (MQTT 5, 2.1.2).
            let twice = bad.twice > 0 && packet[0] >> 4 == 3 && random.u64(0..bad.twice) == 0;
            while holds.load(Ordering::Relaxed) {
                std::thread::sleep(Duration::from_millis(20));
            }
            for _ in 0..1 + usize::from(twice) {
                if bad.slow > 0 {
                    std::thread::sleep(Duration::from_millis(random.u64(0..=bad.slow)));
                }
                let whole = (packet.len() as u64).min(left) as usize;
                if to.write_all(&packet[..whole]).is_err() {
                    break 'carried;
                }
                left -= whole as u64;
                if left == 0 {
                    cuts.fetch_add(1, Ordering::Relaxed);
                    break 'carried;
                }
            }
            doubles.fetch_add(u64::from(twice), Ordering::Relaxed);
        }
    }
    let _ = from.shutdown(Shutdown::Both);
    let _ = to.shutdown(Shutdown::Both);
}

/// The length of the first packet, where all of it is here (MQTT 5, 1.5.5 and 2.1.4).
fn packet(held: &[u8]) -> Option<usize> {
    let mut length = 0;
    for (at, byte) in held.iter().skip(1).take(4).enumerate() {
        length |= usize::from(byte & 0x7f) << (7 * at);
        if byte & 0x80 == 0 {
            let whole = 2 + at + length;
            return (held.len() >= whole).then_some(whole);
        }
    }
    None
}
