//! What is shown, sounded and spoken, with real servers and programs, and with broken ones.

#[path = "../bench_side/mod.rs"]
mod bench_side;

mod cue_faults;
mod cue_sounds;
mod desktop;
mod hub;
mod languages;
