//! A formula's file: no panic; an error names the place; a good one plans to sums that are exact.
#![no_main]

use bismar::formula::plan::BatchSize;
use bismar::formula::contents::{Known, limited};
use bismar::formula::{Formula, Percent, Plan, cautions, substances};
use bismar::mass::Mass;
use bismar::metrology::ScaleAbility;
use libfuzzer_sys::fuzz_target;

fuzz_target!(|text: &str| {
    // The same text as the maker's list, and as what is known beside the formula.
    let list = substances::parse(text, "f.toml");
    if let Err(problems) = &list {
        assert!(problems.to_string().starts_with("f.toml:"), "{problems}");
    }
    let formula = match Formula::parse(text, "f.toml") {
        Ok(formula) => formula,
        Err(problems) => {
            assert!(problems.to_string().starts_with("f.toml:"), "{problems}");
            return;
        }
    };
    let known = Known {
        premixes: vec![formula.clone()],
        substances: list.unwrap_or_default(),
        ..Known::default()
    };
    for one in limited(&formula, &known) {
        for from in &one.from {
            assert!(one.share_in(&from.ingredient, "") <= Percent::HUNDRED);
        }
    }
    cautions::lines(&formula, &known);
    let scales = [ScaleAbility::assumed("bench")];
    for grams in [1, 100, 5_000] {
        let amount = BatchSize::Batch(Mass::from_g(grams));
        if let Ok(plan) = Plan::new(&formula, amount, &scales, 2.0) {
            let sum: Mass = plan.steps.iter().map(|step| step.target).sum();
            assert_eq!(sum, plan.batch);
        }
    }
});
