//! Sentences: English that stands in the source, with what fills its slots, and with that the same in every
//! language.

use std::fmt;
use std::ops::Deref;

use serde::{Deserialize, Deserializer, Serialize, Serializer};

use super::remark::CONTEXT as REMARK;
use super::{Language, elision};

/// Of the messages that the page says.
pub const PAGE: &str = "page";

use crate::mass::{Grams, Mass, MassError};

/// A sentence of ours: `phrase!("{net} g now; the record is corrected.", net)`. A slot is an expression's name, or
/// `name = expression`. In a translation a slot for a [`Term`] may name the form that it needs: `{thing:acc}`.
#[macro_export]
macro_rules! phrase {
    ($english:literal $(, $name:ident $(= $value:expr)?)* $(,)?) => {
        $crate::language::Sentence::from($crate::language::Phrase::new(
            $english,
            vec![$((stringify!($name), $crate::slot!($name $(= $value)?))),*],
        ))
    };
}

/// The same for what bismar writes into a log's cells: English there, and read back out of it for a person by
/// [`told`](crate::language::remark::told). A slot called `name`, `text`, `unit` or `lot` holds any text, one called
/// `term` a [`Term`], one called `said` another remark or nothing, `day` a day or a moment, and every other a number.
#[macro_export]
macro_rules! remark {
    ($english:literal $(, $name:ident $(= $value:expr)?)* $(,)?) => {
        $crate::language::Sentence::from($crate::language::Phrase::of_a_log(
            $english,
            vec![$((stringify!($name), $crate::slot!($name $(= $value)?))),*],
        ))
    };
}

/// See [`phrase!`].
///
/// [`phrase!`]: crate::phrase
#[macro_export]
macro_rules! slot {
    ($name:ident) => {
        $crate::language::Slot::from($name)
    };
    ($name:ident = $value:expr) => {
        $crate::language::Slot::from($value)
    };
}

/// `Display` in English for a type that tells itself by a `told()`: `shown_as_told!(PlanError);`.
#[macro_export]
macro_rules! shown_as_told {
    ($told:ty) => {
        impl std::fmt::Display for $told {
            fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                std::fmt::Display::fmt(&self.told(), f)
            }
        }
    };
}

/// A word of ours that fills a slot of several sentences: `term!("beaker")`.
#[macro_export]
macro_rules! term {
    ($english:literal) => {
        const { $crate::language::Term::new($english) }
    };
}

/// See [`term!`](crate::term). In a file of messages another form of it has the form's name as its context.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Term(&'static str);

impl Term {
    #[doc(hidden)]
    pub const fn new(english: &'static str) -> Term {
        Term(english)
    }

    fn text(self, form: &str, language: Language) -> String {
        match language {
            Language::Marked => language.text(self.0).into_owned(),
            _ => language.message(form, self.0).unwrap_or(self.0).to_owned(),
        }
    }

    /// In English.
    pub const fn english(self) -> &'static str {
        self.0
    }
}

impl Serialize for Term {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        self.0.serialize(serializer)
    }
}

/// In English.
impl fmt::Display for Term {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.0)
    }
}

/// The label of a field, as the page writes it: `page_label!("Ingredient {0}", number)`.
#[macro_export]
macro_rules! page_label {
    ($english:literal $(, $value:expr)* $(,)?) => {
        $crate::language::Sentence::from($crate::language::Phrase::of_the_page(
            $english,
            vec![$($crate::language::Slot::from($value)),*],
        ))
    };
}

/// What fills a slot.
#[derive(Debug, Clone, PartialEq)]
pub enum Slot {
    /// A name or a text that the maker wrote: the same in every language.
    Text(String),
    /// A number, written with a decimal point.
    Number(String),
    /// A day, written as ISO 8601 has it, also with a time behind it.
    Day(String),
    Term(Term),
    /// Another sentence, or a part of one.
    Sentence(Sentence),
}

impl Slot {
    fn text(&self, form: &str, language: Language) -> String {
        match self {
            Slot::Text(text) => text.clone(),
            Slot::Number(number) => language.number(number),
            Slot::Day(day) => language.day(day),
            Slot::Term(term) => term.text(form, language),
            Slot::Sentence(sentence) => sentence.in_language(language),
        }
    }
}

impl Slot {
    /// In English.
    pub fn english(&self) -> String {
        self.text("", Language::English)
    }

    /// A number that was written with a decimal point already.
    pub fn number(written: impl Into<String>) -> Slot {
        Slot::Number(written.into())
    }

    pub fn day(day: impl fmt::Display) -> Slot {
        Slot::Day(day.to_string())
    }
}

impl From<&str> for Slot {
    fn from(text: &str) -> Slot {
        Slot::Text(text.to_owned())
    }
}

impl From<&String> for Slot {
    fn from(text: &String) -> Slot {
        Slot::Text(text.clone())
    }
}

impl From<String> for Slot {
    fn from(text: String) -> Slot {
        Slot::Text(text)
    }
}

impl From<Grams> for Slot {
    fn from(grams: Grams) -> Slot {
        Slot::Number(grams.to_string())
    }
}

impl From<usize> for Slot {
    fn from(count: usize) -> Slot {
        Slot::Number(count.to_string())
    }
}

impl From<u32> for Slot {
    fn from(count: u32) -> Slot {
        Slot::Number(count.to_string())
    }
}

impl From<u64> for Slot {
    fn from(count: u64) -> Slot {
        Slot::Number(count.to_string())
    }
}

impl From<Term> for Slot {
    fn from(term: Term) -> Slot {
        Slot::Term(term)
    }
}

impl From<MassError> for Slot {
    fn from(error: MassError) -> Slot {
        Slot::Sentence(error.into())
    }
}

impl From<&Sentence> for Slot {
    fn from(sentence: &Sentence) -> Slot {
        Slot::Sentence(sentence.clone())
    }
}

impl From<Sentence> for Slot {
    fn from(sentence: Sentence) -> Slot {
        Slot::Sentence(sentence)
    }
}

/// See [`phrase!`](crate::phrase).
#[derive(Debug, Clone, PartialEq)]
pub struct Phrase {
    /// Of its message.
    context: &'static str,
    english: &'static str,
    slots: Vec<(&'static str, Slot)>,
}

impl Phrase {
    #[doc(hidden)]
    pub const fn new(english: &'static str, slots: Vec<(&'static str, Slot)>) -> Phrase {
        Phrase {
            context: "",
            english,
            slots,
        }
    }

    #[doc(hidden)]
    pub const fn of_a_log(english: &'static str, slots: Vec<(&'static str, Slot)>) -> Phrase {
        Phrase {
            context: REMARK,
            english,
            slots,
        }
    }

    /// As the page says it, whose slots are numbered.
    #[doc(hidden)]
    pub fn of_the_page(english: &'static str, slots: Vec<Slot>) -> Phrase {
        Phrase {
            context: PAGE,
            english,
            slots: ["0", "1", "2"].into_iter().zip(slots).collect(),
        }
    }

    fn with(&self, other: &dyn Fn(&str, &Slot) -> Option<Slot>) -> Phrase {
        let slots = self.slots.iter().map(|(name, own)| {
            let own = match (other(name, own), own) {
                (Some(other), _) => other,
                (None, Slot::Sentence(inside)) => Slot::Sentence(inside.with_each(other)),
                (None, Slot::Text(_) | Slot::Number(_) | Slot::Day(_) | Slot::Term(_)) => {
                    own.clone()
                }
            };
            (*name, own)
        });
        Phrase {
            slots: slots.collect(),
            ..*self
        }
    }

    fn in_language(&self, language: Language) -> String {
        match language {
            Language::Marked => format!("⟦{}⟧", self.fill(self.english, language)),
            _ => self.fill(
                (language.message(self.context, self.english)).unwrap_or(self.english),
                language,
            ),
        }
    }

    fn fill(&self, pattern: &str, language: Language) -> String {
        let mut text = String::with_capacity(pattern.len() + 16);
        let mut rest = pattern;
        while let Some((before, after)) = rest.split_once('{') {
            text.push_str(before);
            let (slot, behind) = after.split_once('}').unwrap_or((after, ""));
            let (name, form) = slot.split_once(':').unwrap_or((slot, ""));
            let slot = self.slots.iter().find(|(own, _)| *own == name);
            let inside = slot.map_or_else(|| name.to_owned(), |(_, s)| s.text(form, language));
            if language == Language::French {
                elision::elide(&mut text, &inside);
            }
            text.push_str(&inside);
            rest = behind;
        }
        text.push_str(rest);
        text
    }
}

#[derive(Debug, Clone, PartialEq)]
enum Part {
    Phrase(Phrase),
    /// Of somebody else: of the maker, of the system.
    Verbatim(String),
}

/// What is said to a person: sentences of ours one after the other. It is a `str` in English, as files have it;
/// [`Sentence::in_language`] is for screens and voices alone.
#[derive(Clone, Default)]
pub struct Sentence {
    english: String,
    parts: Vec<Part>,
}

impl Sentence {
    pub const fn none() -> Sentence {
        Sentence {
            english: String::new(),
            parts: Vec::new(),
        }
    }

    /// Names as a sentence lists them: "a, b and c".
    pub fn listing(names: &[String]) -> Sentence {
        match names.split_last() {
            Some((last, rest)) if !rest.is_empty() => {
                phrase!("{first} and {last}", first = rest.join(", "), last)
            }
            Some((last, _)) => last.as_str().into(),
            None => Sentence::none(),
        }
    }

    /// The same of names in quotes.
    pub fn listing_quoted<S: AsRef<str>>(names: &[S]) -> Sentence {
        let quoted = |name: &S| phrase!("\"{name}\"", name = name.as_ref());
        let Some((last, rest)) = names.split_last() else {
            return Sentence::none();
        };
        let rest = rest.iter().map(quoted);
        match rest.reduce(|all, one| phrase!("{all}, {one}", all, one)) {
            Some(first) => phrase!("{first} and {last}", first, last = quoted(last)),
            None => quoted(last),
        }
    }

    /// In English.
    pub fn as_str(&self) -> &str {
        &self.english
    }

    /// As it is shown and spoken.
    pub fn in_language(&self, language: Language) -> String {
        if language == Language::English {
            return self.english.clone();
        }
        let mut text = String::with_capacity(self.english.len() + 16);
        for part in &self.parts {
            if !text.is_empty() {
                text.push(' ');
            }
            match part {
                Part::Phrase(phrase) => text.push_str(&phrase.in_language(language)),
                Part::Verbatim(own) => text.push_str(own),
            }
        }
        text
    }

    /// The same with something else in the slots of this name, also within its parts.
    #[must_use]
    pub fn with(&self, slot: &str, other: &Sentence) -> Sentence {
        self.with_each(&|name, _| (name == slot).then(|| other.into()))
    }

    /// The same with `called` of what is in the slots of this name, also within its parts.
    #[must_use]
    pub fn with_called(&self, slot: &str, called: impl Fn(&str) -> Sentence) -> Sentence {
        self.with_each(&|name, own| (name == slot).then(|| called(&own.english()).into()))
    }

    /// The same with what `other` has for a slot of that name, also within its parts.
    #[must_use]
    pub fn with_each(&self, other: &dyn Fn(&str, &Slot) -> Option<Slot>) -> Sentence {
        let part = |part: &Part| match part {
            Part::Phrase(phrase) => Sentence::from(phrase.with(other)),
            Part::Verbatim(own) => Sentence::from(own.as_str()),
        };
        self.parts
            .iter()
            .map(part)
            .fold(Sentence::none(), Sentence::and)
    }

    /// Whether all of it is ours: nothing that was put together elsewhere goes round the files of messages.
    pub fn is_ours(&self) -> bool {
        let is = |part: &Part| matches!(part, Part::Phrase(_));
        self.parts.iter().all(is)
    }

    /// With another one behind it, a space between.
    #[must_use]
    pub fn and(mut self, more: impl Into<Sentence>) -> Sentence {
        let more = more.into();
        if !self.english.is_empty() && !more.english.is_empty() {
            self.english.push(' ');
        }
        self.english.push_str(&more.english);
        self.parts.extend(more.parts);
        self
    }

    /// That text, of a sentence which has been put into a language already.
    #[must_use]
    pub fn put_into(&self, language: Language) -> Sentence {
        Sentence::from(self.in_language(language))
    }
}

impl From<Phrase> for Sentence {
    fn from(phrase: Phrase) -> Sentence {
        Sentence {
            english: phrase.in_language(Language::English),
            parts: vec![Part::Phrase(phrase)],
        }
    }
}

impl From<MassError> for Sentence {
    fn from(error: MassError) -> Sentence {
        match error {
            MassError::NotANumber => phrase!("not a plain number with a decimal point"),
            MassError::OutOfRange => phrase!("outside ±10 t"),
            MassError::Unit => {
                phrase!("unit missing or unknown; write for example 500g, 1.2kg, 2oz")
            }
            MassError::Either { one, other } => phrase!(
                "may be {one} g or {other} g; write which of them it is, without a mark for thousands",
                one = one.grams(Mass::from_g(1)),
                other = other.grams(Mass::from_g(1)),
            ),
        }
    }
}

impl From<Term> for Sentence {
    fn from(term: Term) -> Sentence {
        Sentence::from(Phrase::new(term.0, Vec::new()))
    }
}

impl From<String> for Sentence {
    fn from(text: String) -> Sentence {
        let parts = match text.is_empty() {
            true => Vec::new(),
            false => vec![Part::Verbatim(text.clone())],
        };
        Sentence {
            english: text,
            parts,
        }
    }
}

impl From<&str> for Sentence {
    fn from(text: &str) -> Sentence {
        Sentence::from(text.to_owned())
    }
}

impl From<Sentence> for String {
    fn from(sentence: Sentence) -> String {
        sentence.english
    }
}

impl Deref for Sentence {
    type Target = str;

    fn deref(&self) -> &str {
        &self.english
    }
}

impl fmt::Display for Sentence {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&self.english)
    }
}

impl fmt::Debug for Sentence {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Debug::fmt(&self.english, f)
    }
}

impl PartialEq for Sentence {
    fn eq(&self, other: &Sentence) -> bool {
        self.english == other.english
    }
}

impl Eq for Sentence {}

impl PartialEq<str> for Sentence {
    fn eq(&self, other: &str) -> bool {
        self.english == other
    }
}

impl PartialEq<&str> for Sentence {
    fn eq(&self, other: &&str) -> bool {
        self.english == *other
    }
}

impl Serialize for Sentence {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        self.english.serialize(serializer)
    }
}

impl<'de> Deserialize<'de> for Sentence {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Sentence, D::Error> {
        String::deserialize(deserializer).map(Sentence::from)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::mass::Mass;

    #[test]
    fn what_is_wrong_with_a_mass_is_said_as_it_says_itself() {
        for error in [
            MassError::NotANumber,
            MassError::OutOfRange,
            MassError::Unit,
            Mass::parse_with_unit("1,250 kg").unwrap_err(),
        ] {
            assert_eq!(Sentence::from(error), error.to_string().as_str());
        }
    }

    #[test]
    fn a_sentence_is_filled_in_each_language_and_stays_english_for_files() {
        let net = Mass::from_mg(1_230).grams_rounded(2);
        let said = phrase!("{net} g now; {what}.", net, what = "1.5 {net}");
        assert_eq!(said, "1.23 g now; 1.5 {net}.");
        // A number has the comma, what the maker wrote stays.
        let marked = said.in_language(Language::Marked);
        assert_eq!(marked, "⟦1,23 g now; 1.5 {net}.⟧");
        let both = Sentence::none().and(said.clone()).and("As it is.");
        assert_eq!(both, "1.23 g now; 1.5 {net}. As it is.");
        assert_eq!(
            both.in_language(Language::Marked),
            "⟦1,23 g now; 1.5 {net}.⟧ As it is."
        );
        assert_eq!(
            serde_json::to_string(&both).unwrap(),
            "\"1.23 g now; 1.5 {net}. As it is.\""
        );
        // Where a language has nothing of its own, English is said.
        let unknown = phrase!("Of no file.").in_language(Language::German);
        assert_eq!(unknown, "Of no file.");
        let inside = phrase!("Lift it{how}.", how = phrase!(", {n} times", n = 2_usize));
        assert_eq!(
            inside.in_language(Language::Marked),
            "⟦Lift it⟦, 2 times⟧.⟧"
        );
    }
}
