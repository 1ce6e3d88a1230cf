//! The acceptance window of a step.

use super::Uncertainty;
use crate::mass::Mass;

/// Which net weights the scale may show for a step to count as met. Both ends are values that the
/// scale can show.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Window {
    pub low: Mass,
    pub high: Mass,
    /// Whether a weight inside proves that the true weight is inside the tolerance, as far as the budget
    /// behind its uncertainty goes. If not, the window only keeps the work going and the record claims nothing.
    pub proven: bool,
}

impl Window {
    /// Guarded acceptance (JCGM 106:2012, 8.3.2): the tolerance limits `lowest` and `highest`, each
    /// drawn in by the guard band ([`Uncertainty::band`]), then inward to a multiple of the readability `d`. With a guard of 2 a
    /// weight shown at the edge is out of tolerance in at most 2.3 % of cases (8.3.2.2). That is not
    /// the chance that a weight just out of tolerance is accepted: where the display's step is most of
    /// the uncertainty and the limit lies unluckily between two steps, that is up to 9.7 %.
    ///
    /// A proven window can lie beside the target where a formula allows (almost) nothing to one side;
    /// see [`Window::aim`].
    ///
    /// If nothing that the scale can show is left, the window is the tolerance itself but at least
    /// 1 d to either side of the target, and not `proven`. The low end is never below 1 d: an empty
    /// vessel meets no step.
    ///
    /// ```
    /// use bismar_core::mass::Mass;
    /// use bismar_core::metrology::{Uncertainty, Window};
    ///
    /// let (d, g) = (Mass::from_mg(10), Mass::from_g);
    /// // Tare and gross of a scale of 0.01 g: u = 5.8 mg, so 2 u is 11.6 mg.
    /// let u = Uncertainty::net(d, None, 2);
    /// let window = Window::acceptance(g(40), Mass::from_mg(39_600), Mass::from_mg(40_400), u, 2.0, d);
    /// assert!(window.proven && window.holds(g(40)));
    /// assert_eq!((window.low, window.high), (Mass::from_mg(39_620), Mass::from_mg(40_380)));
    /// ```
    pub fn acceptance(
        target: Mass,
        lowest: Mass,
        highest: Mass,
        u: Uncertainty,
        guard: f64,
        d: Mass,
    ) -> Window {
        let band = u.band(guard);
        let least = d.max(Mass::from_ng(1));
        let low = (lowest + band).ceil_to(d).max(least);
        let high = (highest - band).floor_to(d);
        if low <= high {
            return Window {
                low,
                high,
                proven: true,
            };
        }
        let low = (target - (target - lowest).max(d)).ceil_to(d).max(least);
        let high = (target + (highest - target).max(d)).floor_to(d).max(low);
        Window {
            low,
            high,
            proven: false,
        }
    }

    /// Whether a net weight is inside, ends included.
    pub fn holds(self, net: Mass) -> bool {
        self.low <= net && net <= self.high
    }

    /// The weight to pour for: the target, or the nearest end where the window lies beside it.
    pub fn aim(self, target: Mass) -> Mass {
        target.max(self.low).min(self.high)
    }
}
