//! `bismar demo --season`: a season of invented batches, weighed one after another in virtual time by
//! the daemon's own code, each into a real batch log.

use std::path::{Path, PathBuf};

use jiff::civil::date;
use jiff::{SignedDuration, Timestamp, ToSpan as _};

use super::demo::{DemoArgs, config, folder};
use super::{Exit, Failure, Outcome, print};
use crate::batch::log::LogFile;
use crate::batch::resume::{Opening, opening_drafts};
use crate::bench::{Bench, Refused};
use crate::config::Config;
use crate::formula::examples::SCENT_BLEND;
use crate::formula::{Formula, Plan};
use crate::lots::Lot;
use crate::lots::price::Price;
use crate::mass::Mass;
use crate::rehearsal::season::{Kind, Outing, bought, lot_of, season, season_stage};
use crate::rehearsal::trial::{Told, play};
use crate::scale::Moment;
use crate::weighing::event::{Draft, Event};

/// The season's first morning: 2 March 2026, 08:00 UTC. Invented; always the same, so that the same
/// seed gives the same logs to the byte.
const FIRST_MORNING: i64 = 1_772_438_400;

pub fn run(args: &DemoArgs) -> Outcome {
    let folder = folder(args.log_dir.as_deref())?;
    if let Some(name) = logs_in(&folder)? {
        return Err(Failure::failed(format!(
            "{}: there are batch logs already ({name}); a season is invented and must not mix with them",
            folder.display()
        ))
        .remedy("name a new folder with --log-dir"));
    }
    let list = folder.join("lots.toml");
    if list.exists() {
        return Err(Failure::failed(format!(
            "{}: there is a list of lots already, and it stays as it is",
            list.display()
        ))
        .remedy("name a new folder with --log-dir"));
    }
    let config = config(&folder, PathBuf::new());
    let (mut closed, mut count) = (0, 0);
    let mut blends = Blends::default();
    for outing in season(args.seed) {
        let (log, complete) = weigh(&outing, &folder, &config, &mut blends)?;
        count += 1;
        closed += u32::from(complete);
        let how = if complete { "complete" } else { "ended early" };
        print(&format!("{log:<46} {how}"))?;
    }
    std::fs::write(&list, lots()).map_err(|error| {
        Failure::failed(format!("{}: {error}", list.display()))
            .remedy("name another folder with --log-dir")
    })?;
    print(&format!(
        "\n{count} invented batches of the Saltmarsh Bench workshop, {closed} complete, in {0}\n\
         Their lots: {1} (for `bismar lots --lots {1} --logs {0}`)",
        folder.display(),
        list.display()
    ))?;
    Ok(Exit::Done)
}

/// The name of a log in the folder.
fn logs_in(folder: &Path) -> Result<Option<String>, Failure> {
    let entries = std::fs::read_dir(folder)
        .map_err(|e| Failure::failed(format!("{}: {e}", folder.display())))?;
    let mut names = entries.flatten().map(|entry| entry.file_name());
    Ok(names
        .find(|name| Path::new(name).extension().is_some_and(|end| end == "csv"))
        .map(|name| name.to_string_lossy().into_owned()))
}

/// Weighs one batch. Gives the log's name and whether every step was recorded.
fn weigh(
    outing: &Outing,
    folder: &Path,
    config: &Config,
    blends: &mut Blends,
) -> Result<(String, bool), Failure> {
    let formula = Formula::parse(outing.formula, "season.toml")?;
    let plan = Plan::new(
        &formula,
        outing.amount,
        &config.abilities(),
        config.weighing.guard,
    )
    .map_err(Failure::failed)?;
    let seconds = FIRST_MORNING + outing.after;
    let start = Timestamp::from_second(seconds).map_err(Failure::failed)?;
    let label = format!("{} {}", formula.name, formula.version);
    let mut log = LogFile::create_unique(folder, &formula.name, start)?;
    log.set_formula(&label);
    let opening = Opening {
        text: formula.text.clone(),
        batch: plan.batch,
        jars: plan.jars,
    };
    let drafts = opening_drafts(&opening, &label, u64::MAX - 1, Moment::default());
    for draft in drafts.map_err(Failure::failed)? {
        log.append(&draft, start)?;
    }
    let name = log.batch().to_owned();
    let mut stage = season_stage(outing.seed, &plan);
    let steps = plan.steps.iter().zip(formula.ingredients());
    let lots = steps.map(|(step, ingredient)| {
        let lot = match ingredient.premix {
            Some(_) => blends.take(step.target),
            None => lot_of(&step.ingredient, outing.number),
        };
        (step.number, lot)
    });
    stage.read_lots(lots.collect());
    let premix = (formula.text == SCENT_BLEND).then(|| (name.clone(), plan.batch));
    let mut bench = Bench::at_line_start(config).map_err(Failure::failed)?;
    bench.set_readings(true);
    let (mut complete, mut failure) = (false, None);
    let write = |draft: &Draft| {
        let micros = i64::try_from(draft.at.0).unwrap_or(0);
        let at = start
            .checked_add(SignedDuration::from_micros(micros))
            .unwrap_or(start);
        log.append(draft, at).map_err(|error| {
            let why = error.to_string();
            failure.get_or_insert(error);
            why
        })
    };
    let told = |told: Told<'_>| {
        if let Told::Event(_, Event::Closed { complete: all }) = told {
            complete = *all;
        }
    };
    play(&mut bench, plan, &mut stage, write, told).map_err(|Refused(why)| Failure::failed(why))?;
    blends.0.extend(premix.filter(|_| complete));
    match failure {
        Some(error) => Err(error.into()),
        None => Ok((name, complete)),
    }
}

/// The bottles of scent blend on the shelf, the oldest first, each with what the hands think is in it.
#[derive(Debug, Default)]
struct Blends(Vec<(String, Mass)>);

impl Blends {
    /// The batch that `target` is taken from: the oldest with a gram to spare, since more than the
    /// target may be poured. Where there is none, a bottle from before the season.
    fn take(&mut self, target: Mass) -> String {
        let needed = target + Mass::from_g(1);
        let bottle = self.0.iter_mut().find(|(_, left)| *left >= needed);
        match bottle {
            Some((batch, left)) => {
                *left -= target;
                batch.clone()
            }
            None => "SB-BLEND-0".to_owned(),
        }
    }
}

/// The season's list of lots. Suppliers, amounts, days and prices are invented.
fn lots() -> String {
    let mut text =
        "# The lots of an invented season of the invented Saltmarsh Bench workshop.\n".to_owned();
    for bought in bought() {
        let (supplier, amount, months, price) = match bought.kind {
            Kind::EssentialOil => ("Dune still", Mass::from_g(100), 18, "180.00"),
            Kind::OilOrButter => ("Headland press", Mass::from_g(1000), 12, "14.50"),
            Kind::Dry => ("Saltmarsh pans", Mass::from_g(5000), 24, "3.20"),
        };
        // Bought in the winter before, and some weeks apart.
        let opened = date(2026, 2, 23).saturating_add((i64::from(bought.nth) * 3).weeks());
        let lot = Lot {
            name: bought.lot,
            ingredient: bought.ingredient,
            supplier: Some(supplier.to_owned()),
            opened: Some(opened),
            best_before: Some(opened.saturating_add(months.months())),
            amount: Some(amount),
            price_per_kg: Price::parse(price).ok(),
            ..Lot::default()
        };
        text.push_str(&lot.to_toml());
    }
    text
}
