//! A request that is refused for what a file, a log or a plan says: the fault's own sentence, with what
//! helps.

use super::reply::Refusal;
use crate::formula::plan::PlanError;
use crate::journal::error::LogError;
use crate::journal::format::contents_note::ContentsTooLong;
use crate::problem::Problems;
use crate::vocabulary::code::Help;

impl From<Problems> for Refusal {
    fn from(problems: Problems) -> Refusal {
        Refusal::new(problems.told())
    }
}

impl From<LogError> for Refusal {
    fn from(error: LogError) -> Refusal {
        Refusal::new(error.told())
    }
}

impl From<ContentsTooLong> for Refusal {
    fn from(error: ContentsTooLong) -> Refusal {
        Refusal::new(error.to_string())
    }
}

/// Why there is no plan, with what helps.
impl From<PlanError> for Refusal {
    fn from(error: PlanError) -> Refusal {
        let refusal = Refusal::new(error.told());
        match error {
            PlanError::NoScale => refusal.help(Help::FindScale),
            _ => refusal,
        }
    }
}
