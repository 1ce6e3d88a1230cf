//! The configuration's text to [`Config`].

use std::ops::Range;
use std::path::{Path, PathBuf};

use super::paths::Places;
use super::scale::scale;
use super::workshop::workshop;
use super::{Config, CueConfig, PageConfig, VesselConfig};
use crate::document::{DeTable, Reader, Value, shown};
use crate::files;
use crate::language::{Language, Sentence, phrase};
use crate::metrology::ScaleAbility;
use crate::problem::{Problem, Problems};
use crate::scale::settings::ScaleSettings;
use crate::vocabulary::cue::CueKind;
use crate::vocabulary::rules::Rules;

impl Config {
    /// Reads `path`, or the file at its usual place (see [`Places::config_file`]), where a missing
    /// one means the defaults.
    ///
    /// # Errors
    /// Everything that is wrong with the file, each with its place; or why it cannot be read.
    pub fn load(path: Option<&Path>) -> Result<Config, Problems> {
        let places = Places::from_env();
        match (path, places.config_file()) {
            (Some(path), _) => Config::read(path, &places),
            (None, Some(path)) if path.exists() => Config::read(&path, &places),
            (None, _) => Ok(Config::default()),
        }
    }

    fn read(path: &Path, places: &Places) -> Result<Config, Problems> {
        Config::parse_at(&files::text(path)?, &path.display().to_string(), places)
    }

    /// Reads a configuration from its text; `name` stands for the file in messages.
    ///
    /// # Errors
    /// Everything that is wrong with it, each with its place.
    pub fn parse(text: &str, name: &str) -> Result<Config, Problems> {
        Config::parse_at(text, name, &Places::from_env())
    }

    /// As [`Config::parse`], with the places that `~` stands for.
    ///
    /// # Errors
    /// As [`Config::parse`].
    pub fn parse_at(text: &str, name: &str, places: &Places) -> Result<Config, Problems> {
        let (mut reader, root) = Reader::parse(text, name)?;
        let config = document(&mut reader, &root, places);
        reader.finish(config)
    }

    /// The folder of the batch logs.
    ///
    /// # Errors
    /// One problem when none is configured and neither `XDG_DATA_HOME` nor `HOME` is set.
    pub fn logs(&self) -> Result<PathBuf, Problems> {
        let usual = || Places::from_env().log_dir();
        let known = self.log_dir.clone().or_else(usual);
        known.ok_or_else(|| {
            no_folder(
                phrase!("The folder of the batch logs is not known, since HOME is not set"),
                "log_dir",
            )
        })
    }

    /// The folder of the formulas that the page offers.
    ///
    /// # Errors
    /// As [`Config::logs`].
    pub fn formulas(&self) -> Result<PathBuf, Problems> {
        let usual = || Places::from_env().formula_dir();
        let known = self.formula_dir.clone().or_else(usual);
        known.ok_or_else(|| {
            no_folder(
                phrase!("The folder of the formulas is not known, since HOME is not set"),
                "formula_dir",
            )
        })
    }

    /// What the configured scales can do, in order.
    pub fn abilities(&self) -> Vec<ScaleAbility> {
        self.scales.iter().map(ScaleSettings::ability).collect()
    }
}

fn no_folder(message: Sentence, key: &str) -> Problems {
    Problems::from(Problem {
        path: String::new(),
        line: 0,
        column: 0,
        message,
        remedy: phrase!("Set {key} in the configuration", key),
    })
}

fn document<'i>(reader: &mut Reader<'i>, root: &DeTable<'i>, places: &Places) -> Config {
    reader.only(
        root,
        phrase!("The configuration"),
        &[
            "log_dir",
            "formula_dir",
            "daily_scale_check",
            "language",
            "scale",
            "weighing",
            "vessel",
            "cues",
            "page",
            "label",
            "workshop",
        ],
    );
    let mut dir = |key: &str, example: &str| {
        let value = root.get(key)?;
        folder(reader, value, key, example, places)
    };
    let log_dir = dir("log_dir", "logs");
    let formula_dir = dir("formula_dir", "formulas");
    let daily_scale_check = reader
        .get(root, "daily_scale_check", Reader::boolean)
        .unwrap_or(false);
    let language = root.get("language").and_then(|value| {
        let tag = reader.line(value, "language")?;
        let language = Language::of_tag(&tag);
        if language.is_none() {
            let ours = Language::OFFERED.map(|one| format!("\"{}\"", one.tag()));
            let message = phrase!(
                "there are no messages in the language \"{tag}\"",
                tag = shown(&tag)
            );
            let remedy = phrase!("write one of {tags}", tags = ours.join(", "));
            reader.report(&value.span(), message, remedy);
        }
        language
    });
    let mut scales: Vec<ScaleSettings> = Vec::new();
    for (table, at) in reader.list(root, "scale") {
        if let Some(one) = scale(reader, table, &at) {
            unique(
                reader,
                false,
                &one.name,
                scales.iter().map(|s| &s.name),
                &at,
            );
            scales.push(one);
        }
    }
    let mut vessels: Vec<VesselConfig> = Vec::new();
    for (table, at) in reader.list(root, "vessel") {
        if let Some(one) = vessel(reader, table, &at) {
            unique(
                reader,
                true,
                &one.name,
                vessels.iter().map(|v| &v.name),
                &at,
            );
            vessels.push(one);
        }
    }
    let weighing = reader.get(root, "weighing", Reader::table);
    let cues = reader.get(root, "cues", Reader::table);
    let page = reader.get(root, "page", Reader::table);
    let label = reader.get(root, "label", Reader::table);
    let joined = root.get("workshop").and_then(|value| {
        let table = reader.table(value, "workshop")?;
        workshop(
            reader,
            table,
            &value.span(),
            |reader, value, key, example| folder(reader, value, key, example, places),
        )
    });
    Config {
        scales,
        weighing: weighing.map_or_else(Rules::default, |t| self::weighing(reader, t)),
        vessels,
        cues: cues.map_or_else(CueConfig::default, |t| self::cues(reader, t, places)),
        page: page.map_or_else(PageConfig::default, |t| {
            self::page(reader, t, "[page]", PageConfig::default())
        }),
        log_dir,
        formula_dir,
        daily_scale_check,
        language,
        responsible: label.and_then(|table| {
            reader.only(table, "[label]", &["responsible"]);
            reader.get(table, "responsible", Reader::folded)
        }),
        workshop: joined,
    }
}

/// The shortest key that a person may choose: 16 characters.
const SHORTEST_KEY: usize = 16;

/// The table `name`, which says of `default` what is otherwise.
pub(super) fn page<'i>(
    reader: &mut Reader<'i>,
    table: &DeTable<'i>,
    name: &str,
    default: PageConfig,
) -> PageConfig {
    reader.only(
        table,
        name,
        &["on", "address", "port", "key", "other_users", "proxy"],
    );
    let on = reader.get(table, "on", Reader::boolean);
    let port = reader
        .get(table, "port", |r, v, k| r.whole(v, k, 1..65_536))
        .and_then(|port| u16::try_from(port).ok());
    let key = table
        .get("key")
        .and_then(|v| Some((v, reader.line(v, "key")?)));
    if let Some((value, key)) = &key
        && (key.len() < SHORTEST_KEY || !key.bytes().all(|byte| byte.is_ascii_alphanumeric()))
    {
        let remedy = phrase!("use 16 or more letters and digits (a to z, A to Z, 0 to 9)");
        reader.report(
            &value.span(),
            phrase!("the key is too easy to guess, or not plain"),
            remedy,
        );
    }
    let address = table.get("address").and_then(|value| {
        let text = reader.line(value, "address")?;
        let address: Option<std::net::IpAddr> = text.parse().ok();
        match address {
            None => {
                let message = phrase!("\"{text}\" is no IP address", text = shown(&text));
                let remedy = phrase!("write an address of this machine, such as \"192.168.1.20\"");
                reader.report(&value.span(), message, remedy);
            }
            Some(ip) if ip.is_unspecified() => {
                let remedy = phrase!("write one address of this machine, such as \"192.168.1.20\"");
                reader.report(&value.span(), phrase!("this means all addresses"), remedy);
            }
            Some(ip) if !ip.is_loopback() && key.is_none() => {
                let message = phrase!("other machines reach this address, and no key is set");
                let remedy = phrase!("add key = \"...\" with 16 or more letters and digits");
                reader.report(&value.span(), message, remedy);
            }
            Some(_) => {}
        }
        address
    });
    let other_users = reader.get(table, "other_users", Reader::boolean);
    let proxy = table.get("proxy").and_then(|value| {
        let text = reader.line(value, "proxy")?;
        if !is_origin(&text) {
            let message = phrase!("\"{text}\" is no address of a server", text = shown(&text));
            let remedy = phrase!(
                "write it as the browser shows it, without a path: \"https://bench.example\""
            );
            reader.report(&value.span(), message, remedy);
        }
        Some(text)
    });
    PageConfig {
        on: on.unwrap_or(default.on),
        address: address.unwrap_or(default.address),
        port: port.unwrap_or(default.port),
        key: key.map(|(_, key)| key),
        other_users: other_users.unwrap_or(default.other_users),
        proxy,
    }
}

/// `https://name` or `https://name:port`, and the same with http (RFC 6454, 6.2).
fn is_origin(text: &str) -> bool {
    let host = text
        .strip_prefix("https://")
        .or_else(|| text.strip_prefix("http://"));
    let plain = |byte: u8| byte.is_ascii_alphanumeric() || b".-:[]".contains(&byte);
    host.is_some_and(|host| !host.is_empty() && host.bytes().all(plain))
}

fn unique<'n>(
    reader: &mut Reader,
    vessel: bool,
    name: &str,
    mut earlier: impl Iterator<Item = &'n String>,
    at: &Range<usize>,
) {
    if earlier.any(|other| other.eq_ignore_ascii_case(name)) {
        let name = shown(name);
        let message = match vessel {
            true => phrase!("A second vessel is named \"{name}\"", name),
            false => phrase!("A second scale is named \"{name}\"", name),
        };
        reader.report(at, message, phrase!("Give each its own name"));
    }
}

/// An absolute path, `~` allowed.
fn folder<'i>(
    reader: &mut Reader<'i>,
    value: &Value<'i>,
    key: &str,
    example: &str,
    places: &Places,
) -> Option<PathBuf> {
    let text = reader.line(value, key)?;
    match places.expand(&text) {
        Some(path) if path.is_absolute() => Some(path),
        Some(_) | None => {
            let message = phrase!(
                "\"{key}\": \"{path}\" is not an absolute path",
                key,
                path = shown(&text)
            );
            let remedy = phrase!("Write /path/to/{example} or ~/{example}", example);
            reader.report(&value.span(), message, remedy);
            None
        }
    }
}

fn weighing<'i>(reader: &mut Reader<'i>, table: &DeTable<'i>) -> Rules {
    let keys = [
        "steady_window",
        "dwell",
        "reaction",
        "guard",
        "stale",
        "presses",
        "early_cue",
    ];
    reader.only(table, "[weighing]", &keys);
    let default = Rules::default();
    let mut number = |key: &str, least: f64, most: f64, default: f64| {
        reader
            .get(table, key, |r, v, k| r.float(v, k, least, most))
            .unwrap_or(default)
    };
    let steady_window = number("steady_window", 0.3, 10.0, default.steady_window);
    let dwell = number("dwell", 0.0, 10.0, default.dwell);
    let reaction = number("reaction", 0.0, 2.0, default.reaction);
    let guard = number("guard", 0.0, 4.0, default.guard);
    let stale = number("stale", 0.5, 60.0, default.stale);
    let mut flag =
        |key: &str, default: bool| reader.get(table, key, Reader::boolean).unwrap_or(default);
    let presses = flag("presses", default.presses);
    let early_cue = flag("early_cue", default.early_cue);
    Rules {
        steady_window,
        dwell,
        reaction,
        guard,
        stale,
        presses,
        early_cue,
    }
}

fn vessel<'i>(
    reader: &mut Reader<'i>,
    table: &DeTable<'i>,
    at: &Range<usize>,
) -> Option<VesselConfig> {
    reader.only(
        table,
        phrase!("The vessel"),
        &["name", "weight", "capacity"],
    );
    let name = reader.required_line(
        table,
        at,
        phrase!("The vessel"),
        "name",
        "name = \"small beaker\"",
    );
    let weight = reader
        .required(
            table,
            at,
            phrase!("The vessel"),
            "weight",
            "weight = \"150.20 g\"",
        )
        .and_then(|value| reader.mass(value, "weight", "150.20 g"));
    let capacity = reader.get(table, "capacity", |r, v, k| r.mass(v, k, "250 g"));
    Some(VesselConfig {
        name: name?,
        weight: weight?,
        capacity,
    })
}

fn cues<'i>(reader: &mut Reader<'i>, table: &DeTable<'i>, places: &Places) -> CueConfig {
    let keys = [
        "desktop",
        "sound",
        "speech",
        "speech_program",
        "language",
        "sounds",
    ];
    reader.only(table, "[cues]", &keys);
    let default = CueConfig::default();
    let mut flag =
        |key: &str, default: bool| reader.get(table, key, Reader::boolean).unwrap_or(default);
    let desktop = flag("desktop", default.desktop);
    let sound = flag("sound", default.sound);
    let speech = flag("speech", default.speech);
    let mut word = |key: &str| reader.get(table, key, Reader::line);
    let (speech_program, language) = (word("speech_program"), word("language"));
    let sounds = table
        .get("sounds")
        .and_then(|v| reader.table(v, "cues.sounds"));
    let sounds = sounds.map_or(Vec::new(), |table| self::sounds(reader, table, places));
    CueConfig {
        desktop,
        sound,
        speech,
        sounds,
        speech_program,
        language,
    }
}

fn sounds<'i>(
    reader: &mut Reader<'i>,
    table: &DeTable<'i>,
    places: &Places,
) -> Vec<(String, String)> {
    let names = CueKind::ALL.map(CueKind::name);
    reader.only(table, "[cues.sounds]", &names);
    let mut sounds = Vec::new();
    // In the order of the cues, so that two files that say the same give the same.
    for name in names {
        let sound = reader.get(table, name, Reader::line);
        if let Some(sound) = sound {
            let path = places.expand(&sound).map(|p| p.display().to_string());
            sounds.push((name.to_owned(), path.unwrap_or(sound)));
        }
    }
    sounds
}
