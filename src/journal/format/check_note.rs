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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_note_tells_whether_its_check_was_of_the_day() {
        let at = Timestamp::UNIX_EPOCH;
        for (days, told) in [
            (0, "the same day"),
            (1, "the day before"),
            (12, "12 days before"),
            (-1, "a day that is still to come"),
        ] {
            let note = note_of(at, days, "as found");
            assert_eq!(
                note,
                format!("checked 1970-01-01T00:00:00.000Z, {told}; as found")
            );
            assert_eq!(is_of_the_day(&note), Some(days == 0), "{note}");
        }
        for other in ["", "as found", "checked today, the same day; as found"] {
            assert_eq!(is_of_the_day(other), None, "{other}");
        }
    }
}
