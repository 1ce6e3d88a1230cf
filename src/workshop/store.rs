//! The list of lots and what the logs say was taken from them.

use std::io::Write as _;
use std::path::Path;

use super::QueryError;
use crate::files;
use crate::journal::batch::record::Record;
use crate::journal::error::LogError;
use crate::journal::format::fault::BadLine;
use crate::journal::read::folder;
use crate::journal::read::record;
use crate::lots::Lot;

/// The lots of the list `file`, which need not be there.
///
/// # Errors
/// Each fault of the list with its place.
pub fn lots(file: &Path) -> Result<Vec<Lot>, QueryError> {
    if !file.exists() {
        return Ok(Vec::new());
    }
    let text = files::text(file)?;
    Ok(Lot::parse_all(&text, &file.display().to_string())?)
}

/// What `take` makes of every batch of the folder `logs`, and the faults of damaged logs, of which the
/// rows before the damage count. At most `threads` read at a time.
///
/// # Errors
/// When the folder or a log cannot be read.
pub fn each_record<T: Send>(
    logs: &Path,
    threads: usize,
    take: impl Fn(Record) -> T + Sync,
) -> Result<(Vec<T>, Vec<BadLine>), LogError> {
    let paths = record::logs_in(logs)?;
    let read = folder::read_each(&paths, threads, |record| {
        (record.fault.clone(), take(record))
    });
    let (mut all, mut faults) = (Vec::with_capacity(read.len()), Vec::new());
    for read in read {
        let (fault, taken) = read?;
        faults.extend(fault);
        all.push(taken);
    }
    Ok((all, faults))
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
