//! Types that more than one room speaks in: nothing but types, their names and their constants.

pub mod code;
pub mod command;
pub mod cue;
pub mod entry;
pub mod progress;
pub mod reading;
pub mod response;
pub mod rules;
pub mod status;
pub mod weight;
