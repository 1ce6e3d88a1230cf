//! The daemon and its control socket: whole batches, other clients, lots, scale checks.

#[path = "../bench_side/mod.rs"]
mod bench_side;

mod after_the_batch;
mod control;
mod control_faults;
mod daemon_batch;
mod late_lots;
mod lots_at_the_bench;
mod scale_checks;
mod skipped;
mod stopped;
mod taken_back;
mod wire;
mod without_a_scale;
