//! The README's tours of season, history and sheet, and of a plan: every command in them is run in a new
//! folder and must print what stands there. A line `...` stands for any number of lines.

use std::path::Path;

use crate::bench_side::person::bismar;

const SECTION: &str = "## A season, its history and a batch sheet";
const PLAN: &str = "## A plan before the batch";

/// The commands of the section's console blocks with the lines that follow each.
fn tour(readme: &str, section: &str) -> Vec<(String, Vec<String>)> {
    let section = readme.split(section).nth(1).expect("the section is there");
    let section = section.split("\n## ").next().unwrap();
    let mut steps: Vec<(String, Vec<String>)> = Vec::new();
    let mut inside = false;
    for line in section.lines() {
        if line.starts_with("```") {
            inside = line == "```console";
        } else if let Some(command) = line.strip_prefix("$ ").filter(|_| inside) {
            steps.push((command.to_owned(), Vec::new()));
        } else if inside {
            steps
                .last_mut()
                .expect("a command first")
                .1
                .push(line.trim_end().to_owned());
        }
    }
    steps
}

/// A command's words; double quotes keep a word together.
fn words(command: &str) -> Vec<String> {
    let mut words = vec![String::new()];
    let mut quoted = false;
    for c in command.chars() {
        match c {
            '"' => quoted = !quoted,
            ' ' if !quoted => words.push(String::new()),
            c => words.last_mut().unwrap().push(c),
        }
    }
    words
}

fn run(home: &Path, command: &str) -> String {
    let words = words(command);
    assert_eq!(words[0], "bismar");
    let out = bismar(home).args(&words[1..]).output().unwrap();
    let told = String::from_utf8_lossy(&out.stderr);
    // A plan ends with 1 where it says that something does not fit.
    let as_said = words[1] == "plan" && out.status.code() == Some(1) && told.is_empty();
    assert!(out.status.success() || as_said, "{command}: {told}");
    String::from_utf8(out.stdout).unwrap() + &told
}

/// Whether the lines are those wanted, `...` standing for any number.
fn agrees(wanted: &[String], found: &[&str]) -> bool {
    match wanted.split_first() {
        None => found.is_empty(),
        Some((gap, rest)) if gap == "..." => (0..=found.len()).any(|n| agrees(rest, &found[n..])),
        Some((line, rest)) => {
            found.first().is_some_and(|first| first.trim_end() == line) && agrees(rest, &found[1..])
        }
    }
}

#[test]
fn the_tour_prints_what_the_readme_says() {
    let steps = tour(&readme(), SECTION);
    assert!(steps.len() >= 4, "{}", steps.len());
    let home = tempfile::tempdir().unwrap();
    walk(home.path(), steps);
}

/// With the configuration that the section shows, and the season of the tour before it.
#[test]
fn the_plan_prints_what_the_readme_says() {
    let readme = readme();
    let steps = tour(&readme, PLAN);
    assert_eq!(steps.len(), 2);
    let home = tempfile::tempdir().unwrap();
    let section = readme.split(PLAN).nth(1).unwrap();
    let config = section.split("```toml\n").nth(1).unwrap();
    let config = config.split("```").next().unwrap();
    std::fs::create_dir_all(home.path().join(".config/bismar")).unwrap();
    std::fs::write(home.path().join(".config/bismar/config.toml"), config).unwrap();
    let formulas = home.path().join("config/formulas");
    std::fs::create_dir_all(&formulas).unwrap();
    let ours = Path::new(env!("CARGO_MANIFEST_DIR")).join("config/formulas");
    for entry in std::fs::read_dir(ours).unwrap().flatten() {
        std::fs::copy(entry.path(), formulas.join(entry.file_name())).unwrap();
    }
    run(home.path(), "bismar demo --season --log-dir season");
    walk(home.path(), steps);
}

fn readme() -> String {
    let readme = Path::new(env!("CARGO_MANIFEST_DIR")).join("README.md");
    std::fs::read_to_string(readme).unwrap()
}

fn walk(home: &Path, steps: Vec<(String, Vec<String>)>) {
    for (command, wanted) in steps {
        let found = run(home, &command);
        let lines: Vec<&str> = found.lines().collect();
        assert!(
            agrees(&wanted, &lines),
            "$ {command}\n{found}\nbut the README has\n{}",
            wanted.join("\n")
        );
    }
}

#[test]
fn the_comparison_sees_a_difference() {
    let wanted = |text: &str| text.lines().map(str::to_owned).collect::<Vec<_>>();
    assert!(agrees(&wanted("a\n...\nd"), &["a", "b", "c", "d"]));
    assert!(!agrees(&wanted("a\n...\nd"), &["a", "b", "c"]));
    assert!(!agrees(&wanted("a"), &["a", "b"]));
}
