//! The page at the bench: attacked with bytes, and used in a real browser.

#[path = "../bench_side/mod.rs"]
mod bench_side;

mod access;
mod after;
mod alike;
mod answers;
mod crowd;
mod first_jar;
mod formulas;
mod in_browser;
mod languages;
mod neighbours;
mod network;
mod opened;
mod proxied;
mod readme;
mod reload;
mod rooms;
mod scales;
mod states;
mod stopped;
mod strangers;
mod try_it;
