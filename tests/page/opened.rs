//! One click from nothing to the page: `bismar page --open` with the real daemon and a real Chromium. In place of the
//! desktop's xdg-open stands a script that writes down what it was given, and, where a service is to start, one in
//! place of systemctl, since there is no user manager here (`.ci/package-test` has the unit).

use std::fs;
use std::process::Stdio;

use rustix::process::{Pid, Signal, kill_process};

use crate::bench_side::desk::{self, desk, given, script};
use crate::bench_side::formulas::SOAK;
use crate::bench_side::person::{Person, Said};
use crate::bench_side::rig::Rig;
use crate::bench_side::script::{Script, Seat};
use crate::bench_side::{Daemon, free_port};

fn clicks(person: &Person) -> Said {
    desk::clicks(person, &["page", "--open"])
}

/// What stands in for the service of a user manager: `verb` starts the daemon, and waits until it is ready.
fn serviced(person: &Person) {
    let body = format!(
        "echo \"$2\" >> {0}/verbs\n\
         case \"$2\" in enable) exit;; is-active) test -e {0}/pid; exit;; restart) kill $(cat {0}/pid);; esac\n\
         for i in $(seq 600); do test -S {0}/run/bismar/control.sock || break; sleep 0.1; done\n\
         setsid {1} daemon </dev/null >/dev/null 2>{0}/log &\n\
         echo $! > {0}/pid\n\
         for i in $(seq 600); do test -S {0}/run/bismar/control.sock && exit 0; sleep 0.1; done\n\
         exit 1",
        person.path("").display(),
        env!("CARGO_BIN_EXE_bismar"),
    );
    script(&person.path("bin"), "systemctl", &body);
}

fn verbs(person: &Person) -> String {
    fs::read_to_string(person.path("verbs")).unwrap_or_default()
}

/// Ends the daemon that the stand-in started.
struct Ends<'a>(&'a Person);

impl Drop for Ends<'_> {
    fn drop(&mut self) {
        let pid = fs::read_to_string(self.0.path("pid")).unwrap_or_default();
        if let Some(pid) = pid.trim().parse().ok().and_then(Pid::from_raw) {
            let _ = kill_process(pid, Signal::KILL);
        }
    }
}

/// The page is turned on where it was off, the service started, and the browser is in without a key; what it was
/// given lets nobody else in, and the page says that there is no scale yet and what to do.
#[test]
fn one_click_turns_the_page_on_starts_the_service_and_lets_the_browser_in() {
    let seat = Seat::take();
    let person = desk();
    serviced(&person);
    let _ends = Ends(&person);
    let port = free_port();
    let mine = format!("# mine\n[page]\non = false # until I want it\nport = {port}\n");
    person.configures(&mine);
    let said = clicks(&person).ended(0);
    let turned = fs::read_to_string(person.config_file()).unwrap();
    assert_eq!(turned, mine.replace("false", "true"));
    assert!(said.err.contains("The page is on now"), "{said:?}");
    assert!(
        said.err.contains("starts with your session from now on"),
        "{said:?}"
    );
    assert_eq!(verbs(&person), "start\nenable\n");
    let file = given(&person);
    let html = fs::read_to_string(&file).unwrap();
    let key = person.run(&["page"]).ended(0).out;
    let (_, key) = key.trim().split_once('#').unwrap();
    assert!(!html.contains(key) && !said.out.contains(key), "{html}");

    let words = [file.to_str().unwrap()];
    let script = Script::start(seat, "opened.py", &words);
    let place = format!("http://127.0.0.1:{port}/");
    let first = script.answer();
    assert_eq!(first["view"], "idle", "{first}");
    assert_eq!(first["address"], place, "the bar is clear");
    let say = first["say"].as_str().unwrap();
    assert!(
        say.contains("No scale is set up yet") && say.contains("“Scales” finds it"),
        "{say}"
    );
    let late = script.answer();
    assert_eq!(late["view"], "door", "the pass is used up: {late}");

    // The next click finds the daemon, and starts and writes nothing.
    let said = clicks(&person).ended(0);
    assert_eq!(said.err, "");
    assert_eq!(fs::read_to_string(person.config_file()).unwrap(), turned);
    assert_eq!(verbs(&person), "start\nenable\n");
    given(&person);
}

/// A daemon whose page is off is started anew, but not under a batch, nor one that somebody runs in a window.
#[test]
fn a_daemon_without_its_page_is_started_anew_and_never_under_a_batch() {
    let port = free_port();
    let off = format!("[page]\nport = {port}\n");
    let rig = Rig::begun(SOAK, |_, text| format!("{text}{off}"), |_| {});
    let person = &rig.person;
    fs::create_dir(person.path("bin")).unwrap();
    let said = clicks(person).ended(1);
    assert!(said.err.contains("is being weighed"), "{said:?}");
    assert!(said.err.contains("finish the batch first"), "{said:?}");
    // After a click nobody reads stderr: a page of words is put where a browser would have been sent.
    let words = fs::read_to_string(person.path("run/bismar/bench.html")).unwrap();
    assert!(words.contains("is being weighed"), "{words}");
    assert!(!words.contains("refresh"), "{words}");
    person.run(&["stop"]).ended(0);
    rig.daemon.until(|| !clicks(person).err.contains("weighed"));
    let said = clicks(person).ended(1);
    assert!(said.err.contains("is not the service's"), "{said:?}");
    assert!(said.err.contains("Ctrl-C in its window"), "{said:?}");

    let person = desk();
    serviced(&person);
    let _ends = Ends(&person);
    let idle = "[page]\non = true\n[cues]\ndesktop = false\nsound = false\n";
    person.configures(&idle.replace("on = true", &format!("on = true\nport = {port}")));
    drop(rig);
    clicks(&person).ended(0);
    given(&person);
    // The same, as if it had been started before the page was turned on: its door is not there.
    let text = fs::read_to_string(person.config_file()).unwrap();
    let scale = "[[scale]]\nname = \"bench\"\nport = \"/dev/nowhere\"\nlayout = \"comma-header\"\n";
    person.configures(&format!(
        "{scale}{}",
        text.replace("on = true", "on = false")
    ));
    std::process::Command::new(person.path("bin/systemctl"))
        .args(["--user", "restart", "bismar"])
        .env("HOME", person.path("home"))
        .env("XDG_RUNTIME_DIR", person.path("run"))
        .stdout(Stdio::null())
        .status()
        .unwrap();
    person.run(&["page"]).ended(1);
    clicks(&person).ended(0);
    given(&person);
    assert_eq!(
        verbs(&person),
        "start\nrestart\nis-active\nrestart\nenable\n"
    );
    person.run(&["page"]).ended(0);
}

#[test]
fn without_a_user_manager_nothing_is_started_and_the_command_is_said() {
    let person = desk();
    // The system's own systemctl, and no bus for it.
    let said = clicks(&person).ended(1);
    assert!(said.err.contains("the service did not start"), "{said:?}");
    assert!(said.err.contains("`bismar daemon` in a window"), "{said:?}");
    assert!(!person.socket().exists());
    let words = fs::read_to_string(given(&person)).unwrap();
    assert!(words.contains("`bismar daemon` in a window"), "{words}");
    // Done as it says, the click opens.
    let text = fs::read_to_string(person.config_file()).unwrap();
    assert!(text.contains("\non = true\n"), "{text}");
    person.configures(&text.replace("8417", &free_port().to_string()));
    let _daemon = Daemon::start(&person);
    clicks(&person).ended(0);
    given(&person);
}

/// Where nothing opens a browser the address is printed, with a pass and not with the key.
#[test]
fn without_a_browser_the_address_is_printed_with_a_pass() {
    let person = desk();
    let port = free_port();
    person.configures(&format!("[page]\non = true\nport = {port}\n"));
    let _daemon = Daemon::start(&person);
    script(&person.path("bin"), "xdg-open", "exit 3");
    let said = clicks(&person).ended(0);
    assert!(said.err.contains("No browser could be opened"), "{said:?}");
    assert!(said.err.contains("once, within 5 minutes"), "{said:?}");
    let once = said
        .out
        .strip_prefix(&format!("http://127.0.0.1:{port}/#once-"));
    assert_eq!(once.map(|word| word.trim().len()), Some(32), "{said:?}");
}

#[test]
fn a_file_that_does_not_read_is_named_and_stays() {
    let person = desk();
    person.configures("[page\n");
    let said = clicks(&person).ended(4);
    assert!(said.err.contains("config.toml:1:"), "{said:?}");
    assert_eq!(fs::read_to_string(person.config_file()).unwrap(), "[page\n");
    assert!(!person.path("verbs").exists());
}
