//! A scale that the configuration has already, and what listening found otherwise.

use std::path::PathBuf;

use crate::config::Config;
use crate::scale::ports;
use crate::scale::settings::{PortSelector, ScaleSettings};

/// The place among the configured scales of the one on this line, whatever name the line has there.
pub fn on_port(config: &Config, port: &PortSelector) -> Option<usize> {
    let line = real(port);
    config
        .scales
        .iter()
        .position(|scale| scale.port == *port || (line.is_some() && real(&scale.port) == line))
}

/// The device behind a selector's name and links, where it is there now.
fn real(port: &PortSelector) -> Option<PathBuf> {
    std::fs::canonicalize(ports::find(port).ok()?).ok()
}

/// The keys of `old` that must change so that it reads its scale as `new` does.
///
/// A readability that is there stays: it may be coarser than the last digit for a good reason, and a
/// finer one would prove what the scale cannot. So does everything that listening does not tell.
pub fn changed(old: &ScaleSettings, new: &ScaleSettings) -> Vec<&'static str> {
    let request = |scale: &ScaleSettings| scale.poll.as_ref().map(|(send, _)| send.clone());
    let differs = [
        ("name", old.name != new.name),
        ("baud", old.baud != new.baud),
        ("data_bits", old.data_bits != new.data_bits),
        ("parity", old.parity != new.parity),
        ("stop_bits", old.stop_bits != new.stop_bits),
        ("layout", old.layout != new.layout),
        (
            "readability",
            old.readability.is_none() && new.readability.is_some(),
        ),
        ("poll", new.poll.is_some() && request(old) != request(new)),
    ];
    let keys = differs.into_iter().filter(|(_, differs)| *differs);
    keys.map(|(key, _)| key).collect()
}

/// Gives `scale` what `new` has for `keys`, as [`changed`] names them.
pub fn take_over(scale: &mut ScaleSettings, new: &ScaleSettings, keys: &[&str]) {
    for key in keys {
        match *key {
            "name" => scale.name.clone_from(&new.name),
            "baud" => scale.baud = new.baud,
            "data_bits" => scale.data_bits = new.data_bits,
            "parity" => scale.parity = new.parity,
            "stop_bits" => scale.stop_bits = new.stop_bits,
            "layout" => scale.layout.clone_from(&new.layout),
            "readability" => scale.readability = new.readability,
            "poll" => scale.poll.clone_from(&new.poll),
            _ => {}
        }
    }
}
