//! Another user at the socket: kept out by the modes of the folder and of the socket, and where these
//! were opened, by the credentials of the connection (unix(7), `SO_PEERCRED`).

use std::fs::{self, Permissions};
use std::os::unix::fs::{MetadataExt as _, PermissionsExt as _};
use std::path::Path;
use std::process::{Command, Stdio};

use super::ended;
use crate::bench_side::person::{Person, Said};
use crate::bench_side::rig::Rig;
use crate::bench_side::{self, Daemon, faults};

/// `nobody` of Debian (base-passwd), and a user that nobody has.
const NOBODY: u32 = 65534;
const STRANGER: u32 = 54321;

/// Connects, sends its third word as a line, says what comes back. Not our client, which would not
/// speak to another user's daemon.
const RAW: &str = "
import socket, sys
s = socket.socket(socket.AF_UNIX)
s.settimeout(30)
try:
    s.connect(sys.argv[1])
except PermissionError:
    sys.exit('no permission')
try:
    s.sendall(sys.argv[2].encode() + b'\\n')
except BrokenPipeError:
    pass
got = b''
try:
    while not got.endswith(b'\\n'):
        more = s.recv(65536)
        if not more:
            break
        got += more
except ConnectionResetError:
    pass
sys.stdout.write(got.decode())
";

/// A command of user `uid`, who has no other rights.
fn as_user(uid: u32, person: &Person, program: &Path, args: &[&str]) -> Command {
    let mut command = Command::new("/usr/bin/setpriv");
    command
        .args([format!("--reuid={uid}"), format!("--regid={uid}")])
        .args(["--clear-groups", "--inh-caps=-all"])
        .arg(program)
        .args(args)
        .env_clear()
        .env("HOME", person.path("nowhere"))
        .env("XDG_RUNTIME_DIR", person.path("run"))
        .current_dir("/")
        .stdin(Stdio::null());
    command
}

/// What user `uid` gets for a line.
fn raw(uid: u32, person: &Person, socket: &Path, line: &str) -> Said {
    let socket = socket.to_str().unwrap();
    let python = Path::new("/usr/bin/python3");
    let args = ["-I", "-c", RAW, socket, line];
    Said::of(as_user(uid, person, python, &args).output().unwrap())
}

fn mode(path: &Path, mode: u32) {
    fs::set_permissions(path, Permissions::from_mode(mode)).unwrap();
}

const WORDS: [&str; 6] = [
    r#"{"do":"stop"}"#,
    r#"{"do":"keep"}"#,
    r#"{"do":"again"}"#,
    r#"{"do":"status"}"#,
    r#"{"do":"subscribe","readings":true}"#,
    "no request at all",
];

#[test]
fn another_user_is_refused_by_the_modes_and_then_by_the_credentials() {
    let row = |cases: usize, holds: &str, measured: &str| {
        let how =
            "as `nobody` (setpriv): the folder closed; the folder opened; the socket opened too";
        faults::report(
            "another user at the control socket",
            how,
            cases,
            holds,
            measured,
        );
    };
    if !rustix::process::geteuid().is_root() {
        println!("SKIPPED: only root can become another user. Run this test as root.");
        return row(0, "not run: only root can become another user", "-");
    }
    let mut rig = Rig::in_a_pour();
    let socket = rig.person.socket();
    let folder = socket.parent().unwrap().to_owned();
    let program = rig.person.path("bismar");
    fs::copy(env!("CARGO_BIN_EXE_bismar"), &program).unwrap();
    for open in [&rig.person.path(""), &rig.person.path("run"), &program] {
        mode(open, 0o755);
    }
    // One mode after the other is taken away, until only the credentials are left.
    for closed_by in ["the folder", "the socket"] {
        if closed_by == "the socket" {
            mode(&folder, 0o755);
        }
        for word in WORDS {
            let said = raw(NOBODY, &rig.person, &socket, word).ended(1);
            assert_eq!(said.err, "no permission\n", "{closed_by}");
        }
        let said = as_user(NOBODY, &rig.person, &program, &["stop"])
            .output()
            .unwrap();
        let said = Said::of(said).ended(1);
        assert!(said.err.contains("Permission denied"), "{said:?}");
    }
    mode(&socket, 0o666);
    let refusal = "{\"ok\":false,\"error\":\"this bismar belongs to another user\"}\n";
    for word in WORDS {
        assert_eq!(
            raw(NOBODY, &rig.person, &socket, word).ended(0).out,
            refusal
        );
    }
    let said = as_user(NOBODY, &rig.person, &program, &["stop"])
        .output()
        .unwrap();
    let said = Said::of(said).ended(1);
    assert!(said.err.contains("belongs to another user"), "{said:?}");
    assert!(
        rig.daemon
            .log()
            .contains("a client of another user was turned away")
    );
    // Whose it is goes on speaking to it, and nothing that was asked has happened.
    assert_eq!(
        raw(0, &rig.person, &socket, WORDS[5])
            .ended(0)
            .out
            .find("no request"),
        Some(29)
    );
    let status = rig.person.run(&["status"]).ended(0).out;
    assert!(status.contains("step 2 of 3"), "{status}");
    let worst = rig.finish();
    ended(rig);
    of_an_ordinary_user();
    row(
        4 * WORDS.len() + 3,
        "refused each time, by the daemon itself where the modes let it in; nothing is done or told; root and \
         its own user are answered; the batch ends complete, no weight off by more than its U",
        &format!("largest error {worst:.2} U"),
    );
}

/// The daemon of an ordinary user: its own user and root are answered, a third one is not.
fn of_an_ordinary_user() {
    let person = Person::new();
    let program = person.path("bismar");
    fs::copy(env!("CARGO_BIN_EXE_bismar"), &program).unwrap();
    for open in [&person.path(""), &program] {
        mode(open, 0o755);
    }
    let text = bench_side::config(&person.path("scale"), "0.01 g");
    person.file("nowhere/.config/bismar/config.toml", &text);
    for own in [
        "run",
        "nowhere",
        "nowhere/.config",
        "nowhere/.config/bismar",
    ] {
        std::os::unix::fs::chown(person.path(own), Some(NOBODY), Some(NOBODY)).unwrap();
    }
    let daemon = Daemon::spawn(as_user(NOBODY, &person, &program, &["daemon"]), &person);
    let socket = person.socket();
    assert_eq!(fs::metadata(&socket).unwrap().uid(), NOBODY);
    mode(socket.parent().unwrap(), 0o755);
    mode(&socket, 0o666);
    let hello = r#"{"do":"hello"}"#;
    for (uid, answered) in [(NOBODY, true), (0, true), (STRANGER, false)] {
        let said = raw(uid, &person, &socket, hello).ended(0).out;
        assert_eq!(said.contains("\"ok\":true"), answered, "{uid}: {said}");
        assert_eq!(
            said.contains("belongs to another user"),
            !answered,
            "{uid}: {said}"
        );
    }
    assert_eq!(daemon.terminate(), Some(0));
}
