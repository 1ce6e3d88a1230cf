//! French elision: "de" and "que" before a name that begins with a vowel or a mute h are "d'" and "qu'". What fills a
//! slot is known only when it is filled, so no file of messages can write it.
//!
//! The rule and its exceptions: Grevisse, Le Bon Usage (elision; the aspirated h), from memory. What looks like a code (a lot
//! "A-2", "EO7") is read letter by letter, and stays.

/// How a word with an aspirated h begins, of those that stand on a maker's shelf or begin a number.
const ASPIRATED: [&str; 12] = [
    "haric", "haut", "hav", "henn", "hêtr", "hibou", "homard", "houb", "houl", "houx", "huit",
    "hach",
];
const VOWELS: &str = "aeiouàâäéèêëîïôöùûüœæAEIOUÀÂÄÉÈÊËÎÏÔÖÙÛÜŒÆ";
/// The words of ours that lose their vowel.
const ELIDED: [&str; 4] = ["de ", "De ", "que ", "Que "];

/// Whether "d'" stands before it.
fn wants(inside: &str) -> bool {
    let mut letters = inside.chars();
    let (Some(first), Some(second)) = (letters.next(), letters.next()) else {
        return false;
    };
    second.is_lowercase()
        && match first {
            // "d'ylang-ylang", "de yaourt".
            'y' | 'Y' => !VOWELS.contains(second),
            'h' | 'H' => {
                let low = inside.to_lowercase();
                !ASPIRATED.iter().any(|word| low.starts_with(word))
            }
            first => VOWELS.contains(first),
        }
}

/// Takes the vowel off the end of `text`, behind which `inside` comes.
pub(super) fn elide(text: &mut String, inside: &str) {
    let word = ELIDED.iter().find_map(|word| text.strip_suffix(word));
    let whole = word.is_some_and(|before| !before.ends_with(char::is_alphanumeric));
    if whole && wants(inside) {
        text.truncate(text.len().saturating_sub("e ".len()));
        text.push('\'');
    }
}

/// The same for a script: what it is tested with, a regular expression of ECMAScript with the flag `u`.
pub fn pattern() -> String {
    let aspirated = ASPIRATED.map(|word| word.trim_start_matches('h')).join("|");
    format!("^(?![Hh](?:{aspirated}))(?:[Hh{VOWELS}]\\p{{Ll}}|[Yy](?![{VOWELS}])\\p{{Ll}})")
}

#[cfg(test)]
mod tests {
    use crate::language::{Language, phrase};

    #[test]
    fn a_word_before_a_name_loses_its_vowel_where_french_has_it_so() {
        let french = |name: &str| {
            let said = phrase!("the lot of {ingredient}", ingredient = name);
            said.in_language(Language::French)
        };
        for name in [
            "Huile de tournesol",
            "huile d'olive",
            "Argile verte",
            "Eau",
            "Écorce",
            "Œillet",
            "Ylang-ylang",
            "Hamamélis",
        ] {
            assert_eq!(french(name), format!("le lot d'{name}"));
        }
        for name in [
            "Sel de mer",
            "Henné",
            "houblon",
            "Yaourt",
            "A-2",
            "EO7",
            "O",
            "",
            "8 g",
            "É",
            "« Eau »",
        ] {
            assert_eq!(french(name), format!("le lot de {name}"));
        }
        // No word of another language, and none that only ends so.
        let german = phrase!("the lot of {ingredient}", ingredient = "Eau");
        assert_eq!(german.in_language(Language::German), "das Los von Eau");
        let mut text = String::from("une coude ");
        super::elide(&mut text, "Eau");
        assert_eq!(text, "une coude ");
    }
}
