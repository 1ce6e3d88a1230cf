//! The real daemon with its page, and requests made of bytes of our own: no client library helps.

use std::io::{Read as _, Write as _};
use std::net::TcpStream;
use std::path::PathBuf;

use super::person::Person;
use super::{Daemon, LONGEST, Pan, config, free_port};

pub const FORMULA: &str = r#"
[formula]
name = "Marram soak"
version = 1
[[phase]]
name = "Dry"
[[phase.ingredient]]
name = "Sea salt"
percent = 60
[[phase.ingredient]]
name = "Epsom salt"
percent = 30
[[phase.ingredient]]
name = "Oat flour"
balance = true
"#;

pub struct Served<S = Pan> {
    pub person: Person,
    pub daemon: Daemon,
    pub pan: S,
    pub port: u16,
    pub key: String,
}

/// An answer: its status, its head in lower case, and its body.
#[derive(Debug)]
pub struct Answer {
    pub status: u16,
    pub head: String,
    pub body: String,
}

/// The paths of `begin` and of all that they load, sorted, and how many bytes that is. Nothing of it asks anybody else.
pub fn loaded(begin: &[&str], get: impl Fn(&str) -> Answer) -> (Vec<String>, usize) {
    let mut names: Vec<String> = begin.iter().map(|&name| name.to_owned()).collect();
    let (mut at, mut all) = (0, 0);
    while let Some(name) = names.get(at).cloned() {
        at += 1;
        let answer = get(&name);
        assert_eq!(answer.status, 200, "{name}");
        all += answer.body.len();
        // The name of the SVG language is no address that anything asks.
        let text = answer.body.replace("http://www.w3.org/2000/svg", "");
        for other in ["http:", "https:", "\"//", "@import", "eval(", "innerHTML"] {
            assert!(!text.contains(other), "{name} has {other}");
        }
        for (before, after) in [("src=\"", '"'), ("from \"./", '"'), ("href=\"", '"')] {
            for part in text.split(before).skip(1) {
                let file = part.split(after).next().unwrap();
                let path = format!("/{}", file.trim_start_matches('/'));
                if !file.starts_with('#') && !names.contains(&path) {
                    names.push(path);
                }
            }
        }
    }
    names.sort();
    (names, all)
}

impl Served {
    pub fn start() -> Served {
        Served::with("", |_| {})
    }

    /// With `more` in the configuration, and what `around` puts into the home before the daemon starts.
    pub fn with(more: &str, around: impl FnOnce(&Person)) -> Served {
        Served::on(Pan::start, more, around)
    }

    /// With `more` in the configuration of the page, which then is told to be at `origin`.
    pub fn behind(more: &str, origin: &str) -> Served {
        Served::placed(Pan::start, more, |_| {}, Some(origin))
    }
}

impl<S> Served<S> {
    /// On the scale that `start` gives.
    pub fn on(start: fn(PathBuf) -> S, more: &str, around: impl FnOnce(&Person)) -> Served<S> {
        Served::placed(start, more, around, None)
    }

    fn placed(
        start: fn(PathBuf) -> S,
        more: &str,
        around: impl FnOnce(&Person),
        origin: Option<&str>,
    ) -> Served<S> {
        let person = Person::new();
        let port = free_port();
        let pan = start(person.path("scale"));
        let text = config(&person.path("scale"), "0.01 g");
        let text = format!("{text}[page]\non = true\nport = {port}\n{more}");
        person.configures(&text);
        person.file("soak.toml", FORMULA);
        around(&person);
        let daemon = Daemon::start(&person);
        let said = person.run(&["page"]).ended(0).out;
        let (address, key) = said.trim().split_once("/#").unwrap();
        let own = format!("http://127.0.0.1:{port}");
        assert_eq!(address, origin.unwrap_or(&own));
        assert_eq!(key.len(), 32, "{key}");
        Served {
            key: key.to_owned(),
            person,
            daemon,
            pan,
            port,
        }
    }

    pub fn open(&self) -> TcpStream {
        let stream = TcpStream::connect(("127.0.0.1", self.port)).unwrap();
        stream.set_read_timeout(Some(LONGEST)).unwrap();
        stream
    }

    /// As [`raw`].
    pub fn raw(&self, head: &str, body: &str) -> Answer {
        raw(self.port, head, body)
    }

    pub fn post(&self, path: &str, more: &str, body: &str) -> Answer {
        let head = format!(
            "POST {path} HTTP/1.1\nHost: 127.0.0.1:{{p}}\nOrigin: http://127.0.0.1:{{p}}\n\
             Content-Type: application/json\n{more}"
        );
        self.raw(&head, body)
    }

    /// Enters with the key; gives the header that says so from then on.
    pub fn enter(&self) -> String {
        let entered = self.post("/enter", "", &format!("{{\"key\":\"{}\"}}", self.key));
        assert_eq!(entered.status, 200, "{entered:?}");
        // A cookie would go to every port of this machine.
        assert!(!entered.head.contains("set-cookie"), "{entered:?}");
        let told: serde_json::Value = serde_json::from_str(&entered.body).unwrap();
        let token = told["session"].as_str().unwrap();
        assert_eq!(token.len(), 64, "{token}");
        format!("Bismar-Session: {token}")
    }

    pub fn get(&self, path: &str, more: &str) -> Answer {
        let head = format!("GET {path} HTTP/1.1\nHost: 127.0.0.1:{{p}}\n{more}");
        self.raw(&head, "")
    }

    /// The number of the running step.
    pub fn step(&self) -> serde_json::Value {
        let said = self.person.run(&["status", "--json"]).ended(0).out;
        let said: serde_json::Value = serde_json::from_str(&said).unwrap();
        said["status"]["step"].clone()
    }
}

/// Sends `head` (with `{p}` for the port) and `body` to the page at `port`, and reads all of the answer.
pub fn raw(port: u16, head: &str, body: &str) -> Answer {
    let mut stream = TcpStream::connect(("127.0.0.1", port)).unwrap();
    stream.set_read_timeout(Some(LONGEST)).unwrap();
    let head = head.trim().replace("{p}", &port.to_string());
    let head = head.replace('\n', "\r\n");
    let length = body.len();
    let text = format!("{head}\r\nConnection: close\r\nContent-Length: {length}\r\n\r\n{body}");
    // It may be refused before all of it is sent.
    let _ = stream.write_all(text.as_bytes());
    let mut said = String::new();
    let _ = stream.read_to_string(&mut said);
    let (head, body) = said.split_once("\r\n\r\n").unwrap_or((&said, ""));
    let status = head.split(' ').nth(1).and_then(|code| code.parse().ok());
    Answer {
        status: status.unwrap_or(0),
        head: head.to_ascii_lowercase(),
        body: body.to_owned(),
    }
}
