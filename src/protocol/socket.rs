//! The place of the control socket: a folder of this user alone, a lock that says whether a daemon
//! lives, and the socket itself, taken over from a daemon that died.

use crate::language::{Sentence, phrase, shown_as_told};
use std::fs::{DirBuilder, File, Permissions, TryLockError};
use std::io;
use std::os::unix::fs::{DirBuilderExt as _, FileTypeExt as _, MetadataExt as _};
use std::os::unix::fs::{OpenOptionsExt as _, PermissionsExt as _};
use std::os::unix::net::{UnixListener, UnixStream};
use std::path::{Path, PathBuf};

/// The longest path of a socket in bytes (`sun_path` of unix(7), less its closing NUL).
pub const LONGEST_PATH: usize = 107;

/// Why the socket cannot be had.
#[derive(Debug)]
pub enum SocketError {
    NoRuntimeDir,
    TooLong { path: PathBuf, length: usize },
    Live { path: PathBuf },
    NotASocket { path: PathBuf },
    Foreign { path: PathBuf },
    NotAFolder { path: PathBuf },
    Io { path: PathBuf, error: io::Error },
}

impl SocketError {
    /// What it is and what to do.
    pub fn told(&self) -> Sentence {
        let shown = |path: &Path| path.display().to_string();
        match self {
            SocketError::NoRuntimeDir => phrase!(
                "XDG_RUNTIME_DIR is not set, so there is no folder for the control socket; log in to a session, or set it \
                 to a folder of your own"
            ),
            SocketError::TooLong { path, length } => phrase!(
                "the control socket's path {path} has {length} bytes, at most {most} are possible; set XDG_RUNTIME_DIR to \
                 a shorter folder",
                path = shown(path),
                length = *length,
                most = LONGEST_PATH,
            ),
            SocketError::Live { path } => phrase!(
                "a bismar daemon is running already ({path} is in use); stop it with `systemctl --user stop bismar`, or \
                 use the running one",
                path = shown(path),
            ),
            SocketError::NotASocket { path } => phrase!(
                "{path} is not a socket and stays as it is; move it away",
                path = shown(path),
            ),
            SocketError::Foreign { path } => phrase!(
                "{path} belongs to another user; set XDG_RUNTIME_DIR to a folder of your own",
                path = shown(path),
            ),
            SocketError::NotAFolder { path } => phrase!(
                "{path} is a link or a file, where a folder of bismar's own belongs; move it away, or set XDG_RUNTIME_DIR \
                 to a folder of your own",
                path = shown(path),
            ),
            SocketError::Io { path, error } => phrase!(
                "{path}: {why}; check the folder's rights and the free space",
                path = shown(path),
                why = error.to_string(),
            ),
        }
    }
}

shown_as_told!(SocketError);

impl std::error::Error for SocketError {}

/// `$XDG_RUNTIME_DIR/bismar/control.sock`.
///
/// # Errors
/// [`SocketError::NoRuntimeDir`] when the variable is missing, empty or relative.
pub fn default_path() -> Result<PathBuf, SocketError> {
    path_in("bismar")
}

/// `$XDG_RUNTIME_DIR/bismar-gather/control.sock`: where `bismar gather` lets browsers in to its page.
///
/// # Errors
/// As [`default_path`].
pub fn gather_path() -> Result<PathBuf, SocketError> {
    path_in("bismar-gather")
}

fn path_in(folder: &str) -> Result<PathBuf, SocketError> {
    let dir = std::env::var_os("XDG_RUNTIME_DIR").map(PathBuf::from);
    match dir.filter(|dir| dir.is_absolute()) {
        Some(dir) => Ok(dir.join(folder).join("control.sock")),
        None => Err(SocketError::NoRuntimeDir),
    }
}

/// A bound control socket. Dropping it removes the socket and frees the lock.
#[derive(Debug)]
pub struct Claim {
    path: PathBuf,
    listener: Option<UnixListener>,
    /// Held for the daemon's life; the system frees it when the process dies, however it dies.
    _lock: File,
}

impl Claim {
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Makes the folder (0700), takes `daemon.lock` in it, removes a dead daemon's socket, binds
    /// `path` and gives it the mode 0600.
    ///
    /// # Errors
    /// [`SocketError::Live`] when another daemon holds the lock or answers on the socket; the
    /// others as their texts say. Nothing of a living daemon is touched.
    pub fn new(path: &Path) -> Result<Claim, SocketError> {
        check_length(path)?;
        let folder = path.parent().unwrap_or(Path::new("/"));
        own_folder(folder)?;
        let lock = take_lock(folder, path)?;
        remove_stale(path)?;
        let io = |error| SocketError::Io {
            path: path.to_owned(),
            error,
        };
        let listener = UnixListener::bind(path).map_err(io)?;
        std::fs::set_permissions(path, Permissions::from_mode(0o600)).map_err(io)?;
        listener.set_nonblocking(true).map_err(io)?;
        Ok(Claim {
            path: path.to_owned(),
            listener: Some(listener),
            _lock: lock,
        })
    }

    /// The listener, once.
    pub fn take_listener(&mut self) -> Option<UnixListener> {
        self.listener.take()
    }
}

impl Drop for Claim {
    fn drop(&mut self) {
        // The lock is still held here, so the socket is ours.
        if let Err(error) = std::fs::remove_file(&self.path) {
            tracing::debug!(%error, "the control socket was gone already");
        }
    }
}

/// # Errors
/// [`SocketError::TooLong`].
pub fn check_length(path: &Path) -> Result<(), SocketError> {
    let length = path.as_os_str().len();
    if length > LONGEST_PATH {
        return Err(SocketError::TooLong {
            path: path.to_owned(),
            length,
        });
    }
    Ok(())
}

/// Makes `folder`, or checks that it is this user's own and closes it to others.
///
/// # Errors
/// [`SocketError::NotAFolder`], [`SocketError::Foreign`], [`SocketError::Io`].
pub fn own_folder(folder: &Path) -> Result<(), SocketError> {
    let io = |error| SocketError::Io {
        path: folder.to_owned(),
        error,
    };
    let mut maker = DirBuilder::new();
    maker.recursive(true).mode(0o700);
    let made = maker.create(folder);
    // Of the thing itself: through a link that somebody else laid, a folder of ours that is none of
    // the socket's would be closed, and the socket made there.
    let meta = match (std::fs::symlink_metadata(folder), made) {
        (Ok(meta), _) => meta,
        (Err(_), Err(error)) | (Err(error), Ok(())) => return Err(io(error)),
    };
    if !meta.is_dir() {
        return Err(SocketError::NotAFolder {
            path: folder.to_owned(),
        });
    }
    if meta.uid() != rustix::process::geteuid().as_raw() {
        return Err(SocketError::Foreign {
            path: folder.to_owned(),
        });
    }
    if meta.permissions().mode() & 0o077 != 0 {
        std::fs::set_permissions(folder, Permissions::from_mode(0o700)).map_err(io)?;
    }
    Ok(())
}

fn take_lock(folder: &Path, socket: &Path) -> Result<File, SocketError> {
    let path = folder.join("daemon.lock");
    let io = |error| SocketError::Io {
        path: path.clone(),
        error,
    };
    let lock = File::options()
        .create(true)
        .truncate(false)
        .write(true)
        .mode(0o600)
        .open(&path)
        .map_err(io)?;
    match lock.try_lock() {
        Ok(()) => Ok(lock),
        Err(TryLockError::WouldBlock) => Err(SocketError::Live {
            path: socket.to_owned(),
        }),
        Err(TryLockError::Error(error)) => Err(io(error)),
    }
}

/// Removes the socket of a daemon that died. Called with the lock held; still, one that answers is
/// alive (its lock file may have been deleted) and is left alone.
fn remove_stale(path: &Path) -> Result<(), SocketError> {
    let io = |error| SocketError::Io {
        path: path.to_owned(),
        error,
    };
    match std::fs::symlink_metadata(path) {
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(()),
        Err(error) => return Err(io(error)),
        Ok(meta) if !meta.file_type().is_socket() => {
            return Err(SocketError::NotASocket {
                path: path.to_owned(),
            });
        }
        Ok(_) => {}
    }
    match UnixStream::connect(path) {
        Ok(_) => Err(SocketError::Live {
            path: path.to_owned(),
        }),
        Err(error) if error.kind() == io::ErrorKind::ConnectionRefused => {
            tracing::info!(path = %path.display(), "took over the socket of a dead daemon");
            std::fs::remove_file(path).map_err(io)
        }
        Err(error) => Err(io(error)),
    }
}
