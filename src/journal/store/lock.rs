//! The lock of a log: one writer at a time.

use std::fs::{File, OpenOptions, TryLockError};
use std::io::{Read, Write};
use std::os::unix::fs::{MetadataExt, OpenOptionsExt};
use std::path::{Path, PathBuf};

use crate::journal::error::LogError;
use crate::language::term;

/// The lock, held until this is dropped or the process ends in any way.
#[derive(Debug)]
pub struct Lock(File);

impl Drop for Lock {
    /// Closing the file alone would not do: a program that is being started at this moment has a
    /// copy of it until it runs, and the lock would stay that long.
    fn drop(&mut self) {
        let _ = self.0.unlock();
    }
}

impl Lock {
    /// Whether the lock's file still stands beside the log, so that others see it.
    pub(in crate::journal) fn is_beside(&self, path: &Path) -> bool {
        let there = std::fs::metadata(beside(path, "lock"));
        let ours = self.0.metadata();
        matches!((there, ours), (Ok(there), Ok(ours))
            if (there.dev(), there.ino()) == (ours.dev(), ours.ino()))
    }
}

/// `<batch>.<extension>` beside `<batch>.csv`. Beside a file of another ending the extension is
/// added, so that it is never the file itself.
pub(in crate::journal) fn beside(path: &Path, extension: &str) -> PathBuf {
    if path.extension().is_some_and(|e| e == "csv") {
        return path.with_extension(extension);
    }
    let mut name = path.as_os_str().to_owned();
    name.push(".");
    name.push(extension);
    name.into()
}

/// Takes the lock of a log and writes our process's number into it, for the one who comes second.
pub(in crate::journal) fn lock(path: &Path) -> Result<Lock, LogError> {
    let lock_path = beside(path, "lock");
    let failed = |e| LogError::io(&lock_path, term!("lock the log"))(e);
    let mut file = OpenOptions::new()
        .read(true)
        .write(true)
        .create(true)
        .truncate(false)
        .mode(0o600)
        .open(&lock_path)
        .map_err(failed)?;
    match file.try_lock() {
        Ok(()) => {}
        Err(TryLockError::WouldBlock) => {
            let mut pid = String::new();
            let _ = file.take(20).read_to_string(&mut pid);
            return Err(LogError::Locked {
                path: path.to_owned(),
                holder: pid.trim().parse().ok(),
            });
        }
        Err(TryLockError::Error(e)) => return Err(failed(e)),
    }
    // Only a courtesy: a full disk must not keep a log from being opened.
    let _ = file
        .set_len(0)
        .and_then(|()| writeln!(file, "{}", std::process::id()));
    Ok(Lock(file))
}
