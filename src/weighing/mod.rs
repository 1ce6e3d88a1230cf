//! The heart: readings in, cues and log rows out. No I/O, no clock; time is an argument.

pub mod event;
