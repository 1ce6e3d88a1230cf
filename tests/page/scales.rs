//! Scales and vessels set up from the page: found in a real Chromium from a configuration without any, named, written,
//! weighed with, changed and removed; and each thing that can be wrong with a port or with the file. A scale is a pty.

use std::fs;
use std::io::{BufRead as _, BufReader, Write as _};
use std::os::unix::fs::PermissionsExt as _;
use std::time::Instant;

use bismar::config::Config;
use bismar::rehearsal::pty::PtyLine;
use serde_json::{Value, json};

use crate::bench_side::logs::{cells, only_log};
use crate::bench_side::person::Person;
use crate::bench_side::pty::Pty;
use crate::bench_side::scale::{Line, Scale};
use crate::bench_side::script::Seat;
use crate::bench_side::served::{Answer, FORMULA, Served};
use crate::bench_side::{Daemon, LONGEST, VESSEL, free_port};
use crate::rooms::{Screen, digits, has, weigh};

fn text(person: &Person) -> String {
    fs::read_to_string(person.config_file()).unwrap()
}

fn parsed(person: &Person) -> Config {
    Config::parse(&text(person), "written").unwrap()
}

#[test]
fn a_scale_is_found_named_and_weighed_with_from_a_configuration_without_any() {
    let seat = Seat::take();
    let person = Person::new();
    let own = format!(
        "# mine\n[page]\non = true\nport = {}\n[weighing]\nsteady_window = 0.4\ndwell = 0.1\n\
         [cues]\ndesktop = false\nsound = false\n",
        free_port()
    );
    person.configures(&own);
    person.file("soak.toml", FORMULA);
    // A name of a port that is no mark-up.
    let port = person.path("line<b>7");
    let pan = Scale::start(port.clone());
    let daemon = Daemon::start(&person);
    let address = person.run(&["page"]).ended(0).out;
    let mut screen = Screen::at(seat, address.trim());
    let seen = screen.until("idle", |seen| has(seen, "say", "No scale is set up yet"));
    assert!(has(&seen, "say", "“Scales” finds it"), "{seen:#}");

    screen.press("Scales");
    screen.reads("No scale is set up yet");
    screen.pictures("room-no-scale");
    screen.press("Another port");
    screen.write("Port", port.to_str().unwrap());
    // Another program has it.
    let held = serialport::new(port.to_str().unwrap(), 9600)
        .open_native()
        .unwrap();
    screen.press("Listen there");
    screen.reads("in use by another program");
    screen.pictures("room-port-busy");
    drop(held);
    screen.press("Listen there");
    let seen = screen.reads("It sends lines with a weight in grams");
    assert!(has(&seen, "inside", "in steps of 0.01 g"), "{seen:#}");
    assert!(has(&seen, "inside", "line<b>7"), "{seen:#}");
    // The pan is pressed.
    pan.put(41.35);
    screen.reads("41.35 g");
    pan.put(0.0);
    screen.write("Name", "small");
    screen.write("Largest load, grams", "600");
    screen.pictures("room-found");
    // Somebody edits the file meanwhile.
    let edited = format!("{own}# a remark of today\nspeech = false # not yet\n");
    person.configures(&edited);
    screen.press("Use this scale");
    screen.reads("Scale small is set up");
    let seen = screen.reads("0.00 g, steady");
    assert!(has(&seen, "inside", "Carries 600.00 g"), "{seen:#}");
    screen.pictures("room-scale-added");
    let written = text(&person);
    assert!(written.starts_with(edited.trim_end()), "{written}");
    let [scale] = &parsed(&person).scales[..] else {
        panic!("{written}");
    };
    assert_eq!((scale.name.as_str(), scale.baud), ("small", 9600));
    assert!(written.contains("capacity = \"600 g\""), "{written}");

    // It weighs, without a new start.
    screen.press("Bench");
    person.begins();
    screen.until("begun", |seen| has(seen, "say", "Place"));
    screen.press("Scales");
    screen.reads("A batch is under way");
    screen.press("Bench");
    weigh(&mut screen, &pan, VESSEL, digits, |seen| {
        has(seen, "recorded", "Sea salt")
    });
    let net = &cells(&only_log(&person), "weighed", "net_g")[0];
    assert!((net.parse::<f64>().unwrap() - 60.0).abs() < 0.05, "{net}");
    pan.put(0.0);
    person.run(&["stop"]).ended(0);
    screen.until("over", |seen| seen["view"] == "idle");

    // A vessel is weighed empty.
    screen.press("Scales");
    screen.write("Its name", "small beaker");
    screen.write("What it holds, grams", "250");
    screen.press("Weigh it empty");
    screen.reads("Put the empty vessel on");
    pan.put(VESSEL);
    screen.reads("Lift it");
    screen.pictures("room-vessel");
    pan.put(0.0);
    screen.reads("small beaker weighs");
    let seen = screen.reads("holds 250.00 g");
    // What came of it stands before her, where she pressed.
    assert_eq!(seen["focus"], "vessel-say", "{seen:#}");
    screen.press("Find the scale");
    screen.press("Look again");
    let seen = screen.until("the look", |seen| seen["focus"] == "finder");
    assert!(has(&seen, "inside", "Look again"), "{seen:#}");
    let [vessel] = &parsed(&person).vessels[..] else {
        panic!("{}", text(&person));
    };
    assert!(
        (vessel.weight.to_g_f64() - VESSEL).abs() < 0.011,
        "{vessel:?}"
    );
    screen.pictures("room-scales");

    // Changed, and removed again: what she wrote herself is there to the letter.
    screen.press("Change small");
    screen.write("Name", "fine");
    screen.write("Smallest step, grams", "0,02");
    screen.press("Change it");
    screen.reads("Scale fine is changed");
    assert_eq!(text(&person).matches("\"600 g\"").count(), 1);
    let scale = parsed(&person).scales.remove(0);
    assert_eq!(scale.readability.unwrap().ng(), 20_000_000);
    screen.press("Change fine");
    screen.press("Remove it");
    std::thread::sleep(std::time::Duration::from_secs(1));
    screen.press("Press again: remove it");
    screen.reads("Scale fine is removed");
    screen.reads("No scale is set up yet");
    assert!(parsed(&person).scales.is_empty());
    assert!(
        text(&person).starts_with(edited.trim_end()),
        "{}",
        text(&person)
    );

    let console = screen.tell(&json!(["console"]));
    assert_eq!(console["console"], json!([]));
    let said = daemon.log();
    assert!(!said.contains("panicked"), "{said}");
}

/// The events of the page, as they come.
struct Events(BufReader<std::net::TcpStream>);

impl Events {
    fn of(served: &Served<Scale>, session: &str) -> Events {
        let mut stream = served.open();
        let port = served.port;
        write!(
            stream,
            "GET /events HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\n{session}\r\n\r\n"
        )
        .unwrap();
        Events(BufReader::new(stream))
    }

    /// The first `find` of which that holds.
    #[track_caller]
    fn until(&mut self, what: &str, done: impl Fn(&Value) -> bool) -> Value {
        let end = Instant::now() + LONGEST;
        let mut last = Value::Null;
        loop {
            assert!(Instant::now() < end, "never {what}: {last:#}");
            let mut line = String::new();
            self.0.read_line(&mut line).unwrap();
            let event = line.strip_prefix("data: ");
            let event = event.and_then(|data| serde_json::from_str::<Value>(data).ok());
            let Some(event) = event.filter(|event| event["event"] == "find") else {
                continue;
            };
            if done(&event) {
                return event;
            }
            last = event;
        }
    }
}

#[track_caller]
fn refused(answer: &Answer, status: u16, words: &str) {
    assert_eq!(answer.status, status, "{answer:?}");
    assert!(answer.body.contains(words), "{words}: {answer:?}");
}

#[test]
fn what_is_wrong_with_a_port_or_the_file_is_told_and_nothing_is_lost() {
    let served = Served::on(Scale::start, "", |_| {});
    let person = &served.person;
    let session = served.enter();
    // The page takes so many changes in a moment, and no more.
    let post = |path: &str, body: Value| loop {
        let answer = served.post(path, &session, &body.to_string());
        if answer.status != 429 {
            return answer;
        }
        std::thread::sleep(std::time::Duration::from_millis(200));
    };
    let at = |name: &str| person.path(name).to_str().unwrap().to_owned();
    let before = text(person);

    // Ports that are none, or taken.
    let find = |port: &str| post("/find", json!({ "ports": [port] }));
    refused(&find(&at("scale")), 422, "is at that port already");
    refused(&find("ttyUSB0"), 422, "is no port");
    refused(&find("/dev/\u{202e}tty"), 422, "is no port");
    refused(&post("/find", json!({ "ports": [] })), 400, "at most 8");
    let nine: Vec<&str> = vec!["/dev/null"; 9];
    refused(&post("/find", json!({ "ports": nine })), 400, "at most 8");

    // A window's terminal: what is typed into it is nobody's to hear.
    let window = Pty::new();
    let mut typed = std::process::Command::new("setsid")
        .args(["--ctty", "sleep", "600"])
        .stdin(window.spare.try_clone().unwrap())
        .spawn()
        .unwrap();
    let mut answer = find(window.path.to_str().unwrap());
    let end = Instant::now() + LONGEST;
    while answer.status == 200 && Instant::now() < end {
        answer = find(window.path.to_str().unwrap());
    }
    refused(&answer, 422, "terminal of a window");
    refused(&find("/dev/tty"), 422, "terminal of a window");
    typed.kill().unwrap();
    typed.wait().unwrap();

    // Two scales, one that garbles, one that is silent, and what is no line.
    let (one, other) = (
        Scale::start(at("one").into()),
        Scale::start(at("other").into()),
    );
    let garbled = Scale::start(at("garbled").into());
    garbled.set(Line::Garbage);
    let silent = PtyLine::open(at("silent").into()).unwrap();
    let all = ["one", "other", "garbled", "silent"].map(at);
    let ports = [&all[..], &["/dev/null".to_owned(), at("nothing")]].concat();
    let mut events = Events::of(&served, &session);
    assert_eq!(post("/find", json!({ "ports": ports })).status, 200);
    one.put(12.34);
    other.put(56.78);
    let told = events.until("all", |event| {
        let found = |i: usize, shows: &str| event["ports"][i]["shows"] == shows;
        let ended = |i: usize| event["ports"][i]["stage"] == "not-found";
        found(0, "12.34 g") && found(1, "56.78 g") && ended(2) && ended(4) && ended(5)
    });
    for (i, words) in [
        (0, "It sends lines with a weight in grams"),
        (2, "at no usual speed"),
        (4, "/dev/null is no serial line"),
        (5, "is not there"),
    ] {
        let say = told["ports"][i]["say"].as_str().unwrap();
        assert!(say.contains(words), "{words}: {told:#}");
    }
    // Unplugged while it is listened to: it cannot be added any more.
    other.set(Line::Unplugged);
    let told = events.until("unplugged", |event| {
        event["ports"][1]["stage"] == "not-found" && event["ports"][1]["shows"] == Value::Null
    });
    let say = told["ports"][1]["say"].as_str().unwrap();
    assert!(say.contains("check the plug"), "{told:#}");
    let add = |port: &str, name: &str| {
        post(
            "/scale-add",
            json!({ "port": at(port), "name": name, "capacity": "600g" }),
        )
    };
    refused(&add("other", "fine"), 409, "is heard at that port any more");
    refused(&add("one", "Bench"), 422, "another scale is named");
    refused(&add("one", "a\nb"), 422, "short word");
    // A step that the scale does not show would prove what it cannot.
    let finer = json!({ "port": at("one"), "readability": "0.001g" });
    refused(&post("/scale-add", finer), 422, "cannot be finer");
    let shows = || {
        person
            .run(&["status"])
            .ended(0)
            .out
            .contains("bench: listening, shows")
    };
    served.daemon.until(shows);
    let finer = json!({ "scale": "bench", "readability": "0.005g" });
    refused(&post("/scale-change", finer), 422, "cannot be finer");
    assert_eq!(text(person), before);

    // The file does not read, or is write-protected; mended, it is taken with all that is in it.
    let broken = format!("{before}\n[[scale]\n");
    person.configures(&broken);
    refused(&add("one", "fine"), 422, "config.toml:");
    assert_eq!(text(person), broken);
    let own = format!("{before}\n# of mine\n");
    person.configures(&own);
    let mode = |mode| fs::set_permissions(person.config_file(), fs::Permissions::from_mode(mode));
    mode(0o400).unwrap();
    refused(&add("one", "fine"), 422, "write-protected");
    let change = |scale: &str| post("/scale-change", json!({ "scale": scale, "name": "x" }));
    refused(&change("bench"), 422, "write-protected");
    assert_eq!(text(person), own);
    mode(0o600).unwrap();
    let added = add("one", "fine");
    assert_eq!(added.status, 200, "{added:?}");
    assert!(text(person).starts_with(own.trim_end()), "{}", text(person));
    let status = || person.run(&["status"]).ended(0).out;
    served.daemon.until(|| status().contains("fine: listening"));

    // Not in the middle of a batch.
    person.begins();
    let written = text(person);
    for (path, body) in [
        ("/find", json!({ "ports": ["/dev/null"] })),
        ("/scale-change", json!({ "scale": "fine", "name": "x" })),
        ("/scale-remove", json!({ "scale": "fine" })),
        ("/vessel-weigh", json!({ "scale": "fine", "name": "x" })),
        ("/vessel-remove", json!({ "vessel": "x" })),
    ] {
        refused(&post(path, body), 409, "a batch is being weighed");
    }
    assert_eq!(text(person), written);
    drop(silent);
    let said = served.daemon.log();
    assert!(!said.contains("panicked"), "{said}");
}
