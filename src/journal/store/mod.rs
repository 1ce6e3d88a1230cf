//! The writing of a log: the file, its lock, its thread, and the rows that had to wait.

pub mod lock;
pub mod log;
pub mod spill;
pub mod writer;
