//! Scales, formulas and people, drawn from a seed.

use std::sync::Arc;

use bismar::config::{Config, VesselConfig};
use bismar::formula::contents::{Limited, Source};
use bismar::formula::filling::Fill;
use bismar::formula::remedy::Part;
use bismar::formula::{Limits, Percent, Plan, PlannedPart, PlannedPhase, Step, VesselWay};
use bismar::mass::{Mass, Unit};
use bismar::metrology::ScaleAbility;
use bismar::metrology::prepackage::Rule;
use bismar::rehearsal::literal::{CaseSpec, Matter, MixWay, Traits};
use bismar::rehearsal::{Creep, Filter, LineShape, SimScaleSpec};
use bismar::scale::settings::{PortSelector, ScaleSettings};
use bismar::vocabulary::rules::Rules;

/// Kinds of scale. Each is the plain one but for what it is named after.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Family {
    Plain,
    Lines50,
    Lines1,
    LagSlow,
    LagSlowTwice,
    AverageShort,
    AverageLong,
    TwoSpeed,
    NoMark,
    LateMark,
    Locked,
    TracksFast,
    TareWaits,
    Fine,
    Coarse,
    /// Zeros behind the last digit that counts; the configuration tells the real step.
    Padded,
    /// The same, and the configuration tells nothing.
    PaddedUntold,
    /// Steps of 2 or 5, and the configuration tells nothing.
    Untold,
    OtherUnit,
    Creeps,
    Noisy,
}

/// No scale is smaller than the sources, whose glass weighs up to 85 g: nobody could weigh from them.
const HOLDS_A_BOTTLE: Mass = Mass::from_g(120);

impl Family {
    pub const ALL: [Family; 21] = [
        Family::Plain,
        Family::Lines50,
        Family::Lines1,
        Family::LagSlow,
        Family::LagSlowTwice,
        Family::AverageShort,
        Family::AverageLong,
        Family::TwoSpeed,
        Family::NoMark,
        Family::LateMark,
        Family::Locked,
        Family::TracksFast,
        Family::TareWaits,
        Family::Fine,
        Family::Coarse,
        Family::Padded,
        Family::PaddedUntold,
        Family::Untold,
        Family::OtherUnit,
        Family::Creeps,
        Family::Noisy,
    ];
}

fn between(rng: &mut fastrand::Rng, low: f64, high: f64) -> f64 {
    low + (high - low) * rng.f64()
}

/// Even in its logarithm.
fn spread(rng: &mut fastrand::Rng, low: f64, high: f64) -> f64 {
    low * (high / low).powf(rng.f64())
}

pub fn scale(family: Family, rng: &mut fastrand::Rng, seed: u64) -> SimScaleSpec {
    let shapes = [
        LineShape::SignNumberUnit16,
        LineShape::CommaHeader { gross_net: false },
        LineShape::CommaHeader { gross_net: true },
        LineShape::ReplyCode,
        LineShape::QuestionMark,
    ];
    let d = Mass::from_mg([10, 10, 10, 20, 50, 100][rng.usize(0..6)]);
    let mut spec = SimScaleSpec {
        shape: shapes[rng.usize(0..shapes.len())],
        stable_flag: rng.u8(0..6) > 0,
        units: vec![Unit::Gram, Unit::Ounce],
        d,
        capacity: d * rng.i64(60_000..=200_000),
        rate: [5.0, 10.0, 10.0, 20.0][rng.usize(0..4)],
        tau: between(rng, 0.05, 0.2),
        two_stages: rng.bool(),
        noise: between(rng, 0.05, 0.3),
        zero_tracking: rng.bool(),
        tracking_rate: [0.25, 0.5, 0.5, 1.0][rng.usize(0..4)],
        stable_after: spread(rng, 0.3, 1.0),
        tare_needs_steady: rng.bool(),
        tare_wait: [1.0, 3.0][rng.usize(0..2)],
        seed,
        ..SimScaleSpec::default()
    };
    let keys = [
        vec![Unit::Gram, Unit::Ounce],
        vec![Unit::Gram, Unit::Kilogram, Unit::Ounce],
        vec![Unit::Gram, Unit::Ounce, Unit::TroyOunce, Unit::Carat],
        vec![Unit::Gram, Unit::Carat],
        vec![Unit::Gram, Unit::Grain, Unit::Pound],
    ];
    spec.units = keys[rng.usize(0..keys.len())].clone();
    match family {
        Family::Plain => {}
        Family::Lines50 => spec.rate = [25.0, 50.0][rng.usize(0..2)],
        Family::Lines1 => spec.rate = [1.0, 2.0, 3.0][rng.usize(0..3)],
        Family::LagSlow => {
            spec.tau = between(rng, 0.4, 1.5);
            spec.two_stages = false;
        }
        Family::LagSlowTwice => {
            spec.tau = between(rng, 0.4, 0.9);
            spec.two_stages = true;
        }
        Family::AverageShort => {
            spec.filter = Filter::Average {
                seconds: between(rng, 0.2, 1.5),
            };
        }
        Family::AverageLong => {
            spec.filter = Filter::Average {
                seconds: between(rng, 2.4, 5.0),
            };
        }
        Family::TwoSpeed => {
            spec.filter = Filter::TwoSpeed {
                slow: between(rng, 0.3, 1.5),
                band: spread(rng, 3.0, 60.0),
            };
        }
        Family::NoMark => spec.stable_flag = false,
        Family::LateMark => spec.stable_after = between(rng, 1.0, 2.0),
        Family::Locked => {
            spec.lock = between(rng, 1.0, 4.0);
            spec.stable_after = between(rng, 0.3, 1.5);
        }
        Family::TracksFast => {
            spec.zero_tracking = true;
            spec.tracking_rate = spread(rng, 1.0, 4.0);
        }
        Family::TareWaits => {
            spec.tare_needs_steady = true;
            spec.tare_wait = between(rng, 3.0, 20.0);
        }
        Family::Fine => {
            spec.d = Mass::from_mg([1, 2, 5][rng.usize(0..3)]);
            spec.capacity = (spec.d * rng.i64(60_000..=200_000)).max(HOLDS_A_BOTTLE);
            spec.noise = between(rng, 0.1, 0.5);
        }
        Family::Coarse => {
            spec.d = Mass::from_mg([200, 500, 1000][rng.usize(0..3)]);
            spec.capacity = spec.d * rng.i64(5_000..=10_000);
        }
        Family::Padded | Family::PaddedUntold => spec.padding = 1,
        Family::Untold => {
            spec.d = Mass::from_mg([2, 5, 20, 50, 200, 500][rng.usize(0..6)]);
            spec.capacity = (spec.d * rng.i64(20_000..=100_000)).max(HOLDS_A_BOTTLE);
        }
        Family::OtherUnit => {
            let units = [Unit::Ounce, Unit::Kilogram, Unit::Carat, Unit::Grain];
            spec.units = vec![units[rng.usize(0..4)], Unit::Gram];
        }
        Family::Creeps => {
            spec.creep = Creep {
                share: spread(rng, 1e-5, 2e-4),
                tau: spread(rng, 20.0, 300.0),
            };
        }
        Family::Noisy => spec.noise = between(rng, 0.3, 0.6),
    }
    spec
}

fn scale_config(spec: &SimScaleSpec, told: bool) -> ScaleSettings {
    ScaleSettings {
        readability: told.then_some(spec.d),
        capacity: told.then_some(spec.capacity),
        ..ScaleSettings::new(
            "bench",
            PortSelector::Path("/dev/null".into()),
            spec.shape.layout_name(),
        )
    }
}

/// The ways in which vessels meet the scale, by how often they do.
pub const WAYS: [VesselWay; 6] = [
    VesselWay::Beaker,
    VesselWay::Beaker,
    VesselWay::Beaker,
    VesselWay::Bowl,
    VesselWay::Bowl,
    VesselWay::Difference,
];

fn plan(rng: &mut fastrand::Rng, spec: &SimScaleSpec, steps: usize, ways: &[VesselWay]) -> Plan {
    let d = spec.d.to_g_f64();
    // Jars too large for the scale are beakers.
    let ways = if ways == [VesselWay::Jar] {
        &WAYS[..1]
    } else {
        ways
    };
    let way = ways[rng.usize(0..ways.len())];
    let most = 0.15 * spec.capacity.to_g_f64();
    let two = rng.bool();
    let one = |number: usize, rng: &mut fastrand::Rng| {
        let grams = spread(rng, 200.0 * d, most.min(12_000.0 * d));
        let target = Mass::from_g_f64(grams).unwrap().round_to(spec.d);
        let band = target.ratio(rng.i64(1..=3), 100).max(spec.d * 4);
        let phase = usize::from(two && number > steps / 2);
        let last = number == steps || (two && number == steps / 2);
        Step {
            number,
            phase,
            part: number - 1,
            ingredient: format!("ingredient {number}"),
            target,
            lowest: target - band,
            highest: target + band,
            vessel: way,
            caution: None,
            lot_required: false,
            last_of_phase: last,
            scale: 0,
        }
    };
    let steps: Vec<Step> = (1..=steps).map(|number| one(number, rng)).collect();
    Plan {
        batch: steps.iter().map(|step| step.target).sum(),
        jars: None,
        formula: "Saltmarsh trial".into(),
        version: "1".into(),
        phases: (0..=usize::from(two))
            .map(|n| PlannedPhase {
                name: format!("phase {}", n + 1),
                mix: rng.bool().then(|| "Stir".into()),
            })
            .collect(),
        steps: steps.into_iter().map(Into::into).collect(),
        parts: vec![],
        limits: vec![],
        filling: None,
    }
}

/// Jars of one size, filled in order.
fn jars(rng: &mut fastrand::Rng, spec: &SimScaleSpec, jars: usize) -> Option<Plan> {
    let able = ScaleAbility {
        readability: spec.d,
        ..ScaleAbility::assumed("bench")
    };
    let grams = [15, 30, 55, 100, 250][rng.usize(0..5)];
    let nominal = Mass::from_g(grams);
    let fill = Fill {
        nominal,
        over: nominal.ratio(1, 50).max(spec.d * 20),
        rule: Rule::Eu76211,
        made: nominal * (jars as i64) + nominal.ratio(1, 3),
        first: 1,
        last: jars,
    };
    (nominal * 6 < spec.capacity)
        .then(|| Plan::filling(fill, "Trial 1", &[able], 2.0).ok())
        .flatten()
}

/// Every ingredient is over its limit: the batch is not closed without a word.
pub fn limit(plan: &mut Plan) {
    let least = Percent(1);
    for (index, step) in plan.steps.iter_mut().enumerate() {
        Arc::make_mut(step).part = index;
        plan.limits.push(Limited {
            name: step.ingredient.clone(),
            limits: Limits {
                min: None,
                max: Some(least),
            },
            skin: false,
            told: None,
            from: vec![Source {
                ingredient: step.ingredient.clone(),
                line: index,
                name: step.ingredient.clone(),
                lot: None,
                share: Percent::HUNDRED,
            }],
        });
        plan.parts.push(PlannedPart {
            name: step.ingredient.clone(),
            premix: None,
            share: least,
            bounds: Part {
                held: Mass::ZERO,
                share: least,
                low: Percent(0),
                high: least,
            },
            target: step.target,
            under: Mass::ZERO,
            over: Mass::ZERO,
        });
    }
}

fn traits(rng: &mut fastrand::Rng, plan: &Plan) -> Traits {
    let small = plan.steps.iter().all(|step| {
        let band = (step.highest - step.lowest).to_g_f64();
        step.target.to_g_f64() < 3.0 && band > 0.15
    });
    let matter = match rng.u8(0..8) {
        0 | 1 => Matter::Powder,
        2 => Matter::Syrup,
        _ if small && rng.bool() => Matter::Drops,
        _ => Matter::Liquid,
    };
    Traits {
        reaction: spread(rng, 0.15, 1.5),
        reading: spread(rng, 0.3, 4.0),
        pouring: spread(rng, 1.0, 40.0),
        matter,
        ease: between(rng, 0.1, 0.5),
        mix: [MixWay::Word, MixWay::Presses, MixWay::NextVessel][rng.usize(0..3)],
        stirring: between(rng, 0.5, 6.0),
        patience: between(rng, 10.0, 25.0),
    }
}

/// A rack of beakers: some of them nearly equal, some known to the configuration.
fn rack(rng: &mut fastrand::Rng, spec: &SimScaleSpec) -> (Vec<(String, Mass)>, Vec<VesselConfig>) {
    let capacity = spec.capacity.to_g_f64();
    let d = spec.d.to_g_f64();
    let mut rack = Vec::new();
    let mut known = Vec::new();
    let near = between(rng, 0.02, 0.08) * capacity;
    let equal = rng.bool();
    for n in 0..6 {
        let grams = if equal {
            near + between(rng, -20.0, 20.0) * d
        } else {
            between(rng, 0.015, 0.1) * capacity
        };
        let glass = Mass::from_g_f64(grams).unwrap();
        let is_known = n < 2;
        let name = if is_known {
            known.push(VesselConfig {
                name: format!("beaker {n}"),
                weight: glass.round_to(spec.d),
                capacity: None,
            });
            format!("known beaker {n}")
        } else {
            format!("beaker {n}")
        };
        rack.push((name, glass));
    }
    (rack, known)
}

/// The known beakers of the rack are in the configuration, as it is in half of the cases anyway.
pub fn know(spec: &mut CaseSpec) {
    let known = spec.rack.iter();
    let known = known.filter_map(|(name, glass)| Some((name.strip_prefix("known ")?, glass)));
    spec.config.vessels = known
        .map(|(name, glass)| VesselConfig {
            name: name.to_owned(),
            weight: glass.round_to(spec.scale.d),
            capacity: None,
        })
        .collect();
}

/// A case of `steps` steps without anything going wrong.
pub fn case(family: Family, steps: usize, ways: &[VesselWay], seed: u64) -> CaseSpec {
    let mut rng = fastrand::Rng::with_seed(seed);
    let scale = scale(family, &mut rng, seed);
    let filled = match ways {
        [VesselWay::Jar] => jars(&mut rng, &scale, steps),
        _ => None,
    };
    let plan = match filled {
        Some(filled) => filled,
        None => plan(&mut rng, &scale, steps, ways),
    };
    let traits = traits(&mut rng, &plan);
    let (rack, known) = rack(&mut rng, &scale);
    // A step of one in the last digit needs no telling.
    let one = [1, 10, 100, 1000].contains(&(scale.d.ng() / 1_000_000));
    let told = match family {
        Family::Untold | Family::PaddedUntold => false,
        Family::Padded => true,
        _ => !one || rng.bool(),
    };
    let bowl = between(&mut rng, 0.05, 0.15) * scale.capacity.to_g_f64();
    CaseSpec {
        config: Config {
            scales: vec![scale_config(&scale, told)],
            weighing: Rules::default(),
            vessels: if rng.bool() { known } else { Vec::new() },
            ..Config::default()
        },
        plan,
        scale,
        traits,
        rack,
        bowl: Mass::from_g_f64(bowl).unwrap(),
        planned: Vec::new(),
        calm: None,
        known: None,
        seed,
    }
}
