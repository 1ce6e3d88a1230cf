//! Settings of one scale: its port, its line, its layout, and what it can do.

use std::fmt;

use crate::mass::Mass;
use crate::metrology::Errors;

/// One scale.
#[derive(Debug, Clone, PartialEq)]
pub struct ScaleSettings {
    /// A short name for cues and the log (`bench`, `fine`).
    pub name: String,
    pub port: PortSelector,
    pub baud: u32,
    pub data_bits: u8,
    pub parity: Parity,
    pub stop_bits: u8,
    pub dtr: DtrMode,
    /// Seconds to ignore after opening, for boards that restart when the port opens.
    pub settle: f64,
    /// Name of a line layout, or `pattern` with `pattern` below.
    pub layout: String,
    /// The declarative layout: a regular expression with named groups.
    pub pattern: Option<String>,
    /// The unit of numbers that never carry one. Without it a line without a unit is no weight.
    pub unit: Option<crate::mass::Unit>,
    /// Readability d. `None`: the last digit shown.
    pub readability: Option<Mass>,
    /// Largest load. `None`: unknown.
    pub capacity: Option<Mass>,
    /// Standard deviation of repeated net weighings, measured by the maker. `None`: not measured.
    pub repeatability: Option<Mass>,
    /// What else is told of how wrong it may be.
    pub errors: Errors,
    /// Bytes to send to ask for a weight, and how often in seconds. `None`: the scale sends by itself.
    pub poll: Option<(Vec<u8>, f64)>,
}

#[derive(Debug, Clone, PartialEq)]
pub enum PortSelector {
    /// `/dev/serial/by-id/...` or `/dev/tty...`
    Path(String),
    /// USB ids; each that is given must match.
    Usb {
        vendor: u16,
        product: u16,
        serial: Option<String>,
    },
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Parity {
    None,
    Even,
    Odd,
}

/// Data bits, parity and stop bits of a line.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Framing {
    pub data_bits: u8,
    pub parity: Parity,
    pub stop_bits: u8,
}

impl Framing {
    pub const EIGHT_NONE: Framing = Framing::new(8, Parity::None);
    pub const SEVEN_EVEN: Framing = Framing::new(7, Parity::Even);
    pub const SEVEN_ODD: Framing = Framing::new(7, Parity::Odd);

    const fn new(data_bits: u8, parity: Parity) -> Framing {
        Framing {
            data_bits,
            parity,
            stop_bits: 1,
        }
    }
}

/// In the short form that scales' manuals use: `8N1`, `7E1`.
impl fmt::Display for Framing {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let parity = match self.parity {
            Parity::None => 'N',
            Parity::Even => 'E',
            Parity::Odd => 'O',
        };
        write!(f, "{}{parity}{}", self.data_bits, self.stop_bits)
    }
}

/// What to do with the DTR line at opening; some boards restart on it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum DtrMode {
    Keep,
    On,
    Off,
}

impl ScaleSettings {
    /// A scale at `port` that speaks `layout`, with what an empty file means for the rest: 9600 baud,
    /// 8 data bits, no parity, one stop bit, sends by itself, d from its last digit.
    pub fn new(name: &str, port: PortSelector, layout: &str) -> ScaleSettings {
        ScaleSettings {
            name: name.to_owned(),
            port,
            baud: 9600,
            data_bits: 8,
            parity: Parity::None,
            stop_bits: 1,
            dtr: DtrMode::Keep,
            settle: 0.0,
            layout: layout.to_owned(),
            pattern: None,
            unit: None,
            readability: None,
            capacity: None,
            repeatability: None,
            errors: Errors::default(),
            poll: None,
        }
    }

    /// A line that is in no configuration.
    pub fn on_line(port: String, baud: u32, framing: Framing) -> ScaleSettings {
        ScaleSettings {
            baud,
            data_bits: framing.data_bits,
            parity: framing.parity,
            stop_bits: framing.stop_bits,
            ..ScaleSettings::new("scale", PortSelector::Path(port), "")
        }
    }

    /// How its line is framed.
    pub fn framing(&self) -> Framing {
        Framing {
            data_bits: self.data_bits,
            parity: self.parity,
            stop_bits: self.stop_bits,
        }
    }
}
