//! Pictures and figures over many weighings: the control chart of individuals and its drawing.
//!
//! Floats are right here: nothing of this decides about a weight or goes into a log.

pub mod code;
pub mod control;
pub mod history;
pub mod report;
pub mod svg;
