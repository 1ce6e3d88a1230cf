//! Files read whole and within limits; a small file written whole; what the system draws by chance.

use std::fs::{File, Permissions};
use std::io::{Read as _, Write as _};
use std::os::unix::fs::{DirBuilderExt as _, OpenOptionsExt as _, PermissionsExt as _};
use std::path::Path;
use std::sync::atomic::{AtomicU32, Ordering};

use rustix::fs::{CWD, RenameFlags, renameat_with};

use crate::document::Lines;
use crate::language::{Sentence, phrase};
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
    let fail = |message: Sentence, remedy: Sentence| {
        Problems::from(Problem {
            path: name.clone(),
            line: 0,
            column: 0,
            message,
            remedy,
        })
    };
    let cannot = |e: std::io::Error| {
        fail(
            phrase!("cannot be read: {error}", error = e.to_string()),
            phrase!("Check the path and the file's rights"),
        )
    };
    if !std::fs::metadata(path).map_err(cannot)?.is_file() {
        return Err(fail(
            phrase!("cannot be read: it is not a plain file"),
            phrase!("Name the file itself; text out of a pipe must be saved to a file first"),
        ));
    }
    let mut bytes = Vec::new();
    std::fs::File::open(path)
        .and_then(|file| file.take(LARGEST_FILE + 1).read_to_end(&mut bytes))
        .map_err(cannot)?;
    if bytes.len() as u64 > LARGEST_FILE {
        return Err(fail(
            phrase!("is larger than 1 MB"),
            phrase!("Name the right file; this one is not of the kind expected"),
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
            message: phrase!("the text is not UTF-8 from here on"),
            remedy: phrase!("Save the file as UTF-8"),
        })
    })
}

/// Whether every user of this machine may read the file: its rights and those of the folders above it say so.
pub fn is_open_to_all(path: &Path) -> bool {
    let Ok(path) = std::fs::canonicalize(path) else {
        return false;
    };
    let has = |path: &Path, right| {
        std::fs::metadata(path).is_ok_and(|meta| meta.permissions().mode() & right != 0)
    };
    has(&path, 0o004) && path.ancestors().skip(1).all(|folder| has(folder, 0o001))
}

/// Whether a file is on the disk when it is written.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Lasts {
    Synced,
    /// After a power cut the old one may be there, or an empty one: for what can be made anew.
    Unsynced,
}

/// As [`replace`] with the rights 0600, and not synced: for caches, which may be lost in a power cut and are written
/// often. Who kills this process finds the old file or the new.
///
/// # Errors
/// As [`replace`].
pub fn replace_unsynced(path: &Path, text: &str) -> std::io::Result<()> {
    write_whole(path, text, 0o600, RenameFlags::empty(), Lasts::Unsynced)
}

/// Writes a file that is not there yet and that only its owner reads, its folders where they are missing; synced.
/// Whoever looks meanwhile, or after a power cut, finds all of it or nothing.
///
/// # Errors
/// `AlreadyExists` when it is there; when it cannot be written.
pub fn create(path: &Path, text: &str) -> std::io::Result<()> {
    write_whole(path, text, 0o600, RenameFlags::NOREPLACE, Lasts::Synced)
}

/// Puts a file with the rights `mode` in the place of the one that is there, if any; else as [`create`].
///
/// # Errors
/// When it cannot be written; then the old one is there as it was.
pub fn replace(path: &Path, text: &str, mode: u32) -> std::io::Result<()> {
    write_whole(path, text, mode, RenameFlags::empty(), Lasts::Synced)
}

fn write_whole(
    path: &Path,
    text: &str,
    mode: u32,
    how: RenameFlags,
    lasts: Lasts,
) -> std::io::Result<()> {
    /// Two at once in this process write beside each other, not into one.
    static COUNT: AtomicU32 = AtomicU32::new(0);
    let folder = match path.parent() {
        Some(folder) if folder != Path::new("") => folder,
        Some(_) | None => Path::new("."),
    };
    std::fs::DirBuilder::new()
        .recursive(true)
        .mode(0o700)
        .create(folder)?;
    let count = COUNT.fetch_add(1, Ordering::Relaxed);
    let new = path.with_added_extension(format!("{}-{count}.new", std::process::id()));
    // Left behind by a process of this number that was killed.
    let _ = std::fs::remove_file(&new);
    let write = || -> std::io::Result<()> {
        let mut file = File::options()
            .write(true)
            .create_new(true)
            .mode(0o600)
            .open(&new)?;
        file.write_all(text.as_bytes())?;
        file.set_permissions(Permissions::from_mode(mode))?;
        if lasts == Lasts::Synced {
            file.sync_all()?;
        }
        Ok(renameat_with(CWD, &new, CWD, path, how)?)
    };
    if let Err(error) = write() {
        // Made by this call.
        let _ = std::fs::remove_file(&new);
        return Err(error);
    }
    match lasts {
        Lasts::Synced => File::open(folder)?.sync_all(),
        Lasts::Unsynced => Ok(()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// rename(2) and `RENAME_NOREPLACE`: one of many at once makes the file, whole, and nothing stays beside it.
    #[test]
    fn of_many_at_once_one_makes_the_file_and_the_last_to_replace_it_stands() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("below").join("formula.toml");
        let text = |n: usize| format!("{n}\n").repeat(50_000);
        let made: usize = std::thread::scope(|scope| {
            let threads: Vec<_> = (0..8)
                .map(|n| {
                    scope.spawn({
                        let path = &path;
                        move || create(path, &text(n))
                    })
                })
                .collect();
            let results = threads.into_iter().map(|thread| thread.join().unwrap());
            let made = |result: std::io::Result<()>| match result {
                Ok(()) => 1,
                Err(error) => {
                    assert_eq!(error.kind(), std::io::ErrorKind::AlreadyExists);
                    0
                }
            };
            results.map(made).sum()
        });
        assert_eq!(made, 1);
        let is_whole = || {
            let found = std::fs::read_to_string(&path).unwrap();
            assert!((0..16).any(|n| found == text(n)), "{} bytes", found.len());
        };
        is_whole();
        std::thread::scope(|scope| {
            for n in 8..16 {
                let path = &path;
                scope.spawn(move || replace(path, &text(n), 0o640).unwrap());
            }
            is_whole();
        });
        is_whole();
        let rights = std::fs::metadata(&path).unwrap().permissions().mode();
        assert_eq!(rights & 0o7777, 0o640);
        assert_eq!(
            std::fs::read_dir(path.parent().unwrap()).unwrap().count(),
            1
        );
    }

    #[test]
    fn what_cannot_be_written_leaves_the_old_file_and_nothing_beside_it() {
        let folder = tempfile::tempdir().unwrap();
        // A folder of that name is there: it cannot be replaced by a file (rename(2), `EISDIR`).
        let path = folder.path().join("scales.toml");
        std::fs::create_dir(&path).unwrap();
        assert!(replace(&path, "text", 0o600).is_err());
        assert!(create(&path, "text").is_err());
        assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 1);
        let below_a_file = folder.path().join("file");
        create(&below_a_file, "old").unwrap();
        assert!(create(&below_a_file.join("formula.toml"), "text").is_err());
        assert_eq!(text(&below_a_file).unwrap(), "old");
    }
}
