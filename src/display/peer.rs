//! Who is at the other end of a connection. On one machine the kernel tells whose socket it is
//! (/proc/net/tcp, proc(5)): an address of this machine is every user's, and a token that one of them has
//! stolen is worth nothing to them where they themselves are turned away.

use std::fs::File;
use std::io::{BufRead as _, BufReader};
use std::net::{IpAddr, Ipv4Addr, Ipv6Addr, SocketAddr};

use rustix::process::geteuid;

/// The kernel's lists of sockets in this process's network.
const LISTS: [&str; 2] = ["/proc/self/net/tcp", "/proc/self/net/tcp6"];

/// Whose the other end's socket is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Owner {
    User(u32),
    /// Nobody's: it was closed meanwhile. The kernel then names root as its user.
    Gone,
    /// On another machine, or the kernel's list cannot be read.
    Untold,
}

impl Owner {
    /// Whether it is somebody that the daemon of this user answers: the user, root, or unknown.
    pub fn is_ours(self) -> bool {
        match self {
            Owner::User(user) => user == 0 || user == geteuid().as_raw(),
            Owner::Gone => false,
            Owner::Untold => true,
        }
    }
}

/// Whose allowance a connection uses up: an address with a user where that is known.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Who {
    address: IpAddr,
    user: Option<u32>,
}

impl Who {
    pub fn new(from: IpAddr, owner: Owner) -> Who {
        let address = match from.to_canonical() {
            // Another user has all addresses of this machine, and one allowance.
            _ if !owner.is_ours() => Ipv4Addr::UNSPECIFIED.into(),
            v4 @ IpAddr::V4(_) => v4,
            // One line to the network has a whole /64 (RFC 6177).
            IpAddr::V6(ip) => Ipv6Addr::from(u128::from(ip) >> 64 << 64).into(),
        };
        let user = match owner {
            Owner::User(user) => Some(user),
            Owner::Gone | Owner::Untold => None,
        };
        Who { address, user }
    }
}

/// The two ends of a connection as the other end has them.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Ends {
    pub theirs: SocketAddr,
    pub ours: SocketAddr,
}

impl Ends {
    /// Whether both are on this machine.
    pub fn are_here(self) -> bool {
        let theirs = self.theirs.ip().to_canonical();
        theirs.is_loopback() || theirs == self.ours.ip().to_canonical()
    }

    fn canonical(self) -> Ends {
        let plain = |at: SocketAddr| SocketAddr::new(at.ip().to_canonical(), at.port());
        Ends {
            theirs: plain(self.theirs),
            ours: plain(self.ours),
        }
    }
}

/// Whose the other ends of `all` are: one look at the lists for all of them, since a look reads them whole.
/// Blocks for some milliseconds.
pub fn owners(all: &[Ends]) -> Vec<Owner> {
    let mut found = vec![Owner::Untold; all.len()];
    let here = || all.iter().enumerate().filter(|(_, ends)| ends.are_here());
    // A list that changes while it is read may leave one out, so it is looked for once more.
    for _ in 0..2 {
        let open: Vec<(usize, Ends)> = here()
            .filter(|(at, _)| matches!(found.get(*at), Some(Owner::Untold | Owner::Gone)))
            .map(|(at, ends)| (at, ends.canonical()))
            .collect();
        if open.is_empty() {
            break;
        }
        let mut told = false;
        for list in LISTS {
            told |= look(list, &open, &mut found);
        }
        for (at, _) in open {
            if let Some(owner @ Owner::Untold) = found.get_mut(at).filter(|_| told) {
                *owner = Owner::Gone;
            }
        }
    }
    found
}

/// Whether the list could be read to its end.
fn look(list: &str, open: &[(usize, Ends)], found: &mut [Owner]) -> bool {
    let Ok(file) = File::open(list) else {
        return false;
    };
    for line in BufReader::with_capacity(1 << 16, file).lines().skip(1) {
        let Ok(line) = line else { return false };
        let Some((ends, user)) = row(&line) else {
            continue;
        };
        for (at, _) in open.iter().filter(|(_, wanted)| *wanted == ends) {
            if let Some(owner) = found.get_mut(*at) {
                *owner = Owner::User(user);
            }
        }
    }
    true
}

/// The ends and the user of a socket that somebody holds. One that nobody holds any more has no inode, and
/// root as its user, whoever had it.
fn row(line: &str) -> Option<(Ends, u32)> {
    let mut cells = line.split_ascii_whitespace();
    let theirs = end(cells.nth(1)?)?;
    let ours = end(cells.next()?)?;
    let user = cells.nth(4)?.parse().ok()?;
    let inode: u64 = cells.nth(1)?.parse().ok()?;
    (inode != 0).then_some((Ends { theirs, ours }, user))
}

/// `0100007F:20E1`: each 32 bits as a number of this machine's byte order, then the port.
fn end(text: &str) -> Option<SocketAddr> {
    let (address, port) = text.split_once(':')?;
    let mut bytes = Vec::with_capacity(16);
    for word in address.as_bytes().chunks(8) {
        let word = u32::from_str_radix(str::from_utf8(word).ok()?, 16).ok()?;
        bytes.extend(word.to_ne_bytes());
    }
    let ip: IpAddr = match bytes.len() {
        4 => <[u8; 4]>::try_from(bytes).ok()?.into(),
        16 => <[u8; 16]>::try_from(bytes).ok()?.into(),
        _ => return None,
    };
    let port = u16::from_str_radix(port, 16).ok()?;
    Some(SocketAddr::new(ip.to_canonical(), port))
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::net::{TcpListener, TcpStream};
    use std::thread::sleep;
    use std::time::{Duration, Instant};

    #[test]
    fn the_kernel_tells_whose_connection_it_is_while_somebody_holds_it() {
        for at in ["127.0.0.1:0", "[::1]:0"] {
            let Ok(listener) = TcpListener::bind(at) else {
                assert!(at.starts_with('['), "no {at}");
                println!("SKIPPED: this machine has no {at}");
                continue;
            };
            let mine = TcpStream::connect(listener.local_addr().unwrap()).unwrap();
            let (accepted, theirs) = listener.accept().unwrap();
            let ours = accepted.local_addr().unwrap();
            let ends = Ends { theirs, ours };
            let elsewhere = Ends {
                theirs: "192.0.2.7:5000".parse().unwrap(),
                ours,
            };
            let user = Owner::User(geteuid().as_raw());
            assert_eq!(owners(&[elsewhere, ends]), [Owner::Untold, user]);
            drop(mine);
            // A program that another test starts holds a copy of the socket until it is the other program.
            let until = Instant::now() + Duration::from_secs(20);
            while owners(&[ends]) != [Owner::Gone] {
                assert!(Instant::now() < until, "{at}: {:?}", owners(&[ends]));
                sleep(Duration::from_millis(5));
            }
        }
    }

    #[test]
    fn a_row_of_the_list_is_read_as_proc_5_describes_it() {
        let v4 = "   0: 0100007F:9C40 0100007F:20E1 01 00000000:00000000 00:00000000 00000000 65534        0 4711 1 0 20 4 30 10 -1";
        let (ends, user) = row(v4).unwrap();
        assert_eq!(ends.theirs, "127.0.0.1:40000".parse().unwrap());
        assert_eq!(ends.ours, "127.0.0.1:8417".parse().unwrap());
        assert_eq!(user, 65534);
        let mapped = "   1: 0000000000000000FFFF00000100007F:9C40 0000000000000000FFFF00000100007F:20E1 01 0:0 0:0 0 65534 0 4711 1";
        assert_eq!(row(mapped), Some((ends, user)));
        let orphan = v4.replace("65534        0 4711", "0        0 0");
        assert_eq!(row(&orphan), None);
        for broken in [
            "",
            "0:",
            "  sl  local_address rem_address   st",
            "1 2:3 :4 5",
        ] {
            assert_eq!(row(broken), None, "{broken}");
        }
    }

    #[test]
    fn another_user_has_one_allowance_and_the_maker_her_own() {
        let at = |text: &str| text.parse::<IpAddr>().unwrap();
        let stranger = Owner::User(geteuid().as_raw().wrapping_add(1).max(1));
        let maker = Owner::User(geteuid().as_raw());
        assert!(!stranger.is_ours() && maker.is_ours());
        let one = Who::new(at("127.0.0.1"), stranger);
        assert_eq!(one, Who::new(at("127.0.0.9"), stranger));
        assert_ne!(one, Who::new(at("127.0.0.1"), maker));
        let same =
            |a: &str, b: &str| Who::new(at(a), Owner::Untold) == Who::new(at(b), Owner::Untold);
        assert!(same("2001:db8::1", "2001:db8::ffff:1"));
        assert!(!same("2001:db8::1", "2001:db8:0:1::1"));
        assert!(!same("192.0.2.1", "192.0.2.2"));
        assert!(same("192.0.2.1", "::ffff:192.0.2.1"));
    }
}
