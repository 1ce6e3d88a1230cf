//! One task a scale: holds the serial line open, gives its bytes on with the time they came, asks
//! for weights where the scale wants to be asked, and comes back by itself when the line was gone.
//!
//! A dead serial line reads as "0 bytes" for ever, so `Ok(0)` and every error mean that it is gone:
//! the port is dropped at once (a held one makes the kernel give the scale another name) and opened
//! again with growing pauses. Nothing is ever flushed: draining a line that is held blocks for good.

use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};
use tokio::sync::mpsc;
use tokio_serial::{ClearBuffer, SerialPort as _, SerialStream};

use super::ports;
use crate::language::{Sentence, phrase, shown_as_told};
use crate::scale::settings::{DtrMode, Parity, ScaleSettings};
use crate::vocabulary::reading::ScaleIndex;

/// First pause before a line is opened again; doubles up to [`LONGEST_PAUSE`].
pub const FIRST_PAUSE: Duration = Duration::from_millis(250);
pub const LONGEST_PAUSE: Duration = Duration::from_secs(5);

/// A line that was open this long without a byte counts as good; its next loss starts with the
/// first pause again.
const PROVEN: Duration = Duration::from_secs(2);

/// The longest wait for the scale to take a poll command.
const WRITE_LIMIT: Duration = Duration::from_secs(1);

/// The shortest pause between two poll commands, whatever the configuration says.
const SHORTEST_POLL: Duration = Duration::from_millis(10);

/// Bytes taken from the kernel at once; a scale line has about 20.
const READ_SIZE: usize = 1024;
/// After a silence of this length lines may have been held back by the computer or the adapter.
const HELD_BACK: Duration = Duration::from_millis(400);
/// Packets of one arrival follow one upon the other; of a line that is sent a byte may take 8 ms (1200 baud).
const NEXT_PACKET: Duration = Duration::from_millis(10);
/// A scale that never pauses is not waited for.
const MOST_HELD: usize = 64 * 1024;

/// Something that happened on a scale's line.
#[derive(Debug)]
pub struct LinkMessage {
    pub scale: ScaleIndex,
    /// When it happened, on the clock that never steps back.
    pub at: Instant,
    pub news: LinkNews,
}

/// See [`LinkMessage`].
#[derive(Debug)]
pub enum LinkNews {
    /// The line is open (also for the first time). Its first scale line may be cut.
    Back {
        path: PathBuf,
    },
    Bytes(Vec<u8>),
    /// The line is not open. Sent when it is lost, when it cannot be opened at the start, and when
    /// the reason changes; not at each vain try.
    Lost(LinkFault),
}

/// Why a line is not open.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum LinkFault {
    NotFound(ports::PortError),
    Busy { port: String },
    NotPermitted { port: String, let_in: LetIn },
    NotSerial { port: String, why: String },
    Setting(Sentence),
    Gone { port: String, why: String },
    Other { port: String, why: String },
}

shown_as_told!(LinkFault);

/// What lets a person open a line.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LetIn {
    /// The rule is there, and lets in whoever sits at this machine.
    Seat,
    /// The rule is there, and is for lines on USB: this one is not.
    NotUsb,
    /// There is no rule.
    NoRule,
}

impl LetIn {
    /// The rule that lets the person at the seat open serial lines on USB, where a package or a person puts it.
    const RULES: [&str; 2] = [
        "/usr/lib/udev/rules.d/70-bismar.rules",
        "/etc/udev/rules.d/70-bismar.rules",
    ];

    fn of(port: &Path) -> LetIn {
        let has_rule = LetIn::RULES.iter().any(|rule| Path::new(rule).exists());
        let line = std::fs::canonicalize(port).unwrap_or_else(|_| port.to_path_buf());
        LetIn::among(has_rule, &line, &ports::list())
    }

    /// The same without looking at the machine.
    fn among(has_rule: bool, line: &Path, ports: &[ports::Port]) -> LetIn {
        let on_usb = |port: &ports::Port| port.path == line && port.is_on_usb();
        match has_rule {
            true if ports.iter().any(on_usb) => LetIn::Seat,
            true => LetIn::NotUsb,
            false => LetIn::NoRule,
        }
    }

    /// The one thing to do, and what where that does not help.
    fn told(self, port: &str) -> Sentence {
        match self {
            LetIn::Seat => phrase!(
                "you may not open {port} yet: unplug the scale and plug it in again while you are logged in at this \
                 computer's own screen; where that does not help, log out and in again",
                port,
            ),
            LetIn::NotUsb => phrase!(
                "you may not open {port}, which is not on USB: connect the scale by a USB adapter, which is let in by \
                 itself; without one, `sudo adduser $USER dialout` in a terminal lets you in from your next login on",
                port,
            ),
            LetIn::NoRule => phrase!(
                "you may not open {port}: install bismar's Debian package, which lets in who sits at this computer, and \
                 plug the scale in again; without it, `sudo adduser $USER dialout` in a terminal lets you in from your \
                 next login on",
                port,
            ),
        }
    }
}

impl std::error::Error for LinkFault {}

impl From<ports::PortError> for LinkFault {
    fn from(error: ports::PortError) -> LinkFault {
        LinkFault::NotFound(error)
    }
}

impl LinkFault {
    /// What it is and what to do.
    pub fn told(&self) -> Sentence {
        match self {
            LinkFault::NotFound(error) => error.told(),
            LinkFault::Busy { port } => phrase!(
                "{port} is in use by another program; close it there (a terminal program, a second bismar; within half a \
                 minute after plugging in it may be the modem manager)",
                port,
            ),
            LinkFault::NotPermitted { port, let_in } => let_in.told(port),
            LinkFault::NotSerial { port, why } => phrase!(
                "{port} is not a serial line ({why}); {find_at_terminal} finds the scale's",
                port,
                why,
                find_at_terminal = "`bismar identify`",
            ),
            LinkFault::Setting(what) => what.clone(),
            LinkFault::Gone { port, why } => phrase!(
                "the line at {port} is gone ({why}); check the plug and the scale's power",
                port,
                why,
            ),
            LinkFault::Other { port, why } => phrase!(
                "{port} cannot be opened: {why}; unplug the scale and plug it in again",
                port,
                why,
            ),
        }
    }
}

impl LinkFault {
    /// A stable short word for logs and `status`.
    pub const fn code(&self) -> &'static str {
        match self {
            LinkFault::NotFound(ports::PortError::Absent { .. }) => "absent",
            LinkFault::NotFound(ports::PortError::Ambiguous { .. }) => "ambiguous",
            LinkFault::Busy { .. } => "busy",
            LinkFault::NotPermitted { .. } => "not-permitted",
            LinkFault::NotSerial { .. } => "not-serial",
            LinkFault::Setting(_) => "setting",
            LinkFault::Gone { .. } => "gone",
            LinkFault::Other { .. } => "other",
        }
    }

    /// Sorts the library's error: it drops the system's number, only kinds and texts are left.
    fn of_open(port: &Path, error: &tokio_serial::Error) -> LinkFault {
        use std::io::ErrorKind as Io;
        use tokio_serial::ErrorKind as Kind;
        let port = port.display().to_string();
        let why = error.description.clone();
        match error.kind() {
            // EBUSY for a user; for root, whom TIOCEXCL does not stop, the lock's own text.
            Kind::NoDevice => LinkFault::Busy { port },
            Kind::Io(Io::PermissionDenied) => LinkFault::NotPermitted {
                let_in: LetIn::of(Path::new(&port)),
                port,
            },
            Kind::Io(Io::NotFound) => LinkFault::NotFound(ports::PortError::Absent {
                wanted: port.into(),
                there: Sentence::none(),
            }),
            Kind::InvalidInput => LinkFault::Setting(phrase!("{port}: {why}", port, why)),
            // ENOTTY has no kind of its own.
            Kind::Unknown if why.contains("typewriter") => LinkFault::NotSerial { port, why },
            Kind::Io(_) | Kind::Unknown => LinkFault::Other { port, why },
        }
    }
}

/// The builder for `config`, with `path` as the line's name.
///
/// # Errors
/// [`LinkFault::Setting`] for a number of bits or a speed that no line has.
pub fn builder(
    config: &ScaleSettings,
    path: &Path,
) -> Result<tokio_serial::SerialPortBuilder, LinkFault> {
    let scale = &config.name;
    let data_bits = tokio_serial::DataBits::try_from(config.data_bits).map_err(|_| {
        LinkFault::Setting(phrase!(
            "scale {scale}: data_bits = {bits} is not possible; write 7 or 8",
            scale,
            bits = config.data_bits.to_string(),
        ))
    })?;
    let stop_bits = tokio_serial::StopBits::try_from(config.stop_bits).map_err(|_| {
        LinkFault::Setting(phrase!(
            "scale {scale}: stop_bits = {bits} is not possible; write 1 or 2",
            scale,
            bits = config.stop_bits.to_string(),
        ))
    })?;
    if config.baud == 0 {
        let text = phrase!(
            "scale {scale}: baud = 0 is not possible; most scales use 9600",
            scale,
        );
        return Err(LinkFault::Setting(text));
    }
    let name = path.to_str().ok_or_else(|| {
        LinkFault::Setting(phrase!(
            "scale {scale}: the port's path {path} is not plain text; rename the link",
            scale,
            path = path.display().to_string(),
        ))
    })?;
    let builder = tokio_serial::new(name, config.baud)
        .data_bits(data_bits)
        .stop_bits(stop_bits)
        .parity(match config.parity {
            Parity::None => tokio_serial::Parity::None,
            Parity::Even => tokio_serial::Parity::Even,
            Parity::Odd => tokio_serial::Parity::Odd,
        })
        .flow_control(tokio_serial::FlowControl::None)
        // No second program may take part of the bytes.
        .exclusive(true);
    Ok(match config.dtr {
        DtrMode::Keep => builder.preserve_dtr_on_open(),
        DtrMode::On => builder.dtr_on_open(true),
        DtrMode::Off => builder.dtr_on_open(false),
    })
}

/// Holds the line of scale number `scale` until the receiver of `out` is dropped or the task is
/// aborted; either closes the port.
pub async fn run(scale: ScaleIndex, config: ScaleSettings, out: mpsc::Sender<LinkMessage>) {
    let name = config.name.clone();
    let mut pause = Pause::default();
    let mut told: Option<LinkFault> = None;
    let mut link = Link { scale, config, out };
    loop {
        let fault = match link.open().await {
            Ok((port, path)) => {
                tracing::info!(scale = %name, port = %path.display(), "line open");
                told = None;
                let opened = Instant::now();
                if !link.send(LinkNews::Back { path: path.clone() }).await {
                    return;
                }
                let Some(session) = link.converse(port, &path).await else {
                    return;
                };
                if session.bytes > 0 || opened.elapsed() >= PROVEN {
                    pause = Pause::default();
                }
                session.fault
            }
            Err(fault) => fault,
        };
        if told.as_ref() != Some(&fault) {
            tracing::warn!(scale = %name, code = fault.code(), "{fault}");
            if !link.send(LinkNews::Lost(fault.clone())).await {
                return;
            }
            told = Some(fault);
        }
        tokio::time::sleep(pause.next()).await;
        if link.out.is_closed() {
            return;
        }
    }
}

/// Growing pauses between two tries.
#[derive(Debug)]
struct Pause(Duration);

impl Default for Pause {
    fn default() -> Self {
        Pause(FIRST_PAUSE)
    }
}

impl Pause {
    fn next(&mut self) -> Duration {
        let now = self.0;
        self.0 = (now * 2).min(LONGEST_PAUSE);
        now
    }
}

struct Link {
    scale: ScaleIndex,
    config: ScaleSettings,
    out: mpsc::Sender<LinkMessage>,
}

/// How an open line ended.
struct Session {
    fault: LinkFault,
    bytes: u64,
}

impl Link {
    /// Gives `news` on; `false` when nobody listens any more.
    async fn send(&self, news: LinkNews) -> bool {
        let message = LinkMessage {
            scale: self.scale,
            at: Instant::now(),
            news,
        };
        self.out.send(message).await.is_ok()
    }

    /// Finds and opens the line. The system calls can wait for a sick adapter, so they run beside
    /// the other scales' tasks.
    async fn open(&self) -> Result<(SerialStream, PathBuf), LinkFault> {
        let config = self.config.clone();
        let opening = tokio::task::spawn_blocking(move || open_now(&config));
        let (port, path) = opening.await.unwrap_or_else(|error| {
            Err(LinkFault::Other {
                port: ports::describe(&self.config.port).into(),
                why: error.to_string(),
            })
        })?;
        if let Some(settle) = seconds(self.config.settle) {
            tokio::time::sleep(settle).await;
            // What a restarting board said meanwhile is no weight.
            clear(&port, &path)?;
        }
        Ok((port, path))
    }

    /// Reads (and asks, where a poll command is configured) until the line is gone. `None` when
    /// nobody listens any more.
    async fn converse(&mut self, port: SerialStream, path: &Path) -> Option<Session> {
        let (mut reader, mut writer) = tokio::io::split(port);
        let mut bytes = 0u64;
        let why = tokio::select! {
            ended = read_all(self, &mut reader, &mut bytes) => ended,
            error = ask(&self.config, &mut writer) => Some(error),
        };
        let port = reader.unsplit(writer);
        // Closing waits up to half a minute for bytes that were not taken; throw them away.
        let _ = port.clear(ClearBuffer::Output);
        drop(port);
        let port = path.display().to_string();
        why.map(|why| Session {
            fault: LinkFault::Gone { port, why },
            bytes,
        })
    }
}

fn open_now(config: &ScaleSettings) -> Result<(SerialStream, PathBuf), LinkFault> {
    let path = ports::find(&config.port)?;
    let builder = builder(config, &path)?;
    let mut port =
        SerialStream::open(&builder).map_err(|error| LinkFault::of_open(&path, &error))?;
    // The tty's own mark may outlive a holder that is killed (a pty keeps it), and then lets nobody but
    // root in; the lock that remains goes with the process.
    port.set_exclusive(false)
        .map_err(|error| LinkFault::of_open(&path, &error))?;
    // Opening no longer does it: weights of minutes ago may stand in the kernel's buffer.
    clear(&port, &path)?;
    Ok((port, path))
}

fn clear(port: &SerialStream, path: &Path) -> Result<(), LinkFault> {
    port.clear(ClearBuffer::Input)
        .map_err(|error| LinkFault::Gone {
            port: path.display().to_string(),
            why: error.description,
        })
}

/// Reads until the line is gone (`Some` reason) or nobody listens (`None`).
async fn read_all(
    link: &Link,
    reader: &mut tokio::io::ReadHalf<SerialStream>,
    total: &mut u64,
) -> Option<String> {
    let mut buffer = [0u8; READ_SIZE];
    let mut heard = tokio::time::Instant::now();
    loop {
        match reader.read(&mut buffer).await {
            Ok(0) => return Some("hung up".to_owned()),
            Ok(n) => {
                let mut bytes = buffer.get(..n).unwrap_or(&[]).to_vec();
                if heard.elapsed() > HELD_BACK {
                    // What was held back on its way comes in packets, one upon the other: it is one arrival.
                    while bytes.len() < MOST_HELD
                        && let Ok(Ok(n @ 1..)) =
                            tokio::time::timeout(NEXT_PACKET, reader.read(&mut buffer)).await
                    {
                        bytes.extend_from_slice(buffer.get(..n).unwrap_or(&[]));
                    }
                }
                heard = tokio::time::Instant::now();
                *total += bytes.len() as u64;
                if !link.send(LinkNews::Bytes(bytes)).await {
                    return None;
                }
            }
            Err(error) if error.kind() == std::io::ErrorKind::Interrupted => {}
            Err(error) => return Some(error.to_string()),
        }
    }
}

/// Sends the poll command again and again; returns only when the line is gone.
async fn ask(config: &ScaleSettings, writer: &mut tokio::io::WriteHalf<SerialStream>) -> String {
    let Some((command, interval)) = config.poll.as_ref().filter(|(c, _)| !c.is_empty()) else {
        return std::future::pending().await;
    };
    let interval = seconds(*interval).unwrap_or(Duration::from_secs(1));
    let mut due = tokio::time::interval(interval.max(SHORTEST_POLL));
    due.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
    let mut held = false;
    loop {
        due.tick().await;
        match tokio::time::timeout(WRITE_LIMIT, writer.write_all(command)).await {
            Ok(Ok(())) => held = false,
            Ok(Err(error)) => return error.to_string(),
            Err(_) => {
                // A scale that sent XOFF; it may go on later, so the line stays open.
                if !held {
                    tracing::warn!(scale = %config.name, "the scale does not take the poll command");
                }
                held = true;
            }
        }
    }
}

/// A configured number of seconds as a duration; `None` for 0 and for what is no time.
fn seconds(value: f64) -> Option<Duration> {
    Duration::try_from_secs_f64(value)
        .ok()
        .filter(|duration| !duration.is_zero())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::scale::settings::PortSelector;

    fn config() -> ScaleSettings {
        ScaleSettings::new(
            "bench",
            PortSelector::Path("/dev/null".into()),
            "number-unit",
        )
    }

    /// What the package brings lets in without a terminal; the command stands where that is not there, and last.
    #[test]
    fn one_thing_is_to_be_done_where_the_rights_are_missing() {
        let port = |path: &str, by_id: Option<&str>| ports::Port {
            path: path.into(),
            by_id: by_id.map(Into::into),
            usb: None,
        };
        let known = [
            port("/dev/ttyS0", None),
            port("/dev/ttyUSB0", Some("/dev/serial/by-id/usb-adapter")),
        ];
        let told = |has_rule, line: &str| {
            let let_in = LetIn::among(has_rule, Path::new(line), &known);
            let port = line.to_owned();
            LinkFault::NotPermitted { port, let_in }.to_string()
        };
        let here = told(true, "/dev/ttyUSB0");
        assert!(here.contains("plug it in again"), "{here}");
        assert!(!here.contains("adduser"), "{here}");
        let plain = told(true, "/dev/ttyS0");
        let at = |words: &str| plain.find(words).unwrap();
        assert!(at("by a USB adapter") < at("adduser"), "{plain}");
        let bare = told(false, "/dev/ttyUSB0");
        let at = |words: &str| bare.find(words).unwrap();
        assert!(at("package") < at("adduser"), "{bare}");
    }

    /// The files that are looked for are those that the package and its guide put there.
    #[test]
    fn the_rule_is_looked_for_where_it_is_put() {
        let cargo = include_str!("../../Cargo.toml");
        assert!(cargo.contains(r#"["systemd/70-bismar.rules", "usr/lib/udev/rules.d/", "644"]"#));
        let guide = include_str!("../../systemd/README.md");
        assert!(guide.contains("cp systemd/70-bismar.rules /etc/udev/rules.d/"));
        let wanted = ["/usr/lib/udev/rules.d/", "/etc/udev/rules.d/"];
        assert_eq!(
            LetIn::RULES,
            wanted.map(|folder| format!("{folder}70-bismar.rules"))
        );
    }

    // A pty forces 8 data bits, so the builder's values are compared, not the line's.
    #[test]
    fn the_builder_takes_every_setting_of_the_configuration() {
        let mut seven = config();
        (seven.baud, seven.data_bits, seven.parity, seven.stop_bits) = (4800, 7, Parity::Even, 2);
        let got = builder(&seven, Path::new("/dev/x")).unwrap();
        let wanted = tokio_serial::new("/dev/x", 4800)
            .data_bits(tokio_serial::DataBits::Seven)
            .parity(tokio_serial::Parity::Even)
            .stop_bits(tokio_serial::StopBits::Two);
        assert_eq!(got, wanted);
        let mut odd = config();
        (odd.parity, odd.dtr) = (Parity::Odd, DtrMode::Off);
        let wanted = tokio_serial::new("/dev/x", 9600)
            .parity(tokio_serial::Parity::Odd)
            .dtr_on_open(false);
        assert_eq!(builder(&odd, Path::new("/dev/x")).unwrap(), wanted);
    }

    #[test]
    fn impossible_settings_name_the_scale_and_a_remedy() {
        let cases = [
            (9, 1, 9600, "data_bits = 9"),
            (8, 3, 9600, "stop_bits = 3"),
            (8, 1, 0, "baud = 0"),
        ];
        for (data_bits, stop_bits, baud, part) in cases {
            let bad = ScaleSettings {
                data_bits,
                stop_bits,
                baud,
                ..config()
            };
            let fault = builder(&bad, Path::new("/dev/x")).unwrap_err();
            assert_eq!(fault.code(), "setting");
            let text = fault.to_string();
            assert!(text.contains("bench") && text.contains(part), "{text}");
        }
    }

    #[test]
    fn errors_are_sorted_by_the_librarys_kinds() {
        use std::io::ErrorKind as Io;
        use tokio_serial::ErrorKind as Kind;
        let cases = [
            (Kind::NoDevice, "Device or resource busy", "busy"),
            (
                Kind::Io(Io::PermissionDenied),
                "Permission denied",
                "not-permitted",
            ),
            (
                Kind::Io(Io::NotFound),
                "No such file or directory",
                "absent",
            ),
            (Kind::Unknown, "Not a typewriter", "not-serial"),
            (Kind::Unknown, "I/O error", "other"),
        ];
        for (kind, text, code) in cases {
            let error = tokio_serial::Error::new(kind, text);
            let fault = LinkFault::of_open(Path::new("/dev/ttyUSB0"), &error);
            assert_eq!(fault.code(), code, "{fault}");
            assert!(fault.to_string().contains("/dev/ttyUSB0"));
        }
    }

    #[test]
    fn pauses_double_to_a_cap() {
        let mut pause = Pause::default();
        let millis: Vec<u128> = (0..7).map(|_| pause.next().as_millis()).collect();
        assert_eq!(millis, [250, 500, 1000, 2000, 4000, 5000, 5000]);
    }

    #[test]
    fn odd_numbers_of_seconds_are_no_time() {
        for odd in [0.0, -1.0, f64::NAN, f64::INFINITY, 1e300] {
            assert_eq!(seconds(odd), None, "{odd}");
        }
        assert_eq!(seconds(0.5), Some(Duration::from_millis(500)));
    }
}
