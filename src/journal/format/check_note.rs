//! The note of a `scale-check` row in a batch's log, whose numbers are those of an earlier check: when that
//! was, and whether on the day of this row. `checked 2026-01-01T09:00:00.000Z, the same day; ...`.

use jiff::Timestamp;

const CHECKED: &str = "checked ";
const SAME_DAY: &str = "the same day";

/// The note of a row about the check at `at`, so many local days before the row, whose own note was `rest`.
pub fn note_of(at: Timestamp, days: i64, rest: &str) -> String {
    let when = match days {
        0 => SAME_DAY.to_owned(),
        1 => "the day before".to_owned(),
        // A clock was set back.
        days if days < 0 => "a day that is still to come".to_owned(),
        days => format!("{days} days before"),
    };
    format!("{CHECKED}{at:.3}, {when}; {rest}")
}

/// Whether the check that a note tells of was made on the day of its row; `None` where it tells of none.
pub fn is_of_the_day(note: &str) -> Option<bool> {
    let (at, rest) = note.strip_prefix(CHECKED)?.split_once(", ")?;
    at.parse::<Timestamp>().ok()?;
    Some(rest.split_once(';')?.0 == SAME_DAY)
}
