//! `bismar scale-check`: a test weight on the scale, judged and logged; or several, which tell what the scale's
//! weights are worth.

use clap::Args;

use super::config::taken_over;
use super::guided::{GuidedArgs, NOTHING_WEIGHED, Session, logged, written_into};
use super::value::ValueError;
use super::{Exit, Failure, Outcome, print, said};
use crate::guide::Guide;
use crate::language::phrase;
use crate::metrology::test_weights::{TestLoad, WeightClass};
use crate::workshop::config_file;
use crate::workshop::scale_check::{Check, NOT_PASSED};
use crate::workshop::several_loads::{self, SeveralLoads};

#[derive(Debug, Args)]
pub struct ScaleCheckArgs {
    /// Nominal mass of the test weight with its unit, for example 100g; several loads with commas between
    /// them, weights that lie on the pan together with +
    #[arg(long, value_name = "MASS", value_parser = load, value_delimiter = ',', required = true)]
    weight: Vec<TestLoad>,
    /// Write what several loads tell into the scale's part of the configuration
    #[arg(long)]
    write: bool,
    /// Its accuracy class after OIML R 111: E2, F1, F2 or M1
    #[arg(long, value_name = "CLASS", value_parser = class)]
    class: WeightClass,
    #[command(flatten)]
    guided: GuidedArgs,
}

pub fn run(args: &ScaleCheckArgs) -> Outcome {
    let [load] = args.weight.as_slice() else {
        return several(args);
    };
    if args.write {
        let message =
            phrase!("--write takes over what several loads tell; one weight tells too little");
        let remedy = phrase!("for example --weight 50g,200g,500g --write");
        return Err(Failure::usage(message).remedy(remedy));
    }
    let session = Session::start(&args.guided)?;
    let ability = session.listening.ability.clone();
    let check = Check::new(load.clone(), args.class, &ability).map_err(Failure::usage)?;
    let guide = Guide::new(1, Some(load.nominal()), ability.readability);
    let (taken, mut record) = session.weigh(guide)?;
    let Some(taken) = taken.last() else {
        return Err(Failure::failed(NOTHING_WEIGHED));
    };
    check.log(&mut record, *taken)?;
    print(&said(check.words(*taken, ability.readability)))?;
    print(&said(logged(&record)))?;
    if check.pass(*taken) {
        Ok(Exit::Done)
    } else {
        let message = phrase!("scale {name} did not pass", name = &ability.name);
        Err(Failure::failed(message).remedy(NOT_PASSED))
    }
}

fn several(args: &ScaleCheckArgs) -> Outcome {
    let session = Session::start(&args.guided)?;
    let ability = session.listening.ability.clone();
    let name = &ability.name;
    let loads = args.weight.clone();
    let check = SeveralLoads::new(loads, args.class, &ability).map_err(Failure::usage)?;
    // Before the weighings, so that nobody does them for a file that cannot be changed.
    let place = match args.write {
        true => Some(args.guided.in_config(name)?),
        false => None,
    };
    if let Some(message) = check.unwritten().filter(|_| args.write) {
        let remedy = phrase!("remove class and e there, or leave --write out");
        return Err(Failure::failed(message).remedy(remedy));
    }
    let (taken, mut record) = session.weigh(check.guide())?;
    let missing = || Failure::failed(phrase!("some of the weighings are missing"));
    let found = check.found(&taken).ok_or_else(missing)?;
    check.log(&mut record, &taken)?;
    print(&said(check.words(&taken, &found)))?;
    if check.is_assumed() {
        print(&said(phrase!(
            "Its scatter is ASSUMED; after `bismar repeatability --write` these limits come out narrower."
        )))?;
    }
    print(&said(phrase!("For the scale's part of the configuration:")))?;
    print(check.toml(&found).trim_end())?;
    print(&said(logged(&record)))?;
    if let Some((place, index)) = &place {
        config_file::uncertainty(place, *index, &check.toml(&found), check.budgeted(&found))?;
        print(&said(written_into(place)))?;
        taken_over(place);
    }
    if check.pass(&taken) {
        return Ok(Exit::Done);
    }
    let message = phrase!("scale {name} did not pass by the budget that it had", name);
    let remedy = match args.write {
        true => phrase!(
            "From now on it is judged by what was found; check it once more with one weight"
        ),
        false => phrase!(
            "{why}. If it stays so, the lines above say what it is worth (--write)",
            why = NOT_PASSED,
        ),
    };
    Err(Failure::failed(message).remedy(remedy))
}

/// As [`several_loads::load`].
fn load(text: &str) -> Result<TestLoad, ValueError> {
    several_loads::load(text).map_err(ValueError::Load)
}

fn class(text: &str) -> Result<WeightClass, ValueError> {
    WeightClass::from_name(text).ok_or(ValueError::Class)
}
