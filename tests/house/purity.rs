//! The pure rooms stay pure: no clock, no file, no socket, no thread, no float for a weight's sake.

use std::path::{Path, PathBuf};

const ROOMS: [&str; 10] = [
    "src/mass.rs",
    "src/weighing",
    "src/formula",
    "src/guide",
    "src/metrology",
    "src/bench.rs",
    "src/chart",
    "src/sheet",
    "src/lots",
    "src/label",
];

/// What a pure room must not name, and why.
const FORBIDDEN: [(&str, &str); 12] = [
    ("tokio", "the runtime belongs to daemon/"),
    ("std::fs", "files belong to batch/, document.rs and cli/"),
    ("std::net", "sockets belong to daemon/"),
    ("std::process", "programs belong to cue/"),
    ("std::thread", "threads belong to batch/writer.rs"),
    ("std::env", "the surroundings belong to config/ and cli/"),
    ("Instant::now", "time is an argument"),
    ("SystemTime", "time is an argument"),
    ("Timestamp::now", "time is an argument"),
    ("zbus", "the desktop belongs to cue/"),
    ("serialport", "ports belong to scale/"),
    ("println!", "the terminal belongs to cli/"),
];

fn sources(path: &Path, found: &mut Vec<PathBuf>) {
    if path.is_file() {
        found.push(path.to_owned());
        return;
    }
    let entries = std::fs::read_dir(path).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
    for entry in entries {
        let path = entry.unwrap().path();
        if path.is_dir() || path.extension().is_some_and(|end| end == "rs") {
            sources(&path, found);
        }
    }
}

/// The lines of a source that break the rule, its comments left out.
fn breaches(text: &str) -> Vec<(usize, &'static str, &'static str)> {
    let mut found = Vec::new();
    for (number, line) in text.lines().enumerate() {
        let code = line.split("//").next().unwrap_or_default();
        for (name, why) in FORBIDDEN {
            if code.contains(name) {
                found.push((number + 1, name, why));
            }
        }
    }
    found
}

#[test]
fn the_pure_rooms_name_nothing_that_touches_the_world() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let mut files = Vec::new();
    for room in ROOMS {
        sources(&root.join(room), &mut files);
    }
    assert!(files.len() > 15, "only {} sources found", files.len());
    let mut said = String::new();
    for file in files {
        for (line, name, why) in breaches(&std::fs::read_to_string(&file).unwrap()) {
            said.push_str(&format!("{}:{line}: names {name}; {why}\n", file.display()));
        }
    }
    assert!(said.is_empty(), "{said}");
}

#[test]
fn the_check_itself_sees_a_breach() {
    let text = "// tokio in a comment\nuse std::fs::File;\nlet t = Instant::now();\n";
    let lines: Vec<usize> = breaches(text)
        .into_iter()
        .map(|(line, _, _)| line)
        .collect();
    assert_eq!(lines, [2, 3]);
}
