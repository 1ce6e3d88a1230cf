//! Counted things: "1 step", "3 steps", each noun of ours with its plural in one place.

use super::{Sentence, phrase};

/// Steps of a plan.
pub fn steps(count: usize) -> Sentence {
    match count {
        1 => phrase!("1 step"),
        _ => phrase!("{count} steps", count),
    }
}

/// Targets of steps, in grams.
pub fn targets(count: usize) -> Sentence {
    match count {
        1 => phrase!("1 target"),
        _ => phrase!("{count} targets", count),
    }
}

pub fn jars(count: u64) -> Sentence {
    match count {
        1 => phrase!("1 jar"),
        _ => phrase!("{count} jars", count),
    }
}

/// Jars as they are bought.
pub fn empty_jars(count: u64) -> Sentence {
    match count {
        1 => phrase!("1 empty jar"),
        _ => phrase!("{count} empty jars", count),
    }
}

pub fn batches(count: usize) -> Sentence {
    match count {
        1 => phrase!("1 batch"),
        _ => phrase!("{count} batches", count),
    }
}

pub fn months(count: u32) -> Sentence {
    match count {
        1 => phrase!("1 month"),
        _ => phrase!("{count} months", count),
    }
}
