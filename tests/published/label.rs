//! The declaration's rules at their edges, and the net contents against the examples worked with
//! the factors of 16 CFR 500.19 (1 oz = 28.349 5 g, 1 g = 0.035 274 0 oz).

use bismar::label::{Rules, declaration, grams_on_label, ounces_on_label};
use bismar::mass::Mass;
use proptest::prelude::*;
use rust_decimal::Decimal;

fn named(weights: &[(&str, i64)]) -> Vec<(String, Mass)> {
    let one = |(name, mg): &(&str, i64)| ((*name).to_owned(), Mass::from_mg(*mg));
    weights.iter().map(one).collect()
}

/// 21 CFR 701.3(f): "not more than 1 percent" (from memory); 1223/2009 art. 19(1)(g): "less than 1 %".
#[test]
fn exactly_one_percent_is_free_in_the_us_and_not_in_the_eu() {
    for (mg, us, eu) in [
        (999, true, true),
        (1_000, true, false),
        (1_001, false, false),
    ] {
        let rest = 100_000 - mg;
        let weights = [("Aqua", rest), ("Parfum", mg)];
        for (rules, expected) in [(Rules::Us, us), (Rules::Eu, eu)] {
            let lines = declaration(named(&weights), rules);
            assert_eq!(lines[1].any_order, expected, "{mg} mg, {rules:?}");
            assert!(!lines[0].any_order);
        }
    }
    // One nanogram in 10 kg tells.
    let total = Mass::from_g(10_000);
    let over = Mass::from_g(100) + Mass::from_ng(1);
    assert!(!Rules::Us.any_order(over, total));
    assert!(Rules::Eu.any_order(Mass::from_g(100) - Mass::from_ng(1), total));
}

#[test]
fn one_inci_name_is_declared_once_and_nothing_of_no_weight() {
    let weights = [
        ("Maris Sal", 40),
        ("Aqua", 50),
        ("Maris Sal", 20),
        ("Parfum", 0),
    ];
    let lines = declaration(named(&weights), Rules::Eu);
    let names: Vec<&str> = lines.iter().map(|line| line.inci.as_str()).collect();
    assert_eq!(names, ["Maris Sal", "Aqua"]);
    assert_eq!(lines[0].mass, Mass::from_mg(60));
}

#[test]
fn net_contents_of_worked_examples() {
    for (g, oz, grams) in [
        (50, "1.76", "50"),
        (100, "3.52", "100"),
        (250, "8.81", "250"),
    ] {
        let net = Mass::from_g(g);
        assert_eq!(ounces_on_label(net).as_deref(), Some(oz));
        assert_eq!(grams_on_label(net).as_deref(), Some(grams));
    }
    // 4 oz and 8 oz: 113.398 g and 226.796 g.
    for (oz, grams) in [(4, "113"), (8, "226")] {
        let net = Mass::from_ng(28_349_523_125 * oz);
        assert_eq!(ounces_on_label(net), Some(oz.to_string()));
        assert_eq!(grams_on_label(net).as_deref(), Some(grams));
    }
    assert_eq!(grams_on_label(Mass::from_mg(5_678)).as_deref(), Some("5.6"));
    assert_eq!(grams_on_label(Mass::ZERO), None);
    assert_eq!(ounces_on_label(Mass::from_mg(-5)), None);
}

proptest! {
    /// In a decimal library: neither number is more than what is there, by the exact ounce
    /// (28.349 523 125 g) or by the label factor, and none gives away a digit.
    #[test]
    fn net_contents_never_overstate(ng in 300_000_000i64..100_000_000_000_000) {
        let net = Mass::from_ng(ng);
        let g = Decimal::new(ng, 9);
        let label: Decimal = grams_on_label(net).unwrap().parse().unwrap();
        prop_assert!(label <= g && label > g * Decimal::new(9, 1));
        let oz: Decimal = ounces_on_label(net).unwrap().parse().unwrap();
        prop_assert!(oz * Decimal::new(28_349_523_125, 9) <= g);
        prop_assert!(oz <= g * Decimal::new(352_740, 7));
        prop_assert!(g < (oz + Decimal::new(1, 2)) * Decimal::new(28_349_523_125, 9));
    }

    #[test]
    fn a_declaration_descends_and_keeps_every_gram(
        weights in proptest::collection::vec(("[a-f]", 0i64..1_000_000), 1..20),
    ) {
        let given: Vec<(String, Mass)> =
            weights.iter().map(|(n, mg)| (n.clone(), Mass::from_mg(*mg))).collect();
        let lines = declaration(given.clone(), Rules::Us);
        prop_assert!(lines.windows(2).all(|w| w[0].mass >= w[1].mass));
        prop_assert!(lines.is_sorted_by_key(|line| line.any_order));
        let sum: Mass = lines.iter().map(|line| line.mass).sum();
        prop_assert_eq!(sum, given.iter().map(|(_, m)| *m).sum::<Mass>());
    }
}
