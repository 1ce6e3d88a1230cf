//! The budget of a scale against the documents that its parts come from.

use bismar::language::term;
use bismar::mass::Mass;
use bismar::metrology::budget::{
    AccuracyClass, Budget, Buoyancy, Class, Component, Eccentricity, Errors, Kind, Origin, Part,
    Temperature, Weighing, coverage,
};
use bismar::metrology::{ScaleAbility, StepLimits, feasibility, feasibility_of};
use proptest::prelude::*;
use statrs::distribution::{ContinuousCDF, StudentsT};

use super::masses::{g, near};

/// A bench scale of 600 g with what is told of it.
fn bench(errors: Errors) -> ScaleAbility {
    ScaleAbility {
        capacity: Some(g("600")),
        errors,
        ..ScaleAbility::assumed("bench")
    }
}

fn weighing(net: &str, tare: Option<&str>) -> Weighing {
    Weighing {
        tare: tare.map(g),
        ..Weighing::planned(g(net))
    }
}

fn part(budget: &Budget, part: Part) -> f64 {
    let mut found = budget.parts().filter(|found| found.part == part);
    found.next().map_or(0.0, |found| found.u)
}

/// JCGM 100:2008, G.4.1, example: three means of 10, 5 and 15 observations with 0.25, 0.57 and 0.82 %
/// combine to 1.03 % with 19.0 effective degrees of freedom.
#[test]
fn degrees_of_freedom_of_the_guides_own_example() {
    let part = |u: f64, n: f64| Component {
        part: Part::Repeatability,
        kind: Kind::A,
        distribution: term!("normal"),
        origin: Origin::Measured,
        u,
        degrees: n - 1.0,
    };
    let budget = Budget::of(&[part(0.25, 10.0), part(0.57, 5.0), part(0.82, 15.0)]);
    near(budget.uncertainty().grams(), 1.03, 0.005);
    near(budget.degrees(), 19.0, 0.05);
    // G.6.4: k for 95.45 % in place of 95 %. It is 18.999 before it is rounded, so the row of 18.
    near(budget.uncertainty().coverage(), 2.15, 1e-12);
    near(
        budget.parts().map(|part| budget.share(part)).sum::<f64>(),
        1.0,
        1e-12,
    );
}

/// JCGM 100:2008, Table G.2, column 95.45 %, against statrs: each factor is that of its row to the last
/// digit, and between two rows the larger one is taken.
#[test]
fn coverage_factors_are_those_of_students_distribution() {
    let exact = |degrees: f64| {
        let t = StudentsT::new(0.0, 1.0, degrees).expect("a distribution");
        t.inverse_cdf(0.5 + 0.9545 / 2.0)
    };
    for degrees in (1..=200).map(f64::from) {
        let (k, exact) = (coverage(degrees), exact(degrees));
        assert!(k > exact - 0.0051, "{degrees}: {k} for {exact}");
        assert!(
            k < exact + 0.1 || degrees < 2.0,
            "{degrees}: {k} for {exact}"
        );
        if degrees <= 20.0 {
            near(k, exact, 0.0051);
            near(coverage(degrees + 0.9), k, 1e-12);
        }
    }
    near(coverage(f64::INFINITY), 2.0, 1e-12);
    near(coverage(0.5), coverage(1.0), 1e-12);
}

/// OIML R 76-1:2006, Table 3 (read in a reproduction): the most verification scale intervals of each class.
#[test]
fn a_class_has_no_more_intervals_than_the_table_says() {
    let most = [
        AccuracyClass::I,
        AccuracyClass::II,
        AccuracyClass::III,
        AccuracyClass::IIII,
    ];
    let most = most.map(AccuracyClass::most_intervals);
    assert_eq!(most, [None, Some(100_000), Some(10_000), Some(1_000)]);
}

/// OIML R 76-1:2006, Table 6, doubled in service (read in UK SI 1995/1907, Schedule 2). Rows at their ends,
/// for e = 0.1 g; class I for e = 1 mg.
#[test]
fn error_limits_of_a_class_in_service() {
    let rows = [
        (AccuracyClass::II, "0.1", "500", "0.1"),
        (AccuracyClass::II, "0.1", "500.01", "0.2"),
        (AccuracyClass::II, "0.1", "2000", "0.2"),
        (AccuracyClass::II, "0.1", "2000.01", "0.3"),
        (AccuracyClass::III, "0.1", "50", "0.1"),
        (AccuracyClass::III, "0.1", "50.1", "0.2"),
        (AccuracyClass::III, "0.1", "200.1", "0.3"),
        (AccuracyClass::IIII, "5", "250", "5"),
        (AccuracyClass::IIII, "5", "1000", "10"),
        (AccuracyClass::IIII, "5", "1005", "15"),
        (AccuracyClass::I, "0.001", "50", "0.001"),
        (AccuracyClass::I, "0.001", "200", "0.002"),
        (AccuracyClass::I, "0.001", "200.001", "0.003"),
    ];
    for (class, e, load, limit) in rows {
        let class = Class { class, e: g(e) };
        assert_eq!(class.in_service(g(load)), g(limit), "{class:?} at {load} g");
        assert_eq!(class.in_service(-g(load)), g(limit));
    }
}

/// 920 kg/m³ in air of 1.2 kg/m³ reads 0.115 % low, computed apart from this code: 1.2 (1/920 − 1/8000).
#[test]
fn an_oil_weighs_more_than_a_scale_shows() {
    let oil = Buoyancy {
        product: 920.0,
        air: Buoyancy::AIR,
    };
    near(oil.share(), 1.2 * (1.0 / 920.0 - 1.0 / 8_000.0), 2e-6);
    let scale = bench(Errors {
        buoyancy: Some(oil),
        ..Errors::default()
    });
    let budget = scale.budget(&weighing("55", Some("100")));
    near(part(&budget, Part::Buoyancy) * 3f64.sqrt(), 0.0635, 1e-4);
    assert!(budget.uncertainty().expanded() > g("0.0635"));
}

/// JCGM 100:2008, F.2.2.1 and 4.3.7: rounding d/√12 for each reading, a limit over √3.
#[test]
fn each_part_is_what_its_distribution_makes_of_it() {
    let scale = bench(Errors {
        sensitivity: Some(0.0005),
        eccentricity: Some(Eccentricity {
            limit: g("0.03"),
            load: g("200"),
        }),
        temperature: Some(Temperature {
            coefficient: 10e-6,
            range: 5.0,
        }),
        ..Errors::default()
    });
    let budget = scale.budget(&Weighing {
        wander: g("0.02"),
        ..weighing("40", Some("100"))
    });
    near(part(&budget, Part::Rounding), 0.01 / 6f64.sqrt(), 1e-12);
    near(part(&budget, Part::Sensitivity), 0.02 / 3f64.sqrt(), 1e-12);
    near(
        part(&budget, Part::Eccentricity),
        0.006 / 3f64.sqrt(),
        1e-12,
    );
    near(part(&budget, Part::Temperature), 0.002 / 3f64.sqrt(), 1e-12);
    near(part(&budget, Part::Wander), 0.01, 1e-12);
    assert_eq!(budget.uncertainty().coverage(), 2.0);
    let sum: f64 = budget.parts().map(|part| part.u * part.u).sum();
    near(budget.uncertainty().grams(), sum.sqrt(), 1e-15);
}

/// JCGM 100:2008, 5.1.2: of n readings that are taken alike the variances add up. F.2.2.1: what rounds to one digit
/// scatters by d/√12 at least, and that is no measurement.
#[test]
fn scatter_and_rounding_count_once_for_each_reading() {
    let measured = |s: &str| ScaleAbility {
        repeatability: Some(g(s)),
        ..ScaleAbility::assumed("bench")
    };
    let of = |s: &str, readings: u32| {
        let weighing = Weighing {
            readings,
            ..weighing("40", None)
        };
        let budget = measured(s).budget(&weighing);
        let found = budget
            .parts()
            .find(|found| found.part == Part::Repeatability);
        let found = found.expect("always there");
        (
            found.u,
            found.kind,
            found.degrees,
            part(&budget, Part::Rounding),
        )
    };
    // s is that of a net weight, of two readings.
    for (readings, factor) in [(1, 0.5f64.sqrt()), (2, 1.0), (4, 2f64.sqrt()), (8, 2.0)] {
        let (u, kind, degrees, rounding) = of("0.02", readings);
        near(u, 0.02 * factor, 1e-12);
        assert_eq!((kind, degrees), (Kind::A, 9.0));
        near(rounding, 0.01 * (f64::from(readings) / 12.0).sqrt(), 1e-12);
    }
    let (u, kind, degrees, _) = of("0.001", 2);
    near(u, 0.01 / 12f64.sqrt(), 1e-12);
    assert_eq!((kind, degrees), (Kind::B, f64::INFINITY));
}

/// What two readings have in common does not count twice: the tare changes nothing of gain, temperature and
/// place, as long as nothing is moved; and what is put back counts with both loads.
#[test]
fn what_both_readings_share_acts_on_the_net() {
    let scale = bench(Errors {
        sensitivity: Some(0.0005),
        eccentricity: Some(Eccentricity {
            limit: g("0.03"),
            load: g("200"),
        }),
        ..Errors::default()
    });
    let light = scale.budget(&weighing("40", Some("0")));
    let heavy = scale.budget(&weighing("40", Some("500")));
    assert_eq!(light, heavy);
    assert_eq!(light, scale.budget(&weighing("40", None)));
    let moved = |tare: Option<&str>| {
        let weighing = Weighing {
            moved: true,
            ..weighing("40", tare)
        };
        part(&scale.budget(&weighing), Part::Eccentricity) * 3f64.sqrt()
    };
    near(moved(Some("300")), 0.00015 * 300f64.hypot(340.0), 1e-12);
    // Not known: the heaviest that the scale carries with it.
    near(moved(None), 0.00015 * 560f64.hypot(600.0), 1e-12);
}

/// A verified scale: its limits hold for every net weight, whatever the tare. By hand: 40 g are 400 e, so
/// ±0.1 g in service; 2 g could be off by 9 · 0.2 g · 2/600 by the smooth curve's steepness.
#[test]
fn a_class_holds_for_net_weights_and_for_small_ones_less() {
    let scale = bench(Errors {
        class: Some(Class {
            class: AccuracyClass::II,
            e: g("0.1"),
        }),
        ..Errors::default()
    });
    let limit = |net: &str, tare: Option<&str>, moved: bool| {
        let weighing = Weighing {
            moved,
            ..weighing(net, tare)
        };
        part(&scale.budget(&weighing), Part::Class) * 3f64.sqrt()
    };
    near(limit("40", Some("100"), false), 0.1, 1e-12);
    near(limit("40", None, false), 0.1, 1e-12);
    near(limit("2", None, false), 0.006, 1e-12);
    near(limit("40", Some("300"), true), 0.1 * 2f64.sqrt(), 1e-12);
    near(limit("40", None, true), 0.2 * 2f64.sqrt(), 1e-12);
}

/// Degrees of freedom of a measured s reach the factor and the window: ten weighings, and rounding beside.
#[test]
fn few_weighings_make_a_larger_factor_and_a_narrower_window() {
    let scale = |weighings: Option<u32>| ScaleAbility {
        repeatability: Some(g("0.03")),
        ..bench(Errors {
            weighings,
            ..Errors::default()
        })
    };
    let u = |weighings| scale(weighings).planned(g("40"));
    let (few, known) = (u(Some(10)), u(Some(100_000)));
    assert_eq!(u(None), few);
    near(few.grams(), known.grams(), 1e-15);
    // Ten where nothing is told. u² = s² + d²/6; 9 (1 + (d/s)²/6)² = 9.3 by hand, so the row of 9.
    near(few.coverage(), 2.32, 1e-12);
    near(known.coverage(), 2.0, 1e-12);
    assert_eq!(few.told_coverage(), "k = 2.32");
    assert_eq!(known.told_coverage(), "k = 2");
    assert_eq!(few.band(2.0), few.expanded());
    let step = StepLimits {
        target: g("40"),
        lowest: g("39.6"),
        highest: g("40.4"),
    };
    let narrow = |weighings| feasibility(step, &scale(weighings), 2.0).window;
    let many = Some(100_000);
    assert!(narrow(Some(10)).low > narrow(many).low);
    assert!(narrow(Some(10)).high < narrow(many).high);
}

/// The smallest net weight where the error grows with it: the least N with 2 u(N) ≤ 1 % of N, and nothing
/// where the gain alone is as much as the tolerance.
#[test]
fn the_smallest_net_weight_solves_for_what_grows_with_it() {
    let step = StepLimits {
        target: g("40"),
        lowest: g("39.6"),
        highest: g("40.4"),
    };
    let with = |share: f64| {
        bench(Errors {
            sensitivity: Some(share),
            ..Errors::default()
        })
    };
    let found = feasibility(step, &with(0.005), 2.0).smallest_net;
    let found = found.expect("there is one");
    let holds = |net: Mass| with(0.005).planned(net).band(2.0) <= net.ratio(1, 100);
    assert!(holds(found) && !holds(found - g("0.01")), "{found:?}");
    assert!(
        found
            > feasibility(step, &with(0.0), 2.0)
                .smallest_net
                .expect("one")
    );
    assert_eq!(feasibility(step, &with(0.01), 2.0).smallest_net, None);
    // By difference the source's place counts.
    let placed = bench(Errors {
        eccentricity: Some(Eccentricity {
            limit: g("0.03"),
            load: g("200"),
        }),
        ..Errors::default()
    });
    let still = feasibility(step, &placed, 2.0).uncertainty;
    assert!(feasibility_of(step, &placed, 2.0, true).uncertainty > still);
}

#[test]
fn a_scale_of_which_nothing_is_told_is_said_to_be_assumed() {
    let budget = ScaleAbility::assumed("bench").budget(&weighing("40", None));
    assert!(budget.is_assumed());
    assert_eq!(budget.parts().count(), 2);
    let measured = ScaleAbility {
        repeatability: Some(g("0.02")),
        ..ScaleAbility::assumed("bench")
    };
    let budget = measured.budget(&weighing("40", None));
    assert!(!budget.is_assumed());
    let s = budget.parts().find(|part| part.part == Part::Repeatability);
    assert_eq!(
        s.map(|s| (s.kind, s.origin)),
        Some((Kind::A, Origin::Measured))
    );
}

/// The README prints a budget with these words for where a part comes from, and says that a scatter nobody measured is
/// said as ASSUMED.
#[test]
fn where_a_part_comes_from_is_said_in_the_words_of_the_readme() {
    let readme = include_str!("../../README.md");
    let row = |part: &str| {
        let row = readme.lines().find(|line| {
            let cells: Vec<&str> = line.split("  ").filter(|cell| !cell.is_empty()).collect();
            cells.len() > 4 && line.starts_with(part)
        });
        row.unwrap_or_else(|| panic!("no row of {part}"))
    };
    for (part, origin) in [
        ("rounding", Origin::Readability),
        ("repeatability", Origin::Measured),
        ("linearity", Origin::Told),
    ] {
        assert!(
            row(part).contains(&format!(" {}  ", origin.name())),
            "{part}"
        );
    }
    assert!(readme.contains(&format!("said as {} ", Origin::Assumed.name())));
}

/// A cubic that is nothing at both ends, within ±1 between and as large as that somewhere.
fn curve(bow: f64, s: f64) -> impl Fn(f64) -> f64 {
    let raw = move |x: f64| {
        bow * 4.0 * x * (1.0 - x) + s * 6.0 * 3f64.sqrt() * x * (1.0 - x) * (1.0 - 2.0 * x)
    };
    let most = (0..=2_000)
        .map(|i| raw(f64::from(i) / 2_000.0).abs())
        .fold(1e-9, f64::max);
    move |x| raw(x) / most
}

/// Where the tare is not known, a small net weight is as wrong as the steepest of these curves makes it, and no more.
#[test]
fn the_steepest_curve_is_what_a_small_planned_weight_is_held_against() {
    let scale = bench(Errors {
        linearity: Some(g("0.03")),
        ..Errors::default()
    });
    for net in ["0.6", "6"] {
        let limit = part(&scale.budget(&weighing(net, None)), Part::Linearity) * 3f64.sqrt();
        let net = g(net).to_g_f64() / 600.0;
        // Bow and s together, each as large as allowed: sought, not worked out.
        let rises = |angle: f64, x: f64| {
            let at = |x: f64| {
                angle.cos() * 4.0 * x * (1.0 - x)
                    + angle.sin() * 6.0 * 3f64.sqrt() * x * (1.0 - x) * (1.0 - 2.0 * x)
            };
            0.03 * (at(x + net) - at(x)).abs()
        };
        let most = (0..360)
            .flat_map(|degree| (0..=200).map(move |i| (f64::from(degree), f64::from(i) / 200.0)))
            .map(|(degree, x)| rises(degree.to_radians(), x * (1.0 - net)))
            .fold(0.0, f64::max);
        assert!(most <= limit * (1.0 + 1e-9), "{most} {limit}");
        assert!(limit <= most * 1.05, "{most} {limit}");
    }
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

    /// No smooth curve within ±L makes a net weight more wrong than the budget's limit says, with the tare
    /// known and without.
    #[test]
    fn no_smooth_curve_is_worse_than_the_limit(
        bow in -1.0..1.0, s in -1.0..1.0, tare in 0i64..590_000, net in 10i64..600_000,
    ) {
        let net = Mass::from_mg(net.min(600_000 - tare));
        let tare = Mass::from_mg(tare);
        let scale = bench(Errors { linearity: Some(g("0.03")), ..Errors::default() });
        let limit = |tare: Option<Mass>| {
            let weighing = Weighing { tare, ..Weighing::planned(net) };
            part(&scale.budget(&weighing), Part::Linearity) * 3f64.sqrt()
        };
        let c = curve(bow, s);
        let at = |load: Mass| 0.03 * c(load.to_g_f64() / 600.0);
        let wrong = (at(tare + net) - at(tare)).abs();
        // A grid of 2,000 points finds the curve's height to a millionth.
        prop_assert!(wrong <= limit(Some(tare)) + 1e-6, "{wrong} {}", limit(Some(tare)));
        prop_assert!(limit(Some(tare)) <= limit(None) + 1e-12);
        prop_assert!(limit(None) <= 0.06 + 1e-12);
    }

    /// The inequality of A. A. Markov for cubics, which bounds a verified scale's small net weights.
    #[test]
    fn no_cubic_within_its_limits_is_steeper_than_markov_allows(
        a in -1.0..1.0, b in -1.0..1.0, c in -1.0..1.0, e in -1.0..1.0, x in 0.0..1.0, y in 0.0..1.0,
    ) {
        let raw = |x: f64| -> f64 { a + x * (b + x * (c + x * e)) };
        let most = (0..=2_000).map(|i| raw(f64::from(i) / 2_000.0).abs()).fold(1e-9, f64::max);
        let change = (raw(y) - raw(x)).abs() / most;
        prop_assert!(change <= 18.0 * f64::abs(y - x) * (1.0 + 1e-5) + 1e-9);
    }

    /// More weight is never surer, and nothing told makes it surer.
    #[test]
    fn uncertainty_never_falls_with_the_weight(
        net in 1i64..500_000, more in 0i64..100_000, moved: bool, class: bool,
    ) {
        let told = match class {
            true => Errors {
                class: Some(Class { class: AccuracyClass::II, e: g("0.1") }),
                ..Errors::default()
            },
            false => Errors {
                linearity: Some(g("0.03")),
                sensitivity: Some(0.0002),
                eccentricity: Some(Eccentricity { limit: g("0.03"), load: g("200") }),
                ..Errors::default()
            },
        };
        let (scale, plain) = (bench(told), bench(Errors::default()));
        let u = |scale: &ScaleAbility, net: i64| {
            let weighing = Weighing { moved, ..Weighing::planned(Mass::from_mg(net)) };
            scale.budget(&weighing).uncertainty().grams()
        };
        prop_assert!(u(&scale, net) >= u(&plain, net));
        // A source that must fit the scale with what leaves it weighs less, the more leaves it.
        if !moved {
            prop_assert!(u(&scale, net + more) >= u(&scale, net) - 1e-12);
        }
    }
}
