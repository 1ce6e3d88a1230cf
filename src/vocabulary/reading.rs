//! Readings: one weight of one scale at a moment.

use crate::mass::{Mass, Unit};
use crate::time::Moment;

/// Index of a scale in the configuration, from 0.
pub type ScaleIndex = usize;

/// Which weight the scale says its number is (OIML R 76-1, T.5.2): with or without its own tare.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Shown {
    Gross,
    Net,
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
