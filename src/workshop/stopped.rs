//! Batches that were stopped and are not finished: what is weighed of each, what is still open, and whether it can
//! go on.

use std::cmp::Reverse;
use std::collections::HashMap;
use std::path::{Path, PathBuf};

use jiff::Timestamp;

use super::batches::archive;
use super::{QueryError, formulas_called};
use crate::config::Config;
use crate::files;
use crate::formula::{Formula, Plan};
use crate::journal::batch::record::Record;
use crate::journal::batch::still_open::{OpenPart, StillOpen};
use crate::journal::batch::summary::Summary;
use crate::journal::format::cell::clean;
use crate::journal::name_of;
use crate::journal::read::archive::Progress;
use crate::journal::read::record;
use crate::language::{Sentence, phrase};
use crate::mass::Mass;
use crate::protocol::reply::Refusal;
use crate::vocabulary::progress::left_out_beside;

/// A batch that was begun, and is neither complete nor over.
#[derive(Debug)]
pub struct Stopped {
    pub batch: String,
    /// The formula's name and version.
    pub formula: String,
    /// When its last row was written.
    pub last_at: Option<Timestamp>,
    /// What is weighed, and what is still open.
    pub say: Sentence,
    /// What is to be thought of before it goes on.
    pub heed: Vec<Sentence>,
    /// Why it cannot go on; `None`: it can.
    pub cannot: Option<Sentence>,
}

/// As many are told, those that were worked at last: what nobody took up again for so long stays stopped.
const MOST: usize = 12;
/// As many logs are read whole for that: a batch that ended with a step left out shows only there that nothing is open.
const MOST_READ: usize = 60;

/// The batches in the folder `logs` that were stopped, the one that was worked at last first; at most `threads` logs
/// are read at a time. One that is under way now is among them: its log alone does not tell.
///
/// # Errors
/// When the folder cannot be read.
pub fn stopped(config: &Config, logs: &Path, threads: usize) -> Result<Vec<Stopped>, QueryError> {
    let mut open = Vec::new();
    // The complete ones of each formula, when they were begun; little of each, there are as many as logs.
    let mut done: HashMap<String, Vec<(usize, Timestamp)>> = HashMap::new();
    let look = archive(logs).look(threads, &Progress::default(), &mut |nth, batch, _| {
        if is_open(batch) {
            open.push((Reverse(batch.last_at), nth, batch.formula.clone()));
        } else if batch.complete
            && let (Some(formula), Some(opened)) = (&batch.formula, batch.opened_at)
        {
            match done.get_mut(formula) {
                Some(of) => of.push((nth, opened)),
                None => drop(done.insert(formula.clone(), vec![(nth, opened)])),
            }
        }
    })?;
    done.values_mut().for_each(|of| of.sort_unstable());
    // Those of one moment stay in the order of their names.
    open.sort();
    let all = open
        .iter()
        .take(MOST_READ)
        .filter_map(|(last, nth, formula)| {
            let of = formula.as_ref().and_then(|formula| done.get(formula));
            let since = |begun: &Timestamp| last.0.is_some_and(|last| *begun > last);
            let made = of.into_iter().flatten().filter(|(_, begun)| since(begun));
            let made = made.filter_map(|(nth, _)| look.paths.get(*nth));
            told(config, look.paths.get(*nth)?, made.map(|log| name_of(log)))
        });
    Ok(all.take(MOST).collect())
}

/// By what is known of it in short; that every step is weighed and mixed only its rows tell.
fn is_open(batch: &Summary) -> bool {
    let damaged = batch.damage().is_some();
    let stopped = (batch.incomplete.is_some() || batch.stopped) && batch.jars.is_empty();
    !batch.ended || stopped || (damaged && !batch.complete)
}

/// `made` are the batches that were made of its formula since.
fn told(config: &Config, path: &Path, made: impl Iterator<Item = String>) -> Option<Stopped> {
    let batch = name_of(path);
    let record = record::read(path).ok()?;
    // It did not get so far as to begin.
    record.opening.as_ref()?;
    let mut told = Stopped {
        batch,
        formula: record.formula.clone(),
        last_at: record.last_at,
        say: Sentence::none(),
        heed: Vec::new(),
        cannot: None,
    };
    match unfinished(path, config) {
        Ok(Unfinished::Over(_)) => return None,
        Ok(Unfinished::Weighing { plan, record }) => told.say = words(&record.still_open(&plan)),
        Ok(Unfinished::Filling { record, .. }) => {
            told.say = phrase!(
                "Jars are being filled from it; {jars} are.",
                jars = record.filled.len(),
            );
        }
        Err(why) => {
            let damaged = (record.fault.as_ref()).is_some_and(|fault| !fault.is_torn());
            told.say = match damaged {
                true => phrase!("Its log is damaged."),
                false => match record.weighed().count() {
                    1 => phrase!("Weighed: 1 step."),
                    steps => phrase!("Weighed: {steps} steps.", steps),
                },
            };
            told.cannot = Some(why.error);
            return Some(told);
        }
    }
    let made: Vec<String> = made.collect();
    if !made.is_empty() {
        told.heed.push(phrase!(
            "It was made again since, as {batches}.",
            batches = made.join(", "),
        ));
    }
    told.heed.extend(other_formula(config, &record));
    Some(told)
}

/// That the formula's file says something else than when the batch was begun; `None` where it says the same, or lies
/// elsewhere.
fn other_formula(config: &Config, record: &Record) -> Option<Sentence> {
    let opening = record.opening.as_ref()?;
    let name = record.read_formula()?.ok()?.name;
    let files = formulas_called(&name, &config.formulas().ok()?);
    let same = |path: &PathBuf| files::text(path).is_ok_and(|text| text == opening.text);
    let file = files.first().filter(|_| !files.iter().any(same))?;
    let file = file.file_name().unwrap_or_default().to_string_lossy();
    Some(phrase!(
        "{file} was changed since; the batch goes on as it was begun, by the formula in its own log.",
        file = &*file,
    ))
}

/// How far it is, in a sentence for a person.
pub fn words(open: &StillOpen) -> Sentence {
    let left_out = left_out_beside(open.left_out);
    let mixings = open.unmixed.iter().map(|phase| mixing(phase));
    let parts = mixings.chain(open.parts.iter().map(part));
    let still = match parts.reduce(|all, part| phrase!("{all}, {part}", all, part)) {
        None => phrase!("only its end is open"),
        Some(parts) => phrase!("still open: {parts}", parts),
    };
    phrase!(
        "{weighed} of {of} weighed{left_out}; {still}.",
        weighed = open.weighed,
        of = open.of,
        left_out,
        still,
    )
}

fn phase(name: &str) -> Sentence {
    match name.to_lowercase().contains("phase") {
        true => name.into(),
        false => phrase!("phase {name}", name),
    }
}

fn mixing(name: &str) -> Sentence {
    phrase!("the mixing of {phase}", phase = phase(name))
}

fn part(open: &OpenPart) -> Sentence {
    match open.ingredients[..] {
        [] => phase(&open.phase),
        _ => phrase!(
            "{phase} ({ingredients})",
            phase = phase(&open.phase),
            ingredients = open.ingredients.join(", "),
        ),
    }
}

/// A log as whoever goes on with its batch finds it.
#[derive(Debug)]
pub enum Unfinished {
    Weighing {
        record: Record,
        plan: Plan,
    },
    Filling {
        record: Record,
        plan: Plan,
    },
    /// Nothing is open.
    Over(Record),
}

/// What the batch whose log is at `path` goes on with. The log is looked at and not changed: what is refused stays as
/// it is, torn end and all.
///
/// # Errors
/// Where it cannot go on: the log is damaged or holds no formula, or the scales are others now.
pub fn unfinished(path: &Path, config: &Config) -> Result<Unfinished, Refusal> {
    let record = record::read_strictly(path).map_err(|error| error.told())?;
    let shown = path.display();
    let opening = (record.opening.as_ref()).ok_or_else(|| no_formula(path))?;
    let formula = Formula::parse(&opening.text, &format!("{shown} [formula]"))
        .map_err(|error| error.told())?;
    let (scales, guard) = (config.abilities(), config.weighing.guard);
    if let Some(fill) = record.fillings.last() {
        if record.ended {
            return Ok(Unfinished::Over(record));
        }
        let plan = Plan::filling(*fill, &formula.label(), &scales, guard)?;
        return Ok(Unfinished::Filling { record, plan });
    }
    let plan = record.plan(&formula, opening.amount(), &scales, guard)?;
    let open = record.still_open(&plan);
    let unmixed = record.is_stopped() && open.unmixed.is_some();
    if record.ended && open.parts.is_empty() && !unmixed {
        return Ok(Unfinished::Over(record));
    }
    compare(path, &record, &plan)?;
    Ok(Unfinished::Weighing { record, plan })
}

/// A log that cannot tell what was to be weighed.
pub fn no_formula(log: &Path) -> Sentence {
    let file = log.display().to_string();
    phrase!("{file}: the log has no formula", file)
}

/// That the rows of the log are of this plan's steps.
///
/// # Errors
/// Where they are not: another scale or readability since then gives other targets, and the weights recorded so far
/// would not add up with them.
pub fn compare(path: &Path, record: &Record, plan: &Plan) -> Result<(), Sentence> {
    // A weight that was taken back holds nothing of the plan.
    for row in record.settled() {
        let target = row.target.map(|target| target.mass());
        let same = plan.steps.get(row.step - 1).is_some_and(|step| {
            clean(&step.ingredient) == row.ingredient && target == Some(step.target)
        });
        if !same {
            let fine = Mass::from_mg(10);
            let planned = plan.steps.get(row.step - 1).map_or_else(
                || phrase!("has no such step"),
                |step| {
                    let (grams, name) = (step.target.grams(fine), &step.ingredient);
                    phrase!("plans {grams} g {name}", grams, name)
                },
            );
            let name = &row.ingredient;
            let weighed = match target {
                Some(target) => phrase!("{grams} g {name}", grams = target.grams(fine), name),
                None => name.as_str().into(),
            };
            return Err(phrase!(
                "{file}: step {step} was weighed for a target of {weighed}, and the configuration of today {planned}: the \
                 scales have changed since. Give the configuration its old scales and go on with it then, or begin anew",
                file = path.display().to_string(),
                step = row.step,
                weighed,
                planned,
            ));
        }
    }
    Ok(())
}
