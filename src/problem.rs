//! What is wrong with a file that a person wrote: where, what, and what to do about it.

use std::fmt;

/// One fault of an input file.
///
/// Shown as `file:line:column: message. Remedy.`
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Problem {
    /// The file as the person named it.
    pub path: String,
    /// From 1; 0 when the fault has no place inside the file (it cannot be read, for example).
    pub line: usize,
    /// From 1, counted in characters; 0 as for `line`.
    pub column: usize,
    /// What is wrong: one sentence without its final stop.
    pub message: String,
    /// What to do: one or more sentences without the final stop.
    pub remedy: String,
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if !self.path.is_empty() {
            write!(f, "{}:", self.path)?;
        }
        if self.line > 0 {
            write!(f, "{}:{}:", self.line, self.column)?;
        }
        if !self.path.is_empty() || self.line > 0 {
            f.write_str(" ")?;
        }
        write!(f, "{}.", self.message.trim_end_matches('.'))?;
        if !self.remedy.is_empty() {
            write!(f, " {}.", self.remedy.trim_end_matches('.'))?;
        }
        Ok(())
    }
}

impl std::error::Error for Problem {}

/// All faults found in one pass over a file, in the order of their places; never empty in an `Err`.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Problems(pub Vec<Problem>);

impl Problems {
    /// How many are printed; a file of another kind would give thousands.
    const SHOWN: usize = 20;
}

impl From<Problem> for Problems {
    fn from(problem: Problem) -> Problems {
        Problems(vec![problem])
    }
}

impl fmt::Display for Problems {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (i, problem) in self.0.iter().take(Problems::SHOWN).enumerate() {
            if i > 0 {
                f.write_str("\n")?;
            }
            write!(f, "{problem}")?;
        }
        if self.0.len() > Problems::SHOWN {
            write!(f, "\nand {} more.", self.0.len() - Problems::SHOWN)?;
        }
        Ok(())
    }
}

impl std::error::Error for Problems {}
