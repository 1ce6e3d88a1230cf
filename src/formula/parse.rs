//! The formula file: TOML in, [`Formula`] or the list of everything that is wrong out.
//!
//! Tolerances: `tolerance = { percent = 1.0 }` and/or `{ g = 0.05 }` hold for both sides; with both
//! the wider holds. `under` and `over` replace the whole of their side: either a table of the same
//! kind (`over = { g = 0.02 }`) or a plain number in the one unit that stands beside it
//! (`{ percent = 1.0, over = 2.0 }` means 2 %). A side that is left without an amount takes
//! [`super::Tolerance::DEFAULT_PERCENT`].
//!
//! `parts = 3` in place of a percent for every ingredient: see `parts.rs`. `premix = "Scent blend"`
//! says that the ingredient is a batch of the formula of that name; it then has its lot always. `use` under
//! `[formula]` says which of the maker's limits hold; `[[substance]]` tables are as in her list
//! ([`super::substances`]); `[label]` is what the label says that no weighing tells ([`Labelling`]).

use std::collections::HashMap;
use std::collections::hash_map::Entry;
use std::ops::Range;

use super::parts::{Parts, parts, to_percents};
use super::shares::sum;
use super::substances::{Substance, substances};
use super::tolerance::{limits, percent, tolerance, within_limits};
use super::{Formula, Ingredient, Labelling, Percent, Phase, Place, Share, Use, VesselWay};
use crate::document::{DeTable, DeValue, Form, Reader, Value, shown};
use crate::language::{Sentence, phrase};
use crate::problem::Problems;
use crate::text::alike::folded;

const VESSELS: [(&str, VesselWay); 3] = [
    (VesselWay::Beaker.name(), VesselWay::Beaker),
    (VesselWay::Bowl.name(), VesselWay::Bowl),
    (VesselWay::Difference.name(), VesselWay::Difference),
];

const USES: [(&str, Use); 3] = [
    ("leave-on", Use::LeaveOn),
    ("rinse-off", Use::RinseOff),
    ("premix", Use::Premix),
];

impl Formula {
    /// Reads a formula from its text; `name` stands for the file in messages. A byte order mark and
    /// CR LF line ends are accepted.
    ///
    /// ```
    /// use bismar_core::formula::Formula;
    ///
    /// let text = r#"
    /// [formula]
    /// name = "Tideline balm"
    /// [[phase]]
    /// name = "Melt"
    /// [[phase.ingredient]]
    /// name = "Wax"
    /// percent = 20
    /// [[phase.ingredient]]
    /// name = "Oil"
    /// percent = 79
    /// "#;
    /// let problems = Formula::parse(text, "balm.toml").unwrap_err();
    /// // One percent is missing, and the message says where and what to do.
    /// assert!(problems.to_string().starts_with("balm.toml:"), "{problems}");
    /// let formula = Formula::parse(&text.replace("79", "80"), "balm.toml")?;
    /// assert_eq!(formula.phases[0].ingredients.len(), 2);
    /// # Ok::<(), bismar_core::problem::Problems>(())
    /// ```
    ///
    /// # Errors
    /// Everything that is wrong with it, each with its place.
    pub fn parse(text: &str, name: &str) -> Result<Formula, Problems> {
        let (mut reader, root) = Reader::parse(text, name)?;
        let mut draft = document(&mut reader, &root, name);
        if let Some(draft) = &mut draft {
            to_percents(&mut reader, draft);
            sum(&mut reader, draft);
        }
        match draft {
            Some(draft) if reader.clean() => Ok(Formula {
                name: draft.name,
                version: draft.version,
                notes: draft.notes,
                intended: draft.intended,
                substances: draft.substances,
                labelling: draft.labelling,
                phases: draft.phases.into_iter().map(|(phase, _)| phase).collect(),
                text: text.to_owned(),
            }),
            Some(_) | None => Err(reader.into_problems()),
        }
    }
}

/// A formula while it is read, with the places its checks need.
pub(super) struct Draft {
    name: String,
    version: String,
    notes: String,
    intended: Use,
    substances: Vec<Substance>,
    labelling: Labelling,
    pub(super) phases: Vec<(Phase, Vec<Mark>)>,
    /// Whether every ingredient was read, so that the sum means something.
    pub(super) whole: bool,
}

/// What is kept of an ingredient's share until all are read.
pub(super) struct Mark {
    /// Where the share stands.
    pub(super) at: Option<Range<usize>>,
    /// Its parts; its share is worked out when those of all are known.
    pub(super) parts: Option<Parts>,
}

fn document<'i>(reader: &mut Reader<'i>, root: &DeTable<'i>, file: &str) -> Option<Draft> {
    reader.only(
        root,
        phrase!("A formula file"),
        &["formula", "phase", "substance", "label"],
    );
    let start = 0..0;
    let head = reader
        .required(
            root,
            &start,
            phrase!("The file"),
            "formula",
            phrase!("a line [formula] and under it name = \"...\""),
        )
        .and_then(|value| Some((reader.table(value, "formula")?, value.span())));
    let (mut name, mut version, mut notes) = (None, String::new(), String::new());
    let mut intended = Use::default();
    if let Some((table, at)) = head {
        reader.only(table, "[formula]", &["name", "version", "notes", "use"]);
        name = reader.required_line(
            table,
            &at,
            "[formula]",
            "name",
            "name = \"Tideline bath salts\"",
        );
        version = reader
            .get(table, "version", |r, v, _| version_text(r, v))
            .unwrap_or_default();
        notes = reader
            .get(table, "notes", |r, v, k| r.text(v, k, Form::Paragraphs))
            .unwrap_or_default();
        intended = reader
            .get(table, "use", |r, v, k| r.choice(v, k, &USES))
            .unwrap_or_default();
    }
    let name = name.unwrap_or_default();
    let mut draft = Draft {
        name,
        version,
        notes,
        intended,
        substances: Vec::new(),
        labelling: Labelling::default(),
        phases: Vec::new(),
        whole: true,
    };
    draft.substances = substances(reader, root, file);
    draft.labelling = reader
        .get(root, "label", Reader::table)
        .map_or_else(Labelling::default, |table| labelling(reader, table));
    let listed = reader.required(
        root,
        &start,
        phrase!("The file"),
        "phase",
        phrase!("a line [[phase]]"),
    )?;
    let tables = reader.tables(listed, "phase");
    if tables.is_empty() && reader.clean() {
        reader.report(
            &listed.span(),
            phrase!("The formula has no phase"),
            phrase!("Add one, begun by [[phase]]"),
        );
    }
    draft.whole = !tables.is_empty();
    for (table, at) in tables {
        phase(reader, table, &at, &mut draft);
    }
    Some(draft)
}

fn labelling<'i>(reader: &mut Reader<'i>, table: &DeTable<'i>) -> Labelling {
    const MONTHS: Range<u32> = 1..121;
    let keys = [
        "function",
        "precautions",
        "keeps_months",
        "after_opening_months",
    ];
    reader.only(table, "[label]", &keys);
    let mut text = |key: &str| reader.get(table, key, Reader::folded);
    let (function, precautions) = (text("function"), text("precautions"));
    let mut months = |key: &str| reader.get(table, key, |r, v, k| r.whole(v, k, MONTHS));
    Labelling {
        function,
        precautions,
        keeps_months: months("keeps_months"),
        after_opening_months: months("after_opening_months"),
    }
}

/// A version may be a text or a number; a number is taken as written, so that 1.10 is not 1.1.
fn version_text<'i>(reader: &mut Reader<'i>, value: &Value<'i>) -> Option<String> {
    match value.get_ref() {
        DeValue::Integer(_) | DeValue::Float(_) | DeValue::Datetime(_) => {
            Some(reader.source(&value.span()).to_owned())
        }
        DeValue::String(_) | DeValue::Boolean(_) | DeValue::Array(_) | DeValue::Table(_) => {
            reader.line(value, "version")
        }
    }
}

fn phase<'i>(reader: &mut Reader<'i>, table: &DeTable<'i>, at: &Range<usize>, draft: &mut Draft) {
    let number = draft.phases.len() + 1;
    let what = phrase!("Phase {number}", number);
    let unnamed = format!("Phase {number}");
    reader.only(table, what.clone(), &["name", "mix", "ingredient"]);
    let name = match table.get("name") {
        Some(value) => reader.line(value, "name"),
        None => Some(unnamed.clone()),
    };
    let mix = reader.get(table, "mix", Reader::folded);
    let mut ingredients = Vec::new();
    let mut places = Vec::new();
    let mut listed = 0;
    let mut lines = HashMap::new();
    let value = reader.required(
        table,
        at,
        what.clone(),
        "ingredient",
        phrase!("a line [[phase.ingredient]] under it"),
    );
    if let Some(value) = value {
        let tables = reader.tables(value, "phase.ingredient");
        listed = tables.len();
        for (table, at) in tables {
            match ingredient(reader, table, &at, &draft.name) {
                Some((one, place)) => {
                    twice(reader, &one, &mut lines, &at);
                    ingredients.push(one);
                    places.push(place);
                }
                None => draft.whole = false,
            }
        }
    }
    draft.whole &= listed > 0;
    if listed == 0 && value.is_some_and(|v| v.get_ref().as_array().is_some()) {
        reader.report(
            at,
            phrase!("{what} has no ingredient", what),
            phrase!("Add one or remove the phase"),
        );
    }
    let phase = Phase {
        name: name.unwrap_or(unnamed),
        mix,
        ingredients,
    };
    draft.phases.push((phase, places));
}

/// The same ingredient twice within one phase is a slip of the pen more often than not.
/// `lines`: where each name stands first.
fn twice(
    reader: &mut Reader,
    one: &Ingredient,
    lines: &mut HashMap<String, usize>,
    at: &Range<usize>,
) {
    match lines.entry(folded(&one.name).into_owned()) {
        Entry::Occupied(first) => {
            let message = already(&one.name, *first.get(), false);
            let remedy = phrase!("Add the two amounts up, or name the steps apart");
            reader.report(at, message, remedy);
        }
        Entry::Vacant(first) => {
            first.insert(one.place.line);
        }
    }
}

/// Says that a name stands a second time in a phase or list.
pub(super) fn already(name: &str, line: usize, list: bool) -> Sentence {
    let name = shown(name);
    let in_file = phrase!(", at line {line}", line);
    match list {
        true => phrase!("\"{name}\" is in this list already{in_file}", name, in_file),
        false => phrase!(
            "\"{name}\" is in this phase already{in_file}",
            name,
            in_file
        ),
    }
}

fn ingredient<'i>(
    reader: &mut Reader<'i>,
    table: &DeTable<'i>,
    at: &Range<usize>,
    formula: &str,
) -> Option<(Ingredient, Mark)> {
    let name = reader.required_line(
        table,
        at,
        phrase!("The ingredient"),
        "name",
        "name = \"Sea salt\"",
    );
    let what = match &name {
        Some(name) => phrase!("\"{name}\"", name = shown(name)),
        None => phrase!("The ingredient"),
    };
    reader.only(
        table,
        what.clone(),
        &[
            "name",
            "inci",
            "percent",
            "balance",
            "parts",
            "tolerance",
            "limits",
            "vessel",
            "caution",
            "lot_required",
            "premix",
        ],
    );
    let share = share(reader, table, at, &what);
    let inci = reader.get(table, "inci", Reader::line);
    let tolerance = reader.get(table, "tolerance", |r, v, _| tolerance(r, v));
    let limits = reader.get(table, "limits", |r, v, _| limits(r, v));
    let vessel = reader.get(table, "vessel", |r, v, k| r.choice(v, k, &VESSELS));
    let caution = reader.get(table, "caution", Reader::folded);
    let lot = reader.get(table, "lot_required", Reader::boolean);
    let premix = premix(reader, table, formula, &what);
    if let (Some(false), Some(_), Some(value)) = (lot, &premix, table.get("lot_required")) {
        let message = phrase!(
            "{what} is a premix, and its batch is its lot",
            what = what.clone()
        );
        reader.report(
            &value.span(),
            message,
            phrase!("Remove lot_required = false"),
        );
    }
    let (line, column) = reader.place(at);
    let (share, mark) = share?;
    let limits = limits.unwrap_or_default();
    let ingredient = Ingredient {
        name: name?,
        inci,
        share,
        tolerance: tolerance.unwrap_or_default(),
        limits,
        vessel: vessel.unwrap_or_default(),
        caution,
        lot_required: lot.unwrap_or(false) || premix.is_some(),
        premix,
        place: Place { line, column },
    };
    if let (Share::Percent(percent), Some(at), None) = (share, &mark.at, mark.parts) {
        within_limits(reader, what, percent, &ingredient, at);
    }
    Some((ingredient, mark))
}

/// The name of the premix's formula.
fn premix<'i>(
    reader: &mut Reader<'i>,
    table: &DeTable<'i>,
    formula: &str,
    what: &Sentence,
) -> Option<String> {
    let value = table.get("premix")?;
    let name = reader.line(value, "premix")?;
    if !name.is_empty() && name == formula {
        let message = phrase!(
            "{what} would be a premix of this very formula",
            what = what.clone()
        );
        reader.report(
            &value.span(),
            message,
            phrase!(
                "Name the formula of the premix{or_in_file}",
                or_in_file = phrase!(", or remove the key")
            ),
        );
        return None;
    }
    Some(name)
}

fn share<'i>(
    reader: &mut Reader<'i>,
    table: &DeTable<'i>,
    at: &Range<usize>,
    what: &Sentence,
) -> Option<(Share, Mark)> {
    let balance = match table.get("balance") {
        Some(value) => Some((reader.boolean(value, "balance")?, value.span())),
        None => None,
    };
    let balance = balance.filter(|(is, _)| *is).map(|(_, span)| span);
    let marked = |at, parts| Mark {
        at: Some(at),
        parts,
    };
    match (table.get("percent"), table.get("parts"), balance) {
        (Some(_), None, Some(span)) => {
            let message = phrase!(
                "{what} has both a percent and the balance",
                what = what.clone()
            );
            reader.report(&span, message, phrase!("Keep one of the two"));
            None
        }
        (Some(_), Some(value), _) => {
            let message = phrase!("{what} has both a percent and parts", what = what.clone());
            reader.report(&value.span(), message, phrase!("Keep one of the two"));
            None
        }
        (None, Some(value), Some(_)) => {
            let message = phrase!("{what} has both parts and the balance", what = what.clone());
            reader.report(&value.span(), message, phrase!("Keep one of the two"));
            None
        }
        (None, Some(value), None) => {
            let parts = parts(reader, value, what)?;
            let mark = marked(value.span(), Some(parts));
            Some((Share::Percent(Percent(0)), mark))
        }
        (Some(value), None, None) => {
            let percent = percent(reader, value, "percent")?;
            if percent.0 == 0 {
                let message = phrase!("{what} has 0 percent", what = what.clone());
                reader.report(
                    &value.span(),
                    message,
                    phrase!("Give it a share or remove it"),
                );
                return None;
            }
            Some((Share::Percent(percent), marked(value.span(), None)))
        }
        (None, None, Some(span)) => Some((Share::Balance, marked(span, None))),
        (None, None, None) => {
            let message = phrase!("{what} has no \"percent\"", what = what.clone());
            reader.report(
                at,
                message,
                phrase!("Add percent = 12.5, or balance = true for the rest"),
            );
            None
        }
    }
}
