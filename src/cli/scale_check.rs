//! `bismar scale-check`: a test weight on the scale, judged and logged.

use clap::Args;

use super::guided::{GuidedArgs, Session};
use super::{Exit, Failure, Outcome, print};
use crate::guide::Guide;
use crate::mass::Mass;
use crate::metrology::test_weights::{SOURCE, WeightClass, nominals};
use crate::workshop::scale_check::{Check, NOT_PASSED};

#[derive(Debug, Args)]
pub struct ScaleCheckArgs {
    /// Nominal mass of the test weight with its unit, for example 100g
    #[arg(long, value_name = "MASS", value_parser = nominal)]
    weight: Mass,
    /// Its accuracy class after OIML R 111: E2, F1, F2 or M1
    #[arg(long, value_name = "CLASS", value_parser = class)]
    class: WeightClass,
    #[command(flatten)]
    guided: GuidedArgs,
}

pub fn run(args: &ScaleCheckArgs) -> Outcome {
    let session = Session::start(&args.guided)?;
    let ability = session.ability.clone();
    let check = Check::new(args.weight, args.class, &ability).map_err(Failure::usage)?;
    let guide = Guide::new(1, Some(args.weight), ability.readability);
    let (taken, mut record) = session.weigh(guide)?;
    let Some(taken) = taken.last() else {
        return Err(Failure::failed("nothing was weighed"));
    };
    check.log(&mut record, *taken)?;
    print(&check.words(*taken, ability.readability))?;
    print(&format!("Logged in {}.", record.place()))?;
    if check.pass(*taken) {
        Ok(Exit::Done)
    } else {
        Err(Failure::failed(format!("scale {} did not pass", ability.name)).remedy(NOT_PASSED))
    }
}

fn nominal(text: &str) -> Result<Mass, String> {
    let mass = Mass::parse_with_unit(text).map_err(|error| error.to_string())?;
    if nominals().any(|nominal| nominal == mass) {
        return Ok(mass);
    }
    Err(format!(
        "no single test weight has that mass: {SOURCE} has 1, 2 and 5 times a power of ten, 1 mg to 5 kg"
    ))
}

fn class(text: &str) -> Result<WeightClass, String> {
    WeightClass::from_name(text).ok_or_else(|| "is not E2, F1, F2 or M1".to_owned())
}
