//! The languages that people read and hear, and what is said in them.
//!
//! English stands in the sources, beside the code that decides to say it ([`phrase!`]); every other language has a
//! file of messages (GNU gettext, PO), found by the English text. So a sentence whose English changes has no
//! translation until somebody looks at it: an instruction at a scale is never an older one's translation. What is
//! written to files is English and has decimal points; see [`Sentence`].
//!
//! [`phrase!`]: crate::phrase

pub mod counted;
pub mod elision;
pub mod remark;
mod sentence;

use std::borrow::Cow;
use std::collections::HashMap;
use std::sync::OnceLock;

pub use crate::{page_label, phrase, remark, shown_as_told, term};
pub use sentence::{PAGE, Phrase, Sentence, Slot, Term};

/// A language of ours.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum Language {
    #[default]
    English,
    German,
    French,
    /// For tests: English with every text in brackets, so that one that goes round the messages shows.
    Marked,
}

/// English text, and where it means more than one thing its context, to what a language says.
type Messages = HashMap<(String, String), String>;

const GERMAN: &str = include_str!("de.po");
const FRENCH: &str = include_str!("fr.po");

impl Language {
    /// Those that a person can choose.
    pub const OFFERED: [Language; 3] = [Language::English, Language::German, Language::French];

    /// Its tag (BCP 47), in the configuration, for a browser and for a voice.
    pub const fn tag(self) -> &'static str {
        match self {
            Language::English => "en",
            Language::German => "de",
            Language::French => "fr",
            Language::Marked => "x-marked",
        }
    }

    /// Whether a native speaker has read all of it.
    pub const fn is_reviewed(self) -> bool {
        matches!(self, Language::English | Language::Marked)
    }

    pub fn of_tag(tag: &str) -> Option<Language> {
        let all = [Language::OFFERED.as_slice(), &[Language::Marked]].concat();
        all.into_iter().find(|language| language.tag() == tag)
    }

    /// The language of messages that an environment asks for (POSIX.1-2017, XBD 8.2: `LC_ALL` before `LC_MESSAGES`
    /// before `LANG`, an empty one counts as none); English where that is none of ours.
    pub fn of_environment(set: impl Fn(&str) -> Option<String>) -> Language {
        let locale = ["LC_ALL", "LC_MESSAGES", "LANG"]
            .into_iter()
            .filter_map(set)
            .find(|locale| !locale.is_empty());
        let language = locale.and_then(|locale| {
            let language = locale.split(['_', '.', '@', '-']).next()?;
            (Language::OFFERED.into_iter()).find(|one| one.tag() == language)
        });
        language.unwrap_or_default()
    }

    /// What it says for an English text; `None` where it has nothing of its own.
    pub fn message(self, context: &str, english: &str) -> Option<&'static str> {
        let messages = self.messages()?;
        let key = (context.to_owned(), english.to_owned());
        messages.get(&key).map(String::as_str)
    }

    /// All that it says: context, English text, its own.
    pub fn all(self) -> impl Iterator<Item = (&'static str, &'static str, &'static str)> {
        let messages = self.messages().into_iter().flatten();
        messages.map(|((context, english), own)| (context.as_str(), english.as_str(), own.as_str()))
    }

    /// A text without numbers.
    pub fn text(self, english: &str) -> Cow<'_, str> {
        match self {
            Language::Marked => Cow::Owned(format!("⟦{english}⟧")),
            _ => Cow::Borrowed(self.message("", english).unwrap_or(english)),
        }
    }

    /// A word that stands for itself, in no sentence.
    pub fn word(self, term: Term) -> String {
        self.text(term.english()).into_owned()
    }

    /// A number with its decimal point, as it is written on screens and spoken.
    pub fn number(self, number: &str) -> String {
        match self {
            Language::English => number.to_owned(),
            Language::German | Language::French | Language::Marked => number.replace('.', ","),
        }
    }

    /// A day of ISO 8601, also with a time behind it, as it is written where the language is spoken: day, month and year
    /// with the signs of the Unicode CLDR's short dates (`de`, `fr`; from memory). In English it stays, which has more
    /// than one order. A moment of a log (RFC 3339, UTC) is told to the minute.
    pub fn day(self, day: &str) -> String {
        let (date, time) = day
            .split_at_checked("0000-00-00".len())
            .unwrap_or((day, ""));
        let moment = time
            .strip_prefix('T')
            .and_then(|time| time.strip_suffix('Z'));
        let time = match moment.and_then(|time| time.get(.."00:00".len())) {
            Some(minute) => format!(" {minute} UTC"),
            None => time.to_owned(),
        };
        let mut parts = date.split('-');
        let (Some(y), Some(m), Some(d)) = (parts.next(), parts.next(), parts.next()) else {
            return day.to_owned();
        };
        match self.day_between() {
            None => day.to_owned(),
            Some(sign) => format!("{d}{sign}{m}{sign}{y}{time}"),
        }
    }

    /// What stands between day, month and year; `None`: they stand as ISO 8601 has them.
    pub const fn day_between(self) -> Option<char> {
        match self {
            Language::English | Language::Marked => None,
            Language::German => Some('.'),
            Language::French => Some('/'),
        }
    }

    fn messages(self) -> Option<&'static Messages> {
        static READ: [OnceLock<Messages>; 2] = [OnceLock::new(), OnceLock::new()];
        let [german, french] = &READ;
        let (once, file) = match self {
            Language::German => (german, GERMAN),
            Language::French => (french, FRENCH),
            Language::English | Language::Marked => return None,
        };
        Some(once.get_or_init(|| read(file)))
    }
}

/// A file of messages. What cannot be read says nothing, and English is said instead; a test holds the files to
/// their form.
fn read(file: &str) -> Messages {
    let catalog = polib::po_file::parse_from_reader(file.as_bytes());
    let messages = catalog.iter().flat_map(polib::catalog::Catalog::messages);
    let of = |message: &dyn polib::message::MessageView| {
        let own = message.msgstr().ok()?.to_owned();
        let context = message.msgctxt().unwrap_or_default().to_owned();
        let own = Some(own).filter(|own| !own.is_empty() && !message.is_fuzzy())?;
        Some(((context, message.msgid().to_owned()), own))
    };
    messages.filter_map(of).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_day_is_written_as_the_place_writes_it() {
        for (day, german, french) in [
            ("2031-12-01", "01.12.2031", "01/12/2031"),
            ("2026-11-28 14:03", "28.11.2026 14:03", "28/11/2026 14:03"),
            (
                "2026-11-28T14:03:09.120Z",
                "28.11.2026 14:03 UTC",
                "28/11/2026 14:03 UTC",
            ),
            ("-", "-", "-"),
            ("", "", ""),
            ("é", "é", "é"),
        ] {
            assert_eq!(Language::English.day(day), day);
            assert_eq!(Language::German.day(day), german);
            assert_eq!(Language::French.day(day), french);
        }
    }

    #[test]
    fn each_language_is_found_by_its_tag() {
        for language in [
            Language::English,
            Language::German,
            Language::French,
            Language::Marked,
        ] {
            assert_eq!(Language::of_tag(language.tag()), Some(language));
        }
        for other in ["", "DE", "deu", "x"] {
            assert_eq!(Language::of_tag(other), None, "{other:?}");
        }
    }

    #[test]
    fn the_environment_chooses_as_posix_says() {
        let of = |set: &[(&str, &str)]| {
            let found = |name: &str| set.iter().find(|(n, _)| *n == name);
            Language::of_environment(|name| found(name).map(|(_, value)| (*value).to_owned()))
        };
        assert_eq!(of(&[]), Language::English);
        assert_eq!(of(&[("LANG", "de_AT.UTF-8")]), Language::German);
        assert_eq!(of(&[("LANG", "fr")]), Language::French);
        assert_eq!(of(&[("LC_ALL", ""), ("LANG", "fr_CA")]), Language::French);
        let over = [("LC_ALL", "C.UTF-8"), ("LANG", "de_DE.UTF-8")];
        assert_eq!(of(&over), Language::English);
        let messages = [("LC_MESSAGES", "de_DE@euro"), ("LANG", "fr_FR")];
        assert_eq!(of(&messages), Language::German);
        // "den" is another language.
        for other in ["den_CA", "x-marked", "frisian", "\u{0}", "_", "DE"] {
            assert_eq!(of(&[("LANG", other)]), Language::English, "{other:?}");
        }
    }
}
