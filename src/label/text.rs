//! The declaration as a text: for a terminal, and to keep.

use super::allergens::{Amount, Stay};
use super::declared::{Declared, share};
use super::{Rules, ca_net_weight, us_net_weight};
use crate::language::{Term, term};
use crate::mass::Mass;
use crate::text::columns::aligned;

/// Stands under a declaration.
const NOTE: Term = term!(
    "Check the labelling law of the place where it is sold: colours, perfume, allergens, warnings and\nthe size of the \
     letters have rules of their own, which this list does not know."
);

const NOTE_WITH_ALLERGENS: Term = term!(
    "Check the labelling law of the place where it is sold: colours, perfume, warnings and the size of\nthe letters have \
     rules of their own, which this list does not know. Allergens are reckoned from what\nsubstances.toml says; what a \
     supplier's document does not name is not in it."
);

/// What makes a batch incomplete, on the paper too, and first: who reads only that must not take the list
/// for the formula's.
pub fn not_complete(declared: &Declared) -> String {
    let lines = declared.incomplete.iter();
    lines
        .map(|why| format!("NOT COMPLETE: {why}.\n\n"))
        .collect()
}

/// The list, its table, the allergens where the rules ask for them, and the net contents. `net` is what one package
/// holds, and how it is known.
pub fn report(declared: &Declared, net: Option<(Mass, Term)>) -> String {
    let total = declared.total();
    let mut out = not_complete(declared);
    out.push_str(&format!("INGREDIENTS: {}\n\n", declared.names().join(", ")));
    let mut rows = vec![["INCI", "g", "%", ""].map(String::from)];
    for line in &declared.lines {
        let free = if line.any_order { "any order" } else { "" };
        rows.push([
            line.inci.clone(),
            line.mass.grams_rounded(3).to_string(),
            share(line.mass, total, 3),
            free.to_owned(),
        ]);
    }
    out.push_str(&aligned(&rows, &[1, 2]));
    if declared.lines.iter().any(|line| line.any_order) {
        out.push_str(&format!(
            "\n\"any order\": {}.\n",
            any_order(declared.rules)
        ));
    }
    if let Some((found, stay)) = &declared.allergens {
        out.push_str(&allergens_table(declared.rules, found, *stay, total));
    }
    if let Some((mass, from)) = net {
        let (what, text) = match declared.rules {
            Rules::Us | Rules::Eu => ("NET WT", us_net_weight(mass)),
            Rules::Ca => ("Net quantity", ca_net_weight(mass)),
        };
        let text = text.unwrap_or_else(|| "too little for a label".into());
        out.push_str(&format!("{what}: {text}, rounded down ({from})\n"));
    }
    out + note(declared).english()
}

/// What a declaration does not know.
pub const fn note(declared: &Declared) -> Term {
    match declared.allergens {
        Some(_) => NOTE_WITH_ALLERGENS,
        None => NOTE,
    }
}

/// What "any order" means, the middle of a sentence.
pub const fn any_order(rules: Rules) -> Term {
    match rules {
        Rules::Us => {
            term!("at or under 1 %, may follow in any order after the others (US, 21 CFR 701.3)")
        }
        Rules::Eu => {
            term!(
                "under 1 %, may follow in any order after the others (EU, Regulation 1223/2009 art. 19)"
            )
        }
        Rules::Ca => {
            term!(
                "at or under 1 %, may follow in any order after the others (Canada, Cosmetic Regulations s. 21.4(2))"
            )
        }
    }
}

/// Canada's list is the EU's as amended from time to time; the years of its two steps are second hand.
const CANADA: &str = "(Canada, Cosmetic Regulations s. 21.4(4), asks for those of the EU's list; a product that was sold \
before\n1 August 2026 may name the older 24 alone until 1 August 2028: second hand)\n";

fn allergens_table(rules: Rules, found: &[Amount], stay: Stay, total: Mass) -> String {
    let mut out = format!(
        "\nFragrance allergens (Regulation 1223/2009, Annex III, with (EU) 2023/1545), named above {}\n",
        stay.told()
    );
    if rules == Rules::Ca {
        out.push_str(CANADA);
    }
    if found.is_empty() {
        out.push_str("none by what is known\n\n");
        return out;
    }
    let rows: Vec<[String; 4]> = (found.iter())
        .map(|one| {
            [
                one.allergen.label.to_owned(),
                one.mass.grams_rounded(3).to_string(),
                share(one.mass, total, 4),
                if one.declared { "named" } else { "below" }.to_owned(),
            ]
        })
        .collect();
    out.push_str(&aligned(&rows, &[1, 2]));
    out.push('\n');
    out
}
