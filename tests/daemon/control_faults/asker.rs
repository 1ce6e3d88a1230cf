//! A client at the control socket that sends whatever bytes it is given.

use std::io::{self, BufRead as _, BufReader, Read as _, Write as _};
use std::os::unix::net::UnixStream;
use std::path::{Path, PathBuf};

use serde_json::Value;

use crate::bench_side::LONGEST;

pub struct Asker {
    path: PathBuf,
    stream: Option<BufReader<UnixStream>>,
}

impl Asker {
    pub fn new(path: &Path) -> Asker {
        Asker {
            path: path.to_owned(),
            stream: None,
        }
    }

    /// The reply to one line, on the same connection as the one before or on a new one.
    pub fn ask(&mut self, line: &[u8]) -> Value {
        let stream = self.stream.get_or_insert_with(|| connect(&self.path));
        stream.get_mut().write_all(&[line, b"\n"].concat()).unwrap();
        let reply = read(stream).unwrap();
        let reply: Value = serde_json::from_str(&reply)
            .unwrap_or_else(|e| panic!("{e}: {reply:?} to {:?}", String::from_utf8_lossy(line)));
        reply
    }

    /// The next line is asked on a new connection: events come on this one.
    pub fn leave(&mut self) {
        self.stream = None;
    }
}

pub fn connect(path: &Path) -> BufReader<UnixStream> {
    let stream = UnixStream::connect(path).unwrap();
    stream.set_read_timeout(Some(LONGEST)).unwrap();
    stream.set_write_timeout(Some(LONGEST)).unwrap();
    BufReader::new(stream)
}

pub fn read(stream: &mut BufReader<UnixStream>) -> io::Result<String> {
    let mut line = String::new();
    // A reply is far below this; a daemon that sends for ever fails the test.
    stream.take(1 << 20).read_line(&mut line)?;
    Ok(line)
}
