//! The command line as a person uses it.

#[path = "../bench_side/mod.rs"]
mod bench_side;

mod cli;
mod demo;
mod labels;
mod languages;
mod named;
mod plan_on_paper;
mod replay;
mod tour_of_check;
mod tour_of_records;
