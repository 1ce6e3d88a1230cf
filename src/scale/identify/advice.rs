//! Advice to the person: what to try, or what to paste.

use super::Identified;
use crate::language::{Sentence, phrase, shown_as_told};
use crate::scale::settings::{Parity, PortSelector};

/// Why nothing was identified, and what to try.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Hint {
    Silent,
    /// Some lines fit, but fewer than three, or far more did not.
    TooFew(usize),
    /// The eighth bit is a parity bit.
    SevenBits(Parity),
    WrongSpeed,
    /// Clean text of no known form.
    UnknownForm,
    /// Two layouts read different weights from the same lines.
    Ambiguous(&'static str, &'static str),
}

impl Hint {
    pub fn told(self) -> Sentence {
        match self {
            Hint::Silent => phrase!(
                "nothing was heard: press PRINT on the scale, set it to send continuously, or give a poll command; \
                 also try another speed"
            ),
            Hint::TooFew(1) => phrase!(
                "only 1 line was understood, too few to be sure: listen longer, with a load that moves"
            ),
            Hint::TooFew(good) => phrase!(
                "only {good} lines were understood, too few to be sure: listen longer, with a load that moves",
                good,
            ),
            Hint::SevenBits(Parity::Odd) => phrase!(
                "the eighth bit of the bytes is an odd parity bit: try 7O1 (data_bits = 7, parity = \"odd\")"
            ),
            Hint::SevenBits(Parity::Even | Parity::None) => phrase!(
                "the eighth bit of the bytes is an even parity bit: try 7E1 (data_bits = 7, parity = \"even\")"
            ),
            Hint::WrongSpeed => {
                phrase!("the bytes are not text: try another speed (baud), then 7E1 or 7O1")
            }
            Hint::UnknownForm => phrase!(
                "the lines are clean text of no built-in layout: write a pattern for them (layout = \"pattern\")"
            ),
            Hint::Ambiguous(one, other) => phrase!(
                "the layouts {one} and {other} read different weights from the same lines: compare with the scale's \
                 display and name the right one as layout",
                one,
                other,
            ),
        }
    }
}

shown_as_told!(Hint);

/// How a port was opened.
#[derive(Debug, Clone, PartialEq)]
pub struct LineSettings {
    pub port: PortSelector,
    pub baud: u32,
    pub data_bits: u8,
    pub parity: Parity,
    pub stop_bits: u8,
}

/// The text to paste into the configuration.
pub fn stanza(name: &str, settings: &LineSettings, found: &Identified) -> String {
    let quote = |text: &str| toml::Value::from(text).to_string();
    let port = match &settings.port {
        PortSelector::Path(path) => format!("port = {}", quote(path)),
        PortSelector::Usb {
            vendor,
            product,
            serial,
        } => {
            let serial = serial.as_deref().map_or(String::new(), |serial| {
                format!(", serial = {}", quote(serial))
            });
            format!("usb = {{ vendor = 0x{vendor:04x}, product = 0x{product:04x}{serial} }}")
        }
    };
    let parity = match settings.parity {
        Parity::None => "none",
        Parity::Even => "even",
        Parity::Odd => "odd",
    };
    let mut text = format!(
        "[[scale]]\nname = {}\n{port}\nbaud = {}\ndata_bits = {}\nparity = \"{parity}\"\n\
         stop_bits = {}\nlayout = \"{}\"\n",
        quote(name),
        settings.baud,
        settings.data_bits,
        settings.stop_bits,
        found.layout.name(),
    );
    if let Some(readability) = found.readability {
        text.push_str(&format!("readability = \"{readability}\"\n"));
    }
    text
}
