//! Files read whole and within limits; a small file written whole; what the system draws by chance.

use std::io::{Read as _, Write as _};
use std::os::unix::fs::{DirBuilderExt as _, OpenOptionsExt as _};
use std::path::Path;

use crate::document::Lines;
use crate::problem::{Problem, Problems};

/// The largest file that is read. A formula has a few thousand bytes.
const LARGEST_FILE: u64 = 1_000_000;

/// `bytes` random bytes of the system as lower-case hexadecimal digits.
///
/// # Errors
/// When the system gives none.
pub fn random_hex(bytes: usize) -> std::io::Result<String> {
    let mut raw = vec![0u8; bytes];
    getrandom::fill(&mut raw).map_err(std::io::Error::other)?;
    Ok(crate::text::hex(&raw))
}

/// Reads a whole text file.
///
/// # Errors
/// One problem: the file cannot be read, is no plain file (a pipe would be waited for without end), is
/// larger than 1 MB, or is not UTF-8 (with the place of the first byte that is not).
pub fn text(path: &Path) -> Result<String, Problems> {
    let name = path.display().to_string();
    let fail = |message: String, remedy: &str| {
        Problems::from(Problem {
            path: name.clone(),
            line: 0,
            column: 0,
            message,
            remedy: remedy.to_owned(),
        })
    };
    let cannot = |e: std::io::Error| {
        fail(
            format!("cannot be read: {e}"),
            "Check the path and the file's rights",
        )
    };
    if !std::fs::metadata(path).map_err(cannot)?.is_file() {
        return Err(fail(
            "cannot be read: it is not a plain file".into(),
            "Name the file itself; text out of a pipe must be saved to a file first",
        ));
    }
    let mut bytes = Vec::new();
    std::fs::File::open(path)
        .and_then(|file| file.take(LARGEST_FILE + 1).read_to_end(&mut bytes))
        .map_err(cannot)?;
    if bytes.len() as u64 > LARGEST_FILE {
        return Err(fail(
            "is larger than 1 MB".into(),
            "Name the right file; this one is not of the kind expected",
        ));
    }
    String::from_utf8(bytes).map_err(|e| {
        let valid = e.utf8_error().valid_up_to();
        let good = String::from_utf8_lossy(e.as_bytes().get(..valid).unwrap_or(&[])).into_owned();
        let (line, column) = Lines::new(&good).place(good.len());
        Problems::from(Problem {
            path: name.clone(),
            line,
            column,
            message: "the text is not UTF-8 from here on".into(),
            remedy: "Save the file as UTF-8".into(),
        })
    })
}

/// Whether every user of this machine may read the file: its rights and those of the folders above it say so.
pub fn is_open_to_all(path: &Path) -> bool {
    use std::os::unix::fs::PermissionsExt as _;
    let Ok(path) = std::fs::canonicalize(path) else {
        return false;
    };
    let has = |path: &Path, right| {
        std::fs::metadata(path).is_ok_and(|meta| meta.permissions().mode() & right != 0)
    };
    has(&path, 0o004) && path.ancestors().skip(1).all(|folder| has(folder, 0o001))
}

/// Writes a file anew that only its owner reads.
///
/// # Errors
/// When it cannot be written.
pub fn write_private(path: &Path, text: &str) -> std::io::Result<()> {
    // Whoever reads it meanwhile finds all of it, the old or the new.
    let new = path.with_added_extension("new");
    match std::fs::remove_file(&new) {
        Err(error) if error.kind() != std::io::ErrorKind::NotFound => return Err(error),
        Ok(()) | Err(_) => {}
    }
    let mut file = std::fs::File::options()
        .write(true)
        .create_new(true)
        .mode(0o600)
        .open(&new)?;
    file.write_all(text.as_bytes())?;
    std::fs::rename(&new, path)
}

/// Writes a file that is not there yet and that only its owner reads, its folders where they are missing; synced.
///
/// # Errors
/// When it is there, or cannot be written.
pub fn create(path: &Path, text: &str) -> std::io::Result<()> {
    if let Some(folder) = path.parent() {
        std::fs::DirBuilder::new()
            .recursive(true)
            .mode(0o700)
            .create(folder)?;
    }
    let mut file = std::fs::File::options()
        .write(true)
        .create_new(true)
        .mode(0o600)
        .open(path)?;
    file.write_all(text.as_bytes())?;
    file.sync_all()
}
