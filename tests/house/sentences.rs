//! What the engine says is read in a terminal, on a page and aloud: no sentence of it names a command.
//! Who shows it says how to answer.

use std::path::{Path, PathBuf};

use super::purity::sources;
use crate::bench_side::person::Person;

/// The commands, as the program lists them.
fn commands() -> Vec<String> {
    let help = Person::new().run(&["help"]).ended(0).out;
    let listed = help.lines().skip_while(|line| *line != "Prepare a batch:");
    let named = listed.take_while(|line| *line != "Options:");
    let names = named.filter_map(|line| line.strip_prefix("  ")?.split(' ').next());
    names
        .filter(|name| !name.is_empty())
        .map(str::to_owned)
        .collect()
}

/// The lines of a source, up to its tests, that name a command outside a comment.
fn breaches(source: &str, commands: &[String]) -> Vec<String> {
    let names = |line: &str| {
        let code = line.split("//").next().unwrap_or_default();
        let mut after = code.split("bismar ").skip(1);
        after.any(|rest| {
            let word = rest.split(|c: char| !c.is_ascii_lowercase() && c != '-');
            word.take(1).any(|word| commands.iter().any(|c| c == word))
        })
    };
    let lines = source.lines().take_while(|line| *line != "#[cfg(test)]");
    lines
        .filter(|line| names(line))
        .map(str::to_owned)
        .collect()
}

#[test]
fn no_sentence_of_the_engine_names_a_command() {
    let commands = commands();
    for known in ["lot", "remedy", "begin", "stop"] {
        assert!(commands.iter().any(|c| c == known), "{known}: {commands:?}");
    }
    let mut files: Vec<PathBuf> = Vec::new();
    let engine = Path::new(env!("CARGO_MANIFEST_DIR")).join("src/weighing");
    sources(&engine, &mut files);
    let mut said = Vec::new();
    for file in files {
        let text = std::fs::read_to_string(&file).unwrap();
        said.extend(breaches(&text, &commands));
    }
    assert!(said.is_empty(), "{said:#?}");
}

#[test]
fn a_sentence_that_names_a_command_is_found() {
    let commands = ["lot".to_owned()];
    let source = "\"Name it: `bismar lot LOT`.\"\n\"since bismar was started\"\n// bismar lot\n";
    assert_eq!(
        breaches(source, &commands),
        ["\"Name it: `bismar lot LOT`.\""]
    );
}

/// The words of the table in DEVELOPERS.md: the page and the terminal say each of them, and neither says another one
/// for the same thing.
#[test]
fn the_page_and_the_terminal_have_one_word_for_one_thing() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let developers = std::fs::read_to_string(root.join("DEVELOPERS.md")).unwrap();
    let section = developers
        .split("\n## One word for one thing\n")
        .nth(1)
        .expect("the section");
    let rows = section
        .split("\n## ")
        .next()
        .unwrap()
        .lines()
        .filter(|line| line.starts_with("| "));
    let said = |folders: &[&str], ends: &[&str]| {
        let mut text = String::new();
        let mut open: Vec<PathBuf> = folders.iter().map(|folder| root.join(folder)).collect();
        while let Some(path) = open.pop() {
            if path.is_dir() {
                open.extend(
                    std::fs::read_dir(&path)
                        .unwrap()
                        .map(|entry| entry.unwrap().path()),
                );
            } else if ends
                .iter()
                .any(|end| path.extension().is_some_and(|other| other == *end))
            {
                text += &std::fs::read_to_string(&path).unwrap().to_lowercase();
            }
        }
        text
    };
    let page = said(&["src/display/page"], &["js", "html"]);
    let terminal = said(
        &[
            "src/cli",
            "src/workshop",
            "src/formula",
            "src/vocabulary",
            "README.md",
        ],
        &["rs", "md"],
    );
    let mut count = 0;
    for row in rows.skip(2) {
        let cells: Vec<&str> = row.split('|').map(str::trim).collect();
        let (words, never) = (cells[1], cells[4]);
        for word in words.split(", ") {
            assert!(
                page.contains(&word.to_lowercase()),
                "the page does not say: {word}"
            );
            assert!(
                terminal.contains(&word.to_lowercase()),
                "the terminal does not say: {word}"
            );
            count += 1;
        }
        // What is left of it stands here alone.
        for other in never.split(", ").map(str::to_lowercase) {
            assert!(
                !page.contains(&other) && !terminal.contains(&other),
                "said for {words}: {other}"
            );
        }
    }
    assert_eq!(count, 9, "{section}");
}
