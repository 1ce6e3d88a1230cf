//! The reading of logs: rows proved one by one.

pub mod archive;
pub mod folder;
mod index;
pub mod record;
pub mod scale_checks;
pub mod scan;
pub mod verify;
