//! The batch log: one append-only CSV file a batch, the only state there is.
//!
//! [`row`] turns an engine's draft into the bytes of a row and back, purely; [`chain`] makes an
//! edit show; [`log`] writes rows so that a power cut, a full disk or a second program costs no row
//! that was acknowledged; [`writer`] does so on a thread of its own; [`scan`] reads a log of any
//! size row by row and proves it; [`resume`], [`verify`], [`record`] and [`held`] are what is made of that;
//! [`folder`] reads many of them; [`spill`] keeps rows that could not be written until the next start.

pub mod cell;
pub mod chain;
pub mod error;
pub mod fill_note;
pub mod folder;
pub mod held;
mod line;
mod lock;
pub mod log;
pub mod names;
pub mod record;
pub mod residue;
pub mod resume;
pub mod row;
pub mod scale_checks;
pub mod scan;
pub mod spill;
pub mod verify;
pub mod writer;
