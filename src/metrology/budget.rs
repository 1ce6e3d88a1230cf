//! The budget of one scale: what makes a net weight uncertain, part by part, and what they make together.
//!
//! The model: with the load L on the pan the scale shows L·(1 + g + e + t) + c(L) + scatter, rounded to d. A
//! net weight is the difference of two such readings, so what the readings have in common acts on the net
//! alone: the gain g, the temperature's part t of it, and the place e of a vessel that stays where it is.
//!
//! - *Linearity*: c is zero at no load and at the capacity, and within ±L between. It is taken as smooth: a
//!   bow b(x) = 4x(1−x) and an S s(x) = 6√3·x(1−x)(1−2x) of up to L each, which are all cubics with those
//!   zeros. The limit for one net weight is L·√(Δb² + Δs²), at most 2 L. No such curve is steeper than 2√31·L
//!   over the capacity, which is the limit where the tare is not known. A scale with steps in its curve is
//!   not covered.
//! - *Class*: the maximum permissible errors hold for every net weight, whatever the tare (OIML R 76-1:2006,
//!   3.5; read in UK SI 1995/1907, Schedule 2, 4.1). For small weights the same smoothness gives less: the
//!   errors of all loads lie within the limit M of a net weight of the capacity, and a cubic within ±M/2 is
//!   nowhere steeper than 2·3²·(M/2) over the capacity (the inequality of A. A. Markov, for n = 3).
//! - *Place of the load*: a vessel that stands still counts with its net weight; one that was put back, or a
//!   source weighed before and after, with both loads, each at a place of its own.
//! - *Buoyancy* is not corrected (JCGM 100:2008, F.2.4.5, knows that way, and would add the whole to U): with it
//!   in the budget it is a limit like the others, of which 2/√3 is more than the whole; without it net weights
//!   are as in air against 8000 kg/m³.
//!
//! A limit counts as a rectangular distribution (JCGM 100:2008, 4.3.7; of a verified scale F.2.4.2), parts add up
//! by the law of propagation (5.1.2), and k comes from the effective degrees of freedom (G.4, G.6.4).

use super::{ScaleAbility, Uncertainty};
use crate::language::{Sentence, Term, phrase, term};
use crate::mass::Mass;

/// What is told of a scale beside its readability, its capacity and its repeatability. Shares are of 1.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Errors {
    /// How many weighings the repeatability rests on; `None`: [`Errors::WEIGHINGS`].
    pub weighings: Option<u32>,
    /// The largest deviation from the line through no load and capacity.
    pub linearity: Option<Mass>,
    /// The largest error of the gain, as a share of the load.
    pub sensitivity: Option<f64>,
    pub eccentricity: Option<Eccentricity>,
    /// In place of the three before.
    pub class: Option<Class>,
    pub temperature: Option<Temperature>,
    pub buoyancy: Option<Buoyancy>,
}

impl Errors {
    /// Weighings that USP <41> asks for at least, and that the configuration's file always asked for.
    pub const WEIGHINGS: u32 = 10;
}

/// The largest difference that a load shows as far off centre as it is ever put, and the load.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Eccentricity {
    pub limit: Mass,
    pub load: Mass,
}

/// A verified scale.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Class {
    pub class: AccuracyClass,
    /// Verification scale interval e.
    pub e: Mass,
}

/// Accuracy class of a scale.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum AccuracyClass {
    I,
    II,
    III,
    IIII,
}

impl AccuracyClass {
    pub const ALL: [AccuracyClass; 4] = [
        AccuracyClass::I,
        AccuracyClass::II,
        AccuracyClass::III,
        AccuracyClass::IIII,
    ];

    pub const fn name(self) -> &'static str {
        match self {
            AccuracyClass::I => "I",
            AccuracyClass::II => "II",
            AccuracyClass::III => "III",
            AccuracyClass::IIII => "IIII",
        }
    }

    /// The most verification intervals that a scale of the class has (OIML R 76-1:2006, Table 3, read in a
    /// reproduction); class I has no limit.
    pub const fn most_intervals(self) -> Option<i64> {
        match self {
            AccuracyClass::I => None,
            AccuracyClass::II => Some(100_000),
            AccuracyClass::III => Some(10_000),
            AccuracyClass::IIII => Some(1_000),
        }
    }

    /// Up to and with so many e the error is half an e, and up to the second a whole one.
    const fn rows(self) -> [i64; 2] {
        match self {
            AccuracyClass::I => [50_000, 200_000],
            AccuracyClass::II => [5_000, 20_000],
            AccuracyClass::III => [500, 2_000],
            AccuracyClass::IIII => [50, 200],
        }
    }
}

impl Class {
    /// The maximum permissible error of a load in service: twice that on initial verification (OIML R
    /// 76-1:2006, Table 6 and 3.5.2; the numbers read in a reproduction, and class by class in UK SI
    /// 1995/1907, Schedule 2, 4.1 and 4.2).
    pub fn in_service(self, load: Mass) -> Mass {
        let [half, whole] = self.class.rows();
        let load = load.abs();
        // Halves of e, doubled.
        let intervals = if load <= self.e * half {
            1
        } else if load <= self.e * whole {
            2
        } else {
            3
        };
        self.e * intervals
    }
}

/// How far the gain goes with the temperature, and how far that is from where the scale was adjusted.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Temperature {
    /// Share of the load per kelvin.
    pub coefficient: f64,
    /// To either side, in kelvin.
    pub range: f64,
}

/// Densities in kg/m³.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Buoyancy {
    pub product: f64,
    pub air: f64,
}

impl Buoyancy {
    /// Air and weights of conventional mass (OIML R 111-1:2004, 2.7).
    pub const AIR: f64 = 1.2;
    const WEIGHTS: f64 = 8_000.0;

    /// How much more the product weighs than a scale shows that was adjusted with weights, as a share.
    pub fn share(self) -> f64 {
        (1.0 - self.air / Buoyancy::WEIGHTS) / (1.0 - self.air / self.product) - 1.0
    }
}

/// One net weight, as far as its uncertainty hangs on it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Weighing {
    pub net: Mass,
    /// What was on the pan with it; `None`: not known yet, anything that the scale carries.
    pub tare: Option<Mass>,
    /// What stood there was lifted and put back between the two readings.
    pub moved: bool,
    /// See [`Uncertainty::net`].
    pub readings: u32,
    /// What the indication did by itself; half of it counts as a standard uncertainty.
    pub wander: Mass,
}

impl Weighing {
    /// An ordinary net weight in a vessel that is not known yet.
    pub fn planned(net: Mass) -> Weighing {
        Weighing {
            net,
            tare: None,
            moved: false,
            readings: Uncertainty::TARE_AND_GROSS,
            wander: Mass::ZERO,
        }
    }
}

/// What makes a weight uncertain.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Part {
    Rounding,
    Repeatability,
    Linearity,
    Sensitivity,
    Eccentricity,
    Class,
    Temperature,
    Buoyancy,
    Wander,
}

impl Part {
    pub const ALL: [Part; PARTS] = [
        Part::Rounding,
        Part::Repeatability,
        Part::Linearity,
        Part::Sensitivity,
        Part::Eccentricity,
        Part::Class,
        Part::Temperature,
        Part::Buoyancy,
        Part::Wander,
    ];

    pub const fn name(self) -> Term {
        match self {
            Part::Rounding => term!("rounding"),
            Part::Repeatability => term!("repeatability"),
            Part::Linearity => term!("linearity"),
            Part::Sensitivity => term!("sensitivity"),
            Part::Eccentricity => term!("place of the load"),
            Part::Class => term!("limits of its class"),
            Part::Temperature => term!("temperature"),
            Part::Buoyancy => term!("buoyancy, not corrected"),
            Part::Wander => term!("unrest"),
        }
    }
}

/// How a part was come by (JCGM 100:2008, 2.3.2 and 2.3.3).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// From repeated observations.
    A,
    /// From anything else.
    B,
}

impl Kind {
    pub const fn name(self) -> &'static str {
        match self {
            Kind::A => "A",
            Kind::B => "B",
        }
    }
}

/// Where a part's figure comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Origin {
    Measured,
    Told,
    /// Nobody told or measured it.
    Assumed,
    /// It follows from the readability.
    Readability,
}

impl Origin {
    pub const fn name(self) -> Term {
        match self {
            Origin::Measured => term!("measured"),
            Origin::Told => term!("configured"),
            Origin::Assumed => term!("ASSUMED"),
            Origin::Readability => term!("from d"),
        }
    }
}

/// One line of a budget.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Component {
    pub part: Part,
    pub kind: Kind,
    pub distribution: Term,
    pub origin: Origin,
    /// Standard uncertainty of the net weight from this part alone, in grams.
    pub u: f64,
    /// Degrees of freedom; infinite for what is of kind B.
    pub degrees: f64,
}

const NORMAL: Term = term!("normal");
const RECTANGULAR: Term = term!("rectangular");
const PARTS: usize = 9;

/// The parts of one net weight's uncertainty.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Budget([Option<Component>; PARTS]);

impl Budget {
    /// Of parts that were reckoned elsewhere; nine at most.
    pub fn of(parts: &[Component]) -> Budget {
        let mut budget = Budget([None; PARTS]);
        for (place, part) in budget.0.iter_mut().zip(parts) {
            *place = Some(*part);
        }
        budget
    }

    pub fn parts(&self) -> impl Iterator<Item = &Component> {
        self.0.iter().flatten()
    }

    /// The combined standard uncertainty in grams (JCGM 100:2008, 5.1.2), with its coverage factor.
    pub fn uncertainty(&self) -> Uncertainty {
        let u = self.parts().map(|part| part.u * part.u).sum::<f64>().sqrt();
        Uncertainty::with_coverage(u, coverage(self.degrees()))
    }

    /// The effective degrees of freedom of Welch and Satterthwaite (JCGM 100:2008, G.2b).
    pub fn degrees(&self) -> f64 {
        let square = self.parts().map(|part| part.u * part.u).sum::<f64>();
        let of = |part: &Component| part.u.powi(4) / part.degrees;
        let sum = self.parts().map(of).sum::<f64>();
        match sum > 0.0 {
            true => square * square / sum,
            false => f64::INFINITY,
        }
    }

    /// The share that a part has in the variance.
    pub fn share(&self, part: &Component) -> f64 {
        let all = self.parts().map(|part| part.u * part.u).sum::<f64>();
        match all > 0.0 {
            true => part.u * part.u / all,
            false => 0.0,
        }
    }

    /// Whether a part of it is assumed.
    pub fn is_assumed(&self) -> bool {
        self.parts().any(|part| part.origin == Origin::Assumed)
    }
}

/// k for a coverage of 95.45 % (JCGM 100:2008, Table G.2), for the next lower number of degrees of freedom
/// in the table.
pub fn coverage(degrees: f64) -> f64 {
    /// Beyond this nobody can tell the factor from 2.
    const MANY: f64 = 10_000.0;
    if degrees >= MANY {
        return 2.0;
    }
    let row = COVERAGE.iter().rev().find(|(from, _)| *from <= degrees);
    row.map_or(COVERAGE[0].1, |(_, k)| *k)
}

const COVERAGE: [(f64, f64); 27] = [
    (1.0, 13.97),
    (2.0, 4.53),
    (3.0, 3.31),
    (4.0, 2.87),
    (5.0, 2.65),
    (6.0, 2.52),
    (7.0, 2.43),
    (8.0, 2.37),
    (9.0, 2.32),
    (10.0, 2.28),
    (11.0, 2.25),
    (12.0, 2.23),
    (13.0, 2.21),
    (14.0, 2.20),
    (15.0, 2.18),
    (16.0, 2.17),
    (17.0, 2.16),
    (18.0, 2.15),
    (19.0, 2.14),
    (20.0, 2.13),
    (25.0, 2.11),
    (30.0, 2.09),
    (35.0, 2.07),
    (40.0, 2.06),
    (45.0, 2.06),
    (50.0, 2.05),
    (100.0, 2.025),
];

/// What the budget of a scale is reckoned from.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Known {
    /// Readability d in force.
    pub d: Mass,
    pub repeatability: Option<Mass>,
    pub capacity: Option<Mass>,
    pub errors: Errors,
}

impl Known {
    pub fn budget(&self, weighing: &Weighing) -> Budget {
        let d = self.d.abs().to_g_f64();
        let readings = f64::from(weighing.readings.max(1));
        let limits = Limits::new(self, weighing);
        let limit = |part: Part, half_width: Option<f64>| {
            half_width.map(|half_width| Component {
                part,
                kind: Kind::B,
                distribution: RECTANGULAR,
                origin: Origin::Told,
                u: half_width.abs() / 3f64.sqrt(),
                degrees: f64::INFINITY,
            })
        };
        let rounding = Component {
            part: Part::Rounding,
            kind: Kind::B,
            distribution: RECTANGULAR,
            origin: Origin::Readability,
            u: d * (readings / 12.0).sqrt(),
            degrees: f64::INFINITY,
        };
        let wander = weighing.wander.abs().to_g_f64() / 2.0;
        let wander = (wander > 0.0).then_some(Component {
            part: Part::Wander,
            kind: Kind::B,
            distribution: NORMAL,
            origin: Origin::Measured,
            u: wander,
            degrees: f64::INFINITY,
        });
        Budget([
            Some(rounding),
            Some(self.repeatability(d, readings)),
            limit(Part::Linearity, limits.linearity()),
            limit(Part::Sensitivity, limits.sensitivity()),
            limit(Part::Eccentricity, limits.eccentricity()),
            limit(Part::Class, limits.class()),
            limit(Part::Temperature, limits.temperature()),
            limit(Part::Buoyancy, limits.buoyancy()),
            wander,
        ])
    }

    /// A measured s has the degrees of freedom of its weighings; what counts at least is no measurement.
    fn repeatability(&self, d: f64, readings: f64) -> Component {
        let least = Uncertainty::LEAST_REPEATABILITY * d;
        let weighings = self.errors.weighings.unwrap_or(Errors::WEIGHINGS);
        let degrees = f64::from(weighings.max(2) - 1);
        let (kind, origin, s, degrees) = match self.repeatability.map(|s| s.abs().to_g_f64()) {
            Some(s) if s > least => (Kind::A, Origin::Measured, s, degrees),
            Some(_) => (Kind::B, Origin::Measured, least, f64::INFINITY),
            None => {
                let s = Uncertainty::ASSUMED_REPEATABILITY * d;
                (Kind::B, Origin::Assumed, s, f64::INFINITY)
            }
        };
        Component {
            part: Part::Repeatability,
            kind,
            distribution: NORMAL,
            origin,
            u: s * (readings / 2.0).sqrt(),
            degrees,
        }
    }
}

/// The most that each error makes of one net weight, in grams.
struct Limits<'k> {
    errors: &'k Errors,
    capacity: Option<f64>,
    net: f64,
    tare: Option<f64>,
    moved: bool,
}

impl Limits<'_> {
    fn new<'k>(known: &'k Known, weighing: &Weighing) -> Limits<'k> {
        Limits {
            errors: &known.errors,
            capacity: known.capacity.map(Mass::to_g_f64).filter(|&c| c > 0.0),
            net: weighing.net.abs().to_g_f64(),
            tare: weighing.tare.map(|tare| tare.to_g_f64().max(0.0)),
            moved: weighing.moved,
        }
    }

    /// Both loads; with a tare that is not known the heaviest that the scale carries.
    fn loads(&self) -> (f64, f64) {
        let most = || self.capacity.map_or(0.0, |capacity| capacity - self.net);
        let tare = self.tare.unwrap_or_else(most).max(0.0);
        (tare, tare + self.net)
    }

    fn linearity(&self) -> Option<f64> {
        let limit = self.errors.linearity?.to_g_f64();
        let Some(capacity) = self.capacity else {
            return Some(2.0 * limit);
        };
        let steepest = 2.0 * 31f64.sqrt();
        let turns = match self.tare {
            None => steepest * self.net / capacity,
            Some(tare) => {
                let at = |load: f64| (load / capacity).clamp(0.0, 1.0);
                let (x, y) = (at(tare), at(tare + self.net));
                let bow = |x: f64| 4.0 * x * (1.0 - x);
                let s = |x: f64| 6.0 * 3f64.sqrt() * x * (1.0 - x) * (1.0 - 2.0 * x);
                (bow(y) - bow(x)).hypot(s(y) - s(x))
            }
        };
        Some(limit * turns.min(2.0))
    }

    fn sensitivity(&self) -> Option<f64> {
        Some(self.errors.sensitivity? * self.net)
    }

    fn eccentricity(&self) -> Option<f64> {
        let of = self.errors.eccentricity?;
        let share = of.limit.to_g_f64() / of.load.to_g_f64();
        let share = if share.is_finite() { share } else { 0.0 };
        Some(share * self.moving(|load| load))
    }

    fn class(&self) -> Option<f64> {
        let class = self.errors.class?;
        let most = |load: f64| {
            let load = Mass::from_g_f64(load).unwrap_or(Mass::LIMIT);
            class.in_service(load).to_g_f64()
        };
        if self.moved {
            return Some(self.moving(most));
        }
        let smooth = self
            .capacity
            .map(|capacity| 9.0 * most(capacity) * self.net / capacity);
        Some(smooth.map_or(most(self.net), |smooth| smooth.min(most(self.net))))
    }

    /// What acts on the net where nothing was moved, and on both loads where something was.
    fn moving(&self, of: impl Fn(f64) -> f64) -> f64 {
        match self.moved {
            false => of(self.net),
            true => {
                let (tare, gross) = self.loads();
                of(tare).hypot(of(gross))
            }
        }
    }

    fn temperature(&self) -> Option<f64> {
        let of = self.errors.temperature?;
        Some(of.coefficient * of.range * self.net)
    }

    fn buoyancy(&self) -> Option<f64> {
        Some(self.errors.buoyancy?.share() * self.net)
    }
}

impl ScaleAbility {
    /// What its budget is reckoned from.
    pub fn known(&self) -> Known {
        Known {
            d: self.readability,
            repeatability: self.repeatability,
            capacity: self.capacity,
            errors: self.errors,
        }
    }

    pub fn budget(&self, weighing: &Weighing) -> Budget {
        self.known().budget(weighing)
    }

    /// What U says of a weight on it and what it does not, for a person.
    pub fn covers(&self) -> Sentence {
        let errors = &self.errors;
        let scatter = match self.repeatability {
            Some(_) => term!("its scatter as measured"),
            None => term!("a scatter that is ASSUMED as one step, since none was measured"),
        };
        let classed = errors.class.is_some();
        let told = [
            (errors.linearity.is_some(), term!("its linearity")),
            (errors.sensitivity.is_some(), term!("its gain")),
            (
                errors.eccentricity.is_some(),
                term!("the place of the load"),
            ),
            (classed, term!("the error limits of its class")),
            (errors.temperature.is_some(), term!("temperature")),
            (errors.buoyancy.is_some(), term!("buoyancy")),
        ];
        let name = self.name.as_str();
        let with = told.iter().filter(|(told, _)| *told);
        let with = [term!("rounding"), scatter]
            .into_iter()
            .chain(with.map(|(_, term)| *term));
        let with: Vec<Term> = with.collect();
        let covers = match listed(&with) {
            Some((first, last)) => phrase!(
                "U on \"{name}\" covers {first} and {last}.",
                name,
                first,
                last
            ),
            None => Sentence::none(),
        };
        let without = told.iter().take(3).filter(|(told, _)| !told && !classed);
        let without: Vec<Term> = without.map(|(_, term)| *term).collect();
        covers.and(match (listed(&without), without.as_slice()) {
            (Some((first, last)), _) => phrase!(
                "Nothing is told of {first} or {last}: no weight is proven against these.",
                first,
                last,
            ),
            (None, [only]) => phrase!(
                "Nothing is told of {only}: no weight is proven against these.",
                only = *only,
            ),
            (None, _) => Sentence::none(),
        })
    }

    /// The uncertainty of a net weight that is planned: in any vessel that the scale carries with it.
    pub fn planned(&self, net: Mass) -> Uncertainty {
        self.budget(&Weighing::planned(net)).uncertainty()
    }
}

/// All but the last of several, one after the other, and the last.
fn listed(terms: &[Term]) -> Option<(Sentence, Term)> {
    let (last, rest) = terms.split_last()?;
    let rest = rest.iter().map(|term| Sentence::from(*term));
    let first = rest.reduce(|all, part| phrase!("{all}, {part}", all, part))?;
    Some((first, *last))
}
