//! A phase made into a premix: a formula of its own, and one ingredient in its place.

use super::super::Percent;
use super::check::Fault;
use super::{Fields, IngredientFields, PhaseFields};
use crate::formula::shares::decimal_text;
use crate::language::phrase;
use crate::mass::Decimal;

/// The premix that the phase at `index` of `fields` becomes, at whose end `mix` is done, and the formula with it in place of the phase's
/// ingredients. Its parts are the percents that they had.
///
/// # Errors
/// Where the phase is not there, or an amount in it is no percent of its own.
pub fn premix(
    fields: &Fields,
    index: usize,
    name: &str,
    mix: &str,
) -> Result<(Fields, Fields), Fault> {
    let at = format!("phases.{index}");
    let Some(phase) = fields.phases.get(index).filter(|_| !fields.in_parts) else {
        let say = phrase!("Only a phase of a formula in percent is made a premix here.");
        return Err(Fault::new(at, say));
    };
    let mut sum = 0i128;
    for (i, one) in phase.ingredients.iter().enumerate() {
        match count(&one.amount).filter(|share| *share > 0 && !one.balance) {
            Some(share) => sum += share,
            None => {
                let say = phrase!(
                    "For a premix each ingredient of the phase needs a percent of its own."
                );
                return Err(Fault::new(format!("{at}.ingredients.{i}.amount"), say));
            }
        }
    }
    if phase.ingredients.len() < 2 || sum > i128::from(Percent::HUNDRED.0) {
        let say = phrase!(
            "A premix is made of two ingredients or more, which are 100 % together at most."
        );
        return Err(Fault::new(at, say));
    }
    let own = |one: &IngredientFields| IngredientFields {
        // The limits are of the product: they stay there, as those of the premix.
        min: String::new(),
        max: String::new(),
        ..one.clone()
    };
    let (min, max) = limits(phase, sum);
    let blend = Fields {
        name: name.to_owned(),
        version: "1".to_owned(),
        intended: "premix".to_owned(),
        in_parts: true,
        phases: vec![PhaseFields {
            name: phase.name.clone(),
            mix: mix.to_owned(),
            ingredients: phase.ingredients.iter().map(own).collect(),
            from: None,
        }],
        ..Fields::default()
    };
    let mut with = fields.clone();
    if let Some(phase) = with.phases.get_mut(index) {
        phase.ingredients = vec![IngredientFields {
            name: name.to_owned(),
            amount: decimal_text(sum),
            premix: name.to_owned(),
            min,
            max,
            ..IngredientFields::default()
        }];
    }
    Ok((blend.of_no_file(), with))
}

/// Billionths of a percent.
fn count(percent: &str) -> Option<i128> {
    Decimal::parse(percent.as_bytes()).ok()?.scaled(9)
}

/// Between which shares of the product the blend keeps each of its ingredients within its own limits: so much of the
/// blend has `limit × share / sum` of an ingredient in it. Rounded to the safe side.
fn limits(phase: &PhaseFields, sum: i128) -> (String, String) {
    let (mut min, mut max): (Option<i128>, Option<i128>) = (None, None);
    for one in &phase.ingredients {
        let Some(share) = count(&one.amount).filter(|share| *share > 0) else {
            continue;
        };
        if let Some(limit) = count(&one.max).map(|limit| limit * sum / share) {
            max = Some(max.map_or(limit, |max| max.min(limit)));
        }
        if let Some(limit) = count(&one.min).map(|limit| (limit * sum + share - 1) / share) {
            min = Some(min.map_or(limit, |min| min.max(limit)));
        }
    }
    let whole = i128::from(Percent::HUNDRED.0);
    let text = |n: Option<i128>| n.map(decimal_text).unwrap_or_default();
    (text(min), text(max.filter(|max| *max < whole)))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::formula::examples::MARRAM;

    #[test]
    fn a_premix_keeps_the_shares_and_the_limits_of_what_is_in_it() {
        let fields = Fields::read(MARRAM, "").unwrap();
        let (blend, with) = premix(&fields, 1, "Marram scent", "Blend").unwrap();
        // 0.5 and 0.8 of 1.3: the oil's limit of 1 % is reached by 1.625 % of the blend.
        let one = &with.phases[1].ingredients[0];
        assert_eq!((one.amount.as_str(), one.max.as_str()), ("1.3", "1.625"));
        assert_eq!(
            (blend.version.as_str(), blend.intended.as_str()),
            ("1", "premix")
        );
        // The limits are the product's: the blend has none.
        let limits = blend
            .ingredients()
            .map(|one| format!("{}{}", one.min, one.max));
        assert_eq!(limits.collect::<String>(), "");
        let formula = blend.checked("").unwrap();
        let shares: Vec<String> = formula.shares().iter().map(|p| p.text()).collect();
        // 5/13 and 8/13 of 100 %, by hand.
        assert_eq!(shares, ["38.461538462", "61.538461538"]);
        assert!(with.checked("").is_ok());
        // At least a seventh of a percent of the first is 2.6 times that of the blend, and never a trace less.
        for least in ["0.142857143", "0.13"] {
            let mut with_least = fields.clone();
            with_least.phases[1].ingredients[0].min = least.to_owned();
            let (blend, with) = premix(&with_least, 1, "Marram scent", "Blend").unwrap();
            assert!(blend.ingredients().all(|one| one.min.is_empty()));
            let of = |amount: &str| count(amount).unwrap();
            let (min, share) = (
                of(&with.phases[1].ingredients[0].min),
                of(&with_least.phases[1].ingredients[0].amount),
            );
            let kept = |min: i128| min * share >= of(least) * of("1.3");
            assert!(kept(min) && !kept(min - 1), "{min}");
        }
        assert_eq!(
            (blend.name.as_str(), one.name.as_str()),
            ("Marram scent", "Marram scent")
        );
        assert_eq!(with.phases[1].ingredients.len(), 1);
        // Two ingredients, of more than nothing and of 100 % together, can be one.
        let of = |amounts: &[&str]| {
            let mut fields = fields.clone();
            let ingredients = &mut fields.phases[1].ingredients;
            ingredients.truncate(amounts.len());
            for (one, amount) in ingredients.iter_mut().zip(amounts) {
                one.amount = (*amount).to_owned();
            }
            premix(&fields, 1, "Marram scent", "Blend").map_err(|fault| fault.at)
        };
        assert!(of(&["40", "60"]).is_ok());
        assert_eq!(of(&["40", "60.000000001"]).unwrap_err(), "phases.1");
        assert_eq!(of(&["40"]).unwrap_err(), "phases.1");
        let second = "phases.1.ingredients.1.amount";
        assert_eq!(of(&["40", "0"]).unwrap_err(), second);
        assert_eq!(of(&["40", "much"]).unwrap_err(), second);
        // What a greatest share of 100 % and more would bound is no limit.
        let bounded = |max: &str| {
            let mut fields = fields.clone();
            fields.phases[1].ingredients.truncate(2);
            for one in &mut fields.phases[1].ingredients {
                (one.amount, one.max) = ("50".to_owned(), max.to_owned());
            }
            let (_, with) = premix(&fields, 1, "Marram scent", "Blend").unwrap();
            with.phases[1].ingredients[0].max.clone()
        };
        assert_eq!((bounded("49").as_str(), bounded("50").as_str()), ("98", ""));
        // The balance has no percent of its own.
        let fault = premix(&fields, 0, "Melt", "Blend").unwrap_err();
        assert_eq!(fault.at, "phases.0.ingredients.0.amount");
    }
}
