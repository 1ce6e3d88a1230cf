//! Several benches, a real broker (mosquitto) and a gatherer, in processes of their own; each of them is killed,
//! cut off, lied to.

#[path = "../bench_side/mod.rs"]
mod bench_side;

mod cable;
mod faults;
mod glance;
mod handed;
mod rows;
mod shelf;
mod shop;
mod strangers;
mod way;
