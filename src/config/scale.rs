//! One `[[scale]]` of the configuration.

use std::ops::Range;

use crate::document::{DeTable, Form, Reader, Value, shown};
use crate::language::{Sentence, phrase};
use crate::mass::{Mass, Unit};
use crate::metrology::ScaleAbility;
use crate::scale::settings::{DtrMode, Parity, PortSelector, ScaleSettings};

/// The layout that `pattern` belongs to.
const PATTERN: &str = "pattern";
/// No bench scale carries more, and none has a coarser step than a hundredth of it.
const LARGEST_CAPACITY: Most = Most(Mass::from_g(1_000_000), "1000000 g");
const COARSEST_STEP: Most = Most(Mass::from_g(1000), "1000 g");

/// The largest mass that a key may have, and how that is written.
#[derive(Clone, Copy)]
pub(super) struct Most(pub(super) Mass, pub(super) &'static str);

impl Most {
    /// The mass of a key, where it is there and not more than this.
    pub(super) fn or_less<'i>(
        self,
        reader: &mut Reader<'i>,
        table: &DeTable<'i>,
        key: &str,
        example: &str,
    ) -> Option<Mass> {
        let value = table.get(key)?;
        let mass = reader.mass(value, key, example)?;
        let Most(most, written) = self;
        if mass > most {
            let message = phrase!("\"{key}\" is more than {written}", key, written);
            let remedy = phrase!(
                "Write for example {text_in_file}",
                text_in_file = format!("\"{example}\"")
            );
            reader.report(&value.span(), message, remedy);
            return None;
        }
        Some(mass)
    }
}

impl ScaleSettings {
    /// What the scale can do; without a `readability` 0.01 g is taken
    /// ([`ScaleAbility::ASSUMED_READABILITY`]) until its lines show better.
    pub fn ability(&self) -> ScaleAbility {
        ScaleAbility {
            readability: self
                .readability
                .unwrap_or(ScaleAbility::ASSUMED_READABILITY),
            capacity: self.capacity,
            repeatability: self.repeatability,
            errors: self.errors,
            ..ScaleAbility::assumed(&self.name)
        }
    }
}

const SCALE_KEYS: [&str; 18] = [
    "name",
    "port",
    "usb",
    "baud",
    "data_bits",
    "parity",
    "stop_bits",
    "dtr",
    "settle",
    "layout",
    "pattern",
    "unit",
    "readability",
    "capacity",
    "repeatability",
    "weighings",
    "uncertainty",
    "poll",
];

pub(super) fn scale<'i>(
    reader: &mut Reader<'i>,
    table: &DeTable<'i>,
    at: &Range<usize>,
) -> Option<ScaleSettings> {
    let name = reader.required_line(table, at, phrase!("The scale"), "name", "name = \"bench\"");
    let what = name.as_ref().map_or_else(
        || phrase!("The scale"),
        |n| phrase!("Scale \"{name}\"", name = shown(n)),
    );
    reader.only(table, what.clone(), &SCALE_KEYS);
    let port = port(reader, table, at, &what);
    let parities = [
        ("none", Parity::None),
        ("even", Parity::Even),
        ("odd", Parity::Odd),
    ];
    let dtr = [
        ("keep", DtrMode::Keep),
        ("on", DtrMode::On),
        ("off", DtrMode::Off),
    ];
    let baud = reader.get(table, "baud", |r, v, k| r.whole(v, k, 50..4_000_001));
    let bits = reader.get(table, "data_bits", |r, v, k| r.whole(v, k, 5..9));
    let stop = reader.get(table, "stop_bits", |r, v, k| r.whole(v, k, 1..3));
    let parity = reader.get(table, "parity", |r, v, k| r.choice(v, k, &parities));
    let dtr = reader.get(table, "dtr", |r, v, k| r.choice(v, k, &dtr));
    let settle = reader.get(table, "settle", |r, v, k| r.float(v, k, 0.0, 10.0));
    let layout = layout(reader, table, at, &what);
    let unit = reader.get(table, "unit", |r, v, _| unit(r, v));
    let poll = reader.get(table, "poll", |r, v, _| poll(r, v));
    let (readability, capacity, repeatability) = figures(reader, table);
    let errors = super::errors::errors(reader, table, &what, readability, capacity);
    let (layout, pattern) = layout?;
    Some(ScaleSettings {
        name: name?,
        port: port?,
        baud: baud.unwrap_or(9600),
        data_bits: bits.and_then(|n| u8::try_from(n).ok()).unwrap_or(8),
        parity: parity.unwrap_or(Parity::None),
        stop_bits: stop.and_then(|n| u8::try_from(n).ok()).unwrap_or(1),
        dtr: dtr.unwrap_or(DtrMode::Keep),
        settle: settle.unwrap_or(0.0),
        layout,
        pattern,
        unit,
        readability,
        capacity,
        repeatability,
        errors,
        poll,
    })
}

fn port<'i>(
    reader: &mut Reader<'i>,
    table: &DeTable<'i>,
    at: &Range<usize>,
    what: &Sentence,
) -> Option<PortSelector> {
    match (table.get("port"), table.get("usb")) {
        (Some(value), None) => {
            let path = reader.line(value, "port")?;
            if !path.starts_with('/') {
                let message = phrase!(
                    "\"port\": \"{path}\" is not an absolute path",
                    path = shown(&path)
                );
                let remedy =
                    phrase!("Write for example /dev/ttyUSB0, or a link in /dev/serial/by-id/");
                reader.report(&value.span(), message, remedy);
                return None;
            }
            Some(PortSelector::Path(path))
        }
        (None, Some(value)) => {
            let usb = reader.table(value, "usb")?;
            reader.only(usb, "\"usb\"", &["vendor", "product", "serial"]);
            let at = value.span();
            let mut id = |key: &str| {
                let example = format!("{key} = 0x1234");
                let value = reader.required(usb, &at, "\"usb\"", key, example)?;
                u16::try_from(reader.whole(value, key, 0..0x1_0000)?).ok()
            };
            let (vendor, product) = (id("vendor"), id("product"));
            let serial = reader.get(usb, "serial", Reader::line);
            Some(PortSelector::Usb {
                vendor: vendor?,
                product: product?,
                serial,
            })
        }
        (Some(_), Some(value)) => {
            let message = phrase!("{what} has both \"port\" and \"usb\"", what = what.clone());
            reader.report(&value.span(), message, phrase!("Keep one of the two"));
            None
        }
        (None, None) => {
            let remedy = phrase!(
                "Add port = \"/dev/ttyUSB0\", or usb = {usb}; {find_at_terminal} lists the ports",
                usb = "{ vendor = ..., product = ... }",
                find_at_terminal = "`bismar identify`",
            );
            reader.report(
                at,
                phrase!("{what} has no \"port\"", what = what.clone()),
                remedy,
            );
            None
        }
    }
}

/// The layout's name, and the pattern where the layout is `pattern`.
fn layout<'i>(
    reader: &mut Reader<'i>,
    table: &DeTable<'i>,
    at: &Range<usize>,
    what: &Sentence,
) -> Option<(String, Option<String>)> {
    let layout = match table.get("layout") {
        Some(value) => Some(reader.line(value, "layout")?),
        None => None,
    };
    let pattern = match table.get("pattern") {
        Some(value) => Some((self::pattern(reader, value)?, value.span())),
        None => None,
    };
    match (layout, pattern) {
        (None, Some((pattern, _))) => Some((PATTERN.to_owned(), Some(pattern))),
        (Some(layout), Some((pattern, _))) if layout == PATTERN => Some((layout, Some(pattern))),
        (Some(layout), Some((_, span))) => {
            let message = phrase!(
                "{what} has a pattern and the layout \"{layout}\"",
                what = what.clone(),
                layout = shown(&layout)
            );
            reader.report(
                &span,
                message,
                phrase!("Keep one, or write layout = \"pattern\""),
            );
            None
        }
        (Some(layout), None) if layout == PATTERN => {
            let message = phrase!(
                "{what} has the layout \"pattern\" and no pattern",
                what = what.clone()
            );
            reader.report(
                at,
                message,
                phrase!("Add pattern = '...' with named groups"),
            );
            None
        }
        (Some(layout), None) => Some((layout, None)),
        (None, None) => {
            let remedy = phrase!(
                "{find_at_terminal} finds the layout and shows this part",
                find_at_terminal = "`bismar identify`"
            );
            reader.report(
                at,
                phrase!("{what} has no \"layout\"", what = what.clone()),
                remedy,
            );
            None
        }
    }
}

fn pattern<'i>(reader: &mut Reader<'i>, value: &Value<'i>) -> Option<String> {
    // Not trimmed: a space at the edge of a pattern has a meaning.
    reader.text(value, "pattern", Form::Paragraphs)?;
    let text = value.get_ref().as_str()?.to_owned();
    let complaint = match regex::RegexBuilder::new(&text).size_limit(1 << 20).build() {
        Ok(regex) if regex.capture_names().flatten().next().is_some() => return Some(text),
        Ok(_) => phrase!("has no named group"),
        Err(e) => {
            let e = e.to_string();
            let last = e.lines().last().unwrap_or("").trim();
            phrase!(
                "is no regular expression: {why}",
                why = last.trim_start_matches("error: ")
            )
        }
    };
    let remedy = phrase!(
        "Write a regular expression with named groups such as (?<number>...), in single quotes"
    );
    reader.report(
        &value.span(),
        phrase!("\"pattern\" {complaint}", complaint),
        remedy,
    );
    None
}

fn unit<'i>(reader: &mut Reader<'i>, value: &Value<'i>) -> Option<Unit> {
    reader.choice(value, "unit", &Unit::ALL.map(|unit| (unit.symbol(), unit)))
}

/// Readability, capacity and repeatability, and whether they fit together.
fn figures<'i>(
    reader: &mut Reader<'i>,
    table: &DeTable<'i>,
) -> (Option<Mass>, Option<Mass>, Option<Mass>) {
    let readability = COARSEST_STEP.or_less(reader, table, "readability", "0.01 g");
    let capacity = LARGEST_CAPACITY.or_less(reader, table, "capacity", "600 g");
    let repeatability = COARSEST_STEP.or_less(reader, table, "repeatability", "0.008 g");
    for (key, small) in [
        ("readability", readability),
        ("repeatability", repeatability),
    ] {
        if let (Some(small), Some(capacity), Some(value)) = (small, capacity, table.get(key))
            && small >= capacity
        {
            let message = phrase!("\"{key}\" is not smaller than the capacity", key);
            reader.report(
                &value.span(),
                message,
                phrase!("Check the units of the two"),
            );
        }
    }
    (readability, capacity, repeatability)
}

fn poll<'i>(reader: &mut Reader<'i>, value: &Value<'i>) -> Option<(Vec<u8>, f64)> {
    let table = reader.table(value, "poll")?;
    reader.only(table, "\"poll\"", &["send", "every"]);
    let at = value.span();
    let send = reader
        .required(table, &at, "\"poll\"", "send", "send = 'S\\r\\n'")
        .and_then(|value| bytes(reader, value));
    let every = match table.get("every") {
        Some(value) => reader.float(value, "every", 0.02, 60.0),
        None => Some(0.2),
    };
    Some((send?, every?))
}

/// The bytes of a command: ASCII with the escapes `\r \n \t \\ \xHH`, whether TOML's own quotes have
/// resolved them already or not.
fn bytes<'i>(reader: &mut Reader<'i>, value: &Value<'i>) -> Option<Vec<u8>> {
    let complaint = match value.get_ref().as_str().map(unescape) {
        Some(Ok(bytes)) if bytes.is_empty() => phrase!("is empty"),
        Some(Ok(bytes)) if bytes.len() > 64 => phrase!("has more than 64 bytes"),
        Some(Ok(bytes)) => return Some(bytes),
        Some(Err(NoEscape(piece))) => phrase!(
            "holds \"{piece}\", which is no escape",
            piece = shown(&piece)
        ),
        None => phrase!("must be a text in quotes"),
    };
    let remedy = phrase!(r"Write ASCII with \r, \n, \t, \\ or \xHH, for example 'S\r\n'");
    reader.report(
        &value.span(),
        phrase!("\"send\" {complaint}", complaint),
        remedy,
    );
    None
}

/// What stands where only an escape or an ASCII character may, as it is written.
struct NoEscape(String);

fn unescape(text: &str) -> Result<Vec<u8>, NoEscape> {
    let mut bytes = Vec::new();
    let mut chars = text.chars();
    while let Some(c) = chars.next() {
        let byte = match c {
            '\\' => match chars.next() {
                Some('r') => b'\r',
                Some('n') => b'\n',
                Some('t') => b'\t',
                Some('\\') => b'\\',
                Some('x') => {
                    let pair: String = chars.by_ref().take(2).collect();
                    let digits = pair.len() == 2 && pair.bytes().all(|b| b.is_ascii_hexdigit());
                    let byte = u8::from_str_radix(&pair, 16).ok().filter(|_| digits);
                    byte.ok_or_else(|| NoEscape(format!("\\x{pair}")))?
                }
                Some(other) => return Err(NoEscape(format!("\\{other}"))),
                None => return Err(NoEscape("\\".to_owned())),
            },
            c if c.is_ascii() => c as u8,
            c => return Err(NoEscape(c.to_string())),
        };
        bytes.push(byte);
    }
    Ok(bytes)
}
