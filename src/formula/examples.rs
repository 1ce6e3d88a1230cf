//! The example formulas of the invented Saltmarsh Bench workshop, for the demo, for tests, and to begin with.

/// Six beaker steps in three phases; 440 g is 8 jars of 55 g.
pub const TIDELINE: &str = include_str!("../../config/formulas/tideline-bath-salts.toml");
/// Bowl steps and one difference step.
pub const MARRAM: &str = include_str!("../../config/formulas/marram-balm.toml");
/// Percents without a balance.
pub const SAMPHIRE: &str = include_str!("../../config/formulas/samphire-foot-powder.toml");
/// Four beaker steps in three phases, for the demo; 360 g is 6 jars of 60 g.
pub const GLASSWORT: &str = include_str!("../../config/formulas/glasswort-bath-soak.toml");
/// Three essential oils in parts, into one bottle: the premix of tideline, glasswort and eelgrass.
pub const SCENT_BLEND: &str = include_str!("../../config/formulas/saltmarsh-scent-blend.toml");
/// Powders, a sticky liquid by difference, and the premix.
pub const EELGRASS: &str = include_str!("../../config/formulas/eelgrass-fizz-powder.toml");
/// Three beaker steps in two phases, without a lot and without an essential oil: for a first batch.
pub const FIRST_SOAK: &str = include_str!("../../config/formulas/first-soak.toml");

/// All of them, each by its file's name.
pub const ALL: [(&str, &str); 7] = [
    ("eelgrass-fizz-powder.toml", EELGRASS),
    ("first-soak.toml", FIRST_SOAK),
    ("glasswort-bath-soak.toml", GLASSWORT),
    ("marram-balm.toml", MARRAM),
    ("samphire-foot-powder.toml", SAMPHIRE),
    ("saltmarsh-scent-blend.toml", SCENT_BLEND),
    ("tideline-bath-salts.toml", TIDELINE),
];
