//! The contents of a formula: its ingredients, what is in those of them that are premixes, and what the maker's
//! list says of the constituents of each. Computed here once; limits, cautions, notes, the plan and what
//! goes on in a batch are made of it.
//!
//! One substance is what has one INCI name or one name, case and spaces folded.
//!
//! **Limits.** A product may hold of a substance at most what the maker's list says for its use, and what
//! the formula's own lines say. Lines of one substance count together. What may hurt the skin (an
//! essential oil, an isolate, a preservative, an acid) has the strictest of its lines' `max`; of
//! anything else the lines' own add up, one without `max` counting as its share; of each name that a
//! substance has the limits of its own lines hold besides. What comes through premixes and constituents
//! counts and adds no room.

use std::borrow::Cow;
use std::collections::{BTreeMap, BTreeSet, HashMap};

use serde::{Deserialize, Serialize};

use super::kind::{Kind, kinds};
use super::substances::{Constituent, FILE, Substance, inci_in};
use super::{Formula, Ingredient, Limits, Percent, Use};
use crate::language::{Sentence, phrase, remark};
use crate::problem::Problem;
use crate::text::alike::{folded, same_lot, same_name};

/// What is known beside the formula.
#[derive(Debug, Clone, Default)]
pub struct Known {
    /// The formulas that premixes may be batches of.
    pub premixes: Vec<Formula>,
    /// The maker's list.
    pub substances: Vec<Substance>,
    /// What batches of the premixes were really made of.
    pub batches: Vec<MadeOf>,
    /// The files of each premix whose name several formulas have; only the first of them is in `premixes`.
    pub twins: Vec<Twins>,
    /// What does not read of the files in which a premix that is missing may be; of each the first mistake.
    pub unread: Vec<Problem>,
    /// Files that were not read though they may be meant for the maker's list.
    pub misnamed: Vec<Problem>,
}

/// Formulas of one name.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Twins {
    pub name: String,
    /// At least two; the first is the one that counts.
    pub files: Vec<String>,
}

/// One batch of a premix, as it was weighed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct MadeOf {
    /// The batch's name: as a lot it is named so.
    pub lot: String,
    /// The name of its formula.
    pub formula: String,
    /// The share of each ingredient of it.
    pub shares: Vec<(String, Percent)>,
}

impl MadeOf {
    fn share_of(&self, ingredient: &str) -> Percent {
        let mine = self
            .shares
            .iter()
            .filter(|(name, _)| same_name(name, ingredient));
        Percent(
            mine.map(|(_, share)| share.0)
                .sum::<i64>()
                .min(Percent::HUNDRED.0),
        )
    }
}

/// One thing that is in a product.
#[derive(Debug, Clone)]
pub struct Reached<'a> {
    pub name: &'a str,
    /// As the formula has it, else the maker's list.
    pub inci: Option<&'a str>,
    /// Index of the formula's line that brings it in.
    pub line: usize,
    /// What it is in, from the formula's line to the last; empty for the line itself.
    pub through: Vec<&'a str>,
    /// Of that line, in percent.
    pub share: Percent,
    /// Holds only where that line is of this lot, and then in place of the one without a lot.
    pub lot: Option<&'a str>,
    /// The line of a formula that it is; a constituent is none.
    pub ingredient: Option<&'a Ingredient>,
    pub kinds: Vec<Kind>,
    /// Whether it is a premix whose own contents are told too.
    pub opened: bool,
}

/// What is in a formula, and what of it nobody wrote down.
#[derive(Debug, Clone, Default)]
pub struct Contents<'a> {
    /// In the order of the formula.
    pub reached: Vec<Reached<'a>>,
    /// Premixes whose contents are not certain, each once.
    pub doubts: Vec<Doubt<'a>>,
}

/// A premix whose contents are not certain.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Doubt<'a> {
    /// Index of the formula's line that brings it in.
    pub line: usize,
    /// The name of its formula.
    pub premix: &'a str,
    pub why: Why,
}

/// Why the contents of a premix are not certain.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Why {
    /// Its formula is not there.
    Missing,
    /// It is, by way of others, a premix of itself.
    Circle,
    /// It lies too deep, or too many were looked into before.
    TooFar,
    /// Several formulas have its name.
    Twins,
}

/// A substance with a limit, and what brings it in. A log holds it, so that the log alone is enough.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Limited {
    pub name: String,
    pub limits: Limits,
    /// Whether it is something whose limit comes from a supplier's document.
    pub skin: bool,
    /// What the limit is, where the maker's list has it: "leave-on limit (substances.toml:4)".
    pub told: Option<String>,
    pub from: Vec<Source>,
}

/// How much of a substance is in an ingredient of the formula.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Source {
    pub ingredient: String,
    /// Index of its line.
    pub line: usize,
    /// What it is called there.
    pub name: String,
    /// Where the ingredient is of this lot, in place of those without one.
    pub lot: Option<String>,
    pub share: Percent,
}

impl Reached<'_> {
    pub fn is(&self, kind: Kind) -> bool {
        self.kinds.contains(&kind)
    }

    /// Whether it is a scent: an essential oil, a fragrance, an isolate.
    pub fn is_scent(&self) -> bool {
        self.is(Kind::EssentialOil) || self.is(Kind::Isolate)
    }

    /// Whether it is a line of the formula itself.
    pub(super) fn is_line(&self) -> bool {
        self.through.is_empty() && self.lot.is_none()
    }

    fn is_for_skin(&self) -> bool {
        self.is_scent() || self.is(Kind::Preservative) || self.is(Kind::Acid)
    }

    /// Its name, and what it is in.
    pub fn told(&self) -> String {
        match self.through.as_slice() {
            [] => self.name.to_owned(),
            through => format!("{} (in {})", self.name, through.join(", ")),
        }
    }
}

/// Premixes in premixes are followed so far; a formula of a formula of a formula is rare at a bench.
const DEEPEST: usize = 8;
/// So many are looked into at most: premixes of many premixes would go on and on.
const MOST_OPENED: usize = 200;

/// What is in `formula`, as far as it is `known`.
pub fn contents<'a>(formula: &'a Formula, known: &'a Known) -> Contents<'a> {
    let mut walk = Walk {
        known,
        list: list(formula, known),
        found: Contents::default(),
        opened: 0,
    };
    for (line, ingredient) in formula.ingredients().enumerate() {
        let at = At {
            line,
            path: vec![&formula.name],
            through: Vec::new(),
            share: Percent::HUNDRED,
            lot: None,
        };
        walk.ingredient(ingredient, at);
    }
    walk.found
}

/// All that the maker wrote down: in the formula, in her list, in the formulas of its premixes.
fn list<'a>(formula: &'a Formula, known: &'a Known) -> Vec<&'a Substance> {
    let premixes = known.premixes.iter().flat_map(|premix| &premix.substances);
    (formula.substances.iter())
        .chain(&known.substances)
        .chain(premixes)
        .collect()
}

struct Walk<'a> {
    known: &'a Known,
    list: Vec<&'a Substance>,
    found: Contents<'a>,
    /// How many premixes were looked into.
    opened: usize,
}

/// Where the walk stands.
#[derive(Clone)]
struct At<'a> {
    /// Index of the formula's line.
    line: usize,
    /// The names of the formulas that are being walked.
    path: Vec<&'a str>,
    through: Vec<&'a str>,
    /// Of the line's ingredient.
    share: Percent,
    lot: Option<&'a str>,
}

impl<'a> Walk<'a> {
    fn ingredient(&mut self, ingredient: &'a Ingredient, at: At<'a>) {
        let Some(premix) = &ingredient.premix else {
            return self.substance(ingredient, &at, false);
        };
        let is_it = |formula: &&Formula| same_name(&formula.name, premix);
        let found = self.known.premixes.iter().find(is_it);
        let again = at.path.iter().any(|name| same_name(name, premix));
        let too_far = at.path.len() >= DEEPEST || self.opened >= MOST_OPENED;
        let (inner, why) = match found {
            _ if again => (None, Some(Why::Circle)),
            None => (None, Some(Why::Missing)),
            Some(_) if too_far => (None, Some(Why::TooFar)),
            Some(inner) => (Some(inner), self.is_twin(premix).then_some(Why::Twins)),
        };
        let is_told = inner.is_none() && self.is_listed(ingredient);
        // Of a batch only what the formula as it stands did not tell already.
        let is_new = |why: &Why| at.lot.is_none() || *why == Why::TooFar;
        if let Some(why) = why.filter(|why| !is_told && is_new(why)) {
            self.doubt(at.line, premix, why);
        }
        let Some(inner) = inner else {
            return self.substance(ingredient, &at, false);
        };
        self.opened += 1;
        self.substance(ingredient, &at, true);
        let mut inside = at.clone();
        inside.path.push(&inner.name);
        inside.through.push(&ingredient.name);
        for (one, part) in inner.ingredients().zip(inner.shares()) {
            let share = part.times(at.share);
            self.ingredient(
                one,
                At {
                    share,
                    ..inside.clone()
                },
            );
        }
        // A lot is named for the line, not for what is in it.
        let batches = self.known.batches.iter();
        let made = batches.filter(|made| at.through.is_empty() && same_name(&made.formula, premix));
        for made in made {
            let mut told: Vec<&str> = Vec::new();
            for one in inner.ingredients() {
                let first = !told.iter().any(|name| same_name(name, &one.name));
                told.push(&one.name);
                let share = if first {
                    made.share_of(&one.name)
                } else {
                    Percent(0)
                };
                let lot = Some(made.lot.as_str());
                self.ingredient(
                    one,
                    At {
                        share,
                        lot,
                        ..inside.clone()
                    },
                );
            }
        }
    }

    fn is_twin(&self, premix: &str) -> bool {
        let mut twins = self.known.twins.iter();
        twins.any(|twins| same_name(&twins.name, premix))
    }

    fn doubt(&mut self, line: usize, premix: &'a str, why: Why) {
        let doubt = Doubt { line, premix, why };
        if !self.found.doubts.contains(&doubt) {
            self.found.doubts.push(doubt);
        }
    }

    /// Whether the list says what it is made of.
    fn is_listed(&self, ingredient: &Ingredient) -> bool {
        let inci = self.inci(&ingredient.name, ingredient.inci.as_deref());
        let mut facts = self.facts(&ingredient.name, inci);
        facts.any(|one| !one.constituents.is_empty())
    }

    fn facts(&self, name: &str, inci: Option<&str>) -> impl Iterator<Item = &'a Substance> {
        self.list
            .iter()
            .copied()
            .filter(move |one| one.is(name, inci))
    }

    /// The INCI name: the formula's own, else what the list has for this name.
    fn inci(&self, name: &str, own: Option<&'a str>) -> Option<&'a str> {
        own.or_else(|| inci_in(self.list.iter().copied(), name))
    }

    fn kinds(&self, name: &str, inci: Option<&str>) -> Vec<Kind> {
        let told = self
            .facts(name, inci)
            .flat_map(|one| one.kinds.iter().copied());
        kinds([name].into_iter().chain(inci), told)
    }

    fn substance(&mut self, ingredient: &'a Ingredient, at: &At<'a>, opened: bool) {
        let name = ingredient.name.as_str();
        let inci = self.inci(name, ingredient.inci.as_deref());
        self.found.reached.push(Reached {
            name,
            inci,
            line: at.line,
            through: at.through.clone(),
            share: at.share,
            lot: at.lot,
            ingredient: Some(ingredient),
            kinds: self.kinds(name, inci),
            opened,
        });
        let facts: Vec<&'a Substance> = self.facts(name, inci).collect();
        let document = facts.iter().map(|one| &one.constituents);
        if let Some(all) = document.into_iter().find(|all| !all.is_empty()) {
            self.constituents(ingredient, all, at);
        }
        let lots = facts.iter().flat_map(|one| &one.lots);
        for lot in lots.filter(|_| at.through.is_empty() && at.lot.is_none()) {
            // What the certificate does not name holds as the document has it.
            let at = At {
                lot: Some(&lot.lot),
                ..at.clone()
            };
            self.constituents(ingredient, &lot.constituents, &at);
        }
    }

    fn constituents(&mut self, of: &'a Ingredient, all: &'a [Constituent], at: &At<'a>) {
        let mut through = at.through.clone();
        through.push(&of.name);
        for one in all {
            let inci = self.inci(&one.name, None);
            let kinds = self.kinds(&one.name, inci);
            self.found.reached.push(Reached {
                name: &one.name,
                inci,
                line: at.line,
                through: through.clone(),
                share: one.share.times(at.share),
                lot: at.lot,
                ingredient: None,
                kinds,
                opened: false,
            });
        }
    }
}

impl Percent {
    /// This share of a share, rounded up: what a limit is held against is never less than it is.
    pub(super) fn times(self, of: Percent) -> Percent {
        let n = i128::from(self.0) * i128::from(of.0);
        let hundred = i128::from(Percent::HUNDRED.0);
        Percent(((n + hundred - 1) / hundred).clamp(0, hundred) as i64)
    }
}

/// The substances of `formula` that have a limit, in the order in which they come in.
pub fn limited(formula: &Formula, known: &Known) -> Vec<Limited> {
    let contents = contents(formula, known);
    let lines: Vec<(&Ingredient, Percent)> = formula.ingredients().zip(formula.shares()).collect();
    let list = list(formula, known);
    let mut found: Vec<Limited> = Vec::new();
    for group in grouped(&contents.reached) {
        let all = one(formula, &lines, &list, &group);
        found.extend(all);
        // Each of its names keeps the limits of its own lines too.
        for alone in by_name(&group) {
            found.extend(one(formula, &lines, &[], &alone));
        }
    }
    found
}

/// The lines of a group by their names, where there are several.
fn by_name<'r, 'a>(group: &[&'r Reached<'a>]) -> Vec<Vec<&'r Reached<'a>>> {
    let mut names: Vec<Vec<&Reached>> = Vec::new();
    for &line in group.iter().filter(|one| one.is_line()) {
        let same =
            |other: &&mut Vec<&Reached>| other.iter().any(|other| same_name(other.name, line.name));
        match names.iter_mut().find(same) {
            Some(name) => name.push(line),
            None => names.push(vec![line]),
        }
    }
    match names.len() {
        0 | 1 => Vec::new(),
        _ => names,
    }
}

/// What is one substance, together; a name links those of its INCI, an INCI those of its names. In the order of the
/// first of each.
fn grouped<'r, 'a>(all: &'r [Reached<'a>]) -> Vec<Vec<&'r Reached<'a>>> {
    let mut groups: Vec<Vec<(usize, &Reached)>> = Vec::new();
    // In which group each name and each INCI stands.
    let mut places: HashMap<Cow<str>, usize> = HashMap::new();
    for (at, one) in all.iter().enumerate() {
        let names = || [one.name].into_iter().chain(one.inci).map(folded);
        let mine: BTreeSet<usize> = names()
            .filter_map(|name| places.get(&name).copied())
            .collect();
        let first = mine.first().copied().unwrap_or(groups.len());
        let mut joined = vec![(at, one)];
        for group in &mine {
            joined.extend(
                groups
                    .get_mut(*group)
                    .map(std::mem::take)
                    .unwrap_or_default(),
            );
        }
        joined.sort_by_key(|(at, _)| *at);
        match groups.get_mut(first) {
            Some(group) => *group = joined,
            None => groups.push(joined),
        }
        let moved = places.values_mut().filter(|place| mine.contains(place));
        moved.for_each(|place| *place = first);
        places.extend(names().map(|name| (name, first)));
    }
    let bare =
        |group: Vec<(usize, &'r Reached<'a>)>| group.into_iter().map(|(_, one)| one).collect();
    let groups = groups.into_iter().filter(|group| !group.is_empty());
    groups.map(bare).collect()
}

fn one(
    formula: &Formula,
    lines: &[(&Ingredient, Percent)],
    list: &[&Substance],
    group: &[&Reached],
) -> Option<Limited> {
    let skin = group.iter().any(|one| one.is_for_skin());
    let own: Vec<&(&Ingredient, Percent)> = (group.iter())
        .filter(|one| one.is_line())
        .filter_map(|one| lines.get(one.line))
        .collect();
    let add = |a: Percent, b: Percent| Percent((a.0.saturating_add(b.0)).min(Percent::HUNDRED.0));
    let mins = own.iter().filter_map(|(line, _)| line.limits.min);
    let maxes = || own.iter().filter_map(|(line, _)| line.limits.max);
    let mut limits = Limits {
        min: mins.reduce(add),
        max: match (skin, maxes().next().is_some()) {
            (_, false) => None,
            (true, true) => maxes().min(),
            (false, true) => (own
                .iter()
                .map(|(line, share)| line.limits.max.unwrap_or(*share)))
            .reduce(add),
        },
    };
    let mut told = None;
    let is_it = |fact: &&&Substance| group.iter().any(|one| fact.is(one.name, one.inci));
    for fact in list.iter().filter(is_it) {
        let Some((limit, is_left_on)) = formula.intended.limit(fact) else {
            continue;
        };
        if limits.max.is_none_or(|max| limit < max) {
            limits.max = Some(limit);
            let file = fact.file.rsplit('/').next().unwrap_or_default();
            let source = fact.source.as_deref().map(|source| format!(", {source}"));
            let text = format!("{file}:{}{}", fact.place.line, source.unwrap_or_default());
            let limit = match (formula.intended, is_left_on) {
                (Use::Untold, true) => {
                    remark!(
                        "leave-on limit ({text}; the formula does not tell its use)",
                        text
                    )
                }
                (Use::Untold, false) => {
                    remark!(
                        "rinse-off limit ({text}; the formula does not tell its use)",
                        text
                    )
                }
                (_, true) => remark!("leave-on limit ({text})", text),
                (_, false) => remark!("rinse-off limit ({text})", text),
            };
            told = Some(limit.into());
        }
    }
    if limits == Limits::default() {
        return None;
    }
    let first = group.first()?;
    let names_alike =
        own.len() == group.len() && group.iter().all(|one| same_name(one.name, first.name));
    let name = match names_alike {
        true => first.name,
        false => group.iter().find_map(|one| one.inci).unwrap_or(first.name),
    };
    let from = group.iter().filter_map(|one| {
        Some(Source {
            ingredient: lines.get(one.line)?.0.name.clone(),
            line: one.line,
            name: one.name.to_owned(),
            lot: one.lot.map(str::to_owned),
            share: one.share,
        })
    });
    Some(Limited {
        name: name.to_owned(),
        limits,
        skin,
        told,
        from: from.collect(),
    })
}

impl Limited {
    /// How much of `ingredient`, of this lot where it is known, is this substance.
    pub fn share_in(&self, ingredient: &str, lot: &str) -> Percent {
        let mine = self
            .from
            .iter()
            .filter(|from| same_name(&from.ingredient, ingredient));
        let of_lot = |from: &&Source| {
            from.lot
                .as_deref()
                .is_some_and(|own| !lot.is_empty() && same_lot(own, lot))
        };
        let certified = mine.clone().any(|from| of_lot(&from));
        let mine = mine.filter(|from| match certified {
            true => of_lot(from),
            false => from.lot.is_none(),
        });
        // An ingredient may have two lines; what is weighed is of either.
        let mut by_line: BTreeMap<usize, i64> = BTreeMap::new();
        for from in mine {
            let sum = by_line.entry(from.line).or_default();
            *sum = sum.saturating_add(from.share.0);
        }
        let most = by_line.into_values().max().unwrap_or_default();
        Percent(most.min(Percent::HUNDRED.0))
    }

    /// The ingredients that bring it in, each once.
    pub fn sources(&self) -> Vec<&str> {
        let mut names: Vec<&str> = Vec::new();
        for from in &self.from {
            if !names.iter().any(|name| same_name(name, &from.ingredient)) {
                names.push(&from.ingredient);
            }
        }
        names
    }

    /// Whether it is one ingredient of the formula and comes in no other way.
    pub fn is_plain(&self) -> bool {
        let itself = |from: &Source| {
            from.share == Percent::HUNDRED && same_name(&from.ingredient, &self.name)
        };
        self.from.iter().all(itself)
    }

    /// "its limit", or what the maker's list calls it.
    pub fn limit_words(&self) -> Sentence {
        match &self.told {
            Some(told) => remark!("its {said}", said = remark::told(told)),
            None => remark!("its limit"),
        }
    }
}

impl Doubt<'_> {
    /// What is told of it where the formula's line is called `own`, and what to do.
    fn words(&self, own: &str, known: &Known) -> (Sentence, Sentence) {
        let premix = self.premix;
        let not_known = |why: Sentence| {
            phrase!(
                "What is in the premix \"{own}\" is not known: {why}, so limits and cautions do not reach into it",
                own,
                why
            )
        };
        match self.why {
            Why::Missing if known.unread.is_empty() => (
                not_known(phrase!(
                    "no formula beside this one is called \"{premix}\"",
                    premix
                )),
                phrase!(
                    "Put its formula into the same folder, or write its constituents into {list_in_file}",
                    list_in_file = FILE,
                ),
            ),
            Why::Missing => {
                let unread = known.unread.iter().map(Problem::told);
                let unread = unread.fold(Sentence::none(), Sentence::and);
                (
                    not_known(phrase!(
                        "no formula beside this one that reads is called \"{premix}\"",
                        premix
                    )),
                    phrase!(
                        "Where it is one of these files, mend that: {unread}",
                        unread
                    ),
                )
            }
            Why::Circle => (
                not_known(phrase!("\"{premix}\" comes round to itself", premix)),
                phrase!(
                    "Take \"{premix}\" out of one of the formulas that it is made of",
                    premix
                ),
            ),
            Why::TooFar => (
                not_known(phrase!(
                    "\"{premix}\" lies too deep in premixes of premixes, or behind too many of them",
                    premix
                )),
                phrase!(
                    "Write what it is made of into {list_in_file}, as its constituents",
                    list_in_file = FILE,
                ),
            ),
            Why::Twins => {
                let mut twins = known.twins.iter();
                let files = twins.find(|twins| same_name(&twins.name, premix));
                let files: &[String] = files.map_or(&[], |twins| &twins.files);
                (
                    phrase!(
                        "Formulas of one name, \"{premix}\", are in {files}; for \"{own}\" only {first} is counted",
                        premix,
                        files = Sentence::listing(files),
                        own,
                        first = files.first().map_or("", String::as_str),
                    ),
                    phrase!(
                        "Move those that are not in use into another folder, or give them another name"
                    ),
                )
            }
        }
    }
}

/// What is to be known of what is in a formula: a list that is called otherwise, premixes that nobody can look into, and scents without a
/// greatest share.
pub fn notes(formula: &Formula, known: &Known, name: &str) -> Vec<Problem> {
    let found = contents(formula, known);
    let limits = limited(formula, known);
    let lines: Vec<&Ingredient> = formula.ingredients().collect();
    let at = |line: usize, message: Sentence, remedy: Sentence| {
        let place = lines.get(line).map(|one| one.place).unwrap_or_default();
        Problem {
            path: name.to_owned(),
            line: place.line,
            column: place.column,
            message,
            remedy,
        }
    };
    let mut notes: Vec<Problem> = known.misnamed.clone();
    for doubt in &found.doubts {
        let own = lines.get(doubt.line).map_or("", |one| one.name.as_str());
        let (message, remedy) = doubt.words(own, known);
        notes.push(at(doubt.line, message, remedy));
    }
    if formula.intended == Use::Premix {
        return notes;
    }
    let mut open: Vec<(usize, Vec<String>)> = Vec::new();
    for one in &found.reached {
        let here = |from: &Source| from.line == one.line && same_name(&from.name, one.name);
        let has_max = |limit: &Limited| limit.limits.max.is_some() && limit.from.iter().any(here);
        let concerned =
            one.is_scent() && one.ingredient.is_some() && !one.opened && one.lot.is_none();
        if concerned && !limits.iter().any(has_max) {
            match one.through.is_empty() {
                true => {
                    let name = one.name;
                    let message = match one.is(Kind::EssentialOil) {
                        true => phrase!(
                            "\"{name}\" is an essential oil or fragrance and has no greatest share",
                            name,
                        ),
                        false => {
                            phrase!("\"{name}\" is an isolate and has no greatest share", name)
                        }
                    };
                    let remedy = phrase!(
                        "Write your own limit {limit_in_file}, from the supplier's documents (safety data sheet, IFRA certificate)",
                        limit_in_file = phrase!(
                            "as limits = {max}, in percent of the batch",
                            max = "{ max = ... }",
                        ),
                    );
                    notes.push(at(one.line, message, remedy));
                }
                false => match open.iter_mut().find(|(line, _)| *line == one.line) {
                    Some((_, names)) => names.push(one.name.to_owned()),
                    None => open.push((one.line, vec![one.name.to_owned()])),
                },
            }
        }
    }
    for (line, names) in open {
        let own = lines.get(line).map_or("", |one| one.name.as_str());
        let message = phrase!(
            "In the premix \"{own}\" no greatest share is told for {names}",
            own,
            names = Sentence::listing(&names),
        );
        let remedy = phrase!(
            "Write {shares_in_file} for each into {list_in_file}, from the supplier's documents \
                      (safety data sheet, IFRA certificate)",
            shares_in_file = "leave_on or rinse_off",
            list_in_file = FILE,
        );
        notes.push(at(line, message, remedy));
    }
    notes
}
