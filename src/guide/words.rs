//! What the guide tells, as sentences.

use super::{Place, Told};
use crate::mass::Mass;

impl Place {
    /// Behind "put it on".
    const fn words(self) -> &'static str {
        match self {
            Place::Middle => "",
            Place::Front => ", halfway from the middle to the front edge",
            Place::Right => ", halfway from the middle to the right edge",
            Place::Back => ", halfway from the middle to the back edge",
            Place::Left => ", halfway from the middle to the left edge",
        }
    }

    /// Of a weighing, for a record: `in the middle`.
    pub const fn name(self) -> &'static str {
        match self {
            Place::Middle => "in the middle",
            Place::Front => "to the front",
            Place::Right => "to the right",
            Place::Back => "to the back",
            Place::Left => "to the left",
        }
    }
}

impl Told {
    /// As [`Told::say`], of a vessel that is weighed empty.
    pub fn say_of_a_vessel(&self, d: Mass) -> Option<String> {
        match self {
            Told::PutOn { .. } => Some("Put the empty vessel on.".to_owned()),
            told => told.say(d),
        }
    }

    /// The sentence for the person, in grams at the readability `d`; `None` at the end.
    pub fn say(&self, d: Mass) -> Option<String> {
        Some(match self {
            Told::ClearPan { shown } => format!(
                "The scale shows {} g. Take everything off the pan and press its ZERO or TARE key.",
                shown.grams(d)
            ),
            Told::PutOn {
                round: 1, of: 1, ..
            } => "Put the weight on.".to_owned(),
            Told::PutOn { round, of, load } => {
                let name = match load.name.as_str() {
                    "" => "the load",
                    name => name,
                };
                format!("{round} of {of}: put {name} on{}.", load.place.words())
            }
            Told::NotThat { shown, wanted } => format!(
                "That is not {} g: the scale shows {} g. Lift it and put the right weight on.",
                wanted.grams(Mass::from_g(1)),
                shown.grams(d)
            ),
            Told::Lift { shown } => format!("Steady at {} g. Lift it.", shown.grams(d)),
            Told::Counted { net, .. } => format!("  taken  {} g", net.grams(d)),
            Told::ZeroMoved { by } => format!(
                "The empty pan shows {} g {} than before: this weighing does not count. Look for a \
             draught or crumbs.",
                by.abs().grams(d),
                if by.is_negative() { "less" } else { "more" }
            ),
            Told::Changed { shown } => format!(
                "It came to rest at another weight, {} g: this weighing does not count. Take everything \
             off.",
                shown.grams(d)
            ),
            Told::Interrupted => {
                "Readings are missing: this weighing does not count. Take everything off."
                    .to_owned()
            }
            Told::Done => return None,
        })
    }
}
