//! One batch as the rows of its log tell it: rows in, plain values out, no file.
//!
//! [`record`] is the only place where rows are folded into a batch; what a person or the engine asks of
//! it are views of that: how far the batch is ([`standing`]), where it goes on, what is in it of each
//! ingredient, what usually stays in a beaker.

pub mod agree;
pub mod composition;
pub mod lost;
mod progress;
pub mod record;
pub mod residue;
pub mod standing;
pub mod still_open;
pub mod summary;
