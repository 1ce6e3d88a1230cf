//! The configuration file (TOML), its defaults and its errors.

mod parse;
pub mod paths;
mod scale;

use std::path::PathBuf;

use crate::mass::Mass;

/// The whole configuration. `Config::default()` is what an empty file means.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Config {
    pub scales: Vec<ScaleConfig>,
    pub weighing: WeighingConfig,
    pub vessels: Vec<VesselConfig>,
    pub cues: CueConfig,
    pub page: PageConfig,
    /// Folder of the batch logs; `None` means `$XDG_DATA_HOME/bismar/logs`.
    pub log_dir: Option<PathBuf>,
    /// Folder of the formulas that the page offers; `None` means `$XDG_DATA_HOME/bismar/formulas`.
    pub formula_dir: Option<PathBuf>,
    /// Whether each scale of a batch needs a passed `bismar scale-check` of today before `begin`.
    pub daily_scale_check: bool,
}

/// The commented file that `config init` writes; it means the same as an empty one.
pub const DEFAULT_FILE: &str = include_str!("../../config/config.toml");

/// One scale.
#[derive(Debug, Clone, PartialEq)]
pub struct ScaleConfig {
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
    /// Standard deviation of repeated net weighings, measured by the maker. `None`: 0.41 d.
    pub repeatability: Option<Mass>,
    /// Bytes to send to ask for a weight, and how often in seconds. `None`: the scale sends by itself.
    pub poll: Option<(Vec<u8>, f64)>,
}

#[derive(Debug, Clone, PartialEq)]
pub enum PortSelector {
    /// `/dev/serial/by-id/...` or `/dev/tty...`
    Path(PathBuf),
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

/// What to do with the DTR line at opening; some boards restart on it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum DtrMode {
    Keep,
    On,
    Off,
}

/// A known vessel: its empty weight tells a tared beaker from a forgotten one.
#[derive(Debug, Clone, PartialEq)]
pub struct VesselConfig {
    pub name: String,
    pub weight: Mass,
    /// What it holds, by weight of product. `None`: not known.
    pub capacity: Option<Mass>,
}

/// The engine's times and factors.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct WeighingConfig {
    /// Seconds over which all readings must lie within 1 d.
    pub steady_window: f64,
    /// Seconds steady and inside the window before a weight is captured.
    pub dwell: f64,
    /// Seconds a hand needs to stop after a cue.
    pub reaction: f64,
    /// Coverage factor of the guard band (JCGM 106, 8.3.2.3).
    pub guard: f64,
    /// Seconds without a line after which the scale counts as silent.
    pub stale: f64,
    /// Two presses on the pan mean `next` or `keep`.
    pub presses: bool,
    /// Early cue on.
    pub early_cue: bool,
}

impl Default for WeighingConfig {
    fn default() -> Self {
        WeighingConfig {
            steady_window: 1.0,
            dwell: 0.5,
            reaction: 0.35,
            guard: 2.0,
            stale: 3.0,
            presses: true,
            early_cue: true,
        }
    }
}

/// The page for a browser at the bench.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PageConfig {
    /// Whether the daemon serves it.
    pub on: bool,
    /// Where it listens; another than 127.0.0.1 only with a key.
    pub address: std::net::IpAddr,
    pub port: u16,
    /// What opens it; `None`: a new one at each start of the daemon.
    pub key: Option<String>,
}

impl Default for PageConfig {
    fn default() -> Self {
        PageConfig {
            on: false,
            address: std::net::Ipv4Addr::LOCALHOST.into(),
            port: 8417,
            key: None,
        }
    }
}

/// Where cues go.
#[derive(Debug, Clone, PartialEq)]
pub struct CueConfig {
    pub desktop: bool,
    pub sound: bool,
    pub speech: bool,
    /// Sound by cue name: a freedesktop sound name or a file's path.
    pub sounds: Vec<(String, String)>,
    /// `spd-say` or `espeak-ng`; `None`: the first that is there.
    pub speech_program: Option<String>,
    pub language: Option<String>,
}

impl Default for CueConfig {
    fn default() -> Self {
        CueConfig {
            desktop: true,
            sound: true,
            speech: false,
            sounds: Vec::new(),
            speech_program: None,
            language: None,
        }
    }
}
