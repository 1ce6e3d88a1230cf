//! Masses as whole nanograms, and the units a scale can show.
//!
//! No float ever holds a weight that is compared or logged: 0.1 g has no exact binary form, and a
//! thousand additions of it do not make 100 g. Nanograms are the coarsest decimal unit in which
//! the ounce, the grain, the carat and the troy ounce are all whole numbers.

use std::fmt;
use std::iter::Sum;
use std::ops::{Add, AddAssign, Mul, Neg, Sub, SubAssign};

/// A mass, or a difference of two masses, as a count of nanograms.
///
/// Range: what [`Mass::parse`] accepts is within ±10 t ([`Mass::LIMIT`]), so sums of hundreds of
/// readings cannot overflow; arithmetic beyond the range of an `i64` saturates, never wraps.
///
/// ```
/// use bismar_core::mass::{Mass, Unit};
///
/// // One avoirdupois ounce is 28.349523125 g exactly (NIST SP 811, B.8).
/// let ounce = Mass::parse(b"1", Unit::Ounce)?;
/// assert_eq!(ounce.ng(), 28_349_523_125);
/// // A scale of 0.01 g shows, and bismar says, whole steps.
/// let d = Mass::from_mg(10);
/// assert_eq!(ounce.grams_rounded(2).to_string(), "28.35");
/// assert_eq!(ounce.round_to(d), Mass::from_mg(28_350));
/// # Ok::<(), bismar_core::mass::MassError>(())
/// ```
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
pub struct Mass(i64);

/// Why a text is not a mass.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum MassError {
    /// Not a plain decimal number (digits with at most one point or comma, optional sign).
    #[error("not a plain number with a decimal point")]
    NotANumber,
    /// More than 10 t either way, or more than 18 digits.
    #[error("outside ±10 t")]
    OutOfRange,
    /// The number is fine, the unit is missing or unknown.
    #[error("unit missing or unknown; write for example 500g, 1.2kg, 2oz")]
    Unit,
    /// Its comma may be a decimal one or one for thousands.
    #[error("may be {one} g or {other} g; write which of them it is, without a mark for thousands", one = one.grams(Mass::from_g(1)), other = other.grams(Mass::from_g(1)))]
    Either { one: Mass, other: Mass },
}

/// What stands before the first comma of a number, the digits behind it, and all that stands behind it.
pub fn parted_by_comma(text: &str) -> Option<(&str, &str, &str)> {
    let (whole, rest) = text.split_once(',')?;
    let end = rest.find(|c: char| !c.is_ascii_digit());
    Some((whole, rest.get(..end.unwrap_or(rest.len()))?, rest))
}

/// Whether a mark between the digits `whole` and `part` may be a decimal one and one for thousands as well.
pub fn may_part_thousands(whole: &str, part: &str) -> bool {
    part.len() == 3 && !whole.trim_start_matches('0').is_empty()
}

impl Mass {
    pub const ZERO: Mass = Mass(0);
    /// The largest magnitude that [`Mass::parse`] accepts: 10 t.
    pub const LIMIT: Mass = Mass(10_000_000_000_000_000);

    /// A mass of `ng` nanograms.
    pub const fn from_ng(ng: i64) -> Mass {
        Mass(ng)
    }

    /// A mass of `mg` milligrams.
    pub const fn from_mg(mg: i64) -> Mass {
        Mass(mg.saturating_mul(1_000_000))
    }

    /// A mass of `g` whole grams.
    pub const fn from_g(g: i64) -> Mass {
        Mass(g.saturating_mul(1_000_000_000))
    }

    /// Nanograms.
    pub const fn ng(self) -> i64 {
        self.0
    }

    /// Grams as a float, for rates and statistics only; never for a weight that is logged.
    pub fn to_g_f64(self) -> f64 {
        self.0 as f64 / 1e9
    }

    /// The nearest mass to `g` grams (a float of a simulation or a statistic).
    /// Returns `None` for NaN, infinity and magnitudes over [`Mass::LIMIT`].
    pub fn from_g_f64(g: f64) -> Option<Mass> {
        let ng = (g * 1e9).round();
        (ng.abs() <= Mass::LIMIT.0 as f64).then_some(Mass(ng as i64))
    }

    pub const fn abs(self) -> Mass {
        Mass(self.0.saturating_abs())
    }

    pub const fn is_negative(self) -> bool {
        self.0 < 0
    }

    /// `self × num / den`, rounded half to even, exact within. A `den` of 0 gives zero.
    #[inline]
    pub fn ratio(self, num: i64, den: i64) -> Mass {
        // Nearly all fit in 64 bits; and nearly every `den` is known where this is compiled, and needs no division.
        if den > 0
            && let Some(product) = self.0.checked_mul(num)
            && let Some(ratio) = div_half_even64(product, den)
        {
            return Mass(ratio);
        }
        self.large_ratio(num, den)
    }

    #[cold]
    fn large_ratio(self, num: i64, den: i64) -> Mass {
        if den == 0 {
            return Mass::ZERO;
        }
        Mass::clamp128(div_half_even(
            i128::from(self.0) * i128::from(num),
            i128::from(den),
        ))
    }

    /// The multiple of `step` nearest to this mass, halves to even multiples.
    /// A `step` of zero or less gives the mass itself.
    pub fn round_to(self, step: Mass) -> Mass {
        if step.0 <= 0 {
            return self;
        }
        let n = div_half_even(i128::from(self.0), i128::from(step.0));
        Mass::clamp128(n * i128::from(step.0))
    }

    /// The greatest multiple of `step` not above this mass. A `step` ≤ 0 gives the mass itself.
    pub fn floor_to(self, step: Mass) -> Mass {
        if step.0 <= 0 {
            return self;
        }
        let steps = self.0.div_euclid(step.0);
        match steps.checked_mul(step.0) {
            Some(floor) => Mass(floor),
            // Below the range of a mass.
            None => Mass(i64::MIN),
        }
    }

    /// The least multiple of `step` not below this mass. A `step` ≤ 0 gives the mass itself.
    pub fn ceil_to(self, step: Mass) -> Mass {
        -((-self).floor_to(step))
    }

    /// Reads a plain decimal number (`12.34`, `-0.05`, `+ 1,5`; no exponent, no digit groups) in
    /// `unit`. What a unit makes finer than a nanogram is rounded half to even.
    ///
    /// # Errors
    /// [`MassError::NotANumber`], or [`MassError::OutOfRange`] beyond ±10 t or 18 digits.
    pub fn parse(number: &[u8], unit: Unit) -> Result<Mass, MassError> {
        Decimal::parse(number)?.in_unit(unit)
    }

    /// Reads a number with its unit, as on a command line: `500g`, `1.2 kg`, `2oz`.
    ///
    /// # Errors
    /// As [`Mass::parse`], and [`MassError::Unit`] when the unit is missing or unknown. A comma is
    /// [`MassError::NotANumber`], and [`MassError::Either`] where `1,000 g` is a kilogram to one and a gram to another.
    pub fn parse_with_unit(text: &str) -> Result<Mass, MassError> {
        let text = text.trim();
        if let Some((whole, part, _)) = parted_by_comma(text) {
            let read = |mark: &str| Mass::parse_with_unit(&text.replacen(',', mark, 1));
            return Err(match (read("."), read("")) {
                (Ok(one), Ok(other)) if may_part_thousands(whole, part) => {
                    MassError::Either { one, other }
                }
                _ => MassError::NotANumber,
            });
        }
        let split = text
            .find(|c: char| c.is_ascii_alphabetic())
            .ok_or(MassError::Unit)?;
        let (number, unit) = text.split_at(split);
        let unit = Unit::from_symbol(unit.trim().as_bytes()).ok_or(MassError::Unit)?;
        Mass::parse(number.trim().as_bytes(), unit)
    }

    /// Grams as text with exactly as many decimals as `step` needs (two for 0.01 g), or more where
    /// this mass is not a multiple of `step`: nothing is ever rounded away below a microgram.
    pub fn grams(self, step: Mass) -> Grams {
        Grams {
            mass: self,
            decimals: decimals_of(step),
            exact: true,
        }
    }

    /// Grams as text rounded half to even to `decimals` places (0 to 9).
    pub fn grams_rounded(self, decimals: u8) -> Grams {
        Grams {
            mass: self,
            decimals: decimals.min(9),
            exact: false,
        }
    }

    fn clamp128(n: i128) -> Mass {
        Mass(n.clamp(i128::from(i64::MIN), i128::from(i64::MAX)) as i64)
    }
}

/// The number of decimals in which grams at a readability of `step` are written (0 to 9).
pub fn decimals_of(step: Mass) -> u8 {
    let mut ng = step.0.unsigned_abs();
    if ng == 0 {
        return 2;
    }
    let mut decimals = 9u8;
    while decimals > 0 && ng.is_multiple_of(10) {
        ng /= 10;
        decimals -= 1;
    }
    // An ounce scale's step in grams has nine decimals; three are finer than it can show.
    if decimals > 6 { 4 } else { decimals }
}

/// Grams as text; see [`Mass::grams`].
#[derive(Debug, Clone, Copy)]
pub struct Grams {
    mass: Mass,
    decimals: u8,
    exact: bool,
}

impl fmt::Display for Grams {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mut decimals = u32::from(self.decimals);
        let ng = i128::from(self.mass.0);
        if self.exact {
            while decimals < 6 && ng % 10i128.pow(9 - decimals) != 0 {
                decimals += 1;
            }
        }
        let unit = 10i128.pow(9 - decimals);
        let n = div_half_even(ng, unit);
        let scale = 10i128.pow(decimals);
        let (whole, part) = (
            n.unsigned_abs() / scale.unsigned_abs(),
            n.unsigned_abs() % scale.unsigned_abs(),
        );
        let sign = if n < 0 { "-" } else { "" };
        let text = if decimals == 0 {
            format!("{sign}{whole}")
        } else {
            format!("{sign}{whole}.{part:0width$}", width = decimals as usize)
        };
        f.pad(&text)
    }
}

impl fmt::Debug for Mass {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} g", self.grams_rounded(9))
    }
}

/// The end of the range that a sum, a difference or a product would leave. Called by who leaves it alone: what saturates
/// by itself costs each reading more than the sums themselves.
#[cold]
#[inline(never)]
fn beyond(negative: bool) -> Mass {
    Mass(if negative { i64::MIN } else { i64::MAX })
}

impl Add for Mass {
    type Output = Mass;
    #[inline]
    fn add(self, other: Mass) -> Mass {
        match self.0.checked_add(other.0) {
            Some(sum) => Mass(sum),
            None => beyond(other.0 < 0),
        }
    }
}
impl Sub for Mass {
    type Output = Mass;
    #[inline]
    fn sub(self, other: Mass) -> Mass {
        match self.0.checked_sub(other.0) {
            Some(difference) => Mass(difference),
            None => beyond(other.0 > 0),
        }
    }
}
impl AddAssign for Mass {
    fn add_assign(&mut self, other: Mass) {
        *self = *self + other;
    }
}
impl SubAssign for Mass {
    fn sub_assign(&mut self, other: Mass) {
        *self = *self - other;
    }
}
impl Neg for Mass {
    type Output = Mass;
    fn neg(self) -> Mass {
        Mass(self.0.saturating_neg())
    }
}
impl Mul<i64> for Mass {
    type Output = Mass;
    #[inline]
    fn mul(self, n: i64) -> Mass {
        match self.0.checked_mul(n) {
            Some(product) => Mass(product),
            None => beyond((self.0 < 0) != (n < 0)),
        }
    }
}
impl Sum for Mass {
    fn sum<I: Iterator<Item = Mass>>(iter: I) -> Mass {
        iter.fold(Mass::ZERO, Add::add)
    }
}

/// Nearest integer to `n / d`, halves to even. `d` must be positive.
fn div_half_even(n: i128, d: i128) -> i128 {
    let (d, n) = if d < 0 { (-d, -n) } else { (d, n) };
    // Nearly all fit in 64 bits, where a division is one instruction.
    if let (Ok(n), Ok(d)) = (i64::try_from(n), i64::try_from(d))
        && let Some(nearest) = div_half_even64(n, d)
    {
        return nearest.into();
    }
    let (floor, rest) = (n.div_euclid(d), n.rem_euclid(d));
    let twice: i128 = rest * 2;
    if twice > d || (twice == d && floor % 2 != 0) {
        floor + 1
    } else {
        floor
    }
}

/// The same within 64 bits; `None` where a step on the way there does not fit. `d` must be positive.
#[inline]
fn div_half_even64(n: i64, d: i64) -> Option<i64> {
    let (floor, rest) = (n.div_euclid(d), n.rem_euclid(d));
    let twice = rest.checked_mul(2)?;
    if twice > d || (twice == d && floor % 2 != 0) {
        floor.checked_add(1)
    } else {
        Some(floor)
    }
}

/// A plain decimal number as it stood in the text: digits and the number of decimals.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Decimal {
    /// All digits read as one integer, with the sign.
    pub digits: i64,
    /// How many of them stand after the point (0 to 18).
    pub decimals: u8,
    /// Whether a minus sign was written (so that `-0.00` keeps its sign).
    pub negative: bool,
}

impl Decimal {
    /// Reads sign, digits and one optional point or comma; spaces are allowed only between the
    /// sign and the first digit. Needs at least one digit.
    ///
    /// # Errors
    /// [`MassError::NotANumber`], or [`MassError::OutOfRange`] for more than 18 digits.
    pub fn parse(text: &[u8]) -> Result<Decimal, MassError> {
        let (negative, rest) = match text.first() {
            Some(b'-') => (true, &text[1..]),
            Some(b'+') => (false, &text[1..]),
            _ => (false, text),
        };
        let rest = rest.trim_ascii_start();
        let mut digits: i64 = 0;
        let mut seen = 0u8;
        let mut decimals = None;
        for &byte in rest {
            match byte {
                b'0'..=b'9' => {
                    seen += 1;
                    if seen > 18 {
                        return Err(MassError::OutOfRange);
                    }
                    digits = digits * 10 + i64::from(byte - b'0');
                    if let Some(d) = &mut decimals {
                        *d += 1;
                    }
                }
                b'.' | b',' if decimals.is_none() => decimals = Some(0u8),
                _ => return Err(MassError::NotANumber),
            }
        }
        if seen == 0 {
            return Err(MassError::NotANumber);
        }
        Ok(Decimal {
            digits: if negative { -digits } else { digits },
            decimals: decimals.unwrap_or(0),
            negative,
        })
    }

    /// How many units of 10^-`places` it is (`places` up to 18); `None` where it has more decimals than that.
    pub fn scaled(self, places: u8) -> Option<i128> {
        let scale = places.checked_sub(self.decimals)?;
        Some(i128::from(self.digits) * 10i128.pow(u32::from(scale)))
    }

    /// This number of `unit` as a mass, rounded half to even to a nanogram.
    ///
    /// # Errors
    /// [`MassError::OutOfRange`] beyond ±10 t.
    pub fn in_unit(self, unit: Unit) -> Result<Mass, MassError> {
        let ng = div_half_even(
            i128::from(self.digits) * i128::from(unit.ng()),
            10i128.pow(u32::from(self.decimals)),
        );
        if ng.abs() > i128::from(Mass::LIMIT.0) {
            return Err(MassError::OutOfRange);
        }
        Ok(Mass(ng as i64))
    }

    /// The mass of one step of the last written digit in `unit`, rounded up to a nanogram: two numbers that are so
    /// many steps apart are never further apart as masses, however each was rounded.
    pub fn last_digit(self, unit: Unit) -> Mass {
        let parts = 10i128.pow(u32::from(self.decimals));
        let up = (i128::from(unit.ng()) + parts - 1) / parts;
        Mass(up as i64)
    }
}

/// A unit of mass that a bench scale can show.
///
/// Factors are exact: the international avoirdupois pound is 453.592 37 g, the grain 64.798 91 mg,
/// the troy ounce 480 grains (NIST SP 811, Appendix B.8; NIST Handbook 44, Appendix C). Pieces and
/// percent are not masses and have no variant.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, serde::Serialize, serde::Deserialize)]
pub enum Unit {
    #[serde(rename = "g")]
    Gram,
    #[serde(rename = "kg")]
    Kilogram,
    #[serde(rename = "mg")]
    Milligram,
    #[serde(rename = "oz")]
    Ounce,
    #[serde(rename = "lb")]
    Pound,
    /// Pounds and ounces shown together; the number is in ounces.
    #[serde(rename = "lb:oz")]
    PoundOunce,
    #[serde(rename = "ct")]
    Carat,
    #[serde(rename = "gn")]
    Grain,
    #[serde(rename = "ozt")]
    TroyOunce,
}

impl Unit {
    pub const ALL: [Unit; 9] = [
        Unit::Gram,
        Unit::Kilogram,
        Unit::Milligram,
        Unit::Ounce,
        Unit::Pound,
        Unit::PoundOunce,
        Unit::Carat,
        Unit::Grain,
        Unit::TroyOunce,
    ];

    /// Whether it is a decimal part or multiple of the gram.
    pub const fn is_decimal(self) -> bool {
        matches!(
            self,
            Unit::Gram | Unit::Kilogram | Unit::Milligram | Unit::Carat
        )
    }

    /// Nanograms in one of this unit, exact. For [`Unit::PoundOunce`] one ounce.
    pub const fn ng(self) -> i64 {
        match self {
            Unit::Gram => 1_000_000_000,
            Unit::Kilogram => 1_000_000_000_000,
            Unit::Milligram => 1_000_000,
            Unit::Ounce | Unit::PoundOunce => 28_349_523_125,
            Unit::Pound => 453_592_370_000,
            Unit::Carat => 200_000_000,
            Unit::Grain => 64_798_910,
            Unit::TroyOunce => 31_103_476_800,
        }
    }

    /// The symbol as written in the log and in the configuration.
    pub const fn symbol(self) -> &'static str {
        match self {
            Unit::Gram => "g",
            Unit::Kilogram => "kg",
            Unit::Milligram => "mg",
            Unit::Ounce => "oz",
            Unit::Pound => "lb",
            Unit::PoundOunce => "lb:oz",
            Unit::Carat => "ct",
            Unit::Grain => "gn",
            Unit::TroyOunce => "ozt",
        }
    }

    /// The unit whose symbol this is, in any case: `g kg mg oz lb lb:oz ct gn ozt`, with the common
    /// spellings `lbs`, `car`, `toz`. Anything else is `None`: `pcs` and `%` are not masses, and `gr`
    /// means grain on one scale and gram on the next.
    pub fn from_symbol(symbol: &[u8]) -> Option<Unit> {
        let mut lower = [0u8; 6];
        let lower = lower.get_mut(..symbol.len())?;
        lower.copy_from_slice(symbol);
        lower.make_ascii_lowercase();
        Some(match &*lower {
            b"g" => Unit::Gram,
            b"kg" => Unit::Kilogram,
            b"mg" => Unit::Milligram,
            b"oz" => Unit::Ounce,
            b"lb" | b"lbs" => Unit::Pound,
            b"lb:oz" | b"lboz" => Unit::PoundOunce,
            b"ct" | b"car" => Unit::Carat,
            b"gn" => Unit::Grain,
            b"ozt" | b"toz" => Unit::TroyOunce,
            _ => return None,
        })
    }
}

impl fmt::Display for Unit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.symbol())
    }
}
