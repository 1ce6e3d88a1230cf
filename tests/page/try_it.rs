//! A rehearsal from the page alone: on the first day, with no scale, a batch is weighed by simulated hands on a
//! simulated scale. It says so everywhere, and nothing of it is in the maker's files.
//! What it must be like is the founder's own wish; there is no source for it.

use std::fs;
use std::os::unix::net::UnixDatagram;
use std::path::{Path, PathBuf};
use std::time::Duration;

use serde_json::{Value, json};

use crate::bench_side::logs::logs_in;
use crate::bench_side::person::Person;
use crate::bench_side::scale::Scale;
use crate::bench_side::script::Seat;
use crate::bench_side::served::Served;
use crate::bench_side::{Daemon, free_port};
use crate::rooms::{Screen, has};

/// A person on the first day: the page is on, and there is no scale.
pub fn first_day() -> (Person, Daemon) {
    first_day_with("")
}

/// The same, with `more` at the head of the configuration.
pub fn first_day_with(more: &str) -> (Person, Daemon) {
    let person = Person::new();
    person.configures(&format!(
        "{more}[page]\non = true\nport = {}\n[cues]\ndesktop = false\nsound = false\n",
        free_port()
    ));
    let daemon = Daemon::start(&person);
    (person, daemon)
}

/// Every file below a folder.
fn files(folder: &Path) -> Vec<PathBuf> {
    let Ok(entries) = fs::read_dir(folder) else {
        return Vec::new();
    };
    let mut found = Vec::new();
    for entry in entries.map(Result::unwrap) {
        match entry.file_type().unwrap().is_dir() {
            true => found.extend(files(&entry.path())),
            false => found.push(entry.path()),
        }
    }
    found.sort();
    found
}

fn at_try(seen: &Value) -> bool {
    seen["path"] == "/try/"
}

#[test]
fn on_the_first_day_a_batch_is_rehearsed_and_nothing_of_it_is_kept() {
    let seat = Seat::take();
    let (person, daemon) = first_day();
    let address = person.run(&["page"]).ended(0).out;
    let mut screen = Screen::at(seat, address.trim());
    screen.until("idle", |seen| has(seen, "say", "No scale is set up yet"));
    screen.pictures("try-first-day");
    let before = files(&person.path("home"));
    screen.press("Try it");
    let seen = screen.until("the rehearsal", |seen| {
        at_try(seen) && has(seen, "word", "still to add")
    });
    for (key, words) in [
        ("rehearsal", "Nothing here counts"),
        ("document", "Rehearsal: "),
        ("batch", "Rehearsal: Glasswort bath soak"),
    ] {
        assert!(has(&seen, key, words), "{key}: {seen:#}");
    }
    screen.pictures("try-pour");
    // What is real is not to be reached from here, and knows nothing of it.
    let links = screen.tell(&json!(["look"]))["links"].to_string();
    for room in ["New batch", "Fill jars", "Formulas", "Lots", "Scales"] {
        assert!(!links.contains(room), "{links}");
    }
    let status = person.run(&["status"]).ended(0).out;
    assert!(
        !status.contains("ehears") && !status.contains("step "),
        "{status}"
    );
    let log = logs_in(&person.path("run/bismar/rehearsal/logs")).remove(0);
    let log = fs::read_to_string(log).unwrap();
    let head = log.lines().nth(1).unwrap();
    assert!(head.contains("Rehearsal: Glasswort bath soak"), "{head}");
    screen.press("Batches");
    screen.reads("Rehearsal: Glasswort");
    screen.pictures("try-batches");
    screen.press("Bench");
    // The whole of it takes the simulated hands most of a minute.
    screen.until("its last step", |seen| {
        has(seen, "place", "step 4 of 4") || has(seen, "say", "Done.")
    });
    screen.until("its end", |seen| has(seen, "say", "Done."));
    screen.tell(&json!(["reload"]));
    screen.until("its end still", |seen| {
        at_try(seen) && has(seen, "rehearsal", "Nothing here counts")
    });
    screen.press("End the rehearsal");
    let seen = screen.until("the bench", |seen| {
        seen["path"] == "/" && has(seen, "say", "No scale is set up yet")
    });
    assert!(seen["rehearsal"].is_null(), "{seen:#}");
    screen.press("Batches");
    screen.reads("No batch was made yet");
    daemon.until(|| !person.path("run/bismar/rehearsal").exists());
    assert_eq!(files(&person.path("home")), before);
    let console = screen.tell(&json!(["console"]));
    let refused = console["console"].as_array().unwrap().iter();
    let refused = refused.filter(|line| line.to_string().contains("Security Policy"));
    assert_eq!(refused.count(), 0, "{console:#}");
    assert_eq!(daemon.terminate(), Some(0));
}

/// Who looks away for good ends it; who is killed leaves nothing in the way of the next; a real batch comes first.
#[test]
fn a_rehearsal_ends_with_who_looks_at_it_and_leaves_nothing() {
    let mut served = Served::on(Scale::start, "", |_| {});
    let session = served.enter();
    let folder = served.person.path("run/bismar/rehearsal");
    let begun = |served: &Served<Scale>| {
        let answer = served.post("/try-begin", &session, "{}");
        assert_eq!(answer.status, 200, "{answer:?}");
        served.daemon.until(|| {
            let status = served.get("/try/status", &session).body;
            status.contains("Rehearsal: Glasswort")
        });
    };
    assert_eq!(served.get("/try/", "").status, 303);
    assert_eq!(served.get("/try/status", &session).status, 404);
    begun(&served);
    // A second page, or a second touch, joins it.
    let first = fs::metadata(folder.join("rehearsal.toml")).unwrap();
    begun(&served);
    let second = fs::metadata(folder.join("rehearsal.toml")).unwrap();
    assert_eq!(first.modified().unwrap(), second.modified().unwrap());
    // Nobody follows its events: it ends by itself, with its thread, its lines and its folder.
    let threads = || {
        let tasks = format!("/proc/{}/task", served.daemon.child.id());
        let tasks = fs::read_dir(tasks).unwrap().flatten();
        let names = tasks.filter_map(|task| fs::read_to_string(task.path().join("comm")).ok());
        names.filter(|name| name.trim() == "rehearsal").count()
    };
    assert_eq!(threads(), 1);
    served.daemon.until(|| threads() == 0 && !folder.exists());
    assert_eq!(served.get("/try/status", &session).status, 404);

    begun(&served);
    served.daemon.child.kill().unwrap();
    served.daemon.child.wait().unwrap();
    assert!(folder.exists());
    served.daemon = Daemon::start(&served.person);
    served
        .daemon
        .until(|| served.get("/status", &session).status == 200);
    begun(&served);
    let end = served.post("/try/end", &session, "{}");
    assert!(end.body.contains("nothing of it is kept"), "{end:?}");
    served.daemon.until(|| !folder.exists());
    // It is told to end while it runs: so is the daemon.
    begun(&served);
    served.person.begins();
    let refused = served.post("/try-begin", &session, "{}");
    assert_eq!(refused.status, 409, "{refused:?}");
    assert!(
        refused.body.contains("rehearse when it is over"),
        "{refused:?}"
    );
    assert!(
        !served.daemon.log().contains("panicked"),
        "{}",
        served.daemon.log()
    );
    assert_eq!(served.daemon.terminate(), Some(0));
}

/// Below `/try/` who may is asked as everywhere, and nothing real can be changed.
#[test]
fn strangers_get_nothing_of_a_rehearsal_and_it_changes_nothing_real() {
    let served = Served::on(Scale::start, "", |_| {});
    let session = served.enter();
    assert_eq!(served.post("/try-begin", "", "{}").status, 401);
    assert_eq!(served.post("/try/end", "", "{}").status, 401);
    let foreign = "POST /try-begin HTTP/1.1\nHost: 127.0.0.1:{p}\nOrigin: http://elsewhere.example\n\
                   Content-Type: application/json";
    assert_ne!(
        served.raw(&format!("{foreign}\n{session}"), "{}").status,
        200
    );
    for odd in ["", "{\"a\":1}", "{\"seed\":4}"] {
        assert_eq!(
            served.post("/try-begin", &session, odd).status,
            400,
            "{odd}"
        );
    }
    assert_eq!(served.post("/try-begin", &session, "{}").status, 200);
    served.daemon.until(|| {
        served
            .get("/try/status", &session)
            .body
            .contains("Rehearsal: ")
    });
    for path in [
        "/try/status",
        "/try/events",
        "/try/batches",
        "/try/record?batch=x",
    ] {
        assert_eq!(served.get(path, "").status, 401, "{path}");
    }
    let foreign = "GET /try/status HTTP/1.1\nHost: elsewhere.example";
    assert_ne!(served.raw(&format!("{foreign}\n{session}"), "").status, 200);
    assert_eq!(served.get("/try", "").status, 303);
    assert_eq!(served.get("/try/", "").status, 200);
    assert_eq!(served.get("/try/page.css", "").status, 200);
    let before = fs::read_to_string(served.person.config_file()).unwrap();
    for (path, body) in [
        (
            "/try/scale-add",
            r#"{"port":"/dev/null","name":"x","capacity":"","readability":""}"#,
        ),
        ("/try/find", r#"{"ports":["/dev/null"]}"#),
        ("/try/lots", r#"{"lot":"X","ingredient":"Y"}"#),
        ("/try/formula-save", "{}"),
        ("/try/let-in", "{}"),
        ("/try/try-begin", "{}"),
        ("/try/try/end", "{}"),
        (
            "/try/check",
            r#"{"scale":"bench","weight":"100g","class":"M1"}"#,
        ),
    ] {
        let answer = served.post(path, &session, body);
        assert_eq!(answer.status, 404, "{path}: {answer:?}");
    }
    for body in [
        r#"{"do":"begin","formula":"soak.toml","batch":"100g"}"#,
        r#"{"do":"fill"}"#,
        r#"{"do":"go-on","batch":"soak-1"}"#,
        r#"{"do":"remedy","way":"keep","batch":"soak-1"}"#,
        r#"{"do":"reload"}"#,
        r#"{"do":"status"}"#,
    ] {
        let answer = served.post("/try/do", &session, body);
        assert_eq!(answer.status, 403, "{body}: {answer:?}");
    }
    for odd in [
        "/try/../status",
        "/try//status",
        "/try/%2e%2e/status",
        "/try/sheet?batch=../../x",
    ] {
        let answer = served.get(odd, &session);
        assert_ne!(answer.status, 200, "{odd}: {answer:?}");
    }
    let noted = served.post("/try/do", &session, r#"{"do":"note","note":"tried"}"#);
    assert_eq!(noted.status, 200, "{noted:?}");
    assert_eq!(
        fs::read_to_string(served.person.config_file()).unwrap(),
        before
    );
    // A real batch goes beside it, and is no part of it.
    served.person.begins();
    assert_eq!(served.step(), json!(1));
    let stopped = served.post("/try/do", &session, r#"{"do":"stop"}"#);
    assert_eq!(stopped.status, 200, "{stopped:?}");
    assert_eq!(served.step(), json!(1));
    assert!(
        !served.daemon.log().contains("panicked"),
        "{}",
        served.daemon.log()
    );
}

/// `STOPPING=1` of a rehearsal would end the service, its `STATUS=` would tell of a batch that is none (sd_notify(3)).
#[test]
fn the_service_manager_hears_nothing_of_a_rehearsal() {
    let person = Person::new();
    let port = free_port();
    person.configures(&format!(
        "[page]\non = true\nport = {port}\n[cues]\ndesktop = false\nsound = false\n"
    ));
    let path = person.path("manager");
    let manager = UnixDatagram::bind(&path).unwrap();
    manager
        .set_read_timeout(Some(Duration::from_millis(700)))
        .unwrap();
    let hears = || {
        let mut heard = String::new();
        let mut bytes = [0; 4096];
        while let Ok(length) = manager.recv(&mut bytes) {
            heard.push_str(&String::from_utf8_lossy(&bytes[..length]));
        }
        heard
    };
    let mut command = person.command(&["daemon"]);
    command.env("NOTIFY_SOCKET", &path);
    let daemon = Daemon::spawn(command, &person);
    let address = person.run(&["page"]).ended(0).out;
    let key = address.trim().rsplit_once('#').unwrap().1.to_owned();
    let pan = ();
    let served = Served {
        person,
        daemon,
        pan,
        port,
        key,
    };
    assert!(hears().contains("READY=1"));
    let session = served.enter();
    assert_eq!(served.post("/try-begin", &session, "{}").status, 200);
    let says = |words: &str| served.get("/try/status", &session).body.contains(words);
    served.daemon.until(|| says("step"));
    assert_eq!(hears(), "");
    assert_eq!(served.post("/try/end", &session, "{}").status, 200);
    let folder = served.person.path("run/bismar/rehearsal");
    served.daemon.until(|| !folder.exists());
    assert_eq!(hears(), "");
    assert_eq!(served.daemon.terminate(), Some(0));
    assert!(hears().contains("STOPPING=1"));
}

/// Killed with its daemon, or timed out, a rehearsal gives way to the bench, and that is said; not where it was ended.
#[test]
fn who_comes_from_a_rehearsal_that_is_gone_is_told_whose_bench_it_is() {
    let seat = Seat::take();
    let (person, daemon) = first_day();
    let address = person.run(&["page"]).ended(0).out;
    let mut screen = Screen::at(seat, address.trim());
    screen.until("idle", |seen| has(seen, "say", "No scale is set up yet"));
    screen.press("Try it");
    screen.until("the rehearsal", at_try);
    screen.press("End the rehearsal");
    let bench = |seen: &Value| seen["path"] == "/" && has(seen, "say", "No scale is set up yet");
    let seen = screen.until("the bench", bench);
    assert!(!has(&seen, "answer", "rehearsal"), "{seen:#}");
    screen.press("Try it");
    screen.until("the rehearsal", |seen| {
        at_try(seen) && has(seen, "word", "to add")
    });
    daemon.kill();
    let daemon = Daemon::start(&person);
    screen.until("the bench", |seen| {
        bench(seen)
            && has(
                seen,
                "answer",
                "The rehearsal has ended. This is your bench again.",
            )
    });
    screen.tell(&json!(["reload"]));
    let seen = screen.until("the bench still", bench);
    assert!(!has(&seen, "answer", "rehearsal"), "{seen:#}");
    assert_eq!(daemon.terminate(), Some(0));
}
