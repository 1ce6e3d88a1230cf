//! Two versions of a formula side by side.

use serde::Serialize;

use super::super::Formula;
use super::{Amounts, Fields, IngredientFields};
use crate::text::alike::same_name;

/// One thing that is not the same in both; a side that has nothing of it is empty.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Difference {
    pub what: String,
    pub was: String,
    pub is: String,
}

struct Differences(Vec<Difference>);

impl Differences {
    fn add(&mut self, what: &str, was: &str, is: &str) {
        if was != is {
            self.0.push(Difference {
                what: what.to_owned(),
                was: was.to_owned(),
                is: is.to_owned(),
            });
        }
    }
}

/// Everything in which the second formula is another one than the first, in the order of the second; what is gone comes
/// last. Comments and the way of writing do not count.
pub fn differences(was: &Formula, is: &Formula) -> Vec<Difference> {
    let read = |formula: &Formula| Fields::read(&formula.text, "").unwrap_or_default();
    let (old, new) = (read(was), read(is));
    let mut out = Differences(Vec::new());
    out.add("Name", &old.name, &new.name);
    out.add("What it is for", &old.intended, &new.intended);
    let (before, after) = (lines(was, &old), lines(is, &new));
    let mut seen: Vec<usize> = Vec::new();
    for one in &after {
        let is_it = |(i, other): &(usize, &Line)| {
            !seen.contains(i) && same_name(&other.fields.name, &one.fields.name)
        };
        // The one in the same phase first.
        let all = || before.iter().enumerate().filter(is_it);
        let found = all().find(|(_, other)| other.phase == one.phase);
        match found.or_else(|| all().next()) {
            Some((i, other)) => {
                seen.push(i);
                other.compare(one, &mut out);
            }
            None => out.add(&one.fields.name, "", &one.share),
        }
    }
    for (i, one) in before.iter().enumerate() {
        if !seen.contains(&i) {
            out.add(&one.fields.name, &one.share, "");
        }
    }
    let names = |lines: &[Line]| {
        let both = lines.iter().map(|one| one.fields.name.clone());
        both.collect::<Vec<_>>()
    };
    let (mut old_order, mut new_order) = (names(&before), names(&after));
    let common =
        |name: &String, other: &[Line]| other.iter().any(|one| same_name(&one.fields.name, name));
    old_order.retain(|name| common(name, &after));
    new_order.retain(|name| common(name, &before));
    out.add(
        "Order of weighing",
        &old_order.join(", "),
        &new_order.join(", "),
    );
    for (i, phase) in new.phases.iter().enumerate() {
        if let Some(other) = old.phases.get(i) {
            out.add(
                &format!("Name of phase {}", i + 1),
                &other.name,
                &phase.name,
            );
            out.add(&format!("Mix of phase {}", i + 1), &other.mix, &phase.mix);
        }
    }
    out.add("Notes", &old.notes, &new.notes);
    out.0
}

struct Line {
    phase: String,
    share: String,
    fields: IngredientFields,
}

fn lines(formula: &Formula, fields: &Fields) -> Vec<Line> {
    let mut shares = formula.shares().into_iter();
    let mut lines = Vec::new();
    for (i, phase) in fields.phases.iter().enumerate() {
        for one in &phase.ingredients {
            let share = shares.next().unwrap_or_default();
            lines.push(Line {
                phase: match phase.name.is_empty() {
                    true => format!("Phase {}", i + 1),
                    false => phase.name.clone(),
                },
                share: format!("{} %", share.text()),
                fields: one.clone(),
            });
        }
    }
    lines
}

impl Line {
    fn compare(&self, new: &Line, out: &mut Differences) {
        let (was, is) = (&self.fields, &new.fields);
        let name = &is.name;
        out.add(name, &self.share, &new.share);
        let mut one =
            |what: &str, was: &str, is: &str| out.add(&format!("{name}: {what}"), was, is);
        one("phase", &self.phase, &new.phase);
        one("INCI", &was.inci, &is.inci);
        one("less", &amounts(&was.under), &amounts(&is.under));
        one("more", &amounts(&was.over), &amounts(&is.over));
        one("at least, %", &was.min, &is.min);
        one("at most, %", &was.max, &is.max);
        let way = |vessel: &str| if vessel.is_empty() { "beaker" } else { vessel }.to_owned();
        one("vessel", &way(&was.vessel), &way(&is.vessel));
        let lot = |asked: bool| if asked { "asked for" } else { "" };
        one("lot", lot(was.lot_required), lot(is.lot_required));
        one("premix", &was.premix, &is.premix);
        one("caution", &was.caution, &is.caution);
    }
}

fn amounts(side: &Amounts) -> String {
    let one = |text: &str, unit: &str| (!text.is_empty()).then(|| format!("{text} {unit}"));
    let both = [one(&side.percent, "%"), one(&side.g, "g")];
    let both: Vec<String> = both.into_iter().flatten().collect();
    match both.is_empty() {
        true => "the usual 1 %".to_owned(),
        false => both.join(" or "),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::formula::examples::FIRST_SOAK;

    #[test]
    fn what_is_new_gone_and_changed_is_told_once_each() {
        let was = Formula::parse(FIRST_SOAK, "").unwrap();
        assert_eq!(differences(&was, &was), []);
        let text = FIRST_SOAK
            .replace("percent = 20.0", "percent = 22")
            .replace("Sunflower oil", "Olive oil")
            .replace("# First", "# Last");
        let is = Formula::parse(&text, "").unwrap();
        let found = differences(&was, &is);
        let told: Vec<[&str; 3]> = found
            .iter()
            .map(|d| [d.what.as_str(), d.was.as_str(), d.is.as_str()])
            .collect();
        assert_eq!(
            told,
            [
                ["Coarse sea salt", "76 %", "74 %"],
                ["Oat flour", "20 %", "22 %"],
                ["Olive oil", "", "4 %"],
                ["Sunflower oil", "4 %", ""],
            ]
        );
    }
}
