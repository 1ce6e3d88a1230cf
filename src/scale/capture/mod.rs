//! Recorded sessions: the bytes of a scale and the words of a person, with their times.
//!
//! The first line is `# bismar capture 1`. Then comes one record a line: the time in decimal
//! seconds, a tab, and either bytes (`\r \n \t \\ \xHH` escaped) or `!` and a command. A line that
//! begins with `#` is a comment, an empty line is nothing.

mod read;
mod write;

use crate::time::Moment;
use crate::vocabulary::command::Command;

pub use read::{CaptureError, CaptureReader};
pub use write::CaptureWriter;

/// The first line of a capture.
pub const HEADER: &str = "# bismar capture 1";

/// The longest line of a capture file, in bytes; a record of a megabyte with every byte escaped
/// fits in it.
pub const LONGEST_RECORD: usize = 8 << 20;

/// One line of a capture.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Record<'a> {
    /// Bytes that the scale sent.
    Bytes { at: Moment, data: &'a [u8] },
    /// What a person told the daemon.
    Command { at: Moment, command: Command },
    /// A comment or an empty line.
    Comment,
}

/// Decimal seconds with six places, as in a capture.
fn seconds(at: Moment) -> String {
    format!("{}.{:06}", at.0 / 1_000_000, at.0 % 1_000_000)
}
