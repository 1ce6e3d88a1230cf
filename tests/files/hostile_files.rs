//! Files that are none: 100 MB, a line without an end, devices, pipes, folders. Each is refused in words,
//! in 512 MB of address space, and nobody waits.

use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::{Duration, Instant};

use crate::bench_side::faults;
use crate::bench_side::person::{Person, Said, repository};

/// Longer than any of it may take on the slowest machine: what hangs, hangs for ever.
const GUARD: Duration = Duration::from_secs(60);

fn strange(person: &Person) -> Vec<(&'static str, PathBuf)> {
    let many = person.path("many-lines.csv");
    let mut file = std::io::BufWriter::new(std::fs::File::create(&many).unwrap());
    for _ in 0..6_250_000 {
        file.write_all(b"name = \"salt\"  \n").unwrap();
    }
    let endless = person.path("endless-line.csv");
    let mut file = std::fs::File::create(&endless).unwrap();
    for _ in 0..100 {
        file.write_all(&vec![b'x'; 1 << 20]).unwrap();
    }
    let hole = person.path("hole.csv");
    std::fs::File::create(&hole)
        .unwrap()
        .set_len(100 << 20)
        .unwrap();
    let pipe = person.path("pipe.csv");
    assert!(
        Command::new("mkfifo")
            .arg(&pipe)
            .status()
            .unwrap()
            .success()
    );
    let folder = person.path("folder.csv");
    std::fs::create_dir(&folder).unwrap();
    vec![
        ("100 MB of lines", many),
        ("a line of 100 MB", endless),
        ("100 MB of NUL", hole),
        ("a FIFO", pipe),
        ("a folder", folder),
        ("/dev/zero", "/dev/zero".into()),
        ("/dev/full", "/dev/full".into()),
    ]
}

/// The command with at most 512 MB of address space (the shell's own limit; the program's stack, its
/// libraries and its threads are in it).
fn bounded(person: &Person, words: &[&str]) -> Said {
    let program = person.command(words);
    let mut shell = Command::new("/bin/sh");
    shell
        .args(["-c", "ulimit -v 524288; exec \"$@\"", "sh"])
        .arg(program.get_program())
        .args(program.get_args())
        .env_clear()
        .envs(program.get_envs().filter_map(|(k, v)| Some((k, v?))))
        .current_dir(person.path(""))
        .stdin(std::process::Stdio::null())
        .stdout(std::process::Stdio::piped())
        .stderr(std::process::Stdio::piped());
    let mut child = shell.spawn().unwrap();
    let end = Instant::now() + GUARD;
    while child.try_wait().unwrap().is_none() {
        if Instant::now() > end {
            child.kill().unwrap();
            panic!("{words:?} hangs");
        }
        std::thread::sleep(Duration::from_millis(5));
    }
    Said::of(child.wait_with_output().unwrap())
}

#[track_caller]
fn refused(said: Said, what: &str, path: &Path) -> Said {
    assert!(matches!(said.code, Some(1 | 4)), "{what}: {said:?}");
    assert!(!said.err.contains("panicked"), "{what}: {said:?}");
    let name = path.to_str().unwrap();
    assert!(said.err.contains(name), "{what} is not named: {said:?}");
    said
}

#[test]
fn what_is_no_file_of_ours_is_refused_by_every_reader() {
    let person = Person::new();
    let good = repository("config/formulas/marram-balm.toml");
    let mut cases = 0;
    for (what, path) in strange(&person) {
        let name = path.to_str().unwrap();
        let words: [&[&str]; 8] = [
            &["check", name, "--batch", "400g"],
            &["plan", name, "--batch", "400g"],
            &["check", &good, "--batch", "400g", "--config", name],
            &["lots", "--lots", name],
            &[
                "replay",
                name,
                "--formula",
                &good,
                "--batch",
                "400g",
                "--log",
                "out.csv",
            ],
            &["log", "verify", name],
            &["sheet", name, "--out", "-"],
            &["remedy", name],
        ];
        for words in words {
            refused(
                bounded(&person, words),
                &format!("{what}: {words:?}"),
                &path,
            );
            cases += 1;
        }
    }
    faults::report(
        "no file of ours in its place",
        "100 MB, endless line, hole, FIFO, folder, devices to 8 readers in 512 MB of address space",
        cases,
        "refused in words, nobody waits",
        "-",
    );
}

/// A pattern that would grow beyond measure when it is compiled, or is no pattern for its length alone, is
/// refused with its place before it takes memory.
#[test]
fn a_pattern_that_blows_up_is_refused_with_its_place() {
    let person = Person::new();
    let nested = format!("{}(?<number>a){}", "(".repeat(200), ")".repeat(200));
    for (pattern, why) in [
        ("(?<number>(?:(?:[0-9]{100}){100}){100})", "size limit"),
        ("(?<number>((((a{90}){90}){90}){90}){90})", "size limit"),
        (nested.as_str(), "nested"),
        (
            &format!("(?<number>{}a)", "(a)".repeat(250_000)),
            "8000 is the most",
        ),
        (
            &format!("(?<number>{}a)", "[a-z0-9]|".repeat(90_000)),
            "8000 is the most",
        ),
    ] {
        let text = format!(
            "[[scale]]\nname = \"b\"\nport = \"/dev/ttyUSB0\"\nlayout = \"pattern\"\nunit = \"g\"\npattern = '{pattern}'\n"
        );
        person.file("c.toml", &text);
        let said = bounded(&person, &["sheet", "none", "--config", "c.toml"]).ended(4);
        assert!(said.err.contains("c.toml:6:11: "), "{why}: {said:?}");
        assert!(said.err.contains(why), "{why}: {said:?}");
    }
}
