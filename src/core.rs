//! The rooms of bismar that must be fast, as a crate of their own: the release build spends its time on these,
//! and the rest is compiled without optimisation. `bismar` has each of them under its own name.

pub mod bench;
pub mod chart;
pub mod config;
pub mod document;
pub mod files;
pub mod formula;
pub mod journal;
pub mod language;
pub mod lots;
pub mod mass;
pub mod metrology;
pub mod problem;
pub mod protocol;
pub mod rehearsal;
pub mod replay;
pub mod scale;
pub mod text;
pub mod time;
pub mod vocabulary;
pub mod weighing;
