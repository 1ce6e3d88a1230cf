//! What the engine says is read in a terminal, on a page and aloud: no sentence of it names a command.
//! Who shows it says how to answer.

use std::path::{Path, PathBuf};

use super::purity::sources;
use crate::bench_side::person::Person;

/// The commands, as the program lists them.
fn commands() -> Vec<String> {
    let help = Person::new().run(&["help"]).ended(0).out;
    let listed = help.lines().skip_while(|line| *line != "Commands:").skip(1);
    let named = listed.take_while(|line| !line.trim().is_empty());
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
