//! The formula file: TOML in, [`Formula`] or the list of everything that is wrong out.
//!
//! Tolerances: `tolerance = { percent = 1.0 }` and/or `{ g = 0.05 }` hold for both sides; with both
//! the wider holds. `under` and `over` replace the whole of their side: either a table of the same
//! kind (`over = { g = 0.02 }`) or a plain number in the one unit that stands beside it
//! (`{ percent = 1.0, over = 2.0 }` means 2 %). A side that is left without an amount takes
//! [`Tolerance::DEFAULT_PERCENT`].

use std::collections::HashMap;
use std::ops::Range;
use std::path::Path;

use super::{
    Deviation, Formula, Ingredient, Limits, Percent, Phase, Place, Share, Tolerance, VesselWay,
};
use crate::document::{DeTable, DeValue, Form, Reader, Value, read_text, shown};
use crate::mass::Mass;
use crate::problem::{Problem, Problems};

const VESSELS: [(&str, VesselWay); 3] = [
    (VesselWay::Beaker.name(), VesselWay::Beaker),
    (VesselWay::Bowl.name(), VesselWay::Bowl),
    (VesselWay::Difference.name(), VesselWay::Difference),
];

impl Formula {
    /// Reads a formula file.
    ///
    /// # Errors
    /// Everything that is wrong with it, each with its place; or why it cannot be read.
    pub fn read(path: &Path) -> Result<Formula, Problems> {
        Formula::parse(&read_text(path)?, &path.display().to_string())
    }

    /// Reads a formula from its text; `name` stands for the file in messages. A byte order mark and
    /// CR LF line ends are accepted.
    ///
    /// # Errors
    /// Everything that is wrong with it, each with its place.
    pub fn parse(text: &str, name: &str) -> Result<Formula, Problems> {
        let (mut reader, root) = Reader::parse(text, name)?;
        let draft = document(&mut reader, &root);
        if let Some(draft) = &draft {
            sum(&mut reader, draft);
        }
        match draft {
            Some(draft) if reader.clean() => Ok(Formula {
                name: draft.name,
                version: draft.version,
                notes: draft.notes,
                phases: draft.phases.into_iter().map(|(phase, _)| phase).collect(),
                text: text.to_owned(),
            }),
            Some(_) | None => Err(reader.into_problems()),
        }
    }

    /// The share of each ingredient in the order of weighing, the balance worked out.
    pub fn shares(&self) -> Vec<Percent> {
        let named = |i: &Ingredient| match i.share {
            Share::Percent(percent) => percent.0,
            Share::Balance => 0,
        };
        let rest = Percent::HUNDRED.0 - self.ingredients().map(named).sum::<i64>();
        self.ingredients()
            .map(|i| match i.share {
                Share::Percent(percent) => percent,
                Share::Balance => Percent(rest),
            })
            .collect()
    }

    /// All ingredients in the order of weighing.
    pub fn ingredients(&self) -> impl Iterator<Item = &Ingredient> {
        self.phases.iter().flat_map(|phase| &phase.ingredients)
    }

    /// What is allowed but worth a second look: an ingredient that stands in more than one phase.
    pub fn warnings(&self, name: &str) -> Vec<Problem> {
        let mut first = HashMap::new();
        let mut warnings = Vec::new();
        for ingredient in self.ingredients() {
            let key = ingredient.name.to_lowercase();
            let earlier = *first.entry(key).or_insert(ingredient.place);
            if earlier != ingredient.place {
                warnings.push(Problem {
                    path: name.to_owned(),
                    line: ingredient.place.line,
                    column: ingredient.place.column,
                    message: format!(
                        "\"{}\" is weighed twice, first at line {}",
                        ingredient.name, earlier.line
                    ),
                    remedy: "Nothing to do if that is meant; else give each step its own name"
                        .to_owned(),
                });
            }
        }
        warnings
    }
}

impl Percent {
    /// The percentage as text, without needless zeros: `12.5`.
    pub fn text(self) -> String {
        decimal_text(i128::from(self.0))
    }
}

/// A count of 10⁻⁹ as decimal text.
fn decimal_text(n: i128) -> String {
    let (sign, n) = (if n < 0 { "-" } else { "" }, n.unsigned_abs());
    let (whole, part) = (n / 1_000_000_000, n % 1_000_000_000);
    let part = format!("{part:09}");
    let part = part.trim_end_matches('0');
    let point = if part.is_empty() { "" } else { "." };
    format!("{sign}{whole}{point}{part}")
}

/// A formula while it is read, with the places its checks need.
struct Draft {
    name: String,
    version: String,
    notes: String,
    phases: Vec<(Phase, Vec<Option<Range<usize>>>)>,
    /// Whether every ingredient was read, so that the sum means something.
    whole: bool,
}

fn document<'i>(reader: &mut Reader<'i>, root: &DeTable<'i>) -> Option<Draft> {
    reader.only(root, "A formula file", &["formula", "phase"]);
    let start = 0..0;
    let head = reader
        .required(
            root,
            &start,
            "The file",
            "formula",
            "a line [formula] and under it name = \"...\"",
        )
        .and_then(|value| Some((reader.table(value, "formula")?, value.span())));
    let (mut name, mut version, mut notes) = (None, String::new(), String::new());
    if let Some((table, at)) = head {
        reader.only(table, "[formula]", &["name", "version", "notes"]);
        name = reader
            .required(
                table,
                &at,
                "[formula]",
                "name",
                "name = \"Tideline bath salts\"",
            )
            .and_then(|value| reader.text(value, "name", Form::Line));
        version = table
            .get("version")
            .and_then(|v| version_text(reader, v))
            .unwrap_or_default();
        notes = table
            .get("notes")
            .and_then(|v| reader.text(v, "notes", Form::Paragraphs))
            .unwrap_or_default();
    }
    let name = name.unwrap_or_default();
    let mut draft = Draft {
        name,
        version,
        notes,
        phases: Vec::new(),
        whole: true,
    };
    let listed = reader.required(root, &start, "The file", "phase", "a line [[phase]]")?;
    let tables = reader.tables(listed, "phase");
    if tables.is_empty() && reader.clean() {
        reader.report(
            &listed.span(),
            "The formula has no phase",
            "Add one, begun by [[phase]]",
        );
    }
    draft.whole = !tables.is_empty();
    for (table, at) in tables {
        phase(reader, table, &at, &mut draft);
    }
    Some(draft)
}

/// A version may be a text or a number; a number is taken as written, so that 1.10 is not 1.1.
fn version_text<'i>(reader: &mut Reader<'i>, value: &Value<'i>) -> Option<String> {
    match value.get_ref() {
        DeValue::Integer(_) | DeValue::Float(_) | DeValue::Datetime(_) => {
            Some(reader.source(&value.span()).to_owned())
        }
        DeValue::String(_) | DeValue::Boolean(_) | DeValue::Array(_) | DeValue::Table(_) => {
            reader.text(value, "version", Form::Line)
        }
    }
}

fn phase<'i>(reader: &mut Reader<'i>, table: &DeTable<'i>, at: &Range<usize>, draft: &mut Draft) {
    let number = draft.phases.len() + 1;
    let what = format!("Phase {number}");
    reader.only(table, &what, &["name", "mix", "ingredient"]);
    let name = match table.get("name") {
        Some(value) => reader.text(value, "name", Form::Line),
        None => Some(what.clone()),
    };
    let mix = table
        .get("mix")
        .and_then(|value| reader.text(value, "mix", Form::Folded));
    let mut ingredients = Vec::new();
    let mut places = Vec::new();
    let mut listed = 0;
    let value = reader.required(
        table,
        at,
        &what,
        "ingredient",
        "a line [[phase.ingredient]] under it",
    );
    if let Some(value) = value {
        let tables = reader.tables(value, "phase.ingredient");
        listed = tables.len();
        for (table, at) in tables {
            match ingredient(reader, table, &at) {
                Some((one, place)) => {
                    twice(reader, &one, &ingredients, &at);
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
            format!("{what} has no ingredient"),
            "Add one or remove the phase",
        );
    }
    let phase = Phase {
        name: name.unwrap_or(what),
        mix,
        ingredients,
    };
    draft.phases.push((phase, places));
}

/// The same ingredient twice within one phase is a slip of the pen more often than not.
fn twice(reader: &mut Reader, one: &Ingredient, before: &[Ingredient], at: &Range<usize>) {
    let same = |other: &&Ingredient| other.name.to_lowercase() == one.name.to_lowercase();
    if let Some(other) = before.iter().find(same) {
        let message = format!(
            "\"{}\" is in this phase already, at line {}",
            shown(&one.name),
            other.place.line
        );
        reader.report(
            at,
            message,
            "Add the two amounts up, or name the steps apart",
        );
    }
}

type Read = (Ingredient, Option<Range<usize>>);

fn ingredient<'i>(reader: &mut Reader<'i>, table: &DeTable<'i>, at: &Range<usize>) -> Option<Read> {
    let name = reader
        .required(table, at, "The ingredient", "name", "name = \"Sea salt\"")
        .and_then(|value| reader.text(value, "name", Form::Line));
    let what = match &name {
        Some(name) => format!("\"{}\"", shown(name)),
        None => "The ingredient".to_owned(),
    };
    reader.only(
        table,
        &what,
        &[
            "name",
            "inci",
            "percent",
            "balance",
            "tolerance",
            "limits",
            "vessel",
            "caution",
            "lot_required",
        ],
    );
    let share = share(reader, table, at, &what);
    let inci = table
        .get("inci")
        .and_then(|v| reader.text(v, "inci", Form::Line));
    let tolerance = table.get("tolerance").and_then(|v| tolerance(reader, v));
    let limits = table.get("limits").and_then(|v| limits(reader, v));
    let vessel = table
        .get("vessel")
        .and_then(|v| reader.choice(v, "vessel", &VESSELS));
    let caution = table
        .get("caution")
        .and_then(|v| reader.text(v, "caution", Form::Folded));
    let lot = table
        .get("lot_required")
        .and_then(|v| reader.boolean(v, "lot_required"));
    let (line, column) = reader.place(at);
    let (share, share_at) = share?;
    let limits = limits.unwrap_or_default();
    if let (Share::Percent(percent), Some(at)) = (share, &share_at) {
        within_limits(reader, &what, percent, limits, at);
    }
    let ingredient = Ingredient {
        name: name?,
        inci,
        share,
        tolerance: tolerance.unwrap_or_default(),
        limits,
        vessel: vessel.unwrap_or_default(),
        caution,
        lot_required: lot.unwrap_or(false),
        place: Place { line, column },
    };
    Some((ingredient, share_at))
}

fn share<'i>(
    reader: &mut Reader<'i>,
    table: &DeTable<'i>,
    at: &Range<usize>,
    what: &str,
) -> Option<(Share, Option<Range<usize>>)> {
    let balance = match table.get("balance") {
        Some(value) => Some((reader.boolean(value, "balance")?, value.span())),
        None => None,
    };
    match (table.get("percent"), balance) {
        (Some(_), Some((true, span))) => {
            let message = format!("{what} has both a percent and the balance");
            reader.report(&span, message, "Keep one of the two");
            None
        }
        (Some(value), Some((false, _)) | None) => {
            let percent = percent(reader, value, "percent")?;
            if percent.0 == 0 {
                let message = format!("{what} has 0 percent");
                reader.report(&value.span(), message, "Give it a share or remove it");
                return None;
            }
            Some((Share::Percent(percent), Some(value.span())))
        }
        (None, Some((true, span))) => Some((Share::Balance, Some(span))),
        (None, Some((false, _)) | None) => {
            let message = format!("{what} has no \"percent\"");
            reader.report(
                at,
                message,
                "Add percent = 12.5, or balance = true for the rest",
            );
            None
        }
    }
}

/// A percentage from 0 to 100 with at most nine decimals.
fn percent<'i>(reader: &mut Reader<'i>, value: &Value<'i>, key: &str) -> Option<Percent> {
    let decimal = reader.decimal(value, key)?;
    let scale = 9u32.checked_sub(u32::from(decimal.decimals));
    let Some(scale) = scale else {
        let message = format!("\"{key}\" has {} decimals", decimal.decimals);
        reader.report(&value.span(), message, "Write at most nine");
        return None;
    };
    let n = i128::from(decimal.digits) * 10i128.pow(scale);
    if n > i128::from(Percent::HUNDRED.0) {
        let message = format!("\"{key}\" is {}, more than 100", decimal_text(n));
        reader.report(
            &value.span(),
            message,
            "Write a share of at most 100 percent",
        );
        return None;
    }
    i64::try_from(n).ok().map(Percent)
}

fn limits<'i>(reader: &mut Reader<'i>, value: &Value<'i>) -> Option<Limits> {
    let table = reader.table(value, "limits")?;
    reader.only(table, "\"limits\"", &["min", "max"]);
    let mut side = |key| table.get(key).and_then(|v| percent(reader, v, key));
    let limits = Limits {
        min: side("min"),
        max: side("max"),
    };
    if let (Some(min), Some(max)) = (limits.min, limits.max)
        && min > max
    {
        let message = format!(
            "The least share {} is above the greatest {}",
            min.text(),
            max.text()
        );
        reader.report(&value.span(), message, "Exchange min and max");
        return None;
    }
    Some(limits)
}

fn within_limits(
    reader: &mut Reader,
    what: &str,
    percent: Percent,
    limits: Limits,
    at: &Range<usize>,
) {
    let (bound, word) = match limits {
        Limits { min: Some(min), .. } if percent < min => (min, "below its least share"),
        Limits { max: Some(max), .. } if percent > max => (max, "above its greatest share"),
        Limits { .. } => return,
    };
    let message = format!(
        "{what} has {} %, {word} of {} %",
        percent.text(),
        bound.text()
    );
    reader.report(
        at,
        message,
        "Correct the percent, or the limits if they are wrong",
    );
}

fn tolerance<'i>(reader: &mut Reader<'i>, value: &Value<'i>) -> Option<Tolerance> {
    if let DeValue::Integer(_) | DeValue::Float(_) = value.get_ref() {
        let message = "\"tolerance\" does not say whether it means percent or grams";
        reader.report(
            &value.span(),
            message,
            "Write { percent = 1.0 } or { g = 0.05 }",
        );
        return None;
    }
    let table = reader.table(value, "tolerance")?;
    reader.only(table, "\"tolerance\"", &["percent", "g", "under", "over"]);
    let both = amounts(reader, table);
    let mut side = |key: &str| match table.get(key) {
        Some(value) => deviation(reader, value, key, both),
        None => Some(both),
    };
    let (under, over) = (side("under")?, side("over")?);
    let none = |side: Deviation| {
        let zero = |p: Option<Percent>| p.is_none_or(|p| p.0 == 0);
        side != Deviation::default()
            && zero(side.percent)
            && side.mass.is_none_or(|m| m == Mass::ZERO)
    };
    if table.is_empty() {
        let remedy = "Write for example { percent = 1.0 }, or remove it";
        reader.report(&value.span(), "\"tolerance\" names no amount", remedy);
    } else if none(under) && none(over) {
        let message = "A tolerance of nothing either way cannot be met";
        reader.report(
            &value.span(),
            message,
            "Allow some deviation, as { percent = 1.0 }",
        );
    } else if under.percent.is_some_and(|p| p >= Percent::HUNDRED) {
        let message = "A tolerance of 100 % under allows an empty vessel";
        reader.report(&value.span(), message, "Write a smaller percentage");
    }
    Some(Tolerance { under, over })
}

fn amounts<'i>(reader: &mut Reader<'i>, table: &DeTable<'i>) -> Deviation {
    Deviation {
        percent: table
            .get("percent")
            .and_then(|v| percent(reader, v, "percent")),
        mass: table.get("g").and_then(|v| reader.grams(v, "g")),
    }
}

fn deviation<'i>(
    reader: &mut Reader<'i>,
    value: &Value<'i>,
    key: &str,
    beside: Deviation,
) -> Option<Deviation> {
    if let Some(table) = value.get_ref().as_table() {
        reader.only(table, &format!("\"{key}\""), &["percent", "g"]);
        let side = amounts(reader, table);
        if table.is_empty() {
            let remedy = "Write for example { percent = 1.0 }, or remove it";
            reader.report(&value.span(), format!("\"{key}\" names no amount"), remedy);
        }
        return Some(side);
    }
    match (beside.percent, beside.mass) {
        (Some(_), None) => {
            let percent = Some(percent(reader, value, key)?);
            Some(Deviation {
                percent,
                mass: None,
            })
        }
        (None, Some(_)) => {
            let mass = Some(reader.grams(value, key)?);
            Some(Deviation {
                percent: None,
                mass,
            })
        }
        (Some(_), Some(_)) | (None, None) => {
            let message = format!("\"{key}\" does not say whether it means percent or grams");
            let remedy = format!("Write {key} = {{ percent = 1.0 }} or {key} = {{ g = 0.05 }}");
            reader.report(&value.span(), message, remedy);
            None
        }
    }
}

/// Checks that the shares make 100 exactly. The place named is where the running sum goes past 100,
/// or else the last share.
fn sum(reader: &mut Reader, draft: &Draft) {
    if !draft.whole {
        return;
    }
    let hundred = i128::from(Percent::HUNDRED.0);
    let mut total: i128 = 0;
    let (mut at, mut past) = (0..0, None);
    let mut balance: Option<(&Ingredient, Range<usize>)> = None;
    for (phase, places) in &draft.phases {
        for (ingredient, place) in phase.ingredients.iter().zip(places) {
            let place = place.clone().unwrap_or(0..0);
            at = place.clone();
            match ingredient.share {
                Share::Percent(percent) => total += i128::from(percent.0),
                Share::Balance if balance.is_some() => {
                    let message = format!("\"{}\" is a second balance", shown(&ingredient.name));
                    reader.report(
                        &place,
                        message,
                        "Give it a percent; one balance takes the rest",
                    );
                }
                Share::Balance => balance = Some((ingredient, place.clone())),
            }
            if total > hundred && past.is_none() {
                past = Some(place);
            }
        }
    }
    let text = decimal_text(total);
    if total > hundred {
        let message = format!(
            "The percents sum to {text}, {} too much",
            decimal_text(total - hundred)
        );
        reader.report(
            &past.unwrap_or(at),
            message,
            "Lower one or more so that they make 100",
        );
    } else if let Some((ingredient, place)) = balance {
        let rest = Percent((hundred - total) as i64);
        if rest.0 == 0 {
            let message = format!("The percents sum to {text}, so nothing is left for the balance");
            reader.report(&place, message, "Lower one or more, or remove the balance");
        } else {
            let what = format!("The balance \"{}\"", shown(&ingredient.name));
            within_limits(reader, &what, rest, ingredient.limits, &place);
        }
    } else if total < hundred {
        let missing = decimal_text(hundred - total);
        let message = format!("The percents sum to {text}, {missing} short of 100");
        let remedy = "Raise one or more, or give one ingredient balance = true instead of percent";
        reader.report(&at, message, remedy);
    }
}
