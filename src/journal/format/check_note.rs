//! The note of a `scale-check` row in a batch's log, whose numbers are those of an earlier check: when that
//! was, and whether on the day of this row. `checked 2026-01-01T09:00:00.000Z, the same day; ...`.

use jiff::Timestamp;

use crate::language::remark::joined;
use crate::language::{Slot, remark};

const CHECKED: &str = "checked ";
const SAME_DAY: &str = "the same day";

/// The note of a row about the check at `at`, so many local days before the row, whose own note was `rest`.
pub fn note_of(at: Timestamp, days: i64, rest: &str) -> String {
    let day = Slot::day(format!("{at:.3}"));
    let checked = match days {
        0 => remark!("checked {day}, the same day", day),
        1 => remark!("checked {day}, the day before", day),
        // A clock was set back.
        days if days < 0 => remark!("checked {day}, a day that is still to come", day),
        days => remark!(
            "checked {day}, {days} days before",
            day,
            days = days.unsigned_abs()
        ),
    };
    joined(checked, rest.into()).into()
}

/// Whether the check that a note tells of was made on the day of its row; `None` where it tells of none.
pub fn is_of_the_day(note: &str) -> Option<bool> {
    let (at, rest) = note.strip_prefix(CHECKED)?.split_once(", ")?;
    at.parse::<Timestamp>().ok()?;
    Some(rest.split_once(';')?.0 == SAME_DAY)
}
