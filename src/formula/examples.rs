//! The example formulas of the invented Saltmarsh Bench workshop, for the demo, for tests, and to begin with.

use crate::language::{Sentence, Term, term};

/// Six beaker steps in three phases; 440 g is 8 jars of 55 g.
pub const TIDELINE: &str = include_str!("../../config/formulas/tideline-bath-salts.toml");
/// Bowl steps and one difference step.
pub const MARRAM: &str = include_str!("../../config/formulas/marram-balm.toml");
/// Percents without a balance.
pub const SAMPHIRE: &str = include_str!("../../config/formulas/samphire-foot-powder.toml");
/// Four beaker steps in three phases, for the demo; 360 g is 6 jars of 60 g.
pub const GLASSWORT: &str = include_str!("../../config/formulas/glasswort-bath-soak.toml");
/// Three essential oils in parts, into one bottle: the premix of tideline, glasswort and eelgrass.
pub const SCENT_BLEND: &str = include_str!("../../config/formulas/saltmarsh-scent-blend.toml");
/// Powders, a sticky liquid by difference, and the premix.
pub const EELGRASS: &str = include_str!("../../config/formulas/eelgrass-fizz-powder.toml");
/// Three beaker steps in two phases, without a lot and without an essential oil: for a first batch.
pub const FIRST_SOAK: &str = include_str!("../../config/formulas/first-soak.toml");

/// All of them, each by its file's name.
pub const ALL: [(&str, &str); 7] = [
    ("eelgrass-fizz-powder.toml", EELGRASS),
    ("first-soak.toml", FIRST_SOAK),
    ("glasswort-bath-soak.toml", GLASSWORT),
    ("marram-balm.toml", MARRAM),
    ("samphire-foot-powder.toml", SAMPHIRE),
    ("saltmarsh-scent-blend.toml", SCENT_BLEND),
    ("tideline-bath-salts.toml", TIDELINE),
];

/// What the examples caution of, a sentence each: whoever begins with them is warned in her own language.
const CAUTIONS: [Term; 13] = [
    term!("Fine dust: open slowly, no fan across the pan."),
    term!("Fine dust: dust mask, no fan across the pan; keep dust away from flames."),
    term!("Fine dust: dust mask, no fan across the pan; wipe the pan and tare again."),
    term!("Fine dust: dust mask."),
    term!("The supplier's documents and your local codes set how it may be used."),
    term!("Acid dust burns eyes, nose and small cuts: goggles, dust mask, gloves."),
    term!("Keep it dry."),
    term!("Hot wax burns: never leave the melt alone, keep water out of it."),
    term!(
        "Citrus oils go off: keep them cool and dark, use no old bottle; gloves, air, away from flames."
    ),
    term!("Undiluted essential oils irritate skin and eyes: gloves, air, away from flames."),
    term!(
        "Undiluted essential oils irritate skin and eyes and burn: gloves, air, away from flames \
         and heaters; wipe spills at once."
    ),
    term!("How much a product may hold is set by the supplier's documents and your local codes."),
    term!(
        "How much a product may hold is set by the supplier's documents and your local codes; they \
         come before this file."
    ),
];

/// A caution of a formula as it is told: in the reader's language where it is an example's, else as its maker wrote it.
pub fn caution(text: &str) -> Sentence {
    sentences(text).unwrap_or_else(|| text.into())
}

fn sentences(text: &str) -> Option<Sentence> {
    let known = |text: &str| CAUTIONS.iter().find(|term| term.english() == text).copied();
    if let Some(whole) = known(text) {
        return Some(whole.into());
    }
    let (first, rest) = text.split_at_checked(text.find(". ")?.checked_add(1)?)?;
    Some(Sentence::from(known(first)?).and(sentences(rest.trim_start())?))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::formula::Formula;
    use crate::language::Language;

    #[test]
    fn each_example_warns_in_each_language_and_a_maker_s_own_words_stay() {
        let mut told = 0;
        for (name, text) in ALL {
            let formula = Formula::parse(text, name).unwrap();
            for one in formula
                .ingredients()
                .filter_map(|one| one.caution.as_deref())
            {
                let english = caution(one).in_language(Language::English);
                assert_eq!(english, one);
                for language in [Language::German, Language::French] {
                    let here = caution(one).in_language(language);
                    assert!(
                        !one.split(". ").any(|part| here.contains(part)),
                        "{name}: {here}"
                    );
                    told += 1;
                }
            }
        }
        assert!(told > 20, "{told}");
        for own in ["", "Keep it dry. Not by the sink.", "Hot. ", "Fine dust"] {
            assert_eq!(caution(own).in_language(Language::German), own);
        }
    }
}
