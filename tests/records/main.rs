//! What is written: the batch log, its faults, kills, and all that is read back out of logs.

#[path = "../bench_side/mod.rs"]
mod bench_side;

mod anchors;
mod archive;
mod batch_faults;
mod batch_log;
mod batch_rows;
mod kills;
mod late_lots;
mod log_agrees;
mod lots_trace;
mod names_alike;
mod remedy_log;
mod sheet;
