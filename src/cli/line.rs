//! A serial line on the command line (its port, its speed and `8N1`), and why one does not open.

use std::path::{Path, PathBuf};

use super::Failure;
use super::value::ValueError;
use crate::language::phrase;
use crate::protocol::client::Client;
use crate::scale::link::LinkFault;
use crate::scale::settings::{Framing, Parity};

/// Reads the short form that scales' manuals use: `8N1`, in capitals or not.
pub fn framing(text: &str) -> Result<Framing, ValueError> {
    let [data, parity, stop] = text.as_bytes() else {
        return Err(ValueError::Framing);
    };
    Ok(Framing {
        data_bits: match data {
            b'5'..=b'8' => data - b'0',
            _ => return Err(ValueError::Framing),
        },
        parity: match parity.to_ascii_uppercase() {
            b'N' => Parity::None,
            b'E' => Parity::Even,
            b'O' => Parity::Odd,
            _ => return Err(ValueError::Framing),
        },
        stop_bits: match stop {
            b'1' | b'2' => stop - b'0',
            _ => return Err(ValueError::Framing),
        },
    })
}

/// A port's path from the command line, against the working folder.
pub fn absolute(port: &Path) -> PathBuf {
    std::path::absolute(port).unwrap_or_else(|_| port.to_owned())
}

/// A line that does not open. Where bismar's own daemon holds it, that is said: a person who is told of
/// "another program" would look for it in vain. Asks the daemon, which takes 5 s at most.
pub fn not_open(fault: &LinkFault) -> Failure {
    match fault {
        LinkFault::Busy { port } if daemon_holds(Path::new(port)) => {
            Failure::failed(phrase!("bismar's own daemon is listening on {port}", port)).remedy(phrase!(
                "stop it with `systemctl --user stop bismar` (or Ctrl-C where `bismar daemon` runs), do this again, then \
                 `systemctl --user start bismar`. A batch under way goes on where it was"
            ))
        }
        other => Failure::failed(other.told()),
    }
}

/// Whether a daemon of this user answers and says that this line is open.
fn daemon_holds(port: &Path) -> bool {
    let standing = Client::connect().and_then(|mut daemon| daemon.status());
    let Ok(standing) = standing else { return false };
    let real = |path: &Path| std::fs::canonicalize(path).unwrap_or_else(|_| path.to_owned());
    let mut held = standing
        .lines
        .iter()
        .filter_map(|line| line.port.as_deref());
    held.any(|held| real(Path::new(held)) == real(port))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_short_form_is_read_and_written() {
        for text in ["8N1", "7E1", "7O1", "8N2", "5E2"] {
            assert_eq!(framing(text).map(|f| f.to_string()), Ok(text.into()));
        }
        assert_eq!(framing("7e1"), Ok(Framing::SEVEN_EVEN));
        for text in ["", "8", "9N1", "8X1", "8N3", "8N11", "é1"] {
            assert!(framing(text).is_err(), "{text}");
        }
    }
}
