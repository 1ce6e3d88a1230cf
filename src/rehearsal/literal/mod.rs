//! A second pair of simulated hands, which only obeys, and a room in which everything goes wrong.
//!
//! The hands of [`super::hands`] know how the daemon works. These know nothing: they read each cue's
//! sentence, do what it says, and do nothing unasked but the [`Mishap`]s that were drawn. What they do
//! not understand is kept ([`Outcome::unclear`]). What lies in each vessel is known to the nanogram.

mod case;
mod deeds;
mod happen;
pub mod mishap;
mod motions;
mod obey;
pub mod person;
pub mod reader;
pub mod room;
mod run;

pub use case::{CaseSpec, End, Outcome, StepStory, Told, Written};
pub use mishap::{Mishap, Planned};
pub use person::{Matter, MixWay, SheetLine, Traits};
pub use room::{Room, Track, Ware};
pub use run::{MOST_MOVES, run};
