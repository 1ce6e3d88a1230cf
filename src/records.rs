//! The rooms of bismar that keep, tell and rehearse what the engine does, as a crate of their own beside that of
//! `core.rs`: optimised too, and compiled at the same time.

pub use bismar_core::{
    bench, config, document, files, formula, language, mass, metrology, problem, replay, scale,
    text, time, vocabulary, weighing,
};

pub mod chart;
pub mod journal;
pub mod lots;
pub mod protocol;
pub mod rehearsal;
