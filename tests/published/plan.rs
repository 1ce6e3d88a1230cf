//! From percent to grams: exact sums, nearness to the exact shares, choice of scale, the report.

use std::path::Path;

use bismar::cli::check;
use bismar::config::Config;
use bismar::formula::allowance::{Allowance, JarsShort, Losses};
use bismar::formula::filling::Fill;
use bismar::formula::plan::{BatchSize, PlanError};
use bismar::formula::{Formula, Percent, Plan, Share, examples};
use bismar::mass::Mass;
use bismar::metrology::ScaleAbility;
use proptest::prelude::*;
use rust_decimal::prelude::*;

use super::masses::{g, scale};
use crate::bench_side::python::{self, NO_WORDS};

fn bench() -> Vec<ScaleAbility> {
    vec![scale("bench", "0.01", Some("600"))]
}

fn formula(text: &str) -> Formula {
    Formula::parse(text, "f.toml").unwrap_or_else(|e| panic!("{e}"))
}

/// A one-phase formula of inline ingredients.
fn phase(ingredients: &[&str]) -> Formula {
    let list: String = ingredients
        .iter()
        .map(|i| format!("  {{ {i} }},\n"))
        .collect();
    formula(&format!(
        "[formula]\nname = \"x\"\n[[phase]]\ningredient = [\n{list}]\n"
    ))
}

fn targets(plan: &Plan) -> Vec<String> {
    plan.steps
        .iter()
        .map(|s| s.target.grams_rounded(3).to_string())
        .collect()
}

#[test]
fn eight_jars_of_bath_salts() {
    let amount = BatchSize::Jars {
        count: 8,
        fill: g("55"),
    };
    let plan = Plan::new(&formula(examples::TIDELINE), amount, &bench(), 2.0).expect("fits");
    assert_eq!(plan.batch, g("440"));
    assert_eq!(plan.jars, Some((8, g("55"))));
    // 58.5, 27, 8, 4, 1.5 and 1 % of 440 g, by hand.
    assert_eq!(
        targets(&plan),
        ["257.400", "118.800", "35.200", "17.600", "6.600", "4.400"]
    );
    let last: Vec<bool> = plan.steps.iter().map(|s| s.last_of_phase).collect();
    assert_eq!(last, [false, false, true, false, true, true]);
    // 2 % under and 1.5 % over 4.40 g.
    let blend = &plan.steps[5];
    assert_eq!((blend.lowest, blend.highest), (g("4.312"), g("4.466")));
    assert!(blend.lot_required);
    let feasible = plan.feasibility(&bench(), 2.0);
    assert!(feasible.iter().flatten().all(|f| f.window.proven) && feasible.len() == 6);
}

#[test]
fn the_largest_remainder_gets_the_missing_step() {
    let thirds = phase(&[
        "name = \"a\", percent = 33.3",
        "name = \"b\", percent = 33.3",
        "name = \"c\", percent = 33.4",
    ]);
    let plan = Plan::new(&thirds, BatchSize::Batch(g("100.01")), &bench(), 2.0).expect("fits");
    // Exact: 33.30333, 33.30333, 33.40334.
    assert_eq!(targets(&plan), ["33.300", "33.300", "33.410"]);
    let q = phase(&[
        "name = \"a\", percent = 33.3",
        "name = \"b\", balance = true",
        "name = \"c\", percent = 33.4",
    ]);
    let plan = Plan::new(&q, BatchSize::Batch(g("100.01")), &bench(), 2.0).expect("fits");
    assert_eq!(targets(&plan), ["33.300", "33.310", "33.400"]);
}

/// To a thousandth of a percent, and what is less than that as it is.
#[test]
fn a_share_is_shown_to_a_thousandth_of_a_percent() {
    for (billionths, shown) in [
        (38_461_538_462, "38.462"),
        (38_461_499_999, "38.461"),
        (12_500_000_000, "12.5"),
        (1_500_000, "0.002"),
        (500_000, "0.001"),
        (499_999, "0.000499999"),
        (100_000_000_000, "100"),
    ] {
        assert_eq!(Percent(billionths).shown(), shown);
    }
}

/// Beside a balance each target is the nearest step; half way between two it is the even one.
#[test]
fn a_share_half_way_between_two_steps_is_the_even_one() {
    let with = |batch: &str| {
        let f = phase(&["name = \"a\", percent = 5", "name = \"b\", balance = true"]);
        let plan = Plan::new(&f, BatchSize::Batch(g(batch)), &bench(), 2.0).expect("fits");
        targets(&plan)
    };
    // 5.005 and 5.015 g.
    assert_eq!(with("100.10"), ["5.000", "95.100"]);
    assert_eq!(with("100.30"), ["5.020", "95.280"]);
}

/// Each on its own scale: what the fine ones show more than the exact shares is taken off the heaviest.
#[test]
fn what_the_finer_scales_round_up_comes_off_the_heaviest() {
    let scales = vec![
        scale("floor", "1", Some("30000")),
        scale("fine", "0.001", Some("60")),
    ];
    let f = phase(&[
        "name = \"salt\", percent = 90",
        "name = \"a\", percent = 5.00006",
        "name = \"b\", percent = 2.00006",
        "name = \"c\", percent = 2.99988",
    ]);
    let plan = Plan::new(&f, BatchSize::Batch(g("1000")), &scales, 2.0).expect("fits");
    assert_eq!(targets(&plan), ["899.999", "50.001", "20.001", "29.999"]);
    assert_eq!(plan.batch, g("1000"));
}

#[test]
fn a_batch_between_two_steps_of_the_scale_is_rounded_to_it() {
    let two = phase(&["name = \"a\", percent = 50", "name = \"b\", percent = 50"]);
    let ounces = Mass::parse_with_unit("2oz").expect("a mass");
    let plan = Plan::new(&two, BatchSize::Batch(ounces), &bench(), 2.0).expect("fits");
    assert_eq!(plan.batch, g("56.70"));
    assert_eq!(targets(&plan), ["28.350", "28.350"]);
    // 2 oz are 56.69904625 g (NIST Handbook 44, Appendix C: 1 oz = 28.349523125 g).
    assert_eq!(
        plan.rounding(BatchSize::Batch(ounces)).unwrap(),
        "the batch is 56.7 g instead of 56.699046 g, since its scales show no finer steps"
    );
    assert_eq!(plan.rounding(BatchSize::Batch(g("56.70"))), None);
}

#[test]
fn each_step_goes_to_the_first_scale_that_carries_and_proves_it() {
    let scales = vec![
        scale("floor", "1", Some("30000")),
        scale("bench", "0.01", Some("600")),
        scale("fine", "0.001", Some("50")),
    ];
    let f = phase(&[
        "name = \"salt\", percent = 94.9", // 949 g ± 9.5: the floor scale proves it
        "name = \"clay\", percent = 5.0",  // 50 g ± 0.5: not to 1 g; bench
        "name = \"oil\", percent = 0.1",   // 1 g ± 0.01: 2u is 0.0116 g at 0.01 g; fine
    ]);
    let plan = Plan::new(&f, BatchSize::Batch(g("1000")), &scales, 2.0).expect("fits");
    assert_eq!(
        plan.steps.iter().map(|s| s.scale).collect::<Vec<_>>(),
        [0, 1, 2]
    );
    assert_eq!(targets(&plan), ["949.000", "50.000", "1.000"]);
    // Without the fine scale the finest that carries it is taken, and said to prove nothing.
    let plan = Plan::new(&f, BatchSize::Batch(g("1000")), &scales[..2], 2.0).expect("fits");
    assert_eq!(plan.steps[2].scale, 1);
    let feasible = plan.feasibility(&scales[..2], 2.0);
    let proven: Vec<bool> = feasible.iter().flatten().map(|f| f.window.proven).collect();
    assert_eq!(proven, [true, true, false]);
}

#[test]
fn a_bowl_carries_what_was_poured_before() {
    let scales = vec![
        scale("small", "0.01", Some("500")),
        scale("large", "0.1", Some("5000")),
    ];
    let f = phase(&[
        "name = \"a\", percent = 60, vessel = \"bowl\"",
        "name = \"b\", percent = 40, vessel = \"bowl\"",
    ]);
    let plan = Plan::new(&f, BatchSize::Batch(g("800")), &scales, 2.0).expect("fits");
    assert_eq!(
        plan.steps.iter().map(|s| s.scale).collect::<Vec<_>>(),
        [0, 1]
    );
    let beakers = phase(&["name = \"a\", percent = 60", "name = \"b\", percent = 40"]);
    let plan = Plan::new(&beakers, BatchSize::Batch(g("800")), &scales, 2.0).expect("fits");
    assert_eq!(
        plan.steps.iter().map(|s| s.scale).collect::<Vec<_>>(),
        [0, 0]
    );
}

#[test]
fn impossible_batches_are_refused_with_a_remedy() {
    let plain = phase(&[
        "name = \"salt\", percent = 99.99",
        "name = \"oil\", percent = 0.01",
    ]);
    let refusal = |f: &Formula, amount: BatchSize, scales: &[ScaleAbility]| {
        Plan::new(f, amount, scales, 2.0)
            .expect_err("refused")
            .to_string()
    };
    let batch = |text: &str| BatchSize::Batch(g(text));
    let jars_of = |count, fill: &str, batch: &str| BatchSize::JarsOf {
        count,
        fill: g(fill),
        batch: g(batch),
    };
    let text = refusal(&plain, batch("20"), &bench());
    assert!(
        text.contains("\"oil\" would be 0.002000 g") && text.contains("at least 100 g"),
        "{text}"
    );
    assert!(
        Plan::new(&plain, batch("100"), &bench(), 2.0).is_ok(),
        "the remedy must hold"
    );
    let text = refusal(&plain, batch("700"), &bench());
    assert!(text.contains("\"salt\" brings 699.93 g"), "{text}");
    let loose = phase(&[
        "name = \"a\", percent = 99, tolerance = { g = 1 }",
        "name = \"b\", percent = 1, tolerance = { g = 1 }",
    ]);
    let text = refusal(&loose, batch("100"), &bench());
    assert!(
        text.contains("\"b\" allows 1.00 g under, and its target is 1.00 g"),
        "{text}"
    );
    for amount in [
        batch("0"),
        batch("-5"),
        BatchSize::Jars {
            count: 0,
            fill: g("5"),
        },
        BatchSize::Jars {
            count: 5,
            fill: g("0"),
        },
        jars_of(0, "5", "20"),
        jars_of(5, "0", "20"),
        jars_of(5, "5", "0"),
    ] {
        assert!(refusal(&plain, amount, &bench()).contains("more than nothing"));
    }
    let tonnes = BatchSize::Jars {
        count: u32::MAX,
        fill: g("55"),
    };
    assert!(refusal(&plain, tonnes, &bench()).contains("more than 1 t"));
    assert!(batch("1000000").total().is_ok() && batch("1000000.000000001").total().is_err());
    assert_eq!(
        Plan::new(&plain, batch("1"), &[], 2.0),
        Err(PlanError::NoScale)
    );
}

/// Up to twelve shares that make 100 % exactly, in steps of 10⁻⁹ %.
fn shares() -> impl Strategy<Value = Vec<i64>> {
    prop::collection::vec(1i64..1_000_000, 1..12).prop_map(|weights| {
        let total: i64 = weights.iter().sum();
        let mut shares: Vec<i64> = weights
            .iter()
            .map(|w| (w * 100_000_000_000 / total).max(1))
            .collect();
        shares[0] += 100_000_000_000 - shares.iter().sum::<i64>();
        shares
    })
}

fn of_shares(shares: &[i64], balance: Option<usize>) -> Formula {
    let one = |(i, n): (usize, &i64)| {
        if balance == Some(i) {
            format!("name = \"{i}\", balance = true")
        } else {
            format!(
                "name = \"{i}\", percent = {}.{:09}",
                n / 1_000_000_000,
                n % 1_000_000_000
            )
        }
    };
    let list: Vec<String> = shares.iter().enumerate().map(one).collect();
    phase(&list.iter().map(String::as_str).collect::<Vec<_>>())
}

/// The exact share in nanograms, by rust_decimal.
fn exact(share: i64, batch: Mass) -> Decimal {
    Decimal::from(share) * Decimal::from(batch.ng()) / Decimal::from(100_000_000_000i64)
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

    /// On one scale: exact sum; without a balance each target within 1 d of its exact share; with one
    /// every other target the nearest step, by rust_decimal's rounding half to even.
    #[test]
    fn targets_sum_to_the_batch_on_one_scale(
        shares in shares(), hundredths in 1i64..10_000_000, with_balance: bool, which: prop::sample::Index,
    ) {
        let d = Mass::from_mg(10);
        let batch = d * hundredths;
        let balance = with_balance.then(|| which.index(shares.len()));
        let f = of_shares(&shares, balance);
        let scales = [ScaleAbility::assumed("bench")];
        match Plan::new(&f, BatchSize::Batch(batch), &scales, 2.0) {
            Ok(plan) => {
                prop_assert_eq!(plan.steps.iter().map(|s| s.target).sum::<Mass>(), batch);
                prop_assert_eq!(plan.batch, batch);
                for (i, step) in plan.steps.iter().enumerate() {
                    prop_assert_eq!(step.target.round_to(d), step.target);
                    prop_assert!(step.target >= d && step.lowest > Mass::ZERO);
                    let exact = exact(shares[i], batch);
                    let off = (Decimal::from(step.target.ng()) - exact).abs();
                    let bound = match balance {
                        None => Decimal::from(d.ng()),
                        Some(b) if b == i => Decimal::from(d.ng() * (shares.len() as i64 - 1)) / Decimal::TWO,
                        Some(_) => {
                            let steps = (exact / Decimal::from(d.ng()))
                                .round_dp_with_strategy(0, RoundingStrategy::MidpointNearestEven);
                            prop_assert_eq!(Decimal::from(step.target.ng() / d.ng()), steps);
                            Decimal::from(d.ng()) / Decimal::TWO
                        }
                    };
                    prop_assert!(off <= bound, "{} of {}: off by {} ng", step.target.ng(), exact, off);
                }
            }
            Err(PlanError::TooLittle { .. }) => {
                let least = shares.iter().map(|&s| exact(s, batch)).min().unwrap_or_default();
                prop_assert!(balance.is_some() || least < Decimal::from(d.ng()));
            }
            Err(other) => prop_assert!(false, "{}", other),
        }
    }

    /// On scales of different readability the sum is still exact, every target but one is what its scale
    /// shows, and no panic comes of any figures.
    #[test]
    fn targets_sum_to_the_batch_on_several_scales(
        shares in shares(), mg in 1i64..5_000_000_000, with_balance: bool, which: prop::sample::Index,
        guard in 0.0..4.0,
    ) {
        let scales = [scale("floor", "1", Some("30000")), scale("bench", "0.01", Some("600")), scale("fine", "0.001", Some("60"))];
        let balance = with_balance.then(|| which.index(shares.len()));
        let f = of_shares(&shares, balance);
        if let Ok(plan) = Plan::new(&f, BatchSize::Batch(Mass::from_mg(mg)), &scales, guard) {
            prop_assert_eq!(plan.steps.iter().map(|s| s.target).sum::<Mass>(), plan.batch);
            let used: Vec<Mass> = plan.steps.iter().map(|s| scales[s.scale].readability).collect();
            let finest = used.iter().min().copied().unwrap_or_default();
            prop_assert!((plan.batch - Mass::from_mg(mg)).abs() * 2 <= finest);
            let odd = plan.steps.iter().zip(&used).filter(|(s, d)| s.target.round_to(**d) != s.target);
            prop_assert!(odd.count() <= 1);
            for (i, (step, &d)) in plan.steps.iter().zip(&used).enumerate() {
                let off = (Decimal::from(step.target.ng()) - exact(shares[i], plan.batch)).abs();
                let fine: i64 = used.iter().filter(|&&other| other < d).map(|other| other.ng()).sum();
                let rest = used.iter().map(|other| other.ng()).sum::<i64>() - d.ng();
                let bound = if balance == Some(i) { rest / 2 } else { d.ng() + fine };
                prop_assert!(off <= Decimal::from(bound), "step {} off by {} ng", step.number, off);
            }
        }
    }

    /// The balance that is worked out is what is left to 100.
    #[test]
    fn shares_make_a_hundred(shares in shares(), which: prop::sample::Index) {
        let f = of_shares(&shares, Some(which.index(shares.len())));
        prop_assert_eq!(f.shares().iter().map(|p| p.0).collect::<Vec<_>>(), shares);
        prop_assert_eq!(f.ingredients().filter(|i| i.share == Share::Balance).count(), 1);
    }
}

/// Parts to percents against the largest remainder method of the Python library `apportionment` 1.0
/// (exact fractions; `.ci/test` installs it). Among equal remainders the library may serve another one,
/// so only formulas without equal ones are asked of it; the rule for those is our own.
#[test]
fn parts_become_the_percents_of_a_library_for_shares_of_seats() {
    const SCRIPT: &str = r#"
import sys
from apportionment import methods
for line in sys.stdin:
    parts = [int(n) for n in line.split()]
    print(*methods.compute("largest_remainder", parts, 10**11, fractions=True))
"#;
    let mut rng = fastrand::Rng::with_seed(11);
    let shares_of = |parts: &[i64]| {
        let list = parts.iter().enumerate();
        let list: Vec<String> = list
            .map(|(i, n)| format!("name = \"{i}\", parts = {n}"))
            .collect();
        let formula = phase(&list.iter().map(String::as_str).collect::<Vec<_>>());
        let shares: Vec<i64> = formula.shares().iter().map(|share| share.0).collect();
        assert_eq!(shares.iter().sum::<i64>(), 100_000_000_000, "{parts:?}");
        shares
    };
    let third = 33_333_333_333;
    assert_eq!(shares_of(&[1, 1, 1]), [third + 1, third, third]);
    assert_eq!(shares_of(&[3, 2]), [60_000_000_000, 40_000_000_000]);
    let no_equals = |parts: &Vec<i64>| {
        let all = parts.iter().sum::<i64>();
        let rest = |n: &i64| i128::from(*n) * 100_000_000_000 % i128::from(all);
        let rests: std::collections::BTreeSet<i128> = parts.iter().map(rest).collect();
        rests.len() == parts.len()
    };
    let rows: Vec<Vec<i64>> = (0..300)
        .map(|_| {
            let most = [9, 1_000, 1_000_000][rng.usize(0..3)];
            (0..rng.usize(1..12)).map(|_| rng.i64(1..=most)).collect()
        })
        .filter(no_equals)
        .collect();
    assert!(rows.len() > 100, "{}", rows.len());
    let (mut asked, mut ours) = (String::new(), String::new());
    let words = |numbers: &[i64]| {
        numbers
            .iter()
            .map(i64::to_string)
            .collect::<Vec<_>>()
            .join(" ")
    };
    for parts in &rows {
        asked += &format!("{}\n", words(parts));
        let shares = shares_of(parts);
        ours += &format!("{}\n", words(&shares));
    }
    let theirs = python::asked(SCRIPT, NO_WORDS, asked.as_bytes());
    for ((parts, theirs), ours) in rows.iter().zip(theirs.lines()).zip(ours.lines()) {
        assert_eq!(theirs, ours, "{parts:?}");
    }
    assert_eq!(theirs.lines().count(), rows.len());
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

    /// With an allowance the targets sum to the batch, which is the jars' sum and that share more, by
    /// rust_decimal; the jars stay.
    #[test]
    fn an_allowance_makes_the_batch_larger_and_leaves_the_jars(
        count in 1u32..200, fill_mg in 1_000i64..500_000, hundredths in 1i64..5000,
    ) {
        let text = format!("{}.{:02}%", hundredths / 100, hundredths % 100);
        let allowance: Allowance = text.parse().expect("a percentage");
        let fill = Mass::from_mg(fill_mg);
        let amount = BatchSize::Jars { count, fill }.with(allowance).expect("not too much");
        let scales = [ScaleAbility::assumed("bench")];
        let plan = Plan::new(&formula(examples::TIDELINE), amount, &scales, 2.0);
        // Too little of an ingredient for the scale is no matter of the allowance.
        prop_assume!(plan.is_ok());
        let plan = plan.expect("is ok");
        let jars = Decimal::from(fill.ng()) * Decimal::from(count);
        let exact = jars * (Decimal::from(10_000 + hundredths) / Decimal::from(10_000));
        let d = Decimal::from(Mass::from_mg(10).ng());
        let wanted = (exact / d).round_dp_with_strategy(0, RoundingStrategy::MidpointNearestEven) * d;
        prop_assert_eq!(Decimal::from(plan.batch.ng()), wanted);
        prop_assert_eq!(plan.steps.iter().map(|s| s.target).sum::<Mass>(), plan.batch);
        prop_assert_eq!(plan.jars, Some((count, fill)));
    }
}

#[test]
fn an_allowance_that_makes_no_sense_is_refused_in_words() {
    let says = |text: &str| text.parse::<Allowance>().map_err(|error| error.to_string());
    assert_eq!(says("0%"), Ok(Allowance::NONE));
    assert_eq!(says(" 50 %"), Ok(Allowance::MOST));
    for (text, words) in [
        ("2,5%", "no comma"),
        ("3", "percent sign"),
        ("-1%", "negative"),
        ("50.000000001%", "more than 50 %"),
        ("1e1%", "not a percentage"),
        ("%", "not a percentage"),
        ("٣%", "not a percentage"),
        ("99999999999999999999%", "not a percentage"),
    ] {
        let error = says(text).expect_err(text);
        assert!(error.contains(words), "{text}: {error}");
    }
    // 8 jars of 55 g and 3 %: 453.2 g, by hand.
    let jars = BatchSize::Jars {
        count: 8,
        fill: g("55"),
    };
    let amount = jars
        .with("3%".parse().expect("a percentage"))
        .expect("fits");
    let plan = Plan::new(&formula(examples::TIDELINE), amount, &bench(), 2.0).expect("fits");
    assert_eq!((plan.batch, plan.jars), (g("453.2"), Some((8, g("55")))));
    assert_eq!(plan.spare(g("0.01")), Some(g("13.2")));
    let most = BatchSize::Batch(BatchSize::LARGEST).with(Allowance::MOST);
    assert!(matches!(most, Err(PlanError::BatchSize(_))));
}

/// Losses of one to twenty batches, in billionths of a percent.
fn drawn() -> Vec<Vec<i64>> {
    let mut rng = fastrand::Rng::with_seed(11);
    let one = |count: usize, rng: &mut fastrand::Rng| {
        (0..count).map(|_| rng.i64(0..9_000_000_000)).collect()
    };
    (0..60).map(|index| one(index % 20 + 1, &mut rng)).collect()
}

fn losses(shares: &[i64]) -> Losses {
    let told: Vec<(Percent, String)> = shares
        .iter()
        .map(|n| (Percent(*n), "Dune soak".to_owned()))
        .collect();
    Losses::of(&told, "Dune soak", |name| name == "Dune soak")
}

/// numpy's quantile with `method="linear"`, which is definition 7 of Hyndman and Fan (numpy's own documentation),
/// and what has to be made by Python's exact fractions.
#[test]
fn the_allowance_for_what_was_lost_agrees_with_numpy() {
    const SCRIPT: &str = "import sys, numpy\nfrom fractions import Fraction as F\n\
        for line in sys.stdin:\n\
        \x20   shares = [int(word) for word in line.split()]\n\
        \x20   lost = float(numpy.quantile(numpy.array(shares, dtype=numpy.longdouble), 0.9, method='linear'))\n\
        \x20   made = F(505, 10) / (1 - F(lost) / 10**11)\n\
        \x20   print(lost, float((made / 50 - 1) * 100))\n";
    let drawn = drawn();
    let line = |shares: &Vec<i64>| {
        shares
            .iter()
            .map(i64::to_string)
            .collect::<Vec<_>>()
            .join(" ")
    };
    let asked: String = drawn.iter().map(|shares| line(shares) + "\n").collect();
    let theirs = python::asked(SCRIPT, NO_WORDS, asked.as_bytes());
    assert_eq!(theirs.lines().count(), drawn.len());
    for (theirs, shares) in theirs.lines().zip(&drawn) {
        let (lost, least) = theirs.split_once(' ').expect("two numbers");
        let ours = losses(shares);
        let usual = ours.usual().expect("of batches").0 as f64;
        assert!(
            (usual - lost.parse::<f64>().expect("a number")).abs() <= 1.0,
            "{shares:?}: {usual} {lost}"
        );
        // 50 g are filled to 50.5 g: the middle between the label and 2 % more. The next half percent.
        let least: f64 = least.parse().expect("a number");
        let found = ours.allowance(g("50")).expect("in the limits").percent().0 as f64 / 1e9;
        assert!(
            found > least && found <= least + 0.5 && (found * 2.0).fract() == 0.0,
            "{found} {least}"
        );
    }
}

#[test]
fn what_no_batch_tells_is_said_and_too_great_a_loss_has_no_allowance() {
    assert_eq!(Losses::default().usual(), None);
    // 1.01 / 0.98 - 1 = 3.06 %.
    assert_eq!(Losses::default().allowance(g("50")), "3.5%".parse().ok());
    for lost in [60_000_000_000, 100_000_000_000, i64::MAX] {
        assert_eq!(losses(&[lost]).allowance(g("50")), None, "{lost}");
    }
    // Fewer than three of its own: those of all formulas count.
    let told = [("Reed balm", 1), ("Dune soak", 9), ("Reed balm", 2)]
        .map(|(name, n)| (Percent(n * 1_000_000_000), name.to_owned()));
    let ours = Losses::of(&told, "Dune soak", |name| name == "Dune soak");
    assert_eq!(
        ours.usual(),
        Some(Percent(7_600_000_000)),
        "0.2 of the way from 9 down to 2"
    );
    let own = Losses::of(&told, "Reed balm", |_| true);
    assert_eq!(own.usual(), ours.usual());
}

/// One figure where all batches lost the same, to a tenth of a percent, and else the least and the most of them.
#[test]
fn what_earlier_batches_lost_is_told_as_one_figure_or_as_a_range() {
    let amount = BatchSize::Jars {
        count: 10,
        fill: g("50"),
    };
    let scales = [scale("fine", "0.001", None)];
    let plan = Plan::new(
        &phase(&["name = \"Salt\", parts = 1"]),
        amount,
        &scales,
        2.0,
    );
    let plan = plan.expect("a plan");
    let told = |hundredths: [i64; 3]| {
        let losses = losses(&hundredths.map(|one| one * 10_000_000));
        let short = JarsShort::of(&plan, losses).expect("not every jar gets full");
        short.told().to_string()
    };
    for (lost, range) in [
        ([500, 500, 500], "5 %"),
        ([500, 420, 480], "4.2 to 5 %"),
        ([524, 415, 480], "4.2 to 5.2 %"),
    ] {
        let last = format!(
            "Of your last 3 batches of \"Dune soak\" {range} got into no jar, and that is few to go by"
        );
        assert!(told(lost).contains(&last), "{}", told(lost));
    }
    // Ten are enough.
    for (count, few) in [(9, true), (10, false)] {
        let losses = losses(&vec![5_000_000_000; count]);
        let short = JarsShort::of(&plan, losses).expect("not every jar gets full");
        let told = short.told().to_string();
        assert!(
            told.contains(&format!("Of your last {count} batches")),
            "{told}"
        );
        assert_eq!(told.contains("few to go by"), few, "{told}");
    }
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

    /// Poured jar by jar out of what is there, as the filling does it: to the aim while there is so much, and the
    /// last to what is left, a nanogram of it apart.
    #[test]
    fn as_many_jars_get_full_as_are_poured_one_by_one(fill_mg in 1i64..500_000, times_mg in 0i64..40_000) {
        let fill = Mass::from_mg(fill_mg);
        let there = fill.ratio(times_mg, 1000);
        let (mut left, mut poured) = (there, 0);
        while left > fill {
            left = left - Fill::usual_aim(fill).min(left);
            poured += 1;
        }
        prop_assert_eq!(Fill::full(fill, there), poured);
    }

    /// With the allowance that is proposed every jar gets full, and half a percent less than it is not far off: with
    /// one percent less and many jars, not all do.
    #[test]
    fn with_the_proposed_allowance_every_jar_gets_full(count in 1u32..400, fill_g in 5i64..500, lost in 0i64..20_000_000_000) {
        let fill = Mass::from_g(fill_g);
        let losses = losses(&[lost]);
        let planned = |allowance: Allowance| {
            let amount = BatchSize::Jars { count, fill }.with(allowance).expect("not too much");
            // One ingredient on a scale that shows a milligram: nothing of it is rounding.
            let scales = [scale("fine", "0.001", None)];
            Plan::new(&phase(&["name = \"Salt\", parts = 1"]), amount, &scales, 2.0).expect("a plan")
        };
        prop_assert!(JarsShort::of(&planned(Allowance::NONE), losses.clone()).is_some());
        let allowance = losses.allowance(fill).expect("in the limits");
        prop_assert_eq!(JarsShort::of(&planned(allowance), losses.clone()), None);
        let less = (allowance.percent().0 - 1_000_000_000) as f64 / 1e9;
        if less > 0.0 && count > 200 {
            let less: Allowance = format!("{less:.1}%").parse().expect("a percentage");
            prop_assert!(JarsShort::of(&planned(less), losses).is_some());
        }
    }
}

// ---- the program itself --------------------------------------------------------------------------

fn run(name: &str, batch: Option<&str>, config: &Config) -> (String, bool) {
    let path = format!("config/formulas/{name}.toml");
    let asked = batch.map(|grams| BatchSize::Batch(g(grams)));
    check::run(Path::new(&path), asked, Allowance::NONE, false, config)
        .unwrap_or_else(|e| panic!("{e}"))
}

/// The text with its line breaks taken out.
fn words(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

#[test]
fn the_report_shows_the_plan_in_eighty_columns() {
    let config = Config::default();
    for name in [
        "tideline-bath-salts",
        "marram-balm",
        "samphire-foot-powder",
        "saltmarsh-scent-blend",
        "eelgrass-fizz-powder",
    ] {
        for batch in [None, Some("110"), Some("440"), Some("5000")] {
            let (text, _) = run(name, batch, &config);
            let wide = text.lines().find(|line| line.chars().count() > 80);
            assert_eq!(wide, None, "{name} {batch:?}");
            assert!(
                words(&text).contains("qualified or licensed person."),
                "the standing caution: {text}"
            );
        }
    }
    let (text, proven) = run("tideline-bath-salts", Some("440"), &config);
    assert!(
        proven && text.contains("On the assumed scale every step could be proven."),
        "{text}"
    );
    // 4.40 g less 2 % and more 1.5 %, drawn in by 2 × 0.010801 g (s of 0.01 g is assumed): 4.3336 to 4.4444 g.
    let row = "  6 Essential oil blend           1      4.40        4.34 – 4.44 beaker assumed\n";
    assert!(text.contains(row), "{text}");
}

#[test]
fn an_unproven_step_is_marked_and_explained() {
    let (text, proven) = run("tideline-bath-salts", Some("30"), &Config::default());
    assert!(!proven);
    assert!(text.contains("0.29 – 0.31?"), "{text}");
    assert!(
        words(&text).contains("- Step 6, Essential oil blend: the scale \"assumed\" cannot prove"),
        "{text}"
    );
    assert!(words(&text).contains("make a larger batch"), "{text}");
    // A tolerance of less than a step of the scale is told with a digit more.
    let (text, _) = run("tideline-bath-salts", Some("10"), &Config::default());
    let finer = "the scale \"assumed\" cannot prove 0.098 to 0.102";
    assert!(words(&text).contains(finer), "{text}");
    // 2.40 g at 60 g: proven, but with one value to hit.
    let (text, _) = run("tideline-bath-salts", Some("60"), &Config::default());
    let narrow = "- Step 4, Sunflower oil: the window has a single value to hit";
    assert!(words(&text).contains(narrow), "{text}");
}

#[test]
fn a_formula_that_does_not_add_up_is_told_with_its_place() {
    let bad = Path::new("fixtures/formulas/invalid/sum_99.toml");
    let error = check::run(bad, None, Allowance::NONE, false, &Config::default())
        .expect_err("bad formula")
        .to_string();
    assert!(
        error.starts_with("fixtures/formulas/invalid/sum_99.toml:14:11: "),
        "{error}"
    );
}

/// The README's example of a budget, with the scale that stands above it; other budgets have other lines.
#[test]
fn check_shows_the_budget_that_the_readme_has() {
    let readme = std::fs::read_to_string("README.md").expect("it is there");
    let section = readme
        .split("\n## What U says")
        .nth(1)
        .expect("the section");
    let block = |fence: &str| {
        let rest = section.split(fence).nth(1).expect("a block");
        rest.split("```").next().expect("its end").to_owned()
    };
    let told = Config::parse(&block("```toml\n"), "c.toml").expect("it reads");
    let path = Path::new("config/formulas/tideline-bath-salts.toml");
    let amount = Some(BatchSize::Batch(g("300")));
    let run = |config: &Config, budgets| {
        let found = check::run(path, amount, Allowance::NONE, budgets, config);
        found.unwrap_or_else(|e| panic!("{e}")).0
    };
    let text = run(&told, true);
    assert!(text.contains(&block("```text\n")), "{text}");
    assert_eq!(text.lines().find(|line| line.chars().count() > 80), None);
    let covers = "U on \"bench\" covers rounding, its scatter as measured, its linearity, its gain and the place of \
                  the load.";
    assert!(words(&text).contains(covers), "{text}");
    assert!(!run(&told, false).contains("Uncertainty budgets"));
    // Of a scale of which nothing is told that is said, and all its steps have one budget.
    let mut plain = told.clone();
    plain.scales[0].repeatability = None;
    plain.scales[0].errors = bismar::metrology::Errors::default();
    let text = run(&plain, true);
    for said in [
        "ASSUMED as one step, since none was measured.",
        "Nothing is told of its linearity, its gain or the place of the load: no weight is proven against these.",
        "Steps 1 (175.50 g), 2 (81.00 g), 3 (24.00 g), 4 (12.00 g), 5 (4.50 g), 6 (3.00 g) on \"bench\": U = \
         0.022 g, k = 2",
    ] {
        assert!(words(&text).contains(said), "{said}\n{text}");
    }
    // u² = d² + d²/6, by hand: six sevenths of it scatter.
    assert!(
        text.contains("ASSUMED      0.01000    86 ##########\n"),
        "{text}"
    );
}

/// Only what is weighed by difference is lifted between its two readings.
#[test]
fn a_source_moves_between_its_readings() {
    use bismar::formula::VesselWay;
    let moving = [
        VesselWay::Beaker,
        VesselWay::Bowl,
        VesselWay::Jar,
        VesselWay::Difference,
    ];
    assert_eq!(moving.map(VesselWay::moves), [false, false, false, true]);
}

#[test]
fn an_ingredient_that_looks_like_another_is_warned_of_with_both_lines() {
    let two = |other: &str| {
        let text = format!(
            "[formula]\nname = \"Dune salt\"\n[[phase]]\nname = \"Dry\"\n[[phase.ingredient]]\nname = \"Coarse salt\"\n\
             percent = 50\n[[phase.ingredient]]\nname = \"{other}\"\npercent = 50\n"
        );
        let formula = Formula::parse(&text, "dune.toml").expect("a formula");
        formula.warnings("dune.toml")
    };
    assert!(two("Fine salt").is_empty());
    let told = two("Coarse sa1t");
    assert_eq!(told.len(), 1);
    let said = told[0].message.to_string();
    assert!(
        said.contains("looks like \"Coarse salt\" at line 5"),
        "{said}"
    );
    assert_eq!(told[0].line, 8);
}
