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

use bismar::language::{Language, Sentence};
use bismar::problem::Problem;

/// What is wrong and what to do are sentences that other languages have, but for the words of the library that reads TOML.
#[track_caller]
fn is_ours(problem: &Problem) {
    const OF_THE_LIBRARY: [&str; 2] = ["Check quotes", "Remove or rename one of the two"];
    let whole = |words: &Sentence| {
        let marked = words.in_language(Language::Marked);
        let mut depth = 0;
        let outside = marked.chars().filter(|c| {
            depth += i32::from(*c == '⟦') - i32::from(*c == '⟧');
            depth == 0 && !matches!(c, '⟧' | ' ')
        });
        outside.count() == 0 && words.is_ours()
    };
    let foreign = OF_THE_LIBRARY
        .iter()
        .any(|words| problem.remedy.starts_with(words));
    assert!(foreign || whole(&problem.message), "{problem}");
    assert!(whole(&problem.remedy), "{problem}");
}
