//! The reading of logs: rows proved one by one, and what is made of them.

pub mod folder;
pub mod held;
pub mod record;
pub mod residue;
pub mod resume;
pub mod scale_checks;
pub mod scan;
pub mod verify;
