//! The daemon's loop and its control socket: real unix sockets, a real pty as the scale, real
//! signals. The bench, the log and the cues are doubles, since this is about the wiring.

use std::io::{BufRead as _, BufReader, Read as _, Write as _};
use std::os::unix::fs::PermissionsExt as _;
use std::os::unix::net::{UnixListener, UnixStream};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, mpsc as std_mpsc};
use std::time::Duration;

use bismar::config::{Config, CueConfig, Holder};
use bismar::daemon::ports::{CueSink, LogAnswer, Opened, Opener, RowSink, Weigher};
use bismar::daemon::{DaemonError, Order, Parts, control, serve};
use bismar::formula::Plan;
use bismar::formula::plan::BatchSize;
use bismar::language::{Sentence, phrase};
use bismar::mass::Mass;
use bismar::protocol::client::{Client, ClientError};
use bismar::protocol::reply::{Answer, Refusal, Said};
use bismar::protocol::request::{BeginRequest, Request};
use bismar::protocol::socket::{Claim, SocketError};
use bismar::scale::settings::ScaleSettings;
use bismar::time::Moment;
use bismar::vocabulary::code::FaultCode;
use bismar::vocabulary::command::Command;
use bismar::vocabulary::cue::{Cue, CueKind};
use bismar::vocabulary::entry::{Draft, RowKind};
use bismar::vocabulary::progress::{Progress, Refused};
use bismar::vocabulary::reading::ScaleIndex;
use bismar::vocabulary::status::Status;
use bismar::weighing::event::{Event, Live};
use serde_json::Value;
use tokio::sync::mpsc;

use crate::bench_side::pty::Pty;
use crate::bench_side::{again, faults, scale_config};

// ---- doubles -----------------------------------------------------------------------------------

/// What the doubles saw, and how they shall behave.
#[derive(Default)]
struct World {
    cues: Vec<String>,
    begun: Vec<BeginRequest>,
    rows: Vec<(Draft, jiff::Timestamp)>,
    /// Rows are answered by the test when this is set.
    hold: bool,
    held: Vec<(u64, mpsc::UnboundedSender<LogAnswer>)>,
    /// The log's writer dies at its first row.
    dead_log: bool,
    benches: usize,
    ticks: usize,
    new_config: Option<Result<Config, Sentence>>,
    renewed: usize,
    unfinished: bool,
    moments: Vec<Moment>,
}

type Shared = Arc<Mutex<World>>;

/// A bench that says each line it reads as a cue, and logs a row for each `next`.
struct Echo {
    world: Shared,
    events: std::collections::VecDeque<Event>,
    line: Vec<u8>,
    readings: bool,
    tickets: u64,
    /// A deadline in the past that no tick moves: a faulty engine must not make the loop spin.
    stuck: bool,
}

impl Echo {
    fn cue(&mut self, say: String) {
        self.events.push_back(Event::Cue(Cue {
            kind: CueKind::Add,
            say: say.into(),
            step: 1,
            missing: None,
            choices: vec![],
            urgent: false,
            lead: 0,
            asks: None,
        }));
    }
}

fn plan() -> Plan {
    Plan {
        batch: Mass::from_g(100),
        jars: None,
        formula: "Marsh balm".into(),
        version: "1".into(),
        phases: vec![],
        steps: vec![],
        parts: vec![],
        limits: vec![],
        filling: None,
    }
}

impl Weigher for Echo {
    fn begin(&mut self, plan: Plan, _: Progress, _: Moment) -> Result<(), Refused> {
        self.events.push_back(Event::Step {
            step: 1,
            of: 2,
            phase: "A".into(),
            ingredient: plan.formula,
            target: Mass::from_g(10),
            low: Mass::from_g(9),
            high: Mass::from_g(11),
            scale: 0,
        });
        Ok(())
    }
    fn bytes(&mut self, scale: ScaleIndex, at: Moment, bytes: &[u8]) {
        self.world.lock().unwrap().moments.push(at);
        for &byte in bytes {
            if byte == b'\n' {
                let line = String::from_utf8(std::mem::take(&mut self.line)).unwrap();
                if self.readings {
                    self.events.push_back(Event::Reading(Live {
                        scale,
                        weight: Mass::from_mg(10),
                        net: None,
                        missing: None,
                        steady: true,
                        readability: Mass::from_mg(10),
                    }));
                }
                self.cue(line);
            } else {
                self.line.push(byte);
            }
        }
    }
    fn lost(&mut self, scale: ScaleIndex, _: Moment) {
        self.events.push_back(Event::Fault {
            scale: Some(scale),
            code: FaultCode::Lost,
            over: false,
        });
    }
    fn back(&mut self, scale: ScaleIndex, _: Moment) {
        self.events.push_back(Event::Fault {
            scale: Some(scale),
            code: FaultCode::Lost,
            over: true,
        });
    }
    fn command(&mut self, command: Command, at: Moment) -> Result<Sentence, Refused> {
        match command {
            Command::Next => {
                self.tickets += 1;
                self.events.push_back(Event::Log(Box::new(Draft {
                    ticket: self.tickets,
                    at,
                    step: 1,
                    ingredient: "salt".into(),
                    scale: "bench".into(),
                    readability: Mass::from_mg(10),
                    ..Draft::new(RowKind::Weighed, "")
                })));
                Ok("row on its way".into())
            }
            Command::Again => Err(Refused::new("nothing to weigh again")),
            Command::Keep
            | Command::Remedy(_)
            | Command::Residue(_)
            | Command::Undo
            | Command::LotOf(..)
            | Command::Skip(_)
            | Command::Cancel => Ok("kept".into()),
            Command::Lot(lot) => Ok(format!("lot {lot}").into()),
            Command::Note(note) => {
                // Big, so that a client that does not read fills its socket soon.
                self.cue(note.repeat(20));
                Ok("noted".into())
            }
            Command::Stop => {
                self.events.push_back(Event::Closed { complete: false });
                Ok("stopped".into())
            }
        }
    }
    fn logged(&mut self, ticket: u64, seq: u64, _: Moment) {
        self.cue(format!("recorded {ticket} as {seq}"));
    }
    fn not_logged(&mut self, ticket: u64, why: Sentence, _: Moment) {
        self.cue(format!("not recorded {ticket}: {why}"));
    }
    fn deadline(&self) -> Option<Moment> {
        self.stuck.then_some(Moment::default())
    }
    fn tick(&mut self, _: Moment) {
        self.world.lock().unwrap().ticks += 1;
    }
    fn poll(&mut self) -> Option<Event> {
        self.events.pop_front()
    }
    fn set_readings(&mut self, wanted: bool) {
        self.readings = wanted;
    }
    fn status(&self) -> Status {
        Status {
            say: Some("hello \"maker\"".into()),
            ..Status::default()
        }
    }
}

struct Cues(Shared);

impl CueSink for Cues {
    fn say(&mut self, cue: &Cue) {
        self.0.lock().unwrap().cues.push(cue.say.to_string());
    }
    fn renew(&mut self) {
        self.0.lock().unwrap().renewed += 1;
    }
}

struct Log {
    world: Shared,
    answers: Option<mpsc::UnboundedSender<LogAnswer>>,
}

impl RowSink for Log {
    fn write(&mut self, draft: Draft, at: jiff::Timestamp) {
        let mut world = self.world.lock().unwrap();
        let ticket = draft.ticket;
        world.rows.push((draft, at));
        if world.dead_log {
            self.answers = None;
        }
        let Some(answers) = &self.answers else { return };
        if world.hold {
            world.held.push((ticket, answers.clone()));
        } else {
            let seq = world.rows.len() as u64;
            let outcome = Ok(seq);
            answers.send(LogAnswer { ticket, outcome }).unwrap();
        }
    }
}

struct Open(Shared);

impl Open {
    fn opened(&self) -> Opened {
        let (sender, answers) = mpsc::unbounded_channel();
        Opened {
            batch: "marsh-balm".into(),
            file: "/logs/marsh-balm.csv".into(),
            plan: plan(),
            progress: Progress::default(),
            log: Box::new(Log {
                world: Arc::clone(&self.0),
                answers: Some(sender),
            }),
            answers,
            said: Said::new("batch begun"),
        }
    }
}

impl Opener for Open {
    fn begin(&mut self, request: &BeginRequest) -> Result<Opened, Refusal> {
        self.0.lock().unwrap().begun.push(request.clone());
        if request.formula.ends_with("bad.toml") {
            return Err(Refusal::new(
                "bad.toml:3:7: percent is missing; write percent = 5",
            ));
        }
        Ok(self.opened())
    }
    fn unfinished(&mut self) -> Result<Option<Opened>, Refusal> {
        let unfinished = self.0.lock().unwrap().unfinished;
        Ok(unfinished.then(|| self.opened()))
    }
}

fn parts(world: &Shared, config: Config, stuck: bool) -> Parts<Echo> {
    let for_bench = Arc::clone(world);
    let for_reload = Arc::clone(world);
    Parts {
        config: Holder::new(config),
        learned: None,
        waiting: None,
        fault: None,
        taken: None,
        rehearse: None,
        managed: false,
        bench: Box::new(move |_| {
            for_bench.lock().unwrap().benches += 1;
            Echo {
                world: Arc::clone(&for_bench),
                events: Default::default(),
                line: Vec::new(),
                readings: false,
                tickets: 0,
                stuck,
            }
        }),
        opener: Box::new(Open(Arc::clone(world))),
        cues: Box::new(Cues(Arc::clone(world))),
        reload: Box::new(move || {
            let config = for_reload.lock().unwrap().new_config.take();
            config.unwrap_or_else(|| Err("config.toml:1:1: nothing".into()))
        }),
    }
}

/// A daemon on its own thread.
struct Daemon {
    path: PathBuf,
    world: Shared,
    orders: mpsc::Sender<Order>,
    thread: Option<std::thread::JoinHandle<Result<(), DaemonError>>>,
    dir: tempfile::TempDir,
}

impl Daemon {
    fn start(config: Config, world: World) -> Daemon {
        Daemon::start_with(config, world, false)
    }

    fn start_with(config: Config, world: World, stuck: bool) -> Daemon {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("bismar").join("control.sock");
        let world = Arc::new(Mutex::new(world));
        let (orders, received) = mpsc::channel(4);
        // Bound before the thread starts, so that a client can connect at once.
        let claim = Claim::new(&path).unwrap();
        let for_thread = Arc::clone(&world);
        let thread = std::thread::spawn(move || {
            let runtime = tokio::runtime::Builder::new_current_thread()
                .enable_all()
                .build()
                .unwrap();
            runtime.block_on(serve(parts(&for_thread, config, stuck), claim, received))
        });
        Daemon {
            path,
            world,
            orders,
            thread: Some(thread),
            dir,
        }
    }

    fn client(&self) -> Client {
        Client::connect_to(&self.path).unwrap()
    }

    fn raw(&self) -> BufReader<UnixStream> {
        let stream = UnixStream::connect(&self.path).unwrap();
        stream.set_read_timeout(Some(LIMIT)).unwrap();
        stream.set_write_timeout(Some(LIMIT)).unwrap();
        BufReader::new(stream)
    }

    fn begin(&self) {
        let begin = Request::Begin {
            formula: "/balm.toml".into(),
            batch: Some("100g".into()),
            jars: None,
            fill: None,
            overweigh: vec![],
            allowance: None,
            planned: false,
        };
        assert_eq!(self.client().say(&begin).unwrap(), "batch begun");
    }

    fn order(&self, order: Order) {
        self.orders.blocking_send(order).unwrap();
    }

    fn stop(mut self) {
        self.order(Order::Stop);
        self.thread.take().unwrap().join().unwrap().unwrap();
        assert!(!self.path.exists(), "the socket is removed at the end");
    }

    fn world<T>(&self, look: impl FnOnce(&mut World) -> T) -> T {
        look(&mut self.world.lock().unwrap())
    }

    /// Waits until `look` sees what it wants.
    fn wait(&self, what: &str, mut look: impl FnMut(&mut World) -> bool) {
        let until = std::time::Instant::now() + LIMIT;
        while !look(&mut self.world.lock().unwrap()) {
            assert!(std::time::Instant::now() < until, "never happened: {what}");
            std::thread::sleep(Duration::from_millis(5));
        }
    }
}

/// After this long a test has failed; nothing is measured by it.
const LIMIT: Duration = Duration::from_secs(30);

fn exchange(stream: &mut BufReader<UnixStream>, line: &[u8]) -> Value {
    stream.get_mut().write_all(line).unwrap();
    stream.get_mut().write_all(b"\n").unwrap();
    read_json(stream)
}

fn read_json(stream: &mut BufReader<UnixStream>) -> Value {
    let mut reply = String::new();
    stream.read_line(&mut reply).unwrap();
    serde_json::from_str(&reply).unwrap_or_else(|error| panic!("{error}: {reply:?}"))
}

fn scale(name: &str, path: &Path) -> ScaleSettings {
    scale_config(name, path, "number-unit")
}

// ---- the socket's place ------------------------------------------------------------------------

#[test]
fn the_socket_and_its_folder_are_the_users_alone() {
    let daemon = Daemon::start(Config::default(), World::default());
    let mode = |path: &Path| std::fs::metadata(path).unwrap().permissions().mode() & 0o7777;
    assert_eq!(mode(&daemon.path), 0o600);
    assert_eq!(mode(daemon.path.parent().unwrap()), 0o700);
    assert_eq!(mode(&daemon.path.with_file_name("daemon.lock")), 0o600);
    daemon.stop();
}

#[test]
fn an_open_folder_is_closed_to_others() {
    let dir = tempfile::tempdir().unwrap();
    let folder = dir.path().join("bismar");
    std::fs::create_dir(&folder).unwrap();
    std::fs::set_permissions(&folder, std::fs::Permissions::from_mode(0o777)).unwrap();
    let claim = Claim::new(&folder.join("control.sock")).unwrap();
    let mode = std::fs::metadata(&folder).unwrap().permissions().mode();
    assert_eq!(mode & 0o777, 0o700);
    drop(claim);
}

/// A link that somebody laid would lead the socket, and the closing of the folder, somewhere else.
#[test]
fn a_link_or_a_folder_of_another_user_is_not_taken_for_ours() {
    let dir = tempfile::tempdir().unwrap();
    let (other, folder) = (dir.path().join("other"), dir.path().join("bismar"));
    std::fs::create_dir(&other).unwrap();
    std::fs::set_permissions(&other, std::fs::Permissions::from_mode(0o755)).unwrap();
    std::os::unix::fs::symlink(&other, &folder).unwrap();
    let refused = Claim::new(&folder.join("control.sock")).unwrap_err();
    assert!(
        matches!(refused, SocketError::NotAFolder { .. }),
        "{refused}"
    );
    let mode = std::fs::metadata(&other).unwrap().permissions().mode();
    assert_eq!(mode & 0o777, 0o755, "the folder behind it is untouched");
    assert_eq!(std::fs::read_dir(&other).unwrap().count(), 0);
    // Only root can give a folder away.
    if rustix::process::geteuid().is_root() {
        std::os::unix::fs::chown(&other, Some(65534), None).unwrap();
        let refused = Claim::new(&other.join("control.sock")).unwrap_err();
        assert!(matches!(refused, SocketError::Foreign { .. }), "{refused}");
    }
    println!(
        "FAULT | a link or a foreign folder in the socket's place | real links, chown | 2 | refused, \
         nothing behind it is touched | -"
    );
}

#[test]
fn the_socket_of_a_dead_daemon_is_taken_over() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("control.sock");
    // A process that died leaves its socket and its lock file, nobody listening, nobody locking.
    drop(UnixListener::bind(&path).unwrap());
    std::fs::write(dir.path().join("daemon.lock"), b"").unwrap();
    assert!(path.exists());
    let claim = Claim::new(&path).expect("taken over");
    UnixStream::connect(&path).expect("somebody listens again");
    drop(claim);
    assert!(!path.exists());
}

#[test]
fn a_second_daemon_is_refused_and_the_first_one_lives_on() {
    let daemon = Daemon::start(Config::default(), World::default());
    let error = Claim::new(&daemon.path).unwrap_err();
    assert!(matches!(error, SocketError::Live { .. }), "{error}");
    assert!(error.to_string().contains("running already"), "{error}");
    // Also when the lock file was deleted by hand.
    std::fs::remove_file(daemon.path.with_file_name("daemon.lock")).unwrap();
    let error = Claim::new(&daemon.path).unwrap_err();
    assert!(matches!(error, SocketError::Live { .. }), "{error}");
    daemon.client().ask(&Request::Hello).unwrap();
    daemon.stop();
}

#[test]
fn what_is_no_socket_is_left_alone_and_a_long_path_is_told() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("control.sock");
    std::fs::write(&path, b"precious").unwrap();
    let error = Claim::new(&path).unwrap_err();
    assert!(matches!(error, SocketError::NotASocket { .. }), "{error}");
    assert_eq!(std::fs::read(&path).unwrap(), b"precious");

    // 107 bytes are the most that sun_path takes (unix(7)).
    let room = 107 - dir.path().as_os_str().len() - 1;
    let fits = dir.path().join("s".repeat(room));
    drop(Claim::new(&fits).unwrap());
    let long = dir.path().join("s".repeat(room + 1));
    let text = Claim::new(&long).unwrap_err().to_string();
    assert!(
        text.contains("108 bytes") && text.contains("XDG_RUNTIME_DIR"),
        "{text}"
    );
    assert!(matches!(
        Client::connect_to(&long),
        Err(ClientError::Socket(SocketError::TooLong { .. }))
    ));
}

#[test]
fn without_a_daemon_the_client_says_how_to_start_it() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("control.sock");
    for stale in [false, true] {
        if stale {
            drop(UnixListener::bind(&path).unwrap());
        }
        let text = Client::connect_to(&path).unwrap_err().to_string();
        assert!(text.contains("systemctl --user start bismar"), "{text}");
    }
}

#[test]
fn a_daemon_that_hangs_is_told_after_the_time_limit() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("control.sock");
    let silent = UnixListener::bind(&path).unwrap();
    let error = Client::connect_to(&path)
        .unwrap()
        .ask(&Request::Status)
        .unwrap_err();
    assert!(matches!(error, ClientError::NoReply), "{error}");
    drop(silent);
}

// ---- requests ----------------------------------------------------------------------------------

#[test]
fn every_request_has_its_reply() {
    let daemon = Daemon::start(Config::default(), World::default());
    let mut client = daemon.client();
    let Answer::Hello(hello) = client.ask(&Request::Hello).unwrap() else {
        panic!("another answer");
    };
    assert_eq!((hello.hello.as_str(), hello.protocol), ("bismar", 1));
    let standing = client.status().unwrap();
    assert_eq!(standing.status.say.unwrap(), "hello \"maker\"");
    assert_eq!(standing.lines, []);
    assert_eq!(client.say(&Request::Keep).unwrap(), "kept");
    let lot = Request::Lot {
        lot: "B-12".into(),
        despite: None,
        step: None,
        batch: None,
    };
    assert_eq!(client.say(&lot).unwrap(), "lot B-12");
    let refused = client.say(&Request::Again).unwrap_err();
    assert_eq!(refused.to_string(), "nothing to weigh again");
    daemon.stop();
}

#[test]
fn a_batch_is_begun_once_at_a_time() {
    let daemon = Daemon::start(Config::default(), World::default());
    let mut raw = daemon.raw();
    let reply = exchange(
        &mut raw,
        br#"{"do":"begin","formula":"balm.toml","batch":"5g"}"#,
    );
    assert!(reply["error"].as_str().unwrap().contains("relative"));
    let reply = exchange(
        &mut raw,
        br#"{"do":"begin","formula":"/bad.toml","batch":"5g"}"#,
    );
    assert_eq!(
        reply["error"],
        "bad.toml:3:7: percent is missing; write percent = 5"
    );
    let jars = br#"{"do":"begin","formula":"/balm.toml","jars":8,"fill":"55g"}"#;
    let reply = exchange(&mut raw, jars);
    assert_eq!(reply["say"], "batch begun", "{reply}");
    let amount = daemon.world(|world| world.begun.last().unwrap().amount);
    let fill = Mass::from_g(55);
    assert_eq!(amount, BatchSize::Jars { count: 8, fill });
    let reply = exchange(&mut raw, jars);
    assert_eq!(reply["help"], "stop", "{reply}");
    assert_eq!(exchange(&mut raw, br#"{"do":"stop"}"#)["ok"], true);
    assert_eq!(exchange(&mut raw, jars)["ok"], true);
    daemon.stop();
}

#[test]
fn a_relative_path_is_made_absolute_by_the_client() {
    let request =
        bismar::protocol::client::begin(Path::new("balm.toml"), Some("5g".into()), None, None);
    let Request::Begin { formula, .. } = request.unwrap() else {
        panic!("no begin");
    };
    assert_eq!(formula, std::env::current_dir().unwrap().join("balm.toml"));
}

#[test]
fn malformed_lines_get_an_error_and_the_connection_is_kept() {
    let daemon = Daemon::start(Config::default(), World::default());
    let mut raw = daemon.raw();
    let lines: [&[u8]; 7] = [
        b"what?",
        b"{",
        b"{\"do\":\"fly\"}",
        b"{\"do\":\"begin\"}",
        b"\xff\xfe\x00",
        b"{\"do\":\"lot\",\"lot\":\"\"}",
        b"[[[[[[[[",
    ];
    for line in lines {
        let reply = exchange(&mut raw, line);
        assert_eq!(reply["ok"], false, "{line:?}");
        assert!(!reply["error"].as_str().unwrap().is_empty());
    }
    // 80 KiB without a line feed, then an honest request.
    let reply = exchange(&mut raw, &vec![b'x'; 80 * 1024]);
    assert!(
        reply["error"].as_str().unwrap().contains("65536"),
        "{reply}"
    );
    assert_eq!(exchange(&mut raw, br#"{"do":"hello"}"#)["ok"], true);
    // Two requests in one write, and one in single bytes.
    raw.get_mut()
        .write_all(b"{\"do\":\"keep\"}\n{\"do\":\"hello\"}\n")
        .unwrap();
    assert_eq!(read_json(&mut raw)["say"], "kept");
    assert_eq!(read_json(&mut raw)["hello"], "bismar");
    for byte in b"{\"do\":\"keep\"}\n" {
        raw.get_mut().write_all(&[*byte]).unwrap();
    }
    assert_eq!(read_json(&mut raw)["say"], "kept");
    daemon.stop();
    faults::report(
        "malformed requests",
        "no JSON, half JSON, no UTF-8, unknown words, missing values, 80 KiB without a line end, single bytes",
        format!("{} lines", lines.len() + 1),
        "each gets an error with a reason; the connection goes on",
        "the request after them is answered",
    );
}

#[test]
fn clients_are_bounded_and_a_free_place_is_given_again() {
    let daemon = Daemon::start(Config::default(), World::default());
    let mut clients: Vec<_> = (0..control::MOST_CLIENTS).map(|_| daemon.raw()).collect();
    // Who follows the events is never idle.
    for client in &mut clients {
        assert_eq!(exchange(client, br#"{"do":"subscribe"}"#)["ok"], true);
    }
    let mut surplus = daemon.raw();
    let reply = read_json(&mut surplus);
    assert!(
        reply["error"].as_str().unwrap().contains("32 clients"),
        "{reply}"
    );
    assert_eq!(surplus.read(&mut [0]).unwrap(), 0, "and it is closed");
    drop(clients.pop());
    daemon.wait("a free place", |_| {
        let stream = UnixStream::connect(&daemon.path).unwrap();
        let mut stream = BufReader::new(stream);
        let sent = stream.get_mut().write_all(b"{\"do\":\"hello\"}\n");
        let mut reply = String::new();
        sent.is_ok() && stream.read_line(&mut reply).is_ok() && reply.contains("\"ok\":true")
    });
    daemon.stop();
}

#[test]
fn idle_clients_do_not_lock_a_command_out() {
    let daemon = Daemon::start(Config::default(), World::default());
    let mut listener = daemon.raw();
    assert_eq!(
        exchange(&mut listener, br#"{"do":"subscribe"}"#)["ok"],
        true
    );
    let mut idle: Vec<_> = (1..control::MOST_CLIENTS).map(|_| daemon.raw()).collect();
    for client in &mut idle {
        assert_eq!(exchange(client, br#"{"do":"hello"}"#)["ok"], true);
    }
    let note = Request::Note { note: "x".into() };
    assert_eq!(daemon.client().say(&note).unwrap(), "noted");
    // The one that had asked nothing for longest is told so, and nobody else.
    let told = read_json(&mut idle[0]);
    assert!(told["error"].as_str().unwrap().contains("ask again"));
    assert_eq!(idle[0].read(&mut [0]).unwrap(), 0, "and it is closed");
    assert_eq!(exchange(&mut idle[1], br#"{"do":"hello"}"#)["ok"], true);
    assert_eq!(read_json(&mut listener)["event"], "cue");
    daemon.stop();
}

// ---- events ------------------------------------------------------------------------------------

#[test]
fn a_slow_subscriber_is_let_go_and_nobody_else_waits_for_it() {
    let daemon = Daemon::start(Config::default(), World::default());
    let mut slow = daemon.raw();
    assert_eq!(exchange(&mut slow, br#"{"do":"subscribe"}"#)["ok"], true);
    let good = daemon.client().subscribe(false).unwrap();
    let (lines, read) = std_mpsc::channel();
    std::thread::spawn(move || {
        for line in good {
            if lines.send(line.unwrap()).is_err() {
                break;
            }
        }
    });
    // 1000 events of 20 kB; a socket holds about 200 kB and the queue 256 lines.
    let mut maker = daemon.client();
    let note = "x".repeat(1000);
    for _ in 0..1000 {
        let say = maker.say(&Request::Note { note: note.clone() }).unwrap();
        assert_eq!(say, "noted");
        read.recv_timeout(LIMIT).expect("the good one gets each");
    }
    let mut got = Vec::new();
    slow.read_to_end(&mut got).unwrap();
    let lines: Vec<&[u8]> = got.trim_ascii_end().split(|&byte| byte == b'\n').collect();
    assert!(lines.len() < 1000, "{} lines", lines.len());
    let lines_read = lines.len();
    let last: Value = serde_json::from_slice(lines.last().unwrap()).unwrap();
    assert_eq!(
        (&last["event"], &last["code"]),
        (&"fault".into(), &"slow".into()),
        "{last}"
    );
    assert!(last["at"].is_number(), "{last}");
    daemon.stop();
    faults::report(
        "subscriber that does not read",
        "one of two subscribers reads nothing during 1,000 events of 20 kB",
        "1,000 events",
        "it is let go and told so; the other gets each event, none waits",
        format!("let go after {} events", lines_read),
    );
}

/// A child that does not outlive its test.
struct Owned(std::process::Child);

impl Drop for Owned {
    fn drop(&mut self) {
        // Ended already, where the test went well.
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

#[test]
fn a_window_that_hung_says_so_and_not_that_the_daemon_has_stopped() {
    let daemon = Daemon::start(Config::default(), World::default());
    let shown = daemon.dir.path().join("shown");
    let shows = |words: &str| std::fs::read_to_string(&shown).unwrap().contains(words);
    let watch = std::process::Command::new(env!("CARGO_BIN_EXE_bismar"))
        .arg("watch")
        .env("XDG_RUNTIME_DIR", daemon.dir.path())
        .stdout(std::fs::File::create(&shown).unwrap())
        .stderr(std::process::Stdio::null())
        .spawn()
        .unwrap();
    let mut watch = Owned(watch);
    let signal = |watch: &Owned, signal| {
        rustix::process::kill_process(rustix::process::Pid::from_child(&watch.0), signal).unwrap();
    };
    let mut maker = daemon.client();
    // It follows the events once it shows one.
    let until = std::time::Instant::now() + LIMIT;
    while !shows("hello there") {
        assert!(std::time::Instant::now() < until, "it never shows an event");
        let note = "hello there ".to_owned();
        maker.say(&Request::Note { note }).unwrap();
        std::thread::sleep(Duration::from_millis(20));
    }
    signal(&watch, rustix::process::Signal::STOP);
    let note = "x".repeat(1000);
    for _ in 0..1000 {
        maker.say(&Request::Note { note: note.clone() }).unwrap();
    }
    signal(&watch, rustix::process::Signal::CONT);
    let until = std::time::Instant::now() + LIMIT;
    while !shows("did not keep up") {
        assert!(std::time::Instant::now() < until, "it never says so");
        std::thread::sleep(Duration::from_millis(20));
    }
    assert!(!shows("The daemon has stopped"));
    signal(&watch, rustix::process::Signal::INT);
    watch.0.wait().unwrap();
    daemon.stop();
}

#[test]
fn who_comes_later_hears_what_holds_now() {
    let daemon = Daemon::start(Config::default(), World::default());
    let note = |text: &str| Request::Note { note: text.into() };
    let heard = || -> Vec<Value> {
        let mut client = daemon.raw();
        assert_eq!(exchange(&mut client, br#"{"do":"subscribe"}"#)["ok"], true);
        daemon.client().say(&note("end")).unwrap();
        let mut heard = Vec::new();
        loop {
            let event = read_json(&mut client);
            if event["say"].as_str().is_some_and(|s| s.starts_with("end")) {
                return heard;
            }
            heard.push(event);
        }
    };
    assert!(heard().is_empty(), "nothing holds before a batch");
    daemon.begin();
    daemon.client().say(&note("old")).unwrap();
    daemon.client().say(&note("place a beaker ")).unwrap();
    let events = heard();
    let kinds: Vec<&Value> = events.iter().map(|event| &event["event"]).collect();
    assert_eq!(kinds, ["step", "cue"], "{events:?}");
    assert_eq!(events[0]["ingredient"], "Marsh balm");
    let say = events[1]["say"].as_str().unwrap();
    assert!(say.starts_with("place a beaker"), "{say}");
    daemon.client().say(&Request::Stop).unwrap();
    assert!(heard().is_empty(), "nor after it");
    daemon.stop();
}

#[test]
fn a_line_of_the_scale_goes_to_cues_and_subscribers_and_readings_only_to_who_asked() {
    let Pty {
        mut master,
        path,
        spare: _spare,
    } = Pty::new();
    let config = Config {
        scales: vec![scale("bench", &path)],
        ..Config::default()
    };
    let daemon = Daemon::start(config, World::default());
    let mut plain = daemon.client().subscribe(false).unwrap();
    let mut all = daemon.client().subscribe(true).unwrap();
    let json = |line: Option<Result<String, ClientError>>| -> Value {
        serde_json::from_str(&line.unwrap().unwrap()).unwrap()
    };
    // The line opens before or after the subscription.
    daemon.wait("line open", |_| {
        let standing = daemon.client().status().unwrap();
        standing.lines[0].port.as_deref() == path.to_str()
    });
    master.write_all(b"12.34 g\n").unwrap();
    let mut event = json(all.next());
    if event["event"] == "fault" {
        assert_eq!(event["scale"], "bench");
        event = json(all.next());
    }
    assert_eq!(event["event"], "reading");
    let cue = json(all.next());
    assert_eq!(
        (&cue["event"], &cue["say"]),
        (&"cue".into(), &"12.34 g".into())
    );
    let mut event = json(plain.next());
    if event["event"] == "fault" {
        event = json(plain.next());
    }
    assert_eq!(event["event"], "cue", "no readings unasked");
    assert_eq!(daemon.world(|world| world.cues.clone()), ["12.34 g"]);

    // From the byte on the tty to the line on the socket; shown, not judged.
    let mut micros: Vec<u128> = (0..300)
        .map(|i| {
            let sent = std::time::Instant::now();
            master.write_all(format!("{i} g\n").as_bytes()).unwrap();
            assert_eq!(json(plain.next())["say"], format!("{i} g"));
            sent.elapsed().as_micros()
        })
        .collect();
    micros.sort_unstable();
    println!(
        "byte to cue on the socket: p50 {} us, p99 {} us",
        micros[150], micros[297]
    );
    assert!(daemon.world(|world| world.moments.is_sorted()));

    // The scale's plug is pulled: subscribers hear it, and status names the remedy.
    drop(master);
    let lost = json(plain.next());
    assert_eq!(
        (&lost["code"], &lost["over"]),
        (&"lost".into(), &false.into())
    );
    let standing = daemon.client().status().unwrap();
    assert!(standing.lines[0].trouble.is_some(), "{standing:?}");
    daemon.stop();
    let rest: Vec<_> = plain.collect();
    assert!(rest.is_empty(), "the stream ends with the daemon: {rest:?}");
}

// ---- the log -----------------------------------------------------------------------------------

#[test]
fn a_row_is_recorded_only_when_the_log_says_so() {
    let daemon = Daemon::start(
        Config::default(),
        World {
            hold: true,
            ..World::default()
        },
    );
    let before = jiff::Timestamp::now();
    daemon.begin();
    daemon.client().say(&Request::Next).unwrap();
    daemon.wait("the row", |world| !world.held.is_empty());
    assert!(daemon.world(|world| world.cues.is_empty()));
    let (ticket, answers) = daemon.world(|world| world.held.remove(0));
    // An answer that nobody waits for is no answer.
    let answer = |ticket, outcome| LogAnswer { ticket, outcome };
    answers.send(answer(99, Ok(7))).unwrap();
    answers.send(answer(ticket, Ok(4))).unwrap();
    daemon.wait("recorded", |world| world.cues == ["recorded 1 as 4"]);
    let at = daemon.world(|world| world.rows[0].1);
    assert!(before <= at && at <= jiff::Timestamp::now());

    daemon.client().say(&Request::Next).unwrap();
    daemon.wait("the row", |world| !world.held.is_empty());
    let (ticket, answers) = daemon.world(|world| world.held.remove(0));
    let full = Err("the disk is full".into());
    answers.send(answer(ticket, full)).unwrap();
    daemon.wait("told", |world| {
        world.cues.last().unwrap() == "not recorded 2: the disk is full"
    });
    daemon.stop();
}

#[test]
fn a_row_without_a_log_and_a_dead_writer_are_told() {
    let dead = World {
        dead_log: true,
        ..World::default()
    };
    let daemon = Daemon::start(Config::default(), dead);
    daemon.client().say(&Request::Next).unwrap();
    daemon.wait("told", |world| {
        world
            .cues
            .iter()
            .any(|cue| cue.contains("no batch log is open"))
    });
    daemon.begin();
    let refused = daemon.client().say(&Request::Next).unwrap_err().to_string();
    assert!(
        refused.contains("NOT in the log: the log's writer has ended"),
        "{refused}"
    );
    daemon.wait("told", |world| {
        world
            .cues
            .iter()
            .any(|cue| cue.contains("writer has ended"))
    });
    daemon.stop();
}

#[test]
fn a_clean_stop_waits_for_rows_on_their_way() {
    let world = World {
        hold: true,
        ..World::default()
    };
    let mut daemon = Daemon::start(Config::default(), world);
    daemon.begin();
    daemon.client().say(&Request::Next).unwrap();
    daemon.wait("the row", |world| !world.held.is_empty());
    daemon.order(Order::Stop);
    let thread = daemon.thread.take().unwrap();
    std::thread::sleep(Duration::from_millis(50));
    assert!(!thread.is_finished(), "it waits for the row");
    let (ticket, answers) = daemon.world(|world| world.held.remove(0));
    let outcome = Ok(1);
    answers.send(LogAnswer { ticket, outcome }).unwrap();
    thread.join().unwrap().unwrap();
    assert_eq!(
        daemon.world(|world| world.cues.clone()),
        ["recorded 1 as 1"]
    );
}

#[test]
fn an_unfinished_batch_goes_on_at_the_start() {
    let world = World {
        unfinished: true,
        ..World::default()
    };
    let daemon = Daemon::start(Config::default(), world);
    let reply = exchange(
        &mut daemon.raw(),
        br#"{"do":"begin","formula":"/balm.toml","batch":"5g"}"#,
    );
    assert!(
        reply["error"].as_str().unwrap().contains("being weighed"),
        "{reply}"
    );
    daemon.stop();
}

// ---- reload, deadlines, signals ----------------------------------------------------------------

#[test]
fn a_new_configuration_waits_for_the_end_of_the_batch_and_a_bad_one_changes_nothing() {
    let daemon = Daemon::start(Config::default(), World::default());
    daemon.order(Order::Reload);
    daemon.client().ask(&Request::Hello).unwrap();
    assert_eq!(daemon.world(|world| (world.benches, world.renewed)), (1, 0));

    daemon.begin();
    let Pty {
        master: _master,
        path,
        spare: _spare,
    } = Pty::new();
    let config = Config {
        scales: vec![scale("fine", &path)],
        cues: CueConfig {
            sound: false,
            ..CueConfig::default()
        },
        ..Config::default()
    };
    daemon.world(|world| world.new_config = Some(Ok(config)));
    daemon.order(Order::Reload);
    daemon.wait("cues at once", |world| world.renewed == 1);
    let standing = daemon.client().status().unwrap();
    assert_eq!(standing.lines, [], "not in a batch");
    daemon.client().say(&Request::Stop).unwrap();
    daemon.wait("the new bench", |world| world.benches == 2);
    daemon.wait("the new scale", |_| {
        let standing = daemon.client().status().unwrap();
        standing.lines[0].port.as_deref() == path.to_str()
    });
    daemon.stop();
}

#[test]
fn a_bad_configuration_is_told_until_a_good_one_is_read() {
    let daemon = Daemon::start(Config::default(), World::default());
    let mut listener = daemon.raw();
    assert_eq!(
        exchange(&mut listener, br#"{"do":"subscribe"}"#)["ok"],
        true
    );
    let fault = |event: Value, over: bool| {
        assert_eq!(event["event"], "fault", "{event}");
        assert_eq!(
            (&event["code"], &event["over"]),
            (&"config".into(), &over.into())
        );
    };
    daemon.order(Order::Reload);
    fault(read_json(&mut listener), false);
    let cue = read_json(&mut listener);
    let words = "The configuration stays as it was: config.toml:1:1: nothing";
    assert_eq!(cue["say"], words);
    assert_eq!(
        (&cue["cue"], &cue["urgent"]),
        (&"fault".into(), &true.into())
    );
    assert_eq!(daemon.world(|world| world.cues.clone()), [words]);
    daemon.begin();
    let trouble = || daemon.client().status().unwrap().trouble.map(String::from);
    assert_eq!(trouble().unwrap(), words, "a batch does not hide it");
    assert_eq!(read_json(&mut listener)["event"], "step");
    daemon.world(|world| world.new_config = Some(Ok(Config::default())));
    daemon.order(Order::Reload);
    fault(read_json(&mut listener), true);
    assert_eq!(trouble(), None);
    daemon.stop();
}

/// Where there is a page, a cue names what is done on it; who asked at a terminal is told what is typed there.
#[test]
fn a_cue_of_a_bad_configuration_names_what_is_done_on_the_page() {
    for (on, find) in [(true, "“Scales”"), (false, "`bismar identify --write`")] {
        let mut config = Config::default();
        config.page.on = on;
        let daemon = Daemon::start(config, World::default());
        daemon.world(|world| {
            world.new_config = Some(Err(phrase!(
                "config.toml:3:1: {find_at_terminal}",
                find_at_terminal = "`bismar identify --write`"
            )));
        });
        daemon.order(Order::Reload);
        let begins = "The configuration stays as it was: config.toml:3:1: ";
        let trouble = || daemon.client().status().unwrap().trouble.map(String::from);
        let end = std::time::Instant::now() + Duration::from_secs(10);
        while trouble().is_none() && std::time::Instant::now() < end {
            std::thread::sleep(Duration::from_millis(20));
        }
        let typed = format!("{begins}`bismar identify --write`");
        assert_eq!(trouble().unwrap(), typed);
        let cues = daemon.world(|world| world.cues.clone());
        assert_eq!(cues, [format!("{begins}{find}")]);
        daemon.stop();
    }
}

#[test]
fn a_deadline_that_no_tick_moves_does_not_spin() {
    let daemon = Daemon::start_with(Config::default(), World::default(), true);
    let began = std::time::Instant::now();
    let before = daemon.world(|world| world.ticks);
    std::thread::sleep(Duration::from_millis(300));
    let ticks = daemon.world(|world| world.ticks) - before;
    let elapsed = began.elapsed();
    // One each 5 ms at most, however slow the machine; a loop that spins has a hundred thousand.
    let most = elapsed.as_millis() as usize / 5 + 2;
    assert!((1..=most).contains(&ticks), "{ticks} ticks in {elapsed:?}");
    daemon.stop();
}

/// Not a test by itself: the daemon's process for the next one, which runs it as a child, since
/// signals and NOTIFY_SOCKET belong to a whole process.
#[test]
#[ignore = "the child process of another test"]
fn daemon_process() {
    let path = std::env::var_os("TEST_SOCKET").expect("run by another test only");
    let world: Shared = Arc::default();
    world.lock().unwrap().new_config = Some(Ok(Config {
        scales: vec![scale("fine", Path::new("/dev/no-such-scale"))],
        ..Config::default()
    }));
    bismar::daemon::notify::start_log();
    let parts = bismar::daemon::Parts {
        managed: true,
        ..parts(&world, Config::default(), false)
    };
    bismar::daemon::run(parts, Path::new(&path)).unwrap();
    println!("stopped cleanly");
}

#[test]
fn real_signals_reload_and_stop_and_the_service_manager_is_told() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("bismar").join("control.sock");
    let manager_path = dir.path().join("notify");
    let manager = std::os::unix::net::UnixDatagram::bind(&manager_path).unwrap();
    manager.set_read_timeout(Some(LIMIT)).unwrap();
    let hear = || {
        let mut buffer = [0u8; 4096];
        let n = manager
            .recv(&mut buffer)
            .expect("the manager hears nothing");
        String::from_utf8(buffer[..n].to_vec()).unwrap()
    };
    let hear_until = |part: &str| {
        let mut heard = Vec::new();
        while !heard.iter().any(|text: &String| text.contains(part)) {
            assert!(heard.len() < 200, "never {part}: {heard:?}");
            heard.push(hear());
        }
        heard
    };
    let child = again(module_path!(), "daemon_process")
        .env("TEST_SOCKET", &path)
        .env("NOTIFY_SOCKET", &manager_path)
        .env("WATCHDOG_USEC", "60000")
        .env("JOURNAL_STREAM", "1:2")
        .env("BISMAR_LOG", "info")
        .stdout(std::process::Stdio::piped())
        .stderr(std::process::Stdio::piped())
        .spawn()
        .unwrap();
    let pid = rustix::process::Pid::from_child(&child);
    let signal = |signal| rustix::process::kill_process(pid, signal).unwrap();

    assert!(hear().starts_with("READY=1\n"), "ready comes first");
    Client::connect_to(&path)
        .unwrap()
        .ask(&Request::Hello)
        .expect("ready means that it answers");
    hear_until("WATCHDOG=1");
    // The reloaded configuration has a scale that is not there; that is said, and is healthy.
    signal(rustix::process::Signal::HUP);
    hear_until("STATUS=ready; fine: absent");
    hear_until("WATCHDOG=1");
    signal(rustix::process::Signal::TERM);
    hear_until("STOPPING=1");
    let output = child.wait_with_output().unwrap();
    assert!(output.status.success(), "{output:?}");
    let stdout = String::from_utf8_lossy(&output.stdout);
    assert!(stdout.contains("stopped cleanly"), "{stdout}");
    assert!(!path.exists());
    // The journal's priorities: a missing scale is a warning.
    let stderr = String::from_utf8_lossy(&output.stderr);
    let warned = |line: &str| line.starts_with("<4>") && line.contains("/dev/no-such-scale");
    assert!(stderr.lines().any(warned), "{stderr}");
}

#[test]
fn a_killed_daemon_leaves_nothing_in_the_way_of_the_next() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("control.sock");
    let mut child = again(module_path!(), "daemon_process")
        .env("TEST_SOCKET", &path)
        .env_remove("NOTIFY_SOCKET")
        .stdout(std::process::Stdio::null())
        .stderr(std::process::Stdio::null())
        .spawn()
        .unwrap();
    let until = std::time::Instant::now() + LIMIT;
    while Client::connect_to(&path)
        .and_then(|mut client| client.ask(&Request::Hello))
        .is_err()
    {
        assert!(
            std::time::Instant::now() < until,
            "the daemon never came up"
        );
        std::thread::sleep(Duration::from_millis(5));
    }
    child.kill().unwrap();
    child.wait().unwrap();
    assert!(path.exists(), "SIGKILL leaves the socket");
    drop(Claim::new(&path).expect("taken over"));
}
