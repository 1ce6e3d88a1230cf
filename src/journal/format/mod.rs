//! The form of a log: rows and their cells, the chain, the names of batches; no file and no clock.

pub mod cell;
pub mod chain;
pub mod check_note;
pub mod contents_note;
pub mod fault;
pub mod fill_note;
pub mod line;
pub mod names;
pub mod opening;
pub mod row;
