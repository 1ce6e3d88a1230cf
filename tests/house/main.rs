//! The sources, the dependencies, the table of faults and the unit: what no batch shows.

#[path = "../bench_side/mod.rs"]
mod bench_side;

mod dependencies;
mod faults_table;
mod plan;
mod purity;
mod sentences;
mod systemd_unit;
