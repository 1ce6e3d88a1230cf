//! bismar: a companion daemon for a bench scale.
//!
//! Everything that touches the world stands at the edge; everything that decides is pure and takes
//! time as an argument. See DEVELOPERS.md.

pub mod bench;
pub mod chart;
pub mod cli;
pub mod config;
pub mod cue;
pub mod daemon;
pub mod display;
pub mod document;
pub mod files;
pub mod formula;
pub mod guide;
pub mod journal;
pub mod label;
pub mod lots;
pub mod mass;
pub mod metrology;
pub mod problem;
pub mod protocol;
pub mod rehearsal;
pub mod replay;
pub mod scale;
pub mod sheet;
pub mod text;
pub mod time;
pub mod vocabulary;
pub mod weighing;
pub mod workshop;
