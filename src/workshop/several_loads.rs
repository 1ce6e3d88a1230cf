//! A check at several loads: which weighings it takes, its rows, and what it proposes for the scale's part of
//! the configuration.

use std::fmt::Write as _;

use super::scale_check::{Check, CheckLog};
use crate::guide::{Guide, Load, Place, Taken};
use crate::journal::error::LogError;
use crate::language::remark::joined;
use crate::language::{Sentence, Slot, phrase, remark};
use crate::mass::Mass;
use crate::metrology::repeatability::USP_FRACTION;
use crate::metrology::several_loads::{AtLoad, Errored, Estimate, LEAST_LOADS, OffCentre};
use crate::metrology::test_weights::{SOURCE, TestLoad, WeightClass};
use crate::metrology::{Errors, ScaleAbility};

/// `100g`, or what lies on the pan together: `200g+100g`.
///
/// # Errors
/// In words, where test weights have no such mass.
pub fn load(text: &str) -> Result<TestLoad, Sentence> {
    let weights = text.split('+').map(Mass::parse_with_unit);
    let weights = weights.collect::<Result<Vec<Mass>, _>>()?;
    TestLoad::new(weights).ok_or_else(|| {
        phrase!(
            "no single test weight has that mass: {source} has 1, 2 and 5 times a power of ten, 1 mg to 5 kg; several \
             together are written as 200g+100g",
            source = SOURCE,
        )
    })
}

/// See the module's text.
#[derive(Debug, Clone)]
pub struct SeveralLoads {
    /// Lightest first.
    checks: Vec<Check>,
    /// The place among them of the one that is put off centre.
    off_centre: usize,
    class: WeightClass,
    ability: ScaleAbility,
}

impl SeveralLoads {
    /// Of `loads` in any order, with weights of `class`.
    ///
    /// # Errors
    /// Where the scale's capacity is not known, or the loads do not tell enough of it.
    pub fn new(
        mut loads: Vec<TestLoad>,
        class: WeightClass,
        ability: &ScaleAbility,
    ) -> Result<SeveralLoads, Sentence> {
        let name = &ability.name;
        let Some(most) = ability.capacity else {
            return Err(phrase!(
                "the capacity of scale {name} is not known, and its curve hangs on it; add for example capacity \
                 = \"600 g\" to its part of the configuration",
                name,
            ));
        };
        loads.sort_by_key(TestLoad::nominal);
        loads.dedup_by_key(|load| load.nominal());
        if loads.len() < LEAST_LOADS {
            return Err(phrase!(
                "{least} different loads are needed at least, for example 50 g, 200 g and 500 g",
                least = LEAST_LOADS,
            ));
        }
        let heaviest = loads.last().map_or(Mass::ZERO, TestLoad::nominal);
        // Common practice, no source: nothing is told of what lies far above the heaviest load.
        if heaviest < most.ratio(1, 2) {
            return Err(phrase!(
                "the heaviest load is {heaviest} g, less than half of the {most} g that scale {name} carries: nothing \
                 would be told of the upper part. Put weights on together, for example 200g+100g",
                heaviest = heaviest.grams(Mass::from_g(1)),
                most = most.grams(Mass::from_g(1)),
                name,
            ));
        }
        let third = most.ratio(1, 3);
        let single = loads
            .iter()
            .enumerate()
            .filter(|(_, load)| load.is_one_weight());
        let nearest = single.min_by_key(|(_, load)| (load.nominal() - third).abs());
        let Some((off_centre, _)) = nearest else {
            return Err(phrase!(
                "one of the loads must be a single weight, to put it off centre"
            ));
        };
        let checks = loads
            .into_iter()
            .map(|load| Check::of(load, class, ability));
        Ok(SeveralLoads {
            checks: checks.collect::<Result<_, _>>()?,
            off_centre,
            class,
            ability: ability.clone(),
        })
    }

    /// Up, down, and one load around the middle.
    pub fn guide(&self) -> Guide {
        let load = |check: &Check, place| Load {
            nominal: Some(check.limits.nominal),
            name: check.load.words(),
            place,
        };
        let up = self.checks.iter();
        let down = self.checks.iter().rev();
        let middle = up.chain(down).map(|check| load(check, Place::Middle));
        let around = self.checks.get(self.off_centre).into_iter();
        let around = around.flat_map(|check| Place::AROUND.map(|place| load(check, place)));
        Guide::through(middle.chain(around).collect(), self.ability.readability)
    }

    /// The weighings in the middle, each with its check, in the order of the guide.
    fn middle<'t>(&'t self, taken: &'t [Taken]) -> impl Iterator<Item = (&'t Check, Taken)> {
        let checks = self.checks.iter().chain(self.checks.iter().rev());
        checks.zip(taken.iter().copied())
    }

    fn around<'t>(&self, taken: &'t [Taken]) -> impl Iterator<Item = (Place, Taken)> + use<'t> {
        let taken = taken.iter().skip(2 * self.checks.len()).copied();
        Place::AROUND.into_iter().zip(taken)
    }

    /// Whether the scale passed at every load in the middle, by the budget that it has.
    pub fn pass(&self, taken: &[Taken]) -> bool {
        self.middle(taken).all(|(check, taken)| check.pass(taken))
    }

    /// Why what they tell is not written into the configuration of the scale; `None` where it may be.
    pub fn unwritten(&self) -> Option<Sentence> {
        let name = &self.ability.name;
        self.ability.errors.class.map(|_| {
            phrase!(
                "scale {name} has a class in the configuration, whose limits have these in them",
                name,
            )
        })
    }

    /// What the weighings tell; `None` where some are missing.
    pub fn found(&self, taken: &[Taken]) -> Option<Errored> {
        let ups = taken.iter().take(self.checks.len());
        let downs = taken.iter().take(2 * self.checks.len()).rev();
        let loads = self
            .checks
            .iter()
            .zip(ups.zip(downs))
            .map(|(check, (up, down))| AtLoad {
                load: check.load.clone(),
                up: up.net(),
                down: down.net(),
            });
        let nets: Vec<Mass> = self.around(taken).map(|(_, taken)| taken.net()).collect();
        let off_centre = OffCentre {
            load: self.checks.get(self.off_centre)?.load.clone(),
            nets: nets.try_into().ok()?,
        };
        let loads: Vec<AtLoad> = loads.collect();
        Errored::of(&loads, &off_centre, self.class, &self.ability)
    }

    /// Writes the rows: each weighing, and one that tells how the scale passed. They are on the disk when this
    /// returns.
    ///
    /// # Errors
    /// When they cannot be written.
    pub fn log(&self, record: &mut CheckLog, taken: &[Taken]) -> Result<(), LogError> {
        let all = taken.len();
        let mut number = 0_usize;
        let mut of_all = || {
            number += 1;
            remark!("several loads, {number} of {all}", number, all)
        };
        for (check, taken) in self.middle(taken) {
            let mut draft = check.draft(record, taken);
            draft.note = joined(of_all(), draft.note.into()).into();
            record.add(&draft)?;
        }
        for (place, taken) in self.around(taken) {
            let what = match place {
                Place::Middle => remark!("load in the middle"),
                Place::Front => remark!("load off centre, to the front"),
                Place::Right => remark!("load off centre, to the right"),
                Place::Back => remark!("load off centre, to the back"),
                Place::Left => remark!("load off centre, to the left"),
            };
            let mut draft = record.draft(&what, Some(taken));
            draft.note = of_all().into();
            record.add(&draft)?;
        }
        // The last row is what counts for the day: the worst where one failed, else the heaviest.
        let failed = self
            .middle(taken)
            .filter(|(check, taken)| !check.pass(*taken));
        let by_much = |check: &Check, taken: Taken| {
            (taken.net() - check.limits.nominal).abs().to_g_f64()
                / check.limits.allowed().to_g_f64()
        };
        let worst = failed.max_by(|a, b| by_much(a.0, a.1).total_cmp(&by_much(b.0, b.1)));
        let heaviest = self
            .middle(taken)
            .max_by_key(|(check, _)| check.limits.nominal);
        if let Some((check, taken)) = worst.or(heaviest) {
            let mut draft = check.draft(record, taken);
            let text = format!("{} {}", check.load.words(), self.class.name());
            draft.ingredient = remark!("test weights, here {text}", text).into();
            let which = match worst.is_some() {
                true => remark!("several loads, the worst"),
                false => remark!("several loads, all passed, the heaviest"),
            };
            draft.note = joined(which, draft.note.into()).into();
            record.add(&draft)?;
        }
        Ok(())
    }

    /// What came of it, for a person.
    pub fn words(&self, taken: &[Taken], found: &Errored) -> Sentence {
        let d = self.ability.readability;
        let downs = taken.iter().take(2 * self.checks.len()).rev();
        let rows = self.checks.iter().zip(taken.iter().zip(downs));
        let rows = rows.map(|(check, (up, down))| {
            let row = phrase!(
                "{load}: up {up} g, down {down} g, allowed ± {allowed} g",
                load = check.load.words(),
                up = up.net().grams(d),
                down = down.net().grams(d),
                allowed = check.limits.allowed().floor_to(d).grams(d),
            );
            match check.pass(*up) && check.pass(*down) {
                true => row,
                false => phrase!("{row}: NOT passed", row),
            }
        });
        let mut text = rows.reduce(below).unwrap_or_default();
        let around = self.around(taken).map(|(place, taken)| {
            let (place, net) = (place.name(), taken.net().grams(d));
            phrase!("{place} {net} g", place, net)
        });
        let around = around.reduce(|all, one| phrase!("{all}, {one}", all, one));
        let around = phrase!("Off centre: {around}.", around = around.unwrap_or_default());
        text = below(below(text, around), estimates(found));
        if found.has_drifted() {
            let drifted = phrase!(
                "Going down it showed otherwise than going up, by more than it scatters; that is counted. Let it warm \
                 up, keep draughts away, look under the pan, and do this again."
            );
            text = below(text, drifted);
        }
        if found.gain.found.abs() > USP_FRACTION {
            let off = phrase!(
                "The gain is off by more than 0.10 % (USP <41>, accuracy): adjust the scale as its manual says, \
                 then do this again."
            );
            text = below(text, off);
        }
        text
    }

    /// What stands behind [`SeveralLoads::words`] where the scatter is assumed.
    pub fn is_assumed(&self) -> bool {
        self.ability.repeatability.is_none()
    }

    /// The lines of the configuration.
    pub fn toml(&self, found: &Errored) -> String {
        let errors = self.budgeted(found);
        let grams = |mass: Mass| mass.grams(Mass::from_mg(1)).to_string();
        let mut text = "[scale.uncertainty]\n".to_owned();
        if let Some(linearity) = errors.linearity {
            let _ = writeln!(text, "linearity = \"{} g\"", grams(linearity));
        }
        let ten_thousandths = found.gain_millionths();
        let _ = writeln!(
            text,
            "sensitivity_percent = {}.{:04}",
            ten_thousandths / 10_000,
            ten_thousandths % 10_000
        );
        if let Some(place) = errors.eccentricity {
            let _ = writeln!(text, "eccentricity = \"{} g\"", grams(place.limit));
            let load = place.load.grams(Mass::from_g(1));
            let _ = writeln!(text, "eccentricity_load = \"{load} g\"");
        }
        text
    }

    /// What the scale's errors are with what was found.
    pub fn budgeted(&self, found: &Errored) -> Errors {
        found.budgeted(self.ability.errors)
    }
}

/// `more` on a line of its own.
fn below(text: Sentence, more: Sentence) -> Sentence {
    phrase!("{text}\n{more}", text, more)
}

fn estimates(found: &Errored) -> Sentence {
    let figures = |factor: f64, signed: bool, estimate: Estimate| {
        let value = factor * estimate.found;
        let value = match signed {
            true => format!("{value:+.4}"),
            false => format!("{:.4}", value.abs()),
        };
        let (u, limit) = (factor * estimate.u, factor * estimate.limit());
        [value, format!("{u:.4}"), format!("{limit:.4}")].map(Slot::number)
    };
    let [value, u, limit] = figures(100.0, true, found.gain);
    let gain = phrase!(
        "Gain: {value} %, u {u} %, at most {limit} %",
        value,
        u,
        limit,
    );
    let [value, u, limit] = figures(1.0, false, found.linearity);
    let linearity = phrase!(
        "Linearity: {value} g, u {u} g, at most {limit} g",
        value,
        u,
        limit,
    );
    let [value, u, limit] = figures(1.0, false, found.place);
    let place = phrase!(
        "Off centre with {load} g: {value} g, u {u} g, at most {limit} g",
        load = found.place_load.grams(Mass::from_g(1)),
        value,
        u,
        limit,
    );
    let note = phrase!(
        "u: standard uncertainty, with the weights' own limits ({source}); at most: what was found and √3 u.",
        source = SOURCE,
    );
    below(below(below(gain, linearity), place), note)
}
