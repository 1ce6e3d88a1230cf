//! Remedies after an over-pour, against a linear-programming library.
//!
//! Outside sources: microlp (crates.io), a simplex in pure Rust, for additions of any size. It works in
//! floats, ours in integers; they are compared to a microgram. For additions in whole steps of the scale
//! scipy.optimize.milp (the HiGHS solver, PyPI); its answers are proved in integers before they count.

use bismar::formula::Percent;
use bismar::formula::remedy::{Bound, Part, Remedy, least_total, remedy};
use bismar::mass::Mass;
use bismar::vocabulary::command::Way;
use microlp::{ComparisonOp, OptimizationDirection, Problem, SolveOutcome};
use proptest::prelude::*;
use proptest::strategy::ValueTree as _;

use crate::bench_side::person::prints;
use crate::bench_side::python::{self, NO_WORDS};

const D: Mass = Mass::from_mg(10);

/// Parts with shares that make 100 %, limits of 0.5 to 20 % of the share either way (now and then much
/// wider), and held weights near the target, some far over.
fn parts() -> impl Strategy<Value = Vec<Part>> {
    let one = (1i64..400, 5i64..200, 5i64..200, 900i64..1100, 0u8..4);
    proptest::collection::vec(one, 2..7).prop_map(|drawn| {
        let sum: i64 = drawn.iter().map(|d| d.0).sum();
        let mut left = Percent::HUNDRED.0;
        let last = drawn.len() - 1;
        let mut parts = Vec::new();
        for (i, (weight, under, over, held, odd)) in drawn.into_iter().enumerate() {
            let share = if i == last {
                left
            } else {
                Percent::HUNDRED.0 / sum * weight
            };
            left -= share;
            let held = if odd == 0 { held + 300 } else { held };
            // A batch of 200 g.
            let held = Percent(share).of(Mass::from_g(200)).ratio(held, 1000);
            parts.push(Part {
                held: held.round_to(D),
                share: Percent(share),
                low: Percent(share - share / 1000 * under),
                high: Percent((share + share / 1000 * over).min(Percent::HUNDRED.0)),
            });
        }
        parts
    })
}

/// The least mass in steps of D that the library finds when any amount can be added.
fn by_library(parts: &[Part]) -> f64 {
    let mut lp = Problem::new(OptimizationDirection::Minimize);
    let steps = |mass: Mass| mass.ng() as f64 / D.ng() as f64;
    let part = |percent: Percent| percent.0 as f64 / Percent::HUNDRED.0 as f64;
    let held: f64 = parts.iter().map(|p| steps(p.held)).sum();
    let add: Vec<_> = parts
        .iter()
        .map(|_| lp.add_var(1.0, (0.0, f64::INFINITY)))
        .collect();
    for (i, one) in parts.iter().enumerate() {
        for (bound, op) in [(one.low, ComparisonOp::Ge), (one.high, ComparisonOp::Le)] {
            // held_i + a_i  >=/<=  bound × (held + Σ a)
            let row: Vec<_> = add
                .iter()
                .enumerate()
                .map(|(j, &a)| (a, f64::from(u8::from(i == j)) - part(bound)))
                .collect();
            lp.add_constraint(row, op, part(bound) * held - steps(one.held));
        }
    }
    match lp.solve() {
        Ok(SolveOutcome::Solution(solution)) => solution.objective(),
        other => panic!("a proportional top-up always exists, the library says {other:?}"),
    }
}

fn added(remedy: &Remedy) -> Mass {
    remedy.add.iter().fold(Mass::ZERO, |sum, &a| sum + a)
}

fn holds(parts: &[Part], remedy: &Remedy) -> bool {
    let held = parts.iter().fold(Mass::ZERO, |sum, p| sum + p.held);
    let whole = |a: &Mass| *a >= Mass::ZERO && a.round_to(D) == *a;
    remedy.batch == held + added(remedy)
        && remedy.add.iter().all(whole)
        && (parts.iter().zip(&remedy.add)).all(|(p, &a)| p.inside(p.held + a, remedy.batch))
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(512))]

    #[test]
    fn the_least_batch_is_the_one_that_the_library_finds(parts in parts()) {
        let held = parts.iter().fold(Mass::ZERO, |sum, p| sum + p.held);
        let ours = (least_total(&parts, &[]).unwrap() - held).ng() as f64;
        let theirs = by_library(&parts) * D.ng() as f64;
        prop_assert!((ours - theirs).abs() <= 1_000.0, "{ours} ng, library {theirs} ng");
    }

    #[test]
    fn every_remedy_ends_inside_all_limits_and_none_is_less_than_the_least(parts in parts()) {
        let free = by_library(&parts) * D.ng() as f64;
        let least = remedy(Way::LeastAdded, &parts, &[], D);
        for way in Way::ALL {
            let Some(found) = remedy(way, &parts, &[], D) else { continue };
            prop_assert!(holds(&parts, &found), "{found:?}");
            prop_assert!(added(&found).ng() as f64 >= free - 1_000.0);
            let least = least.as_ref().expect("another way exists, so the least does");
            prop_assert!(added(least) <= added(&found));
        }
    }
}

/// The problems as the library wants them, in steps of `d`.
fn ask_the_integer_solver(
    problems: &[(Vec<Part>, Option<Bound>)],
    d: Mass,
) -> Vec<Option<Vec<i64>>> {
    let share = |percent: Percent| percent.0 as f64 / Percent::HUNDRED.0 as f64;
    let list: Vec<_> = (problems.iter())
        .map(|(parts, bound)| {
            let mut problem = serde_json::json!({
                "held": parts.iter().map(|p| p.held.ng() / d.ng()).collect::<Vec<_>>(),
                "low": parts.iter().map(|p| share(p.low)).collect::<Vec<_>>(),
                "high": parts.iter().map(|p| share(p.high)).collect::<Vec<_>>(),
                "most": 100_000,
            });
            if let Some(bound) = bound {
                let max = bound.limits.max.expect("a greatest share");
                let of_it = bound.held as f64 / Percent::HUNDRED.0 as f64 / d.ng() as f64;
                problem["shares"] = bound.shares.iter().copied().map(share).collect();
                problem["held_of_it"] = of_it.into();
                problem["high_of_it"] = share(max).into();
            }
            problem
        })
        .collect();
    let solver = include_str!("remedy/steps.py");
    let found = python::asked(solver, NO_WORDS, &serde_json::to_vec(&list).unwrap());
    serde_json::from_str(&found).unwrap()
}

/// Held weights are whole steps here, so that a step may matter: 0.5 g of a batch of about 200 g.
#[test]
fn the_least_in_whole_steps_is_what_the_integer_solver_finds() {
    let d = Mass::from_mg(500);
    let mut runner = proptest::test_runner::TestRunner::deterministic();
    let mut problems: Vec<(Vec<Part>, Option<Bound>)> = Vec::new();
    while problems.len() < 400 {
        let mut parts = parts().new_tree(&mut runner).unwrap().current();
        for part in &mut parts {
            part.held = part.held.round_to(d);
        }
        problems.push((parts, None));
    }
    let (mut equal, mut dearer_than_free, mut none) = (0, 0, 0);
    for ((parts, _), theirs) in problems.iter().zip(ask_the_integer_solver(&problems, d)) {
        let held = parts.iter().fold(Mass::ZERO, |sum, p| sum + p.held);
        // Proved in integers: the solver's floats allow a little more.
        let theirs = theirs.map(|add| add.into_iter().map(|n| d * n).collect::<Vec<Mass>>());
        let theirs = theirs.filter(|add| {
            let batch = held + add.iter().fold(Mass::ZERO, |sum, &a| sum + a);
            parts
                .iter()
                .zip(add)
                .all(|(p, &a)| p.inside(p.held + a, batch))
        });
        let ours = remedy(Way::LeastAdded, parts, &[], d);
        match (ours, theirs) {
            (Some(ours), Some(theirs)) => {
                let theirs = theirs.iter().fold(Mass::ZERO, |sum, &a| sum + a);
                assert_eq!(added(&ours), theirs, "{parts:?}");
                equal += 1;
                // The continuous answer, rounded up, would have been wrong here.
                let free = least_total(parts, &[]).unwrap() - held;
                dearer_than_free += u32::from(added(&ours) > free.ceil_to(d));
            }
            (None, Some(theirs)) => panic!("the library finds {theirs:?} for {parts:?}"),
            (Some(_), None) | (None, None) => none += 1,
        }
    }
    assert!(equal > 350 && none < 20, "{equal} equal, {none} without");
    assert!(
        dearer_than_free > 20,
        "whole steps mattered in {dearer_than_free} cases only"
    );
}

/// The same with a substance that is in several parts and has a limit of its own, little above what the formula
/// holds of it. Where no remedy is found there is none.
#[test]
fn a_substance_in_several_parts_is_kept_under_its_limit() {
    let d = Mass::from_mg(500);
    let mut runner = proptest::test_runner::TestRunner::deterministic();
    let mut problems: Vec<(Vec<Part>, Option<Bound>)> = Vec::new();
    while problems.len() < 300 {
        let mut parts = parts().new_tree(&mut runner).unwrap().current();
        let shares = proptest::collection::vec(0i64..=100, parts.len());
        let shares = shares.new_tree(&mut runner).unwrap().current();
        let shares: Vec<Percent> = shares.iter().map(|n| Percent(n * 1_000_000_000)).collect();
        let (mut of_it, mut held) = (0i128, 0i128);
        for (part, share) in parts.iter_mut().zip(&shares) {
            part.held = part.held.round_to(d);
            of_it += i128::from(part.share.0) * i128::from(share.0);
            held += i128::from(part.held.ng()) * i128::from(share.0);
        }
        let by_formula = (of_it / i128::from(Percent::HUNDRED.0)) as i64;
        let bound = Bound {
            held,
            shares,
            limits: bismar::formula::Limits {
                min: None,
                max: Some(Percent(by_formula + by_formula / 100)),
            },
        };
        problems.push((parts, Some(bound)));
    }
    let (mut equal, mut dearer, mut none) = (0, 0, 0);
    for ((parts, bound), theirs) in problems.iter().zip(ask_the_integer_solver(&problems, d)) {
        let bound = bound.as_ref().unwrap();
        let max = bound.limits.max.unwrap();
        let held = parts.iter().fold(Mass::ZERO, |sum, p| sum + p.held);
        let kept = |add: &[Mass]| {
            let batch = held + add.iter().fold(Mass::ZERO, |sum, &a| sum + a);
            let more = add.iter().zip(&bound.shares);
            let more: i128 = more
                .map(|(a, share)| i128::from(a.ng()) * i128::from(share.0))
                .sum();
            bound.held + more <= i128::from(max.0) * i128::from(batch.ng())
                && parts
                    .iter()
                    .zip(add)
                    .all(|(p, &a)| p.inside(p.held + a, batch))
        };
        let theirs = theirs.map(|add| add.into_iter().map(|n| d * n).collect::<Vec<Mass>>());
        let theirs = theirs.filter(|add| kept(add));
        let bounds = std::slice::from_ref(bound);
        for way in Way::ALL {
            if let Some(found) = remedy(way, parts, bounds, d) {
                assert!(kept(&found.add), "{way:?} {found:?} {parts:?} {bound:?}");
            }
        }
        match (remedy(Way::LeastAdded, parts, bounds, d), theirs) {
            (Some(ours), Some(theirs)) => {
                let theirs = theirs.iter().fold(Mass::ZERO, |sum, &a| sum + a);
                assert_eq!(added(&ours), theirs, "{parts:?} {bound:?}");
                equal += 1;
                let free = remedy(Way::LeastAdded, parts, &[], d);
                dearer += u32::from(free.is_some_and(|free| added(&free) < added(&ours)));
            }
            (None, Some(theirs)) => panic!("the library finds {theirs:?} for {parts:?} {bound:?}"),
            (Some(_), None) | (None, None) => none += 1,
        }
    }
    assert!(equal > 250 && none < 30, "{equal} equal, {none} without");
    assert!(dearer > 20, "the limit mattered in {dearer} cases only");
}

/// Worked by hand: 100 g of 90 + 10, and 12 g poured of the second, limits 9 to 11 %. Kept it would be
/// 11.76 %. 12 / 0.11 = 109.09 g is the least batch; in proportion it is 120 g.
#[test]
fn an_over_pour_worked_by_hand() {
    let part = |held, share: i64, low: i64, high: i64| Part {
        held: Mass::from_g(held),
        share: Percent(share * 1_000_000_000),
        low: Percent(low * 1_000_000_000),
        high: Percent(high * 1_000_000_000),
    };
    let parts = [part(90, 90, 89, 91), part(12, 10, 9, 11)];
    assert_eq!(remedy(Way::Keep, &parts, &[], D), None);
    let most = remedy(Way::InProportion, &parts, &[], D).unwrap();
    assert_eq!(most.add, [Mass::from_g(18), Mass::ZERO]);
    assert_eq!(
        (most.batch, most.jars(Mass::from_g(50))),
        (Mass::from_g(120), 2)
    );
    let least = remedy(Way::LeastAdded, &parts, &[], D).unwrap();
    assert_eq!(least.add, [Mass::from_mg(7_100), Mass::ZERO]);
}

/// Worked by hand: 100 g of a substance that may be 1 % of the batch make it 10 kg, in steps of 10 mg.
#[test]
fn a_limit_that_asks_for_much_more_than_the_batch_is_found() {
    let part = |held, low: i64| Part {
        held: Mass::from_g(held),
        share: Percent(50_000_000_000),
        low: Percent(low * 1_000_000_000),
        high: Percent::HUNDRED,
    };
    // A fifth of the first is of it, nothing of the second.
    let parts = [part(500, 1), part(500, 0)];
    let bound = |max: i64| Bound {
        held: i128::from(Mass::from_g(100).ng()) * i128::from(Percent::HUNDRED.0),
        shares: vec![Percent(20_000_000_000), Percent(0)],
        limits: bismar::formula::Limits {
            min: None,
            max: Some(Percent(max * 1_000_000_000)),
        },
    };
    let ten = Mass::from_g(10_000);
    assert_eq!(least_total(&parts, &[bound(1)]), Some(ten));
    let least = remedy(Way::LeastAdded, &parts, &[bound(1)], D).expect("a remedy");
    assert_eq!(least.add, [Mass::ZERO, Mass::from_g(9_000)]);
    // Where at least 9 % of it has to be the first, which brings 1.8 % along, none is enough: at 1.8 % of
    // 50 g and more it is 10 % of the second.
    let parts = [part(500, 9), part(500, 0)];
    assert_eq!(remedy(Way::LeastAdded, &parts, &[bound(1)], D), None);
    let two = remedy(Way::LeastAdded, &parts, &[bound(2)], D).expect("a remedy");
    // 2 % of 5 kg are the 100 g that are held; of those 9 % are 450 g.
    assert_eq!(two.add, [Mass::ZERO, Mass::from_g(4_000)]);
}

/// Nothing in the batch, an ingredient without a share, less than nothing of one, no step: there is no remedy.
#[test]
fn what_makes_no_sense_has_no_remedy() {
    let part = |held_g: i64, share: i64| Part {
        held: Mass::from_g(held_g),
        share: Percent(share * 1_000_000_000),
        low: Percent(0),
        high: Percent::HUNDRED,
    };
    let sound = [part(60, 60), part(40, 40)];
    for way in [Way::Keep, Way::InProportion, Way::LeastAdded] {
        let found = remedy(way, &sound, &[], D).expect("all is inside");
        assert_eq!(
            (found.batch, added(&found)),
            (Mass::from_g(100), Mass::ZERO)
        );
        for unsound in [
            [part(0, 60), part(0, 40)],
            [part(60, 100), part(40, 0)],
            [part(60, 60), part(-1, 40)],
        ] {
            assert_eq!(remedy(way, &unsound, &[], D), None, "{way:?} {unsound:?}");
        }
        for d in [Mass::ZERO, -D] {
            assert_eq!(remedy(way, &sound, &[], d), None, "{way:?}");
        }
    }
    // Jars of nothing are none.
    let found = remedy(Way::Keep, &sound, &[], D).expect("all is inside");
    assert_eq!(found.jars(Mass::from_g(30)), 3);
    assert_eq!((found.jars(Mass::ZERO), found.jars(-D)), (0, 0));
}

// ---- the program itself --------------------------------------------------------------------------

/// The README shows what the command prints for a recorded over-pour that was kept.
#[test]
fn the_readme_shows_what_the_command_prints() {
    let dir = tempfile::tempdir().unwrap();
    let captures = concat!(env!("CARGO_MANIFEST_DIR"), "/fixtures/captures");
    let words = [
        "replay",
        &format!("{captures}/over_pour_kept.capture"),
        "--formula",
        &format!("{captures}/two_beakers.toml"),
        "--batch",
        "100g",
        "--log",
        "b.csv",
    ];
    prints(dir.path(), &words);
    let shown = prints(dir.path(), &["remedy", "b.csv"]);
    assert!(include_str!("../../README.md").contains(&shown), "{shown}");
}
