//! Another user of the same machine: what a server of theirs gets from the maker's browser opens nothing, and
//! with the key itself in hand they are turned away, since the kernel tells whose connection it is.

use std::io::{BufRead as _, BufReader, Write as _};
use std::process::{Child, ChildStdin, ChildStdout, Command, Stdio};
use std::time::Duration;

use serde_json::{Value, json};

use crate::bench_side::script::{Script, Seat};
use crate::bench_side::served::Served;

/// `nobody` of Debian (base-passwd).
const NOBODY: &str = "65534";

/// Another user's program; where the tests are no root's it is a program of the same user.
struct Neighbour {
    child: Child,
    words: ChildStdin,
    lines: std::io::Lines<BufReader<ChildStdout>>,
    port: u64,
    /// Everything that the browser handed over.
    got: Vec<Value>,
}

impl Neighbour {
    fn moves_in(beside: &Served, another_user: bool) -> Neighbour {
        let mut command = Command::new("/usr/bin/setpriv");
        if another_user {
            command
                .args(["--reuid", NOBODY, "--regid", NOBODY])
                .args(["--clear-groups", "--inh-caps=-all"]);
        }
        let mut child = command
            .args(["/usr/bin/python3", "-I", "-c"])
            .arg(include_str!("neighbour.py"))
            .arg(beside.port.to_string())
            .current_dir("/")
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .expect("setpriv starts (bash .ci/test sets it up)");
        let words = child.stdin.take().unwrap();
        let mut lines = BufReader::new(child.stdout.take().unwrap()).lines();
        let first: Value = serde_json::from_str(&lines.next().unwrap().unwrap()).unwrap();
        Neighbour {
            child,
            words,
            lines,
            port: first["port"].as_u64().unwrap(),
            got: Vec::new(),
        }
    }

    fn next(&mut self) -> Value {
        serde_json::from_str(&self.lines.next().unwrap().unwrap()).unwrap()
    }

    /// What the page at `port` answers to a request of theirs.
    fn asks(&mut self, way: &str, port: u16, words: [&str; 3], heads: &Value) -> (u64, String) {
        let [method, path, body] = words;
        let mut all = json!({
            "Host": format!("127.0.0.1:{port}"),
            "Origin": format!("http://127.0.0.1:{port}"),
            "Content-Type": "application/json",
        });
        let heads = heads.as_object().unwrap().clone();
        all.as_object_mut().unwrap().extend(heads);
        let word = json!([way, method, path, port, all, body]);
        writeln!(self.words, "{word}").unwrap();
        loop {
            let said = self.next();
            if let Some(answer) = said["answered"].as_array() {
                let text = answer[1].as_str().unwrap();
                return (answer[0].as_u64().unwrap(), text.to_owned());
            }
            self.got.push(said);
        }
    }
}

impl Drop for Neighbour {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn is_root() -> bool {
    let root = rustix::process::geteuid().is_root();
    if !root {
        println!("SKIPPED IN PART: only root can become another user. Run this test as root.");
    }
    root
}

const BEGIN: [&str; 3] = [
    "POST",
    "/do",
    r#"{"do":"begin","formula":"soak.toml","batch":"100g"}"#,
];

fn served(more: &str) -> Served {
    Served::with(more, |person| {
        let formulas = "home/.local/share/bismar/formulas/soak.toml";
        person.file(formulas, crate::bench_side::served::FORMULA);
    })
}

/// The headers that the maker's browser sent to the neighbour, as often as they differ.
fn handed_over(neighbour: &Neighbour) -> Vec<Value> {
    let mut all = Vec::new();
    for request in &neighbour.got {
        let mut heads = serde_json::Map::new();
        for head in request["headers"].as_array().unwrap() {
            let name = head[0].as_str().unwrap().to_ascii_lowercase();
            // Those of a request, that a thief writes anew.
            let own = ["host", "origin", "referer", "connection", "content-length"];
            if !own.contains(&name.as_str()) && !name.starts_with("sec-") {
                heads.insert(name, head[1].clone());
            }
        }
        let heads = Value::Object(heads);
        if !all.contains(&heads) {
            all.push(heads);
        }
    }
    all
}

#[test]
fn what_a_browser_hands_to_another_port_of_this_machine_opens_nothing() {
    let seat = Seat::take();
    let served = served("");
    let mut thief = Neighbour::moves_in(&served, is_root());
    let address = format!("http://127.0.0.1:{}/#{}", served.port, served.key);
    let other = format!("http://127.0.0.1:{}/", thief.port);
    let script = Script::start(seat, "lured.py", &[&address, &other]);
    let told = script.answer();
    assert_eq!(told["first"], "idle", "{told:#}");
    assert_eq!(told["lured"], true, "{told:#}");
    // All that was handed over is in front of the first answer.
    thief.asks("plain", served.port, ["GET", "/", ""], &json!({}));
    let handed = handed_over(&thief);
    assert!(!handed.is_empty(), "nobody was lured");
    for heads in &handed {
        let mut thefts = vec![heads.clone()];
        // A cookie's value may be tried as what it is not, too.
        let cookie = heads["cookie"].as_str().unwrap_or_default();
        if let Some((_, value)) = cookie.split_once('=') {
            thefts.push(json!({"Bismar-Session": value}));
        }
        for theft in thefts {
            for words in [
                ["GET", "/status", ""],
                ["GET", "/batches", ""],
                ["GET", "/events", ""],
                BEGIN,
            ] {
                let (status, text) = thief.asks("plain", served.port, words, &theft);
                assert!(
                    [401, 403].contains(&status),
                    "{theft} {words:?}: {status} {text}"
                );
                // Nor does it in the hands of the maker herself: it is no session at all.
                let theft = theft.as_object().unwrap().iter();
                let heads: Vec<String> = theft
                    .map(|(name, value)| format!("{name}: {}", value.as_str().unwrap()))
                    .collect();
                let [method, path, body] = words;
                let head = format!(
                    "{method} {path} HTTP/1.1\nHost: 127.0.0.1:{{p}}\n{}",
                    heads.join("\n")
                );
                assert_eq!(served.raw(&head, body).status, 401, "{head}");
            }
        }
    }
    // What their script found out.
    let said = thief.got.iter().find(|one| one["path"] == "/told");
    let said = &said.expect("their script ran to its end")["body"];
    assert_eq!(said["stored"], json!([]), "{said:#}");
    assert_eq!(said["cookie"], "", "{said:#}");
    for blocked in ["plain", "header"] {
        let error = said[blocked][0].as_str().unwrap();
        assert!(error.contains("TypeError"), "{blocked}: {said:#}");
    }
    for blind in ["opaque", "press"] {
        assert_eq!(said[blind], json!(["opaque", ""]), "{said:#}");
    }
    assert_eq!(said["frame"], "SecurityError", "{said:#}");
    assert_eq!(served.step(), Value::Null);
    // The maker comes back and is still in; her browser keeps no cookie of ours.
    assert_eq!(told["back"], "idle", "{told:#}");
    assert_eq!(told["cookies"], json!([]));
    assert!(!told["at"].as_str().unwrap().contains('#'), "{told:#}");
    // Without its script the page is its door, and says why that stays closed.
    let bare = script.answer();
    let bare: Vec<&str> = bare["bare"]
        .as_array()
        .unwrap()
        .iter()
        .map(|t| t.as_str().unwrap())
        .collect();
    let bare = bare.join(" ");
    assert!(bare.contains("The bench page of bismar"), "{bare}");
    assert!(bare.contains("needs its script"), "{bare}");
    for inside in ["Lots", "Batches", "Looking", "Sound", "Stop", "Open"] {
        assert!(!bare.contains(inside), "{inside}: {bare}");
    }
}

#[test]
fn another_user_is_turned_away_with_the_key_in_hand() {
    if !is_root() {
        return;
    }
    let served = served("");
    let session = served.enter();
    let (_, token) = session.split_once(": ").unwrap();
    let heads = json!({"Bismar-Session": token});
    let key = format!("{{\"key\":\"{}\"}}", served.key);
    let enter = ["POST", "/enter", key.as_str()];
    let mut thief = Neighbour::moves_in(&served, true);
    for way in ["plain", "mapped", "beside"] {
        for words in [
            ["GET", "/", ""],
            ["GET", "/status", ""],
            ["GET", "/events", ""],
            enter,
            BEGIN,
        ] {
            let (status, text) = thief.asks(way, served.port, words, &heads);
            if text == "no address" {
                println!("SKIPPED IN PART: this machine has no other address");
                continue;
            }
            assert_eq!(status, 403, "{way} {words:?}: {text}");
            assert!(text.contains("another user of this machine"), "{text}");
        }
    }
    // One that is gone when it is looked for: the kernel then calls it root's.
    for _ in 0..200 {
        thief.asks("hasty", served.port, BEGIN, &heads);
        thief.asks("hasty beside", served.port, BEGIN, &heads);
    }
    std::thread::sleep(Duration::from_millis(500));
    assert_eq!(served.step(), Value::Null);
    // The maker's own program with the same words.
    let ours = served.post(BEGIN[1], &session, BEGIN[2]);
    assert_eq!(ours.status, 200, "{ours:?}");
    assert_eq!(served.step(), json!(1));
}

/// Where the page is another account's on purpose, or a reverse proxy's.
#[test]
fn another_user_needs_the_key_where_others_may_come() {
    let proxy = "other_users = true\nproxy = \"https://bench.example\"\n";
    let served = Served::behind(proxy, "https://bench.example");
    let mut other = Neighbour::moves_in(&served, is_root());
    let port = served.port;
    let status = ["GET", "/status", ""];
    let (code, text) = other.asks("plain", port, status, &json!({}));
    assert_eq!(code, 401, "{text}");
    let key = format!("{{\"key\":\"{}\"}}", served.key);
    let outside = json!({"Host": "bench.example", "Origin": "https://bench.example"});
    let (code, text) = other.asks("plain", port, ["POST", "/enter", &key], &outside);
    assert_eq!(code, 200, "{text}");
    let told: Value = serde_json::from_str(&text).unwrap();
    let mut heads = outside.clone();
    heads["Bismar-Session"] = told["session"].clone();
    let (code, text) = other.asks("plain", port, status, &heads);
    assert_eq!(code, 200, "{text}");
    // The address outside is no origin for the address inside.
    heads["Host"] = json!(format!("127.0.0.1:{port}"));
    let (code, text) = other.asks("plain", port, BEGIN, &heads);
    assert_eq!(code, 403, "{text}");
}

/// A file of a version that had cookies: the key stays, what was a cookie is none of ours.
#[test]
fn what_was_a_cookie_once_opens_nothing_after_the_update() {
    let mut served = served("");
    let kept = served.person.path("run/bismar/page.let-in");
    let old = "0123456789abcdef0123456789abcdef";
    served.daemon.child.kill().unwrap();
    served.daemon.child.wait().unwrap();
    std::fs::write(&kept, format!("{}\n{old}\n", served.key)).unwrap();
    served.daemon = crate::bench_side::Daemon::start(&served.person);
    let address = served.person.run(&["page"]).ended(0).out;
    assert!(address.trim().ends_with(&served.key), "{address}");
    for head in [
        format!("Cookie: bismar-{{p}}={old}"),
        format!("Bismar-Session: {old}"),
    ] {
        assert_eq!(served.get("/status", &head).status, 401, "{head}");
    }
}

/// The pass that `bismar page --open` gets: who reads it all the same, in whatever way, is turned away before it is
/// looked at, so that it is still the maker's.
#[test]
fn a_pass_in_another_user_s_hand_opens_nothing_and_is_still_the_maker_s() {
    if !is_root() {
        return;
    }
    let served = served("");
    let mut thief = Neighbour::moves_in(&served, true);
    let told = served.person.run(&["page", "--qr"]).ended(0).out;
    let link = told.lines().next().unwrap();
    let (_, pass) = link.split_once("/#").unwrap();
    let word = format!("{{\"key\":\"{pass}\"}}");
    let (code, said) = thief.asks("plain", served.port, ["POST", "/enter", &word], &json!({}));
    assert_eq!(code, 403, "{said}");
    assert!(said.contains("belongs to another user"), "{said}");
    assert_eq!(served.post("/enter", "", &word).status, 200);
    assert_eq!(served.post("/enter", "", &word).status, 403);
}
