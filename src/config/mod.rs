//! The configuration file (TOML), its defaults and its errors.

mod errors;
mod held;
mod parse;
pub mod paths;
mod scale;
mod workshop;

use std::path::PathBuf;

pub use held::{Held, Holder};
pub use workshop::{WorkshopConfig, is_part};

use crate::language::Language;
use crate::mass::Mass;
use crate::scale::settings::ScaleSettings;
use crate::vocabulary::rules::Rules;

/// The whole configuration. `Config::default()` is what an empty file means.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Config {
    pub scales: Vec<ScaleSettings>,
    pub weighing: Rules,
    pub vessels: Vec<VesselConfig>,
    pub cues: CueConfig,
    pub page: PageConfig,
    /// Folder of the batch logs; `None` means `$XDG_DATA_HOME/bismar/logs`.
    pub log_dir: Option<PathBuf>,
    /// Folder of the formulas that the page offers; `None` means `$XDG_DATA_HOME/bismar/formulas`.
    pub formula_dir: Option<PathBuf>,
    /// Whether each scale of a batch needs a passed `bismar scale-check` of today before `begin`.
    pub daily_scale_check: bool,
    /// What people read and hear; `None`: what the environment says. See [`Config::speaks`].
    pub language: Option<Language>,
    /// Who answers for the product, with the address, as a label has it.
    pub responsible: Option<String>,
    /// The workshop that this bench belongs to; `None`: it stands alone.
    pub workshop: Option<WorkshopConfig>,
}

impl Config {
    /// The language of screens and voices.
    pub fn speaks(&self) -> Language {
        let set = |name: &str| std::env::var(name).ok();
        self.language
            .unwrap_or_else(|| Language::of_environment(set))
    }

    /// This configuration as it may hold while a batch is weighed that was begun under `begun`: the
    /// bench stays, and so does the folder in which the batch's log lies.
    #[must_use]
    pub fn during_a_batch(self, begun: &Config) -> Config {
        Config {
            scales: begun.scales.clone(),
            weighing: begun.weighing,
            vessels: begun.vessels.clone(),
            log_dir: begun.log_dir.clone(),
            ..self
        }
    }

    /// Whether the bench is the same: scales, vessels, and how they are weighed with.
    pub fn is_same_bench(&self, other: &Config) -> bool {
        self.scales == other.scales
            && self.weighing == other.weighing
            && self.vessels == other.vessels
    }
}

/// The commented file that `config init` writes; it means the same as an empty one.
pub const DEFAULT_FILE: &str = include_str!("../../config/config.toml");

/// A known vessel: its empty weight tells a tared beaker from a forgotten one.
#[derive(Debug, Clone, PartialEq)]
pub struct VesselConfig {
    pub name: String,
    pub weight: Mass,
    /// What it holds, by weight of product. `None`: not known.
    pub capacity: Option<Mass>,
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
    /// Whether other users of this machine are answered as well, where they have the key.
    pub other_users: bool,
    /// Where a reverse proxy shows it, `https://bench.example`.
    pub proxy: Option<String>,
}

impl Default for PageConfig {
    fn default() -> Self {
        PageConfig {
            on: false,
            address: std::net::Ipv4Addr::LOCALHOST.into(),
            port: 8417,
            key: None,
            other_users: false,
            proxy: None,
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
