//! `bismar begin FORMULA`: begins a batch with the daemon; `--go-on` goes on with one that was stopped.

use std::path::{Path, PathBuf};

use clap::Args;

use super::named::{self, FORMULA};
use super::size::{self, SizeArgs};
use super::{Exit, Failure, Outcome, print, said};
use crate::formula::{Formula, VesselWay};
use crate::journal::batch::residue::{FEWEST, usual};
use crate::journal::format::cell::clean;
use crate::journal::name_of;
use crate::journal::read::folder::all_threads;
use crate::journal::read::record;
use crate::language::{Sentence, Term, phrase, term};
use crate::mass::Mass;
use crate::protocol::client;
use crate::protocol::client::Client;
use crate::protocol::request::{Overweigh, Request};
use crate::text::shell_word;
use crate::workshop;
use crate::workshop::batches::archive;
use crate::workshop::stopped::{Stopped, stopped};

#[derive(Debug, Args)]
#[command(group = size::required().arg("go_on"))]
pub struct BeginArgs {
    /// The formula: its name, or its file (.toml)
    #[arg(value_name = FORMULA, required_unless_present = "go_on")]
    formula: Option<PathBuf>,
    #[command(flatten)]
    size: SizeArgs,
    /// Weigh a little more of what stays in its beaker, as learned from the batches that weighed it
    /// back (`bismar residue`)
    #[arg(long)]
    overweigh: bool,
    /// Go on with a batch that was stopped; without its name, list those that were, with what is still open
    #[arg(long, value_name = "BATCH", conflicts_with_all = ["formula", "overweigh", "allowance"])]
    go_on: Option<Option<PathBuf>>,
}

/// # Errors
/// What is told to the person, with its remedy and exit code.
pub fn run(args: BeginArgs) -> Outcome {
    let named = match (args.go_on, args.formula) {
        (Some(batch), _) => return go_on(batch.as_deref()),
        // clap asks for one of the two.
        (None, None) => return Err(Failure::failed(phrase!("no formula is named"))),
        (None, Some(formula)) => formula,
    };
    // Read here too: a fault of the file is told with its place, whether a daemon runs or not.
    let file = named::formula(&named, None)?;
    let formula = workshop::formula(&file)?;
    let sticky = sticky(&formula, &args.size)?;
    let SizeArgs {
        batch,
        jars,
        fill,
        allowance,
    } = args.size;
    let text = |typed: Option<size::Typed>| typed.map(|typed| typed.text);
    let mut request = client::begin(&file, text(batch), jars, text(fill))?
        .with_allowance(allowance.map(|typed| typed.text));
    if args.overweigh {
        request = request.with_overweigh(sticky.iter().map(|s| s.asked.clone()).collect());
    }
    print(&Client::connect()?.say(&request)?)?;
    for Sticky { words, .. } in &sticky {
        let words = words.clone();
        print(&said(match args.overweigh {
            true => phrase!("Note: {words}; that much more is weighed.", words),
            false => phrase!(
                "Note: {words}; begin with --overweigh to weigh that much more.",
                words
            ),
        }))?;
    }
    if args.overweigh && sticky.is_empty() {
        print(&said(phrase!(
            "Note: no ingredient was weighed back often enough ({times} times) to weigh more of it.",
            times = FEWEST,
        )))?;
    }
    print(&said(WATCH))?;
    Ok(Exit::Done)
}

const WATCH: Term = term!("`bismar watch` shows what to do now.");

/// Goes on with the batch, or lists those that were stopped.
fn go_on(batch: Option<&Path>) -> Outcome {
    let config = super::config::load(None)?;
    let Some(batch) = batch else {
        // Without a daemon nothing is under way.
        let running = Client::connect().and_then(|mut client| client.status());
        let running = running.ok().and_then(|standing| standing.batch);
        let all = stopped(&config, &config.logs()?, all_threads())?;
        let all: Vec<Stopped> = all
            .into_iter()
            .filter(|one| Some(&one.batch) != running.as_ref())
            .collect();
        match running {
            Some(batch) => print(&said(phrase!("{batch} is under way.", batch)))?,
            None if all.is_empty() => {
                print(&said(phrase!("No batch is stopped; each is finished.")))?
            }
            None => {}
        }
        for one in &all {
            print(&told(one))?;
        }
        return Ok(Exit::Done);
    };
    let request = Request::GoOn {
        batch: name_of(batch),
    };
    print(&Client::connect()?.say(&request)?)?;
    print(&said(WATCH))?;
    Ok(Exit::Done)
}

/// One batch that was stopped, in the words of the page.
fn told(one: &Stopped) -> String {
    let mut text = format!("{}, {}: {}", one.batch, one.formula, said(one.say.clone()));
    for heed in &one.heed {
        let heed = heed.clone();
        text.push_str(&format!("\n  {}", said(phrase!("Note: {heed}", heed))));
    }
    match &one.cannot {
        Some(why) => {
            let why = why.clone();
            text.push_str(&format!(
                "\n  {}",
                said(phrase!("It cannot go on: {why}", why))
            ));
        }
        None => text.push_str(&format!(
            "\n  bismar begin --go-on {}",
            shell_word(&one.batch)
        )),
    }
    text
}

/// The newest logs, so that a begin stays quick over the years.
const LOGS_LEARNED_FROM: usize = 200;

/// An ingredient of which some stays in its beaker.
struct Sticky {
    asked: Overweigh,
    words: Sentence,
}

/// What the logs know to stay in the beakers of this formula. More than a tenth of what is weighed is no
/// film on the glass, and is left out.
fn sticky(formula: &Formula, size: &SizeArgs) -> Result<Vec<Sticky>, Failure> {
    let folder = super::config::load(None)?.logs()?;
    let mut records = Vec::new();
    for path in archive(&folder).newest()?.iter().take(LOGS_LEARNED_FROM) {
        // A log that does not read teaches nothing; `bismar log verify` says why.
        records.extend(record::read(path).ok());
    }
    let usual = usual(&records);
    let amount = size.amount().ok().flatten();
    let total = amount
        .and_then(|amount| amount.total().ok())
        .unwrap_or_default();
    let shares = formula.shares();
    let steps = (1..).zip(formula.ingredients().zip(&shares));
    Ok(steps
        .filter(|(_, (ingredient, _))| ingredient.vessel == VesselWay::Beaker)
        .filter_map(|(step, (ingredient, share))| {
            let stays = usual.get(&clean(&ingredient.name))?;
            let grams = stays
                .mass
                .round_to(Mass::from_mg(10))
                .grams(Mass::from_mg(10));
            (stays.mass <= share.of(total).ratio(1, 10)).then(|| Sticky {
                asked: Overweigh {
                    step,
                    mass: format!("{grams}g"),
                },
                words: phrase!(
                    "about {grams} g {name} stays in its beaker ({weighings} weighings)",
                    grams,
                    name = &ingredient.name,
                    weighings = stays.weighings,
                ),
            })
        })
        .collect())
}
