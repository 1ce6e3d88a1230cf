//! The second world's parts; its own tests are in `tests/second`.

#[path = "../../second/indicator.rs"]
pub mod indicator;
#[path = "../../second/mishap.rs"]
pub mod mishap;
#[path = "../../second/sentences.rs"]
mod sentences;
#[path = "../../second/world.rs"]
pub mod world;

use crate::bench_side::{agreed, told};
