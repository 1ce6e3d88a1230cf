//! The sources, the dependencies, the table of faults, the unit and the README: what no batch shows.

#[path = "../bench_side/mod.rs"]
mod bench_side;

mod dependencies;
mod faults_table;
mod messages;
mod mutants;
mod plan;
mod purity;
mod readme;
mod sentences;
mod systemd_unit;
