//! Probability that a measured weight lies inside its tolerance.

/// The probability that the true value lies between `lower` and `upper`, given the measured value `y`
/// with standard uncertainty `u` and a normal distribution (JCGM 106:2012, equation 11):
///
/// p = Φ((upper − y)/u) − Φ((lower − y)/u)
///
/// All in one unit. Either limit may be infinite: that gives equations 8 and 9. With `u` = 0 the
/// result is 1 or 0. `None` if `u` is negative, or anything is not a number.
pub fn conformance_probability(y: f64, u: f64, lower: f64, upper: f64) -> Option<f64> {
    if y.is_infinite() || !u.is_finite() || u < 0.0 || [y, lower, upper].iter().any(|x| x.is_nan())
    {
        return None;
    }
    if lower > upper {
        return Some(0.0);
    }
    if u == 0.0 {
        return Some(if lower <= y && y <= upper { 1.0 } else { 0.0 });
    }
    let (a, b) = ((lower - y) / u, (upper - y) / u);
    // Both limits on one side: subtract the small tails, not two numbers next to 1.
    let p = if a > 0.0 {
        phi(-a) - phi(-b)
    } else {
        phi(b) - phi(a)
    };
    Some(p.clamp(0.0, 1.0))
}

/// The standard normal distribution function Φ(z) = erfc(−z/√2)/2.
pub fn phi(z: f64) -> f64 {
    libm::erfc(-z / std::f64::consts::SQRT_2) / 2.0
}
