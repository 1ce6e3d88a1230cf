//! What a pure room must not name: no clock, no file, no socket, no thread.

use std::path::{Path, PathBuf};

/// What a pure room must not name, and why.
const FORBIDDEN: [(&str, &str); 13] = [
    ("tokio", "the runtime belongs to daemon/"),
    ("std::fs", "files belong to files.rs, journal/ and cli/"),
    ("std::net", "sockets belong to daemon/"),
    ("std::process", "programs belong to cue/"),
    ("std::thread", "threads belong to journal/store/"),
    ("std::env", "the surroundings belong to config/ and cli/"),
    ("Instant::now", "time is an argument"),
    ("SystemTime", "time is an argument"),
    ("Timestamp::now", "time is an argument"),
    ("zbus", "the desktop belongs to cue/"),
    ("serialport", "ports belong to scale/"),
    ("println!", "the terminal belongs to cli/"),
    ("std::path", "paths belong to files, logs and cli/"),
];

pub fn sources(path: &Path, found: &mut Vec<PathBuf>) {
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
pub fn breaches(text: &str) -> Vec<(usize, &'static str, &'static str)> {
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

/// A reader who looks for a thing finds it by the noun that the module's text begins with.
#[test]
fn each_module_says_first_what_it_holds_by_a_noun() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let mut files = Vec::new();
    sources(&root, &mut files);
    let tests = |path: &Path| path.components().any(|part| part.as_os_str() == "tests");
    let mut wrong = Vec::new();
    for file in files.iter().filter(|file| !tests(file)) {
        let text = std::fs::read_to_string(file).unwrap();
        let said = text.strip_prefix("//! ").unwrap_or_default();
        let asks = ["What", "Whether", "How", "Which", "Where", "When", "Why"];
        let first = said.split_whitespace().next().unwrap_or_default();
        let program = file.ends_with("src/main.rs");
        if !program && (first.is_empty() || asks.contains(&first)) {
            wrong.push(format!("{}: {first:?}", file.display()));
        }
    }
    assert!(files.len() > 200 && wrong.is_empty(), "{wrong:#?}");
}
