//! Sentences of the guide.

use super::{Place, Told};
use crate::language::{Sentence, Term, phrase, term};
use crate::mass::Mass;

impl Place {
    /// Behind "put it on".
    fn words(self) -> Sentence {
        match self {
            Place::Middle => Sentence::none(),
            Place::Front => phrase!(", halfway from the middle to the front edge"),
            Place::Right => phrase!(", halfway from the middle to the right edge"),
            Place::Back => phrase!(", halfway from the middle to the back edge"),
            Place::Left => phrase!(", halfway from the middle to the left edge"),
        }
    }

    /// Of a weighing, for a record: `in the middle`.
    pub const fn name(self) -> Term {
        match self {
            Place::Middle => term!("in the middle"),
            Place::Front => term!("to the front"),
            Place::Right => term!("to the right"),
            Place::Back => term!("to the back"),
            Place::Left => term!("to the left"),
        }
    }
}

impl Told {
    /// As [`Told::say`], of a vessel that is weighed empty.
    pub fn say_of_a_vessel(&self, d: Mass) -> Option<Sentence> {
        match self {
            Told::PutOn { .. } => Some(phrase!("Put the empty vessel on.")),
            told => told.say(d),
        }
    }

    /// The sentence for the person, in grams at the readability `d`; `None` at the end.
    pub fn say(&self, d: Mass) -> Option<Sentence> {
        Some(match self {
            Told::ClearPan { shown } => phrase!(
                "The scale shows {shown} g. Take everything off the pan and press its ZERO or TARE key.",
                shown = shown.grams(d),
            ),
            Told::PutOn {
                round: 1, of: 1, ..
            } => phrase!("Put the weight on."),
            Told::PutOn { round, of, load } => {
                let (round, of, place) = (*round, *of, load.place.words());
                match load.name.as_str() {
                    "" => phrase!("{round} of {of}: put the load on{place}.", round, of, place),
                    load => phrase!(
                        "{round} of {of}: put {load} on{place}.",
                        round,
                        of,
                        load,
                        place
                    ),
                }
            }
            Told::NotThat { shown, wanted } => phrase!(
                "That is not {wanted} g: the scale shows {shown} g. Lift it and put the right weight on.",
                wanted = wanted.grams(Mass::from_g(1)),
                shown = shown.grams(d),
            ),
            Told::Lift { shown } => {
                phrase!("Steady at {shown} g. Lift it.", shown = shown.grams(d))
            }
            Told::Counted { net, .. } => phrase!("  taken  {net} g", net = net.grams(d)),
            Told::ZeroMoved { by } if by.is_negative() => phrase!(
                "The empty pan shows {by} g less than before: this weighing does not count. Look for a draught or \
                 crumbs.",
                by = by.abs().grams(d),
            ),
            Told::ZeroMoved { by } => phrase!(
                "The empty pan shows {by} g more than before: this weighing does not count. Look for a draught or \
                 crumbs.",
                by = by.grams(d),
            ),
            Told::Changed { shown } => phrase!(
                "It came to rest at another weight, {shown} g: this weighing does not count. Take everything off.",
                shown = shown.grams(d),
            ),
            Told::Interrupted => {
                phrase!("Readings are missing: this weighing does not count. Take everything off.")
            }
            Told::Done => return None,
        })
    }
}
