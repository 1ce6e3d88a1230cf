//! Time as the bench counts it: never read here, always an argument.

/// A point in time: microseconds since the session began, on a clock that never steps back.
///
/// ```
/// use bismar_core::time::Moment;
///
/// let (tared, poured) = (Moment::from_millis(1_500), Moment::from_millis(4_000));
/// assert_eq!(poured.since(tared), 2_500_000);
/// // What is later has not happened yet: no time passed.
/// assert_eq!(tared.since(poured), 0);
/// ```
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

    /// The moment as whole milliseconds for a log row.
    pub const fn millis(self) -> u64 {
        self.0 / 1000
    }
}
