//! Hard limits: against exact decimals of another library, and against every corner of the tolerances.
//!
//! Outside source: rust_decimal (crates.io) does the division; that a limit is a share of the finished
//! batch is the formula file's own definition.

use bismar::formula::limits::{Held, Side, broken, exposed, outside};
use bismar::formula::plan::BatchSize;
use bismar::formula::{Formula, Plan};
use bismar::mass::Mass;
use bismar::metrology::ScaleAbility;
use proptest::prelude::*;
use rust_decimal::Decimal;

use crate::bench_side::Daemon;
use crate::bench_side::logs::LOGS;
use crate::bench_side::person::Person;

/// A formula of three: percents, limits and tolerances in hundredths of a percent, the rest a balance.
#[derive(Debug, Clone)]
struct Drawn {
    percent: [i64; 3],
    min: [Option<i64>; 3],
    max: [Option<i64>; 3],
    tolerance: [i64; 3],
}

fn drawn() -> impl Strategy<Value = Drawn> {
    let one = || {
        (
            20i64..3000,
            prop::option::of(0i64..60),
            prop::option::of(0i64..60),
            10i64..600,
        )
    };
    [one(), one(), one()].prop_map(|three| Drawn {
        percent: three.map(|t| t.0),
        min: three.map(|t| t.1.map(|room| (t.0 - room).max(0))),
        max: three.map(|t| t.2.map(|room| t.0 + room)),
        tolerance: three.map(|t| t.3),
    })
}

fn hundredths(n: i64) -> String {
    format!("{}.{:02}", n / 100, n % 100)
}

fn formula(drawn: &Drawn) -> Formula {
    let mut text = String::from("[formula]\nname = \"Trial\"\n[[phase]]\n");
    for i in 0..3 {
        let side =
            |key: &str, limit: Option<i64>| limit.map(|n| format!("{key} = {}", hundredths(n)));
        let limits: Vec<String> = [side("min", drawn.min[i]), side("max", drawn.max[i])]
            .into_iter()
            .flatten()
            .collect();
        text.push_str(&format!(
            "[[phase.ingredient]]\nname = \"P{i}\"\npercent = {}\ntolerance = {{ percent = {} }}\n\
             limits = {{ {} }}\n",
            hundredths(drawn.percent[i]),
            hundredths(drawn.tolerance[i]),
            limits.join(", ")
        ));
    }
    text.push_str("[[phase.ingredient]]\nname = \"Rest\"\nbalance = true\n");
    Formula::parse(&text, "trial.toml").unwrap_or_else(|e| panic!("{e}\n{text}"))
}

fn bench(d: &str) -> [ScaleAbility; 1] {
    let readability = Mass::parse_with_unit(d).unwrap();
    [ScaleAbility {
        readability,
        ..ScaleAbility::assumed("bench")
    }]
}

/// `(index, side)` of each drawn ingredient that is outside, by the library.
fn by_library(drawn: &Drawn, held: &[Mass; 3], total: Mass) -> Vec<(String, Side)> {
    let mut found = Vec::new();
    for (i, mass) in held.iter().enumerate() {
        let share = |limit: i64| Decimal::new(limit, 4) * Decimal::from(total.ng());
        let mass = Decimal::from(mass.ng());
        if drawn.max[i].is_some_and(|max| mass > share(max)) {
            found.push((format!("P{i}"), Side::Over));
        } else if drawn.min[i].is_some_and(|min| mass < share(min)) {
            found.push((format!("P{i}"), Side::Under));
        }
    }
    found
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(512))]

    /// Weights in two parts each, near the shares, now and then exactly on a limit.
    #[test]
    fn what_is_outside_is_what_the_library_finds(
        drawn in drawn(), off in [900i64..1100, 900i64..1100, 900i64..1100], on_edge in 0usize..6,
    ) {
        let formula = formula(&drawn);
        let total = Mass::from_g(100);
        // A hundredth of a percent of 100 g is 10 mg.
        let mut held = [0, 1, 2].map(|i| Mass::from_mg(10 * drawn.percent[i]).ratio(off[i], 1000));
        if let Some(max) = drawn.max.get(on_edge).copied().flatten() {
            held[on_edge] = Mass::from_mg(10 * max);
        }
        let names = ["P0", "P1", "P2"];
        let mut parts = vec![Held { ingredient: "Rest", mass: Mass::from_g(1) }];
        for i in 0..3 {
            let first = held[i].ratio(1, 3);
            parts.push(Held { ingredient: names[i], mass: first });
            parts.push(Held { ingredient: names[i], mass: held[i] - first });
        }
        let found: Vec<_> = outside(&formula, &parts, total).into_iter()
            .map(|outside| (outside.ingredient, outside.side)).collect();
        prop_assert_eq!(found, by_library(&drawn, &held, total));
    }

    /// A share falls as the other weights rise, so its extremes are at corners of the tolerances: all 16
    /// are tried.
    #[test]
    fn what_is_exposed_is_outside_in_some_corner_of_the_tolerances(drawn in drawn(), mg in 50_000i64..500_000) {
        let formula = formula(&drawn);
        let Ok(plan) = Plan::new(&formula, BatchSize::Batch(Mass::from_mg(mg)), &bench("0.01 g"), 2.0) else {
            return Ok(());
        };
        let targets = [0, 1, 2].map(|i: usize| plan.steps[i].target);
        let mut wanted = std::collections::BTreeSet::new();
        for corner in 0..16u8 {
            let weight = |i: usize| match corner >> i & 1 {
                0 => plan.steps[i].lowest,
                _ => plan.steps[i].highest,
            };
            let total = (0..4).map(weight).sum();
            wanted.extend(by_library(&drawn, &[weight(0), weight(1), weight(2)], total).into_iter()
                .map(|(name, side)| (name, side == Side::Over)));
        }
        let refused = by_library(&drawn, &targets, plan.batch);
        let refusals = broken(&formula, &plan, "trial.toml");
        prop_assert_eq!(refusals.len(), refused.len());
        wanted.retain(|(name, _)| refused.iter().all(|(other, _)| other != name));
        let notes = exposed(&formula, &plan, "trial.toml");
        let found: std::collections::BTreeSet<_> = notes.iter().map(|note| {
            let name = note.message.split('"').nth(1).unwrap().to_owned();
            (name, note.message.contains("could be over"))
        }).collect();
        prop_assert_eq!(found, wanted);
        for note in &notes {
            let text = note.to_string();
            prop_assert!(text.starts_with("trial.toml:") && text.contains(" %"), "{}", text);
        }
    }
}

#[test]
fn the_sentence_names_weight_share_and_limit() {
    let text = "[formula]\nname = \"A\"\n[[phase]]\n[[phase.ingredient]]\nname = \"Salt\"\nbalance = true\n\
                [[phase.ingredient]]\nname = \"Clove oil\"\npercent = 0.9\nlimits = { min = 0.5, max = 1 }\n";
    let formula = Formula::parse(text, "a.toml").unwrap();
    let said = |mg: i64| {
        let parts = [
            Held {
                ingredient: "Salt",
                mass: Mass::from_mg(100_000 - mg),
            },
            Held {
                ingredient: "Clove oil",
                mass: Mass::from_mg(mg),
            },
        ];
        let found = outside(&formula, &parts, Mass::from_g(100));
        found.iter().map(ToString::to_string).collect::<Vec<_>>()
    };
    assert_eq!(said(1_000), Vec::<String>::new());
    assert_eq!(
        said(1_200),
        ["Clove oil is 1.2 % of the batch (1.20 g of 100.00 g), over its limit of 1 %."]
    );
    // Never "1 %, over its limit of 1 %".
    assert_eq!(
        said(1_001),
        ["Clove oil is 1.001 % of the batch (1.001 g of 100.00 g), over its limit of 1 %."]
    );
    assert_eq!(
        said(400),
        ["Clove oil is 0.4 % of the batch (0.40 g of 100.00 g), under its limit of 0.5 %."]
    );
    // Nothing of it at all is under the least share; a batch of nothing says nothing.
    let salt = [Held {
        ingredient: "Salt",
        mass: Mass::from_g(100),
    }];
    assert_eq!(outside(&formula, &salt, Mass::from_g(100)).len(), 1);
    assert_eq!(outside(&formula, &[], Mass::ZERO), []);
}

/// An ingredient in two phases has the limits of both entries together.
#[test]
fn the_same_ingredient_in_two_phases_is_held_against_both_limits() {
    let text = "[formula]\nname = \"A\"\n[[phase]]\n[[phase.ingredient]]\nname = \"Water\"\nbalance = true\n\
                [[phase.ingredient]]\nname = \"Oil\"\npercent = 10\nlimits = { max = 11 }\n\
                [[phase]]\n[[phase.ingredient]]\nname = \"oil\"\npercent = 5\nlimits = { max = 6 }\n";
    let formula = Formula::parse(text, "a.toml").unwrap();
    let held = |g| {
        [Held {
            ingredient: "Oil",
            mass: Mass::from_g(g),
        }]
    };
    assert_eq!(outside(&formula, &held(17), Mass::from_g(100)), []);
    let over = outside(&formula, &held(18), Mass::from_g(100));
    assert_eq!((over.len(), over[0].limit.text()), (1, "17".to_owned()));
}

// ---- the program itself --------------------------------------------------------------------------

const COARSE: &str = "[[scale]]\nname = \"shop\"\nport = \"/dev/a\"\nlayout = \"comma-header\"\n\
                      readability = \"1 g\"\n";

/// As a person meets them, in the order of their weight.
#[test]
fn check_refuses_what_breaks_a_limit_and_notes_what_may() {
    let person = Person::new();
    let formula = |percent: &str, tolerance: &str| {
        let text = format!(
            "[formula]\nname = \"A\"\n[[phase]]\n[[phase.ingredient]]\nname = \"Salt\"\nbalance = true\n\
             [[phase.ingredient]]\nname = \"Clove oil\"\npercent = {percent}\nlimits = {{ max = 1 }}\n\
             tolerance = {tolerance}\n"
        );
        person.file("a.toml", &text).to_str().unwrap().to_owned()
    };
    // The formula's own percent.
    let file = formula("1.2", "{ percent = 5 }");
    let said = person.run(&["check", &file, "--batch", "150g"]).ended(4);
    assert!(
        said.err
            .contains("a.toml:9:11: \"Clove oil\" has 1.2 %, above its greatest share"),
        "{said:?}"
    );
    assert!(said.err.contains("IFRA certificate"), "{said:?}");
    // The balance.
    let balance = person.file(
        "b.toml",
        "[formula]\nname = \"A\"\n[[phase]]\n[[phase.ingredient]]\nname = \"Salt\"\npercent = 98\n\
         [[phase.ingredient]]\nname = \"Clove oil\"\nbalance = true\nlimits = { max = 1 }\n",
    );
    let said = person.run(&["check", balance.to_str().unwrap()]).ended(4);
    assert!(
        said.err
            .contains("b.toml:9:11: The balance \"Clove oil\" has 2 %"),
        "{said:?}"
    );
    // What a coarse scale makes of it: 1 % of 150 g is 2 g on a scale of 1 g.
    let coarse = person.file("coarse.toml", COARSE);
    let file = formula("1", "{ g = 1 }");
    let args = [
        "check",
        &file,
        "--batch",
        "150g",
        "--config",
        coarse.to_str().unwrap(),
    ];
    let said = person.run(&args).ended(4);
    assert!(
        said.err.contains(
            "a.toml:7:1: Rounded to what the scale shows, \"Clove oil\" is 2.00 g of 150.00 g, \
                           1.33 %, over its limit of 1 %."
        ),
        "{said:?}"
    );
    // A tolerance that reaches over the limit: a note. The remedy it names is enough.
    let file = formula("0.9", "{ percent = 15 }");
    let said = person.run(&["check", &file, "--batch", "1kg"]).ended(0);
    let words = said.out.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(
        words.contains("could be over the limit of 1 %: 10.35 g"),
        "{words}"
    );
    let remedy = words
        .split("Narrow its tolerance to ")
        .nth(1)
        .expect("a remedy");
    let remedy = remedy.split(" or less").next().unwrap();
    let file = formula("0.9", &format!("{{ percent = 15, {remedy} }}"));
    let said = person.run(&["check", &file, "--batch", "1kg"]).ended(0);
    assert!(!said.out.contains("could be over"), "{said:?}");
}

/// The real daemon: what `check` refuses is not begun, and leaves no log.
#[test]
fn begin_refuses_what_breaks_a_limit() {
    let person = Person::new();
    let quiet = "[cues]\ndesktop = false\nsound = false\n";
    person.file(
        "home/.config/bismar/config.toml",
        &format!("{COARSE}{quiet}"),
    );
    person.file(
        "a.toml",
        "[formula]\nname = \"A\"\n[[phase]]\n[[phase.ingredient]]\nname = \"Salt\"\nbalance = true\n\
         [[phase.ingredient]]\nname = \"Clove oil\"\npercent = 1\nlimits = { max = 1 }\n\
         tolerance = { g = 1 }\n",
    );
    let _daemon = Daemon::start(&person);
    let said = person.run(&["begin", "a.toml", "--batch", "150g"]).ended(1);
    assert!(
        said.err
            .contains("\"Clove oil\" is 2.00 g of 150.00 g, 1.33 %, over its limit"),
        "{said:?}"
    );
    let logs = std::fs::read_dir(person.path(LOGS));
    assert_eq!(logs.map_or(0, Iterator::count), 0);
    // 2 g of 200 g are just inside.
    person.run(&["begin", "a.toml", "--batch", "200g"]).ended(0);
}
