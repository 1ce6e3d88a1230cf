//! Names that are one though their bytes differ, and names that only look like one, by the commands. The pairs
//! are those of `text/alike.rs`, whose tests name the standards.

use std::fs;

use bismar::mass::Mass;
use bismar::vocabulary::entry::Draft;

use crate::bench_side::faults;
use crate::bench_side::logs::{Begun, closed, weighed};
use crate::bench_side::person::{Person, Said};

/// `é` as one character, and as two.
const ONE: &str = "Sel de Gu\u{e9}rande";
const TWO: &str = "Sel  de\u{a0}Gue\u{301}rande";
/// With a Cyrillic `а`.
const CYRILLIC: &str = "Oat flour, f\u{430}rm";
const LATIN: &str = "Oat flour, farm";

fn formula(first: &str, second: &str, inci: [&str; 2]) -> String {
    format!(
        "[formula]\nname = \"Soak\"\nversion = \"1\"\n\n[[phase]]\nname = \"A\"\n\n[[phase.ingredient]]\n\
         name = \"{first}\"\npercent = 60\ninci = \"{}\"\n\n[[phase]]\nname = \"B\"\n\n[[phase.ingredient]]\n\
         name = \"{second}\"\npercent = 40\ninci = \"{}\"\n",
        inci[0], inci[1]
    )
}

/// A person with a list of lots and a log of one batch, `soak-1`, that took `lot` of `ingredient`.
fn person(lots: &str, ingredient: &str, lot: &str) -> Person {
    let person = Person::new();
    person.file("lots.toml", lots);
    fs::create_dir_all(person.path("logs")).unwrap();
    let formula = formula(ingredient, LATIN, ["Maris Sal", "MARIS  sal"]);
    let begun = Begun {
        formula: &formula,
        label: "Soak 1",
        size: Mass::from_g(100),
        jars: None,
        at: "2026-09-01T09:00:00Z",
    };
    let first = Draft {
        target: Some(Mass::from_g(60)),
        ..weighed(1, ingredient, lot, 60_000)
    };
    let rows = [first, weighed(2, LATIN, "", 40_000), closed()];
    begun.written(&person.path("logs"), "soak-1", &rows);
    person
}

fn said(person: &Person, words: &[&str]) -> Said {
    let store = ["--lots", "lots.toml", "--logs", "logs"];
    person.run(&[words, &store].concat())
}

fn lot(name: &str, ingredient: &str) -> String {
    format!("[[lot]]\nname = \"{name}\"\ningredient = \"{ingredient}\"\namount = \"1 kg\"\n\n")
}

#[test]
fn a_name_in_other_bytes_is_the_same_lot_and_the_same_ingredient() {
    let person = person(&lot("Pfanne-\u{e9}", ONE), TWO, "Pfanne-e\u{301}");
    let listed = said(&person, &["lots"]).ended(0);
    assert!(
        listed.out.contains("940.00"),
        "what was weighed is gone: {listed:?}"
    );
    assert!(listed.err.is_empty(), "{listed:?}");
    for name in ["Pfanne-\u{e9}", "Pfanne-e\u{301}", "Pfanne-\u{200b}\u{e9}"] {
        let found = said(&person, &["trace", name]).ended(0);
        assert!(found.out.contains("reached 1 batch"), "{name:?}: {found:?}");
        let ingredient = ["trace", name, "--ingredient", "sel de gu\u{e9}rande"];
        said(&person, &ingredient).ended(0);
    }
    let history = person.run(&["history", ONE, "--logs", "logs"]).ended(0);
    assert!(history.out.contains("soak-1"), "{history:?}");
    // Two spellings of one INCI name are declared once, as the first one is written.
    let declared = person
        .run(&["declaration", "soak-1", "--logs", "logs"])
        .ended(0);
    assert!(
        declared.out.starts_with("INGREDIENTS: Maris Sal\n"),
        "{declared:?}"
    );
}

/// Two entries that are one name are refused with both lines, and nothing is added up in silence.
#[test]
fn one_lot_under_two_spellings_is_refused_with_both_places() {
    let twice = lot("S-1", ONE) + &lot("S-1\u{200b}", TWO);
    let person = person(&twice, ONE, "S-1");
    let refused = said(&person, &["lots"]).ended(4);
    assert!(
        refused.err.contains("lots.toml:6:") && refused.err.contains("stands in line 1 already"),
        "{refused:?}"
    );
}

#[test]
fn what_only_looks_alike_is_told_with_both_places_and_stays_two() {
    let list =
        lot("L-1", LATIN) + &lot("L-l", LATIN) + &lot("L-2", CYRILLIC) + &lot("l-2", CYRILLIC);
    let person = person(&list, ONE, "S-1");
    let listed = said(&person, &["lots"]).ended(0);
    for place in [
        "warning: lots.toml:6:1: the lot \"L-l\" looks like \"L-1\" in line 1",
        &format!(
            "warning: lots.toml:11:1: the ingredient \"{CYRILLIC}\" looks like \"{LATIN}\" in line 1"
        ),
        "warning: lots.toml:16:1: the lot \"l-2\" looks like \"L-2\" in line 11",
    ] {
        assert!(listed.err.contains(place), "{place}: {listed:?}");
    }
    assert_eq!(listed.err.matches("warning").count(), 3, "{listed:?}");
    assert_eq!(listed.out.lines().count(), 5, "all are listed: {listed:?}");

    let alike = formula(LATIN, CYRILLIC, ["A", "B"]);
    person.file("alike.toml", &alike);
    let checked = person.run(&["check", "alike.toml", "--batch", "500g"]);
    let told = format!("{}{}", checked.out, checked.err).replace('\n', " ");
    assert!(
        told.contains(&format!(
            "alike.toml:16:1: \"{CYRILLIC}\" looks like \"{LATIN}\" at line 8"
        )),
        "{told}"
    );
}

/// A lot or an ingredient of one batch that looks like another batch's: whoever asks for one is told of the other, with
/// both logs. Of names that are one nothing is told.
#[test]
fn who_asks_what_logs_tell_of_a_name_hears_of_those_that_look_like_it() {
    let person = person("", ONE, "S-1");
    let write = |batch: &str, ingredient: &str, lot: &str| {
        let formula = formula(ingredient, "Clay", ["A", "B"]);
        let begun = Begun {
            formula: &formula,
            label: "Soak 1",
            size: Mass::from_g(100),
            jars: None,
            at: "2026-09-02T09:00:00Z",
        };
        let first = Draft {
            target: Some(Mass::from_g(60)),
            ..weighed(1, ingredient, lot, 60_000)
        };
        let rows = [first, weighed(2, "Clay", "", 40_000), closed()];
        begun.written(&person.path("logs"), batch, &rows);
    };
    write("soak-2", CYRILLIC, "S-l");
    write("soak-3", LATIN, "S-2");
    write("soak-4", TWO, "S\u{200b}-1");
    let traced = said(&person, &["trace", "S-1"]).ended(0);
    assert_eq!(
        traced.err.trim(),
        "warning: \"S-l\" in logs/soak-2.csv looks like \"S-1\" in logs/soak-1.csv and is another: each is traced by itself"
    );
    assert!(
        traced.out.contains("soak-4") && !traced.out.contains("soak-2"),
        "{traced:?}"
    );
    let history = |name: &str| person.run(&["history", name, "--logs", "logs"]).ended(0);
    let told = history(LATIN);
    let warning = format!(
        "warning: \"{CYRILLIC}\" in soak-2 looks like \"{LATIN}\" in soak-1 and is another: each is counted by itself"
    );
    assert_eq!(told.err.trim(), warning);
    assert_eq!(history(ONE).err, "");
    faults::report(
        "names that look alike",
        "a Cyrillic letter, `l` for `1`, a space without a width, a no-break space and two normal forms, in lots and ingredients of four batches",
        "2 pairs that look alike, 2 names in two spellings",
        "trace and history name what looks alike with both places and count it apart; two spellings are one name",
        "2 told, none for what is one",
    );
}
