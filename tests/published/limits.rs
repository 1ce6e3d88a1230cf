//! Hard limits: against exact decimals of another library, and against every corner of the tolerances.
//!
//! Outside source: rust_decimal (crates.io) does the division; that a limit is a share of the finished
//! batch is the formula file's own definition.

use bismar::formula::contents::{Contents, Known, MadeOf, Why, contents, limited, notes};
use bismar::formula::limits::{Held, Side, broken, exposed, outside};
use bismar::formula::plan::BatchSize;
use bismar::formula::{Deviation, Formula, Percent, Plan, substances};
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
        let mut parts = vec![Held { ingredient: "Rest", lot: "", mass: Mass::from_g(1) }];
        for i in 0..3 {
            let first = held[i].ratio(1, 3);
            parts.push(Held { ingredient: names[i], lot: "", mass: first });
            parts.push(Held { ingredient: names[i], lot: "", mass: held[i] - first });
        }
        let found: Vec<_> = outside(&limited(&formula, &Known::default()), &parts, total).into_iter()
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
        let notes = exposed(&formula, &plan, &bench("0.01 g"), "trial.toml");
        let found: std::collections::BTreeSet<_> = notes.iter().map(|note| {
            let name = note.message.split('"').nth(1).unwrap().to_owned();
            (name, note.message.contains("could be over"))
        }).collect();
        prop_assert_eq!(found, wanted);
        for note in &notes {
            let name = note.message.split('"').nth(1).unwrap().to_owned();
            let index: usize = name[1..].parse().unwrap();
            // Where its table begins.
            let place = format!("trial.toml:{}:1: ", 4 + 5 * index);
            let text = note.to_string();
            prop_assert!(text.starts_with(&place) && text.contains(" %"), "{}", text);
            let over = note.message.contains("could be over");
            let key = if over { "over" } else { "under" };
            let stays = |steps: i64| {
                // The grams it tells, and so many steps of the scale more.
                let told = note.remedy.split("{ g = ").nth(1)?.split(' ').next()?;
                let told = Mass::parse_with_unit(&format!("{told} g")).unwrap() + Mass::from_mg(10) * steps;
                let mut with = formula.clone();
                let mine = with.phases[0].ingredients.iter_mut().find(|i| i.name == name).unwrap();
                let side = Deviation { percent: None, mass: Some(told) };
                match over {
                    true => mine.tolerance.over = side,
                    false => mine.tolerance.under = side,
                }
                let plan = Plan::new(&with, BatchSize::Batch(Mass::from_mg(mg)), &bench("0.01 g"), 2.0).unwrap();
                let notes = exposed(&with, &plan, &bench("0.01 g"), "trial.toml");
                let same = |other: &bismar::problem::Problem| other.message.contains(&format!("\"{name}\" could be {key}"));
                Some(!notes.iter().any(same))
            };
            // What it says to do is enough, and a step more is not.
            prop_assert!(stays(0) != Some(false) && stays(1) != Some(true), "{}", text);
            // Where it names no tolerance, none of a whole step is narrow enough.
            if stays(0).is_none() {
                let target = plan.steps[index].target;
                let weight = target + Mass::from_mg(if over { 10 } else { -10 });
                let all_else = plan.steps.iter().enumerate().filter(|(i, _)| *i != index);
                let all_else = all_else.map(|(_, step)| if over { step.lowest } else { step.highest });
                let total = weight + all_else.sum();
                let mut held = targets;
                held[index] = weight;
                let outside = by_library(&drawn, &held, total);
                prop_assert!(outside.iter().any(|(other, _)| *other == name), "{}", text);
            }
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
                lot: "",
                mass: Mass::from_mg(100_000 - mg),
            },
            Held {
                ingredient: "Clove oil",
                lot: "",
                mass: Mass::from_mg(mg),
            },
        ];
        let found = outside(
            &limited(&formula, &Known::default()),
            &parts,
            Mass::from_g(100),
        );
        found.iter().map(ToString::to_string).collect::<Vec<_>>()
    };
    assert_eq!(said(1_000), Vec::<String>::new());
    assert_eq!(
        said(1_200),
        ["Clove oil is 1.2 % of the batch (1.20 g of 100.00 g), over its limit of 1 %."]
    );
    // What a skin may bear the supplier's documents tell; of a least share they tell nothing.
    let advised = |mg: i64| {
        let held = Held {
            ingredient: "Clove oil",
            lot: "",
            mass: Mass::from_mg(mg),
        };
        let limits = limited(&formula, &Known::default());
        let found = outside(&limits, &[held], Mass::from_g(100));
        found
            .iter()
            .map(|one| one.advice().is_some())
            .collect::<Vec<_>>()
    };
    assert_eq!(advised(1_200), [true]);
    assert_eq!(advised(400), [false]);
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
        lot: "",
        mass: Mass::from_g(100),
    }];
    assert_eq!(
        outside(
            &limited(&formula, &Known::default()),
            &salt,
            Mass::from_g(100)
        )
        .len(),
        1
    );
    assert_eq!(
        outside(&limited(&formula, &Known::default()), &[], Mass::ZERO),
        []
    );
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
            lot: "",
            mass: Mass::from_g(g),
        }]
    };
    assert_eq!(
        outside(
            &limited(&formula, &Known::default()),
            &held(17),
            Mass::from_g(100)
        ),
        []
    );
    let over = outside(
        &limited(&formula, &Known::default()),
        &held(18),
        Mass::from_g(100),
    );
    assert_eq!((over.len(), over[0].limit.text()), (1, "17".to_owned()));
}

/// Two levels of premixes and a constituent: rust_decimal multiplies and adds the shares. Ours may be more by
/// the rounding up to 10⁻⁹ % of each product, never less.
#[test]
fn what_reaches_through_premixes_is_what_the_library_sums() {
    let blend = |name: &str, inner: &str, a: i64, b: i64| {
        let text = format!(
            "[formula]\nname = \"{name}\"\nuse = \"premix\"\n[[phase]]\n[[phase.ingredient]]\nname = \"Oil {name}\"\n\
             inci = \"Melaleuca Alternifolia Leaf Oil\"\npercent = {}\n[[phase.ingredient]]\nname = \"Inner\"\n\
             percent = {}\n{inner}[[phase.ingredient]]\nname = \"Carrier\"\nbalance = true\n",
            hundredths(a),
            hundredths(b)
        );
        Formula::parse(&text, "blend.toml").unwrap()
    };
    let list = "[[substance]]\ninci = \"Melaleuca alternifolia leaf oil\"\nleave_on = 1\n\
                constituents = { Linalool = 12.5 }\n[[substance]]\ninci = \"Linalool\"\nleave_on = 0.2\n";
    for (a, b, c, d, e, f) in [
        (5000, 2500, 3333, 1, 300, 10),
        (1, 9998, 3333, 6666, 1234, 77),
        (3300, 3300, 9000, 1, 2, 3),
    ] {
        let known = Known {
            premixes: vec![
                blend("One", "premix = \"Two\"\n", a, b),
                blend("Two", "", c, d),
            ],
            substances: substances::parse(list, "substances.toml").unwrap(),
            ..Known::default()
        };
        let text = format!(
            "[formula]\nname = \"Balm\"\n[[phase]]\n[[phase.ingredient]]\nname = \"Blend\"\npremix = \"one\"\n\
             percent = {}\n[[phase.ingredient]]\nname = \"Own\"\ninci = \"MELALEUCA  ALTERNIFOLIA LEAF OIL\"\n\
             percent = {}\n[[phase.ingredient]]\nname = \"Base\"\nbalance = true\n",
            hundredths(e),
            hundredths(f)
        );
        let formula = Formula::parse(&text, "balm.toml").unwrap();
        let limits = limited(&formula, &known);
        let names: Vec<&str> = limits.iter().map(|one| one.name.as_str()).collect();
        assert_eq!(names.len(), 2, "{names:?}");
        let part = |n: i64| Decimal::new(n, 4);
        let in_blend = part(a) + part(b) * part(c);
        for (limited, factor) in limits.iter().zip([Decimal::ONE, Decimal::new(125, 3)]) {
            for (name, wanted) in [
                ("Blend", in_blend),
                ("Own", Decimal::ONE),
                ("Base", Decimal::ZERO),
            ] {
                let ours = Decimal::new(limited.share_in(name, "").0, 11);
                let off = ours - wanted * factor;
                assert!(
                    off >= Decimal::ZERO && off < Decimal::new(4, 11),
                    "{} {name}: {ours} {}",
                    limited.name,
                    wanted * factor
                );
            }
        }
        // In grams: just under and just over the limit.
        let share = in_blend * part(e) + part(f);
        let held = |g: i64| Held {
            ingredient: "Base",
            lot: "",
            mass: Mass::from_g(g),
        };
        let (blend, own) = (Mass::from_g(e), Mass::from_g(f));
        let all = |base: i64| {
            [
                Held {
                    ingredient: "Blend",
                    lot: "",
                    mass: blend,
                },
                Held {
                    ingredient: "Own",
                    lot: "",
                    mass: own,
                },
                held(base),
            ]
        };
        // share · 10000 g of it; the limit is 1 % of the batch.
        let least: Decimal = share * Decimal::from(1_000_000);
        let whole = least.trunc().to_string().parse::<i64>().unwrap() - e - f;
        let over = |base: i64| {
            let total = blend + own + Mass::from_g(base);
            outside(&limits, &all(base), total)
                .iter()
                .any(|one| one.ingredient.to_lowercase().starts_with("melaleuca"))
        };
        assert!(over(whole - 1), "{whole}");
        assert!(!over(whole + 2), "{whole}");
    }
}

/// A batch of a premix holds what was weighed into it, and so its lot is held against the limits by that.
#[test]
fn a_batch_of_a_premix_counts_as_it_was_weighed() {
    let blend = |name: &str, lines: &str| {
        let text = format!("[formula]\nname = \"{name}\"\nuse = \"premix\"\n{lines}");
        Formula::parse(&text, "blend.toml").unwrap()
    };
    let clove = |percent: &str| {
        format!("[[phase.ingredient]]\nname = \"Clove oil\"\npercent = {percent}\n")
    };
    let rest = "[[phase.ingredient]]\nname = \"Carrier\"\nbalance = true\n";
    let half = "[[phase.ingredient]]\nname = \"Half\"\npremix = \"Inner\"\npercent = 50\n";
    let third = half.replace("50", "33.333333333");
    let percent = |share: i64| Percent(Percent::HUNDRED.0 / 100 * share);
    let made = |formula: &str, lot: &str, share: i64| MadeOf {
        lot: lot.to_owned(),
        formula: formula.to_owned(),
        shares: vec![
            ("Clove oil".to_owned(), percent(share)),
            ("Carrier".to_owned(), percent(100 - share)),
        ],
    };
    let known = Known {
        premixes: vec![
            // In two phases, of which the log of a batch tells the sum.
            blend(
                "Two",
                &format!(
                    "[[phase]]\n{}[[phase]]\n{}{rest}",
                    clove("1.5"),
                    clove("0.5")
                ),
            ),
            blend("Inner", &format!("[[phase]]\n{}{rest}", clove("2"))),
            blend("Outer", &format!("[[phase]]\n{half}{rest}")),
            blend("Third", &format!("[[phase]]\n{third}{rest}")),
        ],
        batches: vec![made("two", "B-1", 3), made("Inner", "B-2", 7)],
        ..Known::default()
    };
    let shares = |premix: &str| {
        let text = format!(
            "[formula]\nname = \"Balm\"\n[[phase]]\n[[phase.ingredient]]\nname = \"Blend\"\npremix = \"{premix}\"\n\
             percent = 50\n[[phase.ingredient]]\nname = \"Base\"\nbalance = true\n\
             [[substance]]\ninci = \"Clove oil\"\nleave_on = 1.2\n"
        );
        let formula = Formula::parse(&text, "balm.toml").unwrap();
        let limits = limited(&formula, &known);
        let clove = limits.iter().find(|one| one.name == "Clove oil");
        let clove = clove.expect("a limit");
        ["", "B-1", "B-2"].map(|lot| clove.share_in("Blend", lot).text())
    };
    // As the formula has it, and what was weighed of the batch of that formula.
    assert_eq!(shares("Two"), ["2", "3", "2"]);
    // What is exact stays so; what is not is never less than it is.
    assert_eq!(shares("Outer")[0], "1");
    assert_eq!(shares("Third")[0], "0.666666667");
    // A lot names the batch of the line, not of what went into that.
    assert_eq!(shares("Outer")[2], "1");
}

/// What may hurt the skin has the strictest of its lines' limits; a lot's certificate counts in place of the
/// document.
#[test]
fn limits_of_one_substance_under_several_names() {
    let line = |name: &str, percent: &str, max: &str| {
        format!(
            "[[phase.ingredient]]\nname = \"{name}\"\ninci = \"Syzygium  aromaticum leaf OIL\"\npercent = {percent}\n\
             limits = {{ max = {max} }}\n"
        )
    };
    let text = format!(
        "[formula]\nname = \"A\"\nuse = \"rinse-off\"\n[[phase]]\n[[phase.ingredient]]\nname = \"Base\"\n\
         balance = true\n{}{}[[substance]]\ninci = \"Syzygium Aromaticum Leaf Oil\"\nrinse_off = 3\nleave_on = 0.1\n\
         constituents = {{ Eugenol = 80 }}\n[[substance.lot]]\nlot = \"C-2\"\nconstituents = {{ EUGENOL = 90 }}\n\
         [[substance]]\ninci = \"Eugenol\"\nrinse_off = 0.85\n",
        line("Clove", "0.5", "0.9"),
        line("Clove bud", "0.4", "2")
    );
    let formula = Formula::parse(&text, "a.toml").unwrap();
    let limits = limited(&formula, &Known::default());
    let held = |lot: &'static str, a: i64, b: i64| {
        let one = |ingredient, lot, mg| Held {
            ingredient,
            lot,
            mass: Mass::from_mg(mg),
        };
        let held = [one("Clove", lot, a), one("Clove bud", "", b)];
        let found = outside(&limits, &held, Mass::from_g(100));
        found.iter().map(ToString::to_string).collect::<Vec<_>>()
    };
    assert_eq!(held("", 500, 400), Vec::<String>::new());
    assert_eq!(
        held("", 550, 400),
        [
            "Syzygium  aromaticum leaf OIL is 0.95 % of the batch (0.95 g of 100.00 g), over its limit of 0.9 %; \
             it comes with \"Clove\" and \"Clove bud\"."
        ]
    );
    // 0.5 · 0.9 + 0.4 · 0.8 = 0.77; with 0.63 of the certified lot 0.887.
    assert_eq!(held("c-2", 500, 400), Vec::<String>::new());
    let over = held("C-2", 630, 400);
    assert_eq!(over.len(), 2, "{over:?}");
    assert!(
        over[1].starts_with("Eugenol is 0.89 % of the batch (0.887 g of 100.00 g), over its rinse-off limit (a.toml:"),
        "{over:?}"
    );
    // Another lot is as the document has it: 0.63 · 0.8 + 0.32 = 0.824.
    assert_eq!(held("C-3", 630, 400).len(), 1);
}

/// What is no matter of the skin: the limits of its lines add up over its names, and each name keeps its own.
#[test]
fn each_name_of_a_substance_keeps_its_own_limit() {
    let text = "[formula]\nname = \"A\"\n[[phase]]\n[[phase.ingredient]]\nname = \"Water\"\ninci = \"Aqua\"\nbalance = true\n\
                [[phase.ingredient]]\nname = \"Rose water\"\ninci = \"AQUA\"\npercent = 20\nlimits = { min = 15, max = 21 }\n\
                [[phase.ingredient]]\nname = \"Talc\"\npercent = 30\n";
    let formula = Formula::parse(text, "a.toml").unwrap();
    let limits = limited(&formula, &Known::default());
    let said = |water, rose| {
        let one = |ingredient, g| Held {
            ingredient,
            lot: "",
            mass: Mass::from_g(g),
        };
        let held = [
            one("Water", water),
            one("Rose water", rose),
            one("Talc", 30),
        ];
        let found = outside(&limits, &held, Mass::from_g(30 + water + rose));
        found
            .into_iter()
            .map(|one| (one.ingredient, one.side, one.limit.text()))
            .collect::<Vec<_>>()
    };
    assert_eq!(said(50, 20), []);
    // 50 + 21 of it are allowed together.
    let (over, under) = (Side::Over, Side::Under);
    let told = |name: &str, side, limit: &str| (name.to_owned(), side, limit.to_owned());
    assert_eq!(said(48, 22), [told("Rose water", over, "21")]);
    assert_eq!(
        said(65, 10),
        [told("Aqua", over, "71"), told("Rose water", under, "15")]
    );
}

/// Premixes that go round in a circle end, and what is not there is told.
#[test]
fn premixes_in_a_circle_and_unknown_ones() {
    let formula = |name: &str, premix: &str| {
        let text = format!(
            "[formula]\nname = \"{name}\"\n[[phase]]\n[[phase.ingredient]]\nname = \"P\"\npremix = \"{premix}\"\n\
             percent = 50\n[[phase.ingredient]]\nname = \"Tea tree oil\"\npercent = 50\n"
        );
        Formula::parse(&text, "a.toml").unwrap()
    };
    let known = Known {
        premixes: vec![formula("B", "A"), formula("C", "C2")],
        ..Known::default()
    };
    let first = formula("A", "B");
    let found = contents(&first, &known);
    let whys = |found: &Contents| {
        found
            .doubts
            .iter()
            .map(|doubt| (doubt.line, doubt.why))
            .collect::<Vec<_>>()
    };
    assert_eq!(whys(&found), [(0, Why::Circle)]);
    let circle = notes(&first, &known, "a.toml")[0].to_string();
    assert!(
        circle.contains("not known: \"A\" comes round to itself")
            && circle.contains("Take \"A\" out"),
        "{circle}"
    );
    let notes: Vec<String> = notes(&formula("A", "Nowhere"), &known, "a.toml")
        .iter()
        .map(ToString::to_string)
        .collect();
    assert!(
        notes[0].starts_with("a.toml:4:1: What is in the premix \"P\" is not known"),
        "{notes:?}"
    );
    // Nothing beside it was left unread, so nothing is said of that.
    assert!(
        notes[0].contains("no formula beside this one is called \"Nowhere\", so limits")
            && notes[0].contains("Put its formula into the same folder"),
        "{notes:?}"
    );
    assert!(notes[1].contains("has no greatest share"), "{notes:?}");
    // Written into the list it is known.
    let list = "[[substance]]\nname = \"P\"\nconstituents = { Menthol = 1 }\n";
    let known = Known {
        substances: substances::parse(list, "substances.toml").unwrap(),
        ..known
    };
    assert_eq!(whys(&contents(&formula("A", "Nowhere"), &known)), []);
}

/// Premixes of premixes end where they go too deep or too wide, and each is told once.
#[test]
fn premixes_too_deep_or_too_wide_are_told_once() {
    let line = |name: String, premix: &str| {
        format!("[[phase.ingredient]]\nname = \"{name}\"\npremix = \"{premix}\"\nparts = 1\n")
    };
    let formula = |name: &str, premix: &str, times: usize| {
        let lines: String = (0..times).map(|i| line(format!("P{i}"), premix)).collect();
        let text = format!("[formula]\nname = \"{name}\"\n[[phase]]\n{lines}");
        Formula::parse(&text, "a.toml").unwrap()
    };
    for times in [1, 2, 20] {
        let names: Vec<String> = (1..=12).map(|i| format!("L{i}")).collect();
        let known = Known {
            premixes: names
                .windows(2)
                .map(|two| formula(&two[0], &two[1], times))
                .collect(),
            ..Known::default()
        };
        let first = formula("L0", "L1", 1);
        let found = contents(&first, &known);
        assert!(found.reached.len() < 5_000, "{}", found.reached.len());
        assert!(found.doubts.iter().all(|doubt| doubt.why == Why::TooFar));
        let said = notes(&first, &known, "a.toml");
        let said: Vec<String> = said.iter().map(ToString::to_string).collect();
        let mut once = said.clone();
        once.dedup();
        assert_eq!(said, once);
        assert!(
            said[0].contains("lies too deep in premixes of premixes"),
            "{said:?}"
        );
    }
}

/// Two lines that share neither a name nor an INCI are one substance by a third that has both.
#[test]
fn a_line_may_join_what_was_two_substances() {
    let text = "[formula]\nname = \"A\"\n[[phase]]\n[[phase.ingredient]]\nname = \"Talc\"\nbalance = true\n\
                [[phase.ingredient]]\nname = \"Rose water\"\npercent = 2\n\
                [[phase.ingredient]]\nname = \"Hydrolate\"\ninci = \"Rosa Damascena Flower Water\"\npercent = 3\nlimits = { max = 4 }\n\
                [[phase]]\n[[phase.ingredient]]\nname = \"ROSE  water\"\ninci = \"rosa damascena flower water\"\npercent = 5\n";
    let formula = Formula::parse(text, "a.toml").unwrap();
    let limits = limited(&formula, &Known::default());
    let lines = |limited: &bismar::formula::contents::Limited| -> Vec<usize> {
        limited.from.iter().map(|source| source.line).collect()
    };
    let all: Vec<Vec<usize>> = limits.iter().map(lines).collect();
    // Together, and the hydrolate by its own name.
    assert_eq!(all, [vec![1, 2, 3], vec![2]], "{limits:?}");
    // What comes after them goes with all of them, by any of their names.
    let text =
        format!("{text}[[phase]]\n[[phase.ingredient]]\nname = \"Hydrolate\"\npercent = 1\n");
    let limits = limited(&Formula::parse(&text, "a.toml").unwrap(), &Known::default());
    let all: Vec<Vec<usize>> = limits.iter().map(lines).collect();
    assert_eq!(all, [vec![1, 2, 3, 4], vec![2, 4]], "{limits:?}");
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

/// A premix in a file with a mistake, and one in two files of one name: both are named.
#[test]
fn check_names_a_premix_that_does_not_read_and_one_that_is_there_twice() {
    let person = Person::new();
    let blend = |file: &str, percent: &str| {
        let text = format!(
            "[formula]\nname = \"Blend\"\nuse = \"premix\"\n[[phase]]\n[[phase.ingredient]]\n\
             name = \"Clove oil\"\npercent = {percent}\n[[phase.ingredient]]\nname = \"Base\"\nbalance = true\n"
        );
        person.file(file, &text);
    };
    let list = "[[substance]]\nname = \"Clove oil\"\nleave_on = 0.5\n";
    person.file("substances.toml", list);
    let product = person.file(
        "a.toml",
        "[formula]\nname = \"A\"\nuse = \"leave-on\"\n[[phase]]\n[[phase.ingredient]]\nname = \"Scent\"\n\
         premix = \"Blend\"\npercent = 1\n[[phase.ingredient]]\nname = \"Salt\"\nbalance = true\n",
    );
    let product = product.to_str().unwrap();
    let words = |said: &str| said.split_whitespace().collect::<Vec<_>>().join(" ");
    blend("blend.toml", "60x");
    let said = person.run(&["check", product, "--batch", "1kg"]).ended(0);
    let said = words(&said.out);
    assert!(
        said.contains("no formula beside this one that reads is called \"Blend\""),
        "{said}"
    );
    assert!(said.contains("blend.toml:7:"), "{said}");
    // Mended it counts.
    blend("blend.toml", "60");
    let said = person.run(&["check", product, "--batch", "1kg"]).ended(4);
    assert!(said.err.contains("comes to 0.6 % of the batch"), "{said:?}");
    // One of the same name that comes first, and has less in it.
    blend("a-blend.toml", "10");
    let said = person.run(&["check", product, "--batch", "1kg"]).ended(0);
    let said = words(&said.out);
    assert!(
        said.contains("Formulas of one name, \"Blend\", are in "),
        "{said}"
    );
    assert!(
        said.contains("only ") && said.contains("a-blend.toml is counted"),
        "{said}"
    );
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
