//! A library of our own before libc, for what the kernel does not do when it is asked.

use std::path::PathBuf;
use std::process::Command;

/// A built library; it is gone when this is dropped.
pub struct Library(tempfile::TempDir);

impl Library {
    /// Of C `source`.
    pub fn built(source: &str) -> Library {
        let library = Library(tempfile::tempdir().expect("a folder"));
        let written = library.0.path().join("before.c");
        std::fs::write(&written, source).expect("the source is written");
        let mut cc = Command::new("cc");
        cc.args(["-shared", "-fPIC", "-o"])
            .args([&library.path(), &written]);
        let built = cc.status();
        let built = built.unwrap_or_else(|e| panic!("cc is needed (apt: gcc libc6-dev): {e}"));
        assert!(built.success());
        library
    }

    /// For `LD_PRELOAD`.
    pub fn path(&self) -> PathBuf {
        self.0.path().join("before.so")
    }
}
