//! A scale check with a test weight: what it is judged by, its row, and the daemon's readings on their way
//! to the guide.

use std::borrow::Cow;
use std::path::Path;

use jiff::Timestamp;
use jiff::tz::TimeZone;

use crate::config::Config;
use crate::formula::Plan;
use crate::guide::{Guide, READINGS, Seen, Taken, Told};
use crate::journal::error::LogError;
use crate::journal::read::scale_checks;
use crate::journal::store::log::LogFile;
use crate::mass::Mass;
use crate::metrology::ScaleAbility;
use crate::metrology::test_weights::{CheckLimits, SOURCE, WeightClass};
use crate::protocol::event::{Event, Told as Line};
use crate::vocabulary::code::FaultCode;
use crate::vocabulary::entry::{Draft, RowKind, Verdict};
use crate::vocabulary::status::Status;

/// The last decimal in which limits and uncertainties are shown.
const FINE: Mass = Mass::from_mg(1);

/// What to do with a scale that did not pass.
pub const NOT_PASSED: &str = "Level the scale, keep draughts away, let it warm up, adjust it as its manual says, and \
     check again before you weigh with it";

/// What the guide makes of one event of the daemon.
#[derive(Debug, PartialEq, Eq)]
pub enum Heard {
    /// What is to be said now.
    Told(Vec<Told>),
    /// It cannot go on, and why.
    Ended(&'static str),
}

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
            return Heard::Ended("the daemon's readings ended");
        }
        Event::Fault(fault) if ours(&fault.scale) && !fault.over => guide.interrupted(),
        Event::Step(_) => return Heard::Ended("a batch was begun meanwhile"),
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
fn shown_step(status: &Status, name: &str) -> Option<Mass> {
    let scale = status.scales.iter().find(|scale| scale.name == name)?;
    scale.weight.map(|weight| weight.step)
}

/// The verdict of the last check of today, in the local time. `None` without one.
///
/// # Errors
/// When the log of the checks is not as it was written, or cannot be read.
pub fn today(logs: &Path, scale: &str) -> Result<Option<Verdict>, LogError> {
    scale_checks::last_of_day(logs, scale, Timestamp::now(), &TimeZone::system())
}

/// The scales of a plan that have not passed a check today, each with [`today`].
///
/// # Errors
/// As [`today`].
pub fn unchecked(
    config: &Config,
    logs: &Path,
    plan: &Plan,
) -> Result<Vec<(String, Option<Verdict>)>, LogError> {
    let mut found = Vec::new();
    for (index, scale) in config.scales.iter().enumerate() {
        if plan.steps.iter().any(|step| step.scale == index) {
            found.push((scale.name.clone(), today(logs, &scale.name)?));
        }
    }
    found.retain(|(_, last)| *last != Some(Verdict::Inside));
    Ok(found)
}

/// A check with one weight on one scale.
#[derive(Debug, Clone)]
pub struct Check {
    pub limits: CheckLimits,
    class: WeightClass,
}

impl Check {
    /// With a weight of the nominal mass `weight`.
    ///
    /// # Errors
    /// In words: no test weight has that mass, or the scale does not carry it.
    pub fn new(weight: Mass, class: WeightClass, ability: &ScaleAbility) -> Result<Check, String> {
        let limits = CheckLimits::new(weight, class, ability);
        let limits = limits.ok_or("no test weight has that mass")?;
        if ability.capacity.is_some_and(|most| weight > most) {
            return Err(format!(
                "the weight is more than scale {} carries",
                ability.name
            ));
        }
        Ok(Check { limits, class })
    }

    pub fn pass(&self, taken: Taken) -> bool {
        self.limits.pass(taken.net())
    }

    /// What came of it, in grams at the readability `d`.
    pub fn words(&self, taken: Taken, d: Mass) -> String {
        let limits = &self.limits;
        let off = taken.net() - limits.nominal;
        let mut text = format!(
            "{}: {} g off, allowed {} g (the weight {} g, {SOURCE}; the scale's U {} g).",
            if limits.pass(taken.net()) {
                "Passed"
            } else {
                "NOT passed"
            },
            off.grams(d),
            limits.allowed().grams_rounded(4),
            limits.weight_error.grams(FINE),
            limits.scale_uncertainty.grams_rounded(4),
        );
        if !limits.is_fine_enough() {
            text.push_str(
            "\nNote: the weight's own limit is more than a third of what is allowed. A weight of a \
             finer class would tell more about this scale.",
        );
        }
        text
    }

    /// Writes the row of the check; it is on the disk when this returns.
    ///
    /// # Errors
    /// When it cannot be written.
    pub fn log(&self, record: &mut CheckLog, taken: Taken) -> Result<(), LogError> {
        let (limits, class) = (&self.limits, self.class.name());
        let nominal = limits.nominal.grams(Mass::from_g(1));
        let mut draft = record.draft(&format!("test weight {nominal} g {class}"), Some(taken));
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
        draft.note = format!(
            "the weight's own limit {} g ({SOURCE}, class {class}) and the scale's expanded uncertainty",
            limits.weight_error.grams(FINE)
        );
        record.add(&draft)
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
    pub fn add(&mut self, draft: &Draft) -> Result<(), LogError> {
        self.log.append(draft, Timestamp::now())?;
        Ok(())
    }

    pub fn place(&self) -> String {
        self.log.path().display().to_string()
    }
}
