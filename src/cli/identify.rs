//! `bismar identify`: which port, speed and layout a scale has, and its part of the configuration.

use std::path::{Path, PathBuf};
use std::time::Duration;

use clap::Args;

use super::config::{load, taken_over, usual_place};
use super::line::{absolute, framing, not_open};
use super::value::ValueError;
use super::{Exit, Failure, Outcome, print, said, tell};
use crate::config::Config;
use crate::language::{Sentence, Slot, phrase};
use crate::scale::ports::{self, Port};
use crate::scale::settings::{Framing, PortSelector};
use crate::workshop::config_file;
use crate::workshop::scale_setup::listen::{Found, Search, SearchError};
use crate::workshop::scale_setup::{free_name, is_taken, known, name_of, part, path_of, selector};

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
fn word(text: &str) -> Result<String, ValueError> {
    name_of(text).ok_or(ValueError::Name)
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
    tell(&said(phrase!(
        "Listening on {port}. Put something on the pan and move it now and then. Ctrl-C ends.",
        port = search.port.display().to_string(),
    )));
    let found = search.run(&mut |heard: &Sentence| tell(&said(heard.clone())))?;
    let text = part(&name, &port, &found);
    report(&found);
    match known {
        Some(index) => in_place(args.write, &place, &config, index, &text),
        None => new(args.write, &place, &name, &text),
    }
}

/// A scale that the configuration does not have.
fn new(write: bool, place: &Path, name: &str, text: &str) -> Outcome {
    let file = place.display().to_string();
    if write {
        config_file::append(place, name, text)?;
        tell(&said(phrase!("Written into {file}:\n", file)));
        print(text)?;
        taken_over(place);
    } else {
        tell(&said(phrase!(
            "Paste this into {file}, or run it again with --write:\n",
            file,
        )));
        print(text)?;
    }
    Ok(Exit::Done)
}

/// A scale that the configuration has: a second entry for the same line would fight over it.
fn in_place(write: bool, place: &Path, config: &Config, index: usize, text: &str) -> Outcome {
    let file = place.display().to_string();
    let found = Config::parse(text, "what was found")?;
    let (Some(old), Some(new)) = (config.scales.get(index), found.scales.first()) else {
        return Err(Failure::failed(phrase!(
            "what was found does not read as a scale"
        )));
    };
    let name = &old.name;
    if old.pattern.is_some() {
        return Err(Failure::failed(phrase!(
            "{file} has this line already as \"{name}\", read with a pattern of its own; it stays as it is",
            file,
            name,
        ))
        .remedy(phrase!(
            "to use the layout {layout}, write it into that [[scale]] instead of the pattern",
            layout = &new.layout,
        )));
    }
    if let (Some(kept), Some(shown)) = (old.readability, new.readability)
        && kept != shown
    {
        let [kept, shown] = [kept, shown].map(|d| d.grams(d));
        tell(&said(phrase!(
            "Its readability in {file} is {kept} g, its lines show {shown} g; {kept} g stays. Mend it by hand if that is \
             not what the scale can do.",
            file = &file,
            kept,
            shown,
        )));
    }
    let keys = known::changed(old, new);
    if keys.is_empty() {
        tell(&said(phrase!(
            "{file} has this scale already as \"{name}\", with these settings; nothing to change.",
            file,
            name,
        )));
        print(text)?;
        return Ok(Exit::Done);
    }
    let keys_said = keys.join(", ");
    if write {
        config_file::update(place, index, text, &keys)?;
        tell(&said(phrase!(
            "Changed {keys} of \"{name}\" in {file}:\n",
            keys = keys_said,
            name,
            file,
        )));
        print(text)?;
        taken_over(place);
    } else {
        tell(&said(phrase!(
            "{file} has this scale already as \"{name}\", with another {keys}. Run it again with --write to change that; \
             what was found:\n",
            file,
            name,
            keys = keys_said,
        )));
        print(text)?;
    }
    Ok(Exit::Done)
}

/// The name for the scale: the wanted one, if no other scale has it; else the one that the scale
/// `known` has, or a free one.
fn name(wanted: Option<&str>, config: &Config, known: Option<usize>) -> Result<String, Failure> {
    if let Some(name) = wanted {
        if is_taken(config, name, known) {
            return Err(Failure::failed(phrase!(
                "the configuration has another scale named \"{name}\" already",
                name,
            ))
            .remedy(phrase!(
                "give this one another --name, or take the other out of the file"
            )));
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
        return Err(Failure::failed(phrase!(
            "no scale on USB; there is the serial line {one}",
            one = one.to_string(),
        ))
        .remedy(phrase!("if that is the scale, name it with --port")));
    }
    match on_usb.as_slice() {
        [one] => {
            tell(&said(phrase!("One serial line: {one}", one = one.to_string())));
            Ok(selector(Some(one), one.path.clone()))
        }
        [] => Err(
            Failure::failed(phrase!("no serial line was found")).remedy(phrase!(
                "plug the scale in and switch it on; a USB adapter shows up within a few seconds. A port that is not \
                 listed can be named with --port"
            )),
        ),
        several => {
            let ports = several.iter().map(|port| format!("\n  {port}"));
            let ports: String = ports.collect();
            let text = phrase!("there is more than one serial line:{ports}", ports);
            Err(Failure::failed(text).remedy(phrase!("name the scale's with --port")))
        }
    }
}

impl From<SearchError> for Failure {
    fn from(error: SearchError) -> Failure {
        let remedy = match &error {
            SearchError::Line(fault) => return not_open(fault),
            SearchError::Noise => phrase!(
                "look up speed, data bits and parity in the scale's menu or manual and give --baud and --framing"
            ),
            SearchError::Silent => phrase!(
                "press PRINT on the scale, or set it to send continuously in its menu; check that the cable is the right \
                 one"
            ),
            SearchError::NotOpened | SearchError::Unknown(_) | SearchError::System(_) => {
                return Failure::failed(error.told());
            }
        };
        Failure::failed(error.told()).remedy(remedy)
    }
}

fn report(found: &Found) {
    let identified = &found.identified;
    let rate = identified.lines_per_second.map(|rate| {
        phrase!(
            ", {rate} lines a second",
            rate = Slot::number(format!("{rate:.1}"))
        )
    });
    let step = identified.readability.map(|step| {
        phrase!(
            ", readability {step}",
            step = Slot::number(step.to_string())
        )
    });
    let text = phrase!(
        "\nFound: {layout} at {baud} {framing}, {good} of {all} lines fit{rate}{step}.",
        layout = identified.layout.name(),
        baud = found.baud.to_string(),
        framing = found.framing.to_string(),
        good = identified.good,
        all = identified.good + identified.rejected,
        rate = rate.unwrap_or_default(),
        step = step.unwrap_or_default(),
    );
    let layout = said(Sentence::from(identified.layout.describe()));
    tell(&format!("{}\n{layout}", said(text)));
    if identified.unit.is_none() {
        tell(&said(phrase!(
            "No line had a unit while listening, so the readability is not known: leave the load at rest for some seconds \
             and run it again. A weight without a unit is never recorded."
        )));
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
