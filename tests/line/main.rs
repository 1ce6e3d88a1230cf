//! From a scale's bytes to its readings: layouts, identification, the link, and lines that go bad in a pour.

#[path = "../bench_side/mod.rs"]
mod bench_side;

mod identification;
mod line_faults;
mod line_layouts;
mod line_speed;
mod link;
mod time_faults;
