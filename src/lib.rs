//! bismar: a companion daemon for a bench scale.
//!
//! Everything that touches the world stands at the edge; everything that decides is pure and takes
//! time as an argument. See DEVELOPERS.md.

pub use bismar_records::{
    bench, chart, config, document, files, formula, journal, language, lots, mass, metrology,
    problem, protocol, rehearsal, replay, scale, text, time, vocabulary, weighing,
};

pub mod cli;
pub mod cue;
pub mod daemon;
pub mod display;
pub mod guide;
pub mod label;
pub mod sheet;
pub mod wire;
pub mod workshop;
