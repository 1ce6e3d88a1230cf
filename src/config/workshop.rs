//! The workshop that a bench belongs to: `[workshop]` of the configuration.

use std::ops::Range;
use std::path::PathBuf;

use super::{PageConfig, parse};
use crate::document::{DeTable, Reader, Value, shown};
use crate::language::phrase;

/// What joins a bench with the others of its workshop: a broker (MQTT 5, ISO/IEC 20922), and who is who there.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct WorkshopConfig {
    pub name: String,
    /// This bench; `None` on a machine that only gathers.
    pub bench: Option<String>,
    /// The broker's name or address.
    pub broker: String,
    pub port: u16,
    /// Never off but for a broker on this machine.
    pub tls: bool,
    /// Certificates that the broker's is signed by, PEM; `None`: those that the system trusts.
    pub ca: Option<PathBuf>,
    /// This bench's own certificate and its key, PEM.
    pub certificate: Option<(PathBuf, PathBuf)>,
    /// The file with the key of the workshop, and the broker's user and password.
    pub secrets: Option<PathBuf>,
    /// The benches that `bismar gather` takes rows of.
    pub benches: Vec<String>,
    /// Where `bismar gather` puts their logs.
    pub gather_dir: Option<PathBuf>,
    /// The page with all benches, served by `bismar gather`.
    pub page: PageConfig,
    /// What `bismar gather` hands out to the benches.
    pub hand_out: Option<PathBuf>,
    /// The public key of who hands out to this bench, 64 hexadecimal digits; `None`: nothing is taken.
    pub handed_by: Option<String>,
}

/// The longest name of a workshop or a bench in bytes.
const LONGEST_PART: usize = 40;

/// What stands beside the benches on the broker.
const RESERVED: &str = "gather";

/// Whether a name can be a level of a topic and a folder: letters and digits of ASCII, `-` and `_`, and none of them
/// the first but a letter or a digit.
pub fn is_part(name: &str) -> bool {
    name.len() <= LONGEST_PART
        && name != RESERVED
        && name.starts_with(|c: char| c.is_ascii_alphanumeric())
        && name
            .bytes()
            .all(|byte| byte.is_ascii_alphanumeric() || b"-_".contains(&byte))
}

const KEYS: [&str; 14] = [
    "name",
    "bench",
    "broker",
    "port",
    "tls",
    "ca",
    "certificate",
    "private_key",
    "secrets",
    "benches",
    "gather_dir",
    "page",
    "hand_out",
    "handed_by",
];

/// The table, whose place is `at`; `path` reads an absolute path.
pub(super) fn workshop<'i>(
    reader: &mut Reader<'i>,
    table: &DeTable<'i>,
    at: &Range<usize>,
    mut path: impl FnMut(&mut Reader<'i>, &Value<'i>, &str, &str) -> Option<PathBuf>,
) -> Option<WorkshopConfig> {
    reader.only(table, "[workshop]", &KEYS);
    let named = |reader: &mut Reader<'i>, key: &str| {
        let value = table.get(key)?;
        part(reader, value, key)
    };
    let bench = named(reader, "bench");
    let name = reader
        .required(table, at, "[workshop]", "name", "name = \"saltmarsh\"")
        .and_then(|value| part(reader, value, "name"));
    let broker = reader
        .required(
            table,
            at,
            "[workshop]",
            "broker",
            "broker = \"broker.example\"",
        )
        .and_then(|value| host(reader, value));
    let tls = reader.get(table, "tls", Reader::boolean).unwrap_or(true);
    if let (false, Some(broker), Some(value)) = (tls, &broker, table.get("tls"))
        && !is_here(broker)
    {
        let message = phrase!("without TLS everybody in the network reads along, the password too");
        let remedy =
            phrase!("set tls = true; only a broker on this machine (\"localhost\") does without");
        reader.report(&value.span(), message, remedy);
    }
    let port = reader
        .get(table, "port", |r, v, k| r.whole(v, k, 1..65_536))
        .and_then(|port| u16::try_from(port).ok());
    let mut file = |reader: &mut Reader<'i>, key: &str, example: &str| {
        let value = table.get(key)?;
        path(reader, value, key, example)
    };
    let ca = file(reader, "ca", "ca.pem");
    let certificate = file(reader, "certificate", "bench.pem");
    let key = file(reader, "private_key", "bench.key");
    for (one, other) in [
        ("certificate", "private_key"),
        ("private_key", "certificate"),
    ] {
        if let Some(value) = table.get(one)
            && table.get(other).is_none()
        {
            let message = phrase!("\"{one}\" stands without \"{other}\"", one, other);
            reader.report(
                &value.span(),
                message,
                phrase!("Add {other} = \"/path/to/the/file\"", other),
            );
        }
    }
    let secrets = file(reader, "secrets", "workshop.secrets");
    let gather_dir = file(reader, "gather_dir", "benches");
    let hand_out = file(reader, "hand_out", "handed");
    let handed_by = table
        .get("handed_by")
        .and_then(|value| public_key(reader, value));
    let page = reader.get(table, "page", Reader::table);
    let page = page.map_or_else(benches_page, |table| {
        parse::page(reader, table, "[workshop.page]", benches_page())
    });
    let benches = table
        .get("benches")
        .map_or(Vec::new(), |value| several(reader, value));
    Some(WorkshopConfig {
        name: name?,
        bench,
        broker: broker?,
        port: port.unwrap_or(if tls { 8883 } else { 1883 }),
        tls,
        ca,
        certificate: certificate.zip(key),
        secrets,
        benches,
        gather_dir,
        page,
        hand_out,
        handed_by,
    })
}

/// Beside the page of a bench on the same machine.
fn benches_page() -> PageConfig {
    PageConfig {
        port: 8418,
        ..PageConfig::default()
    }
}

/// A name that can be a level of a topic.
fn part<'i>(reader: &mut Reader<'i>, value: &Value<'i>, key: &str) -> Option<String> {
    let name = reader.line(value, key)?;
    if is_part(&name) {
        return Some(name);
    }
    let message = phrase!(
        "\"{name}\" cannot be the {key} of a workshop's message",
        name = shown(&name),
        key
    );
    let remedy = phrase!(
        "Use letters (a to z), digits, - and _, {most} at most, a letter or digit first, and not \"{gather}\"",
        most = LONGEST_PART,
        gather = RESERVED
    );
    reader.report(&value.span(), message, remedy);
    None
}

fn public_key<'i>(reader: &mut Reader<'i>, value: &Value<'i>) -> Option<String> {
    let text = reader.line(value, "handed_by")?.to_ascii_lowercase();
    if text.len() == 64 && text.bytes().all(|byte| byte.is_ascii_hexdigit()) {
        return Some(text);
    }
    let message = phrase!("\"{text}\" is no public key", text = shown(&text));
    let remedy = phrase!(
        "Write the 64 digits that {hand_at_terminal} prints",
        hand_at_terminal = "`bismar gather --hand-out`"
    );
    reader.report(&value.span(), message, remedy);
    None
}

fn several<'i>(reader: &mut Reader<'i>, value: &Value<'i>) -> Vec<String> {
    let Some(array) = value.get_ref().as_array() else {
        let remedy = phrase!("Write benches = [\"bench-1\", \"bench-2\"]");
        reader.report(
            &value.span(),
            phrase!("\"benches\" must be a list of names"),
            remedy,
        );
        return Vec::new();
    };
    let mut names: Vec<String> = Vec::new();
    for item in array.iter() {
        let Some(name) = part(reader, item, "benches") else {
            continue;
        };
        // Two folders of one name on a file system that knows no case.
        if names.iter().any(|other| other.eq_ignore_ascii_case(&name)) {
            let message = phrase!("a second bench is named \"{name}\"", name = shown(&name));
            reader.report(&item.span(), message, phrase!("Give each its own name"));
        }
        names.push(name);
    }
    names
}

fn host<'i>(reader: &mut Reader<'i>, value: &Value<'i>) -> Option<String> {
    let text = reader.line(value, "broker")?;
    let plain = |byte: u8| byte.is_ascii_alphanumeric() || b".-".contains(&byte);
    if !text.is_empty() && text.len() < 254 && text.bytes().all(plain) {
        return Some(text);
    }
    let message = phrase!(
        "\"{text}\" is no name or address of a machine",
        text = shown(&text)
    );
    let remedy = phrase!(
        "write it alone, such as \"broker.example\" or \"192.168.1.5\"; the port has its own key"
    );
    reader.report(&value.span(), message, remedy);
    None
}

/// Whether a broker is on this machine.
fn is_here(broker: &str) -> bool {
    broker == "localhost"
        || broker
            .parse::<std::net::Ipv4Addr>()
            .is_ok_and(|address| address.is_loopback())
}
