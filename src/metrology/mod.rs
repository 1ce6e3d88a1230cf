//! Uncertainty of a net weight and the acceptance window that follows from it.
