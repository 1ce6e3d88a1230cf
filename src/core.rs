//! The rooms of bismar that each line of a scale goes through, as a crate of their own: the release build optimises
//! these and those of `records.rs`, side by side, and compiles the rest as it stands. `bismar` has each under its own name.

pub mod bench;
pub mod config;
pub mod document;
pub mod files;
pub mod formula;
pub mod language;
pub mod mass;
pub mod metrology;
pub mod problem;
pub mod replay;
pub mod scale;
pub mod text;
pub mod time;
pub mod vocabulary;
pub mod weighing;
