//! Invented scales: their budgets against two libraries for uncertainties (GTC and metrolopy, after
//! JCGM 100), and against what the scales really do (Monte Carlo after JCGM 101, with numpy).
//!
//! The Python side has the model of the measurement and not the budget's formulas: indications of the two
//! loads, each with its own rounding and scatter, both with one gain, one place and one curve. What they have
//! in common is left to the libraries.

use bismar::mass::Mass;
use bismar::metrology::budget::{
    AccuracyClass, Buoyancy, Class, Eccentricity, Errors, Temperature, Weighing,
};
use bismar::metrology::{Repeatability, ScaleAbility, Window};
use serde_json::{Value, json};

use super::masses::g;
use crate::bench_side::python::{NO_WORDS, asked};

/// A scale as it is told, and how it really is: the standard deviation of its net weights, and how far its
/// indication goes to and fro by itself.
struct Model {
    name: &'static str,
    ability: ScaleAbility,
    s: f64,
    wander: Mass,
}

fn model(name: &'static str, s: f64, errors: Errors) -> Model {
    Model {
        name,
        ability: ScaleAbility {
            capacity: Some(g("600")),
            errors,
            ..ScaleAbility::assumed(name)
        },
        s,
        wander: Mass::ZERO,
    }
}

fn models() -> Vec<Model> {
    let none = Errors::default();
    let linearity = |limit: &str| Errors {
        linearity: Some(g(limit)),
        ..none
    };
    let place = |limit: &str| {
        Some(Eccentricity {
            limit: g(limit),
            load: g("200"),
        })
    };
    let mut all = vec![
        model("one step of scatter, not measured", 0.01, none),
        model(
            "gain off by 0.05 %",
            0.004,
            Errors {
                sensitivity: Some(0.0005),
                ..none
            },
        ),
        model("linearity 0.03 g", 0.004, linearity("0.03")),
        model("linearity 0.05 g", 0.008, linearity("0.05")),
        model(
            "corner load 0.05 g",
            0.005,
            Errors {
                eccentricity: place("0.05"),
                ..none
            },
        ),
        model(
            "verified, class II, e = 0.1 g",
            0.01,
            Errors {
                class: Some(Class {
                    class: AccuracyClass::II,
                    e: g("0.1"),
                }),
                ..none
            },
        ),
        model(
            "warm room, 30 ppm/K over 10 K",
            0.005,
            Errors {
                temperature: Some(Temperature {
                    coefficient: 30e-6,
                    range: 10.0,
                }),
                ..none
            },
        ),
        model(
            "oil, buoyancy counted",
            0.005,
            Errors {
                buoyancy: Some(Buoyancy {
                    product: 920.0,
                    air: Buoyancy::AIR,
                }),
                ..none
            },
        ),
        model(
            "an ordinary one with all of it",
            0.01,
            Errors {
                linearity: Some(g("0.02")),
                sensitivity: Some(0.0001),
                eccentricity: place("0.02"),
                temperature: Some(Temperature {
                    coefficient: 10e-6,
                    range: 5.0,
                }),
                ..none
            },
        ),
        model("s of 0.012 g, ten weighings", 0.012, none),
        model("a draught of 0.03 g", 0.005, none),
    ];
    for model in &mut all {
        match model.name {
            "s of 0.012 g, ten weighings" => model.ability.repeatability = Some(g("0.012")),
            "a draught of 0.03 g" => model.wander = g("0.03"),
            _ => {}
        }
    }
    all
}

/// Light and heavy vessels, small and large nets; by difference too.
const WEIGHINGS: [(&str, &str, bool); 7] = [
    ("3.6", "60", false),
    ("40", "62.4", false),
    ("40", "210", false),
    ("40", "500", false),
    ("150", "100", false),
    ("330", "210", false),
    ("25", "260", true),
];

fn case(model: &Model, net: &str, tare: &str, moved: bool) -> Value {
    let (ability, errors) = (&model.ability, &model.ability.errors);
    let budget = ability.budget(&Weighing {
        tare: Some(g(tare)),
        moved,
        wander: model.wander,
        ..Weighing::planned(g(net))
    });
    let u = budget.uncertainty();
    // What the bench takes for 1 % of tolerance: in any vessel, and amid the unrest.
    let planned = ability.budget(&Weighing {
        moved,
        wander: model.wander,
        ..Weighing::planned(g(net))
    });
    let (target, one) = (g(net), g(net).ratio(1, 100));
    let (lowest, highest) = (target - one, target + one);
    let (band, d) = (planned.uncertainty(), ability.readability);
    let window = Window::acceptance(target, lowest, highest, band, 2.0, d);
    let grams = |mass: Mass| mass.to_g_f64();
    json!({
        "name": model.name,
        "d": grams(ability.readability),
        "capacity": ability.capacity.map(grams),
        "true_s": model.s,
        "s": ability.repeatability.map_or(grams(ability.readability), grams),
        "dof": ability.repeatability.map(|_| errors.weighings.unwrap_or(10) - 1),
        "linearity": errors.linearity.map(grams),
        "gain": errors.sensitivity,
        "place": errors.eccentricity.map(|e| grams(e.limit) / grams(e.load)),
        "e": errors.class.map(|class| grams(class.e)),
        "temperature": errors.temperature.map(|t| [t.coefficient, t.range]),
        "wander": grams(model.wander),
        "density": errors.buoyancy.map(|b| [b.product, b.air]),
        "net": grams(g(net)),
        "tare": grams(g(tare)),
        "moved": moved,
        "high": window.proven.then(|| grams(window.high)),
        "u": u.grams(),
        "degrees": Some(budget.degrees()).filter(|degrees| degrees.is_finite()),
        "k": u.coverage(),
        "U": u.grams() * u.coverage(),
    })
}

fn cases() -> Vec<Value> {
    let mut cases = Vec::new();
    for model in &models() {
        for (net, tare, moved) in WEIGHINGS {
            cases.push(case(model, net, tare, moved));
        }
    }
    cases
}

/// u and the degrees of freedom of each case, from the indications alone, in GTC and in metrolopy.
const LIBRARIES: &str = r#"
import json, math, sys
import GTC
from metrolopy import gummy
ROOT3 = math.sqrt(3)

def net(c, quantity):
    """The net weight of a case, of quantities (x, u, degrees) that a library makes."""
    d, capacity = c["d"], c["capacity"]
    dof = c["dof"] or math.inf
    limit = lambda half: quantity(0, half / ROOT3, math.inf)
    # The same s was measured for both: one reading has half the variance of a net weight. Its degrees of
    # freedom are those of one estimate, so tare and gross scatter as one quantity.
    scatter = quantity(0, c["s"], dof)
    parts = {}
    gain = limit(c["gain"]) if c["gain"] else 0
    if c["temperature"]:
        coefficient, kelvin = c["temperature"]
        gain = gain + limit(coefficient * kelvin)
    if c["density"]:
        product, air = c["density"]
        gain = gain + limit((1 - air / 8000) / (1 - air / product) - 1)
    place = [0, 0]
    if c["place"]:
        there = limit(c["place"])
        place = [there, limit(c["place"]) if c["moved"] else there]
    curve = [0, 0]
    if c["linearity"]:
        x = [c["tare"] / capacity, (c["tare"] + c["net"]) / capacity]
        bow, s = limit(c["linearity"]), limit(c["linearity"])
        curve = [bow * (4 * x * (1 - x)) + s * (6 * ROOT3 * x * (1 - x) * (1 - 2 * x)) for x in x]
    of_class = [0, 0]
    if c["e"]:
        # Class II in service (UK SI 1995/1907, Schedule 2): 1 e to 5,000 e, 2 e to 20,000 e.
        mpe = lambda m: c["e"] * (1 if m <= 5000 * c["e"] else 2)
        if c["moved"]:
            of_class = [limit(mpe(c["tare"])), limit(mpe(c["tare"] + c["net"]))]
        else:
            smooth = 9 * mpe(capacity) * c["net"] / capacity
            of_class = [0, limit(min(smooth, mpe(c["net"])))]
    shown = []
    for i, load in enumerate([c["tare"], c["tare"] + c["net"]]):
        rounding = quantity(0, d / math.sqrt(12), math.inf)
        shown.append(load * (1 + gain + place[i]) + curve[i] + of_class[i] + rounding)
    wander = quantity(0, c["wander"] / 2, math.inf) if c["wander"] else 0
    return shown[1] - shown[0] + scatter + wander

def near(mine, theirs, within, what):
    assert abs(mine - theirs) <= within * abs(theirs), f"{what}: {mine} and {theirs}"

cases = json.load(sys.stdin)
for c in cases:
    what = f"{c['name']}, {c['net']} g beside {c['tare']} g"
    y = net(c, lambda x, u, dof: GTC.ureal(x, u, dof))
    near(c["u"], GTC.uncertainty(y), 1e-6, "GTC, " + what)
    degrees = GTC.dof(y)
    if c["degrees"] is not None:
        near(c["degrees"], degrees, 1e-6, "GTC, degrees, " + what)
        # The factor for 95.45 %, of the next lower whole number.
        k = GTC.reporting.k_factor(math.floor(degrees + 1e-9), p=95.45)
        if degrees < 21: near(c["k"], k, 0.0025, "GTC, k, " + what)
    else:
        assert math.isinf(degrees) or degrees > 1e6, f"{what}: {degrees}"
    y = net(c, lambda x, u, dof: gummy(x, u=u, dof=dof if math.isfinite(dof) else float("inf")))
    near(c["u"], float(y.u), 1e-6, "metrolopy, " + what)
    if c["degrees"] is not None:
        near(c["degrees"], float(y.dof), 1e-6, "metrolopy, degrees, " + what)
print(len(cases))
"#;

#[test]
fn two_libraries_reckon_the_same_uncertainty_from_the_indications() {
    let cases = cases();
    let told = asked(LIBRARIES, NO_WORDS, json!(cases).to_string().as_bytes());
    assert_eq!(told.trim(), cases.len().to_string());
}

/// What the scales really do (JCGM 101: the distributions themselves are propagated). Twice: scales drawn
/// from their limits, and the worst of each kind, right at its limit.
const TRIALS: &str = r#"
import json, math, sys
import numpy as np
rng = np.random.default_rng(20261127)
N = 40_000
ROOT3 = math.sqrt(3)

def curves(n, worst):
    """Coefficients of bow and S of curves that stay within 1, drawn evenly; the worst is all S or all bow."""
    if worst == "bow": return np.ones(n), np.zeros(n)
    if worst == "s": return np.zeros(n), np.ones(n)
    x = np.linspace(0, 1, 201)
    bow, s = 4 * x * (1 - x), 6 * ROOT3 * x * (1 - x) * (1 - 2 * x)
    a, b = rng.uniform(-1, 1, 6 * n), rng.uniform(-1, 1, 6 * n)
    # A few thousand curves are enough, each taken for several weighings.
    a, b = a[:8000], b[:8000]
    good = np.abs(np.outer(a, bow) + np.outer(b, s)).max(axis=1) <= 1
    pick = rng.integers(0, good.sum(), n)
    return a[good][pick], b[good][pick]

def errors(c, worst, low=False, true=None):
    """What shows less what is; `low`: the worst shows too little."""
    sign = -1 if low else 1
    d, capacity = c["d"], c["capacity"]
    one = lambda half: np.full(N, sign * half) if worst else rng.uniform(-half, half, N)
    # The net weight lies anywhere between two steps, and so does the vessel.
    tare = c["tare"] + rng.uniform(0, 1, N) * d
    net = c["net"] + rng.uniform(-1, 1, N) * d if true is None else np.full(N, true)
    gain = one(c["gain"]) if c["gain"] else 0
    if c["temperature"]:
        coefficient, kelvin = c["temperature"]
        gain = gain + coefficient * (np.full(N, sign * kelvin) if worst else rng.uniform(-kelvin, kelvin, N))
    if c["density"]:
        # What an oil really weighs and what shows: always the whole of it.
        product, air = c["density"]
        gain = gain + (1 - air / product) / (1 - air / 8000) - 1
    place = [0, 0]
    if c["place"]:
        # The scale is at its limit, the vessel anywhere: nobody puts it down at two corners each time.
        anywhere = lambda: c["place"] * rng.uniform(-1, 1, N)
        there = anywhere()
        place = [there, anywhere() if c["moved"] else there]
    a, b = curves(N, worst)
    if low: a, b = -a, -b
    # A class holds for net weights: of two loads less than 5,000 e apart the errors differ by one e at most.
    height = np.maximum(np.abs(a), 2 * np.abs(b)) if worst else np.abs(a) + 2 * np.abs(b)
    def shown(load, i):
        x = np.clip(load / capacity, 0, 1)
        y = load * (1 + gain + place[i])
        if c["linearity"]:
            y = y + c["linearity"] * (a * 4 * x * (1 - x) + b * 6 * ROOT3 * x * (1 - x) * (1 - 2 * x))
        if c["e"]:
            y = y + c["e"] / np.maximum(height, 1) * (a * 4 * x * (1 - x) + b * 6 * ROOT3 * x * (1 - x) * (1 - 2 * x))
        # To and fro, tared and read at any moment of it.
        y = y + c["wander"] / 2 * np.sin(rng.uniform(0, 2 * math.pi, N))
        y = y + c["true_s"] / math.sqrt(2) * rng.standard_normal(N)
        return np.round(y / d) * d
    return shown(tare + net, 1) - shown(tare, 0) - net

cases = json.load(sys.stdin)
print("scale, weighing: within U %, beyond 2 U %, U over what was needed for 95 %, taken for inside 5 mg beyond %")
fault = []
by_name, taken = {}, {}
for c in cases:
    for worst in [None, "bow", "s"]:
        off = np.abs(errors(c, worst))
        by_name.setdefault((c["name"], worst), []).append(off / c["U"])
        # A weight 5 mg beyond its tolerance, and whether it is taken for inside.
        if c["high"] is None: continue
        true = 1.01 * c["net"] + 0.005
        shown = true + errors(c, worst, low=True, true=true)
        taken.setdefault((c["name"], worst), []).append(np.mean(shown < c["high"] + c["d"] / 2))
needed = {}
several = "an ordinary one with all of it"
for (name, worst), parts in by_name.items():
    off = np.concatenate(parts)
    within, beyond = 100 * np.mean(off <= 1), 100 * np.mean(off > 2)
    excess = 1 / np.quantile(off, 0.95)
    kind = {None: "drawn", "bow": "at its limit, a bow", "s": "at its limit, an S"}[worst]
    accepted = 100 * np.mean(taken[name, worst])
    print(f"  {name:34} {kind:20} {within:6.2f} {beyond:7.3f} {excess:5.2f} {accepted:6.2f}")
    # At every limit at once, and all to one side: no budget of independent parts promises that.
    if name == several and worst: continue
    if within < 95: fault.append(f"{name}, {kind}: within {within:.2f} %")
    if beyond > 0.1: fault.append(f"{name}, {kind}: beyond {beyond:.3f} %")
    # JCGM 106, 8.3.2.2: what the guard band promises.
    if accepted > 2.3: fault.append(f"{name}, {kind}: {accepted:.2f} % taken for inside")
    # U has to do for the worst scale that what was told allows.
    needed[name] = min(excess, needed.get(name, math.inf))
for name, excess in needed.items():
    if excess > 1.6: fault.append(f"{name}: {excess:.2f} times what is needed")
assert not fault, "\n".join(fault)
"#;

#[test]
fn weights_of_invented_scales_lie_within_their_uncertainty() {
    let told = asked(TRIALS, NO_WORDS, json!(cases()).to_string().as_bytes());
    println!("{told}");
}

/// The scatter measured as `bismar repeatability` does, on the scale itself: ten weighings of one load, then
/// weights of every size. Over 4,000 scales of each kind, at least 95 % within U and at most 0.1 % beyond 2 U.
#[test]
fn ten_weighings_are_enough_to_know_a_scales_scatter() {
    let mut rng = fastrand::Rng::with_seed(41);
    let d = 0.01;
    println!("true s in d: within U %, beyond 2 U %, mean U over what was needed for 95 %");
    for true_s in [0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.7, 1.0, 2.0] {
        let s = true_s * d;
        let mut weigh = |load: f64| {
            // A reading of an empty pan that is nothing, and one of the load.
            let mut read = |load: f64| {
                let radius = (-2.0 * (1.0 - rng.f64()).ln()).sqrt();
                let noise = radius * (std::f64::consts::TAU * rng.f64()).cos();
                ((load + s / 2f64.sqrt() * noise) / d).round() * d
            };
            let tare = read(62.4 + rng_place(load));
            read(62.4 + rng_place(load) + load) - tare
        };
        let (mut inside, mut beyond, mut all) = (0u32, 0u32, 0u32);
        let (mut errors, mut sum) = (Vec::new(), 0.0);
        for scale in 0..4_000 {
            let load = 50.0 + f64::from(scale) * 0.001_37;
            let nets: Vec<Mass> = (0..10)
                .map(|_| Mass::from_g_f64(weigh(load)).expect("finite"))
                .collect();
            let found = Repeatability::of(&nets, g("0.01")).expect("ten");
            let ability = ScaleAbility {
                repeatability: Some(found.budgeted()),
                ..ScaleAbility::assumed("bench")
            };
            let u = ability.planned(g("40")).expanded().to_g_f64();
            for step in 0..10 {
                let net = 40.0 + f64::from(scale * 10 + step) * 0.000_731;
                let off = (weigh(net) - net).abs();
                inside += u32::from(off <= u);
                beyond += u32::from(off > 2.0 * u);
                all += 1;
                errors.push(off);
                sum += u;
            }
        }
        errors.sort_by(f64::total_cmp);
        let share = |count: u32| 100.0 * f64::from(count) / f64::from(all);
        let needed = errors[errors.len() * 95 / 100];
        let excess = sum / f64::from(all) / needed;
        println!(
            "  {true_s:4} {:6.2} {:7.3} {excess:5.2}",
            share(inside),
            share(beyond)
        );
        assert!(
            share(inside) >= 95.0 && share(beyond) <= 0.1,
            "s = {true_s} d"
        );
        assert!(excess <= 1.6, "s = {true_s} d: {excess}");
    }
}

/// Where between two steps a vessel lies: anywhere, by what is weighed in it.
fn rng_place(load: f64) -> f64 {
    (load * 7.389).fract() * 0.01
}
