//! Setting a scale up: which ports there are, what is heard on one, and the scale's part of the configuration file.
//! The terminal (`identify`) and the page both show this.

pub mod known;
pub mod listen;

use std::os::unix::fs::MetadataExt as _;
use std::path::{Path, PathBuf};

use super::config_file::{self, EditError};
use crate::config::Config;
use crate::document::shown;
use crate::language::{Language, Sentence, Term, phrase, term};
use crate::mass::Mass;
use crate::metrology::{Errors, Repeatability};
use crate::scale::identify::{LineSettings, stanza};
use crate::scale::ports::{self, Port};
use crate::scale::settings::{PortSelector, ScaleSettings};
use crate::text::misleads;

use self::listen::Found;

/// The longest name of a scale or a vessel, in characters.
const LONGEST_NAME: usize = 40;

/// What a name must be, for a person.
pub const NAME: Term = term!("write a short word, for example bench");

/// The text as the name of a scale or a vessel, where it is one.
pub fn name_of(text: &str) -> Option<String> {
    let name = text.trim();
    let good = !name.is_empty() && !name.contains(misleads);
    (good && name.chars().count() <= LONGEST_NAME).then(|| name.to_owned())
}

/// The first free name of `bench`, `bench-2`, ..., in the language of the configuration.
pub fn free_name(config: &Config) -> String {
    let first = match config.speaks() {
        // A name stands in the log and in no sentence.
        Language::Marked => "bench".to_owned(),
        language => language.word(term!("bench")),
    };
    let mut name = first.clone();
    let mut number = 2;
    while is_taken(config, &name, None) {
        name = format!("{first}-{number}");
        number += 1;
    }
    name
}

/// Whether another scale than the one at `own` has this name.
pub fn is_taken(config: &Config, name: &str, own: Option<usize>) -> bool {
    let same =
        |(i, s): (usize, &ScaleSettings)| Some(i) != own && s.name.eq_ignore_ascii_case(name);
    config.scales.iter().enumerate().any(same)
}

/// What to write into the configuration for a port: the link that keeps its name, or else the USB
/// numbers where they tell this adapter from all others, or else the path.
pub fn selector(port: Option<&Port>, path: PathBuf) -> PortSelector {
    let at = |path: &Path| PortSelector::Path(path.display().to_string());
    match port {
        Some(Port {
            by_id: Some(link), ..
        }) => at(link),
        Some(Port { usb: Some(usb), .. }) if usb.serial.is_some() => PortSelector::Usb {
            vendor: usb.vendor,
            product: usb.product,
            serial: usb.serial.clone(),
        },
        Some(_) | None => at(&path),
    }
}

/// The path to listen on; empty where the port is gone since it was listed, and opening it says so then.
pub fn path_of(port: &PortSelector) -> PathBuf {
    match port {
        PortSelector::Path(path) => path.into(),
        PortSelector::Usb { .. } => ports::find(port).unwrap_or_default(),
    }
}

/// The part of the configuration.
pub fn part(name: &str, port: &PortSelector, found: &Found) -> String {
    let settings = LineSettings {
        port: port.clone(),
        baud: found.baud,
        data_bits: found.framing.data_bits,
        parity: found.framing.parity,
        stop_bits: found.framing.stop_bits,
    };
    let mut text = stanza(name, &settings, &found.identified);
    if let Some(poll) = &found.poll {
        let send = poll.escape_ascii();
        text.push_str(&format!("poll = {{ send = '{send}', every = 0.2 }}\n"));
    }
    text
}

/// What a person tells of a scale beside its line: texts as they were typed, empty where nothing is told.
#[derive(Debug, Clone, Default)]
pub struct Told {
    pub name: String,
    /// With its unit, `600g`.
    pub capacity: String,
    pub readability: String,
}

impl Told {
    /// As lines of the configuration, with the keys that they have. The scale's lines show steps of `finest`.
    ///
    /// # Errors
    /// For a name or a weight that is none, and a step that would prove what the scale cannot, in words.
    fn lines(&self, finest: Option<Mass>) -> Result<Vec<(&'static str, String)>, EditError> {
        let step = Mass::parse_with_unit(&self.readability).ok();
        if let (Some(step), Some(finest)) = (step, finest)
            && step < finest
        {
            let what = phrase!(
                "the smallest step cannot be finer than what the scale shows, {finest} g",
                finest = finest.grams(finest),
            );
            return Err(EditError::Other { what, remedy: None });
        }
        let mut lines = Vec::new();
        if !self.name.trim().is_empty() {
            let name = name_of(&self.name).ok_or_else(|| refused(term!("the name"), NAME))?;
            lines.push(("name", quoted(&name)));
        }
        for (key, what, text) in [
            ("capacity", term!("the largest load"), &self.capacity),
            ("readability", term!("the smallest step"), &self.readability),
        ] {
            if !text.trim().is_empty() {
                lines.push((key, quoted(&weight(what, text)?)));
            }
        }
        Ok(lines)
    }
}

fn refused(what: Term, remedy: Term) -> EditError {
    EditError::Other {
        what: phrase!("{what} cannot be taken", what),
        remedy: Some(remedy.into()),
    }
}

fn quoted(text: &str) -> String {
    toml::Value::from(text).to_string()
}

/// A weight above 0 as the configuration has it, `600 g`.
fn weight(what: Term, text: &str) -> Result<String, EditError> {
    let text = text.trim();
    match Mass::parse_with_unit(text) {
        Ok(mass) if mass > Mass::ZERO => {}
        Ok(_) | Err(_) => {
            return Err(refused(
                what,
                term!("write a number above 0 with its unit, for example 600 g"),
            ));
        }
    }
    let unit = text.find(|c: char| c.is_ascii_alphabetic());
    let (number, unit) = text.split_at(unit.unwrap_or(text.len()));
    Ok(format!("{} {unit}", number.trim()))
}

/// Writes the scale that was found at `port` into the file at `place`.
///
/// # Errors
/// Where the file has that line or that name already, what is told is none, or the file cannot be changed; then it
/// stays as it was.
pub fn add(
    place: &Path,
    port: &PortSelector,
    found: &Found,
    told: &Told,
) -> Result<String, EditError> {
    let config = now(place)?;
    if let Some(known) = known::on_port(&config, port).and_then(|i| config.scales.get(i)) {
        let what = phrase!(
            "the configuration has the scale at this port already, as \"{name}\"",
            name = &known.name,
        );
        return Err(EditError::Other {
            what,
            remedy: Some(phrase!("change or remove that one")),
        });
    }
    let lines = told.lines(found.identified.readability.map(|d| d.mass()))?;
    let name = name_of(&told.name).unwrap_or_else(|| free_name(&config));
    if is_taken(&config, &name, None) {
        return Err(taken(&name));
    }
    let mut found = found.clone();
    if lines.iter().any(|(key, _)| *key == "readability") {
        found.identified.readability = None;
    }
    let mut text = part(&name, port, &found);
    for (key, value) in lines.iter().filter(|(key, _)| *key != "name") {
        text.push_str(&format!("{key} = {value}\n"));
    }
    config_file::append(place, &name, &text)?;
    Ok(name)
}

fn taken(name: &str) -> EditError {
    EditError::Other {
        what: phrase!("another scale is named \"{name}\" already", name),
        remedy: Some(phrase!("give this one another name")),
    }
}

/// Gives the scale `name` of the file at `place`, which shows steps of `finest`, what is told; what is not told stays.
///
/// # Errors
/// As [`add`], and where the file has no such scale.
pub fn change(
    place: &Path,
    name: &str,
    told: &Told,
    finest: Option<Mass>,
) -> Result<String, EditError> {
    let config = now(place)?;
    let index = index_of(&config, name)?;
    let mut lines = told.lines(finest)?;
    lines.retain(|(key, value)| *key != "name" || *value != quoted(name));
    let renamed = name_of(&told.name).unwrap_or_else(|| name.to_owned());
    if is_taken(&config, &renamed, Some(index)) {
        return Err(taken(&renamed));
    }
    if !lines.is_empty() {
        config_file::set(place, index, &lines)?;
    }
    Ok(renamed)
}

/// Takes the scale `name` out of the file at `place`.
///
/// # Errors
/// Where the file has no such scale or cannot be changed; then it stays as it was.
pub fn remove(place: &Path, name: &str) -> Result<(), EditError> {
    let index = index_of(&now(place)?, name)?;
    config_file::take_out(place, config_file::Kind::Scale, index)
}

/// Gives the scale `name` of the file at `place` the repeatability that was found.
///
/// # Errors
/// Where the file has no such scale, or cannot be changed; it stays as it was then.
pub fn set_repeatability(place: &Path, name: &str, found: &Repeatability) -> Result<(), EditError> {
    let index = index_of(&now(place)?, name)?;
    let weighings = u32::try_from(found.count).unwrap_or(u32::MAX);
    config_file::repeatability(place, index, found.budgeted(), weighings)
}

/// Gives the scale `name` of the file at `place` the errors that a check at several loads found.
///
/// # Errors
/// As [`set_repeatability`].
pub fn set_errors(place: &Path, name: &str, lines: &str, errors: Errors) -> Result<(), EditError> {
    let index = index_of(&now(place)?, name)?;
    config_file::uncertainty(place, index, lines, errors)
}

/// Writes a vessel into the file at `place`: its empty weight, and what it holds where that is told.
///
/// # Errors
/// As [`add`].
pub fn add_vessel(
    place: &Path,
    name: &str,
    empty: &str,
    capacity: &str,
) -> Result<String, EditError> {
    let config = now(place)?;
    let name = name_of(name).ok_or_else(|| {
        refused(
            term!("the name"),
            term!("write a few words, as: small beaker"),
        )
    })?;
    if is_another_vessel(&config, &name) {
        return Err(EditError::Other {
            what: phrase!("another vessel is named \"{name}\" already", name),
            remedy: Some(phrase!("give this one another name")),
        });
    }
    let empty = weight(term!("the vessel's weight"), empty)?;
    let mut text = format!(
        "[[vessel]]\nname = {}\nweight = {}\n",
        quoted(&name),
        quoted(&empty)
    );
    if !capacity.trim().is_empty() {
        let capacity = weight(term!("what it holds"), capacity)?;
        text.push_str(&format!("capacity = {}\n", quoted(&capacity)));
    }
    config_file::append_vessel(place, &name, &text)?;
    Ok(name)
}

/// Whether a vessel of this name is there already; capitals do not matter.
pub fn is_another_vessel(config: &Config, name: &str) -> bool {
    let mut vessels = config.vessels.iter();
    vessels.any(|vessel| vessel.name.eq_ignore_ascii_case(name))
}

/// Takes the vessel `name` out of the file at `place`.
///
/// # Errors
/// As [`remove`].
pub fn remove_vessel(place: &Path, name: &str) -> Result<(), EditError> {
    let config = now(place)?;
    let index = (config.vessels.iter()).position(|vessel| vessel.name == name);
    let index = index
        .ok_or_else(|| not_there(phrase!("the configuration has no vessel \"{name}\"", name)))?;
    config_file::take_out(place, config_file::Kind::Vessel, index)
}

/// What the file says at this moment; a missing one says nothing.
fn now(place: &Path) -> Result<Config, EditError> {
    match place.exists() {
        true => Ok(Config::load(Some(place))?),
        false => Ok(Config::default()),
    }
}

fn index_of(config: &Config, name: &str) -> Result<usize, EditError> {
    let index = config.scales.iter().position(|scale| scale.name == name);
    index.ok_or_else(|| not_there(phrase!("the configuration has no scale \"{name}\"", name)))
}

fn not_there(what: Sentence) -> EditError {
    EditError::Other {
        what,
        remedy: Some(phrase!("look at the list again")),
    }
}

/// One port as a person is to choose it.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize)]
pub struct Choice {
    /// The path to write into a configuration.
    pub port: String,
    /// What it says of itself, on USB.
    pub usb: Option<String>,
    /// The scale that the configuration has at it.
    pub scale: Option<String>,
}

/// The ports of this machine, those on USB first: only these may be asked for a weight without being named, since a
/// plain serial line may lead to anything.
pub fn choices(config: &Config, ports: &[Port]) -> Vec<Choice> {
    let choice = |port: &Port| {
        let known = known::on_port(config, &selector(Some(port), port.path.clone()));
        let usb = port.usb.as_ref().map(|usb| {
            let name = usb.name.as_deref().unwrap_or("USB serial line");
            let serial = usb
                .serial
                .as_deref()
                .map(|serial| format!(", number {serial}"));
            let said = format!("{name}{}", serial.unwrap_or_default());
            shown(&said)
        });
        Choice {
            port: port.best_path().display().to_string(),
            usb: usb.or_else(|| port.is_on_usb().then(|| "USB serial line".to_owned())),
            scale: known
                .and_then(|i| config.scales.get(i))
                .map(|scale| scale.name.clone()),
        }
    };
    let mut choices: Vec<Choice> = ports.iter().map(choice).collect();
    choices.sort_by_key(|choice| choice.usb.is_none());
    choices
}

/// Whether a session has this device as its terminal: listening there would take what is typed away from it.
/// The number stands in /proc/PID/stat as proc(5) says; blocks.
fn is_a_terminal(path: &Path) -> bool {
    let Ok(meta) = std::fs::metadata(path) else {
        return false;
    };
    let (major, minor) = (
        rustix::fs::major(meta.rdev()),
        rustix::fs::minor(meta.rdev()),
    );
    let number = (minor & 0xff) | (major << 8) | ((minor & !0xff) << 12);
    // The device that stands for whatever terminal the daemon itself has.
    if (major, minor) == (5, 0) {
        return true;
    }
    let processes = std::fs::read_dir("/proc").into_iter().flatten().flatten();
    let mut stats = processes.filter_map(|one| std::fs::read(one.path().join("stat")).ok());
    stats.any(|stat| {
        let stat = String::from_utf8_lossy(&stat);
        // A program's name may hold anything, brackets too.
        let behind = stat.rsplit(')').next().unwrap_or_default();
        let tty = behind.split_whitespace().nth(4);
        let tty = tty.and_then(|tty| tty.parse::<i64>().ok());
        tty.is_some_and(|tty| tty & 0xffff_ffff == i64::from(number) && tty != 0)
    })
}

/// The port that the page names, as the configuration would.
///
/// # Errors
/// For what is no absolute path, for a terminal, and for the port of a scale that is set up.
pub fn wanted(config: &Config, ports: &[Port], named: &str) -> Result<PortSelector, EditError> {
    let path = Path::new(named);
    if !path.is_absolute() || named.contains(misleads) {
        let what = phrase!("\"{port}\" is no port", port = shown(named));
        return Err(EditError::Other {
            what,
            remedy: Some(phrase!("write its whole path, for example /dev/ttyUSB0")),
        });
    }
    if is_a_terminal(path) {
        return Err(EditError::Other {
            what: phrase!(
                "{named} is the terminal of a window, and no scale is there",
                named,
            ),
            remedy: Some(phrase!("choose another port")),
        });
    }
    let known = (ports.iter()).find(|port| port.best_path() == path || port.path == path);
    let port = selector(known, path.to_owned());
    match known::on_port(config, &port).and_then(|index| config.scales.get(index)) {
        Some(scale) => Err(EditError::Other {
            what: phrase!(
                "the scale \"{name}\" is at that port already",
                name = &scale.name,
            ),
            remedy: None,
        }),
        None => Ok(port),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::scale::ports::Usb;

    #[test]
    fn a_hostile_usb_name_is_short_and_steers_nothing() {
        let name = format!("<b>\u{202e}\u{1b}[2J{}", "x".repeat(1000));
        let port = Port {
            path: "/dev/ttyUSB0".into(),
            by_id: None,
            usb: Some(Usb {
                vendor: 1,
                product: 2,
                serial: Some("A\nB".to_owned()),
                manufacturer: None,
                name: Some(name),
            }),
        };
        let plain = Port {
            path: "/dev/ttyS0".into(),
            by_id: None,
            usb: None,
        };
        let choices = choices(&Config::default(), &[plain, port]);
        let [first, second] = &choices[..] else {
            panic!("{choices:?}");
        };
        let usb = first.usb.as_deref().unwrap();
        assert!(usb.chars().count() < 120, "{usb}");
        assert!(!usb.contains(misleads), "{usb:?}");
        assert_eq!((second.port.as_str(), &second.usb), ("/dev/ttyS0", &None));
    }

    #[test]
    fn a_name_that_is_offered_is_a_word_of_the_language() {
        let mut config = Config::default();
        let mut offered = |language| {
            config.language = Some(language);
            free_name(&config)
        };
        let of_each = [Language::English, Language::French, Language::German].map(&mut offered);
        assert_eq!(of_each, ["bench", "atelier", "Tisch"]);
    }

    #[test]
    fn names_and_weights_that_are_none_are_refused() {
        for bad in ["", " ", "a\nb", &"x".repeat(41)] {
            assert_eq!(name_of(bad), None, "{bad:?}");
        }
        assert_eq!(name_of(" bench "), Some("bench".to_owned()));
        assert_eq!(weight(term!("the largest load"), "600g").unwrap(), "600 g");
        assert_eq!(
            weight(term!("the largest load"), " 1.5  kg ").unwrap(),
            "1.5 kg"
        );
        for bad in ["600", "g", "0 g", "-1 g", "1,000 g", "1 g\"\n[page]"] {
            assert!(weight(term!("the largest load"), bad).is_err(), "{bad}");
        }
    }

    #[test]
    fn a_port_is_named_by_a_whole_path() {
        for bad in ["", "ttyUSB0", "../dev/ttyUSB0", "/dev/\u{1b}[2J"] {
            assert!(wanted(&Config::default(), &[], bad).is_err(), "{bad}");
        }
        let port = wanted(&Config::default(), &[], "/dev/ttyUSB0").unwrap();
        assert_eq!(port, PortSelector::Path("/dev/ttyUSB0".into()));
    }
}
