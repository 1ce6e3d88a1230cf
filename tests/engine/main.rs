//! The engine against the truth: simulated benches and people, thousands of batches in virtual time.

#[path = "../bench_side/mod.rs"]
mod bench_side;

mod golden;
mod ledger;
mod rehearsal;
mod soak;
mod trials;
mod truth;
mod worlds;
