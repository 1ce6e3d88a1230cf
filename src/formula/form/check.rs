//! Input of the form: tidied, held against the rules of the file, and measured as far as it goes.

use serde::Serialize;

use super::super::shares::decimal_text;
use super::super::{Formula, Percent};
use super::words::in_the_form;
use super::{Fields, IngredientFields, PhaseFields};
use crate::document::shown;
use crate::language::{Language, Sentence, Slot, phrase};
use crate::mass::{Decimal, may_part_thousands};
use crate::problem::Problem;

/// What is wrong with one field, as she is told it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Fault {
    /// `name`, `phases.0.mix`, `phases.0.ingredients.2.amount`; `sum` for all amounts together; empty for the whole.
    pub at: String,
    pub say: Sentence,
    /// Nothing was written there yet.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    pub empty: bool,
}

impl Fault {
    pub fn new(at: impl Into<String>, say: impl Into<Sentence>) -> Fault {
        Fault {
            at: at.into(),
            say: say.into(),
            empty: false,
        }
    }

    /// Of a field that waits for its text.
    fn empty(at: impl Into<String>, say: Sentence) -> Fault {
        Fault {
            empty: true,
            ..Fault::new(at, say)
        }
    }

    /// As it is shown to a person of that language.
    #[must_use]
    pub fn put_into(self, language: Language) -> Fault {
        Fault {
            say: self.say.put_into(language),
            ..self
        }
    }
}

/// What the percents come to.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Sum {
    pub total: String,
    /// To 100, where no ingredient is the balance.
    pub missing: Option<String>,
    /// Above 100.
    pub over: Option<String>,
    /// The share of the balance.
    pub balance: Option<String>,
}

/// As much of a formula as can be weighed, so that windows are shown while it is written.
#[derive(Debug)]
pub struct Measured {
    pub formula: Formula,
    /// The phase and the ingredient in it of each step; what is missing to 100 has none.
    pub places: Vec<Option<(usize, usize)>>,
}

/// A number as she writes it (`22,5`, `22.5 %`, `.5`) as the file has it; empty stays empty. What is no number stays as
/// it is, for the reader of the file to tell.
///
/// # Errors
/// Where a comma may be a decimal one or one for thousands, with what to write.
pub fn number(typed: &str) -> Result<String, Sentence> {
    let typed = typed.trim();
    let bare = typed.trim_end_matches(['%', 'g']).trim_end();
    let (commas, points) = (bare.matches(',').count(), bare.matches('.').count());
    let mut plain = match (commas, points) {
        (0, _) => bare.to_owned(),
        (1, 0) => match bare.split_once(',') {
            Some((whole, part)) if may_part_thousands(whole, part) => {
                return Err(either(whole, part));
            }
            Some(_) | None => bare.replace(',', "."),
        },
        (_, 1) if in_threes(bare, ',', '.') => bare.replace(',', ""),
        (1, _) if in_threes(bare, '.', ',') => bare.replace('.', "").replace(',', "."),
        (_, 0) if in_threes(bare, ',', '.') => bare.replace(',', ""),
        (_, _) => bare.to_owned(),
    };
    let digits = |c: char| c.is_ascii_digit() || c == '.';
    let unsigned = plain.strip_prefix('+').unwrap_or(&plain);
    if unsigned.is_empty()
        || !unsigned.chars().all(digits)
        || unsigned.matches('.').count() > 1
        || unsigned == "."
    {
        return Ok(if bare.is_empty() { bare } else { typed }.to_owned());
    }
    plain = unsigned.trim_start_matches('0').to_owned();
    if plain.contains('.') {
        plain.truncate(plain.trim_end_matches('0').trim_end_matches('.').len());
    }
    if plain.is_empty() || plain.starts_with('.') {
        plain.insert(0, '0');
    }
    Ok(plain)
}

/// That one mark before three digits may be a decimal one or one for thousands. It is not quoted: a page may have
/// turned it.
pub fn either(whole: &str, part: &str) -> Sentence {
    let one = format!("{whole}.{part}");
    phrase!(
        "This may be {one} or {other}: write which of them it is, without a mark for thousands",
        one = Slot::number(one.trim_end_matches('0').trim_end_matches('.')),
        other = format!("{whole}{part}"),
    )
}

/// Whether `mark` parts all the digits before the decimal mark in threes.
pub fn in_threes(text: &str, mark: char, decimal: char) -> bool {
    let whole = text.split(decimal).next().unwrap_or_default();
    let mut groups = whole.split(mark);
    let first = groups.next().unwrap_or_default();
    let digits = |group: &str| !group.is_empty() && group.bytes().all(|b| b.is_ascii_digit());
    digits(first)
        && first.len() <= 3
        && groups.clone().count() > 0
        && groups.all(|group| group.len() == 3 && digits(group))
        && text.rfind(mark) < text.find(decimal).or(Some(usize::MAX))
}

/// A percentage as a count; `None` for what is none, or is not above 0 and at most 100.
fn percent(text: &str) -> Option<Percent> {
    let decimal = Decimal::parse(text.as_bytes()).ok()?;
    let n = i64::try_from(decimal.scaled(9)?).ok()?;
    (n > 0 && n <= Percent::HUNDRED.0).then_some(Percent(n))
}

impl Fields {
    /// With its numbers as the file has them and no blanks around a text. What is no number stays as it is.
    #[must_use]
    pub fn tidied(mut self) -> Fields {
        for text in [
            &mut self.name,
            &mut self.version,
            &mut self.notes,
            &mut self.intended,
        ] {
            *text = text.replace("\r\n", "\n").trim().to_owned();
        }
        for phase in &mut self.phases {
            phase.name = phase.name.trim().to_owned();
            phase.mix = folded(&phase.mix);
            for one in &mut phase.ingredients {
                one.tidy();
            }
        }
        self
    }

    /// What the percents come to; `None` in parts.
    pub fn sum(&self) -> Option<Sum> {
        if self.in_parts {
            return None;
        }
        let shares = self.ingredients().filter(|one| !one.balance);
        let total: i128 = shares
            .filter_map(|one| percent(&one.amount))
            .map(|percent| i128::from(percent.0))
            .sum();
        let rest = i128::from(Percent::HUNDRED.0) - total;
        let balance = self.ingredients().any(|one| one.balance);
        Some(Sum {
            total: decimal_text(total),
            missing: (rest > 0 && !balance).then(|| decimal_text(rest)),
            over: (rest < 0).then(|| decimal_text(-rest)),
            balance: (rest > 0 && balance).then(|| decimal_text(rest)),
        })
    }

    /// The formula, where nothing is wrong with it. `self` is tidied; `tail` is what its file holds besides the fields.
    ///
    /// # Errors
    /// Each fault at its field.
    pub fn checked(&self, tail: &str) -> Result<Formula, Vec<Fault>> {
        let bare = self.bare_faults();
        if !bare.is_empty() {
            return Err(bare);
        }
        let written = self.written();
        let text = format!("{}\n{tail}", written.text);
        Formula::parse(&text, "").map_err(|problems| {
            let fault = |problem: &Problem| {
                let line = written.text.lines().nth(problem.line.saturating_sub(1));
                let before = line.unwrap_or_default().chars().take(problem.column);
                let at = written.at(problem.line);
                let (at, say) = in_the_form(self, at, &before.collect::<String>(), problem);
                Fault::new(at, say)
            };
            problems.0.iter().map(fault).collect()
        })
    }

    /// What is wrong with its numbers, each at its field.
    pub fn unreadable(&self) -> Vec<Fault> {
        let mut faults = Vec::new();
        for (i, phase) in self.phases.iter().enumerate() {
            for (j, one) in phase.ingredients.iter().enumerate() {
                let at = |field| format!("phases.{i}.ingredients.{j}.{field}");
                let told = one.unreadable().into_iter();
                faults.extend(told.map(|(field, say)| Fault::new(at(field), say)));
            }
        }
        faults
    }

    /// What the form tells better than the reader of the file.
    fn bare_faults(&self) -> Vec<Fault> {
        let mut faults = Vec::new();
        let mut add = |fault| faults.push(fault);
        if self.name.is_empty() {
            add(Fault::empty("name", phrase!("Give the formula a name.")));
        }
        if self.phases.is_empty() {
            add(Fault::new(
                "",
                phrase!("Add a phase with what is weighed in it."),
            ));
        }
        let mut balance = false;
        for (i, phase) in self.phases.iter().enumerate() {
            if phase.ingredients.is_empty() {
                let say = phrase!("This phase has no ingredient: add one, or remove the phase.");
                add(Fault::new(format!("phases.{i}"), say));
            }
            for (j, one) in phase.ingredients.iter().enumerate() {
                let at = |field: &str| format!("phases.{i}.ingredients.{j}.{field}");
                if one.name.is_empty() {
                    add(Fault::empty(at("name"), phrase!("Say what it is.")));
                }
                if one.balance && self.in_parts {
                    let say = phrase!("In parts there is no rest: give it parts.");
                    add(Fault::new(at("amount"), say));
                } else if one.balance && balance {
                    let say =
                        phrase!("One ingredient takes the rest already: give this one a percent.");
                    add(Fault::new(at("amount"), say));
                } else if one.amount.is_empty() && !one.balance {
                    let say = match self.in_parts {
                        true => phrase!("Say how many parts."),
                        false => phrase!("Say how many percent, or let it take the rest."),
                    };
                    add(Fault::empty(at("amount"), say));
                }
                balance |= one.balance;
            }
        }
        faults.extend(self.unreadable());
        let numbers = self
            .ingredients()
            .all(|one| one.balance || percent(&one.amount).is_some());
        if let Some(sum) = self.sum().filter(|_| numbers && faults.is_empty()) {
            let number = |text: &String| Slot::number(text.as_str());
            let total = number(&sum.total);
            if let Some(over) = &sum.over {
                let say = phrase!(
                    "The percents make {total}: {over} too much. Lower one or more.",
                    total,
                    over = number(over),
                );
                faults.push(Fault::new("sum", say));
            } else if let Some(missing) = &sum.missing {
                let say = phrase!(
                    "The percents make {total}: {missing} is missing to 100. Raise one or more, or let one ingredient take \
                     the rest.",
                    total,
                    missing = number(missing),
                );
                faults.push(Fault::new("sum", say));
            } else if balance && sum.balance.is_none() {
                let say = phrase!(
                    "The percents make 100 already: nothing is left for the one that takes the rest."
                );
                faults.push(Fault::new("sum", say));
            }
        }
        faults
    }

    /// As much of it as has an amount; `None` where nothing has, or it makes more than 100. Names do not matter to a
    /// scale: where one is missing, another stands in for it.
    pub fn measured(&self) -> Option<Measured> {
        let mut bare = Fields {
            name: "Formula".to_owned(),
            in_parts: self.in_parts,
            ..Fields::default()
        };
        let mut places = Vec::new();
        for (i, phase) in self.phases.iter().enumerate() {
            let mut ingredients: Vec<IngredientFields> = Vec::new();
            for (j, one) in phase.ingredients.iter().enumerate() {
                let has_amount = match self.in_parts {
                    true => Decimal::parse(one.amount.as_bytes()).is_ok_and(|n| n.digits > 0),
                    false => percent(&one.amount).is_some(),
                };
                if !has_amount && !one.balance {
                    continue;
                }
                let is_taken = ingredients.iter().any(|other| other.name == one.name);
                ingredients.push(IngredientFields {
                    name: match one.name.is_empty() || is_taken {
                        true => format!("Ingredient {} of phase {}", j + 1, i + 1),
                        false => one.name.clone(),
                    },
                    min: String::new(),
                    max: String::new(),
                    caution: String::new(),
                    premix: String::new(),
                    ..one.clone()
                });
                places.push(Some((i, j)));
            }
            if !ingredients.is_empty() {
                bare.phases.push(PhaseFields {
                    ingredients,
                    ..PhaseFields::default()
                });
            }
        }
        if bare.phases.is_empty() {
            return None;
        }
        if self.sum().is_some_and(|sum| sum.missing.is_some()) {
            bare.phases.push(PhaseFields {
                ingredients: vec![IngredientFields {
                    name: "What is missing".to_owned(),
                    balance: true,
                    ..IngredientFields::default()
                }],
                ..PhaseFields::default()
            });
            places.push(None);
        }
        let formula = Formula::parse(&bare.to_toml(), "").ok()?;
        Some(Measured { formula, places })
    }
}

impl IngredientFields {
    fn tidy(&mut self) {
        for text in [
            &mut self.name,
            &mut self.inci,
            &mut self.premix,
            &mut self.vessel,
        ] {
            *text = text.trim().to_owned();
        }
        self.caution = folded(&self.caution);
        if self.vessel == "beaker" {
            self.vessel.clear();
        }
        if self.balance {
            self.amount.clear();
        }
        for text in [
            &mut self.amount,
            &mut self.under.percent,
            &mut self.under.g,
            &mut self.over.percent,
            &mut self.over.g,
            &mut self.min,
            &mut self.max,
        ] {
            if let Ok(number) = number(text) {
                *text = number;
            }
        }
    }

    /// What is wrong with its numbers, each with its field.
    fn unreadable(&self) -> Vec<(&'static str, Sentence)> {
        let over = (self.over != self.under).then_some(&self.over);
        let of_over = [
            ("over.percent", over.map(|side| &side.percent)),
            ("over.g", over.map(|side| &side.g)),
        ];
        let amount = Some(&self.amount).filter(|_| !self.balance);
        let all = [
            ("amount", amount),
            ("under.percent", Some(&self.under.percent)),
            ("under.g", Some(&self.under.g)),
            ("min", Some(&self.min)),
            ("max", Some(&self.max)),
        ];
        let told = all.into_iter().chain(of_over).filter_map(|(field, text)| {
            let text = text.filter(|text| !text.is_empty())?;
            let say = match number(text) {
                Err(why) => phrase!("{why}.", why),
                Ok(number) if is_plain(&number) => return None,
                Ok(_) => phrase!(
                    "\"{text}\" is no plain number: write one such as {example}.",
                    text = shown(text),
                    example = Slot::number("12.5"),
                ),
            };
            Some((field, say))
        });
        told.collect()
    }
}

/// Digits with at most one point, no more of them than are counted with.
fn is_plain(number: &str) -> bool {
    let digits = |c: char| c.is_ascii_digit() || c == '.';
    number.chars().all(digits) && Decimal::parse(number.as_bytes()).is_ok()
}

fn folded(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_number_is_taken_as_it_is_written_and_what_may_be_two_is_asked() {
        for (typed, is) in [
            ("22,5", "22.5"),
            ("22.0%", "22"),
            (" 22.50 % ", "22.5"),
            ("0,005", "0.005"),
            (".5", "0.5"),
            ("5.", "5"),
            ("007", "7"),
            ("0", "0"),
            ("+3", "3"),
            ("120 g", "120"),
            ("1.234,5", "1234.5"),
            ("1,234.5", "1234.5"),
            ("1,234,567", "1234567"),
            ("12,3456", "12.3456"),
            ("", ""),
            (" % ", ""),
            ("much", "much"),
            ("-1", "-1"),
            ("1e3", "1e3"),
            ("1.2.3", "1.2.3"),
            ("12,34,5", "12,34,5"),
            ("1234.567,8", "1234.567,8"),
            ("1,23.5", "1,23.5"),
            ("1,,234.5", "1,,234.5"),
            (",234.5", ",234.5"),
            ("1,23x.5", "1,23x.5"),
            ("1.5,234", "1.5,234"),
        ] {
            assert_eq!(number(typed).as_deref(), Ok(is), "{typed}");
        }
        let asked = number("1,000").unwrap_err();
        assert!(asked.starts_with("This may be 1 or 1000"), "{asked}");
        let asked = number("12,250").unwrap_err();
        assert!(asked.starts_with("This may be 12.25 or 12250"), "{asked}");
    }

    fn two(first: &str, second: &str) -> Fields {
        let one = |name: &str, amount: &str| IngredientFields {
            name: name.to_owned(),
            amount: amount.to_owned(),
            balance: amount.is_empty(),
            ..IngredientFields::default()
        };
        let phase = PhaseFields {
            ingredients: vec![one("Salt", first), one("Oil", second)],
            ..PhaseFields::default()
        };
        Fields {
            name: "Soak".to_owned(),
            phases: vec![phase],
            ..Fields::default()
        }
    }

    #[test]
    fn each_fault_stands_at_its_field_and_says_no_line_and_no_key_to_write() {
        let mut bad = two("60", "40");
        bad.phases[0].ingredients[1].vessel = "beeker".to_owned();
        bad.phases[0].ingredients[1].under.percent = "0".to_owned();
        bad.phases[0].ingredients[1].over.percent = "0".to_owned();
        bad.phases[0].ingredients[0].max = "50".to_owned();
        let mut faults = bad.checked("").unwrap_err();
        faults.sort_by(|a, b| a.at.cmp(&b.at));
        let at: Vec<&str> = faults.iter().map(|fault| fault.at.as_str()).collect();
        let place = "phases.0.ingredients";
        assert_eq!(
            at,
            [
                format!("{place}.0.amount"),
                format!("{place}.1.under.percent"),
                format!("{place}.1.vessel"),
            ],
            "{faults:?}"
        );
        for fault in &faults {
            assert!(
                !fault.say.contains(['{', '=']) && !fault.say.contains("line"),
                "{fault:?}"
            );
        }
        let tolerance = faults
            .iter()
            .find(|fault| fault.at.ends_with("under.percent"));
        assert_eq!(
            tolerance.unwrap().say.as_str(),
            "A tolerance of nothing either way cannot be met. Allow some deviation, as 1 %."
        );
        let mut twice = two("60", "40");
        twice.phases[0].ingredients[1].name = "Salt".to_owned();
        let faults = twice.checked("").unwrap_err();
        assert_eq!(faults[0].at, format!("{place}.1"));
        assert!(
            faults[0]
                .say
                .starts_with("\"Salt\" is in this phase already. "),
            "{faults:?}"
        );
    }

    #[test]
    fn the_sum_says_what_is_missing_and_what_is_there_is_measured() {
        let short = two("60", "38.5");
        let faults = short.checked("").unwrap_err();
        assert_eq!(faults.len(), 1);
        assert_eq!(faults[0].at, "sum");
        assert!(faults[0].say.contains("98.5: 1.5 is missing"), "{faults:?}");
        let found = short.measured().unwrap();
        assert_eq!(found.places, [Some((0, 0)), Some((0, 1)), None]);
        assert_eq!(found.formula.shares()[2].text(), "1.5");
        assert!(two("60", "41").measured().is_none());
        assert!(
            two("60", "41").checked("").unwrap_err()[0]
                .say
                .contains("1 too much")
        );
        let rest = two("60", "");
        assert!(rest.checked("").is_ok());
        assert_eq!(rest.sum().unwrap().balance.as_deref(), Some("40"));
        assert!(two("100", "").checked("").is_err());
        let half = two("x", "38.5");
        assert_eq!(half.measured().unwrap().places, [Some((0, 1)), None]);
        assert!(half.checked("").unwrap_err()[0].say.contains("plain"));
    }

    #[test]
    fn only_one_ingredient_takes_the_rest() {
        let faults = two("", "").checked("").unwrap_err();
        let at: Vec<&str> = faults.iter().map(|fault| fault.at.as_str()).collect();
        assert_eq!(at, ["phases.0.ingredients.1.amount"], "{faults:?}");
        // What is not filled in yet is no mistake of hers, but asked for.
        let mut open = two("60", "40");
        open.phases[0].ingredients[1].amount.clear();
        let faults = open.checked("").unwrap_err();
        assert!(faults.iter().any(|fault| fault.empty), "{faults:?}");
    }

    #[test]
    fn what_the_percents_come_to_is_less_all_or_too_much() {
        let sum = |first: &str, second: &str| {
            let sum = two(first, second).sum().unwrap();
            [Some(sum.total), sum.missing, sum.over, sum.balance].map(Option::unwrap_or_default)
        };
        assert_eq!(sum("60", "38.5"), ["98.5", "1.5", "", ""]);
        assert_eq!(sum("60", "40"), ["100", "", "", ""]);
        assert_eq!(sum("60", "41"), ["101", "", "1", ""]);
        assert_eq!(sum("60", ""), ["60", "", "", "40"]);
        assert_eq!(sum("100", ""), ["100", "", "", ""]);
    }

    /// Her windows are shown while other fields still wait, or hold what the file would refuse.
    #[test]
    fn what_has_an_amount_is_measured_whatever_else_is_wrong() {
        let names = |fields: &Fields| {
            let found = fields.measured().unwrap();
            let names = found.formula.ingredients().map(|one| one.name.clone());
            (names.collect::<Vec<_>>(), found.places)
        };
        let mut fields = two("60", "40");
        fields.phases[0].ingredients[0].name.clear();
        let second = &mut fields.phases[0].ingredients[1];
        second.min = "50".to_owned();
        second.max = "much".to_owned();
        second.premix = "Soak".to_owned();
        second.caution = "\u{7}".to_owned();
        let places = vec![Some((0, 0)), Some((0, 1))];
        let own = "Ingredient 1 of phase 1".to_owned();
        assert_eq!(
            names(&fields),
            (vec![own, "Oil".to_owned()], places.clone())
        );
        let mut twice = two("60", "40");
        twice.phases[0].ingredients[1].name = "Salt".to_owned();
        let own = "Ingredient 2 of phase 1".to_owned();
        assert_eq!(names(&twice), (vec!["Salt".to_owned(), own], places));
        let mut parts = two("3", "1");
        parts.in_parts = true;
        let shares = |fields: &Fields| {
            let shares = fields.measured().unwrap().formula.shares();
            shares.iter().map(|share| share.text()).collect::<Vec<_>>()
        };
        assert_eq!(shares(&parts), ["75", "25"]);
        assert!(parts.sum().is_none());
        for nothing in ["", "few"] {
            parts.phases[0].ingredients[1].amount = nothing.to_owned();
            assert_eq!(shares(&parts), ["100"], "{nothing}");
        }
    }

    /// All that can be wrong with what is typed is said by the label beside it, in the language of who types it.
    #[test]
    fn a_fault_says_the_label_that_stands_beside_it_and_her_decimal_sign() {
        type Spoil = fn(&mut IngredientFields);
        let spoilt: [(Spoil, &str, &str, &str); 9] = [
            (
                |one| one.under.percent = "0.5.5".to_owned(),
                "under.percent",
                "„0.5.5“ ist keine einfache Zahl: schreib eine wie 12,5.",
                "«\u{a0}0.5.5\u{a0}» n'est pas un nombre simple\u{a0}: écrivez-en un comme 12,5.",
            ),
            (
                |one| one.amount = "140.5".to_owned(),
                "amount",
                "„Prozent, Zutat 2“ ist 140,5, mehr als 100.",
                "«\u{a0}Pour cent, ingrédient 2\u{a0}» vaut 140,5, plus que 100.",
            ),
            (
                |one| one.over.percent = "300.5".to_owned(),
                "over.percent",
                "„2: mehr, Prozent“ ist 300,5, mehr als 100.",
                "«\u{a0}2\u{a0}: plus, pour cent\u{a0}» vaut 300,5, plus que 100.",
            ),
            (
                |one| {
                    one.under.g = "0.00000000001".to_owned();
                    one.over.g.clone_from(&one.under.g);
                },
                "under.g",
                "„Toleranz von 2, Gramm“ ist feiner als ein Nanogramm.",
                "«\u{a0}Tolérance de 2, grammes\u{a0}» est plus fin qu'un nanogramme.",
            ),
            (
                |one| one.max = "101".to_owned(),
                "max",
                "„Höchstens, Prozent der Charge, 2“ ist 101, mehr als 100.",
                "«\u{a0}Au plus, pour cent de la fabrication, 2\u{a0}» vaut 101, plus que 100.",
            ),
            (
                |one| {
                    one.min = "41.5".to_owned();
                    one.max = "40.5".to_owned();
                },
                "min",
                "Vertausch „Mindestens“ und „Höchstens“.",
                "Échangez «\u{a0}Au moins\u{a0}» et «\u{a0}Au plus\u{a0}».",
            ),
            (
                |one| one.inci = "a".repeat(1000),
                "inci",
                "„INCI-Name von 2“ hat 1000 Zeichen",
                "«\u{a0}Nom INCI de 2\u{a0}» a 1000 caractères",
            ),
            (
                |one| one.caution = "\u{7}".to_owned(),
                "caution",
                "„Vorsicht bei 2“ enthält das Steuerzeichen U+0007",
                "«\u{a0}Précaution pour 2\u{a0}» contient le caractère de contrôle U+0007",
            ),
            (
                |one| one.premix = "Soak".to_owned(),
                "premix",
                "Nenn die Rezeptur der Vormischung.",
                "Nommez la formule du prémélange.",
            ),
        ];
        for (spoil, field, german, french) in spoilt {
            let mut fields = two("60", "40");
            spoil(&mut fields.phases[0].ingredients[1]);
            let faults = fields.tidied().checked("").unwrap_err();
            let [fault] = faults.as_slice() else {
                panic!("{faults:#?}");
            };
            assert_eq!(fault.at, format!("phases.0.ingredients.1.{field}"));
            for (language, told) in [(Language::German, german), (Language::French, french)] {
                let say = fault.say.in_language(language);
                assert!(say.contains(told), "{say}");
                assert!(!say.contains(['{', '=']), "{say}");
            }
        }
        type SpoilAny = fn(&mut Fields);
        let others: [(SpoilAny, &str, &str); 8] = [
            (
                |all| all.name = "\u{7}".to_owned(),
                "name",
                "Name of the formula",
            ),
            (|all| all.version = "\u{7}".to_owned(), "version", "Version"),
            (|all| all.notes = "\u{7}".to_owned(), "notes", "Notes"),
            (
                |all| all.intended = "soap".to_owned(),
                "use",
                "What it is for",
            ),
            (
                |all| all.phases[0].name = "\u{7}".to_owned(),
                "phases.0.name",
                "Name of phase 1",
            ),
            (
                |all| all.phases[0].mix = "\u{7}".to_owned(),
                "phases.0.mix",
                "What is done after phase 1",
            ),
            (
                |all| all.phases[0].ingredients[1].name = "\u{7}".to_owned(),
                "phases.0.ingredients.1.name",
                "Ingredient 2",
            ),
            (
                |all| all.phases[0].ingredients[1].vessel = "beeker".to_owned(),
                "phases.0.ingredients.1.vessel",
                "How 2 is weighed",
            ),
        ];
        for (spoil, at, label) in others {
            let mut fields = two("60", "40");
            spoil(&mut fields);
            let faults = fields.tidied().checked("").unwrap_err();
            assert_eq!(faults[0].at, at, "{faults:?}");
            assert!(faults[0].say.contains(label), "{faults:?}");
        }
        // What is ambiguous is told once.
        let faults = two("1,000", "40").tidied().checked("").unwrap_err();
        assert_eq!(faults.len(), 1, "{faults:#?}");
    }
}
