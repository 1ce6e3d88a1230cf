//! A disk of 64 KiB for one process, to be filled to its last byte.
//!
//! A tmpfs of that size, mounted where only the process sees it. Where nothing can be mounted (an ordinary
//! container has neither user namespaces nor the right to mount), a library before libc refuses with ENOSPC
//! what goes beyond 64 KiB: weaker, since nothing but `write` is refused. `BISMAR_TEST_NO_MOUNT` takes that
//! way everywhere.

use std::ffi::{OsStr, OsString};
use std::fs::{self, File};
use std::io::{ErrorKind, Write as _};
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::OnceLock;

use super::preload::Library;

const SIZE: u64 = 64 * 1024;
/// A file takes whole pages of it.
const PAGE: u64 = 4096;
/// Names the folder to [`FULL`].
const FOLDER: &str = "BISMAR_TEST_DISK";

/// Refuses writes to the files of the folder that would take more than the disk has.
const FULL: &str = r#"
#define _GNU_SOURCE
#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/syscall.h>
#include <unistd.h>

static long pages(off_t size) { return (size + 4095) / 4096; }

/* Pages that are left, beside those of the file `own`; -1: the file is not on this disk. */
static long left_beside(int fd, const struct stat *own) {
    const char *folder = getenv("BISMAR_TEST_DISK");
    char link[64], path[PATH_MAX];
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t end = readlink(link, path, sizeof path - 1);
    if (!folder || end < 0) return -1;
    path[end] = 0;
    size_t n = strlen(folder);
    if (strncmp(path, folder, n) || path[n] != '/') return -1;
    long left = 65536 / 4096;
    DIR *dir = opendir(folder);
    if (!dir) return -1;
    for (struct dirent *one; (one = readdir(dir));) {
        struct stat is;
        if (fstatat(dirfd(dir), one->d_name, &is, AT_SYMLINK_NOFOLLOW) == 0 && S_ISREG(is.st_mode)
            && is.st_ino != own->st_ino)
            left -= pages(is.st_size);
    }
    closedir(dir);
    return left;
}

ssize_t write(int fd, const void *bytes, size_t n) {
    int before = errno;
    struct stat own;
    if (fstat(fd, &own) == 0 && S_ISREG(own.st_mode)) {
        long left = left_beside(fd, &own);
        off_t at = fcntl(fd, F_GETFL) & O_APPEND ? own.st_size : lseek(fd, 0, SEEK_CUR);
        off_t room = (off_t)left * 4096 - at;
        if (left >= 0 && room <= 0 && n > 0) { errno = ENOSPC; return -1; }
        if (left >= 0 && (off_t)n > room) n = room;
    }
    errno = before;
    return syscall(SYS_write, fd, bytes, n);
}
"#;

pub struct SmallDisk {
    folder: PathBuf,
    /// The library before libc, where nothing can be mounted.
    library: Option<Library>,
}

impl SmallDisk {
    /// At `folder`, which is there.
    pub fn at(folder: &Path) -> SmallDisk {
        SmallDisk {
            // As the kernel calls it.
            folder: fs::canonicalize(folder).expect("a folder"),
            library: (!mounts()).then(|| Library::built(FULL)),
        }
    }

    /// The words before a program's own that give it the disk. It keeps its process id.
    pub fn before(&self) -> Vec<OsString> {
        let set = |name: &str, value: &OsStr| {
            let mut word = OsString::from(name);
            word.push("=");
            word.push(value);
            word
        };
        match &self.library {
            Some(library) => vec![
                "env".into(),
                set("LD_PRELOAD", library.path().as_os_str()),
                set(FOLDER, self.folder.as_os_str()),
            ],
            None => mounted(&self.folder),
        }
    }

    /// The folder as process `id` sees it, from here (proc(5)).
    pub fn seen_by(&self, id: u32) -> PathBuf {
        match &self.library {
            Some(_) => self.folder.clone(),
            None => PathBuf::from(format!("/proc/{id}/root{}", self.folder.display())),
        }
    }

    /// Fills the disk with `ballast`, a file in the folder as it is seen from here.
    pub fn fill(&self, ballast: &Path) {
        let mut file = File::create(ballast).expect("a file");
        match &self.library {
            // The library is not before this process.
            Some(_) => {
                let entries = fs::read_dir(&self.folder).expect("the folder");
                let taken: u64 = entries
                    .map(|entry| entry.unwrap().metadata().expect("a file there").len())
                    .map(|bytes| bytes.next_multiple_of(PAGE))
                    .sum();
                file.set_len(SIZE - taken).expect("room for it");
            }
            None => to_the_end(&mut file),
        }
    }

    /// Says at a test's end if the fault was made in the weaker way.
    pub fn tell(&self) {
        if self.library.is_some() {
            eprintln!("no small file system could be mounted; the full disk was {WEAKER}");
        }
    }
}

/// Writes until a disk of this process's own has no byte left.
pub fn to_the_end(file: &mut File) {
    let mut taken = 0;
    while taken <= SIZE {
        match file.write(&[1; PAGE as usize]) {
            Ok(bytes) => taken += bytes as u64,
            Err(error) => {
                assert_eq!(error.kind(), ErrorKind::StorageFull);
                return;
            }
        }
    }
    panic!("{taken} bytes go onto the small disk");
}

const WEAKER: &str = "64 KiB as a library before libc counts them (the weaker way)";

/// What disk this process was given.
pub fn given() -> &'static str {
    match std::env::var_os(FOLDER) {
        Some(_) => WEAKER,
        None => "a tmpfs of 64 KiB",
    }
}

/// The words that mount a small tmpfs at `folder` for the program behind them, and for no other.
fn mounted(folder: &Path) -> Vec<OsString> {
    let mount = "mount -t tmpfs -o size=64k none \"$0\" && exec \"$@\"";
    let words = [
        "unshare",
        "--user",
        "--map-root-user",
        "--mount",
        "sh",
        "-c",
        mount,
    ];
    let words = words.into_iter().map(OsString::from);
    words.chain([folder.as_os_str().to_owned()]).collect()
}

/// Whether that can be done here.
fn mounts() -> bool {
    static MOUNTS: OnceLock<bool> = OnceLock::new();
    *MOUNTS.get_or_init(|| {
        let folder = tempfile::tempdir().expect("a folder");
        let words = mounted(folder.path());
        let tried = Command::new(&words[0])
            .args(&words[1..])
            .arg("true")
            .output();
        std::env::var_os("BISMAR_TEST_NO_MOUNT").is_none()
            && tried.is_ok_and(|tried| tried.status.success())
    })
}
