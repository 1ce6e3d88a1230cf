//! The page's own texts in its language: those of its tree are put in as it is sent, those of its script lie in a small
//! script of their own. In the files of messages their context is [`CONTEXT`].

use std::borrow::Cow;
use std::collections::BTreeMap;

use crate::language::{Language, PAGE, Sentence, Slot, elision, phrase};

/// What the page says, in the files of messages.
pub const CONTEXT: &str = PAGE;

tokio::task_local! {
    /// What the answer to a request is said in.
    static SPOKEN: Language;
}

/// Does `work`, whose answers are said in `language`.
pub async fn speaking<T>(language: Language, work: impl Future<Output = T>) -> T {
    SPOKEN.scope(language, work).await
}

/// As [`speaking`], of what blocks.
pub fn speaking_blocked<T>(language: Language, work: impl FnOnce() -> T) -> T {
    SPOKEN.sync_scope(language, work)
}

/// What is answered in now; English where nobody asked.
pub fn language() -> Language {
    SPOKEN.try_with(|language| *language).unwrap_or_default()
}

/// The slots that hold what is typed at a terminal; their names end so.
pub const AT_TERMINAL: &str = "_at_terminal";

/// What is done on the page instead of what is typed at a terminal, by the slot that holds it.
pub fn instead(slot: &str) -> Option<Slot> {
    let instead = match slot {
        "check_at_terminal" => phrase!("its plan under “New batch”"),
        "measure_at_terminal" | "find_at_terminal" => phrase!("“Scales”"),
        "over_at_terminal" => phrase!("“How much more a jar may hold”"),
        "rule_at_terminal" => phrase!("the rule of NIST Handbook 133"),
        "batch_at_terminal" => phrase!("“Grams of the whole batch”"),
        "jars_at_terminal" => phrase!("“Jars” and “Grams in a jar”"),
        "allowable_at_terminal" => phrase!("“Allowable variation of one package”"),
        "verify_at_terminal" => phrase!("no part of the page"),
        "hand_at_terminal" => phrase!("the gatherer"),
        _ => return None,
    };
    Some(instead.into())
}

/// A sentence with what is done on the page, in the language that is answered in.
pub fn answered(sentence: &Sentence) -> Sentence {
    sentence
        .with_each(&|slot, _| instead(slot))
        .put_into(language())
}

/// A sentence as it is answered.
pub fn said(sentence: &Sentence) -> String {
    answered(sentence).into()
}

/// The unit is the same in every language.
const UNIT: &str = "g";

/// The tree with `say` of each of its texts: what stands between its tags (but as `code`), and what is read out in
/// place of a picture.
fn with<'a>(html: &'a str, mut say: impl FnMut(&'a str) -> Cow<'a, str>) -> String {
    const LABEL: &str = " aria-label=\"";
    let mut all = String::with_capacity(html.len() + html.len() / 4);
    let mut rest = html;
    let mut code = false;
    while let Some(at) = rest.find('<') {
        let (text, tag) = rest.split_at(at);
        let own = text.trim();
        let said = own.chars().any(char::is_alphabetic) && own != UNIT && !code;
        match text.split_once(own).filter(|_| said) {
            Some((before, behind)) => all.extend([before, &*say(own), behind]),
            None => all.push_str(text),
        }
        let end = tag.find('>').map_or(tag.len(), |end| end + 1);
        let (tag, after) = tag.split_at(end);
        code = tag == "<code>";
        let label = tag.split_once(LABEL);
        match label.and_then(|(before, label)| Some((before, label.split_once('"')?))) {
            Some((before, (label, behind))) => {
                all.extend([before, LABEL, &*say(label), "\"", behind]);
            }
            None => all.push_str(tag),
        }
        rest = after;
    }
    all.push_str(rest);
    all
}

/// The texts of a tree.
pub fn texts(html: &str) -> Vec<&str> {
    let mut texts = Vec::new();
    with(html, |text| {
        texts.push(text);
        Cow::Borrowed(text)
    });
    texts
}

/// A tree in `language`.
pub fn html(html: &str, language: Language) -> String {
    let said = with(html, |text| match language {
        Language::Marked => Cow::Owned(format!("⟦{text}⟧")),
        _ => Cow::Borrowed(language.message(CONTEXT, text).unwrap_or(text)),
    });
    let tag = |language: Language| format!("lang=\"{}\"", language.tag());
    said.replacen(&tag(Language::English), &tag(language), 1)
}

/// The script with what the page's script says, and the decimal sign.
pub fn script(language: Language) -> String {
    // All languages say the same.
    let known = match language {
        Language::English => None,
        Language::Marked => Some(Language::German),
        other => Some(other),
    };
    let all = known.into_iter().flat_map(Language::all);
    let own = all.filter(|(context, ..)| *context == CONTEXT);
    let words: BTreeMap<&str, Cow<'_, str>> = own
        .map(|(_, english, own)| match language {
            Language::Marked => (english, Cow::Owned(format!("⟦{english}⟧"))),
            _ => (english, Cow::Borrowed(own)),
        })
        .collect();
    let words = serde_json::to_string(&words).unwrap_or_else(|_| "{}".to_owned());
    let point = language.number(".");
    let sign = language.day_between();
    let days = sign.map_or("$&".to_owned(), |sign| format!("$3{sign}$2{sign}$1"));
    let elided = match language {
        Language::French => elision::pattern(),
        // Nothing.
        Language::English | Language::German | Language::Marked => "^\\b$".to_owned(),
    };
    format!(
        "export const point = \"{point}\", days = \"{days}\", elided = /{elided}/u;\nexport const words = {words};\n"
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_tree_s_texts_are_found_and_the_rest_stays() {
        let tree =
            "<p aria-label=\"One\" id=\"g\">\n  Two <code>three four</code> five.</p><b>g</b>–";
        assert_eq!(texts(tree), ["One", "Two", "five."]);
        let marked = html(tree, Language::Marked);
        assert_eq!(
            marked,
            "<p aria-label=\"⟦One⟧\" id=\"g\">\n  ⟦Two⟧ <code>three four</code> ⟦five.⟧</p><b>g</b>–"
        );
        assert_eq!(html("<p>", Language::German), "<p>");
    }

    #[test]
    fn english_needs_no_words() {
        assert_eq!(
            script(Language::English),
            "export const point = \".\", days = \"$&\", elided = /^\\b$/u;\nexport const words = {};\n"
        );
        let german = script(Language::German);
        assert!(german.contains("point = \",\"") && german.contains(":\"Weiter\""));
    }
}
