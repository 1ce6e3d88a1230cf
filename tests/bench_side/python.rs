//! Python as a second opinion; `.ci/test` makes one with the libraries that the tests ask.

use std::ffi::OsStr;
use std::io::Write as _;
use std::path::Path;
use std::process::{Command, Stdio};

/// For a program that is told nothing but its input.
pub const NO_WORDS: [&str; 0] = [];

/// The Python that `.ci/test` made, or else the first on the path.
pub fn python() -> Command {
    let own = Path::new(env!("CARGO_MANIFEST_DIR")).join("target/test-python/bin/python3");
    let mut command = Command::new(if own.exists() { own } else { "python3".into() });
    command.env("PYTHONUTF8", "1");
    command
}

/// What `program` prints when it is run with `words` and reads `input`.
///
/// # Panics
/// When it does not end well: a library that it imports is not there, or it found something wrong.
#[track_caller]
pub fn asked<W: AsRef<OsStr>>(
    program: &str,
    words: impl IntoIterator<Item = W>,
    input: &[u8],
) -> String {
    let mut child = python()
        .args(["-c", program])
        .args(words)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("python3 is needed (bash .ci/test installs it)");
    let mut stdin = child.stdin.take().expect("a pipe");
    let out = std::thread::scope(|scope| {
        // It may say something before it has read all, or end early: its words tell why.
        scope.spawn(move || stdin.write_all(input));
        child.wait_with_output().expect("it ends")
    });
    let (told, said) = (out.stdout, String::from_utf8_lossy(&out.stderr));
    assert!(
        out.status.success(),
        "python (bash .ci/test installs the libraries): {said}"
    );
    String::from_utf8(told).expect("it prints UTF-8")
}
