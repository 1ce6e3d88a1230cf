//! Text for people: what comes from outside made fit for a terminal, columns, plurals, words of a shell.

pub mod alike;
pub mod columns;

use std::borrow::Cow;
use std::fmt::Display;

/// Whether a character moves the cursor, ends a line or turns the direction of what follows: every
/// control character (C0, DEL, C1), U+2028 and U+2029, and the bidirectional controls of Unicode
/// Standard Annex 9, table 4. With these a name can show another weight than the one that is meant.
pub fn misleads(c: char) -> bool {
    c.is_control()
        || matches!(
            c,
            '\u{2028}' | '\u{2029}' | '\u{061C}' | '\u{200E}' | '\u{200F}'
        )
        || matches!(c, '\u{202A}'..='\u{202E}' | '\u{2066}'..='\u{2069}')
}

/// Bytes as lower-case hexadecimal digits.
pub fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

/// The text with a capital letter at its beginning.
pub fn capitalised(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or(String::new(), |first| {
        first.to_uppercase().chain(letters).collect()
    })
}

/// The text with U+FFFD for every character that [`misleads`], but for line feeds and tabs.
pub fn harmless(text: &str) -> Cow<'_, str> {
    let bad = |c: char| misleads(c) && !matches!(c, '\n' | '\t');
    if text.contains(bad) {
        text.replace(bad, "\u{fffd}").into()
    } else {
        text.into()
    }
}

/// JSON with a `\u` escape for every character that [`misleads`]: they can stand only inside its
/// strings, where the escape means the same.
pub fn harmless_json(json: &str) -> String {
    let mut out = String::with_capacity(json.len());
    for c in json.chars() {
        if misleads(c) {
            // All of them are in the basic plane: one unit.
            out.push_str(&format!("\\u{:04x}", u32::from(c)));
        } else {
            out.push(c);
        }
    }
    out
}

/// How many there are of something: `1 step`, `12 steps`.
pub fn counted<N: Display + From<u8> + PartialEq>(count: N, one: &str, many: &str) -> String {
    let name = if count == N::from(1) { one } else { many };
    format!("{count} {name}")
}

/// Words as a sentence lists them: "a, b and c", where `and` joins the last.
pub fn listed(words: &[String], and: &str) -> String {
    match words.split_last() {
        Some((last, rest)) if !rest.is_empty() => format!("{} {and} {last}", rest.join(", ")),
        Some((last, _)) => last.clone(),
        None => String::new(),
    }
}

/// A text as a shell takes it for one word; what would steer the terminal is a `?` in it.
pub fn shell_word(text: &str) -> String {
    let text = text.replace(misleads, "?");
    // Only a NUL cannot be quoted, and none is left.
    shlex::try_quote(&text).map_or_else(|_| text.clone(), Cow::into_owned)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn plain_text_of_any_script_is_left_as_it_is() {
        let text = "Sel de Guérande\t海塩 🧂 شمع\nملح";
        assert!(matches!(harmless(text), Cow::Borrowed(same) if same == text));
    }

    #[test]
    fn words_are_counted_listed_and_begun_as_a_sentence_has_them() {
        let counts = [0, 1, 2].map(|n: u32| counted(n, "step", "steps"));
        assert_eq!(counts, ["0 steps", "1 step", "2 steps"]);
        let list = |words: &[&str]| {
            let words: Vec<String> = words.iter().map(|word| (*word).to_owned()).collect();
            listed(&words, "and")
        };
        assert_eq!(list(&[]), "");
        assert_eq!(list(&["a"]), "a");
        assert_eq!(list(&["a", "b"]), "a and b");
        assert_eq!(list(&["a", "b", "c"]), "a, b and c");
        assert_eq!(["", "öl", "Oil"].map(capitalised), ["", "Öl", "Oil"]);
    }

    #[test]
    fn what_moves_or_turns_the_text_is_replaced() {
        assert_eq!(
            harmless("a\u{1b}[2K\rb\u{202e}c\u{9b}d\u{200f}"),
            "a\u{fffd}[2K\u{fffd}b\u{fffd}c\u{fffd}d\u{fffd}"
        );
    }

    #[test]
    fn json_means_the_same_after_it() {
        let value = serde_json::json!({"a\u{202e}": "b\u{7f}\u{2028}\n"});
        let json = harmless_json(&value.to_string());
        assert!(!json.contains(misleads), "{json:?}");
        assert_eq!(
            serde_json::from_str::<serde_json::Value>(&json).unwrap(),
            value
        );
    }
}
