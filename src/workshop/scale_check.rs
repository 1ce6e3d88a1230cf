//! A scale check with a test weight: what it is judged by, its row, and the daemon's readings on their way
//! to the guide.

use std::borrow::Cow;
use std::collections::BTreeMap;
use std::path::Path;

use jiff::Timestamp;
use jiff::tz::TimeZone;

use crate::config::Config;
use crate::formula::{Plan, Step};
use crate::guide::{Guide, READINGS, Seen, Taken, Told};
use crate::journal::error::LogError;
use crate::journal::format::cell::Grams;
use crate::journal::format::check_note::note_of;
use crate::journal::format::row::Row;
use crate::journal::read::scale_checks;
use crate::journal::store::log::LogFile;
use crate::language::{Sentence, Slot, Term, phrase, remark, term};
use crate::mass::Mass;
use crate::metrology::test_weights::{CheckLimits, SOURCE, TestLoad, WeightClass, nominals};
use crate::metrology::{Feasibility, ScaleAbility};
use crate::protocol::event::{Event, Told as Line};
use crate::vocabulary::code::FaultCode;
use crate::vocabulary::entry::{Draft, RowKind, Verdict};
use crate::vocabulary::status::Status;

/// The last decimal in which limits and uncertainties are shown.
const FINE: Mass = Mass::from_mg(1);

/// What to do with a scale that did not pass.
pub const NOT_PASSED: Term = term!(
    "Level the scale, keep draughts away, let it warm up, adjust it as its manual says, and check again before you weigh \
     with it"
);

/// What the guide makes of one event of the daemon.
#[derive(Debug, PartialEq, Eq)]
pub enum Heard {
    /// What is to be said now.
    Told(Vec<Told>),
    /// It cannot go on, and why.
    Ended(Term),
}

/// Why a weighing cannot go on where the daemon tells nothing more.
pub const READINGS_ENDED: Term = term!("the daemon's readings ended");

/// Hands a line of `subscribe` to the guide of `scale`. A weight that is no number is none.
pub fn hear(guide: &mut Guide, scale: &str, line: &[u8]) -> Heard {
    let Ok(Line { at, event }) = Line::read(line) else {
        return Heard::Told(guide.interrupted());
    };
    let ours = |named: &Option<Cow<str>>| named.as_deref() == Some(scale);
    Heard::Told(match event {
        Event::Reading(reading) if ours(&reading.scale) => guide.see(Seen {
            at,
            weight: reading.weight.mass,
            steady: reading.steady,
        }),
        Event::Fault(fault) if fault.code == FaultCode::Slow => {
            return Heard::Ended(READINGS_ENDED);
        }
        Event::Fault(fault) if ours(&fault.scale) && !fault.over => guide.interrupted(),
        Event::Step(_) => return Heard::Ended(term!("a batch was begun meanwhile")),
        Event::Cue(_)
        | Event::Reading(_)
        | Event::Recorded(_)
        | Event::Fault(_)
        | Event::Tare(_)
        | Event::Closed { .. }
        | Event::Other => Vec::new(),
    })
}

/// The scale named `name` by the configuration; what that does not tell of its readability, the daemon's
/// status does.
pub fn ability(config: &Config, name: &str, status: &Status) -> ScaleAbility {
    let known = config.scales.iter().find(|scale| scale.name == name);
    let mut ability = known.map_or_else(|| ScaleAbility::assumed(name), |s| s.ability());
    if known.and_then(|scale| scale.readability).is_none() {
        ability.readability = shown_step(status, name).unwrap_or(ability.readability);
    }
    ability
}

/// The step of the last decimal that the scale shows now.
pub fn shown_step(status: &Status, name: &str) -> Option<Mass> {
    let scale = status.scales.iter().find(|scale| scale.name == name)?;
    scale.weight.map(|weight| weight.step)
}

/// The last check of a scale.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LastCheck {
    pub row: Row,
    /// How many days ago, in the local time; less than 0 where the clock was set back.
    pub days: i64,
}

impl LastCheck {
    /// Of each scale that was ever checked, by its name.
    ///
    /// # Errors
    /// When the log of the checks is not as it was written, or cannot be read.
    pub fn of_each(logs: &Path) -> Result<BTreeMap<String, LastCheck>, LogError> {
        let day = |at: Timestamp| TimeZone::system().to_datetime(at).date();
        let today = day(Timestamp::now());
        let with_days = |row: Row| LastCheck {
            days: i64::from((today - day(row.at)).get_days()),
            row,
        };
        let last = scale_checks::last(logs)?;
        Ok(last
            .into_iter()
            .map(|(scale, row)| (scale, with_days(row)))
            .collect())
    }

    pub fn is_of_today(&self) -> bool {
        self.days == 0
    }

    pub fn has_passed(&self) -> bool {
        self.row.verdict == Some(Verdict::Inside)
    }

    /// As a row of a batch's log.
    pub fn draft(&self) -> Draft {
        let row = &self.row;
        let mass = |grams: Option<Grams>| grams.map(Grams::mass);
        // The digits in which its net weight was written.
        let digits = row.net.map_or(0, Grams::decimals).min(9);
        Draft {
            ingredient: row.ingredient.clone(),
            target: mass(row.target),
            low: mass(row.low),
            high: mass(row.high),
            tare: mass(row.tare),
            gross: mass(row.gross),
            net: mass(row.net),
            uncertainty: mass(row.uncertainty),
            verdict: row.verdict,
            scale: row.scale.clone(),
            readings: row.readings,
            readability: Mass::from_ng(10i64.pow(9 - u32::from(digits))),
            ..Draft::new(RowKind::ScaleCheck, note_of(row.at, self.days, &row.note))
        }
    }

    /// In words, how long ago.
    pub fn when(&self) -> Sentence {
        match self.days {
            0 => phrase!("today"),
            1 => phrase!("yesterday"),
            days if days < 0 => phrase!("on a day that is still to come by the clock"),
            days => phrase!("{days} days ago", days = Slot::number(days.to_string())),
        }
    }
}

/// What the log tells of one scale, the newest first: its checks, and what repeated weighings came to.
///
/// # Errors
/// As [`LastCheck::of_each`].
pub fn histories(logs: &Path, most: usize) -> Result<BTreeMap<String, Vec<Row>>, LogError> {
    let mut all: BTreeMap<String, Vec<Row>> = BTreeMap::new();
    scale_checks::each(logs, |row| {
        // Of repeated weighings the last row has what came of them.
        if row.verdict.is_some() || row.net.is_none() {
            all.entry(row.scale.clone()).or_default().push(row);
        }
    })?;
    for rows in all.values_mut() {
        rows.reverse();
        rows.truncate(most);
    }
    Ok(all)
}

/// How a scale of a plan stands with its checks.
#[derive(Debug, Clone, PartialEq)]
pub struct Checked {
    pub scale: String,
    pub last: Option<LastCheck>,
    coarse: Option<Coarse>,
}

/// A step that is too large for the weight of the check: an error of the scale that the check takes for the
/// weight's and its own uncertainty is more than the step's tolerance.
#[derive(Debug, Clone, PartialEq)]
struct Coarse {
    step: String,
    /// The smallest error that the check shows, in percent.
    from: f64,
    /// The lightest weight of the same class that shows what the step's tolerance is.
    least: Mass,
}

/// The scales of a plan with their last checks.
///
/// # Errors
/// As [`LastCheck::of_each`].
pub fn checked(config: &Config, logs: &Path, plan: &Plan) -> Result<Vec<Checked>, LogError> {
    let mut found = Vec::new();
    let mut checks = LastCheck::of_each(logs)?;
    let feasible = plan.feasibility(&config.abilities(), config.weighing.guard);
    for (index, scale) in config.scales.iter().enumerate() {
        let steps = || {
            plan.steps
                .iter()
                .zip(&feasible)
                .filter(|(step, _)| step.scale == index)
        };
        if steps().next().is_none() {
            continue;
        }
        let last = checks.remove(&scale.name);
        let proven = |found: &&Option<Feasibility>| found.as_ref().is_some_and(|f| f.window.proven);
        let coarse = last.as_ref().and_then(|last| {
            let proven = steps()
                .filter(|(_, found)| proven(found))
                .map(|(step, _)| step);
            let coarse = proven.filter_map(|step| coarse(&last.row, &scale.ability(), step));
            coarse.max_by_key(|coarse| coarse.least)
        });
        found.push(Checked {
            scale: scale.name.clone(),
            last,
            coarse,
        });
    }
    Ok(found)
}

/// `None` where the check shows what the step's tolerance is, or no weight would.
fn coarse(row: &Row, scale: &ScaleAbility, step: &Step) -> Option<Coarse> {
    let (weight, high) = (row.target?.mass(), row.high?.mass());
    let class = row.ingredient.rsplit(' ').next()?;
    let class = WeightClass::from_name(class)?;
    let tolerance = (step.highest - step.target).min(step.target - step.lowest);
    let shows = |weight: Mass, allowed: Mass| {
        let share = allowed.to_g_f64() / weight.to_g_f64();
        share * step.target.to_g_f64() <= tolerance.to_g_f64()
    };
    if shows(weight, high - weight) {
        return None;
    }
    let enough = |weight: &Mass| {
        let limits = CheckLimits::new(*weight, class, scale);
        fits(*weight, scale).is_ok() && limits.is_some_and(|l| shows(*weight, l.allowed()))
    };
    Some(Coarse {
        step: format!("{} ({})", step.number, step.ingredient),
        from: 100.0 * (high - weight).to_g_f64() / weight.to_g_f64(),
        least: nominals().filter(enough).min()?,
    })
}

impl Checked {
    /// Why a batch that asks for a check of the day does not begin; `None` where it does.
    pub fn refusal(&self) -> Option<Sentence> {
        let scale = &self.scale;
        let today = self.last.as_ref().filter(|last| last.is_of_today());
        match (today, &self.coarse) {
            (None, _) => Some(phrase!("scale {scale} has no check of today", scale)),
            (Some(last), _) if !last.has_passed() => Some(phrase!(
                "scale {scale} did not pass its last check of today",
                scale
            )),
            (Some(_), Some(coarse)) => Some(coarse.words(scale)),
            (Some(_), None) => None,
        }
    }

    /// What is to be heeded of a last check where none is asked for.
    pub fn note(&self) -> Option<Sentence> {
        let (scale, last) = (&self.scale, self.last.as_ref()?);
        let when = last.when();
        if !last.has_passed() {
            return Some(phrase!(
                "scale {scale} did not pass its last check, {when}. Put that right, and check it again before you weigh.",
                scale,
                when,
            ));
        }
        if let Some(coarse) = &self.coarse {
            return Some(phrase!("{why}.", why = coarse.words(scale)));
        }
        (!last.is_of_today()).then(|| {
            phrase!(
                "scale {scale} was checked {when}, and not since.",
                scale,
                when
            )
        })
    }
}

impl Coarse {
    fn words(&self, scale: &str) -> Sentence {
        phrase!(
            "the last check of scale {scale} shows an error only from {from} % on, which is more than step {step} allows; \
             take a weight of {least} g or more",
            scale,
            from = Slot::number(format!("{:.2}", self.from)),
            step = &self.step,
            least = self.least.grams(Mass::from_g(1)),
        )
    }
}

/// The lightest weight that a scale is checked with, as a share of its capacity, and the heaviest (USP <41>,
/// accuracy: between 5 and 100 %; read in a reproduction).
const LIGHTEST: (i64, i64) = (1, 20);

/// Whether a weight checks the scale, as far as its capacity is known.
///
/// # Errors
/// In words: it is too light or too heavy, and which are not.
pub fn fits(weight: Mass, scale: &ScaleAbility) -> Result<(), Sentence> {
    let Some(most) = scale.capacity.filter(|most| *most > Mass::ZERO) else {
        return Ok(());
    };
    let (name, whole) = (&scale.name, Mass::from_g(1));
    let least = most.ratio(LIGHTEST.0, LIGHTEST.1);
    if weight > most {
        return Err(phrase!(
            "the weight is more than scale {name} carries",
            name
        ));
    }
    if weight >= least {
        return Ok(());
    }
    let mut good: Vec<Mass> = nominals().filter(|n| *n >= least && *n <= most).collect();
    good.sort_unstable();
    let good: Vec<String> = good
        .iter()
        .map(|n| format!("{} g", n.grams(whole)))
        .collect();
    let take = match good.split_last() {
        None => phrase!("no single test weight does"),
        Some((last, [])) => phrase!("take {last}", last),
        Some((last, others)) => {
            phrase!("take {others} or {last}", others = others.join(", "), last)
        }
    };
    Err(phrase!(
        "a weight of {weight} g says little about scale {name}, which carries {most} g: a check takes 5 to 100 % of that \
         (USP <41>); {take}",
        weight = weight.grams(whole),
        name,
        most = most.grams(whole),
        take,
    ))
}

/// A check with one load on one scale.
#[derive(Debug, Clone)]
pub struct Check {
    pub load: TestLoad,
    pub limits: CheckLimits,
    class: WeightClass,
}

impl Check {
    /// The check of the day, with one load.
    ///
    /// # Errors
    /// In words: it does not fit the scale.
    pub fn new(
        load: TestLoad,
        class: WeightClass,
        ability: &ScaleAbility,
    ) -> Result<Check, Sentence> {
        fits(load.nominal(), ability)?;
        Check::of(load, class, ability)
    }

    /// With one load of several, which may be light.
    ///
    /// # Errors
    /// In words: the scale does not carry it.
    pub fn of(
        load: TestLoad,
        class: WeightClass,
        ability: &ScaleAbility,
    ) -> Result<Check, Sentence> {
        let limits = CheckLimits::of(&load, class, ability);
        let limits = limits.ok_or_else(|| phrase!("no test weight has that mass"))?;
        if ability.capacity.is_some_and(|most| limits.nominal > most) {
            let (words, name) = (load.words(), &ability.name);
            return Err(phrase!(
                "{words} are more than scale {name} carries",
                words,
                name
            ));
        }
        Ok(Check {
            load,
            limits,
            class,
        })
    }

    pub fn pass(&self, taken: Taken) -> bool {
        self.limits.pass(taken.net())
    }

    /// What came of it, in grams at the readability `d`.
    pub fn words(&self, taken: Taken, d: Mass) -> Sentence {
        let limits = &self.limits;
        let off = taken.net() - limits.nominal;
        let passed = match limits.pass(taken.net()) {
            true => term!("Passed"),
            false => term!("NOT passed"),
        };
        let note = match limits.is_fine_enough() {
            true => Sentence::none(),
            false => phrase!(
                "\nNote: the weight's own limit is more than a third of what is allowed. A weight of a finer class would \
                 tell more about this scale."
            ),
        };
        phrase!(
            "{passed}: {off} g off, allowed {allowed} g (the weight {weight} g, {source}; the scale's U {scale} g).{note}",
            passed,
            off = off.grams(d),
            // What the scale shows is judged by it: no finer than the scale shows.
            allowed = limits.allowed().floor_to(d).grams(d),
            weight = limits.weight_error.grams(FINE),
            source = SOURCE,
            scale = limits.scale_uncertainty.ceil_to(FINE).grams_rounded(3),
            note,
        )
    }

    /// Writes the row of the check; it is on the disk when this returns.
    ///
    /// # Errors
    /// When it cannot be written.
    pub fn log(&self, record: &mut CheckLog, taken: Taken) -> Result<(), LogError> {
        let draft = self.draft(record, taken);
        record.add(&draft)
    }

    /// The row of the check.
    pub fn draft(&self, record: &mut CheckLog, taken: Taken) -> Draft {
        let (limits, class) = (&self.limits, self.class.name());
        let text = format!("{} {class}", self.load.words());
        let what = match self.load.is_one_weight() {
            true => remark!("test weight {text}", text),
            false => remark!("test weights {text}", text),
        };
        let mut draft = record.draft(&what, Some(taken));
        draft.target = Some(limits.nominal);
        draft.low = Some(limits.low());
        draft.high = Some(limits.high());
        draft.uncertainty = Some(limits.scale_uncertainty);
        draft.verdict = Some(if taken.net() < limits.low() {
            Verdict::Under
        } else if taken.net() > limits.high() {
            Verdict::Over
        } else {
            Verdict::Inside
        });
        let rule = remark!(
            "the weight's own limit {grams} g ({term}, class {text}) and the scale's expanded uncertainty",
            grams = limits.weight_error.grams(FINE),
            term = SOURCE,
            text = class
        );
        draft.note = rule.into();
        draft
    }
}

/// The log of the scale checks, for the rows of what was weighed on one scale.
#[derive(Debug)]
pub struct CheckLog {
    scale: String,
    d: Mass,
    log: LogFile,
    tickets: u64,
}

impl CheckLog {
    /// For rows of `scale`, whose readability is `d`.
    pub fn new(log: LogFile, scale: &str, d: Mass) -> CheckLog {
        CheckLog {
            scale: scale.to_owned(),
            d,
            log,
            tickets: 0,
        }
    }

    /// A row's fields that are the same for all, with the reading of a weighing where there is one.
    pub fn draft(&mut self, what: &str, taken: Option<Taken>) -> Draft {
        self.tickets += 1;
        Draft {
            ticket: self.tickets,
            ingredient: what.to_owned(),
            tare: taken.map(|taken| taken.empty),
            gross: taken.map(|taken| taken.loaded),
            net: taken.map(|taken| taken.net()),
            scale: self.scale.clone(),
            // The daemon tells grams, whatever the scale shows: no unit.
            readings: taken.map(|_| READINGS),
            readability: self.d,
            ..Draft::new(RowKind::ScaleCheck, "")
        }
    }

    /// Writes a row; it is on the disk when this returns.
    ///
    /// # Errors
    /// Where the row cannot be written.
    pub fn add(&mut self, draft: &Draft) -> Result<(), LogError> {
        self.log.append(draft, Timestamp::now())?;
        Ok(())
    }

    pub fn place(&self) -> String {
        self.log.path().display().to_string()
    }
}
