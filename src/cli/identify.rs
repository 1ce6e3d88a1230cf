//! `bismar identify`: which port, speed and layout a scale has, and its part of the configuration.

use std::path::{Path, PathBuf};
use std::time::Duration;

use clap::Args;

use super::config::{load, taken_over, usual_place};
use super::line::{absolute, framing, not_open};
use super::{Exit, Failure, Outcome, print, tell};
use crate::config::Config;
use crate::language::Sentence;
use crate::scale::ports::{self, Port};
use crate::scale::settings::{Framing, PortSelector};
use crate::workshop::config_file;
use crate::workshop::scale_setup::listen::{Found, Search, SearchError};
use crate::workshop::scale_setup::{
    NAME, free_name, is_taken, known, name_of, part, path_of, selector,
};

/// Listens to a scale and tells how it speaks. Without --write nothing is changed anywhere.
///
/// Put something on the pan and move it while it listens. Where the scale does not send by itself, it is
/// asked for a weight with the usual requests; nothing else is ever sent to it.
#[derive(Debug, Args)]
pub struct IdentifyArgs {
    /// The port to listen on; not needed where only one scale is plugged in
    #[arg(long)]
    port: Option<PathBuf>,
    /// How long to listen at each setting
    #[arg(long, value_name = "N", default_value = "3", value_parser = super::capture::seconds)]
    seconds: f64,
    /// Try only this speed
    #[arg(long, value_parser = clap::value_parser!(u32).range(50..=4_000_000))]
    baud: Option<u32>,
    /// Try only these data bits, parity and stop bits, for example 7E1
    #[arg(long, value_parser = framing)]
    framing: Option<Framing>,
    /// Write what was found into the configuration
    #[arg(long)]
    write: bool,
    /// The name the scale shall have in cues and in the log
    #[arg(long, value_parser = word)]
    name: Option<String>,
    /// Another configuration file than ~/.config/bismar/config.toml
    #[arg(long, value_name = "FILE")]
    config: Option<PathBuf>,
}

/// A name for a scale.
fn word(text: &str) -> Result<String, String> {
    name_of(text).ok_or_else(|| NAME.to_string())
}

/// # Errors
/// What is told to the person, with its remedy and exit code.
pub fn run(args: &IdentifyArgs) -> Outcome {
    let place = match &args.config {
        Some(path) => path.clone(),
        None => usual_place()?,
    };
    // Before listening, so that nobody waits for a file that cannot be added to.
    let config = if place.exists() {
        load(Some(&place))?
    } else {
        Config::default()
    };
    let port = choose(args.port.as_deref(), &ports::list())?;
    let known = known::on_port(&config, &port);
    let name = name(args.name.as_deref(), &config, known)?;
    let search = Search {
        port: path_of(&port),
        listen: Duration::from_secs_f64(args.seconds),
        baud: args.baud,
        framing: args.framing,
    };
    tell(&format!(
        "Listening on {}. Put something on the pan and move it now and then. Ctrl-C ends.",
        search.port.display()
    ));
    let found = search.run(&mut |said: &Sentence| tell(said))?;
    let text = part(&name, &port, &found);
    report(&found);
    match known {
        Some(index) => in_place(args.write, &place, &config, index, &text),
        None => new(args.write, &place, &name, &text),
    }
}

/// A scale that the configuration does not have.
fn new(write: bool, place: &Path, name: &str, text: &str) -> Outcome {
    if write {
        config_file::append(place, name, text)?;
        tell(&format!("Written into {}:\n", place.display()));
        print(text)?;
        taken_over(place);
    } else {
        tell(&format!(
            "Paste this into {}, or run it again with --write:\n",
            place.display()
        ));
        print(text)?;
    }
    Ok(Exit::Done)
}

/// A scale that the configuration has: a second entry for the same line would fight over it.
fn in_place(write: bool, place: &Path, config: &Config, index: usize, text: &str) -> Outcome {
    let file = place.display();
    let found = Config::parse(text, "what was found")?;
    let (Some(old), Some(new)) = (config.scales.get(index), found.scales.first()) else {
        return Err(Failure::failed("what was found does not read as a scale"));
    };
    let name = &old.name;
    if old.pattern.is_some() {
        return Err(Failure::failed(format!(
            "{file} has this line already as \"{name}\", read with a pattern of its own; it stays as it is"
        ))
        .remedy(format!(
            "to use the layout {}, write it into that [[scale]] instead of the pattern",
            new.layout
        )));
    }
    if let (Some(kept), Some(shown)) = (old.readability, new.readability)
        && kept != shown
    {
        let [kept, shown] = [kept, shown].map(|d| format!("{} g", d.grams(d)));
        tell(&format!(
            "Its readability in {file} is {kept}, its lines show {shown}; {kept} stays. Mend it by hand if \
             that is not what the scale can do."
        ));
    }
    let keys = known::changed(old, new);
    if keys.is_empty() {
        tell(&format!(
            "{file} has this scale already as \"{name}\", with these settings; nothing to change."
        ));
        print(text)?;
        return Ok(Exit::Done);
    }
    let keys_said = keys.join(", ");
    if write {
        config_file::update(place, index, text, &keys)?;
        tell(&format!("Changed {keys_said} of \"{name}\" in {file}:\n"));
        print(text)?;
        taken_over(place);
    } else {
        tell(&format!(
            "{file} has this scale already as \"{name}\", with another {keys_said}. Run it again with \
             --write to change that; what was found:\n"
        ));
        print(text)?;
    }
    Ok(Exit::Done)
}

/// The name for the scale: the wanted one, if no other scale has it; else the one that the scale
/// `known` has, or a free one.
fn name(wanted: Option<&str>, config: &Config, known: Option<usize>) -> Result<String, Failure> {
    if let Some(name) = wanted {
        if is_taken(config, name, known) {
            return Err(Failure::failed(format!(
                "the configuration has another scale named \"{name}\" already"
            ))
            .remedy("give this one another --name, or take the other out of the file"));
        }
        return Ok(name.to_owned());
    }
    let known = known.and_then(|index| config.scales.get(index));
    Ok(known.map_or_else(|| free_name(config), |scale| scale.name.clone()))
}

/// The port to listen on, never guessed between two.
fn choose(wanted: Option<&Path>, ports: &[Port]) -> Result<PortSelector, Failure> {
    if let Some(path) = wanted {
        let path = absolute(path);
        // The stable link, where the port was named by the kernel's name.
        let known = ports.iter().find(|port| port.path == path);
        return Ok(selector(known, path));
    }
    let on_usb: Vec<&Port> = ports
        .iter()
        .filter(|port| port.usb.is_some() || port.by_id.is_some())
        .collect();
    // A plain serial line may lead to anything; requests are sent to it only when it is named.
    if let (true, [one, ..]) = (on_usb.is_empty(), ports) {
        return Err(
            Failure::failed(format!("no scale on USB; there is the serial line {one}"))
                .remedy("if that is the scale, name it with --port"),
        );
    }
    match on_usb.as_slice() {
        [one] => {
            tell(&format!("One serial line: {one}"));
            Ok(selector(Some(one), one.path.clone()))
        }
        [] => Err(Failure::failed("no serial line was found").remedy(
            "plug the scale in and switch it on; a USB adapter shows up within a few seconds. A port \
             that is not listed can be named with --port",
        )),
        several => {
            let mut text = "there is more than one serial line:".to_owned();
            for port in several {
                text.push_str(&format!("\n  {port}"));
            }
            Err(Failure::failed(text).remedy("name the scale's with --port"))
        }
    }
}

impl From<SearchError> for Failure {
    fn from(error: SearchError) -> Failure {
        let remedy = match &error {
            SearchError::Line(fault) => return not_open(fault),
            SearchError::Noise => {
                "look up speed, data bits and parity in the scale's menu or manual and give --baud and \
                 --framing"
            }
            SearchError::Silent => {
                "press PRINT on the scale, or set it to send continuously in its menu; check that the \
                 cable is the right one"
            }
            SearchError::NotOpened | SearchError::Unknown(_) | SearchError::System(_) => {
                return Failure::failed(error);
            }
        };
        Failure::failed(error).remedy(remedy)
    }
}

fn report(found: &Found) {
    let identified = &found.identified;
    let mut text = format!(
        "\nFound: {} at {} {}, {} of {} lines fit",
        identified.layout.name(),
        found.baud,
        found.framing,
        identified.good,
        identified.good + identified.rejected,
    );
    if let Some(rate) = identified.lines_per_second {
        text.push_str(&format!(", {rate:.1} lines a second"));
    }
    if let Some(readability) = identified.readability {
        text.push_str(&format!(", readability {readability}"));
    }
    tell(&format!("{text}.\n{}", identified.layout.describe()));
    if identified.unit.is_none() {
        tell(
            "No line had a unit while listening, so the readability is not known: leave the load at rest \
             for some seconds and run it again. A weight without a unit is never recorded.",
        );
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::scale::ports::Usb;

    fn port(path: &str, serial: Option<&str>) -> Port {
        Port {
            path: path.into(),
            by_id: None,
            usb: Some(Usb {
                vendor: 1,
                product: 2,
                serial: serial.map(str::to_owned),
                manufacturer: None,
                name: None,
            }),
        }
    }

    #[test]
    fn a_port_is_taken_only_where_there_is_no_choice() {
        let (one, other) = (port("/dev/ttyUSB0", Some("A")), port("/dev/ttyUSB1", None));
        let plain = Port {
            usb: None,
            ..port("/dev/ttyS0", None)
        };
        let only = choose(None, &[plain.clone(), one.clone()]).unwrap();
        assert!(matches!(only, PortSelector::Usb { vendor: 1, .. }));
        // Nothing is sent to a plain serial line that nobody named.
        let unnamed = choose(None, std::slice::from_ref(&plain)).unwrap_err();
        assert!(unnamed.message.contains("/dev/ttyS0"), "{unnamed}");
        let several = choose(None, &[one.clone(), other.clone()]).unwrap_err();
        assert!(several.message.contains("/dev/ttyUSB1"), "{several}");
        assert!(choose(None, &[]).is_err());
        let named = choose(Some(Path::new("/dev/ttyUSB1")), &[one, other]).unwrap();
        assert_eq!(named, PortSelector::Path("/dev/ttyUSB1".into()));
    }
}
