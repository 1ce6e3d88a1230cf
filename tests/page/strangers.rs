//! The bench page against what other web pages, other machines and other users try: each attack is made
//! on the real daemon with bytes of our own, so that no client library helps.

use std::io::{BufRead as _, BufReader, Write as _};
use std::net::TcpStream;
use std::os::unix::fs::PermissionsExt as _;
use std::time::{Duration, Instant};

use bismar::display::connections;

use crate::bench_side::person::Person;
use crate::bench_side::served::{Served, loaded};
use crate::bench_side::{Daemon, LONGEST, Pan, config};

#[test]
fn the_page_is_off_where_nobody_asked_for_it() {
    let person = Person::new();
    let _pan = Pan::start(person.path("scale"));
    let text = config(&person.path("scale"), "0.01 g");
    person.configures(&text);
    let daemon = Daemon::start(&person);
    let said = person.run(&["page"]);
    assert_eq!(said.code, Some(1));
    assert!(said.err.contains("on = true"), "{}", said.err);
    // No TCP socket at all.
    let own = |name: &str| {
        let path = format!("/proc/{}/fd", daemon.child.id());
        let inodes: Vec<String> = std::fs::read_dir(path)
            .unwrap()
            .filter_map(|fd| std::fs::read_link(fd.unwrap().path()).ok())
            .filter_map(|link| {
                link.to_str()?
                    .strip_prefix("socket:[")?
                    .strip_suffix(']')
                    .map(str::to_owned)
            })
            .collect();
        let table = std::fs::read_to_string(format!("/proc/net/{name}")).unwrap();
        let mine = table.lines().skip(1);
        mine.filter(|line| {
            // A connection that nobody holds any more has the inode 0.
            line.split_whitespace()
                .nth(9)
                .is_some_and(|inode| inode != "0" && inodes.iter().any(|own| own == inode))
        })
        .count()
    };
    assert_eq!((own("tcp"), own("tcp6")), (0, 0));
}

#[test]
fn nobody_is_let_in_without_the_key() {
    let served = Served::start();
    let file = served.person.path("run/bismar/page.url");
    let mode = std::fs::metadata(&file).unwrap().permissions().mode();
    assert_eq!(mode & 0o777, 0o600);
    for path in ["/status", "/events"] {
        let answer = served.get(path, "");
        assert_eq!(answer.status, 401, "{answer:?}");
        assert!(!answer.body.contains("bench"), "{answer:?}");
        let none = "0".repeat(64);
        for name in ["Cookie: bismar-{p}=", "Bismar-Session: "] {
            let answer = served.get(path, &format!("{name}{none}"));
            assert_eq!(answer.status, 401, "{answer:?}");
        }
    }
    assert_eq!(served.post("/do", "", "{\"do\":\"next\"}").status, 401);
    for wrong in ["", "0", "00000000000000000000000000000000"] {
        let answer = served.post("/enter", "", &format!("{{\"key\":\"{wrong}\"}}"));
        assert_eq!(answer.status, 403, "{answer:?}");
        assert!(!answer.head.contains("set-cookie"), "{answer:?}");
    }
    for _ in 0..10 {
        served.post("/enter", "", "{\"key\":\"1\"}");
    }
    let answer = served.post("/enter", "", &format!("{{\"key\":\"{}\"}}", served.key));
    assert_eq!(answer.status, 429, "after many wrong keys: {answer:?}");
}

#[test]
fn a_name_that_points_here_is_not_our_name() {
    let served = Served::start();
    let cookie = served.enter();
    for host in [
        "evil.example:{p}",
        "evil.example",
        "127.0.0.1",
        "127.0.0.1.evil.example:{p}",
    ] {
        for path in ["/", "/status", "/page.js"] {
            let answer = served.raw(&format!("GET {path} HTTP/1.1\nHost: {host}\n{cookie}"), "");
            assert_eq!(answer.status, 421, "{host} {path}: {answer:?}");
            assert!(!answer.body.contains("<html"), "{answer:?}");
        }
    }
    let answer = served.raw(
        &format!("GET /status HTTP/1.1\nHost: localhost:{{p}}\n{cookie}"),
        "",
    );
    assert_eq!(answer.status, 200, "{answer:?}");
}

#[test]
fn other_pages_change_nothing_and_see_nothing() {
    let served = Served::start();
    let cookie = served.enter();
    served.person.begins();
    let step = served.step();
    let next = "{\"do\":\"keep\"}";
    let foreign = |head: &str, body: &str, status: u16| {
        let answer = served.raw(&format!("{head}\n{cookie}"), body);
        assert_eq!(answer.status, status, "{head}: {answer:?}");
        assert_eq!(served.step(), step);
    };
    let host = "Host: 127.0.0.1:{p}";
    // A form, and a script of another origin that may not set the type.
    foreign(
        &format!(
            "POST /do HTTP/1.1\n{host}\nOrigin: http://evil.example\nContent-Type: application/json"
        ),
        next,
        403,
    );
    foreign(
        &format!("POST /do HTTP/1.1\n{host}\nOrigin: null\nContent-Type: application/json"),
        next,
        403,
    );
    foreign(
        &format!("POST /do HTTP/1.1\n{host}\nContent-Type: application/json"),
        next,
        403,
    );
    foreign(
        &format!(
            "POST /do HTTP/1.1\n{host}\nOrigin: http://127.0.0.1:1\nContent-Type: application/json"
        ),
        next,
        403,
    );
    foreign(
        &format!(
            "POST /do HTTP/1.1\n{host}\nOrigin: http://127.0.0.1:{{p}}\nContent-Type: text/plain"
        ),
        next,
        415,
    );
    foreign(
        &format!(
            "POST /do HTTP/1.1\n{host}\nOrigin: http://127.0.0.1:{{p}}\nContent-Type: application/x-www-form-urlencoded"
        ),
        next,
        415,
    );
    foreign(
        &format!(
            "POST /do HTTP/1.1\n{host}\nOrigin: http://127.0.0.1:{{p}}\nSec-Fetch-Site: cross-site\nContent-Type: application/json"
        ),
        next,
        403,
    );
    // Nothing is changed by GET.
    foreign(&format!("GET /do HTTP/1.1\n{host}"), "", 405);
    foreign(&format!("GET /do?do=keep HTTP/1.1\n{host}"), next, 405);
    foreign(&format!("GET /enter HTTP/1.1\n{host}"), "", 405);
    // Read by a script or a frame of another site.
    foreign(
        &format!("GET /status HTTP/1.1\n{host}\nSec-Fetch-Site: cross-site"),
        "",
        403,
    );
    foreign(
        &format!("GET /events HTTP/1.1\n{host}\nSec-Fetch-Site: same-site"),
        "",
        403,
    );
    let page = served.get("/", "");
    assert_eq!(page.status, 200);
    assert!(
        page.head.contains("frame-ancestors 'none'") && page.head.contains("script-src 'self'")
    );
    assert!(page.head.contains("nosniff") && !page.head.contains("access-control-allow"));
    assert!(!page.head.contains("unsafe"), "{}", page.head);
}

#[test]
fn only_the_maker_s_words_are_taken_and_not_too_many() {
    let served = Served::start();
    let cookie = served.enter();
    for not_here in [
        "{\"do\":\"subscribe\",\"readings\":true}",
        "{\"do\":\"hello\"}",
        "{\"do\":\"status\"}",
    ] {
        let answer = served.post("/do", &cookie, not_here);
        assert_eq!(answer.status, 403, "{answer:?}");
    }
    let long = format!("{{\"do\":\"{}\"}}", "x".repeat(100_000));
    assert_eq!(served.post("/do", &cookie, &long).status, 413);
    for broken in ["", "{", "[]", "\u{0}", "{\"do\":1}"] {
        let answer = served.post("/do", &cookie, broken);
        assert_eq!(answer.status, 400, "{broken:?}: {answer:?}");
    }
    let mut last = 0;
    for _ in 0..40 {
        last = served.post("/do", &cookie, "{\"do\":\"next\"}").status;
    }
    assert_eq!(last, 429);
    let said = served.daemon.log();
    assert!(!said.contains("panicked"), "{said}");
}

#[test]
fn a_page_that_is_open_hears_the_batch() {
    let served = Served::start();
    let cookie = served.enter();
    let stream = served.open();
    let head = format!(
        "GET /events HTTP/1.1\r\nHost: 127.0.0.1:{}\r\n{cookie}\r\n\r\n",
        served.port
    );
    (&stream).write_all(head.as_bytes()).unwrap();
    let mut lines = BufReader::new(&stream).lines().map_while(Result::ok);
    served.person.begins();
    let (mut beat, mut place, mut reading) = (false, false, false);
    let end = Instant::now() + LONGEST;
    while !(beat && place && reading) {
        let line = lines.next().expect("the events go on");
        beat |= line == "event: beat";
        place |= line.contains("\"cue\":\"place\"") && line.contains("Sea salt");
        reading |= line.contains("\"event\":\"reading\"");
        assert!(Instant::now() < end);
    }
    let status = served.get("/status", &cookie);
    let said: serde_json::Value = serde_json::from_str(&status.body).unwrap();
    let ahead = &said["status"]["ahead"];
    assert_eq!(ahead[0]["ingredient"], "Epsom salt");
    assert_eq!(ahead[1]["target"], "10.00");
    // 60.00 g less 1 % and 2 u of 0.0108 g each, as of a scale of which no repeatability was measured.
    assert_eq!(said["status"]["low"], "59.43");
    // Many that follow and do not read hold nothing up.
    let mute: Vec<TcpStream> = (0..30)
        .map(|_| {
            let mut stream = served.open();
            stream.write_all(head.as_bytes()).unwrap();
            stream
        })
        .collect();
    std::thread::sleep(Duration::from_millis(300));
    served.person.run(&["status"]).ended(0);
    assert_eq!(served.get("/status", &cookie).status, 200);
    drop(mute);
    served.daemon.terminate();
}

#[test]
fn connections_that_say_nothing_take_neither_the_daemon_nor_the_page() {
    let served = Served::start();
    let cookie = served.enter();
    let files = || {
        let path = format!("/proc/{}/fd", served.daemon.child.id());
        std::fs::read_dir(path).unwrap().count()
    };
    let before = files();
    let mute: Vec<TcpStream> = (0..200).map(|_| served.open()).collect();
    // Half a request is no request.
    for mut stream in &mute {
        let _ = stream.write_all(b"GET / HTTP/1.1\r\nHost: ");
    }
    // Nor is a request that comes a byte at a time and never ends.
    let dripping: Vec<TcpStream> = mute.iter().map(|one| one.try_clone().unwrap()).collect();
    std::thread::spawn(move || {
        let mut open = dripping;
        while !open.is_empty() {
            std::thread::sleep(Duration::from_millis(500));
            open.retain_mut(|one| one.write_all(b"x").is_ok());
        }
    });
    std::thread::sleep(Duration::from_millis(500));
    let more = files() - before;
    assert!(
        more <= connections::MOST_OUTSIDE + connections::MOST_ARRIVING,
        "{more} more"
    );
    served.person.run(&["status"]).ended(0);
    // The page answers meanwhile, and they are closed after a while.
    let status = served.get("/status", &cookie);
    assert_eq!(status.status, 200, "{status:?}");
    drop(mute);
    served.daemon.until(|| files() <= before + 1);
}

/// The page is small, and everything it loads is its own.
#[test]
fn the_page_s_files_are_few_and_small_and_ask_nobody_else() {
    let served = Served::start();
    let (names, all) = loaded(&["/", "/paper"], |name| served.get(name, ""));
    let known = [
        "/",
        "/after.js",
        "/bare.css",
        "/core.js",
        "/door.js",
        "/formulas.js",
        "/make.js",
        "/mark.svg",
        "/page.css",
        "/page.js",
        "/paper",
        "/paper.js",
        "/rooms.js",
        "/scales.js",
        "/words.js",
    ];
    assert_eq!(names, known);
    println!("{all} bytes in all");
    assert!(all < 160 * 1024, "{all} bytes");
}

/// A daemon that crashed in the middle of a batch comes back, and the tablet on the wall with it.
#[test]
fn who_was_let_in_is_let_in_after_a_restart_under_the_same_key_alone() {
    let mut served = Served::start();
    let cookie = served.enter();
    let restarted = |served: &mut Served| {
        served.daemon.child.kill().unwrap();
        served.daemon.child.wait().unwrap();
        served.daemon = Daemon::start(&served.person);
        served.person.run(&["page"]).ended(0).out
    };
    let kept = served.person.path("run/bismar/page.let-in");
    let mode = std::fs::metadata(&kept).unwrap().permissions().mode();
    assert_eq!(mode & 0o777, 0o600);
    let address = restarted(&mut served);
    assert!(address.trim().ends_with(&served.key), "{address}");
    assert_eq!(served.get("/status", &cookie).status, 200);
    // Half a file is no key.
    std::fs::write(&kept, "ab").unwrap();
    let address = restarted(&mut served);
    assert!(!address.contains(&served.key) && address.trim().len() > 50);
    assert_eq!(served.get("/status", &cookie).status, 401);
    // Another key in the configuration ends what the first one opened.
    let (_, key) = address.trim().split_once("/#").unwrap();
    key.clone_into(&mut served.key);
    let cookie = served.enter();
    let file = served.person.path("home/.config/bismar/config.toml");
    let text = std::fs::read_to_string(&file).unwrap();
    std::fs::write(&file, format!("{text}key = \"saltmarshsaltmarsh\"\n")).unwrap();
    let address = restarted(&mut served);
    assert!(address.trim().ends_with("#saltmarshsaltmarsh"));
    assert_eq!(served.get("/status", &cookie).status, 401);
}
