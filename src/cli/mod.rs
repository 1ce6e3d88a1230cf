//! The command line, one file a command.

pub mod check;
