//! Words about a file, as they are said of a form: at its fields, by the labels that stand there, in her own signs.

use super::Fields;
use crate::language::{Sentence, page_label, phrase};
use crate::problem::{Problem, of_a_form};

/// Words about a file as they are said of a form, which has no lines and no keys to write.
pub fn of_the_form(words: &Sentence) -> Sentence {
    let nothing = Sentence::none();
    let limit = phrase!("at \"At most\"");
    let shares = phrase!("the greatest share, on the skin or rinsed off,");
    let intended = phrase!("choose \"Goes into other formulas\"");
    of_a_form(words)
        .with("list_in_file", &phrase!("\"Suppliers’ papers\""))
        .with("in_file", &nothing)
        .with("or_in_file", &nothing)
        .with("limit_in_file", &limit)
        .with("shares_in_file", &shares)
        .with("min_in_file", &phrase!("\"At least\""))
        .with("max_in_file", &phrase!("\"At most\""))
        .with("use_in_file", &intended)
        .with("key_in_file", &nothing)
        .with("end_in_file", &" g".into())
        .with("example_in_file", &"1 %".into())
}

/// A fault of the file's line that was written for `at`, as it is said of a form, and the field that it is of. `before`
/// is what stands on its line before it.
pub(super) fn in_the_form(
    fields: &Fields,
    at: &str,
    before: &str,
    problem: &Problem,
) -> (String, Sentence) {
    let key = std::cell::RefCell::new(String::new());
    let called = |said: &str| {
        key.replace(said.to_owned());
        let at = field(at, said, before);
        fields.label(&at).unwrap_or_else(|| said.into())
    };
    let bare = Problem {
        message: of_the_form(&problem.message).with_called("key", called),
        remedy: of_the_form(&problem.remedy).with_called("key", called),
        ..problem.clone()
    };
    (field(at, &key.borrow(), before), bare.without_place())
}

/// The field of the form that a key of its line is written from.
fn field(at: &str, key: &str, before: &str) -> String {
    let Some((whole, name)) = at.rsplit_once('.') else {
        return at.to_owned();
    };
    match name {
        "tolerance" => {
            let side = if before.contains("over = {") {
                "over"
            } else {
                "under"
            };
            let unit = if key == "g" { "g" } else { "percent" };
            format!("{whole}.{side}.{unit}")
        }
        "limits" if key == "max" => format!("{whole}.max"),
        "limits" => format!("{whole}.min"),
        _ => at.to_owned(),
    }
}

impl Fields {
    /// The label of a field, as the page writes it beside it; `None` for what is no field of one label.
    pub(super) fn label(&self, at: &str) -> Option<Sentence> {
        let mut parts = at.split('.');
        let phase = match parts.next()? {
            "name" => return Some(page_label!("Name of the formula")),
            "version" => return Some(page_label!("Version")),
            "use" => return Some(page_label!("What it is for")),
            "notes" => return Some(page_label!("Notes")),
            "phases" => parts.next()?.parse::<usize>().ok()?,
            _ => return None,
        };
        let index = match parts.next()? {
            "name" => return Some(page_label!("Name of phase {0}", phase + 1)),
            "mix" => return Some(page_label!("What is done after phase {0}", phase + 1)),
            "ingredients" => parts.next()?.parse::<usize>().ok()?,
            _ => return None,
        };
        // Ingredients are counted through all phases.
        let before = self.phases.iter().take(phase);
        let number = before.map(|one| one.ingredients.len()).sum::<usize>() + index + 1;
        let one = self.phases.get(phase)?.ingredients.get(index)?;
        let both = one.under == one.over;
        let unit = match self.in_parts {
            true => page_label!("Parts"),
            false => page_label!("Percent"),
        };
        Some(match parts.next()? {
            "name" => page_label!("Ingredient {0}", number),
            "amount" => page_label!("{0} of {1}", unit, number),
            "inci" => page_label!("INCI name of {0}", number),
            "vessel" => page_label!("How {0} is weighed", number),
            "min" => page_label!("At least, percent of the batch, {0}", number),
            "max" => page_label!("At most, percent of the batch, {0}", number),
            "premix" => page_label!("Batch of which formula, {0}", number),
            "lot_required" => page_label!("Asks for the lot of {0}", number),
            "caution" => page_label!("Caution for {0}", number),
            side @ ("under" | "over") => {
                let side = match (both, side) {
                    (true, _) => page_label!("Tolerance of {0}", number),
                    (false, "under") => page_label!("{0}: less", number),
                    (false, _) => page_label!("{0}: more", number),
                };
                match parts.next()? {
                    "g" => page_label!("{0}, grams", side),
                    _ => page_label!("{0}, percent", side),
                }
            }
            _ => return None,
        })
    }
}
