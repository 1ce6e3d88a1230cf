//! How much to make: `--batch 500g`, or `--jars 8 --fill 55g`.

use clap::Args;

use crate::formula::plan::Amount;
use crate::mass::Mass;

/// A mass as it was typed, and what it means.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Typed {
    pub text: String,
    pub mass: Mass,
}

/// The two ways to say how much; neither is asked for here.
#[derive(Debug, Clone, Args)]
pub struct SizeArgs {
    /// Mass of the whole batch with its unit, for example 500g, 1.2kg or 16oz
    #[arg(long, value_name = "MASS", value_parser = typed, conflicts_with_all = ["jars", "fill"])]
    pub batch: Option<Typed>,
    /// Number of jars; say the fill of each with --fill
    #[arg(long, value_name = "COUNT", requires = "fill",
          value_parser = clap::value_parser!(u32).range(1..))]
    pub jars: Option<u32>,
    /// Net fill of one jar with its unit, for example 55g
    #[arg(long, value_name = "MASS", value_parser = typed, requires = "jars")]
    pub fill: Option<Typed>,
}

impl SizeArgs {
    /// The amount, where one was given.
    pub fn amount(&self) -> Option<Amount> {
        match (&self.batch, self.jars, &self.fill) {
            (Some(batch), _, _) => Some(Amount::Batch(batch.mass)),
            (None, Some(count), Some(fill)) => Some(Amount::Jars {
                count,
                fill: fill.mass,
            }),
            (None, _, _) => None,
        }
    }
}

/// The group of which exactly one must be given.
pub fn required() -> clap::ArgGroup {
    clap::ArgGroup::new("size")
        .args(["batch", "jars"])
        .required(true)
}

pub(super) fn typed(text: &str) -> Result<Typed, String> {
    let mass = Mass::parse_with_unit(text).map_err(|error| error.to_string())?;
    if mass <= Mass::ZERO {
        return Err("must be more than nothing".to_owned());
    }
    Ok(Typed {
        text: text.to_owned(),
        mass,
    })
}
