//! `bismar remedy LOG`: what can be done after an over-pour that is mixed in already.

use std::fmt::Write as _;
use std::path::PathBuf;

use clap::Args;

use super::{Exit, Failure, Outcome, print};
use crate::batch::resume;
use crate::daemon::client::Client;
use crate::daemon::request::Request;
use crate::formula::plan::Amount;
use crate::formula::remedy::{Part, Remedy, Way, remedy};
use crate::formula::{Formula, Plan};
use crate::mass::Mass;
use crate::metrology::ScaleAbility;

#[derive(Debug, Args)]
pub struct RemedyArgs {
    /// The batch log (.csv); without it the batch that is being weighed
    log: Option<PathBuf>,
    /// Choose this remedy for the batch that is being weighed: its steps are added
    #[arg(long, value_name = "WAY", conflicts_with = "log", value_parser = way)]
    take: Option<Way>,
    /// Another configuration file than ~/.config/bismar/config.toml
    #[arg(long, value_name = "FILE")]
    config: Option<PathBuf>,
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
    let folder = config.logs().map_err(Failure::failed)?;
    Ok(folder.join(format!("{batch}.csv")))
}

pub fn run(args: &RemedyArgs) -> Outcome {
    if let Some(way) = args.take {
        let way = way.word().to_owned();
        print(&Client::connect()?.say(&Request::Remedy { way })?)?;
        return Ok(Exit::Done);
    }
    let config = super::config::load(args.config.as_deref())?;
    let path = match &args.log {
        Some(log) => log.clone(),
        None => running(&config)?,
    };
    let log = resume::read(&path)?;
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
    let amount = Amount::opened(opening.batch, opening.jars);
    let plan =
        Plan::new(&formula, amount, &scales, config.weighing.guard).map_err(Failure::failed)?;
    let net = |step| log.weighed.get(&step).map(|weighed| weighed.net);
    let coarsest = scales.iter().map(|scale| scale.readability).max();
    let d = coarsest.unwrap_or(ScaleAbility::ASSUMED_READABILITY);
    print(&table(&formula, &plan, net, d))?;
    Ok(Exit::Done)
}

/// The remedies side by side. `net` gives what was recorded of a step; additions are whole steps `d`.
fn table(formula: &Formula, plan: &Plan, net: impl Fn(usize) -> Option<Mass>, d: Mass) -> String {
    let shares = formula.shares();
    let parts: Vec<Part> = (formula.ingredients().zip(&shares).zip(&plan.steps))
        .map(|((ingredient, &share), step)| {
            let held = net(step.number).unwrap_or(step.target).max(Mass::ZERO);
            Part::new(ingredient, share, step.target, held)
        })
        .collect();
    let over = |step: &&crate::formula::Step| net(step.number).is_some_and(|n| n > step.highest);
    let mut text = format!("{}, batch {} g\n", plan.formula, plan.batch.grams(d));
    let mut poured = plan.steps.iter().filter(over).peekable();
    if poured.peek().is_none() {
        text.push_str("Nothing in this log is over its tolerance.\n");
        return text;
    }
    for step in poured {
        let held = net(step.number).unwrap_or_default();
        let _ = writeln!(
            text,
            "Step {}, {}: {} g, {} g over its target of {} g.",
            step.number,
            step.ingredient,
            held.grams(d),
            (held - step.target).grams(d),
            step.target.grams(d)
        );
    }
    let found = Way::ALL.map(|way| remedy(way, &parts, d));
    let _ = write!(text, "\n{:<28} {:>10}", "grams to add", "in it");
    for way in Way::ALL {
        let _ = write!(text, " {:>13}", way.name());
    }
    text.push('\n');
    for (i, (step, part)) in plan.steps.iter().zip(&parts).enumerate() {
        let later = if net(step.number).is_none() { "*" } else { "" };
        let name: String = step.ingredient.chars().take(27).collect();
        let held = part.held.grams(d).to_string();
        let _ = write!(text, "{:<28} {held:>10}", format!("{name}{later}"));
        cells(&mut text, &found, |r| {
            r.add
                .get(i)
                .map_or(String::new(), |a| a.grams(d).to_string())
        });
    }
    let _ = write!(text, "{:<39}", "batch then, g");
    cells(&mut text, &found, |r| r.batch.grams(d).to_string());
    if let Some((_, fill)) = plan.jars {
        let _ = write!(text, "{:<39}", "whole jars it fills");
        cells(&mut text, &found, |r| r.jars(fill).to_string());
    }
    if parts.len()
        > plan
            .steps
            .iter()
            .filter(|s| net(s.number).is_some())
            .count()
    {
        text.push_str("* not weighed yet: weigh the planned grams and what is to be added.\n");
    }
    text.push_str("\"-\": that way leads to no batch inside all limits.\n");
    text
}

fn cells(text: &mut String, found: &[Option<Remedy>], cell: impl Fn(&Remedy) -> String) {
    for remedy in found {
        let shown = remedy.as_ref().map_or("-".to_owned(), &cell);
        let _ = write!(text, " {shown:>13}");
    }
    text.push('\n');
}
