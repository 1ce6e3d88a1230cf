//! The fields of a formula as the lines of a file.

use super::{Amounts, Fields, IngredientFields, PhaseFields};

/// The keys of one table with their values, each as it stands in the file.
pub(super) type Entries = Vec<(&'static str, String)>;

/// A file that was written anew, and which field begins on which of its lines.
#[derive(Debug, Default)]
pub(super) struct Written {
    pub(super) text: String,
    places: Vec<(usize, String)>,
}

impl Written {
    /// The field on a line, from 1.
    pub(super) fn at(&self, line: usize) -> &str {
        let before = self.places.iter().rev().find(|(begin, _)| *begin <= line);
        before.map_or("", |(_, field)| field)
    }

    fn line(&self) -> usize {
        self.text.matches('\n').count() + 1
    }

    fn table(&mut self, head: &str, at: &str, entries: &Entries) {
        if !self.text.is_empty() {
            self.text.push('\n');
        }
        self.places.push((self.line(), at.to_owned()));
        self.text.push_str(head);
        self.text.push('\n');
        for (key, value) in entries {
            let field = match *key {
                "percent" | "parts" | "balance" => "amount",
                key => key,
            };
            let dot = if at.is_empty() { "" } else { "." };
            self.places.push((self.line(), format!("{at}{dot}{field}")));
            self.text.push_str(&format!("{key} = {value}\n"));
        }
    }
}

impl Fields {
    /// As a file of its own.
    pub(super) fn written(&self) -> Written {
        let mut out = Written::default();
        out.table("[formula]", "", &self.head());
        for (i, phase) in self.phases.iter().enumerate() {
            let at = format!("phases.{i}");
            out.table("[[phase]]", &at, &phase.entries());
            for (j, one) in phase.ingredients.iter().enumerate() {
                let at = format!("{at}.ingredients.{j}");
                out.table("[[phase.ingredient]]", &at, &one.entries(self.in_parts));
            }
        }
        out
    }

    /// As the text of a new file.
    pub fn to_toml(&self) -> String {
        self.written().text
    }

    pub(super) fn head(&self) -> Entries {
        filled([
            ("name", text(&self.name)),
            ("version", text(&self.version)),
            ("use", text(&self.intended)),
            ("notes", text(&self.notes)),
        ])
    }
}

impl PhaseFields {
    pub(super) fn entries(&self) -> Entries {
        filled([("name", text(&self.name)), ("mix", text(&self.mix))])
    }
}

impl IngredientFields {
    pub(super) fn entries(&self, in_parts: bool) -> Entries {
        let share = match (self.balance, in_parts) {
            (true, _) => ("balance", Some("true".to_owned())),
            (false, true) => ("parts", amount(&self.amount)),
            (false, false) => ("percent", amount(&self.amount)),
        };
        let limits = table([("min", amount(&self.min)), ("max", amount(&self.max))]);
        filled([
            ("name", text(&self.name)),
            ("inci", text(&self.inci)),
            share,
            ("tolerance", tolerance(&self.under, &self.over)),
            ("limits", limits),
            ("vessel", text(&self.vessel)),
            ("lot_required", self.lot_required.then(|| "true".to_owned())),
            ("premix", text(&self.premix)),
            ("caution", text(&self.caution)),
        ])
    }
}

fn filled<const N: usize>(entries: [(&'static str, Option<String>); N]) -> Entries {
    let some = |(key, value): (&'static str, Option<String>)| Some((key, value?));
    entries.into_iter().filter_map(some).collect()
}

fn tolerance(under: &Amounts, over: &Amounts) -> Option<String> {
    let side = |side: &Amounts| [("percent", amount(&side.percent)), ("g", amount(&side.g))];
    match under == over {
        true => table(side(under)),
        false => table([("under", table(side(under))), ("over", table(side(over)))]),
    }
}

fn table<const N: usize>(entries: [(&'static str, Option<String>); N]) -> Option<String> {
    let lines: Vec<String> = filled(entries)
        .into_iter()
        .map(|(key, value)| format!("{key} = {value}"))
        .collect();
    (!lines.is_empty()).then(|| format!("{{ {} }}", lines.join(", ")))
}

/// A number bare where it is plain; what is none in quotes, so that the reader of the file says what is wrong.
fn amount(number: &str) -> Option<String> {
    let (whole, part) = number.split_once('.').unwrap_or((number, "0"));
    let digits = |text: &str| !text.is_empty() && text.bytes().all(|b| b.is_ascii_digit());
    let is_plain = digits(whole) && digits(part) && (whole == "0" || !whole.starts_with('0'));
    match is_plain {
        true => Some(number.to_owned()),
        false => text(number),
    }
}

/// A text in quotes, over several lines where it has some; nothing for an empty one.
pub(super) fn text(text: &str) -> Option<String> {
    if text.is_empty() {
        return None;
    }
    let mut out = String::with_capacity(text.len() + 8);
    let long = text.contains('\n');
    for c in text.chars() {
        match c {
            '"' => out.push_str("\\\""),
            '\\' => out.push_str("\\\\"),
            '\n' => out.push('\n'),
            '\t' => out.push_str("\\t"),
            c if c.is_control() => out.push_str(&format!("\\u{:04X}", u32::from(c))),
            c => out.push(c),
        }
    }
    Some(match long {
        true => format!("\"\"\"\n{out}\n\"\"\""),
        false => format!("\"{out}\""),
    })
}
