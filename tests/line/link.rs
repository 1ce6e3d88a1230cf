//! The link to a scale, over real pseudo-terminals: on Linux a closed pty master hangs the line up
//! the same way as an unplugged USB adapter does. (Not tested here: a real plug being pulled.)

use std::fs::File;
use std::io::{Read as _, Write as _};
use std::os::unix::fs::symlink;
use std::path::{Path, PathBuf};
use std::time::Duration;

use bismar::scale::link::{self, LinkFault, LinkMessage, LinkNews};
use bismar::scale::settings::{DtrMode, ScaleSettings};
use tokio::sync::mpsc;

use crate::bench_side::pty::Pty;
use crate::bench_side::{faults, python, scale_config};

/// A pty: we are the scale on its master side.
fn config(path: &Path) -> ScaleSettings {
    scale_config("bench", path, "number-unit")
}

/// A running link and what it says.
struct Running {
    news: mpsc::Receiver<LinkMessage>,
    task: tokio::task::JoinHandle<()>,
}

impl Running {
    fn start(config: ScaleSettings) -> Running {
        let (out, news) = mpsc::channel(1000);
        Running {
            news,
            task: tokio::spawn(link::run(3, config, out)),
        }
    }

    /// The next news; a link that says nothing for 30 s has failed.
    async fn next(&mut self) -> LinkNews {
        let message = tokio::time::timeout(Duration::from_secs(30), self.news.recv())
            .await
            .expect("the link said nothing for 30 s")
            .expect("the link has ended");
        assert_eq!(message.scale, 3);
        message.news
    }

    async fn back(&mut self) -> PathBuf {
        match self.next().await {
            LinkNews::Back { path } => path,
            other => panic!("Back was expected, not {other:?}"),
        }
    }

    async fn lost(&mut self) -> LinkFault {
        match self.next().await {
            LinkNews::Lost(fault) => fault,
            other => panic!("Lost was expected, not {other:?}"),
        }
    }

    async fn bytes(&mut self, wanted: &[u8]) {
        let mut got = Vec::new();
        while got.len() < wanted.len() {
            match self.next().await {
                LinkNews::Bytes(bytes) => got.extend(bytes),
                other => panic!("bytes were expected, not {other:?}"),
            }
        }
        assert_eq!(
            String::from_utf8_lossy(&got),
            String::from_utf8_lossy(wanted)
        );
    }
}

#[tokio::test]
async fn bytes_arrive_whole_and_in_order_and_old_ones_are_thrown_away() {
    let mut pty = Pty::new();
    // A weight of before the opening stands in the kernel's buffer.
    pty.send(b"OLD    999.99 g\r\n");
    let mut link = Running::start(config(&pty.path));
    assert_eq!(link.back().await, pty.path);
    let text: Vec<u8> = (0..200)
        .flat_map(|i| format!("+  {i:>5}.00 g\r\n").into_bytes())
        .collect();
    // In pieces: a writer that nobody reads would fill the pty.
    for piece in text.chunks(500) {
        pty.send(piece);
        link.bytes(piece).await;
    }
    // Bytes that are no text pass as they are: no line discipline in between.
    let raw: Vec<u8> = (0..=255).collect();
    pty.send(&raw);
    link.bytes(&raw).await;
}

/// After a silence an adapter gives what it held back in packets of some sixty bytes, one upon the other.
#[tokio::test]
async fn packets_after_a_silence_are_one_arrival() {
    let pty = Pty::new();
    let mut link = Running::start(config(&pty.path));
    link.back().await;
    let text = "+    12.34 g  \r\n".repeat(30).into_bytes();
    let mut whole = 0;
    for _ in 0..5 {
        tokio::time::sleep(Duration::from_millis(600)).await;
        let (mut master, packets) = (pty.master.try_clone().unwrap(), text.clone());
        let sends = std::thread::spawn(move || {
            for packet in packets.chunks(62) {
                master.write_all(packet).unwrap();
                std::thread::sleep(Duration::from_millis(2));
            }
        });
        let mut rest = text.len();
        while rest > 0 {
            match link.next().await {
                LinkNews::Bytes(bytes) => {
                    whole += usize::from(bytes.len() == text.len());
                    rest -= bytes.len();
                }
                other => panic!("bytes were expected, not {other:?}"),
            }
        }
        sends.join().unwrap();
    }
    // A slow machine may pause between two packets of one arrival, but not each time.
    assert!(whole > 0);
}

/// CPU time of this thread in clock ticks of 1/100 s: `utime` and `stime` of proc(5).
fn cpu_ticks() -> u64 {
    let mut text = String::new();
    File::open("/proc/thread-self/stat")
        .unwrap()
        .read_to_string(&mut text)
        .unwrap();
    // The name may hold anything; the fields follow its closing bracket.
    let fields: Vec<&str> = text.rsplit_once(") ").unwrap().1.split(' ').collect();
    // Fields 14 and 15 of the manual's list; the first here is its field 3.
    fields[11].parse::<u64>().unwrap() + fields[12].parse::<u64>().unwrap()
}

#[tokio::test]
async fn a_lost_line_is_noticed_burns_no_time_and_comes_back_under_another_name() {
    let dir = tempfile::tempdir().unwrap();
    // As /dev/serial/by-id: a link that keeps its name.
    let by_id = dir.path().join("usb-scale-if00-port0");
    let mut first = Pty::new();
    symlink(&first.path, &by_id).unwrap();
    let mut link = Running::start(config(&by_id));
    assert_eq!(link.back().await, by_id);
    first.send(b"1.00 g\r\n");
    link.bytes(b"1.00 g\r\n").await;

    // The plug is pulled: the line hangs up, though somebody else still holds it open.
    std::fs::remove_file(&by_id).unwrap();
    let Pty {
        master,
        path: old,
        spare: _,
    } = first;
    drop(master);
    let fault = link.lost().await;
    assert_eq!(fault.code(), "gone", "{fault}");
    let fault = link.lost().await;
    assert_eq!(fault.code(), "absent", "{fault}");
    assert!(fault.to_string().contains("usb-scale"), "{fault}");

    // A loop that spins takes this thread's whole second, 100 ticks.
    let before = cpu_ticks();
    tokio::time::sleep(Duration::from_secs(1)).await;
    let burnt = cpu_ticks() - before;
    assert!(
        burnt < 20,
        "{burnt} of 100 ticks burnt while the line was gone"
    );
    assert!(link.news.try_recv().is_err(), "one state, told once");

    // Plugged in again, under another kernel name.
    let mut second = Pty::new();
    assert_ne!(second.path, old, "the old name is still held");
    symlink(&second.path, &by_id).unwrap();
    assert_eq!(link.back().await, by_id);
    second.send(b"2.00 g\r\n");
    link.bytes(b"2.00 g\r\n").await;
}

#[tokio::test]
async fn a_line_that_hangs_up_again_and_again_is_not_opened_in_a_tight_loop() {
    let dir = tempfile::tempdir().unwrap();
    let by_id = dir.path().join("scale");
    let first = Pty::new();
    symlink(&first.path, &by_id).unwrap();
    let mut link = Running::start(config(&by_id));
    link.back().await;
    let until = tokio::time::Instant::now() + Duration::from_millis(1500);
    let mut pty = Some(first);
    let mut openings = 1;
    while tokio::time::Instant::now() < until {
        // Hang up, and offer a new line at once.
        let old = pty.take();
        let new = Pty::new();
        std::fs::remove_file(&by_id).unwrap();
        symlink(&new.path, &by_id).unwrap();
        drop(old);
        pty = Some(new);
        link.lost().await;
        link.back().await;
        openings += 1;
    }
    // Pauses of 0.25, 0.5 and 1 s: three more openings fill the time; a tight loop has thousands.
    assert!(openings <= 5, "{openings} openings in 1.5 s");
    faults::report(
        "line that hangs up again and again",
        "the pty is closed and another offered as soon as it is opened, for 1.5 s",
        "1",
        "no tight loop: at most 5 openings",
        format!("{openings} openings"),
    );
}

#[tokio::test]
async fn a_port_in_use_says_so_with_the_remedy_and_is_taken_when_free() {
    let mut pty = Pty::new();
    let other = serialport::new(pty.path.to_str().unwrap(), 9600)
        .open_native()
        .unwrap();
    let mut link = Running::start(config(&pty.path));
    let fault = link.lost().await;
    assert_eq!(fault.code(), "busy", "{fault}");
    let text = fault.to_string();
    assert!(
        text.contains("another program") && text.contains("close it"),
        "{text}"
    );
    drop(other);
    link.back().await;
    pty.send(b"3.00 g\r\n");
    link.bytes(b"3.00 g\r\n").await;
    // The line is held by a lock alone: the tty's mark would outlive a killed daemon (TIOCGEXCL, tty_ioctl(4)).
    let marked = "import fcntl, os, sys\n\
        fd = os.open(sys.argv[1], os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)\n\
        print(int.from_bytes(fcntl.ioctl(fd, 0x80045440, bytes(4)), sys.byteorder))";
    assert_eq!(python::asked(marked, [&pty.path], b"").trim(), "0");
    // And we hold it alone now.
    let second = serialport::new(pty.path.to_str().unwrap(), 9600).open_native();
    assert_eq!(
        second.err().map(|error| error.kind()),
        Some(serialport::ErrorKind::NoDevice)
    );
    // Ending the task frees the port.
    link.task.abort();
    assert!(link.task.await.unwrap_err().is_cancelled());
    serialport::new(pty.path.to_str().unwrap(), 9600)
        .open_native()
        .expect("the port is free again");
}

#[tokio::test]
async fn what_is_no_serial_line_and_what_is_not_there_are_told_apart() {
    let cases = [
        ("/dev/null", "not-serial"),
        ("/dev/no-such-scale", "absent"),
    ];
    for (path, code) in cases {
        let mut link = Running::start(config(Path::new(path)));
        let fault = link.lost().await;
        assert_eq!(fault.code(), code, "{fault}");
        assert!(fault.to_string().contains(path), "{fault}");
    }
}

#[tokio::test]
async fn the_poll_command_is_sent_again_and_again_and_the_answer_read() {
    let mut pty = Pty::new();
    let mut polled = config(&pty.path);
    polled.poll = Some((b"SI\r\n".to_vec(), 0.02));
    // A pty has no modem lines; that must not matter.
    polled.dtr = DtrMode::On;
    let mut link = Running::start(polled);
    link.back().await;
    for i in 0..3 {
        let mut master = pty.master.try_clone().unwrap();
        let asked = tokio::task::spawn_blocking(move || {
            let mut asked = [0u8; 4];
            master.read_exact(&mut asked).map(|()| asked)
        });
        assert_eq!(&asked.await.unwrap().unwrap(), b"SI\r\n");
        let reply = format!("S S {i}.00 g\r\n");
        pty.send(reply.as_bytes());
        link.bytes(reply.as_bytes()).await;
    }
}

#[tokio::test]
async fn what_a_restarting_board_says_is_thrown_away() {
    let mut pty = Pty::new();
    let mut slow = config(&pty.path);
    slow.settle = 0.5;
    let mut link = Running::start(slow);
    for _ in 0..3 {
        pty.send(b"boot noise\r\n");
        tokio::time::sleep(Duration::from_millis(10)).await;
    }
    link.back().await;
    pty.send(b"4.00 g\r\n");
    link.bytes(b"4.00 g\r\n").await;
}

#[tokio::test]
async fn the_link_ends_when_nobody_listens() {
    let pty = Pty::new();
    let mut link = Running::start(config(&pty.path));
    link.back().await;
    drop(link.news);
    drop(pty);
    tokio::time::timeout(Duration::from_secs(30), link.task)
        .await
        .expect("the task goes on for nobody")
        .unwrap();
}
