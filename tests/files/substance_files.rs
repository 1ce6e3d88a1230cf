//! The maker's list of substances: what is refused, where, and what to do; TOML itself is the outside source.

use bismar::formula::kind::Kind;
use bismar::formula::{Formula, Percent, Use, substances};

use crate::bench_side::person::Person;
use crate::is_ours;

/// Each fault alone with its place and a part of what is said of it.
const REFUSED: [(&str, &str); 17] = [
    (
        "[[substances]]\ninci = \"A\"\n",
        "1:3: A list of substances has no key \"substances\". Write \"substance\"",
    ),
    (
        "[substance]\ninci = \"A\"\n",
        "1:1: \"substance\" must be a list of tables",
    ),
    (
        "[[substance]]\nleave_on = 1\n",
        "1:1: The substance has neither \"inci\" nor \"name\". Add, for example, inci =",
    ),
    (
        "[[substance]]\ninci = \"A\"\nleaveon = 1\n",
        "3:1: A substance has no key \"leaveon\". Write \"leave_on\"",
    ),
    (
        "[[substance]]\ninci = \"A\"\nleave_on = 101\n",
        "3:12: \"leave_on\" is 101, more than 100",
    ),
    ("[[substance]]\ninci = \"A\"\nrinse_off = -1\n", "3:13: "),
    (
        "[[substance]]\ninci = \"A\"\nleave_on = 0,5\n",
        "3:12: the number 0,5 has a comma. Write a decimal point",
    ),
    (
        "[[substance]]\ninci = \"A\"\nkind = \"essental oil\"\n",
        "3:8: \"essental oil\" is no kind. Write \"essential oil\"",
    ),
    (
        "[[substance]]\ninci = \"A\"\nkind = [\"dust\", 4]\n",
        "3:17: \"kind\" must be one of",
    ),
    (
        "[[substance]]\ninci = \"A\"\nconstituents = { L = 60, M = 41 }\n",
        "3:16: These constituents come to 101 percent, more than 100",
    ),
    (
        "[[substance]]\ninci = \"A\"\nconstituents = {}\n",
        "3:16: \"constituents\" names none",
    ),
    (
        "[[substance]]\ninci = \"A\"\nconstituents = { Linalool = 1, LINALOOL = 2 }\n",
        "3:32: \"LINALOOL\" is among these constituents twice. Keep one of the two",
    ),
    (
        "[[substance]]\ninci = \"A\"\nconstituents = 3\n",
        "3:16: \"constituents\" must be a table",
    ),
    (
        "[[substance]]\ninci = \"A\"\n[[substance]]\ninci = \" a \"\n",
        "3:1: \"a\" is in this list already, at line 1. Put what is known",
    ),
    (
        "[[substance]]\ninci = \"A\"\n[[substance.lot]]\nconstituents = { L = 1 }\n",
        "3:1: The lot has no \"lot\"",
    ),
    (
        "[[substance]]\ninci = \"A\"\n[[substance.lot]]\nlot = \"1\"\n",
        "3:1: The lot has no \"constituents\"",
    ),
    (
        "[[substance]]\ninci = \"A\"\n[[substance.lot]]\nlot = \"1\"\nconstituents = { L = 1 }\n[[substance.lot]]\nlot = \"1\"\nconstituents = { L = 2 }\n",
        "6:1: Lot \"1\" is there twice. Keep one of the two",
    ),
];

#[test]
fn what_is_wrong_is_told_with_its_place_and_a_remedy() {
    for (text, wanted) in REFUSED {
        let problems = substances::parse(text, "substances.toml").expect_err(text);
        let said = problems.to_string();
        assert!(
            said.starts_with(&format!("substances.toml:{wanted}")),
            "{text}\n{said}"
        );
        assert!(
            problems.0.iter().all(|one| !one.remedy.is_empty()),
            "{said}"
        );
        problems.0.iter().for_each(is_ours);
    }
}

#[test]
fn a_whole_entry_reads_as_it_is_written() {
    let text = "[[substance]]\ninci = \"Lavandula Angustifolia Oil\"\nname = \"Lavender\"\n\
                kind = [\"essential oil\", \"flammable\"]\nleave_on = 1.5\nrinse_off = \"3\"\n\
                source = \"sheet\"\nconstituents = { \"Linalyl Acetate\" = 40, Linalool = 38.5 }\n\
                [[substance.lot]]\nlot = \"LAV-2\"\nconstituents = { Linalool = 31.123456789 }\n";
    let read = substances::parse(text, "substances.toml").unwrap();
    let [one] = read.as_slice() else {
        panic!("{read:?}")
    };
    assert_eq!(one.kinds, [Kind::EssentialOil, Kind::Flammable]);
    assert_eq!(one.leave_on, Some(Percent(1_500_000_000)));
    assert_eq!(one.rinse_off, Some(Percent(3_000_000_000)));
    let mut of: Vec<(&str, i64)> = one
        .constituents
        .iter()
        .map(|c| (c.name.as_str(), c.share.0))
        .collect();
    of.sort_unstable();
    assert_eq!(
        of,
        [
            ("Linalool", 38_500_000_000),
            ("Linalyl Acetate", 40_000_000_000)
        ]
    );
    assert_eq!(one.lots[0].constituents[0].share, Percent(31_123_456_789));
    assert!(one.is("x", Some("LAVANDULA  angustifolia oil")) && one.is("lavender", None));
    assert!(!one.is("Lavandin", Some("Lavandula Hybrida Oil")));
    assert_eq!(substances::parse("", "substances.toml").unwrap(), []);
}

/// The same tables, and the use, in the formula itself.
#[test]
fn a_formula_tells_its_use_and_substances_of_its_own() {
    let text = |head: &str| {
        format!(
            "[formula]\nname = \"A\"\n{head}\n[[phase]]\n[[phase.ingredient]]\nname = \"Oil\"\npercent = 100\n\
             [[substance]]\nname = \"Oil\"\nleave_on = 2\n"
        )
    };
    for (head, wanted) in [
        ("", Use::Untold),
        ("use = \"leave-on\"", Use::LeaveOn),
        ("use = \"rinse-off\"", Use::RinseOff),
        ("use = \"premix\"", Use::Premix),
    ] {
        let formula = Formula::parse(&text(head), "a.toml").unwrap();
        assert_eq!(formula.intended, wanted);
        assert_eq!(formula.substances[0].file, "a.toml");
    }
    let wrong = Formula::parse(&text("use = \"leave on\""), "a.toml").unwrap_err();
    assert!(
        wrong
            .to_string()
            .starts_with("a.toml:3:7: \"leave on\" is no use. Write \"leave-on\""),
        "{wrong}"
    );
    let wrong = Formula::parse(&text("").replace("leave_on", "leave"), "a.toml").unwrap_err();
    assert!(
        wrong
            .to_string()
            .starts_with("a.toml:10:1: A substance has no key"),
        "{wrong}"
    );
}

// ---- the program itself --------------------------------------------------------------------------

const BLEND: &str = "[formula]\nname = \"Dune blend\"\n[[phase]]\n[[phase.ingredient]]\nname = \"Tea tree oil\"\n\
    inci = \"Melaleuca Alternifolia Leaf Oil\"\npercent = 50\n[[phase.ingredient]]\nname = \"Träger\"\npercent = 50\n";
const BALM: &str = "[formula]\nname = \"Dune balm\"\nuse = \"leave-on\"\n[[phase]]\n[[phase.ingredient]]\n\
    name = \"Sunflower oil\"\nbalance = true\n[[phase.ingredient]]\nname = \"Blend\"\npremix = \"Dune blend\"\n\
    percent = 3\n";
const LIST: &str = "[[substance]]\ninci = \"MELALEUCA alternifolia leaf oil\"\nleave_on = 0.4\nrinse_off = 2\n\
    source = \"sheet of March\"\n";

/// The case that began it: half of a blend is limited to 0.4 % on skin, and 3 % of the blend are 1.5 %.
#[test]
fn check_and_plan_look_into_a_premix() {
    let person = Person::new();
    let blend = person.file("blend.toml", BLEND);
    let balm = person.file("balm.toml", BALM);
    let (blend, balm) = (blend.to_str().unwrap(), balm.to_str().unwrap());
    // Nothing is told of it: that is told.
    let said = person.run(&["check", balm, "--batch", "500g"]).ended(0);
    let words = said.out.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(
        words.contains("In the premix \"Blend\" no greatest share is told for Tea tree oil."),
        "{words}"
    );
    assert!(
        words.contains("Tea tree oil (in Blend): Undiluted,"),
        "{words}"
    );
    person.file("substances.toml", LIST);
    let wanted = "balm.toml:8:1: \"Melaleuca Alternifolia Leaf Oil\" comes to 1.5 % of the batch (7.50 g of 500.00 g), \
                  over its leave-on limit (substances.toml:1, sheet of March) of 0.4 %; it comes with \"Blend\".";
    for command in ["check", "plan"] {
        let said = person.run(&[command, balm, "--batch", "500g"]).ended(4);
        assert!(said.err.contains(wanted), "{said:?}");
    }
    // The blend as such is refused too, until it says that it is none for skin.
    let said = person.run(&["check", blend, "--batch", "500g"]).ended(4);
    assert!(
        said.err.contains("over its leave-on limit (substances.toml:1, sheet of March; the formula does not tell its use)")
            && said.err.contains("write use = \"premix\" under [formula]"),
        "{said:?}"
    );
    person.file(
        "blend.toml",
        &BLEND.replace("blend\"\n", "blend\"\nuse = \"premix\"\n"),
    );
    person.run(&["check", blend, "--batch", "500g"]).ended(0);
    // Rinsed off there is room for it.
    person.file("balm.toml", &BALM.replace("leave-on", "rinse-off"));
    let said = person.run(&["check", balm, "--batch", "500g"]).ended(0);
    assert!(!said.out.contains("no greatest share"), "{said:?}");
    // A list that does not read stops it; without the blend's formula nobody can look into it.
    person.file("substances.toml", &LIST.replace("0.4", "0,4"));
    let said = person.run(&["plan", balm, "--batch", "500g"]).ended(4);
    assert!(
        said.err
            .contains("substances.toml:3:12: the number 0,4 has a comma"),
        "{said:?}"
    );
    std::fs::remove_file(person.path("substances.toml")).unwrap();
    // A link that leads nowhere is no list that is not there.
    std::os::unix::fs::symlink("nowhere", person.path("substances.toml")).unwrap();
    let said = person.run(&["check", balm, "--batch", "500g"]).ended(4);
    assert!(
        said.err.contains("substances.toml: cannot be read"),
        "{said:?}"
    );
    std::fs::remove_file(person.path("substances.toml")).unwrap();
    std::fs::remove_file(person.path("blend.toml")).unwrap();
    let said = person.run(&["check", balm, "--batch", "500g"]).ended(0);
    let words = said.out.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(
        words.contains("What is in the premix \"Blend\" is not known"),
        "{words}"
    );
}

/// A disk that tells capitals from small letters does not find the list by another name: that is told.
#[test]
fn a_list_with_a_capital_is_told_not_passed_over() {
    let person = Person::new();
    person.file("blend.toml", BLEND);
    let balm = person.file("balm.toml", BALM);
    let balm = balm.to_str().unwrap();
    let words = || {
        let said = person.run(&["check", balm, "--batch", "500g"]).ended(0);
        said.out.split_whitespace().collect::<Vec<_>>().join(" ")
    };
    let told = "Substances.toml: This file is not read; the list of substances is called substances.toml, in small \
                letters.";
    assert!(!words().contains("This file is not read"), "{}", words());
    person.file("Substances.toml", LIST);
    let said = words();
    assert!(said.contains(&format!("{told} Rename it.")), "{said}");
    assert_eq!(said.matches("This file is not read").count(), 1, "{said}");
    // With both there the one in small letters counts.
    person.file("substances.toml", &LIST.replace("0.4", "2"));
    let said = words();
    let both = format!("{told} Put what it says into that one, and delete it.");
    assert!(said.contains(&both), "{said}");
}
