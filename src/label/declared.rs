//! The declaration of a batch by what was weighed, premixes taken apart: the list of ingredients and the fragrance
//! allergens that a label names, and what makes them incomplete.

use std::collections::HashMap;

use super::allergens::{Amount, Stay, allergen, amounts};
use super::{Line, Rules, declaration};
use crate::formula::kind::{Kind, kinds};
use crate::formula::substances::{Constituent, FILE, Substance, inci_in};
use crate::formula::{Formula, Use};
use crate::journal::batch::record::Record;
use crate::journal::batch::standing::Unproven;
use crate::language::{Sentence, Term, phrase, shown_as_told, term};
use crate::mass::Mass;
use crate::problem::Problems;
use crate::text::alike::same_name;

/// What a label says of the inside.
#[derive(Debug, Clone)]
pub struct Declared {
    pub rules: Rules,
    /// In descending order of weight.
    pub lines: Vec<Line>,
    /// The fragrance allergens, and how long the product stays; `None` where the rules do not ask for them.
    pub allergens: Option<(Vec<Amount>, Stay)>,
    /// What makes it incomplete, each once, the middle of a sentence.
    pub incomplete: Vec<Sentence>,
    /// Scents of whose constituents nothing is known, and what bismar does not know at all, where allergens are asked
    /// for.
    pub unknown_inside: Vec<String>,
    /// Ingredients of which neither the formula nor the list has an INCI name; their own stands there.
    pub nameless: Vec<String>,
    /// INCI names that the formula or the list has, and of which nothing is known here: neither their kinds nor the maker's
    /// list nor Annex III tells of them.
    pub unfound: Vec<String>,
    /// What foams by its names or the maker's list, as it is declared.
    pub foaming: Vec<String>,
    /// Ingredients of which a weight is not proven, so that how much of them is in it may be off; each once.
    pub unproven: Vec<String>,
    /// The ingredients with their lots, each once; no batch of our own is among them.
    pub lots: Vec<(String, String)>,
}

/// Why a batch is not declared.
#[derive(Debug)]
pub enum DeclaredError {
    LotOfItself(String),
    NoWeights(String),
    /// A formula in a log does not read.
    Formula(Problems),
}

impl DeclaredError {
    pub fn told(&self) -> Sentence {
        match self {
            DeclaredError::LotOfItself(batch) => phrase!("batch {batch} is a lot of itself", batch),
            DeclaredError::NoWeights(batch) => phrase!("batch {batch} has no weights", batch),
            DeclaredError::Formula(problems) => problems.told(),
        }
    }
}

shown_as_told!(DeclaredError);

impl std::error::Error for DeclaredError {}

impl From<Problems> for DeclaredError {
    fn from(problems: Problems) -> DeclaredError {
        DeclaredError::Formula(problems)
    }
}

impl Declared {
    /// What is in `record`, one of `batches`. `formula` counts instead of the one in its log, and `list` is
    /// the maker's list of substances.
    ///
    /// # Errors
    /// See [`DeclaredError`].
    pub fn of(
        record: &Record,
        batches: &[Record],
        formula: Option<&Formula>,
        list: Vec<Substance>,
        rules: Rules,
    ) -> Result<Declared, DeclaredError> {
        let mut gathering = Gathering {
            batches: batches.iter().map(|r| (r.batch.as_str(), r)).collect(),
            found: Vec::new(),
            list: Vec::new(),
            path: Vec::new(),
            incomplete: Vec::new(),
            unknown_inside: Vec::new(),
            nameless: Vec::new(),
            unproven: Vec::new(),
        };
        gathering.gather(record, formula, (1, 1))?;
        gathering.list.extend(list);
        gathering.name();
        let foaming = gathering.foaming();
        let unfound = gathering.unfound();
        let allergens = rules.name_allergens().then(|| {
            let own = record.read_formula().and_then(Result::ok);
            let stay = match formula.or(own.as_ref()).map(|f| f.intended) {
                Some(Use::RinseOff) => Stay::RinseOff,
                Some(Use::Untold | Use::LeaveOn | Use::Premix) | None => Stay::LeaveOn,
            };
            (gathering.allergens(stay), stay)
        });
        let weights = gathering.found.iter();
        let weights = weights.map(|found| (found.declared().to_owned(), found.mass));
        let lines = declaration(weights, rules);
        if lines.is_empty() {
            return Err(DeclaredError::NoWeights(record.batch.clone()));
        }
        let mut lots: Vec<(String, String)> = Vec::new();
        for found in gathering.found {
            let one = (found.name, found.lot);
            if !lots.contains(&one) {
                lots.push(one);
            }
        }
        Ok(Declared {
            rules,
            lines,
            allergens,
            incomplete: gathering.incomplete,
            unknown_inside: gathering.unknown_inside,
            nameless: gathering.nameless,
            unfound,
            foaming,
            unproven: gathering.unproven,
            lots,
        })
    }

    /// All that is in it.
    pub fn total(&self) -> Mass {
        self.lines.iter().map(|line| line.mass).sum()
    }

    /// The allergens that the label must name.
    pub fn named(&self) -> impl Iterator<Item = &Amount> {
        let all = self.allergens.iter().flat_map(|(found, _)| found);
        all.filter(|one| one.declared)
    }

    /// That no allergen is named, or which; with no verdict where it is not known what an ingredient holds.
    pub fn named_told(&self) -> Sentence {
        let named: Vec<&str> = self.named().map(|one| one.allergen.label).collect();
        match (named.as_slice(), self.unknown_inside.is_empty()) {
            ([], true) => phrase!("none by what is known"),
            ([], false) => phrase!("not known, as the first line says"),
            (some, true) => some.join(", ").into(),
            (some, false) => phrase!(
                "not complete, as the first line says: {named}",
                named = some.join(", "),
            ),
        }
    }

    /// That weights are not proven, and of what; `None` where all are.
    pub fn unproven_told(&self) -> Option<Sentence> {
        let names = Sentence::listing(&self.unproven);
        (!self.unproven.is_empty()).then(|| {
            phrase!(
                "Not proven is the weight of: {names}. What stands here of grams, percents and allergens may be off; the \
                 batch's record says why, and by how much.",
                names
            )
        })
    }

    /// The names in descending order of weight, the allergens that must be named among them: each once.
    pub fn names(&self) -> Vec<&str> {
        let lines = self.lines.iter();
        let mut all: Vec<(Mass, &str)> =
            lines.map(|line| (line.mass, line.inci.as_str())).collect();
        let is_there = |one: &&Amount| {
            let is_it = |line: &Line| allergen(&line.inci) == Some(one.allergen);
            self.lines.iter().any(is_it)
        };
        let more = self.named().filter(|one| !is_there(one));
        all.extend(more.map(|one| (one.mass, one.allergen.label)));
        all.sort_by_key(|(mass, _)| std::cmp::Reverse(*mass));
        all.into_iter().map(|(_, name)| name).collect()
    }
}

/// The percentage of `mass` in `total`, for the eye only; the rules compare masses.
pub fn share(mass: Mass, total: Mass, decimals: usize) -> String {
    format!("{:.decimals$}", 100.0 * mass.to_g_f64() / total.to_g_f64())
}

/// The least that a package of a batch holds, and how it is known: the lightest filled jar, or the planned fill.
pub fn net(record: &Record) -> Option<(Mass, Term)> {
    let filled = record.filled.iter().filter_map(|row| row.net);
    let planned = record.opening.as_ref().and_then(|opening| opening.jars);
    match filled.map(|net| net.mass()).min() {
        Some(least) => Some((least, term!("the lightest jar filled"))),
        None => planned.map(|(_, fill)| (fill, term!("as planned, not weighed"))),
    }
}

/// Walks a batch and the batches that are lots in it.
struct Gathering<'r> {
    batches: HashMap<&'r str, &'r Record>,
    found: Vec<Found>,
    /// What the formulas tell of substances, and the maker's list.
    list: Vec<Substance>,
    /// The batches being walked, outermost first.
    path: Vec<String>,
    incomplete: Vec<Sentence>,
    unknown_inside: Vec<String>,
    nameless: Vec<String>,
    unproven: Vec<String>,
}

/// One thing in the product.
struct Found {
    name: String,
    inci: Option<String>,
    lot: String,
    mass: Mass,
}

impl Found {
    fn declared(&self) -> &str {
        self.inci.as_deref().unwrap_or(&self.name)
    }
}

impl Gathering<'_> {
    /// The fragrance allergens, by what is known of the constituents; a scent of which nothing is known makes the list
    /// incomplete, and so does what is not known at all: no INCI name, no kind that tells, nothing of its constituents.
    fn allergens(&mut self, stay: Stay) -> Vec<Amount> {
        let total: Mass = self.found.iter().map(|found| found.mass).sum();
        let mut parts: Vec<(String, Mass)> = Vec::new();
        let mut unknown: Vec<String> = Vec::new();
        let mut strange: Vec<String> = Vec::new();
        for found in &self.found {
            let facts: Vec<&Substance> = self.facts(found).collect();
            let kinds = self.kinds(found);
            let inside = facts.iter().map(|one| one.constituents_of(&found.lot));
            let inside = inside
                .into_iter()
                .find(|all| !all.is_empty())
                .unwrap_or_default();
            if inside.is_empty() && kinds.contains(&Kind::EssentialOil) && found.mass > Mass::ZERO {
                unknown.push(found.declared().to_owned());
            }
            // Every INCI name is of letters that ASCII has (from memory). There is no list of them all here: what has the
            // shape is taken for what the maker read on the document, and `unfound` says so.
            let inci = found.inci.as_deref().is_some_and(str::is_ascii);
            let by_kind = !kinds.is_empty() && !kinds.iter().any(|kind| kind.may_scent());
            let told = inci || by_kind || !inside.is_empty();
            let is_scent = kinds.contains(&Kind::EssentialOil);
            if !told && !is_scent && allergen(found.declared()).is_none() && found.mass > Mass::ZERO
            {
                strange.push(found.declared().to_owned());
            }
            let share = |one: &Constituent| (one.name.clone(), one.share.of(found.mass));
            parts.extend(inside.iter().map(share));
            parts.push((found.declared().to_owned(), found.mass));
        }
        for names in [&mut unknown, &mut strange] {
            names.sort_unstable();
            names.dedup_by(|a, b| same_name(a, b));
        }
        if !unknown.is_empty() {
            self.incomplete.push(phrase!(
                "what fragrance allergens are in {names} is not known; write their constituents into {list_in_file}, \
                 from the supplier's documents",
                names = Sentence::listing(&unknown),
                list_in_file = FILE,
            ));
        }
        if !strange.is_empty() {
            self.incomplete.push(phrase!(
                "whether fragrance allergens are in {names} is not known, since bismar cannot tell it by these names; the \
                 supplier's document tells: write the INCI name into the formula, or the constituents into {list_in_file}",
                names = Sentence::listing(&strange),
                list_in_file = FILE,
            ));
        }
        unknown.extend(strange);
        self.unknown_inside = unknown;
        amounts(
            parts.iter().map(|(name, mass)| (name.as_str(), *mass)),
            total,
            stay,
        )
    }

    fn facts<'f>(&'f self, found: &'f Found) -> impl Iterator<Item = &'f Substance> {
        let is_it = |one: &&Substance| one.is(&found.name, found.inci.as_deref());
        self.list.iter().filter(is_it)
    }

    fn kinds(&self, found: &Found) -> Vec<Kind> {
        let told = self.facts(found).flat_map(|one| one.kinds.iter().copied());
        let names = std::iter::once(found.name.as_str()).chain(found.inci.as_deref());
        kinds(names, told)
    }

    /// The names as they are declared of what foams.
    fn foaming(&self) -> Vec<String> {
        let mut names: Vec<String> = Vec::new();
        for found in self.found.iter().filter(|one| one.mass > Mass::ZERO) {
            let known = names.iter().any(|name| same_name(name, found.declared()));
            if !known && self.kinds(found).contains(&Kind::Detergent) {
                names.push(found.declared().to_owned());
            }
        }
        names
    }

    /// The INCI names that nothing here knows; an entry of the maker's list knows them, since she wrote it down.
    fn unfound(&self) -> Vec<String> {
        let mut names: Vec<String> = Vec::new();
        for found in self.found.iter().filter(|one| one.mass > Mass::ZERO) {
            let Some(inci) = found.inci.as_deref().filter(|inci| inci.is_ascii()) else {
                continue;
            };
            let known = !kinds([inci], []).is_empty() || allergen(inci).is_some();
            let listed = self.facts(found).next().is_some();
            if !known && !listed && !names.iter().any(|name| same_name(name, inci)) {
                names.push(inci.to_owned());
            }
        }
        names
    }

    /// Where the formula has no INCI name, that of the list; an ingredient without either is told.
    fn name(&mut self) {
        for found in self.found.iter_mut().filter(|one| one.inci.is_none()) {
            found.inci = inci_in(&self.list, &found.name).map(str::to_owned);
            let told = self.nameless.iter().any(|name| name == &found.name);
            if found.inci.is_none() && !told {
                self.nameless.push(found.name.clone());
            }
        }
    }

    /// Adds what of `record` is in the product: `part` is taken of whole, two masses in nanograms.
    fn gather(
        &mut self,
        record: &Record,
        formula: Option<&Formula>,
        part: (i64, i64),
    ) -> Result<(), DeclaredError> {
        if self.path.contains(&record.batch) {
            return Err(DeclaredError::LotOfItself(record.batch.clone()));
        }
        self.path.push(record.batch.clone());
        if let Some(standing) = record.standing().warning() {
            let warning = phrase!(
                "batch {batch} is {standing}; what is in it is declared",
                batch = &record.batch,
                standing,
            );
            if !self.incomplete.contains(&warning) {
                self.incomplete.push(warning);
            }
        }
        if !record.is_proved() {
            let warning = phrase!(
                "the log of batch {batch} is damaged; what it holds before that is declared",
                batch = &record.batch,
            );
            if !self.incomplete.contains(&warning) {
                self.incomplete.push(warning);
            }
        }
        let own = match formula {
            Some(_) => None,
            None => record.read_formula().transpose()?,
        };
        let formula = formula.or(own.as_ref());
        self.list.extend(
            formula
                .iter()
                .flat_map(|one| one.substances.iter().cloned()),
        );
        for step in record.weighed() {
            let Some(mass) = record.delivered(step.step) else {
                continue;
            };
            let mass = mass.mass().ratio(part.0, part.1);
            // What the plan told that it is too little for its scale is known as well as the others.
            if Unproven::may_be_off(step) && !self.unproven.contains(&step.ingredient) {
                self.unproven.push(step.ingredient.clone());
            }
            match self.batches.get(step.lot.as_str()).copied() {
                Some(premix) => {
                    let whole = premix.total();
                    if whole <= Mass::ZERO {
                        return Err(DeclaredError::NoWeights(format!("premix {}", step.lot)));
                    }
                    self.gather(premix, None, (mass.ng(), whole.ng()))?;
                }
                None => {
                    let mut all = formula.into_iter().flat_map(Formula::ingredients);
                    let one = all.find(|one| same_name(&one.name, &step.ingredient));
                    let inci = one.and_then(|one| one.inci.clone());
                    self.found.push(Found {
                        inci,
                        name: step.ingredient.clone(),
                        lot: step.lot.clone(),
                        mass,
                    });
                }
            }
        }
        self.path.pop();
        Ok(())
    }
}
