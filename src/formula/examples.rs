//! The example formulas of the invented Saltmarsh Bench workshop, for the demo and for tests.

/// Six beaker steps in three phases; 440 g is 8 jars of 55 g.
pub const TIDELINE: &str = include_str!("../../config/formulas/tideline-bath-salts.toml");
/// Bowl steps and one difference step.
pub const MARRAM: &str = include_str!("../../config/formulas/marram-balm.toml");
/// Percents without a balance.
pub const SAMPHIRE: &str = include_str!("../../config/formulas/samphire-foot-powder.toml");
/// Four beaker steps in three phases, for the demo; 360 g is 6 jars of 60 g.
pub const GLASSWORT: &str = include_str!("../../config/formulas/glasswort-bath-soak.toml");
