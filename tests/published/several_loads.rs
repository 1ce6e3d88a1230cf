//! The check at several loads: scales as they really are (a simulation that has nothing of the budget in it but
//! the meaning of its parts) are measured by it, and their weights held against the truth; a library for
//! uncertainties reckons the estimates anew.

use bismar::mass::Mass;
use bismar::metrology::budget::{AccuracyClass, Buoyancy, Class, Errors, Temperature, Weighing};
use bismar::metrology::several_loads::{AtLoad, Errored, Estimate, OffCentre};
use bismar::metrology::test_weights::{TestLoad, WeightClass, permissible_error};
use bismar::metrology::{Repeatability, ScaleAbility, Window};
use serde_json::{Value, json};

use super::masses::{g, near};
use crate::bench_side::python::{NO_WORDS, asked};

/// A scale as it is. Masses in grams; the slope is what 200 g show more where the check puts them off centre.
#[derive(Debug, Clone, Copy)]
struct Scale {
    name: &'static str,
    capacity: f64,
    d: f64,
    /// Standard deviation of net weights.
    s: f64,
    gain: f64,
    bow: f64,
    curl: f64,
    slope: f64,
    /// How much more its gain is when it is measured going down, and on other days up to that.
    drift: f64,
    /// How far the gain goes with the day; it is told.
    day: f64,
}

const QUIET: Scale = Scale {
    name: "a quiet one without errors",
    capacity: 600.0,
    d: 0.01,
    s: 0.004,
    gain: 0.0,
    bow: 0.0,
    curl: 0.0,
    slope: 0.0,
    drift: 0.0,
    day: 0.0,
};

const SCALES: [Scale; 12] = [
    QUIET,
    Scale {
        name: "one step of scatter",
        s: 0.01,
        ..QUIET
    },
    Scale {
        name: "gain 0.05 % too much",
        gain: 0.0005,
        ..QUIET
    },
    Scale {
        name: "gain 0.05 % too little",
        gain: -0.0005,
        s: 0.007,
        ..QUIET
    },
    Scale {
        name: "a bow of 0.03 g",
        bow: 0.03,
        ..QUIET
    },
    Scale {
        name: "an S of 0.05 g",
        curl: 0.05,
        s: 0.006,
        ..QUIET
    },
    Scale {
        name: "0.05 g off centre",
        slope: 0.05,
        s: 0.005,
        ..QUIET
    },
    Scale {
        name: "class II, e = 0.1 g, at its limits",
        gain: 0.000_08,
        bow: -0.05,
        s: 0.01,
        ..QUIET
    },
    Scale {
        name: "an ordinary one with all of it",
        gain: 0.0001,
        bow: 0.012,
        curl: -0.008,
        slope: 0.02,
        s: 0.008,
        ..QUIET
    },
    Scale {
        name: "a room that warms it, told",
        gain: 0.000_05,
        day: 0.000_2,
        s: 0.005,
        ..QUIET
    },
    Scale {
        name: "drifts by 0.02 % while it is measured",
        drift: 0.000_2,
        s: 0.005,
        ..QUIET
    },
    Scale {
        name: "3 kg by 0.1 g",
        capacity: 3_000.0,
        d: 0.1,
        s: 0.05,
        gain: 0.000_1,
        bow: 0.2,
        slope: 0.2,
        ..QUIET
    },
];

fn normal(rng: &mut fastrand::Rng) -> f64 {
    let radius = (-2.0 * (1.0 - rng.f64()).ln()).sqrt();
    radius * (std::f64::consts::TAU * rng.f64()).cos()
}

impl Scale {
    /// What it shows of a load at a place (in units of the way out of the check).
    fn shows(&self, load: f64, at: (f64, f64), way: f64, rng: &mut fastrand::Rng) -> f64 {
        let x = (load / self.capacity).clamp(0.0, 1.0);
        let curve = self.bow * 4.0 * x * (1.0 - x)
            + self.curl * 6.0 * 3f64.sqrt() * x * (1.0 - x) * (1.0 - 2.0 * x);
        let place = self.slope / 200.0 * (at.0 * way.cos() + at.1 * way.sin());
        let noise = self.s / 2f64.sqrt() * normal(rng);
        let true_display = load * (1.0 + self.gain + place) + curve + noise;
        (true_display / self.d).round() * self.d
    }
}

fn mass(grams: f64) -> Mass {
    Mass::from_g_f64(grams).expect("a mass")
}

fn load(weights: &[&str]) -> TestLoad {
    TestLoad::new(weights.iter().map(|weight| g(weight)).collect()).expect("test weights")
}

#[test]
fn a_load_is_told_by_its_weights() {
    assert_eq!(load(&["200"]).words(), "200 g");
    assert_eq!(load(&["200", "100"]).words(), "200 g + 100 g");
}

fn loads(scale: &Scale) -> Vec<TestLoad> {
    match scale.capacity > 1_000.0 {
        true => vec![
            load(&["100"]),
            load(&["500"]),
            load(&["1000"]),
            load(&["2000"]),
            load(&["2000", "500"]),
        ],
        false => vec![
            load(&["20"]),
            load(&["50"]),
            load(&["100"]),
            load(&["200"]),
            load(&["200", "100"]),
            load(&["500"]),
        ],
    }
}

/// Measured as `bismar repeatability` and `bismar scale-check` with several loads do.
fn measured(scale: &Scale, class: WeightClass, way: f64, rng: &mut fastrand::Rng) -> ScaleAbility {
    let d = mass(scale.d);
    // An empty pan is set to zero; where the zero lies between two steps nobody knows.
    let net = |load: f64, at: (f64, f64), more: f64, rng: &mut fastrand::Rng| {
        let zero = rng.f64() * scale.d;
        mass(
            scale.shows(zero + load * (1.0 + more), at, way, rng) - scale.shows(zero, at, way, rng),
        )
    };
    let middle = (0.0, 0.0);
    let ten: Vec<Mass> = (0..10)
        .map(|_| net(scale.capacity / 6.0 + 0.003_1, middle, 0.0, rng))
        .collect();
    let told = Errors {
        temperature: (scale.day > 0.0).then_some(Temperature {
            coefficient: scale.day / 5.0,
            range: 5.0,
        }),
        ..Errors::default()
    };
    let ability = ScaleAbility {
        readability: d,
        capacity: Some(mass(scale.capacity)),
        repeatability: Some(Repeatability::of(&ten, d).expect("ten").budgeted()),
        errors: told,
        ..ScaleAbility::assumed(scale.name)
    };
    let mut seen = Vec::new();
    for load in loads(scale) {
        // The weights are anywhere within their limits.
        let limit = load
            .permissible_error(class)
            .expect("of the table")
            .to_g_f64();
        let weighs = load.nominal().to_g_f64() + limit * (2.0 * rng.f64() - 1.0);
        let up = net(weighs, middle, 0.0, rng);
        let down = net(weighs, middle, scale.drift, rng);
        seen.push((weighs, AtLoad { load, up, down }));
    }
    let third = seen.iter().find(|(_, at)| {
        at.load
            == load(&[if scale.capacity > 1_000.0 {
                "1000"
            } else {
                "200"
            }])
    });
    let (weighs, at) = third.expect("it is there").clone();
    let around = [(0.0, -1.0), (1.0, 0.0), (0.0, 1.0), (-1.0, 0.0)];
    let nets = around.map(|place| net(weighs, place, 0.0, rng));
    let off_centre = OffCentre {
        load: at.load,
        nets,
    };
    let seen: Vec<AtLoad> = seen.into_iter().map(|(_, at)| at).collect();
    let found = Errored::of(&seen, &off_centre, class, &ability).expect("enough loads");
    ScaleAbility {
        errors: found.budgeted(told),
        ..ability
    }
}

/// Net and vessel as shares of the capacity: light and heavy ones.
const WEIGHINGS: [(f64, f64); 6] = [
    (0.006, 0.1),
    (0.0667, 0.104),
    (0.0667, 0.35),
    (0.0667, 0.83),
    (0.25, 0.167),
    (0.55, 0.35),
];

/// The bar of a scale that was measured and not told: of its weights at least 95 % within U, at most 0.1 %
/// beyond 2 U, and U at most 1.6 times what 95 % need (1.8 times with weights of class M1); of weights beyond their
/// tolerance at most the stated 2.3 % are taken for inside.
#[test]
fn scales_measured_at_several_loads_weigh_within_their_uncertainty() {
    let mut rng = fastrand::Rng::with_seed(15);
    println!(
        "scale, class of the weights: within U %, beyond 2 U %, U over what was needed for 95 %, taken for inside %"
    );
    let mut faults = Vec::new();
    for scale in &SCALES {
        for class in [WeightClass::F1, WeightClass::F2, WeightClass::M1] {
            let (mut ratios, mut accepted) = (Vec::new(), Vec::new());
            for _ in 0..1_500 {
                let way = std::f64::consts::TAU * rng.f64();
                // It was adjusted with a weight of the class that there is.
                let heaviest = permissible_error(g("500"), class).expect("of the table");
                let adjusted = heaviest.to_g_f64() / 500.0 * (2.0 * rng.f64() - 1.0);
                let mut today = Scale {
                    gain: scale.gain + adjusted,
                    ..*scale
                };
                let ability = measured(&today, class, way, &mut rng);
                today.gain += scale.day * (2.0 * rng.f64() - 1.0) + scale.drift * rng.f64();
                for (net, tare) in WEIGHINGS {
                    let net = net * scale.capacity + scale.d * rng.f64();
                    let tare = tare * scale.capacity + scale.d * rng.f64();
                    let u = ability
                        .budget(&Weighing {
                            tare: Some(mass(tare)),
                            ..Weighing::planned(mass(net))
                        })
                        .uncertainty()
                        .expanded()
                        .to_g_f64();
                    let (out, round) = (rng.f64().sqrt(), std::f64::consts::TAU * rng.f64());
                    let at = (out * round.cos(), out * round.sin());
                    let shown = today.shows(tare + net, at, way, &mut rng)
                        - today.shows(tare, at, way, &mut rng);
                    ratios.push((shown - net).abs() / u);
                    // A weight half a step beyond 1 % of tolerance, and whether it is taken for inside.
                    let (target, one) = (mass(net), mass(net).ratio(1, 100));
                    let planned = ability.planned(target);
                    let window = Window::acceptance(
                        target,
                        target - one,
                        target + one,
                        planned,
                        2.0,
                        mass(scale.d),
                    );
                    let beyond = 1.01 * net + scale.d / 2.0;
                    let shown = today.shows(tare + beyond, at, way, &mut rng)
                        - today.shows(tare, at, way, &mut rng);
                    let high = window.high.to_g_f64() + scale.d / 2.0;
                    if window.proven {
                        accepted.push(shown < high);
                    }
                }
            }
            ratios.sort_by(f64::total_cmp);
            let all = ratios.len() as f64;
            let share = |most: f64| {
                100.0 * ratios.iter().filter(|ratio| **ratio <= most).count() as f64 / all
            };
            let (within, beyond) = (share(1.0), 100.0 - share(2.0));
            let excess = 1.0 / ratios[ratios.len() * 95 / 100];
            let name = format!("{}, {}", scale.name, class.name());
            let risk = accepted.iter().filter(|taken| **taken).count() as f64;
            let risk = 100.0 * risk / accepted.len() as f64;
            println!("  {name:40} {within:6.2} {beyond:7.3} {excess:5.2} {risk:6.2}");
            // Of a scale without errors M1 weights leave more open than the scale itself does.
            let most = if class == WeightClass::M1 { 1.8 } else { 1.6 };
            // JCGM 106, 8.3.2.2: what the guard band promises.
            if within < 95.0 || beyond > 0.1 || excess > most || risk > 2.3 {
                faults.push(name);
            }
        }
    }
    assert!(faults.is_empty(), "{faults:?}");
}

/// The estimates of one check from its net weights alone, in GTC.
const LIBRARY: &str = r#"
import json, math, sys
import GTC
ROOT3 = math.sqrt(3)

def near(mine, theirs, what):
    assert abs(mine - theirs) <= 1e-9 + 1e-6 * abs(theirs), f"{what}: {mine} and {theirs}"

cases = json.load(sys.stdin)
for c in cases:
    one = lambda net: GTC.ureal(net, c["one"])
    loads = []
    for at in c["loads"]:
        weight = GTC.ureal(at["nominal"], at["limit"] / ROOT3)
        up, down = one(at["up"]), one(at["down"])
        loads.append((at["nominal"], (up + down) / 2, weight, at))
    nominal, shown, weight, _ = max(loads, key=lambda load: load[0])
    gain = (shown - weight) / nominal
    near(c["gain"][0], GTC.value(gain), "gain")
    near(c["gain"][1], GTC.uncertainty(gain), "u of the gain")
    beyond = lambda half: half if half > 3 * c["one"] / math.sqrt(2) else 0
    half = {at["nominal"]: abs(at["up"] - at["down"]) / 2 for *_, at in loads}
    near(c["gain"][2], beyond(half[nominal]) / nominal, "drift of the gain")
    off = [(shown - weight - gain * n, beyond(half[n] - n / nominal * beyond(half[nominal])))
        for n, shown, weight, _ in loads if n < nominal]
    most, drift = max(off, key=lambda o: abs(GTC.value(o[0])) + o[1] + ROOT3 * GTC.uncertainty(o[0]))
    near(c["linearity"][0], GTC.value(most), "linearity")
    near(c["linearity"][1], GTC.uncertainty(most), "u of the linearity")
    near(c["linearity"][2], drift, "drift of the linearity")
    front, right, back, left = map(one, c["around"])
    across, along = (right - left) / 2, (back - front) / 2
    slope = GTC.sqrt(across ** 2 + along ** 2)
    middle = next(shown for n, shown, _, _ in loads if n == c["place_load"])
    bowl = (front + right + back + left) / 4 - middle
    beyond = abs(GTC.value(bowl)) > 3 * GTC.uncertainty(bowl)
    near(c["place"][0], GTC.value(slope) + (abs(GTC.value(bowl)) if beyond else 0), "place")
    hidden = 0 if beyond else GTC.uncertainty(bowl)
    near(c["place"][1], math.hypot(GTC.uncertainty(slope), hidden), "u of the place")
print(len(cases))
"#;

/// A check of round numbers, and the same made of weighings that scatter.
fn cases() -> Vec<Value> {
    let mut rng = fastrand::Rng::with_seed(7);
    let mut cases = Vec::new();
    for (number, scatter) in [0.0, 0.4, 0.8, 1.5, 4.0, 0.8, 1.5, 9.0]
        .into_iter()
        .enumerate()
    {
        let ability = ScaleAbility {
            capacity: Some(g("600")),
            repeatability: (number % 2 == 0).then(|| g("0.008")),
            ..ScaleAbility::assumed("bench")
        };
        let mut net = |load: f64, off: f64| {
            let steps = (load * 100.0 + off + scatter * (2.0 * rng.f64() - 1.0)).round();
            mass(steps / 100.0)
        };
        let at = |load: TestLoad, up: Mass, down: Mass| AtLoad { load, up, down };
        let mut seen = Vec::new();
        for (weights, off) in [
            (vec!["50"], 1.0),
            (vec!["200"], 3.0),
            (vec!["200", "100"], 2.0),
            (vec!["500"], -2.0),
        ] {
            let load = load(&weights);
            let nominal = load.nominal().to_g_f64();
            let (up, down) = (net(nominal, off), net(nominal, off));
            seen.push(at(load, up, down));
        }
        let nets = [-2.0, 1.0, 4.0, 1.0].map(|off| net(200.0, 3.0 + off));
        let off_centre = OffCentre {
            load: load(&["200"]),
            nets,
        };
        let class = [WeightClass::F1, WeightClass::M1][number / 4];
        let found = Errored::of(&seen, &off_centre, class, &ability).expect("enough loads");
        let grams = |mass: Mass| mass.to_g_f64();
        let limit = |load: &TestLoad| load.permissible_error(class).map(grams);
        // What stands in the module's text: scatter and rounding of one net weight, for nine degrees of
        // freedom by so much more as their factor is.
        let s: f64 = if number % 2 == 0 { 0.008 } else { 0.01 };
        let u = (s * s + 0.01 * 0.01 / 6.0).sqrt();
        let one = u * ability.net(2).coverage() / 2.0;
        near(ability.net(2).grams(), u, 1e-12);
        cases.push(json!({
            "one": one,
            "loads": seen.iter().map(|at| json!({
                "nominal": grams(at.load.nominal()),
                "limit": limit(&at.load),
                "up": grams(at.up),
                "down": grams(at.down),
            })).collect::<Vec<_>>(),
            "around": nets.map(grams),
            "place_load": 200.0,
            "gain": [found.gain.found, found.gain.u, found.gain.drift],
            "linearity": [found.linearity.found, found.linearity.u, found.linearity.drift],
            "place": [found.place.found, found.place.u],
        }));
    }
    cases
}

#[test]
fn a_library_reckons_the_same_estimates_from_the_net_weights() {
    let cases = cases();
    let told = asked(LIBRARY, NO_WORDS, json!(cases).to_string().as_bytes());
    assert_eq!(told.trim(), cases.len().to_string());
}

/// The configuration reads a percent and takes a hundredth of it: what is written must read as what was found, or
/// nothing is written.
#[test]
fn a_gain_is_the_same_number_in_the_configuration() {
    let none = Estimate {
        found: 0.0,
        drift: 0.0,
        u: 0.0,
    };
    for millionths in 1..20_000 {
        let gain = Estimate {
            found: f64::from(millionths) / 1e6,
            ..none
        };
        let found = Errored {
            gain,
            linearity: none,
            place: none,
            place_load: g("200"),
        };
        assert_eq!(found.gain_millionths(), i64::from(millionths));
        let percent: f64 = format!("{}.{:04}", millionths / 10_000, millionths % 10_000)
            .parse()
            .expect("a number");
        let budgeted = found.budgeted(Errors::default());
        assert_eq!(budgeted.sensitivity, Some(percent / 100.0));
        assert!(budgeted.linearity > Some(Mass::ZERO));
    }
}

#[test]
fn too_few_loads_and_a_load_that_was_not_in_the_middle_tell_nothing() {
    let scale = ScaleAbility::assumed("bench");
    let at = |weight: &str| AtLoad {
        load: load(&[weight]),
        up: g(weight),
        down: g(weight),
    };
    let around = |weight: &str| OffCentre {
        load: load(&[weight]),
        nets: [g(weight); 4],
    };
    let of = |loads: &[AtLoad], off: &OffCentre| Errored::of(loads, off, WeightClass::M1, &scale);
    let three = [at("50"), at("200"), at("500")];
    assert!(of(&three, &around("200")).is_some());
    assert_eq!(of(&three[..2], &around("200")), None);
    assert_eq!(of(&three, &around("100")), None);
    // The same going down as going up is no drift; more than scatter is, at the top as between.
    let drifted = |loads: &[AtLoad]| of(loads, &around("200")).expect("it tells").has_drifted();
    assert!(!drifted(&three));
    let other = |i: usize, down: &str| {
        let mut loads = three.clone();
        loads[i].down = g(down);
        loads
    };
    assert!(drifted(&other(2, "500.10")) && drifted(&other(2, "499.90")));
    assert!(drifted(&other(1, "200.10")));
    assert!(
        !drifted(&other(2, "500.01")),
        "one step of the scale is scatter"
    );
    // Without any error the limits of weights and scatter are left: 50 and 25 mg, 0.0108 g of one net weight.
    let found = of(&three, &around("200")).expect("it tells");
    let one = (0.01f64.powi(2) + 0.01f64.powi(2) / 6.0).sqrt();
    near(
        found.gain.u,
        (one * one / 2.0 + 0.025f64.powi(2) / 3.0).sqrt() / 500.0,
        1e-12,
    );
    // What was measured stands in place of the class; what was told of the room stays.
    let told = Errors {
        class: Some(Class {
            class: AccuracyClass::II,
            e: g("0.1"),
        }),
        buoyancy: Some(Buoyancy {
            product: 920.0,
            air: Buoyancy::AIR,
        }),
        ..Errors::default()
    };
    let budgeted = found.budgeted(told);
    assert_eq!((budgeted.class, budgeted.buoyancy), (None, told.buoyancy));
    assert!(budgeted.sensitivity >= Some(found.gain.limit()));
    assert!(budgeted.linearity.expect("told").to_g_f64() >= found.linearity.limit());
}

/// OIML R 111-1:2004, Table 1, class M1: 200 g ± 10 mg and 100 g ± 5 mg; together as much as both.
#[test]
fn limits_of_weights_that_lie_together_add_up() {
    let both = load(&["200", "100"]);
    assert_eq!(both.nominal(), g("300"));
    assert_eq!(both.permissible_error(WeightClass::M1), Some(g("0.015")));
    assert_eq!(TestLoad::new(vec![g("300")]), None);
    assert_eq!(TestLoad::new(Vec::new()), None);
}
