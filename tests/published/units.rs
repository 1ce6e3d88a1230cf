//! Units and decimal arithmetic against published tables and two general-purpose libraries.

use bismar::mass::{Decimal, Mass, Unit};
use proptest::prelude::*;
use rust_decimal::RoundingStrategy;
use rust_decimal::prelude::ToPrimitive;

use crate::bench_side::python;

/// Grams in one unit, as printed. SP 811: NIST Special Publication 811 (2008 edition), Appendix
/// B.8; HB 44: NIST Handbook 44, Appendix C, General Tables of Units of Measurement, where exact
/// values are underlined. Numbers from memory of the tables, checked by the pint test below.
const PUBLISHED: [(&str, &str, &str); 9] = [
    ("g", "1", "SI Brochure, 9th ed., 3"),
    ("kg", "1000", "SI Brochure, 9th ed., Table 2"),
    ("mg", "0.001", "SI Brochure, 9th ed., Table 7"),
    (
        "lb",
        "453.59237",
        "SP 811 B.8; HB 44 App. C: 1 pound avoirdupois, exact",
    ),
    (
        "oz",
        "28.349523125",
        "HB 44 App. C: 1/16 pound, exact; SP 811 B.8 prints 28.34952",
    ),
    (
        "lb:oz",
        "28.349523125",
        "as the ounce: the number is in ounces",
    ),
    (
        "gn",
        "0.06479891",
        "SP 811 B.8; HB 44 App. C: 1 grain = 64.798 91 mg, exact",
    ),
    (
        "ozt",
        "31.1034768",
        "HB 44 App. C: 480 grains, exact; SP 811 B.8 prints 31.10348",
    ),
    ("ct", "0.2", "SP 811 B.8: carat, metric = 200 mg, exact"),
];

fn unit(symbol: &str) -> Unit {
    Unit::from_symbol(symbol.as_bytes()).unwrap()
}

#[test]
fn one_of_each_unit_is_the_published_number_of_grams() {
    assert_eq!(PUBLISHED.len(), Unit::ALL.len());
    for (symbol, grams, source) in PUBLISHED {
        let grams: rust_decimal::Decimal = grams.parse().unwrap();
        let ng = (grams * rust_decimal::Decimal::from(1_000_000_000))
            .to_i64()
            .unwrap();
        assert_eq!(unit(symbol).ng(), ng, "{symbol}: {source}");
        assert_eq!(
            Mass::parse(b"1", unit(symbol)),
            Ok(Mass::from_ng(ng)),
            "{symbol}"
        );
    }
}

#[test]
fn the_units_hang_together_as_in_the_tables() {
    // HB 44 App. C: 1 lb = 16 oz = 7000 grains; 1 oz = 437.5 grains; 1 oz t = 480 grains.
    assert_eq!(unit("lb").ng(), 16 * unit("oz").ng());
    assert_eq!(unit("lb").ng(), 7000 * unit("gn").ng());
    assert_eq!(2 * unit("oz").ng(), 875 * unit("gn").ng());
    assert_eq!(unit("ozt").ng(), 480 * unit("gn").ng());
    assert_eq!(unit("kg").ng(), 5000 * unit("ct").ng());
}

/// A second opinion: the Python library pint with exact decimals.
#[test]
fn pint_converts_the_same_numbers_to_the_same_nanograms() {
    let numbers = [
        "1", "0.0001", "12.34", "-3.4567", "2.2", "1999.995", "0.3333", "1234.567",
    ];
    let units = [
        ("gram", "g"),
        ("kilogram", "kg"),
        ("milligram", "mg"),
        ("ounce", "oz"),
        ("pound", "lb"),
        ("ounce", "lb:oz"),
        ("carat", "ct"),
        ("grain", "gn"),
        ("troy_ounce", "ozt"),
    ];
    let script = "
import sys
from decimal import Decimal, ROUND_HALF_EVEN, getcontext
import pint
getcontext().prec = 50
registry = pint.UnitRegistry(non_int_type=Decimal)
for line in sys.argv[1:]:
    number, name = line.split()
    ng = registry.Quantity(Decimal(number), name).to('nanogram').magnitude
    print(ng.quantize(Decimal(1), rounding=ROUND_HALF_EVEN))
";
    let cases: Vec<(&str, &str, &str)> = units
        .iter()
        .flat_map(|(name, symbol)| numbers.map(|number| (number, *name, *symbol)))
        .collect();
    let words = cases
        .iter()
        .map(|(number, name, _)| format!("{number} {name}"));
    let text = python::asked(script, words, b"");
    let answers: Vec<i64> = text.lines().map(|line| line.parse().unwrap()).collect();
    assert_eq!(answers.len(), cases.len());
    for ((number, name, symbol), ng) in cases.iter().zip(answers) {
        let mass = Mass::parse(number.as_bytes(), unit(symbol)).unwrap();
        assert_eq!(mass.ng(), ng, "{number} {name}");
    }
}

fn exact(n: i64) -> rust_decimal::Decimal {
    rust_decimal::Decimal::from(n)
}

proptest! {
    #[test]
    fn parsing_agrees_with_rust_decimal(
        digits in -99_999_999i64..=99_999_999,
        decimals in 0u32..=6,
        which in 0usize..9,
    ) {
        let number = rust_decimal::Decimal::new(digits, decimals);
        let text = number.to_string();
        let unit = Unit::ALL[which];
        let want = (number * exact(unit.ng()))
            .round_dp_with_strategy(0, RoundingStrategy::MidpointNearestEven);
        let got = Mass::parse(text.as_bytes(), unit);
        if want.abs() > exact(Mass::LIMIT.ng()) {
            prop_assert!(got.is_err());
        } else {
            prop_assert_eq!(got.map(Mass::ng), Ok(want.to_i64().unwrap()));
        }
        // The comma is the same number.
        prop_assert_eq!(Mass::parse(text.replace('.', ",").as_bytes(), unit), got);
    }

    #[test]
    fn the_reading_of_an_indication_is_the_same_mass(
        digits in -99_999_999i64..=99_999_999,
        decimals in 0u8..=9,
        which in 0usize..9,
    ) {
        use bismar::scale::{Indication, decode};
        use bismar::time::Moment;
        let unit = Unit::ALL[which];
        let value = Decimal { digits, decimals, negative: digits < 0 };
        let indication = Indication { value, unit: Some(unit), steady: None, shown: None };
        let reading = decode::reading(&indication, Moment::default(), None);
        prop_assert_eq!(reading.map(|r| r.weight), value.in_unit(unit).ok());
        if let Some(reading) = reading {
            prop_assert_eq!(reading.digit, value.last_digit(unit));
        }
    }

    #[test]
    fn rounding_to_a_step_agrees_with_rust_decimal(
        ng in -1_000_000_000_000i64..1_000_000_000_000,
        step in prop::sample::select(vec![1i64, 10, 100_000, 10_000_000, 20_000_000, 28_349_523_125]),
    ) {
        let steps = exact(ng) / exact(step);
        let near = steps.round_dp_with_strategy(0, RoundingStrategy::MidpointNearestEven);
        let mass = Mass::from_ng(ng);
        let step_mass = Mass::from_ng(step);
        prop_assert_eq!(exact(mass.round_to(step_mass).ng()), near * exact(step));
        prop_assert_eq!(exact(mass.floor_to(step_mass).ng()), steps.floor() * exact(step));
        prop_assert_eq!(exact(mass.ceil_to(step_mass).ng()), steps.ceil() * exact(step));
    }

    #[test]
    fn grams_as_text_agree_with_rust_decimal(ng in any::<i64>(), decimals in 0u8..=9) {
        let want = rust_decimal::Decimal::from_i128_with_scale(i128::from(ng), 9)
            .round_dp_with_strategy(u32::from(decimals), RoundingStrategy::MidpointNearestEven);
        let text = Mass::from_ng(ng).grams_rounded(decimals).to_string();
        let places = text.split_once('.').map_or(0, |(_, part)| part.len());
        prop_assert_eq!(places, usize::from(decimals));
        prop_assert_eq!(text.parse::<rust_decimal::Decimal>().unwrap(), want);
    }
}
