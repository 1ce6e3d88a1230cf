//! From serial bytes to readings.
//!
//! Nothing here decides anything about a batch: bytes are cut into lines ([`frame`]), a line layout
//! ([`layout`]) turns a whole line into a [`Line`], and a line that is not whole in every part is a
//! [`Reject`], counted and never a weight.

pub mod capture;
pub mod decode;
pub mod frame;
pub mod identify;
pub mod layout;
pub mod link;
pub mod ports;

use crate::mass::{Mass, Unit};

/// A point in time: microseconds since the session began, on a clock that never steps back.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
pub struct Moment(pub u64);

impl Moment {
    pub const fn from_micros(us: u64) -> Moment {
        Moment(us)
    }
    pub const fn from_millis(ms: u64) -> Moment {
        Moment(ms.saturating_mul(1000))
    }
    /// Seconds as a float, for printing and for rates.
    pub fn seconds(self) -> f64 {
        self.0 as f64 / 1e6
    }
    /// Microseconds from `earlier` to here; 0 if `earlier` is later.
    pub const fn since(self, earlier: Moment) -> u64 {
        self.0.saturating_sub(earlier.0)
    }
    pub const fn plus_micros(self, us: u64) -> Moment {
        Moment(self.0.saturating_add(us))
    }
}

/// Which weight the scale says its number is (OIML R 76-1, T.5.2): with or without its own tare.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Shown {
    Gross,
    Net,
}

/// One weight as the scale sent it. The unit may be missing (some scales leave it out while the
/// load moves); such a number guides the hand but is never recorded.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Indication {
    pub value: crate::mass::Decimal,
    pub unit: Option<Unit>,
    /// The scale's own word on steadiness, where the layout has one.
    pub steady: Option<bool>,
    /// Whether the scale says that the number is gross or net, where the layout has it.
    pub shown: Option<Shown>,
}

/// What one whole line of a scale says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Line {
    Weight(Indication),
    /// Too much on the pan; the line holds no usable number.
    Overload,
    /// Less than the scale can show (pan missing, or far below zero).
    Underload,
    /// The scale answered, without a weight (`S I`, an acknowledgement of TARE or ZERO).
    NoWeight,
    /// A known form that is not a mass: a number of pieces, a percentage, or a unit we do not know.
    NotAMass,
}

/// Why a line gave no weight. Each kind is counted.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Reject {
    /// Longer than [`frame::LONGEST_LINE`].
    TooLong,
    /// A byte that no scale line holds: NUL, other control bytes, the eighth bit.
    Garbage,
    /// Plain text, but not the layout's form in every column.
    Form,
    /// The frame's checksum does not fit.
    Checksum,
    /// The first, possibly cut, line after the port was opened.
    Partial,
}

/// A weight in nanograms at a moment, ready for the weighing engine.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Reading {
    pub at: Moment,
    /// The number shown, signed.
    pub weight: Mass,
    /// One step of the last digit shown: the least readability this line can have.
    pub digit: Mass,
    /// `None` while the scale leaves the unit out.
    pub unit: Option<Unit>,
    pub steady: Option<bool>,
    pub shown: Option<Shown>,
}
