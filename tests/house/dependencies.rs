//! What the program is built of: every licence is on a short list, everything comes from crates.io with
//! its checksum, no crate is there twice without a reason, and no unsafe code is ours. This is no check
//! for known faults: the advisories are a list of their own, which a machine without a network has not.

use std::collections::{BTreeMap, BTreeSet};
use std::process::Command;

use serde_json::Value;

/// SPDX names. All let a program under MIT or Apache-2.0 be passed on in binary form.
const LICENCES: [&str; 10] = [
    "MIT",
    "Apache-2.0",
    "BSD-2-Clause",
    "BSD-3-Clause",
    "BSL-1.0",
    "ISC",
    "Unicode-3.0",
    "Unlicense",
    "Zlib",
    "CC0-1.0",
];

/// Crates under another licence, with the reason why that is no trouble.
const OTHERWISE: [(&str, &str, &str); 1] = [(
    "serialport",
    "MPL-2.0",
    "covers the crate's own files only; they are used as published",
)];

/// Crates of which two versions are built in, with the reason.
const TWICE: [(&str, &str); 5] = [
    ("bitflags", "serialport 4.10 is still on 1"),
    (
        "rustls-webpki",
        "rumqttc 0.25 is still on 0.102, for the name of an error; rustls checks certificates by 0.103",
    ),
    ("getrandom", "ring 0.17 is still on 0.2, the rest on 0.4"),
    ("nix", "serialport 4.10 is still on 0.26, the rest on 0.31"),
    (
        "syn",
        "macros at build time only; nothing of it is in the program",
    ),
];

fn metadata() -> Value {
    let out = Command::new(env!("CARGO"))
        .args(["metadata", "--locked", "--offline", "--format-version=1"])
        .args([
            "--features",
            "workshop",
            "--filter-platform",
            "x86_64-unknown-linux-gnu",
        ])
        .current_dir(env!("CARGO_MANIFEST_DIR"))
        .output()
        .expect("cargo runs");
    assert!(
        out.status.success(),
        "{}",
        String::from_utf8_lossy(&out.stderr)
    );
    serde_json::from_slice(&out.stdout).unwrap()
}

fn texts<'v>(value: &'v Value, key: &str) -> &'v str {
    value[key].as_str().unwrap_or_default()
}

/// The packages that are built on Linux, those for tests too.
fn packages(metadata: &Value) -> Vec<&Value> {
    let nodes = metadata["resolve"]["nodes"].as_array().unwrap();
    let used: BTreeSet<&str> = nodes.iter().map(|node| texts(node, "id")).collect();
    let all = metadata["packages"].as_array().unwrap();
    let used = all.iter().filter(|one| used.contains(texts(one, "id")));
    used.filter(|one| one["source"].is_string()).collect()
}

/// Whether an SPDX expression can be met by `good` names: `OR` offers a choice, `AND` asks for both,
/// and `WITH` an exception only ever allows more. The old `/` means `OR`.
fn met(expression: &str, good: &dyn Fn(&str) -> bool) -> bool {
    let spaced = expression.replace('/', " OR ");
    let spaced = spaced.replace('(', " ( ").replace(')', " ) ");
    let words: Vec<&str> = spaced.split_whitespace().collect();
    let (met, rest) = any(&words, good);
    met && rest.is_empty()
}

fn any<'w>(words: &'w [&'w str], good: &dyn Fn(&str) -> bool) -> (bool, &'w [&'w str]) {
    let (mut met, mut rest) = all(words, good);
    while let ["OR", more @ ..] = rest {
        let (next, after) = all(more, good);
        met |= next;
        rest = after;
    }
    (met, rest)
}

fn all<'w>(words: &'w [&'w str], good: &dyn Fn(&str) -> bool) -> (bool, &'w [&'w str]) {
    let (mut met, mut rest) = one(words, good);
    while let ["AND", more @ ..] = rest {
        let (next, after) = one(more, good);
        met &= next;
        rest = after;
    }
    (met, rest)
}

fn one<'w>(words: &'w [&'w str], good: &dyn Fn(&str) -> bool) -> (bool, &'w [&'w str]) {
    match words {
        ["(", more @ ..] => match any(more, good) {
            (met, [")", rest @ ..]) => (met, rest),
            (_, rest) => (false, rest),
        },
        [name, "WITH", _, rest @ ..] | [name, rest @ ..] => (good(name), rest),
        [] => (false, words),
    }
}

#[test]
fn the_reader_of_licences_tells_good_from_bad() {
    let good = |name: &str| LICENCES.contains(&name);
    for expression in [
        "MIT",
        "MIT/Apache-2.0",
        "GPL-3.0-only OR MIT",
        "(MIT OR Apache-2.0) AND Unicode-3.0",
        "Apache-2.0 WITH LLVM-exception",
    ] {
        assert!(met(expression, &good), "{expression}");
    }
    for expression in [
        "",
        "GPL-3.0-only",
        "MIT AND GPL-3.0-only",
        "(MIT OR Apache-2.0) AND GPL-3.0-only",
        "(MIT",
        "MIT MIT",
    ] {
        assert!(!met(expression, &good), "{expression}");
    }
}

#[test]
fn every_licence_is_on_the_list_and_every_crate_comes_from_crates_io() {
    let metadata = metadata();
    let packages = packages(&metadata);
    assert!(packages.len() > 50, "{}", packages.len());
    let mut bad = Vec::new();
    let mut needed = BTreeSet::new();
    for package in &packages {
        let (name, licence) = (texts(package, "name"), texts(package, "license"));
        let listed = |word: &str| LICENCES.contains(&word);
        let excused = |word: &str| OTHERWISE.iter().any(|one| one.0 == name && one.1 == word);
        if !met(licence, &listed) {
            needed.insert(name);
            if !met(licence, &|word| listed(word) || excused(word)) {
                bad.push(format!("{name}: {licence:?}"));
            }
        }
        if texts(package, "source") != "registry+https://github.com/rust-lang/crates.io-index" {
            bad.push(format!("{name} comes from {}", texts(package, "source")));
        }
    }
    assert!(bad.is_empty(), "{}", bad.join("\n"));
    for (name, licence, why) in OTHERWISE {
        assert!(
            needed.contains(name),
            "{name} ({licence}: {why}) needs no exception any more"
        );
    }
    println!(
        "FAULT | a licence or a source nobody looked at | cargo metadata, SPDX expressions | {} crates | \
         all listed, all from crates.io | {} with a reason",
        packages.len(),
        needed.len()
    );
}

#[test]
fn no_crate_of_the_program_is_there_twice_without_a_reason() {
    let metadata = metadata();
    // Of the program itself, not of its tests: what `cargo tree --edges normal,build` walks.
    let nodes = metadata["resolve"]["nodes"].as_array().unwrap();
    let node: BTreeMap<&str, &Value> = nodes.iter().map(|n| (texts(n, "id"), n)).collect();
    let mut open = vec![texts(&metadata["resolve"], "root")];
    let mut seen = BTreeSet::new();
    while let Some(id) = open.pop() {
        if !seen.insert(id) {
            continue;
        }
        for dependency in node[id]["deps"].as_array().unwrap() {
            let kinds = dependency["dep_kinds"].as_array().unwrap();
            if kinds.iter().any(|kind| kind["kind"] != "dev") {
                open.push(texts(dependency, "pkg"));
            }
        }
    }
    let mut versions: BTreeMap<&str, Vec<&str>> = BTreeMap::new();
    for package in packages(&metadata) {
        if seen.contains(texts(package, "id")) {
            let versions = versions.entry(texts(package, "name")).or_default();
            versions.push(texts(package, "version"));
        }
    }
    versions.retain(|_, all| all.len() > 1);
    let known: BTreeSet<&str> = TWICE.iter().map(|one| one.0).collect();
    let found: BTreeSet<&str> = versions.keys().copied().collect();
    assert_eq!(found, known, "{versions:?}; {TWICE:?}");
    println!(
        "FAULT | a crate built in twice | cargo metadata | {} crates | none without a reason | {} twice",
        seen.len() - 1,
        found.len()
    );
}

fn table(path: &str) -> toml::Table {
    let text = std::fs::read_to_string(path).unwrap();
    text.parse()
        .unwrap_or_else(|error| panic!("{path}: {error}"))
}

/// The fuzz targets have a lock of their own, which `--locked` refuses as soon as a crate of ours needs another
/// one: said here in a moment, not by CI after half an hour.
#[test]
fn the_lock_of_the_fuzz_targets_has_what_our_crates_need() {
    let lock = table("tests/fuzz/Cargo.lock");
    for (name, path) in [
        ("bismar", "Cargo.toml"),
        ("bismar-core", "src/core/Cargo.toml"),
        ("bismar-records", "src/records/Cargo.toml"),
    ] {
        let locked = lock["package"].as_array().unwrap().iter();
        let locked = locked
            .filter(|package| package["name"].as_str() == Some(name))
            .flat_map(|package| package["dependencies"].as_array().unwrap())
            .map(|one| one.as_str().unwrap().split(' ').next().unwrap());
        let manifest = table(path);
        // What is optional is not locked there: the fuzz targets are built without it.
        let always = |one: &(&String, &toml::Value)| one.1.get("optional").is_none();
        let needed = manifest["dependencies"].as_table().unwrap().iter();
        assert_eq!(
            locked.collect::<BTreeSet<_>>(),
            needed
                .filter(always)
                .map(|(name, _)| name.as_str())
                .collect(),
            "{path}: run `cargo update --workspace --offline` in tests/fuzz and commit its Cargo.lock"
        );
    }
}

#[test]
fn every_locked_crate_has_a_checksum_and_unsafe_code_is_forbidden() {
    let lock = table("Cargo.lock");
    for package in lock["package"].as_array().unwrap() {
        let own = matches!(
            package["name"].as_str(),
            Some("bismar" | "bismar-core" | "bismar-records")
        );
        assert_eq!(package.get("checksum").is_none(), own, "{package}");
    }
    assert_eq!(
        table("Cargo.toml")["workspace"]["lints"]["rust"]["unsafe_code"].as_str(),
        Some("forbid")
    );
    for path in [
        "Cargo.toml",
        "src/core/Cargo.toml",
        "src/records/Cargo.toml",
    ] {
        let lints = &table(path)["lints"];
        assert_eq!(lints["workspace"].as_bool(), Some(true), "{path}");
    }
}

/// The note on the crates that touch bytes from outside is of the versions that are built in: an update of one
/// of them is looked at.
#[test]
fn the_note_on_crates_that_read_from_outside_is_of_these_versions() {
    let lock = table("Cargo.lock");
    let note = std::fs::read_to_string("DEVELOPERS.md").unwrap();
    let rows = note
        .lines()
        .skip_while(|line| !line.starts_with("| crate | version |"))
        .skip(2)
        .take_while(|line| line.starts_with("| `"));
    let mut noted = 0;
    for row in rows {
        let cells: Vec<&str> = row.trim_matches('|').split('|').map(str::trim).collect();
        let [name, version, _, _] = cells[..] else {
            panic!("not four cells: {row}");
        };
        let name = name.trim_matches('`');
        let locked = lock["package"].as_array().unwrap().iter();
        let locked = locked.filter(|package| package["name"].as_str() == Some(name));
        let locked: Vec<_> = locked
            .filter_map(|package| package["version"].as_str())
            .collect();
        assert_eq!(
            locked,
            [version],
            "{name}: look at what changed, then at its row in DEVELOPERS.md"
        );
        noted += 1;
    }
    assert!(noted >= 10, "{noted} rows: the table was not found");
}
