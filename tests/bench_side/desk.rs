//! A private D-Bus session and a notification server on it, both real: what is checked with them is
//! the freedesktop Desktop Notifications Specification 1.2.
//!
//! Needs the Debian package dbus-daemon.

use std::collections::HashMap;
use std::io::{BufRead, BufReader};
use std::os::unix::fs::PermissionsExt as _;
use std::os::unix::process::CommandExt;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use bismar::vocabulary::command::Choice;
use tokio::sync::mpsc::{UnboundedReceiver, UnboundedSender, unbounded_channel};
use zbus::{Connection, OwnedVariant};

use super::person::{Person, Said};

pub const NAME: &str = "org.freedesktop.Notifications";
pub const PATH: &str = "/org/freedesktop/Notifications";
/// Nothing here takes this long; it only turns a hang into a failure.
pub const GUARD: Duration = Duration::from_secs(20);

/// A process with all that it starts; killed when dropped.
pub struct Program(pub Child);

impl Program {
    pub fn start(command: &mut Command) -> Program {
        let command = command
            .process_group(0)
            .stdin(Stdio::null())
            .stderr(Stdio::null());
        Program(
            command
                .spawn()
                .unwrap_or_else(|error| panic!("{command:?}: {error}")),
        )
    }

    pub fn stop(&mut self) {
        let id = i32::try_from(self.0.id()).ok();
        if let Some(group) = id.and_then(rustix::process::Pid::from_raw) {
            let _ = rustix::process::kill_process_group(group, rustix::process::Signal::KILL);
        }
        let _ = self.0.wait();
    }
}

impl Drop for Program {
    fn drop(&mut self) {
        if matches!(self.0.try_wait(), Ok(None)) {
            self.stop();
        }
    }
}

pub struct Bus {
    pub daemon: Program,
    pub address: String,
    folder: tempfile::TempDir,
}

impl Bus {
    /// A session bus of its own. `service`: a program that the bus can start as the server.
    pub fn start(service: Option<&str>) -> Bus {
        let folder = tempfile::tempdir().unwrap();
        let at = folder.path();
        if let Some(service) = service {
            let text = format!("[D-BUS Service]\nName={NAME}\nExec={service}\n");
            std::fs::write(at.join("one.service"), text).unwrap();
        }
        let config = format!(
            r#"<busconfig><type>session</type><listen>unix:path={0}/bus</listen>
            <servicedir>{0}</servicedir>
            <policy context="default"><allow send_destination="*" eavesdrop="true"/>
            <allow eavesdrop="true"/><allow own="*"/></policy></busconfig>"#,
            at.display()
        );
        let file = at.join("bus.conf");
        std::fs::write(&file, config).unwrap();
        if let Err(error) = Command::new("dbus-daemon").arg("--version").output() {
            panic!("this test needs the Debian package dbus-daemon: {error}");
        }
        let (daemon, address) = bus_daemon(&file);
        Bus {
            daemon,
            address,
            folder,
        }
    }

    /// The address without the bus's own id, as a session manager sets it: the next bus at the same
    /// place has another id.
    pub fn place(&self) -> &str {
        self.address.split(',').next().unwrap_or_default()
    }

    /// Another bus at the same place. The one before must be stopped.
    pub fn start_again(&mut self) {
        (self.daemon, self.address) = bus_daemon(&self.folder.path().join("bus.conf"));
    }
}

/// Returns once the bus listens, with its address.
fn bus_daemon(config: &Path) -> (Program, String) {
    let mut command = Command::new("dbus-daemon");
    command.arg(format!("--config-file={}", config.display()));
    command
        .args(["--nofork", "--print-address"])
        .stdout(Stdio::piped());
    let mut daemon = Program::start(&mut command);
    let mut address = String::new();
    let out = daemon.0.stdout.take().unwrap();
    BufReader::new(out).read_line(&mut address).unwrap();
    (daemon, address.trim().to_owned())
}

pub fn runtime() -> tokio::runtime::Runtime {
    tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .unwrap()
}

pub fn script(folder: &Path, name: &str, text: &str) -> PathBuf {
    let path = folder.join(name);
    // Written by another process: were the file open for writing here while another test starts a
    // child, it could not be started ("text file busy").
    let text = format!("#!/bin/sh\n{text}\n");
    let write = [
        "-c",
        "printf '%s' \"$1\" > \"$2\" && chmod 755 \"$2\"",
        "sh",
        &text,
    ];
    let status = Command::new("/bin/sh").args(write).arg(&path).status();
    assert!(status.unwrap().success());
    path
}

#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Manner {
    Answering,
    /// Owns the name and never replies to Notify.
    Silent,
    Refusing,
}

/// What one call of Notify asked for.
#[derive(Debug)]
pub struct Shown {
    pub sender: String,
    pub app: String,
    pub replaces: u32,
    pub id: u32,
    pub summary: String,
    pub body: String,
    pub actions: Vec<String>,
    pub hints: HashMap<String, OwnedVariant>,
    pub expire: i32,
}

impl Shown {
    pub fn hint<T: TryFrom<OwnedVariant>>(&self, name: &str) -> Option<T> {
        T::try_from(self.hints.get(name)?.clone()).ok()
    }

    pub fn key(&self, choice: Choice) -> &str {
        let start = choice.name();
        let key = self
            .actions
            .iter()
            .step_by(2)
            .find(|key| key.starts_with(start));
        key.unwrap_or_else(|| panic!("no button for {start}"))
    }
}

pub struct Desk {
    manner: Manner,
    log: UnboundedSender<Shown>,
    closed: UnboundedSender<u32>,
    last: Arc<Mutex<u32>>,
}

#[zbus::interface(name = "org.freedesktop.Notifications")]
impl Desk {
    #[allow(clippy::too_many_arguments)]
    async fn notify(
        &self,
        app_name: String,
        replaces_id: u32,
        _app_icon: String,
        summary: String,
        body: String,
        actions: Vec<String>,
        hints: HashMap<String, OwnedVariant>,
        expire_timeout: i32,
        #[zbus(header)] header: zbus::message::Header<'_>,
    ) -> zbus::fdo::Result<u32> {
        let id = if replaces_id == 0 {
            let mut last = self.last.lock().unwrap();
            *last += 1;
            *last
        } else {
            replaces_id
        };
        let _ = self.log.send(Shown {
            sender: header.sender().map(ToString::to_string).unwrap_or_default(),
            app: app_name,
            replaces: replaces_id,
            id,
            summary,
            body,
            actions,
            hints,
            expire: expire_timeout,
        });
        match self.manner {
            Manner::Answering => Ok(id),
            Manner::Silent => std::future::pending().await,
            Manner::Refusing => Err(zbus::fdo::Error::LimitsExceeded("too many".to_owned())),
        }
    }

    fn close_notification(&self, id: u32) {
        let _ = self.closed.send(id);
    }

    fn get_capabilities(&self) -> Vec<String> {
        ["actions", "body", "body-markup", "sound"]
            .map(str::to_owned)
            .to_vec()
    }
}

pub struct Server {
    pub connection: Connection,
    pub log: UnboundedReceiver<Shown>,
    pub closed: UnboundedReceiver<u32>,
}

impl Server {
    pub async fn start(bus: &Bus, manner: Manner) -> Server {
        Server::start_after(bus, manner, 0).await
    }

    /// As [`Server::start`]; `last` is the id of the last notification that somebody else showed.
    pub async fn start_after(bus: &Bus, manner: Manner, last: u32) -> Server {
        let (log_sender, log) = unbounded_channel();
        let (closed_sender, closed) = unbounded_channel();
        let desk = Desk {
            manner,
            log: log_sender,
            closed: closed_sender,
            last: Arc::new(Mutex::new(last)),
        };
        let builder = zbus::conn::Builder::address(&*bus.address);
        let connection = builder
            .serve_at(PATH, desk)
            .name(NAME)
            .build()
            .await
            .unwrap();
        Server {
            connection,
            log,
            closed,
        }
    }

    pub async fn shown(&mut self) -> Shown {
        let shown = tokio::time::timeout(GUARD, self.log.recv()).await;
        shown.expect("nothing was shown").unwrap()
    }

    pub async fn press(&self, to: Option<&str>, id: u32, key: &str) {
        let body = (id, key);
        self.connection
            .emit_signal(to, PATH, NAME, "ActionInvoked", &body)
            .await
            .unwrap();
    }

    pub async fn end(self) {
        self.connection.close().await.unwrap();
    }
}

/// A person whose xdg-open writes down what it is given.
pub fn desk() -> Person {
    let person = Person::new();
    opens(&person);
    person
}

/// Gives a person such an xdg-open, in front of the system's programs.
pub fn opens(person: &Person) {
    std::fs::create_dir(person.path("bin")).unwrap();
    let given = person.path("given");
    let opens = format!("printf '%s\\n' \"$@\" >> {}", given.display());
    script(&person.path("bin"), "xdg-open", &opens);
}

/// A command with her own programs in front of the system's.
pub fn clicks(person: &Person, args: &[&str]) -> Said {
    let path = format!("{}:/usr/bin:/bin", person.path("bin").display());
    let mut command = person.command(args);
    Said::of(command.env("PATH", path).output().unwrap())
}

/// The one file that the browser was to open; nothing else was in its words.
#[track_caller]
pub fn given(person: &Person) -> PathBuf {
    let given = std::fs::read_to_string(person.path("given")).expect("a browser was to be opened");
    std::fs::remove_file(person.path("given")).unwrap();
    let file = person.path("run/bismar/bench.html");
    assert_eq!(given, format!("{}\n", file.display()));
    let mode = |path: &Path| std::fs::metadata(path).unwrap().permissions().mode() & 0o777;
    assert_eq!((mode(&file), mode(file.parent().unwrap())), (0o600, 0o700));
    file
}
