//! The serial lines of this machine, and which of them the configuration means.

use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use crate::language::{Sentence, phrase, shown_as_told};
use crate::scale::settings::PortSelector;

/// Where the kernel's stable names are: links that keep their name when a scale is plugged in anew.
pub const BY_ID: &str = "/dev/serial/by-id";

/// Where the kernel lists its terminals; without it [`serialport::available_ports`] would panic.
const SYS_TTY: &str = "/sys/class/tty";

/// One serial line of this machine.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Port {
    /// The kernel's name, `/dev/ttyUSB0`; may be another after the next plugging in.
    pub path: PathBuf,
    /// The stable link to it, where there is one. Prefer it in a configuration.
    pub by_id: Option<PathBuf>,
    /// `None` for a line that is not on USB.
    pub usb: Option<Usb>,
}

/// What a USB adapter says of itself.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Usb {
    pub vendor: u16,
    pub product: u16,
    pub serial: Option<String>,
    pub manufacturer: Option<String>,
    pub name: Option<String>,
}

impl Port {
    /// The path to write into a configuration.
    pub fn best_path(&self) -> &Path {
        self.by_id.as_deref().unwrap_or(&self.path)
    }

    /// Whether it is on USB, whatever is known of the adapter: no other line gets a stable link.
    pub fn is_on_usb(&self) -> bool {
        self.usb.is_some() || self.by_id.is_some()
    }
}

impl std::fmt::Display for Port {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}", self.best_path().display())?;
        if let Some(usb) = &self.usb {
            write!(f, " (usb {:04x}:{:04x}", usb.vendor, usb.product)?;
            if let Some(serial) = &usb.serial {
                write!(f, " serial {serial}")?;
            }
            if let Some(name) = &usb.name {
                write!(f, ", {name}")?;
            }
            f.write_char(')')?;
        }
        Ok(())
    }
}

/// Why a selector names no line; the text lists what is there and says what to do.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum PortError {
    /// Nothing matches now; it may be plugged in later.
    Absent { wanted: Sentence, there: Sentence },
    /// More than one line matches; bismar never guesses between two.
    Ambiguous { wanted: Sentence, there: Sentence },
}

impl PortError {
    pub fn told(&self) -> Sentence {
        match self {
            PortError::Absent { wanted, there } => phrase!(
                "{wanted} is not there; plug the scale in and switch it on{there}",
                wanted = wanted.clone(),
                there = there.clone(),
            ),
            PortError::Ambiguous { wanted, there } => phrase!(
                "{wanted} fits more than one serial line; add the serial number of the one you mean, or use its path \
                 under /dev/serial/by-id{there}",
                wanted = wanted.clone(),
                there = there.clone(),
            ),
        }
    }
}

shown_as_told!(PortError);

impl std::error::Error for PortError {}

/// The serial lines of this machine, in order of their paths. Empty where there is none, or where
/// the kernel's list cannot be read.
pub fn list() -> Vec<Port> {
    let links = by_id_links(Path::new(BY_ID));
    // The library panics when it cannot read this folder (a container without /sys).
    if std::fs::read_dir(SYS_TTY).is_err() {
        return join(Vec::new(), &links);
    }
    match serialport::available_ports() {
        Ok(found) => join(found, &links),
        Err(error) => {
            tracing::warn!(%error, "the serial ports cannot be listed");
            join(Vec::new(), &links)
        }
    }
}

/// The path to open for `selector`, judged anew at each call: after a replug the same scale can
/// have another kernel name.
///
/// # Errors
/// [`PortError::Absent`] or [`PortError::Ambiguous`].
pub fn find(selector: &PortSelector) -> Result<PathBuf, PortError> {
    match selector {
        // A path that is there needs no list.
        PortSelector::Path(path) if Path::new(path).exists() => Ok(path.into()),
        PortSelector::Path(_) | PortSelector::Usb { .. } => select(selector, &list()),
    }
}

/// [`find`] among `ports`, without looking at the machine.
///
/// # Errors
/// As [`find`].
pub fn select(selector: &PortSelector, ports: &[Port]) -> Result<PathBuf, PortError> {
    let matching: Vec<&Port> = ports
        .iter()
        .filter(|port| matches(selector, port))
        .collect();
    match matching.as_slice() {
        [one] => Ok(one.path.clone()),
        [] => Err(PortError::Absent {
            wanted: describe(selector),
            there: listing(
                ports
                    .iter()
                    .filter(|port| port.usb.is_some() || port.by_id.is_some()),
            ),
        }),
        many => Err(PortError::Ambiguous {
            wanted: describe(selector),
            there: listing(many.iter().copied()),
        }),
    }
}

/// The selector in words.
pub fn describe(selector: &PortSelector) -> Sentence {
    match selector {
        PortSelector::Path(path) => path.as_str().into(),
        PortSelector::Usb {
            vendor,
            product,
            serial: None,
        } => phrase!(
            "USB adapter {id}",
            id = format!("{vendor:04x}:{product:04x}"),
        ),
        PortSelector::Usb {
            vendor,
            product,
            serial: Some(serial),
        } => phrase!(
            "USB adapter {id} with serial number {serial}",
            id = format!("{vendor:04x}:{product:04x}"),
            serial,
        ),
    }
}

fn matches(selector: &PortSelector, port: &Port) -> bool {
    match selector {
        PortSelector::Path(path) => {
            let path = Path::new(path);
            port.path == path || port.by_id.as_deref() == Some(path)
        }
        PortSelector::Usb {
            vendor,
            product,
            serial,
        } => port.usb.as_ref().is_some_and(|usb| {
            usb.vendor == *vendor
                && usb.product == *product
                && (serial.is_none() || usb.serial == *serial)
        }),
    }
}

fn listing<'a>(ports: impl Iterator<Item = &'a Port>) -> Sentence {
    let names: Vec<String> = ports.map(Port::to_string).collect();
    match names.is_empty() {
        true => phrase!("; no USB serial line is plugged in now"),
        false => phrase!("; there is: {names}", names = names.join(", ")),
    }
}

/// The links of `folder` as (link, what it points to); empty where the folder is missing.
fn by_id_links(folder: &Path) -> Vec<(PathBuf, PathBuf)> {
    let Ok(entries) = std::fs::read_dir(folder) else {
        return Vec::new();
    };
    let mut links: Vec<(PathBuf, PathBuf)> = entries
        .filter_map(Result::ok)
        .filter_map(|entry| {
            let link = entry.path();
            let target = std::fs::canonicalize(&link).ok()?;
            Some((link, target))
        })
        .collect();
    links.sort();
    links
}

/// The library's list with the stable links; a link whose line the library does not list is kept.
fn join(found: Vec<serialport::SerialPortInfo>, links: &[(PathBuf, PathBuf)]) -> Vec<Port> {
    let mut ports: Vec<Port> = found
        .into_iter()
        .map(|info| {
            let path = PathBuf::from(&info.port_name);
            Port {
                by_id: link_to(links, &path),
                path,
                usb: usb(info.port_type),
            }
        })
        .collect();
    for (link, target) in links {
        if !ports.iter().any(|port| port.path == *target) {
            ports.push(Port {
                path: target.clone(),
                by_id: Some(link.clone()),
                usb: None,
            });
        }
    }
    ports.sort_by(|a, b| a.path.cmp(&b.path));
    ports.dedup_by(|a, b| a.path == b.path);
    ports
}

fn link_to(links: &[(PathBuf, PathBuf)], path: &Path) -> Option<PathBuf> {
    let (link, _) = links.iter().find(|(_, target)| target == path)?;
    Some(link.clone())
}

fn usb(kind: serialport::SerialPortType) -> Option<Usb> {
    match kind {
        serialport::SerialPortType::UsbPort(info) => Some(Usb {
            vendor: info.vid,
            product: info.pid,
            serial: info.serial_number,
            manufacturer: info.manufacturer,
            name: info.product,
        }),
        serialport::SerialPortType::PciPort
        | serialport::SerialPortType::BluetoothPort
        | serialport::SerialPortType::Unknown => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn port(path: &str, ids: Option<(u16, u16, Option<&str>)>) -> Port {
        Port {
            path: path.into(),
            by_id: None,
            usb: ids.map(|(vendor, product, serial)| Usb {
                vendor,
                product,
                serial: serial.map(str::to_owned),
                manufacturer: None,
                name: Some("Serial adapter".into()),
            }),
        }
    }

    fn by_usb(vendor: u16, product: u16, serial: Option<&str>) -> PortSelector {
        PortSelector::Usb {
            vendor,
            product,
            serial: serial.map(str::to_owned),
        }
    }

    #[test]
    fn exactly_one_match_is_taken_whatever_its_kernel_name() {
        let ports = [
            port("/dev/ttyS0", None),
            port("/dev/ttyUSB1", Some((0x1111, 0x2222, Some("A1")))),
            port("/dev/ttyUSB0", Some((0x1111, 0x2222, Some("B2")))),
        ];
        assert_eq!(
            select(&by_usb(0x1111, 0x2222, Some("B2")), &ports),
            Ok(PathBuf::from("/dev/ttyUSB0"))
        );
        let by_path = PortSelector::Path("/dev/ttyS0".into());
        assert_eq!(select(&by_path, &ports), Ok(PathBuf::from("/dev/ttyS0")));
    }

    #[test]
    fn two_matches_are_never_guessed_between() {
        let ports = [
            port("/dev/ttyUSB0", Some((0x1111, 0x2222, Some("A1")))),
            port("/dev/ttyUSB1", Some((0x1111, 0x2222, Some("B2")))),
        ];
        let error = select(&by_usb(0x1111, 0x2222, None), &ports).unwrap_err();
        assert!(matches!(error, PortError::Ambiguous { .. }));
        let text = error.to_string();
        for part in ["1111:2222", "serial A1", "serial B2", "/dev/serial/by-id"] {
            assert!(text.contains(part), "{part:?} is missing in {text:?}");
        }
    }

    #[test]
    fn a_missing_scale_is_told_with_what_is_there() {
        let ports = [port("/dev/ttyUSB7", Some((0x1111, 0x2222, None)))];
        let text = select(&by_usb(0x0abc, 1, Some("Z")), &ports)
            .unwrap_err()
            .to_string();
        for part in ["0abc:0001", "serial number Z", "/dev/ttyUSB7", "plug"] {
            assert!(text.contains(part), "{part:?} is missing in {text:?}");
        }
        let none = select(&by_usb(1, 1, None), &[]).unwrap_err().to_string();
        assert!(none.contains("no USB serial line"), "{none}");
    }

    #[test]
    fn a_stable_link_is_joined_to_its_line() {
        let dir = tempfile::tempdir().unwrap();
        let line = dir.path().join("ttyUSB3");
        std::fs::write(&line, b"").unwrap();
        let ids = dir.path().join("by-id");
        std::fs::create_dir(&ids).unwrap();
        std::os::unix::fs::symlink("../ttyUSB3", ids.join("usb-adapter-if00-port0")).unwrap();
        std::os::unix::fs::symlink("../gone", ids.join("usb-dead")).unwrap();

        let line = std::fs::canonicalize(&line).unwrap();
        let links = by_id_links(&ids);
        assert_eq!(links.len(), 1, "a dead link is no port: {links:?}");
        let listed = serialport::SerialPortInfo {
            port_name: line.display().to_string(),
            port_type: serialport::SerialPortType::Unknown,
        };
        for found in [vec![listed], vec![]] {
            let ports = join(found, &links);
            assert_eq!(ports.len(), 1);
            assert_eq!(ports[0].path, line);
            assert!(ports[0].best_path().ends_with("usb-adapter-if00-port0"));
        }
    }

    #[test]
    fn listing_this_machine_does_not_panic() {
        for port in list() {
            assert!(!port.to_string().is_empty());
        }
        assert_eq!(by_id_links(Path::new("/nowhere/at/all")), vec![]);
    }
}
