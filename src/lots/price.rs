//! Money in whole numbers. No currency is named or guessed: all prices of a list are in the same one.

use std::fmt;

use crate::language::{Sentence, phrase, shown_as_told};
use crate::mass::{Decimal, Mass};

/// A price for one kilogram, or for one piece: a count of 10⁻⁶ of the currency, 0 to a million.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Default)]
pub struct Price(i64);

/// Why a number is no price, with what to write.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum PriceError {
    NotANumber,
    Negative,
    TooFine,
    TooMuch,
}

impl PriceError {
    pub fn told(self) -> Sentence {
        match self {
            PriceError::NotANumber => phrase!(
                "not a plain number; write a decimal point, no comma and no currency, for example 12.50"
            ),
            PriceError::Negative => phrase!("cannot be negative; write for example 12.50"),
            PriceError::TooFine => phrase!("more than six decimals; write for example 12.50"),
            PriceError::TooMuch => {
                phrase!("more than a million, the most that is taken; write for example 12.50")
            }
        }
    }
}

shown_as_told!(PriceError);

impl std::error::Error for PriceError {}

const MICRO: i64 = 1_000_000;
const KG_NG: i128 = 1_000_000_000_000;

impl Price {
    pub const MOST: Price = Price(1_000_000 * MICRO);

    /// A price from a decimal number.
    ///
    /// # Errors
    /// See [`PriceError`].
    pub fn of(decimal: Decimal) -> Result<Price, PriceError> {
        if decimal.negative || decimal.digits < 0 {
            return Err(PriceError::Negative);
        }
        let n = decimal.scaled(6).ok_or(PriceError::TooFine)?;
        match i64::try_from(n).map(Price) {
            Ok(price) if price <= Price::MOST => Ok(price),
            Ok(_) | Err(_) => Err(PriceError::TooMuch),
        }
    }

    /// A price as it is typed: `12.50`.
    ///
    /// # Errors
    /// See [`PriceError`].
    pub fn parse(text: &str) -> Result<Price, PriceError> {
        let text = text.trim();
        if text.contains(',') {
            return Err(PriceError::NotANumber);
        }
        match Decimal::parse(text.as_bytes()) {
            Ok(decimal) => Price::of(decimal),
            Err(_) => Err(PriceError::NotANumber),
        }
    }

    /// What `mass` costs at this price for a kilogram, exact. Less than nothing costs nothing.
    pub fn for_mass(self, mass: Mass) -> Cost {
        Cost(i128::from(self.0) * i128::from(mass.ng().max(0)))
    }

    /// What `count` pieces cost at this price for one, exact.
    pub fn for_pieces(self, count: u32) -> Cost {
        Cost(i128::from(self.0) * i128::from(count) * KG_NG)
    }
}

/// The price as it is written into the list: at least two decimals, no needless zero after them.
impl fmt::Display for Price {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let part = format!("{:06}", self.0 % MICRO);
        let (cents, fine) = part.split_at(2);
        write!(
            f,
            "{}.{cents}{}",
            self.0 / MICRO,
            fine.trim_end_matches('0')
        )
    }
}

/// A sum of money, exact: a count of 10⁻¹⁸ of the currency (price per kilogram times nanograms). The
/// dearest batch, 1 t at a million for a kilogram, is 10²⁷ of them.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Default)]
pub struct Cost(i128);

/// 10⁻¹⁸ of the currency in a hundredth of it.
const HUNDREDTH: i128 = 10_000_000_000_000_000;

impl Cost {
    pub const ZERO: Cost = Cost(0);

    pub fn plus(self, other: Cost) -> Cost {
        Cost(self.0.saturating_add(other.0))
    }

    /// The price of a kilogram when `mass` of it costs this, rounded half to even to 10⁻⁶ of the
    /// currency. `None` for no mass, or a price above [`Price::MOST`].
    pub fn per_kg(self, mass: Mass) -> Option<Price> {
        if mass <= Mass::ZERO {
            return None;
        }
        let price = half_even(self.0, i128::from(mass.ng()));
        let price = i64::try_from(price).ok().map(Price)?;
        (price <= Price::MOST).then_some(price)
    }

    /// This cost in equal parts, in hundredths of the currency, rounded once, half to even.
    /// `parts` is at least 1.
    pub fn hundredths(self, parts: u32) -> Hundredths {
        Hundredths(half_even(self.0, HUNDREDTH * i128::from(parts.max(1))))
    }
}

/// A sum rounded to hundredths of the currency, to be shown: `12.50`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Hundredths(pub i128);

impl fmt::Display for Hundredths {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let text = format!("{}.{:02}", self.0 / 100, self.0 % 100);
        f.pad(&text)
    }
}

/// `n / d` to the nearest whole number, halves to even; `n` not negative, `d` above 0.
fn half_even(n: i128, d: i128) -> i128 {
    let (whole, rest) = (n / d, n % d);
    let twice = rest.saturating_mul(2);
    whole + i128::from(twice > d || (twice == d && whole % 2 != 0))
}
