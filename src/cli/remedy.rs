//! `bismar remedy LOG`: what can be done after an over-pour that is mixed in already.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use clap::Args;

use super::lots::StoreArgs;
use super::{Exit, Failure, Outcome, print, tell};
use crate::batch::held::{HeldPart, held, strangers};
use crate::batch::names::name_of;
use crate::batch::record::{self, Record};
use crate::batch::resume;
use crate::config::VesselConfig;
use crate::cue::terminal::fold;
use crate::daemon::client::Client;
use crate::daemon::request::Request;
use crate::formula::limits::{Held, Outside, Side, outside};
use crate::formula::remedy::{Part, Remedy, Way, remedy};
use crate::formula::room::{Bowl, Pour, Room, room};
use crate::formula::{Formula, Plan, VesselWay};
use crate::mass::Mass;
use crate::metrology::ScaleAbility;

#[derive(Debug, Args)]
pub struct RemedyArgs {
    /// The batch as its log is named, or the log (.csv); without it the batch that is being weighed
    log: Option<PathBuf>,
    /// Choose this remedy: its steps are added to the batch that is being weighed, or to that of LOG,
    /// which is opened again
    #[arg(long, value_name = "WAY", value_parser = way)]
    take: Option<Way>,
    /// Another configuration file than ~/.config/bismar/config.toml
    #[arg(long, value_name = "FILE")]
    config: Option<PathBuf>,
    #[command(flatten)]
    store: StoreArgs,
}

fn way(text: &str) -> Result<Way, String> {
    Way::from_word(text).ok_or_else(|| {
        let words: Vec<&str> = Way::ALL.iter().map(|way| way.word()).collect();
        format!("the ways are {}", words.join(", "))
    })
}

/// The log of the batch that is being weighed.
fn running(config: &crate::config::Config) -> Result<PathBuf, Failure> {
    let reply = Client::connect()?.ask(&Request::Status)?;
    let batch = reply["batch"].as_str().ok_or_else(|| {
        Failure::failed("no batch is being weighed").remedy("name the log: bismar remedy LOG")
    })?;
    Ok(config.logs()?.join(format!("{batch}.csv")))
}

/// A file as it was typed, or the log of the batch of this name.
fn named(
    log: &Path,
    logs: Option<&Path>,
    config: &crate::config::Config,
) -> Result<PathBuf, Failure> {
    if log.exists() || log.extension().is_some_and(|end| end == "csv") {
        return Ok(log.to_owned());
    }
    let folder = match logs {
        Some(folder) => folder.to_owned(),
        None => config.logs()?,
    };
    let mut name = log.as_os_str().to_owned();
    name.push(".csv");
    let path = folder.join(name);
    Ok(if path.exists() { path } else { log.to_owned() })
}

pub fn run(args: &RemedyArgs) -> Outcome {
    if let Some(way) = args.take {
        let way = way.word().to_owned();
        let batch = args.log.as_deref().map(name_of);
        print(&Client::connect()?.say(&Request::Remedy { way, batch })?)?;
        return Ok(Exit::Done);
    }
    let config = super::config::load(args.config.as_deref())?;
    let path = match &args.log {
        Some(log) => named(log, args.store.logs.as_deref(), &config)?,
        None => running(&config)?,
    };
    // Refuses a log that was changed; the record is made of the same rows.
    let resumed = resume::read(&path)?;
    let log = record::read(&path)?;
    let name = path.display().to_string();
    let opening = log.opening.as_ref().ok_or_else(|| {
        Failure::bad_input(format!("{name}:3:1: the log ends before its formula"))
            .remedy("Begin the batch anew; nothing was weighed in this one.")
    })?;
    let formula = Formula::parse(&opening.text, &format!("{name} (its formula)"))?;
    let scales = match config.abilities() {
        scales if scales.is_empty() => vec![ScaleAbility::assumed("bench")],
        scales => scales,
    };
    let guard = config.weighing.guard;
    let plan = resumed.plan(&formula, opening.amount(), &scales, guard);
    let plan = plan.map_err(Failure::failed)?;
    let strangers = strangers(&log, &formula);
    if !strangers.is_empty() {
        tell(&format!(
            "warning: not in the formula and left out here: {}",
            strangers.join(", ")
        ));
    }
    let batch = Batch {
        parts: held(&log, &plan),
        bowl: bowl(&log, &config.vessels),
        on_hand: args.store.on_hand(&log)?,
        amended: !log.remedies.is_empty(),
        d: coarsest(&scales),
        formula,
        plan,
        scales,
    };
    print(&batch.text())?;
    Ok(Exit::Done)
}

fn coarsest(scales: &[ScaleAbility]) -> Mass {
    let coarsest = scales.iter().map(|scale| scale.readability).max();
    coarsest.unwrap_or(ScaleAbility::ASSUMED_READABILITY)
}

/// What the bowl weighs empty, where the log tells: the tare of the first step, if the bowl stood there.
fn empty_bowl(log: &Record) -> Option<Mass> {
    let (_, first) = log.steps.iter().find(|(_, step)| step.net.is_some())?;
    let bowl = first.vessel == VesselWay::Bowl.name();
    first.tare.filter(|_| bowl).map(|tare| tare.mass())
}

/// The bowl, and what it holds where the configuration knows a vessel of its weight, to 1 g or 0.5 %.
fn bowl(log: &Record, vessels: &[VesselConfig]) -> Bowl {
    let empty = empty_bowl(log);
    let near = |vessel: &&VesselConfig| {
        empty.is_some_and(|empty| {
            let off = (vessel.weight - empty).abs();
            off <= empty.ratio(1, 200).max(Mass::from_g(1))
        })
    };
    Bowl {
        capacity: vessels.iter().find(near).and_then(|vessel| vessel.capacity),
        empty,
    }
}

/// A batch as it stands, and the bench it is made on.
struct Batch {
    formula: Formula,
    plan: Plan,
    scales: Vec<ScaleAbility>,
    parts: Vec<HeldPart>,
    bowl: Bowl,
    /// What is left of the lots of each ingredient.
    on_hand: BTreeMap<String, Mass>,
    /// Whether the batch was changed by a remedy already.
    amended: bool,
    /// Additions are whole steps of it.
    d: Mass,
}

impl Batch {
    fn total(&self) -> Mass {
        self.parts.iter().map(|held| held.part.held).sum()
    }

    /// The remedies side by side.
    fn text(&self) -> String {
        let d = self.d;
        let mut text = format!(
            "{}, batch {} g\n",
            self.plan.formula,
            self.plan.batch.grams(d)
        );
        let off: Vec<String> = self
            .parts
            .iter()
            .filter_map(|held| self.off(held))
            .collect();
        let parts: Vec<Held> = (self.parts.iter())
            .map(|held| Held {
                ingredient: &held.ingredient,
                mass: held.part.held,
            })
            .collect();
        let outside = outside(&self.formula, &parts, self.total());
        if off.is_empty() && outside.is_empty() {
            text.push_str("Every weight in this log is inside its tolerance and its limits.\n");
            return text;
        }
        for line in off {
            paragraph(&mut text, &line);
        }
        for one in &outside {
            paragraph(&mut text, &self.over_limit(one));
        }
        let parts: Vec<Part> = self.parts.iter().map(|held| held.part).collect();
        let found = Way::ALL.map(|way| remedy(way, &parts, d));
        self.table(&mut text, &found);
        if self.parts.iter().any(|held| held.to_come > Mass::ZERO) {
            text.push_str("* not weighed yet: weigh the planned grams and what is to be added.\n");
        }
        text.push_str("\"-\": that way leads to no batch inside all limits.\n");
        self.shortages(&mut text, &found);
        text
    }

    /// A limit that is crossed, by what is to come as planned too.
    fn over_limit(&self, outside: &Outside) -> String {
        let to_come = |held: &HeldPart| held.to_come > Mass::ZERO;
        let lead = match self.parts.iter().any(to_come) {
            true => "Limit, with what is to come as planned",
            false => "Limit",
        };
        let mut line = format!("{lead}: {outside}");
        let mine = |held: &&HeldPart| held.ingredient == outside.ingredient;
        if outside.side == Side::Over && self.parts.iter().find(mine).is_some_and(to_come) {
            line.push_str(" It is not all weighed yet: less of it would do.");
        }
        if let Some(advice) = outside.advice() {
            line.push_str(&format!(" {advice}"));
        }
        line
    }

    /// What is to be said of an ingredient that is weighed and outside its tolerance. After a remedy the
    /// batch is another one: then its share of that counts.
    fn off(&self, held: &HeldPart) -> Option<String> {
        let (d, total) = (self.d, self.total());
        if held.to_come > Mass::ZERO {
            return None;
        }
        let (target, fits) = match self.amended {
            true => (
                held.part.share.of(total).round_to(d),
                held.part.inside(held.delivered, total),
            ),
            false => (
                held.target,
                held.lowest <= held.delivered && held.delivered <= held.highest,
            ),
        };
        if fits {
            return None;
        }
        let steps: Vec<String> = held.steps.iter().map(ToString::to_string).collect();
        let word = if steps.len() == 1 { "Step" } else { "Steps" };
        let over = held.delivered - target;
        let side = if over.is_negative() { "under" } else { "over" };
        let stayed = held.weighed - held.delivered;
        let stayed = match stayed > Mass::ZERO {
            true => format!(
                " ({} g of {} g stayed in the vessel)",
                stayed.grams(d),
                held.weighed.grams(d)
            ),
            false => String::new(),
        };
        Some(format!(
            "{word} {}, {}: {} g{stayed}, {} g {side} its {} of {} g.",
            steps.join(", "),
            held.ingredient,
            held.delivered.grams(d),
            over.abs().grams(d),
            if self.amended { "share" } else { "target" },
            target.grams(d)
        ))
    }

    fn table(&self, text: &mut String, found: &[Option<Remedy>; 3]) {
        let d = self.d;
        let _ = write!(text, "\n{:<28} {:>10}", "grams to add", "in it");
        for way in Way::ALL {
            let _ = write!(text, " {:>13}", way.name());
        }
        text.push('\n');
        for (i, held) in self.parts.iter().enumerate() {
            let later = if held.to_come > Mass::ZERO { "*" } else { "" };
            let name: String = held.ingredient.chars().take(27).collect();
            let grams = held.part.held.grams(d).to_string();
            let _ = write!(text, "{:<28} {grams:>10}", format!("{name}{later}"));
            cells(text, found, |r| {
                r.add
                    .get(i)
                    .map_or(String::new(), |a| a.grams(d).to_string())
            });
        }
        let _ = write!(text, "{:<39}", "batch then, g");
        cells(text, found, |r| r.batch.grams(d).to_string());
        if let Some((_, fill)) = self.plan.jars {
            let _ = write!(text, "{:<39}", "whole jars it fills");
            cells(text, found, |r| r.jars(fill).to_string());
        }
        let _ = write!(text, "{:<39}", "bowl, scale and lots hold it");
        cells(text, found, |r| {
            let Room { short, unknown } = self.room(r);
            match (short.is_empty(), unknown.is_empty()) {
                (false, _) => "no".to_owned(),
                (true, true) => "yes".to_owned(),
                (true, false) => "?".to_owned(),
            }
        });
    }

    /// Whether there is room for a remedy and for what is to come as planned.
    fn room(&self, remedy: &Remedy) -> Room {
        let pours: Vec<Pour> = (self.parts.iter().zip(&remedy.add))
            .map(|(held, &add)| Pour {
                ingredient: &held.ingredient,
                vessel: held.vessel,
                amount: held.to_come + add,
                on_hand: self.on_hand.get(&held.ingredient).copied(),
            })
            .collect();
        let poured = self.parts.iter().map(|held| held.delivered).sum();
        room(poured, &pours, self.bowl, &self.scales)
    }

    fn shortages(&self, text: &mut String, found: &[Option<Remedy>; 3]) {
        let mut unknown = Vec::new();
        for remedy in found.iter().flatten() {
            let room = self.room(remedy);
            for short in room.short {
                paragraph(text, &format!("No room, {}: {short}", remedy.way.name()));
            }
            for what in room.unknown {
                if !unknown.contains(&what.name()) {
                    unknown.push(what.name());
                }
            }
        }
        if !unknown.is_empty() {
            paragraph(text, &format!("\"?\": not known: {}.", unknown.join(", ")));
        }
    }
}

fn paragraph(text: &mut String, words: &str) {
    for line in fold(words, 80) {
        text.push_str(&line);
        text.push('\n');
    }
}

fn cells(text: &mut String, found: &[Option<Remedy>], cell: impl Fn(&Remedy) -> String) {
    for remedy in found {
        let shown = remedy.as_ref().map_or("-".to_owned(), &cell);
        let _ = write!(text, " {shown:>13}");
    }
    text.push('\n');
}
