//! The list of lots.

use std::io::Write as _;
use std::path::Path;

use super::QueryError;
use crate::files;
use crate::lots::Lot;
use crate::problem::Problems;

/// The lots of the list `file`; `None` where there is no list.
///
/// # Errors
/// Each fault of the list with its place.
pub fn list(file: &Path) -> Result<Option<Vec<Lot>>, Problems> {
    let there = std::fs::symlink_metadata(file);
    if there.is_err_and(|error| error.kind() == std::io::ErrorKind::NotFound) {
        return Ok(None);
    }
    let text = files::text(file)?;
    Lot::parse_all(&text, &file.display().to_string()).map(Some)
}

/// The lots of the list `file`, which need not be there.
///
/// # Errors
/// As [`list`].
pub fn lots(file: &Path) -> Result<Vec<Lot>, QueryError> {
    Ok(list(file)?.unwrap_or_default())
}

/// Adds a lot at the end of the list `file`, which is made where there is none; it is on the disk when
/// this returns.
///
/// # Errors
/// Each fault of the list or of the lot with its place; nothing is written then. Or why it cannot be
/// written.
pub fn add(file: &Path, lot: &Lot) -> Result<(), QueryError> {
    let before = match file.exists() {
        true => files::text(file)?,
        false => String::new(),
    };
    let name = file.display().to_string();
    Lot::parse_all(&before, &name)?;
    let line_end = if before.is_empty() || before.ends_with('\n') {
        ""
    } else {
        "\n"
    };
    let lines = format!("{line_end}{}", lot.to_toml());
    // Nothing is written that would not be read.
    Lot::parse_all(&format!("{before}{lines}"), &name)?;
    append(file, &lines).map_err(|error| {
        let remedy = match error.kind() {
            std::io::ErrorKind::ReadOnlyFilesystem => {
                "; if the service is closed in, name its folder in closed-in.conf"
            }
            _ => "",
        };
        QueryError::Other(format!("{name}: cannot write the lot: {error}{remedy}"))
    })
}

fn append(file: &Path, lines: &str) -> std::io::Result<()> {
    if let Some(folder) = file.parent() {
        std::fs::create_dir_all(folder)?;
    }
    let mut options = std::fs::OpenOptions::new();
    let mut out = options.append(true).create(true).open(file)?;
    out.write_all(lines.as_bytes())?;
    out.sync_all()
}
