//! Adding a scale to the configuration file without touching the rest of it.

use std::fs::{File, OpenOptions, Permissions};
use std::io::{self, Write as _};
use std::os::unix::fs::{OpenOptionsExt as _, PermissionsExt as _};
use std::path::{Path, PathBuf};

use crate::cli::config::create;
use crate::cli::failure::Failure;
use crate::config::{Config, DEFAULT_FILE};
use crate::document::read_text;

/// Appends `part`, the scale `name`, to the file at `place`; a missing file is made from the
/// commented default. The file is replaced as a whole, so it is the old one or the new one whatever
/// happens.
///
/// # Errors
/// When the file with the addition would not read, or cannot be written; then it stays as it was.
pub fn append(place: &Path, name: &str, part: &str) -> Result<(), Failure> {
    let cannot = |error: io::Error| Failure::failed(format!("{}: {error}", place.display()));
    if !place.exists() {
        let text = with(DEFAULT_FILE, part);
        check(place, name, &text)?;
        return create(place, &text).map_err(cannot);
    }
    // A link (to a folder of settings kept elsewhere, say) stays a link.
    let file = std::fs::canonicalize(place).map_err(cannot)?;
    let text = with(&read_text(&file)?, part);
    check(place, name, &text)?;
    replace(&file, &text).map_err(cannot)
}

fn with(text: &str, part: &str) -> String {
    let text = text.trim_end_matches(['\n', '\r']);
    let gap = if text.is_empty() { "" } else { "\n\n" };
    format!("{text}{gap}{part}")
}

/// Whether the new text reads, and holds the new scale once.
fn check(place: &Path, name: &str, text: &str) -> Result<(), Failure> {
    let fault = |why: String| {
        Failure::failed(format!(
            "{}: the scale cannot be added at the file's end: {why}",
            place.display()
        ))
        .remedy("paste the part below into the file by hand")
    };
    match Config::parse(text, &place.display().to_string()) {
        Ok(config) if config.scales.iter().filter(|s| s.name == name).count() == 1 => Ok(()),
        Ok(_) => Err(fault("it would not be read as a scale".to_owned())),
        Err(problems) => Err(fault(problems.to_string())),
    }
}

/// Puts a new file in the old one's place, with the old one's mode; synced, file and folder.
fn replace(file: &Path, text: &str) -> io::Result<()> {
    let mode = std::fs::metadata(file)?.permissions().mode() & 0o7777;
    let folder = file.parent().unwrap_or(Path::new("/"));
    let mut temporary = file.as_os_str().to_owned();
    temporary.push(format!(".{}.new", std::process::id()));
    let temporary = PathBuf::from(temporary);
    let written =
        write_new(&temporary, text, mode).and_then(|()| std::fs::rename(&temporary, file));
    if let Err(error) = written {
        // Made by this call.
        let _ = std::fs::remove_file(&temporary);
        return Err(error);
    }
    File::open(folder)?.sync_all()
}

fn write_new(path: &Path, text: &str, mode: u32) -> io::Result<()> {
    let mut file = OpenOptions::new()
        .write(true)
        .create_new(true)
        .mode(0o600)
        .open(path)?;
    file.write_all(text.as_bytes())?;
    file.set_permissions(Permissions::from_mode(mode))?;
    file.sync_all()
}
