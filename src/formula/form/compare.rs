//! Two versions of a formula side by side.

use serde::Serialize;

use super::super::{Formula, Percent, Use};
use super::{Amounts, Fields, IngredientFields};
use crate::language::{Language, Sentence, Slot, Term, phrase, term};
use crate::text::alike::same_name;

/// One thing that is not the same in both; a side that has nothing of it is empty.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Difference {
    pub what: Sentence,
    pub was: Sentence,
    pub is: Sentence,
}

impl Difference {
    /// As it is shown to a person of that language.
    #[must_use]
    pub fn put_into(self, language: Language) -> Difference {
        Difference {
            what: self.what.put_into(language),
            was: self.was.put_into(language),
            is: self.is.put_into(language),
        }
    }
}

struct Differences(Vec<Difference>);

impl Differences {
    fn add(
        &mut self,
        what: impl Into<Sentence>,
        was: impl Into<Sentence>,
        is: impl Into<Sentence>,
    ) {
        let (was, is) = (was.into(), is.into());
        if was != is {
            let what = what.into();
            self.0.push(Difference { what, was, is });
        }
    }
}

/// Everything in which the second formula is another one than the first, in the order of the second; what is gone comes
/// last. Comments and the way of writing do not count.
pub fn differences(was: &Formula, is: &Formula) -> Vec<Difference> {
    let read = |formula: &Formula| Fields::read(&formula.text, "").unwrap_or_default();
    let (old, new) = (read(was), read(is));
    let mut out = Differences(Vec::new());
    out.add(term!("Name"), old.name.as_str(), new.name.as_str());
    out.add(
        term!("What it is for"),
        intended(was.intended),
        intended(is.intended),
    );
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
            None => out.add(one.fields.name.as_str(), "", one.share()),
        }
    }
    for (i, one) in before.iter().enumerate() {
        if !seen.contains(&i) {
            out.add(one.fields.name.as_str(), one.share(), "");
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
    let (old_order, new_order) = (old_order.join(", "), new_order.join(", "));
    out.add(term!("Order of weighing"), old_order, new_order);
    for (i, phase) in new.phases.iter().enumerate() {
        if let Some(other) = old.phases.get(i) {
            let number = i + 1;
            let what = phrase!("Name of phase {number}", number);
            out.add(what, other.name.as_str(), phase.name.as_str());
            let what = phrase!("Mix of phase {number}", number);
            out.add(what, other.mix.as_str(), phase.mix.as_str());
        }
    }
    out.add(term!("Notes"), old.notes.as_str(), new.notes.as_str());
    out.0
}

struct Line {
    phase: Sentence,
    share: Percent,
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
                    true => phrase!("Phase {number}", number = i + 1),
                    false => phase.name.as_str().into(),
                },
                share,
                fields: one.clone(),
            });
        }
    }
    lines
}

impl Line {
    fn share(&self) -> Sentence {
        phrase!("{share} %", share = Slot::number(self.share.shown()))
    }

    fn compare(&self, new: &Line, out: &mut Differences) {
        let (was, is) = (&self.fields, &new.fields);
        let name = is.name.as_str();
        out.add(name, self.share(), new.share());
        let mut one = |what: Term, was: Sentence, is: Sentence| {
            out.add(phrase!("{name}: {what}", name, what), was, is);
        };
        let text = |text: &String| Sentence::from(text.as_str());
        let number = |text: &String| match text.is_empty() {
            true => Sentence::none(),
            false => phrase!("{number}", number = Slot::number(text.as_str())),
        };
        one(term!("phase"), self.phase.clone(), new.phase.clone());
        one(term!("INCI name"), text(&was.inci), text(&is.inci));
        one(term!("less"), amounts(&was.under), amounts(&is.under));
        one(term!("more"), amounts(&was.over), amounts(&is.over));
        one(term!("at least, %"), number(&was.min), number(&is.min));
        one(term!("at most, %"), number(&was.max), number(&is.max));
        one(term!("vessel"), vessel(was), vessel(is));
        let lot = |asked: bool| match asked {
            true => phrase!("asked for"),
            false => Sentence::none(),
        };
        one(term!("lot"), lot(was.lot_required), lot(is.lot_required));
        one(term!("premix"), text(&was.premix), text(&is.premix));
        one(term!("caution"), text(&was.caution), text(&is.caution));
    }
}

fn vessel(fields: &IngredientFields) -> Sentence {
    match fields.vessel.as_str() {
        "bowl" => term!("bowl").into(),
        "difference" => phrase!("by difference"),
        _ => term!("beaker").into(),
    }
}

fn intended(intended: Use) -> Sentence {
    match intended {
        Use::Untold => Sentence::none(),
        Use::LeaveOn => phrase!("stays on the skin"),
        Use::RinseOff => phrase!("is rinsed off"),
        Use::Premix => phrase!("goes into other formulas"),
    }
}

fn amounts(side: &Amounts) -> Sentence {
    let percent = (!side.percent.is_empty()).then(|| {
        let share = Slot::number(side.percent.as_str());
        phrase!("{share} %", share)
    });
    let g = (!side.g.is_empty()).then(|| {
        let grams = Slot::number(side.g.as_str());
        phrase!("{grams} g", grams)
    });
    match (percent, g) {
        (Some(one), Some(other)) => phrase!("{one} or {other}", one, other),
        (Some(one), None) | (None, Some(one)) => one,
        (None, None) => phrase!("the usual 1 %"),
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
        let told: Vec<[&str; 3]> = found.iter().map(|d| [&*d.what, &*d.was, &*d.is]).collect();
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

    #[test]
    fn what_a_line_may_and_must_is_told_in_words() {
        let with = |keys: &str, intended: &str| {
            let text = format!(
                "[formula]\nname = \"A\"\n{intended}\n[[phase]]\n[[phase.ingredient]]\nname = \"Salt\"\nbalance = true\n\
                 [[phase.ingredient]]\nname = \"Oil\"\npercent = 2\n{keys}\n"
            );
            Formula::parse(&text, "").unwrap_or_else(|e| panic!("{e}\n{text}"))
        };
        let plain = with("", "");
        for (keys, what, was, is) in [
            ("vessel = \"bowl\"", "vessel", "beaker", "bowl"),
            (
                "vessel = \"difference\"",
                "vessel",
                "beaker",
                "by difference",
            ),
            ("lot_required = true", "lot", "", "asked for"),
            ("caution = \"Slow.\"", "caution", "", "Slow."),
            ("limits = { min = 1.5 }", "at least, %", "", "1.5"),
            ("limits = { max = 2.5 }", "at most, %", "", "2.5"),
            (
                "tolerance = { under = { g = 0.1 }, over = { percent = 1 } }",
                "less",
                "the usual 1 %",
                "0.1 g",
            ),
        ] {
            let found = differences(&plain, &with(keys, ""));
            let told = found.iter().find(|d| d.what.contains(what));
            let told = told.unwrap_or_else(|| panic!("{keys}: {found:?}"));
            assert_eq!([&*told.was, &*told.is], [was, is], "{keys}");
            assert!(told.what.contains("Oil"), "{keys}: {told:?}");
        }
        for (word, told) in [
            ("leave-on", "stays on the skin"),
            ("rinse-off", "is rinsed off"),
            ("premix", "goes into other formulas"),
        ] {
            let found = differences(&plain, &with("", &format!("use = \"{word}\"")));
            let found: Vec<[&str; 3]> = found.iter().map(|d| [&*d.what, &*d.was, &*d.is]).collect();
            assert_eq!(found, [["What it is for", "", told]]);
        }
    }
}
