//! The example formulas of the invented Saltmarsh Bench workshop, for the demo, for tests, and to begin with.

use super::form::{Fields, edited};
use crate::language::{Language, Sentence, Term, term};

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

/// What else the examples say: names, what is done after a phase, notes by their sentences.
const TEXTS: [Term; 51] = [
    term!("Eelgrass fizz powder"),
    term!("First soak"),
    term!("Glasswort bath soak"),
    term!("Marram balm"),
    term!("Saltmarsh scent blend"),
    term!("Samphire foot powder"),
    term!("Tideline bath salts"),
    term!("Binder"),
    term!("Cool down"),
    term!("Dry phase"),
    term!("Melt"),
    term!("Oil phase"),
    term!("Oils"),
    term!("Powders"),
    term!("Scent"),
    term!("Arrowroot starch"),
    term!("Baking soda"),
    term!("Beeswax"),
    term!("Cedarwood essential oil"),
    term!("Citric acid"),
    term!("Coarse sea salt"),
    term!("Dispersant"),
    term!("Epsom salt"),
    term!("Essential oil blend"),
    term!("Glycerin"),
    term!("Lavender essential oil"),
    term!("Oat flour"),
    term!("Shea butter"),
    term!("Sunflower oil"),
    term!("Sweet orange essential oil"),
    term!("Tea tree essential oil"),
    term!("Tocopherol"),
    term!("White clay"),
    term!("Zinc oxide"),
    term!("Close the bottle, turn it over ten times, write the batch's name on it"),
    term!("Drizzle the oil over the salt and stir until no lump is left"),
    term!("Fold the blend in, cover, and let it rest before filling"),
    term!("Melt gently over warm water and stir until clear"),
    term!("Rub in drop by drop; where it fizzes it was too much at once"),
    term!("Sieve twice into a dry bowl, slowly, with the lid half on"),
    term!("Sieve twice into the bowl, slowly, with the lid half on"),
    term!("Stir oil and dispersant together, then rub them into the salts"),
    term!("Stir, then pour the tins while it still runs"),
    term!("Tip the dry parts into the bowl and stir until even"),
    term!("Work in drop by drop, sieve again"),
    term!("Invented figures, to show how a formula file looks; not a tested product."),
    term!("INCI names come from the supplier's documents."),
    term!("Everything must be dry: damp powder fizzes in the jar and can burst it."),
    term!("Label the bottle with the name of the batch and the day."),
    term!("General workshop habits, not professional advice."),
    term!(
        "Follow the supplier's safety data sheet, your local codes and, where one is required, a \
         qualified or licensed person."
    ),
];

/// An example as it is offered to a maker: what is hers to read is in her language, and her own text from then on. In
/// English it is the file to the byte.
pub fn offered(text: &str, language: Language) -> String {
    if language == Language::English {
        return text.to_owned();
    }
    let told = |own: &mut String| {
        let flat = own.split_whitespace().collect::<Vec<_>>().join(" ");
        if let Some(known) = sentences(&flat) {
            *own = known.in_language(language);
        }
    };
    let Ok(mut fields) = Fields::read(text, "") else {
        return text.to_owned();
    };
    told(&mut fields.name);
    told(&mut fields.notes);
    for phase in &mut fields.phases {
        told(&mut phase.name);
        told(&mut phase.mix);
        for one in &mut phase.ingredients {
            told(&mut one.name);
            told(&mut one.premix);
            told(&mut one.caution);
        }
    }
    edited(text, &fields.tidied()).unwrap_or_else(|| text.to_owned())
}

fn sentences(text: &str) -> Option<Sentence> {
    let known = |text: &str| {
        let mut all = CAUTIONS.iter().chain(&TEXTS);
        all.find(|term| term.english() == text).copied()
    };
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
    fn each_example_is_offered_in_each_language_and_weighs_the_same() {
        for (name, text) in ALL {
            assert_eq!(offered(text, Language::English), text);
            let english = Formula::parse(text, name).unwrap();
            for language in [Language::German, Language::French] {
                let own = offered(text, language);
                let formula = Formula::parse(&own, name).unwrap_or_else(|error| panic!("{error}"));
                assert_eq!(formula.shares(), english.shares());
                let comments = |text: &str| text.lines().filter(|l| l.starts_with('#')).count();
                assert_eq!(comments(&own), comments(text));
                let texts = |formula: &Formula| {
                    let mut all = vec![formula.name.clone(), formula.notes.clone()];
                    for phase in &formula.phases {
                        all.extend([phase.name.clone(), phase.mix.clone().unwrap_or_default()]);
                        for one in &phase.ingredients {
                            all.push(one.caution.clone().unwrap_or_default());
                        }
                    }
                    all
                };
                for (here, there) in texts(&formula).iter().zip(texts(&english)) {
                    let same = ["Tocopherol", ""].contains(&here.as_str());
                    assert!(same || *here != there, "{name}: {here}");
                    for sentence in there.split(". ") {
                        assert!(
                            sentence.len() < 12 || !here.contains(sentence),
                            "{name}: {here}"
                        );
                    }
                }
                for (here, there) in formula.ingredients().zip(english.ingredients()) {
                    assert!(
                        TEXTS.iter().any(|term| term.english() == there.name),
                        "{}",
                        there.name
                    );
                    assert_eq!(here.inci, there.inci);
                    // The premix is the formula of that name, in her language.
                    if let Some(premix) = &here.premix {
                        let blend = Formula::parse(&offered(SCENT_BLEND, language), "").unwrap();
                        assert_eq!(*premix, blend.name);
                    }
                }
            }
        }
    }

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
