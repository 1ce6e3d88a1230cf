//! Uncertainty of a net weight and the acceptance window that follows from it.
//!
//! Sources: JCGM 100:2008 (evaluation of measurement data, guide to the expression of uncertainty in
//! measurement) and JCGM 106:2012 (the role of measurement uncertainty in conformity assessment).
//! Floats hold uncertainties here, never weights; what goes back to a [`Mass`](crate::mass::Mass) is
//! rounded to the safe side.

pub mod budget;
pub mod conformity;
pub mod feasibility;
pub mod premix;
pub mod prepackage;
pub mod repeatability;
pub mod several_loads;
pub mod test_weights;
pub mod uncertainty;
pub mod window;

pub use budget::{Budget, Errors, Known, Weighing};
pub use conformity::conformance_probability;
pub use feasibility::{Feasibility, StepLimits, feasibility, feasibility_of};
pub use repeatability::Repeatability;
pub use uncertainty::{ScaleAbility, Uncertainty};
pub use window::Window;
