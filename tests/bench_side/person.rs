//! A person with an account of their own: home, runtime folder and nothing of this machine's.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};

use tempfile::TempDir;

pub struct Person {
    dir: TempDir,
}

/// What a command said and how it ended.
#[derive(Debug)]
pub struct Said {
    pub code: Option<i32>,
    pub out: String,
    pub err: String,
}

impl Said {
    pub fn of(output: Output) -> Said {
        Said {
            code: output.status.code(),
            out: String::from_utf8(output.stdout).expect("stdout is UTF-8"),
            err: String::from_utf8(output.stderr).expect("stderr is UTF-8"),
        }
    }

    #[track_caller]
    pub fn ended(self, code: i32) -> Said {
        assert_eq!(self.code, Some(code), "{self:?}");
        assert!(!self.err.contains("panicked"), "{self:?}");
        self
    }
}

impl Person {
    pub fn new() -> Person {
        // A socket's path has at most 107 bytes, so not below a long TMPDIR.
        let dir = tempfile::Builder::new().prefix("bp").tempdir_in("/tmp");
        let person = Person {
            dir: dir.expect("a folder in /tmp"),
        };
        for folder in ["home", "run"] {
            fs::create_dir(person.path(folder)).expect("a folder");
        }
        person
    }

    pub fn path(&self, name: &str) -> PathBuf {
        self.dir.path().join(name)
    }

    pub fn config_file(&self) -> PathBuf {
        self.path("home/.config/bismar/config.toml")
    }

    /// Writes a file of the person and gives its path.
    pub fn file(&self, name: &str, text: &str) -> PathBuf {
        let path = self.path(name);
        fs::create_dir_all(path.parent().expect("a folder")).expect("folders");
        fs::write(&path, text).expect("a file");
        path
    }

    pub fn socket(&self) -> PathBuf {
        self.path("run/bismar/control.sock")
    }

    /// The real binary with a cleared environment, in the person's own folder.
    pub fn command<S: AsRef<std::ffi::OsStr>>(&self, args: &[S]) -> Command {
        let mut command = bismar(self.dir.path());
        command
            .args(args)
            .env("HOME", self.path("home"))
            .env("XDG_RUNTIME_DIR", self.path("run"));
        command
    }

    /// Writes her configuration.
    pub fn configures(&self, text: &str) {
        self.file("home/.config/bismar/config.toml", text);
    }

    /// Begins 100 g of `soak.toml` at her daemon.
    #[track_caller]
    pub fn begins(&self) -> Said {
        self.run(&["begin", "soak.toml", "--batch", "100g"])
            .ended(0)
    }

    pub fn run<S: AsRef<std::ffi::OsStr>>(&self, args: &[S]) -> Said {
        Said::of(self.command(args).output().expect("the binary runs"))
    }
}

/// The real binary in `home`, with nothing of this machine's account.
pub fn bismar(home: &Path) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_bismar"));
    command
        .env_clear()
        .env("HOME", home)
        .env("XDG_RUNTIME_DIR", home)
        .env("PATH", "/usr/bin:/bin")
        .current_dir(home)
        .stdin(Stdio::null());
    command
}

/// What `bismar` says in `home`.
pub fn said(home: &Path, words: &[&str]) -> Said {
    let output = bismar(home).args(words).output();
    Said::of(output.expect("the binary runs"))
}

/// What `bismar` prints in `home`; it ends well.
#[track_caller]
pub fn prints(home: &Path, words: &[&str]) -> String {
    said(home, words).ended(0).out
}

/// A file of the repository.
pub fn repository(path: &str) -> String {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join(path);
    path.to_str().expect("a plain path").to_owned()
}
