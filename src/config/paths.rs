//! Places of files (XDG Base Directory Specification): a relative path in one of its variables is
//! ignored, as the specification asks.

use std::ffi::OsString;
use std::path::{Path, PathBuf};

/// The variables that name the places of a user's files.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Places {
    pub home: Option<PathBuf>,
    pub config_home: Option<PathBuf>,
    pub data_home: Option<PathBuf>,
    pub state_home: Option<PathBuf>,
    pub cache_home: Option<PathBuf>,
    pub runtime_dir: Option<PathBuf>,
}

impl Places {
    /// Taken from `HOME`, `XDG_CONFIG_HOME`, `XDG_DATA_HOME`, `XDG_STATE_HOME`,
    /// `XDG_CACHE_HOME` and `XDG_RUNTIME_DIR`.
    pub fn from_env() -> Places {
        Places::from_vars(|name| std::env::var_os(name))
    }

    /// Taken from `get`, which answers as the environment does.
    pub fn from_vars(get: impl Fn(&str) -> Option<OsString>) -> Places {
        let absolute = |name| {
            get(name)
                .map(PathBuf::from)
                .filter(|path| path.is_absolute())
        };
        Places {
            home: absolute("HOME"),
            config_home: absolute("XDG_CONFIG_HOME"),
            data_home: absolute("XDG_DATA_HOME"),
            state_home: absolute("XDG_STATE_HOME"),
            cache_home: absolute("XDG_CACHE_HOME"),
            runtime_dir: absolute("XDG_RUNTIME_DIR"),
        }
    }

    /// `$XDG_CONFIG_HOME/bismar/config.toml`, by default under `~/.config`.
    pub fn config_file(&self) -> Option<PathBuf> {
        let base = self
            .config_home
            .clone()
            .or_else(|| Some(self.home.as_ref()?.join(".config")));
        Some(base?.join("bismar").join("config.toml"))
    }

    /// The list of lots: `lots.toml` beside the configuration file.
    pub fn lots_file(&self) -> Option<PathBuf> {
        Some(self.config_file()?.with_file_name("lots.toml"))
    }

    /// `$XDG_DATA_HOME/bismar/logs`, by default under `~/.local/share`.
    pub fn log_dir(&self) -> Option<PathBuf> {
        Some(self.data()?.join("logs"))
    }

    /// What was learned of the scales: `$XDG_DATA_HOME/bismar/scales.toml`, by default under `~/.local/share`.
    pub fn learned_file(&self) -> Option<PathBuf> {
        Some(self.data()?.join("scales.toml"))
    }

    /// The configuration that was taken last: `$XDG_DATA_HOME/bismar/config-taken.toml`, by default under
    /// `~/.local/share`.
    pub fn taken_file(&self) -> Option<PathBuf> {
        Some(self.data()?.join("config-taken.toml"))
    }

    /// `$XDG_DATA_HOME/bismar/formulas`, by default under `~/.local/share`.
    pub fn formula_dir(&self) -> Option<PathBuf> {
        Some(self.data()?.join("formulas"))
    }

    /// What a bench keeps of its workshop: how far the broker has its rows, and who it is.
    /// `$XDG_DATA_HOME/bismar/workshop`, by default under `~/.local/share`.
    pub fn workshop_dir(&self) -> Option<PathBuf> {
        Some(self.data()?.join("workshop"))
    }

    /// What a bench heard of what others took of the lots: `shelf` in [`Places::workshop_dir`].
    pub fn shelf_file(&self) -> Option<PathBuf> {
        Some(self.workshop_dir()?.join("shelf"))
    }

    /// The logs of all benches of a workshop: `$XDG_DATA_HOME/bismar/benches`, by default under `~/.local/share`.
    pub fn benches_dir(&self) -> Option<PathBuf> {
        Some(self.data()?.join("benches"))
    }

    /// The secrets of a workshop: `workshop.secrets` beside the configuration file.
    pub fn secrets_file(&self) -> Option<PathBuf> {
        Some(self.config_file()?.with_file_name("workshop.secrets"))
    }

    /// The key that signs what is handed out to the benches: `hand.key` beside the configuration file.
    pub fn hand_key(&self) -> Option<PathBuf> {
        Some(self.config_file()?.with_file_name("hand.key"))
    }

    fn data(&self) -> Option<PathBuf> {
        let data = |home: &PathBuf| home.join(".local").join("share");
        let base = self
            .data_home
            .clone()
            .or_else(|| self.home.as_ref().map(data));
        Some(base?.join("bismar"))
    }

    /// Where rows that cannot be written to their log are kept, best first:
    /// `$XDG_STATE_HOME/bismar` (by default under `~/.local/state`), then `$XDG_RUNTIME_DIR/bismar`
    /// and `/tmp`, which are emptied when the session or the machine ends.
    pub fn spill_dirs(&self) -> Vec<PathBuf> {
        let state = |home: &PathBuf| home.join(".local").join("state");
        let base = self
            .state_home
            .clone()
            .or_else(|| self.home.as_ref().map(state));
        let own = base.into_iter().chain(self.runtime_dir.clone());
        own.map(|folder| folder.join("bismar"))
            .chain([PathBuf::from("/tmp")])
            .collect()
    }

    /// What can be worked out anew from the logs: `$XDG_CACHE_HOME/bismar`, by default under `~/.cache`.
    pub fn cache_dir(&self) -> Option<PathBuf> {
        let cache = |home: &PathBuf| home.join(".cache");
        let base = self
            .cache_home
            .clone()
            .or_else(|| self.home.as_ref().map(cache));
        Some(base?.join("bismar"))
    }

    /// `~` and `~/...` with the home folder in its place; anything else as it is. `None` if the home
    /// folder is needed and not known.
    pub fn expand(&self, path: &str) -> Option<PathBuf> {
        if path == "~" {
            return self.home.clone();
        }
        match path.strip_prefix("~/") {
            Some(rest) => Some(self.home.as_ref()?.join(rest)),
            None => Some(Path::new(path).to_owned()),
        }
    }
}
