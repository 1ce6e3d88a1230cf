//! Units and decimal arithmetic against published tables and two general-purpose libraries.

use bismar::mass::{Decimal, Mass, MassError, Unit, decimals_of};
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

/// What a scale sends, in either case and with the spellings that are common practice (no source).
#[test]
fn a_symbol_is_known_in_any_case_and_what_is_no_mass_is_not() {
    for unit in Unit::ALL {
        let symbol = unit.symbol();
        assert_eq!(Unit::from_symbol(symbol.as_bytes()), Some(unit));
        assert_eq!(
            Unit::from_symbol(symbol.to_uppercase().as_bytes()),
            Some(unit)
        );
        assert_eq!(format!("{unit:>6}"), format!("{symbol:>6}"));
    }
    for (spelling, symbol) in [
        ("lbs", "lb"),
        ("lboz", "lb:oz"),
        ("car", "ct"),
        ("toz", "ozt"),
    ] {
        assert_eq!(unit(spelling), unit(symbol), "{spelling}");
    }
    for other in ["", "pcs", "%", "gr", "g ", "tl", "ounces"] {
        assert_eq!(Unit::from_symbol(other.as_bytes()), None, "{other}");
    }
}

#[test]
fn a_number_is_digits_with_one_point_and_a_sign_before_it() {
    let decimal = |text: &str| Decimal::parse(text.as_bytes());
    for (text, digits, decimals, negative) in [
        ("12.34", 1234, 2, false),
        ("+ 1,5", 15, 1, false),
        ("-0.05", -5, 2, true),
        ("-  7", -7, 0, true),
        ("-0.00", 0, 2, true),
        (".5", 5, 1, false),
        ("5.", 5, 0, false),
        ("123456789012345678", 123_456_789_012_345_678, 0, false),
    ] {
        let wanted = Decimal {
            digits,
            decimals,
            negative,
        };
        assert_eq!(decimal(text), Ok(wanted), "{text}");
    }
    for text in [
        "", "-", "+", ".", "1.2.3", "1,2,3", "1.2,3", "1 2", "--1", "+-1", "1-", "1e3", "1_0", "g",
    ] {
        assert_eq!(decimal(text), Err(MassError::NotANumber), "{text}");
    }
    assert_eq!(decimal("1234567890123456789"), Err(MassError::OutOfRange));
}

/// As written in the documentation of `Mass`: ten tonnes either way, and the limit itself is inside.
#[test]
fn ten_tonnes_are_a_mass_and_a_nanogram_more_is_not() {
    let kilograms = |text: &str| Mass::parse(text.as_bytes(), Unit::Kilogram);
    assert_eq!(Mass::LIMIT, Mass::from_g(10_000_000));
    for sign in ["", "-"] {
        let at = kilograms(&format!("{sign}10000")).map(Mass::abs);
        assert_eq!(at, Ok(Mass::LIMIT));
        let beyond = kilograms(&format!("{sign}10000.000000000001"));
        assert_eq!(beyond, Err(MassError::OutOfRange));
    }
    assert_eq!(Mass::from_g_f64(1e7), Some(Mass::LIMIT));
    assert_eq!(Mass::from_g_f64(-1e7), Some(-Mass::LIMIT));
    assert_eq!(Mass::from_g_f64(0.25), Some(Mass::from_mg(250)));
    for beyond in [1.000_000_1e7, -1.000_000_1e7, f64::NAN, f64::INFINITY] {
        assert_eq!(Mass::from_g_f64(beyond), None, "{beyond}");
    }
}

#[test]
fn a_mass_and_its_unit_are_read_together_and_a_comma_is_not_guessed_at() {
    let read = Mass::parse_with_unit;
    assert_eq!(read(" 1.2 kg "), Ok(Mass::from_g(1_200)));
    assert_eq!(read("500g"), Ok(Mass::from_g(500)));
    let (one, other) = (Mass::from_g(1), Mass::from_g(1_000));
    assert_eq!(read("1,000 g"), Err(MassError::Either { one, other }));
    assert_eq!(read("0,500 g"), Err(MassError::NotANumber));
    assert_eq!(read("1,00 g"), Err(MassError::NotANumber));
    assert_eq!(read("500"), Err(MassError::Unit));
    assert_eq!(read("5 pcs"), Err(MassError::Unit));
    assert_eq!(read("g"), Err(MassError::NotANumber));
}

/// A weight is written with the decimals that its scale shows, and never with fewer than it has.
#[test]
fn grams_have_the_decimals_of_the_scale() {
    let g = |text: &str| Mass::parse(text.as_bytes(), Unit::Gram).unwrap();
    for (step, decimals) in [
        ("50", 0),
        ("10", 0),
        ("1", 0),
        ("0.5", 1),
        ("0.1", 1),
        ("0.02", 2),
        ("-0.01", 2),
        ("0.001", 3),
        ("0.000001", 6),
        // Steps of another unit have no end in grams; four decimals are finer than any of them.
        ("0.028349523", 4),
        ("0.0000001", 4),
        ("0", 2),
    ] {
        assert_eq!(decimals_of(g(step)), decimals, "{step}");
    }
    for (mass, step, text) in [
        ("12.34", "0.01", "12.34"),
        ("12.3", "0.01", "12.30"),
        ("12.345", "0.01", "12.345"),
        ("100", "10", "100"),
        ("100.5", "10", "100.5"),
        ("-0.05", "0.01", "-0.05"),
        ("0", "0.01", "0.00"),
        ("0", "1", "0"),
        // A microgram is written; what is less is rounded, half to even, and nothing has no sign.
        ("0.000001", "0.01", "0.000001"),
        ("0.0000015", "0.01", "0.000002"),
        ("-0.0000001", "0.01", "0.000000"),
    ] {
        assert_eq!(g(mass).grams(g(step)).to_string(), text, "{mass} at {step}");
    }
    assert_eq!(format!("{:>8}", g("1.5").grams(g("0.01"))), "    1.50");
    assert_eq!(format!("{:?}", g("-1.5")), "-1.500000000 g");
    assert_eq!(
        Mass::from_g(3).grams_rounded(200).to_string(),
        "3.000000000"
    );
}

#[test]
fn what_is_less_than_nothing_is_negative_and_nothing_is_not() {
    let ng = Mass::from_ng;
    assert!(ng(-1).is_negative());
    assert!(!Mass::ZERO.is_negative() && !ng(1).is_negative());
    assert_eq!((ng(-1).abs(), ng(1).abs(), -ng(1)), (ng(1), ng(1), ng(-1)));
    let mut sum = ng(5);
    sum += ng(3);
    assert_eq!(sum, ng(8));
    sum -= ng(10);
    assert_eq!(sum, ng(-2));
    assert_eq!([ng(5), ng(-7), ng(1)].into_iter().sum::<Mass>(), ng(-1));
    // Beyond what is held the end stands; nothing wraps round.
    let (most, least) = (ng(i64::MAX), ng(i64::MIN));
    assert_eq!((most + ng(1), least - ng(1)), (most, least));
    assert_eq!((-least, least.abs(), most * 2), (most, most, most));
    assert_eq!((most.ratio(3, 1), least.ratio(3, 1)), (most, least));
    assert_eq!(
        (Mass::from_g(i64::MAX), Mass::from_mg(i64::MIN)),
        (most, least)
    );
}

#[test]
fn no_step_and_no_divisor_change_nothing_or_give_nothing() {
    let mass = Mass::from_ng(1_234_567);
    for step in [Mass::ZERO, Mass::from_ng(-10)] {
        assert_eq!(mass.round_to(step), mass);
        assert_eq!(mass.floor_to(step), mass);
        assert_eq!(mass.ceil_to(step), mass);
    }
    assert_eq!(mass.ratio(1, 0), Mass::ZERO);
}

/// What no line of a scale shows, a damaged log may: a sum ends at its own end of what can be counted.
#[test]
fn what_is_more_than_can_be_counted_stays_on_its_side() {
    let (least, most) = (Mass::from_ng(i64::MIN), Mass::from_ng(i64::MAX));
    let one = Mass::from_ng(1);
    assert_eq!([most + one, least + -one], [most, least]);
    assert_eq!([most - -one, least - one], [most, least]);
    assert_eq!(
        [most * 2, most * -2, least * 2, least * -2],
        [most, least, least, most]
    );
    assert_eq!([-least, -most], [most, least + one]);
    // Half a nanogram more goes to the even one, where three times the mass is more than can be counted as well.
    let halves = [1, 3].map(|odd| Mass::from_ng((1 << 62) + odd).ratio(3, 2));
    assert_eq!(
        halves,
        [2, 4].map(|even| Mass::from_ng(3 * (1 << 61) + even))
    );
}

/// A unit finer than a nanogram at its last digit still has a step.
#[test]
fn the_last_digit_is_never_nothing() {
    let last = |text: &str, unit| Decimal::parse(text.as_bytes()).unwrap().last_digit(unit);
    assert_eq!(last("1.00", Unit::Gram), Mass::from_mg(10));
    assert_eq!(last("1", Unit::Kilogram), Mass::from_g(1_000));
    assert_eq!(last("0.000000000001", Unit::Gram), Mass::from_ng(1));
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
    fn a_ratio_agrees_with_rust_decimal_whatever_its_signs(
        // What times `num` is more than 64 bits hold as well.
        ng in prop_oneof![-1_000_000_000i64..1_000_000_000, -(1i64 << 54)..1i64 << 54, any::<i64>()],
        num in -2_000i64..2_000,
        den in prop_oneof![-2_000i64..2_000, prop::sample::select(vec![-4i64, -2, 2, 4])],
    ) {
        prop_assume!(den != 0);
        // Many of these halves are exact; a long fraction is never mistaken for one.
        let near = (exact(ng) * exact(num) / exact(den))
            .round_dp_with_strategy(0, RoundingStrategy::MidpointNearestEven);
        let near = near.clamp(exact(i64::MIN), exact(i64::MAX));
        prop_assert_eq!(exact(Mass::from_ng(ng).ratio(num, den).ng()), near);
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
