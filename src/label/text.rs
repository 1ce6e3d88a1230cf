//! The declaration as a text: for a terminal, and to keep.

use super::allergens::{Amount, Stay};
use super::declared::{Declared, share};
use super::{Rules, ca_net_weight, eu_net_weight, us_net_weight};
use crate::language::{Language, Slot, Term, phrase, term};
use crate::mass::Mass;
use crate::text::columns::aligned;

/// Stands under a declaration.
const NOTE: Term = term!(
    "Check the labelling law of the place where it is sold: colours, perfume, allergens, warnings and\nthe size of the \
     letters have rules of their own, which this list does not know."
);

const NOTE_WITH_ALLERGENS: Term = term!(
    "Check the labelling law of the place where it is sold: colours, perfume, warnings and the size of\nthe letters have \
     rules of their own, which this list does not know. Allergens are reckoned from what\nthe list of substances says; \
     what a supplier's document does not name is not in it."
);

/// What makes a batch incomplete, on the paper too, and first: who reads only that must not take the list
/// for the formula's.
pub fn not_complete(declared: &Declared, language: Language) -> String {
    let lines = declared.incomplete.iter();
    lines
        .map(|why| {
            let why = phrase!("NOT COMPLETE: {why}.", why = why.clone());
            format!("{}\n\n", why.in_language(language))
        })
        .collect()
}

/// The list, its table, the allergens where the rules ask for them, and the net contents, as a person reads them in
/// `language`. `net` is what one package holds, and how it is known.
pub fn report(declared: &Declared, net: Option<(Mass, Term)>, language: Language) -> String {
    let total = declared.total();
    let mut out = not_complete(declared, language);
    // As the label has it, in every language.
    out.push_str(&format!("INGREDIENTS: {}\n\n", declared.names().join(", ")));
    let mut rows = vec![["INCI", "g", "%", ""].map(String::from)];
    for line in &declared.lines {
        let free = line.any_order.then(|| language.word(term!("any order")));
        rows.push([
            line.inci.clone(),
            language.number(&line.mass.grams_rounded(3).to_string()),
            language.number(&share(line.mass, total, 3)),
            free.unwrap_or_default(),
        ]);
    }
    out.push_str(&aligned(&rows, &[1, 2]));
    if let Some(told) = declared.unproven_told() {
        out.push_str(&format!("\n{}\n", told.in_language(language)));
    }
    if declared.lines.iter().any(|line| line.any_order) {
        let meaning = phrase!(
            "\"any order\": {meaning}.",
            meaning = any_order(declared.rules)
        );
        out.push_str(&format!("\n{}\n", meaning.in_language(language)));
    }
    if let Some((found, stay)) = &declared.allergens {
        out.push_str(&allergens_table(declared, found, *stay, language));
    }
    if let Some((mass, from)) = net {
        let text = match declared.rules {
            // What the law has in English keeps its point.
            Rules::Us => us_net_weight(mass).map(Slot::from),
            Rules::Ca => ca_net_weight(mass).map(Slot::from),
            Rules::Eu => eu_net_weight(mass).map(Slot::number),
        };
        let text = text.unwrap_or_else(|| phrase!("too little for a label").into());
        let told = match declared.rules {
            Rules::Us => phrase!("NET WT: {text}, rounded down ({from})", text, from),
            Rules::Eu | Rules::Ca => {
                phrase!("Net quantity: {text}, rounded down ({from})", text, from)
            }
        };
        out.push_str(&format!("{}\n", told.in_language(language)));
    }
    out + &language.word(note(declared))
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
const CANADA: Term = term!(
    "(Canada, Cosmetic Regulations s. 21.4(4), asks for those of the EU's list; a product that was sold before\n1 August \
     2026 may name the older 24 alone until 1 August 2028: second hand)\n"
);

fn allergens_table(
    declared: &Declared,
    found: &[Amount],
    stay: Stay,
    language: Language,
) -> String {
    let total = declared.total();
    let head = phrase!(
        "\nFragrance allergens (Regulation 1223/2009, Annex III, with (EU) 2023/1545), named above {share}\n",
        share = stay.told(),
    );
    let mut out = head.in_language(language);
    if declared.rules == Rules::Ca {
        out.push_str(&language.word(CANADA));
    }
    if found.is_empty() {
        out.push_str(&declared.named_told().in_language(language));
        out.push_str("\n\n");
        return out;
    }
    let rows: Vec<[String; 4]> = (found.iter())
        .map(|one| {
            let named = match one.declared {
                true => term!("named"),
                false => term!("below"),
            };
            [
                one.allergen.label.to_owned(),
                language.number(&one.mass.grams_rounded(3).to_string()),
                language.number(&share(one.mass, total, 4)),
                language.word(named),
            ]
        })
        .collect();
    out.push_str(&aligned(&rows, &[1, 2]));
    out.push('\n');
    out
}
