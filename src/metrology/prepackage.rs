//! Net content of filled jars against a published rule.
//!
//! Sources: Directive 76/211/EEC, Annex I: 1.1 to 1.3 (the requirements) and 2.4 (tolerable negative
//! errors) read in the law as published, rows to 1 kg; the rows above in an identical national table
//! (New Zealand, Weights and Measures Regulations 1999, Schedule 7A, Table 2), which is also that of
//! OIML R 87. That percentages are rounded up to the next 0.1 g was read in a national adoption of
//! the directive (Italy, law 690/1978, Annex I) and in the German FPackV, § 9; for R 87 it is taken over
//! here up to 1 kg. Above that R 87 rounds to whole grams, as one reproduction has it; whether up or down is
//! from memory, so they are rounded down here, which allows less. That the directive ends at 10 kg is from
//! memory. NIST Handbook 133's allowable variations (Table 2-5) were not read,
//! so the maker types the one for the label.
//!
//! None of this is legal advice; the law at the place of sale decides.

use crate::language::{Term, term};
use crate::mass::Mass;

/// To be shown with every verdict. The first sentence is the scope note of OIML R 87:2016.
pub const SAMPLING_NOTE: Term = term!(
    "The sampling plans are not recommended for use in the quantity control processes of the packer: they are for \
     inspectors (OIML R 87:2016, scope). Check your local rules."
);

/// The rule that net contents are judged by.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Rule {
    /// Directive 76/211/EEC, 5 g to 10 kg.
    Eu76211,
    /// The same table as German law has it (FPackV, § 9), with its own share of jars that may be short.
    FPackV,
    /// OIML R 87, above nothing.
    OimlR87,
    /// NIST Handbook 133, with the maximum allowable variation that the maker looked up.
    Handbook133 { allowable_variation: Mass },
}

/// What one row tolerates.
enum Tolerable {
    /// In thousandths of the nominal quantity.
    Share(i64),
    /// In milligrams.
    Fixed(i64),
}

/// Up to and with this nominal mass in grams.
const TABLE: [(i64, Tolerable); 8] = [
    (50, Tolerable::Share(90)),
    (100, Tolerable::Fixed(4_500)),
    (200, Tolerable::Share(45)),
    (300, Tolerable::Fixed(9_000)),
    (500, Tolerable::Share(30)),
    (1_000, Tolerable::Fixed(15_000)),
    (10_000, Tolerable::Share(15)),
    (15_000, Tolerable::Fixed(150_000)),
];
const ABOVE: Tolerable = Tolerable::Share(10);
const LEAST: Mass = Mass::from_g(5);
const LARGEST_EU: Mass = Mass::from_g(10_000);

impl Rule {
    /// How much less than `nominal` one jar may hold. `None` outside the rule's range.
    pub fn tolerable_negative_error(self, nominal: Mass) -> Option<Mass> {
        match self {
            Rule::Handbook133 {
                allowable_variation,
            } => (nominal > Mass::ZERO && !allowable_variation.is_negative())
                .then_some(allowable_variation),
            Rule::Eu76211 | Rule::FPackV => {
                (nominal >= LEAST && nominal <= LARGEST_EU).then(|| of_table(nominal))
            }
            Rule::OimlR87 if nominal <= Mass::ZERO || nominal > Mass::LIMIT => None,
            Rule::OimlR87 if nominal > Mass::from_g(1_000) => {
                Some(of_table(nominal).floor_to(Mass::from_g(1)))
            }
            Rule::OimlR87 => Some(of_table(nominal)),
        }
    }

    /// The largest error that the weighing of one jar may have: a fifth of what a jar may be short by (Weights
    /// and Measures (Packaged Goods) Regulations (Northern Ireland) 2011, Schedule 2, 1.3; applied to the
    /// other rules of the same table here). `None` for Handbook 133, whose rule for that was not read, and
    /// outside the rule's range.
    pub fn most_weighing_error(self, nominal: Mass) -> Option<Mass> {
        match self {
            Rule::Eu76211 | Rule::FPackV | Rule::OimlR87 => {
                Some(self.tolerable_negative_error(nominal)?.ratio(1, 5))
            }
            Rule::Handbook133 { .. } => None,
        }
    }

    /// How many jars of a thousand may be short, and who says so. `None`: no jar may.
    pub const fn few(self) -> Option<(u64, Term)> {
        match self {
            Rule::FPackV => Some((20, term!("2 %, FPackV § 9 (3)"))),
            Rule::Eu76211 | Rule::OimlR87 => {
                Some((25, term!("2.5 %, guidance of the United Kingdom")))
            }
            Rule::Handbook133 { .. } => None,
        }
    }

    /// What was judged by, for a record.
    pub const fn source(self) -> Term {
        match self {
            Rule::Eu76211 => term!("Directive 76/211/EEC, Annex I"),
            Rule::FPackV => term!("FPackV § 9 (Directive 76/211/EEC)"),
            Rule::OimlR87 => term!("OIML R 87"),
            Rule::Handbook133 { .. } => term!("NIST Handbook 133, allowable variation as typed"),
        }
    }
}

fn of_table(nominal: Mass) -> Mass {
    let row = TABLE
        .iter()
        .find(|(most, _)| nominal <= Mass::from_g(*most))
        .map_or(&ABOVE, |(_, tolerable)| tolerable);
    match row {
        Tolerable::Fixed(mg) => Mass::from_mg(*mg),
        Tolerable::Share(thousandths) => {
            // Up to the next 0.1 g, in whole numbers.
            let tenth = i128::from(Mass::from_mg(100).ng());
            let share = i128::from(nominal.ng()) * i128::from(*thousandths);
            let tenths = (share + 1_000 * tenth - 1) / (1_000 * tenth);
            Mass::from_ng((tenths * tenth) as i64)
        }
    }
}

/// What one jar is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum JarVerdict {
    /// Short by no more than what is tolerable, or not at all.
    Adequate,
    /// Short by more than what is tolerable (T1 error in OIML R 87:2004, 2.4.1). Few may be.
    Short,
    /// Short by more than twice that (T2 error, 2.4.2). None may be sold so. Handbook 133 knows no
    /// such step.
    FarShort,
}

/// The jars of one filling so far.
#[derive(Debug, Clone)]
pub struct Filling {
    nominal: Mass,
    rule: Rule,
    tolerable: Mass,
    jars: u32,
    total: Mass,
    short: u32,
    far_short: u32,
}

impl Filling {
    /// `None` where the rule does not cover the nominal mass.
    pub fn new(nominal: Mass, rule: Rule) -> Option<Filling> {
        Some(Filling {
            nominal,
            rule,
            tolerable: rule.tolerable_negative_error(nominal)?,
            jars: 0,
            total: Mass::ZERO,
            short: 0,
            far_short: 0,
        })
    }

    /// Judges one net content; does not count it.
    pub fn judge(&self, net: Mass) -> JarVerdict {
        let missing = self.nominal - net;
        let twice = self.tolerable + self.tolerable;
        let knows_twice = !matches!(self.rule, Rule::Handbook133 { .. });
        if knows_twice && missing > twice {
            JarVerdict::FarShort
        } else if missing > self.tolerable {
            JarVerdict::Short
        } else {
            JarVerdict::Adequate
        }
    }

    /// Judges one net content and counts the jar.
    pub fn fill(&mut self, net: Mass) -> JarVerdict {
        let verdict = self.judge(net);
        self.jars += 1;
        self.total += net;
        match verdict {
            JarVerdict::Adequate => {}
            JarVerdict::Short => self.short += 1,
            JarVerdict::FarShort => self.far_short += 1,
        }
        verdict
    }

    pub const fn jars(&self) -> u32 {
        self.jars
    }

    pub const fn total(&self) -> Mass {
        self.total
    }

    /// Jars that are [`JarVerdict::Short`] or worse.
    pub const fn short(&self) -> u32 {
        self.short + self.far_short
    }

    pub const fn far_short(&self) -> u32 {
        self.far_short
    }

    /// The running mean in grams; `None` before the first jar. For showing only:
    /// [`Filling::average_is_met`] decides.
    pub fn mean(&self) -> Option<f64> {
        (self.jars > 0).then(|| self.total.to_g_f64() / f64::from(self.jars))
    }

    /// Whether the jars hold the nominal quantity on average (Annex I, 1.1): of the jars that were
    /// weighed, without a statistical allowance. `None` before the first jar.
    pub fn average_is_met(&self) -> Option<bool> {
        let nominal = i128::from(self.nominal.ng()) * i128::from(self.jars);
        (self.jars > 0).then(|| i128::from(self.total.ng()) >= nominal)
    }

    /// Whether few enough jars are short ([`Rule::few`]; the law's test is the inspectors' plan), and none far
    /// short.
    pub fn few_are_short(&self) -> bool {
        let share = self.rule.few().map_or(0, |(share, _)| share);
        let few = u64::from(self.short()) * 1_000 <= u64::from(self.jars) * share;
        few && self.far_short == 0
    }

    /// How many more whole jars of the nominal quantity `left` fills.
    pub fn jars_left(&self, left: Mass) -> u64 {
        (left.ng().max(0) / self.nominal.ng().max(1)).unsigned_abs()
    }

    /// What became of a batch of `made` of which `left` is still in the bowl.
    pub fn balance(&self, made: Mass, left: Mass) -> FillBalance {
        FillBalance {
            filled: self.total,
            left,
            lost: made - self.total - left,
            yield_percent: (made > Mass::ZERO)
                .then(|| 100.0 * self.total.to_g_f64() / made.to_g_f64()),
        }
    }
}

/// Where a batch went.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FillBalance {
    pub filled: Mass,
    pub left: Mass,
    /// Neither filled nor left. Negative: more came out than was made, so something was misweighed.
    pub lost: Mass,
    /// Filled in percent of what was made; `None` where nothing was.
    pub yield_percent: Option<f64>,
}
