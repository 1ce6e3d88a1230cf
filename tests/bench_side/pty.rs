//! A bare pty, whose other end is a scale's line.

use std::fs::File;
use std::io::Write as _;
use std::os::fd::OwnedFd;
use std::os::unix::fs::OpenOptionsExt as _;
use std::path::PathBuf;

use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};

pub struct Pty {
    pub master: File,
    pub path: PathBuf,
    /// Keeps the line alive while nobody has it open.
    pub spare: File,
}

impl Pty {
    pub fn new() -> Pty {
        let master: OwnedFd =
            openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC).unwrap();
        grantpt(&master).unwrap();
        unlockpt(&master).unwrap();
        let name = ptsname(&master, Vec::new()).unwrap();
        let path = PathBuf::from(name.into_string().unwrap());
        let spare = File::options()
            .read(true)
            .write(true)
            .custom_flags(rustix::fs::OFlags::NOCTTY.bits() as i32)
            .open(&path)
            .unwrap();
        Pty {
            master: File::from(master),
            path,
            spare,
        }
    }

    pub fn send(&mut self, bytes: &[u8]) {
        self.master.write_all(bytes).unwrap();
    }
}
