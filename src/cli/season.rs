//! `bismar demo --season`: a season of invented batches, weighed one after another in virtual time by
//! the daemon's own code, each into a real batch log; what was planned in jars is filled into jars.

use std::path::{Path, PathBuf};

use jiff::civil::date;
use jiff::{Timestamp, ToSpan as _};

use super::demo::{DemoArgs, config, folder};
use super::rehearsed::Writing;
use super::{Exit, Failure, Outcome, print};
use crate::config::Config;
use crate::formula::examples::SCENT_BLEND;
use crate::formula::{Formula, Plan};
use crate::journal::format::fill_note::note_of;
use crate::journal::read::record;
use crate::lots::Lot;
use crate::lots::price::Price;
use crate::mass::Mass;
use crate::rehearsal::season::{Kind, Outing, bought, lot_of, season, usual_fill};
use crate::rehearsal::stage::Stage;
use crate::rehearsal::trial::Told;
use crate::vocabulary::entry::{Draft, RowKind};
use crate::weighing::event::Event;

/// The season's first morning: 2 March 2026, 08:00 UTC. Invented; always the same, so that the same
/// seed gives the same logs to the byte.
const FIRST_MORNING: i64 = 1_772_438_400;
/// From the end of the weighing to the first jar.
const REST_US: u64 = 30 * 60 * 1_000_000;

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
    let (mut closed, mut count, mut jars) = (0, 0, 0);
    let mut blends = Blends::default();
    for outing in season(args.seed) {
        let made = weigh(&outing, &folder, &config, &mut blends)?;
        count += 1;
        closed += u32::from(made.complete);
        let mut how = if made.complete {
            "complete"
        } else {
            "ended early"
        }
        .to_owned();
        if let Some((filled, planned)) = made.filled {
            jars += filled;
            how.push_str(&format!(", {filled} of {planned} jars filled"));
        }
        print(&format!("{:<46} {how}", made.batch))?;
    }
    std::fs::write(&list, lots()).map_err(|error| {
        Failure::of_file(&list, error).remedy("name another folder with --log-dir")
    })?;
    print(&format!(
        "\n{count} invented batches of the Saltmarsh Bench workshop, {closed} complete, {jars} jars filled, in {0}\n\
         Their lots: {1} (for `bismar lots --lots {1} --logs {0}`)",
        folder.display(),
        list.display()
    ))?;
    Ok(Exit::Done)
}

/// The name of a log in the folder.
fn logs_in(folder: &Path) -> Result<Option<String>, Failure> {
    let entries = std::fs::read_dir(folder).map_err(|e| Failure::of_file(folder, e))?;
    let mut names = entries.flatten().map(|entry| entry.file_name());
    Ok(names
        .find(|name| Path::new(name).extension().is_some_and(|end| end == "csv"))
        .map(|name| name.to_string_lossy().into_owned()))
}

/// Plays `plan` into its log.
fn played(
    writing: &mut Writing,
    config: &Config,
    plan: Plan,
    stage: &mut Stage,
) -> Result<Played, Failure> {
    let mut played = Played::default();
    writing.play(config, plan, stage, |told| match told {
        Told::Event(_, Event::Closed { complete }) => played.complete = *complete,
        Told::Event(_, Event::Recorded { step, .. }) => played.last = *step,
        Told::Event(..) | Told::Hands(..) | Told::Word(..) => {}
    })?;
    Ok(played)
}

#[derive(Debug, Clone, Copy, Default)]
struct Played {
    complete: bool,
    /// The step recorded last.
    last: usize,
}

/// Weighs one batch, and fills its jars. Gives the log's name, whether every step was recorded, and the
/// jars filled and planned.
fn weigh(
    outing: &Outing,
    folder: &Path,
    config: &Config,
    blends: &mut Blends,
) -> Result<Made, Failure> {
    let formula = Formula::parse(outing.formula, "season.toml")?;
    let amount = outing.planned().map_err(Failure::theirs)?;
    let (scales, guard) = (config.abilities(), config.weighing.guard);
    let plan = Plan::new(&formula, amount, &scales, guard)?;
    let seconds = FIRST_MORNING + outing.after;
    let start = Timestamp::from_second(seconds).map_err(Failure::theirs)?;
    let mut writing = Writing::begin(folder, &formula, &plan, start)?;
    let batch = writing.log.batch().to_owned();
    let mut stage = outing.stage(&plan);
    stage.read_lots(lots_for(&plan, &formula, outing.number, blends));
    let premix = (formula.text == SCENT_BLEND).then(|| (batch.clone(), plan.batch));
    let jars = plan.jars;
    let complete = played(&mut writing, config, plan, &mut stage)?.complete;
    blends.0.extend(premix.filter(|_| complete));
    let filled = match jars.filter(|_| complete) {
        Some((planned, nominal)) => {
            let filled = fill(
                &mut writing,
                (outing, nominal, &formula.label()),
                config,
                &stage,
            )?;
            Some((filled, planned))
        }
        None => None,
    };
    Ok(Made {
        batch,
        complete,
        filled,
    })
}

struct Made {
    batch: String,
    complete: bool,
    /// Jars filled, and planned.
    filled: Option<(usize, u32)>,
}

/// The lot in use of each ingredient.
fn lots_for(
    plan: &Plan,
    formula: &Formula,
    number: u32,
    blends: &mut Blends,
) -> Vec<(String, String)> {
    let steps = plan.steps.iter().zip(formula.ingredients());
    let lots = steps.map(|(step, ingredient)| {
        let lot = match ingredient.premix {
            Some(_) => blends.take(step.target),
            None => lot_of(&step.ingredient, number),
        };
        (step.ingredient.clone(), lot)
    });
    lots.collect()
}

/// Fills the jars of a batch that is weighed, half an hour later. Gives how many.
fn fill(
    writing: &mut Writing,
    (outing, nominal, label): (&Outing, Mass, &str),
    config: &Config,
    weighed: &Stage,
) -> Result<usize, Failure> {
    let made = record::read(writing.log.path())?.total();
    let fill = usual_fill(nominal, made);
    let (scales, guard) = (config.abilities(), config.weighing.guard);
    let plan = Plan::filling(fill, label, &scales, guard)?;
    writing.start = writing.at(weighed.now().plus_micros(REST_US));
    let note = Draft::new(RowKind::Note, note_of(&fill));
    writing.log.append(&note, writing.start)?;
    let mut stage = outing.filling_stage(&plan, weighed);
    Ok(played(writing, config, plan, &mut stage)?.last)
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
