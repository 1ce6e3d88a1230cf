//! The fourth world's parts; its own tests are in `tests/fourth`.

#[path = "../../fourth/mishap.rs"]
pub mod mishap;
#[path = "../../fourth/person.rs"]
mod person;
#[path = "../../fourth/scale.rs"]
pub mod scale;
#[path = "../../fourth/world.rs"]
pub mod world;

use crate::bench_side::{agreed, told};
