//! Speech: the cue's sentence through speech-dispatcher or espeak-ng.

use std::ffi::OsString;
use std::path::Path;
use std::time::Duration;

use tokio::time::Instant;

use super::child::{self, CommandLine, Job, Programs, Turn, Unheard};
use super::{Inbox, Output, Report, Surroundings, plain};
use crate::config::CueConfig;
use crate::language::{Language, term};
use crate::vocabulary::cue::Cue;

/// A sentence is short; a speaker that takes longer than this is hung.
const LIMIT: Duration = Duration::from_secs(20);
/// Longest text that is spoken, in characters.
const LONGEST: usize = 300;

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Speaker {
    /// `spd-say`, the command of speech-dispatcher.
    Dispatcher,
    /// `espeak-ng`.
    Synthesizer,
}

const SPEAKERS: [(&str, Speaker); 2] = [
    ("spd-say", Speaker::Dispatcher),
    ("espeak-ng", Speaker::Synthesizer),
];

pub(super) struct Speech {
    speakers: Programs<Speaker>,
    /// Of the voice.
    language: Option<String>,
    /// What is spoken.
    spoken: Language,
    /// Why there is no speaker.
    trouble: String,
}

impl Speech {
    pub(super) fn new(config: &CueConfig, around: &Surroundings) -> Speech {
        let mut trouble = "no spd-say and no espeak-ng; install speech-dispatcher".to_owned();
        let wanted: Vec<(&str, Speaker)> = match config.speech_program.as_deref() {
            None => SPEAKERS.to_vec(),
            Some(program) => {
                let name = Path::new(program).file_name();
                let known = SPEAKERS.iter().find(|(n, _)| name.is_some_and(|f| f == *n));
                trouble = match known {
                    Some(_) => format!("speech program {program} is not there"),
                    None => format!("speech program {program} is neither spd-say nor espeak-ng"),
                };
                known
                    .map(|(_, speaker)| (program, *speaker))
                    .into_iter()
                    .collect()
            }
        };
        let voice = match around.language {
            // The synthesizer's own, as it is set up.
            Language::English | Language::Marked => None,
            other => Some(other.tag().to_owned()),
        };
        Speech {
            speakers: Programs::find(wanted, &around.path),
            language: config.language.clone().or(voice),
            spoken: around.language,
            trouble,
        }
    }
}

impl Output for Speech {
    const NAME: &'static str = "speech";

    async fn run(self, inbox: Inbox, report: Report) {
        if self.speakers.is_empty() {
            report.failed(self.trouble.clone(), None);
        }
        child::run(self, inbox, report).await;
    }
}

impl Job for Speech {
    /// A new sentence breaks into the old one. Only a sentence of the same kind about the same step
    /// (the number of a running pour) lets the old one end, or none would ever be heard whole.
    fn turn(&mut self, next: &Cue, running: Option<&Cue>, _now: Instant) -> Turn {
        if self.speakers.is_empty() {
            return Turn::Skip;
        }
        self.speakers.try_all();
        match running {
            Some(old) if old.kind == next.kind && old.step == next.step => Turn::After,
            Some(_) | None => Turn::Now,
        }
    }

    fn command(&self, cue: &Cue) -> Result<Option<CommandLine>, Unheard> {
        let Some((program, speaker)) = self.speakers.current() else {
            return Err(Unheard::NoSpeaker(self.trouble.clone()));
        };
        let text = spoken(&cue.say, self.language.as_deref(), self.spoken);
        if text.trim().is_empty() {
            return Ok(None);
        }
        let mut arguments: Vec<OsString> = Vec::new();
        match speaker {
            // At the default priority a new text takes the place of the one being spoken, without
            // touching what another program (a screen reader) says; `--cancel` would.
            Speaker::Dispatcher => {
                arguments.extend(["--wait", "--application-name", "bismar"].map(OsString::from));
                if let Some(language) = &self.language {
                    arguments.extend(["--language".into(), language.into()]);
                }
            }
            Speaker::Synthesizer => {
                if let Some(language) = &self.language {
                    arguments.extend(["-v".into(), language.into()]);
                }
            }
        }
        // After `--` nothing is taken for an option.
        arguments.extend(["--".into(), text.into()]);
        Ok(Some(CommandLine {
            program: program.clone(),
            arguments,
        }))
    }

    fn next_program(&mut self) -> bool {
        self.speakers.next()
    }

    fn limit(&self) -> Duration {
        LIMIT
    }
}

/// A sentence of `language` as it is to be spoken: unit symbols after a number become words (a voice of another
/// language reads the symbols its own way), and nothing that a synthesizer would take for a command is left.
fn spoken(say: &str, voice: Option<&str>, language: Language) -> String {
    // espeak-ng takes `[[…]]` for phonemes.
    let text = plain(say, LONGEST).replace(['[', ']'], " ");
    let own = |voice: &str| {
        let tag = voice.get(..2);
        tag.is_some_and(|tag| tag.eq_ignore_ascii_case(language.tag()))
    };
    if !voice.is_none_or(own) {
        return text;
    }
    let mut words: Vec<String> = Vec::new();
    for word in text.split_whitespace() {
        let one = words.last().and_then(|w| is_one(w));
        let spoken = match one {
            Some(one) => unit_in_words(word, one, language),
            None => None,
        };
        let word = spoken
            .unwrap_or_else(|| split_unit(word, language).unwrap_or_else(|| sign(word, language)));
        words.push(word);
    }
    words.join(" ")
}

/// Whether a word that is a number is exactly one; `None` if it is no number.
fn is_one(word: &str) -> Option<bool> {
    let digits = word.rsplit(' ').next().unwrap_or(word);
    let numeric = digits
        .chars()
        .all(|c| c.is_ascii_digit() || c == '.' || c == ',')
        && digits.starts_with(|c: char| c.is_ascii_digit());
    numeric.then_some(digits == "1")
}

/// `g,` as `grams,`; `None` if it is no unit.
fn unit_in_words(word: &str, one: bool, language: Language) -> Option<String> {
    let end = word
        .find(|c: char| ",.;:!?)".contains(c))
        .unwrap_or(word.len());
    let (symbol, rest) = word.split_at_checked(end)?;
    let (single, many) = match symbol {
        "g" => (term!("gram"), term!("grams")),
        "kg" => (term!("kilogram"), term!("kilograms")),
        "mg" => (term!("milligram"), term!("milligrams")),
        "oz" => (term!("ounce"), term!("ounces")),
        "lb" => (term!("pound"), term!("pounds")),
        "ct" => (term!("carat"), term!("carats")),
        "gn" => (term!("grain"), term!("grains")),
        "ozt" => (term!("troy ounce"), term!("troy ounces")),
        "ml" => (term!("millilitre"), term!("millilitres")),
        "°C" => (term!("degree Celsius"), term!("degrees Celsius")),
        _ => return None,
    };
    let unit = if one { single } else { many };
    Some(format!("{}{rest}", language.text(unit.english())))
}

/// `0.42g` as `0.42 grams`.
fn split_unit(word: &str, language: Language) -> Option<String> {
    let at = word.find(|c: char| c.is_ascii_alphabetic() || c == '°')?;
    let (number, unit) = word.split_at_checked(at)?;
    let number = sign(number, language);
    let one = is_one(&number)?;
    Some(format!("{number} {}", unit_in_words(unit, one, language)?))
}

/// `-0.05` as `minus 0.05`, `±0.05` as `plus or minus 0.05`.
fn sign(word: &str, language: Language) -> String {
    for (sign, said) in [
        ("-", term!("minus")),
        ("−", term!("minus")),
        ("±", term!("plus or minus")),
    ] {
        if let Some(number) = word.strip_prefix(sign)
            && number.starts_with(|c: char| c.is_ascii_digit())
        {
            return format!("{} {number}", language.text(said.english()));
        }
    }
    word.to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_and_units_are_spoken_in_words() {
        for (say, heard) in [
            ("Add 0.42 g", "Add 0.42 grams"),
            ("0.42 g to go, slowly.", "0.42 grams to go, slowly."),
            ("1 g, then stop", "1 gram, then stop"),
            ("1.00 g.", "1.00 grams."),
            ("Take out 0.3g of salt", "Take out 0.3 grams of salt"),
            ("-0.05 g", "minus 0.05 grams"),
            ("±0.05 g", "plus or minus 0.05 grams"),
            ("2 kg and 3 oz", "2 kilograms and 3 ounces"),
            ("grade g salt", "grade g salt"),
            ("phase A: 12 jars", "phase A: 12 jars"),
            ("5x g", "5x g"),
            ("", ""),
            ("g", "g"),
            ("[[h@]] \u{7}1 g", "h@ 1 gram"),
        ] {
            assert_eq!(spoken(say, None, Language::English), heard, "{say:?}");
        }
        assert_eq!(spoken("0.42 g", Some("de"), Language::English), "0.42 g");
        assert_eq!(
            spoken("0.42 g", Some("en-gb"), Language::English),
            "0.42 grams"
        );
        assert_eq!(spoken("0.42 g", Some("é"), Language::English), "0.42 g");
    }
}
