//! Individuals and moving-range control chart (Shewhart).
//!
//! Source: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2 "Individuals Control Charts". The
//! constants for a moving range of two are d2 = 1.128 and D4 = 3.267, D3 = 0, as its worked example
//! rounds them (exactly 2/√π and 1 + 3 √(2 − 4/π)/d2).

/// Mean of the range of two normal values, in standard deviations.
pub const D2: f64 = 1.128;
/// Upper limit of a moving range of two, in mean moving ranges.
pub const D4: f64 = 3.267;
/// With fewer values the limits say little. Common practice, no source.
pub const FEW: usize = 20;

/// Centre lines and limits of both charts, in the unit of the values.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Limits {
    /// Mean of the values.
    pub centre: f64,
    /// centre − 3 × mean moving range / d2.
    pub lower: f64,
    /// centre + 3 × mean moving range / d2.
    pub upper: f64,
    /// Mean moving range; the lower limit of the moving ranges is 0.
    pub range_centre: f64,
    /// D4 × mean moving range.
    pub range_upper: f64,
}

impl Limits {
    /// The limits that the values themselves set, in their order of time. `None` for fewer than two
    /// values or one that is not finite.
    pub fn of(values: &[f64]) -> Option<Limits> {
        if values.len() < 2 || values.iter().any(|value| !value.is_finite()) {
            return None;
        }
        let ranges = moving_ranges(values);
        let (centre, range_centre) = (mean(values)?, mean(&ranges)?);
        let reach = 3.0 * range_centre / D2;
        Some(Limits {
            centre,
            lower: centre - reach,
            upper: centre + reach,
            range_centre,
            range_upper: D4 * range_centre,
        })
    }

    /// Whether a value lies beyond a limit; one on the limit does not.
    pub fn is_out(&self, value: f64) -> bool {
        value < self.lower || value > self.upper
    }

    /// Whether a moving range lies beyond its limit.
    pub fn is_range_out(&self, range: f64) -> bool {
        range > self.range_upper
    }
}

/// The distance of each value from the one before it; one fewer than the values.
pub fn moving_ranges(values: &[f64]) -> Vec<f64> {
    let pairs = values.iter().zip(values.iter().skip(1));
    pairs
        .map(|(before, after)| (after - before).abs())
        .collect()
}

/// Arithmetic mean; `None` of nothing.
pub fn mean(values: &[f64]) -> Option<f64> {
    if values.is_empty() {
        return None;
    }
    Some(values.iter().sum::<f64>() / values.len() as f64)
}

/// Sample standard deviation (n − 1); `None` for fewer than two values.
pub fn deviation(values: &[f64]) -> Option<f64> {
    let mean = mean(values)?;
    if values.len() < 2 {
        return None;
    }
    let squares: f64 = values.iter().map(|value| (value - mean).powi(2)).sum();
    Some((squares / (values.len() - 1) as f64).sqrt())
}
