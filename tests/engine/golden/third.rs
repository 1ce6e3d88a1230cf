//! The third world's parts; its own tests are in `tests/third`.

#[path = "../../third/deeds.rs"]
pub mod deeds;
#[path = "../../third/scale.rs"]
pub mod scale;
#[path = "../../third/words.rs"]
mod words;
#[path = "../../third/world.rs"]
pub mod world;

use crate::bench_side::{agreed, told};
