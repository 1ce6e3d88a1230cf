//! Who is at the other end of a connection. On one machine the kernel tells whose socket it is: an address of
//! this machine is every user's, and a token that one of them has stolen is worth nothing to them where they
//! themselves are turned away. It is asked about each connection alone (sock_diag(7)), which takes it as long
//! among thousands as among few; where it may not be asked so, its lists are read (/proc/net/tcp, proc(5)).

use std::fs::File;
use std::io::{BufRead as _, BufReader};
use std::net::{IpAddr, Ipv4Addr, Ipv6Addr, SocketAddr};
use std::os::fd::OwnedFd;

use rustix::io::Errno;
use rustix::net::netlink::{SOCK_DIAG, SocketAddrNetlink};
use rustix::net::{
    AddressFamily, RecvFlags, SendFlags, SocketFlags, SocketType, connect, recv, send, socket_with,
};
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
    way: Way,
}

/// How somebody comes here.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
enum Way {
    Straight,
    /// All that one proxy brings.
    Through,
    /// One of those that a proxy brings, by what it says.
    Behind(IpAddr),
}

impl Who {
    pub fn new(from: IpAddr, owner: Owner) -> Who {
        let address = match from.to_canonical() {
            // Another user has all addresses of this machine, and one allowance.
            _ if !owner.is_ours() => Ipv4Addr::UNSPECIFIED.into(),
            far => line(far),
        };
        let user = match owner {
            Owner::User(user) => Some(user),
            Owner::Gone | Owner::Untold => None,
        };
        let way = Way::Straight;
        Who { address, user, way }
    }

    /// Whether this is a program of this machine, as a proxy in front of the page is.
    pub fn is_here(self) -> bool {
        self.user.is_some() || self.address.is_loopback() || self.address.is_unspecified()
    }

    /// All whom this proxy brings, together.
    #[must_use]
    pub fn through(self) -> Who {
        let way = Way::Through;
        Who { way, ..self }
    }

    /// Who comes from `address` behind this proxy.
    #[must_use]
    pub fn behind(self, address: IpAddr) -> Who {
        let way = Way::Behind(line(address.to_canonical()));
        Who { way, ..self }
    }
}

/// The line to the network that an address is of.
fn line(address: IpAddr) -> IpAddr {
    match address {
        v4 @ IpAddr::V4(_) => v4,
        // One line has a whole /64 (RFC 6177).
        IpAddr::V6(ip) => Ipv6Addr::from(u128::from(ip) >> 64 << 64).into(),
    }
}

/// The two ends of a connection as the other end has them.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Ends {
    pub theirs: SocketAddr,
    pub ours: SocketAddr,
}

impl Ends {
    /// Whether both are on this machine for certain. A machine has other addresses too, and any of its users may come
    /// from each of them to each: of those the kernel alone knows.
    fn are_here(self) -> bool {
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

/// Whose the other ends of `all` are. Blocks, for some milliseconds where the lists must be read.
pub fn owners(all: &[Ends]) -> Vec<Owner> {
    let mut kernel = Kernel::new();
    let asked = all.iter().map(|ends| match &mut kernel {
        Ok(kernel) => kernel.owner(*ends),
        Err(error) => Err(*error),
    });
    let asked: Result<Vec<Owner>, Errno> = asked.collect();
    asked.unwrap_or_else(|_| listed(all))
}

/// The kernel, to be asked about one connection after the other: sock_diag(7), netlink(7); the numbers are
/// those of linux/netlink.h, linux/sock_diag.h and linux/inet_diag.h.
#[derive(Debug)]
struct Kernel {
    socket: OwnedFd,
    asked: u32,
    /// It has told of a TCP socket. One without the module for that says of each that it is not there.
    tells: bool,
}

/// The heads of a message and of an answer, bytes.
const HEAD: usize = 16;
/// Where an answer has the ends, the user and the inode.
const ENDS: usize = HEAD + 4;
const USER: usize = ENDS + 48 + 12;
const INODE: usize = USER + 4;

impl Kernel {
    fn new() -> Result<Kernel, Errno> {
        let (kind, flags) = (SocketType::DGRAM, SocketFlags::CLOEXEC);
        let socket = socket_with(AddressFamily::NETLINK, kind, flags, Some(SOCK_DIAG))?;
        // Connected to the kernel it hears nobody else.
        connect(&socket, &SocketAddrNetlink::new(0, 0))?;
        Ok(Kernel {
            socket,
            asked: 0,
            tells: false,
        })
    }

    fn owner(&mut self, ends: Ends) -> Result<Owner, Errno> {
        let answer = self.ask(ends)?;
        let owner = told(&answer, self.asked, ends)?;
        if owner.is_none() && !self.tells {
            // Who listens at our end is there for certain.
            let nobody = match ends.ours.ip().to_canonical() {
                IpAddr::V4(_) => Ipv4Addr::UNSPECIFIED.into(),
                IpAddr::V6(_) => Ipv6Addr::UNSPECIFIED.into(),
            };
            let listener = self.ask(Ends {
                theirs: ends.ours,
                ours: SocketAddr::new(nobody, 0),
            })?;
            if is_error(&listener) {
                return Err(Errno::PROTONOSUPPORT);
            }
        }
        self.tells = true;
        Ok(owner.unwrap_or_else(|| unseen(ends)))
    }

    /// What it answers to a question about `ends`.
    fn ask(&mut self, ends: Ends) -> Result<Vec<u8>, Errno> {
        self.asked += 1;
        let id = identity(ends);
        send(
            &self.socket,
            &question(self.asked, ends, &id),
            SendFlags::empty(),
        )?;
        let mut answer = vec![0; 1024];
        // It has answered before `send` returns.
        let (length, _) = recv(&self.socket, &mut answer[..], RecvFlags::DONTWAIT)?;
        answer.truncate(length);
        Ok(answer)
    }
}

/// The ends as the kernel has them (`inet_diag_sockid`, without interface and cookie).
fn identity(ends: Ends) -> [u8; 36] {
    let Ends { theirs, ours } = ends.canonical();
    let mut id = [0; 36];
    id[..2].copy_from_slice(&theirs.port().to_be_bytes());
    id[2..4].copy_from_slice(&ours.port().to_be_bytes());
    for (at, ip) in [(4, theirs.ip()), (20, ours.ip())] {
        match ip {
            IpAddr::V4(ip) => id[at..at + 4].copy_from_slice(&ip.octets()),
            IpAddr::V6(ip) => id[at..at + 16].copy_from_slice(&ip.octets()),
        }
    }
    id
}

/// The message that asks about one TCP connection (`nlmsghdr`, `inet_diag_req_v2`).
fn question(number: u32, ends: Ends, id: &[u8; 36]) -> Vec<u8> {
    const SOCK_DIAG_BY_FAMILY: u16 = 20;
    const NLM_F_REQUEST: u16 = 1;
    const LENGTH: u32 = 72;
    const TCP: u8 = 6;
    let (family, interface) = match ends.theirs {
        at if at.ip().to_canonical().is_ipv4() => (AddressFamily::INET, 0),
        SocketAddr::V6(at) => (AddressFamily::INET6, at.scope_id()),
        SocketAddr::V4(_) => (AddressFamily::INET, 0),
    };
    let mut text = Vec::with_capacity(72);
    text.extend(LENGTH.to_ne_bytes());
    text.extend(SOCK_DIAG_BY_FAMILY.to_ne_bytes());
    text.extend(NLM_F_REQUEST.to_ne_bytes());
    text.extend(number.to_ne_bytes());
    text.extend(0_u32.to_ne_bytes());
    text.extend([family.as_raw() as u8, TCP, 0, 0]);
    // In every state.
    text.extend(u32::MAX.to_ne_bytes());
    text.extend(id);
    text.extend(interface.to_ne_bytes());
    // No cookie.
    text.extend([0xFF; 8]);
    text
}

/// Whether an answer is a refusal (`nlmsghdr`).
fn is_error(answer: &[u8]) -> bool {
    const NLMSG_ERROR: u16 = 2;
    answer
        .get(4..6)
        .is_none_or(|kind| kind == NLMSG_ERROR.to_ne_bytes())
}

/// What the kernel answers to the question `number` about `ends` (`nlmsghdr`, `inet_diag_msg`).
/// `None`: it has no such socket.
fn told(answer: &[u8], number: u32, ends: Ends) -> Result<Option<Owner>, Errno> {
    const BROKEN: Errno = Errno::BADMSG;
    let word = |at: usize| {
        let bytes = answer.get(at..at + 4)?.try_into().ok()?;
        Some(u32::from_ne_bytes(bytes))
    };
    if word(8) != Some(number) {
        return Err(BROKEN);
    }
    if is_error(answer) {
        let error = word(HEAD).ok_or(BROKEN)?.cast_signed();
        return match error.saturating_neg() == Errno::NOENT.raw_os_error() {
            true => Ok(None),
            false => Err(BROKEN),
        };
    }
    let (user, inode) = (word(USER).ok_or(BROKEN)?, word(INODE).ok_or(BROKEN)?);
    // Where the connection is gone, who listens at the same port is told. One that nobody holds any more has
    // no inode, and root as its user, whoever had it.
    let it = spoken_of(answer).ok_or(BROKEN)? == ends.canonical();
    Ok(it.then_some(match inode {
        0 => Owner::Gone,
        _ => Owner::User(user),
    }))
}

/// Whose a connection is whose other end this machine does not have: it was closed, or is another machine's.
fn unseen(ends: Ends) -> Owner {
    match ends.are_here() {
        true => Owner::Gone,
        false => Owner::Untold,
    }
}

/// The ends that an answer is about; an IPv6 socket may hold an IPv4 connection (RFC 4291, 2.5.5.2).
fn spoken_of(answer: &[u8]) -> Option<Ends> {
    let v4 = u16::from(*answer.get(HEAD)?) == AddressFamily::INET.as_raw();
    let part = |at: usize, length: usize| answer.get(ENDS + at..ENDS + at + length);
    let end = |port: usize, address: usize| {
        let port = u16::from_be_bytes(part(port, 2)?.try_into().ok()?);
        let ip: IpAddr = match v4 {
            true => <[u8; 4]>::try_from(part(address, 4)?).ok()?.into(),
            false => <[u8; 16]>::try_from(part(address, 16)?).ok()?.into(),
        };
        Some(SocketAddr::new(ip.to_canonical(), port))
    };
    let (theirs, ours) = (end(0, 4)?, end(2, 20)?);
    Some(Ends { theirs, ours })
}

/// The same from the lists: one look for all of them, since a look reads them whole.
fn listed(all: &[Ends]) -> Vec<Owner> {
    let mut found = vec![Owner::Untold; all.len()];
    // A list that changes while it is read may leave one out, so it is looked for once more.
    for _ in 0..2 {
        let open: Vec<(usize, Ends)> = all
            .iter()
            .enumerate()
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
        for (at, ends) in open {
            if let Some(owner @ Owner::Untold) = found.get_mut(at).filter(|_| told) {
                *owner = unseen(ends);
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
                *owner = user;
            }
        }
    }
    true
}

/// The ends of a socket, and whose it is. One that nobody holds any more has no inode, and root as its user, whoever
/// had it.
fn row(line: &str) -> Option<(Ends, Owner)> {
    let mut cells = line.split_ascii_whitespace();
    let theirs = end(cells.nth(1)?)?;
    let ours = end(cells.next()?)?;
    let user = cells.nth(4)?.parse().ok()?;
    let inode: u64 = cells.nth(1)?.parse().ok()?;
    let owner = match inode {
        0 => Owner::Gone,
        _ => Owner::User(user),
    };
    Some((Ends { theirs, ours }, owner))
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
            assert_eq!(listed(&[elsewhere, ends]), [Owner::Untold, user]);
            // Who may not ask the kernel (a container, another unit) still reads its lists.
            match Kernel::new() {
                Ok(mut kernel) => assert_eq!(kernel.owner(ends), Ok(user), "{at}"),
                Err(error) => println!("SKIPPED IN PART: the kernel is not asked here: {error}"),
            }
            drop(mine);
            // A program that another test starts holds a copy of the socket until it is the other program.
            let until = Instant::now() + Duration::from_secs(20);
            for ask in [owners, listed] {
                while ask(&[ends]) != [Owner::Gone] {
                    assert!(Instant::now() < until, "{at}: {:?}", ask(&[ends]));
                    sleep(Duration::from_millis(5));
                }
            }
        }
    }

    /// From any address of this machine to any other, as its users may.
    #[test]
    fn the_kernel_tells_it_between_two_addresses_of_this_machine_too() {
        use rustix::net::{bind, connect, getsockname, socket};
        let far = std::net::UdpSocket::bind("0.0.0.0:0").unwrap();
        // No packet is sent: only the way there is looked up (RFC 5737, 3: nobody's address).
        let own = far
            .connect("198.51.100.1:9")
            .and_then(|()| far.local_addr());
        let Ok(own) = own.map(|at| at.ip()) else {
            println!("SKIPPED: this machine has no address but its own");
            return;
        };
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let from = socket(AddressFamily::INET, SocketType::STREAM, None).unwrap();
        bind(&from, &SocketAddr::new(own, 0)).unwrap();
        if let Err(error) = connect(&from, &listener.local_addr().unwrap()) {
            println!("SKIPPED: no connection from {own}: {error}");
            return;
        }
        let (accepted, theirs) = listener.accept().unwrap();
        assert_eq!(theirs, getsockname(&from).unwrap().try_into().unwrap());
        let ours = accepted.local_addr().unwrap();
        let ends = Ends { theirs, ours };
        assert!(!ends.are_here(), "{ends:?}");
        let user = Owner::User(geteuid().as_raw());
        assert_eq!(owners(&[ends]), [user]);
        assert_eq!(listed(&[ends]), [user]);
        drop(from);
        let until = Instant::now() + Duration::from_secs(20);
        for ask in [owners, listed] {
            // Closed, and the kernel still has it.
            while ask(&[ends]) != [Owner::Gone] {
                assert!(Instant::now() < until, "{:?}", ask(&[ends]));
                sleep(Duration::from_millis(5));
            }
        }
    }

    /// A browser that has gone, and a program of another user that listens at the port which it had.
    #[test]
    fn who_listens_at_a_port_is_not_taken_for_the_connection_that_had_it() {
        let page = TcpListener::bind("127.0.0.1:0").unwrap();
        let other = TcpListener::bind("127.0.0.1:0").unwrap();
        let ends = Ends {
            theirs: other.local_addr().unwrap(),
            ours: page.local_addr().unwrap(),
        };
        assert_eq!(owners(&[ends]), [Owner::Gone]);
        assert_eq!(listed(&[ends]), [Owner::Gone]);
    }

    #[test]
    fn an_answer_that_is_cut_or_another_s_tells_nothing() {
        let ends = Ends {
            theirs: "127.0.0.1:40000".parse().unwrap(),
            ours: "127.0.0.1:8417".parse().unwrap(),
        };
        let id = identity(ends);
        let mut answer = vec![0; HEAD + 72];
        answer[4..6].copy_from_slice(&20_u16.to_ne_bytes());
        answer[HEAD] = 2;
        answer[8..12].copy_from_slice(&7_u32.to_ne_bytes());
        answer[ENDS..ENDS + id.len()].copy_from_slice(&id);
        answer[USER..USER + 4].copy_from_slice(&65534_u32.to_ne_bytes());
        assert_eq!(told(&answer, 7, ends), Ok(Some(Owner::Gone)));
        answer[INODE] = 1;
        assert_eq!(told(&answer, 7, ends), Ok(Some(Owner::User(65534))));
        assert!(told(&answer, 8, ends).is_err());
        for length in 0..answer.len() {
            assert!(told(&answer[..length], 7, ends).is_err(), "{length} bytes");
        }
        let other = Ends {
            theirs: "127.0.0.1:40001".parse().unwrap(),
            ..ends
        };
        assert_eq!(told(&answer, 7, other), Ok(None));
        // An IPv6 socket at an IPv4 address.
        let mut mapped = answer.clone();
        mapped[HEAD] = 10;
        for (at, ip) in [(4, ends.theirs.ip()), (20, ends.ours.ip())] {
            let IpAddr::V4(ip) = ip else { unreachable!() };
            mapped[ENDS + at..ENDS + at + 16].copy_from_slice(&ip.to_ipv6_mapped().octets());
        }
        assert_eq!(told(&mapped, 7, ends), Ok(Some(Owner::User(65534))));
        answer[4..6].copy_from_slice(&2_u16.to_ne_bytes());
        for (error, wanted) in [
            (-2_i32, Ok(None)),
            (-1, Err(Errno::BADMSG)),
            (i32::MIN, Err(Errno::BADMSG)),
        ] {
            answer[HEAD..HEAD + 4].copy_from_slice(&error.to_ne_bytes());
            assert_eq!(told(&answer, 7, ends), wanted);
        }
    }

    #[test]
    fn a_row_of_the_list_is_read_as_proc_5_describes_it() {
        let v4 = "   0: 0100007F:9C40 0100007F:20E1 01 00000000:00000000 00:00000000 00000000 65534        0 4711 1 0 20 4 30 10 -1";
        let (ends, user) = row(v4).unwrap();
        assert_eq!(ends.theirs, "127.0.0.1:40000".parse().unwrap());
        assert_eq!(ends.ours, "127.0.0.1:8417".parse().unwrap());
        assert_eq!(user, Owner::User(65534));
        let mapped = "   1: 0000000000000000FFFF00000100007F:9C40 0000000000000000FFFF00000100007F:20E1 01 0:0 0:0 0 65534 0 4711 1";
        assert_eq!(row(mapped), Some((ends, user)));
        let orphan = v4.replace("65534        0 4711", "0        0 0");
        assert_eq!(row(&orphan), Some((ends, Owner::Gone)));
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
