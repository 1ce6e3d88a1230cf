//! Formulas and batches called by their names, on the command line and by the completions of a real bash.

use std::fs;
use std::process::Command;

use crate::bench_side::logs::LOGS;
use crate::bench_side::person::{Person, Said, repository};

const FORMULAS: &str = "home/.local/share/bismar/formulas";

/// A formula of one ingredient.
fn formula(name: &str, version: &str) -> String {
    format!(
        "[formula]\nname = \"{name}\"\nversion = \"{version}\"\n[[phase]]\nname = \"All\"\n[[phase.ingredient]]\n\
         name = \"Sea salt\"\nbalance = true\n"
    )
}

/// A person with three formulas in their folder.
fn person() -> Person {
    let person = Person::new();
    person.file(
        &format!("{FORMULAS}/dune-soak.toml"),
        &formula("Dune soak", "1"),
    );
    person.file(
        &format!("{FORMULAS}/old-reed.toml"),
        &formula("Reed balm", "1"),
    );
    person.file(&format!("{FORMULAS}/reed.toml"), &formula("Reed balm", "2"));
    person
}

fn check(person: &Person, name: &str) -> Said {
    person.run(&["check", name, "--batch", "100g"])
}

#[test]
fn a_formula_is_called_by_its_name_its_file_or_a_path() {
    let person = person();
    let path = person.path(&format!("{FORMULAS}/dune-soak.toml"));
    for name in [
        "Dune soak",
        "dune  SOAK",
        "Dune soak 1",
        "dune-soak",
        "dune-soak.toml",
        path.to_str().unwrap(),
    ] {
        assert!(
            check(&person, name)
                .ended(0)
                .out
                .contains("Dune soak, version 1"),
            "{name}"
        );
    }
    // A file of the folder where she stands comes first, as ever.
    person.file("dune-soak.toml", &formula("Dune soak", "7"));
    assert!(
        check(&person, "dune-soak.toml")
            .ended(0)
            .out
            .contains("version 7")
    );
    assert!(
        check(&person, "dune-soak")
            .ended(0)
            .out
            .contains("version 1")
    );
    // A folder of the name is no formula.
    fs::create_dir(person.path("Dune soak")).unwrap();
    assert!(
        check(&person, "Dune soak")
            .ended(0)
            .out
            .contains("version 1")
    );
    // Each command that takes one.
    let plan = person.run(&["plan", "dune soak", "--batch", "100g"]);
    assert!(plan.out.contains("Dune soak, version 1"), "{plan:?}");
    let begun = person
        .run(&["begin", "Dune soak", "--batch", "100g"])
        .ended(1);
    assert!(begun.err.contains("daemon"), "{begun:?}");
    // The configuration says where they are.
    person.configures(&format!("formula_dir = {:?}\n", person.path("elsewhere")));
    person.file("elsewhere/sand.toml", &formula("Sand rub", "3"));
    assert!(
        check(&person, "sand rub")
            .ended(0)
            .out
            .contains("Sand rub, version 3")
    );
    assert!(
        check(&person, "Dune  soak")
            .ended(4)
            .err
            .contains("the nearest are \"Sand rub\"")
    );
}

#[test]
fn a_name_of_several_formulas_or_of_none_says_which_there_are() {
    let person = person();
    let said = check(&person, "reed balm").ended(4);
    for words in [
        "2 formulas in ",
        "old-reed.toml (Reed balm 1) and reed.toml (Reed balm 2)",
        "name the file, for example reed.toml",
    ] {
        assert!(said.err.contains(words), "{words}: {said:?}");
    }
    for (name, version) in [
        ("reed balm 1", "1"),
        ("reed", "2"),
        ("old-reed.toml", "1"),
        ("Reed balm 2", "2"),
    ] {
        let said = check(&person, name).ended(0);
        assert!(
            said.out.contains(&format!("Reed balm, version {version}")),
            "{said:?}"
        );
    }
    // Two of one name and version are told apart by their files alone.
    person.file(&format!("{FORMULAS}/copy.toml"), &formula("Dune soak", "1"));
    let said = check(&person, "Dune soak 1").ended(4);
    assert!(said.err.contains("no formula of that name"), "{said:?}");
    let said = check(&person, "Dune soak").ended(4);
    assert!(
        said.err
            .contains("copy.toml (Dune soak 1) and dune-soak.toml"),
        "{said:?}"
    );

    let said = check(&person, "read balm").ended(4);
    assert!(
        said.err
            .contains("read balm: there is no such file here and no formula of that name in "),
        "{said:?}"
    );
    assert!(
        said.err.contains("the nearest are \"Reed balm\""),
        "{said:?}"
    );
    for name in ["\u{1b}[31m", "\u{202e}", "nichts.toml", "..\\x"] {
        let said = check(&person, name).ended(4);
        assert!(!said.err.contains('\u{1b}'), "{said:?}");
    }
    // What does not read is told, and is found by its file.
    person.file(&format!("{FORMULAS}/bad.toml"), "[formula]\nname = 3\n");
    let said = check(&person, "bad").ended(4);
    assert!(said.err.contains("bad.toml:2:8"), "{said:?}");
    let said = check(&person, "bed balm").ended(4);
    assert!(
        said.err.contains("Not looked into: ") && said.err.contains("bad.toml:1:1"),
        "{said:?}"
    );
    // What an editor leaves is no formula; a folder that is none is said; of very many files each is found by its name.
    person.file(
        &format!("{FORMULAS}/.dune-soak.toml"),
        &formula("Reed balm", "9"),
    );
    assert!(
        check(&person, "Reed balm 9")
            .ended(4)
            .err
            .contains("the nearest are \"Reed balm\"")
    );
    person.configures("formula_dir = \"/dev/null\"\n");
    let said = check(&person, "reed").ended(4);
    assert!(
        said.err.contains("that folder cannot be read: "),
        "{said:?}"
    );
    person.configures("");
    for number in 0..201 {
        person.file(
            &format!("{FORMULAS}/a{number:03}.toml"),
            &formula("Sand", &number.to_string()),
        );
    }
    assert!(
        check(&person, "reed")
            .ended(0)
            .out
            .contains("Reed balm, version 2")
    );
    let said = check(&person, "Reed balm 2").ended(4);
    assert!(said.err.contains("Only the first 200 of "), "{said:?}");
    let nobody = Person::new();
    let said = check(&nobody, "reed").ended(4);
    assert!(
        said.err.contains("there is no formula there yet"),
        "{said:?}"
    );
}

#[test]
fn a_premix_that_two_files_hold_is_made_of_none_of_them_silently() {
    let person = person();
    let soak = formula("Marsh soak", "1")
        .replace("balance = true", "balance = true\npremix = \"Reed balm\"");
    person.file(&format!("{FORMULAS}/marsh.toml"), &soak);
    person.file("lots.toml", "");
    let said = person
        .run(&["plan", "marsh", "--batch", "100g", "--lots", "lots.toml"])
        .ended(1);
    let words = said.out.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(
        words.contains("bismar plan FORMULA --batch 100g, where FORMULA is "),
        "{words}"
    );
    assert!(
        words.contains("old-reed.toml or ") && words.contains("they have the same name"),
        "{words}"
    );
}

/// One name serves all that tell of a batch: its name, its log's file name, or a path to it.
#[test]
fn a_batch_is_called_by_its_name_everywhere() {
    let person = Person::new();
    fs::create_dir_all(person.path("home/.local/share/bismar")).unwrap();
    person
        .run(&["demo", "--season", "--log-dir", LOGS])
        .ended(0);
    let batch = "marram-balm-20260304-0810";
    let path = person.path(LOGS).join(format!("{batch}.csv"));
    for command in [
        &["log", "verify"][..],
        &["sheet", "--out", "-"],
        &["declaration"],
        &["label"],
        &["remedy"],
    ] {
        for name in [batch, &format!("{batch}.csv"), path.to_str().unwrap()] {
            let mut words = command.to_vec();
            words.push(name);
            let said = person.run(&words).ended(0);
            assert!(!said.out.is_empty(), "{words:?}");
        }
        let mut words = command.to_vec();
        words.push("marram-balm-20260304");
        let said = person.run(&words);
        assert!(
            said.code == Some(if command[0] == "log" { 4 } else { 1 }),
            "{said:?}"
        );
        let told = format!(
            "there is no batch \"marram-balm-20260304\" in {}",
            person.path(LOGS).display()
        );
        assert!(said.err.contains(&told), "{said:?}");
        assert!(
            said.err.contains(&format!("the nearest are \"{batch}\"")),
            "{said:?}"
        );
    }
    // A log that was carried elsewhere is told of by its path, and damaged ones are told as such.
    let elsewhere = person.path("carried.csv");
    fs::copy(&path, &elsewhere).unwrap();
    person.run(&["declaration", "carried.csv"]).ended(0);
    person
        .run(&["log", "verify", "carried.csv", batch])
        .ended(0);
    let text = fs::read_to_string(&path).unwrap();
    fs::write(&path, text.replacen("Beeswax", "Beesvax", 1)).unwrap();
    let said = person
        .run(&["log", "verify", "nobody", batch, "carried.csv"])
        .ended(4);
    assert!(
        said.err.contains("there is no batch \"nobody\"") && said.err.contains(".csv:"),
        "{said:?}"
    );
    assert!(said.out.contains("carried.csv"), "{said:?}");
    // Neither the log of the scale checks nor a folder above is a batch.
    for name in ["scale-checks", "a/..", "marram"] {
        person.run(&["sheet", name, "--out", "-"]).ended(1);
    }
}

/// What a real bash offers after `words`, of which the last one is begun.
fn offered(person: &Person, words: &[&str]) -> Vec<String> {
    let script = "source \"$1\"; shift\n\
        COMP_WORDS=(\"$@\") COMP_CWORD=$(($# - 1))\n\
        _bismar_named \"$1\" \"${COMP_WORDS[COMP_CWORD]}\" \"${COMP_WORDS[COMP_CWORD-1]}\"\n\
        printf '%s\\n' \"${COMPREPLY[@]}\"";
    let completions = person.run(&["completions", "bash"]).ended(0).out;
    let file = person.file("bismar.bash", &completions);
    let bash = Command::new("bash")
        .args(["-c", script, "bash"])
        .arg(file)
        .arg(env!("CARGO_BIN_EXE_bismar"))
        .args(words)
        .env("HOME", person.path("home"))
        .output();
    let said = Said::of(bash.expect("bash is needed: apt-get install bash")).ended(0);
    said.out
        .lines()
        .filter(|line| !line.is_empty())
        .map(str::to_owned)
        .collect()
}

#[test]
fn bash_offers_the_names_of_formulas_and_batches() {
    let person = person();
    person.file(
        &format!("{FORMULAS}/two words.toml"),
        &formula("Two words", "1"),
    );
    person.file(&format!("{LOGS}/dune-soak-1.csv"), "");
    let formulas = ["dune-soak", "old-reed", "reed"];
    for words in [
        &["begin", ""][..],
        &["check", ""],
        &["plan", ""],
        &["replay", "x.capture", "--formula", ""],
    ] {
        assert_eq!(offered(&person, words), formulas, "{words:?}");
    }
    assert_eq!(offered(&person, &["check", "re"]), ["reed"]);
    assert_eq!(offered(&person, &["log", "verify", "du"]), ["dune-soak-1"]);
    for command in ["sheet", "declaration", "label", "fill", "remedy", "trace"] {
        assert_eq!(
            offered(&person, &[command, ""]),
            ["dune-soak-1"],
            "{command}"
        );
    }
    // The words of the command line are as they were.
    assert_eq!(offered(&person, &["che"]), ["check"]);
    assert!(offered(&person, &["check", "--ba"]).contains(&"--batch".to_owned()));
    let others = offered(&person, &["check", "reed", "--batch", ""]);
    assert!(
        !others.iter().any(|one| formulas.contains(&one.as_str())),
        "{others:?}"
    );
    // Beside a configuration that does not read nothing is offered, and nothing said.
    person.configures("[[scale\n");
    assert!(offered(&person, &["check", ""]).is_empty());
    let names = person.run(&["names", "formulas"]).ended(0);
    assert_eq!((names.out.as_str(), names.err.as_str()), ("", ""));
}

/// No zsh and no fish are asked: that the names stand at the right places of their scripts is read there.
#[test]
fn the_other_shells_scripts_name_the_same() {
    let person = Person::new();
    let fish = person.run(&["completions", "fish"]).ended(0).out;
    for line in [
        "-n \"__fish_seen_subcommand_from check\" -a \"(bismar names formulas 2>/dev/null)\"",
        "-n \"__fish_seen_subcommand_from replay\" -l formula -r -a \"(bismar names formulas 2>/dev/null)\"",
        "-n \"__fish_seen_subcommand_from log; and __fish_seen_subcommand_from verify\" -a \"(bismar names batches 2>/dev/null)\"",
    ] {
        assert!(fish.contains(line), "{line}");
    }
    let zsh = person.run(&["completions", "zsh"]).ended(0).out;
    let names = |what: &str| {
        zsh.matches(&format!(":{{_bismar_names {what}}}' \\\n"))
            .count()
    };
    // begin, check, plan, replay, declaration, label; and lot, fill, remedy, sheet, trace, declaration, label, log verify.
    assert_eq!((names("formulas"), names("batches")), (6, 8), "{zsh}");
    assert_eq!(zsh.matches("_bismar_names() {").count(), 1);
    let readme = fs::read_to_string(repository("README.md")).unwrap();
    assert!(
        !readme.contains("bismar names"),
        "it is for the completions"
    );
}
