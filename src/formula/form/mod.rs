//! A formula as the fields of a form: read out of its file, checked, and written into it again with all else kept.
//!
//! What is typed is a text, as she typed it; [`Fields::tidied`] makes of it what the file may hold. The check is that of
//! the file: the fields are written as a file of their own, which is read, and each fault goes back to its field.

mod check;
mod compare;
mod edit;
mod premix;
mod read;
mod words;
mod write;

use serde::{Deserialize, Serialize};

pub use self::check::{Fault, Measured, Sum, either, in_threes, number};
pub use self::compare::{Difference, differences};
pub use self::edit::edited;
pub use self::premix::premix;
pub use self::words::of_the_form;

/// All of a formula that the form shows.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Fields {
    pub name: String,
    pub version: String,
    pub notes: String,
    /// `leave-on`, `rinse-off`, `premix`, or empty.
    #[serde(rename = "use")]
    pub intended: String,
    /// The amounts are parts, else percents.
    pub in_parts: bool,
    pub phases: Vec<PhaseFields>,
}

#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct PhaseFields {
    /// Which phase of the file it is, from 0; `None` for a new one.
    pub from: Option<usize>,
    pub name: String,
    pub mix: String,
    pub ingredients: Vec<IngredientFields>,
}

#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct IngredientFields {
    /// Which ingredient of the file it is, counted through all phases from 0; `None` for a new one.
    pub from: Option<usize>,
    pub name: String,
    pub inci: String,
    pub amount: String,
    pub balance: bool,
    /// What less and what more is tolerated; with nothing in it the usual.
    pub under: Amounts,
    pub over: Amounts,
    pub min: String,
    pub max: String,
    /// `beaker`, `bowl` or `difference`; empty is the first.
    pub vessel: String,
    pub caution: String,
    pub lot_required: bool,
    pub premix: String,
}

/// One side of a tolerance.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Amounts {
    pub percent: String,
    pub g: String,
}

impl Fields {
    pub fn ingredients(&self) -> impl Iterator<Item = &IngredientFields> {
        self.phases.iter().flat_map(|phase| &phase.ingredients)
    }

    fn ingredients_mut(&mut self) -> impl Iterator<Item = &mut IngredientFields> {
        self.phases
            .iter_mut()
            .flat_map(|phase| &mut phase.ingredients)
    }

    /// The same of no file.
    pub fn of_no_file(mut self) -> Fields {
        for phase in &mut self.phases {
            phase.from = None;
        }
        for one in self.ingredients_mut() {
            one.from = None;
        }
        self
    }

    /// Whether both say the same, whatever their versions and wherever it stands in a file.
    pub fn says_what(&self, other: &Fields) -> bool {
        let bare = |fields: &Fields| Fields {
            version: String::new(),
            ..fields.clone().of_no_file()
        };
        bare(self) == bare(other)
    }
}
