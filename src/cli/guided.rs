//! The part that `scale-check`, `repeatability` and `vessel` share: the daemon's readings go through the guide, its
//! words to the terminal, and, of the first two, rows to the log of the scale checks.

use std::path::{Path, PathBuf};

use clap::Args;

use super::failure::FIND_SCALE;
use super::{Exit, Failure, print, said, tell};
use crate::config::Config;
use crate::guide::{Guide, Taken, Told};
use crate::journal::read::scale_checks;
use crate::journal::store::log::LogFile;
use crate::language::{Sentence, Term, phrase, term};
use crate::mass::Mass;
use crate::metrology::ScaleAbility;
use crate::protocol::client::Client;
use crate::vocabulary::status::Status;
use crate::workshop::scale_check::{CheckLog, Heard, READINGS_ENDED, ability, hear};

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
    /// The configuration file.
    ///
    /// # Errors
    /// When its usual place is not known.
    pub fn place(&self) -> Result<PathBuf, Failure> {
        match &self.config {
            Some(place) => Ok(place.clone()),
            None => super::config::usual_place(),
        }
    }

    /// The configuration file, and the scale's place among those in it.
    ///
    /// # Errors
    /// When the file does not read or has no scale of that name.
    pub fn in_config(&self, scale: &str) -> Result<(PathBuf, usize), Failure> {
        let place = self.place()?;
        let config = Config::load(Some(&place))?;
        let index = config.scales.iter().position(|known| known.name == scale);
        let missing = || {
            let file = place.display().to_string();
            Failure::failed(phrase!("{file} has no scale \"{scale}\"", file, scale)).remedy(
                phrase!("name the file that the daemon runs with: --config FILE"),
            )
        };
        Ok((place.clone(), index.ok_or_else(missing)?))
    }
}

/// What the weighings are for.
#[derive(Debug, Clone, Copy)]
pub enum Goal {
    Log,
    Write,
}

/// Where the guide came to its end without a weighing.
pub const NOTHING_WEIGHED: Term = term!("nothing was weighed");

/// Where the rows are.
pub fn logged(record: &CheckLog) -> Sentence {
    phrase!("Logged in {file}.", file = record.place())
}

pub fn written_into(place: &Path) -> Sentence {
    phrase!("Written into {file}.", file = place.display().to_string())
}

/// A scale with the daemon listening to it.
pub struct Listening {
    pub ability: ScaleAbility,
    client: Client,
}

impl Listening {
    /// # Errors
    /// Where no daemon runs, it weighs a batch, or the scale is not known.
    pub fn start(args: &GuidedArgs, config: &Config) -> Result<Listening, Failure> {
        let mut client = Client::connect()?;
        let status = client.status()?.status;
        if let Some(formula) = &status.formula {
            return Err(Failure::failed(phrase!(
                "a batch of {formula} is being weighed; finish it, or end it with `bismar stop`",
                formula,
            )));
        }
        let name = choose(args.scale.as_deref(), &status)?;
        let ability = ability(config, &name, &status);
        Ok(Listening { ability, client })
    }

    /// Leads the person through the weighings; `say` puts what the guide tells into words, and where it comes to
    /// nothing, nothing was `done`.
    ///
    /// # Errors
    /// When the readings end.
    pub fn lead(
        self,
        mut guide: Guide,
        say: impl Fn(&Told, Mass) -> Option<Sentence>,
        goal: Goal,
    ) -> Result<Vec<Taken>, Failure> {
        let Listening { ability, client } = self;
        let name = &ability.name;
        print(&said(match goal {
            Goal::Log => phrase!(
                "Scale {name}: take everything off the pan. (Ctrl-C ends; nothing is logged then.)",
                name,
            ),
            Goal::Write => phrase!(
                "Scale {name}: take everything off the pan. (Ctrl-C ends; nothing is written then.)",
                name,
            ),
        }))?;
        for line in client.subscribe(true)? {
            match hear(&mut guide, &ability.name, line?.as_bytes()) {
                Heard::Told(told) => {
                    for text in told
                        .iter()
                        .filter_map(|told| say(told, ability.readability))
                    {
                        print(&said(text))?;
                    }
                }
                Heard::Ended(why) => return Err(incomplete(why, goal)),
            }
            if guide.is_done() {
                return Ok(guide.taken().to_vec());
            }
        }
        Err(incomplete(READINGS_ENDED, goal))
    }
}

/// The same with the log of the scale checks, locked.
pub struct Session {
    pub listening: Listening,
    log: LogFile,
}

impl Session {
    /// Nothing is asked of the person before all of this holds.
    pub fn start(args: &GuidedArgs) -> Result<Session, Failure> {
        let config = Config::load(args.config.as_deref())?;
        let listening = Listening::start(args, &config)?;
        let (log, found) = scale_checks::open(&config.logs()?)?;
        if let Some(torn) = found.and_then(|found| found.torn) {
            tell(&said(torn.told()));
        }
        Ok(Session { listening, log })
    }

    /// Leads the person through the weighings; gives them with the session's log.
    pub fn weigh(self, guide: Guide) -> Result<(Vec<Taken>, CheckLog), Failure> {
        let Session { listening, log } = self;
        let (name, d) = (
            listening.ability.name.clone(),
            listening.ability.readability,
        );
        let taken = listening.lead(guide, Told::say, Goal::Log)?;
        Ok((taken, CheckLog::new(log, &name, d)))
    }
}

fn incomplete(why: Term, goal: Goal) -> Failure {
    let message = match goal {
        Goal::Log => phrase!("{why}; nothing was logged", why),
        Goal::Write => phrase!("{why}; nothing was written", why),
    };
    Failure::new(Exit::Incomplete, message).remedy(phrase!(
        "Run the command again when the daemon runs and no batch is being weighed"
    ))
}

/// The scale of that name, or the only one.
fn choose(wanted: Option<&str>, status: &Status) -> Result<String, Failure> {
    let scales = status.scales.iter();
    let names: Vec<&str> = scales.map(|scale| scale.name.as_str()).collect();
    let listed = names.join(", ");
    match (wanted, names.as_slice()) {
        (Some(wanted), names) if names.contains(&wanted) => Ok(wanted.to_owned()),
        (Some(wanted), _) => Err(Failure::usage(phrase!(
            "the daemon has no scale named \"{wanted}\"; it has: {listed}",
            wanted,
            listed,
        ))),
        (None, [only]) => Ok((*only).to_owned()),
        (None, []) => Err(Failure::failed(phrase!("no scale is set up yet")).remedy(FIND_SCALE)),
        (None, _) => Err(Failure::usage(phrase!(
            "there are several scales; say which with --scale: {listed}",
            listed,
        ))),
    }
}
