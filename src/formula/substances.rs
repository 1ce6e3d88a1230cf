//! The maker's list of substances: what a supplier's document says of one, and how much of it her product
//! may hold. TOML in, [`Substance`]s or the list of everything that is wrong out.
//!
//! ```toml
//! [[substance]]
//! inci = "Lavandula Angustifolia Oil"    # or name = "...", as the formula has it
//! kind = ["essential oil"]
//! leave_on = 1.0                         # percent of the product, at most
//! rinse_off = 3.0
//! source = "supplier's sheet of March"
//! constituents = { Linalool = 38.0 }     # percent of the substance, the most that the document gives
//!
//! [[substance.lot]]
//! lot = "LAV-2"
//! constituents = { Linalool = 31.5 }     # from this lot's certificate
//! ```
//!
//! The same tables may stand in a formula. Nothing is known that is not written: no constituent is
//! supposed.

use std::ops::Range;

use super::kind::Kind;
use super::parse::already;
use super::tolerance::percent;
use super::{Percent, Place};
use crate::document::{DeTable, DeValue, Reader, Value, shown};
use crate::language::phrase;
use crate::problem::Problems;
use crate::text::alike::{folded, same_lot, same_name};

/// The name of the list's file in the folder of the formulas.
pub const FILE: &str = "substances.toml";

/// What the maker wrote down of one substance.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Substance {
    /// At least one of the two is there.
    pub inci: Option<String>,
    pub name: Option<String>,
    pub kinds: Vec<Kind>,
    /// The greatest share of a product that stays on the skin, and of one that is rinsed off.
    pub leave_on: Option<Percent>,
    pub rinse_off: Option<Percent>,
    /// Where it is written, in the maker's words.
    pub source: Option<String>,
    /// In percent of the substance; empty: nothing is known.
    pub constituents: Vec<Constituent>,
    pub lots: Vec<LotOf>,
    /// The file as messages name it, and where it begins there.
    pub file: String,
    pub place: Place,
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Constituent {
    pub name: String,
    pub share: Percent,
}

/// What the certificate of one lot says.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LotOf {
    pub lot: String,
    pub constituents: Vec<Constituent>,
}

/// The INCI name that the list has for what goes by this name.
pub fn inci_in<'l>(list: impl IntoIterator<Item = &'l Substance>, name: &str) -> Option<&'l str> {
    let mut facts = list.into_iter().filter(|one| one.is(name, None));
    facts.find_map(|one| one.inci.as_deref())
}

impl Substance {
    /// Whether this is what goes by these names. INCI names are compared as they are seen, case and spaces
    /// folded.
    pub fn is(&self, name: &str, inci: Option<&str>) -> bool {
        let mut names = [Some(name), inci].into_iter().flatten();
        let own = [self.inci.as_deref(), self.name.as_deref()];
        names.any(|name| own.into_iter().flatten().any(|own| same_name(own, name)))
    }

    /// What of it is known: as its document has it, and what the certificate of this lot says in its place.
    pub fn constituents_of(&self, lot: &str) -> Vec<Constituent> {
        let mut all = self.constituents.clone();
        let certified = self.lots.iter().find(|own| same_lot(&own.lot, lot));
        for one in certified.iter().flat_map(|lot| &lot.constituents) {
            let same = |other: &&mut Constituent| same_name(&other.name, &one.name);
            match all.iter_mut().find(same) {
                Some(other) => other.share = one.share,
                None => all.push(one.clone()),
            }
        }
        all
    }
}

/// Reads a list; `name` stands for the file in messages.
///
/// # Errors
/// Everything that is wrong with it, each with its place and a remedy.
pub fn parse(text: &str, name: &str) -> Result<Vec<Substance>, Problems> {
    let (mut reader, root) = Reader::parse(text, name)?;
    reader.only(&root, phrase!("A list of substances"), &["substance"]);
    let read = substances(&mut reader, &root, name);
    reader.finish(read)
}

/// The `[[substance]]` tables of a file.
pub(super) fn substances<'i>(
    reader: &mut Reader<'i>,
    root: &DeTable<'i>,
    file: &str,
) -> Vec<Substance> {
    let mut all: Vec<Substance> = Vec::new();
    for (table, at) in reader.list(root, "substance") {
        let Some(one) = substance(reader, table, &at, file) else {
            continue;
        };
        let mine = [one.inci.as_deref(), one.name.as_deref()];
        let twice = mine.into_iter().flatten().find_map(|name| {
            let earlier = all.iter().find(|other| other.is(name, None))?;
            Some((name, earlier.place.line))
        });
        if let Some((name, line)) = twice {
            let message = already(name, line, true);
            reader.report(
                &at,
                message,
                phrase!("Put what is known of it into one table"),
            );
        }
        all.push(one);
    }
    all
}

const KEYS: [&str; 8] = [
    "inci",
    "name",
    "kind",
    "leave_on",
    "rinse_off",
    "source",
    "constituents",
    "lot",
];

fn substance<'i>(
    reader: &mut Reader<'i>,
    table: &DeTable<'i>,
    at: &Range<usize>,
    file: &str,
) -> Option<Substance> {
    reader.only(table, phrase!("A substance"), &KEYS);
    let inci = reader.get(table, "inci", Reader::line);
    let name = reader.get(table, "name", Reader::line);
    if table.get("inci").is_none() && table.get("name").is_none() {
        let remedy = phrase!(
            "Add, for example, inci = \"Lavandula Angustifolia Oil\", or the name that the \
                      formula has for it"
        );
        reader.report(
            at,
            phrase!("The substance has neither \"inci\" nor \"name\""),
            remedy,
        );
    }
    let kinds = reader.get(table, "kind", |r, v, k| kinds(r, v, k));
    let leave_on = reader.get(table, "leave_on", percent);
    let rinse_off = reader.get(table, "rinse_off", percent);
    let source = reader.get(table, "source", Reader::folded);
    let constituents = reader.get(table, "constituents", |r, v, _| constituents(r, v));
    let mut lots: Vec<LotOf> = Vec::new();
    for (table, at) in reader.list(table, "lot") {
        if let Some(lot) = lot(reader, table, &at) {
            if lots.iter().any(|other| same_lot(&other.lot, &lot.lot)) {
                let message = phrase!("Lot \"{lot}\" is there twice", lot = shown(&lot.lot));
                reader.report(&at, message, phrase!("Keep one of the two"));
            }
            lots.push(lot);
        }
    }
    let (line, column) = reader.place(at);
    (inci.is_some() || name.is_some()).then(|| Substance {
        inci,
        name,
        kinds: kinds.unwrap_or_default(),
        leave_on,
        rinse_off,
        source,
        constituents: constituents.unwrap_or_default(),
        lots,
        file: file.to_owned(),
        place: Place { line, column },
    })
}

/// One kind, or several in brackets.
fn kinds<'i>(reader: &mut Reader<'i>, value: &Value<'i>, key: &str) -> Option<Vec<Kind>> {
    match value.get_ref() {
        DeValue::Array(all) => {
            let mut one = |value| reader.choice(value, key, &Kind::WORDS);
            Some(all.iter().filter_map(&mut one).collect())
        }
        DeValue::String(_)
        | DeValue::Integer(_)
        | DeValue::Float(_)
        | DeValue::Boolean(_)
        | DeValue::Datetime(_)
        | DeValue::Table(_) => Some(vec![reader.choice(value, key, &Kind::WORDS)?]),
    }
}

fn lot<'i>(reader: &mut Reader<'i>, table: &DeTable<'i>, at: &Range<usize>) -> Option<LotOf> {
    reader.only(
        table,
        phrase!("A lot of a substance"),
        &["lot", "constituents"],
    );
    let lot = reader.required_line(table, at, phrase!("The lot"), "lot", "lot = \"LAV-2\"");
    let example = "constituents = { Linalool = 31.5 }";
    let value = reader.required(table, at, phrase!("The lot"), "constituents", example)?;
    let constituents = constituents(reader, value)?;
    lot.map(|lot| LotOf { lot, constituents })
}

/// Names with their percent of the substance. None at all (`{}`) would say nothing.
fn constituents<'i>(reader: &mut Reader<'i>, value: &Value<'i>) -> Option<Vec<Constituent>> {
    let table = reader.table(value, "constituents")?;
    let mut found: Vec<Constituent> = Vec::new();
    let mut all: Vec<_> = table.iter().collect();
    all.sort_by_key(|(key, _)| key.span().start);
    for (key, value) in all {
        let name = key.get_ref().trim();
        let what = shown(name);
        if folded(name).is_empty() || what.contains('\u{fffd}') {
            let message = phrase!("\"{what}\" is no name of a constituent", what);
            reader.report(
                &key.span(),
                message,
                phrase!("Write its INCI name, for example Linalool"),
            );
            continue;
        }
        if found.iter().any(|other| same_name(&other.name, name)) {
            let message = phrase!("\"{what}\" is among these constituents twice", what);
            reader.report(&key.span(), message, phrase!("Keep one of the two"));
            continue;
        }
        if let Some(share) = percent(reader, value, &what) {
            let name = name.to_owned();
            found.push(Constituent { name, share });
        }
    }
    let sum: i128 = found.iter().map(|one| i128::from(one.share.0)).sum();
    if table.is_empty() {
        let remedy = phrase!(
            "Write what the document gives, as {example}, or remove it",
            example = "{ Linalool = 38.0 }"
        );
        reader.report(
            &value.span(),
            phrase!("\"constituents\" names none"),
            remedy,
        );
    } else if sum > i128::from(Percent::HUNDRED.0) {
        let sum = super::shares::decimal_text(sum);
        let message = phrase!(
            "These constituents come to {sum} percent, more than 100",
            sum
        );
        let remedy = phrase!(
            "Where the document gives ranges, and their ends come to more, name those that a limit \
                      or a label needs"
        );
        reader.report(&value.span(), message, remedy);
    }
    Some(found)
}
