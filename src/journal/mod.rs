//! The batch log: one append-only CSV file a batch, the only state there is.
//!
//! [`mod@format`] is what a row is, purely: its cells, its hash chain, its names. [`store`] writes rows so
//! that a power cut, a full disk or a second program costs no row that was acknowledged. [`read`]
//! proves a log of any size row by row. [`batch`] folds rows into what is asked of a batch, purely:
//! where it stood, what it held.

pub mod batch;
pub mod error;
pub mod format;
pub mod read;
pub mod store;

use std::path::Path;

/// The batch's name that a log's file bears.
pub fn name_of(path: &Path) -> String {
    format::names::safe_batch_name(&path.file_stem().unwrap_or_default().to_string_lossy())
}
