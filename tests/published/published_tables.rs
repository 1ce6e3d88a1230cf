//! Test weights, repeatability and net contents against the published tables and a statistics
//! library.

use bismar::mass::Mass;
use bismar::metrology::prepackage::{Filling, JarVerdict, Rule, SAMPLING_NOTE};
use bismar::metrology::repeatability::{USP_FRACTION, WEIGHINGS};
use bismar::metrology::test_weights::{CheckLimits, WeightClass, nominals, permissible_error};
use bismar::metrology::{Repeatability, ScaleAbility};
use proptest::prelude::*;
use statrs::statistics::Statistics as _;

use super::masses::{g, mg, near, scale as quiet};

// ---- OIML R 111-1:2004, Table 1 --------------------------------------------------------------------

/// Nominal, then E2, F1, F2, M1 in mg, as two stored reproductions of the table print them (typed
/// from there, not from the program). In one of them M1 at 5 mg is 0.02, a slip of the pen.
const R111: &str = "
    1mg 0.006 0.020 0.06 0.20 | 2mg 0.006 0.020 0.06 0.20 | 5mg 0.006 0.020 0.06 0.20
    10mg 0.008 0.025 0.08 0.25 | 20mg 0.010 0.03 0.10 0.3 | 50mg 0.012 0.04 0.12 0.4
    100mg 0.016 0.05 0.16 0.5 | 200mg 0.020 0.06 0.20 0.6 | 500mg 0.025 0.08 0.25 0.8
    1g 0.03 0.10 0.3 1.0 | 2g 0.04 0.12 0.4 1.2 | 5g 0.05 0.16 0.5 1.6
    10g 0.06 0.20 0.6 2.0 | 20g 0.08 0.25 0.8 2.5 | 50g 0.10 0.3 1.0 3.0
    100g 0.16 0.5 1.6 5.0 | 200g 0.3 1.0 3.0 10 | 500g 0.8 2.5 8.0 25
    1kg 1.6 5.0 16 50 | 2kg 3.0 10 30 100 | 5kg 8.0 25 80 250";

#[test]
fn the_limits_of_test_weights_are_those_of_r111_table_1() {
    let mut rows = 0;
    for row in R111.split(['|', '\n']).filter(|row| !row.trim().is_empty()) {
        let cells: Vec<&str> = row.split_whitespace().collect();
        let nominal = Mass::parse_with_unit(cells[0]).unwrap();
        for (class, limit) in WeightClass::ALL.into_iter().zip(&cells[1..]) {
            let found = permissible_error(nominal, class);
            assert_eq!(found, Some(mg(limit)), "{} {}", cells[0], class.name());
        }
        rows += 1;
    }
    assert_eq!(rows, nominals().count());
    assert_eq!(permissible_error(g("300"), WeightClass::M1), None);
}

/// Each class allows about three times the next finer one (the ratio 1 : 3.16 : 10 that the series
/// is built on), and a heavier weight never has a smaller limit. A slip in one cell would show.
#[test]
fn the_limits_grow_with_the_mass_and_the_class() {
    for class in WeightClass::ALL {
        let limits: Vec<Mass> = nominals()
            .map(|nominal| permissible_error(nominal, class).unwrap())
            .collect();
        assert!(limits.is_sorted(), "{}", class.name());
    }
    for nominal in nominals() {
        for pair in WeightClass::ALL.windows(2) {
            let fine = permissible_error(nominal, pair[0]).unwrap().to_g_f64();
            let coarse = permissible_error(nominal, pair[1]).unwrap().to_g_f64();
            assert!(
                (2.8..=3.4).contains(&(coarse / fine)),
                "{nominal:?} {pair:?}"
            );
        }
    }
}

#[test]
fn a_class_is_known_by_its_name_in_any_case() {
    for (name, class) in [
        ("E2", WeightClass::E2),
        ("f1", WeightClass::F1),
        ("F2", WeightClass::F2),
        ("m1", WeightClass::M1),
    ] {
        assert_eq!(WeightClass::from_name(name), Some(class));
        assert!(class.name().eq_ignore_ascii_case(name));
    }
    for name in ["", "E1", "M2", "F", "f1 "] {
        assert_eq!(WeightClass::from_name(name), None, "{name}");
    }
}

#[test]
fn a_scale_is_judged_by_the_weights_limit_and_its_own_uncertainty() {
    let scale = quiet("bench", "0.01", None);
    let limits = CheckLimits::new(g("100"), WeightClass::M1, &scale).unwrap();
    // u² = 2 (s²/2 + d²/12), s = 0.41 d, d = 0.01 g (JCGM 100:2008, F.2.2.1): u = 5.79 mg, by hand.
    let by_hand = 2.0 * (2.0 * (0.0041f64.powi(2) / 2.0 + 1e-4 / 12.0)).sqrt();
    assert!((limits.scale_uncertainty.to_g_f64() - by_hand).abs() < 2e-9);
    assert!(limits.is_fine_enough());
    for (net, passes) in [
        ("100.00", true),
        ("100.01", true),
        ("99.99", true),
        ("100.02", false),
        ("99.98", false),
    ] {
        assert_eq!(limits.pass(g(net)), passes, "{net}");
    }
    // M1 at 500 g is 2.5 steps of this scale: too coarse to judge it by; F2 is not.
    let coarse = CheckLimits::new(g("500"), WeightClass::M1, &scale).unwrap();
    assert!(!coarse.is_fine_enough());
    let fine = CheckLimits::new(g("500"), WeightClass::F1, &scale).unwrap();
    assert!(fine.is_fine_enough());
    // The user's own repeatability widens what the scale explains.
    let worn = ScaleAbility {
        repeatability: Some(g("0.012")),
        ..scale
    };
    let worn = CheckLimits::new(g("100"), WeightClass::M1, &worn).unwrap();
    assert!(worn.pass(g("100.02")));
}

/// Both errors at their worst add up, the ends count as passed, and a weight is fine enough up to a third of
/// the whole (JCGM 106:2012, 8.2.3).
#[test]
fn what_a_check_allows_has_its_ends_inside() {
    let of = |weight_error: &str, scale_uncertainty: &str| CheckLimits {
        nominal: g("200"),
        weight_error: g(weight_error),
        scale_uncertainty: g(scale_uncertainty),
    };
    let limits = of("0.01", "0.02");
    assert_eq!(limits.allowed(), g("0.03"));
    assert_eq!((limits.low(), limits.high()), (g("199.97"), g("200.03")));
    let ng = Mass::from_ng(1);
    for edge in [limits.low(), limits.high()] {
        assert!(limits.pass(edge));
    }
    assert!(!limits.pass(limits.low() - ng) && !limits.pass(limits.high() + ng));
    assert!(limits.is_fine_enough());
    assert!(!of("0.01", "0.019").is_fine_enough());
}

// ---- USP <41> --------------------------------------------------------------------------------------

#[test]
fn the_smallest_net_weight_is_that_of_usp_41() {
    assert_eq!((WEIGHINGS, USP_FRACTION), (10, 0.001));
    // The chapter's own example: s = 0.00015 needs 0.30000 g or more.
    let of = |measured: f64, d: &str| Repeatability {
        count: 10,
        mean: 1.0,
        measured,
        d: g(d),
    };
    let example = of(0.00015, "0.00001");
    assert_eq!(example.smallest_net(USP_FRACTION), Some(g("0.30000")));
    // "820 d": a run without any scatter counts as 0.41 d (quoted in a summary of the 2019 text).
    for d in ["0.01", "0.1", "0.001"] {
        let still = Repeatability::of(&[g("50"); 10], g(d)).unwrap();
        assert_eq!(still.measured, 0.0);
        let floor = Mass::from_ng(g(d).ng() * 820);
        assert_eq!(still.smallest_net(USP_FRACTION), Some(floor), "{d}");
    }
    let worn = of(0.012, "0.01");
    assert_eq!(worn.smallest_net(USP_FRACTION), Some(g("24.00")));
    assert_eq!(worn.smallest_net(0.01), Some(g("2.40")));
    for none in [0.0, -0.01, f64::NAN, f64::INFINITY] {
        assert_eq!(worn.smallest_net(none), None, "{none}");
    }
    near(worn.floor(), 0.0041, 1e-12);
    assert_eq!(worn.s(), 0.012);
    assert_eq!(worn.budgeted(), g("0.012"));
    // A microgram is the step of what is kept; nothing of it is lost.
    assert_eq!(of(0.012_000_4, "0.01").budgeted(), g("0.012001"));
    // In a budget nothing counts 0.41 d; but 1/√12 of a step is hidden by any digit (JCGM 100, F.2.2.1).
    assert_eq!(of(0.0, "0.01").budgeted(), g("0.002887"));
    // The same from what the configuration says of the scale, and from one of which it says nothing.
    let scale = |repeatability: Option<&str>| ScaleAbility {
        repeatability: repeatability.map(g),
        ..ScaleAbility::assumed("bench")
    };
    let smallest = |scale: ScaleAbility| scale.smallest_net(USP_FRACTION);
    assert_eq!(smallest(scale(Some("0.012"))), Some(g("24.00")));
    assert_eq!(smallest(scale(Some("0.001"))), Some(g("8.20")));
    // Nothing measured: one step is assumed.
    assert_eq!(smallest(scale(None)), Some(g("20.00")));
    let two = Repeatability::of(&[g("1.00"), g("1.02")], g("0.01")).unwrap();
    assert_eq!(two.count, 2);
    near(two.mean, 1.01, 1e-12);
    assert_eq!(Repeatability::of(&[g("1")], g("0.01")), None);
}

proptest! {
    #[test]
    fn s_and_mean_are_those_of_a_statistics_library(
        steps in prop::collection::vec(-40i64..40, 2..30),
        load in 1i64..500_000,
    ) {
        let nets: Vec<Mass> = steps.iter().map(|s| Mass::from_mg(10 * (load + s))).collect();
        let floats: Vec<f64> = nets.iter().map(|net| net.to_g_f64()).collect();
        let found = Repeatability::of(&nets, g("0.01")).unwrap();
        prop_assert!((found.measured - floats.as_slice().std_dev()).abs() < 1e-9);
        prop_assert!((found.mean - floats.as_slice().mean()).abs() < 1e-9);
        prop_assert!(found.s() >= 0.0041 - 1e-12);
        prop_assert!(found.budgeted().to_g_f64() >= found.measured - 1e-12);
    }
}

// ---- Directive 76/211/EEC, Annex I 2.4, and OIML R 87 ----------------------------------------------

/// The table as printed: from, to (g), percent or grams. Rows to 1 kg from the directive's Annex I,
/// the others from the identical New Zealand Schedule 7A Table 2.
const TOLERABLE: [(f64, f64, Result<f64, f64>); 9] = [
    (5.0, 50.0, Ok(9.0)),
    (50.0, 100.0, Err(4.5)),
    (100.0, 200.0, Ok(4.5)),
    (200.0, 300.0, Err(9.0)),
    (300.0, 500.0, Ok(3.0)),
    (500.0, 1_000.0, Err(15.0)),
    (1_000.0, 10_000.0, Ok(1.5)),
    (10_000.0, 15_000.0, Err(150.0)),
    (15_000.0, 60_000.0, Ok(1.0)),
];

#[test]
fn tolerable_negative_errors_are_those_of_the_directives_annex() {
    for (from, to, row) in TOLERABLE {
        // Both edges: the table is continuous there, so each row must give the same.
        for part in 0..=20 {
            let grams = from + (to - from) * f64::from(part) / 20.0;
            let nominal = Mass::from_g_f64(grams).unwrap();
            let exact = match row {
                Ok(percent) => grams * percent / 100.0,
                Err(fixed) => fixed,
            };
            // Up to the next 0.1 g; of R 87 above 1 kg in whole grams (read in one reproduction), the stricter
            // way of the two.
            let tenths = (exact * 10.0 - 1e-6).ceil() / 10.0;
            let wanted = if grams > 1_000.0 {
                tenths.floor()
            } else {
                tenths
            };
            let found = Rule::OimlR87.tolerable_negative_error(nominal).unwrap();
            assert!((found.to_g_f64() - wanted).abs() < 1e-6, "{grams} g");
            let tenths = Mass::from_g_f64(tenths).filter(|_| grams <= 10_000.0);
            for rule in [Rule::Eu76211, Rule::FPackV] {
                assert_eq!(rule.tolerable_negative_error(nominal), tenths, "{grams} g");
            }
        }
    }
    // Rounded up to the next 0.1 g (Italy, law 690/1978, Annex I), by hand.
    for (nominal, wanted) in [
        ("30", "2.7"),
        ("125", "5.7"),
        ("333", "10.0"),
        ("120", "5.4"),
    ] {
        let found = Rule::Eu76211.tolerable_negative_error(g(nominal));
        assert_eq!(found, Some(g(wanted)), "{nominal}");
    }
    assert_eq!(Rule::Eu76211.tolerable_negative_error(g("4.99")), None);
    assert_eq!(Rule::OimlR87.tolerable_negative_error(Mass::ZERO), None);
}

#[test]
fn single_jars_are_judged_at_once_and_twice_the_tolerable_error() {
    // 120 g: T1 = 114.6 g, T2 = 109.2 g; below counts, the edge does not (OIML R 87:2004, 2.4.1).
    let filling = Filling::new(g("120"), Rule::Eu76211).unwrap();
    for (net, verdict) in [
        ("125", JarVerdict::Adequate),
        ("114.60", JarVerdict::Adequate),
        ("114.59", JarVerdict::Short),
        ("109.20", JarVerdict::Short),
        ("109.19", JarVerdict::FarShort),
    ] {
        assert_eq!(filling.judge(g(net)), verdict, "{net}");
    }
    // NIST Handbook 133 (2026), the one point that was read: 113 g, 7.2 g; typed in by the maker.
    let typed = Rule::Handbook133 {
        allowable_variation: g("7.2"),
    };
    let mut filling = Filling::new(g("113"), typed).unwrap();
    assert_eq!(filling.fill(g("105.80")), JarVerdict::Adequate);
    assert!(filling.few_are_short());
    assert_eq!(filling.fill(g("105.79")), JarVerdict::Short);
    assert_eq!(filling.fill(g("50")), JarVerdict::Short);
    assert!(!filling.few_are_short());
}

/// Directive 76/211/EEC, Annex I: 5 g to 10 kg; and a variation that nobody could have read in a table.
#[test]
fn a_rule_ends_where_its_table_ends() {
    let error = |rule: Rule, nominal: Mass| rule.tolerable_negative_error(nominal);
    let gram = Mass::from_g;
    for rule in [Rule::Eu76211, Rule::FPackV, Rule::OimlR87] {
        assert_eq!(error(rule, gram(5)), Some(g("0.5")));
        assert_eq!(error(rule, gram(10_000)), Some(gram(150)));
        let less = error(rule, gram(5) - Mass::from_ng(1));
        // R 87's table begins above nothing (read in one reproduction).
        assert_eq!(less, (rule == Rule::OimlR87).then(|| g("0.5")));
    }
    assert_eq!(error(Rule::OimlR87, g("1")), Some(g("0.1")));
    assert_eq!(error(Rule::OimlR87, g("1010")), Some(gram(15)));
    assert_eq!(error(Rule::Eu76211, g("1010")), Some(g("15.2")));
    let over = gram(10_000) + Mass::from_ng(1);
    assert_eq!(error(Rule::Eu76211, over), None);
    assert_eq!(error(Rule::OimlR87, over), Some(gram(150)));
    assert_eq!(error(Rule::OimlR87, Mass::LIMIT), Some(gram(100_000)));
    let typed = |allowable_variation| Rule::Handbook133 {
        allowable_variation,
    };
    assert_eq!(error(typed(Mass::ZERO), gram(1)), Some(Mass::ZERO));
    assert_eq!(error(typed(-Mass::from_ng(1)), gram(1)), None);
    assert_eq!(error(typed(gram(1)), Mass::ZERO), None);
    let sources = [Rule::Eu76211, Rule::OimlR87, typed(gram(1))].map(Rule::source);
    for (source, words) in sources.into_iter().zip(["76/211/EEC", "OIML R 87", "133"]) {
        assert!(source.english().contains(words), "{source}");
    }
}

/// Of 40 jars one may be short (2.5 %), of 39 none; far short none of any number (OIML R 87:2004, 2.4).
#[test]
fn one_jar_of_forty_may_be_short_and_none_far() {
    let of = |good: u32, short: u32, far: u32| {
        let mut filling = Filling::new(g("120"), Rule::Eu76211).unwrap();
        let jars = [(good, "120"), (short, "114"), (far, "100")];
        for (count, net) in jars {
            for _ in 0..count {
                filling.fill(g(net));
            }
        }
        assert_eq!(filling.jars(), good + short + far);
        assert_eq!(
            (filling.short(), filling.far_short()),
            (short + far, far),
            "{filling:?}"
        );
        filling.few_are_short()
    };
    assert!(of(1, 0, 0) && of(39, 1, 0) && of(78, 2, 0));
    assert!(!of(38, 1, 0) && !of(77, 2, 0));
    // In Germany one of 50 (FPackV, § 9 (3): at most 2 %).
    let german = |good: u32| {
        let mut filling = Filling::new(g("120"), Rule::FPackV).unwrap();
        filling.fill(g("114"));
        for _ in 0..good {
            filling.fill(g("120"));
        }
        filling.few_are_short()
    };
    assert!(german(49) && !german(48));
    // A fifth of the tolerable error: NISR 2011/331, Schedule 2, 1.3, as reproduced.
    let most = |rule: Rule| rule.most_weighing_error(g("120"));
    assert_eq!(most(Rule::Eu76211), Some(g("1.08")));
    assert!(!of(399, 0, 1) && !of(398, 1, 1));
    // Handbook 133 knows no second step: short is short.
    let typed = Rule::Handbook133 {
        allowable_variation: g("7.2"),
    };
    let mut filling = Filling::new(g("113"), typed).unwrap();
    assert_eq!(filling.fill(g("50")), JarVerdict::Short);
    assert_eq!((filling.short(), filling.far_short()), (1, 0));
    assert_eq!(most(typed), None);
}

#[test]
fn what_is_left_fills_whole_jars_and_nothing_has_no_yield() {
    let mut filling = Filling::new(g("120"), Rule::Eu76211).unwrap();
    for (left, jars) in [("-1", 0), ("0", 0), ("119.99", 0), ("120", 1), ("600", 5)] {
        assert_eq!(filling.jars_left(g(left)), jars, "{left}");
    }
    filling.fill(g("120"));
    assert_eq!((filling.mean(), filling.total()), (Some(120.0), g("120")));
    assert_eq!(filling.average_is_met(), Some(true));
    assert_eq!(filling.balance(Mass::ZERO, g("3")).yield_percent, None);
    // More came out than was made: something was misweighed, and it is told as less than nothing.
    let balance = filling.balance(g("100"), g("3"));
    assert_eq!((balance.left, balance.lost), (g("3"), g("-23")));
    assert_eq!(balance.yield_percent, Some(120.0));
}

/// An invented filling of 30 jars, its mean computed with a statistics library.
#[test]
fn a_filling_has_its_mean_yield_and_loss() {
    let text = "120.4 119.8 120.1 121.0 119.2 120.6 120.3 119.7 120.9 120.0 118.9 120.2 120.5 119.6 \
         120.7 121.2 119.9 120.4 120.1 119.5 120.8 120.3 119.4 120.6 120.0 121.1 119.8 120.2 120.5 \
         119.3";
    let nets: Vec<Mass> = text.split_whitespace().map(g).collect();
    let floats: Vec<f64> = nets.iter().map(|net| net.to_g_f64()).collect();
    let mut filling = Filling::new(g("120"), Rule::OimlR87).unwrap();
    assert_eq!((filling.mean(), filling.average_is_met()), (None, None));
    for net in &nets {
        assert_eq!(filling.fill(*net), JarVerdict::Adequate);
    }
    assert!((filling.mean().unwrap() - floats.as_slice().mean()).abs() < 1e-9);
    assert_eq!(filling.average_is_met(), Some(true));
    assert!(filling.few_are_short());
    let balance = filling.balance(g("3700"), g("80"));
    assert_eq!(balance.filled, g("3605.0"));
    assert_eq!(balance.lost, g("15.0"));
    assert!((balance.yield_percent.unwrap() - 100.0 * 3605.0 / 3700.0).abs() < 1e-9);
    assert_eq!(filling.jars_left(g("359.99")), 2);
    // One step of the scale less on the whole than nominal, and the average is not met.
    let short = g("120") - (filling.total() - g("3600")) - g("0.01");
    filling.fill(short);
    assert_eq!(filling.average_is_met(), Some(false));
    assert!(
        SAMPLING_NOTE
            .english()
            .contains("not recommended for use in the quantity control")
    );
}
