//! Names of batches, which are also the names of their files.

use jiff::Timestamp;
use jiff::tz::TimeZone;

use crate::text::alike::in_ascii;

/// The longest name in bytes.
pub const LONGEST_NAME: usize = 80;

/// `text` as a name that is safe as a file's: letters and digits of ASCII, `.`, `_` and `-`; any
/// other character is `-`, so no name leads out of the folder; no dot or dash in front; at most
/// [`LONGEST_NAME`] bytes; never empty.
pub fn safe_batch_name(text: &str) -> String {
    let keep = |c: char| c.is_ascii_alphanumeric() || matches!(c, '.' | '_' | '-');
    let name: String = text
        .chars()
        .map(|c| if keep(c) { c } else { '-' })
        .collect();
    // A leading dash would look like an option on a command line, and like a formula in a cell.
    let mut name = name.trim_start_matches(['.', '-']).to_owned();
    name.truncate(LONGEST_NAME);
    if name.is_empty() {
        name.push_str("batch");
    }
    name
}

/// A name from the formula's and the time in UTC, to the minute: `tideline-bath-salts-20260101-0900`.
/// It may be taken; [`crate::journal::store::log::LogFile::create_unique`] adds `-2`, `-3`, ... then.
pub fn new_batch_name(formula: &str, at: Timestamp) -> String {
    let mut slug = String::new();
    for c in in_ascii(formula).chars() {
        if c.is_ascii_alphanumeric() {
            slug.push(c.to_ascii_lowercase());
        } else if !slug.is_empty() && !slug.ends_with('-') {
            slug.push('-');
        }
    }
    // Room for the date, the time and a number.
    slug.truncate(LONGEST_NAME - 20);
    let slug = slug.trim_matches('-');
    let slug = if slug.is_empty() { "batch" } else { slug };
    let time = at.to_zoned_datetime(TimeZone::UTC);
    safe_batch_name(&format!("{slug}-{}", time.strftime("%Y%m%d-%H%M")))
}
