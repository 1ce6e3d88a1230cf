//! Premixes and weighing by difference as a help for a step that a scale cannot prove.
//!
//! Outside source: none but arithmetic; the worst case is sought among all corners of the tolerances, and
//! a premix worked by hand stands beside it. "The same two readings" of a weighing by difference:
//! JCGM 100:2008, 5.1.2 (variances of independent readings add, whatever the order of subtraction).

use bismar::formula::plan::BatchSize;
use bismar::formula::remarks::ReadIn;
use bismar::formula::{Formula, Plan, help};
use bismar::mass::Mass;
use bismar::metrology::premix::Premix;
use bismar::metrology::{ScaleAbility, StepLimits, feasibility};
use proptest::prelude::*;

use super::masses::{g, scale};

/// 0.30 g ± 2 % on 0.01 g, by hand: u = 0.00579 g, 2 u = 0.0116 g, with room for a step 0.03 g. a = 0.02 /
/// 2.03 = 0.98 %, b = 0.49 %: 0.03 / 0.0098 = 3.06 g of the blend at least, eleven times as much, so 20;
/// 0.03 / 0.0049 = 6.12 g in the blend at least, so 10 g.
#[test]
fn a_premix_worked_by_hand() {
    let step = StepLimits {
        target: g("0.30"),
        lowest: g("0.294"),
        highest: g("0.306"),
    };
    let premix = Premix::of(step, &scale("bench", "0.01", None), 2.0).unwrap();
    assert_eq!(
        premix,
        Premix {
            part: g("10"),
            carrier: g("190"),
            times: 20,
            weigh: g("6"),
            carried: g("5.7"),
            blend_tolerance: 4_900,
            weigh_tolerance: 9_800,
        }
    );
    // A side that allows nothing, a carrier too heavy for the scale, a dose beyond a hundredfold.
    let none = StepLimits {
        highest: g("0.30"),
        ..step
    };
    assert_eq!(Premix::of(none, &scale("bench", "0.01", None), 2.0), None);
    assert_eq!(
        Premix::of(step, &scale("bench", "0.01", Some("150")), 2.0),
        None
    );
    let narrow = StepLimits {
        lowest: g("0.299"),
        highest: g("0.301"),
        ..step
    };
    assert_eq!(Premix::of(narrow, &scale("bench", "0.01", None), 2.0), None);
    let tiny = StepLimits {
        target: g("0.01"),
        lowest: g("0.0098"),
        highest: g("0.0102"),
    };
    assert_eq!(Premix::of(tiny, &scale("bench", "0.01", None), 2.0), None);
}

/// 0.20 g ± 1 % on 0.01 g, by hand: room 0.03 g as above; a = 0.01 / 2.015 = 0.49 %, b = 0.24 %: 6.13 g of the
/// blend at least, thirty-one times as much, so 50; 12.5 g in it at least, so 20 g, and 1000 g in all. Half the
/// dose takes 100 times as much and 2000 g.
#[test]
fn a_premix_of_a_kilogram_is_proposed_and_none_of_more() {
    let step = |target: Mass| StepLimits {
        target,
        lowest: target - target.ratio(1, 100),
        highest: target + target.ratio(1, 100),
    };
    let bench = |capacity| scale("bench", "0.01", capacity);
    let kilogram = Premix {
        part: g("20"),
        carrier: g("980"),
        times: 50,
        weigh: g("10"),
        carried: g("9.8"),
        blend_tolerance: 2_400,
        weigh_tolerance: 4_900,
    };
    let premix = |target: &str, capacity| Premix::of(step(g(target)), &bench(capacity), 2.0);
    assert_eq!(premix("0.20", None), Some(kilogram));
    assert_eq!(premix("0.10", None), None);
    // The scale that carries the carrier and no more is enough.
    assert_eq!(premix("0.20", Some("980")), Some(kilogram));
    assert_eq!(premix("0.20", Some("979.99")), None);
    // ± 4 %: 0.04 / 2.06 = 1.94 %, half of it 0.97 %, so 1.9 % and 0.95 %: 1.58 g of the blend at least, that
    // is ten times as much, and 3.16 g in it, so 5 g.
    let wide = StepLimits {
        target: g("0.20"),
        lowest: g("0.192"),
        highest: g("0.208"),
    };
    let wide = Premix::of(wide, &bench(None), 2.0).unwrap();
    assert_eq!((wide.part, wide.carrier, wide.times), (g("5"), g("45"), 10));
    assert_eq!(
        (wide.weigh_tolerance, wide.blend_tolerance),
        (19_000, 9_500)
    );
    // A tolerance as wide as the target itself is none to plan with.
    let all = StepLimits {
        target: g("0.20"),
        lowest: Mass::ZERO,
        highest: g("0.40"),
    };
    assert_eq!(Premix::of(all, &bench(None), 2.0), None);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(2048))]

    /// Each weight is proven with a step of room, and what is delivered at every corner of the three
    /// tolerances is inside the step's own.
    #[test]
    fn a_premix_keeps_the_tolerance_in_every_corner(
        steps in 1i64..2_000, under in 1i64..3_000, over in 1i64..3_000, which in 0usize..3, guard in 1.0..3.0,
    ) {
        let scale = scale("bench", ["0.001", "0.01", "0.1"][which], None);
        let target = scale.readability * steps;
        // Hundredths of a percent.
        let step = StepLimits {
            target,
            lowest: target - target.ratio(under, 10_000),
            highest: target + target.ratio(over, 10_000),
        };
        let Some(premix) = Premix::of(step, &scale, guard) else { return Ok(()) };
        let band = |mass: Mass, millionths: i64| {
            let off = mass.ratio(millionths, 1_000_000);
            StepLimits { target: mass, lowest: mass - off, highest: mass + off }
        };
        let weighings = [
            band(premix.part, premix.blend_tolerance),
            band(premix.carrier, premix.blend_tolerance),
            band(premix.weigh, premix.weigh_tolerance),
        ];
        for weighing in weighings {
            let window = feasibility(weighing, &scale, guard).window;
            prop_assert!(window.proven, "{:?}", weighing);
            let d = scale.readability;
            prop_assert!(window.holds(weighing.target - d) || window.holds(weighing.target + d));
        }
        prop_assert_eq!(premix.weigh, premix.carried + target);
        let ends = |s: StepLimits| [s.lowest.to_g_f64(), s.highest.to_g_f64()];
        for part in ends(weighings[0]) {
            for carrier in ends(weighings[1]) {
                for weigh in ends(weighings[2]) {
                    let delivered = weigh * part / (part + carrier);
                    let (low, high) = (step.lowest.to_g_f64(), step.highest.to_g_f64());
                    // 1 ng for the rounding of the floats and of the limits.
                    prop_assert!(low - 1e-9 <= delivered && delivered <= high + 1e-9,
                        "{} g of {:?}", delivered, step);
                }
            }
        }
    }
}

const BALM: &str = "[formula]\nname = \"Balm\"\n[[phase]]\n\
    [[phase.ingredient]]\nname = \"Oil\"\nbalance = true\nvessel = \"bowl\"\n\
    [[phase.ingredient]]\nname = \"Tocopherol\"\npercent = 0.1\nvessel = \"bowl\"\n";

fn ways(batch: &str, vessel: &str, scales: &[ScaleAbility]) -> String {
    let (start, end) = BALM.rsplit_once("bowl").unwrap();
    let formula = Formula::parse(&format!("{start}{vessel}{end}"), "balm.toml").unwrap();
    let plan = Plan::new(&formula, BatchSize::Batch(g(batch)), scales, 2.0).unwrap();
    let ways = help::ways(&plan, &plan.steps[1], scales, 2.0, ReadIn::Form);
    ways.iter()
        .map(ToString::to_string)
        .collect::<Vec<_>>()
        .join("; ")
}

/// 0.5 g into a bowl of 500 g: a fine scale of 200 g cannot carry the bowl, but the bottle.
#[test]
fn by_difference_helps_only_where_it_takes_the_bowl_off_a_finer_scale() {
    let bench = scale("bench", "0.01", Some("2000"));
    let fine = |capacity| scale("fine", "0.001", Some(capacity));
    let found = ways("500", "bowl", &[bench.clone(), fine("200")]);
    assert!(
        found.contains("by difference on the scale \"fine\""),
        "{found}"
    );
    assert!(
        found.contains("less than 200 g, its bottle included"),
        "{found}"
    );
    // On the one scale there is it has the same two readings.
    assert!(!ways("500", "bowl", std::slice::from_ref(&bench)).contains("difference"));
    // A fine scale that carries less than the dose, or proves it no better.
    assert!(!ways("500", "bowl", &[bench.clone(), fine("0.4")]).contains("difference"));
    let no_finer = scale("other", "0.01", Some("200"));
    assert!(!ways("500", "bowl", &[bench.clone(), no_finer]).contains("difference"));
    // In a beaker the step goes to the fine scale by itself.
    let formula = Formula::parse(&BALM.replacen("bowl", "beaker", 2), "balm.toml").unwrap();
    let scales = [bench, fine("200")];
    let plan = Plan::new(&formula, BatchSize::Batch(g("500")), &scales, 2.0).unwrap();
    assert_eq!(plan.steps[1].scale, 1);
}

#[test]
fn a_premix_needs_a_carrier_that_is_there() {
    let bench = [scale("bench", "0.01", None)];
    let found = ways("500", "bowl", &bench);
    assert!(found.contains("(Oil is there in plenty)"), "{found}");
    // Half of the batch each: the carrier would be more than there is of the other.
    let text = BALM.replace("percent = 0.1", "percent = 50");
    let formula = Formula::parse(&text, "balm.toml").unwrap();
    let plan = Plan::new(&formula, BatchSize::Batch(g("1")), &bench, 2.0).unwrap();
    assert!(help::ways(&plan, &plan.steps[1], &bench, 2.0, ReadIn::Form).is_empty());
}
