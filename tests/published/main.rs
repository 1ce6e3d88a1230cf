//! What is calculated, against published tables, worked examples and other libraries.

#[path = "../bench_side/mod.rs"]
mod bench_side;

mod budget;
mod budget_opinions;
mod cautions;
mod changes;
mod control_chart;
mod label;
mod limits;
mod masses;
mod metrology;
mod plan;
mod premix;
mod published_tables;
mod remedy;
mod several_loads;
mod units;
