//! A season of the Saltmarsh Bench workshop: which batches are weighed when, and by what hands.

use super::demo::demo_scale;
use super::habits::{Chances, Fault, Habits};
use super::stage::{Stage, StageSpec};
use super::tasks::Tasks;
use crate::formula::allowance::Allowance;
use crate::formula::examples::{EELGRASS, GLASSWORT, MARRAM, SAMPHIRE, SCENT_BLEND, TIDELINE};
use crate::formula::filling::Fill;
use crate::formula::plan::{BatchSize, PlanError};
use crate::formula::{Formula, Ingredient, Plan};
use crate::mass::Mass;
use crate::metrology::prepackage::Rule;
use crate::vocabulary::command::Way;

/// Batches for sale of a season: eight weeks, three a week.
pub const BATCHES: u32 = 24;
/// A scent blend is made on the Friday before the season, and on the Tuesdays of these weeks (from 0).
const BLEND_WEEKS: [u64; 2] = [3, 6];
/// A blend is enough for the soaks and salts until the next one, with some left.
const BLEND: Mass = Mass::from_g(30);
const HOUR: i64 = 3600;
const DAY: i64 = 24 * HOUR;
/// Tideline batches (from 0 among all for sale) in which the dispersant's beaker is weighed back: step 5
/// is the sticky one, the last of the oil phase.
const WEIGHED_BACK: [u32; 4] = [4, 12, 16, 20];
const STICKY_STEP: usize = 5;
/// A glasswort batch with too much oat flour (step 2), which is mixed in and mended.
const MENDED: u32 = 10;
const MENDED_STEP: usize = 2;
/// The workshop takes a new lot of everything every so many batches.
const BATCHES_A_LOT: u32 = 9;

/// One batch of the season.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Outing {
    /// The formula's text.
    pub formula: &'static str,
    pub amount: BatchSize,
    /// Seconds after the season's first morning; negative before it.
    pub after: i64,
    pub seed: u64,
    /// From 0, in order of time among the batches for sale; a blend has that of the next of them.
    pub number: u32,
    /// What is made on top for losses.
    pub allowance: Allowance,
    pub tasks: Tasks,
}

/// The season's batches in order of time; the same seed gives the same season.
pub fn season(seed: u64) -> Vec<Outing> {
    let mut rng = fastrand::Rng::with_seed(seed ^ 0x7365_6173_6f6e);
    let formulas = [TIDELINE, MARRAM, GLASSWORT, SAMPHIRE];
    let jars = |count, fill| BatchSize::Jars {
        count,
        fill: Mass::from_g(fill),
    };
    let mut outings: Vec<Outing> = (0..BATCHES)
        .map(|number| {
            let index = number as usize % formulas.len();
            let more = rng.u32(0..3);
            let amount = match index {
                0 => jars(8 + 2 * more, 55),
                1 => BatchSize::Batch(Mass::from_g(300 + 50 * i64::from(more))),
                2 => jars(6 + 2 * more, 60),
                _ => jars(5 + more, 50),
            };
            let week = i64::from(number / 3);
            let day = [0, 2, 4][number as usize % 3];
            Outing {
                formula: formulas[index],
                amount,
                after: (week * 7 + day) * DAY + rng.i64(0..3 * HOUR),
                seed: rng.u64(..),
                number,
                allowance: allowance(index),
                tasks: tasks(seed, number),
            }
        })
        .collect();
    outings.extend(blends(seed));
    outings.sort_by_key(|outing| outing.after);
    outings
}

/// The soak alone is planned with something for losses; of the others a jar may be missing in the end.
fn allowance(index: usize) -> Allowance {
    let typed = if index == 2 { "3%" } else { "0%" };
    typed.parse().unwrap_or_default()
}

fn tasks(seed: u64, number: u32) -> Tasks {
    let mut rng = fastrand::Rng::with_seed(seed ^ 0x66_696c_6d00 ^ u64::from(number));
    let film = WEIGHED_BACK.contains(&number);
    Tasks {
        weigh_back: film.then(|| (STICKY_STEP, Mass::from_mg(rng.i64(40..260)))),
        mend: (number == MENDED).then_some((MENDED_STEP, Way::InProportion)),
        bowl: None,
    }
}

/// The batches of the scent blend. With dice of their own, so that the others stay as they are.
fn blends(seed: u64) -> Vec<Outing> {
    let mut rng = fastrand::Rng::with_seed(seed ^ 0x0062_6c65_6e64);
    let days = std::iter::once((-3, 0));
    let weeks = BLEND_WEEKS.map(|week| (week as i64 * 7 + 1, week as u32 * 3));
    let days = days.chain(weeks);
    days.map(|(day, number)| Outing {
        formula: SCENT_BLEND,
        amount: BatchSize::Batch(BLEND),
        after: day * DAY + rng.i64(0..3 * HOUR),
        seed: rng.u64(..),
        number,
        allowance: Allowance::NONE,
        tasks: Tasks::default(),
    })
    .collect()
}

impl Outing {
    /// What is weighed in.
    ///
    /// # Errors
    /// As [`BatchSize::with`].
    pub fn planned(&self) -> Result<BatchSize, PlanError> {
        self.amount.with(self.allowance)
    }

    /// The hands for `plan`, with what they mean to do besides.
    pub fn stage(&self, plan: &Plan) -> Stage {
        let mut spec = season_spec(self.seed, plan);
        // What is to be shown is not left to the dice: no other mishap in these batches.
        if self.tasks.mend.is_some() {
            spec.script = Some(vec![(MENDED_STEP, Fault::OverPour)]);
        } else if self.tasks.weigh_back.is_some() {
            spec.script = Some(Vec::new());
        }
        let mut stage = Stage::new(spec);
        stage.send(self.tasks.clone());
        stage
    }

    /// The hands that fill jars after [`Outing::stage`] with what it left in the bowl. A little of it
    /// sticks to bowl and tools: 0.4 to 1.6 %, invented.
    pub fn filling_stage(&self, plan: &Plan, weighed: &Stage) -> Stage {
        let mut rng = fastrand::Rng::with_seed(self.seed ^ 0x6a_6172);
        let film = self.tasks.weigh_back.map_or(Mass::ZERO, |(_, film)| film);
        let made = weighed.truths().map(|truth| truth.net()).sum::<Mass>() - film;
        let mut spec = season_spec(self.seed.wrapping_add(1), plan);
        // Powder runs out of a scoop into jars as it does into beakers; nobody presses keys here.
        spec.habits.faults = spec.habits.faults.with(&[(Fault::TareKey, 0.0)]);
        let mut stage = Stage::new(spec);
        stage.send(Tasks {
            bowl: Some(made - made.ratio(rng.i64(4..17), 1000)),
            ..Tasks::default()
        });
        stage
    }
}

/// How the jars of a batch of `made` are filled, as `bismar fill` does it where nothing else is said:
/// as many as it holds, 2 % over the label at most.
pub fn usual_fill(nominal: Mass, made: Mass) -> Fill {
    Fill {
        nominal,
        over: Fill::usual_over(nominal),
        rule: Rule::Eu76211,
        made,
        first: 1,
        last: Fill::hold(nominal, made),
    }
}

/// Human hands on a good day, with a mishap now and then.
fn season_spec(seed: u64, plan: &Plan) -> StageSpec {
    let habits = Habits {
        faults: Chances::NONE.with(&[
            (Fault::TareKey, 0.15),
            (Fault::OverPour, 0.08),
            (Fault::Bump, 0.04),
        ]),
        mix_by_presses: 0.3,
        mix_by_word: 0.7,
        first_wait: 1.2,
        ..Habits::careful()
    };
    let scales = 1 + plan.steps.iter().map(|step| step.scale).max().unwrap_or(0);
    let scales = (0..scales as u64).map(|index| demo_scale(seed.wrapping_add(index)));
    StageSpec::for_plan(plan, scales.collect(), habits, seed)
}

/// The lot of an ingredient that is in use for the season's batch `number`: a new one every nine
/// batches, the ingredient's own series.
pub fn lot_of(ingredient: &str, number: u32) -> String {
    lot_name(ingredient, number / BATCHES_A_LOT)
}

fn lot_name(ingredient: &str, nth: u32) -> String {
    // A sum of the letters is enough to tell the series of a dozen bottles apart.
    let series: u32 = ingredient.bytes().map(u32::from).sum::<u32>() % 900 + 100;
    format!("SB-{series}-{}", 1 + nth)
}

/// A lot as the invented supplier sold it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Bought {
    pub lot: String,
    pub ingredient: String,
    /// Which of the season's lots of the ingredient it is, from 0.
    pub nth: u32,
    pub kind: Kind,
}

/// What decides how much is bought at once, how long it is good and what it costs.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    EssentialOil,
    OilOrButter,
    /// Salts and powders, and the rest.
    Dry,
}

/// Every lot that the season takes from, and one of each ingredient of the examples that it does not
/// weigh, by name of the ingredient. A premix is bought from nobody.
pub fn bought() -> Vec<Bought> {
    let texts = [SCENT_BLEND, TIDELINE, MARRAM, GLASSWORT, SAMPHIRE, EELGRASS];
    let formulas = texts.map(|text| Formula::parse(text, "season.toml"));
    let formulas: Vec<Formula> = formulas.into_iter().flatten().collect();
    let mut all: Vec<&Ingredient> = formulas.iter().flat_map(Formula::ingredients).collect();
    all.retain(|ingredient| ingredient.premix.is_none());
    all.sort_by(|a, b| a.name.cmp(&b.name));
    all.dedup_by(|a, b| a.name == b.name);
    let lots = 1 + (BATCHES - 1) / BATCHES_A_LOT;
    let of = |ingredient: &Ingredient| {
        let name = ingredient.name.clone();
        let kind = kind(&name);
        (0..lots).map(move |nth| Bought {
            lot: lot_name(&name, nth),
            ingredient: name.clone(),
            nth,
            kind,
        })
    };
    all.into_iter().flat_map(of).collect()
}

fn kind(ingredient: &str) -> Kind {
    let name = ingredient.to_lowercase();
    let any = |words: &[&str]| words.iter().any(|word| name.contains(word));
    if any(&["essential oil"]) {
        Kind::EssentialOil
    } else if any(&[" oil", "butter", "tocopherol"]) {
        Kind::OilOrButter
    } else {
        Kind::Dry
    }
}
