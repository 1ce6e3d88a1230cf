//! What is read from files: what is accepted, what is refused and where, and what hostile files do: nothing.

#[path = "../bench_side/mod.rs"]
mod bench_side;

mod capture_files;
mod config_file;
mod formula_files;
mod formula_sheets;
mod hostile_files;
mod hostile_names;
mod hostile_pages;
mod substance_files;
