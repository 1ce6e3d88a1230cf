//! What `scale-check` and `repeatability` share: the daemon's readings go through the guide, its
//! words to the terminal, and rows to the log of the scale checks.

use std::path::PathBuf;

use clap::Args;

use super::failure::FIND_SCALE;
use super::{Exit, Failure, print, tell};
use crate::config::Config;
use crate::guide::{Guide, Taken};
use crate::journal::read::scale_checks;
use crate::journal::store::log::LogFile;
use crate::metrology::ScaleAbility;
use crate::protocol::client::Client;
use crate::vocabulary::status::Status;
use crate::workshop::scale_check::{CheckLog, Heard, ability, hear};

#[derive(Debug, Args)]
pub struct GuidedArgs {
    /// Which scale, by its name in the configuration; needed where there are several
    #[arg(long, value_name = "NAME")]
    scale: Option<String>,
    /// The configuration file that the daemon runs with, where it is not the usual one
    #[arg(long, value_name = "FILE")]
    config: Option<PathBuf>,
}

impl GuidedArgs {
    /// The configuration file, and the scale's place among those in it.
    ///
    /// # Errors
    /// When the file does not read or has no scale of that name.
    pub fn in_config(&self, scale: &str) -> Result<(PathBuf, usize), Failure> {
        let place = match &self.config {
            Some(place) => place.clone(),
            None => super::config::usual_place()?,
        };
        let config = Config::load(Some(&place))?;
        let index = config.scales.iter().position(|known| known.name == scale);
        let missing = || {
            Failure::failed(format!("{} has no scale \"{scale}\"", place.display()))
                .remedy("name the file that the daemon runs with: --config FILE")
        };
        Ok((place.clone(), index.ok_or_else(missing)?))
    }
}

/// A scale with the daemon listening to it, and the log locked.
pub struct Session {
    pub ability: ScaleAbility,
    log: LogFile,
    client: Client,
}

impl Session {
    /// Nothing is asked of the person before all of this holds.
    pub fn start(args: &GuidedArgs) -> Result<Session, Failure> {
        let config = Config::load(args.config.as_deref())?;
        let mut client = Client::connect()?;
        let status = client.status()?.status;
        if let Some(formula) = &status.formula {
            return Err(Failure::failed(format!(
                "a batch of {formula} is being weighed; finish it, or end it with `bismar stop`"
            )));
        }
        let name = choose(args.scale.as_deref(), &status)?;
        let ability = ability(&config, &name, &status);
        let (log, found) = scale_checks::open(&config.logs()?)?;
        if let Some(torn) = found.and_then(|found| found.torn) {
            tell(&torn.to_string());
        }
        Ok(Session {
            ability,
            log,
            client,
        })
    }

    /// Leads the person through the weighings; gives them with the session's log.
    pub fn weigh(self, mut guide: Guide) -> Result<(Vec<Taken>, CheckLog), Failure> {
        let Session {
            ability,
            log,
            client,
        } = self;
        let d = ability.readability;
        print(&format!(
            "Scale {}: take everything off the pan. (Ctrl-C ends; nothing is logged then.)",
            ability.name
        ))?;
        for line in client.subscribe(true)? {
            match hear(&mut guide, &ability.name, line?.as_bytes()) {
                Heard::Told(told) => {
                    for text in told.iter().filter_map(|told| told.say(d)) {
                        print(&text)?;
                    }
                }
                Heard::Ended(why) => return Err(incomplete(why)),
            }
            if guide.is_done() {
                let record = CheckLog::new(log, &ability.name, d);
                return Ok((guide.taken().to_vec(), record));
            }
        }
        Err(incomplete("the daemon's readings ended"))
    }
}

fn incomplete(why: &str) -> Failure {
    Failure::new(Exit::Incomplete, format!("{why}; nothing was logged"))
        .remedy("Run the command again when the daemon runs and no batch is being weighed")
}

/// The scale of that name, or the only one.
fn choose(wanted: Option<&str>, status: &Status) -> Result<String, Failure> {
    let scales = status.scales.iter();
    let names: Vec<&str> = scales.map(|scale| scale.name.as_str()).collect();
    let listed = names.join(", ");
    match (wanted, names.as_slice()) {
        (Some(wanted), names) if names.contains(&wanted) => Ok(wanted.to_owned()),
        (Some(wanted), _) => Err(Failure::usage(format!(
            "the daemon has no scale named \"{wanted}\"; it has: {listed}"
        ))),
        (None, [only]) => Ok((*only).to_owned()),
        (None, []) => Err(Failure::failed("no scale is set up yet").remedy(FIND_SCALE)),
        (None, _) => Err(Failure::usage(format!(
            "there are several scales; say which with --scale: {listed}"
        ))),
    }
}
