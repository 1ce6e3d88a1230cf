//! Speech: the cue's sentence through speech-dispatcher or espeak-ng.

use std::ffi::OsString;
use std::path::Path;
use std::time::Duration;

use tokio::time::Instant;

use super::child::{self, CommandLine, Job, Programs, Turn};
use super::{Inbox, Output, Report, Surroundings, plain};
use crate::config::CueConfig;
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
    language: Option<String>,
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
        Speech {
            speakers: Programs::find(wanted, &around.path),
            language: config.language.clone(),
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

    fn command(&self, cue: &Cue) -> Result<Option<CommandLine>, String> {
        let Some((program, speaker)) = self.speakers.current() else {
            return Err(self.trouble.clone());
        };
        let text = spoken(&cue.say, self.language.as_deref());
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

/// A sentence as it is to be spoken: unit symbols after a number become words (English only; a
/// voice of another language reads the symbols its own way), and nothing that a synthesizer would
/// take for a command is left.
fn spoken(say: &str, language: Option<&str>) -> String {
    // espeak-ng takes `[[…]]` for phonemes.
    let text = plain(say, LONGEST).replace(['[', ']'], " ");
    let english = language.is_none_or(|l| l.get(..2).is_some_and(|l| l.eq_ignore_ascii_case("en")));
    if !english {
        return text;
    }
    let mut words: Vec<String> = Vec::new();
    for word in text.split_whitespace() {
        let one = words.last().and_then(|w| is_one(w));
        let spoken = match one {
            Some(one) => unit_in_words(word, one),
            None => None,
        };
        let word = spoken.unwrap_or_else(|| split_unit(word).unwrap_or_else(|| sign(word)));
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
fn unit_in_words(word: &str, one: bool) -> Option<String> {
    let end = word
        .find(|c: char| ",.;:!?)".contains(c))
        .unwrap_or(word.len());
    let (symbol, rest) = word.split_at_checked(end)?;
    let (single, many) = match symbol {
        "g" => ("gram", "grams"),
        "kg" => ("kilogram", "kilograms"),
        "mg" => ("milligram", "milligrams"),
        "oz" => ("ounce", "ounces"),
        "lb" => ("pound", "pounds"),
        "ct" => ("carat", "carats"),
        "gn" => ("grain", "grains"),
        "ozt" => ("troy ounce", "troy ounces"),
        "ml" => ("millilitre", "millilitres"),
        "°C" => ("degree Celsius", "degrees Celsius"),
        _ => return None,
    };
    Some(format!("{}{rest}", if one { single } else { many }))
}

/// `0.42g` as `0.42 grams`.
fn split_unit(word: &str) -> Option<String> {
    let at = word.find(|c: char| c.is_ascii_alphabetic() || c == '°')?;
    let (number, unit) = word.split_at_checked(at)?;
    let number = sign(number);
    let one = is_one(&number)?;
    Some(format!("{number} {}", unit_in_words(unit, one)?))
}

/// `-0.05` as `minus 0.05`, `±0.05` as `plus or minus 0.05`.
fn sign(word: &str) -> String {
    for (sign, said) in [("-", "minus"), ("−", "minus"), ("±", "plus or minus")] {
        if let Some(number) = word.strip_prefix(sign)
            && number.starts_with(|c: char| c.is_ascii_digit())
        {
            return format!("{said} {number}");
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
            assert_eq!(spoken(say, None), heard, "{say:?}");
        }
        assert_eq!(spoken("0.42 g", Some("de")), "0.42 g");
        assert_eq!(spoken("0.42 g", Some("en-gb")), "0.42 grams");
        assert_eq!(spoken("0.42 g", Some("é")), "0.42 g");
    }
}
