//! The label: the ingredients in the order of their weights, fragrance allergens, the net contents, and
//! whether it has all that is asked of it. Pure.
//!
//! Sources: 21 CFR 701.3(a) and (f) (the text of (f) from memory), Regulation (EC) No 1223/2009
//! article 19(1)(g), Canada's Cosmetic Regulations (C.R.C., c. 869) section 21.4, 16 CFR 500.19 (conversion factors). Rounding never overstates (NIST guide on
//! metric labelling: "in no case shall rounded net contents declarations overstate a quantity").

pub mod allergens;
pub mod content;
pub mod declared;
mod net;
pub mod text;

use std::collections::BTreeMap;

pub use net::{
    CA_FIGURES, EU_LEAST, ca_net_weight, eu_net_weight, grams_on_label, height_of_figures,
    ounces_on_label, us_net_weight,
};

use crate::language::{Term, term};
use crate::mass::Mass;
use crate::text::alike::folded;

/// Whose rules for what a label says.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Rules {
    /// 21 CFR 701.3(f): at or under 1 %.
    Us,
    /// Regulation (EC) No 1223/2009, article 19(1)(g): under 1 %. What is taken where nobody names any.
    #[default]
    Eu,
    /// Canada's Cosmetic Regulations (C.R.C., c. 869), section 21.4(2): at or under 1 %. Read as it stood in March
    /// 2024; SOR/2024-63, section 6, changed (1) and (3), added (4), and left (2).
    Ca,
}

/// One ingredient of the declaration.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Line {
    pub inci: String,
    pub mass: Mass,
    /// Whether it may stand in any order, after all that may not.
    pub any_order: bool,
}

impl Rules {
    pub const ALL: [Rules; 3] = [Rules::Us, Rules::Eu, Rules::Ca];

    /// As it is asked for.
    pub const fn name(self) -> &'static str {
        match self {
            Rules::Us => "us",
            Rules::Eu => "eu",
            Rules::Ca => "ca",
        }
    }

    pub fn named(name: &str) -> Option<Rules> {
        Rules::ALL.into_iter().find(|rules| rules.name() == name)
    }

    /// The law that says what stands on a label.
    pub const fn law(self) -> Term {
        match self {
            Rules::Us => term!("US, 21 CFR 701 and 740"),
            Rules::Eu => term!("EU, Regulation 1223/2009 art. 19"),
            Rules::Ca => term!("Canada, C.R.C., c. 869 and c. 417"),
        }
    }

    /// Whether an ingredient of `mass` in `total` may stand in any order. Exact: exactly 1 % is so
    /// for the one rule and not for the other.
    pub fn any_order(self, mass: Mass, total: Mass) -> bool {
        let (hundredfold, total) = (i128::from(mass.ng()) * 100, i128::from(total.ng()));
        match self {
            Rules::Us | Rules::Ca => hundredfold <= total,
            Rules::Eu => hundredfold < total,
        }
    }

    /// Whether the label names fragrance allergens one by one.
    pub const fn name_allergens(self) -> bool {
        match self {
            Rules::Us => false,
            Rules::Eu | Rules::Ca => true,
        }
    }
}

/// The declaration of what was weighed, in descending order of weight; ingredients of one INCI name
/// are one. Equal weights stand in the order of the alphabet. Nothing of no weight is declared.
pub fn declaration(weights: impl IntoIterator<Item = (String, Mass)>, rules: Rules) -> Vec<Line> {
    // As it was written first.
    let mut by_name: BTreeMap<String, (String, Mass)> = BTreeMap::new();
    for (inci, mass) in weights {
        let key = folded(&inci).into_owned();
        by_name.entry(key).or_insert((inci, Mass::ZERO)).1 += mass;
    }
    by_name.retain(|_, (_, mass)| *mass > Mass::ZERO);
    let total: Mass = by_name.values().map(|(_, mass)| *mass).sum();
    let mut lines: Vec<Line> = by_name
        .into_values()
        .map(|(inci, mass)| Line {
            any_order: rules.any_order(mass, total),
            inci,
            mass,
        })
        .collect();
    // Stable, so equal weights keep the alphabet's order.
    lines.sort_by_key(|line| std::cmp::Reverse(line.mass));
    lines
}
