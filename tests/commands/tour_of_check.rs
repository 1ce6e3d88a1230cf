//! The README's example of `bismar check` is what the command prints; a line `...` stands for any lines.

use crate::bench_side::person::{Person, repository};

#[test]
fn the_readme_shows_what_check_prints() {
    let person = Person::new();
    let readme = std::fs::read_to_string(repository("README.md")).unwrap();
    let section = readme
        .split("\n## Before anything is poured")
        .nth(1)
        .expect("the section");
    let block = section
        .split("```")
        .nth(1)
        .expect("a block")
        .strip_prefix("text\n")
        .unwrap();
    let mut lines = block.lines();
    let command = lines
        .next()
        .and_then(|line| line.strip_prefix("$ bismar "))
        .expect("a command");
    let name = "tideline-bath-salts.toml";
    std::fs::copy(
        repository(&format!("config/formulas/{name}")),
        person.path(name),
    )
    .unwrap();
    let words: Vec<&str> = command.split(' ').collect();
    // A step cannot be proven: exit code 1, as the README says.
    let said = person.run(&words).ended(1);
    let pieces: Vec<&str> = block.split_once('\n').unwrap().1.split("...\n").collect();
    assert!(pieces.len() > 3, "{block}");
    let mut rest = said.out.as_str();
    for piece in pieces {
        let at = rest
            .find(piece)
            .unwrap_or_else(|| panic!("not printed:\n{piece}\nof\n{}", said.out));
        rest = &rest[at + piece.len()..];
    }
}
