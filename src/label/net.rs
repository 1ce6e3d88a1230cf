//! Net contents in grams, in ounces and in pounds.

use crate::mass::Mass;

/// Grams for the label: three digits, below 100 g two (16 CFR 500.19(b)), rounded down. `None`
/// below 0.01 g.
pub fn grams_on_label(net: Mass) -> Option<String> {
    let ng = u64::try_from(net.ng()).ok()?;
    let digits = if net < Mass::from_g(100) { 2 } else { 3 };
    let centigrams = ng / 10_000_000;
    (centigrams > 0).then(|| hundredths(rounded_down(centigrams, digits)))
}

/// Avoirdupois ounces for the label, with the factor of 16 CFR 500.19 (1 g = 0.035 274 0 oz) and at
/// most two decimals (21 CFR 701.13), rounded down. `None` below 0.01 oz.
///
/// The result is also checked against the exact ounce (28.349 523 125 g), which is a little larger
/// than the factor's: it is stepped down where the factor alone would overstate.
pub fn ounces_on_label(net: Mass) -> Option<String> {
    hundredths_of_an_ounce(net).map(hundredths)
}

/// The net weight as a label in the US has it, behind "NET WT": ounces and grams; from 1 lb to under 4 lb the
/// same in pounds and ounces in parentheses (21 CFR 701.13, second hand), above that pounds first (from
/// memory). `None` below 0.01 oz.
pub fn us_net_weight(net: Mass) -> Option<String> {
    let (all, grams) = hundredths_of_an_ounce(net).zip(grams_on_label(net))?;
    let (pounds, rest) = (all / OUNCES, all % OUNCES);
    let both = match rest {
        0 => format!("{pounds} LB"),
        rest => format!("{pounds} LB {} OZ", hundredths(rest)),
    };
    Some(match pounds {
        0 => format!("{} OZ ({grams} g)", hundredths(all)),
        1..4 => format!("{} OZ ({both}) {grams} g", hundredths(all)),
        _ => format!("{both} ({grams} g)"),
    })
}

/// Hundredths of an ounce in a pound.
const OUNCES: u64 = 1_600;

/// The nominal content as a label in the EU has it: grams. `None` below 0.01 g.
pub fn eu_net_weight(net: Mass) -> Option<String> {
    grams_on_label(net).map(|grams| format!("{grams} g"))
}

/// The net quantity as a label in Canada has it: grams, and from 1000 g kilograms, to three figures, below 100 g to two
/// (guide to the Consumer Packaging and Labelling Act and Regulations, table 3 and "precision of number", second
/// hand: read in reproductions). Rounded down. `None` below 0.01 g.
pub fn ca_net_weight(net: Mass) -> Option<String> {
    if net < Mass::from_g(1_000) {
        return grams_on_label(net).map(|grams| format!("{grams} g"));
    }
    let hundredths_of_a_kilogram = u64::try_from(net.ng()).ok()? / 10_000_000_000;
    let text = hundredths(rounded_down(hundredths_of_a_kilogram, 3));
    Some(format!("{text} kg"))
}

/// Height in millimetres of the figures of the net quantity in Canada that does for a principal display surface of up
/// to 258 cm² (Consumer Packaging and Labelling Regulations, C.R.C., c. 417, section 14(2)(b)).
pub const CA_FIGURES: f64 = 3.2;

/// Below this a label in the EU needs no nominal content (Regulation (EC) No 1223/2009, article 19(1)(b)).
pub const EU_LEAST: Mass = Mass::from_g(5);

/// The least height in millimetres of the figures of the nominal content (Directive 76/211/EEC, annex I, 3.1;
/// from memory).
pub fn height_of_figures(net: Mass) -> u8 {
    const UP_TO: [(Mass, u8); 3] = [
        (Mass::from_g(50), 2),
        (Mass::from_g(200), 3),
        (Mass::from_g(1_000), 4),
    ];
    let found = UP_TO.iter().find(|(most, _)| net <= *most);
    found.map_or(6, |(_, height)| *height)
}

fn hundredths_of_an_ounce(net: Mass) -> Option<u64> {
    let ng = u128::try_from(net.ng()).ok()?;
    // ng / 1e9 g × 0.0352740 oz/g × 100 hundredths.
    let by_factor = ng * 352_740 * 100 / 10u128.pow(9 + 7);
    let exact = ng * 100 / 28_349_523_125;
    let hundredth = u64::try_from(by_factor.min(exact)).ok()?;
    (hundredth > 0).then_some(hundredth)
}

/// `n` with all but its first `digits` digits made zero.
fn rounded_down(n: u64, digits: u32) -> u64 {
    let length = n.checked_ilog10().map_or(0, |log| log + 1);
    let unit = 10u64.pow(length.saturating_sub(digits));
    n / unit * unit
}

/// Hundredths as a decimal; final zeros after the point are not shown.
fn hundredths(n: u64) -> String {
    let text = format!("{}.{:02}", n / 100, n % 100);
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}
