//! The fields of a formula that stands in a file.

use super::super::{Deviation, Formula, Share, VesselWay};
use super::{Amounts, Fields, IngredientFields, PhaseFields};
use crate::document::{DeTable, Reader, Value};
use crate::formula::Use;
use crate::mass::Mass;
use crate::problem::Problems;

impl Fields {
    /// The fields of the formula in `text`; `name` stands for the file in messages.
    ///
    /// # Errors
    /// Everything that is wrong with it, as [`Formula::parse`].
    pub fn read(text: &str, name: &str) -> Result<Fields, Problems> {
        let formula = Formula::parse(text, name)?;
        let (mut reader, root) = Reader::parse(text, name)?;
        let phases = reader.list(&root, "phase");
        let mut fields = Fields {
            name: formula.name.clone(),
            version: formula.version.clone(),
            notes: formula.notes.clone(),
            intended: word(formula.intended).to_owned(),
            ..Fields::default()
        };
        let mut count = 0;
        for (i, (phase, (table, _))) in formula.phases.iter().zip(phases).enumerate() {
            let tables = reader.list(table, "ingredient");
            let mut ingredients = Vec::new();
            for (one, (table, _)) in phase.ingredients.iter().zip(tables) {
                let parts = table.get("parts").map(|value| bare(&reader, value));
                fields.in_parts |= parts.is_some();
                ingredients.push(IngredientFields {
                    from: Some(count),
                    amount: match (parts, one.share) {
                        (Some(parts), Share::Percent(_) | Share::Balance) => parts,
                        (None, Share::Percent(percent)) => percent.text(),
                        (None, Share::Balance) => String::new(),
                    },
                    balance: one.share == Share::Balance,
                    lot_required: is_true(table, "lot_required"),
                    ..told(one)
                });
                count += 1;
            }
            let named = table.get("name").is_some();
            fields.phases.push(PhaseFields {
                from: Some(i),
                name: if named {
                    phase.name.clone()
                } else {
                    String::new()
                },
                mix: phase.mix.clone().unwrap_or_default(),
                ingredients,
            });
        }
        Ok(fields)
    }
}

/// What the reader of the file tells as well.
fn told(one: &super::super::Ingredient) -> IngredientFields {
    let text = |text: &Option<String>| text.clone().unwrap_or_default();
    IngredientFields {
        name: one.name.clone(),
        inci: text(&one.inci),
        under: amounts(one.tolerance.under),
        over: amounts(one.tolerance.over),
        min: one.limits.min.map(|p| p.text()).unwrap_or_default(),
        max: one.limits.max.map(|p| p.text()).unwrap_or_default(),
        vessel: match one.vessel {
            VesselWay::Beaker => String::new(),
            way @ (VesselWay::Bowl | VesselWay::Difference | VesselWay::Jar) => {
                way.name().to_owned()
            }
        },
        caution: text(&one.caution),
        premix: text(&one.premix),
        ..IngredientFields::default()
    }
}

pub(super) fn word(intended: Use) -> &'static str {
    match intended {
        Use::Untold => "",
        Use::LeaveOn => "leave-on",
        Use::RinseOff => "rinse-off",
        Use::Premix => "premix",
    }
}

fn amounts(side: Deviation) -> Amounts {
    Amounts {
        percent: side.percent.map(|p| p.text()).unwrap_or_default(),
        g: side
            .mass
            .map(|mass| mass.grams(Mass::from_g(1)).to_string())
            .unwrap_or_default(),
    }
}

fn bare(reader: &Reader, value: &Value) -> String {
    let source = reader.source(&value.span());
    source.trim_matches(['"', '\'', ' ', '+']).to_owned()
}

fn is_true(table: &DeTable, key: &str) -> bool {
    table.get(key).and_then(|value| value.get_ref().as_bool()) == Some(true)
}
