//! Test weights: their maximum permissible errors, and what a scale may show with one on it.
//!
//! Source: OIML R 111-1:2004, Table 1 (maximum permissible errors ±δm on initial verification). The
//! values were read in two stored reproductions of the table, not in the document itself; where one
//! of them differed in a single cell (M1, 5 mg) the other and the row's neighbours decided.

use super::ScaleAbility;
use super::budget::Weighing;
use crate::language::{Term, term};
use crate::mass::Mass;

/// Accuracy class of a test weight, finest first.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum WeightClass {
    E2,
    F1,
    F2,
    M1,
}

impl WeightClass {
    pub const ALL: [WeightClass; 4] = [
        WeightClass::E2,
        WeightClass::F1,
        WeightClass::F2,
        WeightClass::M1,
    ];

    pub const fn name(self) -> &'static str {
        match self {
            WeightClass::E2 => "E2",
            WeightClass::F1 => "F1",
            WeightClass::F2 => "F2",
            WeightClass::M1 => "M1",
        }
    }

    /// The class of a name in any case.
    pub fn from_name(name: &str) -> Option<WeightClass> {
        WeightClass::ALL
            .into_iter()
            .find(|class| class.name().eq_ignore_ascii_case(name))
    }
}

/// Where the limits come from, for a record.
pub const SOURCE: Term = term!("OIML R 111-1:2004, Table 1");

/// Nominal mass in milligrams; limits in micrograms for E2, F1, F2, M1.
const TABLE: [(i64, [i64; 4]); 21] = [
    (1, [6, 20, 60, 200]),
    (2, [6, 20, 60, 200]),
    (5, [6, 20, 60, 200]),
    (10, [8, 25, 80, 250]),
    (20, [10, 30, 100, 300]),
    (50, [12, 40, 120, 400]),
    (100, [16, 50, 160, 500]),
    (200, [20, 60, 200, 600]),
    (500, [25, 80, 250, 800]),
    (1_000, [30, 100, 300, 1_000]),
    (2_000, [40, 120, 400, 1_200]),
    (5_000, [50, 160, 500, 1_600]),
    (10_000, [60, 200, 600, 2_000]),
    (20_000, [80, 250, 800, 2_500]),
    (50_000, [100, 300, 1_000, 3_000]),
    (100_000, [160, 500, 1_600, 5_000]),
    (200_000, [300, 1_000, 3_000, 10_000]),
    (500_000, [800, 2_500, 8_000, 25_000]),
    (1_000_000, [1_600, 5_000, 16_000, 50_000]),
    (2_000_000, [3_000, 10_000, 30_000, 100_000]),
    (5_000_000, [8_000, 25_000, 80_000, 250_000]),
];

/// The nominal masses that the table has, 1 mg to 5 kg.
pub fn nominals() -> impl Iterator<Item = Mass> {
    TABLE.iter().map(|(nominal, _)| Mass::from_mg(*nominal))
}

/// The maximum permissible error of one weight, to either side of its nominal mass. `None` for a mass
/// that no single weight of the table has.
pub fn permissible_error(nominal: Mass, class: WeightClass) -> Option<Mass> {
    let (_, limits) = TABLE.iter().find(|(mg, _)| Mass::from_mg(*mg) == nominal)?;
    let limit = match class {
        WeightClass::E2 => limits[0],
        WeightClass::F1 => limits[1],
        WeightClass::F2 => limits[2],
        WeightClass::M1 => limits[3],
    };
    Some(Mass::from_ng(limit * 1_000))
}

/// One test weight, or several that lie on the pan together.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TestLoad(Vec<Mass>);

impl TestLoad {
    /// `None` where one is no test weight, or where there is none.
    pub fn new(weights: Vec<Mass>) -> Option<TestLoad> {
        let known = |weight: &Mass| nominals().any(|nominal| nominal == *weight);
        (!weights.is_empty() && weights.iter().all(known)).then_some(TestLoad(weights))
    }

    pub fn nominal(&self) -> Mass {
        self.0.iter().copied().sum()
    }

    pub fn is_one_weight(&self) -> bool {
        self.0.len() == 1
    }

    /// The limits of all its weights together: weights of one set may all be off to one side.
    pub fn permissible_error(&self, class: WeightClass) -> Option<Mass> {
        let limits = self
            .0
            .iter()
            .map(|weight| permissible_error(*weight, class));
        limits.sum()
    }

    /// `200 g`, `200 g + 100 g`.
    pub fn words(&self) -> String {
        let one = |weight: &Mass| format!("{} g", weight.grams(Mass::from_g(1)));
        let all: Vec<String> = self.0.iter().map(one).collect();
        all.join(" + ")
    }
}

/// What a scale may show of a test weight.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct CheckLimits {
    pub nominal: Mass,
    /// The weight's own maximum permissible error.
    pub weight_error: Mass,
    /// Expanded uncertainty of a net weight on the scale: a reading of the empty pan and one with the
    /// weight on it.
    pub scale_uncertainty: Mass,
}

impl CheckLimits {
    /// `None` as for [`permissible_error`].
    pub fn new(nominal: Mass, class: WeightClass, scale: &ScaleAbility) -> Option<CheckLimits> {
        CheckLimits::of(&TestLoad(vec![nominal]), class, scale)
    }

    /// The same, of several weights.
    pub fn of(load: &TestLoad, class: WeightClass, scale: &ScaleAbility) -> Option<CheckLimits> {
        let nominal = load.nominal();
        let weighing = Weighing {
            tare: Some(Mass::ZERO),
            ..Weighing::planned(nominal)
        };
        Some(CheckLimits {
            nominal,
            weight_error: load.permissible_error(class)?,
            scale_uncertainty: scale.budget(&weighing).uncertainty().expanded(),
        })
    }

    /// The largest error that the weight and the scale together explain: their plain sum, the most
    /// that both can do.
    pub fn allowed(&self) -> Mass {
        self.weight_error + self.scale_uncertainty
    }

    pub fn low(&self) -> Mass {
        self.nominal - self.allowed()
    }

    pub fn high(&self) -> Mass {
        self.nominal + self.allowed()
    }

    /// Whether the scale passes with a net reading of `net`, ends included.
    pub fn pass(&self, net: Mass) -> bool {
        self.low() <= net && net <= self.high()
    }

    /// Whether the weight is fine enough to judge the scale by: its error at most a third of what is
    /// allowed (the ratio of JCGM 106:2012, 8.2.3).
    pub fn is_fine_enough(&self) -> bool {
        self.weight_error.ng() * 3 <= self.allowed().ng()
    }
}
