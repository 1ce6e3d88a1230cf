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
pub mod settings;

use crate::mass::Unit;
use crate::vocabulary::reading::Shown;

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
