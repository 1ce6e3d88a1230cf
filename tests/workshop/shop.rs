//! A workshop: a broker, benches with their daemons, a gatherer.

use std::ffi::OsString;
use std::fs;
use std::net::TcpStream;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use bismar::journal::format::opening::Opening;
use bismar::journal::store::log::LogFile;
use bismar::mass::Mass;
use bismar::vocabulary::entry::Draft;
use bismar::wire::message::RowMessage;
use bismar::wire::seal::Key;
use rustix::process::{Pid, Signal, kill_process};
use tempfile::TempDir;

use crate::bench_side::formulas::SOAK;
use crate::bench_side::logs::{LOGS, closed, logs_in, weighed};
use crate::bench_side::person::Person;
use crate::bench_side::{Daemon, free_port};

pub const KEY: &str = "00112233445566778899aabbccddeeff00112233445566778899aabbccddeeff";
pub const PASSWORD: &str = "samphire-and-thrift";

/// However slow the machine is.
pub const LONGEST: Duration = Duration::from_secs(300);

#[track_caller]
pub fn until(what: &str, mut done: impl FnMut() -> bool) {
    let end = Instant::now() + LONGEST;
    while !done() {
        assert!(Instant::now() < end, "waited too long: {what}");
        std::thread::sleep(Duration::from_millis(20));
    }
}

/// mosquitto, with its password file and its store in a folder of its own.
pub struct Broker {
    dir: TempDir,
    /// Where benches and gatherers that are made from now on look for it.
    pub host: String,
    pub port: u16,
    child: Option<Child>,
    /// What clients need more than user and password: options of mosquitto_pub, and lines of `[workshop]`.
    client: Vec<String>,
    pub config: String,
    certificates: Option<TempDir>,
}

impl Broker {
    pub fn start() -> Broker {
        Broker::with("", "tls = false\n", Vec::new())
    }

    /// `lines` are the listener's, `config` what `[workshop]` says of it.
    pub fn with(lines: &str, config: &str, client: Vec<String>) -> Broker {
        let dir = tempfile::Builder::new()
            .prefix("bw")
            .tempdir_in("/tmp")
            .unwrap();
        let port = free_port();
        let passwords = dir.path().join("passwords");
        let made = Command::new("mosquitto_passwd")
            .args(["-b", "-c"])
            .arg(&passwords)
            .args(["workshop", PASSWORD])
            .status()
            .expect("mosquitto_passwd (apt-get install mosquitto mosquitto-clients)");
        assert!(made.success());
        let lines = lines.replace("DIR", dir.path().to_str().unwrap());
        let lines = lines.replace("PORT", &port.to_string());
        let user = match rustix::process::getuid().is_root() {
            true => "user root\n",
            false => "",
        };
        let text = format!(
            "{user}listener {port} 127.0.0.1\n{lines}allow_anonymous false\npassword_file {}\n\
             persistence true\npersistence_location {}/\nautosave_interval 1\n",
            passwords.display(),
            dir.path().display()
        );
        fs::write(dir.path().join("mosquitto.conf"), text).unwrap();
        let config = config.replace("DIR", dir.path().to_str().unwrap());
        let mut broker = Broker {
            dir,
            host: "127.0.0.1".into(),
            port,
            child: None,
            client,
            config,
            certificates: None,
        };
        broker.up();
        broker
    }

    /// By TLS, with certificates made with openssl: the broker's, signed by an authority of the workshop's own, and the
    /// benches'. It is heard at the address `also` too, and looked for there.
    pub fn with_certificates(also: Option<&str>) -> Broker {
        let folder = tempfile::Builder::new()
            .prefix("bc")
            .tempdir_in("/tmp")
            .unwrap();
        let names = ["127.0.0.1"].into_iter().chain(also);
        let names: Vec<String> = names.map(|name| format!("IP:{name}")).collect();
        let made = Command::new("sh")
            .current_dir(folder.path())
            .env("NAMES", names.join(","))
            .args(["-ec", "
                openssl req -x509 -newkey rsa:2048 -nodes -days 2 -subj '/CN=workshop' -keyout ca.key -out ca.pem
                for who in broker bench; do
                    openssl req -newkey rsa:2048 -nodes -subj /CN=$who -keyout $who.key -out $who.csr
                    printf \"subjectAltName=$NAMES\\nbasicConstraints=CA:FALSE\\n\" >ext
                    openssl x509 -req -in $who.csr -CA ca.pem -CAkey ca.key -CAcreateserial -days 2 -extfile ext -out $who.pem
                done"])
            .output()
            .unwrap();
        assert!(made.status.success(), "{made:?}");
        let at = folder.path().to_str().unwrap();
        let tls = format!(
            "cafile {at}/ca.pem\ncertfile {at}/broker.pem\nkeyfile {at}/broker.key\nrequire_certificate true\n"
        );
        let lines = match also {
            Some(also) => format!("{tls}listener PORT {also}\n{tls}"),
            None => tls,
        };
        let config = format!(
            "ca = \"{at}/ca.pem\"\ncertificate = \"{at}/bench.pem\"\nprivate_key = \"{at}/bench.key\"\n"
        );
        let client = [
            "--cafile",
            "ca.pem",
            "--cert",
            "bench.pem",
            "--key",
            "bench.key",
        ];
        let client = client.map(|word| match word.starts_with('-') {
            true => word.to_owned(),
            false => format!("{at}/{word}"),
        });
        let mut broker = Broker::with(&lines, &config, client.into());
        broker.certificates = Some(folder);
        broker.host = also.unwrap_or("127.0.0.1").to_owned();
        broker
    }

    pub fn path(&self, name: &str) -> PathBuf {
        self.dir.path().join(name)
    }

    pub fn up(&mut self) {
        if self.child.is_some() {
            return;
        }
        let log = fs::File::options()
            .create(true)
            .append(true)
            .open(self.path("log"))
            .unwrap();
        let child = Command::new("/usr/sbin/mosquitto")
            .arg("-c")
            .arg(self.path("mosquitto.conf"))
            .stdout(log.try_clone().unwrap())
            .stderr(log)
            .spawn()
            .expect("mosquitto (apt-get install mosquitto mosquitto-clients)");
        self.child = Some(child);
        until("the broker listens", || {
            TcpStream::connect(("127.0.0.1", self.port)).is_ok()
        });
    }

    pub fn id(&self) -> u32 {
        self.child.as_ref().unwrap().id()
    }

    /// SIGKILL.
    pub fn kill(&mut self) {
        if let Some(mut child) = self.child.take() {
            child.kill().unwrap();
            child.wait().unwrap();
        }
    }

    /// A message of anybody who has the broker's password.
    pub fn publish(
        &self,
        topic: &str,
        properties: &[(String, String)],
        text: &[u8],
        retained: bool,
    ) {
        let mut command = self.client("mosquitto_pub");
        // An empty message is none that comes out of a pipe.
        let from = if text.is_empty() { "-n" } else { "-s" };
        command.args(["-t", topic, "-q", "1", from]);
        for (name, value) in properties {
            command.args(["-D", "publish", "user-property", name, value]);
        }
        if retained {
            command.arg("-r");
        }
        let mut child = command.stdin(Stdio::piped()).spawn().unwrap();
        let mut input = child.stdin.take().unwrap();
        // It reads nothing where the message is empty.
        let _ = std::io::Write::write_all(&mut input, text);
        drop(input);
        assert!(child.wait().unwrap().success());
    }

    /// What is retained under a topic; empty where nothing is.
    pub fn retained(&self, topic: &str) -> String {
        let mut command = self.client("mosquitto_sub");
        command.args(["-t", topic, "-C", "1", "-W", "2", "--retained-only"]);
        let output = command.stderr(Stdio::null()).output().unwrap();
        String::from_utf8_lossy(&output.stdout).trim().to_owned()
    }

    pub fn client(&self, program: &str) -> Command {
        let mut command = Command::new(program);
        let port = self.port.to_string();
        command
            .args(["-h", "127.0.0.1", "-p", &port, "-V", "mqttv5"])
            .args(["-u", "workshop", "-P", PASSWORD])
            .args(&self.client);
        command
    }
}

impl Drop for Broker {
    fn drop(&mut self) {
        self.kill();
        if std::thread::panicking() {
            let log = fs::read_to_string(self.path("log")).unwrap_or_default();
            let lines: Vec<&str> = log.lines().collect();
            eprintln!(
                "the broker:\n{}",
                lines[lines.len().saturating_sub(30)..].join("\n")
            );
        }
    }
}

/// `[workshop]` for a person, and her file of secrets.
pub fn joins(person: &Person, broker: &Broker, port: u16, more: &str) -> String {
    let secrets = person.file(
        "home/.config/bismar/workshop.secrets",
        &format!("key = {KEY}\nuser = workshop\npassword = {PASSWORD}\n"),
    );
    let mode = std::os::unix::fs::PermissionsExt::from_mode(0o600);
    fs::set_permissions(secrets, mode).unwrap();
    format!(
        "[workshop]\nname = \"saltmarsh\"\nbroker = \"{}\"\nport = {port}\n{}{more}\n",
        broker.host, broker.config
    )
}

/// A bench: a daemon whose scale is not there, which weighs nothing and sends what its logs get.
pub struct Bench {
    pub name: String,
    pub person: Person,
    pub daemon: Option<Daemon>,
    /// The words before its daemon's own.
    before: Vec<OsString>,
    batches: usize,
}

impl Bench {
    pub fn new(name: &str, broker: &Broker, port: u16) -> Bench {
        Bench::behind(name, broker, port, Vec::new())
    }

    /// One whose daemon is started by way of the words `before` its own.
    pub fn behind(name: &str, broker: &Broker, port: u16, before: Vec<OsString>) -> Bench {
        let person = Person::new();
        let text = joins(&person, broker, port, &format!("bench = \"{name}\""));
        let scale = crate::bench_side::config(&person.path("no-scale"), "0.01 g");
        person.configures(&format!("{scale}{text}"));
        let mut bench = Bench {
            name: name.to_owned(),
            person,
            daemon: None,
            before,
            batches: 0,
        };
        bench.up();
        bench
    }

    pub fn up(&mut self) {
        if self.daemon.is_none() {
            let command = behind(&self.before, self.person.command(&["daemon"]));
            self.daemon = Some(Daemon::spawn(command, &self.person));
        }
    }

    pub fn kill(&mut self) {
        if let Some(daemon) = self.daemon.take() {
            daemon.kill();
        }
    }

    pub fn logs(&self) -> PathBuf {
        self.person.path(LOGS)
    }

    /// What its status says, for one who asks again and again: every start of a program takes the others' time.
    pub fn trouble(&self) -> String {
        std::thread::sleep(Duration::from_millis(200));
        self.person.run(&["status"]).out
    }

    /// A batch of some rows, written as the daemon's writer does it.
    pub fn weighs(&mut self, steps: usize) -> PathBuf {
        self.weighs_at(steps, jiff::Timestamp::now())
    }

    /// The same by a clock that says `at`.
    pub fn weighs_at(&mut self, steps: usize, at: jiff::Timestamp) -> PathBuf {
        self.batches += 1;
        let name = format!("marram-soak-{}-{:05}", self.name, self.batches);
        let mut log = LogFile::create(&self.logs(), &name, "Marram soak 1").unwrap();
        let opening = Opening {
            text: SOAK.into(),
            batch: Mass::from_g(100),
            jars: None,
        };
        log.write_opening(&opening, "Marram soak 1", at).unwrap();
        for step in 1..=steps {
            let grams = 10_000 + (self.batches * 10 + step) as i64 * 10;
            let row = Draft {
                target: Some(Mass::from_g(10)),
                ..weighed(step, "Sea salt", "S-1", grams)
            };
            log.append(&row, at).unwrap();
        }
        log.append(&closed(), at).unwrap();
        log.path().to_owned()
    }

    /// Sends a row as this bench would, out of its own log.
    pub fn message(&self, log: &Path, row: u64) -> RowMessage {
        let text = fs::read_to_string(log).unwrap();
        let line = text.lines().nth(row as usize).unwrap();
        RowMessage {
            log: log.file_stem().unwrap().to_str().unwrap().to_owned(),
            row,
            id: fs::read_to_string(
                self.person
                    .path("home/.local/share/bismar/workshop/bench.id"),
            )
            .unwrap()
            .trim()
            .to_owned(),
            line: format!("{line}\n").into_bytes(),
        }
    }
}

/// A command by way of the words `before` it.
pub fn behind(before: &[OsString], plain: Command) -> Command {
    let Some((first, rest)) = before.split_first() else {
        return plain;
    };
    let mut command = Command::new(first);
    command
        .args(rest)
        .arg(plain.get_program())
        .args(plain.get_args());
    let set = plain
        .get_envs()
        .filter_map(|(name, value)| Some((name, value?)));
    command.env_clear().envs(set);
    command
}

/// A row of anybody who has the workshop's key.
pub fn sends(broker: &Broker, bench: &str, message: &RowMessage) {
    let key = Key::new(KEY.as_bytes());
    let about = message.properties("saltmarsh", bench, &key);
    broker.publish(
        &format!("bismar/1/saltmarsh/{bench}/row"),
        &about,
        &message.line,
        false,
    );
}

/// `bismar gather`.
pub struct Gatherer {
    pub person: Person,
    child: Option<Child>,
    log: Arc<Mutex<String>>,
}

impl Gatherer {
    pub fn new(broker: &Broker, port: u16, benches: &[&str]) -> Gatherer {
        let mut gatherer = Gatherer::down(broker, port, benches);
        gatherer.up();
        gatherer
    }

    pub fn down(broker: &Broker, port: u16, benches: &[&str]) -> Gatherer {
        Gatherer::configured(broker, port, benches, "", "")
    }

    /// With `before` and `more` around its `[workshop]`.
    pub fn configured(
        broker: &Broker,
        port: u16,
        benches: &[&str],
        before: &str,
        more: &str,
    ) -> Gatherer {
        let person = Person::new();
        let of = format!("benches = {benches:?}\n{more}");
        let text = joins(&person, broker, port, &of);
        person.configures(&format!("{before}{text}"));
        Gatherer {
            person,
            child: None,
            log: Arc::default(),
        }
    }

    pub fn folder(&self) -> PathBuf {
        self.person.path("joined")
    }

    pub fn up(&mut self) {
        let folder = self.folder();
        let command = self
            .person
            .command(&["gather", "--to", folder.to_str().unwrap()]);
        self.up_by(command);
    }

    pub fn up_by(&mut self, mut command: Command) {
        if self.child.is_some() {
            return;
        }
        let mut child = command.stderr(Stdio::piped()).spawn().unwrap();
        let (stderr, log) = (child.stderr.take().unwrap(), Arc::clone(&self.log));
        std::thread::spawn(move || {
            use std::io::BufRead as _;
            for line in std::io::BufReader::new(stderr)
                .lines()
                .map_while(Result::ok)
            {
                *log.lock().unwrap() += &format!("{line}\n");
            }
        });
        self.child = Some(child);
    }

    pub fn id(&self) -> u32 {
        self.child.as_ref().unwrap().id()
    }

    pub fn log(&self) -> String {
        self.log.lock().unwrap().clone()
    }

    pub fn kill(&mut self) {
        if let Some(mut child) = self.child.take() {
            child.kill().unwrap();
            child.wait().unwrap();
        }
    }

    pub fn terminate(&mut self) -> Option<i32> {
        let mut child = self.child.take().unwrap();
        kill_process(Pid::from_child(&child), Signal::TERM).unwrap();
        child.wait().unwrap().code()
    }

    /// Waits until the joined folder has what this bench has, byte for byte, and nothing else; for [`LONGEST`] after it
    /// got further.
    #[track_caller]
    pub fn has_all_of(&self, bench: &Bench) {
        let mut end = Instant::now() + LONGEST;
        let mut before = None;
        loop {
            let Some(difference) = self.difference(bench) else {
                return;
            };
            if before.as_ref() != Some(&difference) {
                end = Instant::now() + LONGEST;
                before = Some(difference.clone());
            }
            let daemon = bench.daemon.as_ref().map(Daemon::log).unwrap_or_default();
            assert!(
                Instant::now() < end,
                "{difference}\nthe gatherer:\n{}\nthe bench:\n{daemon}",
                self.log()
            );
            std::thread::sleep(Duration::from_millis(50));
        }
    }

    pub fn difference(&self, bench: &Bench) -> Option<String> {
        let there = self.folder().join(&bench.name);
        if !there.is_dir() {
            return Some(format!("{}: not there", bench.name));
        }
        let names = |folder: &Path| -> Vec<_> {
            let logs = logs_in(folder);
            logs.iter()
                .map(|path| path.file_name().unwrap().to_owned())
                .collect()
        };
        let (ours, joined) = (names(&bench.logs()), names(&there));
        if ours != joined {
            return Some(format!(
                "{}: {} logs of {}",
                bench.name,
                joined.len(),
                ours.len()
            ));
        }
        ours.iter()
            .find(|name| {
                fs::read(bench.logs().join(name)).unwrap() != fs::read(there.join(name)).unwrap()
            })
            .map(|name| format!("{}: {} differs", bench.name, name.display()))
    }
}

impl Drop for Gatherer {
    fn drop(&mut self) {
        self.kill();
    }
}
