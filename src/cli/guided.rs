//! What `scale-check` and `repeatability` share: the daemon's readings go through the guide, its
//! words to the terminal, and rows to the log of the scale checks.

use std::path::PathBuf;

use clap::Args;
use jiff::Timestamp;
use serde_json::Value;

use super::{Exit, Failure, print, tell};
use crate::batch::log::LogFile;
use crate::batch::scale_checks;
use crate::config::Config;
use crate::daemon::client::Client;
use crate::daemon::event_line;
use crate::daemon::request::Request;
use crate::guide::{Guide, READINGS, Seen, Taken, Told};
use crate::mass::Mass;
use crate::metrology::ScaleAbility;
use crate::scale::Moment;
use crate::weighing::event::{Draft, RowKind};

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
    tickets: u64,
}

impl Session {
    /// Nothing is asked of the person before all of this holds.
    pub fn start(args: &GuidedArgs) -> Result<Session, Failure> {
        let config = Config::load(args.config.as_deref())?;
        let mut client = Client::connect()?;
        let status = client.ask(&Request::Status)?;
        if let Some(formula) = status["status"]["formula"].as_str() {
            return Err(Failure::failed(format!(
                "a batch of {formula} is being weighed; finish it, or end it with `bismar stop`"
            )));
        }
        let name = choose(args.scale.as_deref(), &status)?;
        let known = config.scales.iter().find(|scale| scale.name == name);
        let mut ability = known.map_or_else(|| ScaleAbility::assumed(&name), |s| s.ability());
        if known.and_then(|scale| scale.readability).is_none() {
            ability.readability = shown_step(&status, &name).unwrap_or(ability.readability);
        }
        let (log, found) = scale_checks::open(&config.logs()?)?;
        if let Some(torn) = found.and_then(|found| found.torn) {
            tell(&format!(
                "{} bytes at the log's end were no whole row (a power cut) and were set aside in {}",
                torn.bytes,
                torn.kept_in.display()
            ));
        }
        Ok(Session {
            ability,
            log,
            client,
            tickets: 0,
        })
    }

    /// Leads the person through the weighings; gives them with the session's log.
    pub fn weigh(self, mut guide: Guide) -> Result<(Vec<Taken>, Record), Failure> {
        let Session {
            ability,
            log,
            client,
            tickets,
        } = self;
        let d = ability.readability;
        print(&format!(
            "Scale {}: take everything off the pan. (Ctrl-C ends; nothing is logged then.)",
            ability.name
        ))?;
        for line in client.subscribe(true)? {
            let event: Value = match serde_json::from_str(&line?) {
                Ok(event) => event,
                Err(_) => continue,
            };
            let ours = event["scale"].as_str() == Some(&ability.name);
            let told = match event["event"].as_str() {
                Some("reading") if ours => match event_line::live(&event) {
                    Some(live) => guide.see(Seen {
                        at: moment(&event),
                        weight: live.weight,
                        steady: live.steady,
                    }),
                    // A weight that is no number is none.
                    None => guide.interrupted(),
                },
                Some("fault") if event["code"] == "slow" => break,
                Some("fault") if ours && event["over"] != true => guide.interrupted(),
                Some("step") => {
                    return Err(incomplete("a batch was begun meanwhile"));
                }
                Some(_) | None => Vec::new(),
            };
            for told in told {
                if let Some(text) = say(&told, d) {
                    print(&text)?;
                }
            }
            if guide.is_done() {
                let record = Record {
                    scale: ability.name,
                    d,
                    log,
                    tickets,
                };
                return Ok((guide.taken().to_vec(), record));
            }
        }
        Err(incomplete("the daemon's readings ended"))
    }
}

/// When the daemon had it; without a time it is as if no time had passed.
fn moment(event: &Value) -> Moment {
    let seconds = event["at"].as_f64().unwrap_or_default();
    Moment((seconds.clamp(0.0, 1e9) * 1e6) as u64)
}

fn incomplete(why: &str) -> Failure {
    Failure::new(Exit::Incomplete, format!("{why}; nothing was logged"))
        .remedy("Run the command again when the daemon runs and no batch is being weighed")
}

/// The scale of that name, or the only one.
fn choose(wanted: Option<&str>, status: &Value) -> Result<String, Failure> {
    let scales = status["status"]["scales"].as_array();
    let names: Vec<&str> = scales
        .map_or(&[][..], Vec::as_slice)
        .iter()
        .filter_map(|scale| scale["name"].as_str())
        .collect();
    let listed = names.join(", ");
    match (wanted, names.as_slice()) {
        (Some(wanted), names) if names.contains(&wanted) => Ok(wanted.to_owned()),
        (Some(wanted), _) => Err(Failure::usage(format!(
            "the daemon has no scale named \"{wanted}\"; it has: {listed}"
        ))),
        (None, [only]) => Ok((*only).to_owned()),
        (None, []) => Err(Failure::failed("the daemon has no scale")
            .remedy("Run `bismar identify --write`, then start the daemon again")),
        (None, _) => Err(Failure::usage(format!(
            "there are several scales; say which with --scale: {listed}"
        ))),
    }
}

/// The step of the last decimal that the scale shows now.
fn shown_step(status: &Value, name: &str) -> Option<Mass> {
    let scales = status["status"]["scales"].as_array()?;
    let scale = scales.iter().find(|scale| scale["name"] == name)?;
    event_line::live(&serde_json::json!({ "weight": scale["weight"] })).map(|live| live.readability)
}

fn say(told: &Told, d: Mass) -> Option<String> {
    Some(match told {
        Told::ClearPan { shown } => format!(
            "The scale shows {} g. Take everything off the pan and press its ZERO or TARE key.",
            shown.grams(d)
        ),
        Told::PutOn { round: 1, of: 1 } => "Put the weight on.".to_owned(),
        Told::PutOn { round, of } => format!("{round} of {of}: put the load on."),
        Told::NotThat { shown, wanted } => format!(
            "That is not {} g: the scale shows {} g. Lift it and put the right weight on.",
            wanted.grams(Mass::from_g(1)),
            shown.grams(d)
        ),
        Told::Lift { shown } => format!("Steady at {} g. Lift it.", shown.grams(d)),
        Told::Counted { net, .. } => format!("  taken  {} g", net.grams(d)),
        Told::ZeroMoved { by } => format!(
            "The empty pan shows {} g more than before: this weighing does not count. Look for a \
             draught or crumbs.",
            by.grams(d)
        ),
        Told::Changed { shown } => format!(
            "It came to rest at another weight, {} g: this weighing does not count. Take everything \
             off.",
            shown.grams(d)
        ),
        Told::Interrupted => {
            "Readings are missing: this weighing does not count. Take everything off.".to_owned()
        }
        Told::Done => return None,
    })
}

/// The log, for the rows of what was weighed.
pub struct Record {
    scale: String,
    d: Mass,
    log: LogFile,
    tickets: u64,
}

impl Record {
    /// A row's fields that are the same for all, with the reading of a weighing where there is one.
    pub fn draft(&mut self, what: &str, taken: Option<Taken>) -> Draft {
        self.tickets += 1;
        Draft {
            ticket: self.tickets,
            at: Moment::default(),
            kind: RowKind::ScaleCheck,
            step: 0,
            phase: String::new(),
            ingredient: what.to_owned(),
            lot: String::new(),
            vessel: String::new(),
            target: None,
            low: None,
            high: None,
            tare: taken.map(|taken| taken.empty),
            gross: taken.map(|taken| taken.loaded),
            net: taken.map(|taken| taken.net()),
            uncertainty: None,
            verdict: None,
            scale: self.scale.clone(),
            // The daemon tells grams, whatever the scale shows.
            unit: None,
            readings: taken.map(|_| READINGS),
            readability: self.d,
            note: String::new(),
        }
    }

    /// Writes a row; it is on the disk when this returns.
    pub fn add(&mut self, draft: &Draft) -> Result<(), Failure> {
        self.log.append(draft, Timestamp::now())?;
        Ok(())
    }

    pub fn place(&self) -> String {
        self.log.path().display().to_string()
    }
}
