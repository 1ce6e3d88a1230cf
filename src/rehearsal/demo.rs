//! The rehearsal that `bismar demo` shows.

use super::habits::{Fault, Habits};
use super::scale::SimScaleSpec;
use super::stage::{Stage, StageSpec};
use crate::formula::Plan;
use crate::mass::Mass;

/// The demo's bench scale: 2 kg by 0.01 g, 25 lines a second.
pub fn demo_scale(seed: u64) -> SimScaleSpec {
    SimScaleSpec {
        d: Mass::from_mg(10),
        capacity: Mass::from_g(2000),
        rate: 25.0,
        tau: 0.1,
        seed,
        ..SimScaleSpec::default()
    }
}

/// A brisk person: one over-pour taken out again, one forgotten TARE, one bump, TARE pressed in
/// some steps. Meant for five or six steps weighed in beakers; about eight seconds a step. The same seed and plan give the same rehearsal, whatever the speed it is run at.
pub fn demo_stage(seed: u64, plan: &Plan) -> Stage {
    let habits = Habits {
        reaction: 0.28,
        reading: 0.25,
        pour_time: 1.2,
        mix_by_presses: 0.5,
        mix_by_word: 0.5,
        scoops: 0.0,
        patience: 4.0,
        first_wait: 1.2,
        give_up: 40.0,
        ..Habits::careful()
    };
    let scales = 1 + plan.steps.iter().map(|step| step.scale).max().unwrap_or(0);
    let scales = (0..scales as u64).map(|index| demo_scale(seed.wrapping_add(index)));
    let mut spec = StageSpec::for_plan(plan, scales.collect(), habits, seed);
    spec.script = Some(vec![
        (1, Fault::TareKey),
        (2, Fault::OverPour),
        (2, Fault::ForgetTare),
        (3, Fault::TareKey),
        (3, Fault::Bump),
    ]);
    Stage::new(spec)
}
